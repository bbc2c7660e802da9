"""Stored evidence is graded again, offline: the same by itself, otherwise by other limits or a newer plan."""

from __future__ import annotations

import datetime
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest

from shared.evidence import EchoEvidence, Evidence, HostEvidence, PortEvidence, PortState, SiteEvidence, Vantage
from shared.findings import Finding, Grade, Verdict
from shared.plan import Host, Network, Plan, Waiver
from shared.run import Report
from verify import bundling, trial
from verify.assembly import Request, assemble
from verify.commands.exits import Exit, exit_of
from verify.comparing.regrading import regrade
from verify.errors import PlanError
from verify.history import queries
from verify.history.records import StoredRun
from verify.history.store import Store
from verify.planfile.profiles import limits_in_force

AT = "2026-11-25T10:00:01Z"
DAY = datetime.date(2026, 11, 25)
MakePlan = Callable[..., Plan]


def seen(plan: Plan) -> Evidence:
    """Both hosts answer echo in 60 ms; 22 and 443 are open, 23 is refused at one and open at the other."""
    def visit(fqdn: str, address: str, telnet: PortState) -> HostEvidence:
        states = {"22/tcp": PortState.OPEN, "443/tcp": PortState.OPEN, "23/tcp": telnet}
        return HostEvidence(
            fqdn=fqdn,
            echoes=(EchoEvidence(address=address, method="icmp", at=AT, round_trips_seconds=(0.06,) * 5, hop_limit=64),),
            ports=tuple(PortEvidence(address=address, port=port, state=state, at=AT, elapsed_seconds=0.06, attempts=1)
                        for port, state in states.items()))

    first, second = plan.hosts
    return Evidence(vantage=Vantage(name="pier-1"), started="2026-11-25T10:00:00Z", finished="2026-11-25T10:00:05Z",
                    complete=True, site=SiteEvidence(), hosts=(visit(first.fqdn, first.addresses[0], PortState.REFUSED),
                                                visit(second.fqdn, second.addresses[0], PortState.OPEN)))


@pytest.fixture
def keep(tmp_path: Path) -> Callable[..., StoredRun]:
    """``keep(plan, profile=None, checks=())``: a run of that plan as it comes back from a history."""
    def stored(plan: Plan, profile: str | None = None, checks: tuple[str, ...] = ()) -> StoredRun:
        from verify.selection import choose_checks

        report = assemble(plan, seen(plan), limits_in_force(plan, profile), Request(
            run_id="20261125T100000Z-7f3a", kind="verify", operator="m.tar", ticket="CHG-1042", reason="hand-over",
            reviewer="s.wave", profile=profile or plan.profile,
            command="seatrial verify tidewater.toml"), today=DAY, checks=choose_checks(checks))
        with Store.open(str(tmp_path / "history.sqlite"), create=True) as history:
            history.keep(report, plan, checks)
            return queries.load(history, queries.find(history, "last"))

    return stored


def findings(report: Report, check: str) -> dict[str, Finding]:
    return {finding.ref: finding for finding in report.findings() if finding.check == check}


def grades(report: Report, check: str) -> set[Grade]:
    return {finding.grade for finding in findings(report, check).values()}


@pytest.mark.parametrize("checks", [(), ("host.*", "port.closed")])
def test_by_itself_nothing_changes(keep: Callable[..., StoredRun], make_plan: MakePlan, checks: tuple[str, ...]) -> None:
    """The stored plan, limits, checks and day give the stored report, on whatever day it is graded again."""
    stored = keep(make_plan(), checks=checks)
    assert stored.report.findings()
    assert regrade(stored) == stored.report


def test_a_stricter_profile_shows_what_it_would_have_found(keep: Callable[..., StoredRun], make_plan: MakePlan) -> None:
    """60 ms is within production's 100 ms and beyond strict's 10 ms."""
    stored = keep(make_plan())
    assert grades(stored.report, "host.echo") == {Grade.PASS}
    again = regrade(stored, profile="strict")
    assert Grade.CAUTION in grades(again, "host.echo")
    assert again.run.profile == "strict"


