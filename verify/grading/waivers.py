"""What the plan accepts or leaves out: waivers with an expiry, and checks that are not to be made at this site."""

from __future__ import annotations

import datetime
import fnmatch

import msgspec

from shared.findings import Finding, Grade
from shared.hostnames import canonical
from shared.plan import Plan, Waiver

_ACCEPTABLE = (Grade.FAIL, Grade.CAUTION)


def leave_out(plan: Plan, findings: list[Finding]) -> list[Finding]:
    """The findings less those of the checks that the plan leaves out; coverage lists these as not proven."""
    patterns = [left.check for left in plan.left_out]
    return [finding for finding in findings if not any(fnmatch.fnmatchcase(finding.check, pattern) for pattern in patterns)]


def covers(waiver: Waiver, finding: Finding, domain: str) -> bool:
    """Whether a waiver speaks of this finding.  Its host may be short ("dome-*") or fully qualified."""
    host = finding.ref.partition("|")[0]
    wanted = canonical(waiver.host)
    names = (host, host.removesuffix("." + canonical(domain)))
    return (
        fnmatch.fnmatchcase(finding.check, waiver.check)
        and any(fnmatch.fnmatchcase(name, wanted) for name in names)
        and fnmatch.fnmatchcase(finding.subject, waiver.subject)
    )


def in_force(waiver: Waiver, today: datetime.date) -> bool:
    """Whether a waiver still holds: until the end of its last day, UTC."""
    return today <= datetime.date.fromisoformat(waiver.until)


def apply(plan: Plan, findings: list[Finding], *, today: datetime.date) -> list[Finding]:
    """The findings with every fail and caution that a waiver in force accepts regraded as waived.

    An expired waiver changes nothing: the fail is a fail again.
    """
    holding = [waiver for waiver in plan.waivers if in_force(waiver, today)]
    if not holding:
        return findings
    return [_waived(plan, finding, holding) if finding.grade in _ACCEPTABLE else finding for finding in findings]


def _waived(plan: Plan, finding: Finding, holding: list[Waiver]) -> Finding:
    waiver = next((waiver for waiver in holding if covers(waiver, finding, plan.domain)), None)
    if waiver is None:
        return finding
    words = f"{waiver.reason} (accepted until {waiver.until}, {waiver.place}; it was a {finding.grade})"
    return msgspec.structs.replace(finding, grade=Grade.WAIVED, waiver=words)
