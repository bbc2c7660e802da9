"""Whom a plan makes us ask for the time."""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from shared.plan import Endpoint, Plan, Role
from shared.questions import ClockQuestion
from verify.asking.clocks import host_questions, site_questions


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


def test_a_host_that_serves_no_time_is_not_asked(make_plan: Callable[..., Plan]) -> None:
    """Neither is one whose role is not in the plan: only what is planned is probed."""
    plan = make_plan(roles=(Role(name="node"),))
    assert host_questions(plan, plan.hosts[0]) == ()
    assert host_questions(make_plan(roles=()), plan.hosts[0]) == ()
