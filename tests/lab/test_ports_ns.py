"""Echoes and ports through real kernels: a runner, a router that filters and a host that filters, in three namespaces."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from shared.evidence import EchoEvidence, FailureKind, PortEvidence, PortState

pytestmark = pytest.mark.lab

ROOT = Path(__file__).resolve().parents[2]

# runner 198.51.100.2 ---- 198.51.100.1 router 192.0.2.1 ---- 192.0.2.11 .. .14 host
#        2001:db8:1::2     2001:db8:1::1       2001:db8:2::1  2001:db8:2::11
HOST = {4: "192.0.2.11", 6: "2001:db8:2::11"}
ROUTER = {4: "198.51.100.1", 6: "2001:db8:1::1"}
NOBODY_HERE = {4: "198.51.100.9", 6: "2001:db8:1::9"}
NOBODY_THERE = {4: "192.0.2.99", 6: "2001:db8:2::99"}

ROUTER_RULES = """
table inet filter {
  chain forward { type filter hook forward priority 0;
    tcp dport 7001 drop
    tcp dport 7002 reject with tcp reset
    tcp dport 7003 reject with icmpx type admin-prohibited
    tcp dport 7004 meta nfproto ipv4 reject with icmp type host-unreachable
    tcp dport 7004 meta nfproto ipv6 reject with icmpv6 type addr-unreachable
    tcp dport 7005 reject with icmpx type no-route
    tcp dport 7006 reject with icmpx type port-unreachable
    ip daddr 192.0.2.14 icmp type echo-request reject with icmpx type admin-prohibited
  }
}
"""
HOST_RULES = """
table inet filter {
  chain input { type filter hook input priority 0;
    tcp dport 7013 reject with icmpx type admin-prohibited
    tcp dport 7020 tcp flags syn / syn,ack numgen inc mod 1000 < 1 drop
    tcp dport 7021 tcp flags syn / syn,ack numgen inc mod 1000 < 2 drop
    ip daddr 192.0.2.12 icmp type echo-request numgen inc mod 3 0 drop
    ip daddr 192.0.2.13 icmp type echo-request drop
  }
}
"""
LISTENER = """
import socket, sys
listeners = [socket.create_server(("::", port), family=socket.AF_INET6, dualstack_ipv6=True) for port in (7000, 7020, 7021)]
print("listening", flush=True)
sys.stdin.read()
"""
PROBE = """
import asyncio, os, sys
import msgspec
from probes.echo import echo
from probes.ports import knock
from probes.sockets import SocketNetwork
from shared.questions import EchoQuestion, Pace, PortQuestion

async def main(asked):
    async def knocked(address, port):
        seen, stream = await knock(network, PortQuestion(address, port, "", ""))
        if stream is not None:
            stream.close()
        return seen
    async with SocketNetwork(Pace()) as network:
        return [await asyncio.gather(*[knocked(address, port) for address, port in asked["knocks"]]),
                await asyncio.gather(*[echo(network, EchoQuestion(address, 5)) for address in asked["echoes"]])]

asked = msgspec.json.decode(sys.argv[1])
if asked["nobody"]:
    os.setgroups([]), os.setgid(65534), os.setuid(65534)
