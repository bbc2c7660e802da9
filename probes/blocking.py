"""A ``Stream`` of the network seam as the blocking socket that a library in another thread wants.

The octets still travel on the event loop.  What is received and not yet asked for waits here, and a receive that outlasts the
caller's patience goes on: the next one picks up its result, so that no octet is lost between two time-outs.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
from collections.abc import Coroutine
from typing import TypeVar

from probes.seam import NotObserved, Stream

#: Octets asked of the stream at a time: a whole SSH packet (RFC 4253 section 6.1) fits.
_RECEIVE_OCTETS = 65536

T = TypeVar("T")


class BlockingStream:
    """What paramiko uses of a socket.  ``seconds`` bounds every single wait for the far end."""

    def __init__(self, stream: Stream, loop: asyncio.AbstractEventLoop, seconds: float) -> None:
        self._stream, self._loop, self._seconds = stream, loop, seconds
        self._patience: float | None = None
        self._arrived = b""
        self._pending: concurrent.futures.Future[bytes] | None = None
        # Read by paramiko, under this name, to see whether the socket is gone.
        self._closed = False
        self._busy: set[asyncio.Task[object]] = set()

    def settimeout(self, seconds: float | None) -> None:
        """How long ``recv`` waits before it raises TimeoutError; None is as long as it takes."""
        self._patience = seconds

    def recv(self, limit: int) -> bytes:
        """At least one and at most ``limit`` octets; none once the far end or we ourselves have closed.  Raises TimeoutError."""
        if not self._arrived:
            self._arrived = self._receive()
        piece, self._arrived = self._arrived[:limit], self._arrived[limit:]
        return piece

    def _receive(self) -> bytes:
        if self._closed:
            return b""
        if self._pending is None:
            self._pending = self._on_the_loop(self._stream.receive(_RECEIVE_OCTETS, timeout_seconds=self._seconds))
        try:
            arrived = self._pending.result(self._patience)
        except (NotObserved, concurrent.futures.CancelledError):
            self._closed = True
            return b""
        self._pending = None
        return arrived

    def send(self, data: bytes) -> int:
        """Send all of ``data``.  Raises OSError where the connection is gone."""
        if self._closed:
            raise BrokenPipeError("closed")
        try:
            self._on_the_loop(self._stream.send(bytes(data), timeout_seconds=self._seconds)).result()
        except (NotObserved, concurrent.futures.CancelledError) as error:
            self._closed = True
            raise BrokenPipeError("the connection is gone") from error
        return len(data)

    def _on_the_loop(self, awaitable: Coroutine[object, object, T]) -> concurrent.futures.Future[T]:
        async def noted() -> T:
            task = asyncio.current_task()
            assert task is not None
            self._busy.add(task)
            try:
                return await awaitable
            finally:
                self._busy.discard(task)

        return asyncio.run_coroutine_threadsafe(noted(), self._loop)

    async def settle(self) -> None:
        """Wait, on the event loop, until nothing that ``close`` gave up touches the stream any more."""
        while self._busy:
            await asyncio.wait(self._busy)

    def close(self) -> None:
        """Give up what is waited for.  May be called from any thread, and twice; the stream itself is for its owner to close."""
        self._closed = True
        if self._pending is not None:
            self._pending.cancel()
