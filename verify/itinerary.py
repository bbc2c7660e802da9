"""Turns the plan into questions: whom to ask what, and nothing that the plan does not name."""

from __future__ import annotations

import ipaddress
from collections.abc import Collection

from shared import catalogue
from shared.plan import Host, Plan
from shared.questions import HostQuestions, Itinerary, Pace, SiteQuestions
from shared.special_addresses import means_one_wire
from verify.asking import clocks, hosts, links, names, systems
from verify.asking.hosts import addresses_among

#: Which families of checks read the answers to which kind of question.  Signs of life come from echoes and ports alike,
#: and every date is judged against the agreed time, so some questions serve families that do not bear their name.
_SERVES: dict[str, frozenset[str]] = {
    "names": frozenset({"name", "host", "ssh"}),
    "echoes": frozenset({"host", "gateway", "port"}),
    "gateways": frozenset({"gateway", "host"}),
    "host clocks": frozenset({"clock", "certificate"}),
    "witnesses": frozenset({"clock"}),
    "time sources": frozenset({"clock", "certificate"}),
    "ports": frozenset({"port", "host", "gateway", "certificate", "ssh", "system"}),
}
#: The same for questions that take long or serve few checks: by the checks themselves.
_ONLY_FOR: dict[str, frozenset[str]] = {
    "owners": frozenset({"host.address-conflict", "host.mac"}),
    "paths": frozenset({"host.path-mtu"}),
}


def draw_up(
    plan: Plan,
    *,
    pace: Pace,
    sibling: str,
    chosen: Collection[Host],
    checks: Collection[str] = tuple(catalogue.CHECKS),
) -> Itinerary:
    """The questions for the ``chosen`` hosts that the chosen ``checks`` need.

    ``sibling`` is the random label that is asked for below the domain to find wildcards (RFC 4592).
    """
    families = {name.partition(".")[0] for name in checks if name.partition(".")[0] != "plan"}

    def wanted(kind: str) -> bool:
        return bool(_ONLY_FOR[kind] & set(checks) if kind in _ONLY_FOR else _SERVES[kind] & families)

    site = SiteQuestions(
        names=names.site_questions(plan, sibling) if wanted("names") else (),
        gateways=hosts.gateway_questions(plan) if wanted("gateways") else (),
        clocks=clocks.site_questions(plan) if wanted("time sources") else (),
        owners=links.gateway_questions(plan) if wanted("owners") else (),
    )
    known = systems.known_hosts(plan)
    return Itinerary(
        networks=_footholds(plan),
        name_servers=plan.name_servers,
        site=site,
        hosts=tuple(
            HostQuestions(
                fqdn=host.fqdn,
                names=names.host_questions(plan, host) if wanted("names") else (),
                echoes=hosts.echo_questions(host) if wanted("echoes") else (),
                clocks=clocks.host_questions(plan, host) if wanted("host clocks") else (),
                ports=hosts.port_questions(plan, host, visits=hosts.VISITS if wanted("owners") else 0) if wanted("ports") else (),
                witnesses=clocks.witness_questions(plan, host) if wanted("witnesses") else (),
                owners=links.owner_questions(host) if wanted("owners") else (),
                paths=links.path_questions(plan, host) if wanted("paths") else (),
                systems=systems.host_questions(plan, host, known, checks),
            )
            for host in chosen
        ),
        pace=pace,
    )


def _footholds(plan: Plan) -> tuple[tuple[str, str, str], ...]:
    """One planned address in every network's subnets, and one of another family there: where the runner's routes are looked up.

    That family has no planned subnet, so its foothold, with an empty one, shows the runner's own address and no more.
    """
    footholds = []
    for network in plan.networks:
        if not network.subnets:
            continue
        planned = addresses_among([*(address for host in plan.hosts if host.network == network.name
                                     for address in host.addresses), *network.gateways])
        for subnet in network.subnets:
            wire = ipaddress.ip_network(subnet)
            inside = next((address for address in planned if ipaddress.ip_address(address) in wire), None)
            footholds += [(network.name, subnet, inside)] if inside else []
        beside = next((address for address in planned
                       if network.subnet_of(address) is None and not means_one_wire(address)), None)
        footholds += [(network.name, "", beside)] if beside else []
    return tuple(footholds)
