"""Addresses, masks and subnets as a plan types them: read strictly, shown in one form, and the arithmetic between them.

The standard library's readers are too kind for a plan: they take a host mask ("0.0.0.255") for a mask and give a prefix
length for it without a word, and they keep a zone ("fe80::1%eth0") that means something on one machine only.  Everything
a person typed therefore comes in through this file.  What an address is set aside for is in ``shared.special_addresses``.
"""

from __future__ import annotations

import functools
import ipaddress
import re
from collections.abc import Callable

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Subnet = ipaddress.IPv4Network | ipaddress.IPv6Network

#: The most characters of a mistyped value repeated in a message; the longest address has 45 (RFC 4291 section 2.2, form 3).
_SHOWN = 48
_ALL_ONES = 0xFFFFFFFF
_DIGITS = re.compile(r"[0-9]+\Z")
#: What may be an IPv6 address, or a pattern of some, wherever it stands in a text.
_SIX_WRITTEN = re.compile(r"(?<![\w.:*?-])[0-9A-Fa-f:.*?]{2,64}(?![\w.:*?-])")


class AddressError(ValueError):
    """The text is not the address, mask, subnet or range it should be.  The message says what is wrong with it."""


def family_of(text: str) -> int:
    """The IP version of an address, or of a subnet, by its punctuation alone; of a gateway or a subnet as typed as well."""
    return 6 if ":" in text else 4


def family_of_mask(text: str) -> int:
    """The IP version that a mask as typed belongs to: only IPv6 has a length beyond 32, and no wire a shorter one there."""
    bare = text.removeprefix("/")
    return 6 if _DIGITS.match(bare) and len(bare) <= 3 and int(bare) > 32 else 4


def parse_address(text: str) -> Address:
    """The address that ``text`` writes: IPv4 as four decimal octets, IPv6 in any form of RFC 4291 section 2.2.

    Refused are the short, octal and hexadecimal IPv4 forms that some programs still take (RFC 6943 section 3.1.1), leading
    zeros (RFC 3986 section 3.2.2), a zone (RFC 4007 section 11) and surrounding space.  Raises AddressError.
    """
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        bare = without_mask(text)
        why = f"a mask or prefix length does not belong behind {show_address(bare)} here" if bare else _why(text)
        raise AddressError(f'"{_short(text)}" is not an address: {why}') from None
    if isinstance(address, ipaddress.IPv6Address) and address.scope_id is not None:
        raise AddressError(f'"{_short(text)}" names an interface after "%", which means something on one machine only')
    return address


@functools.lru_cache(maxsize=1024)
def is_address(text: str) -> bool:
    """Whether a socket takes ``text`` for an address, also one with a zone.

    Anything else it would take for a name and have the system look it up, at servers that nobody planned.
    """
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def without_mask(text: str) -> Address | None:
    """The address in front of a slash and whatever follows, or in front of a dotted mask; None where there is no such thing.

    "192.0.2.5/24" and "192.0.2.5 255.255.255.0" write an interface's address with the length of its subnet (RFC 4632
    section 3.1 for the first), and each holds one address only.
    """
    address_part, slash, _ = text.partition("/")
    if not slash:
        address_part, mask_part, *_ = *text.split(maxsplit=1), "", ""
        if not _reads(parse_mask, mask_part):
            return None
    address_part = address_part.strip()
    return parse_address(address_part) if _reads(parse_address, address_part) else None


def split_port(text: str) -> tuple[str, str | None]:
    """Host and port of HOST, HOST:PORT or [V6]:PORT as written, the port None where there is none; neither is judged.

    A bare IPv6 address has no port, however its last group looks (RFC 3986 section 3.2.2).
    """
    if text.startswith("["):
        host, bracket, rest = text[1:].partition("]")
        if bracket and rest[:1] in ("", ":"):
            return host, rest[1:] if rest else None
        return text, None
    host, colon, port = text.partition(":")
    return (host, port) if colon and ":" not in port else (text, None)


