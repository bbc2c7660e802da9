"""What the plan accepts or leaves out: waivers with an expiry, and checks that are not to be made at this site."""

from __future__ import annotations

import datetime
import fnmatch
import re
from collections.abc import Collection

import msgspec

from shared import catalogue
from shared.addresses import with_canonical_addresses
from shared.findings import SITE, Finding, Grade
from shared.hostnames import canonical
from shared.plan import Plan, Waiver

_ACCEPTABLE = (Grade.FAIL, Grade.CAUTION)
#: The bracket of an IPv6 address with a port, as in "[2001:db8::53]:5353" (RFC 3986 section 3.2.2).  It stands for itself in a
#: waiver's subject, where a pattern would take what is in it for a choice of characters.
_BRACKET = re.compile(r"\[(?=[0-9A-Fa-f.]*:[0-9A-Fa-f:.]*\])")


def leave_out(plan: Plan, findings: list[Finding]) -> list[Finding]:
    """The findings less those of the checks that the plan leaves out; coverage lists these as not proven."""
    patterns = [left.check for left in plan.left_out]
    return [finding for finding in findings if not any(fnmatch.fnmatchcase(finding.check, pattern) for pattern in patterns)]


def covers(waiver: Waiver, finding: Finding, domain: str) -> bool:
    """Whether a waiver speaks of this finding.  Its host may be short ("dome-*") or fully qualified."""
    wanted = canonical(waiver.host)
    names = (finding.host, finding.host.removesuffix("." + canonical(domain)))
    return (
        fnmatch.fnmatchcase(finding.check, waiver.check)
        and any(fnmatch.fnmatchcase(name, wanted) for name in names)
        and (_fits(finding.subject, waiver.subject)
             or _fits(with_canonical_addresses(finding.subject), with_canonical_addresses(waiver.subject)))
    )


def _fits(subject: str, pattern: str) -> bool:
    return fnmatch.fnmatchcase(subject, _BRACKET.sub("[[]", pattern))


def in_force(waiver: Waiver, today: datetime.date) -> bool:
    """Whether a waiver still holds: until the end of its last day, UTC."""
    return today <= datetime.date.fromisoformat(waiver.until)


def apply(plan: Plan, findings: list[Finding], *, today: datetime.date) -> list[Finding]:
    """The findings with every fail and caution that a waiver in force accepts regraded as waived.

    An expired waiver changes no grade: the fail is a fail again, and says that it was accepted before.  A fault that only an
    accepted one explained is not accepted with it, and stands for itself from then on: it would be told nowhere.
    """
    if not plan.waivers:
        return findings
    holding = [waiver for waiver in plan.waivers if in_force(waiver, today)]
    ended = [waiver for waiver in plan.waivers if not in_force(waiver, today)]
    findings = [_waived(plan, finding, holding, ended) if finding.grade in _ACCEPTABLE else finding for finding in findings]
    accepted = {finding.ref for finding in findings if finding.grade is Grade.WAIVED}
    return [msgspec.structs.replace(finding, because=()) if finding.grade in _ACCEPTABLE and accepted.issuperset(finding.because)
            else finding for finding in findings]


def _waived(plan: Plan, finding: Finding, holding: list[Waiver], ended: list[Waiver]) -> Finding:
    waiver = next((waiver for waiver in (*holding, *ended) if covers(waiver, finding, plan.domain)), None)
    if waiver is None:
        return finding
    if waiver in ended:
        told = f"{finding.message.removesuffix('.')}.  It was accepted until {waiver.until} ({waiver.reason}), and is no longer."
        return msgspec.structs.replace(finding, message=told)
    words = f"{waiver.reason} (accepted until {waiver.until}, {waiver.place}; it was a {finding.grade})"
    return msgspec.structs.replace(finding, grade=Grade.WAIVED, waiver=words)


def say_idle(
    plan: Plan, findings: list[Finding], *, visited: Collection[str], checks: Collection[str], today: datetime.date
) -> list[Finding]:
    """The findings with the ``plan.waiver`` of every waiver that accepted nothing in this run turned into a caution.

    A waiver whose fault is mended would hide the next one.  Nothing is said where the run cannot know: where what the waiver
    names was left out of the run (``visited`` hosts, ``checks``), was unproven, or is left out by the plan.
    """
    # Lint has one finding for each waiver, in the plan's order, before those of the checks that are left out.
    linted = (finding.ref for finding in findings if finding.check == "plan.waiver")
    idle = {
        ref: waiver for ref, waiver in zip(linted, plan.waivers, strict=False)
        if in_force(waiver, today) and _was_looked_for(plan, waiver, visited, checks) and _accepts_nothing(plan, waiver, findings)
    }
    return [_idle(finding, idle[finding.ref]) if finding.ref in idle and finding.grade is Grade.PASS else finding
            for finding in findings]


def _was_looked_for(plan: Plan, waiver: Waiver, visited: Collection[str], checks: Collection[str]) -> bool:
    named = set(catalogue.matching(waiver.check))
    if not named <= set(checks) or any(fnmatch.fnmatchcase(name, left.check) for name in named for left in plan.left_out):
        return False
    wanted = canonical(waiver.host)
    hosts = {host.fqdn for host in plan.hosts
             if fnmatch.fnmatchcase(host.fqdn, wanted) or fnmatch.fnmatchcase(canonical(host.name), wanted)}
    return hosts <= set(visited) and bool(hosts or fnmatch.fnmatchcase(SITE, wanted))


def _accepts_nothing(plan: Plan, waiver: Waiver, findings: list[Finding]) -> bool:
    return all(finding.grade is Grade.PASS for finding in findings
               if finding.check != "plan.waiver" and covers(waiver, finding, plan.domain))


def _idle(finding: Finding, waiver: Waiver) -> Finding:
    where = f" ({waiver.subject})" if waiver.subject != "*" else ""
    return msgspec.structs.replace(
        finding, grade=Grade.CAUTION, found="matches no finding that is a fail or a caution", symptom="idle",
        message=f"{waiver.place}: the waiver of {waiver.check}{where} for {waiver.host} accepted nothing in this run: nothing "
                "that it names is a fail or a caution.  It would hide the next fault.",
        fix=("delete the waiver, if what it accepted is mended for good",))
