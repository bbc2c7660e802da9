"""Real kernels on one wire and behind small links: who owns an address, and which sizes pass, beside arping and ping."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime

import pytest

from labkit import servers
from labkit.needs import find
from labkit.runs import ROOT, Run
from labkit.site import Site
from labkit.wires import Node, Plug

pytestmark = [pytest.mark.lab, pytest.mark.timeout(180)]

#   deck 192.0.2.200 ---- hosts' wire ---- honest 192.0.2.1 ---- (1400 octets) ---- far 198.51.100.9
#   (the runner)              |      \---- mute   192.0.2.2 ---- (1400 octets) ---- dark 203.0.113.9, says no "too big"
#                   dome-a .. dome-e, stray
FAR, FAR_6 = "198.51.100.9", "2001:db8:1::9"
DARK, DARK_6 = "203.0.113.9", "2001:db8:2::9"
PAIR = "203.0.113.80"
PROXIED = "192.0.2.90"   # lives on far, and honest answers ARP for it
_MUTE = """
table inet filter {
  chain output { type filter hook output priority 0;
    icmp type destination-unreachable drop
    icmpv6 type packet-too-big drop
  }
}
table ip nat {
  chain prerouting { type nat hook prerouting priority dstnat;
    ip daddr 203.0.113.80 tcp dport 22 dnat to numgen inc mod 2 map { 0 : 203.0.113.81, 1 : 203.0.113.82 }
  }
}
"""
#: Loses so many of five echoes, and every SYN to 23/tcp.
_MUFFLED = """
table inet filter {{
  chain input {{ type filter hook input priority 0;
    icmp type echo-request numgen inc mod 5 {{ {lost} }} drop
    tcp dport 23 drop
  }}
}}
"""
_FORWARD_6 = ("2001:db8:1::/64", "2001:db8::1"), ("2001:db8:2::/64", "2001:db8::2")
_ROUTES = (("198.51.100.0/24", "192.0.2.1"), ("203.0.113.0/24", "192.0.2.2"), *_FORWARD_6)


def _host(name: str, *addresses: str) -> Node:
    typed = tuple(f"{address}/{64 if ':' in address else 24}" for address in addresses)
    return Node(name, (Plug("hosts", typed),))


NODES = (
    Node("deck", (Plug("hosts", ("192.0.2.200/24", "2001:db8::200/64")),), routes=_ROUTES),
    _host("dome-a", "192.0.2.11", "2001:db8::11"),                    # nobody else has its addresses
    _host("dome-b", "192.0.2.12", "2001:db8::12"),
    _host("stray", "192.0.2.12", "2001:db8::12"),                     # an old machine that kept dome-b's
    Node("dome-c", (Plug("hosts", ("192.0.2.13/24",)), Plug("hosts", ("192.0.2.14/24",)))),   # two interfaces, one wire
    _host("dome-d", "192.0.2.15", "192.0.2.16"),                      # and dome-e, by mistake
    _host("dome-h", "192.0.2.17", "2001:db8::17"),
    _host("dome-i", "192.0.2.18", "192.0.2.17"),                      # and dome-h's, by mistake, which dome-h has as well
    Node("dome-j", (Plug("hosts", ("192.0.2.19/24",)),), rules=_MUFFLED.format(lost="0, 2, 4")),
    Node("dome-k", (Plug("hosts", ("192.0.2.20/24",)),), rules=_MUFFLED.format(lost="4")),
    Node("dome-l", (Plug("hosts", ("192.0.2.21/25",)),), ("192.0.2.1",)),   # a mask that leaves the runner out
    Node("honest", (Plug("hosts", ("192.0.2.1/24", "2001:db8::1/64")), Plug("far", ("198.51.100.1/24", "2001:db8:1::1/64"))),
         routes=((f"{PROXIED}/32", FAR),), forwards=True, settings=("net.ipv4.conf.all.proxy_arp=1",)),
    Node("mute", (Plug("hosts", ("192.0.2.2/24", "2001:db8::2/64")), Plug("dark", ("203.0.113.1/24", "2001:db8:2::1/64"))),
         forwards=True, rules=_MUTE),
    Node("far", (Plug("far", (f"{FAR}/24", f"{FAR_6}/64", f"{PROXIED}/32")),), ("198.51.100.1", "2001:db8:1::1")),
    Node("dark", (Plug("dark", (f"{DARK}/24", f"{DARK_6}/64")),), ("203.0.113.1", "2001:db8:2::1")),
    Node("twin-a", (Plug("dark", ("203.0.113.81/24",)),), ("203.0.113.1",)),
    Node("twin-b", (Plug("dark", ("203.0.113.82/24",)),), ("203.0.113.1",)),
)
#: Both ends of the small links: labkit wires everything for 1500 octets.
_SMALL = (("honest", "eth1"), ("far", "eth0"), ("mute", "eth1"), ("dark", "eth0"))


@pytest.fixture(scope="module")
def site(laboratory: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    folder = tmp_path_factory.mktemp("wire")
    with Site(folder, NODES) as built:
        for node, interface in _SMALL:
            built.wiring.run(node, find("ip"), "link", "set", interface, "mtu", "1400")
        built.daemons.start([
            servers.shell_server(name, f"{name} sshd", folder / name, (address,), servers.write_host_key(folder / f"{name}.key"))
            for name, address in (("twin-a", "203.0.113.81"), ("twin-b", "203.0.113.82"))])
        yield built


def mac_of(site: Site, node: str, interface: str = "eth0") -> str:
    return site.wiring.run(node, find("ip"), "-br", "link", "show", "dev", interface).split()[2]


_ROLES = {"pair": "shell", "dome-j": "quiet", "dome-k": "quiet"}


def plan(site: Site) -> str:
    macs = {name: f'mac = "{mac_of(site, name)}"' for name in ("dome-a", "dome-b")}
    hosts = [("dome-a", ("192.0.2.11", "2001:db8::11"), "mgmt", macs["dome-a"]),
             ("dome-b", ("192.0.2.12", "2001:db8::12"), "mgmt", macs["dome-b"]),
             ("dome-c", ("192.0.2.13",), "mgmt", ""), ("dome-d", ("192.0.2.15",), "mgmt", ""),
             ("dome-e", ("192.0.2.16",), "mgmt", ""), ("dome-f", ("192.0.2.99",), "mgmt", ""), ("dome-g", (PROXIED,), "mgmt", ""),
             ("dome-h", ("192.0.2.17", "2001:db8::17"), "mgmt", ""), ("dome-i", ("192.0.2.18",), "mgmt", ""),
             ("dome-j", ("192.0.2.19",), "mgmt", ""), ("dome-k", ("192.0.2.20",), "mgmt", ""),
             ("dome-l", ("192.0.2.21",), "mgmt", ""),
             ("far", (FAR, FAR_6), "far", ""), ("dark", (DARK, DARK_6), "dark", ""), ("pair", (PAIR,), "dark", ""),
             ("jumbo", ("192.0.2.14",), "jumbo", "")]
    rows = "\n".join(f'[[hosts]]\nname = "{name}"\naddress = [{", ".join(chr(34) + one + chr(34) for one in addresses)}]\n'
                     f'network = "{network}"\nrole = "{_ROLES.get(name, "bare")}"\n{mac}\n'
                     for name, addresses, network, mac in hosts)
    return f"""\
