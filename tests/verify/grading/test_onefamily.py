"""host.runner: a runner without one of the planned address families, and what is told once for it."""

from __future__ import annotations

import datetime
from collections.abc import Callable

import msgspec
import pytest

from shared import catalogue
from shared.evidence import (
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
from shared.findings import SITE, Finding, Grade, make_ref
from shared.plan import Endpoint, Plan
from verify.assembly import Request, assemble
from verify.grading.case import Case
from verify.grading.onefamily import explain, grade_site

FQDN, FOUR, SIX = "dome-a.obs.example.net", "192.0.2.11", "2001:db8::11"
NO_ROUTE = Failure(kind=FailureKind.NO_ROUTE, phase="send", elapsed_seconds=0.0, detail="Network is unreachable")
SILENT = Failure(kind=FailureKind.NO_ANSWER, phase="answer", elapsed_seconds=2.0)


def echo(address: str, why: Failure | None = None) -> EchoEvidence:
    return EchoEvidence(address=address, method="icmp-raw", at="", round_trips_seconds=() if why else (0.001,), failure=why)


def port(address: str, why: Failure | None = None) -> PortEvidence:
    return PortEvidence(address=address, port="22/tcp", state=PortState.UNTRIED if why else PortState.OPEN, at="",
                        elapsed_seconds=0.0, attempts=1, failure=why)


@pytest.fixture
def case(make_plan: Callable[..., Plan]) -> Callable[..., Case]:
    """``case(echoes, ports)``: a host with an address of each family, as the runner saw it."""

    def build(*seen: EchoEvidence | PortEvidence) -> Case:
        plan = make_plan()
        plan = msgspec.structs.replace(plan, hosts=(msgspec.structs.replace(plan.hosts[0], addresses=(FOUR, SIX)),))
        host = HostEvidence(fqdn=FQDN, echoes=tuple(one for one in seen if isinstance(one, EchoEvidence)),
                            ports=tuple(one for one in seen if isinstance(one, PortEvidence)))
        return Case(plan=plan, limits=catalogue.limits_of("production"), evidence=Evidence(
            vantage=Vantage(name="pier-1"), started="", finished="2026-11-30T00:00:00Z", complete=True, site=SiteEvidence(),
            hosts=(host,)))

    return build


@pytest.mark.parametrize(("seen", "families"), [
    ((echo(FOUR), echo(SIX)), []),
    ((echo(FOUR), echo(SIX, NO_ROUTE)), ["IPv6"]),
    ((echo(FOUR, NO_ROUTE), echo(SIX)), ["IPv4"]),
    ((echo(FOUR, NO_ROUTE), echo(SIX, NO_ROUTE)), ["IPv4", "IPv6"]),
    # Silence is no lack of the runner's, nor is a route to some only.
    ((echo(FOUR), echo(SIX, SILENT)), []),
    ((echo(FOUR), echo(SIX, NO_ROUTE), echo("2001:db8::12")), []),
    ((echo(FOUR), echo(SIX, NO_ROUTE), port(SIX)), []),
    ((echo(FOUR), echo(SIX, NO_ROUTE), port(SIX, NO_ROUTE)), ["IPv6"]),
    # What was not asked says nothing.
    ((echo(FOUR),), []),
    ((), []),
])
def test_a_family_without_any_route_is_one_finding(case, seen, families) -> None:
    found = grade_site(case(*seen))
    assert [(one.subject, one.grade) for one in found] == [(family, Grade.UNPROVEN) for family in families]


def test_it_says_where_how_many_and_what_stands(case) -> None:
    (found,) = grade_site(case(echo(FOUR), echo(SIX, NO_ROUTE), echo("2001:db8::12", NO_ROUTE)))
    assert found.message == ("pier-1 has no route to any of the 2 planned IPv6 addresses: what was to be asked over IPv6 is "
                             "unproven, and the rest stands.")
    assert found.fix[0].startswith("run from a machine that has IPv6")


def unproven(check: str, subject: str, symptom: str = "", owner: str = FQDN, **fields: object) -> Finding:
    return Finding(**{"check": check, "subject": subject, "grade": Grade.UNPROVEN, "planned": "", "found": "", "message": "",
                      "ref": make_ref(owner, check, subject), "symptom": symptom, "vantage": "pier-1", **fields})


@pytest.mark.parametrize(("finding", "folded"), [
    (unproven("host.echo", SIX), True),
    (unproven("port.open", f"22/tcp at {SIX}"), True),
    (unproven("gateway.return-path", "2001:db8::1"), True),
    (unproven("name.server", "[2001:db8::53]:5353", owner=SITE), True),
    (unproven("name.server", "[2001:db8::53]:5353 2.0.192.in-addr.arpa", owner=SITE), True),
    (unproven("host.echo", FOUR), False),
    (unproven("port.open", f"22/tcp at {FOUR}"), False),
    # An IPv4 server was asked about an IPv6 address, and has its own reason not to say.
    (unproven("name.reverse", f"192.0.2.53 {SIX}"), False),
    # One name server and one time source of IPv4 are there to be asked.
    (unproven("clock.offset", FOUR, "no-agreed-time"), False),
    (unproven("clock.source", "time4.obs.example.net", "not-resolved", owner=SITE), False),
    # What the host says of itself is not seen from the runner's place.
    (unproven("system.address", SIX), False),
    (unproven("gateway.return-path", "2001:db8::1", vantage=f"{FQDN} itself over SSH"), False),
    (unproven("host.echo", SIX, grade=Grade.FAIL), False),
    (unproven("host.echo", SIX, because=("another",)), False),
])
def test_what_is_folded_is_only_what_could_not_be_asked(case, finding, folded) -> None:
    seen = case(echo(FOUR), echo(SIX, NO_ROUTE))
    (runner,) = grade_site(seen)
    told = explain(seen.plan, [runner, finding])
    assert told[1].because == ((runner.ref,) if folded else finding.because)
    assert explain(seen.plan, [finding]) == [finding]


def test_names_and_time_that_were_only_to_be_had_over_that_family_wait_for_it_too(case) -> None:
    """No name server and no time source was left."""
    seen = case(echo(FOUR), echo(SIX, NO_ROUTE))
    plan = msgspec.structs.replace(
        seen.plan, name_servers=(Endpoint("2001:db8::53", 53, "2001:db8::53"),),
        time_sources=tuple(Endpoint(name, 123, name) for name in ("2001:db8::61", "time4.obs.example.net")))
    (runner,) = grade_site(seen)
    waiting = [unproven("clock.offset", FOUR, "no-agreed-time"), unproven("clock.sources-agree", "time sources", owner=SITE),
               unproven("clock.source", "time4.obs.example.net", "not-resolved", owner=SITE), unproven("host.ipv6", FQDN)]
    assert {one.because for one in explain(plan, [runner, *waiting])[1:]} == {(runner.ref,)}


def test_the_ports_of_a_host_of_that_family_alone_wait_for_it(case) -> None:
    """Their findings do not name its only address."""
    seen = case(echo(FOUR), echo(SIX, NO_ROUTE))
    (runner,) = grade_site(seen)
    waiting = unproven("certificate.trust", "443/tcp")
    assert explain(seen.plan, [runner, waiting])[1].because == ()
    alone = msgspec.structs.replace(seen.plan, hosts=(msgspec.structs.replace(seen.plan.hosts[0], addresses=(SIX,)),))
    assert explain(alone, [runner, waiting])[1].because == (runner.ref,)


def test_the_report_leads_with_it(case) -> None:
    """Among the causes, with what it explains; and the verdict is unproven, not a fail."""
    seen = case(echo(FOUR), port(FOUR), echo(SIX, NO_ROUTE), port(SIX, NO_ROUTE))
    report = assemble(seen.plan, seen.evidence, seen.limits, Request(run_id="1", kind="verify"),
                      today=datetime.date(2026, 11, 30), checks=frozenset({"host.echo", "port.open"}))
    (runner,) = [one for one in report.findings() if one.check == "host.runner"]
    explained = [one.subject for one in report.findings() if one.because == (runner.ref,)]
    assert explained == [SIX, f"22/tcp at {SIX}", f"443/tcp at {SIX}"]
    assert [(cause.finding, cause.explains) for cause in report.causes] == [(runner.ref, 3)]
    assert report.verdict == "unproven"
