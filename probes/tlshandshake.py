"""Holds a TLS handshake over any ``Stream``: one patience, bounded octets, and a slot held only once the server answers.

What answers may be anything: alerts, resets, silence, plain text and endless data are told apart.  Nothing is verified.
"""

from __future__ import annotations

import contextlib
import ipaddress
from typing import TYPE_CHECKING

from probes.patience import Patience
from probes.seam import Network, NotObserved, Stream, failed
from probes.tlshello import looks_like_tls
from shared.evidence import FailureKind, bounded
from shared.hostnames import NAME_LIMIT

if TYPE_CHECKING:
    from probes.tlssession import Handshake

#: The most octets read in one handshake.  Ours: OpenSSL takes no chain above 100 KiB, so twice that is endless.
HANDSHAKE_OCTETS_LIMIT = 256 << 10
#: RFC 8446 section 5.1: type, version and length, enough to tell TLS from anything else.
_RECORD_HEADER = 5
_READ = 16 << 10


def server_name_of(name: str) -> str | None:
    """The name to ask for: a DNS name in ASCII without the final dot, never an address (RFC 6066 section 3)."""
    bare = name.removesuffix(".")
    if not bare or not bare.isascii() or len(bare) > NAME_LIMIT:
        return None
    try:
        ipaddress.ip_address(bare)
    except ValueError:
        return bare
    return None


class Visit:
    """One handshake over one stream, or its beginning, within one patience.

    ``greeting`` is what answered where that was no TLS.
    """

    def __init__(self, network: Network, stream: Stream, patience: Patience, *, phase: str = "handshake") -> None:
        self._patience, self._looked_once_more = patience, False
        self.greeting = ""
        self._phase = phase
        self._network = network
        self._stream = stream
        self._octets_left = HANDSHAKE_OCTETS_LIMIT
        self._began = network.monotonic()

    async def shake_hands(self, session: Handshake) -> None:
        """Drive the handshake to its end.  Raises NotObserved."""
        await self._advance(session, b"")
        answer = await self._first_answer()
        # A slot is taken only once the server has answered, so that silent ports hold none that a live one waits for.
        async with self._patience.handshake_slot():
            await self._advance(session, answer)
            while not session.finished:
                await self._advance(session, await self.receive())

    async def _first_answer(self) -> bytes:
        """As much of the server's answer as tells TLS from anything else."""
        answer = b""
        while len(answer) < _RECORD_HEADER and (looks_like_tls(answer) or not answer):
            answer += await self.receive()
        if not looks_like_tls(answer):
            self.greeting = bounded(answer.decode("utf-8", "replace"))
            raise self.failed(FailureKind.MALFORMED, "what answers does not speak TLS")
        return answer

    async def _advance(self, session: Handshake, received: bytes) -> None:
        from probes.tlssession import HandshakeEnded

        try:
            reply = session.step(received)
        except HandshakeEnded as ended:
            raise self.failed(ended.kind, ended.detail) from ended
        if reply:
            await self.send(reply)

    async def take_leave(self, session: Handshake) -> None:
        """Say that no more will come.  All is seen by now; a server that has gone already is none the worse for it."""
        with contextlib.suppress(NotObserved):
            await self.send(session.farewell())

    async def send(self, data: bytes) -> None:
        """Send all of ``data`` in time.  Raises NotObserved."""
        await self._stream.send(data, timeout_seconds=self._left())

    async def receive(self) -> bytes:
        """What the server says next, in time and within the octets of one handshake.  Raises NotObserved."""
        received = await self._stream.receive(_READ, timeout_seconds=self._left())
        if not received:
            raise self.failed(FailureKind.CLOSED, "the server closed the connection in the handshake")
        self._octets_left -= len(received)
        if self._octets_left < 0:
            raise self.failed(FailureKind.MALFORMED, f"more than {HANDSHAKE_OCTETS_LIMIT} octets and no end of the handshake")
        return received

    def _left(self) -> float:
        """The seconds left.  When time is up the stream looks once more: what has arrived counts, if a busy runner came late.

        Raises NotObserved the next time.
        """
        left = self._patience.left_seconds
        if left == 0.0:
            if self._looked_once_more:
                raise self.failed(FailureKind.NO_ANSWER, "the handshake did not end in time")
            self._looked_once_more = True
        return left

    def failed(self, kind: FailureKind, detail: str) -> NotObserved:
        """The failure of this visit, to be raised."""
        return failed(kind, self._phase, self._network.monotonic() - self._began, detail)
