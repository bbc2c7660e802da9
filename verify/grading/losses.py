"""``host.shared-loss``, and what such losses explain: that is not held against a host, but is unproven until they are mended.

The finding says what was counted and how to tell the way from our own pace.  What losses like these do not explain, such as a
host that answers nothing or loses much more than the others, stays as it is.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable

import msgspec

from shared.evidence import EchoEvidence, HostEvidence, PortEvidence
from shared.findings import SITE, Finding, Grade, Measured, make_ref
from shared.quantities import Decision, Interval, show_value
from verify.grading.case import Case
from verify.grading.way import Lost, Way, add, bounds, of_echo, of_port, ratio, syns_of

CHECK = "host.shared-loss"
#: The subject of what is said about the hosts together, in the one finding of this check.
ALL_HOSTS = "hosts"
REF = make_ref(SITE, CHECK, ALL_HOSTS)

#: A pace that links which people still work over carry, in packets a second, with so many hosts at once.  Common practice, no
#: source.
GENTLE_PACE, GENTLE_HOSTS = 100, 20
#: Packets of which one has to arrive for a connection to go on, in the six seconds that it is waited for: Linux waits 0.2 s and
#: then twice as long each time (RFC 6298 section 5.5), which makes five; but any of several messages may be the one that is lost.
_PACKETS_OF_A_TALK = 4

_LINK_LINE = "ip -s link show dev INTERFACE    # errors and drops, at both ends of each link; ethtool INTERFACE: speed and duplex"

#: What was not seen for want of an answer.
_UNANSWERED = frozenset({"silent", "loss", "lossy", "quiet", "version-unknown", "key-unproven"})


def grade_site(case: Case, way: Way | None) -> list[Finding]:
    """``host.shared-loss``, where losses are shared; nothing otherwise.

    The way is to blame only where we asked gently.  Otherwise our own pace may be, and that is a caution, however much is lost.
    """
    if way is None:
        return []
    where, limits, pace = case.evidence.vantage.name, case.limits["shared_loss"], case.evidence.vantage.packets_per_second
    low, high = bounds(way.total)
    gentle = 0 < pace <= GENTLE_PACE
    failed = gentle and limits.decide(Interval(low, low)) is Decision.FAIL
    share = show_value(round(ratio(way.total), 3), "ratio")
    at_pace = f" of {pace:,.0f} packets a second" if pace else ""
    cause = f"the way from {where}" + ("" if gentle else f", or our own pace{at_pace}")
    settled = (f"At {pace:,.0f} packets a second our own pace is hardly to blame." if gentle
               else "Which of the two, a run at a gentle pace tells.")
    who = f"All {way.answering:,}" if way.losing == way.answering else f"{way.losing:,} of the {way.answering:,}"
    return [case.finding(
        SITE, CHECK, ALL_HOSTS, Grade.FAIL if failed else Grade.CAUTION, planned="no losses that hosts share",
        found=f"{way.losing:,} of {way.answering:,} hosts lost packets, {share} in all", symptom="shared-loss",
        message=f"{who} hosts that answered {where}{_from(case, way)} lost packets, {share} of all: what they share is the "
                f"likely cause, {cause}, and no single host. {settled}{_servers(way)} What such losses explain at a host is "
                "unproven, and not held against it.",
        measured=Measured((low + high) / 2, (high - low) / 2, limits.unit), limits=limits,
        fix=_gentle_fix(where) if gentle else (*_pace_fix(case), *_way_fix(where)), at=case.evidence.started)]


def _from(case: Case, way: Way) -> str:
    elsewhere = {host.network for host in case.plan.hosts} - set(way.networks)
    return f" from {', '.join(way.networks)}" if elsewhere else ""


def _servers(way: Way) -> str:
    """What the name servers say of the way: nobody else is asked so often."""
    if not way.servers:
        return ""
    lost, sent = add(way.servers.values())
    if way.servers_lose:
        return f" The name servers lose as well: {lost:,} of {sent:,} packets."
    return f" The name servers lose {lost:,} of {sent:,} packets, so look where their way and that of the hosts part."


def _pace_fix(case: Case) -> tuple[str, ...]:
    return (f"seatrial verify {shlex.quote(case.plan.file)} --limit-rate {GENTLE_PACE} --concurrency {GENTLE_HOSTS}",
            "no losses then: a link on the way is smaller than our pace; keep to these options")


def _way_fix(where: str) -> tuple[str, ...]:
    return ("still losses: the way itself loses; begin with the link of " + where + " and the routers on the way:",
            _LINK_LINE)


def _gentle_fix(where: str) -> tuple[str, ...]:
    return (f"begin with the link of {where} and the routers on the way:", _LINK_LINE)


# --- what such losses explain


def excuse(case: Case, way: Way | None, findings: list[Finding]) -> list[Finding]:
    """The findings, where a fail that shared losses explain is unproven, and a caution folded under them.

    So is a port that passed as closed by its silence.
    """
    return _Excuses(case, way).of_all(findings) if way is not None and _is_told(findings) else findings


def explain_rest(way: Way | None, findings: list[Finding]) -> list[Finding]:
    """The findings, where what was not seen for want of an answer, and has no nearer cause, waits for the losses to be mended.

    So does what waits for something that was excused.
    """
    if way is None or not _is_told(findings):
        return findings
    excused = {finding.ref for finding in findings if finding.grade is Grade.UNPROVEN and finding.because == (REF,)}
    return [msgspec.structs.replace(finding, because=(REF,)) if _waits(way, finding) or not excused.isdisjoint(finding.because)
            else finding for finding in findings]


def _is_told(findings: list[Finding]) -> bool:
    """Whether the plan does not leave the check out."""
    return any(finding.ref == REF for finding in findings)


def _waits(way: Way, finding: Finding) -> bool:
    if finding.grade is not Grade.UNPROVEN or finding.because or finding.symptom not in _UNANSWERED:
        return False
    if finding.check.startswith("name."):
        return way.servers_lose
    return finding.host in way.hosts or finding.check == "gateway.echo"


class _Excuses:
    """What the way explains, finding by finding."""

    def __init__(self, case: Case, way: Way) -> None:
        self._case, self._way = case, way
        self._seen = {seen.fqdn: seen for seen in case.evidence.hosts if seen.fqdn in way.hosts}

    def of_all(self, findings: list[Finding]) -> list[Finding]:
        return [self._excused(finding) for finding in findings]

    def _excused(self, finding: Finding) -> Finding:
        judge = _JUDGES.get((finding.check, finding.symptom))
        closed = finding.check == "port.closed"
        if judge is None or finding.because or finding.grade not in ((Grade.PASS,) if closed else (Grade.FAIL, Grade.CAUTION)):
            return finding
        seen = self._seen.get(finding.host)
        if (finding.host != SITE and seen is None) or not judge(self, finding, seen or HostEvidence(fqdn=SITE)):
            return finding
        if closed:
            return msgspec.structs.replace(
                finding, because=(REF,), grade=Grade.UNPROVEN,
                message=f"Port {finding.subject} of {finding.host} gives {finding.vantage} no answer. But many hosts lose "
                        "packets here, and losses like theirs explain this: it may be open all the same.")
        whom = "this host" if finding.host != SITE else finding.subject
        return msgspec.structs.replace(
            finding, because=(REF,), fix=(), grade=Grade.UNPROVEN if finding.grade is Grade.FAIL else finding.grade,
            message=f"{finding.message.rstrip('.')}. But many hosts lose packets here, and losses like theirs explain this: it "
                    f"is not held against {whom}.")

    def loss_of_echoes(self, finding: Finding, seen: HostEvidence) -> bool:
        echoes: tuple[EchoEvidence, ...] = seen.echoes or self._case.evidence.site.gateways
        return self._loses("echo", add(of_echo(echo) for echo in echoes if echo.address == finding.subject))

    def loss_of_connections(self, finding: Finding, seen: HostEvidence) -> bool:
        return self._loses("connection", add(map(of_port, _ports(finding, seen))))

    def silence_of_port(self, finding: Finding, seen: HostEvidence) -> bool:
        return self._all_lost("connection", sum(map(syns_of, _ports(finding, seen))))

    def silence_of_clock(self, finding: Finding, seen: HostEvidence) -> bool:
        return self._all_lost("time", sum(clock.asked for clock in seen.clocks if clock.address == finding.subject))

    def silence_of_source(self, finding: Finding, _seen: HostEvidence) -> bool:
        asked = sum(clock.asked for clock in self._case.evidence.site.clocks if clock.server == finding.subject)
        return self._way.servers_lose and self._all_lost("time", asked)

    def silence_of_talk(self, _finding: Finding, _seen: HostEvidence) -> bool:
        return self._all_lost("connection", _PACKETS_OF_A_TALK)

    def loss_of_large_packets(self, finding: Finding, seen: HostEvidence) -> bool:
        """The size that was tried most often counts: others are tried at the same time, and share their luck."""
        return self._all_lost("echo", max((trial.tries for path in seen.paths if path.address == finding.subject
                                           for trial in path.trials if trial.failure is not None), default=0))

    def silence(self, finding: Finding, seen: HostEvidence) -> bool:
        """All ports are asked at the same time, and share their luck: they count as one."""
        address = finding.subject
        echoes = sum(1 + len(echo.round_trips_seconds) for echo in seen.echoes if echo.address == address)
        syns = max((syns_of(port) for port in seen.ports if port.address == address), default=0)
        asked = sum(clock.asked for clock in seen.clocks if clock.address == address)
        return self._all_lost("", echoes + syns + asked)

    def loss_of_answers(self, finding: Finding, _seen: HostEvidence) -> bool:
        return self._loses("", self._way.servers.get(finding.subject, (0, 0)))

    def _loses(self, kind: str, of: Lost) -> bool:
        return of[1] > 0 and self._way.loses(kind, *of)

    def _all_lost(self, kind: str, packets: int) -> bool:
        return packets > 0 and self._way.loses(kind, packets, packets)


def _ports(finding: Finding, seen: HostEvidence) -> list[PortEvidence]:
    """The port a finding is about: "443/tcp", or "443/tcp at ADDRESS" where the host has several."""
    label, _at, address = finding.subject.partition(" at ")
    return [port for port in seen.ports if port.port == label and address in ("", port.address)]


_JUDGES: dict[tuple[str, str], Callable[[_Excuses, Finding, HostEvidence], bool]] = {
    ("host.echo", "loss"): _Excuses.loss_of_echoes,
    ("host.echo", "silent"): _Excuses.silence,
    ("gateway.echo", "loss"): _Excuses.loss_of_echoes,
    ("host.path-mtu", "vanishes"): _Excuses.loss_of_large_packets,
    ("port.open", "lossy"): _Excuses.loss_of_connections,
    ("port.open", "silent"): _Excuses.silence_of_port,
    ("port.closed", "silent"): _Excuses.silence_of_port,
    ("clock.synchronised", "silent"): _Excuses.silence_of_clock,
    ("clock.source", "silent"): _Excuses.silence_of_source,
    ("certificate.protocol", "silent-after-accept"): _Excuses.silence_of_talk,
    ("ssh.identity", "silent-after-accept"): _Excuses.silence_of_talk,
    ("name.server", "lossy"): _Excuses.loss_of_answers,
    ("name.server", "drops"): _Excuses.loss_of_answers,
}