sys.stdout.buffer.write(msgspec.json.encode(asyncio.run(main(asked))))
"""


class Seen(msgspec.Struct):
    """What the probes brought back, by (address, port) and by address."""

    ports: dict[tuple[str, int], PortEvidence]
    echoes: dict[str, EchoEvidence]


def _run(*command: str, stdin: str | None = None) -> str:
    return subprocess.run(command, input=stdin, capture_output=True, text=True, check=True, timeout=30).stdout


class Site:
    """Three namespaces, wired and filtered."""

    def __init__(self) -> None:
        self.runner, self.router, self.host = (f"ports-{os.getpid()}-{part}" for part in ("runner", "router", "host"))

    def build(self) -> None:
        for name in (self.runner, self.router, self.host):
            _run("ip", "netns", "add", name)
            _run("ip", "-n", name, "link", "set", "lo", "up")
            # Without this the link-local addresses are tentative for a second or two, and neighbours are not looked for.
            for scope in ("all", "default"):
                _run("ip", "netns", "exec", name, "sysctl", "-qw", f"net.ipv6.conf.{scope}.accept_dad=0")
        self._wire(self.runner, "r0", ("198.51.100.2/24", "2001:db8:1::2/64"), "g0", ("198.51.100.1/24", "2001:db8:1::1/64"))
        self._wire(self.host, "h0", (*(f"192.0.2.{last}/24" for last in (11, 12, 13, 14)), "2001:db8:2::11/64"),
                   "g1", ("192.0.2.1/24", "2001:db8:2::1/64"))
        for name, v4, v6 in ((self.runner, ROUTER[4], ROUTER[6]), (self.host, "192.0.2.1", "2001:db8:2::1")):
            _run("ip", "-n", name, "route", "add", "default", "via", v4)
            _run("ip", "-n", name, "-6", "route", "add", "default", "via", v6)
        for kind, address in (("unreachable", "203.0.113.1"), ("prohibit", "203.0.113.2"), ("blackhole", "203.0.113.3")):
            _run("ip", "-n", self.runner, "route", "add", kind, address)
        # Several errors at once are wanted here, so the kernels' limits on their rate are lifted.
        _run("ip", "netns", "exec", self.router, "sysctl", "-qw", "net.ipv4.ip_forward=1", "net.ipv6.conf.all.forwarding=1",
             "net.ipv4.icmp_ratelimit=0", "net.ipv6.icmp.ratelimit=0")
        _run("ip", "netns", "exec", self.host, "sysctl", "-qw", "net.ipv4.icmp_ratelimit=0", "net.ipv6.icmp.ratelimit=0")
        _run("ip", "netns", "exec", self.router, "nft", "-f", "-", stdin=ROUTER_RULES)
        _run("ip", "netns", "exec", self.host, "nft", "-f", "-", stdin=HOST_RULES)

    def _wire(self, end: str, link: str, addresses: tuple[str, ...], router_link: str, router_addresses: tuple[str, ...]) -> None:
        _run("ip", "link", "add", link, "netns", end, "type", "veth", "peer", "name", router_link, "netns", self.router)
        for name, device, texts in ((end, link, addresses), (self.router, router_link, router_addresses)):
            for text in texts:
                _run("ip", "-n", name, "address", "add", text, "dev", device, *(["nodad"] if ":" in text else []))
            _run("ip", "-n", name, "link", "set", device, "up")

    def look(self, *, knocks: list[tuple[str, int]], echoes: list[str], groups: str = "1 0", nobody: bool = False) -> Seen:
        """Run the probes in the runner's namespace, where ``groups`` may open datagram ICMP sockets."""
        _run("ip", "netns", "exec", self.runner, "sysctl", "-qw", f"net.ipv4.ping_group_range={groups}")
        asked = msgspec.json.encode({"knocks": knocks, "echoes": echoes, "nobody": nobody}).decode()
        told = subprocess.run(["ip", "netns", "exec", self.runner, sys.executable, "-c", PROBE, asked], cwd=ROOT,
                              capture_output=True, check=True, timeout=30).stdout
        ports, bursts = msgspec.json.decode(told, type=tuple[list[PortEvidence], list[EchoEvidence]])
        return Seen(dict(zip(knocks, ports, strict=True)), dict(zip(echoes, bursts, strict=True)))

    def close(self) -> None:
        for name in (self.runner, self.router, self.host):
            subprocess.run(["ip", "netns", "delete", name], capture_output=True, check=False, timeout=30)


@pytest.fixture(scope="module")
def site() -> Iterator[Site]:
    built = Site()
    try:
        built.build()
        with subprocess.Popen(["ip", "netns", "exec", built.host, sys.executable, "-c", LISTENER], stdin=subprocess.PIPE,
                              stdout=subprocess.PIPE, text=True) as listener:
            assert listener.stdout is not None
            assert listener.stdout.readline() == "listening\n"
            yield built
            listener.communicate("", timeout=10)
    finally:
        built.close()


