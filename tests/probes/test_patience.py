"""Waiting for our own pace costs nobody anything: what a host is judged by begins when its packet is sent."""

from __future__ import annotations

import asyncio
import contextlib
from typing import Any

import pytest

from probes.fake import FakeNetwork, run
from probes.patience import Patience
from probes.seam import NotObserved, Stream
from shared.evidence import Failure, FailureKind
from shared.questions import Pace

WHERE = ("192.0.2.11", 443)


class Mute:
    """Accepts, and says nothing."""

    def opened(self) -> list[bytes | None]:
        return []

    def received(self, _data: bytes) -> list[bytes | None]:
        return []


class Paced(FakeNetwork):
    """Everybody's turn to connect comes after ``turn_seconds``."""

    turn_seconds = 20.0

    async def connect(self, address: str, port: int, *, timeout_seconds: float) -> Stream:
        await asyncio.sleep(self.turn_seconds)
        return await super().connect(address, port, timeout_seconds=timeout_seconds)


@pytest.mark.parametrize(("entry", "left"), [
    (Mute, 6.0),
    (Failure(kind=FailureKind.REFUSED, phase="connect", elapsed_seconds=0.0), 6.0),
    # Silence lasts as long as there is patience for it.
    (None, 0.0),
])
def test_the_wait_for_our_turn_is_given_back(entry: Any, left: float) -> None:
    """However the connection comes out; what the host itself took is not."""
    network = Paced(streams={WHERE: entry} if entry else {})

    async def main() -> tuple[float, float, float]:
        whole = Patience(network, 12.0)
        part = whole.part(2)
        with contextlib.suppress(NotObserved):
            await part.connect(*WHERE)
        return part.left_seconds, whole.left_seconds, network.monotonic()

    part, whole, elapsed = run(main())
    assert part == pytest.approx(left)
    assert whole == pytest.approx(left + 6.0)
    assert elapsed == pytest.approx(20.0 + 6.0 - left)


def test_the_wait_for_a_slot_is_given_back() -> None:
    """With one slot for two, the second has all of its time left when its turn comes."""
    network = FakeNetwork(pace=Pace(handshakes=1))

    async def hold(seconds: float) -> float:
        patience = Patience(network, 3.0)
        async with patience.handshake_slot():
            left = patience.left_seconds
            await asyncio.sleep(seconds)
        return left

    async def main() -> list[float]:
        return list(await asyncio.gather(hold(50.0), hold(0.0)))

    assert run(main()) == pytest.approx([3.0, 3.0])


def test_what_is_used_up_stays_used_up() -> None:
    """Never less than nothing is left."""
    network = FakeNetwork()

    async def main() -> list[float]:
        patience = Patience(network, 2.0)
        await asyncio.sleep(1.5)
        before = patience.left_seconds
        await asyncio.sleep(1.5)
        return [before, patience.left_seconds]

    assert run(main()) == pytest.approx([0.5, 0.0])
