"""Which of several time sources to believe: the selection algorithm of RFC 5905 section 11.2.1.

Every source gives an interval that would contain the truth if the source were right.  The algorithm, which goes back to
Marzullo and Owicki, looks for the smallest interval on which a majority agrees.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from shared.quantities import Interval


@dataclass(frozen=True, slots=True)
class Candidate:
    """A source that is fit to vote, and its correctness interval: its offset plus or minus its root distance, in seconds."""

    name: str
    interval: Interval


@dataclass(frozen=True, slots=True)
class Agreement:
    """What the sources agree on, and who is left out.

    ``agreed`` is how far the agreed time is ahead of the runner's clock, in seconds, at the moment ``at`` of the runner's
    clock; None, with the ``reason``, where nothing could be agreed on.  ``truechimers`` are the sources whose midpoint
    lies in it.  ``falsetickers`` exclude it wholly and are proven wrong; ``undecided`` reach into it with the edge of a
    wide interval, and are blamed for nothing.  ``twins`` are sources without a vote that are another one once more, as (name,
    which, how that is known).
    """

    candidates: tuple[Candidate, ...]
    agreed: Interval | None
    reason: str = ""
    truechimers: tuple[str, ...] = ()
    falsetickers: tuple[str, ...] = ()
    undecided: tuple[str, ...] = ()
    at: str = ""
    twins: tuple[tuple[str, str, str], ...] = ()

    @property
    def corroborated(self) -> bool:
        """Whether a second source confirms the time.  One alone is believed because nobody contradicts it."""
        return len(self.truechimers) > 1


def select(candidates: Sequence[Candidate], *, at: str = "") -> Agreement:
    """Find the time that a majority of the candidates agrees on (RFC 5905 section 11.2.1)."""
    voters = tuple(candidates)
    agreed = intersection([voter.interval for voter in voters])
    if agreed is None:
        return Agreement(voters, None, reason=_why_none(voters), at=at)
    inside = [voter.name for voter in voters if voter.interval.value in agreed]
    outside = [voter for voter in voters if voter.interval.value not in agreed]
    return Agreement(
        voters, agreed, truechimers=tuple(inside), at=at,
        falsetickers=tuple(voter.name for voter in outside if voter.interval.meet(agreed) is None),
        undecided=tuple(voter.name for voter in outside if voter.interval.meet(agreed) is not None))


def intersection(intervals: Sequence[Interval]) -> Interval | None:
    """The smallest interval that holds a point of every interval but ``f``, for the least ``f`` below half of them.

    At most ``f`` midpoints may lie outside: that is what RFC 5905 adds to Marzullo's algorithm.  None without a majority.
    Since the ends are each covered by a majority, at least one of the given intervals contains the whole result.
    """
    edges = sorted((edge, kind) for interval in intervals
                   for edge, kind in ((interval.lo, _LOW), (interval.value, _MIDDLE), (interval.hi, _HIGH)))
    for liars in range((len(intervals) + 1) // 2):
        needed = len(intervals) - liars
        low, missed_below = _first_covered(iter(edges), _LOW, needed)
        high, missed_above = _first_covered(reversed(edges), _HIGH, needed)
        if low is not None and high is not None and missed_below + missed_above <= liars and low <= high:
            return Interval(low, high)
    return None


#: Sorted in this order at equal edges, so that intervals which only touch still count as overlapping.
_LOW, _MIDDLE, _HIGH = 0, 1, 2


def _first_covered(edges: Iterator[tuple[float, int]], opening: int, needed: int) -> tuple[float | None, int]:
    """Walk until ``needed`` intervals are open: where that is, and how many midpoints were passed on the way."""
    is_open = midpoints = 0
    for edge, kind in edges:
        if kind == _MIDDLE:
            midpoints += 1
            continue
        is_open += 1 if kind == opening else -1
        if is_open >= needed:
            return edge, midpoints
    return None, midpoints


def camps(candidates: Sequence[Candidate]) -> tuple[tuple[str, ...], ...]:
    """Who sides with whom: groups of sources whose intervals overlap, possibly through others, the largest group first."""
    groups: list[list[str]] = []
    reach = float("-inf")
    for voter in sorted(candidates, key=lambda voter: (voter.interval.lo, voter.name)):
        if voter.interval.lo > reach:
            groups.append([])
        groups[-1].append(voter.name)
        reach = max(reach, voter.interval.hi)
    return tuple(tuple(group) for group in sorted(groups, key=len, reverse=True))


def _why_none(voters: Sequence[Candidate]) -> str:
    if not voters:
        return "no planned time source gave a usable time"
    if len(voters) == 2 and len(camps(voters)) == 1:
        # Both midpoints would have to lie in what both intervals allow (RFC 5905 section 11.2.1).
        return ("the two usable time sources overlap within their errors, but the best guess of one or of each lies outside what "
                "the other allows, and two cannot tell which of them is nearer")
    if len(voters) == 2:
        return "the two usable time sources contradict each other, and two cannot tell which of them is wrong"
    return f"no majority of the {len(voters)} usable time sources agrees on the time"
