"""host.echo and host.ipv6: what a burst, a port or an AAAA record proves of a host, and what it does not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from shared.catalogue import limits_of
from shared.evidence import (
    EchoEvidence,
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    NameAnswer,
    NameRecord,
    Owner,
    OwnersEvidence,
    PortEvidence,
    PortState,
    SiteEvidence,
    Vantage,
)
from shared.findings import Finding, Grade
from shared.plan import Plan
from verify.grading.case import Case
from verify.grading.hosts import grade_host

V4, V6, ROUTER, FQDN = "192.0.2.11", "2001:db8::11", "192.0.2.1", "dome-a.obs.example.net"
Grading = Callable[..., list[Finding]]


def failure(kind: FailureKind, sender: str | None = None, phase: str = "answer", detail: str = "") -> Failure:
    return Failure(kind=kind, phase=phase, elapsed_seconds=2.0, sender=sender, detail=detail)


def echo(*trips: float | None, why: Failure | None = None, address: str = V4, warm_up: float | None = None) -> EchoEvidence:
    return EchoEvidence(address=address, method="icmp-raw", at="2026-11-02T09:00:00Z", round_trips_seconds=trips, failure=why,
                        warm_up_seconds=warm_up)


def mute(kind: FailureKind = FailureKind.NO_ANSWER, sender: str | None = None, phase: str = "answer",
         address: str = V4) -> EchoEvidence:
    return echo(None, None, None, None, None, why=failure(kind, sender, phase), address=address)


def port(state: PortState, why: Failure | None = None, address: str = V4) -> PortEvidence:
    return PortEvidence(address=address, port="443/tcp", state=state, at="", elapsed_seconds=0.0, attempts=1, failure=why)


def answer(*values: str, rcode: str = "NOERROR", why: Failure | None = None, server: str = "192.0.2.53") -> NameAnswer:
    return NameAnswer(server=server, name=FQDN, rrtype="AAAA", purpose="forward", transport="udp", at="", elapsed_seconds=0.0,
                      rcode=rcode, failure=why, answers=tuple(NameRecord(FQDN, "AAAA", 300, value) for value in values))


@pytest.fixture
def graded(make_plan: Callable[..., Plan]) -> Grading:
    """``graded(check, addresses=..., ipv6=..., profile=..., **evidence)``: the findings of one check about dome-a."""

    def build(check: str, *, addresses: tuple[str, ...] = (V4,), ipv6: str = "on", profile: str = "production",
              gateways: tuple[OwnersEvidence, ...] = (), site_names: tuple[NameAnswer, ...] = (), **seen: Any,
              ) -> list[Finding]:
        plan = make_plan()
        network = msgspec.structs.replace(plan.networks[0], ipv6=ipv6, vlan=20)
        host = msgspec.structs.replace(plan.hosts[0], addresses=addresses)
        plan = msgspec.structs.replace(plan, networks=(network,), hosts=(host,))
        evidence = HostEvidence(fqdn=FQDN, **seen)
        case = Case(plan=plan, limits=limits_of(profile), evidence=Evidence(
            vantage=Vantage(name="pier-1"), started="", finished="", complete=True,
            site=SiteEvidence(owners=gateways, names=site_names), hosts=(evidence,)))
        return [finding for finding in grade_host(case, host, evidence) if finding.check == check]

    return build


def test_prompt_burst_passes_twice(graded: Grading) -> None:
    """Loss and round trip are two findings with their own limits, so that neither hides the other."""
    loss, trip = graded("host.echo", echoes=(echo(0.0002, 0.0004, 0.0003, 0.0002, 0.009),))
    assert (loss.subject, loss.grade, loss.found) == (V4, Grade.PASS, "5 of 5 echoes answered")
    assert (trip.subject, trip.grade) == (f"{V4} round trip", Grade.PASS)
    assert trip.measured is not None
    assert (trip.measured.value, trip.measured.uncertainty, trip.measured.unit) == (0.0003, 0.0, "s")
    assert trip.found == "300 µs (200 µs to 9 ms)"
    assert loss.ref != trip.ref


@pytest.mark.parametrize(("profile", "lost", "grade"), [
    ("production", 0, Grade.PASS), ("production", 1, Grade.CAUTION), ("production", 2, Grade.FAIL), ("production", 5, Grade.FAIL),
    ("lab", 1, Grade.PASS), ("lab", 2, Grade.CAUTION), ("lab", 3, Grade.FAIL),
    ("strict", 0, Grade.PASS), ("strict", 1, Grade.FAIL),
])
def test_loss_limits(graded: Grading, profile: str, lost: int, grade: Grade) -> None:
    """echo_loss at, below and above its bounds: the share of five echoes; a warm-up reply keeps the host alive."""
    trips: tuple[float | None, ...] = (None,) * lost + (0.001,) * (5 - lost)
    finding = graded("host.echo", profile=profile, echoes=(echo(*trips, warm_up=0.001),))[0]
    assert finding.grade is grade
    assert finding.symptom == ("loss" if lost else "")
    assert bool(finding.fix) is (grade in (Grade.CAUTION, Grade.FAIL))


@pytest.mark.parametrize(("profile", "lost", "grade"), [
    ("production", 1, Grade.PASS), ("production", 2, Grade.CAUTION), ("production", 4, Grade.CAUTION),
    ("production", 5, Grade.FAIL), ("lab", 4, Grade.PASS), ("lab", 5, Grade.CAUTION), ("strict", 1, Grade.FAIL),
])
def test_one_echo_lost_of_twenty_is_chance(graded: Grading, profile: str, lost: int, grade: Grade) -> None:
    """A path that loses one in a hundred would show it at another twentieth of the hosts every night."""
    finding = graded("host.echo", profile=profile, echoes=(echo(*((None,) * lost + (0.001,) * (20 - lost))),))[0]
    assert (finding.grade, finding.found) == (grade, f"{20 - lost} of 20 echoes answered")


def doors(*numbers: int, **change: Any) -> tuple[PortEvidence, ...]:
    return tuple(PortEvidence(**{"address": V4, "port": f"{number}/tcp", "state": PortState.OPEN, "at": "",
                                 "elapsed_seconds": 0.001, "attempts": 1, **change}) for number in numbers)


EIGHT = tuple(range(8001, 8009))


@pytest.mark.parametrize(("lost", "ports", "grade"), [
    (12, doors(*EIGHT), Grade.CAUTION), (20, doors(*EIGHT), Grade.CAUTION), (7, doors(*EIGHT), Grade.CAUTION),
    (2, doors(*EIGHT), Grade.CAUTION), (0, doors(*EIGHT), Grade.PASS),
    (6, doors(*EIGHT), Grade.FAIL), (12, doors(*EIGHT[:3]), Grade.FAIL), (12, (), Grade.FAIL),
    (12, (*doors(*EIGHT), *doors(80, syn_repeats=1)), Grade.FAIL), (12, (*doors(*EIGHT), *doors(80, attempts=2)), Grade.FAIL),
    (12, (*doors(*EIGHT), *doors(80, elapsed_seconds=1.02, state=PortState.REFUSED)), Grade.FAIL),
    (12, doors(*EIGHT, address="192.0.2.12"), Grade.FAIL), (12, doors(*EIGHT, state=PortState.SILENT), Grade.FAIL),
])
def test_a_host_that_limits_echoes_is_not_failed_for_loss(
        graded: Grading, lost: int, ports: tuple[PortEvidence, ...], grade: Grade) -> None:
    """Connections lose nothing where echoes do: 0.65 to the power of 8 is below a twentieth, and 0.7 to that of 8 is not."""
    burst = echo(*((None,) * lost + (0.001,) * (20 - lost)), warm_up=0.001)
    loss, *trip = graded("host.echo", echoes=(burst,), ports=ports)
    assert loss.grade is grade
    limited = "limits echoes" in loss.message
    assert limited is (grade is Grade.CAUTION and lost > 2)
    proven = Grade.PASS if limited or lost < 10 else Grade.UNPROVEN
    assert [finding.grade for finding in trip] == ([] if limited and lost == 20 else [proven])


@pytest.mark.parametrize(("profile", "seconds", "grade"), [
    ("production", 0.09999, Grade.PASS), ("production", 0.1, Grade.PASS), ("production", 0.10001, Grade.CAUTION),
    ("production", 1.9, Grade.CAUTION),
    ("lab", 0.999, Grade.PASS), ("lab", 1.0, Grade.PASS), ("lab", 1.001, Grade.CAUTION),
    ("strict", 0.0099, Grade.PASS), ("strict", 0.010, Grade.PASS), ("strict", 0.0101, Grade.CAUTION),
    ("strict", 0.1, Grade.CAUTION), ("strict", 0.1001, Grade.FAIL),
])
def test_round_trip_limits(graded: Grading, profile: str, seconds: float, grade: Grade) -> None:
    """echo_round_trip just below, at and just above each bound."""
    finding = graded("host.echo", profile=profile, echoes=(echo(*[seconds] * 5),))[1]
    assert finding.grade is grade
    assert finding.symptom == ("slow" if grade in (Grade.CAUTION, Grade.FAIL) else "")


def test_single_slow_echo_does_not_move_the_grade(graded: Grading) -> None:
    """The median is graded (RFC 2681 section 4.2); the extremes are told."""
    finding = graded("host.echo", echoes=(echo(0.001, 0.001, 1.5, 0.001, 0.001),))[1]
    assert finding.grade is Grade.PASS
    assert "1.5 s" in finding.found


def test_median_of_a_burst_mostly_lost_is_unproven(graded: Grading) -> None:
    """A lost echo counts as infinitely late (RFC 2681 section 4.1), so three losses of five leave no median."""
    assert graded("host.echo", echoes=(echo(None, None, 0.001, 0.001, 0.001),))[1].grade is Grade.PASS
    assert graded("host.echo", echoes=(echo(None, None, None, 0.001, 0.001),))[1].grade is Grade.UNPROVEN


def test_silent_echo_but_open_port_is_alive(graded: Grading) -> None:
    """Echo silence alone is not death: the open port is said."""
    (finding,) = graded("host.echo", echoes=(mute(),), ports=(port(PortState.OPEN),))
    assert (finding.grade, finding.found) == (Grade.PASS, "no echo reply; 443/tcp accepts")


def test_only_resets_are_a_caution(graded: Grading) -> None:
    """A reset can be forged, so it proves no life."""
    (finding,) = graded("host.echo", echoes=(mute(),), ports=(port(PortState.REFUSED, failure(FailureKind.REFUSED)),))
    assert (finding.grade, finding.found) == (Grade.CAUTION, "no echo reply; 443/tcp resets")
    assert "firewall" in finding.message
    assert finding.fix


def test_silence_of_everything_fails_with_the_way_to_the_console(graded: Grading) -> None:
    """The fix says what to look at and what the console must show: address, mask, gateway, VLAN."""
    (finding,) = graded("host.echo", echoes=(mute(),), ports=(port(PortState.SILENT, failure(FailureKind.NO_ANSWER)),))
    assert (finding.grade, finding.symptom) == (Grade.FAIL, "silent")
    assert "pier-1" in finding.message
    text = "\n".join(finding.fix)
    for word in ("power", "192.0.2.11/24 (mask 255.255.255.0)", "default via 192.0.2.1", "VLAN 20"):
        assert word in text


def test_an_address_that_is_claimed_on_the_wire_is_not_called_lifeless(graded: Grading) -> None:
    """A machine that answers ARP is up and connected, so that nobody is sent to look at its cable; its mask is to be read."""
    claimed = OwnersEvidence(address=V4, at="", interface="eth0", asked=3, owners=(Owner(mac="00:00:5e:00:53:11", answers=3),))
    silent = port(PortState.SILENT, failure(FailureKind.NO_ANSWER))
    (finding,) = graded("host.echo", echoes=(mute(),), ports=(silent,), owners=(claimed,))
    assert (finding.grade, finding.symptom) == (Grade.FAIL, "silent")
    assert "00:00:5e:00:53:11" in finding.message
    assert "no sign of life" not in finding.message
    text = "\n".join(finding.fix)
    assert "power" not in text
    assert "mask 255.255.255.0" in text
    routers_own = msgspec.structs.replace(claimed, address=ROUTER)
    (finding,) = graded("host.echo", echoes=(mute(),), ports=(silent,), owners=(claimed,), gateways=(routers_own,))
    assert "no sign of life" in finding.message, "a router that answers ARP in its name proves nothing of the host"
    elsewhere = msgspec.structs.replace(claimed, address="192.0.2.12")
    (finding,) = graded("host.echo", echoes=(mute(),), ports=(silent,), owners=(elsewhere,))
    assert "no sign of life" in finding.message


def test_silence_of_an_ipv6_address_asks_for_ipv6_routes(graded: Grading) -> None:
    """Both addresses are looked at together; the planned gateway is of the other version and is not asked for there."""
    (_four, finding) = graded("host.echo", addresses=(V4, V6), echoes=(mute(), mute(address=V6)))
    address, another, four, six = finding.fix[1:5]
    assert address == f"ip -br address    # must show {V4}/24 (mask 255.255.255.0), UP"
    assert another == f"#   and {V6}"
    assert ROUTER in four
    assert six.startswith("ip -6 route ")
    assert ROUTER not in six


def test_word_of_the_wire_is_said(graded: Grading) -> None:
    """Where not even the hardware address was found the message says so; where a router spoke, it is named."""
    (finding,) = graded("host.echo", echoes=(mute(phase="neighbour"),))
    assert "hardware address" in finding.message
    (finding,) = graded("host.echo", echoes=(mute(FailureKind.UNREACHABLE, ROUTER),))
    assert (finding.grade, finding.symptom) == (Grade.FAIL, "silent")
    assert ROUTER in finding.message


@pytest.mark.parametrize(("dead", "alive", "looks"), [
    (V6, V4, f"ip -6 address    # it must show {V6}, neither tentative nor dadfailed"),
    (V4, V6, f"ip -br address    # it must show {V4}/24 (mask 255.255.255.0)"),
])
@pytest.mark.parametrize("phase", ["answer", "neighbour"])
def test_a_silent_address_of_a_host_that_answers_at_another_is_no_matter_of_power(
    graded: Grading, dead: str, alive: str, looks: str, phase: str
) -> None:
    """Nobody is sent to look whether it is powered on; what may be wrong is the address, its route or a filter."""
    (silent, *_answered) = graded("host.echo", addresses=(dead, alive), echoes=(
        mute(address=dead, phase=phase), echo(0.001, 0.001, address=alive)))
    assert (silent.subject, silent.grade, silent.symptom) == (dead, Grade.FAIL, "silent")
    assert f"it answers at {alive}" in silent.message
    assert silent.fix[:2] == (f"on {FQDN}, which is up and answers at {alive}:", looks)
    assert not any("powered" in line or "switch" in line for line in silent.fix)


def test_the_mend_of_a_silent_host_begins_with_what_was_typed(graded: Grading) -> None:
    """A terminal shows the first lines only, and a digit of the address or of the gateway is what goes wrong most."""
    (silent,) = graded("host.echo", echoes=(mute(),))
    assert silent.fix[:3] == (f"at the console of {FQDN}: powered on? link light lit?",
                              f"ip -br address    # must show {V4}/24 (mask 255.255.255.0), UP",
                              "ip route          # must show default via 192.0.2.1; with another only its own wire hears it")


def test_a_router_without_a_way_there_is_what_to_mend(graded: Grading) -> None:
    """Its word is proof that packets do not arrive, and none that the host is down: nobody is sent to the console."""
    lost = failure(FailureKind.NO_PATH, ROUTER, detail="network unreachable")
    (finding,) = graded("host.echo", echoes=(echo(why=lost),), ports=(port(PortState.REJECTED, lost),))
    assert (finding.grade, finding.symptom) == (Grade.FAIL, "no-way")
    assert "may be well" in finding.message
    assert finding.fix[0] == f"on {ROUTER}, or in its own words for it: ip route show match 192.0.2.0/24"
    assert "console" not in "\n".join(finding.fix)


def test_one_lost_ipv6_wire_is_mended_by_the_same_lines_for_all_its_hosts(graded: Grading) -> None:
    """The plan has no IPv6 subnet for them, and a wire is a /64 (RFC 4291 section 2.5.4): two hundred hosts, one mend."""
    lost = failure(FailureKind.NO_PATH, "2001:db8:1::1", detail="no route to destination")
    fixes = {graded("host.echo", addresses=(address,), echoes=(echo(why=lost, address=address),))[0].fix
             for address in ("2001:db8:40::11", "2001:db8:40::12")}
    (fix,) = fixes
    assert fix[0] == "on 2001:db8:1::1, or in its own words for it: ip -6 route show match 2001:db8:40::/64"


@pytest.mark.parametrize("kind", [
    FailureKind.NO_PRIVILEGE, FailureKind.NO_ROUTE, FailureKind.LOCAL_LIMIT, FailureKind.INTERRUPTED, FailureKind.OTHER,
])
@pytest.mark.parametrize("state", [PortState.OPEN, PortState.SILENT])
def test_what_the_runner_could_not_send_is_unproven(graded: Grading, kind: FailureKind, state: PortState) -> None:
    """Never a pass and never the host's fault; whether a port proved life is said."""
    unsent = echo(why=failure(kind, detail="no ICMP socket"))
    (finding,) = graded("host.echo", echoes=(unsent,), ports=(port(state),))
    assert finding.grade is Grade.UNPROVEN
    assert "no ICMP socket" in finding.message
    assert ("443/tcp accepts" in finding.message) is (state is PortState.OPEN)


