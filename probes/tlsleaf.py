"""Whose certificate a server shows, read before any key is computed: up to TLS 1.2 certificates come in the clear.

A whole handshake for this question costs five times as much.  What is seen so proves nothing: the server has not signed
anything yet (RFC 5246 section 7.3, figure 1).  It tells one machine from another, and no more is asked of it.
"""

from __future__ import annotations

import hashlib
import secrets
import sys
from collections.abc import Callable
from typing import TypeVar

from probes.patience import Patience
from probes.seam import Network, Stream
from probes.tlshandshake import Visit, server_name_of
from probes.tlshello import TLS12, Alert, Answer, alert_name, client_hello, read_messages
from shared.evidence import FailureKind
from shared.questions import PortQuestion

#: RFC 5246 section 7.4: the messages that may come before the server's certificate, and that one.
_SERVER_HELLO, _CERTIFICATE = 2, 11

Found = TypeVar("Found")


class NoLeafError(ValueError):
    """The server showed no certificate in the clear; the message says what it sent instead."""


async def shown_in_the_clear(network: Network, question: PortQuestion, stream: Stream) -> str:
    """The SHA-256 of the certificate that answers a TLS 1.2 hello on ``stream``, freshly connected, which is closed.

    Takes at most ``pace.timeout_seconds``.  Raises NotObserved.
    """
    leaf = await _ask(network, question, stream, Patience(network, network.pace.timeout_seconds), TLS12, leaf_in)
    # One text for all evidence of a certificate, here and in its facts.
    return sys.intern(hashlib.sha256(leaf).hexdigest())


async def chain_in_the_clear(network: Network, question: PortQuestion, version: int, patience: Patience) -> tuple[bytes, ...]:
    """All certificates that answer a hello of this version, 1.2 at most, on a connection of its own.  Raises NotObserved."""
    stream = await patience.connect(question.address, question.port)
    return await _ask(network, question, stream, patience, version, chain_in)


async def _ask(
    network: Network, question: PortQuestion, stream: Stream, patience: Patience, version: int,
    read: Callable[[bytes], Found | None],
) -> Found:
    visit = Visit(network, stream, patience, phase="hello")
    data = b""
    try:
        await visit.send(client_hello(version, server_name_of(question.server_name), secrets.token_bytes(32)))
        while (found := read(data)) is None:
            data += await visit.receive()
    except NoLeafError as none:
        raise visit.failed(FailureKind.MALFORMED, str(none)) from none
    finally:
        stream.close()
    return found


def leaf_in(data: bytes) -> bytes | None:
    """The server's own certificate in all that it has sent so far; None while more is needed (RFC 5246 section 7.4.2).

    Raises NoLeafError where none will come.
    """
    body, length, end = _certificates(data)
    # Three octets for the length of the list, three for that of its first entry.
    size = int.from_bytes(body[3:6], "big")
    if size and len(body) >= 6 + size:
        return body[6 : 6 + size]
    _check_that_more_comes(body, length, end)
    return None


def chain_in(data: bytes) -> tuple[bytes, ...] | None:
    """All certificates in what the server has sent so far, its own first; None while more is needed.

    Raises NoLeafError where none will come.
    """
    body, length, end = _certificates(data)
    if len(body) < length or length < 0:
        _check_that_more_comes(body, length, end)
        return None
    rest, found = body[3:], []
    while rest:
        size = int.from_bytes(rest[:3], "big")
        if not size or len(rest) < 3 + size:
            raise NoLeafError("a list of certificates that cannot be read")
        found.append(rest[3 : 3 + size])
        rest = rest[3 + size :]
    if not found:
        raise NoLeafError("a list of certificates with none in it")
    return tuple(found)


def _certificates(data: bytes) -> tuple[bytes, int, Answer | None]:
    """What there is of the body of the Certificate message, its whole length, and what ended the messages, if anything did."""
    messages, end = read_messages(data)
    while len(messages) >= 4:
        kind, length = messages[0], int.from_bytes(messages[1:4], "big")
        body = messages[4 : 4 + length]
        if kind == _CERTIFICATE:
            return body, length, end
        if kind != _SERVER_HELLO:
            raise NoLeafError(f"a handshake message of type {kind} in the place of a certificate")
        if len(body) < length:
            break
        messages = messages[4 + length :]
    return b"", -1, end


def _check_that_more_comes(body: bytes, length: int, end: Answer | None) -> None:
    """Raises NoLeafError where no more will come, or where the list is whole and empty."""
    if len(body) == length:
        raise NoLeafError("a list of certificates with none in it")
    if isinstance(end, Alert):
        raise NoLeafError(f"alert {alert_name(end.number)} in the place of a certificate")
    if end is not None:
        raise NoLeafError("octets that are no handshake in the place of a certificate")
