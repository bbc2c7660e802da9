"""A TLS session as a ``Stream``: for probes that speak a protocol inside TLS.  Nothing is verified here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from probes.patience import Patience
from probes.seam import Network, Stream, failed
from probes.tlshandshake import Visit, server_name_of
from shared.evidence import FailureKind

if TYPE_CHECKING:
    from probes.tlssession import Handshake


async def start_tls(network: Network, stream: Stream, server_name: str, *, timeout_seconds: float) -> TlsStream:
    """Hold a handshake over a freshly connected ``stream``, which belongs to the returned stream from then on.

    ``timeout_seconds`` covers the handshake, less what is spent waiting for a slot.  Raises NotObserved, and then
    ``stream`` is closed.
    """
    from probes.tlssession import Handshake

    session = Handshake(server_name_of(server_name))
    try:
        await Visit(network, stream, Patience(network, timeout_seconds)).shake_hands(session)
    except BaseException:
        stream.close()
        raise
    return TlsStream(network, stream, session)


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
