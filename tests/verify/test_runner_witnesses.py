"""From a plan to the evidence of witnesses: hosts that serve no time, in a run."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from labkit.modelled import DelayedNetwork, WebServer
from probes import fake
from shared.plan import Plan, Port, Role
from shared.questions import Pace
from verify import runner
from verify.grading.clock.witnesses import by_witness
from verify.itinerary import draw_up


def web_plan(make_plan: Callable[..., Plan]) -> Plan:
    return make_plan(roles=(Role(name="node", http=(Port(80),), open=(Port(80),)),))


def test_a_run_brings_home_what_the_witnesses_of_every_host_say(make_plan: Callable[..., Plan]) -> None:
    """Both hosts of the plan are behind one modelled server, 41.7 s ahead; ICMP stays silent."""
    plan = web_plan(make_plan)
    itinerary = draw_up(plan, pace=Pace(), sibling="sibling-1", chosen=plan.hosts, checks=("clock.offset",))
    network = DelayedNetwork({80: WebServer(41.7)})
    evidence = fake.run(runner.gather(itinerary, network))
    assert len(evidence.hosts) == 2
    for host in evidence.hosts:
        stamps, dates = host.witnesses
        assert (stamps.method, stamps.samples) == ("icmp-timestamp", ())
        interval = by_witness(dates).interval
        assert interval is not None
        assert 41.7 in interval
        assert not host.crashes
    assert network.open_streams == 0


@pytest.mark.parametrize(("checks", "asked"), [
    (("clock.offset",), True), (("clock.skew",), True), (("port.open",), False), (("name.forward",), False)])
def test_witnesses_are_asked_only_where_a_clock_is_to_be_judged(
    make_plan: Callable[..., Plan], checks: tuple[str, ...], asked: bool
) -> None:
    """Choosing checks chooses packets."""
    plan = web_plan(make_plan)
    itinerary = draw_up(plan, pace=Pace(), sibling="sibling-1", chosen=plan.hosts, checks=checks)
    assert all(bool(questions.witnesses) is asked for questions in itinerary.hosts)
    assert len(itinerary.hosts) == 2
