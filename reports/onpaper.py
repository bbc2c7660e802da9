"""What of a page is printed: of hosts and of mends that are alike the first, and how many more there are.

Who prints a page wants the causes and what to do.  The page on the screen and the JSON report hold every host and mend.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Sequence

import msgspec

from reports.alike import together
from reports.findingview import Shower
from shared.findings import Grade
from shared.run import HostReport

#: The most lines printed of the mends of one kind: a sixth of a page.  Ours.
_MOST_LINES = 16


class Printed(msgspec.Struct, frozen=True):
    """Whether a host is printed, and which others it then stands for, by their places among the hosts."""

    itself: bool
    others: tuple[int, ...] = ()


def alike(hosts: Sequence[HostReport], shower: Shower) -> list[Printed]:
    """For each host whether it is printed: of those of which the same is told, but for names and values, the first is."""
    printed = [Printed(itself=False)] * len(hosts)
    for first, *others in together(range(len(hosts)), lambda place: _kind(hosts[place], shower)):
        printed[first] = Printed(itself=True, others=tuple(others))
    return printed


def _kind(host: HostReport, shower: Shower) -> Hashable:
    """What did not pass on a host, by check, grade and number of the cause; None where everything passed."""
    told = Counter((one.check, one.grade, one.symptom, shower.number(one.ref), frozenset(map(shower.number, one.because)))
                   for one in host.findings if one.grade is not Grade.PASS)
    return frozenset(told.items()) or None


def fitting(mends: Sequence[str]) -> tuple[int, int]:
    """How many lines of the mends of one kind are printed, and how many of the mends are not; the first always is, whole."""
    used = 0
    for place, mend in enumerate(mends):
        lines = mend.count("\n") + 1
        if used + lines > _MOST_LINES and place:
            return used, len(mends) - place
        used += lines
    return used, 0
