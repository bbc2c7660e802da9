"""Says when time is up, for thousands of waits at once: those that end in the same hundredth of a second share one timer.

Nearly all waits are over long before their time.  A timer of its own, made and cancelled, costs each of them as much as the
packet that it waits for.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

#: How late a wait may end at most, in seconds.  Ours: a hundredth of the shortest time-out in use.
TICK_SECONDS = 0.01

Expire = Callable[[], None]


class Timeouts:
    """The waits of one event loop.  A wait is known by its future, and none is waited for twice at a time."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._groups: dict[int, dict[asyncio.Future[Any], Expire]] = {}

    def start(self, wait: asyncio.Future[Any], seconds: float, expire: Expire) -> int:
        """Call ``expire`` when so many seconds have passed and never sooner, unless ``stop`` comes first.

        Returns the tick at which that will be.
        """
        tick = int((self._loop.time() + seconds) / TICK_SECONDS) + 1
        group = self._groups.get(tick)
        if group is None:
            group = self._groups[tick] = {}
            self._loop.call_at(tick * TICK_SECONDS, self._end, tick)
        group[wait] = expire
        return tick

    def stop(self, wait: asyncio.Future[Any], tick: int) -> None:
        """Forget a wait that was to end at ``tick``.  May be called when it has ended."""
        group = self._groups.get(tick)
        if group is not None:
            group.pop(wait, None)

    def _end(self, tick: int) -> None:
        for expire in self._groups.pop(tick).values():
            expire()
