"""Which echoes and knocks a plan turns into, and which it does not."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest

from shared.plan import Host, Network, Plan, Port, Role
from shared.questions import EchoQuestion, OwnersQuestion, PortQuestion
from verify.asking import links
from verify.asking.hosts import ECHOES, echo_questions, gateway_questions, port_questions


def _network(name: str, gateway: str | None) -> Network:
    return Network(name=name, subnet_typed="192.0.2.0/24", subnet="192.0.2.0/24", gateway=gateway)


def test_each_gateway_is_asked_once(make_plan: Callable[..., Plan]) -> None:
    """Two networks behind one gateway give one burst; a network without a gateway gives none."""
    plan = make_plan(networks=(_network("a", "192.0.2.1"), _network("b", "192.0.2.1"), _network("c", None),
                               _network("d", "2001:db8::1")))
    assert gateway_questions(plan) == (EchoQuestion("192.0.2.1", ECHOES), EchoQuestion("2001:db8::1", ECHOES))


def test_both_gateways_of_a_wire_are_asked(make_plan: Callable[..., Plan]) -> None:
    """And who owns either of them."""
    plan = make_plan(networks=(msgspec.structs.replace(_network("a", "192.0.2.1"), second_gateway="2001:db8::1"),))
    assert gateway_questions(plan) == (EchoQuestion("192.0.2.1", ECHOES), EchoQuestion("2001:db8::1", ECHOES))
    assert links.gateway_questions(plan) == (OwnersQuestion("192.0.2.1"), OwnersQuestion("2001:db8::1"))


@pytest.mark.parametrize("gateway", ["fe80::1", "169.254.0.1"])
def test_a_link_local_gateway_is_not_asked(make_plan: Callable[..., Plan], gateway: str) -> None:
    """Nor who owns it: on the runner's own wire another machine may hold that address (RFC 4007 section 6)."""
    plan = make_plan(networks=(_network("a", gateway), _network("b", "192.0.2.1")))
    assert gateway_questions(plan) == (EchoQuestion("192.0.2.1", ECHOES),)
    assert links.gateway_questions(plan) == (OwnersQuestion("192.0.2.1"),)


def test_burst_is_short() -> None:
    """One short burst a run and never a loop (RFC 1122 section 3.3.1.4)."""
    assert 3 <= ECHOES <= 5


@pytest.mark.parametrize("typed", ["gw.obs.example.net", "192.0.2", "192.0.2.256", ""])
def test_what_is_no_address_is_not_asked(make_plan: Callable[..., Plan], typed: str) -> None:
    """A socket would look a name up with the runner's own resolver: only addresses become questions."""
    plan = make_plan(networks=(_network("a", typed),))
    host = msgspec.structs.replace(plan.hosts[0], addresses=(typed, "192.0.2.11"))
    assert gateway_questions(plan) == ()
    assert echo_questions(host) == (EchoQuestion("192.0.2.11", ECHOES),)
    assert {question.address for question in port_questions(plan, host)} == {"192.0.2.11"}


def test_each_planned_port_is_tried_once_an_address(make_plan: Callable[..., Plan]) -> None:
    """Open, closed, TLS, SSH and HTTP ports, each once; the role says what speaks there."""
    role = Role(name="node", open=(Port(22), Port(443)), closed=(Port(23),), tls=(Port(443), Port(8443)), ssh=(Port(22),),
                http=(Port(80), Port(443)))
    plan = make_plan(roles=(role,))
    host = msgspec.structs.replace(plan.hosts[0], addresses=("192.0.2.11", "2001:db8::11"))
    asked = port_questions(plan, host)
    for address in host.addresses:
        assert {(q.port, q.speaks) for q in asked if q.address == address} == {
            (443, "tls"), (8443, "tls"), (22, "ssh"), (80, ""), (23, "")}
    assert len(asked) == 10
    assert {question.server_name for question in asked} == {"dome-a.obs.example.net"}


def test_udp_ports_are_not_knocked_on(make_plan: Callable[..., Plan]) -> None:
    """Silence over UDP proves nothing, so nothing is sent."""
    plan = make_plan(roles=(Role(name="node", open=(Port(123, "udp"), Port(22)), closed=(Port(69, "udp"),)),))
    assert port_questions(plan, plan.hosts[0]) == (PortQuestion("192.0.2.11", 22, "", "dome-a.obs.example.net"),)


def test_host_of_an_unknown_role_is_not_knocked_on(make_plan: Callable[..., Plan]) -> None:
    """Lint reports the role; nothing is guessed."""
    plan = make_plan(roles=())
    host: Host = plan.hosts[0]
    assert port_questions(plan, host) == ()
    assert len(echo_questions(host)) == 1
