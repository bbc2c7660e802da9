"""Reading what hosts print: each form of output, by GNU tools, BusyBox and the kernel, and any text at all."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes.hostfacts import READERS, addresses, names, routes, services, times
from shared.hostcommands import GREETING, TOPICS, commands_for, written_out
from shared.hostfacts import InterfaceAddress, Link, Neighbour, Resolver, Route, TimeSource


@pytest.mark.parametrize("name", sorted(READERS))
@given(text=st.text() | st.lists(st.sampled_from(
    ["default", "via", "dev", "eth0", "192.0.2.1", "192.0.2.0/24", "metric", "inet", "1:", "lo:", "<UP>", "nexthop", "|--", "/32",
     "host", "LOCAL", "Iface", "Destination", "00000000", "ffffffff" * 4, "nameserver", "search", "=", "^", "Id=", "\n", "%N",
     "²", "valid_lft", "-1sec", "999999999999999999999", "\x00"])).map(" ".join))
def test_no_output_makes_a_reader_raise(name: str, text: str) -> None:
    """A reader returns what it could read, or None."""
    READERS[name](text)


def test_every_command_of_the_table_has_its_reader_and_only_reads() -> None:
    """No command holds a character that joins, redirects or substitutes; the only pattern is for file names."""
    commands = [one for topic in TOPICS for one in topic.alternatives]
    assert len(commands) > 40
    assert {one.reader for one in commands} == set(READERS)
    assert not [one.command for one in commands if set(one.command) & set(";|&<>$`\\\"'!~#()[]")]
    first_words = {one.command.removeprefix("busybox ").removeprefix("env TZ=UTC ").split()[0].removeprefix("/sbin/")
                   for one in commands}
    assert first_words == {"date", "cat", "ip", "grep", "resolvectl", "systemctl", "chronyc", "ntpq", "timedatectl", "hostname",
                           "uname", "getent"}
    assert all(" show" in one.command or " list-units" in one.command for one in commands
               if one.command.split()[0] in ("systemctl", "timedatectl") or " ip " in f" {one.command} ")


def test_no_command_starts_what_it_asks() -> None:
    """Over the system bus timedatectl and resolvectl start the service that they ask (seen with 252.39-1~deb12u2)."""
    beside = {one.command: one.beside for topic in TOPICS for one in topic.alternatives if "ctl " in one.command and one.beside}
    assert beside == {"resolvectl dns": "systemd-resolved.service",
                      "env TZ=UTC timedatectl show-timesync": "systemd-timesyncd.service"}


def test_a_name_of_the_plan_cannot_add_a_command() -> None:
    """Whatever the plan calls a host or a service, it stays one word."""
    (topic,) = [topic for topic in TOPICS if topic.name == "look-up of its own name"]
    assert written_out(topic, services=(), name="a; reboot")[0].command == "getent ahosts 'a; reboot'"
    (topic,) = [topic for topic in TOPICS if topic.name == "services"]
    assert written_out(topic, services=("ssh", "$(reboot)"), name="a")[0].command.endswith(" ssh '$(reboot)'")
    assert written_out(topic, services=(), name="a") == ()
    (topic,) = [topic for topic in TOPICS if topic.name == "sockets of services"]
    assert written_out(topic, services=("ssh", "tide.service", "$(reboot)"), name="a")[0].command.endswith(
        " ssh.socket tide.socket '$(reboot).socket'")
    assert written_out(topic, services=(), name="a") == ()


def test_what_explain_shows_is_what_is_run() -> None:
    assert ("routes over IPv4", ("ip -4 route show", "/sbin/ip -4 route show", "busybox ip -4 route show",
                                 "cat /proc/net/route")) in commands_for("system.route")
    assert commands_for("name.forward") == ()
    assert " " not in GREETING


@pytest.mark.parametrize(("text", "expected"), [
    ("default via 192.0.2.1 dev eth0 proto dhcp src 192.0.2.11 metric 100 \n",
     (Route(destination="default", gateway="192.0.2.1", interface="eth0", metric=100, origin="dhcp"),)),
    ("default via fe80::1 dev eth0 proto ra metric 1024 expires 1798sec pref medium\n",
     (Route(destination="default", gateway="fe80::1", interface="eth0", metric=1024, origin="ra"),)),
    ("default via inet6 2001:DB8::1 dev eth0\n", (Route(destination="default", gateway="2001:db8::1", interface="eth0"),)),
    ("default dev ppp0 scope link\n", (Route(destination="default", interface="ppp0"),)),
    ("default \n\tnexthop via 192.0.2.1 dev eth0 weight 1 \n\tnexthop via 192.0.2.2 dev eth1 weight 1 \n",
     (Route(destination="default", gateway="192.0.2.1", interface="eth0", shared=True),
      Route(destination="default", gateway="192.0.2.2", interface="eth1", shared=True))),
    # iproute2 6.1.0-3, then BusyBox 1:1.35.0-4+deb12u1, of one and the same route.
    (("default proto static metric 100 \n\tnexthop via 192.0.2.1 dev eth0 weight 1 \n"
      "\tnexthop via 198.51.100.1 dev eth1 weight 1 linkdown \n192.0.2.0/24 dev eth0 proto kernel scope link src 192.0.2.11 \n"),
     (Route(destination="default", gateway="192.0.2.1", interface="eth0", metric=100, origin="static", shared=True),
      Route(destination="default", gateway="198.51.100.1", interface="eth1", metric=100, origin="static", shared=True),
      Route(destination="192.0.2.0/24", interface="eth0", origin="kernel"))),
    ("default  metric 100 \n192.0.2.0/24 dev eth0 scope link  src 192.0.2.11 \n",
     (Route(destination="default", metric=100), Route(destination="192.0.2.0/24", interface="eth0"))),
    ("default via 203.0.113.1 dev eth0 onlink \n", (Route(destination="default", gateway="203.0.113.1", interface="eth0"),)),
    ("default proto static metric 5 \n\tnexthop via 192.0.2.1 dev eth0 weight 1 \n",
     (Route(destination="default", gateway="192.0.2.1", interface="eth0", metric=5, origin="static", shared=True),)),
    # A route that carries nothing is no way out (ip-route(8)).
    ("unreachable default dev lo metric 4294967295 error -101\n192.0.2.0/24 dev eth0\n",
     (Route(destination="192.0.2.0/24", interface="eth0"),)),
    ("Welcome to the observatory\ndefault via 192.0.2.1 dev eth0\n",
     (Route(destination="default", gateway="192.0.2.1", interface="eth0"),)),
    ("", ()),
    ("ip: command not understood\n", None),
    ("default of what\n", None),
])
def test_routes_as_ip_prints_them(text: str, expected: tuple[Route, ...] | None) -> None:
    """iproute2 and BusyBox; an empty table is known to be empty, and other text is not."""
    assert routes.routes(text) == expected


PROC_ROUTE = """\
Iface	Destination	Gateway 	Flags	RefCnt	Use	Metric	Mask		MTU	Window	IRTT
eth0	00000000	010200C0	0003	0	0	0	00000000	0	0	0
eth1	00000000	FE0200C0	0003	0	0	100	00000000	0	0	0
eth0	000200C0	00000000	0001	0	0	0	00FFFFFF	0	0	0
eth0	006433C6	00000000	0200	0	0	0	00FFFFFF	0	0	0
"""


def test_routes_in_the_kernels_file() -> None:
    """proc(5): hexadecimal in the processor's order, rejecting routes left out."""
    assert routes.proc_routes_4(PROC_ROUTE) == (
        Route(destination="default", gateway="192.0.2.1", interface="eth0"),
        Route(destination="default", gateway="192.0.2.254", interface="eth1", metric=100),
        Route(destination="192.0.2.0/24", interface="eth0"))
    assert routes.proc_routes_4(PROC_ROUTE.splitlines()[0]) == ()
    assert routes.proc_routes_4("cat: can't open '/proc/net/route'") is None


