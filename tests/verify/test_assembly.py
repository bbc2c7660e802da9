"""What a report says of what is no finding: a bug of ours leaves something ungraded, and that is never ready."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Collection

import msgspec
import pytest

from shared import catalogue
from shared.evidence import Crash, EchoEvidence, Evidence, HostEvidence, SiteEvidence, Vantage
from shared.findings import Verdict
from shared.plan import Access, Plan, Port, Role
from shared.run import Report
from verify.assembly import Request, assemble

AT = "2027-03-04T09:12:24.000000Z"
BUG = (Crash(asking="443/tcp", error="ValueError"),)


def assembled(plan: Plan, *, site: tuple[Crash, ...] = (), first: tuple[Crash, ...] = (), suspended: float = 0.0,
              checks: Collection[str] = ("host.echo",)) -> Report:
    """A run in which every host answers every echo, and nothing else was asked."""
    hosts = tuple(HostEvidence(
        fqdn=host.fqdn, crashes=first if place == 0 else (),
        echoes=(EchoEvidence(address=host.addresses[0], method="icmp-raw", at=AT, round_trips_seconds=(0.001,) * 5),))
        for place, host in enumerate(plan.hosts))
    vantage = Vantage(name="pier-1", suspended_seconds=suspended)
    evidence = Evidence(vantage=vantage, started=AT, finished=AT, complete=True, hosts=hosts,
                        site=SiteEvidence(crashes=site))
    return assemble(plan, evidence, catalogue.limits_of("production"), Request(run_id="20270304T091224Z-7f3a", kind="verify"),
                    today=datetime.date(2027, 3, 4), checks=frozenset(checks))


def test_a_run_without_any_bug_of_ours_is_ready(make_plan: Callable[..., Plan]) -> None:
    """What the next test is held against."""
    report = assembled(make_plan())
    assert {report.verdict, *(host.verdict for host in report.hosts)} == {Verdict.READY}
    assert report.coverage.missing == ()
    assert list(report.evidence().crashes()) == []


@pytest.mark.parametrize(("site", "first", "verdicts", "subject"), [
    (BUG, (), [Verdict.READY, Verdict.READY], "site"),
    ((), BUG, [Verdict.UNPROVEN, Verdict.READY], "dome-a.obs.example.net"),
])
def test_what_a_bug_of_ours_touched_is_unproven(
    make_plan: Callable[..., Plan], site: tuple[Crash, ...], first: tuple[Crash, ...], verdicts: list[Verdict], subject: str
) -> None:
    """It has no finding that could say so; the host, the run and the list of what was not proven do."""
    report = assembled(make_plan(), site=site, first=first)
    assert report.verdict is Verdict.UNPROVEN
    assert [host.verdict for host in report.hosts] == verdicts
    [missing] = report.coverage.missing
    assert missing.subjects == (subject,)
    assert "a fault of seatrial itself" in missing.why
    assert list(report.evidence().crashes()) == list(BUG)


def test_a_run_in_which_the_runner_slept_says_what_that_leaves_open(make_plan: Callable[..., Plan]) -> None:
    """What passed has passed; what did not may be the runner's doing."""
    report = assembled(make_plan(), suspended=3725.0)
    assert report.verdict is Verdict.READY
    [missing] = report.coverage.missing
    assert "suspended for 62.1 min" in missing.why


@pytest.mark.parametrize(("shut", "subjects"), [
    ((True, True), ("every host",)), ((False, True), ("dome-b.obs.example.net",)), ((False, False), ()),
])
def test_what_nobody_could_ask_a_host_is_listed(
    make_plan: Callable[..., Plan], shut: Collection[bool], subjects: Collection[str]
) -> None:
    """A report without access may be green: it says that masks, name servers and what starts at boot were not looked at."""
    plan = make_plan()
    roles = tuple(Role(name=str(place), ssh=(Port(22),), access=not no) for place, no in enumerate(shut))
    plan = msgspec.structs.replace(
        plan, access=Access(user="trial", known_hosts="known_hosts"), roles=roles,
        hosts=tuple(msgspec.structs.replace(host, role=role.name) for host, role in zip(plan.hosts, roles, strict=True)))
    missing = assembled(plan, checks=("host.echo", "system.address")).coverage.missing
    assert [held.subjects for held in missing if held.check == "system.*"] == ([tuple(subjects)] if subjects else [])
    assert not any(held.check == "system.*" for held in assembled(plan).coverage.missing), "nobody wanted to know"
