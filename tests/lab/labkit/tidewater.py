"""Tidewater Observatory in namespaces: what is planned, what is really there, and what is wrong with it.

    runner 198.51.100.10 --- 198.51.100.1 router 192.0.2.1 --- the hosts, 192.0.2.11 and up, and deck, 192.0.2.200
                                          router 203.0.113.1 --- the services, 203.0.113.53 and up

So the node "runner" reaches every host through the router, and "deck" stands on the hosts' own wire.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from labkit import servers
from labkit.site import DOMAIN, Machine, Site
from labkit.wires import Node, Plug
from labkit.zones import Zone
from shared.hostnames import reverse_name

REVERSE = "2.0.192.in-addr.arpa"
GATEWAY = "192.0.2.1"
SERIAL, OLDER_SERIAL = 2026112502, 2026112401

PRIMARY, SECONDARY, STALE = "203.0.113.53", "203.0.113.54", "203.0.113.55"
#: A primary of its own for tests that change zones, so that no other test sees them change.
WORKBENCH = "203.0.113.58"
TRUE_SOURCES = ("203.0.113.61", "203.0.113.62", "203.0.113.63", "203.0.113.65")
FALSE_SOURCE, FALSE_BY = "203.0.113.64", "+7s"
NOBODY = "203.0.113.99"

_FILTER_443 = "table inet filter { chain input { type filter hook input priority 0; tcp dport 443 drop; }; }"
_FILTER_ECHO = "table inet filter { chain input { type filter hook input priority 0; icmp type echo-request drop; }; }"
_ROUTER_RULES = """
table inet filter {
  chain forward { type filter hook forward priority 0;
    ip daddr 192.0.2.42 tcp dport 443 reject with icmp type admin-prohibited
  }
}
"""

SOUND = tuple(Machine(name, (address,)) for name, address in (
    ("dome-a", "192.0.2.11"), ("dome-b", "192.0.2.12"), ("dome-c", "192.0.2.13")))

FAULTY = (
    Machine("lens-a", ("192.0.2.14",), "no name server has its pointer"),
    Machine("lens-b", ("192.0.2.15",), "the stale name server still gives its old address"),
    Machine("lens-c", ("192.0.2.16",), "the stale name server does not know it yet"),
    Machine("lens-d", ("192.0.2.17",), "its pointer still bears the name it was installed with"),
    Machine("vault-a", ("192.0.2.21",), certificate="self-signed"),
    Machine("vault-b", ("192.0.2.22",), certificate="wrong-name"),
    Machine("vault-c", ("192.0.2.23",), certificate="expiring"),
    Machine("vault-d", ("192.0.2.24",), certificate="no-intermediate"),
    Machine("vault-e", ("192.0.2.25",), certificate="unknown-issuer"),
    Machine("vault-f", ("192.0.2.26",), "it still speaks TLS 1.0 and 1.1", old_versions=True),
    Machine("vault-g", ("192.0.2.27",), certificate="expired"),
    Machine("vault-h", ("192.0.2.28",), certificate="broken-signature"),
    Machine("relay-a", ("192.0.2.31",), "its time service has no source", clock="lost"),
    Machine("relay-b", ("192.0.2.32",), "its clock is an hour behind", moved="-3600s"),
    Machine("relay-c", ("192.0.2.33",), "its time service does not run", clock=""),
    Machine("relay-d", ("192.0.2.34",), "cloned from the same image as relay-e", key="image"),
    Machine("relay-e", ("192.0.2.35",), "cloned from the same image as relay-d", key="image"),
    Machine("pier-a", ("192.0.2.41",), "its own filter drops 443/tcp", rules=_FILTER_443),
    Machine("pier-b", ("192.0.2.42",), "the router rejects 443/tcp to it"),
    Machine("pier-c", ("192.0.2.43",), "it drops echoes, and is sound", rules=_FILTER_ECHO),
    Machine("pier-d", ("192.0.2.44",), "a console was left on", mischief=(("console", 23),)),
    Machine("pier-e", ("192.0.2.45",), "it was never connected", present=False),
    Machine("pier-f", ("192.0.2.46",), "its web server does not run", certificate=""),
    Machine("pier-g", ("192.0.2.47",), "it has no default route", astray=True),
)

#: Machines and servers that misbehave; each is planned beside sound ones, which must not suffer.
HOSTILE = (
    Machine("reef-a", ("192.0.2.71",), certificate="", mischief=(("tls-plain-text", 443),)),
    Machine("reef-b", ("192.0.2.72",), certificate="", mischief=(("tls-reset", 443),)),
    Machine("reef-c", ("192.0.2.73",), certificate="", mischief=(("tls-broken-certificate", 443),)),
    Machine("reef-d", ("192.0.2.74",), key="", mischief=(("ssh-flood", 22),)),
    Machine("reef-e", ("192.0.2.75",), key="", mischief=(("ssh-flood-of-lines", 22),)),
    Machine("reef-f", ("192.0.2.76",), key="", mischief=(("ssh-silence", 22),)),
    Machine("reef-g", ("192.0.2.77",), certificate="", mischief=(("tls-silence", 443),)),
    Machine("reef-h", ("192.0.2.78",), certificate="", mischief=(("tls-flood", 443),)),
    Machine("reef-i", ("192.0.2.79",), clock="", mischief=(("time-wrong-origin", 123),)),
    Machine("reef-j", ("192.0.2.80",), clock="", mischief=(("time-kiss", 123),)),
)
HOSTILE_SERVERS = (
    ("names-garbage", "203.0.113.71", 53), ("names-other-id", "203.0.113.72", 53),
    ("names-other-question", "203.0.113.73", 53), ("names-endless-name", "203.0.113.74", 53),
    ("time-wrong-origin", "203.0.113.81", 123), ("time-kiss", "203.0.113.82", 123), ("time-garbage", "203.0.113.83", 123),
)

_SERVICES = (PRIMARY, SECONDARY, STALE, WORKBENCH, *TRUE_SOURCES, FALSE_SOURCE,
             *(address for _kind, address, _port in HOSTILE_SERVERS))


def nodes() -> list[Node]:
    """The whole topology."""
    machines = [machine.node("hosts", {4: 24}, (GATEWAY,)) for machine in (*SOUND, *FAULTY, *HOSTILE) if machine.present]
    return [
        Node("router", (Plug("outside", ("198.51.100.1/24",)), Plug("hosts", (f"{GATEWAY}/24",)),
                        Plug("services", ("203.0.113.1/24",))), forwards=True, rules=_ROUTER_RULES),
        Node("runner", (Plug("outside", ("198.51.100.10/24",)),), ("198.51.100.1",)),
        Node("deck", (Plug("hosts", ("192.0.2.200/24",)),), (GATEWAY,)),
        Node("services", (Plug("services", tuple(f"{address}/24" for address in _SERVICES)),), ("203.0.113.1",)),
        *machines,
    ]


def zones(machines: Sequence[Machine], serial: int = SERIAL) -> tuple[Zone, Zone]:
    """The forward and the reverse zone as they should be."""
    pairs = [(machine.fqdn, address) for machine in machines for address in machine.addresses]
    forward = Zone(DOMAIN, serial, (f"ns1.{DOMAIN}. A {PRIMARY}", *(f"{name}. A {address}" for name, address in pairs)))
    backward = Zone(REVERSE, serial, tuple(f"{reverse_name(address)}. PTR {name}." for name, address in pairs))
    return forward, backward


def faulty_zones() -> tuple[Zone, Zone]:
    """What the primary really serves: one pointer forgotten, one left from the installation."""
    forward, backward = zones((*SOUND, *FAULTY, *HOSTILE))
    backward = backward.without("14.2.0.192.in-addr.arpa.", "17.2.0.192.in-addr.arpa.").plus(
        f"17.2.0.192.in-addr.arpa. PTR new-host-4.{DOMAIN}.")
    return forward, backward


def stale_zones() -> tuple[Zone, Zone]:
    """What the stale server still serves: an older serial, one old address, one host unknown."""
    forward, backward = faulty_zones()
    forward = forward.without(f"lens-b.{DOMAIN}.", f"lens-c.{DOMAIN}.").plus(f"lens-b.{DOMAIN}. A 192.0.2.115")
    backward = backward.without("16.2.0.192.in-addr.arpa.")
    return forward.at(OLDER_SERIAL), backward.at(OLDER_SERIAL)


@contextmanager
def tidewater(folder: Path) -> Iterator[Site]:
    """The whole site, running."""
    with Site(folder, nodes()) as site:
        started = [
            servers.name_server("services", "primary", folder / "primary", (PRIMARY,), faulty_zones()),
            servers.name_server("services", "stale", folder / "stale", (STALE,), stale_zones()),
            servers.name_server("services", "workbench", folder / "workbench", (WORKBENCH,), stale_zones()),
            *(servers.time_server("services", f"source {address}", folder / f"source-{address}", (address,))
              for address in TRUE_SOURCES),
            servers.time_server("services", f"source {FALSE_SOURCE}", folder / "source-false", (FALSE_SOURCE,), moved=FALSE_BY),
            *(servers.mischief("services", f"{kind} {address}", kind, address, port) for kind, address, port in HOSTILE_SERVERS),
        ]
        for machine in (*SOUND, *FAULTY, *HOSTILE):
            started += site.servers_of(machine)
        site.daemons.start(started)
        # A secondary copies from a primary that is there, or waits long before it asks again.
        site.daemons.start([servers.name_server("services", "secondary", folder / "secondary", (SECONDARY,), faulty_zones(),
                                                primary=PRIMARY)])
        yield site


def plan(
    machines: Sequence[Machine], *, name_servers: Sequence[str] = (PRIMARY, SECONDARY),
    time_sources: Sequence[str] = TRUE_SOURCES, extra: str = "", subnet: str = "192.0.2.0/24", gateway: str = GATEWAY,
) -> str:
    """The plan of some of the machines, as TOML."""
    hosts = "\n".join(f'[[hosts]]\nname = "{machine.name}"\naddress = "{machine.addresses[0]}"\nnetwork = "mgmt"\n'
                      'role = "node"\n' for machine in machines)
    return f"""\
[plan]
title = "Tidewater Observatory, rack 2"
domain = "{DOMAIN}"
profile = "production"

[names]
servers = [{_quoted(name_servers)}]

[time]
sources = [{_quoted(time_sources)}]

[trust]
anchors = ["site-ca.pem"]

[networks.mgmt]
subnet = "{subnet}"
gateway = "{gateway}"
vlan = 20
ipv6 = "off"

[roles.node]
open = ["22/tcp", "443/tcp"]
closed = ["23/tcp", "5900/tcp"]
tls = ["443/tcp"]
ssh = ["22/tcp"]
ntp = true

{extra}
{hosts}"""


def _quoted(words: Sequence[str]) -> str:
    return ", ".join(f'"{word}"' for word in words)
