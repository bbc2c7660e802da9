"""The certificate that a server shows in the clear: read from what the real engine says, cut anywhere, and from nonsense."""

from __future__ import annotations

import contextlib
import datetime
import hashlib
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from OpenSSL import SSL

from probes.fake import FakeNetwork, run
from probes.seam import NotObserved
from probes.tlshello import TLS12, client_hello
from probes.tlsleaf import NoLeafError, chain_in, leaf_in, shown_in_the_clear
from shared.evidence import FailureKind
from shared.questions import PortQuestion
from verify.laboratory import authority
from verify.laboratory.authority import Validity

NAME = "dome-a.obs.example.net"
QUESTION = PortQuestion("192.0.2.11", 443, "tls", NAME, 2)
VALID = Validity.around(datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC))
ROOT = authority.root("Site Root", VALID)
RACK = authority.intermediate(ROOT, "Rack Authority", VALID)
LEAF = authority.leaf(RACK, (NAME,), VALID)
REFUSAL = b"\x15\x03\x03\x00\x02\x02\x46"


def engine(newest: int = SSL.TLS1_2_VERSION) -> SSL.Connection:
    """A server of the real engine, which shows LEAF and RACK."""
    context = SSL.Context(SSL.TLS_SERVER_METHOD)
    context.set_max_proto_version(newest)
    context.use_privatekey(LEAF.key)
    context.use_certificate(LEAF.certificate)
    context.add_extra_chain_cert(RACK.certificate)
    connection = SSL.Connection(context, None)
    connection.set_accept_state()
    return connection


def flight() -> bytes:
    """What such a server answers to our hello."""
    connection = engine()
    connection.bio_write(client_hello(TLS12, NAME, bytes(32)))
    with pytest.raises(SSL.WantReadError):
        connection.do_handshake()
    return connection.bio_read(1 << 16)


def record(kind: int, content: bytes) -> bytes:
    return bytes((kind, 3, 3)) + len(content).to_bytes(2, "big") + content


def message(kind: int, body: bytes) -> bytes:
    return bytes((kind,)) + len(body).to_bytes(3, "big") + body


SERVER_HELLO = message(2, b"\x03\x03" + bytes(32) + b"\x00\xc0\x2f\x00")


def test_leaf_of_the_engine_is_found_as_soon_as_it_is_whole() -> None:
    """Cut anywhere, the answer is None up to some octet and the certificate from there on."""
    said = flight()
    seen = [leaf_in(said[:length]) for length in range(len(said) + 1)]
    assert set(seen) == {None, LEAF.der}
    first = seen.index(LEAF.der)
    assert None not in seen[first:]
    assert said[:first].endswith(LEAF.der)


def test_chain_of_the_engine_is_found_once_the_whole_message_is_there() -> None:
    """Cut anywhere, the answer is None up to some octet and all certificates from there on."""
    said = flight()
    seen = [chain_in(said[:length]) for length in range(len(said) + 1)]
    assert set(seen) == {None, (LEAF.der, RACK.der)}
    first = seen.index((LEAF.der, RACK.der))
    assert None not in seen[first:]
    assert said[:first].endswith(RACK.der)


@pytest.mark.parametrize("said", [
    REFUSAL, record(22, SERVER_HELLO) + REFUSAL, record(22, SERVER_HELLO + message(11, b"\x00\x00\x00")),
    record(22, SERVER_HELLO + message(11, b"")), record(22, SERVER_HELLO + message(14, b"")), b"HTTP/1.1 400",
    record(22, SERVER_HELLO + message(11, b"\x00\x00\x08\x00\x00\x05hello")[:-1]) + REFUSAL,
])
def test_chain_that_will_not_come_is_said_so(said: bytes) -> None:
    """An alert, another message, an empty list, or one that is cut off."""
    with pytest.raises(NoLeafError):
        chain_in(said)


def test_messages_may_be_spread_over_records() -> None:
    """RFC 5246 section 6.2.1: a handshake message may be fragmented over several records, and a record hold several."""
    messages = SERVER_HELLO + message(11, b"\x00\x00\x08\x00\x00\x05hello")
    assert leaf_in(record(22, messages)) == b"hello"
    assert leaf_in(b"".join(record(22, messages[at : at + 1]) for at in range(len(messages)))) == b"hello"


