"""What the single values of a plan mean: addresses, subnets, ranges, ports, servers.

Text in, plain data out.  An address or a subnet that ``shared.addresses`` cannot read is None here: lint says what is
wrong with it and how to mend it.  Only a port has no reader but this one, so a bad one raises.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from shared.addresses import AddressError, canonical_address, parse_range, parse_subnet, show_address, show_subnet, split_port
from shared.hostnames import qualify
from shared.macs import MacError, parse_mac
from shared.plan import Endpoint, Port

_PORT = re.compile(r"([0-9]{1,5})\s*/\s*([a-z]{1,20})")


class ValueFaultError(ValueError):
    """A value has no meaning.  At fault is the plan's author; the message ends the sentence that begins with the value."""


def address_of(text: str) -> str | None:
    """The canonical form of an IPv4 or IPv6 address, or None."""
    try:
        return canonical_address(text)
    except AddressError:
        return None


def subnet_of(text: str) -> str | None:
    """The canonical form of a subnet, "ADDRESS/LENGTH", or None: also where the address has bits set beyond the mask."""
    try:
        return show_subnet(parse_subnet(text))
    except AddressError:
        return None


def pair_of(
    typed: str | int | list[str] | list[str | int] | None, family: Callable[[str], int],
) -> tuple[str | None, str | None]:
    """The one or two texts of a value that may be a list of one for each address family, in the order typed.

    ``family`` tells the IP version of each.  Raises ValueFaultError for an empty list and for two of one family.
    """
    texts = [str(one) for one in typed] if isinstance(typed, list) else [] if typed is None else [str(typed)]
    if not texts and typed is not None:
        raise ValueFaultError("is an empty list; name one at least, or take the line out")
    families = [family(text) for text in texts]
    for version in dict.fromkeys(families):
        if families.count(version) > 1:
            same = " and ".join(f'"{text[:45]}"' for text, own in zip(texts, families, strict=True) if own == version)
            raise ValueFaultError(f"names {same[:120]}, which are both of IPv{version}; a wire has at most one for each address "
                                  "family: keep one of them here, or plan another network for the other")
    first, second, *_ = *texts, None, None
    return first, second


def range_of(text: str) -> tuple[str, str] | None:
    """The first and the last address of a range, or None."""
    try:
        first, last = parse_range(text)
    except AddressError:
        return None
    return show_address(first), show_address(last)


def mac_of(text: str) -> str:
    """The canonical form of a hardware address; what is none, as it was typed."""
    try:
        return parse_mac(text)
    except MacError:
        return text


def port_of(text: str) -> Port:
    """The port of "443/tcp" or "123/udp".  Raises ValueFaultError."""
    match = _PORT.fullmatch(text.strip().lower())
    if match is None:
        if text.strip().isascii() and text.strip().isdigit():
            raise ValueFaultError(f'has no transport; write "{text.strip()[:20]}/tcp"')
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
    host, port = split_port(text.strip())
    return host, default if port is None else _port_number(port)


def _port_number(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,5}", text) or not 1 <= int(text) <= 65535:
        raise ValueFaultError(f'has the port "{text[:20]}"; a port is a number from 1 to 65535')
    return int(text)
