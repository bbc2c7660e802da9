"""Grades a stored run again: the same evidence, with other limits, a newer plan, or a newer seatrial.  Touches no network."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from shared import catalogue
from shared.evidence import HostEvidence
from shared.plan import Plan
from shared.quantities import Limits
from shared.run import Report
from verify.assembly import Request, assemble, judging_day
from verify.errors import PlanError
from verify.history.records import StoredRun
from verify.lint import lint
from verify.planfile.profiles import limits_in_force
from verify.selection import choose_checks


def regrade(stored: StoredRun, plan: Plan | None = None, profile: str | None = None) -> Report:
    """The report that the run's evidence would have given.

    Hosts that ``plan`` has and the run's own plan had not are unproven: nobody looked at them.  ``plan`` None takes the stored
    plan.  ``profile`` None takes the limits that were in force, or with a ``plan`` its own.
    Raises PlanError for limits or a plan that cannot be used, UsageError for checks that this version does not know.
    """
    facts = stored.report.run
    graded_by = plan or stored.snapshot.plan
    day = judging_day(facts.finished)
    faults = lint(graded_by, today=day)
    stops = [finding.message for finding in faults.findings if finding.ref in faults.stops]
    if stops:
        raise PlanError(*stops)
    limits = limits_in_force(graded_by, profile) if plan or profile else limits_then(stored.report)
    request = Request(run_id=facts.id, kind=facts.kind, operator=facts.operator, reason=facts.reason, ticket=facts.ticket,
                      reviewer=facts.reviewer, profile=profile or ("" if plan else facts.profile), command=facts.command)
    known = {host.fqdn for host in stored.snapshot.plan.hosts}
    added = tuple(host.fqdn for host in graded_by.hosts if host.fqdn not in known)
    evidence = stored.report.evidence()
    evidence = msgspec.structs.replace(
        evidence, hosts=(*evidence.hosts, *(HostEvidence(fqdn=name, complete=False) for name in added)))
    return assemble(graded_by, evidence, limits, request, today=day, checks=choose_checks(stored.checks), added=added)


def limits_then(report: Report) -> Mapping[str, Limits]:
    """The limits that were in force, with this version's own for any that did not exist yet."""
    profile = report.run.profile if report.run.profile in catalogue.PROFILES else "production"
    limits = catalogue.limits_of(profile)
    for then in report.run.limits:
        rule = limits.get(then.name)
        if rule is not None:
            limits[then.name] = Limits(name=then.name, unit=rule.unit, sense=rule.sense, caution=then.caution, fail=then.fail,
                                       origin=then.origin)
    return limits
