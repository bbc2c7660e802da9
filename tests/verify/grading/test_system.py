"""Grading the host's own word: routes, addresses, resolver, names, time service, services, questions, twins, and no login."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from labkit.pasting import HOSTILE_WORDS, escapes
from shared import catalogue
from shared.evidence import (
    ClockEvidence,
    CommandAnswer,
    EchoEvidence,
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    Owner,
    OwnersEvidence,
    SiteEvidence,
    SshHostKey,
    SystemEvidence,
    Vantage,
)
from shared.findings import Finding, Grade
from shared.hostcommands import TOPICS
from shared.hostfacts import (
    HostFacts,
    InterfaceAddress,
    Link,
    Neighbour,
    Resolver,
    Route,
    TimeSource,
    Unit,
)
from shared.plan import Access, Endpoint, Network, OwnQuestion, Plan, Port, Role
from verify.grading import gateway, system, whole
from verify.grading.case import Case

AT = "2026-11-25T10:00:00.000000Z"
GATEWAY = "192.0.2.1"
ACCESS = Access(user="trial", known_hosts="known_hosts", key="trial.key")
ROLE = Role(name="node", open=(Port(22),), ssh=(Port(22),), services=("ssh",))
DEFAULT = Route(destination="default", gateway=GATEWAY, interface="eth0")
OWN = InterfaceAddress(address="192.0.2.11", prefix_length=24, interface="eth0", dynamic=False)
LOOPBACKS = (InterfaceAddress(address="127.0.0.1", prefix_length=8, interface="lo", scope="host", dynamic=False),
             InterfaceAddress(address="fe80::1", prefix_length=64, interface="eth0", scope="link", dynamic=False))


def unit(name: str, active: str = "active", enabled: str = "enabled", load: str = "loaded", asked: str = "") -> Unit:
    return Unit(asked=asked or name, name=f"{name}.service", load=load, active=active, enabled=enabled)


#: What a sound dome-a of the sound plan says of itself.
SOUND = HostFacts(
    routes_4=(DEFAULT, Route(destination="192.0.2.0/24", interface="eth0")), routes_6=(), addresses=(*LOOPBACKS, OWN),
    links=(Link(interface="lo", mtu=65536), Link(interface="eth0", mtu=1500, mac="00:00:5e:00:53:11")),
    neighbours=(Neighbour(address=GATEWAY, interface="eth0", mac="00:00:5e:00:53:01", state="REACHABLE"),),
    resolver=Resolver(servers=("192.0.2.53", "192.0.2.54"), search=("obs.example.net",), source="/etc/resolv.conf"),
    host_name="dome-a", full_name="dome-a.obs.example.net", name_addresses=("192.0.2.11",), uptime_seconds=7200.0,
    boot_id="a" * 32, machine_id="b" * 32, units=(unit("ssh"),), failed_units=(),
    time_units=(unit("chrony"), unit("chrony", asked="chronyd"), unit("ntpsec", load="not-found", active="inactive")),
    time_sources=tuple(TimeSource(address=f"192.0.2.{last}", selected=last == 61, reachable=True) for last in (61, 62, 63, 64)))


def said(facts: HostFacts = SOUND, **fields: Any) -> SystemEvidence:
    answers = tuple(CommandAnswer(topic=topic.name, command=topic.alternatives[0].command, at=AT, elapsed_seconds=0.01, status=0)
                    for topic in TOPICS)
    return SystemEvidence(**{"address": "192.0.2.11", "port": "22/tcp", "user": "trial", "at": AT, "elapsed_seconds": 0.5,
                             "key_standing": "known", "commands": answers, "facts": facts, **fields})


def changed(**fields: Any) -> SystemEvidence:
    return said(msgspec.structs.replace(SOUND, **fields))


class Bench:
    """Grades dome-a of the sound plan, with access, by what it said."""

    def __init__(self, make_plan: Callable[..., Plan]) -> None:
        self._make_plan = make_plan

    def case(self, *seen: tuple[str, SystemEvidence | None], **overrides: Any) -> Case:
        plan = self._make_plan(**{"access": ACCESS, "roles": (ROLE,), **overrides})
        hosts = tuple(HostEvidence(fqdn=f"{name}.obs.example.net", system=word) for name, word in seen)
        evidence = Evidence(
            vantage=Vantage(name="runner-1", on_link={"mgmt": True}), started=AT, finished=AT, complete=True, hosts=hosts,
            site=SiteEvidence(clocks=(ClockEvidence(server="time2.obs.example.net", address="192.0.2.62", port=123, at=AT),)))
        return Case(plan=plan, limits=catalogue.limits_of("production"), evidence=evidence)

    def findings(self, word: SystemEvidence | None, **overrides: Any) -> dict[tuple[str, str], Finding]:
        case = self.case(("dome-a", word), **overrides)
        found = system.grade_host(case, case.plan.hosts[0], case.evidence.hosts[0])
        assert len({finding.ref for finding in found}) == len(found)
        for finding in found:
            assert finding.message.endswith("."), finding.message
            assert finding.fix or finding.grade not in (Grade.FAIL, Grade.CAUTION), finding.ref
        return {(finding.check, finding.subject): finding for finding in found}

    def return_path(self, word: SystemEvidence | None, **overrides: Any) -> Finding:
        case = self.case(("dome-a", word), **overrides)
        (found,) = gateway.grade_host(case, case.plan.hosts[0], case.evidence.hosts[0])
        return found


@pytest.fixture
def bench(make_plan: Callable[..., Plan]) -> Bench:
    return Bench(make_plan)


def test_a_sound_host_passes_everything_and_says_so_itself(bench: Bench) -> None:
    """Every finding is seen from the host itself."""
    found = bench.findings(said())
    assert {finding.grade for finding in found.values()} == {Grade.PASS}
    assert {check for check, _ in found} == set(catalogue.matching("system.*")) - {"system.question", "system.shared-identity"}
    assert {finding.vantage for finding in found.values()} == {"dome-a.obs.example.net itself over SSH"}
    assert all(finding.at == AT for finding in found.values())


def test_without_access_nothing_is_said_at_all(bench: Bench) -> None:
    """What is not planned is neither passed nor unproven; the same where the role stays out or has no port to log in at."""
    assert bench.findings(None, access=None) == {}
    assert bench.findings(None, roles=(msgspec.structs.replace(ROLE, access=False),)) == {}
    assert bench.findings(None, roles=(msgspec.structs.replace(ROLE, ssh=()),)) == {}
    assert bench.findings(None, roles=(msgspec.structs.replace(ROLE, ssh=()),), access=msgspec.structs.replace(ACCESS, port=2222))


SECOND = Route(destination="default", gateway="192.0.2.254", interface="eth1")


@pytest.mark.parametrize(("routes", "grade", "symptom"), [
    ((), Grade.FAIL, "no-route"),
    ((Route(destination="192.0.2.0/24", interface="eth0"),), Grade.FAIL, "no-route"),
    ((SECOND,), Grade.FAIL, "wrong-gateway"),
    ((Route(destination="default", interface="ppp0"),), Grade.FAIL, "wrong-gateway"),
    ((DEFAULT, SECOND), Grade.FAIL, "second-route"),
    # The planned one is preferred: the other waits behind it.
    ((DEFAULT, msgspec.structs.replace(SECOND, metric=1)), Grade.CAUTION, "second-route"),
    ((msgspec.structs.replace(DEFAULT, metric=100), SECOND), Grade.FAIL, "second-route"),
    ((msgspec.structs.replace(DEFAULT, metric=100), msgspec.structs.replace(SECOND, metric=100)), Grade.FAIL, "second-route"),
    # No metric is metric 0 with IPv4.
    ((DEFAULT, msgspec.structs.replace(SECOND, metric=0)), Grade.FAIL, "second-route"),
    ((msgspec.structs.replace(DEFAULT, origin="dhcp"),), Grade.CAUTION, "leased"),
    ((msgspec.structs.replace(DEFAULT, origin="static", metric=100),), Grade.PASS, ""),
    # BusyBox shows no ways of a route that has several.
    ((Route(destination="default", metric=100),), Grade.UNPROVEN, "ways-unknown"),
    ((Route(destination="default", metric=100), DEFAULT), Grade.UNPROVEN, "ways-unknown"),
    (None, Grade.UNPROVEN, "unread"),
])
def test_one_default_route_through_the_planned_gateway(
    bench: Bench, routes: tuple[Route, ...] | None, grade: Grade, symptom: str
) -> None:
    found = bench.findings(changed(routes_4=routes))["system.route", "IPv4"]
    assert (found.grade, found.symptom) == (grade, symptom)


def test_a_second_route_is_named_with_the_line_that_takes_it_away(bench: Bench) -> None:
    found = bench.findings(changed(routes_4=(DEFAULT, msgspec.structs.replace(SECOND, metric=50))))["system.route", "IPv4"]
    assert found.fix[0] == "ip route del default via 192.0.2.254 dev eth1 metric 50"


@pytest.mark.parametrize(("routes", "lines"), [
    # Linux 6.18 finds "no such process" where one way is to be taken out of an IPv4 route of several.
    ((msgspec.structs.replace(DEFAULT, metric=100, shared=True), msgspec.structs.replace(SECOND, metric=100, shared=True)),
     ["ip route replace default via 192.0.2.1 dev eth0 metric 100"]),
    # A route of another metric is not replaced but stays beside the new one.
    ((msgspec.structs.replace(SECOND, metric=100),), ["ip route replace default via 192.0.2.1 dev eth0 metric 100"]),
    ((SECOND,), ["ip route replace default via 192.0.2.1 dev eth0"]),
    # What is right stays as it is.
    ((msgspec.structs.replace(DEFAULT, metric=100), SECOND), ["ip route del default via 192.0.2.254 dev eth1"]),
    ((DEFAULT, Route(destination="default", gateway="fe80::1", interface="eth0", metric=50)),
     ["ip -4 route del default via inet6 fe80::1 dev eth0 metric 50"]),
])
def test_the_lines_for_a_route_do_what_they_say(bench: Bench, routes: tuple[Route, ...], lines: list[str]) -> None:
    """Each tried with iproute2 6.1.0-3 on Linux 6.18 in a network namespace."""
    found = bench.findings(changed(routes_4=routes))["system.route", "IPv4"]
    assert [line.partition("    #")[0] for line in found.fix if line.startswith("ip ")] == lines


def test_a_route_out_of_an_interface_without_a_link_leads_nowhere(bench: Bench) -> None:
    """Linux keeps the route of an interface whose cable is out, and goes on to send by it."""
    word = changed(links=(Link(interface="eth0", mtu=1500, carrier=False), Link(interface="eth1", mtu=1500, carrier=True)))
    found = bench.findings(word)["system.route", "IPv4"]
    assert (found.grade, found.symptom) == (Grade.FAIL, "no-link")
    assert (bench.return_path(word).grade, bench.return_path(word).symptom) == (Grade.FAIL, "no-link")


@pytest.mark.parametrize(("routes", "grade", "symptom"), [
    ((DEFAULT,), Grade.CAUTION, "rules"), ((), Grade.UNPROVEN, "rules"), ((SECOND,), Grade.FAIL, "wrong-gateway"),
    ((DEFAULT, SECOND), Grade.FAIL, "second-route"),
])
def test_rules_that_choose_another_table_leave_the_main_one_in_doubt(
    bench: Bench, routes: tuple[Route, ...], grade: Grade, symptom: str
) -> None:
    """No pass by a table that may not be asked, and no fail for a route that may stand in another."""
    word = changed(routes_4=routes, rules_4=("from 192.0.2.11 lookup 100",))
    found = bench.findings(word)["system.route", "IPv4"]
    assert (found.grade, found.symptom) == (grade, symptom)
    assert (bench.return_path(word).grade, bench.return_path(word).symptom) == (Grade.UNPROVEN, "rules")
    assert bench.findings(changed(rules_4=()))["system.route", "IPv4"].grade is Grade.PASS


@pytest.mark.parametrize(("ipv6", "routes", "grade"), [
    ("off", (), Grade.PASS), ("off", (Route(destination="default", gateway="fe80::1", origin="ra"),), Grade.FAIL),
    ("off", None, Grade.UNPROVEN), ("on", (Route(destination="default", gateway="fe80::1"),), None),
])
def test_ipv6_off_is_no_ipv6_route(
    bench: Bench, make_plan: Callable[..., Plan], ipv6: str, routes: tuple[Route, ...] | None, grade: Grade | None
) -> None:
    network = msgspec.structs.replace(make_plan().networks[0], ipv6=ipv6)
    found = bench.findings(changed(routes_6=routes), networks=(network,))
    assert getattr(found.get(("system.route", "IPv6")), "grade", None) is grade


@pytest.mark.parametrize(("own", "grade", "symptom"), [
    (OWN, Grade.PASS, ""),
    (msgspec.structs.replace(OWN, prefix_length=23), Grade.FAIL, "mask"),
    (msgspec.structs.replace(OWN, prefix_length=25), Grade.FAIL, "mask"),
    (msgspec.structs.replace(OWN, dynamic=True, valid_seconds=3599), Grade.FAIL, "leased"),
    (msgspec.structs.replace(OWN, dynamic=None), Grade.UNPROVEN, "origin-unknown"),
    (msgspec.structs.replace(OWN, flags=("dadfailed", "tentative")), Grade.FAIL, "duplicate"),
    (None, Grade.FAIL, "missing"),
])
def test_the_planned_address(bench: Bench, own: InterfaceAddress | None, grade: Grade, symptom: str) -> None:
    found = bench.findings(changed(addresses=(*LOOPBACKS, *filter(None, [own]))))["system.address", "192.0.2.11"]
    assert (found.grade, found.symptom) == (grade, symptom)


SIX, GATEWAY_6, ADVERTISED = "2001:db8::11", "2001:db8::1", "fe80::1"
SIX_WIRE = Network(name="mgmt", subnet_typed="2001:db8::/64", subnet="2001:db8::/64", gateway=GATEWAY_6)
ROUTER_MAC = "00:00:5e:00:53:01"


def six(word: SystemEvidence, bench: Bench, *, subnet: bool) -> Finding:
    """``system.address`` of an IPv6 address in a network that is planned by an IPv6 subnet, or by an IPv4 one only."""
    plan = bench.case().plan
    host = msgspec.structs.replace(plan.hosts[0], addresses=("192.0.2.11", SIX))
    networks = (SIX_WIRE,) if subnet else plan.networks
    return bench.findings(word, hosts=(host,), networks=networks)["system.address", SIX]


@pytest.mark.parametrize(("own", "subnet", "grade", "symptom"), [
    ({}, True, Grade.PASS, ""), ({}, False, Grade.PASS, ""),
    ({"prefix_length": 128}, True, Grade.FAIL, "mask"), ({"prefix_length": 128}, False, Grade.CAUTION, "mask"),
    ({"prefix_length": 48}, True, Grade.FAIL, "mask"), ({"prefix_length": 48}, False, Grade.CAUTION, "mask"),
    # An address of the machine and of no wire is a /128 by its nature.
    ({"prefix_length": 128, "interface": "lo"}, False, Grade.PASS, ""),
    ({"flags": ("tentative",)}, True, Grade.UNPROVEN, "tentative"),
    ({"flags": ("tentative", "optimistic")}, True, Grade.PASS, ""),         # RFC 4429: in use while it is asked about
    ({"flags": ("dadfailed", "tentative")}, True, Grade.FAIL, "duplicate"),
])
def test_the_planned_ipv6_address(bench: Bench, own: dict[str, Any], subnet: bool, grade: Grade, symptom: str) -> None:
    """RFC 4291 section 2.5.4: where the plan has no subnet for it, that of its wire is a /64."""
    carried = InterfaceAddress(**{"address": SIX, "prefix_length": 64, "interface": "eth0", "dynamic": False, **own})
    found = six(changed(addresses=(*LOOPBACKS, OWN, carried)), bench, subnet=subnet)
    assert (found.grade, found.symptom) == (grade, symptom)


def test_no_mask_is_called_planned_that_is_not(bench: Bench) -> None:
    carried = InterfaceAddress(address=SIX, prefix_length=64, interface="eth0", dynamic=False)
    word = changed(addresses=(*LOOPBACKS, OWN, carried))
    assert "with the planned mask" in six(word, bench, subnet=True).message
    assert "with the mask /64, for which the plan has none," in six(word, bench, subnet=False).message


def test_an_ipv6_mask_is_mended_by_its_length_alone(bench: Bench) -> None:
    """Nobody types ffff:ffff:ffff:ffff:: anywhere."""
    carried = InterfaceAddress(address=SIX, prefix_length=48, interface="eth0", dynamic=False)
    fix = six(changed(addresses=(*LOOPBACKS, OWN, carried)), bench, subnet=True).fix
    assert fix[0].endswith(f": {SIX}/64")


BOTH_WIRES = Network(name="mgmt", subnet_typed="192.0.2.0/24", subnet="192.0.2.0/24", gateway=GATEWAY,
                     second_subnet_typed="2001:db8::/60", second_subnet="2001:db8::/60", second_gateway=GATEWAY_6)


@pytest.mark.parametrize(("routes_6", "grade", "symptom"), [
    ((Route(destination="default", gateway=GATEWAY_6, interface="eth0"),), Grade.PASS, ""),
    ((), Grade.FAIL, "no-route"),
    ((Route(destination="default", gateway="2001:db8::2", interface="eth0"),), Grade.FAIL, "wrong-gateway"),
])
def test_each_family_has_its_default_route_and_its_way_out(
    bench: Bench, routes_6: tuple[Route, ...], grade: Grade, symptom: str
) -> None:
    """Whatever is wrong with one, the other is right as it is."""
    own = InterfaceAddress(address=SIX, prefix_length=60, interface="eth0", dynamic=False)
    word = changed(addresses=(*LOOPBACKS, OWN, own), routes_6=routes_6)
    plan = bench.case().plan
    host = msgspec.structs.replace(plan.hosts[0], addresses=("192.0.2.11", SIX))
    found = bench.findings(word, networks=(BOTH_WIRES,), hosts=(host,))
    six_route = found["system.route", "IPv6"]
    assert (six_route.grade, six_route.symptom, six_route.planned) == (grade, symptom, f"one default route, via {GATEWAY_6}")
    assert found["system.route", "IPv4"].grade is found["system.address", SIX].grade is Grade.PASS
    assert found["system.address", SIX].planned == f"{SIX}/60, static"
    case = bench.case(("dome-a", word), networks=(BOTH_WIRES,), hosts=(host,))
    ways = {one.subject: one.grade for one in gateway.grade_host(case, host, case.evidence.hosts[0])}
    assert ways == {GATEWAY: Grade.PASS, GATEWAY_6: Grade.PASS if grade is Grade.PASS else Grade.UNPROVEN}


def test_a_host_of_one_family_is_not_asked_for_the_other_way_out(bench: Bench) -> None:
    """It needs no IPv6 route on a wire that has IPv6."""
    found = bench.findings(said(), networks=(BOTH_WIRES,))
    assert [subject for check, subject in found if check == "system.route"] == ["IPv4"]


def advertised(*neighbours: tuple[str, str], interface: str = "eth0") -> SystemEvidence:
    """A host whose IPv6 default route was advertised, and so leads to a link-local address (RFC 4861 section 4.2)."""
    known = tuple(Neighbour(address=address, interface=interface, mac=mac, state="STALE") for address, mac in neighbours)
    return changed(routes_6=(Route(destination="default", gateway=ADVERTISED, interface="eth0", origin="ra"),), neighbours=known)


@pytest.mark.parametrize(("word", "owner", "grade"), [
    (advertised((ADVERTISED, ROUTER_MAC), (GATEWAY_6, ROUTER_MAC)), "", Grade.PASS),
    (advertised((ADVERTISED, ROUTER_MAC)), ROUTER_MAC, Grade.PASS),           # a runner on the wire has asked for the gateway
    (advertised((ADVERTISED, ROUTER_MAC)), "", Grade.UNPROVEN),
    (advertised((ADVERTISED, ROUTER_MAC), (GATEWAY_6, "00:00:5e:00:53:02")), "", Grade.UNPROVEN),
    (advertised((ADVERTISED, ROUTER_MAC)), "00:00:5e:00:53:02", Grade.UNPROVEN),
    (advertised((ADVERTISED, ROUTER_MAC), (GATEWAY_6, ROUTER_MAC)), "00:00:5e:00:53:02", Grade.UNPROVEN),
    (advertised((ADVERTISED, ROUTER_MAC), (GATEWAY_6, ROUTER_MAC), interface="eth1"), "", Grade.UNPROVEN),
    (advertised(), ROUTER_MAC, Grade.UNPROVEN),
])
def test_an_advertised_route_is_the_planned_gateways_by_its_hardware(
    bench: Bench, word: SystemEvidence, owner: str, grade: Grade
) -> None:
    """The same hardware address behind both is the same interface; one that is not known, or not alone, leaves it open."""
    case = bench.case(("dome-a", word), networks=(SIX_WIRE,))
    owners = (OwnersEvidence(address=GATEWAY_6, at=AT, asked=3, owners=(Owner(mac=owner, answers=3),)),) if owner else ()
    site = msgspec.structs.replace(case.evidence.site, owners=owners)
    case = Case(plan=case.plan, limits=case.limits, evidence=msgspec.structs.replace(case.evidence, site=site))
    host, seen = case.plan.hosts[0], case.evidence.hosts[0]
    (route,) = [one for one in system.grade_host(case, host, seen) if one.check == "system.route"]
    (way,) = gateway.grade_host(case, host, seen)
    assert (route.grade, way.grade) == (grade, grade)
    assert {route.symptom, way.symptom} == ({""} if grade is Grade.PASS else {"link-local"})


@pytest.mark.parametrize(("on_link", "grade"), [(False, Grade.PASS), (True, Grade.UNPROVEN), (None, Grade.UNPROVEN)])
def test_an_advertised_route_leaves_the_way_out_to_an_answer_from_elsewhere(
    bench: Bench, on_link: bool | None, grade: Grade
) -> None:
    """Which router it is the table does not say; that the way out works an answer to a runner off the wire does."""
    case = bench.case(("dome-a", advertised((ADVERTISED, ROUTER_MAC))), networks=(SIX_WIRE,))
    host = msgspec.structs.replace(case.plan.hosts[0], addresses=(SIX,))
    echo = EchoEvidence(address=SIX, method="icmp-raw", at=AT, round_trips_seconds=(0.001, 0.001), hop_limit=63)
    seen = msgspec.structs.replace(case.evidence.hosts[0], echoes=(echo,))
    vantage = msgspec.structs.replace(case.evidence.vantage, on_link={} if on_link is None else {"mgmt": on_link})
    evidence = msgspec.structs.replace(case.evidence, vantage=vantage, hosts=(seen,))
    (way,) = gateway.grade_host(Case(plan=case.plan, limits=case.limits, evidence=evidence), host, seen)
    assert way.grade is grade


def test_an_address_from_an_advertisement_is_taken_away_for_good(bench: Bench) -> None:
    """The next advertisement brings it back otherwise (RFC 4862 section 5.5.3)."""
    made = InterfaceAddress(address="2001:db8::5054:ff:fe12:3456", prefix_length=64, interface="eth0", dynamic=True)
    fix = bench.findings(changed(addresses=(*LOOPBACKS, OWN, made)))["system.address", "others"].fix
    assert fix[0].startswith("sysctl -w net/ipv6/conf/eth0/autoconf=0 ")
    # With autoconf=0 both brought it back (systemd 252.39-1~deb12u2, network-manager 1.42.4-1+deb12u1).
    assert "IPv6AcceptRA=no" in fix[2]
    tagged = msgspec.structs.replace(made, interface="eth0.20")
    fix = bench.findings(changed(addresses=(*LOOPBACKS, OWN, tagged)))["system.address", "others"].fix
    # procps 2:4.0.2-3 takes a dot for a slash where the key has dots, and then finds no "eth0/20".
    assert fix[0].startswith("sysctl -w net/ipv6/conf/eth0.20/autoconf=0 ")
    assert fix[1].startswith("ip address del 2001:db8::5054:ff:fe12:3456/64 dev eth0.20 ")


@pytest.mark.parametrize(("address", "ipv6", "grade"), [
    ("198.51.100.7", "on", Grade.CAUTION), ("169.254.1.1", "on", Grade.CAUTION), ("2001:db8::7", "on", Grade.CAUTION),
    ("2001:db8::7", "off", Grade.FAIL), ("fe80::7", "off", Grade.PASS), ("127.0.0.2", "on", Grade.PASS),
    ("::1", "off", Grade.PASS),
])
def test_addresses_that_nobody_planned(
    bench: Bench, make_plan: Callable[..., Plan], address: str, ipv6: str, grade: Grade
) -> None:
    """Those of every host's loopback and wire are no others."""
    network = msgspec.structs.replace(make_plan().networks[0], ipv6=ipv6)
    other = InterfaceAddress(address=address, prefix_length=24, interface="eth1", dynamic=False)
    found = bench.findings(changed(addresses=(*LOOPBACKS, OWN, other)), networks=(network,))["system.address", "others"]
    assert found.grade is grade


