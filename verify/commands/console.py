"""The little that every command needs of the terminal, without loading what only probing needs."""

from __future__ import annotations

import shutil
import sys
from typing import NoReturn

import click

from verify.commands.exits import Exit

#: What stands for standard output where a file may be named.
STDOUT = "-"


def stop(error: Exception) -> NoReturn:
    """Say what cannot be used, on standard error, and end with exit status 2."""
    click.echo(str(error), err=True)
    sys.exit(Exit.UNUSABLE)


def columns() -> int:
    """How wide text may be."""
    # Wider than this a line is hard to follow; where nothing says how wide, 80.
    return min(shutil.get_terminal_size((80, 24)).columns, 100)
