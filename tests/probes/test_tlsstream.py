"""TLS as a stream: the handshake, data to and fro, and servers that do otherwise."""

from __future__ import annotations

import datetime
import ssl
from collections.abc import Callable

import pytest

from probes import fake
from probes.fake import FakeNetwork
from probes.seam import NotObserved
from probes.tlshandshake import HANDSHAKE_OCTETS_LIMIT
from probes.tlsstream import start_tls
from shared.evidence import FailureKind
from verify.laboratory import authority, webserver

ADDRESS, NAME = "192.0.2.11", "dome-a.obs.example.net"


class TlsPeer:
    """Python's own TLS server over memory: answers what it is told with the same in capitals."""

    def __init__(self, context: ssl.SSLContext, *, hangs_up: bool = False) -> None:
        self._incoming, self._outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
        self._session = context.wrap_bio(self._incoming, self._outgoing, server_side=True)
        self._done, self._hangs_up = False, hangs_up
        self.told = b""

    def opened(self) -> list[bytes | None]:
        return []

    def received(self, data: bytes) -> list[bytes | None]:
        self._incoming.write(data)
        try:
            if not self._done:
                self._session.do_handshake()
                self._done = True
            while piece := self._session.read(65536):
                self.told += piece
                self._session.write(piece.upper())
                if self._hangs_up:
                    self._session.unwrap()
        except ssl.SSLWantReadError:
            pass
        return [self._outgoing.read()]


@pytest.fixture(scope="module")
def context(tmp_path_factory: pytest.TempPathFactory) -> ssl.SSLContext:
    valid = authority.Validity.around(datetime.datetime.now(datetime.UTC), days_before=1, days_after=30)
    leaf = authority.leaf(authority.root("Site Root", valid), (NAME,), valid)
    return webserver.context(leaf, tmp_path_factory.mktemp("tls"), old_versions=False)


def converse(network: FakeNetwork, said: tuple[bytes, ...]) -> list[bytes]:
    async def talk() -> list[bytes]:
        stream = await start_tls(network, await network.connect(ADDRESS, 443, timeout_seconds=1.0), NAME, timeout_seconds=2.0)
        heard = []
        for words in said:
            await stream.send(words, timeout_seconds=1.0)
            heard.append(await stream.receive(65536, timeout_seconds=1.0))
        stream.close()
        stream.close()
        return heard

    return fake.run(talk())


def test_what_is_said_inside_arrives_and_comes_back(context: ssl.SSLContext) -> None:
    """Also where session tickets come first, which hold no data; nothing of it stands on the wire."""
    network = FakeNetwork(streams={(ADDRESS, 443): lambda: TlsPeer(context)})
    assert converse(network, (b"ahoy", b"again")) == [b"AHOY", b"AGAIN"]
    assert network.open_streams == 0
    assert not any(b"ahoy" in octets for _service, _address, _port, octets in network.sent)


def test_an_orderly_end_is_an_empty_answer(context: ssl.SSLContext) -> None:
    """The closing alert of RFC 8446 section 6.1."""
    network = FakeNetwork(streams={(ADDRESS, 443): lambda: TlsPeer(context, hangs_up=True)})

    async def talk() -> tuple[bytes, bytes]:
        stream = await start_tls(network, await network.connect(ADDRESS, 443, timeout_seconds=1.0), NAME, timeout_seconds=2.0)
        await stream.send(b"ahoy", timeout_seconds=1.0)
        return (await stream.receive(65536, timeout_seconds=1.0), await stream.receive(65536, timeout_seconds=1.0))

    assert fake.run(talk()) == (b"AHOY", b"")


class Talker:
    """A peer that says one thing to everything."""

    def __init__(self, *said: bytes | None) -> None:
        self._said = said

    def opened(self) -> list[bytes | None]:
        return []

    def received(self, _data: bytes) -> list[bytes | None]:
        return list(self._said)


@pytest.mark.parametrize(("peer", "kind"), [
    (lambda: Talker(), FailureKind.NO_ANSWER),
    (lambda: Talker(None), FailureKind.CLOSED),
    (lambda: Talker(b"SSH-2.0-rehearsal\r\n"), FailureKind.MALFORMED),
    (lambda: Talker(b"\x15\x03\x01\x00\x02\x02\x28"), FailureKind.TLS_ALERT),
    (lambda: Talker(b"\x16\x03\x03\x40\x00" + b"\x0b\x03\xff\xff" + b"\x00" * 20_000), FailureKind.MALFORMED),
])
def test_a_server_that_does_otherwise_is_evidence_and_leaves_nothing_open(peer: Callable[[], Talker], kind: FailureKind) -> None:
    """Silence, hanging up, another protocol, an alert, nonsense."""
    network = FakeNetwork(streams={(ADDRESS, 443): peer})
    with pytest.raises(NotObserved) as caught:
        converse(network, (b"ahoy",))
    assert caught.value.failure.kind is kind
    assert caught.value.failure.phase in ("handshake", "receive")
    assert network.open_streams == 0


def test_a_handshake_without_end_is_cut_off() -> None:
    """HelloRequests for ever: a client ignores each in a handshake (RFC 5246 section 7.4.1.1), and none ends it."""
    hello_request = b"\x16\x03\x03\x00\x04\x00\x00\x00\x00"
    network = FakeNetwork(streams={(ADDRESS, 443): lambda: Talker(hello_request * (HANDSHAKE_OCTETS_LIMIT // 8))})
    with pytest.raises(NotObserved) as caught:
        converse(network, (b"ahoy",))
    assert caught.value.failure.kind is FailureKind.MALFORMED
    assert "no end of the handshake" in caught.value.failure.detail
    assert network.open_streams == 0


@pytest.mark.parametrize("name", ["", "192.0.2.11", "dôme-a.obs.example.net", "a" * 300])
def test_what_is_no_server_name_is_not_sent(name: str, context: ssl.SSLContext) -> None:
    """RFC 6066 section 3 knows DNS names only; the handshake goes on without."""
    network = FakeNetwork(streams={(ADDRESS, 443): lambda: TlsPeer(context)})

    async def talk() -> None:
        stream = await start_tls(network, await network.connect(ADDRESS, 443, timeout_seconds=1.0), name, timeout_seconds=2.0)
        stream.close()

    fake.run(talk())
    assert network.sent[1][3][5] == 1  # a ClientHello was sent
    assert name == "" or name.encode() not in network.sent[1][3]
