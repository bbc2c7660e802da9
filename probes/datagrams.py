"""One datagram socket, and the questions waiting for answers on it.

Read with ``recvmsg``, so that the kernel's receive stamps and ICMP errors come along.  A stamp taken in user space would be
wrong by the event loop's own queue, which under load is the largest error of all; with the kernel's,
tests/bench/ntp_load.py measures well under a microsecond in the median.
"""

from __future__ import annotations

import asyncio
import errno
import functools
import socket
import struct
import sys
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable

import msgspec

from probes.seam import Datagram, NotObserved, Service
from probes.socketerrors import collect_errors, own_kernel_gave_up, queued_failure, said_at_once
from probes.timeouts import Timeouts
from shared.evidence import Failure, FailureKind

# Linux constants that the socket module does not name (asm-generic/socket.h, linux/in.h, linux/in6.h).
_SO_TIMESTAMPNS, _SO_RXQ_OVFL, _SO_RCVBUFFORCE, _SO_MEMINFO = 35, 40, 33, 55
_IP_RECVTTL, _IP_TTL = 12, 2
_IPV6_RECVHOPLIMIT, _IPV6_HOPLIMIT = 51, 52
_STAMP = struct.Struct("qq")
#: SK_MEMINFO_DROPS, the last of nine counters (linux/sock_diag.h): datagrams that found the receive queue full.
_MEMINFO, _DROPS = struct.Struct("=9I"), 8
_READS_A_TURN = 256
_RECEIVE_BUFFER_OCTETS = 4 << 20
#: Turns in which a full receive queue is read to its end: the kernel doubles the size asked for, and charges each datagram with
#: 256 octets at the least.
_TURNS_TO_EMPTY = 2 * _RECEIVE_BUFFER_OCTETS // 256 // _READS_A_TURN
#: Settled questions remembered, so that their late answers are known: a few seconds' worth at the usual pace.
_SETTLED_KEPT = 4096
#: Answers longer than this are cut by the kernel and fail to parse: the largest datagram there is.
_LONGEST_DATAGRAM = 65535


class _Waiter(msgspec.Struct):
    """One question under way on a channel.

    A failure is handed over as such and raised by whoever waits: an exception in a future that its own frames hold would be
    left to the cycle collector, frames and all, and a thousand silent hosts leave thousands.
    """

    future: asyncio.Future[Datagram | Failure]
    accept: Callable[[bytes], bool]
    sent_ns: int = 0
    sent_monotonic: float = 0.0
    strays: int = 0
    answered_from: str = ""