def test_the_limits_of_then_are_used_though_their_file_is_gone(
    keep: Callable[..., StoredRun], make_plan: MakePlan, tmp_path: Path
) -> None:
    """They are stored with the run, with their origin."""
    profile = tmp_path / "ours.toml"
    profile.write_text('base = "production"\n[limits]\necho_round_trip = { caution = "50 ms" }\n', encoding="utf-8")
    stored = keep(make_plan(), str(profile))
    profile.unlink()
    assert Grade.CAUTION in grades(stored.report, "host.echo")
    assert regrade(stored) == stored.report


def test_a_newer_plan_judges_by_what_it_plans(keep: Callable[..., StoredRun], make_plan: MakePlan) -> None:
    """A port that need not be closed any more, and a host that is planned no longer."""
    stored = keep(make_plan())
    assert grades(stored.report, "port.closed") == {Grade.PASS, Grade.FAIL}
    role = make_plan().roles[0]
    newer = make_plan(sha256="1" * 64, hosts=make_plan().hosts[1:], roles=(msgspec.structs.replace(role, closed=()),))
    again = regrade(stored, newer)
    assert grades(again, "port.closed") == set()
    assert [host.name for host in again.hosts] == ["dome-b.obs.example.net"]
    assert again.run.plan.sha256 == "1" * 64


def named(plan: Plan, name: str, address: str) -> Host:
    """A host of the plan's first role and network by another name."""
    return msgspec.structs.replace(plan.hosts[0], name=name, fqdn=f"{name}.obs.example.net", addresses=(address,))


def store(plan: Plan, evidence: Evidence, tmp_path: Path) -> StoredRun:
    """A run of ``port.open`` alone, which both hosts of ``seen`` pass, as it comes back from a history."""
    report = assemble(plan, evidence, limits_in_force(plan, None), Request(run_id="20261125T100000Z-7f3a", kind="verify"),
                      today=DAY, checks=frozenset({"port.open"}))
    with Store.open(str(tmp_path / "ports.sqlite"), create=True) as history:
        history.keep(report, plan, ("port.open",))
        return queries.load(history, queries.find(history, "last"))


def test_a_host_that_a_newer_plan_adds_is_unproven(make_plan: MakePlan, tmp_path: Path) -> None:
    """Nobody looked at it: it is named, each of its checks is unproven, and the run is not ready for it."""
    stored = store(make_plan(), seen(make_plan()), tmp_path)
    assert stored.report.verdict is Verdict.READY
    again = regrade(stored, make_plan(hosts=(*make_plan().hosts, named(make_plan(), "dome-c", "192.0.2.13"))))
    assert [(host.name, host.verdict) for host in again.hosts] == [
        ("dome-a.obs.example.net", Verdict.READY), ("dome-b.obs.example.net", Verdict.READY),
        ("dome-c.obs.example.net", Verdict.UNPROVEN)]
    assert again.verdict is Verdict.UNPROVEN
    assert exit_of(again, strict=False) is Exit.UNPROVEN
    assert again.counts.unproven == 2
    [missing] = [held for held in again.coverage.missing if held.check == "every check"]
    assert missing.subjects == ("dome-c.obs.example.net",)
    assert "interrupted" not in missing.why


def test_a_host_that_a_newer_plan_renames_is_unproven_and_the_old_name_gone(make_plan: MakePlan, tmp_path: Path) -> None:
    """What was seen belongs to the name it was seen under, and what is planned no longer is not missing."""
    first, second = make_plan().hosts
    stored = store(make_plan(), seen(make_plan()), tmp_path)
    again = regrade(stored, make_plan(hosts=(first, named(make_plan(), "dome-z", second.addresses[0]))))
    assert [(host.name, host.verdict) for host in again.hosts] == [
        ("dome-a.obs.example.net", Verdict.READY), ("dome-z.obs.example.net", Verdict.UNPROVEN)]
    assert again.verdict is Verdict.UNPROVEN
    assert not any("dome-b" in subject for held in again.coverage.missing for subject in held.subjects)


