"""Who owns an address on this wire, without any socket: ARP (RFC 826) and neighbour discovery (RFC 4861) on Ethernet.

A question is packed as a whole frame; of what comes back, only who claims which address is read.  The reader is total: for
any octets it returns a ``Claim`` or None.  Both formats are fixed and short, so they are packed by hand: a packet library
takes half a second of the event loop to load, in the middle of other probes' time stamps.
"""

from __future__ import annotations

import ipaddress
import struct

import msgspec

from probes.icmpwire import internet_checksum

#: EtherTypes (IEEE 802 numbers): ARP and IPv6.
ARP, IPV6 = 0x0806, 0x86DD
#: IPv6 next header of ICMPv6 (RFC 4443 section 1), and the two messages of RFC 4861 sections 4.3 and 4.4.
ICMPV6, SOLICITATION, ADVERTISEMENT = 58, 135, 136
#: RFC 4861 section 7.1.1: a neighbour message that came through a router has a lower hop limit and is void.
_HOP_LIMIT = 255
#: RFC 4861 section 4.4: the S flag, "in answer to a solicitation".
_SOLICITED = 0x40
#: RFC 4861 section 4.6.1: options with a hardware address, by whose it is.
_SOURCE_LINK, _TARGET_LINK = 1, 2

_ETHERNET = struct.Struct("!6s6sH")
_ARP = struct.Struct("!HHBBH6s4s6s4s")
_IPV6 = struct.Struct("!IHBB16s16s")
_NEIGHBOUR = struct.Struct("!BBHI16s")
#: RFC 826: Ethernet (1) carrying IPv4 (0x0800), lengths 6 and 4; request 1, reply 2.
_ARP_START = (1, 0x0800, 6, 4)
_REQUEST, _REPLY = 1, 2
_BROADCAST, _NOBODY = b"\xff" * 6, bytes(6)


class Claim(msgspec.Struct, frozen=True):
    """Somebody on the wire says that ``address`` is at the hardware address ``mac``.

    ``asked`` is True where it was said in answer to a question.
    """

    address: str
    mac: str
    asked: bool


def pack_probe(own_mac: str, address: str) -> bytes:
    """An ARP probe: who has ``address``?  Asked by nobody in particular, sender 0.0.0.0 (RFC 5227 section 2.1.1).

    So no machine of the wire learns anything wrong from it.
    """
    sender = _octets(own_mac)
    body = _ARP.pack(*_ARP_START, _REQUEST, sender, bytes(4), _NOBODY, ipaddress.IPv4Address(address).packed)
    return _ETHERNET.pack(_BROADCAST, sender, ARP) + body


def pack_solicitation(own_mac: str, own_address: str, address: str) -> bytes:
    """A neighbour solicitation for ``address``, sent to its solicited-node group (RFC 4861 sections 4.3 and 7.2.2).

    It is the form of address resolution, from an address of our own.  The form with the unspecified source is the one of
    duplicate address detection: a host that was just testing the address for itself would have to give it up because of us
    (RFC 4862 section 5.4.3).
    """
    sender, target = _octets(own_mac), ipaddress.IPv6Address(address).packed
    group = ipaddress.IPv6Address("ff02::1:ff00:0").packed[:13] + target[13:]
    source = ipaddress.IPv6Address(own_address).packed
    unsummed = _NEIGHBOUR.pack(SOLICITATION, 0, 0, 0, target) + bytes((_SOURCE_LINK, 1)) + sender
    pseudo_header = source + group + struct.pack("!II", len(unsummed), ICMPV6)
    checksum = internet_checksum(pseudo_header + unsummed)
    message = unsummed[:2] + checksum.to_bytes(2, "big") + unsummed[4:]
    header = _IPV6.pack(6 << 28, len(message), ICMPV6, _HOP_LIMIT, source, group)
    return _ETHERNET.pack(b"\x33\x33" + group[12:], sender, IPV6) + header + message


def read_claim(frame: bytes) -> Claim | None:
    """What a frame claims, or None where it claims nothing: it is no ARP packet with a sender, and no advertisement.

    An ARP packet of either kind claims its sender's address, a probe (sender 0.0.0.0) none: switches send those too, to see
    who is there.
    """
    if len(frame) < _ETHERNET.size:
        return None
    _to, sender, kind = _ETHERNET.unpack_from(frame)
    body = frame[_ETHERNET.size :]
    if kind == ARP:
        return _read_arp(body)
    return _read_advertisement(sender, body) if kind == IPV6 else None


def _read_arp(body: bytes) -> Claim | None:
    if len(body) < _ARP.size:
        return None
    *start, operation, mac, sender, _target_mac, _target = _ARP.unpack_from(body)
    if tuple(start) != _ARP_START or operation not in (_REQUEST, _REPLY) or sender == bytes(4) or not _is_somebody(mac):
        return None
    return Claim(str(ipaddress.IPv4Address(sender)), _text(mac), operation == _REPLY)


def _read_advertisement(sender: bytes, body: bytes) -> Claim | None:
    if len(body) < _IPV6.size + _NEIGHBOUR.size:
        return None
    _version, length, following, hops, source, group = _IPV6.unpack_from(body)
    message = body[_IPV6.size : _IPV6.size + length]
    if following != ICMPV6 or hops != _HOP_LIMIT or len(message) != length or length < _NEIGHBOUR.size:
        return None
    kind, code, _checksum, flags, target = _NEIGHBOUR.unpack_from(message)
    pseudo_header = source + group + struct.pack("!II", length, ICMPV6)
    if (kind, code) != (ADVERTISEMENT, 0) or internet_checksum(pseudo_header + message) != 0:
        return None
    mac = _target_link(message[_NEIGHBOUR.size :]) or sender
    if not _is_somebody(mac):
        return None
    return Claim(str(ipaddress.IPv6Address(target)), _text(mac), bool(flags >> 24 & _SOLICITED))


def _target_link(options: bytes) -> bytes | None:
    """The hardware address in an advertisement's options (RFC 4861 section 4.6); None where there is none to be read."""
    place = 0
    while place + 8 <= len(options):
        kind, length = options[place], options[place + 1] * 8
        if length == 0:
            return None
        if kind == _TARGET_LINK and length == 8:
            return options[place + 2 : place + 8]
        place += length
    return None


def _is_somebody(mac: bytes) -> bool:
    """Whether an interface can have this hardware address: it is neither empty nor a group's (RFC 9542 section 2.1)."""
    return mac != _NOBODY and not mac[0] & 1


def _octets(mac: str) -> bytes:
    return bytes.fromhex(mac.replace(":", ""))


def _text(mac: bytes) -> str:
    return mac.hex(":")
