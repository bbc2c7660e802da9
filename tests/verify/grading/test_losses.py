"""host.shared-loss: when many hosts lose packets the way is told of, and no host is blamed for what it explains."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable
from typing import Any

import msgspec
import pytest

from shared import catalogue
from shared.catalogue import limits_of
from shared.evidence import (
    ClockEvidence,
    ClockSample,
    EchoEvidence,
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    NameAnswer,
    PathMtuEvidence,
    PortEvidence,
    PortState,
    SiteEvidence,
    SizeTrial,
    SshEvidence,
    TlsEvidence,
    Vantage,
)
from shared.findings import Finding, Grade
from shared.plan import LeftOut, Plan
from verify.grading.losses import REF
from verify.grading.whole import grade

AT = "2026-11-02T09:00:00Z"
NOTHING = Failure(kind=FailureKind.NO_ANSWER, phase="answer", elapsed_seconds=2.0)
SAMPLE = ClockSample(
    at=AT, offset_seconds=0.0, delay_seconds=0.001, leap=0, version=4, stratum=2, precision_seconds=1e-6,
    root_delay_seconds=0.001, root_dispersion_seconds=0.001, reference_id="192.0.2.99", reference_age_seconds=10.0,
    stamped_by="kernel")

Grading = Callable[..., dict[str, Finding]]


def address_of(number: int) -> str:
    return f"192.0.2.{100 + number}"


def ref(number: int, check: str, subject: str = "") -> str:
    return f"h{number}.obs.example.net|{check}|{subject or address_of(number)}"


def clock(address: str, lost: int, asked: int = 4) -> ClockEvidence:
    return ClockEvidence(server=address, address=address, port=123, at=AT, asked=asked, samples=(SAMPLE,) * (asked - lost),
                         failure=NOTHING if lost else None)


def port(number: int, label: str, *, state: PortState = PortState.OPEN, repeats: int = 0) -> PortEvidence:
    silent = state is PortState.SILENT
    return PortEvidence(address=address_of(number), port=label, state=state, at=AT, elapsed_seconds=6.0 if silent else 0.001,
                        attempts=3 if silent else 1, syn_repeats=repeats, failure=NOTHING if silent else None)


def host(number: int, echoes: int = 0, *, sent: int = 20, connections: int = 0, times: int = 0, **seen: Any) -> HostEvidence:
    """A host that lost so many of its echoes, its SYNs and its four NTP questions."""
    burst = EchoEvidence(address=address_of(number), method="icmp-raw", at=AT, warm_up_seconds=0.001,
                         round_trips_seconds=(None,) * echoes + (0.001,) * (sent - echoes))
    usual: dict[str, Any] = {
        "echoes": (burst,), "clocks": (clock(address_of(number), times),),
        "ports": (port(number, "22/tcp", repeats=connections), port(number, "443/tcp"),
                  port(number, "23/tcp", state=PortState.REFUSED))}
    return HostEvidence(fqdn=f"h{number}.obs.example.net", **(usual | seen))


def lossy(numbers: Iterable[int], echoes: int = 3) -> list[HostEvidence]:
    """Hosts that lose 3 of 20 echoes, one SYN of 4, one NTP question of 4."""
    return [host(number, echoes, connections=1, times=1) for number in numbers]


def dead(number: int) -> HostEvidence:
    burst = EchoEvidence(address=address_of(number), method="icmp-raw", at=AT, round_trips_seconds=(None,) * 5, failure=NOTHING)
    ports = tuple(port(number, label, state=PortState.SILENT) for label in ("22/tcp", "443/tcp", "23/tcp"))
    clocks = (clock(address_of(number), 3, 3),)
    return HostEvidence(fqdn=f"h{number}.obs.example.net", echoes=(burst,), ports=ports, clocks=clocks)


def answer(server: str, tries: int, rcode: str = "NOERROR") -> NameAnswer:
    return NameAnswer(server=server, name="h0.obs.example.net", rrtype="A", purpose="forward", transport="udp", at=AT,
                      elapsed_seconds=0.001, rcode=rcode, tries=tries, failure=None if rcode else NOTHING)


@pytest.fixture
def graded(make_plan: Callable[..., Plan]) -> Grading:
    """``graded(hosts, ...)``: every finding about a site of these hosts, by ref."""

    def run(hosts: list[HostEvidence], *, pace: float = 1000.0, profile: str = "production", away: tuple[int, ...] = (),
            names: tuple[NameAnswer, ...] = (), sources: tuple[ClockEvidence, ...] = (), gateways: tuple[EchoEvidence, ...] = (),
            left_out: str = "") -> dict[str, Finding]:
        plan = make_plan()
        first, network = plan.hosts[0], plan.networks[0]
        other = msgspec.structs.replace(network, name="lab", gateway=None)
        left = (LeftOut(check=left_out, reason="the path is known", place=first.place),) if left_out else ()
        planned = tuple(msgspec.structs.replace(
            first, name=f"h{number}", fqdn=seen.fqdn, addresses=(address_of(number),),
            network="lab" if number in away else "mgmt") for number, seen in enumerate(hosts))
        plan = msgspec.structs.replace(plan, hosts=planned, networks=(network, other), left_out=left)
        evidence = Evidence(
            vantage=Vantage(name="runner", packets_per_second=pace), started=AT, finished=AT, complete=True,
            site=SiteEvidence(names=names, clocks=sources, gateways=gateways), hosts=tuple(hosts))
        found = grade(plan, evidence, limits_of(profile), today=datetime.date(2026, 11, 2), checks=frozenset(catalogue.CHECKS))
        return {finding.ref: finding for finding in found.all()}

    return run


# --- when losses are shared


@pytest.mark.parametrize(("hosts", "shared"), [
    pytest.param([host(n) for n in range(20)], False, id="no losses"),
    pytest.param([host(0, 8, connections=1, times=1), *(host(n) for n in range(1, 20))], False, id="one host loses"),
    pytest.param([*lossy(range(14), 8), *(host(n) for n in range(14, 20))], False, id="less than three quarters lose"),
    pytest.param([*lossy(range(15), 8), *(host(n) for n in range(15, 20))], True, id="three quarters lose"),
    pytest.param(lossy(range(4)), False, id="four hosts are few"),
    pytest.param(lossy(range(5)), True, id="five are enough"),
    pytest.param([*lossy(range(4)), dead(4)], False, id="a host that answers nothing is not counted"),
    pytest.param([host(n, 8) for n in range(20)], False, id="only echoes are lost: something limits them"),
    pytest.param([host(n, connections=2) for n in range(20)], False, id="only SYNs are lost: full queues"),
    pytest.param([host(n, n % 2, connections=1, times=1) for n in range(20)], False, id="no more echoes than the limit"),
    pytest.param([host(n, n % 4 > 0, connections=1, times=1) for n in range(20)], False, id="more, but not surely"),
    pytest.param([host(n, 1, connections=1, times=1) for n in range(20)], True, id="more, and surely"),
    pytest.param([*(host(n, sent=5) for n in range(80)), *(host(n, 2, times=n % 2, connections=1) for n in range(80, 92))], False,
                 id="one packet in a hundred, either way"),
    pytest.param([host(n, 3) for n in range(18)] + lossy(range(18, 20)), False, id="hardly anything but echoes"),
])
def test_losses_are_shared_only_where_many_hosts_lose_all_kinds_of_packets(
    graded: Grading, hosts: list[HostEvidence], *, shared: bool
) -> None:
    """Nearly all of five hosts or more, echoes and the rest, and surely more than the limit."""
    assert (REF in graded(hosts)) == shared


def test_where_losses_are_not_shared_nothing_else_changes(graded: Grading) -> None:
    """One host that loses much is failed, as it was before there was this check."""
    hosts = [host(0, 8, connections=1, times=1), *(host(n) for n in range(1, 20))]
    found = graded(hosts)
    without = graded(hosts, left_out="host.shared-loss")
    assert found == {told: finding for told, finding in without.items() if finding.check != "plan.waiver"}
    assert found[ref(0, "host.echo")].grade is Grade.FAIL


def test_a_profile_that_lets_more_pass_asks_for_more(graded: Grading) -> None:
    """A tenth in the lab, and a hundredth in the strict one; and a plan may say otherwise."""
    assert REF not in graded(lossy(range(20), 2), profile="lab")
    assert REF in graded(lossy(range(20), 4), profile="lab")
    assert REF in graded([host(n, n % 4 > 0, connections=1, times=1) for n in range(20)], profile="strict")


def test_one_network_of_two(graded: Grading) -> None:
    """The losses of a far network are told of it, and excuse no host of the other."""
    hosts = [*lossy(range(10), 5), *(host(n) for n in range(10, 29)), host(29, 5)]
    found = graded(hosts, away=tuple(range(10)))
    assert "All 10 hosts that answered runner from lab lost packets" in found[REF].message
    assert found[ref(0, "host.echo")].grade is Grade.UNPROVEN
    assert found[ref(29, "host.echo")].grade is Grade.FAIL


# --- how it is told


def test_the_finding_says_how_to_tell_the_pace_from_the_way(graded: Grading) -> None:
    """One sentence on the site, and the command that settles it."""
    told = graded(lossy(range(20)))[REF]
    assert told.grade is Grade.CAUTION
    assert told.message.startswith(
        "All 20 hosts that answered runner lost packets, 17.9 % of all: what they share is the likely cause, the way from "
        "runner, or our own pace of 1,000 packets a second, and no single host. Which of the two, a run at a gentle pace tells. ")
    assert graded([*lossy(range(19), 4), host(19)])[REF].message.startswith("19 of the 20 hosts that answered")
    assert told.fix[0] == "seatrial verify tidewater.toml --limit-rate 100 --concurrency 20"


@pytest.mark.parametrize(("pace", "echoes", "expected"), [
    (100.0, 6, Grade.FAIL), (100.0, 3, Grade.CAUTION), (100.5, 6, Grade.CAUTION), (0.0, 6, Grade.CAUTION)])
def test_the_way_is_to_blame_only_where_we_asked_gently(graded: Grading, pace: float, echoes: int, expected: Grade) -> None:
    """A fail needs a gentle pace that is known, and surely more than the limit for a fail."""
    told = graded(lossy(range(40), echoes), pace=pace)[REF]
    assert told.grade is expected
    assert ("our own pace is hardly to blame" in told.message) == (pace == 100.0)
    assert ("--limit-rate" in told.fix[0]) == (pace != 100.0)


@pytest.mark.parametrize(("tries", "sentence", "waits"), [
    (2, "The name servers lose as well", True), (1, "so look where their way and that of the hosts part", False)])
def test_name_servers_say_whether_the_way_to_them_is_the_same(
    graded: Grading, tries: int, sentence: str, *, waits: bool
) -> None:
    """Answers that are missing wait for the losses only where the name servers lose."""
    server = "192.0.2.53"
    unheard = msgspec.structs.replace(host(0, 3, connections=1, times=1), names=(answer(server, 3, rcode=""),))
    answers = tuple(answer(server, tries) for _ in range(60))
    found = graded([unheard, *lossy(range(1, 20))], names=answers)
    assert sentence in found[REF].message
    assert (found[ref(0, "name.forward", f"{server} A")].because == (REF,)) == waits


# --- what is excused, and what is not


def test_what_the_losses_explain_is_unproven_and_waits_for_them(graded: Grading) -> None:
    """5 of 20 is a fail by its limit, and what a host in ten meets where 3 of 20 are usual; 3 of 20 stays a caution."""
    found = graded([*lossy(range(19)), host(19, 5, connections=1, times=1)])
    worst, usual = found[ref(19, "host.echo")], found[ref(0, "host.echo")]
    assert (worst.grade, worst.because, worst.fix) == (Grade.UNPROVEN, (REF,), ())
    assert worst.message.endswith("losses like theirs explain this: it is not held against this host.")
    assert (usual.grade, usual.because) == (Grade.CAUTION, (REF,))
    assert found[ref(0, "port.open", "22/tcp")].because == (REF,)


def test_a_host_that_loses_far_more_than_the_others_has_a_fault_of_its_own(graded: Grading) -> None:
    """Its echoes are a fail, and nothing else of it is excused either."""
    found = graded([*lossy(range(19)), host(19, 15, connections=3, times=3)])
    assert [finding.ref for finding in found.values() if finding.check == "host.echo" and finding.grade is Grade.FAIL] == [
        ref(19, "host.echo")]
    assert found[ref(19, "port.open", "22/tcp")].because == ()


@pytest.mark.parametrize(("echoes", "expected"), [(3, Grade.FAIL), (10, Grade.FAIL), (18, Grade.UNPROVEN)])
def test_a_dead_host_stays_dead_unless_nearly_everything_is_lost(graded: Grading, echoes: int, expected: Grade) -> None:
    """A path that loses a sixth, or two fifths, does not lose all of fifteen packets; one that loses two thirds may."""
    found = graded([*lossy(range(19), echoes), dead(19)])
    assert found[ref(19, "host.echo")].grade is expected
    assert found[ref(19, "port.open", "22/tcp")].because == (REF if expected is Grade.UNPROVEN else ref(19, "host.echo"),)


def test_a_refusal_is_no_loss(graded: Grading) -> None:
    """A reset came through."""
    refusing = host(19, 3, times=1, ports=(port(19, "22/tcp", repeats=1), port(19, "443/tcp", state=PortState.REFUSED)))
    assert graded([*lossy(range(19)), refusing])[ref(19, "port.open", "443/tcp")].grade is Grade.FAIL


@pytest.mark.parametrize(("echoes", "expected"), [(3, Grade.FAIL), (10, Grade.UNPROVEN)])
def test_a_silent_port_is_excused_where_six_syns_may_well_be_lost(graded: Grading, echoes: int, expected: Grade) -> None:
    """Not where a sixth is lost, but where more than two fifths are."""
    silent = host(19, echoes, times=1, ports=(port(19, "22/tcp", repeats=1), port(19, "443/tcp", state=PortState.SILENT)))
    assert graded([*lossy(range(19), echoes), silent])[ref(19, "port.open", "443/tcp")].grade is expected


@pytest.mark.parametrize(("echoes", "left_out", "expected"), [
    (3, "", Grade.PASS), (10, "", Grade.UNPROVEN), (10, "host.shared-loss", Grade.PASS)])
def test_a_port_is_not_closed_by_silence_where_six_syns_may_well_be_lost(
    graded: Grading, make_plan: Callable[..., Plan], echoes: int, left_out: str, expected: Grade
) -> None:
    """Of twenty hosts one may meet six losses in a row by chance, which its own losses would not make likely."""
    label = str(make_plan().roles[0].closed[0])
    silent = host(19, 3, times=1, ports=(port(19, "22/tcp", repeats=1), port(19, "443/tcp"),
                                         port(19, label, state=PortState.SILENT)))
    closed = graded([*lossy(range(19), echoes), silent], left_out=left_out)[ref(19, "port.closed", label)]
    assert (closed.grade, closed.because) == (expected, (REF,) if expected is Grade.UNPROVEN else ())
    assert ("may be open all the same" in closed.message) is (expected is Grade.UNPROVEN)


def test_with_a_short_time_out_fewer_syns_are_lost_in_a_row(graded: Grading) -> None:
    """An attempt of less than a second holds one: three are lost where six are not."""
    short = msgspec.structs.replace(port(19, "443/tcp", state=PortState.SILENT), elapsed_seconds=0.9)
    silent = host(19, 3, times=1, ports=(port(19, "22/tcp", repeats=1), short))
    assert graded([*lossy(range(19)), silent])[ref(19, "port.open", "443/tcp")].grade is Grade.UNPROVEN


def test_three_lost_ntp_questions_are_no_stopped_time_service(graded: Grading) -> None:
    """Neither the service nor the offset that it would have told is held against the host."""
    found = graded([*lossy(range(19)), host(19, 3, connections=1, clocks=(clock(address_of(19), 3, 3),))])
    service, offset = found[ref(19, "clock.synchronised")], found[ref(19, "clock.offset")]
    assert (service.grade, service.because) == (offset.grade, offset.because) == (Grade.UNPROVEN, (REF,))


@pytest.mark.parametrize(("tries", "expected"), [(2, Grade.UNPROVEN), (1, Grade.FAIL)])
def test_a_silent_time_source_is_excused_where_the_servers_lose_too(graded: Grading, tries: int, expected: Grade) -> None:
    """Where the name servers lose nothing, nothing says that the way to the sources is bad."""
    sources = (clock("192.0.2.61", 3, 3), *(clock(f"192.0.2.{last}", 0) for last in (62, 63, 64)))
    found = graded(lossy(range(20)), sources=sources, names=tuple(answer("192.0.2.53", tries) for _ in range(60)))
    assert found["site|clock.source|192.0.2.61"].grade is expected


def test_services_that_fall_silent_and_large_packets_that_vanish(graded: Grading) -> None:
    """Where two fifths are lost, a talk of a few packets may end in the middle."""
    tls = TlsEvidence(address=address_of(19), port="443/tcp", server_name="h19.obs.example.net", at=AT, elapsed_seconds=6.0,
                      failure=NOTHING)
    ssh = SshEvidence(address=address_of(19), port="22/tcp", at=AT, elapsed_seconds=6.0, failure=NOTHING)
    path = PathMtuEvidence(address=address_of(19), at=AT, planned_octets=1500, trials=(
        SizeTrial(size_octets=84, tries=1), SizeTrial(size_octets=1500, tries=3, failure=NOTHING)))
    hosts = [*lossy(range(19), 8), host(19, 0, tls=(tls,), ssh=(ssh,), paths=(path,))]
    for check, subject in (("certificate.protocol", "443/tcp"), ("ssh.identity", "22/tcp"), ("host.path-mtu", address_of(19))):
        before, after = (graded(hosts, left_out=out)[ref(19, check, subject)] for out in ("host.shared-loss", ""))
        assert before.grade is Grade.FAIL, check
        assert (after.grade, after.because) == (Grade.UNPROVEN, (REF,)), check


@pytest.mark.parametrize(("lost", "expected"), [(5, Grade.UNPROVEN), (16, Grade.FAIL)])
def test_a_gateway_is_on_the_way_too(graded: Grading, lost: int, expected: Grade) -> None:
    """What it loses is excused no more than what a host loses."""
    gateway = EchoEvidence(address="192.0.2.1", method="icmp-raw", at=AT, warm_up_seconds=0.001,
                           round_trips_seconds=(None,) * lost + (0.001,) * (20 - lost))
    assert graded(lossy(range(20)), gateways=(gateway,))["site|gateway.echo|192.0.2.1"].grade is expected


def test_a_plan_that_leaves_the_check_out_judges_every_host_alone(graded: Grading) -> None:
    """As without this check."""
    found = graded([*lossy(range(19)), host(19, 5, connections=1, times=1)], left_out="host.shared-loss")
    assert REF not in found
    assert found[ref(19, "host.echo")].grade is Grade.FAIL
