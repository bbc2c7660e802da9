"""The one narrow seam between probes and the network.

A probe gets a ``Network`` and nothing else: it never opens a socket, reads a clock or sleeps by itself.  The real one
is ``probes.sockets``; ``probes.fake`` ships a table of address, delay and outcome with the same behaviour.

Contract.  Every call that waits takes ``timeout_seconds``, counted from the moment the packet is really sent (pacing
before that does not eat into it).  What cannot be observed is raised as ``NotObserved`` and nothing else.
Cancellation passes through and leaves nothing behind.
"""

from __future__ import annotations

import datetime
import functools
from collections.abc import Callable, Hashable
from contextlib import AbstractAsyncContextManager, AbstractContextManager
from typing import Protocol

import msgspec

from probes.linkwire import Claim
from shared.evidence import Failure, FailureKind
from shared.questions import Pace


class NotObserved(Exception):  # noqa: N818 -- not an error of anybody: a thing that was not seen
    """Something could not be observed.  ``failure`` says what and why; nobody is blamed."""

    def __init__(self, failure: Failure) -> None:
        super().__init__(f"{failure.kind} in {failure.phase}: {failure.detail}")
        self.failure = failure


def failed(kind: FailureKind, phase: str, elapsed_seconds: float, detail: str = "") -> NotObserved:
    """A ``NotObserved`` for a fault that did not come from an operating-system error."""
    return NotObserved(Failure(kind=kind, phase=phase, elapsed_seconds=elapsed_seconds, detail=detail))


class Service(msgspec.Struct, frozen=True):
    """A datagram protocol on the shared socket of its name and address family.

    ``key_of`` finds the part of a packet that ties an answer to its question, or None for a packet that is no answer.
    For packets that an ICMP error quotes, ``key_of_request`` does the same for our own packet.  The names "icmp" (echoes),
    "icmp-whole" (echoes that nobody on the way may fragment) and "icmp-timestamp" are ICMP; every other one is UDP.
    ``crowded`` says that all hosts ask the same few servers, each of which has at most ``pace.server_questions`` in hand.
    """

    name: str
    key_of: Callable[[bytes], Hashable | None]
    key_of_request: Callable[[bytes], Hashable | None]
    crowded: bool = False


class Datagram(msgspec.Struct, frozen=True, kw_only=True):
    """One answer, with the four stamps a clock probe needs.

    ``sent_ns`` and ``received_ns`` are Unix nanoseconds of the runner's wall clock; ``stamped_by`` is "kernel" where the
    receive stamp is the kernel's.  ``elapsed_seconds`` is monotonic.  ``clock_step_seconds`` is how much the wall clock
    moved against the monotonic one meanwhile: anything but about zero means that the runner's clock was stepped.
    """

    data: bytes
    sent_ns: int
    received_ns: int
    stamped_by: str
    elapsed_seconds: float
    clock_step_seconds: float
    hop_limit: int | None = None


class Stream(Protocol):
    """A connected TCP stream."""

    @property
    def connect_seconds(self) -> float:
        """How long the TCP handshake took, from the first SYN; pacing before it does not count, our own queue after it does."""

    @property
    def syn_repeats(self) -> int:
        """How many SYNs the kernel had to send again before it was answered: the kernel's count, not a guess from the time."""

    async def send(self, data: bytes, *, timeout_seconds: float) -> None:
        """Send all of ``data``.  Raises NotObserved."""

    async def receive(self, limit: int, *, timeout_seconds: float) -> bytes:
        """At least one and at most ``limit`` octets; empty when the peer closed.  Raises NotObserved."""

    def close(self) -> None:
        """Close at once.  May be called twice."""


