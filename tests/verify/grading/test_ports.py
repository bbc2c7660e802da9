"""port.open and port.closed: each answer has its own grade, its own cause and its own mend."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from shared.catalogue import limits_of
from shared.evidence import (
    ClockEvidence,
    EchoEvidence,
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    PortEvidence,
    PortState,
    SiteEvidence,
    Vantage,
)
from shared.findings import Finding, Grade
from shared.plan import Plan, Port, Role
from verify.grading.case import Case
from verify.grading.ports import grade_host

HOST, ROUTER, FQDN = "192.0.2.11", "192.0.2.1", "dome-a.obs.example.net"
Grading = Callable[..., Finding]


def failure(kind: FailureKind, sender: str | None = None) -> Failure:
    return Failure(kind=kind, phase="connect", elapsed_seconds=2.0, sender=sender)


def seen(state: PortState, why: Failure | None = None, *, attempts: int = 1, elapsed: float = 0.001, number: str = "443/tcp",
         address: str = HOST) -> PortEvidence:
    return PortEvidence(address=address, port=number, state=state, at="2026-11-02T09:00:00Z", elapsed_seconds=elapsed,
                        attempts=attempts, failure=why)


def echo(*trips: float | None, address: str = HOST, why: Failure | None = None) -> EchoEvidence:
    return EchoEvidence(address=address, method="icmp-raw", at="", round_trips_seconds=trips, failure=why)


ALIVE, DEAD = (echo(0.001),), (echo(None, None, why=failure(FailureKind.NO_ANSWER)),)
UNASKED = (echo(why=failure(FailureKind.NO_PRIVILEGE)),)
OPEN = seen(PortState.OPEN)
REFUSED = seen(PortState.REFUSED, failure(FailureKind.REFUSED))
SILENT = seen(PortState.SILENT, failure(FailureKind.NO_ANSWER), attempts=3, elapsed=6.0)
BY_ROUTER = seen(PortState.REJECTED, failure(FailureKind.PROHIBITED, ROUTER), attempts=2)
BY_HOST = seen(PortState.REJECTED, failure(FailureKind.PROHIBITED, HOST), attempts=2)
BY_NOBODY = seen(PortState.REJECTED, failure(FailureKind.UNREACHABLE), attempts=2)
UNTRIED = seen(PortState.UNTRIED, failure(FailureKind.LOCAL_LIMIT))


@pytest.fixture
def findings(make_plan: Callable[..., Plan]) -> Callable[..., list[Finding]]:
    """``findings(role, addresses=..., **evidence)``: the findings about the ports of dome-a, whose role is given."""

    def build(role: Role, addresses: tuple[str, ...] = (HOST,), **evidence: Any) -> list[Finding]:
        plan = make_plan(roles=(role,))
        host = msgspec.structs.replace(plan.hosts[0], addresses=addresses)
        saw = HostEvidence(fqdn=FQDN, **evidence)
        case = Case(plan=plan, limits=limits_of("production"), evidence=Evidence(
            vantage=Vantage(name="pier-1", addresses=("198.51.100.7",)), started="", finished="", complete=True,
            site=SiteEvidence(), hosts=(saw,)))
        return grade_host(case, host, saw)

    return build


@pytest.fixture
def graded(findings: Callable[..., list[Finding]]) -> Grading:
    """``graded(check, port evidence or None, echoes)``: the one finding about 443/tcp."""

    def build(check: str, port: PortEvidence | None, echoes: tuple[EchoEvidence, ...] = ALIVE) -> Finding:
        planned = (Port(443),)
        role = Role(name="node", open=planned) if check == "port.open" else Role(name="node", closed=planned)
        (finding,) = findings(role, echoes=echoes, ports=() if port is None else (port,))
        assert (finding.check, finding.subject) == (check, "443/tcp")
        return finding

    return build


@pytest.mark.parametrize(("port", "grade", "found", "symptom"), [
    (OPEN, Grade.PASS, "open", ""),
    (seen(PortState.OPEN, attempts=2, elapsed=2.0), Grade.CAUTION, "open at attempt 2", "lossy"),
    (msgspec.structs.replace(OPEN, syn_repeats=1, elapsed_seconds=1.02), Grade.CAUTION, "open at SYN 2", "lossy"),
    (msgspec.structs.replace(OPEN, syn_repeats=1, elapsed_seconds=1.02, at_once_again=True), Grade.PASS, "open", ""),
    (seen(PortState.OPEN, elapsed=1.7), Grade.PASS, "open", ""),  # slow to be seen by a busy runner, and no packet lost
    (seen(PortState.OPEN, failure(FailureKind.RESET), attempts=3), Grade.CAUTION, "accepts and resets at once", "reset"),
    (REFUSED, Grade.FAIL, "refused", "refused"),
    (SILENT, Grade.FAIL, "silent", "silent"),
    (BY_ROUTER, Grade.FAIL, f"rejected by {ROUTER}", "turned-back"),
    (BY_HOST, Grade.FAIL, f"rejected by {HOST}", "rejected"),
    (BY_NOBODY, Grade.FAIL, "rejected by an unknown sender", "turned-back"),
    (UNTRIED, Grade.UNPROVEN, "the runner itself ran out of something", ""),
    (None, Grade.UNPROVEN, "not asked", ""),
])
def test_port_that_must_be_open(graded: Grading, port: PortEvidence | None, grade: Grade, found: str, symptom: str) -> None:
    """The whole table of a living host; every fail and caution has a mend."""
    finding = graded("port.open", port)
    assert (finding.grade, finding.found, finding.symptom) == (grade, found, symptom)
    assert bool(finding.fix) is (grade in (Grade.CAUTION, Grade.FAIL))
    if port is not None:
        assert "pier-1" in finding.message


@pytest.mark.parametrize(("port", "grade", "found", "symptom"), [
    (OPEN, Grade.FAIL, "open", "open"),
    (seen(PortState.OPEN, attempts=3, elapsed=4.0), Grade.FAIL, "open", "open"),
    (REFUSED, Grade.PASS, "refused", ""),
    (SILENT, Grade.PASS, "silent", "silent"),
    (BY_HOST, Grade.PASS, "rejected by the host", ""),
    (BY_ROUTER, Grade.UNPROVEN, f"rejected by {ROUTER}", "rejected"),
    (BY_NOBODY, Grade.UNPROVEN, "rejected by an unknown sender", "rejected"),
    (UNTRIED, Grade.UNPROVEN, "the runner itself ran out of something", ""),
    (None, Grade.UNPROVEN, "not asked", ""),
])
def test_port_that_must_be_closed(graded: Grading, port: PortEvidence | None, grade: Grade, found: str, symptom: str) -> None:
    """The whole table of a living host: a router's word is not the host's."""
    finding = graded("port.closed", port)
    assert (finding.grade, finding.found, finding.symptom) == (grade, found, symptom)
    assert bool(finding.fix) is (grade is Grade.FAIL)


def test_the_four_mends_differ(graded: Grading) -> None:
    """Refused, silent, rejected by a router and rejected by the host each send the reader somewhere else."""
    mends = [graded("port.open", port).fix for port in (REFUSED, SILENT, BY_ROUTER, BY_HOST)]
    assert len(set(mends)) == 4
    assert any(ROUTER in line and "198.51.100.7" in line for line in mends[2])
    assert any("Recv-Q" in line for line in mends[1]), "a queue that is full drops as silently as a filter (listen(2))"
    assert any("nft list ruleset" in line for line in mends[3])


def test_open_port_that_should_be_closed_is_stopped_and_disabled(graded: Grading) -> None:
    """Stopping alone would last until the next boot."""
    assert any("disable --now" in line for line in graded("port.closed", OPEN).fix)


@pytest.mark.parametrize("check", ["port.open", "port.closed"])
@pytest.mark.parametrize("port", [SILENT, seen(PortState.REJECTED, failure(FailureKind.UNREACHABLE, ROUTER))])
def test_port_of_a_dead_host_is_unproven(graded: Grading, check: str, port: PortEvidence) -> None:
    """A dead host's ports are a symptom, to be folded under host.echo."""
    finding = graded(check, port, DEAD)
    assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, "silent")


