"""The words that findings about clocks share."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from shared.evidence import ClockEvidence, FailureKind
from shared.findings import Finding, Grade, Measured
from shared.plan import Endpoint
from shared.quantities import Decision, Interval, Limits, show_seconds
from verify.grading.case import Case, in_words
from verify.grading.clock.mends import ahead
from verify.grading.clock.reading import PHI, Reading
from verify.grading.clock.selection import Agreement

#: Kiss codes in words (RFC 5905 section 7.4 Figure 13; the wording is ours).  Others are shown as they came.
_KISSES = {
    "DENY": "it denies this client the time",
    "RSTR": "it serves no time to this client",
    "RATE": "it wants to be asked less often, although it was asked a few times only",
    "INIT": "its time service has not been synchronised since it was started",
    "STEP": "its time service has just stepped its clock and is not synchronised yet",
}
#: Leap indicators in words (RFC 5905 section 7.3 Figure 9).
LEAPS = {0: "no leap second announced", 1: "a leap second to be inserted", 2: "a leap second to be left out",
          3: "leap indicator 3, unsynchronised"}

#: What a server could not help: the question never reached it, or was never asked.
_NOT_THE_SERVERS = frozenset({
    FailureKind.NOT_RESOLVED, FailureKind.NO_ROUTE, FailureKind.NO_PRIVILEGE, FailureKind.LOCAL_LIMIT,
    FailureKind.INTERRUPTED, FailureKind.TOO_BIG, FailureKind.OTHER})

#: Nobody measures a clock over a network more finely than this, so nobody is asked to (the precision of our own stamps).
_FINEST_SECONDS = 1e-6


def show(interval: Interval) -> str:
    """The size of an offset with its uncertainty: "7 s ± 2.6 ms"."""
    return f"{show_seconds(abs(interval.value))} ± {show_seconds(interval.uncertainty)}"


def describe(reading: Reading) -> str:
    """What a server's header says of it, on one line."""
    best = reading.best
    follows = f", follows {best.reference_id}" if best.reference_id else ""
    if best.reference_id.startswith("127.127."):
        # The addresses that time daemons give to their own reference clocks; 127.127.1.x is the bare local clock.
        follows = f", follows a clock of its own ({best.reference_id})"
    return f"stratum {best.stratum}{follows}, {LEAPS[best.leap]}"


def distance_of(reading: Reading, limits: Limits) -> tuple[float, str]:
    """How far a clock may be from true time, in seconds; and why that is more than it says itself, if it is.

    The dispersion that a server sends grows by PHI a second from when its clock was last set (RFC 5905 appendix A.5.6.1), so a
    server that was last set long ago and claims little does not tell what the standard calls root dispersion.  Some know their
    own rate better and let it grow more slowly, so this counts only where it reaches a limit.
    """
    claimed, adrift = reading.root_distance_seconds, reading.adrift_seconds
    if adrift <= claimed or limits.decide(Interval(adrift, adrift)) is Decision.PASS:
        return claimed, ""
    age = show_seconds(reading.best.reference_age_seconds or 0.0)
    return adrift, (f"its clock was last set {age} ago: at {PHI * 1e6:g} parts per million, which RFC 5905 section 7.2 allows "
                    f"for any clock, it may be {show_seconds(adrift)} from true time by now, where it claims "
                    f"{show_seconds(claimed)}")


def why_nothing(seen: ClockEvidence | None) -> str:
    """Why a server's evidence holds no sample."""
    if seen is None:
        return "it was not asked"
    if seen.kiss_code:
        words = _KISSES.get(seen.kiss_code, "it gives no time")
        return f"it answered with the kiss code {seen.kiss_code}: {words}"
    if seen.failure is not None:
        return in_words(seen.failure)
    if seen.runner_steps_seconds:
        return "the runner's own clock was being set meanwhile, so every exchange was thrown away"
    return "; ".join(seen.discarded) or "it was not asked"


def trusted(case: Case, agreement: Agreement, *, but: Sequence[str] = ()) -> list[Endpoint]:
    """The planned sources that are not proven wrong, ``but`` a host's own: those it may be told to follow."""
    own = {seen.server for seen in case.evidence.site.clocks if seen.address in but}
    return [source for source in case.plan.time_sources if source.label not in agreement.falsetickers and source.label not in own]


