"""Keeps the cycle collector from looking through a whole fleet's evidence again and again."""

from __future__ import annotations

import gc

#: Allocations less releases between two collections of the youngest generation, where the usual is 700.  A host that is being
#: probed is a thousand objects or two, nearly all of which are gone before they need be looked at.  The peak of memory is the
#: same as with a tenth of this, or with no collector at all.
_ALLOCATIONS = 500_000


def collect_seldom() -> None:
    """Make the collector look seldom, for the rest of this process.

    Evidence, findings and plans have no cycles; to look for some in all of them each time they have grown by a quarter cost
    a quarter of the whole run, and to look at every task in flight another tenth (tests/bench/thousand_hosts.py).
    """
    gc.set_threshold(_ALLOCATIONS, *gc.get_threshold()[1:])
