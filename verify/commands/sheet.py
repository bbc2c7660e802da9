"""``seatrial sheet``: what to type at each console, and the records that the name servers need."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verify.commands.console import STDOUT, say_crashes, stop
from verify.commands.options import DEFAULT_PACE, Rate, Seconds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.sheetview import MarginNote
    from shared.plan import Host, Plan

_EPILOG = """\
Only --check-names touches the network: it asks the planned name servers for the planned names and addresses, over UDP
and where needed TCP, and changes nothing.  It ends with 0 where every record is in place, with 1 where one is to be
added or removed, and with 3 where nothing is wrong but a server was silent.
"""


@click.command(epilog=_EPILOG)
@click.argument("plan", type=click.Path(path_type=Path))
@click.option("--host", multiple=True, metavar="NAME", help="Only hosts of this name or address; repeatable, and * works.")
@click.option("--html", metavar="FILE", help="Write the pages to print here, and no text; - is standard output.")
@click.option("--text", metavar="FILE", help="Write plain text here, and no pages; - is standard output.")
@click.option("--output", type=click.Path(path_type=Path, file_okay=False), default=Path("seatrial-sheets"),
              show_default=True, metavar="DIR", help="Folder for both where neither is named.")
@click.option("--zones", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="Write complete zone files for the whole plan into DIR, and nothing else.")
@click.option("--update", is_flag=True, help="Print the records as a script of dynamic updates (RFC 2136); never sent.")
@click.option("--check-names", is_flag=True,
              help="Ask the name servers, and print what to add, remove and keep; with --update, only that as a script.")
@click.option("--timeout", type=Seconds(), default=f"{DEFAULT_PACE.timeout_seconds:g}", show_default=True, metavar="SECONDS",
              help="Longest wait for one question of --check-names.")
@click.option("--limit-rate", type=Rate(), default=f"{DEFAULT_PACE.packets_per_second:g}/s", show_default=True,
              metavar="N/s", help="Packets that --check-names sends a second, at most.")
def command(
    plan: Path, host: tuple[str, ...], html: str | None, text: str | None, output: Path, zones: Path | None, update: bool,
    check_names: bool, timeout: float, limit_rate: float,
) -> None:
    """Print for each host of PLAN what to type at its console, and the records its names need.

    One host is one side of A4, in black and white, with boxes to tick and to initial.  A plan with a mistake in it gives
    no sheet: it would be typed in.
    """
    from verify.commands.exits import Exit
    from verify.errors import PlanError, UsageError
    from verify.planfile import read_plan
    from verify.selection import choose_hosts
    from verify.sheets import judged
    from verify.trial import today

    try:
        _one_purpose(host, html, text, zones, update=update, check_names=check_names)
        read = read_plan(plan)
        chosen = choose_hosts(read, host)
        faults, notes = judged(read, chosen, today=today())
        if faults:
            raise PlanError(*faults)
        if zones is not None:
            _write_zones(read, zones)
        elif check_names:
            sys.exit(_check_names(read, chosen, timeout, limit_rate, update=update))
        elif update:
            _print_update(read, chosen)
        else:
            _write_sheets(read, chosen, notes, html, text, output)
    except (PlanError, UsageError) as error:
        stop(error)
    except KeyboardInterrupt:
        sys.exit(Exit.INTERRUPTED)


def _one_purpose(
    host: tuple[str, ...], html: str | None, text: str | None, zones: Path | None, *, update: bool, check_names: bool,
) -> None:
    """Refuse combinations that mean nothing.  Raises UsageError."""
    from verify.errors import UsageError

    if zones is not None and host:
        raise UsageError("--zones writes the zones of the whole plan, for a zone is complete or wrong; leave --host out, "
                         "or print one host's records with --update")
    if zones is not None and (update or check_names):
        raise UsageError("--zones writes files and does nothing else; leave --update and --check-names out")
    if (zones is not None or update or check_names) and (html or text):
        raise UsageError("--html and --text are for the sheets; run the command once more without them for the records")
    if html == STDOUT and text == STDOUT:
        raise UsageError("--html - and --text - cannot both be standard output; give one of them a file")


def _write_sheets(
    plan: Plan, chosen: Sequence[Host], notes: Sequence[MarginNote], html: str | None, text: str | None, output: Path,
) -> None:
    """Both forms into the output folder, or those that were asked for to where they were."""
    from reports.marks import many
    from reports.sheet import to_html, to_text
    from reports.sheetview import build
    from verify.files import prove_apart, prove_files, write_all
    from verify.planfile import files_of
    from verify.trial import today

    if html is None and text is None:
        stem = f"{Path(plan.file).stem}-sheets"
        html, text = str(output / f"{stem}.html"), str(output / f"{stem}.txt")
    day = today()
    view = build(plan, chosen, notes, printed=f"{day.day} {day:%B %Y}")
    places = {option: Path(target) if target not in (None, STDOUT) else None
              for option, target in (("--html", html), ("--text", text))}
    prove_apart(places, files_of(plan))
    prove_files(places, "build sheets", "choose another place for them")
    files: dict[Path, bytes] = {}
    for target, render in ((html, to_html), (text, to_text)):
        if target == STDOUT:
            sys.stdout.buffer.write(render(view).encode())
            sys.stdout.buffer.flush()
        elif target is not None:
            files[Path(target)] = render(view).encode()
    write_all(files)
    if STDOUT not in (html, text):
        counts = f"{many(len(chosen), 'build sheet')}, {many(len(notes), 'margin note')}"
        click.echo("\n".join([counts, *map(str, files)]))


def _write_zones(plan: Plan, folder: Path) -> None:
    import datetime

    from reports.zonefiles import zone_files
    from verify.files import prove_writable, write_all
    from verify.sheets import zone_serial

    files = zone_files(plan, serial=zone_serial(datetime.datetime.now(datetime.UTC)))
    prove_writable(folder, "zone files", "choose another folder with --zones")
    written = {folder / file.name: file.text.encode() for file in files}
    write_all(written)
    click.echo("\n".join(map(str, written)))


def _print_update(plan: Plan, chosen: Sequence[Host]) -> None:
    import msgspec

    from reports.zonefiles import whole_update

    click.echo(whole_update(msgspec.structs.replace(plan, hosts=tuple(chosen))), nl=False)


def _check_names(plan: Plan, chosen: Sequence[Host], timeout: float, limit_rate: float, *, update: bool) -> int:
    from reports import namesteps
    from reports.zonefiles import partial_update
    from shared.questions import Pace
    from verify.commands.exits import Exit
    from verify.commands.progress import Progress
    from verify.sheets import ask_names

    with Progress(len(chosen), shown=True) as progress:
        evidence, found = ask_names(plan, chosen, Pace(timeout_seconds=timeout, packets_per_second=limit_rate), progress.on_host)
    changes = found.changes()
    if update:
        click.echo(namesteps.comments(found) + (partial_update(plan, changes) if changes else "; nothing to change\n"), nl=False)
    else:
        click.echo(namesteps.to_text(found), nl=False)
    crashes = evidence.crashes()
    say_crashes(crashes)
    if not evidence.complete:
        return Exit.INTERRUPTED
    if crashes:
        return Exit.INTERNAL
    return Exit.FAILED if changes else Exit.UNPROVEN if found.unseen else Exit.READY
