"""Routes and neighbours, as iproute2 and BusyBox print them and as the kernel's own files hold them."""

from __future__ import annotations

import ipaddress
import itertools
import re

from shared.addresses import AddressError, canonical_address, show_subnet
from shared.hostfacts import MOST, Neighbour, Route

#: Kinds of route that carry nothing on (ip-route(8)).
_NO_WAY = frozenset({"unreachable", "blackhole", "prohibit", "throw", "local", "broadcast", "anycast", "multicast", "nat"})
#: linux/route.h and linux/ipv6_route.h.
_UP, _GATEWAY, _REJECT = 0x1, 0x2, 0x200
_NOT_A_ROUTE_6 = _REJECT | 0x80000000 | 0x00100000  # RTF_LOCAL, RTF_ANYCAST
_ARP_COMPLETE = 0x2  # ATF_COM of linux/if_arp.h
_NO_MAC = "00:00:00:00:00:00"
#: "0:  from all lookup local": what every host has, and what only packets that a program marked go by (ip-rule(8)).
_RULE = re.compile(r"\d{1,10}:\s+(.{1,200})")
_USUAL_RULE = re.compile(r"from all (?:fwmark \S+ .*|lookup (?:local|main|default))")


def address_of(text: str) -> str | None:
    """The canonical form of an address, its zone (RFC 4007 section 11) dropped, or None."""
    try:
        return canonical_address(text.partition("%")[0])
    except AddressError:
        return None


def routes(text: str) -> tuple[Route, ...] | None:
    """The output of ``ip route show``.  An empty output is a host without routes."""
    found: list[Route] = []
    destination, shared = "", dict[str, str]()
    for line in text.splitlines():
        words = line.split()
        if words[:1] == ["nexthop"]:
            if destination:
                if found and not found[-1].gateway and not found[-1].interface:
                    found.pop()
                found.append(_route(destination, {**shared, **_options(words[1:])}, shared=True))
            continue
        if words[:1] == ["unicast"]:
            del words[0]
        destination = _destination(words[0]) if words and words[0] not in _NO_WAY else ""
        if not destination:
            continue
        shared = _options(words[1:])
        # A route of several ways goes on in lines of its own, which BusyBox leaves out.
        if "dev" in shared or "via" in shared or (destination == "default" and words[1:2] in ([], ["metric"], ["proto"])):
            found.append(_route(destination, shared))
    return tuple(found[:MOST]) if found or not text.strip() else None


def _destination(word: str) -> str:
    if word == "default":
        return word
    try:
        return show_subnet(ipaddress.ip_network(word))
    except ValueError:
        return ""


def _options(words: list[str]) -> dict[str, str]:
    """The words after the destination, by the word before them; "via inet6 ADDRESS" is a gateway of the other family."""
    words = [word for word in words if word not in ("inet", "inet6")]
    return dict(itertools.pairwise(words))


def _route(destination: str, options: dict[str, str], *, shared: bool = False) -> Route:
    metric = options.get("metric", "")
    return Route(destination=destination, gateway=address_of(options.get("via", "")) or "",
                 interface=options.get("dev", "")[:64], metric=int(metric) if metric.isdecimal() and len(metric) < 11 else None,
                 origin=options.get("proto", "")[:32], shared=shared)


def rules(text: str) -> tuple[str, ...] | None:
    """The output of ``ip rule show``, without the rules that every host has."""
    found = [" ".join(rule[1].split()) for line in text.splitlines() if (rule := _RULE.fullmatch(line.strip()))]
    return tuple(rule for rule in found if not _USUAL_RULE.fullmatch(rule))[:MOST] if found else None


def proc_routes_4(text: str) -> tuple[Route, ...] | None:
    """/proc/net/route: numbers in the byte order of the host's processor, taken to be little-endian as nearly all are."""
    found, seen = [], False
    for line in text.splitlines():
        words = line.split()
        seen = seen or words[:2] == ["Iface", "Destination"]
        try:
            interface, (destination, gateway, flags, mask) = words[0], (int(words[place], 16) for place in (1, 2, 3, 7))
            metric, length = int(words[6]), mask.bit_count()
            if not flags & _UP or flags & _REJECT:
                continue
            where = "default" if not destination and not mask else show_subnet(
                ipaddress.IPv4Network((_dotted(destination), length)))
            found.append(Route(destination=where, gateway=_dotted(gateway) if flags & _GATEWAY else "",
                               interface=interface[:64], metric=metric or None))
        except (IndexError, ValueError, OverflowError):
            continue
    return tuple(found[:MOST]) if found or seen else None


def _dotted(number: int) -> str:
    return str(ipaddress.IPv4Address(number.to_bytes(4, "little")))


def proc_routes_6(text: str) -> tuple[Route, ...] | None:
    """/proc/net/ipv6_route, which is there and holds at least the loopback's wherever IPv6 is."""
    found, seen = [], False
    for line in text.splitlines():
        words = line.split()
        try:
            destination, gateway = (ipaddress.IPv6Address(bytes.fromhex(words[place])) for place in (0, 4))
            length, metric, flags, interface = int(words[1], 16), int(words[5], 16), int(words[8], 16), words[9]
            seen = True
            if not flags & _UP or flags & _NOT_A_ROUTE_6 or interface == "lo":
                continue
            where = "default" if not length else show_subnet(ipaddress.IPv6Network((destination, length)))
            found.append(Route(destination=where, gateway=str(gateway) if flags & _GATEWAY else "", interface=interface[:64],
                               metric=metric))
        except (IndexError, ValueError):
            continue
    return tuple(found[:MOST]) if seen else None


def neighbours(text: str) -> tuple[Neighbour, ...] | None:
    """The output of ``ip neigh show``: ADDRESS dev INTERFACE lladdr MAC STATE.  An empty output is a host without any."""
    found = []
    for line in text.splitlines():
        words = line.split()
        address = address_of(words[0]) if words else None
        if address is not None and len(words) >= 3:
            options = _options(words[1:])
            found.append(Neighbour(address=address, interface=options.get("dev", "")[:64],
                                   mac=options.get("lladdr", "").lower()[:64], state=words[-1].upper()[:32]))
    return tuple(found[:MOST]) if found or not text.strip() else None


def proc_neighbours(text: str) -> tuple[Neighbour, ...] | None:
    """/proc/net/arp: complete entries count as REACHABLE, for the file does not say more; others as INCOMPLETE."""
    found, seen = [], False
    for line in text.splitlines():
        words = line.split()
        seen = seen or words[:2] == ["IP", "address"]
        address = address_of(words[0]) if words else None
        try:
            if address is not None:
                complete = int(words[2], 16) & _ARP_COMPLETE and words[3] != _NO_MAC
                found.append(Neighbour(address=address, interface=words[5][:64], mac=words[3].lower()[:64] if complete else "",
                                       state="REACHABLE" if complete else "INCOMPLETE"))
        except (IndexError, ValueError):
            continue
    return tuple(found[:MOST]) if found or seen else None
