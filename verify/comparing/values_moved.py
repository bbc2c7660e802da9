"""What is graded as it was and yet is not what it was: a certificate, a host key, an answer, a port, a measured value.

Identities are compared as they are; measured values only beyond both their uncertainties and a dead band, for a value that
moves within its noise every night teaches people to look away.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator

from shared.drift import ValueChange
from shared.evidence import (
    CertificateFacts,
    HostEvidence,
    NameAnswer,
    OwnersEvidence,
    PortState,
    SshEvidence,
    TlsEvidence,
)
from shared.findings import SITE, Finding, Grade
from shared.hostnames import canonical, reverse_name
from shared.macs import is_virtual_router
from shared.quantities import Interval, show_seconds, show_value
from shared.run import HostReport, Report
from shared.serials import newer

#: By how much a clock may move before it is worth a line: 20 ms (common practice, no source).
CLOCK_BAND_SECONDS = 0.02
#: By how much a round trip may: 1 ms, or half of what it was where that is more (common practice, no source).
TRIP_BAND_SECONDS, TRIP_BAND_SHARE = 0.001, 0.5

#: By how much the share of lost echoes may: a fifth, for of twenty two more or four are lost by chance on a path that loses some
#: (common practice, no source).
LOSS_BAND = 0.2
_HAIR = 1e-9


def _clock_band(_was: float) -> float:
    return CLOCK_BAND_SECONDS


def _trip_band(was: float) -> float:
    return max(TRIP_BAND_SECONDS, TRIP_BAND_SHARE * abs(was))


#: The measured values that are followed, each with its dead band.  The life left of a certificate moves every night and
#: is followed as the certificate itself.  A time source's root distance is no value with an error but the bound of one, which
#: grows until the source asks its own again (RFC 5905 appendix A.5.5.2); only its limit is watched.
_BANDS: dict[str, Callable[[float], float]] = {
    "clock.offset": _clock_band, "clock.runner": _clock_band, "clock.skew": _clock_band,
    "host.echo": _trip_band, "gateway.echo": _trip_band,
}


def host_changes(before: HostReport, after: HostReport) -> Iterator[ValueChange]:
    """What of one host is not what it was."""
    name = after.name
    if before.addresses != after.addresses:
        yield ValueChange(host=name, what="planned address", subject="", was=", ".join(before.addresses),
                          now=", ".join(after.addresses))
    if before.role != after.role:
        yield ValueChange(host=name, what="role", subject="", was=before.role, now=after.role)
    old, new = before.evidence, after.evidence
    regraded = _regraded(before.findings, after.findings)
    yield from _certificates(name, old, new)
    yield from _host_keys(name, old, new)
    yield from _identifications(name, old, new)
    yield from _answers(name, old.names, new.names, regraded)
    yield from _ports(name, old, new, regraded)
    yield from _owners(name, old.owners, new.owners)
    yield from _measured(name, before.findings, after.findings)


def site_changes(before: Report, after: Report) -> Iterator[ValueChange]:
    """What of the site as a whole is not what it was: zones, gateways' hardware, and measured values."""
    old, new = before.site.evidence, after.site.evidence
    yield from _serials(old.names, new.names)
    yield from _answers(SITE, old.names, new.names)
    yield from _owners(SITE, old.owners, new.owners)
    yield from _measured(SITE, before.site.findings, after.site.findings)


def _regraded(old: tuple[Finding, ...], new: tuple[Finding, ...]) -> frozenset[tuple[str, str]]:
    """The checks and subjects whose grade is another now: what they read is told with them, and not again as a value."""
    was = {finding.ref: finding.grade for finding in old}
    return frozenset((finding.check, finding.subject) for finding in new
                     if was.get(finding.ref, finding.grade) is not finding.grade)


def _certificates(host: str, old: HostEvidence, new: HostEvidence) -> Iterator[ValueChange]:
    was = {(tls.address, tls.port): tls for tls in old.tls}
    for tls in new.tls:
        earlier = was.get((tls.address, tls.port))
        if earlier is None or not earlier.chain or not tls.chain:
            continue
        where = f"{tls.port} at {tls.address}"
        one, other = earlier.chain[0], tls.chain[0]
        if one.sha256 != other.sha256:
            yield _certificate(host, where, one, other)
        yield from _versions(host, where, earlier, tls)


