"""``seatrial regrade``: grade stored evidence again, with other limits or a newer plan."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from verify.commands.options import store_option

_EPILOG = """\
The exit status is that of the new grades, as of "verify".  Waivers are judged by the day on which the run ended.  The stored run
is left as it is, and no run is added to the history.
"""


@click.command(epilog=_EPILOG)
@click.argument("run")
@click.option("--plan", type=click.Path(path_type=Path), metavar="FILE", help="Grade by this plan, not by the one stored.")
@click.option("--profile", metavar="NAME|FILE", help="Limits to grade with: lab, production, strict, or a TOML file.")
@click.option("--json", metavar="FILE", help="Write the new JSON report here; - is standard output.")
@click.option("--html", metavar="FILE", help="Write the new HTML report here; - is standard output.")
@click.option("--strict", is_flag=True, help="Exit with 1 on cautions too.")
@store_option
def command(run: str, plan: Path | None, profile: str | None, json: str | None, html: str | None, strict: bool,
            store: str | None) -> None:
    """Grade the evidence of RUN again and show what would have changed.  Touches no network.

    RUN is a run's id, the beginning of one, or "last".  Without options the plan, its trust anchors and the limits are those
    stored with the run, so that only a newer seatrial makes a difference.  Hosts that a newer plan adds or renames were
    not looked at, so they are unproven.
    """
    from reports.drifttext import drift_text
    from verify.commands.console import STDOUT, columns, say_remarks, stop
    from verify.commands.exits import exit_of
    from verify.commands.rendering import write_renderings
    from verify.comparing.drift import compare
    from verify.comparing.regrading import regrade
    from verify.errors import PlanError, UsageError
    from verify.history import queries
    from verify.history.errors import HistoryError
    from verify.history.place import files_of_history
    from verify.history.store import Store
    from verify.planfile import files_of, read_plan

    try:
        with Store.open(store) as history:
            stored = queries.load(history, queries.find(history, run))
        newer = read_plan(plan) if plan else None
        again = regrade(stored, newer, profile)
        read = (*files_of_history(store), *(files_of(newer) if newer else ()), *([profile] if profile else []))
        written = write_renderings(again, held=read, json=json, html=html)
    except (HistoryError, PlanError, UsageError) as error:
        stop(error)
    if newer is not None:
        say_remarks(newer)
    if STDOUT not in (json, html):
        drift = compare(stored.report, again, called="the first grading")
        click.echo(drift_text(drift, width=columns(), files=[str(path) for path in written], title="Graded again; compared with "
                              "what was found then."))
    sys.exit(exit_of(again, strict=strict))