def test_ipv6_routes_in_the_kernels_file() -> None:
    zero, one = "0" * 32, "20010db8000000000000000000000001"
    text = (f"{zero} 00 {zero} 00 {one} 00000400 00000001 00000000 00000003     eth0\n"
            f"20010db8000000000000000000000000 40 {zero} 00 {zero} 00000100 00000001 00000000 00000001     eth0\n"
            f"{one} 80 {zero} 00 {zero} 00000000 00000002 00000000 80200001       lo\n"
            f"{zero} 00 {zero} 00 {zero} ffffffff 00000001 00000000 00200200       lo\n")
    assert routes.proc_routes_6(text) == (
        Route(destination="default", gateway="2001:db8::1", interface="eth0", metric=1024),
        Route(destination="2001:db8::/64", interface="eth0", metric=256))
    assert routes.proc_routes_6("") is None


@pytest.mark.parametrize(("text", "expected"), [
    ("192.0.2.1 dev eth0 lladdr 00:00:5E:00:53:01 REACHABLE\n",
     (Neighbour(address="192.0.2.1", interface="eth0", mac="00:00:5e:00:53:01", state="REACHABLE"),)),
    ("192.0.2.1 dev eth0  FAILED\n", (Neighbour(address="192.0.2.1", interface="eth0", state="FAILED"),)),
    ("fe80::1 dev eth0 lladdr 00:00:5e:00:53:01 router STALE\n",
     (Neighbour(address="fe80::1", interface="eth0", mac="00:00:5e:00:53:01", state="STALE"),)),
    ("", ()), ("no such thing\n", None),
])
def test_neighbours_as_ip_prints_them(text: str, expected: tuple[Neighbour, ...] | None) -> None:
    assert routes.neighbours(text) == expected


