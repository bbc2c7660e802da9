"""Evidence as plain tables: what was seen, one table a probe family, before any judgement."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Callable, Container, Iterable, Sequence

import msgspec

from shared.boots import BootEvidence
from shared.evidence import (
    CertificateFacts,
    ClockEvidence,
    ClockWitness,
    CommandAnswer,
    Crash,
    EchoEvidence,
    Failure,
    HostEvidence,
    Identity,
    NameAnswer,
    OwnersEvidence,
    PathMtuEvidence,
    PortEvidence,
    SiteEvidence,
    SshEvidence,
    SystemEvidence,
    TlsEvidence,
    bounded,
)
from shared.quantities import show_seconds


class Table(msgspec.Struct, frozen=True):
    """One family's evidence: a title, column headings, and rows of text."""

    family: str
    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def of_host(seen: HostEvidence, families: Container[str] | None = None) -> tuple[Table, ...]:
    """What was seen of one host, or only what belongs to some families of checks; what went wrong with us always."""
    return _filled(*(make(seen) for family, make in _OF_A_HOST if families is None or family in families), crashes(seen.crashes))


def of_site(seen: SiteEvidence) -> tuple[Table, ...]:
    """What was seen of the site's servers."""
    return _filled(names(seen.names), echoes("gateway", "Gateway echo", seen.gateways), clocks(seen.clocks),
                   owners(seen.owners), crashes(seen.crashes))


#: What makes each table of a host, in the order in which they are shown, and the family of checks that it belongs to.
_OF_A_HOST: tuple[tuple[str, Callable[[HostEvidence], Table]], ...] = (
    ("name", lambda seen: names(seen.names)), ("host", lambda seen: echoes("host", "Echo", seen.echoes)),
    ("port", lambda seen: ports(seen.ports)), ("clock", lambda seen: clocks(seen.clocks)),
    ("clock", lambda seen: witnesses(seen.witnesses)), ("certificate", lambda seen: tls(seen.tls)),
    ("certificate", lambda seen: chains(seen.tls)), ("ssh", lambda seen: ssh(seen.ssh)),
    ("system", lambda seen: commands(seen.system)), ("host", lambda seen: owners(seen.owners)),
    ("host", lambda seen: paths(seen.paths)), ("host", lambda seen: identities(seen.identities)),
    ("boot", lambda seen: boots(seen.boot)))


def _filled(*tables: Table) -> tuple[Table, ...]:
    """The tables that have rows, without the columns in which no row says anything."""
    return tuple(_without_empty_columns(table) for table in tables if table.rows)


def _without_empty_columns(table: Table) -> Table:
    kept = [column for column in range(len(table.head)) if any(row[column] for row in table.rows)]
    return Table(table.family, table.title, tuple(table.head[column] for column in kept),
                 tuple(tuple(row[column] for column in kept) for row in table.rows))


def names(answers: Sequence[NameAnswer]) -> Table:
    """What each name server said to each question."""
    return Table("name", "Name servers' answers", ("server", "question", "over", "answer", "took"),
                 tuple((a.server, f"{a.name} {a.rrtype}", a.transport.upper(), _answer(a), show_seconds(a.elapsed_seconds))
                       for a in answers))


def _answer(answer: NameAnswer) -> str:
    if answer.failure:
        return failure_words(answer.failure)
    records = ", ".join(f"{record.rrtype} {record.value} (TTL {record.ttl_seconds} s)" for record in answer.answers)
    parts = (answer.rcode, records or "no records", "authoritative" if answer.authoritative else "",
             "cut short over UDP" if answer.truncated else "",
             "silence as long as the question carried EDNS" if answer.edns_unanswered else "", answer.explanation,
             f"and {answer.left_out} more records" if answer.left_out else "")
    return "; ".join(filter(None, parts))


def echoes(family: str, title: str, bursts: Sequence[EchoEvidence]) -> Table:
    """Each burst of echoes; the warm-up is not counted."""
    return Table(family, title, ("address", "method", "answered", "round trip", "remark"), tuple(_burst(b) for b in bursts))


def _burst(burst: EchoEvidence) -> tuple[str, ...]:
    trips = [trip for trip in burst.round_trips_seconds if trip is not None]
    spread = ""
    if trips:
        spread = " / ".join(show_seconds(value) for value in (min(trips), statistics.median(trips), max(trips)))
    return (burst.address, burst.method, f"{len(trips)} of {len(burst.round_trips_seconds)}",
            f"{spread} (least / median / most)" if spread else "none", failure_words(burst.failure) if burst.failure else "")


