"""Every move of a grade is told as what it is, and what else changed is told first."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from shared.boots import BootEvidence
from shared.drift import Kind
from shared.evidence import HostEvidence, SiteEvidence, Vantage
from shared.findings import SITE, Finding, Grade, ShownLimits, make_ref, verdict_of
from shared.run import SCHEMA, Counts, Coverage, HostReport, PlanReference, Report, RunFacts, SiteReport, Tool
from verify.comparing.drift import compare

P, C, F, U, W = Grade.PASS, Grade.CAUTION, Grade.FAIL, Grade.UNPROVEN, Grade.WAIVED
LIMIT = ShownLimits(caution=0.1, fail=1.0, name="clock_offset", sense="at most", origin="test")


def finding(host: str, check: str, subject: str, grade: Grade, *, found: str = "", because: tuple[str, ...] = ()) -> Finding:
    return Finding(check=check, subject=subject, grade=grade, planned="", found=found, message=f"{check} is {grade}",
                   ref=make_ref(host, check, subject), because=because, fix=("mend it",) if grade in (F, C) else ())


def host(name: str, *findings: Finding, evidence: HostEvidence | None = None) -> HostReport:
    return HostReport(name=name, address="192.0.2.11", addresses=("192.0.2.11",), network="mgmt", role="node",
                      verdict=verdict_of({one.grade for one in findings}), findings=findings,
                      evidence=evidence or HostEvidence(fqdn=name))


def report(*hosts: HostReport, site: tuple[Finding, ...] = (), **facts: Any) -> Report:
    usual: dict[str, Any] = {
        "id": "20270304T091224Z-7f3a", "kind": "drift", "started": "2027-03-04T09:12:24Z", "finished": "2027-03-04T09:12:38Z",
        "complete": True, "tool": Tool(name="seatrial", version="0.1.0"), "vantage": Vantage(name="pier-1"), "operator": "",
        "reason": "", "ticket": "", "profile": "production", "limits": (LIMIT,),
        "plan": PlanReference(title="rack 2", file="tidewater.toml", sha256="a" * 64)}
    run = RunFacts(**(usual | facts))
    grades = {one.grade for each in hosts for one in each.findings} | {one.grade for one in site}
    return Report(schema=SCHEMA, verdict=verdict_of(grades), counts=Counts(), coverage=Coverage(planned=0, proven=0), causes=(),
                  run=run, site=SiteReport(findings=site, evidence=SiteEvidence()), hosts=tuple(hosts))


MOVES = [
    (P, F, Kind.NEW_FAIL), (C, F, Kind.NEW_FAIL), (U, F, Kind.NEW_FAIL), (W, F, Kind.NEW_FAIL), (None, F, Kind.NEW_FAIL),
    (F, F, Kind.STILL_OPEN), (C, C, Kind.STILL_OPEN), (F, C, Kind.STILL_OPEN),
    (P, C, Kind.NEW_CAUTION), (U, C, Kind.NEW_CAUTION), (W, C, Kind.NEW_CAUTION), (None, C, Kind.NEW_CAUTION),
    (P, U, Kind.NEWLY_UNPROVEN), (C, U, Kind.NEWLY_UNPROVEN), (F, U, Kind.NEWLY_UNPROVEN), (W, U, Kind.NEWLY_UNPROVEN),
    (None, U, Kind.NEWLY_UNPROVEN), (U, U, Kind.STILL_UNPROVEN),
    (F, P, Kind.MENDED), (C, P, Kind.MENDED), (U, P, Kind.PROVEN_NOW),
    (F, W, Kind.NEWLY_WAIVED), (C, W, Kind.NEWLY_WAIVED), (U, W, Kind.NEWLY_WAIVED),
    (P, W, Kind.NEWLY_WAIVED), (None, W, Kind.NEWLY_WAIVED),
    (F, None, Kind.NOT_ASKED), (C, None, Kind.NOT_ASKED), (U, None, Kind.NOT_ASKED),
    (P, P, None), (W, W, None), (W, P, None), (None, P, None), (P, None, None), (W, None, None),
]


@pytest.mark.parametrize(("before", "after", "kind"), MOVES)
def test_every_pair_of_grades_has_its_name(before: Grade | None, after: Grade | None, kind: Kind | None) -> None:
    """What is unproven is never mended, what is not asked any more is neither, and what is good as before is no news."""
    old, new = (() if grade is None else (finding("a", "port.open", "22/tcp", grade),) for grade in (before, after))
    drift = compare(report(host("a", *old)), report(host("a", *new)))
    assert [move.kind for move in drift.moves] == ([kind] if kind else [])
    good = kind is None and after is not None
    assert (drift.unchanged, drift.good_anew) == (int(good and before is not None), int(good and before is None))
    assert drift.worse == (kind in (Kind.NEW_FAIL, Kind.NEW_CAUTION, Kind.NEWLY_UNPROVEN))


@pytest.mark.parametrize("grade", [F, C, U])
def test_the_reboot_that_was_accepted_is_not_missed_every_night(grade: Grade) -> None:
    """Only a run of await sees one, and a nightly run asks about none; another await that tells nothing of it is told."""
    watch = BootEvidence(began="", ended="", rounds=1, round_seconds=5, steady_rounds=3, steady_seconds=30, why="settled")
    seen = HostEvidence(fqdn="a", boot=watch)
    accepted = report(host("a", finding("a", "boot.down", "reboot", grade), evidence=seen), kind="await")
    assert compare(accepted, report(host("a"))).moves == ()
    assert [move.kind for move in compare(accepted, report(host("a", evidence=seen), kind="await")).moves] == [Kind.NOT_ASKED]


def test_a_move_tells_what_was_found_then_and_now() -> None:
    """Then first."""
    old, new = finding("a", "port.open", "22/tcp", P, found="open"), finding("a", "port.open", "22/tcp", F, found="refused")
    [move] = compare(report(host("a", old)), report(host("a", new))).moves
    assert (move.was, move.now) == ("open", "refused")


def test_every_pair_of_grades_is_in_the_table_above() -> None:
    """Six by six, less the pair of nothing and nothing."""
    outcomes = [None, *Grade]
    assert sorted((str(before), str(after)) for before, after, _ in MOVES) == sorted(
        (str(before), str(after)) for before in outcomes for after in outcomes if (before, after) != (None, None))


def test_a_run_is_as_itself() -> None:
    """Nothing moved, nothing changed, nothing said first."""
    same = report(host("a", finding("a", "port.open", "22/tcp", P)), site=(finding(SITE, "name.server", "192.0.2.53", P),))
    drift = compare(same, same)
    assert (drift.moves, drift.values, drift.context, drift.unchanged, drift.worse) == ((), (), (), 2, False)


@pytest.mark.parametrize(("changed", "words"), [
    ({"plan": PlanReference(title="rack 2", file="tidewater.toml", sha256="b" * 64)}, "The plan has changed"),
    ({"profile": "strict"}, "production then, strict now"),
    ({"tool": Tool(name="seatrial", version="0.2.0")}, "seatrial 0.1.0 then, seatrial 0.2.0 now"),
    ({"limits": (msgspec.structs.replace(LIMIT, fail=0.5),)}, "caution 100 ms, fail 1 s then, caution 100 ms, fail 500 ms now"),
    ({"vantage": Vantage(name="pier-2")}, "pier-1 then, pier-2 now"),
    ({"vantage": Vantage(name="pier-1", privileges=("icmp",))}, "none then, icmp now"),
    ({"complete": False}, "interrupted"),
])
def test_what_may_explain_the_rest_is_said(changed: dict[str, Any], words: str) -> None:
    """One sentence for each, and none without a change."""
    drift = compare(report(), report(**changed))
    assert len(drift.context) == 1
    assert words in drift.context[0]


def test_what_an_interrupted_run_did_not_come_to_is_not_compared() -> None:
    """Of a host that it was not done with nothing is newly unproven or no longer asked; what it did prove counts."""
    was = [finding(name, check, "22/tcp", P) for name in ("a", "b") for check in ("port.open", "ssh.identity", "ssh.host-key")]
    site = (finding(SITE, "name.server", "192.0.2.53", P),)
    undone = host("b", finding("b", "port.open", "22/tcp", F), finding("b", "ssh.identity", "22/tcp", U),
                  evidence=HostEvidence(fqdn="b", complete=False))
    done = host("a", was[0], finding("a", "ssh.identity", "22/tcp", U), was[2])
    before = report(host("a", *was[:3]), host("b", *was[3:]), site=site)
    drift = compare(before, report(done, undone, complete=False))
    assert [(move.kind, move.ref) for move in drift.moves] == [
        (Kind.NEW_FAIL, "b|port.open|22/tcp"), (Kind.NEWLY_UNPROVEN, "a|ssh.identity|22/tcp")]
    assert drift.unchanged == 2
    [said] = drift.context
    assert "1 of its 2 hosts" in said
    assert not drift.complete


def test_what_is_said_of_the_earlier_run_names_it_as_what_it_is() -> None:
    """Two runs that somebody chose are not compared with the baseline."""
    changed = report(plan=PlanReference(title="rack 2", file="tidewater.toml", sha256="b" * 64))
    assert "since the baseline" in compare(report(), changed).context[0]
    drift = compare(report(), changed, called="the run before")
    assert "since the run before" in drift.context[0]
    assert drift.called == "the run before"


def test_hosts_come_and_go() -> None:
    """An added host's faults are new; a gone host's are no news; one that was not visited is neither."""
    bad = [finding(name, "port.open", "22/tcp", F) for name in ("a", "b", "c")]
    drift = compare(report(host("a", bad[0]), host("b", bad[1])), report(host("c", bad[2])), planned=["b", "c"])
    assert (drift.hosts_added, drift.hosts_gone, drift.hosts_skipped) == (("c",), ("a",), 1)
    assert [(move.kind, move.host) for move in drift.moves] == [(Kind.NEW_FAIL, "c")]
    assert drift.worse


def test_a_gone_host_is_worth_a_word_even_where_all_else_is_well() -> None:
    """It was accepted with it."""
    assert compare(report(host("a", finding("a", "port.open", "22/tcp", P))), report()).worse


def test_checks_that_were_not_asked_for_are_not_missed() -> None:
    """A run of some checks says nothing of the others."""
    old = host("a", finding("a", "port.open", "22/tcp", F), finding("a", "name.forward", "192.0.2.53", F))
    new = host("a", finding("a", "name.forward", "192.0.2.53", P))
    drift = compare(report(old), report(new), checks=["name.forward"])
    assert [(move.kind, move.check) for move in drift.moves] == [(Kind.MENDED, "name.forward")]


def test_effects_are_folded_under_the_farthest_cause_that_is_shown() -> None:
    """A dead host explains its ports and its clock; the count says how many."""
    echo = finding("a", "host.echo", "192.0.2.11", F)
    port = finding("a", "port.open", "22/tcp", U, because=(echo.ref,))
    ssh = finding("a", "ssh.identity", "22/tcp", U, because=(port.ref,))
    before = report(host("a", *(msgspec.structs.replace(one, grade=P, because=()) for one in (echo, port, ssh))))
    drift = compare(before, report(host("a", echo, port, ssh)))
    by_check = {move.check: move for move in drift.moves}
    assert by_check["host.echo"].explains == 2
    assert by_check["port.open"].folded_under == by_check["ssh.identity"].folded_under == echo.ref
    assert by_check["host.echo"].folded_under == ""


def test_a_circle_of_causes_ends() -> None:
    """It should never be, and must not hang a night."""
    one = finding("a", "host.echo", "x", F, because=(make_ref("a", "port.open", "y"),))
    other = finding("a", "port.open", "y", F, because=(one.ref,))
    assert len(compare(report(host("a")), report(host("a", one, other))).moves) == 2


def test_moves_come_in_the_order_in_which_one_wants_to_know() -> None:
    """New failures first, what is not asked any more last."""
    pairs = {"22/tcp": (F, F), "80/tcp": (F, P), "443/tcp": (P, F), "23/tcp": (P, U)}
    old = host("a", *(finding("a", "port.open", port, grades[0]) for port, grades in pairs.items()))
    new = host("a", *(finding("a", "port.open", port, grades[1]) for port, grades in pairs.items()))
    kinds = [move.kind for move in compare(report(old), report(new)).moves]
    assert kinds == [Kind.NEW_FAIL, Kind.NEWLY_UNPROVEN, Kind.MENDED, Kind.STILL_OPEN]
