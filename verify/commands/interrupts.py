"""Keeps an interrupt from throwing away what was seen: it is put off until the evidence is safe."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator

from verify import lostterminal
from verify.workers import polite_signals


@contextlib.contextmanager
def put_off() -> Iterator[None]:
    """Within it Ctrl-C, a termination and a lost terminal only take effect at the end: then KeyboardInterrupt is raised.

    Where probing goes on within it, that takes them itself and ends early (``verify.trial.on_network``).
    """
    came: list[int] = []

    def note(number: int, _frame: object) -> None:
        came.append(number)
        if number == signal.SIGHUP:
            lostterminal.forsake()

    before = [(number, signal.signal(number, note)) for number in (signal.SIGINT, *polite_signals())]
    try:
        yield
    finally:
        for number, handler in before:
            signal.signal(number, handler)
    if came:
        raise KeyboardInterrupt
