"""gateway.echo and gateway.return-path: what silence and answers prove from which side of the gateway."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import msgspec
import pytest

from shared.catalogue import limits_of
from shared.evidence import (
    EchoEvidence,
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    Owner,
    OwnersEvidence,
    PortEvidence,
    PortState,
    SiteEvidence,
    Vantage,
)
from shared.findings import SITE, Grade
from shared.plan import Host, Plan
from verify.grading.case import Case
from verify.grading.gateway import grade_host, grade_site

GATEWAY, HOST, FQDN = "192.0.2.1", "192.0.2.11", "dome-a.obs.example.net"
MakePlan = Callable[..., Plan]


def failure(kind: FailureKind, sender: str | None = None, phase: str = "answer") -> Failure:
    return Failure(kind=kind, phase=phase, elapsed_seconds=2.0, sender=sender)


def echo(address: str, *trips: float | None, why: Failure | None = None) -> EchoEvidence:
    return EchoEvidence(address=address, method="icmp-raw", at="", round_trips_seconds=trips, failure=why)


def mute(address: str, kind: FailureKind = FailureKind.NO_ANSWER, sender: str | None = None,
         phase: str = "answer") -> EchoEvidence:
    return echo(address, None, None, None, why=failure(kind, sender, phase))


def case_of(plan: Plan, *, gateways: tuple[EchoEvidence, ...] = (), on_link: dict[str, bool] | None = None,
            **seen: tuple[object, ...]) -> Case:
    host = HostEvidence(fqdn=FQDN, **seen)  # type: ignore[arg-type]
    return Case(plan=plan, limits=limits_of("production"), evidence=Evidence(
        vantage=Vantage(name="pier-1", on_link={} if on_link is None else on_link), started="", finished="", complete=True,
        site=SiteEvidence(gateways=gateways), hosts=(host,)))


def test_answering_gateway_passes(make_plan: MakePlan) -> None:
    """Loss and round trip, each a finding of the site."""
    findings = grade_site(case_of(make_plan(), gateways=(echo(GATEWAY, 0.001, 0.001, 0.001),)))
    assert [(finding.subject, finding.grade) for finding in findings] == [
        (GATEWAY, Grade.PASS), (f"{GATEWAY} round trip", Grade.PASS)]
    assert all(finding.ref.startswith(f"{SITE}|gateway.echo|") for finding in findings)


def test_gateway_shared_by_networks_is_one_finding(make_plan: MakePlan) -> None:
    """As it is asked once, it is judged once; a network without a gateway is not judged."""
    plan = make_plan()
    plan = msgspec.structs.replace(plan, networks=(
        plan.networks[0], msgspec.structs.replace(plan.networks[0], name="stage"),
        msgspec.structs.replace(plan.networks[0], name="island", gateway=None)))
    assert [finding.subject for finding in grade_site(case_of(plan, gateways=(mute(GATEWAY),)))] == [GATEWAY]


def test_a_silent_gateway_with_hosts_that_nobody_visited(make_plan: MakePlan) -> None:
    """As with --host: of those that were not visited nothing is known, and what is known is judged."""
    case = case_of(make_plan(), gateways=(mute(GATEWAY),), on_link={"mgmt": False})
    others = msgspec.structs.replace(case.evidence, hosts=(HostEvidence(fqdn=case.plan.hosts[1].fqdn),))
    (finding,) = grade_site(dataclasses.replace(case, evidence=others))
    assert finding.grade is Grade.FAIL


def test_a_link_local_gateway_is_unproven_and_says_why(make_plan: MakePlan) -> None:
    """On the runner's own wire the same address is another machine: its answer would be a pass for nothing."""
    plan = make_plan()
    plan = msgspec.structs.replace(plan, networks=(msgspec.structs.replace(plan.networks[0], gateway="fe80::1"),))
    (finding,) = grade_site(case_of(plan))
    assert (finding.grade, finding.subject) == (Grade.UNPROVEN, "fe80::1")
    assert "RFC 4007 section 6" in finding.message


