"""Kelp Bed Station: a site that is planned, reached and served over IPv6 alone, and one wire of both families beside it.

    runner 2001:db8:1::10 --- router --- the kelp, 2001:db8:40::/64, and deck, 2001:db8:40::200, on the same wire
           203.0.113.10      router --- the shore, 192.0.2.0/24 and 2001:db8:40:1::/64, and pier, 192.0.2.200, on that wire
                             router --- the services, 2001:db8:53::/64

The pointers of both /64s lie in the zone of their /48, as is usual (RFC 3596 section 2.5), and no /64 has one of its own.
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

DOMAIN = "kelp.example.org"
GATEWAY, SHORE_GATEWAY, SHORE_GATEWAY_6 = "2001:db8:40::1", "192.0.2.1", "2001:db8:40:1::1"
FIRST, FIRST_PORT, SECOND = "2001:db8:53::53", 5353, "2001:db8:53::54"
#: A name server of its own for each test that changes zones, and one whose wildcard has an IPv6 address only.
WORKBENCH, WILD, WILD_ADDRESS = "2001:db8:53::58", "2001:db8:53::59", "2001:db8:40::a1"
SOURCES = {"2001:db8:53::61": 1123, "2001:db8:53::62": 123, "2001:db8:53::63": 123, "2001:db8:53::64": 123}
BY_NAME = f"time4.{DOMAIN}"
#: The zone of the /48 that every address of the site lies in.
REVERSE, SHORE_REVERSE = "0.4.0.0.8.b.d.0.1.0.0.2.ip6.arpa", "2.0.192.in-addr.arpa"
SERIAL = 2026112502


def _kelp(name: str, last: str, fault: str = "", **planted: object) -> Machine:
    return Machine(name, (f"2001:db8:40::{last}",), fault, domain=DOMAIN, **planted)  # type: ignore[arg-type]


def _shore(name: str, last: int, fault: str = "", **planted: object) -> Machine:
    """A machine of both families, of the role without TLS."""
    addresses = (f"192.0.2.{last}", f"2001:db8:40:1::{last:x}")
    return Machine(name, addresses, fault, certificate="", domain=DOMAIN, **planted)  # type: ignore[arg-type]


SOUND = (_kelp("frond-a", "a1"), _kelp("frond-b", "a2"), _shore("shore-a", 11))
FAULTY = (
    _kelp("holdfast-a", "b1", "it has no AAAA record"),
    _kelp("holdfast-b", "b2", "it has an AAAA record too many, written in another form"),
    _kelp("holdfast-c", "b3", "it has no pointer"),
    _kelp("holdfast-d", "b4", "its pointer bears another name"),
    _kelp("holdfast-e", "b5", "it has an A record that nobody planned"),
    _shore("shore-b", 12, "its IPv6 address was another machine's first", really=("192.0.2.12",)),
)
#: What has the IPv6 address of shore-b.
STRAY = Machine("stray", ("2001:db8:40:1::c",), certificate="", domain=DOMAIN)


def zones() -> tuple[Zone, ...]:
    """What the name servers serve, faults and all."""
    forward = [f"ns1.{DOMAIN}. AAAA {FIRST}", f"{BY_NAME}. AAAA 2001:db8:53::64"]
    six, four = [], []
    for machine in (*SOUND, *FAULTY):
        name = machine.fqdn
        for address in machine.addresses:
            if machine.name != "holdfast-a":
                forward.append(f"{name}. {'AAAA' if ':' in address else 'A'} {address}")
            if machine.name != "holdfast-c":
                pointed = f"new-host-4.{DOMAIN}" if machine.name == "holdfast-d" else name
                (six if ":" in address else four).append(f"{reverse_name(address)}. PTR {pointed}.")
    forward += [f"holdfast-b.{DOMAIN}. AAAA 2001:DB8:40:0:0:0:0:BEEF", f"holdfast-e.{DOMAIN}. A 192.0.2.77"]
    contents = ((DOMAIN, forward), (REVERSE, six), (SHORE_REVERSE, four))
    return tuple(Zone(origin, SERIAL, tuple(records), f"ns1.{DOMAIN}") for origin, records in contents)


def nodes() -> list[Node]:
    """The whole topology."""
    services = tuple(f"{address}/64" for address in (FIRST, SECOND, WORKBENCH, WILD, *SOURCES))
    both = (SHORE_GATEWAY, SHORE_GATEWAY_6)
    return [
        Node("router", (Plug("outside", ("203.0.113.1/24", "2001:db8:1::1/64")), Plug("kelp", (f"{GATEWAY}/64",)),
                        Plug("shore", (f"{SHORE_GATEWAY}/24", f"{SHORE_GATEWAY_6}/64")),
                        Plug("services", ("2001:db8:53::1/64",))), forwards=True),
        Node("runner", (Plug("outside", ("203.0.113.10/24", "2001:db8:1::10/64")),), ("203.0.113.1", "2001:db8:1::1")),
        Node("old-pier", (Plug("outside", ("203.0.113.11/24",)),), ("203.0.113.1",)),
        Node("deck", (Plug("kelp", ("2001:db8:40::200/64",)),), (GATEWAY,)),
        Node("pier", (Plug("shore", ("192.0.2.200/24", "2001:db8:40:1::200/64")),), both),
        Node("services", (Plug("services", services),), ("2001:db8:53::1",)),
        STRAY.node("shore", {6: 64}, (SHORE_GATEWAY_6,)),
        *(machine.node("kelp", {6: 64}, (GATEWAY,)) if len(machine.addresses) == 1
          else machine.node("shore", {4: 24, 6: 64}, both[:len(machine.owned)]) for machine in (*SOUND, *FAULTY)),
    ]


@contextmanager
def kelp(folder: Path) -> Iterator[Site]:
    """The whole site, running."""
    forward, *others = zones()
    wild = forward.plus(f"*.{DOMAIN}. AAAA {WILD_ADDRESS}").without(f"frond-a.{DOMAIN}.")
    with Site(folder, nodes()) as site:
        started = [
            servers.name_server("services", "first", folder / "first", (FIRST,), zones(), port=FIRST_PORT),
            servers.name_server("services", "second", folder / "second", (SECOND,), zones()),
            servers.name_server("services", "workbench", folder / "workbench", (WORKBENCH,), zones()),
            servers.name_server("services", "wild", folder / "wild", (WILD,), (wild, *others)),
            *(servers.time_server("services", f"source {number}", folder / f"source-{number}", (source,), port=port)
              for number, (source, port) in enumerate(SOURCES.items())),
        ]
        for machine in (*SOUND, *FAULTY, STRAY):
            started += site.servers_of(machine)
        site.daemons.start(started)
        yield site


def plan(machines: Sequence[Machine], *, name_servers: Sequence[str] = (f"[2001:DB8:53:0::53]:{FIRST_PORT}", SECOND),
         half: bool = False) -> str:
    """The plan of some of the machines, as TOML; some addresses in it are written long, or in capitals (RFC 5952 section 2).

    With ``half`` only the IPv4 half of the shore is planned.
    """
    sources = ("[2001:db8:53::61]:1123", "2001:DB8:53::62", "2001:0db8:0053:0000:0000:0000:0000:0063", BY_NAME)
    hosts = "\n".join(
        f'[[hosts]]\nname = "{machine.name}"\naddress = [{_quoted(machine.addresses).upper()}]\n'
        + ('network = "kelp"\nrole = "frond"\n' if len(machine.addresses) == 1 else 'network = "shore"\nrole = "shore"\n')
        for machine in machines)
    return f"""\