def test_filter_on_the_way_leaves_the_host_unproven(graded: Grading) -> None:
    """A prohibition by a router says nothing of the host; with an open port it is alive all the same."""
    prohibited = mute(FailureKind.PROHIBITED, ROUTER)
    assert graded("host.echo", echoes=(prohibited,))[0].grade is Grade.UNPROVEN
    barred = port(PortState.REJECTED, failure(FailureKind.PROHIBITED, ROUTER))
    assert graded("host.echo", echoes=(mute(),), ports=(barred,))[0].grade is Grade.UNPROVEN
    assert graded("host.echo", echoes=(prohibited,), ports=(port(PortState.OPEN),))[0].grade is Grade.PASS


def test_address_that_was_not_asked_is_unproven(graded: Grading) -> None:
    """No evidence is no pass."""
    assert [finding.grade for finding in graded("host.echo")] == [Grade.UNPROVEN]


def test_each_address_is_judged(graded: Grading) -> None:
    """One dead address of two fails alone."""
    findings = graded("host.echo", addresses=(V4, V6), echoes=(echo(0.001), mute(address=V6)))
    assert {finding.subject: finding.grade for finding in findings} == {
        V4: Grade.PASS, f"{V4} round trip": Grade.PASS, V6: Grade.FAIL}


# --- host.ipv6


