"""Puts a finished run together: findings, evidence and the facts of the run, in the shape that every report has."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Collection, Mapping

import msgspec

from shared import catalogue
from shared.evidence import Evidence
from shared.findings import SITE, Finding, Grade, explanations, verdict_of
from shared.plan import Plan
from shared.quantities import Limits, show_seconds
from shared.run import (
    SCHEMA,
    Cause,
    Counts,
    Coverage,
    HostReport,
    Missing,
    PlanReference,
    Report,
    RunFacts,
    SiteReport,
    Tool,
    because_of,
)
from verify.grading import owners, system
from verify.grading.case import shown
from verify.grading.whole import Graded, grade
from verify.version import VERSION


class Request(msgspec.Struct, frozen=True, kw_only=True):
    """Who asked for the run and why: what a change ticket wants to know."""

    run_id: str
    kind: str
    operator: str = ""
    reason: str = ""
    ticket: str = ""
    reviewer: str = ""
    profile: str = ""
    command: str = ""


def judging_day(finished: str) -> datetime.date:
    """The day in UTC that a run's waivers are judged by, now and whenever it is graded again: the one on which it ended.

    A run may begin on the last day of a waiver and end after it, and ``await`` may take days.
    """
    return datetime.datetime.fromisoformat(finished).date()


def assemble(
    plan: Plan,
    evidence: Evidence,
    limits: Mapping[str, Limits],
    request: Request,
    *,
    today: datetime.date,
    checks: frozenset[str] = frozenset(catalogue.CHECKS),
    added: Collection[str] = (),
) -> Report:
    """Grade the evidence and lay everything out as a report.  Pure: no clock, no file, no network.

    ``added`` names the hosts that the plan got after the evidence was gathered, which is empty for them.
    """
    graded = grade(plan, evidence, limits, today=today, checks=checks)
    findings = graded.all()
    hosts = []
    for seen in evidence.hosts:
        host = plan.by_fqdn.get(seen.fqdn)
        if host is None:
            continue
        own = graded.hosts[seen.fqdn]
        hosts.append(HostReport(
            name=host.fqdn, address=host.addresses[0] if host.addresses else "", addresses=host.addresses,
            network=host.network, role=host.role,
            verdict=verdict_of({finding.grade for finding in own} | ({Grade.UNPROVEN} if seen.crashes else set())),
            findings=own, evidence=seen))
    grades = {finding.grade for finding in findings}
    # What was not asked, or was and was lost on a bug of ours, has no finding that could say so.
    if not evidence.complete or evidence.site.crashes or any(host.evidence.crashes for host in hosts):
        grades.add(Grade.UNPROVEN)
    return Report(
        schema=SCHEMA,
        verdict=verdict_of(grades),
        counts=_counts(findings),
        coverage=_coverage(plan, evidence, graded, checks, added),
        causes=_causes(findings),
        run=RunFacts(
            id=request.run_id, kind=request.kind, started=evidence.started, finished=evidence.finished,
            complete=evidence.complete, tool=Tool(name="seatrial", version=VERSION), vantage=evidence.vantage,
            operator=request.operator, reason=request.reason, ticket=request.ticket,
            profile=request.profile or plan.profile, limits=tuple(shown(limit) for limit in limits.values()),
            plan=PlanReference(title=plan.title, file=plan.file, sha256=plan.sha256), command=request.command,
            reviewer=request.reviewer),
        site=SiteReport(findings=graded.site, evidence=evidence.site),
        hosts=tuple(hosts),
    )


def _counts(findings: list[Finding]) -> Counts:
    by_grade = Counter(finding.grade for finding in findings)
    return Counts(passed=by_grade[Grade.PASS], caution=by_grade[Grade.CAUTION], fail=by_grade[Grade.FAIL],
                  unproven=by_grade[Grade.UNPROVEN], waived=by_grade[Grade.WAIVED])


def _causes(findings: list[Finding]) -> tuple[Cause, ...]:
    """What to mend, first things first: fails before the rest, then by how much each explains, then in catalogue order.

    The place of the runner is among them where it explains why something is unproven.
    """
    unsettled = [finding for finding in findings if finding.grade is not Grade.PASS]
    by_ref = {finding.ref: finding for finding in unsettled}
    explains = Counter(root for finding in unsettled for root in _roots(finding, by_ref))
    order = {name: index for index, name in enumerate(catalogue.CHECKS)}
    roots = [finding for finding in unsettled if not finding.because
             and (finding.grade in (Grade.FAIL, Grade.CAUTION) or (finding.check == "host.runner" and explains[finding.ref]))]
    roots.sort(key=lambda root: (root.grade is not Grade.FAIL, -explains[root.ref], order[root.check]))
    return tuple(Cause(finding=root.ref, explains=explains[root.ref]) for root in roots)


def _roots(finding: Finding, by_ref: dict[str, Finding]) -> set[str]:
    """The refs at the far end of a finding's ``because`` chain; none for a finding that nothing explains."""
    return {cause.ref for cause in explanations(finding, by_ref) if not cause.because}