def only_by_itself(case: Case, agreement: Agreement, addresses: Sequence[str]) -> str:
    """The sources that the agreed time is of where all of them are this very machine, by its ``addresses``; or nothing.

    A clock held against itself is always right.  An address of the loopback network is everybody's own, so it names no one.
    """
    where = {seen.server: seen.address for seen in case.evidence.site.clocks}
    own = [name for name in agreement.truechimers
           if where.get(name, "") in addresses and not where[name].startswith("127.") and where[name] != "::1"]
    return ", ".join(own) if own and len(own) == len(agreement.truechimers) else ""


def withheld_time(seen: ClockEvidence | None) -> bool:
    """Whether a server without a sample was asked and gave no time, rather than that the question never reached it.

    Being asked for less (RATE) is no fault of a server, and says nothing else of it.
    """
    if seen is None:
        return False
    if seen.kiss_code:
        return seen.kiss_code != "RATE"
    return seen.failure is not None and seen.failure.kind not in _NOT_THE_SERVERS


def denied(seen: ClockEvidence | None) -> bool:
    """Whether a planned name server says that the server's name has no address."""
    failure = seen.failure if seen else None
    return failure is not None and failure.kind is FailureKind.NOT_RESOLVED and failure.phase == "denied"


#: Kiss codes of a server that has this client under a rule of its own (RFC 5905 section 7.4).
REFUSALS = frozenset({"DENY", "RSTR"})
#: Failures where something did answer at the right place, and not as a time service: no filter keeps the packets from it.
GARBLED = frozenset({FailureKind.MALFORMED, FailureKind.MISMATCHED})


def garbled(seen: ClockEvidence) -> bool:
    """Whether what came of a server was no answer of a time service to a client."""
    return not seen.kiss_code and seen.failure is not None and seen.failure.kind in GARBLED


def symptom_of(seen: ClockEvidence | None) -> str:
    """One word for why a server gave no time."""
    if seen is None or (not seen.kiss_code and seen.failure is None):
        return "not-asked"
    if seen.kiss_code:
        return "kiss"
    assert seen.failure is not None
    silent = (FailureKind.NO_ANSWER, FailureKind.KERNEL_TIMEOUT)
    return "silent" if seen.failure.kind in silent else str(seen.failure.kind)


def signed_finding(
    case: Case, host: str, check: str, subject: str, error: Interval, limits: Limits, *,
    planned: str, whose: str, fix: tuple[str, ...] = (), at: str,
) -> Finding:
    """Grade the size of a clock's error, and show it with its sign.  ``error`` is the clock's lead in seconds."""
    finding = case.measured_finding(host, check, subject, abs(error), limits, planned=planned, quantity=whose, fix=fix,
                                    symptom="offset", at=at)
    if 0.0 in error:
        found = f"within {show_seconds(abs(error).hi)}"
        message = f"{whose} cannot be told from the agreed time: it is {found} of it; {limits.show()}."
    else:
        found = f"{show(error)} {'ahead' if error.value > 0 else 'behind'}"
        message = f"{whose} is {ahead(error.value)} the agreed time (± {show_seconds(error.uncertainty)}); {limits.show()}."
    if finding.grade is Grade.UNPROVEN:
        message += "  The error bar reaches across a limit, so neither side of it is proven"
        needed = limits.needed_uncertainty(abs(Interval(error.value, error.value))) or 0.0
        message += (f"; an uncertainty below {show_seconds(needed)} would decide it." if needed >= _FINEST_SECONDS
                    else "; it sits on the limit itself.")
    return msgspec.structs.replace(finding, found=found, message=message,
                                   measured=Measured(error.value, error.uncertainty, limits.unit))


def was_set(case: Case) -> str:
    """That the runner's clock was set in the middle of the run, or nothing: then no two readings of clocks compare."""
    step = case.evidence.vantage.clock_step_seconds
    how = "forward" if step > 0 else "back"
    return f"the runner's own clock was set {how} by {show_seconds(abs(step))} meanwhile" if step else ""