@pytest.fixture(scope="module")
def seen(site: Site) -> Seen:
    """Everything asked at once by a runner that has raw sockets only."""
    knocks = [(HOST[version], port) for version in (4, 6) for port in (7000, 7001, 7002, 7003, 7004, 7005, 7006, 7013, 7099)]
    knocks += [(HOST[4], 7020), (HOST[4], 7021), *((f"203.0.113.{last}", 443) for last in (1, 2, 3))]
    dead = [*NOBODY_HERE.values(), *NOBODY_THERE.values()]
    return site.look(knocks=[*knocks, *((address, 443) for address in dead)],
                     echoes=[*HOST.values(), *ROUTER.values(), *dead, *(f"192.0.2.{last}" for last in (12, 13, 14))])


@pytest.mark.parametrize("version", [4, 6])
@pytest.mark.parametrize(("port", "state", "kind", "attempts"), [
    (7000, PortState.OPEN, None, 1),
    (7001, PortState.SILENT, FailureKind.NO_ANSWER, 3),
    (7002, PortState.REFUSED, FailureKind.REFUSED, 1),        # the router forges the reset: nobody can tell
    (7003, PortState.REJECTED, FailureKind.PROHIBITED, 2),
    (7004, PortState.REJECTED, FailureKind.UNREACHABLE, 2),
    (7005, PortState.REJECTED, FailureKind.NO_PATH, 2),       # ENETUNREACH, and yet not the runner's missing route
    (7006, PortState.REJECTED, FailureKind.REFUSED, 2),       # ECONNREFUSED, and yet no reset
    (7099, PortState.REFUSED, FailureKind.REFUSED, 1),
])
def test_port_through_the_router(
    seen: Seen, version: int, port: int, state: PortState, kind: FailureKind | None, attempts: int
) -> None:
    """Each knob of the filter gives its own state; every ICMP error names the router, a reset nobody."""
    found = seen.ports[(HOST[version], port)]
    assert (found.state, found.attempts) == (state, attempts)
    assert (found.failure.kind if found.failure else None) == kind
    if found.failure:
        assert found.failure.sender == (ROUTER[version] if state is PortState.REJECTED else None)


@pytest.mark.parametrize("version", [4, 6])
def test_rejection_by_the_host_itself_names_the_host(seen: Seen, version: int) -> None:
    """The same code from the host's own filter has the host as its sender."""
    found = seen.ports[(HOST[version], 7013)]
    assert found.failure is not None
    assert (found.state, found.failure.kind, found.failure.sender) == (
        PortState.REJECTED, FailureKind.PROHIBITED, HOST[version])


def test_lost_first_syn_is_counted(seen: Seen) -> None:
    """The kernel repeats a SYN after 1 s (RFC 6298 section 2) and counts it: open at the first attempt, but at SYN 2."""
    found = seen.ports[(HOST[4], 7020)]
    assert (found.state, found.attempts, found.syn_repeats) == (PortState.OPEN, 1, 1)
    assert seen.ports[(HOST[4], 7000)].syn_repeats == 0
    assert 1.0 <= found.elapsed_seconds < 2.0


def test_two_lost_syns_show_in_the_attempts(seen: Seen) -> None:
    """An attempt holds two SYNs; with both lost the next attempt opens."""
    found = seen.ports[(HOST[4], 7021)]
    assert (found.state, found.attempts) == (PortState.OPEN, 2)


@pytest.mark.parametrize("version", [4, 6])
def test_dead_address_on_the_runners_own_wire_is_silence(seen: Seen, version: int) -> None:
    """Our own kernel's "unreachable" is nobody's answer: silence, known down to the wire."""
    port, burst = seen.ports[(NOBODY_HERE[version], 443)], seen.echoes[NOBODY_HERE[version]]
    assert port.state is PortState.SILENT
    for failure in (port.failure, burst.failure):
        assert failure is not None
        assert (failure.kind, failure.phase, failure.sender) == (FailureKind.NO_ANSWER, "neighbour", None)


