"""The ICMP sockets of each kind, told to hand on nothing but the replies they are for."""

from __future__ import annotations

import socket
import struct

# Linux constants that the socket module does not name (linux/in.h, linux/in6.h, linux/icmp.h).
_IP_MTU_DISCOVER, _IPV6_MTU_DISCOVER, _IPV6_DONTFRAG, _PMTUDISC_PROBE = 10, 23, 62, 3
_ICMP6_FILTER, _ICMP6_ECHO_REPLY = 1, 129
_SOL_RAW, _ICMP4_FILTER, _ICMP4_ECHO_REPLY, _ICMP4_TIMESTAMP_REPLY = 255, 1, 0, 14


def icmp_socket(family: int, *, raw: bool) -> socket.socket:
    """A socket for echoes.  Raises OSError."""
    kind = socket.SOCK_RAW if raw else socket.SOCK_DGRAM
    if family == socket.AF_INET:
        sock = socket.socket(family, kind, socket.IPPROTO_ICMP)
        if raw:
            # raw(7): a bit set blocks the type; on loopback our own requests would fill half the queue.
            sock.setsockopt(_SOL_RAW, _ICMP4_FILTER, struct.pack("=I", 0xFFFFFFFF & ~(1 << _ICMP4_ECHO_REPLY)))
        return sock
    sock = socket.socket(family, kind, socket.IPPROTO_ICMPV6)
    if raw:
        # RFC 3542 section 3.2: a bit set blocks the type; let only echo replies through.
        blocked = bytearray(b"\xff" * 32)
        word = _ICMP6_ECHO_REPLY >> 5
        value = 0xFFFFFFFF & ~(1 << (_ICMP6_ECHO_REPLY & 31))
        blocked[word * 4 : word * 4 + 4] = value.to_bytes(4, "little")
        sock.setsockopt(socket.IPPROTO_ICMPV6, _ICMP6_FILTER, bytes(blocked))
    return sock


def forbid_fragments(sock: socket.socket) -> None:
    """Send packets whole or not at all, whatever the kernel remembers of the path from earlier (ip(7), IP_PMTUDISC_PROBE)."""
    if sock.family == socket.AF_INET6:
        sock.setsockopt(socket.IPPROTO_IPV6, _IPV6_MTU_DISCOVER, _PMTUDISC_PROBE)
        sock.setsockopt(socket.IPPROTO_IPV6, _IPV6_DONTFRAG, 1)
    else:
        sock.setsockopt(socket.IPPROTO_IP, _IP_MTU_DISCOVER, _PMTUDISC_PROBE)


def timestamp_socket() -> socket.socket:
    """A raw socket for ICMP time stamps (a datagram ICMP socket carries echoes only) that lets only their replies through."""
    sock = icmp_socket(socket.AF_INET, raw=True)
    sock.setsockopt(_SOL_RAW, _ICMP4_FILTER, struct.pack("=I", 0xFFFFFFFF & ~(1 << _ICMP4_TIMESTAMP_REPLY)))
    return sock