def test_nothing_planned_and_nothing_published_passes(graded: Grading) -> None:
    """No AAAA record where the plan has no IPv6, on or off, whether the name exists or not."""
    for ipv6 in ("on", "off"):
        for rcode in ("NOERROR", "NXDOMAIN"):
            (finding,) = graded("host.ipv6", ipv6=ipv6, names=(answer(rcode=rcode),))
            assert (finding.grade, finding.subject) == (Grade.PASS, FQDN)


@pytest.mark.parametrize(("ipv6", "grade"), [("off", Grade.FAIL), ("on", Grade.CAUTION)])
def test_unplanned_record_is_found_and_its_line_given(graded: Grading, ipv6: str, grade: Grade) -> None:
    """The zone line to delete is printed, under its zone and in master-file form."""
    (finding,) = graded("host.ipv6", ipv6=ipv6, names=(answer(), answer("2001:db8::66", server="192.0.2.54")))
    assert (finding.grade, finding.found, finding.symptom) == (grade, "2001:db8::66", "unplanned")
    assert "192.0.2.54" in finding.message
    assert "192.0.2.53" not in finding.message
    assert f"; {FQDN}. IN AAAA 2001:db8::66" in finding.fix


def test_an_address_behind_an_alias_is_not_removed_where_it_is_not(graded: Grading) -> None:
    """The record is another name's and stays there; what is wrong is the alias."""
    target = "real.obs.example.net"
    aliased = msgspec.structs.replace(answer(), answers=(
        NameRecord(FQDN, "CNAME", 300, f"{target}."), NameRecord(target, "AAAA", 300, "2001:db8::66")))
    (finding,) = graded("host.ipv6", names=(aliased,))
    assert finding.fix == (f"; {FQDN} is an alias, and the address is that of {target}: see the lines of name.alias",
                           "or, where the address is meant to be, add it to the host in the plan")


