"""``seatrial await``: wait for hosts to go down and come back, then verify them."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verify.commands.options import ProbingOptions, probing_options

if TYPE_CHECKING:
    from shared.run import Report
    from verify.reboots.awaited import Wait
    from verify.trial import Prepared

_EPILOG = """\
Started before the reboot, it waits until each host has gone silent and come back.  Started after it, say since when
(--since "10 min"), or a host that is up is waited for until the time-out, since its old boot may still be running.  A host
is settled when all its planned ports have answered in three rounds in a row and for as long as --steady says; its time
service has --grace more.  Hosts that never return keep no other waiting beyond --timeout, and are reported so.

In each round a host is sent two echoes, a connection to each planned port and an NTP question where it serves time, the
latter two up to three times while nothing answers; TLS and SSH are spoken once each time their port opens.  Changes are
printed on standard error, one line each with the time in UTC, or shown as a live board on a terminal.
"""


class _Span(click.ParamType):  # type: ignore[type-arg]  # generic in the newest click only
    """A span of time with its unit, or in seconds without."""

    name = "span"

    def __init__(self, least: float, most: float) -> None:
        self._least, self._most = least, most

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        from shared.quantities import QuantityError, parse_quantity, show_seconds

        text = str(value).strip()
        try:
            seconds = parse_quantity(f"{text} s" if text[-1:].isdigit() else text, "s")
        except QuantityError:
            seconds = -1.0
        if not self._least <= seconds <= self._most:
            self.fail(f'"{value}" is not a time to wait; write {show_seconds(self._least)} to {show_seconds(self._most)} with a '
                      'unit, such as "30 min" or "90 s"', param, ctx)
        return seconds


@click.command("await", epilog=_EPILOG)
@click.argument("plan", type=click.Path(path_type=Path))
@click.option("--timeout", "patience", type=_Span(1, 7 * 86400), default="30 min", show_default=True, metavar="TIME",
              help="How long to wait for all hosts to come back, before they are verified as they are.")
@click.option("--since", metavar="TIME", help='When the reboot was ordered, where that was before now: "10 min" ago, or a '
                                              "time such as 2027-03-04T09:12:00Z.")
@click.option("--every", type=_Span(0.2, 600), default="5 s", show_default=True, metavar="TIME",
              help="Time from one round of questions to the next.")
@click.option("--steady", type=_Span(0, 3600), default="30 s", show_default=True, metavar="TIME",
              help="How long all planned ports must answer, three rounds at least.")
@click.option("--grace", type=_Span(0, 86400), default="5 min", show_default=True, metavar="TIME",
              help="How much longer a settled host is watched for what is still missing.")
@functools.partial(probing_options, timeout_flag="--question-timeout")
def command(
    plan: Path, options: ProbingOptions, patience: float, since: str | None, every: float, steady: float, grace: float
) -> None:
    """Wait for the hosts of PLAN to go down and come back, note when each sign of life went and came, then verify them.

    The report has the timeline of each host beside everything that "verify" reports.  Each change is noted on standard error
    too, on a line of its own where that is no terminal; --quiet leaves that out.
    """
    from shared.quantities import show_seconds
    from verify.commands.console import stop, tell
    from verify.commands.probing import run_and_report
    from verify.errors import UsageError
    from verify.reboots.awaited import Wait
    from verify.reboots.watch import Rules

    try:
        ordered = _since(since)
    except UsageError as error:
        stop(error)
    rules = Rules(round_seconds=every, steady_seconds=steady, grace_seconds=grace, since=ordered)
    wait = Wait(rules=rules, timeout_seconds=patience)
    if patience < rules.settling_seconds:
        tell(f"remark  no host can settle in this watch: it ends after {show_seconds(patience)} (--timeout), and to settle "
             f"a host must answer for {show_seconds(rules.settling_seconds)} (--steady, and {rules.steady_rounds} rounds)")
    run_and_report(plan, options, kind="await", conduct=functools.partial(_conduct, wait))


def _conduct(wait: Wait, prepared: Prepared, options: ProbingOptions) -> Report:
    """Watch with a board or lines, then verify with a line of progress."""
    from verify.commands.board import show_watch
    from verify.commands.progress import Progress
    from verify.reboots import awaited
    from verify.reboots.earlier import earlier_boots, with_earlier

    with show_watch(wait, quiet=options.quiet) as shown:
        watched, alone = awaited.watch(prepared, wait, shown.on_event, shown.on_start)
    if not watched.complete:
        return awaited.report(prepared, alone)
    if not options.no_store:
        watched = with_earlier(watched, earlier_boots(prepared.plan, options.store))
    with Progress(len(prepared.questions.hosts), shown=not options.quiet) as progress:
        return awaited.verify(prepared, watched, alone.started, progress.on_host)


def _since(typed: str | None) -> str:
    """RFC 3339 UTC text of a moment or of a span before now; empty where nothing was typed.  Raises UsageError."""
    import datetime

    from shared.quantities import QuantityError, parse_quantity
    from verify.errors import UsageError

    if typed is None:
        return ""
    now = datetime.datetime.now(datetime.UTC)
    try:
        moment = now - datetime.timedelta(seconds=parse_quantity(typed, "s"))
    except QuantityError:
        moment = None
    except OverflowError:
        moment = now + datetime.timedelta(days=1)
    try:
        moment = moment or datetime.datetime.fromisoformat(typed)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise UsageError(f'--since {typed}: write how long ago ("10 min") or a time with its zone (2027-03-04T09:12:00Z)')
    if moment > now or now - moment > datetime.timedelta(days=366):
        raise UsageError(f"--since {typed}: say when the reboot was ordered: a time that is past, and at most a year ago")
    return f"{moment.astimezone(datetime.UTC):%Y-%m-%dT%H:%M:%S.%fZ}"
