"""What addresses are set aside for: the IANA special-purpose registries as a table, and what is no unicast address.

The columns are those of RFC 6890 section 2.2.1 in the words of RFC 8190 section 2.1.  The rows of RFC 6890's own tables
are exact; ``LATER`` marks rows the registries gained or changed since, which come from memory and agree with a second-hand
copy of the registries of July 2026, not with IANA's own file.  None is the registry's "N/A" or an emptied cell.

The standard library's ``is_private`` and ``is_global`` answer other questions than this table and are not used.
"""

from __future__ import annotations

import enum
import ipaddress

import msgspec

from shared.addresses import Address, AddressError, Subnet, parse_address

#: The origin of a row that is not in RFC 6890's printed tables.
LATER = "IANA special-purpose registry, later row (from memory)"


class Purpose(enum.StrEnum):
    """The few uses that a plan is judged by; every other use is ``OTHER`` and its name says it."""

    PRIVATE = "private"
    LOOPBACK = "loopback"
    LINK_LOCAL = "link-local"
    DOCUMENTATION = "documentation"
    BENCHMARKING = "benchmarking"
    MULTICAST = "multicast"
    OTHER = "other"


class SpecialBlock(msgspec.Struct, frozen=True, kw_only=True):
    """One row: a block of addresses, the document that set it aside, and what a datagram may do with it.

    ``source`` and ``destination`` say whether it may stand in a datagram that passes between two devices, ``forwardable``
    whether a router may forward to it, ``globally_reachable`` whether it leaves an administrative domain.
    """

    block: Subnet
    name: str
    document: str
    source: bool | None
    destination: bool | None
    forwardable: bool | None
    globally_reachable: bool | None
    purpose: Purpose
    origin: str


_FLAGS = {"T": True, "F": False, "-": None}


def _row(block: str, name: str, document: str, flags: str, origin: str, purpose: Purpose = Purpose.OTHER) -> SpecialBlock:
    """One row; ``flags`` are Source, Destination, Forwardable, Globally Reachable as T, F or "-" (not applicable)."""
    source, destination, forwardable, reachable = (_FLAGS[flag] for flag in flags)
    return SpecialBlock(
        block=ipaddress.ip_network(block), name=name, document=document, source=source, destination=destination,
        forwardable=forwardable, globally_reachable=reachable, purpose=purpose, origin=origin)


def _table(number: int) -> str:
    return f"RFC 6890 Table {number}"


#: The IANA IPv4 special-purpose address registry.
IPV4 = (
    _row("0.0.0.0/8", '"this network"', "RFC 1122 section 3.2.1.3", "TFFF", _table(1)),
    _row("10.0.0.0/8", "private use", "RFC 1918 section 3", "TTTF", _table(2), Purpose.PRIVATE),
    _row("100.64.0.0/10", "shared address space of carriers", "RFC 6598", "TTTF", _table(3)),
    _row("127.0.0.0/8", "loopback", "RFC 1122 section 3.2.1.3", "FFFF", _table(4), Purpose.LOOPBACK),
    _row("169.254.0.0/16", "link-local use", "RFC 3927 section 2.1", "TTFF", _table(5), Purpose.LINK_LOCAL),
    _row("172.16.0.0/12", "private use", "RFC 1918 section 3", "TTTF", _table(6), Purpose.PRIVATE),
    _row("192.0.0.0/24", "IETF protocol assignments", "RFC 6890 section 2.1", "FFFF", _table(7)),
    _row("192.0.0.0/29", "IPv4 service continuity", "RFC 7335", "TTTF", _table(8)),
    _row("192.0.0.8/32", "IPv4 dummy address", "RFC 7600", "TFFF", LATER),
    _row("192.0.0.9/32", "Port Control Protocol anycast", "RFC 7723", "TTTT", LATER),
    _row("192.0.0.10/32", "TURN anycast", "RFC 8155", "TTTT", LATER),
    _row("192.0.0.170/32", "NAT64 and DNS64 discovery", "RFC 7050 section 2.2", "FFFF", LATER),
    _row("192.0.0.171/32", "NAT64 and DNS64 discovery", "RFC 7050 section 2.2", "FFFF", LATER),
    _row("192.0.2.0/24", "documentation (TEST-NET-1)", "RFC 5737 section 3", "FFFF", _table(9), Purpose.DOCUMENTATION),
    _row("192.31.196.0/24", "AS112 reverse-name service", "RFC 7535", "TTTT", LATER),
    _row("192.52.193.0/24", "automatic multicast tunnelling", "RFC 7450", "TTTT", LATER),
    # RFC 6890 Table 10 printed TTTT; RFC 7526 deprecated the block and the registry emptied the cells.
    _row("192.88.99.0/24", "6to4 relay anycast (deprecated)", "RFC 7526", "----", LATER),
    _row("192.88.99.2/32", "6a44 relay anycast", "RFC 6751", "TTTF", LATER),
    _row("192.168.0.0/16", "private use", "RFC 1918 section 3", "TTTF", _table(11), Purpose.PRIVATE),
    _row("192.175.48.0/24", "AS112 direct delegation", "RFC 7534", "TTTT", LATER),
    _row("198.18.0.0/15", "benchmarking", "RFC 2544 appendix C.2.2", "TTTF", _table(12), Purpose.BENCHMARKING),
    _row("198.51.100.0/24", "documentation (TEST-NET-2)", "RFC 5737 section 3", "FFFF", _table(13), Purpose.DOCUMENTATION),
    _row("203.0.113.0/24", "documentation (TEST-NET-3)", "RFC 5737 section 3", "FFFF", _table(14), Purpose.DOCUMENTATION),
    _row("240.0.0.0/4", "future use", "RFC 1112 section 4", "FFFF", _table(15)),
    _row("255.255.255.255/32", "limited broadcast", "RFC 919 section 7", "FTFF", _table(16)),
)