def _certificate(host: str, where: str, was: CertificateFacts, now: CertificateFacts) -> ValueChange:
    """A new certificate is expected in time; another issuer, other names or another kind of key are not."""
    apart = []
    if was.issuer != now.issuer:
        apart.append(f"issuer {was.issuer or 'unknown'} then, {now.issuer or 'unknown'} now")
    if sorted(was.names) != sorted(now.names):
        apart.append("it is for other names: " + (", ".join(value for _, value in now.names) or "none"))
    if (was.key_type, was.key_bits) != (now.key_type, now.key_bits):
        apart.append(f"key {was.key_type} {was.key_bits} then, {now.key_type} {now.key_bits} now")
    if not apart and now.not_after <= was.not_after:
        apart.append(f"it ends no later than the one before, at {now.not_after}")
    note = "; ".join(apart) or f"renewed by the same issuer, for the same names, until {now.not_after}"
    return ValueChange(host=host, what="certificate", subject=where, was=_digest(was), now=_digest(now), note=note,
                       expected=not apart)


def _digest(facts: CertificateFacts) -> str:
    return f"SHA-256 {facts.sha256[:16]}"


def _versions(host: str, where: str, was: TlsEvidence, now: TlsEvidence) -> Iterator[ValueChange]:
    old = {trial.version: trial.outcome for trial in was.versions}
    for trial in now.versions:
        earlier = old.get(trial.version, "unknown")
        if "unknown" not in (earlier, trial.outcome) and earlier != trial.outcome:
            yield ValueChange(host=host, what=trial.version, subject=where, was=earlier, now=trial.outcome)


def _host_keys(host: str, old: HostEvidence, new: HostEvidence) -> Iterator[ValueChange]:
    for earlier, ssh, where in _same_servers(old, new):
        was = {key.key_type: key.fingerprint for key in earlier.host_keys}
        now = {key.key_type: key.fingerprint for key in ssh.host_keys}
        unread = {failed.key_type for one in (earlier, ssh) for failed in one.key_failures}
        for kind in dict.fromkeys([*was, *now]):
            if kind not in unread and was.get(kind) != now.get(kind):
                note = "the host was installed anew, or another host answers here" if kind in was and kind in now else ""
                yield ValueChange(host=host, what=f"host key {kind}", subject=where, was=was.get(kind, "none"),
                                  now=now.get(kind, "none"), note=note)


def _identifications(host: str, old: HostEvidence, new: HostEvidence) -> Iterator[ValueChange]:
    for earlier, ssh, where in _same_servers(old, new):
        if earlier.identification != ssh.identification:
            yield ValueChange(host=host, what="SSH server", subject=where, was=earlier.identification, now=ssh.identification)


def _same_servers(old: HostEvidence, new: HostEvidence) -> Iterator[tuple[SshEvidence, SshEvidence, str]]:
    """The SSH servers that told of themselves both times."""
    was = {(ssh.address, ssh.port): ssh for ssh in old.ssh if ssh.failure is None}
    for ssh in new.ssh:
        earlier = was.get((ssh.address, ssh.port))
        if earlier is not None and ssh.failure is None:
            yield earlier, ssh, f"{ssh.port} at {ssh.address}"


def _answers(host: str, old: tuple[NameAnswer, ...], new: tuple[NameAnswer, ...],
             regraded: Collection[tuple[str, str]] = ()) -> Iterator[ValueChange]:
    """What each name server said to the same question.  A wildcard is asked for by another name every night."""
    was = {_question(answer): answer for answer in old if answer.failure is None}
    for answer in new:
        earlier = was.get(_question(answer))
        if earlier is None or answer.failure is not None or answer.purpose == "wildcard" or answer.rrtype == "SOA":
            continue
        if _records(earlier) != _records(answer) and _same_rcode_or_records(earlier, answer) and not _told(answer, regraded):
            yield ValueChange(host=host, what=f"answer {answer.rrtype}", subject=f"{answer.name} at {answer.server}",
                              was=_said(earlier), now=_said(answer))


def _told(answer: NameAnswer, regraded: Collection[tuple[str, str]]) -> bool:
    """Whether the finding about this answer has another grade now.  A pointer's names the address that was asked about."""
    if answer.rrtype != "PTR":
        return ("name.forward", f"{answer.server} {answer.rrtype}") in regraded
    return any(check == "name.reverse" and server == answer.server and reverse_name(address) == canonical(answer.name)
               for check, subject in regraded for server, _space, address in [subject.partition(" ")] if address)


def _question(answer: NameAnswer) -> tuple[str, str, str, str]:
    return answer.server, canonical(answer.name), answer.rrtype, answer.purpose


