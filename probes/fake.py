"""A network made of tables: who answers what, after which delay.  For tests and for trying out probes.

Time is virtual: ``run`` drives a coroutine on an event loop whose clock jumps to the next thing due, so a scenario with
a minute of time-outs takes no time and gives the same stamps every run.
"""

from __future__ import annotations

import asyncio
import contextlib
import selectors
from collections.abc import Callable, Coroutine, Hashable, Iterator, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from typing import Any, Protocol, TypeVar

from probes.linkwire import Claim, read_claim
from probes.seam import Datagram, NotObserved, Service, Stream, Wire
from shared.evidence import Failure, FailureKind
from shared.questions import Pace

#: 2026-11-02 09:00:00 UTC: the wall clock at virtual time zero.
EPOCH_NS = 1_793_610_000 * 1_000_000_000

#: Answers one datagram with (delay in seconds, packet) pairs: none is silence, several are duplicates or strays.
DatagramPeer = Callable[[bytes], Sequence[tuple[float, bytes]]]

#: Answers one frame put on the wire with (delay in seconds, frame) pairs, by whichever machines hear it.
FramePeer = Callable[[bytes], Sequence[tuple[float, bytes]]]

T = TypeVar("T")


class StreamPeer(Protocol):
    """The other end of a fake TCP connection.  Octets to send are returned; None in the list closes the connection."""

    def opened(self) -> Sequence[bytes | None]:
        """What the peer says first."""

    def received(self, data: bytes) -> Sequence[bytes | None]:
        """What the peer says to ``data``."""


#: What a connection to one place meets: a peer, freshly made, or a failure.
StreamEntry = Callable[[], StreamPeer] | Failure