#: The IANA IPv6 special-purpose address registry.
IPV6 = (
    _row("::1/128", "loopback", "RFC 4291 section 2.5.3", "FFFF", _table(17), Purpose.LOOPBACK),
    _row("::/128", "the unspecified address", "RFC 4291 section 2.5.2", "TFFF", _table(18)),
    _row("64:ff9b::/96", "IPv4-IPv6 translation", "RFC 6052", "TTTT", _table(19)),
    _row("64:ff9b:1::/48", "local IPv4-IPv6 translation", "RFC 8215", "TTTF", LATER),
    _row("::ffff:0:0/96", "IPv4-mapped addresses", "RFC 4291 section 2.5.5.2", "FFFF", _table(20)),
    _row("100::/64", "discarding", "RFC 6666", "TTTF", _table(21)),
    _row("100:0:0:1::/64", "a dummy prefix", "RFC 9780", "TFFF", LATER),
    _row("2001::/23", "IETF protocol assignments", "RFC 2928", "FFFF", _table(22)),
    # RFC 6890 Table 23 printed F for Globally Reachable; RFC 8190 section 2.2 made it N/A.
    _row("2001::/32", "Teredo tunnelling", "RFC 4380", "TTT-", "RFC 8190 section 2.2"),
    _row("2001:1::1/128", "Port Control Protocol anycast", "RFC 7723", "TTTT", LATER),
    _row("2001:1::2/128", "TURN anycast", "RFC 8155", "TTTT", LATER),
    _row("2001:1::3/128", "DNS-SD registration anycast", "RFC 9665", "TTTT", LATER),
    _row("2001:2::/48", "benchmarking", "RFC 5180", "TTTF", _table(24), Purpose.BENCHMARKING),
    _row("2001:3::/32", "automatic multicast tunnelling", "RFC 7450", "TTTT", LATER),
    _row("2001:4:112::/48", "AS112 reverse-name service", "RFC 7535", "TTTT", LATER),
    # RFC 6890 Table 26 printed FFFF; the assignment ended in March 2014 and the registry emptied the cells.
    _row("2001:10::/28", "ORCHID (ended in 2014)", "RFC 4843", "----", LATER),
    _row("2001:20::/28", "ORCHIDv2", "RFC 7343", "TTTT", LATER),
    _row("2001:30::/28", "drone remote identification", "RFC 9374", "TTTT", LATER),
    _row("2001:db8::/32", "documentation", "RFC 3849", "FFFF", _table(25), Purpose.DOCUMENTATION),
    _row("2002::/16", "6to4", "RFC 3056", "TTT-", _table(27)),
    _row("2620:4f:8000::/48", "AS112 direct delegation", "RFC 7534", "TTTT", LATER),
    _row("3fff::/20", "documentation", "RFC 9637", "FFFF", LATER, Purpose.DOCUMENTATION),
    _row("5f00::/16", "segment routing identifiers", "RFC 9602", "TTTF", LATER),
    _row("fc00::/7", "unique local (private use)", "RFC 4193", "TTTF", _table(28), Purpose.PRIVATE),
    _row("fe80::/10", "link-local use", "RFC 4291 section 2.5.6", "TTFF", _table(29), Purpose.LINK_LOCAL),
)

#: Blocks that are not in the special-purpose registries and yet are no ordinary host addresses.
OUTSIDE_THE_REGISTRY = (
    _row("224.0.0.0/4", "multicast", "RFC 1122 section 3.2.1.3", "FTT-", "RFC 5771", Purpose.MULTICAST),
    _row("ff00::/8", "multicast", "RFC 4291 section 2.7", "FTT-", "RFC 4291", Purpose.MULTICAST),
    _row("fec0::/10", "site-local use (deprecated)", "RFC 3879", "TTTF", "RFC 4291 section 2.5.7"),
    # It works on a wire today; what its L bit of 0 will mean is left to the future.
    _row("fc00::/8", "a kind of unique local addresses not defined yet, where a site's own begin with fd", "RFC 4193 section 3.1",
         "TTTF", "RFC 4193 section 3.1"),
    # Nothing has to support them any more; :: and ::1 in this block have rows of their own.
    _row("::/96", "IPv4-compatible addresses (deprecated)", "RFC 4291 section 2.5.5.1", "FFFF", "RFC 4291 section 2.5.5.1"),
)

_MOST_SPECIFIC_FIRST = tuple(
    sorted((*IPV4, *IPV6, *OUTSIDE_THE_REGISTRY), key=lambda row: row.block.prefixlen, reverse=True))


def special_block(address: Address) -> SpecialBlock | None:
    """The most specific block that holds ``address``, or None for an ordinary public unicast address."""
    return next((row for row in _MOST_SPECIFIC_FIRST if address in row.block), None)


def means_one_wire(text: str) -> bool:
    """Whether this is a link-local address, which another machine has on every wire (RFC 4007 section 6, RFC 3927 section 2.7).

    False for what is no address at all.
    """
    try:
        block = special_block(parse_address(text))
    except AddressError:
        return False
    return block is not None and block.purpose is Purpose.LINK_LOCAL
