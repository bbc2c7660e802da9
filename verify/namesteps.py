"""Holds what the name servers said against the plan, record by record: what to add, to remove, to keep.

Pure.  Silence, an error or a server that does not speak for the zone says nothing about a record, and is kept apart.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable

from shared.evidence import Evidence, HostEvidence
from shared.hostnames import canonical, reverse_name
from shared.namesteps import Action, NameSteps, Step, Unseen
from shared.plan import Host, Plan
from shared.questions import NameQuestion
from shared.zonelines import Line, address_line, boundary_zone, classless_zone, pointer_line, reverse_lines, subnet_of
from verify.grading.case import Case
from verify.grading.names.answers import Said
from verify.grading.names.views import Views, addresses_in

_TYPES = {4: "A", 6: "AAAA"}
_WILDCARD = "it answers the same for a random name, so the record itself cannot be seen"


def classless_questions(plan: Plan, chosen: Iterable[Host]) -> tuple[NameQuestion, ...]:
    """For each server: does it hold the RFC 2317 zones that the chosen hosts may have their pointers in."""
    zones = dict.fromkeys(classless_zone(address, subnet_of(plan, host, address))
                          for host in chosen for address in host.addresses)
    return tuple(NameQuestion(server, zone, "SOA", "zone") for server in plan.name_servers for zone in zones if zone)


def name_steps(plan: Plan, evidence: Evidence) -> NameSteps:
    """The difference for every host that the evidence is about."""
    difference = _Difference(plan, evidence)
    for seen in evidence.hosts:
        difference.look_at(plan.by_fqdn[seen.fqdn], seen)
    return NameSteps(servers=tuple(server.label for server in plan.name_servers), hosts=len(evidence.hosts),
                     vantage=evidence.vantage.name, at=evidence.started, steps=difference.steps(), unseen=difference.unseen())


class _Difference:
    """Gathers the steps of all hosts and servers."""

    def __init__(self, plan: Plan, evidence: Evidence) -> None:
        self._case = Case(plan=plan, limits={}, evidence=evidence)
        self._order = tuple(server.label for server in plan.name_servers)
        self._servers: dict[tuple[Action, str, Line], set[str]] = defaultdict(set)
        self._unseen: dict[tuple[str, str], list[Line]] = defaultdict(list)

    def look_at(self, host: Host, seen: HostEvidence) -> None:
        views = Views(self._case, host, seen)
        for label in self._order:
            for version in _TYPES:
                self._forward(views, label, version)
            for address in host.addresses:
                self._reverse(views, label, address)

    def steps(self) -> tuple[Step, ...]:
        return tuple(Step(action, zone, line, tuple(label for label in self._order if label in servers))
                     for (action, zone, line), servers in self._servers.items())

    def unseen(self) -> tuple[Unseen, ...]:
        return tuple(Unseen(server, why, tuple(dict.fromkeys(lines))) for (server, why), lines in self._unseen.items())

    def _note(self, label: str, action: Action, zone: str, line: Line) -> None:
        self._servers[action, zone, line].add(label)

    def _forward(self, views: Views, label: str, version: int) -> None:
        """One server and one family: the planned addresses under the host's own name, and no others."""
        host, rrtype = views.host, _TYPES[version]
        read = views.read(label, host.fqdn, rrtype)
        planned = [address_line(host.fqdn, address) for address in addresses_in(host.addresses, version)]
        if read.said is Said.NOTHING or read.symptom == "blocked":
            self._unseen[label, read.words] += planned
            return
        zone = views.zone_for(host.fqdn, views.answer(label, host.fqdn, rrtype))
        if views.from_wildcard(label, read):
            if planned and set(addresses_in(read.values, version)) != {line.value for line in planned}:
                # Whoever gets the wildcard's address has none of its own; the wildcard's own record stays.
                self._compare(label, lambda _line: zone, planned, [])
            else:
                self._unseen[label, _WILDCARD] += planned
            return
        if read.chain.aliased or read.said is Said.ENDLESS:
            # An alias leaves no room for other records at its name (RFC 1034 section 3.6.2).
            target = read.chain.names[1] if read.chain.aliased else host.fqdn
            self._note(label, Action.REMOVE, zone, Line(host.fqdn, "CNAME", f"{target}."))
            held: list[Line] = []
        else:
            held = [address_line(host.fqdn, address) for address in addresses_in(read.values, version)]
        self._compare(label, lambda _line: zone, planned, held)

    def _compare(self, label: str, zone_of: Callable[[Line], str], planned: list[Line], held: list[Line]) -> None:
        for line in planned:
            self._note(label, Action.KEEP if line in held else Action.ADD, zone_of(line), line)
        for line in held:
            if line not in planned:
                self._note(label, Action.REMOVE, zone_of(line), line)

    def _reverse(self, views: Views, label: str, address: str) -> None:
        """One server and one address: its reverse name leads to the host, directly or through RFC 2317's alias."""
        host, start = views.host, reverse_name(address)
        read, answer = views.read(label, start, "PTR"), views.answer(label, start, "PTR")
        boundary = boundary_zone(address, subnet_of(views.case.plan, host, address))
        if read.said in (Said.NOTHING, Said.OPEN_END) or read.symptom == "blocked":
            self._unseen[label, read.words].append(pointer_line(address, host.fqdn))
            return
        if read.said is Said.ENDLESS:
            target = read.chain.names[1] if read.chain.aliased else start
            self._note(label, Action.REMOVE, views.zone_seen(start, answer) or boundary, Line(start, "CNAME", f"{target}."))
            self._add_pointer(views, label, address)
            return
        owner = read.chain.end
        zone = views.zone_seen(owner, answer) or boundary
        if read.chain.aliased and zone == boundary:
            zone = owner.partition(".")[2]
        held = [pointer_line(address, name, owner) for name in dict.fromkeys(map(canonical, read.values))]
        if held or read.chain.aliased:
            self._compare(label, lambda _line: zone, [pointer_line(address, host.fqdn, owner)], held)
        else:
            self._add_pointer(views, label, address)

    def _add_pointer(self, views: Views, label: str, address: str) -> None:
        """Where nothing is yet: by the plan's subnet, unless only the zone at the boundary is served, which will do."""
        subnet = subnet_of(views.case.plan, views.host, address)
        boundary, classless = boundary_zone(address, subnet), classless_zone(address, subnet)
        _owner, home = views.pointer_home(label, address)
        if home not in (None, boundary):
            # A /16 may be served by its /24 zones: the server has shown the one that the pointer lies in.
            self._note(label, Action.ADD, home, pointer_line(address, views.host.fqdn))
            return
        if classless and views.served(boundary) and not views.served(classless):
            self._note(label, Action.ADD, boundary, pointer_line(address, views.host.fqdn))
            return
        for zone, line in reverse_lines(address, views.host.fqdn, subnet):
            self._note(label, Action.ADD, zone, line)
