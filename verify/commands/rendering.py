"""Writes a report that is no fresh run - stored, or graded again - where the command line wants it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from pathlib import Path

from reports.html import to_html
from reports.jsonfile import to_json
from reports.ticket import ticket_text
from shared.history import NO_NIGHTS, Nights
from shared.run import Report
from verify.commands.console import STDOUT
from verify.errors import UsageError
from verify.files import prove_apart, prove_files, write_all

#: The forms a report can be written in, by their option.
FORMS: dict[str, Callable[[Report, Nights], bytes]] = {
    "json": lambda report, _nights: to_json(report),
    "html": lambda report, nights: to_html(report, nights=nights).encode(),
    "text": lambda report, _nights: ticket_text(report).encode(),
}


def write_renderings(
    report: Report, nights: Nights = NO_NIGHTS, *, held: Iterable[str] = (), **targets: str | None
) -> list[Path]:
    """Write a report in every form that has a target, all of them or none; the files written.

    ``nights`` is what earlier runs saw, for the page, and ``held`` are files that none may take the place of.  ``-`` is
    standard output, for one form at most.  Raises UsageError.
    """
    wanted = {form: target for form, target in targets.items() if target is not None}
    to_stdout = [form for form, target in wanted.items() if target == STDOUT]
    if len(to_stdout) > 1:
        raise UsageError(f"--{to_stdout[0]} - and --{to_stdout[1]} - cannot both be standard output; give one of them a file")
    places = {form: Path(target) for form, target in wanted.items() if target != STDOUT}
    named: dict[str, Path | None] = {f"--{form}": path for form, path in places.items()}
    prove_apart(named, held)
    prove_files(named)
    files = {path: FORMS[form](report, nights) for form, path in places.items()}
    write_all(files)
    for form in to_stdout:
        sys.stdout.buffer.write(FORMS[form](report, nights))
        sys.stdout.buffer.flush()
    return list(files)
