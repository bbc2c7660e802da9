"""Whom a plan makes us ask for the time."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest

from shared.plan import Endpoint, Plan, Port, Role
from shared.questions import ClockQuestion, WitnessQuestion
from verify.asking.clocks import host_questions, site_questions, witness_questions


def test_every_planned_source_is_asked_four_times_in_plan_order(make_plan: Callable[..., Plan]) -> None:
    """A source planned by name stays a name: it is resolved through the planned name servers."""
    sources = (Endpoint("192.0.2.61", 123, "192.0.2.61"), Endpoint("time2.obs.example.net", 1123, "time2.obs.example.net:1123"))
    assert site_questions(make_plan(time_sources=sources)) == tuple(ClockQuestion(source, 4) for source in sources)


def test_every_address_of_a_host_that_serves_time_is_asked_on_the_roles_port(make_plan: Callable[..., Plan]) -> None:
    """Both families: a filter may treat them differently."""
    plan = make_plan(roles=(Role(name="node", ntp_port=11123),))
    host = msgspec.structs.replace(plan.hosts[0], addresses=("192.0.2.11", "2001:db8::11"))
    assert [(question.server.host, question.server.port, question.exchanges) for question in host_questions(plan, host)] == [
        ("192.0.2.11", 11123, 4), ("2001:db8::11", 11123, 4)]


def test_what_is_no_address_is_not_asked_by_its_name(make_plan: Callable[..., Plan]) -> None:
    """A socket would have the system look it up, at servers that nobody planned."""
    plan = make_plan(roles=(Role(name="node", ntp_port=123),))
    host = msgspec.structs.replace(plan.hosts[0], addresses=("dome-a", "192.0.2.11"))
    assert [question.server.host for question in host_questions(plan, host)] == ["192.0.2.11"]


def test_a_host_that_serves_no_time_is_not_asked(make_plan: Callable[..., Plan]) -> None:
    """Neither is one whose role is not in the plan: only what is planned is probed."""
    plan = make_plan(roles=(Role(name="node"),))
    assert host_questions(plan, plan.hosts[0]) == ()
    assert host_questions(make_plan(roles=()), plan.hosts[0]) == ()


NAME = "dome-a.obs.example.net"


@pytest.mark.parametrize(("http", "tls", "asked"), [
    ((), (), ()),
    ((80,), (), ((80, "http"),)),
    ((80, 8080, 8081), (), ((80, "http"), (8080, "http"))),
    ((), (443, 8443, 9443), ((443, "tls"), (8443, "tls"))),
    ((80, 8080), (443, 8443), ((80, "http"), (443, "tls"))),
    ((443,), (443,), ((443, "tls"),)),
])
def test_a_host_that_serves_no_time_has_two_http_ports_read_at_most(
    make_plan: Callable[..., Plan], http: tuple[int, ...], tls: tuple[int, ...], asked: tuple[tuple[int, str], ...]
) -> None:
    """One plain and one with TLS where there are both; without any port its ICMP time stamps are still asked for."""
    role = Role(name="node", http=tuple(map(Port, http)), tls=tuple(map(Port, tls)))
    plan = make_plan(roles=(role,))
    assert witness_questions(plan, plan.hosts[0]) == (WitnessQuestion("192.0.2.11", asked, NAME),)


def test_a_host_that_serves_time_is_not_bothered_with_other_witnesses(make_plan: Callable[..., Plan]) -> None:
    """Nor is one whose role is not in the plan; and what is no address is never asked by name."""
    plan = make_plan(roles=(Role(name="node", http=(Port(80),), ntp_port=123),))
    assert witness_questions(plan, plan.hosts[0]) == ()
    assert witness_questions(make_plan(roles=()), plan.hosts[0]) == ()
    plan = make_plan(roles=(Role(name="node"),))
    host = msgspec.structs.replace(plan.hosts[0], addresses=("dome-a", "2001:db8::11"))
    assert [question.address for question in witness_questions(plan, host)] == ["2001:db8::11"]