def test_a_leased_address_beside_the_planned_one_is_called_leased(bench: Bench) -> None:
    """As where DHCP was left on: what must be turned off is said."""
    leased = InterfaceAddress(address="192.0.2.128", prefix_length=24, interface="eth0", dynamic=True, valid_seconds=3597)
    found = bench.findings(changed(addresses=(*LOOPBACKS, OWN, leased)))["system.address", "others"]
    assert (found.grade, found.found) == (Grade.CAUTION, "192.0.2.128/24 on eth0, leased")
    assert "# leased: turn DHCP off on eth0" in found.fix


def test_the_address_of_another_host_is_a_fault_and_is_not_to_be_planned_here(bench: Bench) -> None:
    """Both hosts lose each other's packets, and a row for it would plan one address twice."""
    other = InterfaceAddress(address="192.0.2.12", prefix_length=24, interface="eth0", dynamic=False)
    found = bench.findings(changed(addresses=(*LOOPBACKS, OWN, other)))["system.address", "others"]
    assert (found.grade, found.symptom) == (Grade.FAIL, "another-hosts")
    assert "192.0.2.12 is that of dome-b.obs.example.net" in found.message
    assert found.fix == ("ip address del 192.0.2.12/24 dev eth0    # as root, until it restarts",
                         "# and take them out of its network settings")


