"""Time-outs that share timers, in virtual time: each in time, none lost, none after it was stopped."""

from __future__ import annotations

import asyncio
import functools
import random
from typing import Any

import pytest

from probes.fake import run
from probes.timeouts import TICK_SECONDS, Timeouts

Future = asyncio.Future[Any]


def test_every_wait_ends_in_time_and_never_sooner() -> None:
    """A thousand waits of up to ten seconds, begun at odd moments."""

    async def scenario() -> list[tuple[float, float]]:
        loop, draw, ended = asyncio.get_running_loop(), random.Random(7), list[tuple[float, float]]()
        timeouts = Timeouts(loop)

        def note(due: float) -> None:
            ended.append((due, loop.time()))

        for _ in range(1000):
            await asyncio.sleep(draw.random() / 1000)
            seconds = draw.random() * 10
            timeouts.start(loop.create_future(), seconds, functools.partial(note, loop.time() + seconds))
        await asyncio.sleep(11)
        return ended

    ended = run(scenario())
    assert len(ended) == 1000
    assert all(0.0 <= at - due <= TICK_SECONDS + 1e-9 for due, at in ended)


@pytest.mark.parametrize("seconds", [0.0, -1.0])
def test_a_wait_whose_time_is_up_already_ends_at_the_next_tick(seconds: float) -> None:
    async def scenario() -> float:
        loop = asyncio.get_running_loop()
        began, done = loop.time(), loop.create_future()
        Timeouts(loop).start(done, seconds, lambda: done.set_result(loop.time()))
        return await done - began

    assert 0.0 <= run(scenario()) <= TICK_SECONDS


def test_a_wait_that_was_stopped_does_not_end_and_its_neighbours_do() -> None:
    """All of one tick: one stopped before, the others left."""

    async def scenario() -> list[str]:
        loop, ended = asyncio.get_running_loop(), list[str]()
        timeouts, waits = Timeouts(loop), [loop.create_future() for _ in range(3)]
        ticks = [timeouts.start(wait, 1.0, functools.partial(ended.append, name))
                 for wait, name in zip(waits, ("stopped", "left", "other"), strict=True)]
        assert len(set(ticks)) == 1
        timeouts.stop(waits[0], ticks[0])
        await asyncio.sleep(2)
        # Once more, when all is over: whoever waited stops in any case.
        for wait, tick in zip(waits, ticks, strict=True):
            timeouts.stop(wait, tick)
        return ended

    assert run(scenario()) == ["left", "other"]


def test_nothing_is_kept_of_waits_that_are_over() -> None:
    """A run has hundreds of thousands of them."""

    async def scenario() -> int:
        loop = asyncio.get_running_loop()
        timeouts = Timeouts(loop)
        for _ in range(100):
            wait = loop.create_future()
            timeouts.stop(wait, timeouts.start(wait, 1.0, lambda: None))
            await asyncio.sleep(0.1)
        await asyncio.sleep(2)
        return len(timeouts._groups)

    assert run(scenario()) == 0