def _same_rcode_or_records(was: NameAnswer, now: NameAnswer) -> bool:
    """A server failure is graded; only what servers say of the name itself is an answer."""
    return {was.rcode, now.rcode} <= {"NOERROR", "NXDOMAIN"}


def _records(answer: NameAnswer) -> frozenset[tuple[str, str]]:
    """The records without their time to live, which counts down in a cache; names in one case (RFC 4343)."""
    return frozenset((record.rrtype, canonical(record.value)) for record in answer.answers)


def _said(answer: NameAnswer) -> str:
    return ", ".join(sorted(record.value for record in answer.answers)) or answer.rcode or "nothing"


def _serials(old: tuple[NameAnswer, ...], new: tuple[NameAnswer, ...]) -> Iterator[ValueChange]:
    """A zone's serial number goes forward (RFC 1982 section 3.2); one that went back is an old copy come again."""
    was = {_question(answer): serial for answer in old if (serial := _serial(answer)) is not None}
    for answer in new:
        now, earlier = _serial(answer), was.get(_question(answer))
        if now is not None and earlier is not None and newer(earlier, now):
            yield ValueChange(host=SITE, what="zone serial", subject=f"{answer.name} at {answer.server}", was=str(earlier),
                              now=str(now), note="it went back: an old copy of the zone is being served")


def _serial(answer: NameAnswer) -> int | None:
    """The serial of an SOA record: its third field (RFC 1035 section 3.3.13)."""
    for record in answer.answers:
        fields = record.value.split()
        if record.rrtype == "SOA" and len(fields) == 7 and fields[2].isascii() and fields[2].isdigit() and len(fields[2]) <= 10:
            return int(fields[2])
    return None


def _ports(host: str, old: HostEvidence, new: HostEvidence, regraded: Collection[tuple[str, str]]) -> Iterator[ValueChange]:
    was = {(port.address, port.port): port.state for port in old.ports}
    for port in new.ports:
        earlier = was.get((port.address, port.port), PortState.UNTRIED)
        told = any((check, subject) in regraded for check in ("port.open", "port.closed")
                   for subject in (port.port, f"{port.port} at {port.address}"))
        if PortState.UNTRIED not in (earlier, port.state) and earlier is not port.state and not told:
            yield ValueChange(host=host, what="port", subject=f"{port.port} at {port.address}", was=earlier.value,
                              now=port.state.value)


def _measured(host: str, old: tuple[Finding, ...], new: tuple[Finding, ...]) -> Iterator[ValueChange]:
    """Values that moved beyond both uncertainties and the dead band, where the grade is as it was."""
    was = {finding.ref: finding for finding in old}
    for finding in new:
        earlier, band = was.get(finding.ref), _BANDS.get(finding.check)
        if band is None or earlier is None or earlier.grade is not finding.grade or finding.grade is Grade.UNPROVEN:
            continue
        if earlier.measured is None or finding.measured is None or earlier.measured.unit != finding.measured.unit:
            continue
        one = Interval.around(earlier.measured.value, earlier.measured.uncertainty)
        other = Interval.around(finding.measured.value, finding.measured.uncertainty)
        width = LOSS_BAND if finding.measured.unit == "ratio" else band(one.value)
        # A hair more, since 0.4 less 0.2 is more than 0.2 in binary.
        if one.meet(other) is None and abs(other.value - one.value) > width + _HAIR:
            yield ValueChange(host=host, what=finding.check, subject=finding.subject, was=_shown(one, finding.measured.unit),
                              now=_shown(other, finding.measured.unit), note="moved beyond both uncertainties")


def _shown(interval: Interval, unit: str) -> str:
    if unit == "s":
        return f"{show_seconds(interval.value)} ± {show_seconds(interval.uncertainty)}"
    return f"{show_value(interval.value, unit)} ± {show_value(interval.uncertainty, unit)}"


def _owners(host: str, old: tuple[OwnersEvidence, ...], new: tuple[OwnersEvidence, ...]) -> Iterator[ValueChange]:
    """Whose hardware answers for an address on the runner's own wire."""
    was = {seen.address: {owner.mac for owner in seen.owners} for seen in old if seen.failure is None}
    for seen in new:
        earlier, now = was.get(seen.address), {owner.mac for owner in seen.owners}
        if seen.failure is None and earlier and now and earlier != now:
            virtual = any(map(is_virtual_router, earlier | now))
            note = "one of them is a virtual router's: routers that stand in for each other" if virtual else ""
            yield ValueChange(host=host, what="hardware address", subject=seen.address, was=", ".join(sorted(earlier)),
                              now=", ".join(sorted(now)), note=note)
