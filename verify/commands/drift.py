"""``seatrial drift``: verify, and compare with the accepted baseline."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verify.commands.options import ProbingOptions, probing_options

if TYPE_CHECKING:
    from shared.drift import Trend
    from shared.history import Nights
    from shared.plan import Plan
    from shared.run import Report
    from verify.history.records import Baseline

_EPILOG = """\
The exit status is that of the run itself, as of "verify": 0 ready, 1 at least one fail, 3 something unproven.  With
--strict, anything that got worse or is not what was accepted gives 1 too.  Without a baseline, or while another drift run
of the same plan is going on, it is 2 and nothing is probed.

A plan is known by its domain and title, so a file that moved keeps its baseline; one that was given another title or
another domain is known by its path.  Either is said first.
"""


@click.command(epilog=_EPILOG)
@click.argument("plan", type=click.Path(path_type=Path))
@probing_options
def command(plan: Path, options: ProbingOptions) -> None:
    """Verify PLAN and compare what is found, check by check, with its accepted baseline.

    Said first: a changed plan, profile, limit or tool.  Then what got worse (new failures, cautions, and what is unproven
    now), what changed without changing its grade (a certificate, a host key, an answer, a clock beyond both
    uncertainties), what was mended, what is still open, and which limit will be crossed when if nothing changes.
    """
    from verify.commands.console import stop
    from verify.commands.exits import Exit, exit_of
    from verify.commands.probing import probe
    from verify.errors import PlanError, UsageError
    from verify.history.errors import HistoryError
    from verify.history.lock import only_one
    from verify.planfile import read_plan

    looked_up: Nights | None = None

    def nights(report: Report) -> Nights:
        nonlocal looked_up
        looked_up = _nights(report, options)
        return looked_up

    try:
        read = read_plan(plan)
        with only_one(read):
            baseline, before, moved = _baseline(read, options)
            probed = probe(read, options, kind="drift", nights=nights)
    except (PlanError, UsageError, HistoryError) as error:
        stop(error)
    # A run that was not stored has no nights of its own; the trends are then those of the nights before it.
    report = probed.report
    trends = looked_up.trends if looked_up else _trends(read, report, options)
    worse = _compare(read, options, baseline, before, report, trends, moved, probed.written)
    if probed.unwritten:
        stop(UsageError(probed.unwritten))
    status = exit_of(report, strict=options.strict)
    sys.exit(Exit.FAILED if worse and options.strict and status in (Exit.READY, Exit.UNPROVEN) else status)


def _baseline(plan: Plan, options: ProbingOptions) -> tuple[Baseline, Report, list[str]]:
    """The baseline, its report, and what to say of how the plan was recognised.

    Raises UsageError where there is none, HistoryError where the history cannot be read.
    """
    from verify.errors import UsageError
    from verify.history import identity, queries
    from verify.history.store import Store

    with Store.open(options.store) as history:
        known = queries.known_plan(history, plan)
        found = queries.baseline(history, known.id) if known else None
        if known is None or found is None:
            what = "has no baseline yet" if known else "is not in the history yet"
            raise UsageError(f'"{plan.title}" {what}; run "seatrial verify {plan.file}", and when its report is as it should '
                             'be, "seatrial accept last"')
        return found, queries.lean_report(history, found.run), identity.moves(known, plan)


def _compare(plan: Plan, options: ProbingOptions, baseline: Baseline, before: Report, report: Report,
             trends: tuple[Trend, ...], moved: list[str], written: list[Path]) -> bool:
    """Print the comparison, unless a report went to standard output; whether anything got worse."""
    import msgspec

    from reports.drifttext import drift_text
    from verify.commands.console import STDOUT, columns
    from verify.commands.probing import say_faults
    from verify.comparing.drift import compare
    from verify.selection import choose_checks

    drift = compare(before, report, planned=[host.fqdn for host in plan.hosts], checks=choose_checks(options.only))
    by = f"{baseline.accepted[:10]} by {baseline.operator or 'nobody named'}"
    reason = f" ({baseline.reason})" if baseline.reason else ""
    drift = msgspec.structs.replace(drift, accepted=by + reason, context=(*moved, *drift.context), trends=trends)
    say_faults(report)
    if STDOUT not in (options.json, options.html):
        text = drift_text(drift, width=columns(), files=[str(path) for path in written], quiet=options.quiet,
                          whole="" if options.no_store else
                          f"seatrial report --before {before.run.id} --after {report.run.id} --html FILE")
        if text:
            click.echo(text)
    return drift.worse


def _nights(report: Report, options: ProbingOptions) -> Nights:
    """What the runs up to this one saw, for its page; nothing where the history can no longer be read, which is said."""
    from shared.history import NO_NIGHTS
    from verify.commands.console import tell
    from verify.history import queries
    from verify.history.errors import HistoryError
    from verify.history.following import nights_until
    from verify.history.store import Store

    try:
        with Store.open(options.store) as history:
            return nights_until(history, queries.find(history, report.run.id), report)
    except HistoryError as error:
        tell(f"no nights and no trends are shown: {error}")
        return NO_NIGHTS


def _trends(plan: Plan, report: Report, options: ProbingOptions) -> tuple[Trend, ...]:
    """Where clocks and certificates are heading; none where the history can no longer be read, which has been said."""
    from verify.commands.console import tell
    from verify.history import queries
    from verify.history.errors import HistoryError
    from verify.history.following import trends_of
    from verify.history.store import Store

    try:
        with Store.open(options.store) as history:
            known = queries.known_plan(history, plan)
            return trends_of(history, known.id, report) if known else ()
    except HistoryError as error:
        tell(f"no trends are shown: {error}")
        return ()