def show_address(address: Address) -> str:
    """The canonical text (RFC 5952 section 4); an IPv4-mapped address keeps its dotted end (section 5)."""
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
        return f"::ffff:{address.ipv4_mapped}"
    return str(address)


def canonical_address(text: str) -> str:
    """The canonical text of the address that ``text`` writes.  Raises AddressError."""
    return show_address(parse_address(text))


def with_canonical_addresses(text: str) -> str:
    """``text`` with every IPv6 address in it in canonical form, and where ``*`` or ``?`` leave a part open as far as it goes.

    An address may be written in many ways (RFC 4291 section 2.2), and is shown here in one: small letters and no leading
    zeros (RFC 5952 sections 4.1 and 4.3), and of the longest run of zeros nothing.
    """
    return _SIX_WRITTEN.sub(lambda match: _canonical_six(match[0]), text) if text.count(":") > 1 else text


def _canonical_six(written: str) -> str:
    if written.count(":") < 2:
        return written
    if "*" in written or "?" in written:
        return re.sub(r"(?<![0-9a-f*?])0+(?=[0-9a-f])", "", written.lower())
    return canonical_address(written) if _reads(parse_address, written) else written


def mask_of(prefix: int) -> str:
    """The dotted mask of an IPv4 prefix length (RFC 1878, main table).  Raises ValueError outside 0 to 32."""
    if not 0 <= prefix <= 32:
        raise ValueError(f"an IPv4 prefix length is 0 to 32, not {prefix}")
    return str(ipaddress.IPv4Address(_ALL_ONES << (32 - prefix) & _ALL_ONES))


def parse_mask(text: str) -> int:
    """The prefix length of a dotted IPv4 mask.

    The one bits stand together at the left (RFC 4632 section 5.1, RFC 1812 section 10.2.2); a host mask is refused.
    Raises AddressError.
    """
    try:
        value = int(ipaddress.IPv4Address(text))
    except ValueError:
        raise AddressError(f'"{_short(text)}" is not a mask: {_why(text)}') from None
    host_part = value ^ _ALL_ONES
    if host_part & (host_part + 1) == 0:
        return 32 - host_part.bit_length()
    if value & (value + 1) == 0:
        raise AddressError(f'"{text}" is a host mask, the wrong way round; the mask is {mask_of(32 - value.bit_length())}')
    raise AddressError(f'"{text}" is not a mask: its one bits do not stand together at the left')


def parse_prefix(text: str, version: int) -> int:
    """The prefix length that ``text`` writes: "24", "/24", or for IPv4 a dotted mask.  Raises AddressError."""
    bare = text.removeprefix("/")
    if version == 4 and "." in bare:
        return parse_mask(bare)
    most = 32 if version == 4 else 128
    # The length is looked at before the number is made: a plan may hold a number of any length.
    if not _DIGITS.match(bare) or len(bare) > 3 or int(bare) > most or (len(bare) > 1 and bare.startswith("0")):
        raise AddressError(f'"{_short(text)}" is not a prefix length: a number from 0 to {most}, without leading zeros')
    return int(bare)


def split_subnet(text: str) -> tuple[str, str]:
    """The address part and the mask part of a subnet as typed, unread.  Raises AddressError where there are not two."""
    parts = text.replace("/", " ").split()
    if len(parts) != 2 or text.count("/") > 1:
        raise AddressError(f'"{_short(text)}" is not a subnet; write it as "192.0.2.0/24" or "192.0.2.0 255.255.255.0"')
    return parts[0], parts[1]


def parse_subnet(text: str) -> Subnet:
    """The subnet that ``text`` writes: "192.0.2.0/24", "192.0.2.0 255.255.255.0" or "2001:db8::/64".

    The address must be the subnet's first one (RFC 4632 section 3.1: host bits are zero).  Raises AddressError.
    """
    address_part, mask_part = split_subnet(text)
    address = parse_address(address_part)
    subnet = subnet_of(address, parse_prefix(mask_part, address.version))
    if subnet.network_address != address:
        raise AddressError(f'"{_short(text)}" begins inside its subnet; the subnet is {show_subnet(subnet)}')
    return subnet