def test_an_address_in_the_place_of_the_planned_one_is_told_with_it_and_mended_once(bench: Bench) -> None:
    """One digit was mistyped: one thing to mend, with both addresses in its words."""
    typed = InterfaceAddress(address="192.0.2.21", prefix_length=24, interface="eth0", dynamic=False)
    found = bench.findings(changed(addresses=(*LOOPBACKS, typed)))
    missing, others = found["system.address", "192.0.2.11"], found["system.address", "others"]
    assert (missing.grade, missing.symptom, missing.found) == (Grade.FAIL, "missing", "192.0.2.21/24 on eth0")
    assert "in its place it has 192.0.2.21/24 on eth0." in missing.message
    assert missing.fix[0].endswith(": 192.0.2.11/24 (255.255.255.0) in the place of 192.0.2.21")
    assert others.because == (missing.ref,)
    leased = bench.findings(changed(addresses=(*LOOPBACKS, msgspec.structs.replace(typed, dynamic=True))))
    assert "in its place it has 192.0.2.21/24 on eth0, on loan." in leased["system.address", "192.0.2.11"].message
    assert leased["system.address", "192.0.2.11"].fix[0].endswith(" in the place of 192.0.2.21, which is on loan")


def test_a_mistyped_digit_leads_the_whole_report(bench: Bench) -> None:
    """The silence that was seen stands under the host's own word."""
    plan = bench.case().plan
    host = msgspec.structs.replace(plan.hosts[0], addresses=("192.0.2.11", SIX))
    typed = tuple(InterfaceAddress(address=address, prefix_length=length, interface="eth0", dynamic=False)
                  for address, length in (("192.0.2.21", 24), (SIX, 64)))
    case = bench.case(("dome-a", changed(addresses=(*LOOPBACKS, *typed))), hosts=(host, plan.hosts[1]))
    lost = Failure(kind=FailureKind.NO_ANSWER, phase="answer", elapsed_seconds=1.0)
    echoes = (EchoEvidence(address="192.0.2.11", method="icmp-raw", at=AT, round_trips_seconds=(None, None), failure=lost),
              EchoEvidence(address=SIX, method="icmp-raw", at=AT, round_trips_seconds=(0.001, 0.001), hop_limit=63))
    seen = msgspec.structs.replace(case.evidence.hosts[0], echoes=echoes)
    evidence = msgspec.structs.replace(case.evidence, hosts=(seen,))
    graded = whole.grade(case.plan, evidence, case.limits, today=datetime.date(2026, 11, 30), checks=frozenset(catalogue.CHECKS))
    found = {(one.check, one.subject): one for one in graded.hosts["dome-a.obs.example.net"]}
    silent = found["host.echo", "192.0.2.11"]
    assert (silent.grade, silent.symptom) == (Grade.FAIL, "silent")
    assert silent.because == (found["system.address", "192.0.2.11"].ref,)


@pytest.mark.parametrize("stray", ["198.51.100.7", "2001:db8::7"])
def test_an_address_of_elsewhere_stands_in_no_ones_place(bench: Bench, stray: str) -> None:
    """It is told on its own, as it may have nothing to do with the one that is missing."""
    other = InterfaceAddress(address=stray, prefix_length=24, interface="eth1", dynamic=False)
    found = bench.findings(changed(addresses=(*LOOPBACKS, other)))
    assert found["system.address", "192.0.2.11"].found == "on no interface"
    assert found["system.address", "others"].because == ()


@pytest.mark.parametrize(("length", "runner", "symptom", "words"), [
    (16, "192.0.9.5", "mask-hides", "runner-1 is one of these, at 192.0.9.5."), (16, "198.51.100.5", "mask", "on its wire"),
    (16, "192.0.2.5", "mask", "on its wire"), (28, "192.0.2.200", "mask", "for distant ones"),
])
def test_a_wrong_mask_says_what_comes_of_it(bench: Bench, length: int, runner: str, symptom: str, words: str) -> None:
    """Too wide a one hides whom it takes for a neighbour, too narrow a one hides nobody who is far."""
    case = bench.case(("dome-a", changed(addresses=(*LOOPBACKS, msgspec.structs.replace(OWN, prefix_length=length)))))
    vantage = msgspec.structs.replace(case.evidence.vantage, addresses=("fe80::5%eth0", runner))
    case = Case(plan=case.plan, limits=case.limits, evidence=msgspec.structs.replace(case.evidence, vantage=vantage))
    found = system.grade_host(case, case.plan.hosts[0], case.evidence.hosts[0])
    (mask,) = [one for one in found if (one.check, one.subject) == ("system.address", "192.0.2.11")]
    assert (mask.grade, mask.symptom) == (Grade.FAIL, symptom)
    assert words in mask.message


