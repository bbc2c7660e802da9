"""A TLS handshake without a socket: octets in, octets out, and what was learned.  Nothing is verified here.

The one module that loads OpenSSL; ``probes.certificate`` imports it when a handshake is due.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence

from OpenSSL import SSL, crypto

from probes.tlshello import ALERTS, alert_name
from probes.x509facts import facts
from shared.evidence import CertificateFacts, FailureKind, bounded

#: The most certificates kept of one chain.  Ours: real chains have two to four, and GnuTLS takes no more than 16.
CHAIN_LIMIT = 32
#: The most octets kept of one certificate.  Ours: real ones have 1 to 4 KiB.
CERTIFICATE_OCTETS_LIMIT = 64 << 10
#: The most octets taken from the engine at once.
_PIECE = 1 << 16

_NUMBERS = {name: number for number, name in ALERTS.items()}
_VERSIONS = {"TLSv1": "TLS 1.0", "TLSv1.1": "TLS 1.1", "TLSv1.2": "TLS 1.2", "TLSv1.3": "TLS 1.3"}


class HandshakeEnded(Exception):  # noqa: N818 -- the server's doing, or what it sent; evidence either way
    """The handshake cannot go on.  ``kind`` is tls-alert where the server said no, malformed where it sent nonsense."""

    def __init__(self, kind: FailureKind, detail: str) -> None:
        super().__init__(detail)
        self.kind = kind
        self.detail = detail


@functools.cache
def _context() -> SSL.Context:
    """Take any version, cipher and certificate there is: the server is examined, not trusted.

    TLS 1.0 is only spoken where the minimum version and the security level are both lowered; with either left alone the
    engine would refuse in the server's place and the examination would be a false green.
    """
    context = SSL.Context(SSL.TLS_CLIENT_METHOD)
    context.set_verify(SSL.VERIFY_NONE)
    context.set_min_proto_version(SSL.TLS1_VERSION)
    context.set_max_proto_version(SSL.TLS1_3_VERSION)
    # Without the anonymous suites, with which a server would send no certificate.
    context.set_cipher_list(b"ALL:COMPLEMENTOFALL:!aNULL:@SECLEVEL=0")
    # Servers without RFC 5746 are old, and looked at all the same.
    context.set_options(SSL.OP_LEGACY_SERVER_CONNECT)
    context.set_session_cache_mode(SSL.SESS_CACHE_OFF)
    return context


class Handshake:
    """The client's end of one handshake (RFC 8446 section 2; RFC 5246 section 7.3).

    Call ``step`` first with nothing and then with what the server sent, and send what it returns, until ``finished``.
    """

    def __init__(self, server_name: str | None) -> None:
        self._connection = SSL.Connection(_context(), None)
        self._connection.set_connect_state()
        if server_name is not None:
            self._connection.set_tlsext_host_name(server_name.encode("ascii"))
        self.finished = False

    def step(self, received: bytes = b"") -> bytes:
        """Take what the server sent; return what to send it.  Raises HandshakeEnded."""
        if received:
            self._connection.bio_write(received)
        try:
            self._connection.do_handshake()
            self.finished = True
        except SSL.WantReadError:
            pass
        except SSL.Error as error:
            raise _ended(error) from error
        return self._outgoing()

    def seal(self, data: bytes) -> bytes:
        """Application data as the octets to send, once ``finished``.  Raises HandshakeEnded."""
        try:
            self._connection.sendall(data)
        except SSL.Error as error:
            raise _ended(error) from error
        return self._outgoing()

    def unseal(self, received: bytes) -> tuple[bytes, bool]:
        """The application data in what the server sent, and whether the server has said that no more will come.

        Raises HandshakeEnded.
        """
        self._connection.bio_write(received)
        pieces = []
        try:
            while True:
                pieces.append(self._connection.recv(_PIECE))
        except SSL.WantReadError:
            return b"".join(pieces), False
        except SSL.ZeroReturnError:
            return b"".join(pieces), True
        except SSL.Error as error:
            raise _ended(error) from error

    def farewell(self) -> bytes:
        """The closing alert to send (RFC 8446 section 6.1), so that the server does not log a broken connection."""
        try:
            self._connection.shutdown()
        except SSL.Error:
            return b""
        return self._outgoing()

    def _outgoing(self) -> bytes:
        pieces = []
        try:
            while True:
                pieces.append(self._connection.bio_read(_PIECE))
        except SSL.WantReadError:
            return b"".join(pieces)

    @property
    def protocol(self) -> str:
        """The negotiated version ("TLS 1.3"); empty before the handshake is finished."""
        name = self._connection.get_protocol_version_name()
        return _VERSIONS.get(name, name) if self.finished else ""

    @property
    def cipher(self) -> str:
        """The negotiated cipher suite by its engine's name; empty before there is one."""
        return self._connection.get_cipher_name() or ""

    def sent(self) -> tuple[bytes, ...]:
        """The certificates as the server sent them, also where the handshake failed after they came."""
        return tuple(crypto.dump_certificate(crypto.FILETYPE_ASN1, certificate)
                     for certificate in self._connection.get_peer_cert_chain() or ())


def facts_of(sent: Sequence[bytes]) -> tuple[CertificateFacts, ...]:
    """What can be read of the certificates that a server sent, as far as they are kept."""
    return tuple(facts(octets[:CERTIFICATE_OCTETS_LIMIT]) for octets in sent[:CHAIN_LIMIT])


def _ended(error: SSL.Error) -> HandshakeEnded:
    """Tell an alert of the server's from octets that the engine cannot read."""
    reasons = [str(entry[2]) for entry in (error.args[0] if error.args and isinstance(error.args[0], list) else [])]
    for reason in reasons:
        # By release the engine says "tls alert handshake failure", "tlsv1 alert protocol version", "tlsv1 unrecognized name".
        family, _, words = reason.partition(" ")
        number = _NUMBERS.get(words.removeprefix("alert ").replace(" ", "_"))
        if number is not None and family.startswith(("tls", "ssl")):
            return HandshakeEnded(FailureKind.TLS_ALERT, alert_name(number))
    detail = bounded("; ".join(reason for reason in reasons if reason) or "no reason given", 256)
    return HandshakeEnded(FailureKind.MALFORMED, f"the handshake cannot be read: {detail}")
