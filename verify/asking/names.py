"""What to ask the planned name servers."""

from __future__ import annotations

import ipaddress

from shared.hostnames import reverse_name
from shared.plan import Host, Plan
from shared.questions import NameQuestion
from shared.zonelines import boundary_zone, home_zone, subnet_of


def site_questions(plan: Plan, sibling: str) -> tuple[NameQuestion, ...]:
    """For each server: does it answer over UDP and TCP, does it speak for the zones, does it answer for a name nobody planned.

    ``sibling`` is the label of that name: random, so that nobody has it and no resolver remembers it.  Both families are asked
    for, since a wildcard answers only for the types that it has (RFC 4592 section 2.2.1).
    """
    zone = home_zone(plan)
    questions = []
    for server in plan.name_servers:
        if zone:
            questions += [
                NameQuestion(server, zone, "SOA", "server"),
                NameQuestion(server, zone, "SOA", "server", "tcp"),
                *(NameQuestion(server, f"{sibling}.{zone}", rrtype, "wildcard") for rrtype in ("A", "AAAA")),
            ]
        questions += [NameQuestion(server, reverse, "SOA", "zone") for reverse in reverse_zones(plan)]
    return tuple(questions)


def host_questions(plan: Plan, host: Host) -> tuple[NameQuestion, ...]:
    """For each server: the host's addresses of both families, and the name of each planned address.

    AAAA is asked for even where the plan has no IPv6: an address nobody planned is a finding.  Where the host speaks SSH,
    the fingerprints that the zone may hold of its keys are asked for too (RFC 4255); their absence is none.
    """
    role = plan.role(host.role)
    questions = []
    for server in plan.name_servers:
        questions += [NameQuestion(server, host.fqdn, rrtype, "forward") for rrtype in ("A", "AAAA")]
        questions += [NameQuestion(server, reverse_name(address), "PTR", "reverse") for address in host.addresses]
        if role and role.ssh:
            questions.append(NameQuestion(server, host.fqdn, "SSHFP", "sshfp"))
    return tuple(questions)


def reverse_zones(plan: Plan) -> tuple[str, ...]:
    """The reverse zones, at label boundaries, of all planned host addresses: IPv4 first, in order of address."""
    places = [(address, subnet_of(plan, host, address)) for host in plan.hosts for address in host.addresses]
    places.sort(key=lambda place: (":" in place[0], ipaddress.ip_address(place[0]).packed))
    return tuple(dict.fromkeys(boundary_zone(address, subnet) for address, subnet in places))
