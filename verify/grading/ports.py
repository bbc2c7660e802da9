"""Grades the planned TCP ports: four answers that are never two, each with its own cause and its own mend."""

from __future__ import annotations

from shared.evidence import HostEvidence, PortEvidence, PortState
from shared.findings import Finding, Grade
from shared.plan import Host, Port
from shared.quantities import show_seconds
from verify.grading.case import Case, in_words
from verify.grading.life import Life, signs_of_life
from verify.grading.way import bounds, lost_of, syns_of

#: How likely it may be that a host's losses, as high as their count is good for, took every SYN to a port that passes for its
#: silence.  Common practice, no source.
_BAD_LUCK = 0.05


class _Door:
    """One planned port of one address: what was seen of it, and how a finding about it is written."""

    def __init__(self, case: Case, host: Host, evidence: HostEvidence, address: str, life: Life, port: Port, check: str) -> None:
        self.case, self.host, self.evidence, self.address, self.port, self.check = case, host, evidence, address, port, check
        self.where = case.evidence.vantage.name
        self.life = life
        self.seen = next((seen for seen in evidence.ports if (seen.address, seen.port) == (address, str(port))), None)
        self.name = f"Port {port} of {address}"

    def finding(self, grade: Grade, found: str, message: str, symptom: str = "", fix: tuple[str, ...] = ()) -> Finding:
        subject = str(self.port) if len(self.host.addresses) == 1 else f"{self.port} at {self.address}"
        planned = "accepts connections" if self.check == "port.open" else "accepts no connections"
        return self.case.finding(self.host.fqdn, self.check, subject, grade, planned=planned, found=found, message=message,
                                 symptom=symptom, fix=fix, at=self.seen.at if self.seen else "")

    @property
    def said(self) -> str:
        """Why the connection failed, in words."""
        return in_words(self.seen.failure) if self.seen and self.seen.failure else "no reason was given"

    @property
    def rejecter(self) -> str | None:
        """Who sent the ICMP error."""
        return self.seen.failure.sender if self.seen and self.seen.failure else None

    @property
    def source(self) -> str:
        """The runner's own address of the same IP version, or its name where that is not one address."""
        own = [address for address in self.case.evidence.vantage.addresses if (":" in address) == (":" in self.address)]
        return own[0] if len(own) == 1 else self.where


def grade_host(case: Case, host: Host, evidence: HostEvidence) -> list[Finding]:
    """``port.open`` and ``port.closed``, once a planned port and address.

    Does not prove that a service behind an open port works, nor what other places than the runner's would see.
    """
    role = case.plan.role(host.role)
    if role is None:
        return []
    accepting = sorted({*role.open, *role.tls, *role.ssh, *role.http})
    planned = [("port.open", port) for port in accepting] + [("port.closed", port) for port in sorted({*role.closed})]
    lives = [(address, signs_of_life(evidence, address)) for address in host.addresses]
    return [_grade(_Door(case, host, evidence, address, life, port, check)) for address, life in lives for check, port in planned]


def _grade(door: _Door) -> Finding:
    """What can be said before it matters whether the port should be open; then what the plan wants decides."""
    if door.port.transport != "tcp":
        return _over_udp(door)
    seen = door.seen
    if seen is None:
        return door.finding(Grade.UNPROVEN, "not asked", f"{door.name} was not tried.")
    if seen.state is PortState.UNTRIED:
        return door.finding(Grade.UNPROVEN, door.said,
                            f"{door.where} could not try port {door.port} of {door.address}: {door.said}.")
    if door.life.dead:
        return door.finding(
            Grade.UNPROVEN, door.said,
            f"{door.address} gives {door.where} no answer over IP, so nothing can be said of its port {door.port}.", "silent")
    return _grade_open(door, seen) if door.check == "port.open" else _grade_closed(door, seen)


def _over_udp(door: _Door) -> Finding:
    """UDP has no handshake: only an answer in the port's own protocol proves anything, and only that it is open."""
    if door.check == "port.open" and any(
            (clock.address, clock.port) == (door.address, door.port.number) and (clock.samples or clock.kiss_code)
            for clock in door.evidence.clocks):
        return door.finding(Grade.PASS, "answers NTP", f"{door.name} answers {door.where} in its own protocol, NTP.")
    return door.finding(Grade.UNPROVEN, "not tried",
                        f"{door.name} was not tried: over UDP silence proves neither open nor closed, and no question asked here "
                        "has its answer there.")


# --- port.open


def _grade_open(door: _Door, seen: PortEvidence) -> Finding:
    if seen.state is PortState.OPEN:
        return _accepts(door, seen)
    if seen.state is PortState.REFUSED:
        return door.finding(
            Grade.FAIL, "refused",
            f"{door.name} refuses {door.where} with a reset: nothing listens there, or a filter resets in the host's name.",
            "refused", _fix_refused(door))
    if seen.state is PortState.REJECTED:
        return door.finding(Grade.FAIL, f"rejected by {door.rejecter or 'an unknown sender'}",
                            f"{door.name} cannot be reached from {door.where}: {door.said}.",
                            "rejected" if door.rejecter == door.address else "turned-back", _fix_rejected(door))
    alive = f"the host is alive ({door.life.told()})" if door.life.told() else "whether the host is alive could not be seen"
    return door.finding(
        Grade.FAIL, "silent",
        f"{door.name} gave {door.where} no answer in {seen.attempts} attempts; {alive}: something drops the packets, a filter or "
        "the full queue of a service that has stopped accepting.",
        "silent", _fix_silent(door))


