"""What every probing command does around a trial: prove the outputs writable, show progress, write and print."""

from __future__ import annotations

import errno
import os
import shlex
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import NoReturn

import click
import msgspec

from reports.html import html_pieces
from reports.jsonfile import json_pieces
from reports.terminal import summary
from shared.history import NO_NIGHTS, Nights
from shared.plan import Plan
from shared.run import Report
from verify import trial
from verify.commands.console import STDOUT, columns, forsake_output, say_crashes, say_remarks, stop, tell
from verify.commands.exits import crashed, exit_of
from verify.commands.interrupts import put_off
from verify.commands.options import ProbingOptions
from verify.commands.progress import Progress, telling
from verify.errors import PlanError, UsageError
from verify.files import prove_apart, prove_files, prove_writable, write_whole
from verify.history.place import files_of_history, is_url
from verify.planfile import files_of, read_plan

#: Conducts a prepared trial, showing on the way what there is to be seen.
Conduct = Callable[[trial.Prepared, ProbingOptions], Report]
#: Looks up what the runs of a plan saw up to and with a stored one.
Look = Callable[[Report], Nights]


class Probed(msgspec.Struct, frozen=True):
    """A finished run, the files written of it, and a sentence where a report could not be written."""

    report: Report
    written: list[Path]
    unwritten: str = ""


def _none_before(_report: Report) -> Nights:
    return NO_NIGHTS


def conduct(prepared: trial.Prepared, options: ProbingOptions) -> Report:
    """Probe, grade and report, with a line of progress."""
    with Progress(len(prepared.questions.hosts), shown=not options.quiet) as progress:
        return trial.conduct(prepared, progress.on_host)


def run_and_report(plan_file: Path, options: ProbingOptions, *, kind: str, conduct: Conduct = conduct) -> NoReturn:
    """Conduct a trial of a plan file and end the process with the trial's exit status."""
    try:
        probed = probe(read_plan(plan_file), options, kind=kind, conduct=conduct)
    except (PlanError, UsageError) as error:
        stop(error)
    say(probed.report, probed.written, options)
    if probed.unwritten:
        stop(UsageError(probed.unwritten))
    sys.exit(exit_of(probed.report, strict=options.strict))


def probe(
    plan: Plan, options: ProbingOptions, *, kind: str, conduct: Conduct = conduct, nights: Look = _none_before
) -> Probed:
    """Conduct a trial, write its reports and store it.  Raises PlanError, UsageError, both before anything is probed.

    ``nights`` looks up what earlier runs saw, for the page to draw, once this one is stored with them.
    """
    if options.json == STDOUT and options.html == STDOUT:
        raise UsageError("--json - and --html - cannot both be standard output; give one of them a file")
    prepared = trial.prepare(plan, trial.Trial(
        hosts=options.host, checks=options.only, profile=options.profile, pace=options.pace(), kind=kind,
        operator=options.operator, reason=options.reason, ticket=options.ticket,
        reviewer=options.reviewer, command=_command_line(options.store), workers=options.workers))
    _prove_outputs(plan, options)
    if not options.quiet:
        say_remarks(plan)
    with put_off():
        report = conduct(prepared, options)
        # All that was seen is safe before anything else is done with it.  The history is the second place where evidence is
        # kept, should the reports' disk be full.
        written, unwritten = write_reports(report, plan.file, options, forms=("json",))
        stored = store(report, plan, options, reported=not unwritten)
    pages, no_pages = write_reports(report, plan.file, options, forms=("html",), nights=nights(report) if stored else NO_NIGHTS)
    return Probed(report, [*written, *pages], _unwritten(report, {**unwritten, **no_pages}, stored=stored))


def _prove_outputs(plan: Plan, options: ProbingOptions) -> None:
    """Raises UsageError where a report could not be written, so that nothing is probed in vain, or would cost another file."""
    named = {"--json": options.json, "--html": options.html}
    files = {option: Path(target) if target not in (None, STDOUT) else None for option, target in named.items()}
    prove_apart(files, (*files_of(plan), *files_of_history(options.store)))
    prove_files(files)
    if None in named.values():
        prove_writable(options.output)


