"""The real network: non-blocking sockets on the running event loop, one datagram socket a service and address family."""

from __future__ import annotations

import asyncio
import errno
import socket
import time
from collections.abc import Awaitable, Callable, Hashable
from contextlib import AbstractAsyncContextManager
from typing import TypeVar

from probes.connections import open_connection
from probes.datagrams import Channel
from probes.failures import from_oserror
from probes.frames import PacketWire, wire_interface
from probes.icmpsockets import forbid_fragments, icmp_socket, timestamp_socket
from probes.readiness import Switchboard
from probes.seam import Datagram, NotObserved, Service, Stream, Wire
from probes.serverqueue import ServerQueue
from probes.socketerrors import family_of, source_address
from probes.timeouts import Timeouts
from shared.evidence import Failure, FailureKind
from shared.questions import Pace

#: What a system says that has no datagram ICMP sockets, or has them but not for this user.
_NO_SUCH_SOCKET = (errno.EACCES, errno.EPERM, errno.EPROTONOSUPPORT, errno.ESOCKTNOSUPPORT)
#: How long to wait, in seconds and one after the other, before something is tried again that the runner itself was short of:
#: descriptors, ports, buffers.  Others give these back within a second or so.  Ours.
_PAUSES = (0.05, 0.2, 0.8, 1.6)

T = TypeVar("T")


class _Pacer:
    """Spreads what is sent over time: at most ``per_second``, after a burst of a tenth of a second's worth."""

    def __init__(self, per_second: float) -> None:
        self._gap = 1.0 / per_second
        self._slack = 0.1
        self._next = 0.0

    def wait_seconds(self, monotonic: float) -> float:
        """Reserve the next slot and return how long to wait for it."""
        self._next = max(self._next, monotonic - self._slack) + self._gap
        return self._next - monotonic

    def backlog_seconds(self, monotonic: float) -> float:
        """How long until all that is reserved has been sent; not above 0 where it has."""
        return self._next - monotonic