def test_an_address_out_of_a_wildcard_is_not_removed_from_the_host(graded: Grading) -> None:
    """It stands at no name of the host (RFC 4592 section 2.2.1); an address of its own at another server does."""
    random = msgspec.structs.replace(answer(), name="zq7f3k.obs.example.net", purpose="wildcard", answers=(
        NameRecord("zq7f3k.obs.example.net", "AAAA", 300, "2001:db8::50"),))
    seen = (answer("2001:db8::50"), answer("2001:db8::66", server="192.0.2.54"))
    (finding,) = graded("host.ipv6", ipv6="off", names=seen, site_names=(random,))
    assert (finding.grade, finding.found) == (Grade.FAIL, "2001:db8::50, 2001:db8::66")
    assert finding.fix[:-1] == ("; remove from zone obs.example.net", f"; {FQDN}. IN AAAA 2001:db8::66",
                                "; the zone's wildcard gives this address: see the lines of name.wildcard")


def test_an_address_made_by_dns64_is_not_removed_from_a_zone(graded: Grading) -> None:
    """RFC 6147: the server makes it, and another server's record beside it is one to remove."""
    seen = (answer("64:ff9b::c000:20b"), answer("2001:db8::66", server="192.0.2.54"))
    (finding,) = graded("host.ipv6", names=seen)
    assert finding.fix[:2] == ("; remove from zone obs.example.net", f"; {FQDN}. IN AAAA 2001:db8::66")
    assert finding.fix[2].startswith("on 192.0.2.53: it makes this address of the IPv4 one")