def _unwritten(report: Report, unwritten: Mapping[str, str], *, stored: bool) -> str:
    """Which reports could not be written and what there is of the run all the same, or nothing where all were."""
    if not unwritten:
        return ""
    said = "; ".join(unwritten.values())
    if stored:
        again = " ".join(f"--{form} FILE" for form in sorted(unwritten))
        return f"{said}; the run is in the history: seatrial report {report.run.id} {again}"
    return f"{said}; nothing is kept of run {report.run.id}" if len(unwritten) == 2 else said


def store(report: Report, plan: Plan, options: ProbingOptions, *, reported: bool) -> bool:
    """Put a run into the history, unless --no-store says otherwise; where that fails, one sentence on standard error.

    ``reported`` says whether its JSON report was written.  Whether the run is in the history.
    """
    if options.no_store:
        return False
    # Slow to load, so not before the probing is done.
    from verify.history.keeping import keep_run

    with telling("putting the run into the history", shown=not options.quiet):
        kept = keep_run(report, plan, checks=options.only, store=options.store, reported=reported)
    if kept.said:
        tell(kept.said)
    return kept.stored


def write_reports(report: Report, plan_file: str, options: ProbingOptions, *, forms: Sequence[str] = ("json", "html"),
                  nights: Nights = NO_NIGHTS) -> tuple[list[Path], dict[str, str]]:
    """Write the reports of these forms where they were asked for.

    The files written, and for each form that could not be a sentence: a run is told whatever becomes of its reports.
    """
    stem = trial.report_stem(plan_file, report)
    written, unwritten = [], {}
    for form in forms:
        target = {"json": options.json, "html": options.html}[form]
        content = json_pieces(report) if form == "json" else _html_octets(report, nights)
        try:
            with telling(f"writing the {form.upper()} report", shown=not options.quiet and target != STDOUT):
                if target == STDOUT:
                    # Made whole before any of it goes out: whoever reads the pipe gets a report or nothing.
                    _print_whole(b"".join(content))
                    continue
                path = Path(target) if target else options.output / f"{stem}.{form}"
                write_whole(path, content)
            written.append(path)
        except UsageError as error:
            unwritten[form] = str(error)
    return written, unwritten


def _print_whole(report: bytes) -> None:
    """Raises UsageError where standard output takes no more: the run goes into the history all the same."""
    try:
        sys.stdout.buffer.write(report)
        sys.stdout.buffer.flush()
    except OSError as error:
        forsake_output()
        raise UsageError(f"the report could not be written to standard output: {error.strerror}") from error


def _html_octets(report: Report, nights: Nights) -> Iterator[bytes]:
    return (piece.encode() for piece in html_pieces(report, nights=nights))


def say(report: Report, written: list[Path], options: ProbingOptions) -> None:
    """Print the summary to standard output, unless a report went there; then it stays silent."""
    say_faults(report)
    if STDOUT in (options.json, options.html):
        return
    colour = sys.stdout.isatty() and "NO_COLOR" not in os.environ
    text = summary(report, width=columns(), colour=colour, files=tuple(str(path) for path in written), quiet=options.quiet)
    if text:
        # Whoever closes the pipe has read enough, and a terminal may have gone; the exit status is still that of the run.
        try:
            click.echo(text, color=colour)
        except OSError as error:
            if error.errno not in (errno.EPIPE, errno.EIO):
                raise
            forsake_output()


def say_faults(report: Report) -> None:
    """Own up to faults of ours, on standard error, and say what becomes of the evidence."""
    say_crashes(report.evidence().crashes())
    if crashed(report):
        tell("the evidence is kept in the JSON report; what the fault touched is not graded")


def _command_line(store: str | None) -> str:
    """What was typed, for the report: without a password that stands in the URL of the history."""
    words = sys.argv[1:]
    if store and is_url(store):
        # Slow to load, so only where there is one.
        from verify.history.address import fit_to_be_kept

        fit = fit_to_be_kept(store)
        words = [word.replace(store, fit) for word in words]
    return shlex.join(["seatrial", *words])
