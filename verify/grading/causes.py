"""Ties effects to their causes: a finding that another one explains carries its ref in ``because``.

Three rules keep an explanation from hiding a fault of its own.  The cause is a proven fail, never itself unproven.  The
effect shows what that cause predicts.  Nothing seen contradicts it: a gateway is no excuse for a silent host while
another host answers through it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator

import msgspec

from shared import catalogue
from shared.evidence import Evidence
from shared.findings import Finding, Grade
from shared.plan import Plan

#: Symptoms of having heard nothing at all.
_SILENT = frozenset({"silent", "no-answer"})


def explain(plan: Plan, evidence: Evidence, findings: list[Finding]) -> list[Finding]:
    """The findings, with ``because`` set on every one that a proven fail explains."""
    findings = _excuse_behind_gateways(plan, evidence, findings)
    fails: dict[str, list[Finding]] = defaultdict(list)
    for finding in findings:
        if finding.grade is Grade.FAIL:
            fails[finding.check].append(finding)
    if not fails:
        return findings
    whole = _Outages(findings)
    return [_explained(finding, fails, whole) for finding in findings]


class _Outages:
    """Which servers of the site are all out of service: what an effect that names no server in particular waits on."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        grades: dict[str, set[Grade]] = defaultdict(set)
        for finding in findings:
            grades[finding.check].add(finding.grade)
        self.no_name_server = grades["name.server"] == {Grade.FAIL}
        self.no_time_source = Grade.FAIL in grades["clock.source"] and not grades["clock.source"] & {
            Grade.PASS, Grade.CAUTION, Grade.WAIVED}


def _explained(effect: Finding, fails: dict[str, list[Finding]], outages: _Outages) -> Finding:
    if effect.grade is not Grade.UNPROVEN and effect.check not in _FOLDED_FAILS:
        return effect
    if effect.because or effect.grade in (Grade.PASS, Grade.WAIVED):
        return effect
    for check in _upstream(effect.check):
        ties = _TIES.get(check, _same_host)
        causes = tuple(cause.ref for cause in fails[check] if cause.ref != effect.ref and ties(cause, effect, outages))
        if causes:
            return msgspec.structs.replace(effect, because=causes)
    return effect


#: Checks whose fail only repeats in other words what the fail of a check they need has said.
_FOLDED_FAILS = frozenset({"name.agreement", "name.servers-agree", "clock.skew"})


def _upstream(check: str) -> Iterator[str]:
    """The checks that ``check`` waits on, the nearest first, and what these wait on in turn."""
    seen, queue = {check}, [check]
    while queue:
        for needed in catalogue.find(queue.pop(0)).needs:
            if needed not in seen and needed in catalogue.CHECKS:
                seen.add(needed)
                queue.append(needed)
                yield needed


Tie = Callable[[Finding, Finding, _Outages], bool]


def _owner(finding: Finding) -> str:
    return finding.ref.partition("|")[0]


def _first_word(finding: Finding) -> str:
    return finding.subject.partition(" ")[0]


def _same_host(cause: Finding, effect: Finding, _outages: _Outages) -> bool:
    return _owner(cause) == _owner(effect)


def _same_port(cause: Finding, effect: Finding, outages: _Outages) -> bool:
    """A port explains what should have been spoken on it: subjects are "443/tcp", with the address where there are several."""
    return _same_host(cause, effect, outages) and cause.subject == effect.subject


def _name_server(cause: Finding, effect: Finding, outages: _Outages) -> bool:
    """A dead name server explains the questions put to it, and the rest only where no server is left."""
    return _first_word(effect) == cause.subject or outages.no_name_server


def _time_source(_cause: Finding, _effect: Finding, outages: _Outages) -> bool:
    """Dead time sources explain anything only together: one that answers is enough for a time to be agreed on."""
    return outages.no_time_source


def _time_agreement(cause: Finding, effect: Finding, _outages: _Outages) -> bool:
    """Sources that cannot agree leave everything without a time; one falseticker that was found out does not."""
    return effect.symptom == "no-agreed-time" and cause.symptom != "falseticker"


def _silent_host(cause: Finding, effect: Finding, outages: _Outages) -> bool:
    return _same_host(cause, effect, outages) and cause.symptom in _SILENT


_TIES: dict[str, Tie] = {
    "name.server": _name_server,
    "clock.source": _time_source,
    "clock.sources-agree": _time_agreement,
    "host.echo": _silent_host,
    "port.open": _same_port,
    "certificate.protocol": _same_port,
    "ssh.identity": _same_port,
}


def _excuse_behind_gateways(plan: Plan, evidence: Evidence, findings: list[Finding]) -> list[Finding]:
    """A host is not judged dead where its dead gateway stands between: it is unproven because of the gateway.

    Only for a runner outside the network, and only where no host behind that gateway was heard at all.
    """
    dead = {finding.subject: finding.ref for finding in findings
            if finding.check == "gateway.echo" and finding.grade is Grade.FAIL and finding.symptom in _SILENT}
    if not dead:
        return findings
    gateways = {network.name: dead.get(network.gateway or "") for network in plan.networks
                if evidence.vantage.on_link.get(network.name) is False}
    networks = {host.fqdn: host.network for host in plan.hosts}
    silent = [finding for finding in findings if finding.check == "host.echo" and finding.grade is Grade.FAIL
              and finding.symptom in _SILENT]
    heard = {networks[_owner(finding)] for finding in findings
             if finding.check == "host.echo" and finding not in silent and _owner(finding) in networks}
    excused: dict[str, str] = {}
    for finding in silent:
        network = networks.get(_owner(finding), "")
        gateway = gateways.get(network)
        if gateway and network not in heard:
            excused[finding.ref] = gateway
    return [
        msgspec.structs.replace(finding, grade=Grade.UNPROVEN, because=(excused[finding.ref],), fix=(),
                                message=f"{finding.message} Its gateway is silent too, so nothing is proven of the host itself.")
        if finding.ref in excused else finding for finding in findings
    ]