@pytest.mark.parametrize(("interface", "length", "network", "grade", "symptom"), [
    ("eth1", 26, "storage", Grade.CAUTION, "other-rows"), ("eth0", 26, "storage", Grade.FAIL, "another-hosts"),
    ("eth1", 24, "storage", Grade.FAIL, "another-hosts"), ("eth1", 26, "mgmt", Grade.FAIL, "another-hosts"),
])
def test_a_row_in_another_network_may_be_the_same_machines(
    bench: Bench, make_plan: Callable[..., Plan], interface: str, length: int, network: str, grade: Grade, symptom: str
) -> None:
    """A machine in two networks has two rows, and nobody is told to take its second address away."""
    plan = make_plan()
    storage = msgspec.structs.replace(plan.networks[0], name="storage", subnet="203.0.113.0/26", gateway=None)
    second = msgspec.structs.replace(plan.hosts[1], name="dome-a-data", fqdn="dome-a-data.obs.example.net",
                                     addresses=("203.0.113.11",), network=network)
    other = InterfaceAddress(address="203.0.113.11", prefix_length=length, interface=interface, dynamic=False)
    found = bench.findings(changed(addresses=(*LOOPBACKS, OWN, other)), networks=(*plan.networks, storage),
                           hosts=(*plan.hosts, second))["system.address", "others"]
    assert (found.grade, found.symptom) == (grade, symptom)
    if grade is Grade.CAUTION:
        assert "dome-a-data.obs.example.net, in another network" in found.message
        # That the first network has IPv6 off says nothing of the second.
        off = msgspec.structs.replace(plan.networks[0], ipv6="off")
        wide = msgspec.structs.replace(storage, subnet="2001:db8:9::/64")
        six = msgspec.structs.replace(other, address="2001:db8:9::11", prefix_length=64)
        elsewhere = msgspec.structs.replace(second, addresses=("2001:db8:9::11",))
        found_6 = bench.findings(changed(addresses=(*LOOPBACKS, OWN, six)), networks=(off, wide), hosts=(*plan.hosts, elsewhere))
        assert found_6["system.address", "others"].symptom == symptom
        assert 'subject = "others", host = "dome-a"' in found.fix[1]


@pytest.mark.parametrize(("mtu", "grade"), [(1499, Grade.FAIL), (1500, Grade.PASS), (1501, Grade.FAIL), (None, Grade.UNPROVEN)])
def test_the_planned_packet_size(bench: Bench, mtu: int | None, grade: Grade) -> None:
    assert bench.findings(changed(links=(Link(interface="eth0", mtu=mtu),)))["system.mtu", "eth0"].grade is grade


@pytest.mark.parametrize(("servers", "grade", "symptom"), [
    (("192.0.2.53", "192.0.2.54"), Grade.PASS, ""),
    (("192.0.2.54", "192.0.2.53"), Grade.CAUTION, "order"),
    (("192.0.2.53",), Grade.FAIL, "servers"),
    (("192.0.2.53", "192.0.2.54", "198.51.100.53"), Grade.FAIL, "servers"),
    (("198.51.100.53",), Grade.FAIL, "servers"),
    (None, Grade.UNPROVEN, "unread"),
])
@pytest.mark.parametrize("stub", ["", "127.0.0.53"])
def test_the_servers_that_are_really_asked(
    bench: Bench, servers: tuple[str, ...] | None, grade: Grade, symptom: str, stub: str
) -> None:
    """The same behind a forwarder of the host's own."""
    resolver = Resolver(servers=servers, search=("obs.example.net",), source="there", stub=stub)
    found = bench.findings(changed(resolver=resolver))["system.resolver", "servers"]
    assert (found.grade, found.symptom) == (grade, symptom)


@pytest.mark.parametrize(("stub", "active", "servers", "grade", "symptom", "mend"), [
    # systemd-resolved 252.39-1~deb12u2 leaves its files in /run behind when it is stopped.
    ("127.0.0.53", "inactive", ("192.0.2.53", "192.0.2.54"), Grade.FAIL, "no-forwarder", "systemctl enable --now "),
    ("127.0.0.53", "failed", ("192.0.2.53", "192.0.2.54"), Grade.FAIL, "no-forwarder", "systemctl enable --now "),
    ("127.0.0.53", "active", ("192.0.2.53", "192.0.2.54"), Grade.PASS, "", ""),
    ("127.0.0.53", "active", (), Grade.FAIL, "servers", "systemctl restart systemd-resolved"),
    ("127.0.0.1", "", ("192.0.2.54",), Grade.FAIL, "servers", "ss -lnup "),
])
def test_a_forwarder_of_the_hosts_own(
    bench: Bench, stub: str, active: str, servers: tuple[str, ...], grade: Grade, symptom: str, mend: str
) -> None:
    """It must run, know servers, and be mended where it takes them from."""
    resolver = Resolver(servers=servers, search=("obs.example.net",), source="there", stub=stub)
    forwarder = (unit("systemd-resolved", active=active),) if active else None
    found = bench.findings(changed(resolver=resolver, forwarder=forwarder))["system.resolver", "servers"]
    assert (found.grade, found.symptom) == (grade, symptom)
    assert bool(mend) == any(line.startswith(mend) for line in found.fix if mend)


def test_a_resolved_that_never_came_up_has_no_servers_to_read(bench: Bench) -> None:
    """Then there is no file of its servers, and asking it for them would start it."""
    resolver = Resolver(servers=None, search=("obs.example.net",), source="there", stub="127.0.0.53")
    found = bench.findings(changed(resolver=resolver, forwarder=(unit("systemd-resolved", active="failed"),)))
    assert found["system.resolver", "servers"].symptom == "no-forwarder"


@pytest.mark.parametrize(("load", "told"), [("loaded", True), ("not-found", False)])
def test_a_dnsmasq_that_does_not_run_is_told_and_no_more(bench: Bench, load: str, told: bool) -> None:
    """Another program may forward in its place, which nobody was asked about."""
    resolver = Resolver(servers=None, search=("obs.example.net",), source="there", stub="127.0.0.1")
    found = bench.findings(changed(resolver=resolver, forwarder=(unit("dnsmasq", load=load, active="failed"),)))
    servers = found["system.resolver", "servers"]
    assert (servers.grade, servers.symptom) == (Grade.UNPROVEN, "unread")
    assert ("dnsmasq.service does not run (failed)" in servers.message) is told
    assert servers.fix[0].startswith("ss -lnup ")


@pytest.mark.parametrize(("writer", "line"), [
    ("This is /run/systemd/resolve/resolv.conf managed by man:systemd-resolved(8).", "systemctl restart systemd-resolved"),
    ("Generated by NetworkManager", "nameserver 192.0.2.53"),
])
def test_name_servers_are_set_where_their_file_is_written(bench: Bench, writer: str, line: str) -> None:
    """The file's own words are told in the sentence, and are no part of a line to type."""
    resolver = Resolver(servers=("198.51.100.53",), search=("obs.example.net",), source="/etc/resolv.conf", writer=writer)
    found = bench.findings(changed(resolver=resolver))["system.resolver", "servers"]
    assert line in found.fix
    assert f'  Its /etc/resolv.conf begins "{writer[:60]}' in found.message
    assert not any(writer in said for said in found.fix)


def test_a_name_that_is_not_found_is_not_found_by_another_one(bench: Bench) -> None:
    """What is tried after getent, hostname -i, looks up what the host calls itself, such as the short name in /etc/hosts."""
    answers = tuple(CommandAnswer(topic="look-up of its own name", command=command, at=AT, elapsed_seconds=0.01, status=status)
                    for command, status in (("getent ahosts dome-a.obs.example.net", 2), ("hostname -i", 0)))
    found = bench.findings(said(SOUND, commands=answers))["system.name", "look-up"]
    assert (found.grade, found.symptom) == (Grade.FAIL, "not-found")


@pytest.mark.parametrize(("count", "grade"), [(2, Grade.FAIL), (3, Grade.PASS), (4, Grade.PASS)])
def test_only_three_servers_are_ever_asked(bench: Bench, count: int, grade: Grade) -> None:
    """resolv.conf(5), MAXNS: of four planned ones, the fourth may be left out."""
    planned = tuple(Endpoint(f"192.0.2.{last}", 53, f"192.0.2.{last}") for last in (53, 54, 55, 56))
    resolver = Resolver(servers=tuple(server.host for server in planned[:count]), search=("obs.example.net",), source="there")
    assert bench.findings(changed(resolver=resolver), name_servers=planned)["system.resolver", "servers"].grade is grade


@pytest.mark.parametrize(("search", "grade"), [
    (("obs.example.net",), Grade.PASS), (("OBS.example.net",), Grade.PASS), ((), Grade.FAIL), (("example.net",), Grade.FAIL),
    (("obs.example.net", "example.net"), Grade.CAUTION), (("example.net", "obs.example.net"), Grade.CAUTION),
])
def test_the_suffix_of_short_names(bench: Bench, search: tuple[str, ...], grade: Grade) -> None:
    resolver = Resolver(servers=("192.0.2.53", "192.0.2.54"), search=search, source="there")
    assert bench.findings(changed(resolver=resolver))["system.resolver", "search"].grade is grade


@pytest.mark.parametrize(("subject", "fields", "grade"), [
    ("host name", {"host_name": "DOME-A"}, Grade.PASS), ("host name", {"host_name": "dome-a.obs.example.net"}, Grade.PASS),
    ("host name", {"host_name": "dome-b"}, Grade.FAIL), ("host name", {"host_name": "localhost"}, Grade.FAIL),
    ("host name", {"host_name": ""}, Grade.UNPROVEN),
    ("full name", {"full_name": "dome-a"}, Grade.CAUTION), ("full name", {"full_name": "dome-a.example.net"}, Grade.FAIL),
    ("full name", {"full_name": ""}, Grade.UNPROVEN),
    ("look-up", {"name_addresses": ("127.0.1.1",)}, Grade.FAIL),
    ("look-up", {"name_addresses": ("::1", "192.0.2.11")}, Grade.FAIL),
    ("look-up", {"name_addresses": ("192.0.2.12",)}, Grade.FAIL), ("look-up", {"name_addresses": None}, Grade.UNPROVEN),
])
def test_its_own_name(bench: Bench, subject: str, fields: dict[str, Any], grade: Grade) -> None:
    assert bench.findings(changed(**fields))["system.name", subject].grade is grade