[plan]
title = "Tidewater Observatory, the wire"
domain = "obs.example.net"
profile = "production"
[names]
servers = ["192.0.2.53"]
[time]
sources = ["192.0.2.61"]
[networks.mgmt]
subnet = "192.0.2.0/24"
gateway = "192.0.2.1"
[networks.jumbo]
subnet = "192.0.2.0/24"
mtu = 9000
[networks.far]
subnet = "198.51.100.0/24"
[networks.dark]
subnet = "203.0.113.0/24"
[roles.bare]
[roles.quiet]
closed = ["23/tcp"]
[roles.shell]
ssh = ["22/tcp"]
open = ["22/tcp"]
{rows}"""


@pytest.fixture(scope="module")
def seen(site: Site) -> Run:
    """One run from the hosts' own wire, of the checks of this room."""
    checks = ("host.address-conflict", "host.mac", "host.path-mtu", "host.echo", "port.closed", "gateway.return-path")
    return site.verify(plan(site), *(word for check in checks for word in ("--only", check)), at="deck")


def test_nothing_waits_for_a_longer_question(seen: Run) -> None:
    """Four seconds for the wire and six for a path that swallows packets, of all hosts at the same time: all begin together."""
    assert not seen.stderr
    began = sorted(datetime.fromisoformat(one["at"]) for host in seen.report["hosts"]
                   for one in (*host["evidence"]["owners"], *host["evidence"]["paths"]))
    assert len(began) > len(seen.report["hosts"])
    assert (began[-1] - began[0]).total_seconds() < 3.0


@pytest.mark.parametrize("address", ["192.0.2.11", "2001:db8::11"])
def test_an_address_with_one_owner(site: Site, seen: Run, address: str) -> None:
    """Its hardware address, and nobody else's; and it is the planned one."""
    mac = mac_of(site, "dome-a")
    for check in ("host.address-conflict", "host.mac"):
        finding = seen.finding("dome-a", check, address)
        assert (finding["grade"], finding["found"]) == ("pass", mac), finding["message"]


