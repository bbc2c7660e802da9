"""The real network: non-blocking sockets on the running event loop.

One datagram socket a service and address family, read with ``recvmsg`` so that the kernel's receive stamps and ICMP
errors come along.  A stamp taken in user space would be wrong by the event loop's own queue, which under load is the
largest error of all; with the kernel's, tests/bench/ntp_load.py measures well under a microsecond in the median.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import select
import socket
import struct
import sys
import time
from collections.abc import Awaitable, Callable, Hashable
from contextlib import AbstractAsyncContextManager
from typing import TypeVar

import msgspec

from probes.courtesy import Counter
from probes.failures import from_icmp, from_oserror
from probes.frames import PacketWire, wire_interface
from probes.icmpsockets import forbid_fragments, icmp_socket, timestamp_socket
from probes.seam import Datagram, NotObserved, Service, Stream, Wire
from shared.evidence import Failure, FailureKind
from shared.questions import Pace

# Linux constants that the socket module does not name (asm-generic/socket.h, linux/in.h, linux/in6.h, linux/errqueue.h).
_SO_TIMESTAMPNS, _SO_RXQ_OVFL, _SO_RCVBUFFORCE = 35, 40, 33
_IP_RECVERR, _IP_RECVTTL, _IP_TTL = 11, 12, 2
_IPV6_RECVERR, _IPV6_RECVHOPLIMIT, _IPV6_HOPLIMIT = 25, 51, 52
_ORIGIN_ICMP, _ORIGIN_ICMP6 = 2, 3
_TOTAL_RETRANS = 100  # offset of tcpi_total_retrans in struct tcp_info (linux/tcp.h)

T = TypeVar("T")

_STAMP = struct.Struct("qq")
_ERROR = struct.Struct("=IBBBBII")
#: What a system says that has no datagram ICMP sockets, or has them but not for this user.
_NO_SUCH_SOCKET = (errno.EACCES, errno.EPERM, errno.EPROTONOSUPPORT, errno.ESOCKTNOSUPPORT)
_READS_A_TURN = 256
_RECEIVE_BUFFER_OCTETS = 4 << 20
#: Turns in which a full receive queue is read to its end: the kernel doubles the size asked for, and charges each datagram with
#: 256 octets at the least.
_TURNS_TO_EMPTY = 2 * _RECEIVE_BUFFER_OCTETS // 256 // _READS_A_TURN
#: Settled questions remembered, so that their late answers are known: a few seconds' worth at the usual pace.
_SETTLED_KEPT = 4096
#: How long to wait, in seconds and one after the other, before something is tried again that the runner itself was short of:
#: descriptors, ports, buffers.  Others give these back within a second or so.  Ours.
_PAUSES = (0.05, 0.2, 0.8, 1.6)
#: Answers longer than this are cut by the kernel and fail to parse: the largest datagram there is.
_LONGEST_DATAGRAM = 65535


def _family(address: str) -> int:
    return socket.AF_INET6 if ":" in address else socket.AF_INET


class _Waiter(msgspec.Struct):
    """One question under way on a channel."""

    future: asyncio.Future[Datagram]
    accept: Callable[[bytes], bool]
    sent_ns: int = 0
    sent_monotonic: float = 0.0
    strays: int = 0


class _Channel:
    """One datagram socket, and the questions waiting for answers on it."""

    def __init__(self, sock: socket.socket, service: Service, *, raw: bool) -> None:
        self._sock = sock
        self._service = service
        self._strips_ip_header = raw and sock.family == socket.AF_INET
        # A raw socket hears the answers to everybody's echoes on this machine, so a strange one there means nothing.
        self._counts_strays = not raw
        self._version = 6 if sock.family == socket.AF_INET6 else 4
        self._waiting: dict[tuple[str, int, Hashable], _Waiter] = {}
        self._by_peer: dict[tuple[str, int], set[Hashable]] = {}
        self.overflows = 0
        self._settled: dict[tuple[str, int, Hashable], None] = {}
        self._any_port = service.name.startswith("icmp")
        self._own_mtu: int | None = None
        self._loop = asyncio.get_running_loop()
        sock.setblocking(False)
        _prepare(sock)
        self._loop.add_reader(sock.fileno(), self._readable)

    def close(self) -> None:
        self._loop.remove_reader(self._sock.fileno())
        self._sock.close()

    async def exchange(
        self, address: str, port: int, request: bytes, key: Hashable, accept: Callable[[bytes], bool], timeout_seconds: float
    ) -> Datagram:
        where = (address, 0 if self._any_port else port)
        waiter = _Waiter(self._loop.create_future(), accept)
        self._waiting[(*where, key)] = waiter
        self._by_peer.setdefault(where, set()).add(key)
        expiry: asyncio.TimerHandle | None = None
        try:
            self._send(waiter, request, address, port)
            expiry = self._loop.call_later(timeout_seconds, self._expire, waiter, self.overflows)
            return await waiter.future
        finally:
            if expiry is not None:
                expiry.cancel()
            del self._waiting[(*where, key)]
            self._remember((*where, key))
            keys = self._by_peer[where]
            keys.discard(key)
            if not keys:
                del self._by_peer[where]

    def _remember(self, settled: tuple[str, int, Hashable]) -> None:
        """A late or doubled answer to a settled question is no stray of the questions still waiting."""
        self._settled[settled] = None
        if len(self._settled) > _SETTLED_KEPT:
            del self._settled[next(iter(self._settled))]

    def _send(self, waiter: _Waiter, request: bytes, address: str, port: int) -> None:
        # An ICMP error about an earlier packet is reported on the next send: take it off the queue and send again.
        number = 0
        for _ in range(8):
            waiter.sent_monotonic = self._loop.time()
            waiter.sent_ns = time.time_ns()
            try:
                self._sock.sendto(request, (address, port))
                return
            except OSError as error:
                number = error.errno or 0
                if self._drain_errors():
                    continue
                raise NotObserved(_said_at_once(number, "send")) from error
        if number == errno.EMSGSIZE:
            raise NotObserved(Failure(kind=FailureKind.TOO_BIG, phase="send", elapsed_seconds=0.0, errno=number,
                                      detail="larger than the runner's own interface sends", mtu=self._own_mtu))
        raise NotObserved(Failure(kind=FailureKind.LOCAL_LIMIT, phase="send", elapsed_seconds=0.0,
                                  detail="the socket kept reporting errors of other packets"))

    def _readable(self) -> bool:
        """Read what is waiting, or a good part of it; whether that was all."""
        for _ in range(_READS_A_TURN):
            try:
                data, ancillary, _flags, peer = self._sock.recvmsg(_LONGEST_DATAGRAM, 256)
            except (BlockingIOError, InterruptedError):
                return True
            except OSError:
                if not self._drain_errors():
                    return True
                continue
            self._deliver(data, ancillary, peer)
        return False

    def _deliver(self, data: bytes, ancillary: list[tuple[int, int, bytes]], peer: tuple[str, int]) -> None:
        if self._strips_ip_header:
            # A raw IPv4 socket hands the header along; the low nibble of its first octet counts 32-bit words.
            data = data[(data[0] & 0x0F) * 4 :] if data else data
        key = self._service.key_of(data)
        where = (peer[0], 0 if self._any_port else peer[1])
        waiter = self._waiting.get((*where, key)) if key is not None else None
        if waiter is None or not waiter.accept(data):
            known = (self._any_port and key is None) or (*where, key) in self._settled
            if self._counts_strays and not known:
                for other in self._by_peer.get(where, ()):
                    self._waiting[(*where, other)].strays += 1
            return
        if waiter.future.done():
            return
        arrived_monotonic, arrived_ns = self._loop.time(), time.time_ns()
        received_ns, stamped_by, hop_limit = arrived_ns, "program", None
        for level, kind, value in ancillary:
            if level == socket.SOL_SOCKET and kind == _SO_TIMESTAMPNS:
                seconds, nanoseconds = _STAMP.unpack_from(value)
                received_ns, stamped_by = seconds * 1_000_000_000 + nanoseconds, "kernel"
            elif (level, kind) in ((socket.IPPROTO_IP, _IP_TTL), (socket.IPPROTO_IPV6, _IPV6_HOPLIMIT)):
                hop_limit = int.from_bytes(value[:4], "little")
            elif (level, kind) == (socket.SOL_SOCKET, _SO_RXQ_OVFL):
                self.overflows = int.from_bytes(value[:4], sys.byteorder)
        elapsed = arrived_monotonic - waiter.sent_monotonic
        step = (arrived_ns - waiter.sent_ns) / 1e9 - elapsed
        waiter.future.set_result(
            Datagram(data=data, sent_ns=waiter.sent_ns, received_ns=received_ns, stamped_by=stamped_by,
                     elapsed_seconds=elapsed, clock_step_seconds=step, hop_limit=hop_limit))

    def _expire(self, waiter: _Waiter, overflows: int) -> None:
        """Time is up.  Where our own queue has overflowed meanwhile, silence proves nothing of the other side.

        Nor does it while answers are waiting to be read: on a busy machine time may be up before we come to it.
        """
        for _ in range(_TURNS_TO_EMPTY):
            if waiter.future.done() or self._readable():
                break
        if waiter.future.done():
            return
        kind, detail = FailureKind.NO_ANSWER, "no answer in time"
        if waiter.strays:
            kind, detail = FailureKind.MISMATCHED, "only answers that belong to no question came"
        elif self.overflows != overflows:
            kind, detail = FailureKind.LOCAL_LIMIT, "the runner's own receive queue overflowed"
        waiter.future.set_exception(NotObserved(Failure(
            kind=kind, phase="answer", elapsed_seconds=self._loop.time() - waiter.sent_monotonic, detail=detail,
            strays=waiter.strays)))

    def _drain_errors(self) -> bool:
        """Hand queued ICMP errors to the questions they quote; whether there was any."""
        drained = False
        for _ in range(_READS_A_TURN):
            try:
                data, ancillary, _flags, peer = self._sock.recvmsg(_LONGEST_DATAGRAM, 512, socket.MSG_ERRQUEUE)
            except OSError:
                return drained
            drained = True
            key = self._service.key_of_request(data)
            where = (peer[0], 0 if self._any_port else peer[1])
            waiter = self._waiting.get((*where, key)) if key is not None else None
            failure = _queued_failure(ancillary, self._version, "answer", waiter.sent_monotonic if waiter else 0.0, self._loop)
            if failure is not None and failure.kind is FailureKind.TOO_BIG and failure.sender is None:
                self._own_mtu = failure.mtu
            if waiter is not None and failure is not None and not waiter.future.done():
                waiter.future.set_exception(NotObserved(_own_kernel_gave_up(failure, peer[0])))
        return drained


def _prepare(sock: socket.socket) -> None:
    """Ask the kernel for receive stamps, ICMP errors, hop limits and a deep receive queue."""
    sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
    if sock.family == socket.AF_INET6:
        sock.setsockopt(socket.IPPROTO_IPV6, _IPV6_RECVERR, 1)
        sock.setsockopt(socket.IPPROTO_IPV6, _IPV6_RECVHOPLIMIT, 1)
    else:
        sock.setsockopt(socket.IPPROTO_IP, _IP_RECVERR, 1)
        sock.setsockopt(socket.IPPROTO_IP, _IP_RECVTTL, 1)
    sock.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)
    try:
        sock.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, _RECEIVE_BUFFER_OCTETS)
    except OSError:
        # Without the privilege the kernel gives what net.core.rmem_max allows; a smaller queue is no error.
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER_OCTETS)


def _queued_failure(
    ancillary: list[tuple[int, int, bytes]], version: int, phase: str, since: float, loop: asyncio.AbstractEventLoop
) -> Failure | None:
    """The failure in an error-queue message (struct sock_extended_err, then the offender's address)."""
    for level, kind, value in ancillary:
        if (level, kind) not in ((socket.IPPROTO_IP, _IP_RECVERR), (socket.IPPROTO_IPV6, _IPV6_RECVERR)):
            continue
        number, origin, icmp_type, code, _pad, info, _data = _ERROR.unpack_from(value)
        elapsed = loop.time() - since
        if origin not in (_ORIGIN_ICMP, _ORIGIN_ICMP6):
            failure = from_oserror(OSError(number, ""), phase, elapsed)
        else:
            failure = from_icmp(version=version, icmp_type=icmp_type, code=code, number=number,
                                sender=_offender(value[_ERROR.size :]), phase=phase, elapsed_seconds=elapsed)
        # The size that would fit (RFC 1191 section 4, RFC 4443 section 3.2); zero from a router older than that.
        return msgspec.structs.replace(failure, mtu=info or None) if failure.kind is FailureKind.TOO_BIG else failure
    return None


def _said_at_once(number: int, phase: str) -> Failure:
    """A failure before anything was sent: it speaks of the runner alone.

    "Host unreachable" is then a route of type unreachable in the runner's own table (ip-route(8)).
    """
    if number == errno.EHOSTUNREACH:
        return Failure(kind=FailureKind.NO_ROUTE, phase=phase, elapsed_seconds=0.0, errno=number,
                       detail="the runner's own routing table rules the address out")
    return from_oserror(OSError(number, ""), phase, 0.0)


def _own_kernel_gave_up(failure: Failure, asked: str) -> Failure:
    """Tell our own kernel from a router: an "unreachable" that an address of ours says of ``asked`` means no neighbour.

    Nobody on this wire answered the kernel's ARP or neighbour solicitations.  That is silence, and proven so far down
    that it gets a phase of its own: ``neighbour``.
    """
    sender = failure.sender
    if failure.kind is FailureKind.UNREACHABLE and sender and sender != asked and _source_address(sender) == sender:
        return msgspec.structs.replace(failure, kind=FailureKind.NO_ANSWER, phase="neighbour", sender=None,
                                       detail="nobody on this wire answers for the address")
    return failure


def _source_address(address: str) -> str | None:
    try:
        with socket.socket(_family(address), socket.SOCK_DGRAM) as sock:
            # Connecting a datagram socket only asks the routing table; nothing is sent.
            sock.connect((address, 9))
            return str(sock.getsockname()[0])
    except OSError:
        return None


def _offender(sockaddr: bytes) -> str | None:
    if len(sockaddr) < 8:
        return None
    family = int.from_bytes(sockaddr[:2], "little")
    if family == socket.AF_INET:
        return socket.inet_ntop(socket.AF_INET, sockaddr[4:8])
    if family == socket.AF_INET6 and len(sockaddr) >= 24:
        return socket.inet_ntop(socket.AF_INET6, sockaddr[8:24])
    return None


class _SocketStream:
    """A connected TCP socket as a ``Stream``."""

    def __init__(self, sock: socket.socket, loop: asyncio.AbstractEventLoop, connect_seconds: float) -> None:
        self._sock = sock
        self._loop = loop
        self.connect_seconds = connect_seconds
        self.syn_repeats = _repeats(sock)

    async def send(self, data: bytes, *, timeout_seconds: float) -> None:
        began = self._loop.time()
        try:
            async with asyncio.timeout(timeout_seconds):
                await self._loop.sock_sendall(self._sock, data)
        except TimeoutError:
            raise self._late("send", began) from None
        except OSError as error:
            raise NotObserved(from_oserror(error, "send", self._loop.time() - began)) from error

    async def receive(self, limit: int, *, timeout_seconds: float) -> bytes:
        began = self._loop.time()
        try:
            async with asyncio.timeout(timeout_seconds):
                return await self._loop.sock_recv(self._sock, limit)
        except TimeoutError:
            # On a busy machine what came in time may still be waiting for us.
            with contextlib.suppress(OSError):
                return self._sock.recv(limit)
            raise self._late("receive", began) from None
        except OSError as error:
            raise NotObserved(from_oserror(error, "receive", self._loop.time() - began)) from error

    def _late(self, phase: str, began: float) -> NotObserved:
        return NotObserved(Failure(kind=FailureKind.NO_ANSWER, phase=phase, elapsed_seconds=self._loop.time() - began,
                                   detail="nothing came in time"))

    def close(self) -> None:
        self._sock.close()


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


class SocketNetwork:
    """The real ``Network`` (see ``probes.seam``).  Use it as an async context manager; leaving closes every socket."""

    def __init__(self, pace: Pace) -> None:
        self.pace = pace
        self._channels: dict[tuple[str, int], _Channel] = {}
        self._wires: dict[str, PacketWire] = {}
        self._pacer = _Pacer(pace.packets_per_second)
        self._connections = asyncio.Semaphore(pace.connections)
        self._handshakes = asyncio.Semaphore(pace.handshakes)
        self._counters: dict[tuple[str, int], Counter] = {}
        self._echo_methods: dict[int, str] = {}
        self._shortages: dict[str, int] = {}
        self._loop = asyncio.get_running_loop()

    async def __aenter__(self) -> SocketNetwork:
        return self

    async def __aexit__(self, *_exc: object) -> None:
        for channel in self._channels.values():
            channel.close()
        for wire in self._wires.values():
            wire.close()
        self._channels.clear()
        self._wires.clear()

    def monotonic(self) -> float:
        return self._loop.time()

    def wall_ns(self) -> int:
        return time.time_ns()

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)

    def handshake_slot(self) -> AbstractAsyncContextManager[object]:
        return self._handshakes

    def shortages(self) -> tuple[tuple[str, int], ...]:
        overflows = sum(channel.overflows for channel in self._channels.values())
        lost = (("answers lost in a full receive queue", overflows),) if overflows else ()
        return (*sorted(self._shortages.items()), *lost)

    def echo_method(self, address: str) -> str:
        family = _family(address)
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
        return _source_address(address)

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
                return await self._counter(address, port).ask(self._turn, send)
            await self._turn()
            return await send()

        return await self._patiently(take_turn_and_send)

    async def connect(self, address: str, port: int, *, timeout_seconds: float) -> Stream:
        return await self._patiently(lambda: self._try_connect(address, port, timeout_seconds))

    async def _try_connect(self, address: str, port: int, timeout_seconds: float) -> Stream:
        async with self._connections:
            await self._turn()
            began = self._loop.time()
            try:
                sock = socket.socket(_family(address), socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
            except OSError as error:
                raise NotObserved(from_oserror(error, "open", 0.0)) from error
            try:
                await self._connect(sock, address, port, timeout_seconds, began)
            except BaseException:
                sock.close()
                raise
            return _SocketStream(sock, self._loop, self._loop.time() - began)

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

    def _counter(self, address: str, port: int) -> Counter:
        if (address, port) not in self._counters:
            self._counters[address, port] = Counter(self.pace.server_questions)
        return self._counters[address, port]

    async def _connect(self, sock: socket.socket, address: str, port: int, timeout_seconds: float, began: float) -> None:
        version = 6 if sock.family == socket.AF_INET6 else 4
        if version == 6:
            sock.setsockopt(socket.IPPROTO_IPV6, _IPV6_RECVERR, 1)
        else:
            sock.setsockopt(socket.IPPROTO_IP, _IP_RECVERR, 1)
        number = sock.connect_ex((address, port))
        if number == errno.EINPROGRESS:
            number = await self._connected(sock, timeout_seconds)
        elif number != 0:
            raise NotObserved(_said_at_once(number, "connect"))
        if number == 0 and _met_itself(sock):
            number = errno.ECONNREFUSED
        if number == 0:
            return
        elapsed = self._loop.time() - began
        if number < 0:
            raise NotObserved(Failure(kind=FailureKind.NO_ANSWER, phase="connect", elapsed_seconds=elapsed,
                                      detail="no answer in time"))
        with contextlib.suppress(OSError):
            # Since Linux 5.9 a connecting TCP socket queues the ICMP error with its sender.
            _data, ancillary, _flags, _peer = sock.recvmsg(512, 512, socket.MSG_ERRQUEUE)
            queued = _queued_failure(ancillary, version, "connect", began, self._loop)
            if queued is not None:
                raise NotObserved(_own_kernel_gave_up(queued, address))
        raise NotObserved(from_oserror(OSError(number, ""), "connect", elapsed))

    async def _connected(self, sock: socket.socket, timeout_seconds: float) -> int:
        """Wait for a connect under way: its error number, or -1 when time is up."""
        future: asyncio.Future[int] = self._loop.create_future()
        self._loop.add_writer(sock.fileno(), _settle, future, sock)
        expiry = self._loop.call_later(timeout_seconds, _give_up, future, sock)
        try:
            return await future
        finally:
            expiry.cancel()
            self._loop.remove_writer(sock.fileno())

    async def _turn(self) -> None:
        wait = self._pacer.wait_seconds(self._loop.time())
        if wait > 0:
            await asyncio.sleep(wait)

    def _channel(self, service: Service, address: str) -> _Channel:
        family = _family(address)
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
            channel = self._channels[(service.name, family)] = _Channel(sock, service, raw=raw)
        return channel


def _settle(future: asyncio.Future[int], sock: socket.socket) -> None:
    if not future.done():
        future.set_result(sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR))


def _give_up(future: asyncio.Future[int], sock: socket.socket) -> None:
    """Time is up: silence, unless the connection stands or has failed already and we only come to it now."""
    state = select.poll()
    state.register(sock, select.POLLOUT)
    if state.poll(0):
        _settle(future, sock)
    elif not future.done():
        future.set_result(-1)


def _repeats(sock: socket.socket) -> int:
    """How many segments the kernel has sent again on this connection: right after the handshake, SYNs only."""
    facts = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, _TOTAL_RETRANS + 4)
    return int.from_bytes(facts[_TOTAL_RETRANS:], sys.byteorder)


def _met_itself(sock: socket.socket) -> bool:
    """Whether a connection to this machine met its own source port, where nobody listens (RFC 9293 section 3.5, figure 7).

    The kernel may choose as source the very port that is tried; the two SYNs cross and TCP calls that established.
    """
    try:
        return bool(sock.getsockname() == sock.getpeername())
    except OSError:
        # Reset since: whoever uses the stream will be told.
        return False
