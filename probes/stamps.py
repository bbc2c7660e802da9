"""Holds readings of another clock against the runner's, and notices when the runner's own clock is being set."""

from __future__ import annotations

from probes.seam import Network, rfc3339
from shared.evidence import WitnessSample

#: The wall clock may run this far from the unbroken one while something is measured; beyond, it was stepped.  Where only the
#: wall clock is slewed, at RFC 5905's greatest rate of 500 parts per million, it moves one millisecond in the longest exchange.
STEP_SECONDS = 1e-3
#: How often the two clocks are looked at side by side, so that one look is not interrupted (common practice, no source).
_LOOKS = 3


class RunnersClock:
    """The runner's wall clock, carried on by one that never steps, nor stands still, from when it was last found stepped."""

    def __init__(self, network: Network) -> None:
        self._network = network
        self._anchor_ns = self._lead_ns()

    def _lead_ns(self) -> int:
        """How far the wall clock is ahead of the unbroken one: the quickest of a few looks, lest a pause look like a step."""
        looks = []
        for _ in range(_LOOKS):
            before, wall_ns, after = self._network.unbroken(), self._network.wall_ns(), self._network.unbroken()
            looks.append((after - before, wall_ns - round((before + after) / 2 * 1e9)))
        return min(looks)[1]

    def read_ns(self) -> int:
        """Unix nanoseconds, undisturbed by steps since the anchor was set."""
        return self._anchor_ns + round(self._network.unbroken() * 1e9)

    def step_seconds(self) -> float:
        """How far the wall clock was set since the last call; 0 where it was not.  Readings from before are then void."""
        lead_ns = self._lead_ns()
        step = (lead_ns - self._anchor_ns) / 1e9
        if abs(step) <= STEP_SECONDS:
            return 0.0
        self._anchor_ns = lead_ns
        return step


def sample(*, sent_ns: int, received_ns: int, reading_ns: int, resolution_ns: int) -> WitnessSample:
    """A reading that was taken at some moment between two stamps of the runner's clock, all in Unix nanoseconds.

    The host's lead is largest if the end of the reading was reached at the first stamp already, and smallest if its
    beginning was only reached at the second.
    """
    return WitnessSample(
        at=rfc3339(sent_ns), elapsed_seconds=(received_ns - sent_ns) / 1e9, reading_seconds=reading_ns / 1e9,
        resolution_seconds=resolution_ns / 1e9, lo_seconds=(reading_ns - received_ns) / 1e9,
        hi_seconds=(reading_ns + resolution_ns - sent_ns) / 1e9)
