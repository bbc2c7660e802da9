"""Bells of connections: none is lost, none rings for another, and many at once all ring."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Iterator

import pytest

from probes.readiness import Bell, Switchboard
from probes.timeouts import Timeouts


@pytest.fixture
async def board() -> AsyncIterator[Switchboard]:
    loop = asyncio.get_running_loop()
    switchboard = Switchboard(loop, Timeouts(loop))
    yield switchboard
    switchboard.close()


@contextlib.contextmanager
def pair(board: Switchboard) -> Iterator[tuple[Bell, socket.socket, socket.socket]]:
    """A watched socket with its bell, and the other end."""
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    bell = board.bell()
    board.connect(ours, bell)
    with theirs, ours:
        yield bell, ours, theirs
        board.forget(ours)


async def quiet(bell: Bell) -> None:
    """Take off what has rung so far: that the socket could be written to, from the beginning."""
    while await bell.heard(0.01):
        pass


async def test_a_change_while_nobody_listened_is_told_once(board: Switchboard) -> None:
    """It may come between trying and waiting; after it was told there is silence until the next."""
    with pair(board) as (bell, _ours, theirs):
        await quiet(bell)
        theirs.send(b"x")
        await asyncio.sleep(0.02)
        assert await bell.heard(5.0)
        assert not await bell.heard(0.01)
        theirs.send(b"y")
        assert await bell.heard(5.0)


async def test_two_listen_to_one_bell(board: Switchboard) -> None:
    """Who reads and who writes both hear a change, and each gives up at its own time."""
    with pair(board) as (bell, _ours, theirs):
        await quiet(bell)
        reader, writer = asyncio.create_task(bell.heard(5.0)), asyncio.create_task(bell.heard(0.02))
        assert not await writer
        assert not reader.done()
        writer = asyncio.create_task(bell.heard(5.0))
        await asyncio.sleep(0)
        theirs.send(b"x")
        assert await asyncio.wait_for(asyncio.gather(reader, writer), 2.0) == [True, True]


async def test_leaving_rings_too(board: Switchboard) -> None:
    """The other end closes: whoever waits is to try again and see it."""
    with pair(board) as (bell, _ours, theirs):
        await quiet(bell)
        asyncio.get_running_loop().call_later(0.02, theirs.close)
        assert await bell.heard(5.0)


async def test_a_descriptor_given_to_another_rings_only_the_new_bell(board: Switchboard) -> None:
    """The system gives the lowest free number: the next socket has that of the one just closed."""
    with pair(board) as (old, ours, _theirs):
        number = ours.fileno()
        await quiet(old)
    with pair(board) as (new, ours, theirs):
        assert ours.fileno() == number
        await quiet(new)
        theirs.send(b"x")
        assert await new.heard(5.0)
        assert not await old.heard(0.01)


async def test_more_changes_than_one_call_tells_of(board: Switchboard, monkeypatch: pytest.MonkeyPatch) -> None:
    """epoll_wait hands out so many at a time; the rest follow."""
    monkeypatch.setattr("probes.readiness._AT_ONCE", 10)
    with contextlib.ExitStack() as held:
        pairs = [held.enter_context(pair(board)) for _ in range(95)]
        await asyncio.gather(*(quiet(bell) for bell, _, _ in pairs))
        for _, _, theirs in pairs:
            theirs.send(b"x")
        assert all(await asyncio.gather(*(bell.heard(5.0) for bell, _, _ in pairs)))


async def test_waiting_that_is_called_off_leaves_the_bell_fit_for_use(board: Switchboard) -> None:
    """As an interrupt does to a task in the middle of a wait."""
    with pair(board) as (bell, _ours, theirs):
        await quiet(bell)
        waiting = asyncio.create_task(bell.heard(5.0))
        await asyncio.sleep(0)
        waiting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await waiting
        theirs.send(b"x")
        assert await bell.heard(5.0)
