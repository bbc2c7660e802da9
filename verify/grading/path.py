"""Grades which packet sizes pass: the planned one, a smaller one that somebody vouches for, or none that anybody speaks of."""

from __future__ import annotations

from shared.evidence import Failure, FailureKind, HostEvidence, PathMtuEvidence
from shared.findings import Finding, Grade
from shared.plan import Host
from verify.grading.case import Case, in_words
from verify.grading.life import signs_of_life

#: Why the runner itself could not send.
RUNNER_FAILURES = (FailureKind.NO_PRIVILEGE, FailureKind.LOCAL_LIMIT, FailureKind.NO_ROUTE)
#: What a packet that was swallowed on the way meets.
_LOST = (FailureKind.NO_ANSWER, FailureKind.KERNEL_TIMEOUT, FailureKind.MISMATCHED)
#: RFC 8899 section 5.1.2, MAX_PROBES: fewer losses in a row of one size are bad luck.
MAX_PROBES = 3
#: How likely it may be that a host which loses smaller packets too lost every large one by bad luck.  Ours.
_BAD_LUCK = 0.001


def grade_host(case: Case, host: Host, evidence: HostEvidence) -> list[Finding]:
    """``host.path-mtu`` for each address whose path was tried.

    Does not prove that answers come back whole: a host may send them in fragments.
    """
    return [_grade(case, host, evidence, path) for path in evidence.paths]


def _grade(case: Case, host: Host, evidence: HostEvidence, path: PathMtuEvidence) -> Finding:
    tell = _Teller(case, host, path)
    if path.failure is not None:
        return _untried(tell, path.failure, dead=signs_of_life(evidence, path.address).dead)
    carried = max((trial.size_octets for trial in path.trials if trial.failure is None), default=0)
    if carried >= path.planned_octets:
        return tell.finding(Grade.PASS, f"{path.planned_octets} octets", f"A packet of {path.planned_octets} octets passes whole "
                            f"from {tell.where} to {path.address}, and is answered.")
    tried = next((trial for trial in path.trials if trial.size_octets == path.planned_octets), None)
    if tried is None or tried.failure is None:
        return tell.finding(Grade.UNPROVEN, f"{carried} octets", f"The time for {path.address} was over before its planned "
                            "packet size could be tried; a longer --timeout would settle it.")
    objection = _objection(path)
    if objection is not None:
        return _said_too_big(tell, carried, objection) if objection.sender else _beyond_the_runner(tell, carried)
    if tried.failure.kind not in _LOST or tried.tries < MAX_PROBES:
        return _turned_back(tell, carried, tried.failure)
    lost, sent = _smaller_losses(evidence, path, carried)
    if sent and (lost / sent) ** tried.tries > _BAD_LUCK:
        return _lost_at_every_size(tell, lost, sent)
    return _vanished(tell, carried)


def _smaller_losses(evidence: HostEvidence, path: PathMtuEvidence, carried: int) -> tuple[int, int]:
    """How many echoes no larger than what passes were lost, and how many were sent, the small ones of ``host.echo`` among them.

    Where they are lost too, as by a limit on echoes, size is not what loses the large ones.
    """
    trips = [trip for echo in evidence.echoes if echo.address == path.address for trip in echo.round_trips_seconds]
    passed = [trial.tries for trial in path.trials if trial.failure is None]
    lost = [trial.tries for trial in path.trials if trial.size_octets < carried and trial.failure and trial.failure.kind in _LOST]
    return trips.count(None) + sum(passed) - len(passed) + sum(lost), len(trips) + sum(passed) + sum(lost)


class _Teller:
    """Writes the findings about one path."""

    def __init__(self, case: Case, host: Host, path: PathMtuEvidence) -> None:
        self.path, self.where = path, case.evidence.vantage.name
        self._case, self._host = case, host

    def finding(self, grade: Grade, found: str, message: str, symptom: str = "", fix: tuple[str, ...] = ()) -> Finding:
        return self._case.finding(
            self._host.fqdn, "host.path-mtu", self.path.address, grade, found=found, message=message, symptom=symptom, fix=fix,
            planned=f"packets of {self.path.planned_octets} octets pass", at=self.path.at)


def _untried(tell: _Teller, failure: Failure, *, dead: bool) -> Finding:
    reason, address = in_words(failure), tell.path.address
    if failure.kind in RUNNER_FAILURES:
        return tell.finding(Grade.UNPROVEN, reason, f"Which packet sizes pass between {tell.where} and {address} could not be "
                            f"tried: {reason}.", "untried")
    advice = "" if dead else " Where echo to it is let through, they can be."
    return tell.finding(Grade.UNPROVEN, reason, f"Which packet sizes pass between {tell.where} and {address} could not be tried: "
                        f"not even a small echo was answered ({reason}).{advice}", "silent" if dead else "quiet")