@pytest.mark.parametrize(("seen", "grade", "symptom", "word"), [
    (mute(GATEWAY), Grade.FAIL, "silent", "on purpose"),
    (mute(GATEWAY, phase="neighbour"), Grade.FAIL, "silent", "hardware address"),
    (mute(GATEWAY, FailureKind.UNREACHABLE, "198.51.100.1"), Grade.FAIL, "silent", "198.51.100.1"),
    (mute(GATEWAY, FailureKind.PROHIBITED, "198.51.100.1"), Grade.UNPROVEN, "", "prohibited"),
    (mute(GATEWAY, FailureKind.NO_ROUTE), Grade.UNPROVEN, "", "no route"),
    (echo(GATEWAY, why=failure(FailureKind.NO_PRIVILEGE)), Grade.UNPROVEN, "", "does not allow"),
])
def test_gateway_that_does_not_answer(
    make_plan: MakePlan, seen: EchoEvidence, grade: Grade, symptom: str, word: str
) -> None:
    """Silence fails, with what is known of it; what could not be asked is unproven."""
    (finding,) = grade_site(case_of(make_plan(), gateways=(seen,)))
    assert (finding.grade, finding.symptom) == (grade, symptom)
    assert word in finding.message
    assert bool(finding.fix) is (grade is Grade.FAIL)


def test_gateway_that_was_not_asked_is_unproven(make_plan: MakePlan) -> None:
    """No evidence is no pass."""
    assert [finding.grade for finding in grade_site(case_of(make_plan()))] == [Grade.UNPROVEN]


@pytest.mark.parametrize(("on_link", "grade"), [({"mgmt": False}, Grade.CAUTION), ({"mgmt": True}, Grade.FAIL), ({}, Grade.FAIL)])
def test_silent_gateway_that_carried_an_answer_is_only_quiet(
    make_plan: MakePlan, on_link: dict[str, bool], grade: Grade
) -> None:
    """A host behind it that answered an off-link runner proves that it forwards; an on-link answer proves nothing of it."""
    case = case_of(make_plan(), gateways=(mute(GATEWAY),), on_link=on_link, echoes=(echo(HOST, 0.001),))
    (finding,) = grade_site(case)
    assert finding.grade is grade
    assert (FQDN in finding.message) is (grade is Grade.CAUTION)


def test_gateway_that_nobody_on_the_wire_owns_is_not_called_quiet(make_plan: MakePlan) -> None:
    """The failed search for its hardware address outweighs an answer that came another way."""
    nowhere = mute(GATEWAY, phase="neighbour")
    case = case_of(make_plan(), gateways=(nowhere,), on_link={"mgmt": False}, echoes=(echo(HOST, 0.001),))
    assert [finding.grade for finding in grade_site(case)] == [Grade.FAIL]


# --- gateway.return-path


OWN_MAC, ROUTER_MAC = "00:00:5e:00:53:0b", "00:00:5e:00:53:01"
RESET = PortEvidence(address=HOST, port="443/tcp", state=PortState.REFUSED, at="", elapsed_seconds=0.0, attempts=1,
                     failure=failure(FailureKind.REFUSED))
ALIVE, DEAD = {"echoes": (echo(HOST, 0.001),)}, {"echoes": (mute(HOST),)}
FORGEABLE = {"echoes": (mute(HOST),), "ports": (RESET,)}