def test_silent_port_where_echo_could_not_be_sent(graded: Grading) -> None:
    """It did not accept, so it fails where it must be open; it is not proven closed, for nothing proves a living host."""
    assert graded("port.open", SILENT, UNASKED).grade is Grade.FAIL
    assert graded("port.closed", SILENT, UNASKED).grade is Grade.UNPROVEN


def beside(number: str, repeats: int = 0, *, again: bool = False) -> PortEvidence:
    """Another port of the host, which opens after so many lost SYNs."""
    return msgspec.structs.replace(seen(PortState.OPEN, number=number), syn_repeats=repeats, elapsed_seconds=repeats + 0.001,
                                   at_once_again=again)


def echoes(lost: int, sent: int = 20) -> tuple[EchoEvidence, ...]:
    return (msgspec.structs.replace(echo(*(None,) * lost, *(0.001,) * (sent - lost)), warm_up_seconds=0.001),)


SHORT = msgspec.structs.replace(SILENT, elapsed_seconds=0.999)


@pytest.mark.parametrize(("port", "burst", "others", "grade"), [
    pytest.param(SILENT, echoes(0, 5), (), Grade.PASS, id="a filter that drops, on a sound way"),
    pytest.param(SILENT, echoes(7), (), Grade.PASS, id="7 of 20 are 57 % at most, and all six SYNs 3 %"),
    pytest.param(SILENT, echoes(8), (), Grade.UNPROVEN, id="8 of 20 are 61 % at most, and all six SYNs 5 %"),
    pytest.param(SILENT, echoes(20), (), Grade.UNPROVEN, id="none but the first echo came back"),
    pytest.param(SHORT, echoes(3), (), Grade.PASS, id="a short time-out holds three SYNs: 36 % at most, and all 4.7 %"),
    pytest.param(SHORT, echoes(4), (), Grade.UNPROVEN, id="4 of 20 are 42 % at most, and all three SYNs 7 %"),
    pytest.param(SILENT, echoes(8), tuple(beside(f"{8000 + n}/tcp") for n in range(6)), Grade.PASS, id="something limits echoes"),
    pytest.param(SILENT, echoes(8), (beside("22/tcp", 1),), Grade.UNPROVEN, id="connections are lost as well"),
    pytest.param(SILENT, UNASKED, (beside("22/tcp"),), Grade.PASS, id="no echoes, and a port that loses nothing"),
    pytest.param(SILENT, UNASKED, (beside("22/tcp", 1),), Grade.UNPROVEN, id="no echoes, and every other SYN is lost"),
    pytest.param(SILENT, UNASKED, (beside("22/tcp", 1, again=True), *(beside(f"{8000 + n}/tcp") for n in range(3))), Grade.PASS,
                 id="1 SYN of 6 by chance"),
    pytest.param(REFUSED, echoes(19), (), Grade.PASS, id="a reset is an answer"),
    pytest.param(BY_HOST, echoes(19), (), Grade.PASS, id="so is a rejection"),
    pytest.param(OPEN, echoes(19), (), Grade.FAIL, id="and an open port is open"),
])
def test_silence_closes_no_port_where_every_syn_may_be_lost(
    findings: Callable[..., list[Finding]], port: PortEvidence, burst: tuple[EchoEvidence, ...],
    others: tuple[PortEvidence, ...], grade: Grade,
) -> None:
    """At the upper end of what the losses are good for, with one chance in twenty as the limit."""
    (finding,) = findings(Role(name="node", closed=(Port(443),)), echoes=burst, ports=(port, *others))
    assert finding.grade is grade, finding.message
    assert (finding.symptom == "lossy") is (grade is Grade.UNPROVEN)
    if grade is Grade.UNPROVEN:
        assert "no answer to" in finding.message
        assert "ss -ltn 'sport = :443'" in finding.message


