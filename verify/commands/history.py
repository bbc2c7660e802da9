"""``seatrial history``: the stored runs, one host's nights, and pruning."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verify.commands.options import store_option

if TYPE_CHECKING:
    from verify.history.store import Store

_EPILOG = """\
Runs are listed in the order they were stored, the last one first, whatever the runner's clock said.  --prune keeps a run
that any rule keeps: with --keep-days 90 --keep-runs 30 those of the last 90 days, and of each plan at least the last 30.
A run that was ever accepted as a baseline is never taken out.
"""
#: The most plans that a sentence names.
_MOST_PLANS = 8


@click.command(epilog=_EPILOG)
@click.argument("plan", type=click.Path(path_type=Path), required=False)
@click.option("--host", metavar="NAME", help="Show one host over the nights, and where its clock and certificates are heading.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document in the place of text.")
@click.option("--prune", is_flag=True, help="Take old runs out; needs --keep-days, --keep-runs, or both.")
@click.option("--keep-days", type=click.IntRange(0, 36500), metavar="N", help="With --prune: keep runs of the last N days.")
@click.option("--keep-runs", type=click.IntRange(0), metavar="N", help="With --prune: keep the last N runs of each plan.")
@store_option
def command(plan: Path | None, host: str | None, as_json: bool, prune: bool, keep_days: int | None, keep_runs: int | None,
            store: str | None) -> None:
    """List the stored runs, of every plan or of PLAN.

    PLAN is the plan's file; it need not be there any more if its runs were stored under that path.
    """
    from verify.commands.console import stop
    from verify.errors import PlanError, UsageError
    from verify.history.errors import HistoryError
    from verify.history.store import Store

    try:
        _one_purpose(host, keep_days, keep_runs, as_json=as_json, prune=prune)
        with Store.open(store) as history:
            known = _plan_id(history, plan) if plan is not None else None
            if prune:
                said = _prune(history, known, keep_days, keep_runs)
            elif host is not None:
                said = _host(history, known, host, as_json=as_json)
            else:
                said = _runs(history, known, as_json=as_json)
    except (HistoryError, PlanError, UsageError) as error:
        stop(error)
    # JSON is UTF-8 wherever it goes (RFC 8259 section 8.1); text is what the terminal can show.
    click.echo(said.encode() if as_json and not prune else said)
    sys.exit(0)


def _one_purpose(host: str | None, keep_days: int | None, keep_runs: int | None, *, as_json: bool, prune: bool) -> None:
    """Refuse combinations that mean nothing.  Raises UsageError."""
    from verify.errors import UsageError

    if not prune and (keep_days is not None or keep_runs is not None):
        raise UsageError("--keep-days and --keep-runs say what --prune leaves; give --prune with them")
    if prune and keep_days is None and keep_runs is None:
        raise UsageError("--prune needs to know what to leave: give --keep-days N, --keep-runs N, or both")
    if prune and (host is not None or as_json):
        raise UsageError("--prune takes whole runs out and says so in one line; leave --host and --json out")


def _plan_id(history: Store, path: Path) -> int:
    """The plan's number in the history: by the file, or where that is gone by its last path.  Raises PlanError, UsageError."""
    from verify.errors import UsageError, did_you_mean
    from verify.files import is_there
    from verify.history import queries
    from verify.planfile import read_plan

    if is_there(path):
        read = read_plan(path)
        known = queries.known_plan(history, read)
        if known is None:
            raise UsageError(f'the history "{history.place}" holds no run of "{read.title}" yet')
        return known.id
    plans = queries.plans(history)
    found = [plan.id for plan in plans if plan.path == str(path.absolute())]
    if not found:
        mend = did_you_mean(str(path), [plan.path for plan in plans])
        raise UsageError(f'there is no plan "{path}", and the history holds no run of one that was there; {mend}')
    return found[-1]


def _runs(history: Store, plan: int | None, *, as_json: bool) -> str:
    from reports.historytext import runs_json, runs_text
    from verify.history import queries

    found = queries.runs(history, plan=plan)
    return runs_json(found, history.place) if as_json else runs_text(found, history.place)


def _prune(history: Store, plan: int | None, keep_days: int | None, keep_runs: int | None) -> str:
    import datetime

    from reports.marks import many

    before = None
    if keep_days is not None:
        before = f"{datetime.datetime.now(datetime.UTC) - datetime.timedelta(days=keep_days):%Y-%m-%dT%H:%M:%SZ}"
    done = history.prune(stored_before=before, keep_runs=keep_runs or 0, plan=plan)
    baselines = f", {done.kept_baselines} of them accepted as a baseline at some time" if done.kept_baselines else ""
    return f"{many(done.removed, 'run')} taken out, {done.kept} left{baselines}"


def _host(history: Store, plan: int | None, typed: str, *, as_json: bool) -> str:
    """One host's nights and trends.  Raises UsageError for a host that was never followed, HistoryError."""
    from reports.historytext import host_json, host_text
    from verify.commands.console import columns
    from verify.history import queries
    from verify.history.following import OFFSET, drawn
    from verify.history.rows import VERDICT

    plan, name = _named(history, plan, typed)
    followed = queries.followed(history, plan, host=name)
    ends = queries.followed_endings(history, plan, host=name)
    # The last run that looked at this host: what it judges is what may have a trend.
    [visits] = [one for one in followed if one.check == VERDICT]
    last = queries.lean_report(history, queries.find(history, visits.nights[-1].run), host=name)
    trends = drawn([one for one in followed if one.check == OFFSET], ends, last)
    if as_json:
        return host_json(name, followed, ends, trends, history.place)
    return host_text(name, followed, ends, trends, width=columns())


def _named(history: Store, plan: int | None, typed: str) -> tuple[int, str]:
    """The plan and the full name of the host that a person means.  Raises UsageError."""
    from shared.hostnames import canonical
    from verify.errors import UsageError, did_you_mean
    from verify.history import queries

    wanted = canonical(typed)
    plans = [known.id for known in queries.plans(history) if plan in (None, known.id)]
    named = [(each, name) for each in plans for name in queries.hosts_of(history, each)
             if wanted in (name, name.partition(".")[0])]
    if not named:
        known_names = sorted({name.partition(".")[0] for each in plans for name in queries.hosts_of(history, each)})
        raise UsageError(f'--host {typed}: the history has no host of that name; {did_you_mean(wanted, known_names)}')
    if len(named) > 1:
        paths = {known.id: known.path for known in queries.plans(history)}
        names = ", ".join(f"{name} in {paths[each]}" for each, name in named[:_MOST_PLANS])
        more = f" and {len(named) - _MOST_PLANS} more" if len(named) > _MOST_PLANS else ""
        raise UsageError(f"--host {typed}: several plans have such a host ({names}{more}); name the plan too: "
                         f"seatrial history PLAN --host {typed}")
    return named[0]
