"""Saltmarsh Field Station: a second site that shares nothing with Tidewater Observatory but the tools it is built from.

    runner 192.0.2.140, 2001:db8:5:1::10 --- router --- the hosts, 203.0.113.64/26 and 2001:db8:5:40::/64
                                             router --- the services, 198.51.100.0/24 and 2001:db8:5:53::/64

Dual-stack hosts behind a classless reverse delegation (RFC 2317), a role without TLS, TLS on another port than usual, a
name server on another port than usual and one that is reached over IPv6, time sources by address, port and name.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from labkit import servers
from labkit.site import Machine, Site
from labkit.wires import Node, Plug
from labkit.zones import Zone
from shared.hostnames import reverse_name

DOMAIN = "salt.example.org"
GATEWAY, GATEWAY_6 = "203.0.113.65", "2001:db8:5:40::1"
FIRST, FIRST_PORT, SECOND = "198.51.100.10", 5353, "2001:db8:5:53::11"
BY_NAME = f"time4.{DOMAIN}"
SOURCES = {"198.51.100.31": 123, "2001:db8:5:53::32": 123, "198.51.100.33": 1123, "198.51.100.34": 123}

PARENT, CHILD = "113.0.203.in-addr.arpa", "64/26.113.0.203.in-addr.arpa"
REVERSE_6 = "0.4.0.0.5.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa"
_SERVER = f"ns1.{DOMAIN}"


def _addresses(last: int) -> tuple[str, str]:
    return f"203.0.113.{last}", f"2001:db8:5:40::{last:x}"


def _buoy(name: str, last: int, fault: str = "", **planted: object) -> Machine:
    """A machine of the role without TLS."""
    return Machine(name, _addresses(last), fault, certificate="", domain=DOMAIN, **planted)  # type: ignore[arg-type]


def _mast(name: str, last: int, fault: str = "", **planted: object) -> Machine:
    """A machine of the role with TLS on port 8443."""
    return Machine(name, _addresses(last), fault, web_port=8443, domain=DOMAIN, **planted)  # type: ignore[arg-type]


SOUND = (_buoy("buoy-a", 70), _mast("mast-a", 100))
FAULTY = (
    _buoy("buoy-b", 71, "its AAAA record is that of the machine before it"),
    _buoy("buoy-c", 72, "it has no pointer in ip6.arpa"),
    _mast("mast-b", 101, "the alias of its pointer leads nowhere"),
    _mast("mast-c", 102, "its IPv6 address was never configured", really=("203.0.113.102",)),
    _mast("mast-d", 103, "its web server listens on IPv4 only", web_on=("203.0.113.103",)),
    _mast("mast-e", 126, certificate="wrong-name"),
)


def zones() -> tuple[Zone, ...]:
    """What both name servers serve, faults and all."""
    machines = (*SOUND, *FAULTY)
    forward = [f"ns1.{DOMAIN}. A {FIRST}", f"{BY_NAME}. A 198.51.100.34"]
    parent, child, six = [], [], []
    for machine in machines:
        four_address, six_address = machine.addresses
        last = four_address.rpartition(".")[2]
        forward += [f"{machine.fqdn}. A {four_address}",
                    f"{machine.fqdn}. AAAA {'2001:db8:5:40::dead' if machine.name == 'buoy-b' else six_address}"]
        parent.append(f"{last}.{PARENT}. CNAME {last}.{CHILD}.")
        if machine.name != "mast-b":
            child.append(f"{last}.{CHILD}. PTR {machine.fqdn}.")
        if machine.name != "buoy-c":
            six.append(f"{reverse_name(six_address)}. PTR {machine.fqdn}.")
    contents = ((DOMAIN, forward), (PARENT, [f"{CHILD}. NS {_SERVER}.", *parent]), (CHILD, child), (REVERSE_6, six))
    return tuple(Zone(origin, 7, tuple(records), _SERVER) for origin, records in contents)


def nodes() -> list[Node]:
    """The whole topology."""
    services = (f"{FIRST}/24", *(f"{source}/{64 if ':' in source else 24}" for source in SOURCES), f"{SECOND}/64")
    return [
        Node("router", (Plug("outside", ("192.0.2.129/25", "2001:db8:5:1::1/64")),
                        Plug("hosts", (f"{GATEWAY}/26", f"{GATEWAY_6}/64")),
                        Plug("services", ("198.51.100.1/24", "2001:db8:5:53::1/64"))), forwards=True),
        Node("runner", (Plug("outside", ("192.0.2.140/25", "2001:db8:5:1::10/64")),), ("192.0.2.129", "2001:db8:5:1::1")),
        Node("services", (Plug("services", services),), ("198.51.100.1", "2001:db8:5:53::1")),
        *(machine.node("hosts", {4: 26, 6: 64}, (GATEWAY,) if machine.really else (GATEWAY, GATEWAY_6))
          for machine in (*SOUND, *FAULTY)),
    ]


@contextmanager
def saltmarsh(folder: Path) -> Iterator[Site]:
    """The whole site, running."""
    with Site(folder, nodes()) as site:
        started = [
            servers.name_server("services", "first", folder / "first", (FIRST,), zones(), port=FIRST_PORT),
            servers.name_server("services", "second", folder / "second", (SECOND,), zones()),
            *(servers.time_server("services", f"source {number}", folder / f"source-{number}", (source,), port=port)
              for number, (source, port) in enumerate(SOURCES.items())),
        ]
        for machine in (*SOUND, *FAULTY):
            started += site.servers_of(machine)
        site.daemons.start(started)
        yield site


def plan(machines: Sequence[Machine]) -> str:
    """The plan of some of the machines, as TOML."""
    hosts = "\n".join(
        f'[[hosts]]\nname = "{machine.name}"\naddress = ["{machine.addresses[0]}", "{machine.addresses[1]}"]\n'
        f'network = "field"\nrole = "{"mast" if machine.name.startswith("mast") else "buoy"}"\n' for machine in machines)
    return f"""\
[plan]
title = "Saltmarsh Field Station"
domain = "{DOMAIN}"

[names]
servers = ["{FIRST}:{FIRST_PORT}", "{SECOND}"]

[time]
sources = ["198.51.100.31", "2001:db8:5:53::32", "198.51.100.33:1123", "{BY_NAME}"]

[trust]
anchors = ["site-ca.pem"]

[networks.field]
subnet = "203.0.113.64 255.255.255.192"
gateway = "{GATEWAY}"

[roles.buoy]
open = ["22/tcp"]
closed = ["23/tcp", "8443/tcp"]
ssh = ["22/tcp"]
ntp = true

[roles.mast]
open = ["22/tcp", "8443/tcp"]
closed = ["80/tcp"]
tls = ["8443/tcp"]
ssh = ["22/tcp"]
ntp = true

{hosts}"""