def test_losses_of_another_address_say_nothing(findings: Callable[..., list[Finding]]) -> None:
    """The way over IPv6 may lose what that over IPv4 does not."""
    v6 = "2001:db8::11"
    bad = tuple(msgspec.structs.replace(one, address=v6) for one in echoes(15))
    found = findings(Role(name="node", closed=(Port(443),)), (HOST, v6), echoes=(*ALIVE, *bad),
                     ports=(SILENT, msgspec.structs.replace(SILENT, address=v6)))
    assert [finding.grade for finding in found] == [Grade.PASS, Grade.UNPROVEN]


def test_port_of_a_host_behind_a_barring_filter_names_the_filter(graded: Grading) -> None:
    """Where echoes are swallowed and every port is rejected on the way, the host is not called dead."""
    assert graded("port.open", BY_ROUTER, DEAD).found == f"rejected by {ROUTER}"


def test_each_address_has_its_own_finding(findings: Callable[..., list[Finding]]) -> None:
    """With several addresses the subject says which; one that is dead does not spoil the other."""
    v6 = "2001:db8::11"
    found = findings(Role(name="node", open=(Port(443),)), (HOST, v6), ports=(OPEN, seen(PortState.SILENT, address=v6)),
                     echoes=(*ALIVE, echo(None, address=v6, why=failure(FailureKind.NO_ANSWER))))
    assert {finding.subject: finding.grade for finding in found} == {
        f"443/tcp at {HOST}": Grade.PASS, f"443/tcp at {v6}": Grade.UNPROVEN}


