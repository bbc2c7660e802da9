"""Whose owners and which sizes are asked for: planned addresses only, and only where a check wants them."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest

from probes.fake import FakeNetwork
from probes.vantage import look_around
from shared.plan import Plan, Port, Role
from shared.questions import Itinerary, OwnersQuestion, Pace, PathQuestion
from verify.asking.hosts import VISITS, port_questions
from verify.asking.links import gateway_questions, owner_questions, path_questions
from verify.itinerary import draw_up


@pytest.fixture
def dual(make_plan: Callable[..., Plan]) -> Plan:
    """The sound plan with a second address on dome-a, a network of 9000 octets, and something that is no address."""
    plan = make_plan()
    first = msgspec.structs.replace(plan.hosts[0], addresses=("192.0.2.11", "2001:db8::11", "192.0.2"))
    network = msgspec.structs.replace(plan.networks[0], mtu=9000)
    return msgspec.structs.replace(plan, hosts=(first, plan.hosts[1]), networks=(network, network))


def asked(plan: Plan, *checks: str) -> Itinerary:
    return draw_up(plan, pace=Pace(), sibling="sibling-1", chosen=plan.hosts, checks=checks)


def test_every_address_is_asked_for_its_owner_and_the_gateway_once(dual: Plan) -> None:
    """What is no address is lint's matter."""
    assert owner_questions(dual.hosts[0]) == (OwnersQuestion("192.0.2.11"), OwnersQuestion("2001:db8::11"))
    assert gateway_questions(dual) == (OwnersQuestion("192.0.2.1"),)


def test_a_gateway_that_is_a_planned_host_is_asked_about_once(dual: Plan) -> None:
    """RFC 1122 section 2.3.2.1: one request a second to one destination."""
    host = msgspec.structs.replace(dual.hosts[1], addresses=("192.0.2.1",))
    plan = msgspec.structs.replace(dual, hosts=(dual.hosts[0], host))
    assert (gateway_questions(plan), owner_questions(host)) == ((), (OwnersQuestion("192.0.2.1"),))


def test_the_size_to_try_is_the_networks(dual: Plan) -> None:
    """As planned, for each address; a host of no known network is asked nothing."""
    assert path_questions(dual, dual.hosts[0]) == (PathQuestion("192.0.2.11", 9000), PathQuestion("2001:db8::11", 9000))
    assert path_questions(dual, msgspec.structs.replace(dual.hosts[0], network="nowhere")) == ()


@pytest.mark.parametrize(("checks", "owners", "paths"), [
    (("host.echo",), False, False), (("name.forward",), False, False), (("host.path-mtu",), False, True),
    (("host.address-conflict",), True, False), (("host.mac",), True, False), (("host.path-mtu", "host.mac"), True, True),
])
def test_seconds_of_listening_are_spent_only_where_wanted(
    make_plan: Callable[..., Plan], checks: tuple[str, ...], owners: bool, paths: bool
) -> None:
    """By the check itself, not by its family: one echo does not wait for the wire."""
    questions = asked(make_plan(), *checks)
    assert bool(questions.hosts[0].owners) is bool(questions.site.owners) is owners
    assert bool(questions.hosts[0].paths) is paths
    assert any(port.visits for port in questions.hosts[0].ports) is owners


def test_one_port_an_address_is_visited_again_tls_before_ssh(dual: Plan) -> None:
    """The first that shows who is there; no other."""
    ports = port_questions(dual, dual.hosts[0], visits=VISITS)
    visited = {(port.address, port.port): port.visits for port in ports if port.visits}
    assert visited == {("192.0.2.11", 443): VISITS, ("2001:db8::11", 443): VISITS}
    shell = msgspec.structs.replace(dual, roles=(Role(name="node", ssh=(Port(22), Port(2222)), open=(Port(80),)),))
    assert {port.port for port in port_questions(shell, dual.hosts[1], visits=VISITS) if port.visits} == {22}
    bare = msgspec.structs.replace(dual, roles=(Role(name="node", open=(Port(80),)),))
    assert not any(port.visits for port in port_questions(bare, dual.hosts[1], visits=VISITS))