@pytest.mark.parametrize(("said", "why"), [
    (REFUSAL, "alert protocol_version"),
    (record(22, SERVER_HELLO) + REFUSAL, "alert protocol_version"),
    (record(22, SERVER_HELLO + message(14, b"")), "type 14"),
    (record(22, SERVER_HELLO + message(12, bytes(40))), "type 12"),
    (record(22, SERVER_HELLO + message(11, b"\x00\x00\x00")), "none in it"),
    (record(22, SERVER_HELLO) + record(23, bytes(30)), "no handshake"),
    (b"HTTP/1.1 400 Bad Request\r\n", "no handshake"),
    (record(22, SERVER_HELLO) + b"SSH-2.0-x", "no handshake"),
])
def test_what_shows_none_says_so(said: bytes, why: str) -> None:
    """Each way of showing no certificate, by what came instead."""
    with pytest.raises(NoLeafError, match=why):
        leaf_in(said)


@given(st.binary(max_size=200))
def test_chain_in_any_octets(octets: bytes) -> None:
    """Certificates, None, or the one declared error, also behind a ServerHello."""
    for said in (octets, record(22, SERVER_HELLO + message(11, octets)), record(22, SERVER_HELLO) + octets):
        with contextlib.suppress(NoLeafError):
            found = chain_in(said)
            assert found is None or all(found)


@given(st.binary(max_size=200) | st.binary(max_size=200).map(lambda content: record(22, SERVER_HELLO + content)))
def test_any_octets_are_a_leaf_or_none_or_no_leaf(data: bytes) -> None:
    """Total: whatever a server says, nothing else comes of it."""
    try:
        leaf = leaf_in(data)
    except NoLeafError:
        return
    assert leaf is None or (leaf and leaf in data)


class Says:
    """A peer that answers whatever it is told with the same."""

    def __init__(self, *answers: bytes | None) -> None:
        self._answers = answers

    def opened(self) -> Sequence[bytes | None]:
        return ()

    def received(self, data: bytes) -> Sequence[bytes | None]:
        return self._answers


def look(*answers: bytes | None) -> str | tuple[FailureKind, str]:
    network = FakeNetwork(streams={("192.0.2.11", 443): lambda: Says(*answers)})

    async def main() -> str | tuple[FailureKind, str]:
        stream = await network.connect("192.0.2.11", 443, timeout_seconds=6.0)
        try:
            return await shown_in_the_clear(network, QUESTION, stream)
        except NotObserved as unseen:
            assert network.monotonic() <= 6.0
            return unseen.failure.kind, unseen.failure.phase

    seen = run(main())
    assert network.open_streams == 0
    assert NAME.encode() in network.sent[-1][3]
    return seen


def test_fingerprint_is_that_of_the_certificate() -> None:
    """The same digest as in the evidence of a handshake, from a flight in one piece or in two."""
    said = flight()
    expected = hashlib.sha256(LEAF.der).hexdigest()
    assert (look(said), look(said[:300], said[300:])) == (expected, expected)


@pytest.mark.parametrize(("answers", "outcome"), [
    ((), (FailureKind.NO_ANSWER, "receive")),
    ((b"\x16\x03\x03",), (FailureKind.NO_ANSWER, "receive")),
    ((None,), (FailureKind.CLOSED, "hello")),
    ((record(22, SERVER_HELLO), None), (FailureKind.CLOSED, "hello")),
    ((REFUSAL,), (FailureKind.MALFORMED, "hello")),
    ((record(22, SERVER_HELLO + message(11, b"\xff" * 9)), *[record(22, bytes(1 << 14))] * 20), (FailureKind.MALFORMED, "hello")),
])
def test_every_other_outcome_is_not_observed(answers: tuple[bytes | None, ...], outcome: tuple[FailureKind, str]) -> None:
    """Silence, leaving, refusing and an endless certificate; the connection is closed each time."""
    assert look(*answers) == outcome