def test_a_host_that_is_planned_no_longer_is_not_missing(make_plan: MakePlan, tmp_path: Path) -> None:
    """Also where the run was interrupted while it asked that host."""
    first, second = seen(make_plan()).hosts
    cut = msgspec.structs.replace(seen(make_plan()), complete=False,
                                  hosts=(first, msgspec.structs.replace(second, complete=False)))
    stored = store(make_plan(), cut, tmp_path)
    assert any("dome-b" in subject for held in stored.report.coverage.missing for subject in held.subjects)
    again = regrade(stored, make_plan(hosts=make_plan().hosts[:1]))
    assert not any("dome-b" in subject for held in again.coverage.missing for subject in held.subjects)


def test_a_host_that_the_run_left_out_is_still_left_out(make_plan: MakePlan, tmp_path: Path) -> None:
    """With --host one asks about some of the plan's hosts, and grading anew asks about no more."""
    stored = store(make_plan(), msgspec.structs.replace(seen(make_plan()), hosts=seen(make_plan()).hosts[:1]), tmp_path)
    assert [host.name for host in regrade(stored, make_plan(sha256="1" * 64)).hosts] == ["dome-a.obs.example.net"]


def test_waivers_are_judged_by_the_day_of_the_run(keep: Callable[..., StoredRun], make_plan: MakePlan) -> None:
    """One that held then holds for that run for ever."""
    waiver = Waiver(check="port.closed", host="dome-b", reason="phase 2", until=DAY.isoformat())
    stored = keep(make_plan(waivers=(waiver,)))
    assert grades(stored.report, "port.closed") == {Grade.PASS, Grade.WAIVED}
    assert grades(regrade(stored), "port.closed") == {Grade.PASS, Grade.WAIVED}


@pytest.mark.parametrize(("until", "grade"), [("2026-11-24", Grade.FAIL), ("2026-11-25", Grade.WAIVED)])
def test_a_run_over_midnight_is_graded_again_as_it_was(make_plan: MakePlan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                       until: str, grade: Grade) -> None:
    """It ends after the last day of a waiver that held when it began: the waiver is over, then and for ever."""
    plan = make_plan(waivers=(Waiver(check="port.closed", host="dome-b", reason="phase 2", until=until),))
    evidence = msgspec.structs.replace(seen(plan), started="2026-11-24T23:59:58Z")
    monkeypatch.setattr(trial, "probe", lambda *_asked, **_how: evidence)
    report = trial.conduct(trial.prepare(plan, trial.Trial()))
    assert grades(report, "port.closed") == {Grade.PASS, grade}
    with Store.open(str(tmp_path / "history.sqlite"), create=True) as history:
        history.keep(report, plan)
        stored = queries.load(history, queries.find(history, "last"))
    assert regrade(stored).findings() == stored.report.findings()
    assert all(proof.held for proof in bundling.prove(bundling.make(stored).content, None))


def test_a_plan_that_means_nothing_is_refused(keep: Callable[..., StoredRun], make_plan: MakePlan) -> None:
    """As before probing."""
    network = Network(name="elsewhere", subnet_typed="192.0.2.0/24", subnet="192.0.2.0/24")
    with pytest.raises(PlanError):
        regrade(keep(make_plan()), make_plan(networks=(network,)))


def test_no_network_is_touched(keep: Callable[..., StoredRun], make_plan: MakePlan, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not one socket is made."""
    stored = keep(make_plan())

    def refuse(*_arguments: Any, **_named: Any) -> None:
        pytest.fail("a socket was made")

    monkeypatch.setattr(socket, "socket", refuse)
    assert regrade(stored, profile="lab").hosts
