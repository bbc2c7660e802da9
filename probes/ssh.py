"""What an SSH server says of itself before any login: its identification, what it offers, and the host keys it holds.

No login is ever attempted and no user name is ever sent.  A host key is asked for by a key exchange that is broken off, with
a good-bye, as soon as the server's signature is read.  One exchange proves one key, so there is a connection a key type,
three at most, each tried twice at most, and one after the other: servers shed load by the number of unauthenticated
connections (``MaxStartups`` and ``PerSourcePenalties`` of sshd_config), and a checker must not be the load.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Iterator
from dataclasses import dataclass

from probes import sshproof, sshwire
from probes.patience import Patience
from probes.seam import Network, NotObserved, Stream, failed, now
from probes.sshproof import METHODS, NotHeldError, Transcript
from probes.sshwire import Greeting, Kexinit, SshWireError
from shared.evidence import Failure, FailureKind, SshEvidence, SshHostKey, SshKeyFailure, bounded
from shared.questions import PortQuestion

#: Who we say we are (RFC 4253 section 4.2).
IDENTIFICATION = b"SSH-2.0-seatrial"
#: How many lines before the identification string are kept as evidence, and of each at most so many characters.
PREAMBLE_LINES, PREAMBLE_CHARACTERS = 20, sshwire.IDENTIFICATION_LIMIT
#: The most packets read while waiting for one message: a server may slip in messages that mean nothing (RFC 4253 section 11).
#: Common practice, no source.
PACKETS_LIMIT = 16
#: How long a server that turned a further connection away is left alone before it is asked once more, in seconds.  Ours.
AGAIN_AFTER_SECONDS = 1.0
_RECEIVE_OCTETS = 8192


async def identify(network: Network, question: PortQuestion, stream: Stream) -> SshEvidence:
    """Ask the SSH server at the far end of ``stream``, just connected, who it is; ``stream`` is always closed.

    Everything together takes at most ``pace.timeout_seconds``, less what is spent waiting for a handshake slot or for our turn
    in the pace.  Raises nothing of its own: what could not be seen is in ``failure`` and ``key_failures``.
    """
    try:
        return await _identify(network, question, _Line(network, stream, Patience(network, network.pace.timeout_seconds)))
    finally:
        stream.close()


async def shown_key(network: Network, stream: Stream) -> SshHostKey:
    """The first key that the SSH server at the far end of ``stream``, just connected, proves to hold; ``stream`` is closed.

    Raises NotObserved.
    """
    try:
        line, heard = _Line(network, stream, Patience(network, network.pace.timeout_seconds)), _Heard()
        await _listen(line, heard)
        offered = heard.offer.host_key if heard.offer else ()
        known = (name for signatures in sshproof.KEY_TYPES.values() for name in signatures if name in offered)
        algorithm = next(known, None)
        if algorithm is None:
            raise line.failed(FailureKind.OTHER, "negotiation", "no host key type that is offered is known here")
        return await _prove(line, algorithm, heard)
    finally:
        stream.close()


@dataclass(slots=True)
class _Heard:
    """What one connection brought before the key exchange.  ``payload`` is the offer as it came: it enters the hash."""

    greeting: Greeting | None = None
    preamble: tuple[bytes, ...] = ()
    payload: bytes = b""
    offer: Kexinit | None = None


async def _identify(network: Network, question: PortQuestion, line: _Line) -> SshEvidence:
    at, began, heard = now(network), network.monotonic(), _Heard()
    keys: list[SshHostKey] = []
    failures: list[SshKeyFailure] = []
    failure: Failure | None = None
    try:
        await _listen(line, heard)
    except NotObserved as error:
        failure = error.failure
    offer = heard.offer or Kexinit((), (), (), (), (), (), (), ())
    if heard.offer:
        await _ask_keys(network, question, line, heard, keys, failures)
    return SshEvidence(
        address=question.address, port=question.label, at=at, elapsed_seconds=network.monotonic() - began,
        identification=_text(heard.greeting.identification) if heard.greeting else "",
        preamble=tuple(bounded(_text(said), PREAMBLE_CHARACTERS) for said in heard.preamble[:PREAMBLE_LINES]),
        kex_algorithms=_methods_of(offer.kex), markers=_markers_of(offer.kex),
        host_key_algorithms=offer.host_key, ciphers=_merged(offer.cipher_in, offer.cipher_out),
        macs=_merged(offer.mac_in, offer.mac_out), compressions=_merged(offer.compression_in, offer.compression_out),
        host_keys=tuple(keys), key_failures=tuple(failures), failure=failure)


def _is_marker(name: str) -> bool:
    """Whether an entry of a key exchange list announces an extension and is no method (RFC 8308 section 2.1).

    ``kex-strict-*`` is a marker of the same make by convention, without an RFC.
    """
    return name.startswith(("ext-info-", "kex-strict-"))


@functools.lru_cache(maxsize=256)
def _methods_of(names: tuple[str, ...]) -> tuple[str, ...]:
    """A key exchange list without its markers."""
    return tuple(name for name in names if not _is_marker(name))


@functools.lru_cache(maxsize=256)
def _markers_of(names: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(filter(_is_marker, names))


@functools.lru_cache(maxsize=256)
def _merged(one: tuple[str, ...], other: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*one, *other)))


def _text(octets: bytes) -> str:
    return bounded(octets.decode("utf-8", "backslashreplace"))


async def _listen(line: _Line, heard: _Heard) -> None:
    """Exchange identifications and take the server's offer, noting what came even where it is not all.  Raises NotObserved.

    A server that speaks only an older version makes no such offer and is asked for none.
    """
    try:
        heard.greeting = await line.greet()
    except NotObserved:
        heard.preamble = sshwire.lines_of(line.received)
        raise
    heard.preamble = heard.greeting.preamble
    if heard.greeting.speaks_2:
        heard.payload = await line.message("algorithms")
        with line.reading("algorithms"):
            heard.offer = sshwire.read_kexinit(heard.payload)


async def _ask_keys(
    network: Network, question: PortQuestion, first: _Line, heard: _Heard, keys: list[SshHostKey], failures: list[SshKeyFailure]
) -> None:
    """Prove one key of each type that is offered: the first on the connection there is, the others on fresh ones."""
    unused: _Line | None = first
    for key_type, signatures in sshproof.KEY_TYPES.items():
        algorithm = next((name for name in signatures if heard.offer and name in heard.offer.host_key), None)
        if algorithm is None:
            continue
        try:
            _method(first, heard)  # a server that speaks none of ours is not called again to hear it twice
            if unused:
                keys.append(await _prove(unused, algorithm, heard))
            else:
                keys.append(await _prove_in_turn(network, question, first.patience, algorithm))
        except NotObserved as error:
            failures.append(SshKeyFailure(key_type=key_type, failure=error.failure))
        unused = None
        first.close()


async def _prove_in_turn(network: Network, question: PortQuestion, patience: Patience, algorithm: str) -> SshHostKey:
    """Prove a key on a connection of its own, and once more where the server hung up before it said who it is.

    It did say so a moment ago: it has not let go of the connection before yet, or has many other callers (``MaxStartups`` and
    ``PerSourceMaxStartups``).  Raises NotObserved.
    """
    try:
        return await _prove_afresh(network, question, patience, algorithm)
    except NotObserved as error:
        turned_away = error.failure.kind in (FailureKind.CLOSED, FailureKind.RESET) and error.failure.phase == "identification"
        if not turned_away or patience.left_seconds <= AGAIN_AFTER_SECONDS:
            raise
    await network.sleep(AGAIN_AFTER_SECONDS)
    return await _prove_afresh(network, question, patience, algorithm)


async def _prove_afresh(network: Network, question: PortQuestion, patience: Patience, algorithm: str) -> SshHostKey:
    """Prove a key on a connection of its own.  Raises NotObserved."""
    _left(network, patience, "connect")
    line = _Line(network, await patience.connect(question.address, question.port), patience)
    try:
        heard = _Heard()
        await _listen(line, heard)
        return await _prove(line, algorithm, heard)
    finally:
        line.close()


def _method(line: _Line, heard: _Heard) -> str:
    """The key exchange method to use.  Raises NotObserved where the server offers none that is spoken here."""
    offered = heard.offer.kex if heard.offer else ()
    method = next((name for name in METHODS if name in offered), None)
    if method is None:
        methods = ", ".join(_methods_of(offered))
        detail = "no key exchange method that is offered is spoken here: " + (methods or "there is none")
        raise line.failed(FailureKind.OTHER, "negotiation", bounded(detail))
    return method


async def _prove(line: _Line, algorithm: str, heard: _Heard) -> SshHostKey:
    """One key exchange up to the server's signature, then a good-bye.  Raises NotObserved.

    The slot is taken only now that the server has spoken, so that mute ports hold none that a live one waits for.
    """
    async with line.patience.handshake_slot():
        return await _exchange_keys(line, algorithm, heard)


async def _exchange_keys(line: _Line, algorithm: str, heard: _Heard) -> SshHostKey:
    name = _method(line, heard)
    assert heard.offer is not None
    assert heard.greeting is not None
    method = METHODS[name]
    half = method.begin()
    ours = sshwire.make_kexinit(_answer(heard.offer, name, algorithm))
    await line.send(sshwire.make_packet(ours) + sshwire.make_packet(sshwire.make_kex_init(half.public)))
    if heard.offer.guesses and (heard.offer.kex[:1], heard.offer.host_key[:1]) != ((name,), (algorithm,)):
        # RFC 4253 section 7: a packet made on a wrong guess is to be ignored.
        await line.message("key exchange")
    payload = await line.message("key exchange")
    with line.reading("key exchange"):
        reply = sshwire.read_kex_reply(payload)
        secret = half.agree(reply.public)
    said = Transcript(client_line=IDENTIFICATION, server_line=heard.greeting.identification, client_offer=ours,
                      server_offer=heard.payload)
    digest = sshproof.exchange_hash(method.hash_name, said, reply, half.public, secret)
    await line.say_goodbye()
    with line.reading("signature"):
        return sshproof.prove(reply.host_key, algorithm, reply.signature, digest)


def _answer(offer: Kexinit, method: str, algorithm: str) -> Kexinit:
    """An offer with exactly one outcome (RFC 4253 section 7.1): the rest is the server's own first choice, never used."""
    return Kexinit(kex=(method,), host_key=(algorithm,), cipher_in=offer.cipher_in[:1], cipher_out=offer.cipher_out[:1],
                   mac_in=offer.mac_in[:1], mac_out=offer.mac_out[:1], compression_in=offer.compression_in[:1],
                   compression_out=offer.compression_out[:1])