@pytest.mark.parametrize(("units", "grade", "symptom"), [
    ((unit("chrony"),), Grade.PASS, ""),
    # One unit under two names is one service.
    ((unit("chrony"), unit("chrony", asked="chronyd")), Grade.PASS, ""),
    ((unit("chrony"), unit("systemd-timesyncd")), Grade.FAIL, "several"),
    ((unit("chrony"), unit("systemd-timesyncd", active="inactive")), Grade.PASS, ""),
    ((unit("chrony", active="inactive"),), Grade.FAIL, "stopped"),
    ((unit("chrony", active="failed"),), Grade.FAIL, "stopped"),
    ((unit("chrony", enabled="disabled"),), Grade.CAUTION, "not-at-boot"),
    ((unit("chrony", load="not-found", active="inactive"),), Grade.FAIL, "none"),
    ((unit("chrony", load="masked", active="inactive", enabled="masked"),), Grade.FAIL, "none"),
    ((unit("chrony", active="activating"),), Grade.UNPROVEN, "starting"),
    ((msgspec.structs.replace(unit("chrony", active="activating"), sub="auto-restart"),), Grade.FAIL, "stopped"),
    ((unit("chrony", enabled="enabled-runtime"),), Grade.UNPROVEN, "boot-unknown"),
    ((unit("chrony", enabled="bad"),), Grade.UNPROVEN, "boot-unknown"),
    (None, Grade.UNPROVEN, "unread"),
])
def test_one_time_service(bench: Bench, units: tuple[Unit, ...] | None, grade: Grade, symptom: str) -> None:
    found = bench.findings(changed(time_units=units))["system.clock", "service"]
    assert (found.grade, found.symptom) == (grade, symptom)


def sources(*addresses: str, selected: str = "", reachable: bool = True) -> tuple[TimeSource, ...]:
    return tuple(TimeSource(address=address, selected=address == selected, reachable=reachable) for address in addresses)


FOUR = tuple(f"192.0.2.{last}" for last in (61, 62, 63, 64))


@pytest.mark.parametrize(("asked", "grade", "symptom"), [
    (FOUR, Grade.PASS, ""), (FOUR[::-1], Grade.PASS, ""), (FOUR[:3], Grade.FAIL, "missing"), ((), Grade.FAIL, "no-source"),
    ((*FOUR, "198.51.100.123"), Grade.CAUTION, "others"), (("198.51.100.123",), Grade.FAIL, "missing"),
])
def test_the_planned_sources(bench: Bench, asked: tuple[str, ...], grade: Grade, symptom: str) -> None:
    found = bench.findings(changed(time_sources=sources(*asked)))["system.clock", "sources"]
    assert (found.grade, found.symptom) == (grade, symptom)


def test_sources_by_name_that_the_host_does_not_find_are_no_missing_lines(bench: Bench) -> None:
    """The lines are there: what is wrong is the host's look-up."""
    found = bench.findings(changed(time_sources=sources("", "", selected="none", reachable=False), uptime_seconds=9e4))
    asks, follows = found["system.clock", "sources"], found["system.clock", "selected"]
    assert (asks.grade, asks.symptom, asks.found) == (Grade.FAIL, "no-address", "2 by name for which it found no address")
    assert asks.fix[1].startswith("getent ahosts NAME")
    assert "it has sources by name only, and no address for any" in follows.message


@pytest.mark.parametrize(("running", "line"), [("chrony", "chronyc -N "), ("ntpsec", "ntpq -wpn ")])
def test_where_to_see_a_name_that_is_not_found(bench: Bench, running: str, line: str) -> None:
    facts = changed(time_units=(unit(running),), time_sources=sources("", selected="none", reachable=False))
    assert bench.findings(facts)["system.clock", "sources"].fix[0].startswith(line)


def test_a_server_that_has_no_address_is_not_barred(bench: Bench) -> None:
    """As of systemd-timesyncd, which names the one that it looks for; a reference clock has a name and needs no address."""
    facts = changed(time_sources=sources("tide.obs.example.net", "SHM(0)", selected="none", reachable=False))
    assert "it has found no address for tide.obs.example.net, so" in bench.findings(facts)["system.clock", "selected"].message


def test_some_sources_by_name_alone_are_told_beside_those_that_are_missing(bench: Bench) -> None:
    """A pool keeps places for more than it needs, so where nothing is missing they mean nothing."""
    three = sources(*FOUR[:3], "", selected="none")
    some = bench.findings(changed(time_sources=three))["system.clock", "sources"]
    assert (some.grade, some.symptom) == (Grade.FAIL, "missing")
    assert "and has 1 by name for which it found no address" in some.message
    assert some.fix[1].startswith("getent ahosts NAME")
    four = sources(*FOUR, "", selected="none")
    assert bench.findings(changed(time_sources=four))["system.clock", "sources"].grade is Grade.PASS


@pytest.mark.parametrize(("source", "line"), [
    (Endpoint("192.0.2.61", 123, "192.0.2.61"), "server 192.0.2.61 iburst"),
    (Endpoint("192.0.2.61", 1123, "192.0.2.61:1123"), "server 192.0.2.61 iburst port 1123"),
    (Endpoint("2001:db8::61", 1123, "[2001:db8::61]:1123"), "server 2001:db8::61 iburst port 1123"),
])
def test_the_lines_for_the_planned_sources_are_those_that_chrony_reads(bench: Bench, source: Endpoint, line: str) -> None:
    """chrony.conf(5): the port is an option after the address, and an address stands without brackets."""
    found = bench.findings(changed(time_sources=()), time_sources=(source,))["system.clock", "sources"]
    assert found.fix[1:] == (line, "systemctl restart chrony.service")


@pytest.mark.parametrize(("running", "lines", "look"), [
    ("systemd-timesyncd", ("NTP=192.0.2.61", "systemctl restart systemd-timesyncd.service"), "timedatectl timesync-status "),
    ("ntpsec", ("server 192.0.2.61 iburst", "systemctl restart ntpsec.service"), "ntpq -pn "),
    ("openntpd", ("server 192.0.2.61", "systemctl restart openntpd.service"), "ntpctl -s all "),
])
def test_the_mends_of_a_clock_are_those_of_the_service_that_runs(
    bench: Bench, running: str, lines: tuple[str, ...], look: str
) -> None:
    """What chronyc shows and the lines of chrony.conf mend no other service; none but chrony's settings has a port."""
    word = changed(time_units=(unit(running), unit("chrony", load="not-found", active="inactive")), time_sources=())
    found = bench.findings(word, time_sources=(Endpoint("192.0.2.61", 1123, "192.0.2.61:1123"),))
    assert found["system.clock", "sources"].fix[1:] == lines
    assert found["system.clock", "selected"].fix[0].startswith(look)


@pytest.mark.parametrize(("age", "poll", "grade", "symptom"), [
    (95, 32.0, Grade.PASS, ""), (96, 32.0, Grade.PASS, ""), (97, 32.0, Grade.UNPROVEN, "not-heard"),
    (3 * 2048, 2048.0, Grade.PASS, ""), (3 * 2048 + 1, 2048.0, Grade.UNPROVEN, "not-heard"), (9999, None, Grade.PASS, ""),
])
def test_a_source_that_was_not_heard_for_three_polls_is_not_followed(
    bench: Bench, age: int, poll: float | None, grade: Grade, symptom: str
) -> None:
    """systemd-timesyncd shows the last answer beside the server that it asks now, and may never have heard."""
    heard = (datetime.datetime.fromisoformat(AT) - datetime.timedelta(seconds=age)).strftime("%Y-%m-%dT%H:%M:%SZ")
    source = TimeSource(address="192.0.2.62", selected=True, reachable=True, heard_at=heard, poll_seconds=poll)
    found = bench.findings(changed(time_sources=(source,)))["system.clock", "selected"]
    assert (found.grade, found.symptom) == (grade, symptom)


@pytest.mark.parametrize(("name", "grade"), [("time2.obs.example.net", Grade.PASS), ("time9.obs.example.net", Grade.UNPROVEN)])
def test_a_source_planned_by_name_is_known_by_its_address(bench: Bench, name: str, grade: Grade) -> None:
    """By the one that the planned name servers gave the runner; without it, nothing is claimed."""
    planned = (Endpoint(name, 123, name),)
    found = bench.findings(changed(time_sources=sources("192.0.2.62")), time_sources=planned)
    assert found["system.clock", "sources"].grade is grade


@pytest.mark.parametrize(("source", "grade"), [
    (Endpoint("time9.obs.example.net", 1123, "time9.obs.example.net:1123"), Grade.UNPROVEN),
    (Endpoint("192.0.2.61", 1123, "192.0.2.61:1123"), Grade.FAIL), (Endpoint("2001:db8::61", 123, "2001:db8::61"), Grade.FAIL),
    (Endpoint("2001:db8::61", 1123, "[2001:db8::61]:1123"), Grade.FAIL),
])
def test_only_a_source_planned_by_name_may_be_any_address(bench: Bench, source: Endpoint, grade: Grade) -> None:
    """With a port behind it or without; an address that is not asked is not asked."""
    found = bench.findings(changed(time_sources=sources("192.0.2.62")), time_sources=(source,))
    assert found["system.clock", "sources"].grade is grade


@pytest.mark.parametrize(("uptime", "grade"), [
    (899.9, Grade.CAUTION), (900.0, Grade.FAIL), (900.1, Grade.FAIL), (None, Grade.FAIL),
])
def test_a_source_is_selected_a_quarter_of_an_hour_after_the_boot(bench: Bench, uptime: float | None, grade: Grade) -> None:
    found = bench.findings(changed(time_sources=sources(*FOUR, reachable=False), uptime_seconds=uptime))
    assert found["system.clock", "selected"].grade is grade
    assert "hears none" in found["system.clock", "selected"].message


@pytest.mark.parametrize(("runs", "grade", "words"), [
    (899.9, Grade.CAUTION, "after it was started"), (900.0, Grade.FAIL, "after the boot"), (-1.0, Grade.FAIL, "after the boot"),
    (None, Grade.FAIL, "after the boot"),
])
def test_a_source_is_selected_a_quarter_of_an_hour_after_the_service_was_started(
    bench: Bench, runs: float | None, grade: Grade, words: str
) -> None:
    """As after the mend of another fault; openntpd 1:6.2p3-4.2+b1 takes four minutes."""
    service = msgspec.structs.replace(unit("openntpd"), began_seconds=None if runs is None else 50_000.0 - runs)
    facts = changed(time_units=(service,), time_sources=sources(*FOUR, reachable=False), uptime_seconds=50_000.0)
    selected = bench.findings(facts)["system.clock", "selected"]
    assert selected.grade is grade
    assert words in selected.message


@pytest.mark.parametrize(("one", "grade", "symptom"), [
    (unit("ssh"), Grade.PASS, ""), (unit("ssh", enabled="static"), Grade.PASS, ""),
    (unit("ssh", active="failed"), Grade.FAIL, "failed"),
    (unit("ssh", active="inactive"), Grade.FAIL, "inactive"), (unit("ssh", enabled="disabled"), Grade.FAIL, "not-at-boot"),
    (unit("ssh", load="not-found", active="inactive"), Grade.FAIL, "not-installed"), (None, Grade.UNPROVEN, "unread"),
])
def test_a_planned_service(bench: Bench, one: Unit | None, grade: Grade, symptom: str) -> None:
    found = bench.findings(changed(units=(one,) if one else None))["system.service", "ssh"]
    assert (found.grade, found.symptom) == (grade, symptom)