class _JumpingSelector(selectors.DefaultSelector):
    """A selector that never waits: it moves its loop's clock forward instead."""

    seconds = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if not ready and timeout is None:
            raise RuntimeError("the scenario is stuck: nothing is due any more")
        if not ready and timeout:
            self.seconds += timeout
        return ready


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """An event loop whose clock jumps to the next timer."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        return self._jumping.seconds


def run(main: Coroutine[Any, Any, T]) -> T:
    """Run a coroutine in virtual time and return its result."""
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main)


#: A runner that stands on no wire of any host.
OFF_LINK = Failure(kind=FailureKind.NO_ROUTE, phase="off-link", elapsed_seconds=0.0,
                   detail="the runner does not stand on the wire of the address")


class FakeNetwork:
    """A ``Network`` (see ``probes.seam``) whose world is three tables.

    ``datagrams`` maps (service name, address, port) to a peer or to the failure every packet there meets; ``streams``
    maps (address, port) to a factory of peers, to a failure, or to a list of these that is used up, one a connection.  What is
    in no table is silent.  ``wire`` answers every frame put on the one wire there is, or is why there is none.  ``sent`` records
    (service, "tcp" or "frame", address, port, octets) in order.
    """

    def __init__(
        self,
        *,
        datagrams: Mapping[tuple[str, str, int], DatagramPeer | Failure] | None = None,
        streams: Mapping[tuple[str, int], StreamEntry | list[StreamEntry]] | None = None,
        pace: Pace | None = None,
        echo: str | Failure = "icmp-datagram",
        sources: Mapping[str, str] | None = None,
        clock_step_seconds: float = 0.0,
        wire: FramePeer | Failure = OFF_LINK,
    ) -> None:
        self.pace = pace or Pace()
        self.sent: list[tuple[str, str, int, bytes]] = []
        self.open_streams = 0
        #: For how long the runner has been suspended so far; to be added to while a test runs.
        self.suspended_seconds = 0.0
        self._datagrams = dict(datagrams or {})
        self._streams = dict(streams or {})
        self._echo = echo
        self._sources = dict(sources or {})
        self._clock_step_seconds = clock_step_seconds
        self._wire = wire
        self._shared_wire: _FakeWire | None = None

    def monotonic(self) -> float:
        return asyncio.get_running_loop().time()

    def unbroken(self) -> float:
        return self.monotonic() + self.suspended_seconds

    def wall_ns(self) -> int:
        return EPOCH_NS + round(self.unbroken() * 1e9)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)

    async def spare_turn(self) -> None:
        pass

    def handshake_slot(self) -> AbstractAsyncContextManager[object]:
        return contextlib.nullcontext()

    def echo_method(self, address: str) -> str:
        if isinstance(self._echo, Failure):
            raise NotObserved(self._echo)
        return self._echo

    def shortages(self) -> tuple[tuple[str, int], ...]:
        return ()

    def source_address(self, address: str) -> str | None:
        return self._sources.get(address)

    def wire_to(self, address: str) -> Wire:
        if isinstance(self._wire, Failure):
            raise NotObserved(self._wire)
        self._shared_wire = self._shared_wire or _FakeWire(self, self._wire)
        return self._shared_wire

    async def exchange(
        self,
        service: Service,
        address: str,
        port: int,
        request: bytes,
        *,
        key: Hashable,
        accept: Callable[[bytes], bool],
        timeout_seconds: float,
    ) -> Datagram:
        began, sent_ns, strays = self.monotonic(), self.wall_ns(), 0
        self.sent.append((service.name, address, port, request))
        peer = self._datagrams.get((service.name, address, port))
        if isinstance(peer, Failure):
            raise NotObserved(peer)
        for delay, reply in sorted(peer(request) if peer else (), key=lambda pair: pair[0]):
            if delay > timeout_seconds:
                break
            await asyncio.sleep(began + delay - self.monotonic())
            if service.key_of(reply) != key or not accept(reply):
                strays += 1
                continue
            return Datagram(data=reply, sent_ns=sent_ns, received_ns=sent_ns + round(delay * 1e9), stamped_by="kernel",
                            elapsed_seconds=delay, clock_step_seconds=self._clock_step_seconds, hop_limit=64)
        await asyncio.sleep(began + timeout_seconds - self.monotonic())
        kind = FailureKind.MISMATCHED if strays else FailureKind.NO_ANSWER
        raise NotObserved(Failure(kind=kind, phase="answer", elapsed_seconds=timeout_seconds, detail="no answer in time",
                                  strays=strays))

    async def connect(self, address: str, port: int, *, timeout_seconds: float) -> Stream:
        self.sent.append(("tcp", address, port, b""))
        entry = self._streams.get((address, port))
        if isinstance(entry, list):
            entry = entry.pop(0) if entry else None
        if isinstance(entry, Failure):
            raise NotObserved(entry)
        if entry is None:
            await asyncio.sleep(timeout_seconds)
            raise NotObserved(Failure(kind=FailureKind.NO_ANSWER, phase="connect", elapsed_seconds=timeout_seconds,
                                      detail="no answer in time"))
        self.open_streams += 1
        return _FakeStream(self, entry(), address, port)


class _FakeWire:
    """The wire that all addresses share; the runner's own hardware address on it is 00:00:5e:00:53:01."""

    interface, mac = "wire0", "00:00:5e:00:53:01"

    def __init__(self, network: FakeNetwork, answers: FramePeer) -> None:
        self._network, self._answers = network, answers
        self._hearers: list[tuple[str, Callable[[Claim], None]]] = []

    @contextlib.contextmanager
    def listen(self, address: str, hear: Callable[[Claim], None]) -> Iterator[None]:
        self._hearers.append((address, hear))
        try:
            yield
        finally:
            self._hearers.remove((address, hear))

    async def send(self, frame: bytes) -> None:
        self._network.sent.append(("frame", "", 0, frame))
        for delay, answer in self._answers(frame):
            asyncio.get_running_loop().call_later(delay, self._arrive, answer)

    def _arrive(self, frame: bytes) -> None:
        claim = read_claim(frame)
        for address, hear in tuple(self._hearers):
            if claim is not None and claim.address == address and claim.mac != self.mac:
                hear(claim)


class _FakeStream:
    """The near end of a fake connection, which takes no time to establish.

    It loses no packet either, unless its peer has ``syn_repeats``.
    """

    connect_seconds = 0.0

    def __init__(self, network: FakeNetwork, peer: StreamPeer, address: str, port: int) -> None:
        self._network, self._peer, self._where = network, peer, (address, port)
        self.syn_repeats = int(getattr(peer, "syn_repeats", 0))
        self._arrived = bytearray()
        self._ended = self._closed = False
        self._take(peer.opened())

    def _take(self, said: Sequence[bytes | None]) -> None:
        for piece in said:
            if piece is None:
                self._ended = True
            else:
                self._arrived += piece

    async def send(self, data: bytes, *, timeout_seconds: float) -> None:
        self._network.sent.append(("tcp", *self._where, data))
        if self._ended:
            raise NotObserved(Failure(kind=FailureKind.RESET, phase="send", elapsed_seconds=0.0, detail="the peer is gone"))
        self._take(self._peer.received(data))

    async def receive(self, limit: int, *, timeout_seconds: float) -> bytes:
        if not self._arrived and not self._ended:
            await asyncio.sleep(timeout_seconds)
            raise NotObserved(Failure(kind=FailureKind.NO_ANSWER, phase="receive", elapsed_seconds=timeout_seconds,
                                      detail="nothing came in time"))
        piece = bytes(self._arrived[:limit])
        del self._arrived[:limit]
        return piece

    def close(self) -> None:
        if not self._closed:
            self._closed = True
            self._network.open_streams -= 1
