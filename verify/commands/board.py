"""Shows hosts on their way through a reboot: a live board on a terminal, one line a change elsewhere."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Protocol

from reports.marks import many
from shared.boots import Reading, Sign
from shared.quantities import show_seconds
from shared.safetext import visible
from verify.commands.console import tell
from verify.reboots.watch import Event, HostWatch, Phase

if TYPE_CHECKING:
    from rich.console import RenderableType

    from verify.reboots.awaited import Wait

#: A shape for each reading, beside its word in the key; no colour is needed to tell them apart.
SHAPES = {Reading.UP: "●", Reading.CLOSED: "◐", Reading.SILENT: "○", Reading.UNKNOWN: "·"}
_KEY = "● answers   ◐ answers, not ready   ○ silent   · could not be asked"
#: How often the board is drawn anew, a second: often enough that its clock moves.
_REDRAWS = 2
#: Rows kept free on the terminal for the heading and the key.
_MARGIN_ROWS = 5
#: The most columns of the terminal that a name or a state takes before it is cut.
_WIDEST = 29
#: What still needs a look comes first.
_ORDER = (Phase.DOWN, Phase.COMING, Phase.WAITING, Phase.SETTLED)


class Shown(Protocol):
    """What a watch tells while it goes on."""

    def on_start(self, watches: Sequence[HostWatch]) -> None:
        """The hosts that are watched, each to be read at any time."""

    def on_event(self, event: Event) -> None:
        """One change."""


@contextlib.contextmanager
def show_watch(wait: Wait, *, quiet: bool) -> Iterator[Shown]:
    """A board on a terminal, lines elsewhere, nothing with ``quiet``; all of it on standard error."""
    if quiet:
        yield _Nothing()
    elif not sys.stderr.isatty():
        yield _Lines()
    else:
        # Slow to load, and only where somebody looks on.
        from rich.console import Console
        from rich.live import Live

        board = _Board(wait)
        with Live(get_renderable=board.draw, console=Console(stderr=True), refresh_per_second=_REDRAWS, transient=False):
            yield board


class _Nothing:
    def on_start(self, watches: Sequence[HostWatch]) -> None:
        """Say nothing."""

    def on_event(self, event: Event) -> None:
        """Say nothing."""


class _Lines:
    """One line a change, with its time in UTC."""

    def on_start(self, watches: Sequence[HostWatch]) -> None:
        """Say what is watched."""
        tell(f"watching {many(len(watches), 'host')}; interrupt to end with what was seen")

    def on_event(self, event: Event) -> None:
        """Print the change."""
        tell(line_of(event))


def line_of(event: Event) -> str:
    """One change as a line: the time, the host, what changed, and what was said."""
    at = f"{event.at[:19]}Z"
    what = f"{sign_words(event.sign)} {event.reading}" if event.sign and event.reading else event.note or event.phase.upper()
    detail = f" ({visible(event.detail)})" if event.detail else ""
    return f"{at}  {event.host}  {what}{detail}"


def sign_words(sign: Sign) -> str:
    """A sign in words, with its address."""
    spoken = {"tls": " TLS", "ssh": " SSH"}.get(sign.speaks, "")
    return f"{sign.name}{spoken} at {sign.address}"


class _Board:
    """One line a host, what needs a look first."""

    def __init__(self, wait: Wait) -> None:
        self._wait = wait
        self._began = time.monotonic()
        self._watches: Sequence[HostWatch] = ()

    def on_start(self, watches: Sequence[HostWatch]) -> None:
        """Keep the hosts to draw."""
        self._watches = watches

    def on_event(self, event: Event) -> None:
        """Nothing to do: the next drawing shows it."""

    def draw(self) -> RenderableType:
        """The board as it is now."""
        import shutil

        from rich.console import Group
        from rich.table import Table
        from rich.text import Text

        from reports.fleetview import common_domain, short_name

        elapsed = time.monotonic() - self._began
        settled = sum(watch.phase is Phase.SETTLED for watch in self._watches)
        heading = (f"{_clock(elapsed)} of {_clock(self._wait.timeout_seconds)}, {settled} of {len(self._watches)} settled; "
                   "Ctrl-C ends and reports")
        domain = common_domain([watch.host for watch in self._watches])
        rows = sorted(self._watches, key=lambda watch: _ORDER.index(watch.phase))
        room = max(3, shutil.get_terminal_size((80, 24)).lines - _MARGIN_ROWS)
        table = Table(box=None, pad_edge=False, expand=True)
        # The signs of life give way first: there may be any number of them, and the state says what they come to.
        shown = [(short_name(watch.host, domain), _state(watch), watch.since_at[11:19], _signs(watch)) for watch in rows[:room]]
        for place, column in enumerate(("host", "state", "since")):
            widest = max(len(column), *(len(row[place]) for row in shown)) if shown else len(column)
            table.add_column(column, overflow="ellipsis", no_wrap=True, width=min(widest, _WIDEST))
        table.add_column("signs of life", overflow="ellipsis", no_wrap=True, ratio=1)
        for row in shown:
            table.add_row(*map(Text, row))
        more = [Text(f"and {len(rows) - room} more hosts")] if len(rows) > room else []
        lines = [Text(line, no_wrap=True, overflow="ellipsis") for line in (heading, _KEY)]
        return Group(lines[0], table, *more, lines[1])


def _state(watch: HostWatch) -> str:
    if not watch.rounds:
        return "being asked"
    if watch.blind:
        return "cannot be asked from here"
    if watch.phase is Phase.SETTLED and watch.missing:
        return f"settled, {', '.join(dict.fromkeys(sign.name for sign in watch.missing))} missing"
    return watch.phase.value


def _signs(watch: HostWatch) -> str:
    several = len({sign.address for sign in watch.signs}) > 1
    # The number of a port says as much as what is spoken on it, in half the room.
    return "  ".join(f"{SHAPES[watch.looks[sign].reading] if sign in watch.looks else ' '} {sign.name}"
                     + (f" at {sign.address}" if several else "") for sign in watch.signs)


def _clock(seconds: float) -> str:
    """Minutes and seconds as a clock shows them, hours only where there are any."""
    if seconds >= 86400:
        return show_seconds(seconds)
    whole = int(seconds)
    hours = f"{whole // 3600}:" if whole >= 3600 else ""
    return f"{hours}{whole % 3600 // 60:02}:{whole % 60:02}"