@pytest.mark.parametrize("version", [4, 6])
def test_dead_address_behind_the_router_is_the_routers_word(seen: Seen, version: int) -> None:
    """The router says that it found no such host, and is named."""
    port, burst = seen.ports[(NOBODY_THERE[version], 443)], seen.echoes[NOBODY_THERE[version]]
    assert port.state is PortState.REJECTED
    for failure in (port.failure, burst.failure):
        assert failure is not None
        assert (failure.kind, failure.sender) == (FailureKind.UNREACHABLE, ROUTER[version])


@pytest.mark.parametrize("address", ["203.0.113.1", "203.0.113.2", "203.0.113.3"])
def test_routes_of_the_runner_are_not_the_hosts_fault(seen: Seen, address: str) -> None:
    """Unreachable, prohibit and blackhole routes in the runner's own table leave the port untried at once."""
    found = seen.ports[(address, 443)]
    assert (found.state, found.attempts) == (PortState.UNTRIED, 1)


def test_echo_tells_loss_silence_and_prohibition_apart(seen: Seen) -> None:
    """Every third request dropped, the warm-up first: of five counted one is lost, so twenty are, of which six.

    A drop is silent, a reject has a sender.
    """
    trips = seen.echoes["192.0.2.12"].round_trips_seconds
    assert [trip is None for trip in trips] == [False, False, True] * 6 + [False, False]
    assert seen.echoes["192.0.2.12"].warm_up_seconds is None
    silent, rejected = seen.echoes["192.0.2.13"].failure, seen.echoes["192.0.2.14"].failure
    assert silent is not None
    assert rejected is not None
    assert (silent.kind, silent.sender) == (FailureKind.NO_ANSWER, None)
    assert (rejected.kind, rejected.sender) == (FailureKind.PROHIBITED, ROUTER[4])


@pytest.mark.parametrize("version", [4, 6])
def test_echo_counts_the_hop(seen: Seen, version: int) -> None:
    """The router answers with the full hop limit of 64, the host behind it with one less; both over a raw socket."""
    router, host = seen.echoes[ROUTER[version]], seen.echoes[HOST[version]]
    assert (router.hop_limit, host.hop_limit) == (64, 63)
    for burst in (router, host):
        assert burst.method == "icmp-raw"
        assert all(trip is not None and 0 < trip < 0.5 for trip in burst.round_trips_seconds)


@pytest.mark.parametrize("version", [4, 6])
def test_datagram_sockets_tell_the_same(site: Site, version: int) -> None:
    """A user without privilege whom the system allows ICMP sockets sees replies, silence and senders alike."""
    found = site.look(knocks=[], echoes=[HOST[version], NOBODY_HERE[version], NOBODY_THERE[version]], groups="0 2147483647",
                      nobody=True).echoes
    assert {burst.method for burst in found.values()} == {"icmp-datagram"}
    assert None not in found[HOST[version]].round_trips_seconds
    assert found[HOST[version]].hop_limit == 63
    here, there = found[NOBODY_HERE[version]].failure, found[NOBODY_THERE[version]].failure
    assert here is not None
    assert there is not None
    assert (here.kind, here.phase) == (FailureKind.NO_ANSWER, "neighbour")
    assert (there.kind, there.sender) == (FailureKind.UNREACHABLE, ROUTER[version])


def test_user_without_any_icmp_socket_is_told_so(site: Site) -> None:
    """Neither datagram nor raw sockets: no packet, method "none", and the privilege by name; ports still work."""
    found = site.look(knocks=[(HOST[4], 7000)], echoes=[HOST[4], HOST[6]], nobody=True)
    for burst in found.echoes.values():
        assert burst.method == "none"
        assert burst.failure is not None
        assert burst.failure.kind is FailureKind.NO_PRIVILEGE
        assert "ping_group_range" in burst.failure.detail
    assert found.ports[(HOST[4], 7000)].state is PortState.OPEN