@pytest.mark.parametrize(("on_link", "seen", "grade", "symptom", "word"), [
    ({"mgmt": False}, ALIVE, Grade.PASS, "", "way out works"),
    ({"mgmt": False}, DEAD, Grade.UNPROVEN, "silent", "answered nothing"),
    ({"mgmt": False}, FORGEABLE, Grade.UNPROVEN, "", "firewall"),
    ({"mgmt": False}, {}, Grade.UNPROVEN, "", "answered nothing"),
    ({"mgmt": True}, ALIVE, Grade.UNPROVEN, "", "same wire"),
    ({"mgmt": True}, DEAD, Grade.UNPROVEN, "", "same wire"),
    ({}, ALIVE, Grade.UNPROVEN, "", "could not tell"),
])
def test_return_path(
    make_plan: MakePlan, on_link: dict[str, bool], seen: dict[str, tuple[object, ...]], grade: Grade, symptom: str, word: str
) -> None:
    """Proven only by a sure answer to a runner that is known to stand outside the host's network."""
    case = case_of(make_plan(), on_link=on_link, **seen)
    (finding,) = grade_host(case, case.plan.hosts[0], case.evidence.hosts[0])
    assert (finding.grade, finding.symptom, finding.subject) == (grade, symptom, GATEWAY)
    assert word in finding.message


@pytest.mark.parametrize(("hop_limit", "grade", "symptom"), [
    (63, Grade.PASS, ""), (126, Grade.PASS, ""), (None, Grade.PASS, ""),
    (64, Grade.UNPROVEN, "no-hop"), (128, Grade.UNPROVEN, "no-hop"), (255, Grade.UNPROVEN, "no-hop"),
])
def test_an_answer_that_passed_no_router_left_no_network(
    make_plan: MakePlan, hop_limit: int | None, grade: Grade, symptom: str
) -> None:
    """The gateway that holds the host's address by mistake answers a runner outside as well, one hop too early."""
    seen = msgspec.structs.replace(echo(HOST, 0.001), hop_limit=hop_limit)
    case = case_of(make_plan(), on_link={"mgmt": False}, echoes=(seen,))
    (finding,) = grade_host(case, case.plan.hosts[0], case.evidence.hosts[0])
    assert (finding.grade, finding.symptom) == (grade, symptom)


@pytest.mark.parametrize(("hop_limit", "claimed_by", "grade", "symptom"), [
    (64, (), Grade.UNPROVEN, ""), (63, (), Grade.CAUTION, "detour"), (127, (), Grade.CAUTION, "detour"),
    (254, (), Grade.CAUTION, "detour"), (62, (), Grade.UNPROVEN, ""), (None, (), Grade.UNPROVEN, ""),
    (63, (OWN_MAC,), Grade.CAUTION, "detour"), (63, (ROUTER_MAC,), Grade.UNPROVEN, ""),
    (63, (ROUTER_MAC, OWN_MAC), Grade.CAUTION, "detour"),
])
def test_an_answer_to_its_own_wire_that_passed_a_router_betrays_the_mask(
    make_plan: MakePlan, hop_limit: int | None, claimed_by: tuple[str, ...], grade: Grade, symptom: str
) -> None:
    """RFC 1122 section 3.3.1.1: with a /25 it takes a neighbour for a stranger.  Not where a router claims its address."""
    seen = msgspec.structs.replace(echo(HOST, 0.001), hop_limit=hop_limit)
    owners = (OwnersEvidence(address=HOST, interface="eth0", asked=3, at="", owners=tuple(Owner(mac=one, answers=3)
                                                                                           for one in claimed_by)),)
    gateways = (OwnersEvidence(address=GATEWAY, interface="eth0", asked=3, at="", owners=(Owner(mac=ROUTER_MAC, answers=3),)),)
    case = case_of(make_plan(), on_link={"mgmt": True}, echoes=(seen,), owners=owners if claimed_by else ())
    site = msgspec.structs.replace(case.evidence.site, owners=gateways)
    case = dataclasses.replace(case, evidence=msgspec.structs.replace(case.evidence, site=site))
    (finding,) = grade_host(case, case.plan.hosts[0], case.evidence.hosts[0])
    assert (finding.grade, finding.symptom) == (grade, symptom)
    if symptom:
        assert f"must show {HOST} with the mask of 192.0.2.0/24" in finding.fix[0]