def _accepts(door: _Door, seen: PortEvidence) -> Finding:
    took = show_seconds(seen.elapsed_seconds)
    if seen.failure is not None:
        return door.finding(
            Grade.CAUTION, "accepts and resets at once",
            f"{door.name} completes the handshake with {door.where} and then resets: a service there turns this caller away.",
            "reset", (f"on {door.host.fqdn}: read the log of whatever ss names below; look for an access list or a full queue",
                      f"ss -ltnp 'sport = :{door.port.number}'"))
    if seen.attempts > 1:
        return door.finding(
            Grade.CAUTION, f"open at attempt {seen.attempts}",
            f"{door.name} accepts connections from {door.where}, but only at attempt {seen.attempts}, after {took}.",
            "lossy", _fix_lossy(door))
    if seen.syn_repeats and seen.at_once_again:
        return door.finding(Grade.PASS, "open", f"{door.name} accepts connections from {door.where}. The first of two needed SYN "
                            f"{seen.syn_repeats + 1}, the second none: a packet was lost by chance.")
    if seen.syn_repeats:
        return door.finding(
            Grade.CAUTION, f"open at SYN {seen.syn_repeats + 1}",
            f"{door.name} accepts connections from {door.where}, but only SYN {seen.syn_repeats + 1} was answered, after {took}: "
            "what came before was lost on the way, or the queue of the service was full.", "lossy", _fix_lossy(door))
    return door.finding(Grade.PASS, "open", f"{door.name} accepts connections from {door.where}.")


def _fix_refused(door: _Door) -> tuple[str, ...]:
    number = door.port.number
    return (f"on {door.host.fqdn}: ss -ltnp 'sport = :{number}'",
            "nothing listed: start the service and enable it for the next boot: systemctl enable --now UNIT",
            f"listed on 127.0.0.1 or ::1 only: make the service listen on {door.address}",
            f"listed on {door.address} or a wildcard: a filter resets it: nft list ruleset | grep -n reset")


def _fix_silent(door: _Door) -> tuple[str, ...]:
    number = door.port.number
    return (f"on {door.host.fqdn}: nft list ruleset    # does it accept tcp dport {number} from {door.source}?",
            f"on {door.host.fqdn}: ss -ltn 'sport = :{number}'    # Recv-Q above Send-Q: the service has stopped accepting",
            f"on {door.host.fqdn}: tcpdump -ni any 'tcp port {number}'    # do the SYNs from {door.source} arrive?",
            "where they arrive, the host's own filter or that full queue drops them; where they do not, a filter on the way does",
            f"ask for this rule there: from {door.source} to {door.address}, tcp {number}, accept")


def _fix_rejected(door: _Door) -> tuple[str, ...]:
    number = door.port.number
    if door.rejecter == door.address:
        return (f"on {door.host.fqdn}: nft list ruleset | grep -n reject",
                f"allow it ahead of that rule, for example: nft insert rule inet filter input tcp dport {number} accept")
    at = f"at {door.rejecter}" if door.rejecter else "on the firewall between"
    return (f"ask for a rule {at}: from {door.source} to {door.address}, tcp {number}, accept",)


def _fix_lossy(door: _Door) -> tuple[str, ...]:
    return (f"see host.echo of {door.host.fqdn} for loss on the way",
            f"on {door.host.fqdn}: nstat -az TcpExtListenOverflows    # where it counts up, the service accepts too slowly")


# --- port.closed


def _grade_closed(door: _Door, seen: PortEvidence) -> Finding:
    if seen.state is PortState.OPEN:
        return door.finding(Grade.FAIL, "open", f"{door.name} accepts connections from {door.where}; the plan wants it closed.",
                            "open", _fix_open(door))
    if seen.state is PortState.REFUSED:
        return door.finding(Grade.PASS, "refused", f"{door.name} refuses {door.where} with a reset.")
    if seen.state is PortState.REJECTED:
        return _closed_by_rejection(door)
    if not door.life.sure:
        return door.finding(Grade.UNPROVEN, "silent",
                            f"{door.name} gives {door.where} no answer, and nothing proves that the host was there to give one.")
    (lost, sent), syns = lost_of(door.evidence, door.address), syns_of(seen)
    if lost and bounds((lost, sent))[1] ** syns >= _BAD_LUCK:
        return door.finding(
            Grade.UNPROVEN, "silent",
            f"{door.name} gives {door.where} no answer to {syns} SYNs. But of what the host does answer {lost} of {sent} packets "
            "were lost, and where so many are, all the SYNs may be: the port may be open all the same. A run without such "
            f"losses would tell, or on {door.host.fqdn}: ss -ltn 'sport = :{door.port.number}'", "lossy")
    return door.finding(
        Grade.PASS, "silent",
        f"{door.name} gives {door.where} no answer while the host is alive ({door.life.told()}): it is closed to this "
        "runner. A filter on the way may be what is silent; from behind it the port may look otherwise.", "silent")


def _closed_by_rejection(door: _Door) -> Finding:
    if door.rejecter == door.address:
        return door.finding(Grade.PASS, "rejected by the host", f"{door.name} is rejected by the host's own filter: {door.said}.")
    return door.finding(
        Grade.UNPROVEN, f"rejected by {door.rejecter or 'an unknown sender'}",
        f"{door.name} was turned away before it could reach the host: {door.said}. Whether the host itself keeps it closed "
        "can only be seen from behind that filter.", "rejected")


def _fix_open(door: _Door) -> tuple[str, ...]:
    number = door.port.number
    return (f"on {door.host.fqdn}: ss -ltnp 'sport = :{number}'    # names the process",
            "systemctl status PID    # names its unit",
            "systemctl disable --now UNIT    # stops it now and keeps it from the next boot",
            "systemctl list-sockets    # a socket unit that starts it again must be disabled too",
            f"ss -ltn 'sport = :{number}'    # must list nothing any more")
