"""Looks at a TLS port: one handshake with nothing verified, the chain as sent, and which other versions are accepted.

What answers may be anything.  Alerts, resets, silence, plain text, endless data and broken certificates are evidence.
"""

from __future__ import annotations

import contextlib
import ipaddress
from typing import TYPE_CHECKING

from probes.seam import Network, NotObserved, Stream, failed, now
from probes.tlshello import looks_like_tls
from probes.tlstrials import try_versions
from shared.evidence import Failure, FailureKind, TlsEvidence, bounded
from shared.hostnames import NAME_LIMIT
from shared.questions import PortQuestion

if TYPE_CHECKING:
    from probes.tlssession import Handshake

#: The most octets read in one handshake.  Ours: OpenSSL takes no chain above 100 KiB, so twice that is endless.
HANDSHAKE_OCTETS_LIMIT = 256 << 10
#: RFC 8446 section 5.1: type, version and length, enough to tell TLS from anything else.
_RECORD_HEADER = 5
_READ = 16 << 10


async def examine(network: Network, question: PortQuestion, stream: Stream) -> TlsEvidence:
    """Hold a handshake over ``stream``, which is freshly connected, and close it; then try the versions not negotiated.

    ``network.pace.timeout_seconds`` covers all of it, from the ClientHello to the last trial, less what is spent waiting
    for a handshake slot.  Raises nothing: what cannot be observed is the evidence's ``failure``.
    """
    from probes.tlssession import Handshake

    at, began = now(network), network.monotonic()
    server_name = _server_name(question.server_name)
    visit = _Visit(network, stream, began + network.pace.timeout_seconds)
    session = Handshake(server_name)
    failure: Failure | None = None
    try:
        await visit.shake_hands(session)
    except NotObserved as caught:
        failure = caught.failure
    finally:
        stream.close()
    versions = await try_versions(network, question, server_name, session.protocol, failure, visit.deadline)
    return TlsEvidence(
        address=question.address, port=f"{question.port}/tcp", server_name=server_name or "", at=at,
        elapsed_seconds=network.monotonic() - began, protocol=session.protocol,
        cipher=session.cipher if session.finished else "", chain=session.chain(), versions=versions,
        greeting=visit.greeting, failure=failure)


async def shown_certificate(network: Network, question: PortQuestion, stream: Stream) -> str:
    """The SHA-256 of the certificate that answers on ``stream``, freshly connected, which is closed; no version is tried.

    Raises NotObserved.
    """
    from probes.tlssession import Handshake

    session = Handshake(_server_name(question.server_name))
    try:
        await _Visit(network, stream, network.monotonic() + network.pace.timeout_seconds).shake_hands(session)
    finally:
        stream.close()
    chain = session.chain()
    if not chain:
        raise failed(FailureKind.OTHER, "handshake", 0.0, "the server showed no certificate")
    return chain[0].sha256


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


class _Visit:
    """One handshake over one stream, under one deadline."""

    def __init__(self, network: Network, stream: Stream, deadline: float) -> None:
        self.deadline = deadline
        self.greeting = ""
        self._network = network
        self._stream = stream
        self._octets_left = HANDSHAKE_OCTETS_LIMIT
        self._began = network.monotonic()

    async def shake_hands(self, session: Handshake) -> None:
        """Drive the handshake to its end.  Raises NotObserved."""
        await self._advance(session, b"")
        answer = await self._first_answer()
        queued = self._network.monotonic()
        # A slot is taken only once the server has answered, so that silent ports hold none that a live one waits for.
        async with self._network.handshake_slot():
            self.deadline += self._network.monotonic() - queued
            await self._advance(session, answer)
            while not session.finished:
                await self._advance(session, await self._receive())
            with contextlib.suppress(NotObserved):
                # All is seen by now; a server that has gone already is none the worse for it.
                await self._send(session.farewell())

    async def _first_answer(self) -> bytes:
        """As much of the server's answer as tells TLS from anything else."""
        answer = b""
        while len(answer) < _RECORD_HEADER and (looks_like_tls(answer) or not answer):
            answer += await self._receive()
        if not looks_like_tls(answer):
            self.greeting = bounded(answer.decode("utf-8", "replace"))
            raise self._failed(FailureKind.MALFORMED, "what answers does not speak TLS")
        return answer

    async def _advance(self, session: Handshake, received: bytes) -> None:
        from probes.tlssession import HandshakeEnded

        try:
            reply = session.step(received)
        except HandshakeEnded as ended:
            raise self._failed(ended.kind, ended.detail) from ended
        if reply:
            await self._send(reply)

    async def _send(self, data: bytes) -> None:
        await self._stream.send(data, timeout_seconds=self._left())

    async def _receive(self) -> bytes:
        received = await self._stream.receive(_READ, timeout_seconds=self._left())
        if not received:
            raise self._failed(FailureKind.CLOSED, "the server closed the connection in the handshake")
        self._octets_left -= len(received)
        if self._octets_left < 0:
            raise self._failed(FailureKind.MALFORMED, f"more than {HANDSHAKE_OCTETS_LIMIT} octets and no end of the handshake")
        return received

    def _left(self) -> float:
        left = self.deadline - self._network.monotonic()
        if left <= 0:
            raise self._failed(FailureKind.NO_ANSWER, "the handshake did not end in time")
        return left

    def _failed(self, kind: FailureKind, detail: str) -> NotObserved:
        return failed(kind, "handshake", self._network.monotonic() - self._began, detail)
