"""Asking an SSH server who it is, in virtual time: a sound server, and every way in which one can be something else."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable, Sequence
from contextlib import AbstractAsyncContextManager
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import ed25519
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from probes import sshproof, sshwire
from probes.fake import FakeNetwork, run
from probes.seam import Stream, failed
from probes.ssh import IDENTIFICATION, PREAMBLE_CHARACTERS, PREAMBLE_LINES, identify
from probes.sshproof import METHODS, Transcript
from probes.sshwire import Kexinit, KexReply, put_string
from shared.evidence import Failure, FailureKind, SshEvidence
from shared.questions import Pace, PortQuestion

ADDRESS, PORT = "192.0.2.11", 22
WHERE = (ADDRESS, PORT)
TIMEOUT = 6.0
BANNER = b"SSH-2.0-tidewater"
KEY = ed25519.Ed25519PrivateKey.from_private_bytes(b"\7" * 32)
BLOB = put_string(b"ssh-ed25519") + put_string(KEY.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw))
OFFER = Kexinit(kex=("curve25519-sha256", "ext-info-s", "kex-strict-s-v00@openssh.com"), host_key=("ssh-ed25519",),
                cipher_in=("aes128-ctr",), cipher_out=("aes256-ctr", "aes128-ctr"), mac_in=("hmac-sha2-256",),
                mac_out=("hmac-sha2-256",), compression_in=("none",), compression_out=("none",))


class Server:
    """The far end of one connection: an SSH server that signs with an Ed25519 key, and can be told to misbehave."""

    def __init__(
        self, *, banner: bytes = BANNER + b"\r\n", offer: Kexinit = OFFER, before_reply: Sequence[bytes] = (),
        sign: Callable[[bytes], bytes] = KEY.sign, blob: bytes = BLOB, algorithm: bytes = b"ssh-ed25519",
        offer_packet: bytes | None = None, reply_packet: bytes | None = None,
    ) -> None:
        self._payload = sshwire.make_kexinit(offer)
        self._opening = banner + (sshwire.make_packet(self._payload) if offer_packet is None else offer_packet)
        self._line = banner.rstrip(b"\r\n").rpartition(b"\n")[2]
        self._before_reply, self._sign, self._blob, self._algorithm = before_reply, sign, blob, algorithm
        self._reply_packet = reply_packet
        self._heard = b""
        self.client_line = b""
        self.client_payload = b""
        self.good_bye: tuple[int, str] | None = None

    def opened(self) -> Sequence[bytes | None]:
        return [self._opening]

    def received(self, data: bytes) -> Sequence[bytes | None]:
        self._heard += data
        if not self.client_line:
            self.client_line, _, self._heard = self._heard.partition(b"\r\n")
        said: list[bytes | None] = []
        while found := sshwire.read_packet(self._heard):
            payload, used = found
            self._heard = self._heard[used:]
            said += self._answer(payload)
        return said

    def _answer(self, payload: bytes) -> list[bytes | None]:
        number = sshwire.message_number(payload)
        if number == sshwire.MSG_KEXINIT:
            self.client_payload = payload
        elif number == sshwire.MSG_KEX_INIT:
            return [*map(sshwire.make_packet, self._before_reply), self._reply_packet or self._reply(payload)]
        elif number == sshwire.MSG_DISCONNECT:
            self.good_bye = sshwire.read_disconnect(payload)
            return [None]
        return []

    def _reply(self, payload: bytes) -> bytes:
        theirs = sshwire.Reader(payload[1:]).string()
        method = METHODS[sshwire.read_kexinit(self.client_payload).kex[0]]
        half = method.begin()
        said = Transcript(client_line=self.client_line, server_line=self._line, client_offer=self.client_payload,
                          server_offer=self._payload)
        reply = KexReply(host_key=self._blob, public=half.public, signature=b"")
        digest = sshproof.exchange_hash(method.hash_name, said, reply, theirs, half.agree(theirs))
        signature = put_string(self._algorithm) + put_string(self._sign(digest))
        return sshwire.make_packet(b"\x1f" + put_string(self._blob) + put_string(half.public) + put_string(signature))


class Says:
    """A peer that says fixed things, whatever it hears."""

    def __init__(self, *said: bytes | None, answer: Sequence[bytes | None] = ()) -> None:
        self._said, self._answer = said, answer

    def opened(self) -> Sequence[bytes | None]:
        return self._said

    def received(self, data: bytes) -> Sequence[bytes | None]:
        answer, self._answer = self._answer, ()
        return answer


def ask(*peers: Any, agent: str = "seatrial") -> tuple[SshEvidence, FakeNetwork]:
    """Identify the peers, one a connection; see that they came one after the other, all closed, within the deadline."""
    def factory(peer: Any) -> Callable[[], Any]:
        def opened() -> Any:
            assert network.open_streams == 1, "two connections at once to one host"
            return peer

        return opened

    network = FakeNetwork(streams={WHERE: [peer if isinstance(peer, Failure) else factory(peer) for peer in peers]},
                          pace=Pace(timeout_seconds=TIMEOUT, agent=agent))

    async def scenario() -> SshEvidence:
        stream = await network.connect(ADDRESS, PORT, timeout_seconds=TIMEOUT)
        evidence = await identify(network, PortQuestion(ADDRESS, PORT, "ssh", ""), stream)
        assert network.monotonic() <= TIMEOUT + 1e-6
        return evidence

    evidence = run(scenario())
    assert network.open_streams == 0
    assert (evidence.address, evidence.port) == (ADDRESS, "22/tcp")
    return evidence, network


def connections(network: FakeNetwork) -> int:
    """How many connections were opened."""
    return sum(1 for service, _address, _port, data in network.sent if service == "tcp" and data == b"")


def test_a_sound_server_is_known_by_name_offer_and_proven_key() -> None:
    """Identification, lists without markers, and the one key it offers."""
    server = Server()
    evidence, network = ask(server)
    assert (evidence.failure, evidence.key_failures, evidence.preamble) == (None, (), ())
    assert evidence.identification == "SSH-2.0-tidewater"
    assert evidence.kex_algorithms == ("curve25519-sha256",)
    assert evidence.markers == ("ext-info-s", "kex-strict-s-v00@openssh.com")
    assert evidence.host_key_algorithms == ("ssh-ed25519",)
    assert evidence.ciphers == ("aes128-ctr", "aes256-ctr")
    assert (evidence.macs, evidence.compressions) == (("hmac-sha2-256",), ("none",))
    assert [(key.key_type, key.bits, key.blob) for key in evidence.host_keys] == [("ssh-ed25519", 256, BLOB)]
    assert connections(network) == 1


def test_the_server_is_told_who_called_and_no_login_is_begun() -> None:
    """The identification names us, the good-bye names the ticket, and nothing else is sent."""
    server = Server()
    _evidence, network = ask(server, agent="seatrial (CHG-1042)")
    assert server.client_line == IDENTIFICATION == b"SSH-2.0-seatrial"
    assert server.good_bye == (sshwire.DISCONNECT_BY_APPLICATION, "seatrial (CHG-1042): host key seen, no login wanted")
    assert len([data for _s, _a, _p, data in network.sent if data]) == 3


@pytest.mark.parametrize("method", [name for name in METHODS if not name.startswith("mlkem")])
def test_a_key_is_proven_through_every_method(method: str) -> None:
    """One exchange by each key exchange method that is spoken here."""
    evidence, _network = ask(Server(offer=_offering(kex=("rsa1024-sha1", method))))
    assert [key.blob for key in evidence.host_keys] == [BLOB]


def _offering(**fields: Any) -> Kexinit:
    return Kexinit(**{**{name: getattr(OFFER, name) for name in Kexinit.__slots__}, **fields})


def test_lines_before_the_identification_are_kept_and_bounded() -> None:
    """RFC 4253 section 4.2 allows them; of many and long ones a few and the front are kept."""
    lines = b"notice\r\n" + b"x" * 600 + b"\r\n" + b"y\n" * 60
    evidence, _network = ask(Server(banner=lines + BANNER + b"\r\n"))
    assert evidence.identification == "SSH-2.0-tidewater"
    assert (evidence.preamble[0], len(evidence.preamble)) == ("notice", PREAMBLE_LINES)
    assert evidence.preamble[1] == "x" * (PREAMBLE_CHARACTERS - 1) + "…"
    assert len(evidence.host_keys) == 1


@pytest.mark.parametrize("banner", [BANNER + b"\n", b"SSH-1.99-old\r\n", b"SSH-2.0-a\0b\r\n", b"SSH-2.0-" + b"x" * 400 + b"\r\n"])
def test_an_odd_identification_does_not_lose_the_rest(banner: bytes) -> None:
    """The string enters the hash as it came, so the key is still proven."""
    evidence, _network = ask(Server(banner=banner))
    assert len(evidence.host_keys) == 1
    assert evidence.identification == banner.rstrip(b"\r\n").decode()


def test_a_server_of_version_1_is_noted_and_asked_nothing_more() -> None:
    """It makes no offer in the form of version 2; that is no failure to observe."""
    evidence, network = ask(Says(b"SSH-1.5-ancient\r\n", bytes(64)))
    assert (evidence.identification, evidence.failure, evidence.host_keys) == ("SSH-1.5-ancient", None, ())
    assert connections(network) == 1


@pytest.mark.parametrize(
    ("peer", "kind", "preamble"),
    [
        (Says(), FailureKind.NO_ANSWER, ()),
        (Says(None), FailureKind.CLOSED, ()),
        (Says(b"Exceeded MaxStartups\r\n", None), FailureKind.CLOSED, ("Exceeded MaxStartups",)),
        (Says(b"220 mail.obs.example.net\r\n"), FailureKind.NO_ANSWER, ("220 mail.obs.example.net",)),
        (Says(b"no end of line"), FailureKind.NO_ANSWER, ("no end of line",)),
        (Says(answer=[b"HTTP/1.1 400 Bad Request\r\n\r\n", None]), FailureKind.CLOSED, ("HTTP/1.1 400 Bad Request", "")),
        (Says(answer=[b"\x15\x03\x03\0\2\2\x46", None]), FailureKind.CLOSED, ("\x15\x03\x03\0\2\2F",)),
        (Says(b"SSH-2.0\r\n"), FailureKind.MALFORMED, ("SSH-2.0",)),
        (Says(b"x" * 1_000_000), FailureKind.MALFORMED, ("x" * (PREAMBLE_CHARACTERS - 1) + "…",)),
        (Says(b"flood\r\n" * 150_000), FailureKind.MALFORMED, ("flood",) * PREAMBLE_LINES),
    ],
)
def test_what_is_no_ssh_server_is_told_by_what_it_said(peer: Says, kind: FailureKind, preamble: tuple[str, ...]) -> None:
    """Silent, closed, another protocol before or after our greeting, a flood: each is evidence with its kind."""
    evidence, network = ask(peer)
    assert evidence.failure is not None
    assert (evidence.failure.kind, evidence.failure.phase) == (kind, "identification")
    assert (evidence.identification, evidence.preamble, evidence.host_keys) == ("", preamble, ())
    assert connections(network) == 1


@pytest.mark.parametrize(
    ("packet", "kind"),
    [
        (b"", FailureKind.NO_ANSWER),
        (b"HTTP/1.1 200 OK\r\n", FailureKind.MALFORMED),
        (sshwire.make_packet(b"\x14" + bytes(16)), FailureKind.MALFORMED),
        (sshwire.make_packet(b""), FailureKind.MALFORMED),
        (sshwire.make_packet(b"\x02" + put_string(b"noise")) * 5000, FailureKind.MALFORMED),
        (sshwire.make_packet(sshwire.make_disconnect("too busy")), FailureKind.CLOSED),
    ],
    ids=range(6),  # the padding is random
)
def test_a_server_without_a_readable_offer_keeps_its_name(packet: bytes, kind: FailureKind) -> None:
    """The identification is evidence even where the offer never comes or cannot be read."""
    evidence, _network = ask(Server(offer_packet=packet))
    assert evidence.failure is not None
    assert (evidence.failure.kind, evidence.failure.phase) == (kind, "algorithms")
    assert (evidence.identification, evidence.kex_algorithms, evidence.host_keys) == ("SSH-2.0-tidewater", (), ())


@pytest.mark.parametrize(
    ("server", "kind", "phase"),
    [
        (Server(sign=lambda digest: KEY.sign(b"replayed")), FailureKind.MISMATCHED, "signature"),
        (Server(sign=lambda digest: KEY.sign(hashlib.sha256(digest).digest())), FailureKind.MISMATCHED, "signature"),
        (Server(sign=lambda digest: b"short"), FailureKind.MISMATCHED, "signature"),
        (Server(algorithm=b"ssh-rsa"), FailureKind.MALFORMED, "signature"),
        (Server(blob=b"\0\0\0\1x"), FailureKind.MALFORMED, "signature"),
        (Server(reply_packet=sshwire.make_packet(b"\x1f\0\0")), FailureKind.MALFORMED, "key exchange"),
        (Server(reply_packet=sshwire.make_packet(b"\x03\0\0\0\0")), FailureKind.MALFORMED, "key exchange"),
        (Server(reply_packet=b"\0\0"), FailureKind.NO_ANSWER, "key exchange"),
        (Server(reply_packet=sshwire.make_packet(b"\x1f" + put_string(BLOB) + put_string(bytes(32)) + put_string(b""))),
         FailureKind.MALFORMED, "key exchange"),
        (Server(reply_packet=sshwire.make_packet(sshwire.make_disconnect("no"))), FailureKind.CLOSED, "key exchange"),
    ],
)
def test_a_key_that_is_not_proven_is_no_key_and_the_offer_is_kept(server: Server, kind: FailureKind, phase: str) -> None:
    """A copied public key, a replayed signature, nonsense: no host key, the reason beside its type, the lists intact."""
    evidence, _network = ask(server)
    assert (evidence.host_keys, evidence.failure) == ((), None)
    assert [(missed.key_type, missed.failure.kind, missed.failure.phase) for missed in evidence.key_failures] == [
        ("ssh-ed25519", kind, phase)]
    assert evidence.kex_algorithms == ("curve25519-sha256",)


def test_messages_that_mean_nothing_are_passed_over() -> None:
    """RFC 4253 section 11: IGNORE and DEBUG may come at any time."""
    noise = (b"\x02" + put_string(b"noise"), b"\x04\1" + put_string(b"debug") + put_string(b""))
    evidence, _network = ask(Server(before_reply=noise))
    assert len(evidence.host_keys) == 1


@pytest.mark.parametrize(
    ("kex", "ignored"), [(("ecdh-sha2-nistp521", "curve25519-sha256"), 1), (("curve25519-sha256",), 0)])
def test_a_packet_sent_on_a_wrong_guess_is_ignored_and_on_a_right_one_used(kex: tuple[str, ...], ignored: int) -> None:
    """RFC 4253 section 7: first_kex_packet_follows."""
    evidence, _network = ask(Server(offer=_offering(kex=kex, guesses=True), before_reply=[b"\x1fguess"] * ignored))
    assert len(evidence.host_keys) == 1


def test_only_old_methods_leave_the_lists_and_one_connection() -> None:
    """The lists are evidence; the keys are missing with the reason; the server is not called again in vain."""
    old = _offering(kex=("diffie-hellman-group1-sha1",), host_key=("ssh-rsa", "ssh-ed25519"))
    evidence, network = ask(Server(offer=old))
    assert (evidence.kex_algorithms, evidence.failure) == (("diffie-hellman-group1-sha1",), None)
    assert {missed.key_type for missed in evidence.key_failures} == {"ssh-ed25519", "ssh-rsa"}
    assert all("diffie-hellman-group1-sha1" in missed.failure.detail for missed in evidence.key_failures)
    assert connections(network) == 1


def test_the_reason_names_the_methods_that_are_offered_and_no_markers() -> None:
    """RFC 8308 section 2.1: what announces an extension stands in the list of methods and is none."""
    markers = ("ext-info-s", "kex-strict-s-v00@openssh.com")
    evidence, _network = ask(Server(offer=_offering(kex=("diffie-hellman-group-exchange-sha256", *markers))))
    details = {missed.failure.detail for missed in evidence.key_failures}
    assert details == {"no key exchange method that is offered is spoken here: diffie-hellman-group-exchange-sha256"}


def test_a_server_with_no_key_type_of_ours_is_not_asked_for_one() -> None:
    """ssh-dss and certificates are listed and never asked for."""
    evidence, network = ask(Server(offer=_offering(host_key=("ssh-dss", "ssh-ed25519-cert-v01@openssh.com"))))
    assert (evidence.host_keys, evidence.key_failures, connections(network)) == ((), (), 1)


_THREE = _offering(host_key=("ssh-ed25519", "rsa-sha2-256", "ecdsa-sha2-nistp256", "ecdsa-sha2-nistp384"))


def test_each_key_type_has_a_connection_of_its_own_and_no_more_than_three() -> None:
    """The first reuses the stream; one failing key does not lose the others."""
    evidence, network = ask(Server(offer=_THREE), Server(offer=_THREE, banner=BANNER + b"\n", offer_packet=b"\0" * 8),
                            Server(offer=_THREE))
    assert [key.key_type for key in evidence.host_keys] == ["ssh-ed25519"]
    assert [(missed.key_type, missed.failure.kind) for missed in evidence.key_failures] == [
        ("ecdsa", FailureKind.MALFORMED), ("ssh-rsa", FailureKind.MALFORMED)]
    assert connections(network) == 3


_AWAY = Says(b"Exceeded MaxStartups\r\n", None)


@pytest.mark.parametrize(("peers", "kinds", "asked", "seconds"), [
    ((Says(None), Server(offer=_THREE), Server(offer=_THREE)), ["malformed", "malformed"], 4, 1.0),
    ((_AWAY, Server(offer=_THREE), _AWAY, Server(offer=_THREE)), ["malformed", "malformed"], 5, 2.0),
    ((_AWAY, _AWAY, Server(offer=_THREE)), ["closed", "malformed"], 4, 1.0),
    ((_AWAY, _AWAY, _AWAY, _AWAY), ["closed", "closed"], 5, 2.0),
    ((Says(BANNER + b"\r\n", None), Server(offer=_THREE)), ["closed", "malformed"], 3, 0.0),
])
def test_a_server_that_turns_a_further_connection_away_is_asked_once_more(
        peers: Sequence[Any], kinds: list[str], asked: int, seconds: float) -> None:
    """It has not let go of the connection before, or has many callers; "malformed" is the one key of this server, met again."""
    evidence, network = ask(Server(offer=_THREE), *peers)
    assert [missed.failure.kind.value for missed in evidence.key_failures] == kinds
    assert connections(network) == asked
    assert evidence.elapsed_seconds == pytest.approx(seconds, abs=0.1)


def test_a_second_connection_that_is_refused_costs_only_its_key() -> None:
    """What was proven stays proven."""
    refused = Failure(kind=FailureKind.REFUSED, phase="connect", elapsed_seconds=0.0)
    evidence, _network = ask(Server(offer=_THREE), refused, refused)
    assert len(evidence.host_keys) == 1
    assert [missed.failure.kind for missed in evidence.key_failures] == [FailureKind.REFUSED] * 2


def test_a_silent_second_connection_takes_the_rest_of_the_one_deadline() -> None:
    """All connections together have one deadline; what has no time left says so and is not tried."""
    evidence, network = ask(Server(offer=_THREE), Says())
    assert [missed.failure.kind for missed in evidence.key_failures] == [FailureKind.NO_ANSWER] * 2
    assert "used up" in evidence.key_failures[1].failure.detail
    assert evidence.elapsed_seconds == pytest.approx(TIMEOUT)
    assert connections(network) == 2


def test_our_own_pace_takes_no_key_its_time_and_mute_ports_hold_no_slot() -> None:
    """Every key is asked for, however long its connection waited for its turn; a slot is taken once the server has spoken."""
    class Paced(FakeNetwork):
        slots = 0

        async def connect(self, address: str, port: int, *, timeout_seconds: float) -> Stream:
            await self.sleep(20.0)
            return await super().connect(address, port, timeout_seconds=timeout_seconds)

        def handshake_slot(self) -> AbstractAsyncContextManager[object]:
            self.slots += 1
            return super().handshake_slot()

    def told(peer: Any) -> tuple[SshEvidence, Paced]:
        network = Paced(streams={WHERE: lambda: peer()}, pace=Pace(timeout_seconds=TIMEOUT))

        async def scenario() -> SshEvidence:
            stream = await network.connect(ADDRESS, PORT, timeout_seconds=TIMEOUT)
            return await identify(network, PortQuestion(ADDRESS, PORT, "ssh", ""), stream)

        return run(scenario()), network

    evidence, network = told(lambda: Server(offer=_THREE))
    # The server holds one key, and signs with it for the two others that it offers.
    assert (len(evidence.host_keys), len(evidence.key_failures), network.slots) == (1, 2, 3)
    assert FailureKind.NO_ANSWER not in {missed.failure.kind for missed in evidence.key_failures}
    evidence, network = told(Says)
    assert evidence.failure is not None
    assert network.slots == 0


def test_an_octet_a_second_is_cut_off_at_the_deadline() -> None:
    """The deadline is for the whole, not for each octet."""

    class Dribble:
        def __init__(self, network: FakeNetwork) -> None:
            self.network, self.closed = network, False

        async def send(self, data: bytes, *, timeout_seconds: float) -> None:
            return None

        async def receive(self, limit: int, *, timeout_seconds: float) -> bytes:
            await self.network.sleep(min(1.0, timeout_seconds))
            if timeout_seconds < 1.0:
                raise failed(FailureKind.NO_ANSWER, "receive", timeout_seconds, "nothing came in time")
            return b"x"

        def close(self) -> None:
            self.closed = True

    network = FakeNetwork(pace=Pace(timeout_seconds=TIMEOUT))
    stream = Dribble(network)
    evidence = run(identify(network, PortQuestion(ADDRESS, PORT, "ssh", ""), stream))
    assert evidence.failure is not None
    assert evidence.failure.kind is FailureKind.NO_ANSWER
    assert evidence.preamble == ("xxxxxx",)
    assert evidence.elapsed_seconds == pytest.approx(TIMEOUT)
    assert stream.closed


@pytest.mark.parametrize("seconds", [1.0, 3.0])
@pytest.mark.parametrize("slots", [0, 1])
def test_a_cancelled_question_leaves_no_connection_behind(seconds: float, slots: int) -> None:
    """Whether it was still waiting for a handshake slot or in the middle of reading."""

    class Crowded(FakeNetwork):
        gate: asyncio.Semaphore

        def handshake_slot(self) -> asyncio.Semaphore:
            return self.gate

    network = Crowded(streams={WHERE: Says}, pace=Pace(timeout_seconds=TIMEOUT))

    async def scenario() -> None:
        network.gate = asyncio.Semaphore(slots)
        stream = await network.connect(ADDRESS, PORT, timeout_seconds=TIMEOUT)
        async with asyncio.timeout(seconds):
            await identify(network, PortQuestion(ADDRESS, PORT, "ssh", ""), stream)

    with pytest.raises(TimeoutError):
        run(scenario())
    assert network.open_streams == 0