class Wire(Protocol):
    """The link that the runner shares with an address, no router between."""

    @property
    def interface(self) -> str:
        """The name of the runner's interface on it."""

    @property
    def mac(self) -> str:
        """That interface's own hardware address."""

    def listen(self, address: str, hear: Callable[[Claim], None]) -> AbstractContextManager[None]:
        """Within it, ``hear`` is told every claim to ``address`` that another machine of the wire makes, asked or not."""

    async def send(self, frame: bytes) -> None:
        """Send one whole frame, paced like everything else.  Raises NotObserved."""


class Network(Protocol):
    """What a probe may do to the world, and the clocks it may read."""

    pace: Pace

    def monotonic(self) -> float:
        """Seconds of a clock that never steps: for durations and deadlines only.  It stands still while the runner does."""

    def unbroken(self) -> float:
        """Seconds of a clock that never steps, and goes on while the runner is suspended.

        How far it is ahead of ``monotonic`` means nothing; how much farther after a while is how long the runner was suspended.
        """

    def wall_ns(self) -> int:
        """Unix nanoseconds of the runner's wall clock: for stamps only."""

    async def sleep(self, seconds: float) -> None:
        """Wait."""

    async def spare_turn(self) -> None:
        """Wait until the pace has a turn to spare: nothing that was asked for before still waits to be sent."""

    def echo_method(self, address: str) -> str:
        """How echoes to ``address`` are sent: "icmp-datagram" or "icmp-raw".

        Raises NotObserved with kind no-privilege where the system allows neither.
        """

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
        """Send one datagram; return the first from that very address and port whose key is ``key`` and that ``accept`` takes.

        Others from the same place count as strays (``Failure.strays``) and are dropped (RFC 5452 section 9.1).  Raises
        NotObserved: no-answer, or mismatched where only strays came; refused, unreachable or prohibited when an ICMP
        error quoting the packet came, with its sender.  For "icmp-whole" also too-big with the size that would fit: in phase
        "answer" where a router said so, in phase "send" where the runner's own interface is what is too small.
        """

    async def connect(self, address: str, port: int, *, timeout_seconds: float) -> Stream:
        """Open a TCP connection.

        Raises NotObserved: refused (a reset; with a sender, ICMP "port unreachable"), no-answer, prohibited or unreachable
        (an ICMP error, with its sender), no-route, local-limit.  No-answer in phase ``neighbour`` means that nobody on the
        runner's own wire owns the address: the kernel's own search for it failed.  The same holds for ``exchange``.
        """

    def wire_to(self, address: str) -> Wire:
        """The link on which ``address`` is looked for directly; one for all addresses of an interface.

        Raises NotObserved: no-route in phase "off-link" where a router stands between or the link is no Ethernet, in phase
        "own" where the address is the runner's; no-privilege where the system allows this user no raw frames.
        """

    def handshake_slot(self) -> AbstractAsyncContextManager[object]:
        """Held while a TLS or SSH handshake is under way; bounds memory, never a silent port's wait."""

    def shortages(self) -> tuple[tuple[str, int], ...]:
        """What the runner itself ran short of, and how often; each time it waited and tried again (``Vantage.shortages``)."""

    def source_address(self, address: str) -> str | None:
        """The local address the runner would send from to reach ``address``; None where it has no route.  Sends nothing."""


def rfc3339(wall_ns: int) -> str:
    """Unix nanoseconds as RFC 3339 UTC with microseconds (RFC 5424 section 6.2.3 allows at most six digits)."""
    whole, rest = divmod(wall_ns, 1_000_000_000)
    return f"{_to_the_second(whole)}.{rest // 1000:06d}Z"


@functools.lru_cache(maxsize=16)
def _to_the_second(unix_seconds: int) -> str:
    # Kept, since everything that is stamped in one second begins the same; formatting a time costs ten times the rest.
    return f"{datetime.datetime.fromtimestamp(unix_seconds, datetime.UTC):%Y-%m-%dT%H:%M:%S}"


def now(network: Network) -> str:
    """The runner's time of day as RFC 3339 UTC text: the one place where evidence is stamped."""
    return rfc3339(network.wall_ns())