def started(triggered: str = "", wanted: str = "", sub: str = "", **words: str) -> Unit:
    return msgspec.structs.replace(unit("ssh", **words), triggered_by=tuple(triggered.split()), wanted_by=tuple(wanted.split()),
                                   sub=sub)


LISTENS = Unit(asked="", name="ssh.socket", load="loaded", active="active", enabled="enabled", sub="listening")


@pytest.mark.parametrize(("one", "socket", "grade", "symptom"), [
    # A socket calls the service: nothing runs before the first caller, and nothing is enabled but the socket.
    (started("ssh.socket", active="inactive", enabled="disabled"), LISTENS, Grade.PASS, ""),
    (started("ssh.socket", enabled="disabled"), LISTENS, Grade.PASS, ""),
    (started("ssh.socket", active="failed", enabled="disabled"), LISTENS, Grade.FAIL, "failed"),
    (started("ssh.socket", enabled="disabled"), msgspec.structs.replace(LISTENS, enabled="disabled"), Grade.UNPROVEN,
     "boot-unknown"),
    (started("ssh.socket", active="inactive", enabled="disabled"), msgspec.structs.replace(LISTENS, active="inactive"),
     Grade.UNPROVEN, "triggered"),
    # A socket of its name that does not start it is none of its own.
    (started(enabled="disabled"), LISTENS, Grade.FAIL, "not-at-boot"),
    (started(active="inactive"), LISTENS, Grade.FAIL, "inactive"),
    (started("ssh.timer", active="inactive", enabled="static"), None, Grade.UNPROVEN, "triggered"),
    # Nobody enables a static unit; it starts where another wants it, and not because it runs now.
    (started(enabled="static"), None, Grade.UNPROVEN, "boot-unknown"),
    (started(wanted="multi-user.target", enabled="static"), None, Grade.PASS, ""),
    (started(enabled="generated"), None, Grade.UNPROVEN, "boot-unknown"),
    (started(enabled="indirect"), None, Grade.UNPROVEN, "boot-unknown"),
    (started(wanted="tide.service", enabled="disabled"), None, Grade.UNPROVEN, "boot-unknown"),
    (started(wanted="multi-user.target", enabled="enabled-runtime"), None, Grade.UNPROVEN, "boot-unknown"),
    (started(enabled="transient"), None, Grade.FAIL, "not-at-boot"),
    (started(enabled="bad"), None, Grade.UNPROVEN, "boot-unknown"), (started(enabled=""), None, Grade.UNPROVEN, "boot-unknown"),
    (started(active="activating", sub="start"), None, Grade.UNPROVEN, "starting"),
    (started(active="activating", sub="auto-restart"), None, Grade.FAIL, "falls-over"),
    (started(active="refreshing"), None, Grade.UNPROVEN, "starting"),
    (started(load="masked", active="inactive", enabled="masked"), None, Grade.FAIL, "masked"),
])
def test_how_a_planned_service_comes_to_run(bench: Bench, one: Unit, socket: Unit | None, grade: Grade, symptom: str) -> None:
    """The states are those that systemd 252.39-1~deb12u2 shows, but refreshing, which stands for a word of the future."""
    found = bench.findings(changed(units=(one,), sockets=(socket,) if socket else ()))["system.service", "ssh"]
    assert (found.grade, found.symptom) == (grade, symptom)
    if symptom == "masked":
        assert found.fix[0] == "systemctl unmask ssh.service"


@pytest.mark.parametrize(("failed", "grade"), [
    ((), Grade.PASS), (("tide.mount",), Grade.CAUTION), (("ssh.service",), Grade.PASS), (None, Grade.UNPROVEN),
])
def test_units_that_failed_without_being_planned(bench: Bench, failed: tuple[str, ...] | None, grade: Grade) -> None:
    """A planned one that failed has a finding of its own."""
    assert bench.findings(changed(failed_units=failed))["system.service", "failed units"].grade is grade


@pytest.mark.parametrize(("fields", "output", "status", "cut", "grade"), [
    ({"expect": "6.1.0"}, "6.1.0\n", 0, False, Grade.PASS), ({"expect": "6.1.0"}, "6.1.0-x\n", 0, False, Grade.FAIL),
    ({"expect": ""}, "\n", 0, False, Grade.PASS), ({"matches": "^6[.]"}, "one\n6.1\n", 0, False, Grade.PASS),
    ({"matches": "^6[.]"}, "16.1\n", 0, False, Grade.FAIL), ({"matches": "^$"}, "", 0, False, Grade.PASS),
    ({"matches": "x"}, "y" * 100, 0, True, Grade.UNPROVEN), ({"matches": "y"}, "y" * 100, 0, True, Grade.PASS),
    ({"expect": "6.1.0"}, "", 127, False, Grade.FAIL), (None, "", None, False, Grade.UNPROVEN),
])
def test_a_question_of_the_sites_own(
    bench: Bench, fields: dict[str, str] | None, output: str, status: int | None, cut: bool, grade: Grade
) -> None:
    """The whole output, or a line of it; what was not read is not judged."""
    question = OwnQuestion(name="kernel", command="uname -r", **(fields or {"expect": "x"}))
    answer = CommandAnswer(topic="question kernel", command="uname -r", at=AT, elapsed_seconds=0.1, status=status, output=output,
                           cut=cut)
    word = said(commands=(answer,) if fields is not None else ())
    found = bench.findings(word, questions=(question,))["system.question", "kernel"]
    assert found.grade is grade
    if grade is Grade.FAIL:
        # On a terminal and on a ticket only the message and the mend are seen.
        assert f'printed "{output.strip()}"' in found.message
        assert found.message.endswith(f"; the plan expects {found.planned}.")


def test_a_question_is_put_to_the_hosts_it_is_meant_for(bench: Bench) -> None:
    questions = (OwnQuestion(name="one", command="x", expect="", host="dome-b"),
                 OwnQuestion(name="two", command="x", expect="", role="other"),
                 OwnQuestion(name="three", command="x", expect="", host="dome-*"))
    assert [subject for check, subject in bench.findings(said(), questions=questions) if check == "system.question"] == ["three"]


# --- no login

KEY = SshHostKey(key_type="ssh-ed25519", bits=256, fingerprint="SHA256:tide", blob=b"\0\0\0\x0bssh-ed25519tide")


def ended(phase: str, kind: FailureKind, standing: str = "known", detail: str = "no") -> SystemEvidence:
    failure = Failure(kind=kind, phase=phase, elapsed_seconds=1.0, detail=detail)
    return said(HostFacts(), failure=failure, commands=(), key_standing=standing, host_key=KEY)


@pytest.mark.parametrize(("word", "grade", "symptom"), [
    (None, Grade.UNPROVEN, ""),
    (ended("connect", FailureKind.REFUSED), Grade.UNPROVEN, "no-login"),
    (ended("key exchange", FailureKind.NO_ANSWER), Grade.UNPROVEN, "late"),
    (ended("host key", FailureKind.MISMATCHED, "unknown"), Grade.FAIL, "unknown-host-key"),
    (ended("host key", FailureKind.MISMATCHED, "changed"), Grade.FAIL, "changed-host-key"),
    (ended("host key", FailureKind.MISMATCHED, "revoked"), Grade.FAIL, "revoked-host-key"),
    (ended("key", FailureKind.OTHER), Grade.UNPROVEN, "no-login"),
    (ended("login", FailureKind.REFUSED), Grade.FAIL, "no-login"),
    (ended("login", FailureKind.NO_ANSWER), Grade.UNPROVEN, "late"),
    (ended("login", FailureKind.CLOSED), Grade.UNPROVEN, "no-login"),
    (ended("shell", FailureKind.MALFORMED), Grade.FAIL, "no-login"),
    (ended("shell", FailureKind.NO_ANSWER), Grade.UNPROVEN, "late"),
])
def test_a_login_that_did_not_work(bench: Bench, word: SystemEvidence | None, grade: Grade, symptom: str) -> None:
    """It is one finding; everything else waits on it, and nothing passes."""
    found = bench.findings(word, questions=(OwnQuestion(name="kernel", command="x", expect=""),))
    login = found.pop(("system.login", "22/tcp"))
    assert (login.grade, login.symptom) == (grade, symptom)
    assert {finding.grade for finding in found.values()} == {Grade.UNPROVEN}
    assert {finding.because for finding in found.values()} == {(login.ref,)}
    assert {check for check, _ in found} == set(catalogue.matching("system.*")) - {"system.login", "system.shared-identity"}


def test_a_stranger_is_named_with_the_line_to_add_and_how_to_compare_first(bench: Bench) -> None:
    login = bench.findings(ended("host key", FailureKind.MISMATCHED, "unknown"))["system.login", "22/tcp"]
    assert login.fix[0].endswith("it must print SHA256:tide:")
    assert login.fix[1] == "ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub"
    assert login.fix[-1] == "dome-a.obs.example.net ssh-ed25519 AAAAC3NzaC1lZDI1NTE5dGlkZQ=="


@pytest.mark.parametrize(("held", "removed"), [
    ("192.0.2.11", ["192.0.2.11"]), ("dome-a.obs.example.net,192.0.2.11", ["dome-a.obs.example.net", "192.0.2.11"]),
    ("dome-a", ["dome-a"]), ("dome-z", ["dome-a.obs.example.net"]),
])
def test_a_changed_key_is_removed_under_every_name_that_the_file_has_it_by(bench: Bench, held: str, removed: list[str]) -> None:
    """An old key that stays under the address would stop the next login as this one did."""
    access = msgspec.structs.replace(ACCESS, known_hosts_text=f"{held} ssh-ed25519 AAAAC3NzaC1lZDI1NTE5b2xk\n")
    login = bench.findings(ended("host key", FailureKind.MISMATCHED, "changed"), access=access)["system.login", "22/tcp"]
    assert [line.rpartition(" -R ")[2] for line in login.fix if " -R " in line] == removed