def ports(tried: Sequence[PortEvidence]) -> Table:
    """Each TCP port and what it answered."""
    return Table("port", "Ports", ("port", "address", "state", "tries", "took", "remark"),
                 tuple((p.port, p.address, str(p.state), str(p.attempts), show_seconds(p.elapsed_seconds),
                        failure_words(p.failure) if p.failure else "") for p in tried))


def clocks(servers: Sequence[ClockEvidence]) -> Table:
    """Each NTP server: its exchange with the least delay, which is the one to believe (RFC 5905 section 10)."""
    head = ("server", "answered", "offset to the runner", "delay", "stratum", "leap", "reference", "remark")
    return Table("clock", "NTP exchanges", head, tuple(_exchange(server) for server in servers))


def _exchange(server: ClockEvidence) -> tuple[str, ...]:
    label = server.address if server.server == server.address else f"{server.server} ({server.address})"
    remark = "; ".join(filter(None, (f"kiss code {server.kiss_code}" if server.kiss_code else "", *server.discarded,
                                     failure_words(server.failure) if server.failure else "")))
    answered = f"{len(server.samples)} of {server.asked}"
    if not server.samples:
        return (label, answered, "", "", "", "", "", remark)
    best = min(server.samples, key=lambda sample: sample.delay_seconds)
    return (label, answered, show_seconds(best.offset_seconds), show_seconds(best.delay_seconds), str(best.stratum),
            str(best.leap), best.reference_id, remark)


def witnesses(seen: Sequence[ClockWitness]) -> Table:
    """What other than NTP tells of the host's clock: the narrowest span each witness leaves for its lead over the runner's."""
    return Table("clock", "Other witnesses of the clock", ("witness", "answered", "ahead of the runner by", "remark"),
                 tuple(_witness(witness) for witness in seen))


def _witness(seen: ClockWitness) -> tuple[str, ...]:
    lead = ""
    if seen.samples:
        best = min(seen.samples, key=lambda sample: sample.hi_seconds - sample.lo_seconds)
        lead = f"{show_seconds(best.lo_seconds)} to {show_seconds(best.hi_seconds)}"
    remarks = [*(f"{name}: {value}" for name, value in seen.details), *seen.discarded]
    if seen.failure:
        remarks.append(failure_words(seen.failure))
    return (f"{seen.method} {seen.port}".strip(), f"{len(seen.samples)} of {seen.asked}", lead, "; ".join(remarks))


def owners(seen: Sequence[OwnersEvidence]) -> Table:
    """Who claimed each address on the runner's own wire."""
    head = ("address", "interface", "owners (answers to questions, and unasked)", "remark")
    return Table("host", "Owners of the address", head, tuple(
        (one.address, one.interface, ", ".join(f"{owner.mac} ({owner.answers} of {one.asked}, {owner.unasked})"
                                               for owner in one.owners) or "none",
         failure_words(one.failure) if one.failure else "") for one in seen))


def paths(seen: Sequence[PathMtuEvidence]) -> Table:
    """Each packet size that was tried, in the order in which it was first."""
    return Table("host", "Packet sizes", ("address", "octets", "passed", "tries", "remark"), tuple(
        (path.address, str(trial.size_octets), "no" if trial.failure else "yes", str(trial.tries),
         failure_words(trial.failure) if trial.failure else "") for path in seen for trial in path.trials))


def identities(seen: Sequence[Identity]) -> Table:
    """Who was met at the further visits to a port, and how often."""
    met = Counter((one.port, one.address, one.kind, one.fingerprint, failure_words(one.failure) if one.failure else "")
                  for one in seen)
    return Table("host", "Who was there at further visits", ("port", "address", "kind", "fingerprint", "remark", "visits"),
                 tuple((*row, str(visits)) for row, visits in met.items()))


def boots(seen: BootEvidence | None) -> Table:
    """Every change of a sign of life while the host was rebooted."""
    several = seen is not None and len({sign.address for sign in seen.signs}) > 1
    rows = [] if seen is None else [
        (moment.at, f"{moment.sign.name} at {moment.sign.address}" if several else moment.sign.name, str(moment.reading),
         moment.detail) for moment in seen.moments]
    if seen is not None and seen.left_out:
        rows.append(("", "", "", f"and {seen.left_out} more changes before the last of each sign"))
    return Table("boot", "Signs of life during the reboot", ("not later than", "sign", "was", "remark"), tuple(rows))


def tls(handshakes: Sequence[TlsEvidence]) -> Table:
    """Each TLS handshake and the protocol versions tried."""
    head = ("port", "asked for", "agreed on", "versions", "took", "remark")
    return Table("certificate", "TLS handshakes", head, tuple(_handshake(handshake) for handshake in handshakes))


