"""The TLS probe against servers that are sound, odd and hostile; virtual time, and real sockets for what only they can do."""

from __future__ import annotations

import contextlib
import datetime
import socket
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence

import pytest
from OpenSSL import SSL

from probes import certificate
from probes.fake import FakeNetwork, StreamPeer, run
from probes.seam import Stream
from probes.sockets import SocketNetwork
from shared.evidence import Failure, FailureKind, TlsEvidence
from shared.questions import Pace, PortQuestion
from verify.laboratory import authority
from verify.laboratory.authority import Credential, Validity

NAME = "dome-a.obs.example.net"
ADDRESS = "192.0.2.11"
VALID = Validity.around(datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC))
ROOT = authority.root("Site Root", VALID)
RACK = authority.intermediate(ROOT, "Rack Authority", VALID)
LEAF = authority.leaf(RACK, (NAME,), VALID)
PROTOCOL_VERSION = b"\x15\x03\x01\x00\x02\x02\x46"


def server_context(credential: Credential, *, newest: int = SSL.TLS1_3_VERSION, demand: bool = False) -> SSL.Context:
    context = SSL.Context(SSL.TLS_SERVER_METHOD)
    context.set_min_proto_version(SSL.TLS1_2_VERSION)
    context.set_max_proto_version(newest)
    context.use_privatekey(credential.key)
    context.use_certificate(credential.certificate)
    for issuer in credential.chain[1:]:
        context.add_extra_chain_cert(issuer)
    if demand:
        context.set_verify(SSL.VERIFY_PEER | SSL.VERIFY_FAIL_IF_NO_PEER_CERT, lambda *_: True)
    return context


class TlsServer:
    """A sound TLS server in memory; ``asked`` holds the server names it was asked for."""

    def __init__(self, context: SSL.Context, asked: list[bytes | None], piece: int = 1 << 20) -> None:
        self._connection = SSL.Connection(context, None)
        self._connection.set_accept_state()
        self._asked = asked
        self._piece = piece

    def opened(self) -> Sequence[bytes | None]:
        return ()

    def received(self, data: bytes) -> Sequence[bytes | None]:
        self._connection.bio_write(data)
        ended = False
        try:
            self._connection.do_handshake()
        except SSL.WantReadError:
            pass
        except SSL.Error:
            ended = True
        self._asked.append(self._connection.get_servername())
        try:
            said = self._connection.bio_read(1 << 20)
        except SSL.WantReadError:
            said = b""
        pieces: list[bytes | None] = [said[at : at + self._piece] for at in range(0, len(said), self._piece)]
        return [*pieces, None] if ended else pieces


class Says:
    """A peer that says fixed things: at once, and to each thing it hears.  None closes."""

    def __init__(self, first: Sequence[bytes | None] = (), then: Sequence[bytes | None] = ()) -> None:
        self._first, self._then = first, then

    def opened(self) -> Sequence[bytes | None]:
        return self._first

    def received(self, data: bytes) -> Sequence[bytes | None]:
        return self._then


Factory = Callable[[], StreamPeer]


def examine(*peers: Factory | Failure, name: str = NAME, timeout: float = 6.0) -> tuple[TlsEvidence, FakeNetwork]:
    """Examine the port; the first peer gets the handshake and the others one trial each."""
    network = FakeNetwork(streams={(ADDRESS, 443): list(peers)}, pace=Pace(timeout_seconds=timeout))

    async def main() -> TlsEvidence:
        stream = await network.connect(ADDRESS, 443, timeout_seconds=timeout)
        return await certificate.examine(network, PortQuestion(ADDRESS, 443, "tls", name), stream)

    evidence = run(main())
    assert network.open_streams == 0
    return evidence, network


def outcomes(evidence: TlsEvidence) -> dict[str, str]:
    return {trial.version: trial.outcome for trial in evidence.versions}


HANDSHAKE_FAILURE = b"\x15\x03\x03\x00\x02\x02\x28"


def refuses() -> StreamPeer:
    return Says((), (HANDSHAKE_FAILURE,))


def speaks_up_to_1_2() -> StreamPeer:
    return TlsServer(server_context(LEAF, newest=SSL.TLS1_2_VERSION), [])