@pytest.mark.parametrize("standing", ["unknown", "changed"])
@pytest.mark.parametrize(("held", "symptom"), [
    ("dome-b.obs.example.net", "another-hosts-key"), ("dome-z.obs.example.net", ""), ("@revoked dome-b.obs.example.net", ""),
])
def test_the_key_of_another_planned_host_is_never_to_be_added_here(
    bench: Bench, standing: str, held: str, symptom: str
) -> None:
    """Exchanged addresses look so; a line for the known-hosts file would make the mistake last."""
    known = f"{held} ssh-ed25519 AAAAC3NzaC1lZDI1NTE5dGlkZQ==\ndome-a ssh-ed25519 AAAAC3NzaC1lZDI1NTE5b2xk\n"
    access = msgspec.structs.replace(ACCESS, known_hosts_text=known)
    login = bench.findings(ended("host key", FailureKind.MISMATCHED, standing), access=access)["system.login", "22/tcp"]
    assert (login.grade, login.symptom) == (Grade.FAIL, symptom or f"{standing}-host-key")
    assert any("AAAAC3" in line for line in login.fix) is not bool(symptom)
    if symptom:
        assert "that known_hosts has for dome-b.obs.example.net" in login.message
        assert login.fix[0].endswith("and dome-b.obs.example.net: which of them has 192.0.2.11?")


def test_a_plan_without_usable_files_is_the_cause(bench: Bench) -> None:
    """What lint said of the files explains that nobody logged in."""
    broken = msgspec.structs.replace(ACCESS, known_hosts_fault="does not exist", key_fault="does not exist")
    unknown = bench.findings(ended("host key", FailureKind.MISMATCHED, "unknown"), access=broken)["system.login", "22/tcp"]
    assert (unknown.grade, unknown.because) == (Grade.UNPROVEN, ("site|plan.access|known hosts",))
    keyless = bench.findings(ended("key", FailureKind.OTHER), access=broken)["system.login", "22/tcp"]
    assert (keyless.grade, keyless.because) == (Grade.UNPROVEN, ("site|plan.access|key",))


def test_a_visit_that_ended_early_keeps_what_was_said(bench: Bench) -> None:
    failure = Failure(kind=FailureKind.CLOSED, phase="commands", elapsed_seconds=1.0, detail="the host hung up")
    word = said(HostFacts(routes_4=(DEFAULT,)), failure=failure, commands=())
    found = bench.findings(word)
    assert found["system.route", "IPv4"].grade is Grade.PASS
    assert found["system.login", "22/tcp"].grade is Grade.PASS
    assert found["system.mtu", "interface"].grade is Grade.UNPROVEN
    assert "hung up" in found["system.mtu", "interface"].message


@pytest.mark.parametrize(("phase", "awaited"), [
    ("connect", "the connection"), ("key exchange", "the key exchange"), ("login", "the login"), ("shell", "the first command")])
def test_a_login_that_got_no_answer_says_which_and_after_how_long(bench: Bench, phase: str, awaited: str) -> None:
    """With what to look at on the host, and the option that gives it more time, also where only what would prove it is told."""
    login = bench.findings(ended(phase, FailureKind.NO_ANSWER))["system.login", "22/tcp"]
    assert f"{awaited} got no answer in 1 s" in login.message
    assert ("typed" in login.message) is (phase == "shell")
    assert login.fix[0].startswith("uptime; ")
    assert login.fix[1] == "# or verify again with a longer --timeout (of await: --question-timeout)"
    assert system.would_prove(login) == (
        f"more than 1 s for {awaited}: --timeout (of await --question-timeout), or less load there")
    hung_up = bench.findings(ended(phase, FailureKind.CLOSED))["system.login", "22/tcp"]
    assert system.would_prove(hung_up) == ""


def test_commands_that_do_not_end_are_told_once(bench: Bench) -> None:
    """The login worked, so it is a caution; what was not answered for that reason waits for it, and nothing else does."""
    late = Failure(kind=FailureKind.NO_ANSWER, phase="command", elapsed_seconds=6.04, detail="the command did not end in time")
    tried = (CommandAnswer(topic="addresses", command="ip -o addr", at=AT, elapsed_seconds=0.1, status=127),
             CommandAnswer(topic="routes over IPv4", command="ip -4 route show", at=AT, elapsed_seconds=6.04, failure=late),
             CommandAnswer(topic="resolver", command="cat /etc/resolv.conf", at=AT, elapsed_seconds=6.04, failure=late))
    early = Failure(kind=FailureKind.NO_ANSWER, phase="commands", elapsed_seconds=13.0, detail="2 commands did not end in time")
    found = bench.findings(said(HostFacts(), failure=early, commands=tried),
                           questions=(OwnQuestion(name="kernel", command="x", expect=""),))
    login = found.pop(("system.login", "22/tcp"))
    assert (login.grade, login.symptom) == (Grade.CAUTION, "late")
    assert '"ip -4 route show" did not end in 6 s and "cat /etc/resolv.conf" did not end in 6 s, and the rest' in login.message
    assert login.fix[0].startswith("uptime; ")
    assert {subject for subject, finding in found.items() if finding.because != (login.ref,)} == {("system.address", "addresses")}
    assert '"ip -4 route show" did not end in 6 s' in found["system.route", "IPv4"].message


def test_a_visit_that_took_too_long_says_so(bench: Bench) -> None:
    """Each command ended, but slowly."""
    early = Failure(kind=FailureKind.NO_ANSWER, phase="commands", elapsed_seconds=60.0,
                    detail="the whole visit took longer than 60 s")
    login = bench.findings(said(HostFacts(), failure=early, commands=()))["system.login", "22/tcp"]
    assert (login.grade, login.found) == (Grade.CAUTION, "let in; the whole visit took longer than 60 s")


def test_one_command_that_does_not_end_is_its_own_matter(bench: Bench) -> None:
    """The rest was asked and answered."""
    late = Failure(kind=FailureKind.NO_ANSWER, phase="command", elapsed_seconds=6.0, detail="the command did not end in time")
    tried = (CommandAnswer(topic="routes over IPv4", command="ip -4 route show", at=AT, elapsed_seconds=6.0, failure=late),)
    found = bench.findings(said(HostFacts(), commands=tried))
    assert found["system.login", "22/tcp"].grade is Grade.PASS
    assert (found["system.route", "IPv4"].grade, found["system.route", "IPv4"].because) == (Grade.UNPROVEN, ())


def test_what_could_not_be_read_names_the_commands_that_were_tried(bench: Bench) -> None:
    tried = (CommandAnswer(topic="services", command="systemctl show ssh", at=AT, elapsed_seconds=0.1, status=127),
             CommandAnswer(topic="services", command="other", at=AT, elapsed_seconds=0.1, status=1, errors="no bus\n"),
             CommandAnswer(topic="services", command="third", at=AT, elapsed_seconds=0.1, status=0, output="?"))
    message = bench.findings(said(HostFacts(), commands=tried))["system.service", "ssh"].message
    assert message.endswith('"systemctl show ssh" is not there or may not be run; "other" ended with exit status 1 (no bus); '
                            '"third" printed what cannot be read ("?").')


@pytest.mark.parametrize(("fields", "words"), [
    ({"status": 0}, "printed nothing that can be read"), ({"status": 0, "output": "\n"}, "printed nothing that can be read"),
    ({"status": 0, "output": "Welcome\n to the tide"}, 'printed what cannot be read ("Welcome to the tide")'),
    ({"output": "x" * 9000, "cut": True}, "printed more than is read"), ({"output": "x"}, "ended without an exit status"),
])
def test_what_was_seen_of_an_answer_that_could_not_be_read(bench: Bench, fields: dict[str, Any], words: str) -> None:
    answer = CommandAnswer(**{"topic": "services", "command": "third", "at": AT, "elapsed_seconds": 0, "status": None, **fields})
    message = bench.findings(said(HostFacts(), commands=(answer,)))["system.service", "ssh"].message
    assert message.endswith(f'"third" {words}.')


# --- the way out, by the host's own word


@pytest.mark.parametrize(("fields", "grade", "symptom"), [
    ({}, Grade.PASS, ""),
    ({"neighbours": ()}, Grade.PASS, ""),
    ({"neighbours": None}, Grade.PASS, ""),
    ({"neighbours": (Neighbour(address=GATEWAY, state="FAILED"),)}, Grade.FAIL, "no-neighbour"),
    ({"neighbours": (Neighbour(address=GATEWAY, state="INCOMPLETE"),)}, Grade.FAIL, "no-neighbour"),
    ({"neighbours": (Neighbour(address="192.0.2.9", state="FAILED"),)}, Grade.PASS, ""),
    ({"routes_4": ()}, Grade.UNPROVEN, "other-route"), ({"routes_4": (SECOND,)}, Grade.UNPROVEN, "other-route"),
    ({"routes_4": (DEFAULT, SECOND)}, Grade.UNPROVEN, "other-route"),
    ({"routes_4": (DEFAULT, msgspec.structs.replace(SECOND, metric=9))}, Grade.PASS, ""),
])
def test_the_way_out_by_the_hosts_own_tables(bench: Bench, fields: dict[str, Any], grade: Grade, symptom: str) -> None:
    """Proven even from a runner on the same wire, which by itself could prove nothing."""
    found = bench.return_path(changed(**fields))
    assert (found.grade, found.symptom, found.vantage) == (grade, symptom, "dome-a.obs.example.net itself over SSH")


@pytest.mark.parametrize("word", [None, changed(routes_4=None), ended("login", FailureKind.REFUSED)])
def test_without_the_hosts_word_the_way_out_is_seen_from_the_runner(bench: Bench, word: SystemEvidence | None) -> None:
    found = bench.return_path(word)
    assert found.vantage == "runner-1"
    assert found.grade is Grade.UNPROVEN


def test_a_wrong_route_explains_that_the_way_out_is_not_proven(bench: Bench) -> None:
    assert "system.route" in catalogue.find("gateway.return-path").needs


# --- twins


def twins(bench: Bench, second: HostFacts, address: str = "192.0.2.12", **overrides: Any) -> dict[tuple[str, str], Finding]:
    case = bench.case(("dome-a", said()), ("dome-b", said(second, address=address)), **overrides)
    found = system.grade_fleet(case)
    return {(finding.ref.partition(".")[0], finding.subject): finding for finding in found}


OTHER = msgspec.structs.replace(
    SOUND, boot_id="c" * 32, machine_id="d" * 32, links=(Link(interface="eth0", mtu=1500, mac="00:00:5e:00:53:12"),),
    addresses=(msgspec.structs.replace(OWN, address="192.0.2.12"),))


