"""Which of many connections can go on, told by one epoll of our own, of which the event loop sees a single descriptor.

Left to the loop, every wait begins and ends with a system call and some layers of Python around it, a tenth of all that
probing takes.  Here a connection is registered once, for its whole life and for every change (EPOLLET in epoll(7)).
"""

from __future__ import annotations

import asyncio
import functools
import select
import socket

from probes.timeouts import Timeouts

_EVERY_CHANGE = select.EPOLLIN | select.EPOLLOUT | select.EPOLLRDHUP | select.EPOLLET
#: Changes taken from the kernel in one turn of the loop.  Ours.
_AT_ONCE = 1024


class Bell:
    """Rings when something has changed on one connection.  Whoever listens hears it: one may read while another writes."""

    def __init__(self, loop: asyncio.AbstractEventLoop, timeouts: Timeouts) -> None:
        self._loop = loop
        self._timeouts = timeouts
        self._listeners: set[asyncio.Future[bool]] = set()
        self._rang = False

    def ring(self) -> None:
        """Something has changed."""
        self._rang = not self._listeners
        for listener in self._listeners:
            _settle(listener, True)

    async def heard(self, timeout_seconds: float) -> bool:
        """Wait until something has changed since the last time this was awaited; whether that was in time."""
        if self._rang:
            self._rang = False
            return True
        listener: asyncio.Future[bool] = self._loop.create_future()
        self._listeners.add(listener)
        tick = self._timeouts.start(listener, timeout_seconds, functools.partial(_settle, listener, False))
        try:
            return await listener
        finally:
            self._timeouts.stop(listener, tick)
            self._listeners.discard(listener)


def _settle(listener: asyncio.Future[bool], in_time: bool) -> None:
    if not listener.done():
        listener.set_result(in_time)


class Switchboard:
    """The bells of all connections of one event loop."""

    def __init__(self, loop: asyncio.AbstractEventLoop, timeouts: Timeouts) -> None:
        self._loop = loop
        self._timeouts = timeouts
        self._epoll = select.epoll()
        self._bells: dict[int, Bell] = {}
        loop.add_reader(self._epoll.fileno(), self._ring)

    def close(self) -> None:
        """Stop; nobody may be waiting."""
        self._loop.remove_reader(self._epoll.fileno())
        self._epoll.close()

    def bell(self) -> Bell:
        """A bell for one connection."""
        return Bell(self._loop, self._timeouts)

    def connect(self, sock: socket.socket, bell: Bell) -> None:
        """Ring the bell for every change of a socket, until ``forget``.  Raises OSError."""
        self._epoll.register(sock.fileno(), _EVERY_CHANGE)
        self._bells[sock.fileno()] = bell

    def forget(self, sock: socket.socket) -> None:
        """To be called right before the socket is closed; closing takes it off the epoll."""
        self._bells.pop(sock.fileno(), None)

    def _ring(self) -> None:
        # Nothing but rings here: were a connection closed meanwhile, its descriptor could be another's when its turn comes.
        for descriptor, _events in self._epoll.poll(0, _AT_ONCE):
            bell = self._bells.get(descriptor)
            if bell is not None:
                bell.ring()
