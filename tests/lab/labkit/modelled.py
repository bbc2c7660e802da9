"""Web servers with clocks of their own behind a network with delays, in virtual time: for trying the hunt for a second."""

from __future__ import annotations

import asyncio
import email.utils
import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from probes.fake import EPOCH_NS, FakeNetwork, run
from probes.httpdate import hunt
from probes.seam import NotObserved, Stream, failed
from shared.evidence import ClockWitness, FailureKind
from shared.questions import Pace, WitnessQuestion

ADDRESS, NAME = "192.0.2.11", "dome-a.obs.example.net"
QUESTION = WitnessQuestion(ADDRESS, ((80, "http"),), NAME)


@dataclass
class WebServer:
    """A server ``offset_seconds`` ahead of true time, which is the fake network's wall clock.

    ``style`` is "fresh" (looks at its clock for every answer), "timer" (looks once a second, at ``phase`` of it, up to
    ``slip`` late) or "lazy" (looks when its last look is a second old).  ``out``, ``back`` and ``work`` give the seconds a
    request, its handling and its answer take.  ``steps`` are (at, by): the host's clock is set at some moment.
    """

    offset_seconds: float = 0.0
    style: str = "fresh"
    phase: float = 0.0
    slip: float = 0.0
    out: Callable[[], float] = lambda: 0.0005
    back: Callable[[], float] = lambda: 0.0005
    work: Callable[[], float] = lambda: 0.0001
    keeps_open: bool = True
    status: str = "200 OK"
    fields: Sequence[str] = ()
    methods: Sequence[bytes] = (b"HEAD", b"GET")
    steps: Sequence[tuple[float, float]] = ()
    answers: int = 0
    connections: int = 0
    asked: list[tuple[float, bytes]] = field(default_factory=list)
    _looked: float = -math.inf

    def clock(self, moment: float) -> float:
        """What the host's clock says ``moment`` seconds after the start."""
        return EPOCH_NS / 1e9 + moment + self.offset_seconds + sum(by for at, by in self.steps if moment >= at)

    def date(self, moment: float) -> int:
        if self.style == "fresh":
            return math.floor(self.clock(moment))
        if self.style == "timer":
            tick = math.floor(moment - self.phase - self.slip) + self.phase
            return math.floor(self.clock(tick))
        if moment - self._looked >= 1.0:
            self._looked = moment
        return math.floor(self.clock(self._looked))

    def head(self, method: bytes, moment: float) -> bytes:
        """The answer's head, made at one moment."""
        self.answers += 1
        lines = [f"HTTP/1.1 {self.status}", *self.fields]
        if method in self.methods and not any(line.startswith("Date:") for line in self.fields):
            lines.append(f"Date: {email.utils.formatdate(self.date(moment), usegmt=True)}")
        if not self.keeps_open:
            lines.append("Connection: close")
        return "\r\n".join([*lines, "", ""]).encode()


class DelayedStream:
    """The runner's end of a connection whose other end answers after a while."""

    connect_seconds = 0.0
    syn_repeats = 0

    def __init__(self, network: DelayedNetwork, server: WebServer) -> None:
        self._network, self._server = network, server
        self._answer: tuple[float, bytes] | None = None
        self._closed = self._ended = False

    async def send(self, data: bytes, *, timeout_seconds: float) -> None:
        if self._ended:
            raise failed(FailureKind.RESET, "send", 0.0, "the peer is gone")
        now = self._network.monotonic()
        self._server.asked.append((now, data))
        made = now + self._server.out() + self._server.work() / 2
        head = self._server.head(data.partition(b" ")[0], made)
        self._answer = (made + self._server.work() / 2 + self._server.back(), head)

    async def receive(self, limit: int, *, timeout_seconds: float) -> bytes:
        if self._answer is None:
            return b""
        arrives, head = self._answer
        wait = arrives - self._network.monotonic()
        if wait > timeout_seconds:
            await asyncio.sleep(timeout_seconds)
            raise failed(FailureKind.NO_ANSWER, "receive", timeout_seconds, "nothing came in time")
        await asyncio.sleep(max(0.0, wait))
        self._answer = None
        self._ended = not self._server.keeps_open
        return head

    def close(self) -> None:
        if not self._closed:
            self._closed = True
            self._network.open_streams -= 1


class DelayedNetwork(FakeNetwork):
    """A fake network whose web servers answer with a delay, and whose own wall clock may be set (``steps``: at, by)."""

    def __init__(
        self, servers: dict[int, WebServer], *, steps: Sequence[tuple[float, float]] = (), pace: Pace | None = None
    ) -> None:
        super().__init__(pace=pace)
        self.servers, self.steps = servers, steps

    def wall_ns(self) -> int:
        moved = sum(by for at, by in self.steps if self.monotonic() >= at)
        return super().wall_ns() + round(moved * 1e9)

    async def connect(self, address: str, port: int, *, timeout_seconds: float) -> Stream:
        server = self.servers.get(port)
        if server is None:
            raise NotObserved(failed(FailureKind.REFUSED, "connect", 0.001, "Connection refused").failure)
        server.connections += 1
        await asyncio.sleep(server.out() + server.back())
        self.open_streams += 1
        return DelayedStream(self, server)


def look(server: WebServer, **options: object) -> tuple[ClockWitness, float, DelayedNetwork]:
    """Hunt on one server: the evidence, the seconds it took, the network afterwards."""
    network = DelayedNetwork({80: server}, **options)  # type: ignore[arg-type]

    async def timed() -> tuple[ClockWitness, float]:
        began = network.monotonic()
        seen = await hunt(network, QUESTION, 80, "http")
        return seen, network.monotonic() - began

    seen, took = run(timed())
    return seen, took, network


def jitter(chance: random.Random, least: float, most: float) -> Callable[[], float]:
    """Delays that are mostly short and now and then long."""
    return lambda: least + (most - least) * chance.random() ** 4