@pytest.mark.parametrize("address", ["192.0.2.12", "2001:db8::12"])
def test_a_twin_is_a_conflict_named_by_both_hardware_addresses(site: Site, seen: Run, address: str) -> None:
    """Over ARP and over neighbour discovery; the switch is where to look."""
    finding = seen.finding("dome-b", "host.address-conflict", address)
    assert finding["grade"] == "fail", finding["message"]
    for mac in (mac_of(site, "dome-b"), mac_of(site, "stray")):
        assert mac in finding["found"]
        assert any(f"look up {mac}" in line for line in finding["fix"])
    assert seen.finding("dome-b", "host.mac", address)["grade"] == "pass"


def test_arping_hears_the_same_two(site: Site) -> None:
    """The arping of iputils, asked from the same place: two hardware addresses for the twin, one for the sound host."""
    def heard(address: str) -> set[str]:
        command = site.wiring.inside("deck", find("arping"), "-c", "2", "-I", "eth0", address)
        said = subprocess.run(command, capture_output=True, text=True, check=False, timeout=30).stdout
        return {mac.lower() for mac in re.findall(r"\[([0-9A-F:]{17})\]", said)}

    assert heard("192.0.2.12") == {mac_of(site, "dome-b"), mac_of(site, "stray")}
    assert heard("192.0.2.11") == {mac_of(site, "dome-a")}


def test_two_interfaces_of_one_host_are_not_called_two_machines(site: Site, seen: Run) -> None:
    """Linux answers ARP for all its addresses on every interface: a caution that says what would tell, and how to end it."""
    finding = seen.finding("dome-c", "host.address-conflict", "192.0.2.13")
    assert finding["grade"] == "caution"
    assert set(finding["found"].split(" and ")) == {mac_of(site, "dome-c"), mac_of(site, "dome-c", "eth1")}
    assert "two interfaces of one host" in finding["message"]
    assert any("arp_ignore" in line for line in finding["fix"])


def test_one_machine_with_two_planned_hosts_addresses_is_told_once(seen: Run) -> None:
    """Each address has one owner, but it is the same one."""
    one, other = (seen.finding(name, "host.mac") for name in ("dome-d", "dome-e"))
    assert (one["grade"], other["grade"]) == ("fail", "fail")
    assert "dome-e.obs.example.net" in one["message"]
    assert other["because"] == [one["ref"]]
    assert seen.finding("dome-d", "host.address-conflict")["grade"] == "pass"


def test_a_host_that_holds_anothers_address_as_well_is_one_cause(seen: Run) -> None:
    """Told where the two quarrel; what is said of the hardware addresses at both hosts follows from it."""
    conflict, own, twin = (seen.finding(*of) for of in (
        ("dome-h", "host.address-conflict", "192.0.2.17"), ("dome-h", "host.mac", "192.0.2.17"), ("dome-i", "host.mac", None)))
    assert (conflict["grade"], conflict["because"]) == ("fail", [])
    assert "that of dome-i.obs.example.net" in conflict["message"]
    assert [(one["grade"], one["because"]) for one in (own, twin)] == [
        ("unproven", [conflict["ref"]]), ("fail", [conflict["ref"]])]
    assert seen.finding("dome-h", "host.mac", "2001:db8::17")["grade"] == "pass"


def test_silence_of_a_port_is_worth_what_its_host_loses(seen: Run) -> None:
    """Three echoes of five lost: so may every SYN be, and the port waits for that.  One of five: a filter closes it."""
    lossy, sound = (seen.finding(name, "port.closed") for name in ("dome-j", "dome-k"))
    assert (lossy["grade"], lossy["because"]) == ("unproven", ["dome-j.obs.example.net|host.echo|192.0.2.19"])
    assert "no answer to 6 SYNs" in lossy["message"]
    assert (sound["grade"], sound["found"]) == ("pass", "silent")


def test_an_address_that_nobody_claims_is_the_dead_hosts_matter(seen: Run) -> None:
    """Unproven, because the host is silent."""
    finding = seen.finding("dome-f", "host.address-conflict")
    assert (finding["grade"], finding["because"]) == ("unproven", ["dome-f.obs.example.net|host.echo|192.0.2.99"])
    assert seen.finding("dome-f", "host.path-mtu")["because"] == ["dome-f.obs.example.net|host.echo|192.0.2.99"]


def test_the_gateway_has_one_owner(site: Site, seen: Run) -> None:
    """It is looked at like the hosts."""
    finding = seen.finding("site", "host.address-conflict", "192.0.2.1")
    assert (finding["grade"], finding["found"]) == ("pass", mac_of(site, "honest"))


def test_a_router_that_answers_for_a_host_behind_it_is_named(site: Site, seen: Run) -> None:
    """Its hardware address is the gateway's, and the host's echoes come with a hop less."""
    finding = seen.finding("dome-g", "host.address-conflict", PROXIED)
    assert (finding["grade"], finding["found"]) == ("caution", mac_of(site, "honest")), finding["message"]
    assert "the gateway 192.0.2.1" in finding["message"]


