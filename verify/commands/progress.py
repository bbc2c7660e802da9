"""Progress on standard error, and only where that is a terminal."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator

from reports.marks import many
from shared.evidence import HostEvidence, PortState
from verify import lostterminal
from verify.grading.life import echo_counts, signs_of_life

#: A terminal line is redrawn at most this often, in seconds.
_REDRAW_SECONDS = 0.1


@contextlib.contextmanager
def telling(what: str, *, shown: bool) -> Iterator[None]:
    """Say what is going on within the block; leaving wipes the line.  Of a large fleet, everything takes its seconds."""
    if not (shown and sys.stderr.isatty()):
        yield
        return
    _put(what)
    try:
        yield
    finally:
        _put("")


def _put(line: str) -> None:
    """Put a line in the place of the one before; none wipes it."""
    try:
        # A line that goes on below cannot be wiped.
        sys.stderr.write(f"\r\x1b[K{line[:_room()]}")
        sys.stderr.flush()
    except OSError:
        # The terminal has gone; the run has not.
        lostterminal.forsake(lostterminal.STANDARD_ERROR)


def _room() -> int:
    """How many columns of standard error's terminal one line may take; 79 where it does not say how wide it is."""
    try:
        return (os.get_terminal_size(sys.stderr.fileno()).columns or 80) - 1
    except (OSError, ValueError):
        return 79


class Progress:
    """How many hosts have been visited, and who gave no answer.  Use it as a context manager; leaving wipes the line.

    Grading waits for the last host.  Whether a host answers at all does not, and is what somebody at the consoles can act on.
    """

    def __init__(self, hosts: int, *, shown: bool) -> None:
        self._hosts, self._done = hosts, 0
        self._shown = shown and sys.stderr.isatty()
        self._began = time.monotonic()
        self._drawn = 0.0
        self._silent: list[str] = []

    def __enter__(self) -> Progress:
        self._draw()
        return self

    def __exit__(self, *_exc: object) -> None:
        if self._shown:
            _put("")

    def on_host(self, host: HostEvidence) -> None:
        """Note that one more host has been visited."""
        self._done += 1
        if self._shown and _answered_nothing(host):
            self._silent.append(host.fqdn)
        if time.monotonic() - self._drawn >= _REDRAW_SECONDS or self._done == self._hosts:
            self._draw()

    def _draw(self) -> None:
        if not self._shown:
            return
        self._drawn = time.monotonic()
        elapsed = self._drawn - self._began
        silent = f"; {len(self._silent):,} gave no answer, last {self._silent[-1]}" if self._silent else ""
        _put(f"{self._done:,} of {many(self._hosts, 'host')} visited, {elapsed:.0f} s"
             f"{'; grading what was seen' if self._done == self._hosts else silent}")


def _answered_nothing(host: HostEvidence) -> bool:
    """Whether an echo or a SYN got to a host as far as can be told, and none of its addresses gave any sign of life."""
    asked = {echo.address for echo in host.echoes if echo_counts(echo)}
    asked |= {port.address for port in host.ports if port.state is not PortState.UNTRIED}
    return bool(asked) and not any(signs_of_life(host, address).told() for address in asked)