def test_certificate_is_read_in_the_clear_where_no_handshake_comes_about() -> None:
    """As where the key is on a curve that is not offered: the handshake is refused, and a bare hello for TLS 1.2 is answered."""
    evidence, _ = examine(refuses, refuses, speaks_up_to_1_2, refuses, refuses, speaks_up_to_1_2)
    assert evidence.failure is not None
    assert evidence.failure.detail == "handshake_failure (40)"
    assert outcomes(evidence) == {"TLS 1.3": "refused", "TLS 1.2": "accepted", "TLS 1.1": "refused", "TLS 1.0": "refused"}
    assert ([link.der for link in evidence.chain], evidence.clear_hello) == ([LEAF.der, RACK.der], "TLS 1.2")
    assert (evidence.protocol, evidence.cipher) == ("", "")


@pytest.mark.parametrize("last", [refuses, lambda: Says((), (None,)), lambda: Says((), (b"HTTP/1.1 400 Bad Request",)), Says])
def test_certificate_that_is_not_shown_in_the_clear_either(last: Factory) -> None:
    """A refusal, a close, nonsense and silence leave the failure of the handshake as it was."""
    evidence, _ = examine(refuses, refuses, speaks_up_to_1_2, refuses, refuses, last)
    assert evidence.failure is not None
    assert evidence.failure.detail == "handshake_failure (40)"
    assert (evidence.chain, evidence.clear_hello) == ((), "")


def test_nothing_is_asked_in_the_clear_of_who_accepts_no_version() -> None:
    """The server has said no to every version; a further connection would meet nobody here, and raise."""
    evidence, _ = examine(refuses, refuses, refuses, refuses, refuses)
    assert (evidence.chain, evidence.clear_hello) == ((), "")


@pytest.mark.parametrize("piece", [1 << 20, 1400, 1])
def test_chain_protocol_and_versions_of_a_sound_server(piece: int) -> None:
    """The chain comes as sent, whole or octet by octet, and versions not negotiated are tried until only newer ones are known."""
    asked: list[bytes | None] = []
    context = server_context(LEAF)
    server = lambda: TlsServer(context, asked, piece)  # noqa: E731
    evidence, network = examine(server, server, server)
    assert evidence.failure is None
    assert [link.der for link in evidence.chain] == [LEAF.der, RACK.der]
    assert evidence.protocol == "TLS 1.3"
    assert evidence.cipher
    assert outcomes(evidence) == {"TLS 1.3": "accepted", "TLS 1.2": "accepted", "TLS 1.1": "refused", "TLS 1.0": "refused"}
    assert set(asked) - {None} == {NAME.encode()}
    hellos = [data for _, _, _, data in network.sent if data[:1] == b"\x16" and data[5:6] == b"\x01"]
    assert len(hellos) == 3
    assert all(NAME.encode() in hello for hello in hellos)


class LeavesAtOnce(TlsServer):
    """A sound server that hangs up the moment the handshake is done."""

    def received(self, data: bytes) -> Sequence[bytes | None]:
        said = super().received(data)
        return [*said, None] if self._connection.get_cipher_name() and not said else said


def test_server_that_hangs_up_after_the_handshake_has_been_seen_whole() -> None:
    """Nothing was left to learn, so a farewell that cannot be delivered is no failure."""
    context = server_context(LEAF, newest=SSL.TLS1_2_VERSION)
    evidence, _ = examine(lambda: LeavesAtOnce(context, []), lambda: Says((), (None,)), lambda: Says((), (None,)))
    assert evidence.failure is None
    assert [link.der for link in evidence.chain] == [LEAF.der, RACK.der]


def test_version_above_the_negotiated_one_is_settled_without_a_trial() -> None:
    """TLS 1.3 was offered and 1.2 chosen: asking again would tell nothing new."""
    context = server_context(LEAF, newest=SSL.TLS1_2_VERSION)
    server = lambda: TlsServer(context, [])  # noqa: E731
    evidence, network = examine(server, server)
    assert outcomes(evidence) == {"TLS 1.3": "refused", "TLS 1.2": "accepted", "TLS 1.1": "refused", "TLS 1.0": "refused"}
    assert sum(1 for _, _, _, data in network.sent if data == b"") == 2


