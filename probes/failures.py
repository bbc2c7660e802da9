"""The one table from operating-system errors to ``FailureKind``, most specific first."""

from __future__ import annotations

import errno
import os

from shared.evidence import Failure, FailureKind

#: What connect, send and receive can say (connect(2), ip(7), icmp(7)), and what it means.
_KINDS: dict[int, FailureKind] = {
    errno.ECONNREFUSED: FailureKind.REFUSED,
    errno.ECONNRESET: FailureKind.RESET,
    errno.EPIPE: FailureKind.CLOSED,
    errno.ECONNABORTED: FailureKind.RESET,
    errno.ETIMEDOUT: FailureKind.KERNEL_TIMEOUT,
    errno.EHOSTUNREACH: FailureKind.UNREACHABLE,
    errno.EHOSTDOWN: FailureKind.UNREACHABLE,
    errno.ENETUNREACH: FailureKind.NO_ROUTE,
    errno.EADDRNOTAVAIL: FailureKind.LOCAL_LIMIT,
    errno.EMSGSIZE: FailureKind.TOO_BIG,
    errno.EACCES: FailureKind.NO_PRIVILEGE,
    errno.EPERM: FailureKind.NO_PRIVILEGE,
    errno.EAFNOSUPPORT: FailureKind.NO_ROUTE,
    errno.EAGAIN: FailureKind.LOCAL_LIMIT,  # of send: no room in the send queue
    errno.EMFILE: FailureKind.LOCAL_LIMIT,
    errno.ENFILE: FailureKind.LOCAL_LIMIT,
    errno.ENOBUFS: FailureKind.LOCAL_LIMIT,
    errno.ENOMEM: FailureKind.LOCAL_LIMIT,
}

#: ICMP destination unreachable, type 3 (RFC 792, RFC 1122 section 3.2.2.1, RFC 1812 section 5.2.7.1: code 0 is a router with
#: no path to the network, code 1 one that is on the network and finds no host).
_ICMP4_UNREACHABLE = {
    0: (FailureKind.NO_PATH, "network unreachable"),
    1: (FailureKind.UNREACHABLE, "host unreachable"),
    2: (FailureKind.PROHIBITED, "protocol unreachable"),
    3: (FailureKind.REFUSED, "port unreachable"),
    4: (FailureKind.TOO_BIG, "fragmentation needed"),
    6: (FailureKind.NO_PATH, "destination network unknown"),
    9: (FailureKind.PROHIBITED, "network administratively prohibited"),
    10: (FailureKind.PROHIBITED, "host administratively prohibited"),
    13: (FailureKind.PROHIBITED, "communication administratively prohibited"),
}

#: ICMPv6 destination unreachable, type 1 (RFC 4443 section 3.1).
_ICMP6_UNREACHABLE = {
    0: (FailureKind.NO_PATH, "no route to destination"),
    1: (FailureKind.PROHIBITED, "communication administratively prohibited"),
    3: (FailureKind.UNREACHABLE, "address unreachable"),
    4: (FailureKind.REFUSED, "port unreachable"),
    5: (FailureKind.PROHIBITED, "source address failed policy"),
    6: (FailureKind.PROHIBITED, "route rejected"),
}


def kind_of_errno(number: int | None) -> FailureKind:
    """The kind of an operating-system error; ``OTHER`` for one that is not in the table."""
    return _KINDS.get(number or 0, FailureKind.OTHER)


def from_oserror(error: OSError, phase: str, elapsed_seconds: float) -> Failure:
    """A failure from an operating-system error that no ICMP message explains."""
    number = error.errno
    detail = os.strerror(number) if number else str(error)
    return Failure(kind=kind_of_errno(number), phase=phase, elapsed_seconds=elapsed_seconds, errno=number, detail=detail)


def from_icmp(
    *, version: int, icmp_type: int, code: int, number: int, sender: str | None, phase: str, elapsed_seconds: float
) -> Failure:
    """A failure from an ICMP error that quoted our packet."""
    if version == 4 and icmp_type == 3:
        kind, words = _ICMP4_UNREACHABLE.get(code, (FailureKind.UNREACHABLE, f"unreachable, code {code}"))
    elif version == 6 and icmp_type == 1:
        kind, words = _ICMP6_UNREACHABLE.get(code, (FailureKind.UNREACHABLE, f"unreachable, code {code}"))
    elif version == 6 and icmp_type == 2:
        kind, words = FailureKind.TOO_BIG, "packet too big"
    elif (version, icmp_type) in ((4, 11), (6, 3)):
        kind, words = FailureKind.NO_PATH, "time exceeded: a routing loop, or too many hops"
    else:
        kind, words = kind_of_errno(number), f"ICMP type {icmp_type}, code {code}"
    return Failure(kind=kind, phase=phase, elapsed_seconds=elapsed_seconds, errno=number, detail=words, sender=sender)