def _handshake(seen: TlsEvidence) -> tuple[str, ...]:
    alike: dict[tuple[str, str], list[str]] = {}
    for trial in seen.versions:
        alike.setdefault((trial.outcome, trial.detail), []).append(trial.version)
    versions = ", ".join(f"{' and '.join(tried)} {outcome}" + (f" ({detail})" if detail else "")
                         for (outcome, detail), tried in alike.items())
    clear = f"; its certificates answer a bare {seen.clear_hello} hello" if seen.clear_hello else ""
    return (seen.port, seen.server_name, f"{seen.protocol} {seen.cipher}".strip() or "nothing", versions,
            show_seconds(seen.elapsed_seconds), f"{failure_words(seen.failure)}{clear}" if seen.failure else seen.greeting)


def chains(handshakes: Sequence[TlsEvidence]) -> Table:
    """Each certificate as sent.  Its octets are in the JSON report, not here."""
    rows = [(f"{h.port} no. {place}", *_certificate(facts)) for h in handshakes for place, facts in enumerate(h.chain, start=1)]
    rows += [(h.port, f"and {h.chain_left_out} more", "", "", "", "", "") for h in handshakes if h.chain_left_out]
    head = ("port", "subject", "issuer", "valid", "names", "key and signature", "SHA-256")
    return Table("certificate", "Certificates as sent", head, tuple(rows))


def _certificate(facts: CertificateFacts) -> tuple[str, ...]:
    if facts.parse_error:
        return (f"cannot be parsed: {facts.parse_error}", "", "", "", "", facts.sha256)
    listed = ", ".join(f"{kind}:{value}" for kind, value in facts.names)
    return (facts.subject, facts.issuer + (" (itself)" if facts.self_signed else ""), f"{facts.not_before} to {facts.not_after}",
            listed or facts.names_error or "none", f"{facts.key_type} {facts.key_bits} bit, {facts.signature}", facts.sha256)


def ssh(servers: Sequence[SshEvidence]) -> Table:
    """What each SSH server says of itself before any login."""
    return Table("ssh", "SSH", ("port", "identification", "host keys", "key exchange", "ciphers", "remark"),
                 tuple(_ssh_server(server) for server in servers))


def _ssh_server(seen: SshEvidence) -> tuple[str, ...]:
    keys = _list(f"{key.key_type} {key.bits} bit {key.fingerprint}" for key in seen.host_keys)
    remarks = [f"{failed.key_type}: {failure_words(failed.failure)}" for failed in seen.key_failures]
    if seen.failure:
        remarks.insert(0, failure_words(seen.failure))
    return (seen.port, seen.identification or " / ".join(seen.preamble) or "none", keys, _list(seen.kex_algorithms),
            _list(seen.ciphers), "; ".join(remarks))


#: How much of a command's output the page shows; the JSON report has what was kept.
_OUTPUT_SHOWN = 400


def commands(seen: SystemEvidence | None) -> Table:
    """Each command that was run on the host after a login, with its exit status and what it printed."""
    head = ("asked about", "command", "exit status", "took", "output", "remark")
    return Table("system", "Asked of the host itself over SSH", head, tuple(_command(answer) for answer in seen.commands)
                 if seen else ())


def _command(answer: CommandAnswer) -> tuple[str, ...]:
    output = bounded(answer.output.strip(), _OUTPUT_SHOWN)
    remark = "; ".join(filter(None, (
        failure_words(answer.failure) if answer.failure else "", answer.errors.strip()[:_OUTPUT_SHOWN],
        "there was more than is kept" if answer.cut else "")))
    return (answer.topic, answer.command, "none" if answer.status is None else str(answer.status),
            show_seconds(answer.elapsed_seconds), output or "nothing", remark)


def crashes(found: Sequence[Crash]) -> Table:
    """Bugs of ours: never a statement about a host."""
    return Table("crash", "Faults of this program", ("while asking", "error"), tuple((c.asking, c.error) for c in found))


def _list(items: Iterable[str]) -> str:
    return ", ".join(items) or "none"


def failure_words(failure: Failure) -> str:
    """Why something could not be observed, in one line."""
    words = str(failure.kind).replace("-", " ")
    if failure.phase:
        words += f" in: {failure.phase}"
    if failure.sender:
        words += f", said by {failure.sender}"
    if failure.detail:
        words += f" ({failure.detail})"
    if failure.mtu is not None:
        words += f", {failure.mtu} octets would fit"
    if failure.strays:
        words += f", {failure.strays} stray answers"
    if failure.answered_from:
        words += f", an answer came from {failure.answered_from}"
    return f"{words}, after {show_seconds(failure.elapsed_seconds)}"