def subnet_of(address: Address, prefix: int) -> Subnet:
    """The subnet of ``prefix`` bits around ``address`` (RFC 1122 section 3.3.1.1: address AND mask).

    Raises ValueError for a prefix length that the address family does not have.
    """
    return ipaddress.ip_network((address.packed, prefix), strict=False)


def show_subnet(subnet: Subnet) -> str:
    """The canonical text of a subnet, as ``Network.subnet`` holds it."""
    return f"{show_address(subnet.network_address)}/{subnet.prefixlen}"


def parse_range(text: str) -> tuple[Address, Address]:
    """The first and last address of "192.0.2.100-192.0.2.199", or of one address alone.  Raises AddressError."""
    first_text, hyphen, last_text = text.partition("-")
    first = parse_address(first_text.strip())
    last = parse_address(last_text.strip()) if hyphen else first
    if first.version != last.version:
        raise AddressError(f'"{_short(text)}" begins in one address family and ends in the other')
    if int(last) < int(first):
        raise AddressError(f'"{_short(text)}" ends before it begins; the first address is the lower one')
    return first, last


def first_host(subnet: Subnet) -> Address:
    """The lowest address a host may have: after the network address, or after the subnet-router anycast address.

    In a /31 or /32 (RFC 3021 section 2.1) and in a /127 or /128 (RFC 6164 section 6) every address is a host's.
    """
    return subnet.network_address if subnet.num_addresses <= 2 else subnet.network_address + 1


def last_host(subnet: Subnet) -> Address:
    """The highest address a host may have.  IPv6 has no broadcast address (RFC 4291 section 2)."""
    last = subnet.broadcast_address
    return last - 1 if subnet.version == 4 and subnet.num_addresses > 2 else last


def usable_hosts(subnet: Subnet) -> int:
    """How many hosts the subnet holds (RFC 1122 section 3.2.1.3; RFC 3021 section 2.1; RFC 4291 section 2.6.1)."""
    return int(last_host(subnet)) - int(first_host(subnet)) + 1


def host_fault(address: Address, subnet: Subnet) -> str | None:
    """Why ``address`` cannot be a host's in ``subnet``, as the end of a sentence that begins with it; None where it can.

    Zeros and ones in the whole host part are no host's (RFC 1122 section 3.2.1.3); the first address of an IPv6 subnet is
    the subnet-router anycast address (RFC 4291 section 2.6.1).
    """
    if address not in subnet:
        return f"is not in {show_subnet(subnet)}"
    if int(address) < int(first_host(subnet)):
        if subnet.version == 6:
            return f"is the subnet-router anycast address of {show_subnet(subnet)}, which every router there answers to"
        return f"is the network address of {show_subnet(subnet)}"
    if int(address) > int(last_host(subnet)):
        return f"is the broadcast address of {show_subnet(subnet)}"
    return None


def _reads(parse: Callable[[str], object], text: str) -> bool:
    try:
        parse(text)
    except AddressError:
        return False
    return True


def _short(text: str) -> str:
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


def _why(text: str) -> str:
    """What keeps ``text`` from being an address, in words."""
    if not text:
        return "it is empty"
    if ":" in text:
        return "IPv6 is up to eight groups of hexadecimal digits, with :: once at most (RFC 4291 section 2.2)"
    if text != text.strip():
        return "there is space around it"
    octets = text.split(".")
    if all(_DIGITS.match(octet) for octet in octets):
        if len(octets) != 4:
            return f"it has {len(octets)} number{'s' if len(octets) > 1 else ''} where four belong"
        for octet in octets:
            if len(octet) > 1 and octet.startswith("0"):
                return f'"{_short(octet)}" has a leading zero, which some programs read as octal (RFC 6943 section 3.1.1)'
            if len(octet) > 3 or int(octet) > 255:
                return f"{_short(octet)} is over 255"
    return "IPv4 is four numbers from 0 to 255 with a dot between them"