def test_neighbours_in_the_kernels_file() -> None:
    text = ("IP address       HW type     Flags       HW address            Mask     Device\n"
            "192.0.2.1        0x1         0x2         00:00:5e:00:53:01     *        eth0\n"
            "192.0.2.9        0x1         0x0         00:00:00:00:00:00     *        eth0\n")
    assert routes.proc_neighbours(text) == (
        Neighbour(address="192.0.2.1", interface="eth0", mac="00:00:5e:00:53:01", state="REACHABLE"),
        Neighbour(address="192.0.2.9", interface="eth0", state="INCOMPLETE"))


IP_ADDRESS = """\
1: lo: <LOOPBACK,UP,LOWER_UP> mtu 65536 qdisc noqueue state UNKNOWN group default qlen 1000
    link/loopback 00:00:00:00:00:00 brd 00:00:00:00:00:00
    inet 127.0.0.1/8 scope host lo
       valid_lft forever preferred_lft forever
2: eth0@if7: <BROADCAST,MULTICAST,UP,LOWER_UP> mtu 9000 qdisc noqueue state UP group default qlen 1000
    link/ether 00:00:5E:00:53:11 brd ff:ff:ff:ff:ff:ff link-netnsid 0
    inet 192.0.2.11/24 brd 192.0.2.255 scope global dynamic eth0
       valid_lft 3599sec preferred_lft 3599sec
    inet 192.0.2.111/24 brd 192.0.2.255 scope global secondary eth0
       valid_lft forever preferred_lft forever
    inet 198.51.100.1 peer 198.51.100.2/32 scope global eth0
    inet6 2001:db8::11/64 scope global dadfailed tentative
       valid_lft forever preferred_lft forever
    inet6 fe80::200:5eff:fe00:5311/64 scope link
       valid_lft forever preferred_lft forever
3: eth1: <BROADCAST,MULTICAST> mtu 1500 qdisc noop state DOWN group default qlen 1000
    link/ether 00:00:5e:00:53:12 brd ff:ff:ff:ff:ff:ff
"""


def test_addresses_as_ip_prints_them() -> None:
    """Leases by their end, peers by their mask, the kernel's own words kept."""
    assert addresses.addresses(IP_ADDRESS) == (
        InterfaceAddress(address="127.0.0.1", prefix_length=8, interface="lo", scope="host", dynamic=False),
        InterfaceAddress(address="192.0.2.11", prefix_length=24, interface="eth0", dynamic=True, valid_seconds=3599),
        InterfaceAddress(address="192.0.2.111", prefix_length=24, interface="eth0", dynamic=False, flags=("secondary",)),
        InterfaceAddress(address="198.51.100.1", prefix_length=32, interface="eth0", dynamic=False),
        InterfaceAddress(address="2001:db8::11", prefix_length=64, interface="eth0", dynamic=False,
                         flags=("dadfailed", "tentative")),
        InterfaceAddress(address="fe80::200:5eff:fe00:5311", prefix_length=64, interface="eth0", scope="link", dynamic=False))
    assert addresses.addresses("nothing of the kind") is None


@pytest.mark.parametrize(("words", "dynamic"), [
    # Of an advertisement without an end (iproute2 6.1.0-3): set by the kernel, and by systemd-networkd 252.39-1~deb12u2.
    ("dynamic mngtmpaddr", True), ("mngtmpaddr noprefixroute", True), ("noprefixroute", False), ("", False),
])
def test_an_advertised_address_is_not_set_for_good(words: str, dynamic: bool) -> None:
    """Its valid_lft may say forever; one that NetworkManager 1.42.4-1+deb12u1 sets cannot be told from a static one then."""
    text = ("2: eth0@if5: <BROADCAST,MULTICAST,UP,LOWER_UP> mtu 1500 state UP\n"
            f"    inet6 2001:db8:2:0:b871:2ff:fea8:8e2b/64 scope global {words}\n       valid_lft forever\n")
    read = addresses.addresses(text)
    assert read is not None
    assert [one.dynamic for one in read] == [dynamic]


def test_interfaces_as_ip_prints_them() -> None:
    assert addresses.links(IP_ADDRESS) == (
        Link(interface="lo", mtu=65536, mac="00:00:00:00:00:00", up=True, carrier=True),
        Link(interface="eth0", mtu=9000, mac="00:00:5e:00:53:11", up=True, carrier=True),
        Link(interface="eth1", mtu=1500, mac="00:00:5e:00:53:12", up=False))


def test_addresses_in_the_kernels_files() -> None:
    """Masks and interfaces come from the connected routes; whether an IPv4 address is leased is not said."""
    text = ("Main:\n  +-- 0.0.0.0/0 3 0 5\n     |-- 0.0.0.0\n        /0 universe UNICAST\nLocal:\n"
            "     |-- 127.0.0.1\n        /32 host LOCAL\n     |-- 192.0.2.0\n        /24 link UNICAST\n"
            "     |-- 192.0.2.11\n        /32 host LOCAL\n     |-- 192.0.2.255\n        /32 link BROADCAST\n"
            f"{PROC_ROUTE}20010db8000000000000000000000011 02 40 00 00     eth0\n")
    assert addresses.proc_addresses(text) == (
        InterfaceAddress(address="127.0.0.1", prefix_length=8, interface="lo", scope="host"),
        InterfaceAddress(address="192.0.2.11", prefix_length=24, interface="eth0"),
        InterfaceAddress(address="2001:db8::11", prefix_length=64, interface="eth0", dynamic=True))


