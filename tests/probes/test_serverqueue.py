"""Places at a server, in virtual time: how long each is held, and by whom not."""

from __future__ import annotations

import asyncio

import pytest

from probes.fake import run
from probes.seam import Datagram, NotObserved, failed
from probes.serverqueue import ServerQueue
from shared.evidence import FailureKind

ANSWER = Datagram(data=b"", sent_ns=0, received_ns=0, stamped_by="kernel", elapsed_seconds=0.0, clock_step_seconds=0.0)


async def _at_once() -> None:
    pass


async def _many(queue: ServerQueue, count: int, seconds: float, *, answered: bool) -> list[float]:
    """Put ``count`` questions at once, each answered or given up after ``seconds``; when each was sent."""
    loop, sent = asyncio.get_running_loop(), list[float]()

    async def send() -> Datagram:
        sent.append(loop.time())
        await asyncio.sleep(seconds)
        if not answered:
            raise failed(FailureKind.NO_ANSWER, "answer", seconds)
        return ANSWER

    await asyncio.gather(*(queue.ask(_at_once, send) for _ in range(count)), return_exceptions=True)
    return sent


def test_a_server_that_answers_has_so_many_in_hand_and_no_more() -> None:
    """Ten places, thirty questions of a second each: three waves.  The first answer proves that the server is there."""

    async def scenario() -> list[float]:
        queue = ServerQueue(10, 6.0)
        await _many(queue, 1, 0.0, answered=True)
        return await _many(queue, 30, 1.0, answered=True)

    sent = run(scenario())
    assert sent == sorted(sent)
    assert [sent.count(second) for second in (0.0, 1.0, 2.0)] == [10, 10, 10]


def test_a_server_that_never_answers_is_not_waited_for_a_time_out_at_a_time() -> None:
    """The next wave follows after a fifth of a second, though every question waits for six."""

    async def scenario() -> list[float]:
        return await _many(ServerQueue(10, 6.0), 30, 6.0, answered=False)

    assert run(scenario()) == pytest.approx([0.0] * 10 + [0.2] * 10 + [0.4] * 10)


def test_a_server_that_dies_is_waited_for_once_and_no_more() -> None:
    """Ten places, each held for the time-out of six seconds while it may yet be there, then for a fifth of a second."""

    async def scenario() -> list[float]:
        queue = ServerQueue(10, 6.0)
        await _many(queue, 1, 0.0, answered=True)
        return await _many(queue, 40, 6.0, answered=False)

    assert run(scenario()) == pytest.approx([0.0] * 10 + [6.0] * 10 + [6.2] * 10 + [6.4] * 10)


def test_a_server_that_comes_back_has_its_places_again() -> None:
    """One answer is enough; and one question lost among others that are answered costs nothing."""

    async def scenario() -> list[float]:
        queue = ServerQueue(10, 6.0)
        await _many(queue, 1, 0.0, answered=True)
        await _many(queue, 1, 6.0, answered=False)
        await _many(queue, 1, 0.0, answered=True)
        began = asyncio.get_running_loop().time()
        await _many(queue, 1, 2.0, answered=False)
        return [at - began for at in await _many(queue, 20, 1.0, answered=True)]

    assert run(scenario()) == pytest.approx([2.0] * 10 + [3.0] * 10)


def test_a_question_that_fails_gives_its_place_back() -> None:
    """And what it met comes through."""

    async def scenario() -> None:
        queue = ServerQueue(1, 6.0)
        for _ in range(3):
            with pytest.raises(NotObserved):
                async with asyncio.timeout(60):
                    await queue.ask(_at_once, _refused)

    async def _refused() -> Datagram:
        raise failed(FailureKind.REFUSED, "answer", 0.0)

    run(scenario())