def _turned_back(tell: _Teller, carried: int, failure: Failure) -> Finding:
    """Something else than its size kept the large packet from being answered."""
    reason = in_words(failure)
    return tell.finding(Grade.UNPROVEN, f"{carried} octets; beyond that, {reason}",
                        f"Whether packets of {tell.path.planned_octets} octets pass between {tell.where} and {tell.path.address} "
                        f"is not known: {carried} octets do, and of larger ones too few could be sent, or they met something "
                        f"else than a small link ({reason}).  Another run, or a longer --timeout, would tell.", "untried")


def _lost_at_every_size(tell: _Teller, lost: int, sent: int) -> Finding:
    """A limit on echoes, or a path that loses much: large packets fare no worse than small ones as far as can be told."""
    return tell.finding(
        Grade.UNPROVEN, f"{lost} of {sent} smaller echoes lost too",
        f"Whether packets of {tell.path.planned_octets} octets pass between {tell.where} and {tell.path.address} is not known: "
        f"they were lost, and so were {lost} of {sent} smaller ones. A limit on echoes, at the host or on the way, does that, or "
        "loss on the way (see host.echo); where echoes of all sizes are let through, another run would tell.", "lossy")


def _beyond_the_runner(tell: _Teller, carried: int) -> Finding:
    return tell.finding(
        Grade.UNPROVEN, f"{carried} octets, the most that {tell.where} itself sends",
        f"{tell.where} cannot send a packet of {tell.path.planned_octets} octets itself: its own interface carries {carried} at "
        f"most, and that passes. Whether the path to {tell.path.address} carries more takes a runner with a larger MTU.",
        "runner-limit")


def _objection(path: PathMtuEvidence) -> Failure | None:
    """What was said of the smallest size that somebody called too big."""
    said = [(trial.size_octets, trial.failure) for trial in path.trials
            if trial.failure is not None and trial.failure.kind is FailureKind.TOO_BIG]
    return min(said, key=lambda pair: pair[0])[1] if said else None


def _said_too_big(tell: _Teller, carried: int, said: Failure) -> Finding:
    """A smaller link on the way, honestly announced: senders that listen adapt, and nothing is lost but speed."""
    sender, address, planned = said.sender, tell.path.address, tell.path.planned_octets
    size = f"{carried} octets" if said.mtu in (None, carried) else f"{carried} octets (it speaks of {said.mtu})"
    return tell.finding(
        Grade.CAUTION, f'{size}; {sender} says "too big"',
        f'A packet of {planned} octets from {tell.where} to {address} does not pass: {sender} says "too big", and {size} pass. '
        "Senders that heed it lose only some speed; where a filter drops that message, large packets vanish.", "too-big",
        (f"at {sender}: ip link    # which link towards {address} carries only {carried} octets? give it {planned}",
         f"where it is a tunnel and meant so: seen from {tell.where} only, and no fault of the host's own network",
         _LET_THROUGH))


def _vanished(tell: _Teller, carried: int) -> Finding:
    """Large packets are lost and nobody says so: what is sent over TCP begins well and then hangs (RFC 2923 section 2.1)."""
    address, version = tell.path.address, 6 if ":" in tell.path.address else 4
    lost = min(trial.size_octets for trial in tell.path.trials
               if trial.size_octets > carried and trial.failure is not None and trial.failure.kind in _LOST)
    span = f"{carried} octets pass, {lost} do not"
    return tell.finding(
        Grade.FAIL, f"{span}, and nobody says so",
        f'Large packets from {tell.where} to {address} vanish: {span}, and nobody says "too big". Connections that begin well '
        "hang as soon as much is sent. A link on the way is smaller than planned and its word is filtered, or one end was set to "
        "larger frames than a switch port between, or something drops large echoes only.", "vanishes",
        (f"ping -{version} -M do -s {carried - _HEADERS[version]} {address}    # from {tell.where}: is answered",
         f"ping -{version} -M do -s {lost - _HEADERS[version]} {address}    # is not",
         f"ip link    # on the host: its mtu must be {tell.path.planned_octets}; so must that of every switch port between",
         _LET_THROUGH))


_LET_THROUGH = "let ICMP type 3 code 4, and ICMPv6 type 2, through every filter on the way"

#: Octets that ping's -s leaves out: an IP header without options and an ICMP header (RFC 791, RFC 8200, RFC 792).
_HEADERS = {4: 28, 6: 48}