@pytest.mark.parametrize(("text", "expected"), [
    # iproute2 6.1.0-3: IPv4 has a third rule, IPv6 has not.
    ("0:\tfrom all lookup local\n32766:\tfrom all lookup main\n32767:\tfrom all lookup default\n", ()),
    ("0:\tfrom all lookup local\n32766:\tfrom all lookup main\n", ()),
    ("0:\tfrom all lookup local\n32765:\tfrom 192.0.2.11 lookup 100\n32766:\tfrom all lookup main\n",
     ("from 192.0.2.11 lookup 100",)),
    # BusyBox 1:1.35.0-4+deb12u1 ends its lines with a space.
    ("0:\tfrom all lookup local \n32765:\tfrom 192.0.2.11 lookup 100 \n32766:\tfrom all lookup main \n",
     ("from 192.0.2.11 lookup 100",)),
    # ip-rule(8): only what a program marked, and all but what it marked.
    ("0:\tfrom all lookup local\n9:\tfrom all fwmark 0x200/0xf00 lookup 2004\n32766:\tfrom all lookup main\n", ()),
    (("0:\tfrom all lookup local\n32764:\tfrom all lookup main suppress_prefixlength 0\n"
      "32765:\tnot from all fwmark 0xca6c lookup 51820\n32766:\tfrom all lookup main\n"),
     ("from all lookup main suppress_prefixlength 0", "not from all fwmark 0xca6c lookup 51820")),
    ("", None), ("ip: RTNETLINK answers: Operation not supported\n", None),
])
def test_rules_that_may_choose_another_table(text: str, expected: tuple[str, ...] | None) -> None:
    assert routes.rules(text) == expected


@pytest.mark.parametrize("state", ["state LOWERLAYERDOWN mode DEFAULT group default ", ""])
def test_an_interface_without_a_link(state: str) -> None:
    """iproute2 6.1.0-3 and, without the state, BusyBox 1:1.35.0-4+deb12u1."""
    text = ("1: lo: <LOOPBACK,UP,LOWER_UP> mtu 65536 qdisc noqueue qlen 1000\n"
            f"5: eth1.20@p1: <NO-CARRIER,BROADCAST,MULTICAST,UP,M-DOWN> mtu 1500 qdisc noqueue {state}qlen 1000\n"
            "    link/ether 00:00:5e:00:53:11 brd ff:ff:ff:ff:ff:ff\n6: br0: <BROADCAST,MULTICAST> mtu 1500 qdisc noop \n")
    read = addresses.links(text)
    assert read is not None
    assert [(link.interface, link.up, link.carrier) for link in read] == [
        ("lo", True, True), ("eth1.20", True, False), ("br0", False, None)]
    assert read[1].mac == "00:00:5e:00:53:11"


def test_interfaces_in_the_kernels_files() -> None:
    text = "/sys/class/net/eth0/mtu:9000\n/sys/class/net/lo/mtu:65536\n/sys/class/net/eth0/address:00:00:5E:00:53:11\n"
    assert addresses.sys_links(text) == (
        Link(interface="eth0", mtu=9000, mac="00:00:5e:00:53:11"), Link(interface="lo", mtu=65536))


@pytest.mark.parametrize(("text", "servers", "search"), [
    ("nameserver 192.0.2.53\nnameserver 192.0.2.54\nsearch obs.example.net\n",
     ("192.0.2.53", "192.0.2.54"), ("obs.example.net",)),
    # resolv.conf(5): the last search or domain line counts.
    ("domain one.example.net\nsearch Obs.example.net. lab.example.net\n", ("127.0.0.1",), ("obs.example.net", "lab.example.net")),
    ("search a.example.net\ndomain b.example.net c.example.net\n", ("127.0.0.1",), ("b.example.net",)),
    ("# nameserver 192.0.2.53\n; nameserver 192.0.2.53\nnameserver nonsense\nsearch .\n", ("127.0.0.1",), ()),
    ("nameserver fe80::53%eth0\n", ("fe80::53",), ()),
    ("", ("127.0.0.1",), ()),
])
def test_a_resolvers_file(text: str, servers: tuple[str, ...], search: tuple[str, ...]) -> None:
    """Without a server, the library asks the host itself."""
    assert msgspec.structs.replace(names.resolver(text), writer="") == Resolver(servers=servers, search=search, source="")


BY_RESOLVED = "# This is /run/systemd/resolve/resolv.conf managed by man:systemd-resolved(8).\n# Do not edit.\n#\n\n"