def test_visits_are_few_enough_for_an_ssh_server_that_counts_them() -> None:
    """Three connections for the keys and these together stay far from MaxStartups and PerSourcePenalties (sshd_config(5))."""
    assert VISITS <= 2


@pytest.mark.parametrize(("addresses", "subnet", "footholds"), [
    (("192.0.2.11",), "192.0.2.0/24", [("192.0.2.0/24", "192.0.2.11")]),
    (("192.0.2.11", "2001:db8::11"), "192.0.2.0/24", [("192.0.2.0/24", "192.0.2.11"), ("", "2001:db8::11")]),
    # Whichever the row writes first: an address of the other family lies in no wire's subnet.
    (("2001:db8::11", "192.0.2.11"), "192.0.2.0/24", [("192.0.2.0/24", "192.0.2.11"), ("", "2001:db8::11")]),
    (("192.0.2.11", "2001:db8::11"), "2001:db8::/64", [("2001:db8::/64", "2001:db8::11"), ("", "192.0.2.11")]),
    # Nobody has an address there, as lint says: the gateway has.
    (("198.51.100.11", "192.0.2"), "192.0.2.0/24", [("192.0.2.0/24", "192.0.2.1")]),
    (("fe80::11", "192.0.2.11"), "192.0.2.0/24", [("192.0.2.0/24", "192.0.2.11")]),
])
def test_the_runners_place_is_looked_up_by_an_address_of_the_subnet(
    make_plan: Callable[..., Plan], addresses: tuple[str, ...], subnet: str, footholds: list[tuple[str, str]]
) -> None:
    """And its own address of the other family by one of that, of whose wire nothing is said."""
    plan = make_plan()
    host = msgspec.structs.replace(plan.hosts[0], addresses=addresses)
    network = msgspec.structs.replace(plan.networks[0], subnet=subnet)
    itinerary = asked(msgspec.structs.replace(plan, hosts=(host,), networks=(network,)), "gateway.return-path")
    assert itinerary.networks == tuple((network.name, *foothold) for foothold in footholds)


def test_a_foothold_without_a_subnet_says_nothing_of_the_wire() -> None:
    """It gives the runner's own address, for the rules that a filter is asked for."""
    network = FakeNetwork(sources={"192.0.2.11": "192.0.2.200", "2001:db8::11": "2001:db8::200"})
    vantage = look_around(network, name="deck", footholds=(("mgmt", "192.0.2.0/24", "192.0.2.11"), ("mgmt", "", "2001:db8::11")))
    assert (vantage.addresses, vantage.on_link) == (("192.0.2.200", "2001:db8::200"), {"mgmt": True})


def test_a_wire_of_both_families_is_looked_up_in_both(make_plan: Callable[..., Plan]) -> None:
    """And is one wire: the runner that has an address in either subnet stands on it."""
    plan = make_plan()
    host = msgspec.structs.replace(plan.hosts[0], addresses=("192.0.2.11", "2001:db8::11"))
    wire = msgspec.structs.replace(plan.networks[0], second_subnet_typed="2001:db8::/64", second_subnet="2001:db8::/64",
                                   second_gateway="2001:db8::1")
    itinerary = asked(msgspec.structs.replace(plan, hosts=(host,), networks=(wire,)), "gateway.return-path")
    assert itinerary.networks == (("mgmt", "192.0.2.0/24", "192.0.2.11"), ("mgmt", "2001:db8::/64", "2001:db8::11"))
    for own, on_link in ((("192.0.2.200", "2001:db8::200"), True), (("192.0.2.200", "2001:db8:1::10"), True),
                         (("203.0.113.10", "2001:db8::200"), True), (("203.0.113.10", "2001:db8:1::10"), False)):
        network = FakeNetwork(sources=dict(zip(host.addresses, own, strict=True)))
        assert look_around(network, name="deck", footholds=itinerary.networks).on_link == {"mgmt": on_link}
