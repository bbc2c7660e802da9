"""Raw frames on the runner's own wires, for ``probes.sockets``: which wire leads to an address, and who speaks on it.

One pair of packet sockets an interface serves every host on that wire.  They take ARP and neighbour advertisements only; the
kernel drops everything else before it costs anything.  Linux only, as are the kernel's receive stamps elsewhere.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import errno
import ipaddress
import socket
import struct
import sys
from collections.abc import Awaitable, Callable, Iterator

import msgspec

from probes.failures import from_oserror
from probes.linkwire import ADVERTISEMENT, ARP, ICMPV6, IPV6, Claim, read_claim
from probes.seam import NotObserved
from shared.evidence import Failure, FailureKind

# linux/rtnetlink.h: ask for a route; what it is; where it leads.
_GET_ROUTE, _NEW_ROUTE, _REQUEST = 26, 24, 1
_UNICAST, _LOCAL = 1, 2
_DESTINATION, _OUT_INTERFACE, _GATEWAY, _VIA = 1, 4, 5, 18
_HEADER, _ROUTE, _ATTRIBUTE = struct.Struct("=IHHII"), struct.Struct("=BBBBBBBBI"), struct.Struct("=HH")
_NETLINK_OCTETS = 16384
#: linux/if_arp.h: an Ethernet interface.
_ETHERNET = 1
#: asm-generic/socket.h.
_SO_ATTACH_FILTER = 26
_FRAMES_A_TURN = 256
#: Longer than any ARP packet or neighbour advertisement with its options has reason to be: an Ethernet frame.
_LONGEST_FRAME = 1600


class Route(msgspec.Struct, frozen=True):
    """Where the kernel would send a packet: by which interface, through which router; ``own`` for an address of this machine."""

    interface: int
    gateway: str | None
    own: bool


def route_to(address: str) -> Route | None:
    """The kernel's own choice of a route, or None where it has none.  Sends nothing outside the machine.  Raises OSError."""
    packed = ipaddress.ip_address(address).packed
    family = socket.AF_INET6 if len(packed) == 16 else socket.AF_INET
    wanted = _ROUTE.pack(family, len(packed) * 8, 0, 0, 0, 0, 0, 0, 0) + _ATTRIBUTE.pack(4 + len(packed), _DESTINATION) + packed
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, 0) as sock:
        sock.settimeout(1.0)
        sock.send(_HEADER.pack(_HEADER.size + len(wanted), _GET_ROUTE, _REQUEST, 1, 0) + wanted)
        answer = sock.recv(_NETLINK_OCTETS)
    length, kind, *_rest = _HEADER.unpack_from(answer)
    if kind != _NEW_ROUTE:
        return None
    route_type = _ROUTE.unpack_from(answer, _HEADER.size)[7]
    attributes = dict(_attributes(answer[_HEADER.size + _ROUTE.size : length]))
    if route_type not in (_UNICAST, _LOCAL) or _OUT_INTERFACE not in attributes:
        return None
    router = attributes.get(_GATEWAY) or attributes.get(_VIA, b"\0\0")[2:]
    return Route(int.from_bytes(attributes[_OUT_INTERFACE], sys.byteorder),
                 str(ipaddress.ip_address(router)) if router else None, route_type == _LOCAL)


def _attributes(octets: bytes) -> Iterator[tuple[int, bytes]]:
    place = 0
    while place + _ATTRIBUTE.size <= len(octets):
        length, kind = _ATTRIBUTE.unpack_from(octets, place)
        if length < _ATTRIBUTE.size:
            return
        yield kind, octets[place + _ATTRIBUTE.size : place + length]
        place += (length + 3) & ~3


def wire_interface(address: str) -> str:
    """The interface on whose wire ``address`` is looked for without any router.

    Raises NotObserved with kind no-route: phase "off-link" where a router stands between or no route leads there, "own" where
    the address is this machine's; another kind in phase "route" where the kernel could not be asked.
    """
    try:
        route = route_to(address)
    except OSError as error:
        raise NotObserved(from_oserror(error, "route", 0.0)) from error
    if route is not None and route.own:
        raise _elsewhere("own", "the address is the runner's own")
    if route is None or route.gateway is not None:
        through = f": packets to it go through {route.gateway}" if route else ""
        raise _elsewhere("off-link", f"the runner does not stand on the wire of the address{through}")
    try:
        return socket.if_indextoname(route.interface)
    except OSError as error:
        raise NotObserved(from_oserror(error, "route", 0.0)) from error


