"""Grades a whole run: every family in turn, then waivers, then causes.

Pure: the same plan, evidence and limits give the same findings on any day, but for waivers, which expire (``today``).
"""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace

from shared.evidence import Evidence, HostEvidence
from shared.findings import SITE, Finding
from shared.plan import Host, Plan
from shared.quantities import Limits
from verify.grading import (
    boot,
    causes,
    certificate,
    clock,
    fleet,
    gateway,
    hosts,
    losses,
    names,
    onefamily,
    owners,
    ownword,
    path,
    ports,
    ssh,
    system,
    waivers,
)
from verify.grading.case import Case
from verify.grading.clock import Agreement
from verify.grading.way import measure
from verify.lint import lint


@dataclass(frozen=True, slots=True)
class Graded:
    """The findings about the site and about each host, by fully qualified name, in plan order."""

    site: tuple[Finding, ...]
    hosts: dict[str, tuple[Finding, ...]]

    def all(self) -> list[Finding]:
        """Every finding, the site's first."""
        return [*self.site, *itertools.chain.from_iterable(self.hosts.values())]


def grade(
    plan: Plan, evidence: Evidence, limits: Mapping[str, Limits], *, today: datetime.date, checks: frozenset[str]
) -> Graded:
    """Derive every finding from the evidence; keep those of ``checks`` and those that explain them."""
    case = Case(plan=plan, limits=limits, evidence=evidence)
    agreement = clock.agree(case)
    case = replace(case, agreed=agreement.agreed)
    found: list[Finding] = [*lint(plan, today=today).findings]
    found += onefamily.grade_site(case)
    found += [*names.grade_site(case), *gateway.grade_site(case), *owners.grade_site(case), *clock.grade_site(case, agreement)]
    way = measure(case)
    found += losses.grade_site(case, way)
    wire = owners.Wire(case)
    for seen in evidence.hosts:
        if host := plan.by_fqdn.get(seen.fqdn):
            found += _grade_host(case, agreement, wire, host, seen)
    found += [*clock.grade_fleet(case, agreement), *certificate.grade_fleet(case), *ssh.grade_fleet(case),
              *system.grade_fleet(case)]
    found = waivers.leave_out(plan, found)
    found += waivers.leave_out(plan, fleet.grade_fleet(case, found))
    found = causes.explain(plan, evidence, onefamily.explain(plan, losses.excuse(case, way, found)))
    found = boot.explain(losses.explain_rest(way, ownword.explain(plan, evidence, found)))
    found = waivers.apply(plan, found, today=today)
    found = waivers.say_idle(
        plan, found, visited=[seen.fqdn for seen in evidence.hosts if seen.complete], checks=checks, today=today)
    return _sorted_out(found, [seen.fqdn for seen in evidence.hosts], checks)


def _grade_host(case: Case, agreement: Agreement, wire: owners.Wire, host: Host, seen: HostEvidence) -> list[Finding]:
    return [
        *names.grade_host(case, host, seen),
        *gateway.grade_host(case, host, seen),
        *hosts.grade_host(case, host, seen),
        *owners.grade_host(case, wire, host, seen),
        *path.grade_host(case, host, seen),
        *ports.grade_host(case, host, seen),
        *clock.grade_host(case, agreement, host, seen),
        *certificate.grade_host(case, host, seen),
        *ssh.grade_host(case, host, seen),
        *system.grade_host(case, host, seen),
        *boot.grade_host(case, host, seen),
    ]


def _sorted_out(found: list[Finding], visited: list[str], checks: frozenset[str]) -> Graded:
    """Lay the findings out by host.  Findings of hosts that were not visited are left out, as nobody asked about them."""
    explaining = {ref for finding in found if finding.check in checks for ref in finding.because}
    kept = [finding for finding in found if finding.check in checks or finding.ref in explaining]
    by_host: dict[str, list[Finding]] = {name: [] for name in (SITE, *visited)}
    for finding in kept:
        if finding.host in by_host:
            by_host[finding.host].append(finding)
    return Graded(site=tuple(by_host.pop(SITE)), hosts={name: tuple(findings) for name, findings in by_host.items()})