def test_one_refusal_settles_what_is_older() -> None:
    """RFC 5246 appendix E.1: "protocol_version" answers a hello where a server knows only newer versions than its highest."""
    context = server_context(LEAF)
    server = lambda: TlsServer(context, [])  # noqa: E731
    only_newer = lambda: Says((), (PROTOCOL_VERSION,))  # noqa: E731
    evidence, network = examine(server, only_newer, server, server)
    assert outcomes(evidence) == {"TLS 1.3": "accepted", "TLS 1.2": "refused", "TLS 1.1": "refused", "TLS 1.0": "refused"}
    assert evidence.versions[-1].detail == "alert protocol_version (70) where TLS 1.2 was the highest offered"
    assert sum(1 for _, _, _, data in network.sent if data == b"") == 2


def test_another_refusal_settles_nothing_older() -> None:
    """A server that finds no cipher it likes has said nothing of versions."""
    context = server_context(LEAF)
    server = lambda: TlsServer(context, [])  # noqa: E731
    no_cipher = lambda: Says((), (b"\x15\x03\x01\x00\x02\x02\x28",))  # noqa: E731
    evidence, network = examine(server, no_cipher, no_cipher, no_cipher)
    assert {each.version: each.detail for each in evidence.versions if each.version != "TLS 1.3"} == dict.fromkeys(
        ("TLS 1.2", "TLS 1.1", "TLS 1.0"), "alert handshake_failure (40)")
    assert sum(1 for _, _, _, data in network.sent if data == b"") == 4


@pytest.mark.parametrize(("name", "expected"), [
    (NAME, NAME), (NAME + ".", NAME), ("192.0.2.11", None), ("2001:db8::1", None), ("", None), ("dôme.example.net", None),
])
def test_name_asked_for(name: str, expected: str | None) -> None:
    """RFC 6066 section 3: DNS names only, without the final dot; no address."""
    asked: list[bytes | None] = []
    context = server_context(LEAF)
    evidence, _ = examine(lambda: TlsServer(context, asked), name=name)
    assert set(asked) == {expected.encode() if expected else None}
    assert evidence.server_name == (expected or "")


def test_server_that_demands_a_client_certificate_has_shown_its_own() -> None:
    """The handshake fails, and the chain that came before is kept."""
    context = server_context(LEAF, newest=SSL.TLS1_2_VERSION, demand=True)
    server = lambda: TlsServer(context, [])  # noqa: E731
    evidence, _ = examine(server, server, server, server, server)
    assert evidence.failure is not None
    assert evidence.failure.kind is FailureKind.TLS_ALERT
    assert [link.der for link in evidence.chain] == [LEAF.der, RACK.der]
    assert outcomes(evidence)["TLS 1.2"] == "accepted"


@pytest.mark.parametrize(("peer", "greeting"), [
    (Says((), (b"HTTP/1.1 400 Bad Request\r\nServer: x\r\n\r\n", None)), "HTTP/1.1 400 Bad Request"),
    (Says((b"SSH-2.0-example\r\n",)), "SSH-2.0-example"),
    (Says((b"220 mail.obs.example.net ESMTP\r\n",)), "220 mail"),
    (Says((b"\xff\xfd\x18\xff\xfd\x20",)), "\ufffd\ufffd\x18"),
    (Says((b"x" * (1 << 20),)), "xxxx"),
])
def test_plain_text_is_malformed_with_its_greeting(peer: StreamPeer, greeting: str) -> None:
    """What does not speak TLS is kept, bounded, and asked no further."""
    evidence, network = examine(lambda: peer)
    assert evidence.failure is not None
    assert evidence.failure.kind is FailureKind.MALFORMED
    assert evidence.greeting.startswith(greeting)
    assert len(evidence.greeting) <= 1024
    assert evidence.versions == ()
    assert sum(1 for _, _, _, data in network.sent if data == b"") == 1


@pytest.mark.parametrize(("peer", "kind", "phase"), [
    (Says(), FailureKind.NO_ANSWER, "receive"),
    (Says((), (b"\x16\x03",)), FailureKind.NO_ANSWER, "receive"),
    (Says((), (None,)), FailureKind.CLOSED, "handshake"),
    (Says((), (b"\x16", None)), FailureKind.CLOSED, "handshake"),
    (Says((), (PROTOCOL_VERSION,)), FailureKind.TLS_ALERT, "handshake"),
    (Says((), (b"\x15\x03\x03\x00\x02\x02\x70",)), FailureKind.TLS_ALERT, "handshake"),
    (Says((), (b"\x16\x03\x03\x00\x04\x63\x00\x00\x00",)), FailureKind.MALFORMED, "handshake"),
    (Says((), (b"\x16\x03\x03\x40\x00" + b"\x02\x00\xff\xff" * 4096,) * 64), FailureKind.MALFORMED, "handshake"),
    (Says((), (b"\x14\x03\x03\x00\x01\x01" * 200_000,)), FailureKind.MALFORMED, "handshake"),
])
def test_what_goes_wrong_in_a_handshake_is_evidence(peer: StreamPeer, kind: FailureKind, phase: str) -> None:
    """Silence, hang-ups, alerts, nonsense and a megabyte of it: each has its kind, and nothing is raised."""
    evidence, _ = examine(lambda: peer)
    assert evidence.failure is not None
    assert (evidence.failure.kind, evidence.failure.phase) == (kind, phase)
    assert evidence.chain == ()
    assert evidence.elapsed_seconds <= 6.0


