"""The questions to the name servers: all that the checks read, and nothing twice."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import pytest

from shared.plan import Host, Network, Plan
from verify.asking.names import host_questions, reverse_zones, site_questions

MakePlan = Callable[..., Plan]


def host(name: str, *addresses: str, network: str = "mgmt") -> Host:
    return Host(name=name, fqdn=f"{name}.obs.example.net", addresses=addresses, addresses_typed=addresses, network=network,
                role="node")


def test_every_server_is_asked_over_both_transports_and_for_a_name_nobody_planned(make_plan: MakePlan) -> None:
    """Start of authority twice, the reverse zone once, one random sibling in both families: for each server the same."""
    questions = site_questions(make_plan(), "zq7f3k")
    for server in ("192.0.2.53", "192.0.2.54"):
        assert [(one.name, one.rrtype, one.transport, one.purpose) for one in questions if one.server.host == server] == [
            ("obs.example.net", "SOA", "udp", "server"),
            ("obs.example.net", "SOA", "tcp", "server"),
            ("zq7f3k.obs.example.net", "A", "udp", "wildcard"),
            ("zq7f3k.obs.example.net", "AAAA", "udp", "wildcard"),
            ("2.0.192.in-addr.arpa", "SOA", "udp", "zone"),
        ]
    assert len(questions) == 10


def test_a_host_is_asked_for_in_both_families_whatever_it_has(make_plan: MakePlan) -> None:
    """AAAA even where the plan has none or says ipv6 = "off"; a pointer for each planned address of either family."""
    plan = make_plan(networks=(Network(name="mgmt", subnet_typed="192.0.2.0/24", subnet="192.0.2.0/24", ipv6="off"),))
    questions = host_questions(plan, host("dome-a", "192.0.2.11", "2001:db8::11"))
    assert Counter((one.rrtype, one.purpose) for one in questions) == {
        ("A", "forward"): 2, ("AAAA", "forward"): 2, ("PTR", "reverse"): 4, ("SSHFP", "sshfp"): 2}
    assert "11.2.0.192.in-addr.arpa" in {one.name for one in questions}


@pytest.mark.parametrize(("subnet", "addresses", "zones"), [
    ("192.0.2.0/25", ("192.0.2.11",), ("2.0.192.in-addr.arpa",)),
    ("10.0.0.0/22", ("10.0.3.1", "10.0.0.1", "10.0.3.2"), ("0.0.10.in-addr.arpa", "3.0.10.in-addr.arpa")),
    (None, ("192.0.2.11", "2001:db8::11"), ("2.0.192.in-addr.arpa", "0.0.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa")),
    ("192.0.2.0/24", (), ()),
])
def test_each_reverse_zone_in_use_is_asked_for_once(
    make_plan: MakePlan, subnet: str | None, addresses: tuple[str, ...], zones: tuple[str, ...]
) -> None:
    """At label boundaries, in order of address: a classless subnet by the zone around it, which everyone must reach."""
    plan = make_plan(networks=(Network(name="mgmt", subnet_typed="?", subnet=subnet),), hosts=(host("dome-a", *addresses),))
    assert reverse_zones(plan) == zones


def test_an_empty_plan_asks_nothing_of_no_domain(make_plan: MakePlan) -> None:
    """Without domain and hosts there is no name to ask for."""
    assert site_questions(make_plan(domain="", hosts=()), "zq7f3k") == ()