@pytest.mark.parametrize(("text", "servers", "writer"), [
    # systemd-resolved 252.39-1~deb12u2, /run/systemd/resolve/resolv.conf, with and without a server.
    (f"{BY_RESOLVED}# No DNS servers known.\nsearch .\n", (),
     "This is /run/systemd/resolve/resolv.conf managed by man:systemd-resolved(8)."),
    (f"{BY_RESOLVED}nameserver 192.0.2.53\nnameserver 2001:db8::53\nnameserver fe80::53%3\nsearch obs.example.net\n",
     ("192.0.2.53", "2001:db8::53", "fe80::53"), "This is /run/systemd/resolve/resolv.conf managed by man:systemd-resolved(8)."),
    # resolvconf 1.91+nmu1 and network-manager 1.42.4-1+deb12u1.
    ("# Dynamic resolv.conf(5) file for glibc resolver(3) generated by resolvconf(8)\nnameserver 127.0.0.1\n", ("127.0.0.1",),
     "Dynamic resolv.conf(5) file for glibc resolver(3) generated by resolvconf(8)"),
    ("# Generated by NetworkManager\nnameserver 192.0.2.53\n", ("192.0.2.53",), "Generated by NetworkManager"),
    ("", (), ""),
])
def test_the_servers_behind_a_forwarder_and_who_wrote_them_down(text: str, servers: tuple[str, ...], writer: str) -> None:
    """A forwarder may know of none, which is not the host itself."""
    read = names.upstream(text)
    assert (read.servers, read.writer) == (servers, writer)


@pytest.mark.parametrize(("servers", "stub"), [
    (("127.0.0.53",), "127.0.0.53"), (("::1",), "::1"), (("192.0.2.53",), ""), (("127.0.0.53", "192.0.2.53"), ""), ((), ""),
])
def test_a_forwarder_on_the_host_itself(servers: tuple[str, ...], stub: str) -> None:
    """It is one only where no other server stands beside it."""
    assert names.local_forwarder(Resolver(servers=servers, search=(), source="")) == stub


@pytest.mark.parametrize(("text", "servers"), [
    # Settings in which dnsmasq 2.90-4~deb12u2 asks 198.51.100.99 and nobody else, as it says when it starts.
    ("no-resolv\nserver=198.51.100.99\n", ("198.51.100.99",)),
    ("no-resolv\nserver=198.51.100.99#5353\nserver=192.0.2.53@eth0\nserver=/lan/192.0.2.9\n", ("198.51.100.99", "192.0.2.53")),
    ("listen-address=::1,127.0.0.1\nno-resolv\nserver = 2001:db8::53\n", ("2001:db8::53",)),
    ("no-resolv\n", ()), ("no-resolv\nserver=/lan/192.0.2.9\n", ()),
    # Not known: servers beside those of a file, other files, another place to listen, what is no address.
    ("server=198.51.100.99\n", None), ("resolv-file=/etc/tide.conf\n", None), ("servers-file=/etc/tide.conf\n", None),
    ("port=0\n", None), ("no-resolv\nserver=192.0.2.53\nlisten-address=192.0.2.11\n", None),
    ("no-resolv\nserver=192.0.2.53\nexcept-interface=lo\n", None), ("no-resolv\nserver=ns.example.net\n", None),
])
def test_the_servers_of_dnsmasqs_own_settings(text: str, servers: tuple[str, ...] | None) -> None:
    read = names.dnsmasq(text)
    assert read is not None
    assert read.servers == servers


@pytest.mark.parametrize("text", ["", "\n", "server=/lan/192.0.2.9\n", "listen-address=127.0.0.1\n"])
def test_settings_of_dnsmasq_that_leave_its_servers_to_a_file(text: str) -> None:
    assert names.dnsmasq(text) is None


def test_the_servers_of_resolvectl() -> None:
    text = "Global: 192.0.2.53\nLink 2 (eth0): 192.0.2.53 192.0.2.54#ns.example.net fe80::53%eth0\nLink 3 (eth1):\n"
    told = names.resolvectl(text)
    assert told is not None
    assert told.servers == ("192.0.2.53", "192.0.2.54", "fe80::53")
    assert names.resolvectl("Failed to connect to bus") is None
    assert names.resolvectl("Last login: Sun Nov 29 22:53:21 2026 from 198.51.100.7") is None


@pytest.mark.parametrize(("text", "expected"), [
    ("1795603493.257573977\n", (1795603493257573977, 1)),
    ("1795603493.%N\n", (1795603493 * 10**9, 10**9)),
    ("1795603493\n", (1795603493 * 10**9, 10**9)),
    ("1795603493.N\n", (1795603493 * 10**9, 10**9)),
    ("+%s.%N\n", None), ("-1\n", None), ("1795603493.25\n", None), ("", None),
])
def test_the_time_as_date_prints_it(text: str, expected: tuple[int, int] | None) -> None:
    """With and without %N, which BusyBox may print as it stands: then the reading is of whole seconds."""
    assert times.clock(text) == expected


