"""What the single values of a plan mean: addresses, subnets, ranges, ports, servers.

Text in, plain data out.  An address or a subnet that cannot be read is None here: lint says what is wrong with it and
how to mend it.  Only a port has no reading but its own, so a bad one raises.
"""

from __future__ import annotations

import ipaddress
import re

from shared.hostnames import qualify
from shared.plan import Endpoint, Port

#: IEEE 802.1Q: a VLAN identifier has 12 bits, of which 0 and 4095 name no VLAN.
VLANS = range(1, 4095)

_MAC = re.compile(r"[0-9a-f]{2}([:-]?)(?:[0-9a-f]{2}\1){4}[0-9a-f]{2}|(?:[0-9a-f]{4}\.){2}[0-9a-f]{4}")
_PORT = re.compile(r"([0-9]{1,5})\s*/\s*([a-z]+)")
_DASH = re.compile(r"\s*[-–]\s*")


class ValueFaultError(ValueError):
    """A value has no meaning.  At fault is the plan's author; the message ends the sentence that begins with the value."""


def address_of(text: str) -> str | None:
    """The canonical form of an IPv4 or IPv6 address, or None.

    Strict: four decimal octets without leading zeros, which some programs read as octal (RFC 6943 section 3.1.1); IPv6 as
    RFC 4291 section 2.2, without a zone, shown as RFC 5952 has it.
    """
    try:
        address = ipaddress.ip_address(text.strip())
    except ValueError:
        return None
    return None if "%" in text else str(address)


def subnet_of(text: str) -> str | None:
    """The canonical form of a subnet, "ADDRESS/LENGTH", or None.

    Read are "192.0.2.0/24", "192.0.2.0/255.255.255.0" and "192.0.2.0 255.255.255.0".  None where the mask is not a run of
    ones (RFC 4632 section 5.1), where it is inverted, or where the address has bits set beyond it.
    """
    address_text, _, mask_text = text.strip().replace(" ", "/", 1).partition("/")
    address = address_of(address_text)
    length = prefix_length_of(mask_text, version=6 if ":" in address_text else 4)
    if address is None or length is None:
        return None
    try:
        return str(ipaddress.ip_network(f"{address}/{length}", strict=True))
    except ValueError:
        return None


def prefix_length_of(mask: str, version: int = 4) -> int | None:
    """The prefix length that "255.255.255.0", "24" or "/24" says, or None.

    ``ipaddress`` would take an inverted mask (0.0.0.255) for its opposite; here it is no mask.
    """
    mask = mask.strip().removeprefix("/").strip()
    if re.fullmatch(r"[0-9]{1,3}", mask):
        return int(mask) if int(mask) <= (32 if version == 4 else 128) else None
    try:
        bits = f"{int(ipaddress.IPv4Address(mask)):032b}"
    except ValueError:
        return None
    return bits.count("1") if version == 4 and "01" not in bits else None


def range_of(text: str) -> tuple[str, str] | None:
    """First and last address of "FIRST-LAST", of one address, or of a subnet; None where it cannot be read or runs backwards."""
    if "/" in text:
        subnet = subnet_of(text)
        if subnet is None:
            return None
        network = ipaddress.ip_network(subnet)
        return str(network[0]), str(network[-1])
    ends = [address_of(end) for end in _DASH.split(text.strip())]
    first, last = ends[0], ends[-1]
    if len(ends) > 2 or first is None or last is None:
        return None
    one, other = ipaddress.ip_address(first), ipaddress.ip_address(last)
    return (first, last) if one.version == other.version and int(one) <= int(other) else None


def mac_of(text: str) -> str:
    """A hardware address as "00:00:5e:00:53:01", from any of its usual spellings; anything else as it was typed."""
    folded = text.strip().lower()
    if not _MAC.fullmatch(folded):
        return text.strip()
    digits = re.sub(r"[^0-9a-f]", "", folded)
    return ":".join(digits[at:at + 2] for at in range(0, 12, 2))


def port_of(text: str) -> Port:
    """The port of "443/tcp" or "123/udp".  Raises ValueFaultError."""
    match = _PORT.fullmatch(text.strip().lower())
    if match is None:
        if text.strip().isascii() and text.strip().isdigit():
            raise ValueFaultError(f'has no transport; write "{text.strip()}/tcp"')
        raise ValueFaultError('is not a port; write a number and its transport, such as "443/tcp"')
    number, transport = int(match.group(1)), match.group(2)
    if transport not in ("tcp", "udp"):
        raise ValueFaultError(f'has the transport "{transport}"; write "{number}/tcp" or "{number}/udp"')
    return Port(_port_number(match.group(1)), transport)


def name_server_of(text: str) -> Endpoint:
    """The name server of ADDRESS, ADDRESS:PORT or [V6]:PORT; its port is 53 if not said.  Raises ValueFaultError for a bad port.

    What is no address is kept as typed, for lint to judge.
    """
    host, port = _split_port(text, 53)
    return _endpoint(address_of(host) or host, port, 53)


def time_source_of(text: str, domain: str) -> Endpoint:
    """The time source of an address or a name with an optional :PORT, else 123.  Raises ValueFaultError for a bad port.

    A short name gets ``domain`` as its suffix, as a host's does.
    """
    host, port = _split_port(text, 123)
    return _endpoint(address_of(host) or qualify(host, domain), port, 123)


def _endpoint(host: str, port: int, default: int) -> Endpoint:
    if port == default:
        return Endpoint(host, port, host)
    return Endpoint(host, port, f"[{host}]:{port}" if ":" in host else f"{host}:{port}")


def _split_port(text: str, default: int) -> tuple[str, int]:
    """Host and port of HOST, HOST:PORT or [V6]:PORT.  A bare IPv6 address has no port, however its last group looks."""
    text = text.strip()
    if text.startswith("["):
        host, bracket, rest = text[1:].partition("]")
        if bracket and not rest:
            return host, default
        if bracket and rest.startswith(":"):
            return host, _port_number(rest[1:])
        return text, default
    host, colon, port = text.partition(":")
    if not colon or ":" in port:
        return text, default
    return host, _port_number(port)


def _port_number(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,5}", text) or not 1 <= int(text) <= 65535:
        raise ValueFaultError(f'has the port "{text}"; a port is a number from 1 to 65535')
    return int(text)
