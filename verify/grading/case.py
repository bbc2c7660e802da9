"""What every grader is given, and the one way a finding is written.

A grader is a pure function of a ``Case``: it reads no clock, opens nothing, and has no defaults of its own.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass

from shared import catalogue
from shared.evidence import Evidence, Failure, FailureKind
from shared.findings import Finding, Grade, Measured, ShownLimits, make_ref
from shared.plan import Plan
from shared.quantities import Decision, Interval, Limits, show_value

#: The grade of what an interval proves about its limits.
GRADE_OF = {Decision.PASS: Grade.PASS, Decision.CAUTION: Grade.CAUTION, Decision.FAIL: Grade.FAIL,
            Decision.UNDECIDED: Grade.UNPROVEN}


@dataclass(frozen=True, slots=True)
class Case:
    """The plan, the limits in force and everything that was seen.

    ``agreed`` is how far the agreed time of the plan's sources is ahead of the runner's clock, in seconds, or None where
    no time could be agreed on: then no clock and no date may be judged.
    """

    plan: Plan
    limits: Mapping[str, Limits]
    evidence: Evidence
    agreed: Interval | None = None

    def finding(
        self,
        host: str,
        check: str,
        subject: str,
        grade: Grade,
        *,
        planned: str,
        found: str,
        message: str,
        fix: tuple[str, ...] = (),
        symptom: str = "",
        measured: Measured | None = None,
        limits: Limits | None = None,
        at: str = "",
        vantage: str = "",
    ) -> Finding:
        """Write one finding.  ``host`` is a fully qualified name or ``findings.SITE``; the basis comes from the catalogue.

        Raises KeyError for a check that is not in the catalogue.
        """
        entry = catalogue.find(check)
        return Finding(
            check=check, subject=subject, grade=grade, planned=planned, found=found, message=message,
            ref=make_ref(host, check, subject), measured=measured, limits=shown(limits) if limits else None,
            fix=fix, basis=entry.basis, symptom=symptom, vantage=vantage or self.evidence.vantage.name, at=at)

    def measured_finding(
        self,
        host: str,
        check: str,
        subject: str,
        interval: Interval,
        limits: Limits,
        *,
        planned: str,
        quantity: str,
        fix: tuple[str, ...] = (),
        symptom: str = "",
        at: str = "",
    ) -> Finding:
        """Grade a measured interval against limits (guarded, see ``Limits.decide``) and write the finding.

        ``quantity`` names what was measured and begins the message ("clock offset").  ``fix`` is printed only where the
        grade is a caution or a fail.
        """
        grade = GRADE_OF[limits.decide(interval)]
        value = show_value(interval.value, limits.unit)
        found = f"{value} ± {show_value(interval.uncertainty, limits.unit)}" if interval.uncertainty else value
        message = f"{quantity} is {found}; {limits.show()}"
        if grade is Grade.UNPROVEN:
            needed = limits.needed_uncertainty(interval)
            message += ": the interval straddles a limit"
            if needed is not None:
                message += f"; an uncertainty below {show_value(needed, limits.unit)} would decide it"
        return self.finding(
            host, check, subject, grade, planned=planned, found=found, message=message,
            fix=fix if grade in (Grade.CAUTION, Grade.FAIL) else (), symptom=symptom,
            measured=Measured(interval.value, interval.uncertainty, limits.unit), limits=limits, at=at)


@functools.lru_cache(maxsize=256)
def shown(limits: Limits) -> ShownLimits:
    """The limits as a report shows them."""
    return ShownLimits(caution=limits.caution, fail=limits.fail, name=limits.name, sense=str(limits.sense),
                       origin=limits.origin)


_WORDS = {
    FailureKind.NO_ANSWER: "no answer",
    FailureKind.KERNEL_TIMEOUT: "no answer before the system gave up",
    FailureKind.REFUSED: "refused",
    FailureKind.RESET: "the connection was reset",
    FailureKind.CLOSED: "the connection was closed",
    FailureKind.UNREACHABLE: "unreachable",
    FailureKind.NO_PATH: "no way there",
    FailureKind.PROHIBITED: "administratively prohibited",
    FailureKind.NO_ROUTE: "the runner has no route there",
    FailureKind.TOO_BIG: "too big for the path",
    FailureKind.TLS_ALERT: "the server ended the handshake with an alert",
    FailureKind.MALFORMED: "an answer that cannot be read",
    FailureKind.MISMATCHED: "only answers that belong to no question came",
    FailureKind.NOT_RESOLVED: "the name could not be resolved through the planned name servers",
    FailureKind.NO_PRIVILEGE: "the system does not allow it to this user",
    FailureKind.LOCAL_LIMIT: "the runner itself ran out of something",
    FailureKind.INTERRUPTED: "the run was interrupted",
    FailureKind.OTHER: "could not be observed",
}


def in_words(failure: Failure) -> str:
    """What a failure says, in words for a finding: the kind, the detail, the sender of an ICMP error or of a stray answer."""
    text = _WORDS[failure.kind]
    if text in failure.detail.casefold():
        # The system's own words say it already: "Connection refused".
        text = failure.detail[0].lower() + failure.detail[1:]
    elif failure.detail and failure.detail.casefold() not in text:
        text += f" ({failure.detail})"
    if failure.sender:
        text += f", said by {failure.sender}"
    if failure.answered_from:
        text += f"; the answer came from {failure.answered_from} instead"
    return text