def _left(network: Network, patience: Patience, phase: str) -> float:
    """The seconds left.  Raises NotObserved where there are none."""
    left = patience.left_seconds
    if left <= 0:
        raise failed(FailureKind.NO_ANSWER, phase, network.pace.timeout_seconds, "the time for this server was used up before")
    return left


class _Line:
    """One connection: what was received and not yet read, and the patience for all of it.  Its methods raise NotObserved."""

    def __init__(self, network: Network, stream: Stream, patience: Patience) -> None:
        self._network, self._stream, self.patience = network, stream, patience
        self._began = network.monotonic()
        self.received = b""

    async def greet(self) -> Greeting:
        """Send our identification string and take the server's."""
        # Sent before listening, as RFC 4253 section 4.2 has it: a service of another kind then answers it and shows what it is.
        with contextlib.suppress(NotObserved):  # a server that has already hung up may have said why; reading tells
            await self.send(IDENTIFICATION + b"\r\n")
        while True:
            with self.reading("identification"):
                found = sshwire.read_greeting(self.received)
            if found:
                greeting, used = found
                self.received = self.received[used:]
                return greeting
            await self._more("identification")

    async def message(self, phase: str) -> bytes:
        """The next payload that means something: messages to be ignored are (RFC 4253 section 11)."""
        for _ in range(PACKETS_LIMIT):
            payload = await self._payload(phase)
            with self.reading(phase):
                number = sshwire.message_number(payload)
                if number == sshwire.MSG_DISCONNECT:
                    code, words = sshwire.read_disconnect(payload)
                    detail = f"the server said good-bye with reason {code}: {bounded(words, 200)}"
                    raise self.failed(FailureKind.CLOSED, phase, detail)
                if number not in (sshwire.MSG_IGNORE, sshwire.MSG_DEBUG):
                    return payload
        raise self.failed(FailureKind.MALFORMED, phase, f"{PACKETS_LIMIT} messages in a row that mean nothing")

    async def _payload(self, phase: str) -> bytes:
        while True:
            with self.reading(phase):
                found = sshwire.read_packet(self.received)
            if found:
                payload, used = found
                self.received = self.received[used:]
                return payload
            await self._more(phase)

    async def _more(self, phase: str) -> None:
        try:
            piece = await self._stream.receive(_RECEIVE_OCTETS, timeout_seconds=_left(self._network, self.patience, phase))
        except NotObserved as error:
            raise self.failed(error.failure.kind, phase, error.failure.detail, error.failure.errno) from error
        if not piece:
            raise self.failed(FailureKind.CLOSED, phase, "the server closed the connection")
        self.received += piece

    async def send(self, data: bytes) -> None:
        """Send all of ``data``."""
        await self._stream.send(data, timeout_seconds=_left(self._network, self.patience, "send"))

    async def say_goodbye(self) -> None:
        """Tell the server that we are done, and who we are, so that its log shows a visit and not an attack."""
        words = f"{self._network.pace.agent}: host key seen, no login wanted"
        with contextlib.suppress(NotObserved):  # what we came for is had; a server that has gone already misses nothing
            await self.send(sshwire.make_packet(sshwire.make_disconnect(words)))

    @contextlib.contextmanager
    def reading(self, phase: str) -> Iterator[None]:
        """Within it, what the codec refuses is raised as NotObserved."""
        try:
            yield
        except NotHeldError as error:
            raise self.failed(FailureKind.MISMATCHED, phase, str(error)) from error
        except SshWireError as error:
            raise self.failed(FailureKind.MALFORMED, phase, str(error)) from error

    def failed(self, kind: FailureKind, phase: str, detail: str, errno: int | None = None) -> NotObserved:
        """What could not be observed on this connection, and how long it took to know."""
        elapsed = self._network.monotonic() - self._began
        return NotObserved(Failure(kind=kind, phase=phase, elapsed_seconds=elapsed, errno=errno, detail=detail))

    def close(self) -> None:
        """Close the connection.  May be called twice."""
        self._stream.close()