def test_uptime_and_identifiers() -> None:
    assert times.uptime("4624.56 6775.26\n") == 4624.56
    assert times.uptime("up 3 days") is None
    assert names.identifier("34BCDFAF-1f8e-4de3-b542-27597a642a71\n") == "34bcdfaf1f8e4de3b54227597a642a71"
    assert names.identifier("uninitialized\n") is None
    assert names.word("dome-a\n") == "dome-a"
    assert names.word("hostname: no such thing\n") is None
    assert names.looked_up("192.0.2.11 STREAM dome-a\n192.0.2.11 DGRAM\nfe80::1 STREAM\n") == ("192.0.2.11",)
    assert names.looked_up("Last login from 198.51.100.7\n192.0.2.11 2001:db8::11\n") == ("192.0.2.11", "2001:db8::11")


def test_units_as_systemctl_shows_them() -> None:
    text = ("Id=ssh.service\nLoadState=loaded\nActiveState=active\nUnitFileState=enabled\n\n"
            "Id=nope.service\nLoadState=not-found\nActiveState=inactive\nUnitFileState=\n")
    units = services.units(text)
    assert units is not None
    assert [(unit.name, unit.load, unit.active, unit.enabled) for unit in units] == [
        ("ssh.service", "loaded", "active", "enabled"), ("nope.service", "not-found", "inactive", "")]
    assert services.units("System has not been booted with systemd as init system") is None


@pytest.mark.parametrize("name", ["chrony; reboot #", "$(reboot).service", "ssh", ""])
def test_what_no_unit_can_be_called_is_no_unit(name: str) -> None:
    """systemd.unit(5) has the characters; a mend repeats the name on a line to type."""
    assert services.units(f"Id={name}\nLoadState=loaded\nActiveState=failed\nUnitFileState=disabled\n") is None


def test_how_a_unit_is_started() -> None:
    """By systemd 252.39-1~deb12u2: a socket's service, one that nothing starts, and one that falls over."""
    text = ("Id=ssh.service\nWantedBy=\nRequiredBy=\nTriggeredBy=ssh.socket\nLoadState=loaded\nActiveState=inactive\n"
            "SubState=dead\nUnitFileState=disabled\n\n"
            "Id=dbus.service\nWantedBy=systemd-logind.service\nRequiredBy=\nTriggeredBy=dbus.socket\nLoadState=loaded\n"
            "ActiveState=active\nSubState=running\nUnitFileState=static\n\n"
            "Id=crash.service\nTriggeredBy=\nLoadState=loaded\nActiveState=activating\nSubState=auto-restart\n"
            "UnitFileState=enabled\n")
    read = services.units(text)
    assert read is not None
    assert [(unit.name, unit.triggered_by, unit.wanted_by, unit.sub) for unit in read] == [
        ("ssh.service", ("ssh.socket",), (), "dead"), ("dbus.service", ("dbus.socket",), ("systemd-logind.service",), "running"),
        ("crash.service", (), None, "auto-restart")]


@pytest.mark.parametrize(("said", "seconds"), [
    ("23507641279", 23507.641279), ("0", None), ("", None), ("-1", None), ("9" * 40, None),
])
def test_when_a_unit_became_active(said: str, seconds: float | None) -> None:
    """As systemd 252.39-1~deb12u2 prints it; 0 is never."""
    read = services.units(f"Id=ntpsec.service\nActiveState=active\nActiveEnterTimestampMonotonic={said}\n")
    assert read is not None
    assert read[0].began_seconds == seconds


#: systemd-timesyncd 252.39-1~deb12u2, some minutes after 192.0.2.61 stopped to answer; 192.0.2.62 never did.
SWITCHED = (
    "SystemNTPServers=192.0.2.61 192.0.2.62\nFallbackNTPServers=\nServerName=192.0.2.62\nServerAddress=192.0.2.62\n"
    "RootDistanceMaxUSec=5s\nPollIntervalMinUSec=16s\nPollIntervalMaxUSec=32s\nPollIntervalUSec=32s\nNTPMessage={ Leap=0, "
    "Version=4, Mode=4, Stratum=5, Precision=-26, RootDelay=0, RootDispersion=0, Reference=7F7F0101, OriginateTimestamp=Sun "
    "2026-11-29 22:53:21 UTC, ReceiveTimestamp=Sun 2026-11-29 22:53:21 UTC, TransmitTimestamp=Sun 2026-11-29 22:53:21 UTC, "
    "DestinationTimestamp=Sun 2026-11-29 22:53:21 UTC, Ignored=no, PacketCount=2, Jitter=3us }\nFrequency=0\n")


def test_when_a_source_was_last_heard() -> None:
    """What timedatectl prints goes on to show the last message beside the server that is asked now."""
    read = times.timesync(SWITCHED)
    assert read is not None
    assert (read[0].address, read[0].heard_at, read[0].poll_seconds) == ("192.0.2.62", "2026-11-29T22:53:21Z", 32.0)
    # Before the first answer there is no message.
    silent = "ServerName=192.0.2.61\nServerAddress=192.0.2.61\nPollIntervalUSec=34min 8s\nFrequency=0\n"
    assert times.timesync(silent) == (TimeSource(address="192.0.2.61", selected=False, reachable=False, poll_seconds=2048.0),)
    # In another zone than UTC, and by an interval that is none, nothing is claimed.
    elsewhere = times.timesync(SWITCHED.replace(" UTC", " CET").replace("PollIntervalUSec=32s", "PollIntervalUSec=often"))
    assert elsewhere is not None
    assert (elsewhere[0].heard_at, elsewhere[0].poll_seconds) == ("", None)