[plan]
title = "Kelp Bed Station"
domain = "{DOMAIN}"

[names]
servers = [{_quoted(name_servers)}]

[time]
sources = [{_quoted(sources)}]

[trust]
anchors = ["site-ca.pem"]

[networks.kelp]
subnet = "2001:DB8:40::/64"
gateway = "2001:db8:40:0:0:0:0:1"

{(_HALF_A_SHORE if half else _SHORE) if any(len(machine.addresses) > 1 for machine in machines) else ""}
[roles.frond]
open = ["22/tcp", "443/tcp"]
closed = ["23/tcp"]
tls = ["443/tcp"]
ssh = ["22/tcp"]
ntp = true

[roles.shore]
open = ["22/tcp"]
closed = ["23/tcp"]
ssh = ["22/tcp"]
ntp = true

{hosts}"""


_SHORE = f"""\
[networks.shore]
subnet = ["192.0.2.0/24", "2001:DB8:40:1::/64"]
gateway = ["{SHORE_GATEWAY}", "{SHORE_GATEWAY_6.upper()}"]
"""
_HALF_A_SHORE = f"""\
[networks.shore]
subnet = "192.0.2.0/24"
gateway = "{SHORE_GATEWAY}"
"""


def _quoted(words: Sequence[str]) -> str:
    return ", ".join(f'"{word}"' for word in words)
