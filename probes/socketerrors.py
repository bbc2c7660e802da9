"""What the kernel says of packets that went unanswered: its error numbers, and the ICMP errors in a socket's error queue."""

from __future__ import annotations

import asyncio
import errno
import socket
import struct

import msgspec

from probes.failures import from_icmp, from_oserror
from shared.evidence import Failure, FailureKind

# Linux constants that the socket module does not name (linux/in.h, linux/in6.h, linux/errqueue.h).
_IP_RECVERR, _IPV6_RECVERR = 11, 25
_ORIGIN_ICMP, _ORIGIN_ICMP6 = 2, 3
_ERROR = struct.Struct("=IBBBBII")


def family_of(address: str) -> int:
    """The address family of an address as text."""
    return socket.AF_INET6 if ":" in address else socket.AF_INET


def collect_errors(sock: socket.socket) -> None:
    """Ask the kernel to queue ICMP errors with their sender.  Raises OSError."""
    if sock.family == socket.AF_INET6:
        sock.setsockopt(socket.IPPROTO_IPV6, _IPV6_RECVERR, 1)
    else:
        sock.setsockopt(socket.IPPROTO_IP, _IP_RECVERR, 1)


def queued_failure(
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


def said_at_once(number: int, phase: str) -> Failure:
    """A failure before anything was sent: it speaks of the runner alone.

    "Host unreachable" is then a route of type unreachable in the runner's own table (ip-route(8)).
    """
    if number == errno.EHOSTUNREACH:
        return Failure(kind=FailureKind.NO_ROUTE, phase=phase, elapsed_seconds=0.0, errno=number,
                       detail="the runner's own routing table rules the address out")
    return from_oserror(OSError(number, ""), phase, 0.0)


def own_kernel_gave_up(failure: Failure, asked: str) -> Failure:
    """Tell our own kernel from a router: an "unreachable" that an address of ours says of ``asked`` means no neighbour.

    Nobody on this wire answered the kernel's ARP or neighbour solicitations.  That is silence, and proven so far down
    that it gets a phase of its own: ``neighbour``.
    """
    sender = failure.sender
    if failure.kind is FailureKind.UNREACHABLE and sender and sender != asked and source_address(sender) == sender:
        return msgspec.structs.replace(failure, kind=FailureKind.NO_ANSWER, phase="neighbour", sender=None,
                                       detail="nobody on this wire answers for the address")
    return failure


def source_address(address: str) -> str | None:
    """The local address that would be sent from to reach ``address``; None where there is no route."""
    try:
        with socket.socket(family_of(address), socket.SOCK_DGRAM) as sock:
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
