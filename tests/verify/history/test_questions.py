"""What the history answers about many nights, and that it finds the answers by index."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest
from sqlalchemy import Select, text

from reports.drifttext import heading
from shared.findings import Measured
from shared.plan import Plan
from shared.run import Report
from verify.history import queries, rows
from verify.history.engine import reading
from verify.history.following import drawn, trends_of
from verify.history.store import Store

MakeRun = Callable[..., Report]
MakePlan = Callable[..., Plan]
HOST = "dome-a.obs.example.net"


def with_offset(report: Report, seconds: float | None) -> Report:
    """The run with another clock offset of dome-a, or with none."""
    first = report.hosts[0]
    findings = tuple(msgspec.structs.replace(finding, measured=None if seconds is None else Measured(seconds, 8e-5, "s"))
                     if finding.check == "clock.offset" else finding for finding in first.findings)
    return msgspec.structs.replace(report, hosts=(msgspec.structs.replace(first, findings=findings), *report.hosts[1:]))


def test_a_value_is_followed_over_the_nights(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """In the order they were stored, with grade, value and uncertainty."""
    for night in range(3):
        store.keep(with_offset(make_run(night), night / 1000), make_plan())
    [followed] = queries.followed(store, 1, host=HOST, check="clock.offset")
    assert [(night.run, night.grade, night.value, night.uncertainty) for night in followed.nights] == [
        (make_run(night).run.id, "pass", night / 1000, 8e-5) for night in range(3)]
    assert queries.followed(store, 1, host=HOST, check="clock.offset", since=3)[0].nights == followed.nights[2:]


def test_the_verdict_on_a_host_is_followed_too(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """As a series without a check."""
    store.keep(make_run(), make_plan())
    followed = queries.followed(store, 1, check=rows.VERDICT)
    assert {(one.host, one.nights[0].grade) for one in followed} == {(host.name, host.verdict.value) for host in make_run().hosts}
    assert queries.hosts_of(store) == sorted(host.name for host in make_run().hosts)


def test_every_finding_that_was_no_pass_has_its_night(make_run: MakeRun) -> None:
    """And every measured one; a pass without a value has none, so that no row is no pass."""
    report = make_run()
    found = {(point.host, point.check, point.subject) for point in rows.points(report)}
    for finding in report.findings():
        key = (finding.ref.partition("|")[0], finding.check, finding.subject)
        assert (key in found) == (finding.grade != "pass" or finding.measured is not None)


def test_trends_are_drawn_from_what_is_stored(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """A clock that gains 2 ms a night is seen to, and every certificate has its day."""
    for night in range(20):
        store.keep(with_offset(make_run(night), 0.002 * night), make_plan())
    trends = {(trend.host, trend.what): trend for trend in trends_of(store, 1, make_run(19))}
    clock = trends[HOST, "clock offset"]
    assert clock.per_day is not None
    assert clock.per_day.value == pytest.approx(0.002, rel=1e-6)
    # 100 ms, the sample's caution limit, lies 31 nights after the 38 ms of the 20th: 2027-04-20.
    assert clock.crossings[0].earliest <= "2027-04-20" <= clock.crossings[0].latest
    # The sample's certificates end on 2027-12-01, and its caution limit is 30 d.
    assert trends[HOST, "certificate life"].crossings[0].earliest == "2027-11-01"


def test_a_value_of_nights_ago_is_not_called_the_present_one(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """Neither of a clock that could not be read since, nor of a certificate that was not seen."""
    for night in range(2):
        store.keep(with_offset(make_run(night), 0.002), make_plan())
    blind = with_offset(make_run(5), None)
    first = blind.hosts[0]
    unseen = msgspec.structs.replace(first, evidence=msgspec.structs.replace(first.evidence, tls=()))
    blind = msgspec.structs.replace(blind, hosts=(unseen, *blind.hosts[1:]))
    store.keep(blind, make_plan())
    trends = {(trend.host, trend.what): trend for trend in trends_of(store, 1, blind)}
    clock, life = trends[HOST, "clock offset"], trends[HOST, "certificate life"]
    assert (clock.until, life.until) == ("2027-03-02", "2027-03-02")
    assert heading(clock).startswith("2 ms on 2027-03-02; ")
    assert {trend.until for (host, what), trend in trends.items() if host != HOST and what == "clock offset"} == {""}


def test_what_is_no_longer_judged_has_no_trend(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """A port or an address that the plan does not name any more is the past."""
    store.keep(make_run(), make_plan())
    report = make_run()
    clocks, ends = queries.followed(store, 1, check="clock.offset"), queries.followed_endings(store, 1)
    assert drawn(clocks, ends, report) != ()
    bare = tuple(msgspec.structs.replace(host, findings=()) for host in report.hosts)
    assert drawn(clocks, ends, msgspec.structs.replace(report, hosts=bare)) == ()


@pytest.mark.parametrize(("query", "tables"), [
    (queries.followed_query(1, host=HOST, check=None, since=0), 3),
    (queries.followed_query(1, host=None, check="clock.offset", since=5), 3),
    (queries.endings_query(1, host=HOST, since=0), 3),
    (queries.endings_query(1, host=None, since=5), 3),
])
def test_questions_about_many_nights_scan_no_table(
    file_store: Store, make_run: MakeRun, make_plan: MakePlan, query: Select[tuple[object]], tables: int
) -> None:
    """SQLite looks up every table by an index or by its key, whatever it holds."""
    for night in range(3):
        file_store.keep(make_run(night), make_plan())
    sql = str(query.compile(file_store.engine, compile_kwargs={"literal_binds": True}))
    with reading(file_store.engine) as connection:
        connection.execute(text("SELECT 1"))
        steps = [row[3] for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {sql}")]
    looked_up = [step for step in steps if step.startswith("SEARCH")]
    assert len(looked_up) == tables, steps
    assert not [step for step in steps if step.startswith("SCAN")], steps


def test_listing_runs_reads_none_of_them(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """The large columns stand in tables of their own."""
    store.keep(make_run(), make_plan())
    statements: list[str] = []
    from sqlalchemy import event

    event.listen(store.engine, "before_cursor_execute", lambda _c, _cursor, statement, *_rest: statements.append(statement))
    assert len(queries.runs(store)) == 1
    asked = " ".join(statements)
    assert "FROM run" in asked
    assert "content" not in asked