def test_a_mask_that_is_too_narrow_shows_from_the_wire_itself(seen: Run) -> None:
    """Its answers to a neighbour come by the gateway; those of the host behind a router do so because of the router."""
    finding = seen.finding("dome-l", "gateway.return-path")
    assert (finding["grade"], finding["symptom"]) == ("caution", "detour"), finding["message"]
    assert "on dome-l.obs.example.net: ip -br address    # must show 192.0.2.21 with the mask of 192.0.2.0/24" in finding["fix"]
    for name in ("dome-a", "dome-g"):
        assert seen.finding(name, "gateway.return-path")["grade"] == "unproven"


def test_what_lies_behind_a_router_has_no_owner_here(seen: Run) -> None:
    """No finding, and the reason among what was not proven."""
    assert [one for one in seen.host("far")["findings"] if one["check"] in ("host.address-conflict", "host.mac")] == []
    why = {missing["why"] for missing in seen.report["coverage"]["missing"]
           if any(FAR in subject for subject in missing["subjects"])}
    assert any("go through 192.0.2.1" in one for one in why)


def test_twins_that_take_turns_behind_a_router_are_met_by_their_keys(seen: Run) -> None:
    """Every other connection is led to another machine: two host keys under one address."""
    finding = seen.finding("pair", "host.address-conflict", PAIR)
    assert finding["grade"] == "fail"
    assert finding["message"].count("SHA256:") == 2


@pytest.mark.parametrize("address", ["192.0.2.11", "2001:db8::11"])
def test_the_planned_size_passes_on_the_wire(seen: Run, address: str) -> None:
    """1500 octets whole, over both IP versions."""
    finding = seen.finding("dome-a", "host.path-mtu", address)
    assert (finding["grade"], finding["found"]) == ("pass", "1500 octets")


@pytest.mark.parametrize(("address", "router"), [(FAR, "192.0.2.1"), (FAR_6, "2001:db8::1")])
def test_a_smaller_link_that_is_announced(seen: Run, address: str, router: str) -> None:
    """1400 pass, and the router that says so is named."""
    finding = seen.finding("far", "host.path-mtu", address)
    assert finding["grade"] == "caution"
    assert finding["found"] == f'1400 octets; {router} says "too big"'


@pytest.mark.parametrize("address", [DARK, DARK_6])
def test_a_smaller_link_that_is_not_announced(seen: Run, address: str) -> None:
    """The same link behind a filter: a black hole, bounded from both sides to a few octets."""
    finding = seen.finding("dark", "host.path-mtu", address)
    assert finding["grade"] == "fail"
    passed, lost = map(int, re.findall(r"(\d+) octets pass, (\d+) do not", finding["found"])[0])
    assert passed == 1400
    assert 1400 < lost <= 1403
    header = 48 if ":" in address else 28
    assert f"-s {1400 - header} {address}" in finding["fix"][0]


def test_what_the_runner_itself_cannot_send_is_unproven(seen: Run) -> None:
    """9000 octets from an interface of 1500: nothing is said of the path."""
    finding = seen.finding("jumbo", "host.path-mtu")
    assert finding["grade"] == "unproven"
    assert "its own interface carries 1500" in finding["message"]


@pytest.mark.parametrize(("address", "size", "passes"), [
    ("192.0.2.11", 1500, True), (FAR, 1400, True), (FAR, 1401, False), (FAR_6, 1400, True), (FAR_6, 1401, False),
    (DARK, 1400, True), (DARK, 1401, False), (DARK_6, 1400, True), (DARK_6, 1401, False),
])
def test_ping_agrees(site: Site, address: str, size: int, passes: bool) -> None:
    """The ping of iputils with the same sizes, forbidden to be fragmented."""
    header = 48 if ":" in address else 28
    command = site.wiring.inside("deck", find("ping"), "-c", "1", "-W", "1", "-M", "do", "-s", str(size - header), address)
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=30)
    assert (done.returncode == 0) is passes, done.stdout


_UNPRIVILEGED = """
import asyncio, os, sys
from probes.link import owners
from probes.sockets import SocketNetwork
from shared.questions import OwnersQuestion, Pace
os.setgroups([]), os.setgid(65534), os.setuid(65534)
async def main():
    async with SocketNetwork(Pace()) as network:
        print(repr(await owners(network, OwnersQuestion(sys.argv[1]))))
asyncio.run(main())
"""


def test_a_user_without_privilege_is_told_what_it_takes(site: Site) -> None:
    """On the wire but without CAP_NET_RAW: nothing is asked, and the reason names the privilege."""
    command = site.wiring.inside("deck", sys.executable, "-c", _UNPRIVILEGED, "192.0.2.11")
    said = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True, timeout=30).stdout
    assert "no-privilege" in said
    assert "CAP_NET_RAW" in said