@pytest.mark.parametrize(("ipv6", "says"), [("on", False), ("off", True)])
def test_to_plan_the_published_address_takes_ipv6_on_too(graded: Grading, ipv6: str, says: bool) -> None:
    """With IPv6 off, lint would refuse the address that was added."""
    published = msgspec.structs.replace(answer(), answers=(NameRecord(FQDN, "AAAA", 300, "2001:db8::66"),))
    (finding,) = graded("host.ipv6", ipv6=ipv6, names=(published,))
    assert ('ipv6 = "on" for network mgmt' in finding.fix[-1]) is says


@pytest.mark.parametrize("names", [
    (), (answer(rcode="SERVFAIL"),), (answer(rcode="REFUSED"),), (answer(rcode="", why=failure(FailureKind.NO_ANSWER)),),
])
def test_unanswered_name_question_is_unproven(graded: Grading, names: tuple[NameAnswer, ...]) -> None:
    """A temporary error of a name server is not the absence of a record."""
    for ipv6 in ("on", "off"):
        assert [finding.grade for finding in graded("host.ipv6", ipv6=ipv6, names=names)] == [Grade.UNPROVEN]


def test_hostile_record_value_is_shown_and_not_written_as_a_line(graded: Grading) -> None:
    """A value that is no IPv6 address must not crash the grader nor become a zone line."""
    (finding,) = graded("host.ipv6", ipv6="off", names=(answer("; rm everything"),))
    assert finding.grade is Grade.FAIL
    assert not any("AAAA" in line for line in finding.fix)


