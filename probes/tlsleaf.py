"""Whose certificate a server shows, read before any key is computed: up to TLS 1.2 certificates come in the clear.

A whole handshake for this question costs five times as much.  What is seen so proves nothing: the server has not signed
anything yet (RFC 5246 section 7.3, figure 1).  It tells one machine from another, and no more is asked of it.
"""

from __future__ import annotations

import hashlib
import secrets
import sys

from probes.patience import Patience
from probes.seam import Network, Stream
from probes.tlshandshake import Visit, server_name_of
from probes.tlshello import TLS12, Alert, alert_name, client_hello, read_messages
from shared.evidence import FailureKind
from shared.questions import PortQuestion

#: RFC 5246 section 7.4: the messages that may come before the server's certificate, and that one.
_SERVER_HELLO, _CERTIFICATE = 2, 11


class NoLeafError(ValueError):
    """The server showed no certificate in the clear; the message says what it sent instead."""


async def shown_in_the_clear(network: Network, question: PortQuestion, stream: Stream) -> str:
    """The SHA-256 of the certificate that answers a TLS 1.2 hello on ``stream``, freshly connected, which is closed.

    Takes at most ``pace.timeout_seconds``.  Raises NotObserved.
    """
    visit = Visit(network, stream, Patience(network, network.pace.timeout_seconds), phase="hello")
    data = b""
    try:
        await visit.send(client_hello(TLS12, server_name_of(question.server_name), secrets.token_bytes(32)))
        while (leaf := leaf_in(data)) is None:
            data += await visit.receive()
    except NoLeafError as none:
        raise visit.failed(FailureKind.MALFORMED, str(none)) from none
    finally:
        stream.close()
    # One text for all evidence of a certificate, here and in its facts.
    return sys.intern(hashlib.sha256(leaf).hexdigest())


def leaf_in(data: bytes) -> bytes | None:
    """The server's own certificate in all that it has sent so far; None while more is needed (RFC 5246 section 7.4.2).

    Raises NoLeafError where none will come.
    """
    messages, end = read_messages(data)
    while len(messages) >= 4:
        kind, length = messages[0], int.from_bytes(messages[1:4], "big")
        body = messages[4 : 4 + length]
        if kind == _CERTIFICATE:
            leaf = _first_of(body, whole=len(body) == length)
            if leaf:
                return leaf
            break
        if kind != _SERVER_HELLO:
            raise NoLeafError(f"a handshake message of type {kind} in the place of a certificate")
        if len(body) < length:
            break
        messages = messages[4 + length :]
    if isinstance(end, Alert):
        raise NoLeafError(f"alert {alert_name(end.number)} in the place of a certificate")
    if end is not None:
        raise NoLeafError("octets that are no handshake in the place of a certificate")
    return None


def _first_of(body: bytes, *, whole: bool) -> bytes:
    """The first certificate of a Certificate message, as soon as all of it is there; empty before.  Raises NoLeafError."""
    # Three octets for the length of the list, three for that of its first entry.
    size = int.from_bytes(body[3:6], "big")
    if size and len(body) >= 6 + size:
        return body[6 : 6 + size]
    if whole:
        raise NoLeafError("a list of certificates with none in it")
    return b""
