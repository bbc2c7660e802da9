"""The runner's clock between two steps: a suspension is time that passed, and no step."""

from __future__ import annotations

from probes.fake import EPOCH_NS, FakeNetwork, run
from probes.stamps import RunnersClock


def test_a_suspension_is_no_step_of_the_wall_clock() -> None:
    """Both clocks went on, and what is stamped afterwards is stamped an hour later."""
    async def read() -> tuple[int, float]:
        network = FakeNetwork()
        clock = RunnersClock(network)
        await network.sleep(10.0)
        network.suspended_seconds = 3600.0
        return clock.read_ns(), clock.step_seconds()

    assert run(read()) == (EPOCH_NS + 3610 * 10**9, 0.0)


def test_a_step_is_one_and_what_is_stamped_before_it_is_noticed_is_undisturbed() -> None:
    """As before a suspension was thought of."""
    class Stepped(FakeNetwork):
        stepped_ns = 0

        def wall_ns(self) -> int:
            return super().wall_ns() + self.stepped_ns

    async def read() -> tuple[int, float, float]:
        network = Stepped()
        clock = RunnersClock(network)
        network.stepped_ns = 7200 * 10**9
        return clock.read_ns() - EPOCH_NS, clock.step_seconds(), clock.step_seconds()

    assert run(read()) == (0, 7200.0, 0.0)