@pytest.mark.parametrize(("number", "name"), [(40, "handshake_failure (40)"), (70, "protocol_version (70)"),
                                              (112, "unrecognized_name (112)"), (80, "internal_error (80)")])
def test_alerts_are_named(number: int, name: str) -> None:
    """RFC 8446 section 6.2."""
    evidence, _ = examine(lambda: Says((), (b"\x15\x03\x03\x00\x02\x02" + bytes((number,)),)))
    assert evidence.failure is not None
    assert name in evidence.failure.detail


def test_broken_certificate_is_evidence() -> None:
    """A certificate message whose certificate is no DER ends the handshake as malformed (TLS 1.2, in the clear)."""
    body = b"\x03\x03" + bytes(32) + b"\x00" + b"\xc0\x2f" + b"\x00"
    certificate_list = b"\x00\x00\x08" + b"\x00\x00\x05" + b"hello"
    flight = b"\x02\x00\x00" + bytes((len(body),)) + body + b"\x0b\x00\x00" + bytes((len(certificate_list),)) + certificate_list
    evidence, _ = examine(lambda: Says((), (b"\x16\x03\x03\x00" + bytes((len(flight),)) + flight,)))
    assert evidence.failure is not None
    assert evidence.failure.kind is FailureKind.MALFORMED


RESET = Failure(kind=FailureKind.RESET, phase="connect", elapsed_seconds=0.0, detail="Connection reset by peer")


@pytest.mark.parametrize(("trial", "outcome", "words"), [
    (lambda: Says((), (PROTOCOL_VERSION,)), "refused", "protocol_version (70)"),
    (lambda: Says((), (None,)), "refused", "closed in good order"),
    (lambda: Says((), (b"\x16\x03\x02\x00\x46\x02", None)), "unknown", "middle"),
    (lambda: Says(), "unknown", "no-answer"),
    (RESET, "unknown", "reset"),
    (lambda: Says((), (b"HTTP/1.1 400 Bad Request\r\n",)), "unknown", "not TLS"),
    (lambda: Says((), (b"\x17\x03\x03\x00\x01x",)), "unknown", "type 23"),
    (lambda: Says((), (b"\x15\x03\x03\x00\x02\x01\x70" * 5000,)), "unknown", "endless"),
])
def test_trials_have_three_outcomes(trial: Factory | Failure, outcome: str, words: str) -> None:
    """An alert or an orderly close is a refusal; a reset, silence or nonsense proves nothing."""
    context = server_context(LEAF)
    server = lambda: TlsServer(context, [])  # noqa: E731
    evidence, _ = examine(server, server, trial, server)
    told = {each.version: each for each in evidence.versions}
    assert told["TLS 1.1"].outcome == outcome
    assert words in told["TLS 1.1"].detail
    assert told["TLS 1.0"].outcome == "refused"


def test_silent_trials_share_what_is_left_of_one_deadline() -> None:
    """Three trials into silence end within the one time-out, and each had its turn."""
    context = server_context(LEAF)
    silent = lambda: Says()  # noqa: E731
    evidence, _ = examine(lambda: TlsServer(context, []), silent, silent, silent)
    assert outcomes(evidence) == {"TLS 1.3": "accepted", "TLS 1.2": "unknown", "TLS 1.1": "unknown", "TLS 1.0": "unknown"}
    assert evidence.elapsed_seconds == pytest.approx(6.0)


class PacedNetwork(FakeNetwork):
    """Every connection waits twenty seconds for its turn."""

    async def connect(self, address: str, port: int, *, timeout_seconds: float) -> Stream:
        await self.sleep(20.0)
        return await super().connect(address, port, timeout_seconds=timeout_seconds)