def test_planned_address_that_answers_passes(graded: Grading) -> None:
    """One answer of any sure kind proves it."""
    (finding,) = graded("host.ipv6", addresses=(V4, V6), echoes=(echo(0.001), echo(0.001, address=V6)))
    assert (finding.grade, finding.subject) == (Grade.PASS, V6)


@pytest.mark.parametrize(("v4", "v6", "grade", "symptom"), [
    (echo(0.001), mute(address=V6), Grade.FAIL, "silent"),                                    # IPv4 lives, IPv6 does not
    (mute(), mute(address=V6), Grade.UNPROVEN, "silent"),                                     # the host is dead: not about IPv6
    (echo(0.001), echo(why=failure(FailureKind.NO_ROUTE), address=V6), Grade.UNPROVEN, ""),   # a runner without IPv6
    (echo(0.001), mute(FailureKind.PROHIBITED, "2001:db8::1", address=V6), Grade.UNPROVEN, ""),
])
def test_planned_address_that_does_not_answer(
    graded: Grading, v4: EchoEvidence, v6: EchoEvidence, grade: Grade, symptom: str
) -> None:
    """Only a host that lives over IPv4 and was really asked over IPv6 fails."""
    (finding,) = graded("host.ipv6", addresses=(V4, V6), echoes=(v4, v6))
    assert (finding.grade, finding.symptom) == (grade, symptom)


def test_forgeable_answer_over_ipv6_is_unproven(graded: Grading) -> None:
    """A reset in the name of the address is no proof."""
    refused = port(PortState.REFUSED, failure(FailureKind.REFUSED), address=V6)
    (finding,) = graded("host.ipv6", addresses=(V4, V6), echoes=(echo(0.001), mute(address=V6)), ports=(refused,))
    assert finding.grade is Grade.UNPROVEN


def test_plan_that_contradicts_itself_fails(graded: Grading) -> None:
    """ipv6 = "off" and an IPv6 address cannot both be meant, published or not."""
    for names in ((answer(),), (answer(V6),)):
        (finding,) = graded("host.ipv6", ipv6="off", addresses=(V4, V6), names=names)
        assert finding.grade is Grade.FAIL
        assert "contradicts itself" in finding.message
        assert finding.symptom == ("unplanned" if "AAAA" in " ".join(finding.fix) else "plan-contradicts")
