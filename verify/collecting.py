"""Keeps the cycle collector from looking through a whole fleet's evidence again and again."""

from __future__ import annotations

import gc

#: Allocations less releases between two collections of the youngest generation, where the usual is 700.  What probing a host
#: leaves behind in cycles (tasks, and exceptions that hold their frames) is then looked at once in some twenty hosts.
_ALLOCATIONS = 50_000


def collect_seldom() -> None:
    """Make the collector look seldom, for the rest of this process.

    Evidence, findings and plans have no cycles; to look for some in all of them each time they have grown by a quarter cost
    a quarter of the whole run (tests/bench/thousand_hosts.py, 1,000 hosts).
    """
    gc.set_threshold(_ALLOCATIONS, *gc.get_threshold()[1:])
