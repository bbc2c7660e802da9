"""Fanning out: order, isolation, interruption."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from probes import fake
from shared.evidence import EchoEvidence, Evidence, Failure, FailureKind, HostEvidence, PortState
from shared.plan import Endpoint, Plan
from shared.questions import Itinerary, Pace
from verify import runner
from verify.itinerary import draw_up

REFUSED = Failure(kind=FailureKind.REFUSED, phase="connect", elapsed_seconds=0.001)


@pytest.fixture
def itinerary(make_plan: Callable[..., Plan]) -> Itinerary:
    plan = make_plan()
    return draw_up(plan, pace=Pace(timeout_seconds=6.0), sibling="sibling-1", chosen=plan.hosts)


def gather(itinerary: Itinerary, network: fake.FakeNetwork, **options: Any) -> Evidence:
    return fake.run(runner.gather(itinerary, network, **options))


def test_every_question_is_answered_in_plan_order_whatever_the_timing(itinerary: Itinerary) -> None:
    """Hosts and ports stand in the order of the plan although everything runs at once."""
    network = fake.FakeNetwork(streams={("192.0.2.11", 443): REFUSED, ("192.0.2.12", 22): REFUSED})
    evidence = gather(itinerary, network)
    assert [host.fqdn for host in evidence.hosts] == [questions.fqdn for questions in itinerary.hosts]
    for host, questions in zip(evidence.hosts, itinerary.hosts, strict=True):
        assert [port.port for port in host.ports] == [f"{question.port}/tcp" for question in questions.ports]
        assert len(host.ports) >= 3
        assert host.complete
    assert evidence.complete


@pytest.mark.parametrize(("slept", "kept"), [(3600.0, 3600.0), (0.00001, 0.0)])
def test_a_runner_that_was_suspended_meanwhile_says_for_how_long(itinerary: Itinerary, slept: float, kept: float) -> None:
    """What was before the run is no part of it, and two clocks are never read in one moment."""
    network = fake.FakeNetwork()
    network.suspended_seconds = 500.0

    def sleep(_host: HostEvidence) -> None:
        network.suspended_seconds = 500.0 + slept

    assert gather(itinerary, network, on_host=sleep).vantage.suspended_seconds == pytest.approx(kept)


@pytest.mark.parametrize("step", [-18000.0, 0.3])
def test_a_runner_whose_clock_is_set_meanwhile_says_by_how_much(itinerary: Itinerary, step: float) -> None:
    """Between two exchanges, where none of them notices it."""
    class Set(fake.FakeNetwork):
        step_ns = 0

        def wall_ns(self) -> int:
            return super().wall_ns() + self.step_ns

    network = Set()

    def correct(_host: HostEvidence) -> None:
        network.step_ns = round(step * 1e9)

    vantage = gather(itinerary, network, on_host=correct).vantage
    assert (vantage.clock_step_seconds, vantage.suspended_seconds) == (pytest.approx(step), 0.0)
    assert gather(itinerary, fake.FakeNetwork()).vantage.clock_step_seconds == 0.0


def test_a_world_of_silence_costs_one_time_out_and_is_all_evidence(itinerary: Itinerary) -> None:
    """A site where nothing answers at all takes about one time-out, not one a question."""
    began: list[float] = []
    ended: list[float] = []

    async def timed() -> Evidence:
        loop = asyncio.get_running_loop()
        began.append(loop.time())
        evidence = await runner.gather(itinerary, fake.FakeNetwork())
        ended.append(loop.time())
        return evidence

    evidence = fake.run(timed())
    assert ended[0] - began[0] < 1.5 * itinerary.pace.timeout_seconds
    assert {port.state for host in evidence.hosts for port in host.ports} == {PortState.SILENT}
    assert all(answer.failure for answer in evidence.site.names)
    assert not evidence.site.crashes


def test_a_bug_in_one_probe_is_a_crash_of_its_own(itinerary: Itinerary, monkeypatch: pytest.MonkeyPatch) -> None:
    """One host's crash is kept as ours, and costs neither its other evidence nor the other host anything."""
    real = runner.echo.echo

    async def buggy(network: Any, question: Any) -> EchoEvidence:
        if question.address == "192.0.2.11":
            raise ZeroDivisionError("a bug of ours")
        return await real(network, question)

    monkeypatch.setattr(runner.echo, "echo", buggy)
    first, second = gather(itinerary, fake.FakeNetwork()).hosts
    assert [crash.error for crash in first.crashes] == ["ZeroDivisionError('a bug of ours')"]
    assert "192.0.2.11" in first.crashes[0].asking
    assert first.ports
    assert first.names
    assert not second.crashes
    assert second.echoes