def test_a_server_without_an_address_was_not_heard() -> None:
    """By systemd-timesyncd 252.39-1~deb12u2: its lease ended and with it 192.0.2.61, which it had heard a minute before."""
    text = ("FallbackNTPServers=0.tide.example.net 3.tide.example.net\nServerName=3.tide.example.net\nRootDistanceMaxUSec=5s\n"
            "PollIntervalMinUSec=32s\nPollIntervalMaxUSec=34min 8s\nPollIntervalUSec=34min 8s\nNTPMessage={ Leap=0, Version=4, "
            "Mode=4, Stratum=3, Precision=-26, RootDelay=0, RootDispersion=0, Reference=7F7F0101, OriginateTimestamp=Mon "
            "2026-11-30 03:56:41 UTC, ReceiveTimestamp=Mon 2026-11-30 03:56:41 UTC, TransmitTimestamp=Mon 2026-11-30 03:56:41 "
            "UTC, DestinationTimestamp=Mon 2026-11-30 03:56:41 UTC, Ignored=no, PacketCount=1, Jitter=0 }\nFrequency=0\n")
    assert times.timesync(text) == (
        TimeSource(address="3.tide.example.net", selected=False, reachable=False, poll_seconds=2048.0),)


@pytest.mark.parametrize(("text", "expected"), [
    ("", ()), ("chrony.service loaded failed failed chrony, an NTP client\n", ("chrony.service",)),
    ("● tide.mount loaded failed failed /tide\n", ("tide.mount",)), ("Failed to connect to bus: nothing there\n", None),
])
def test_failed_units(text: str, expected: tuple[str, ...] | None) -> None:
    assert services.failed_units(text) == expected


def test_sources_of_three_time_services() -> None:
    """chronyc(1) by commas, ntpq by columns, timedatectl by properties."""
    assert times.chrony_sources("^,*,192.0.2.61,2,6,377,20,-0.1,-0.1,0.1\n^,?,2001:DB8::61,0,6,0,4,0,0,0\n") == (
        TimeSource(address="192.0.2.61", selected=True, reachable=True, state="*"),
        TimeSource(address="2001:db8::61", selected=False, reachable=False, state="?"))
    assert times.chrony_sources("") == ()
    assert times.chrony_sources("506 Cannot talk to daemon\n") is None
    table = ("     remote           refid      st t when poll reach   delay   offset  jitter\n"
             "==============================================================================\n"
             " 0.tide.pool.n   .POOL.          16 p    -   64    0    0.000   +0.000   0.000\n"
             "*192.0.2.61      192.0.2.1        2 u   34   64  377    0.421   -0.012   0.031\n"
             "x192.0.2.62      192.0.2.1        2 u   30   64  377    0.400  900.000   0.031\n")
    assert times.ntpq_peers(table) == (
        TimeSource(address="192.0.2.61", selected=True, reachable=True, state="*"),
        TimeSource(address="192.0.2.62", selected=False, reachable=True, state="x"))
    shown = ("SystemNTPServers=192.0.2.61 192.0.2.62\nFallbackNTPServers=\nServerName=192.0.2.62\nServerAddress=192.0.2.62\n"
             "NTPMessage={ Leap=0, Version=4, Mode=4, Stratum=2, Ignored=no }\n")
    assert times.timesync(shown) == (
        TimeSource(address="192.0.2.62", selected=True, reachable=True), TimeSource(address="192.0.2.61", selected=False))
    assert times.timesync("Failed to connect to bus\n") is None


def test_sources_that_chrony_has_by_name_only() -> None:
    """By chrony 4.3-2+deb12u3 with names that nobody resolves: shown with -a alone, by a number in the place of an address."""
    read = times.chrony_sources("^,?,ID#0000000001,0,6,0,4294967295,0.000000000,0.000000000,0.000000000\n"
                                "^,?,192.0.2.61,0,6,0,4294967295,0.000000000,0.000000000,0.000000000\n")
    assert read == (TimeSource(address="", selected=False, reachable=False, state="?"),
                    TimeSource(address="192.0.2.61", selected=False, reachable=False, state="?"))


def test_every_kind_of_source_of_chronyc() -> None:
    """By chrony 4.3-2+deb12u3: a reference clock, a server that is asked with NTS, a peer."""
    text = ("#,?,GPS,0,4,0,4294967295,0.000000000,0.000000000,0.000000000\n"
            "^,-,192.0.2.61,5,6,17,2,0.000002002,0.000002002,0.000003318\n"
            "^,*,2001:db8:12:34:5678:9abc:def0:61,5,6,17,3,0.000002420,0.000002420,0.000003811\n"
            "^,?,192.0.2.65,0,7,0,4294967295,0.000000000,0.000000000,0.000000000\n"
            "=,?,192.0.2.64,0,6,0,4294967295,0.000000000,0.000000000,0.000000000\n")
    read = times.chrony_sources(text)
    assert read is not None
    assert [(one.address, one.selected, one.reachable) for one in read] == [
        ("GPS", False, False), ("192.0.2.61", False, True), ("2001:db8:12:34:5678:9abc:def0:61", True, True),
        ("192.0.2.65", False, False), ("192.0.2.64", False, False)]