def _coverage(plan: Plan, evidence: Evidence, graded: Graded, checks: frozenset[str], added: Collection[str]) -> Coverage:
    """What was not proven, grouped by check and reason, with what would prove it; and what the plan left out.

    Hosts that were seen and are planned no longer have no part in it.
    """
    evidence = msgspec.structs.replace(evidence, hosts=tuple(host for host in evidence.hosts if host.fqdn in plan.by_fqdn))
    findings = graded.all()
    unproven = [finding for finding in findings if finding.grade is Grade.UNPROVEN]
    groups: dict[tuple[str, str, str], list[str]] = {}
    for finding in unproven:
        subject = finding.subject if finding.host == SITE else f"{finding.host} {finding.subject}"
        why = because_of(finding.because) if finding.because else finding.message
        proof = system.would_prove(finding) or catalogue.find(finding.check).would_prove
        groups.setdefault((finding.check, why, proof), []).append(subject.strip())
    missing = [Missing(check=check, subjects=tuple(subjects), why=why, would_prove=proof)
               for (check, why, proof), subjects in groups.items()]
    missing += [
        Missing(check=check, subjects=("every host",), why=f"left out by the plan: {left.reason}",
                would_prove=catalogue.find(check).would_prove)
        for left in plan.left_out for check in catalogue.matching(left.check) if check in checks
    ]
    missing += _beyond_reach(evidence, checks)
    missing += _not_let_in(plan, evidence, checks)
    if added:
        missing.append(Missing(check="every check", subjects=tuple(added), would_prove="verify the plan as it is now",
                               why="not in the plan that the run was made with, so nobody looked there"))
    cut_short = tuple(host.fqdn for host in evidence.hosts if not host.complete and host.fqdn not in added)
    if cut_short:
        missing.append(Missing(check="every check", subjects=cut_short, why="the run was interrupted before it was done",
                               would_prove="run again, and let it finish"))
    faulty = (*((SITE,) if evidence.site.crashes else ()), *(host.fqdn for host in evidence.hosts if host.crashes))
    if faulty:
        missing.append(Missing(check="every check", subjects=faulty, why="a fault of seatrial itself, in the evidence: what it "
                               "touched is not graded", would_prove="report the fault, and run again once it is mended"))
    if slept := evidence.vantage.suspended_seconds:
        missing.append(Missing(check="every check", subjects=("every host",),
                               why=f"the runner was suspended for {show_seconds(slept)} in the middle of the run: what was under "
                               "way then may have come to nothing on its account", would_prove="run again, and keep it awake"))
    return Coverage(planned=len(findings), proven=len(findings) - len(unproven), missing=tuple(missing))


def _not_let_in(plan: Plan, evidence: Evidence, checks: frozenset[str]) -> list[Missing]:
    """What only a host itself could say, where the plan lets nobody ask it: no finding, since no host is the worse for it."""
    wanted = not checks.isdisjoint(catalogue.matching("system.*"))
    seen = {host.fqdn for host in evidence.hosts}
    shut = tuple(host.fqdn for host in plan.hosts if host.fqdn in seen and plan.login_port(host) is None)
    if not wanted or not shut:
        return []
    return [Missing(check="system.*", subjects=shut if len(shut) < len(seen) else ("every host",),
                    why="the plan gives no access, so nobody asked for a host's own routes, mask, name servers and time sources, "
                    "or for what starts at its boot", would_prove="[access] in the plan, and a role without access = false")]


def _beyond_reach(evidence: Evidence, checks: frozenset[str]) -> list[Missing]:
    """What the place where the runner stood kept it from asking at all: no finding, since no host is the worse for it."""
    if "host.address-conflict" not in checks:
        return []
    groups: dict[str, list[str]] = {}
    for subject, why in owners.beyond_reach(evidence).items():
        groups.setdefault(why, []).append(subject)
    return [Missing(check="host.address-conflict", subjects=tuple(subjects), why=why,
                    would_prove=catalogue.find("host.address-conflict").would_prove) for why, subjects in groups.items()]
