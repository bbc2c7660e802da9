"""A TLS session as a ``Stream``: for probes that speak a protocol inside TLS.  Nothing is verified here."""

from __future__ import annotations

import ipaddress
from typing import TYPE_CHECKING

from probes.seam import Network, NotObserved, Stream, failed
from probes.tlshello import looks_like_tls
from shared.evidence import FailureKind
from shared.hostnames import NAME_LIMIT

if TYPE_CHECKING:
    from probes.tlssession import Handshake

#: The most octets read in one handshake.  Ours: the engine takes no chain above 100 KiB, so twice that is endless.
HANDSHAKE_OCTETS_LIMIT = 256 << 10
_READ = 16 << 10


async def start_tls(network: Network, stream: Stream, server_name: str, *, timeout_seconds: float) -> TlsStream:
    """Hold a handshake over a freshly connected ``stream``, which belongs to the returned stream from then on.

    ``timeout_seconds`` covers the handshake, less what is spent waiting for a slot.  Raises NotObserved, and then
    ``stream`` is closed.
    """
    from probes.tlssession import Handshake

    began = network.monotonic()
    deadline = began + timeout_seconds
    session = Handshake(_server_name(server_name))
    conversation = _Conversation(network, stream, session)
    try:
        first = await conversation.ask(session.step(), deadline)
        if not looks_like_tls(first):
            raise failed(FailureKind.MALFORMED, "handshake", network.monotonic() - began, "what answers does not speak TLS")
        queued = network.monotonic()
        # A slot is taken only once the server has answered, so that silent ports hold none that a live one waits for.
        async with network.handshake_slot():
            await conversation.finish(first, deadline + network.monotonic() - queued)
    except BaseException:
        stream.close()
        raise
    return TlsStream(network, stream, session)


def _server_name(name: str) -> str | None:
    """The name to ask for: a DNS name in ASCII without the final dot, never an address (RFC 6066 section 3)."""
    bare = name.removesuffix(".")
    if not bare or not bare.isascii() or len(bare) > NAME_LIMIT:
        return None
    try:
        ipaddress.ip_address(bare)
    except ValueError:
        return bare
    return None


class _Conversation:
    """The octets of one handshake, to and fro."""

    def __init__(self, network: Network, stream: Stream, session: Handshake) -> None:
        self._network, self._stream, self._session = network, stream, session
        self._began = network.monotonic()
        self._octets_left = HANDSHAKE_OCTETS_LIMIT

    async def finish(self, received: bytes, deadline: float) -> None:
        """Drive the handshake to its end.  Raises NotObserved."""
        reply = self._step(received)
        while not self._session.finished:
            reply = self._step(await self.ask(reply, deadline))
        if reply:
            await self._stream.send(reply, timeout_seconds=self._left(deadline))

    async def ask(self, data: bytes, deadline: float) -> bytes:
        if data:
            await self._stream.send(data, timeout_seconds=self._left(deadline))
        received = await self._stream.receive(_READ, timeout_seconds=self._left(deadline))
        if not received:
            raise self._failed(FailureKind.CLOSED, "the server closed the connection in the handshake")
        self._octets_left -= len(received)
        if self._octets_left < 0:
            raise self._failed(FailureKind.MALFORMED, f"more than {HANDSHAKE_OCTETS_LIMIT} octets and no end of the handshake")
        return received

    def _step(self, received: bytes) -> bytes:
        from probes.tlssession import HandshakeEnded

        try:
            return self._session.step(received)
        except HandshakeEnded as ended:
            raise self._failed(ended.kind, ended.detail) from ended

    def _left(self, deadline: float) -> float:
        left = deadline - self._network.monotonic()
        if left <= 0:
            raise self._failed(FailureKind.NO_ANSWER, "the handshake did not end in time")
        return left

    def _failed(self, kind: FailureKind, detail: str) -> NotObserved:
        return failed(kind, "handshake", self._network.monotonic() - self._began, detail)


class TlsStream:
    """An established TLS session as a ``Stream`` (see ``probes.seam``)."""

    def __init__(self, network: Network, stream: Stream, session: Handshake) -> None:
        self._network, self._stream, self._session = network, stream, session
        self._ended = False

    @property
    def connect_seconds(self) -> float:
        """How long the TCP handshake took."""
        return self._stream.connect_seconds

    @property
    def syn_repeats(self) -> int:
        """How many SYNs were sent again."""
        return self._stream.syn_repeats

    async def send(self, data: bytes, *, timeout_seconds: float) -> None:
        """Send all of ``data``, encrypted.  Raises NotObserved."""
        from probes.tlssession import HandshakeEnded

        try:
            sealed = self._session.seal(data)
        except HandshakeEnded as ended:
            raise failed(ended.kind, "send", 0.0, ended.detail) from ended
        await self._stream.send(sealed, timeout_seconds=timeout_seconds)

    async def receive(self, limit: int, *, timeout_seconds: float) -> bytes:
        """At least one octet of application data, or none when the server ended the session.  Raises NotObserved."""
        from probes.tlssession import HandshakeEnded

        began = self._network.monotonic()
        while not self._ended:
            left = began + timeout_seconds - self._network.monotonic()
            if left <= 0:
                raise failed(FailureKind.NO_ANSWER, "receive", timeout_seconds, "nothing came in time")
            # Records without application data, such as session tickets, are taken in on the way.
            sealed = await self._stream.receive(limit, timeout_seconds=left)
            if not sealed:
                break
            try:
                plain, self._ended = self._session.unseal(sealed)
            except HandshakeEnded as ended:
                raise failed(ended.kind, "receive", self._network.monotonic() - began, ended.detail) from ended
            if plain:
                return plain
        return b""

    def close(self) -> None:
        """Close at once.  The closing alert is left out: nobody waits for it on a connection that is thrown away."""
        self._stream.close()
