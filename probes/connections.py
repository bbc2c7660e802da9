"""TCP connections on the running event loop: opening one, and talking over it as a ``Stream``.

Everything is tried before it is waited for, and once more when time is up: on a busy machine what came in time may still be
waiting for us.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import functools
import select
import socket
import sys
from collections.abc import Callable
from typing import TypeVar

from probes.failures import from_oserror
from probes.readiness import Switchboard
from probes.seam import NotObserved
from probes.socketerrors import collect_errors, family_of, own_kernel_gave_up, queued_failure, said_at_once
from shared.evidence import Failure, FailureKind

_TOTAL_RETRANS = 100  # offset of tcpi_total_retrans in struct tcp_info (linux/tcp.h)

#: So many times in a row one connection is read or written without the others having their turn.  Ours.
_TURNS_AT_ONCE = 16

T = TypeVar("T")


async def open_connection(
    loop: asyncio.AbstractEventLoop, switchboard: Switchboard, address: str, port: int, timeout_seconds: float
) -> SocketStream:
    """Connect (see ``probes.seam.Network.connect``).  Raises NotObserved."""
    began = loop.time()
    try:
        sock = socket.socket(family_of(address), socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
    except OSError as error:
        raise NotObserved(from_oserror(error, "open", 0.0)) from error
    stream = SocketStream(sock, loop, switchboard)
    try:
        await stream.connect(address, port, timeout_seconds)
    except BaseException:
        stream.close()
        raise
    stream.connect_seconds = loop.time() - began
    return stream


class SocketStream:
    """A TCP socket as a ``Stream`` (see ``probes.seam``), once connected."""

    def __init__(self, sock: socket.socket, loop: asyncio.AbstractEventLoop, switchboard: Switchboard) -> None:
        self._sock = sock
        self._loop = loop
        self._switchboard = switchboard
        self._bell = switchboard.bell()
        self._at_once = 0
        self.connect_seconds = 0.0
        self.syn_repeats = 0

    async def connect(self, address: str, port: int, timeout_seconds: float) -> None:
        """Connect, once, before anything else.  Raises NotObserved."""
        sock, began = self._sock, self._loop.time()
        collect_errors(sock)
        number = sock.connect_ex((address, port))
        if number not in (0, errno.EINPROGRESS):
            raise NotObserved(said_at_once(number, "connect"))
        # Not before the socket is on its way: one that is not counts as hung up.
        self._listen()
        if number != 0:
            number = await self._outcome(began, timeout_seconds)
        if number == 0 and _met_itself(sock):
            number = errno.ECONNREFUSED
        if number != 0:
            raise NotObserved(_refusal(sock, number, address, began, self._loop))
        self.syn_repeats = _repeats(sock)

    def _listen(self) -> None:
        try:
            self._switchboard.connect(self._sock, self._bell)
        except OSError as error:
            raise NotObserved(from_oserror(error, "open", 0.0)) from error

    async def _outcome(self, began: float, timeout_seconds: float) -> int:
        """How the connection comes out, 0 or an error number.  Raises NotObserved where it does not in time."""
        in_time = True
        while in_time:
            in_time = await self._bell.heard(began + timeout_seconds - self._loop.time())
            outcome = outcome_of(self._sock)
            if outcome is not None:
                return outcome
        raise NotObserved(Failure(kind=FailureKind.NO_ANSWER, phase="connect", elapsed_seconds=self._loop.time() - began,
                                  detail="no answer in time"))

    async def send(self, data: bytes, *, timeout_seconds: float) -> None:
        """Send all of ``data``.  Raises NotObserved."""
        began, rest = self._loop.time(), memoryview(data)
        while rest:
            sent = await self._tried(functools.partial(self._sock.send, rest), "send", began, timeout_seconds)
            rest = rest[sent:]

    async def receive(self, limit: int, *, timeout_seconds: float) -> bytes:
        """At least one and at most ``limit`` octets; empty when the peer closed.  Raises NotObserved."""
        return await self._tried(functools.partial(self._sock.recv, limit), "receive", self._loop.time(), timeout_seconds)

    async def _tried(self, attempt: Callable[[], T], phase: str, began: float, timeout_seconds: float) -> T:
        """What ``attempt`` returns, as soon as it would not block.  Raises NotObserved."""
        in_time = True
        while True:
            try:
                done = attempt()
                self._at_once += 1
                # A peer that always has more to say must not keep everybody else waiting.
                if self._at_once % _TURNS_AT_ONCE == 0:
                    await asyncio.sleep(0)
                return done
            except (BlockingIOError, InterruptedError):
                left = began + timeout_seconds - self._loop.time()
            except OSError as error:
                raise NotObserved(from_oserror(error, phase, self._loop.time() - began)) from error
            if not in_time:
                raise NotObserved(Failure(kind=FailureKind.NO_ANSWER, phase=phase, elapsed_seconds=self._loop.time() - began,
                                          detail="nothing came in time"))
            in_time = await self._bell.heard(left)

    def close(self) -> None:
        """Close at once.  May be called twice."""
        self._switchboard.forget(self._sock)
        self._sock.close()


def _refusal(sock: socket.socket, number: int, address: str, began: float, loop: asyncio.AbstractEventLoop) -> Failure:
    """Why a connection failed with this error number, from whoever said so."""
    elapsed = loop.time() - began
    with contextlib.suppress(OSError):
        # Since Linux 5.9 a connecting TCP socket queues the ICMP error with its sender.
        _data, ancillary, _flags, _peer = sock.recvmsg(512, 512, socket.MSG_ERRQUEUE)
        queued = queued_failure(ancillary, 6 if sock.family == socket.AF_INET6 else 4, "connect", began, loop)
        if queued is not None:
            return own_kernel_gave_up(queued, address)
    return from_oserror(OSError(number, ""), "connect", elapsed)


def outcome_of(sock: socket.socket) -> int | None:
    """How a connection came out, 0 or an error number; None while it is under way."""
    state = select.poll()
    state.register(sock, select.POLLOUT)
    return sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR) if state.poll(0) else None


def _repeats(sock: socket.socket) -> int:
    """How many segments the kernel has sent again on this connection: right after the handshake, SYNs only."""
    facts = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, _TOTAL_RETRANS + 4)
    return int.from_bytes(facts[_TOTAL_RETRANS:], sys.byteorder)


def _met_itself(sock: socket.socket) -> bool:
    """Whether a connection to this machine met its own source port, where nobody listens (RFC 9293 section 3.5, figure 7).

    The kernel may choose as source the very port that is tried; the two SYNs cross and TCP calls that established.
    """
    try:
        return bool(sock.getsockname() == sock.getpeername())
    except OSError:
        # Reset since: whoever uses the stream will be told.
        return False
