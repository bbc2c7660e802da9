"""The little that every command needs of the terminal, without loading what only probing needs."""

from __future__ import annotations

import codecs
import contextlib
import io
import os
import shutil
import sys
import traceback
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from shared.safetext import visible
from verify import lostterminal
from verify.commands.exits import Exit

if TYPE_CHECKING:
    from shared.evidence import Crash
    from shared.plan import Plan

#: What stands for standard output where a file may be named.
STDOUT = "-"
#: Our own signs, as they are written where the terminal's character set lacks them; a word always stands with them.
_PLAIN = {"◆": "#", "▲": "^", "○": "o", "◐": "%", "▬": "=", "●": "*", "…": "...", "→": "->", "←": "<-", "−": "-", "±": "+/-",
          "µ": "u", "·": "-", "×": "x"}


def stop(error: Exception) -> NoReturn:
    """Say what cannot be used, on standard error, and end with exit status 2."""
    tell("\n".join(map(visible, str(error).split("\n"))))
    sys.exit(Exit.UNUSABLE)


#: How a bug of ours is told, whatever met it.
_OUR_FAULT = "a fault of seatrial itself, please report it:"


def say_crashes(crashes: Iterable[Crash]) -> None:
    """Own up to bugs that probes of ours met, a line each, on standard error."""
    for crash in crashes:
        tell(f"{_OUR_FAULT} {crash.error} while asking {crash.asking}")


def say_remarks(plan: Plan, *, err: bool = True) -> None:
    """What had to be assumed in reading a plan, a line each, on standard error unless told: other hosts may have been meant."""
    for remark in plan.remarks:
        (tell if err else click.echo)(f"remark  {visible(remark)}")


def columns() -> int:
    """How wide text may be."""
    # Wider than this a line is hard to follow; where nothing says how wide, 80.
    return min(shutil.get_terminal_size((80, 24)).columns, 100)


@contextlib.contextmanager
def last_resort() -> Iterator[None]:
    """Give what no command expects an exit status of its own, so that it is never taken for a host that failed.

    Standard output that takes no more is said in one sentence and is UNUSABLE; anything else is our bug, and INTERNAL.
    What click itself turns into an exit status passes through.
    """
    try:
        yield
    except (click.ClickException, click.exceptions.Exit, click.Abort, EOFError):
        raise
    except KeyboardInterrupt:
        # A run keeps its evidence itself; this is before or after one, where click alone would end with 1.
        tell("interrupted")
        sys.exit(Exit.INTERRUPTED)
    except Exception as error:  # noqa: BLE001 the very last place, where a bug of ours must get its own exit status
        if isinstance(error, OSError) and (lost := forsake_output()):
            if not isinstance(lost, BrokenPipeError):
                tell(f"standard output cannot be written: {lost.strerror}")
            sys.exit(Exit.UNUSABLE)
        tell(f"{_OUR_FAULT}\n{traceback.format_exc().removesuffix(chr(10))}")
        sys.exit(Exit.INTERNAL)


def tell(text: str) -> None:
    """Say something on standard error; where that takes no more, the work goes on, and the exit status still tells."""
    try:
        click.echo(text, err=True)
    except OSError:
        lostterminal.forsake(lostterminal.STANDARD_ERROR)


def open_streams() -> None:
    """Let standard output and error take any text, and let a process that was started without them write into nothing."""
    # The lowest free descriptor is taken, so that the next file opened does not become standard output.
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115 it stays open as long as we do
    codecs.register_error("seatrial", _written_out)
    for stream in (sys.stdout, sys.stderr):
        # Where Python itself writes back what it cannot read, a path in the C locale goes out as it came in.
        if isinstance(stream, io.TextIOWrapper) and stream.errors != "surrogateescape":
            stream.reconfigure(errors="seatrial")


def _written_out(error: UnicodeError) -> tuple[str, int]:
    """A character that the stream's encoding lacks: a plainer sign for one of ours, and else as ``visible`` writes it."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start:error.end]
    return "".join(_PLAIN.get(char, f"<U+{ord(char):04X}>") for char in lacking), error.end


def forsake_output() -> OSError | None:
    """Why standard output takes no more, None where it does; what still waits for it then goes nowhere."""
    try:
        # A stream forgets what it could not write, so that only writing once more tells.
        sys.stdout.write("\n")
        sys.stdout.flush()
    except OSError as error:
        # Python would try once more on its way out, and end with a status of its own.
        lostterminal.forsake(sys.stdout.fileno())
        return error
    return None
