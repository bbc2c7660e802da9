"""Addresses and interfaces, as iproute2 and BusyBox print them and as the kernel's own files hold them."""

from __future__ import annotations

import ipaddress
import itertools
import re

import msgspec

from probes.hostfacts.routes import address_of, proc_routes_4
from shared.hostfacts import MOST, InterfaceAddress, Link, Route

#: "2: eth0@if5: <BROADCAST,UP> mtu 1500 ..."
_HEAD = re.compile(r"\d+: ([^\s:@]{1,64})(?:@\S+)?: <([A-Z0-9_,-]*)>(?: mtu (\d{1,9}))?")
_MAC = re.compile(r"link/\S+ ([0-9a-fA-F:]{11,64})\b")
_LIFE = re.compile(r"valid_lft (?:(\d{1,10})s(?:ec)?|forever)")
#: The kernel's words about an address that matter here (ip-address(8)).
_FLAGS = frozenset({"tentative", "dadfailed", "deprecated", "temporary", "secondary", "mngtmpaddr", "optimistic"})
#: /proc/net/if_inet6: scopes and the flag of an address that does not end (linux/if_addr.h, IFA_F_PERMANENT).
_SCOPES_6 = {0x00: "global", 0x10: "host", 0x20: "link", 0x40: "site"}
_PERMANENT = 0x80
_SYS_LINK = re.compile(r"/sys/class/net/([^/\s]{1,64})/(mtu|address):(\S{1,64})")


def addresses(text: str) -> tuple[InterfaceAddress, ...] | None:
    """The output of ``ip address show``."""
    found: list[InterfaceAddress] = []
    interface = ""
    for line in text.splitlines():
        head = _HEAD.match(line)
        if head:
            interface = head[1]
            continue
        words = line.split()
        if words[:1] in (["inet"], ["inet6"]) and len(words) > 1 and interface:
            read = _address(words, line, interface)
            if read is not None:
                found.append(read)
        elif found and words[:1] == ["valid_lft"]:
            found[-1] = _with_life(found[-1], line)
    return tuple(found[:MOST]) if interface else None


def _address(words: list[str], line: str, interface: str) -> InterfaceAddress | None:
    options = dict(itertools.pairwise(words))
    address = address_of(words[1].partition("/")[0])
    # With a peer, the length belongs to the peer's address: "inet 192.0.2.1 peer 192.0.2.2/32".
    length = (options["peer"] if "/" not in words[1] and "peer" in options else words[1]).partition("/")[2]
    if address is None or not length.isdecimal() or len(length) > 3:
        return None
    # An advertised address without an end is not called dynamic where a program sets it, but is still managed (ip-address(8)).
    leased = "dynamic" in words or "mngtmpaddr" in words
    read = InterfaceAddress(address=address, prefix_length=int(length), interface=interface, dynamic=leased,
                            scope=options.get("scope", "global")[:32], flags=tuple(word for word in words if word in _FLAGS))
    return _with_life(read, line)


def _with_life(address: InterfaceAddress, line: str) -> InterfaceAddress:
    life = _LIFE.search(line)
    if life is None or life[1] is None:
        return address
    return InterfaceAddress(address=address.address, prefix_length=address.prefix_length, interface=address.interface,
                            scope=address.scope, dynamic=True, valid_seconds=int(life[1]), flags=address.flags)


def proc_addresses(text: str) -> tuple[InterfaceAddress, ...] | None:
    """/proc/net/fib_trie, /proc/net/route and /proc/net/if_inet6 one after another, for a host without ``ip``.

    The first has the host's own IPv4 addresses without mask or interface; both are those of the connected route that each
    lies in.  Whether an IPv4 address is leased, these files do not say.
    """
    connected = [route for route in proc_routes_4(text) or () if not route.gateway and route.destination != "default"]
    found = [_on_wire(address, connected) for address in _own_in_trie(text)]
    found += [read for line in text.splitlines() if (read := _address_6(line.split()))]
    return tuple(found[:MOST]) or None


def _own_in_trie(text: str) -> list[str]:
    own: dict[str, None] = {}
    leaf: str | None = None
    for line in text.splitlines():
        words = line.split()
        if words[:1] == ["|--"] and len(words) == 2:
            leaf = address_of(words[1])
        elif words == ["/32", "host", "LOCAL"] and leaf:
            own[leaf] = None
    return list(own)


def _on_wire(address: str, connected: list[Route]) -> InterfaceAddress:
    parsed = ipaddress.ip_address(address)
    if parsed.is_loopback:
        return InterfaceAddress(address=address, prefix_length=8, interface="lo", scope="host")
    wires = [(ipaddress.ip_network(route.destination), route.interface) for route in connected]
    around = [(wire.prefixlen, interface) for wire, interface in wires if parsed.version == wire.version and parsed in wire]
    length, interface = max(around, default=(32, ""))
    return InterfaceAddress(address=address, prefix_length=length, interface=interface)


def _address_6(words: list[str]) -> InterfaceAddress | None:
    """ADDRESS INDEX LENGTH SCOPE FLAGS INTERFACE, all but the last in hexadecimal."""
    if len(words) != 6 or len(words[0]) != 32:
        return None
    try:
        address = ipaddress.IPv6Address(bytes.fromhex(words[0]))
        length, scope, flags = (int(words[place], 16) for place in (2, 3, 4))
    except ValueError:
        return None
    return InterfaceAddress(address=str(address), prefix_length=length, interface=words[5][:64],
                            scope=_SCOPES_6.get(scope, f"{scope:#x}"), dynamic=not flags & _PERMANENT)


def links(text: str) -> tuple[Link, ...] | None:
    """The output of ``ip link show``."""
    found: list[Link] = []
    for line in text.splitlines():
        head = _HEAD.match(line)
        if head:
            flags = head[2].split(",")
            found.append(Link(interface=head[1], mtu=int(head[3]) if head[3] else None, up="UP" in flags,
                              carrier="NO-CARRIER" not in flags if "UP" in flags else None))
            continue
        mac = _MAC.search(line)
        if found and mac and not found[-1].mac:
            found[-1] = msgspec.structs.replace(found[-1], mac=mac[1].lower())
    return tuple(found[:MOST]) or None


def sys_links(text: str) -> tuple[Link, ...] | None:
    """Lines PATH:VALUE of /sys/class/net/*/mtu and /sys/class/net/*/address."""
    held: dict[str, dict[str, str]] = {}
    for path in _SYS_LINK.finditer(text):
        held.setdefault(path[1], {})[path[2]] = path[3]
    return tuple(Link(interface=interface, mac=values.get("address", "").lower(),
                      mtu=int(values["mtu"]) if values.get("mtu", "").isdecimal() and len(values["mtu"]) < 10 else None)
                 for interface, values in list(held.items())[:MOST]) or None