@pytest.mark.parametrize(("fields", "kind"), [
    ({"boot_id": "a" * 32}, "boot id"), ({"machine_id": "b" * 32}, "machine id"),
    ({"links": (Link(interface="eth0", mac="00:00:5e:00:53:11"),)}, "hardware address"),
])
def test_two_hosts_with_one_identity(bench: Bench, fields: dict[str, Any], kind: str) -> None:
    """Both are told, and the other two identities pass."""
    found = twins(bench, msgspec.structs.replace(OTHER, **fields))
    assert len(found) == 6
    assert {key for key, finding in found.items() if finding.grade is Grade.FAIL} == {("dome-a", kind), ("dome-b", kind)}
    assert "dome-b.obs.example.net" in found["dome-a", kind].message
    assert found["dome-a", kind].fix


@pytest.mark.parametrize(("network", "carried", "symptom"), [
    ("storage", ("192.0.2.11", "203.0.113.12"), "one-machine"), ("storage", ("203.0.113.12",), "shared"),
    ("mgmt", ("192.0.2.11", "203.0.113.12"), "shared"),
])
def test_two_rows_of_one_machine_are_the_plans_to_mend(
    bench: Bench, make_plan: Callable[..., Plan], network: str, carried: tuple[str, ...], symptom: str
) -> None:
    """Both carry the addresses of each, in two networks: nothing was copied, and nothing is to be taken away from it."""
    plan = make_plan()
    storage = msgspec.structs.replace(plan.networks[0], name="storage", subnet="203.0.113.0/24", gateway=None)
    rows = (plan.hosts[0], msgspec.structs.replace(plan.hosts[1], addresses=("203.0.113.12",), network=network))
    addresses = tuple(msgspec.structs.replace(OWN, address=address) for address in carried)
    one = said(msgspec.structs.replace(SOUND, addresses=(OWN, msgspec.structs.replace(OWN, address="203.0.113.12"))))
    two = said(msgspec.structs.replace(OTHER, boot_id=SOUND.boot_id, addresses=addresses), address="203.0.113.12")
    case = bench.case(("dome-a", one), ("dome-b", two), networks=(*plan.networks, storage), hosts=rows)
    found = {(each.ref.partition(".")[0], each.subject): each for each in system.grade_fleet(case)}
    assert [found[host, "boot id"].symptom for host in ("dome-a", "dome-b")] == [symptom, symptom]
    assert any("access = false" in line for line in found["dome-a", "boot id"].fix) is (symptom == "one-machine")


def test_a_site_made_from_one_image_is_told_in_few_words(bench: Bench, make_plan: Callable[..., Plan]) -> None:
    """Each host has the others' machine id: some are named, and the rest counted, or a report would hold every pair."""
    first = make_plan().hosts[0]
    rows = tuple(msgspec.structs.replace(first, name=f"dome-{number}", fqdn=f"dome-{number}.obs.example.net",
                                         addresses=(f"192.0.2.{number}",)) for number in range(20, 120))
    case = bench.case(*((row.name, said(msgspec.structs.replace(SOUND, boot_id=row.name), address=row.addresses[0]))
                        for row in rows), hosts=rows)
    found = [one for one in system.grade_fleet(case) if one.subject == "machine id"]
    assert {one.grade for one in found} == {Grade.FAIL}
    assert len(found) == 100
    assert max(len(one.found) for one in found) < 300
    assert "dome-20.obs.example.net" in found[-1].message
    assert "more" in found[-1].message


def test_hosts_of_their_own_pass_and_one_alone_is_not_compared(bench: Bench) -> None:
    assert {finding.grade for finding in twins(bench, OTHER).values()} == {Grade.PASS}
    assert system.grade_fleet(bench.case(("dome-a", said()))) == []
    assert system.grade_fleet(bench.case(("dome-a", said()), ("dome-b", None))) == []
    assert twins(bench, OTHER, access=None) == {}


def test_an_identity_that_was_not_read_is_not_compared(bench: Bench) -> None:
    found = twins(bench, msgspec.structs.replace(OTHER, machine_id=""))
    assert {found[host, "machine id"].grade for host in ("dome-a", "dome-b")} == {Grade.UNPROVEN}


def test_one_machine_planned_twice_is_no_twin(bench: Bench) -> None:
    """Two entries for one address are the plan's mistake, which plan.duplicate tells."""
    assert not [one for one in twins(bench, SOUND, address="192.0.2.11").values() if one.grade is Grade.FAIL]


def test_hardware_addresses_of_bridges_inside_are_not_compared(bench: Bench) -> None:
    """They are made up by rule and the same on many hosts."""
    bridge = Link(interface="br0", mac="00:00:5e:00:53:99")
    case = bench.case(("dome-a", changed(links=(*(SOUND.links or ()), bridge))),
                      ("dome-b", said(msgspec.structs.replace(OTHER, links=(*(OTHER.links or ()), bridge)),
                                      address="192.0.2.12")))
    assert {finding.grade for finding in system.grade_fleet(case)} == {Grade.PASS}


# --- any evidence at all

_TEXT = st.sampled_from(["", "dome-a", "192.0.2.1", "192.0.2.11", "::1", "fe80::1", "<b>", "default"])
_ADDRESS = st.sampled_from(["192.0.2.1", "192.0.2.11", "::1", "fe80::1", "2001:db8::1", "127.0.0.1"])
_FACTS = st.builds(
    HostFacts,
    routes_4=st.none() | st.lists(st.builds(Route, destination=st.just("default"), gateway=st.just("") | _ADDRESS,
                                            metric=st.none() | st.integers(0, 9))).map(tuple),
    routes_6=st.none() | st.lists(st.builds(Route, destination=st.just("default"), gateway=st.just("") | _ADDRESS)).map(tuple),
    addresses=st.none() | st.lists(st.builds(InterfaceAddress, address=_ADDRESS, prefix_length=st.integers(0, 128),
                                             interface=_TEXT, dynamic=st.none() | st.booleans())).map(tuple),
    links=st.none() | st.lists(st.builds(Link, interface=_TEXT, mtu=st.none() | st.integers(), mac=_TEXT)).map(tuple),
    neighbours=st.none() | st.lists(st.builds(Neighbour, address=_ADDRESS, state=_TEXT)).map(tuple),
    resolver=st.none() | st.builds(Resolver, servers=st.none() | st.lists(_ADDRESS).map(tuple), search=st.lists(_TEXT).map(tuple),
                                   source=_TEXT, stub=_TEXT),
    host_name=_TEXT, full_name=_TEXT, name_addresses=st.none() | st.lists(_ADDRESS, min_size=1).map(tuple),
    uptime_seconds=st.none() | st.floats(0, 1e9), boot_id=_TEXT, machine_id=_TEXT,
    units=st.none() | st.lists(st.builds(Unit, asked=_TEXT, name=_TEXT, load=_TEXT, active=_TEXT, enabled=_TEXT)).map(tuple),
    failed_units=st.none() | st.lists(_TEXT).map(tuple),
    time_units=st.none() | st.lists(st.builds(Unit, asked=_TEXT, name=_TEXT, load=st.just("loaded"),
                                              active=st.just("active") | _TEXT, enabled=_TEXT)).map(tuple),
    time_sources=st.none() | st.lists(st.builds(TimeSource, address=_TEXT, selected=st.booleans())).map(tuple))


@given(facts=_FACTS)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_word_of_a_host_makes_the_graders_raise(bench: Bench, facts: HostFacts) -> None:
    """Every finding stands alone, and every fault has its mend."""
    bench.findings(said(facts))
    bench.return_path(said(facts))
    system.grade_fleet(bench.case(("dome-a", said(facts)), ("dome-b", said(facts))))




# --- the lines to type, where a host's own words are in them


@pytest.mark.parametrize("word", HOSTILE_WORDS)
def test_no_word_of_a_host_gets_out_of_a_line_to_type(bench: Bench, word: str, tmp_path: Path) -> None:
    """An interface may be called nearly anything, and what answers over SSH may print anything; root pastes the line."""
    stray = Route(destination="default", gateway="192.0.2.254", interface=word, metric=5)
    own = msgspec.structs.replace(OWN, interface=word)
    extra = InterfaceAddress(address="2001:db8::99", prefix_length=64, interface=word, dynamic=True)
    stopped = Unit(asked="ssh", name=word, load="loaded", active="failed", enabled="disabled")
    runs = msgspec.structs.replace(stopped, active="active")
    times = [Unit(asked="", name=f"{name}{word}", load="loaded", active="active", enabled="disabled")
             for name in ("chrony", "systemd-timesyncd", "ntp", "openntpd")]
    spoilt: list[dict[str, Any]] = [
        {"routes_4": (stray,)}, {"routes_4": (DEFAULT, stray)}, {"routes_6": (stray,)}, {"routes_4": (), "addresses": (own,)},
        {"addresses": (msgspec.structs.replace(own, prefix_length=16),)}, {"addresses": (OWN, extra)},
        {"routes_4": (msgspec.structs.replace(DEFAULT, interface=word),), "links": (Link(interface=word, carrier=False),)},
        {"addresses": (own,), "links": (Link(interface=word, mtu=9000),)},
        {"neighbours": (Neighbour(address=GATEWAY, interface=word, state="FAILED"),)},
        {"resolver": Resolver(servers=("127.0.0.53",), search=(), source="", stub="127.0.0.53", writer=word),
         "forwarder": (stopped,)},
        {"resolver": Resolver(servers=("192.0.2.99",), search=(word,), source="", writer=word)},
        {"host_name": word, "full_name": word}, {"failed_units": (word,)},
        *({"units": (unit,)} for unit in (stopped, runs, msgspec.structs.replace(stopped, load="masked"),
                                          msgspec.structs.replace(stopped, load="not-found"),
                                          msgspec.structs.replace(stopped, active="activating", sub="auto-restart"))),
        {"time_units": (stopped,)}, {"time_units": (runs, times[0])},
        {"time_units": (msgspec.structs.replace(stopped, load="masked"),)},
        *({"time_units": (unit,), "time_sources": sources("192.0.2.99")} for unit in times)]
    words = [changed(**facts) for facts in spoilt]
    found = [finding for said_ in words for finding in (*bench.findings(said_).values(), bench.return_path(said_))]
    told = [line for finding in found for line in finding.fix]
    assert sum(word in line or "'\"'\"'" in line for line in told) > 25
    assert escapes(told, tmp_path) == ""


def test_a_unit_whose_name_is_escaped_is_typed_as_it_is_called(bench: Bench) -> None:
    """systemd-escape(1) makes backslashes, which a shell takes away from a word that is not quoted."""
    name = "systemd-fsck@dev-disk-by\\x2dlabel-data.service"
    found = bench.findings(changed(failed_units=(name,)))["system.service", "failed units"]
    assert found.fix[0] == f"journalctl -b -u '{name}'"