def test_our_own_pace_takes_no_trial_its_time() -> None:
    """Each version is tried, however long its turn took to come."""
    context = server_context(LEAF)
    network = PacedNetwork(streams={(ADDRESS, 443): lambda: TlsServer(context, [])})

    async def main() -> TlsEvidence:
        stream = await network.connect(ADDRESS, 443, timeout_seconds=6.0)
        return await certificate.examine(network, PortQuestion(ADDRESS, 443, "tls", NAME), stream)

    evidence = run(main())
    assert outcomes(evidence) == {"TLS 1.3": "accepted", "TLS 1.2": "accepted", "TLS 1.1": "refused", "TLS 1.0": "refused"}
    assert evidence.elapsed_seconds == pytest.approx(40.0)


class CountingNetwork(FakeNetwork):
    """Counts the handshake slots taken."""

    slots = 0

    def handshake_slot(self) -> contextlib.AbstractAsyncContextManager[object]:
        self.slots += 1
        return super().handshake_slot()


@pytest.mark.parametrize(("peer", "slots"), [
    (Says(), 0), (Says((b"SSH-2.0-example\r\n",)), 0), (Says((), (PROTOCOL_VERSION,)), 1)])
def test_only_a_port_that_answers_in_tls_takes_a_slot(peer: StreamPeer, slots: int) -> None:
    """A silent port must not hold a slot that a live one waits for."""
    network = CountingNetwork(streams={(ADDRESS, 443): lambda: peer})

    async def main() -> TlsEvidence:
        stream = await network.connect(ADDRESS, 443, timeout_seconds=6.0)
        return await certificate.examine(network, PortQuestion(ADDRESS, 443, "tls", NAME), stream)

    assert run(main()).failure is not None
    assert network.slots == slots


# --- real sockets

@contextlib.contextmanager
def listener(serve: Callable[[socket.socket], None], connections: int) -> Iterator[int]:
    """A server thread on the loopback range that treats each of a number of connections in the same way."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(20)

        def loop() -> None:
            for _ in range(connections):
                with listening.accept()[0] as accepted:
                    accepted.settimeout(20)
                    serve(accepted)

        thread = threading.Thread(target=loop)
        thread.start()
        try:
            yield listening.getsockname()[1]
        finally:
            thread.join(20)
            assert not thread.is_alive()


async def look(port: int) -> TlsEvidence:
    async with SocketNetwork(Pace(timeout_seconds=5.0)) as network:
        stream = await network.connect("127.0.0.1", port, timeout_seconds=5.0)
        return await certificate.examine(network, PortQuestion("127.0.0.1", port, "tls", NAME), stream)


async def test_reset_in_the_handshake_over_real_sockets() -> None:
    """A server that reads the hello and resets: evidence of a reset, and nothing known of any version."""

    def reset(accepted: socket.socket) -> None:
        accepted.recv(1 << 16)
        accepted.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    with listener(reset, 5) as port:
        evidence = await look(port)
    assert evidence.failure is not None
    assert evidence.failure.kind is FailureKind.RESET
    assert set(outcomes(evidence).values()) == {"unknown"}


async def test_handshake_over_real_sockets() -> None:
    """The smoke test: a real connection, and the same chain."""
    context = server_context(LEAF)

    def serve(accepted: socket.socket) -> None:
        server = TlsServer(context, [])
        # A client that has seen enough hangs up with octets unread, which this end sees as a reset.
        with contextlib.suppress(ConnectionError):
            while data := accepted.recv(1 << 16):
                for piece in server.received(data):
                    if piece is None:
                        return
                    accepted.sendall(piece)

    with listener(serve, 3) as port:
        evidence = await look(port)
    assert evidence.failure is None
    assert [link.der for link in evidence.chain] == [LEAF.der, RACK.der]
    assert outcomes(evidence) == {"TLS 1.3": "accepted", "TLS 1.2": "accepted", "TLS 1.1": "refused", "TLS 1.0": "refused"}


def test_importing_the_probe_loads_no_tls_library() -> None:
    """OpenSSL and cryptography are loaded when a handshake is due, not before."""
    code = "import sys, probes.certificate; print(sorted({'OpenSSL', 'cryptography', 'ssl'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=30)
    assert done.stdout.strip() == "[]"