def test_every_kind_of_source_of_ntpq() -> None:
    """By ntpsec 1.2.2+dfsg1-1+deb12u1: names that are not found, a pool, NTS, reference clocks, and "68m" for a poll."""
    text = ("     remote           refid      st t when poll reach   delay   offset   jitter\n"
            "===============================================================================\n"
            "+192.0.2.61      127.127.1.1      5 u   19   64    1   0.0687   0.0068   0.0368\n"
            " 192.0.2.63      .INIT.          16 u    -   64    0   0.0000   0.0000   0.0001\n"
            " nowhere.obs.example.net\n"
            "                 .DNS.           16 u    -    8    0   0.0000   0.0000   0.0001\n"
            " pool.obs.example.net\n"
            "                 .POOL.          16 p    -    8    0   0.0000   0.0000   0.0001\n"
            "*2001:db8:12:34:5678:9abc:def0:61\n"
            "                 127.127.1.1      5 u   14   64    1   0.0777   0.0267   0.1071\n"
            " 192.0.2.65      .NTS.           16 u    -  68m    0   0.0000   0.0000   0.0001\n"
            " SHM(0)          .SHM.            0 l    -   64    0   0.0000   0.0000   0.0001\n")
    read = times.ntpq_peers(text)
    assert read is not None
    assert [(one.address, one.selected, one.reachable) for one in read] == [
        ("192.0.2.61", False, True), ("192.0.2.63", False, False), ("", False, False),
        ("2001:db8:12:34:5678:9abc:def0:61", True, True), ("192.0.2.65", False, False), ("SHM(0)", False, False)]


def ntpq_table(*sources: str, wide: bool) -> str:
    """What ntpq prints of reached sources: a name over 15 characters stands by itself with -w, and is cut without."""
    rows = []
    for mark, address in ((source[0], source[1:]) for source in sources):
        first = f"{mark}{address}\n{'':17}" if wide and len(address) > 15 else f"{mark}{address[:15]:15} "
        rows.append(f"{first}{'192.0.2.1':15}  2 u   34   64  377   0.4210  -0.0120   0.0310\n")
    return "     remote           refid      st t when poll reach   delay   offset   jitter\n" + "=" * 79 + "\n" + "".join(rows)


LONG_SOURCES = ("*2001:db8:12:34::61", "+192.168.100.100", " 2001:db8:12:34:5678:9abc:def0:12", "-2001:db8::6:123", "x192.0.2.62")


def test_ipv6_sources_that_ntpq_has_no_room_for_are_read_whole() -> None:
    """ntpq(1), -w: the address on a line of its own, the columns on the next; marks and order stay."""
    found = times.ntpq_peers(ntpq_table(*LONG_SOURCES, wide=True))
    assert found is not None
    assert [(source.state, source.address) for source in found] == [(each[0].strip(), each[1:]) for each in LONG_SOURCES]
    assert [source.selected for source in found] == [True, False, False, False, False]
    assert all(source.reachable for source in found)


@pytest.mark.parametrize(("address", "readable"), [
    ("2001:db8::6:12", True), ("2001:db8::6:123", False), ("2001:db8::6:1234", False), ("2001:db8:12:34::61", False),
    ("192.168.100.100", True), ("192.0.2.61", True),
])
def test_an_address_that_ntpq_may_have_cut_is_no_address(address: str, readable: bool) -> None:
    """15 characters with colons may be the beginning of more; an IPv4 address has no more than 15."""
    found = times.ntpq_cut_peers(ntpq_table(f"*{address}", "+192.0.2.62", wide=False))
    assert (found is not None) is readable
    if found:
        assert [source.address for source in found] == [address, "192.0.2.62"]


def test_lines_of_a_table_that_do_not_belong_together_are_not_joined() -> None:
    """Neither a rule nor a lone word becomes an address; a long pool's name is no source."""
    table = ntpq_table(wide=True)
    row = f"{'':17}{'192.0.2.1':15}  2 u   34   64  377   0.4210  -0.0120   0.0310\n"
    pool = f" 0.a-long-name.pool.obs.example\n{'':17}.POOL.          16 p    -   64    0   0.0000   0.0000   0.0000\n"
    assert times.ntpq_peers(table + row) == ()
    assert times.ntpq_peers(table + " lonely\n\n" + row) == ()
    assert times.ntpq_peers(table + pool) == ()
    for reader in (times.ntpq_peers, times.ntpq_cut_peers):
        assert reader("ntpq: read: Connection refused\n") is None