def test_ports_that_speak_must_be_open(findings: Callable[..., list[Finding]]) -> None:
    """A TLS, SSH or HTTP port is a port that must accept, named once."""
    found = findings(Role(name="node", open=(Port(443),), tls=(Port(443), Port(8443)), ssh=(Port(22),), http=(Port(80),)))
    assert [(finding.check, finding.subject) for finding in found] == [
        ("port.open", "22/tcp"), ("port.open", "80/tcp"), ("port.open", "443/tcp"), ("port.open", "8443/tcp")]


@pytest.mark.parametrize("check", ["port.open", "port.closed"])
def test_udp_port_is_unproven(findings: Callable[..., list[Finding]], check: str) -> None:
    """Silence over UDP proves nothing, and nothing was sent."""
    planned = (Port(69, "udp"),)
    role = Role(name="node", open=planned) if check == "port.open" else Role(name="node", closed=planned)
    (finding,) = findings(role, echoes=ALIVE)
    assert (finding.grade, finding.subject) == (Grade.UNPROVEN, "69/udp")


def test_udp_port_that_answered_ntp_is_open(findings: Callable[..., list[Finding]]) -> None:
    """An answer in the port's own protocol is proof; one from another address or port is not."""
    role = Role(name="node", open=(Port(123, "udp"),), ntp_port=123)
    for address, port, grade in ((HOST, 123, Grade.PASS), ("192.0.2.12", 123, Grade.UNPROVEN), (HOST, 1123, Grade.UNPROVEN)):
        clock = ClockEvidence(server=address, address=address, port=port, at="", kiss_code="RATE")
        assert findings(role, clocks=(clock,))[0].grade is grade


def test_host_of_an_unknown_role_has_no_findings(findings: Callable[..., list[Finding]]) -> None:
    """Lint reports the role."""
    assert findings(Role(name="other", open=(Port(443),))) == []
