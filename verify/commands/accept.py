"""``seatrial accept``: make a stored run the baseline of its plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from verify.commands.options import account, store_option

if TYPE_CHECKING:
    from shared.history import RunRecord


@click.command()
@click.argument("run")
@click.option("--reason", default="", metavar="TEXT", help="Why it is accepted; needed where something failed or is unproven.")
@click.option("--operator", default=account, metavar="TEXT", help="Who accepts it; your account name unless given.")
@store_option
def command(run: str, reason: str, operator: str, store: str | None) -> None:
    """Make RUN the baseline that "drift" compares its plan with.

    RUN is a run's id, the beginning of one, or "last".  A run whose verdict is ready, with cautions or without, is
    accepted as it is; any other needs a --reason, which is kept and shown, and so does one that met a fault of seatrial itself.
    A run that was interrupted, or that looked at some hosts or checks only, cannot be a baseline.  The plan's earlier
    baselines stay in the history.
    """
    from reports.marks import many
    from verify.commands.console import stop
    from verify.errors import UsageError
    from verify.history import queries
    from verify.history.errors import HistoryError
    from verify.history.store import Store

    try:
        with Store.open(store) as history:
            record = queries.find(history, run)
            faults = len(queries.lean_report(history, record).evidence().crashes())
            refusal = _refusal(record, reason, faults)
            if refusal:
                raise UsageError(refusal)
            earlier = queries.baseline(history, record.plan)
            history.accept(record, operator=operator, reason=reason)
    except (HistoryError, UsageError) as error:
        stop(error)
    click.echo(f'run {record.id} ({record.verdict}) is now the baseline of "{record.title}"')
    if faults:
        click.echo(f"what {many(faults, 'fault')} of seatrial itself touched is not graded in it; drift will call that new")
    if earlier is not None:
        click.echo(f"it follows {earlier.run.id}, accepted {earlier.accepted[:10]}, which stays in the history")


def _refusal(record: RunRecord, reason: str, faults: int) -> str:
    """Why a run cannot be accepted, with the mend, or nothing."""
    from reports.marks import many

    if not record.complete:
        return f"run {record.id} was interrupted, and a partial run cannot be a baseline; verify again and accept that"
    if record.part:
        return (f"run {record.id} looked at some hosts or checks only, and drift would call all others new; verify the whole "
                "plan and accept that")
    if faults and not reason.strip():
        return (f"run {record.id} met {many(faults, 'fault')} of seatrial itself, and what that touched is not graded; verify "
                'again and accept that, or accept it as it is with --reason "why"')
    if not record.acceptable and not reason.strip():
        what = f"{record.fail} failed" if record.fail else f"{record.unproven} unproven"
        return (f"run {record.id} is {record.verdict} ({what}); mend that and verify again, or accept it as it is with "
                '--reason "why"')
    return ""
