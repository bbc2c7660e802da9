"""``host.runner``: a runner without a way over one of the planned address families, and all that is unproven for that alone.

Whoever runs from such a place would else be told so once for every host and check.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import msgspec

from shared.addresses import AddressError, family_of, parse_address, split_port
from shared.evidence import Evidence, Failure, FailureKind
from shared.findings import SITE, Finding, Grade
from shared.plan import Plan
from verify.grading.case import Case

_CHECK = "host.runner"
#: What is weighed over the answers of all name servers: it waits on theirs (``causes``).
_OVER_SERVERS = frozenset({"name.agreement", "name.servers-agree"})
#: Families of checks whose findings of a host with one address do not name it.
_OF_A_PORT = frozenset({"port", "certificate", "ssh"})
#: What is seen from elsewhere, or without a packet.
_SEEN_OTHERWISE = frozenset({"plan", "system", "boot"})


def grade_site(case: Case) -> list[Finding]:
    """One finding for each address family over which the runner had a route to nothing that it was to ask; else none."""
    seen: dict[int, dict[str, bool]] = {4: {}, 6: {}}
    for address, failure in _asked(case.plan, case.evidence):
        unsent = failure is not None and failure.kind is FailureKind.NO_ROUTE
        family = seen[family_of(address)]
        family[address] = unsent and family.get(address, True)
    return [_without(case, family, len(addresses), heard=any(not all(other.values()) for other in seen.values()))
            for family, addresses in seen.items() if addresses and all(addresses.values())]


def _asked(plan: Plan, evidence: Evidence) -> Iterator[tuple[str, Failure | None]]:
    """Every address that a question was meant for, and why it got no answer."""
    servers = {server.label: server.host for server in plan.name_servers}
    yield from ((echo.address, echo.failure) for echo in evidence.site.gateways)
    yield from ((clock.address, clock.failure) for clock in evidence.site.clocks if clock.address)
    for names in (evidence.site.names, *(host.names for host in evidence.hosts)):
        yield from ((servers[answer.server], answer.failure) for answer in names if answer.server in servers)
    for host in evidence.hosts:
        for asked in (host.echoes, host.ports, host.clocks):
            yield from ((one.address, one.failure) for one in asked if one.address)


def _without(case: Case, family: int, count: int, *, heard: bool) -> Finding:
    where, name = case.evidence.vantage.name, f"IPv{family}"
    which = f"any of the {count} planned {name} addresses" if count > 1 else f"the planned {name} address"
    stands = ", and the rest stands" if heard else ""
    ip = "ip -6" if family == 6 else "ip"
    return case.finding(
        SITE, _CHECK, name, Grade.UNPROVEN, planned=f"a way over {name}", found="no route", symptom="no-family",
        message=f"{where} has no route to {which}: what was to be asked over {name} is unproven{stands}.",
        fix=(f"run from a machine that has {name}, or give {where} an address and a default route: then the rest is asked",
             f"{ip} address    # on {where}: one that is more than link-local",
             f"{ip} route show default"))


def explain(plan: Plan, findings: list[Finding]) -> list[Finding]:
    """The findings, with ``because`` set on all that is unproven only since the runner lacks an address family."""
    lacking = {int(finding.subject[-1]): finding for finding in findings if finding.check == _CHECK}
    if not lacking:
        return findings
    unasked = _Unasked(plan, frozenset(lacking))
    explained = []
    for finding in findings:
        # What the runner did not see itself is no matter of its place.
        own = finding.check != _CHECK and finding.vantage == next(iter(lacking.values())).vantage
        family = unasked.family(finding) if own and finding.grade is Grade.UNPROVEN and not finding.because else None
        explained.append(msgspec.structs.replace(finding, because=(lacking[family].ref,)) if family else finding)
    return explained


@dataclass(frozen=True, slots=True)
class _Unasked:
    """What could not be asked of a plan without some address families."""

    plan: Plan
    lacking: frozenset[int]

    def family(self, finding: Finding) -> int | None:
        """The lacking family that leaves a finding unproven; None where none does."""
        kind = finding.check.partition(".")[0]
        if kind in _SEEN_OTHERWISE or finding.check in _OVER_SERVERS:
            return None
        # Beside a name server stands what it was asked about.
        asked = finding.subject.split()[:1 if kind == "name" else None]
        named = {family for word in asked if (family := _family_in(word))}
        if kind == "name" or named & self.lacking:
            return self._first(named)
        if finding.symptom == "no-agreed-time" or finding.check == "clock.sources-agree":
            return self._time()
        if finding.check in ("clock.source", "host.ipv6") and not named:
            return self._names()
        host = self.plan.by_fqdn.get(finding.host)
        addresses = host.addresses if host else ()
        return self._all({family_of(address) for address in addresses}) if kind in _OF_A_PORT and not named else None

    def _first(self, families: set[int]) -> int | None:
        return next(iter(families & self.lacking), None)

    def _all(self, families: set[int]) -> int | None:
        """One of the families where all of them are lacking."""
        return self._first(families) if families <= self.lacking else None

    def _names(self) -> int | None:
        return self._all({family_of(server.host) for server in self.plan.name_servers})

    def _time(self) -> int | None:
        """The family without which no time source was left to be asked, those by name included."""
        families = {_family_in(source.host) or self._names() for source in self.plan.time_sources}
        return None if None in families else self._all({family for family in families if family})


def _family_in(word: str) -> int | None:
    """The IP version of an address, with a port or without; None for any other word."""
    try:
        return parse_address(split_port(word)[0]).version
    except AddressError:
        return None