class SocketNetwork:
    """The real ``Network`` (see ``probes.seam``).  Use it as an async context manager; leaving closes every socket."""

    def __init__(self, pace: Pace) -> None:
        self.pace = pace
        self._channels: dict[tuple[str, int], Channel] = {}
        self._wires: dict[str, PacketWire] = {}
        self._pacer = _Pacer(pace.packets_per_second)
        self._connections = asyncio.Semaphore(pace.connections)
        self._handshakes = asyncio.Semaphore(pace.handshakes)
        self._queues: dict[tuple[str, int], ServerQueue] = {}
        self._echo_methods: dict[int, str] = {}
        self._shortages: dict[str, int] = {}
        self._loop = asyncio.get_running_loop()
        self._timeouts = Timeouts(self._loop)
        self._switchboard = Switchboard(self._loop, self._timeouts)

    async def __aenter__(self) -> SocketNetwork:
        return self

    async def __aexit__(self, *_exc: object) -> None:
        for channel in self._channels.values():
            channel.close()
        for wire in self._wires.values():
            wire.close()
        self._switchboard.close()
        self._channels.clear()
        self._wires.clear()

    def monotonic(self) -> float:
        return self._loop.time()

    def unbroken(self) -> float:
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    def wall_ns(self) -> int:
        return time.time_ns()

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)

    async def spare_turn(self) -> None:
        # Whoever was begun just now has not asked for a turn yet.
        await asyncio.sleep(0)
        await asyncio.sleep(max(0.0, self._pacer.backlog_seconds(self._loop.time())))

    def handshake_slot(self) -> AbstractAsyncContextManager[object]:
        return self._handshakes

    def shortages(self) -> tuple[tuple[str, int], ...]:
        overflows = sum(channel.overflows for channel in self._channels.values())
        lost = (("answers lost in a full receive queue", overflows),) if overflows else ()
        return (*sorted(self._shortages.items()), *lost)

    def echo_method(self, address: str) -> str:
        family = family_of(address)
        if family not in self._echo_methods:
            self._echo_methods[family] = self._find_echo_method(family)
        return self._echo_methods[family]

    def _find_echo_method(self, family: int) -> str:
        protocol = socket.IPPROTO_ICMPV6 if family == socket.AF_INET6 else socket.IPPROTO_ICMP
        for kind, method in ((socket.SOCK_DGRAM, "icmp-datagram"), (socket.SOCK_RAW, "icmp-raw")):
            try:
                socket.socket(family, kind, protocol).close()
            except OSError as error:
                if error.errno in _NO_SUCH_SOCKET:
                    continue
                raise NotObserved(from_oserror(error, "open", 0.0)) from error
            return method
        raise NotObserved(Failure(
            kind=FailureKind.NO_PRIVILEGE, phase="open", elapsed_seconds=0.0, errno=errno.EPERM,
            detail="the system allows this user no ICMP socket: widen net.ipv4.ping_group_range, or grant CAP_NET_RAW"))

    def source_address(self, address: str) -> str | None:
        return source_address(address)

    def wire_to(self, address: str) -> Wire:
        interface = wire_interface(address)
        if interface not in self._wires:
            self._wires[interface] = PacketWire(interface, self._turn)
        return self._wires[interface]

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
        async def send() -> Datagram:
            channel = self._channel(service, address)
            return await channel.exchange(address, port, request, key, accept, timeout_seconds)

        async def take_turn_and_send() -> Datagram:
            if service.crowded:
                return await self._queue_of(address, port).ask(self._turn, send)
            await self._turn()
            return await send()

        return await self._patiently(take_turn_and_send)

    async def connect(self, address: str, port: int, *, timeout_seconds: float) -> Stream:
        return await self._patiently(lambda: self._try_connect(address, port, timeout_seconds))

    async def _try_connect(self, address: str, port: int, timeout_seconds: float) -> Stream:
        async with self._connections:
            await self._turn()
            return await open_connection(self._loop, self._switchboard, address, port, timeout_seconds)

    async def _patiently(self, attempt: Callable[[], Awaitable[T]]) -> T:
        """Try again, after a while and a few times, what failed before anything was sent since the runner was short of something.

        A receive queue that overflowed is known of only when time is up; whoever asked decides whether to ask again.
        """
        for pause in _PAUSES:
            try:
                return await attempt()
            except NotObserved as unseen:
                failure = unseen.failure
                if failure.kind is not FailureKind.LOCAL_LIMIT or failure.phase == "answer":
                    raise
                self._shortages[failure.detail] = self._shortages.get(failure.detail, 0) + 1
            await asyncio.sleep(pause)
        return await attempt()

    def _queue_of(self, address: str, port: int) -> ServerQueue:
        if (address, port) not in self._queues:
            self._queues[address, port] = ServerQueue(self.pace.server_questions, self.pace.timeout_seconds)
        return self._queues[address, port]

    async def _turn(self) -> None:
        wait = self._pacer.wait_seconds(self._loop.time())
        if wait > 0:
            await asyncio.sleep(wait)

    def _channel(self, service: Service, address: str) -> Channel:
        family = family_of(address)
        channel = self._channels.get((service.name, family))
        if channel is None:
            raw = False
            try:
                if service.name in ("icmp", "icmp-whole"):
                    raw = self.echo_method(address) == "icmp-raw"
                    sock = icmp_socket(family, raw=raw)
                    if service.name == "icmp-whole":
                        forbid_fragments(sock)
                elif service.name == "icmp-timestamp":
                    raw, sock = True, timestamp_socket()
                else:
                    sock = socket.socket(family, socket.SOCK_DGRAM)
            except OSError as error:
                raise NotObserved(from_oserror(error, "open", 0.0)) from error
            channel = self._channels[(service.name, family)] = Channel(sock, service, self._timeouts, raw=raw)
        return channel
