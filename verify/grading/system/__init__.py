"""Grades the host's own word: what it says of itself after the login that the plan's ``[access]`` allows.

Without access planned there are no findings here at all.  Where the login did not work, every other finding waits on it.
"""

from __future__ import annotations

import msgspec

from shared.evidence import HostEvidence
from shared.findings import Finding, Grade
from shared.plan import Host
from verify.grading.case import Case
from verify.grading.system import addressing, login, naming, running, twins
from verify.grading.system.login import would_prove
from verify.grading.system.word import Word

__all__ = ["grade_fleet", "grade_host", "would_prove"]

#: What waits on the login, as (check, subject, planned).
_WAITING = (
    ("system.route", "routes", "the planned default route"),
    ("system.address", "addresses", "the planned addresses and no others"),
    ("system.mtu", "interface", "the planned packet size"),
    ("system.resolver", "servers", "the planned name servers"),
    ("system.name", "host name", "the planned name"),
    ("system.clock", "service", "one time service that follows the planned sources"),
    ("system.uptime", "boot", "known"),
    ("system.service", "services", "the planned services"),
)


def grade_host(case: Case, host: Host, evidence: HostEvidence) -> list[Finding]:
    """Every ``system.*`` finding of one host but those that compare hosts; none where no login to it is planned."""
    if case.plan.login_port(host) is None:
        return []
    entered = login.grade(case, host, evidence)
    seen = evidence.system
    if seen is None or not login.worked(seen):
        return [entered, *_waiting(case, host, entered)]
    word = Word(case, host, seen, entered.ref if login.overdue(seen) else "")
    return [entered, *addressing.grade(word), *naming.grade(word), *running.grade(word)]


def _waiting(case: Case, host: Host, entered: Finding) -> list[Finding]:
    waiting = [*_WAITING, *(("system.question", question.name, "the planned answer")
                            for question in case.plan.questions_for(host))]
    return [msgspec.structs.replace(
        case.finding(host.fqdn, check, subject, Grade.UNPROVEN, planned=planned, found="not asked", symptom="no-login",
                     message=f"{host.fqdn} could not be asked about itself, as there was no login to it."),
        because=(entered.ref,)) for check, subject, planned in waiting]


def grade_fleet(case: Case) -> list[Finding]:
    """``system.shared-identity`` for every host that told of itself."""
    told = {evidence.fqdn: evidence.system for evidence in case.evidence.hosts}
    words = [Word(case, host, seen) for host in case.plan.hosts
             if (seen := told.get(host.fqdn)) is not None and login.worked(seen) and case.plan.login_port(host) is not None]
    return twins.grade(words)
