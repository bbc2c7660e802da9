"""Progress on standard error, and only where that is a terminal."""

from __future__ import annotations

import sys
import time

from shared.evidence import HostEvidence

#: A terminal line is redrawn at most this often, in seconds.
_REDRAW_SECONDS = 0.1


class Progress:
    """How many hosts have been visited.  Use it as a context manager; leaving wipes the line."""

    def __init__(self, hosts: int, *, shown: bool) -> None:
        self._hosts, self._done = hosts, 0
        self._shown = shown and sys.stderr.isatty()
        self._began = time.monotonic()
        self._drawn = 0.0

    def __enter__(self) -> Progress:
        self._draw()
        return self

    def __exit__(self, *_exc: object) -> None:
        if self._shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()

    def on_host(self, _host: HostEvidence) -> None:
        """Note that one more host has been visited."""
        self._done += 1
        if time.monotonic() - self._drawn >= _REDRAW_SECONDS or self._done == self._hosts:
            self._draw()

    def _draw(self) -> None:
        if not self._shown:
            return
        self._drawn = time.monotonic()
        elapsed = self._drawn - self._began
        sys.stderr.write(f"\r\x1b[K{self._done} of {self._hosts} hosts visited, {elapsed:.0f} s")
        sys.stderr.flush()
