"""ICMP echo on the wire, without any socket: pack a request, read a reply, read a request that an error quotes.

The format is RFC 792 (echo, page 14) for IPv4 and RFC 4443 sections 4.1 and 4.2 for IPv6; both have the same eight
octets of header.  The readers are total: for any octets they return an ``Echo`` or raise ``WireError``.
"""

from __future__ import annotations

import struct

import msgspec

#: Message types by IP version (RFC 792; RFC 4443 sections 4.1 and 4.2).
ECHO_REQUEST = {4: 8, 6: 128}
ECHO_REPLY = {4: 0, 6: 129}

_HEADER = struct.Struct("!BBHHH")


class WireError(ValueError):
    """The octets are not the ICMP message that was looked for.  Nobody is at fault: any packet may arrive."""


class Echo(msgspec.Struct, frozen=True, kw_only=True):
    """An echo request or reply.  ``payload`` is what a reply must bring back unchanged (RFC 1122 section 3.2.2.6)."""

    identifier: int
    sequence: int
    payload: bytes


def ones_complement_sum(octets: bytes) -> int:
    """The 16-bit one's complement sum of ``octets``, an odd last octet padded with zero (RFC 1071 section 1)."""
    total = int.from_bytes(octets + b"\0" * (len(octets) % 2), "big")
    # Carrying the upper half of a sum round is taking it modulo 0xFFFF, and 2 to the 16 is 1 there: the octets read as one
    # number leave the same remainder as the sum of their words.  Only all zeros sum up to zero.
    return total % 0xFFFF or (0xFFFF if total else 0)


def internet_checksum(octets: bytes) -> int:
    """What to put into the checksum field: the complement of the sum, computed with the field itself zero (RFC 1071)."""
    return ~ones_complement_sum(octets) & 0xFFFF


def pack_request(version: int, echo: Echo) -> bytes:
    """An echo request for IP ``version`` 4 or 6.

    The checksum of version 6 is left zero: it covers the IP addresses (RFC 4443 section 2.3), which only the kernel
    knows, and the kernel fills it in (RFC 3542 section 3.1).
    """
    kind = ECHO_REQUEST[version]
    unsummed = _HEADER.pack(kind, 0, 0, echo.identifier, echo.sequence) + echo.payload
    checksum = internet_checksum(unsummed) if version == 4 else 0
    return _HEADER.pack(kind, 0, checksum, echo.identifier, echo.sequence) + echo.payload


def read_reply(version: int, packet: bytes) -> Echo:
    """Read an echo reply of IP ``version`` 4 or 6, from its ICMP header on.

    A raw IPv4 socket hands packets on before the kernel has looked at their ICMP checksum, so it is verified here;
    that of version 6 the kernel has verified (RFC 3542 section 3.1).  Raises WireError.
    """
    echo = _read(packet, ECHO_REPLY[version])
    if version == 4 and ones_complement_sum(packet) != 0xFFFF:
        raise WireError("the ICMP checksum is wrong")
    return echo


def read_quoted_request(version: int, packet: bytes) -> Echo:
    """Read an echo request as an ICMP error quotes it: perhaps cut short, so its checksum proves nothing.

    Raises WireError.
    """
    return _read(packet, ECHO_REQUEST[version])


def _read(packet: bytes, wanted: int) -> Echo:
    if len(packet) < _HEADER.size:
        raise WireError(f"{len(packet)} octets are too few for an ICMP header")
    kind, code, _checksum, identifier, sequence = _HEADER.unpack_from(packet)
    if kind != wanted or code != 0:
        raise WireError(f"ICMP type {kind}, code {code} in the place of type {wanted}, code 0")
    return Echo(identifier=identifier, sequence=sequence, payload=packet[_HEADER.size :])
