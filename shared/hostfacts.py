"""What a host says of itself, read from the output of its own commands: plain frozen data.

A field that is None could not be read; an empty tuple was read and holds nothing.  Addresses are canonical text (RFC 5952 for
IPv6), hardware addresses lower case with colons.  Everything here is the host's own word and bounded when it is read.
"""

from __future__ import annotations

import msgspec

#: The most entries of one kind that are kept: a host with more routes or addresses is no freshly built one.  Our own bound.
MOST = 256


class Route(msgspec.Struct, frozen=True, kw_only=True):
    """One route of the main table.

    ``destination`` is "default" or a subnet; ``gateway`` is empty for what is on the wire.  A lower ``metric`` is preferred;
    None is none said, which the kernel takes for 0 with IPv4 and 1024 with IPv6 (ip-route(8)).  ``origin`` is who set the
    route, such as dhcp, static or ra, where the host says so.  ``shared`` marks one of several ways of one route.  Without
    gateway and interface it is a route whose ways the host did not show.
    """

    destination: str
    gateway: str = ""
    interface: str = ""
    metric: int | None = None
    origin: str = ""
    shared: bool = False


class InterfaceAddress(msgspec.Struct, frozen=True, kw_only=True):
    """One address of an interface.

    ``dynamic`` is True where the address is leased or was advertised and will end, None where the host did not say.
    ``valid_seconds`` is for how long still.  ``scope`` is global, link or host.  ``flags`` are the kernel's words, such as
    tentative or temporary.
    """

    address: str
    prefix_length: int
    interface: str
    scope: str = "global"
    dynamic: bool | None = None
    valid_seconds: int | None = None
    flags: tuple[str, ...] = ()


class Link(msgspec.Struct, frozen=True, kw_only=True):
    """One interface: its largest packet in octets, its hardware address, and whether it is up (None where not said).

    ``carrier`` is whether it has a link to anything, None where not said.
    """

    interface: str
    mtu: int | None = None
    mac: str = ""
    up: bool | None = None
    carrier: bool | None = None


class Neighbour(msgspec.Struct, frozen=True, kw_only=True):
    """One neighbour as the kernel knows it; ``state`` is its own word (ip-neighbour(8)), such as REACHABLE or FAILED."""

    address: str
    interface: str = ""
    mac: str = ""
    state: str = ""


class Resolver(msgspec.Struct, frozen=True, kw_only=True):
    """Whom the host asks for names, in order, and the suffixes it tries.

    ``stub`` is the address of a forwarder on the host itself; then ``servers`` are those behind it, None where these could
    not be read.  ``source`` names the file or command that said so, ``writer`` the first comment of the file, which most programs
    that write it begin with.
    """

    servers: tuple[str, ...] | None
    search: tuple[str, ...]
    source: str
    stub: str = ""
    writer: str = ""


class Unit(msgspec.Struct, frozen=True, kw_only=True):
    """One service unit, in the service manager's words: whether it is installed (``load``), runs and starts at boot.

    ``name`` is its own full name, ``asked`` the one it was asked for by.  ``sub`` is the finer state.  ``triggered_by`` are the
    sockets, timers and paths that start it, ``wanted_by`` the units that have it started; None is not known.
    ``began_seconds`` is how long after the boot it last became active, None where it never did.
    """

    asked: str
    name: str
    load: str
    active: str
    enabled: str
    sub: str = ""
    triggered_by: tuple[str, ...] | None = None
    wanted_by: tuple[str, ...] | None = None
    began_seconds: float | None = None


class TimeSource(msgspec.Struct, frozen=True, kw_only=True):
    """One source of the host's time service.  ``state`` is the service's own mark, ``reachable`` whether it was ever heard.

    ``address`` is empty where the service has the source by name and has found no address for it.
    ``heard_at`` is when it was last heard, by the host's own clock (RFC 3339, UTC), and ``poll_seconds`` how often it is asked;
    both only where the service says so.
    """

    address: str
    selected: bool
    reachable: bool | None = None
    state: str = ""
    heard_at: str = ""
    poll_seconds: float | None = None


class HostFacts(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that was read.

    ``machine_id`` is a digest, for the identifier itself is confidential (machine-id(5)).  ``name_addresses`` is what the
    host's own look-up gives for its planned name.  ``rules_4`` and ``rules_6`` are the rules for choosing among route tables
    that may send something past the main one (ip-rule(8)), in the host's words.  ``sockets`` are those that are called like the
    planned services, there or not.  ``forwarder`` is the unit of the forwarder that the resolver points at.
    """

    routes_4: tuple[Route, ...] | None = None
    routes_6: tuple[Route, ...] | None = None
    rules_4: tuple[str, ...] | None = None
    rules_6: tuple[str, ...] | None = None
    addresses: tuple[InterfaceAddress, ...] | None = None
    links: tuple[Link, ...] | None = None
    neighbours: tuple[Neighbour, ...] | None = None
    resolver: Resolver | None = None
    forwarder: tuple[Unit, ...] | None = None
    host_name: str = ""
    full_name: str = ""
    name_addresses: tuple[str, ...] | None = None
    uptime_seconds: float | None = None
    boot_id: str = ""
    machine_id: str = ""
    units: tuple[Unit, ...] | None = None
    sockets: tuple[Unit, ...] | None = None
    failed_units: tuple[str, ...] | None = None
    time_units: tuple[Unit, ...] | None = None
    time_sources: tuple[TimeSource, ...] | None = None