def _elsewhere(phase: str, detail: str) -> NotObserved:
    return NotObserved(Failure(kind=FailureKind.NO_ROUTE, phase=phase, elapsed_seconds=0.0, detail=detail))


class PacketWire:
    """One Ethernet interface as a ``Wire`` (see ``probes.seam``).

    Raises NotObserved where it cannot be opened: no-privilege without CAP_NET_RAW, no-route in phase "off-link" for a link
    that is no Ethernet and so has no hardware addresses to ask for.
    """

    def __init__(self, interface: str, turn: Callable[[], Awaitable[None]]) -> None:
        self.interface = interface
        self._turn = turn
        self._loop = asyncio.get_running_loop()
        self._hearers: dict[str, list[Callable[[Claim], None]]] = {}
        self._sockets: list[socket.socket] = []
        try:
            for protocol in (ARP, IPV6):
                self._sockets.append(_packet_socket(interface, protocol))
        except OSError as error:
            self.close()
            if error.errno in (errno.EPERM, errno.EACCES):
                raise NotObserved(Failure(
                    kind=FailureKind.NO_PRIVILEGE, phase="open", elapsed_seconds=0.0, errno=error.errno,
                    detail="the system allows this user no packet socket: grant CAP_NET_RAW")) from error
            raise NotObserved(from_oserror(error, "open", 0.0)) from error
        _name, _protocol, _kind, hardware, mac = self._sockets[0].getsockname()
        if hardware != _ETHERNET:
            self.close()
            raise _elsewhere("off-link", f"{interface} is no Ethernet interface: nobody on it has a hardware address to ask for")
        self.mac = mac.hex(":")
        for sock in self._sockets:
            self._loop.add_reader(sock.fileno(), self._readable, sock)

    def close(self) -> None:
        for sock in self._sockets:
            self._loop.remove_reader(sock.fileno())
            sock.close()
        self._sockets.clear()

    @contextlib.contextmanager
    def listen(self, address: str, hear: Callable[[Claim], None]) -> Iterator[None]:
        hearers = self._hearers.setdefault(address, [])
        hearers.append(hear)
        try:
            yield
        finally:
            hearers.remove(hear)
            if not hearers:
                self._hearers.pop(address, None)

    async def send(self, frame: bytes) -> None:
        await self._turn()
        try:
            self._sockets[0].send(frame)
        except OSError as error:
            raise NotObserved(from_oserror(error, "send", 0.0)) from error

    def _readable(self, sock: socket.socket) -> None:
        for _ in range(_FRAMES_A_TURN):
            try:
                frame, place = sock.recvfrom(_LONGEST_FRAME)
            except OSError:
                return
            claim = read_claim(frame) if place[2] != socket.PACKET_OUTGOING else None
            if claim is not None and claim.mac != self.mac:
                for hear in tuple(self._hearers.get(claim.address, ())):
                    hear(claim)


def _packet_socket(interface: str, protocol: int) -> socket.socket:
    # With protocol 0 it hears nothing until it is bound, so that no frame passes by the filter.
    sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
    try:
        sock.setblocking(False)
        if protocol == IPV6:
            _only_advertisements(sock)
        sock.bind((interface, protocol))
    except OSError:
        sock.close()
        raise
    return sock


def _only_advertisements(sock: socket.socket) -> None:
    """Let the kernel drop all IPv6 but neighbour advertisements (classic BPF, linux/filter.h)."""
    load_octet, if_equal, leave = 0x30, 0x15, 0x06
    next_header, icmp_type = 14 + 6, 14 + 40
    steps = ((load_octet, 0, 0, next_header), (if_equal, 0, 3, ICMPV6), (load_octet, 0, 0, icmp_type),
             (if_equal, 0, 1, ADVERTISEMENT), (leave, 0, 0, 0xFFFF), (leave, 0, 0, 0))
    program = ctypes.create_string_buffer(b"".join(struct.pack("=HBBI", *step) for step in steps))
    sock.setsockopt(socket.SOL_SOCKET, _SO_ATTACH_FILTER, struct.pack("HP", len(steps), ctypes.addressof(program)))