def test_answer_over_ipv6_does_not_prove_the_ipv4_gateway(make_plan: MakePlan) -> None:
    """Each IP version has its own way out."""
    plan = make_plan()
    host: Host = msgspec.structs.replace(plan.hosts[0], addresses=(HOST, "2001:db8::11"))
    case = case_of(plan, on_link={"mgmt": False}, echoes=(mute(HOST), echo("2001:db8::11", 0.001)))
    assert grade_host(case, host, case.evidence.hosts[0])[0].grade is Grade.UNPROVEN


def test_host_without_a_planned_gateway_has_no_finding(make_plan: MakePlan) -> None:
    """Nothing planned, nothing to prove; a gateway in the host's own row counts."""
    plan = make_plan()
    plan = msgspec.structs.replace(plan, networks=(msgspec.structs.replace(plan.networks[0], gateway=None),))
    case = case_of(plan, on_link={"mgmt": False}, **ALIVE)
    assert grade_host(case, plan.hosts[0], case.evidence.hosts[0]) == []
    host = msgspec.structs.replace(plan.hosts[0], gateway="192.0.2.254")
    assert [finding.subject for finding in grade_host(case, host, case.evidence.hosts[0])] == ["192.0.2.254"]


SIX, GATEWAY_6 = "2001:db8::11", "2001:db8::1"


def dual(plan: Plan) -> Plan:
    """The plan with both families on its wire, and its first host with an address of each."""
    wire = msgspec.structs.replace(plan.networks[0], second_subnet_typed="2001:db8::/64", second_subnet="2001:db8::/64",
                                   second_gateway=GATEWAY_6, vlan=20)
    return msgspec.structs.replace(plan, networks=(wire,), hosts=(msgspec.structs.replace(plan.hosts[0], addresses=(HOST, SIX)),))


def test_both_gateways_of_a_wire_are_judged(make_plan: MakePlan) -> None:
    """Each by its own echo and by who was heard through it: a host that answers over IPv4 says nothing of the IPv6 gateway."""
    case = case_of(dual(make_plan()), gateways=(mute(GATEWAY), mute(GATEWAY_6)), on_link={"mgmt": False},
                   echoes=(echo(HOST, 0.001), mute(SIX)))
    quiet, dead = grade_site(case)
    assert (quiet.subject, quiet.grade, dead.subject, dead.grade) == (GATEWAY, Grade.CAUTION, GATEWAY_6, Grade.FAIL)
    assert f"it must hold {GATEWAY_6}/64 in VLAN 20" in dead.fix[0]


def test_each_family_has_its_own_way_out(make_plan: MakePlan) -> None:
    case = case_of(dual(make_plan()), on_link={"mgmt": False}, echoes=(echo(HOST, 0.001), mute(SIX)))
    ways = grade_host(case, case.plan.hosts[0], case.evidence.hosts[0])
    assert {way.subject: way.grade for way in ways} == {GATEWAY: Grade.PASS, GATEWAY_6: Grade.UNPROVEN}
    near = case_of(dual(make_plan()), on_link={"mgmt": True}, echoes=(echo(HOST, 0.001), echo(SIX, 0.001)))
    told = [way.message for way in grade_host(near, near.plan.hosts[0], near.evidence.hosts[0])]
    assert ["outside 192.0.2.0/24," in told[0], "outside 2001:db8::/64," in told[1]] == [True, True]


def test_a_row_names_the_gateway_of_one_family_and_leaves_the_other_to_its_network(make_plan: MakePlan) -> None:
    plan = dual(make_plan())
    host = msgspec.structs.replace(plan.hosts[0], gateway="2001:db8::2")
    case = case_of(plan, on_link={"mgmt": False}, echoes=(echo(HOST, 0.001), echo(SIX, 0.001)))
    assert [way.subject for way in grade_host(case, host, case.evidence.hosts[0])] == ["2001:db8::2", GATEWAY]