class Channel:
    """One datagram socket, and the questions waiting for answers on it.  ``overflows`` counts answers lost in a full queue."""

    def __init__(self, sock: socket.socket, service: Service, timeouts: Timeouts, *, raw: bool) -> None:
        self._sock = sock
        self._timeouts = timeouts
        self._service = service
        self._strips_ip_header = raw and sock.family == socket.AF_INET
        # A raw socket hears the answers to everybody's echoes on this machine, so a strange one there means nothing.
        self._counts_strays = not raw
        self._version = 6 if sock.family == socket.AF_INET6 else 4
        self._waiting: dict[tuple[str, int, Hashable], _Waiter] = {}
        self._by_peer: dict[tuple[str, int], set[Hashable]] = {}
        self.overflows = 0
        # Ordered, for the oldest of a plain dictionary is found by walking over all that were taken out before it.
        self._settled: OrderedDict[tuple[str, int, Hashable], None] = OrderedDict()
        self._any_port = service.name.startswith("icmp")
        self._own_mtu: int | None = None
        self._loop = asyncio.get_running_loop()
        sock.setblocking(False)
        _prepare(sock)
        self._loop.add_reader(sock.fileno(), self._readable)

    def close(self) -> None:
        """Close the socket; nobody may be waiting for an answer."""
        self._loop.remove_reader(self._sock.fileno())
        self._sock.close()

    async def exchange(
        self, address: str, port: int, request: bytes, key: Hashable, accept: Callable[[bytes], bool], timeout_seconds: float
    ) -> Datagram:
        """Send one datagram and wait for its answer (see ``probes.seam.Network.exchange``).  Raises NotObserved."""
        where = (address, 0 if self._any_port else port)
        waiter = _Waiter(self._loop.create_future(), accept)
        self._waiting[(*where, key)] = waiter
        self._by_peer.setdefault(where, set()).add(key)
        tick = 0
        try:
            self._send(waiter, request, address, port)
            expire = functools.partial(self._expire, waiter, self.overflows)
            tick = self._timeouts.start(waiter.future, timeout_seconds, expire)
            outcome = await waiter.future
            if isinstance(outcome, Failure):
                raise NotObserved(outcome)
            return outcome
        finally:
            self._timeouts.stop(waiter.future, tick)
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
            self._settled.popitem(last=False)

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
                raise NotObserved(said_at_once(number, "send")) from error
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
                if waiter is None:
                    self._note_answer_from(peer, key, data)
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

    def _note_answer_from(self, peer: tuple[str, int], key: Hashable, data: bytes) -> None:
        """A right answer from a place that was not asked is none (RFC 5452 section 9.1), but explains the silence there."""
        for (_address, _port, asked), waiter in self._waiting.items():
            if asked == key and waiter.accept(data):
                waiter.answered_from = f"{peer[0]} port {peer[1]}"

    def _expire(self, waiter: _Waiter, overflows: int) -> None:
        """Time is up.  Where our own queue has overflowed meanwhile, silence proves nothing of the other side.

        Nor does it while answers are waiting to be read: on a busy machine time may be up before we come to it.
        """
        for _ in range(_TURNS_TO_EMPTY):
            if waiter.future.done() or self._readable():
                break
        if waiter.future.done():
            return
        # What was lost is told with the next datagram, and there may be none.
        self.overflows = max(self.overflows, self._dropped())
        kind, detail = FailureKind.NO_ANSWER, "no answer in time"
        if waiter.strays:
            kind, detail = FailureKind.MISMATCHED, "only answers that belong to no question came"
        elif self.overflows != overflows:
            kind, detail = FailureKind.LOCAL_LIMIT, "the runner's own receive queue overflowed"
        waiter.future.set_result(Failure(
            kind=kind, phase="answer", elapsed_seconds=self._loop.time() - waiter.sent_monotonic, detail=detail,
            strays=waiter.strays, answered_from=waiter.answered_from))

    def _dropped(self) -> int:
        """The datagrams that the kernel has had no room for so far, by its own count; 0 where it keeps none."""
        try:
            counters = self._sock.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, _MEMINFO.size)
        except OSError:
            return 0
        return int(_MEMINFO.unpack(counters)[_DROPS]) if len(counters) == _MEMINFO.size else 0

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
            failure = queued_failure(ancillary, self._version, "answer", waiter.sent_monotonic if waiter else 0.0, self._loop)
            if failure is not None and failure.kind is FailureKind.TOO_BIG and failure.sender is None:
                self._own_mtu = failure.mtu
            if waiter is not None and failure is not None and not waiter.future.done():
                waiter.future.set_result(own_kernel_gave_up(failure, peer[0]))
        return drained


def _prepare(sock: socket.socket) -> None:
    """Ask the kernel for receive stamps, ICMP errors, hop limits and a deep receive queue."""
    sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
    collect_errors(sock)
    if sock.family == socket.AF_INET6:
        sock.setsockopt(socket.IPPROTO_IPV6, _IPV6_RECVHOPLIMIT, 1)
    else:
        sock.setsockopt(socket.IPPROTO_IP, _IP_RECVTTL, 1)
    sock.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)
    try:
        sock.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, _RECEIVE_BUFFER_OCTETS)
    except OSError:
        # Without the privilege the kernel gives what net.core.rmem_max allows; a smaller queue is no error.
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER_OCTETS)