def test_an_interrupt_keeps_what_was_seen(itinerary: Itinerary) -> None:
    """Cancelled half way, the run returns what it has, and says that it is not complete."""
    refusing = {("192.0.2.11", port): REFUSED for port in (22, 23, 443)}

    async def interrupted() -> Evidence:
        task = asyncio.create_task(runner.gather(itinerary, fake.FakeNetwork(streams=refusing)))
        await asyncio.sleep(0.5)
        task.cancel()
        return await task

    evidence = fake.run(interrupted())
    assert not evidence.complete
    assert {port.state for port in evidence.hosts[0].ports} == {PortState.REFUSED}
    assert len(evidence.hosts[0].ports) == 3
    assert not any(host.complete for host in evidence.hosts)


class Busy(fake.FakeNetwork):
    """A network whose pace has a turn to spare every twenty seconds; a silent host takes less."""

    async def spare_turn(self) -> None:
        await self.sleep(20.0)


def test_no_host_is_begun_that_the_pace_has_no_room_for(itinerary: Itinerary, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut short, a paced run has the first hosts whole and nothing of the others; no host is spread over all of it."""
    announced: list[HostEvidence] = []
    monkeypatch.setattr(runner, "BEGUN_TOGETHER", 1)

    async def interrupted() -> Evidence:
        slow = msgspec.structs.replace(itinerary, pace=Pace(timeout_seconds=6.0, packets_per_second=100.0))
        task = asyncio.create_task(runner.gather(slow, Busy(), announced.append))
        await asyncio.sleep(39.0)
        task.cancel()
        return await task

    first, second = fake.run(interrupted()).hosts
    assert announced == [first]
    assert first.complete
    assert second == HostEvidence(fqdn=second.fqdn, complete=False)


def test_no_more_hosts_are_visited_at_once_than_told(itinerary: Itinerary) -> None:
    """One at a time, the second host is begun when the first is done; a silent one takes a time-out."""
    one = msgspec.structs.replace(itinerary, pace=Pace(timeout_seconds=6.0, hosts=1))
    first, second = gather(one, fake.FakeNetwork()).hosts
    assert min(port.at for port in second.ports) >= max(port.at for port in first.ports)
    assert min(port.at for port in second.ports)[:19] > min(port.at for port in first.ports)[:19]


def test_hosts_are_announced_as_they_are_done(itinerary: Itinerary) -> None:
    """Each host is announced once, with all its evidence."""
    announced: list[HostEvidence] = []
    evidence = gather(itinerary, fake.FakeNetwork(), on_host=announced.append)
    assert sorted(host.fqdn for host in announced) == sorted(host.fqdn for host in evidence.hosts)
    assert all(host in evidence.hosts for host in announced)


def test_no_connection_is_left_open(itinerary: Itinerary) -> None:
    """Every stream that was opened is closed, whatever was behind it."""

    class Mute:
        def opened(self) -> list[bytes | None]:
            return []

        def received(self, _data: bytes) -> list[bytes | None]:
            return [None]

    network = fake.FakeNetwork(streams={(f"192.0.2.{last}", port): Mute for last in (11, 12) for port in (22, 23, 443)})
    evidence = gather(itinerary, network)
    assert {port.state for host in evidence.hosts for port in host.ports} == {PortState.OPEN}
    assert network.open_streams == 0


def test_a_time_source_that_cannot_be_resolved_is_evidence(make_plan: Callable[..., Plan]) -> None:
    """A source planned by a name that no planned server knows is not asked anywhere else."""
    plan = make_plan(time_sources=(Endpoint("time2.obs.example.net", 123, "time2.obs.example.net"),))
    questions = draw_up(plan, pace=Pace(), sibling="sibling-1", chosen=plan.hosts, checks=("clock.source",))
    network = fake.FakeNetwork()
    [source] = gather(questions, network).site.clocks
    assert source.failure is not None
    assert source.failure.kind is FailureKind.NOT_RESOLVED
    assert not [sent for sent in network.sent if sent[0] == "ntp" and sent[1] not in ("192.0.2.11", "192.0.2.12")]


@pytest.mark.parametrize(("checks", "asked"), [
    (("name.forward",), {"dns"}),
    (("clock.offset",), {"ntp"}),
    (("port.open",), {"tcp", "icmp"}),
    (("plan.mask",), set()),
])
def test_only_what_the_chosen_checks_need_is_sent(
    make_plan: Callable[..., Plan], checks: tuple[str, ...], asked: set[str]
) -> None:
    """Choosing checks chooses packets."""
    plan = make_plan()
    network = fake.FakeNetwork()
    gather(draw_up(plan, pace=Pace(), sibling="sibling-1", chosen=plan.hosts, checks=checks), network)
    services = {service if not (service == "tcp" and port == 53) else "dns" for service, _address, port, _data in network.sent}
    assert services == asked


def test_an_itinerary_and_its_evidence_travel(itinerary: Itinerary) -> None:
    """Questions and answers survive being sent to another process and back."""
    there = msgspec.msgpack.decode(msgspec.msgpack.encode(itinerary), type=Itinerary)
    assert there == itinerary
    evidence = gather(there, fake.FakeNetwork())
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(evidence), type=Evidence) == evidence
