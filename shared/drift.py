"""What differs between a run and the accepted one: plain data, from ``verify.comparing.drift`` to ``reports.drifttext``."""

from __future__ import annotations

import enum

import msgspec

from shared.findings import Grade
from shared.quantities import Interval


class Kind(enum.StrEnum):
    """How one check of one subject moved since the baseline, in the order in which a reader wants to know."""

    NEW_FAIL = "new-fail"
    NEW_CAUTION = "new-caution"
    NEWLY_UNPROVEN = "newly-unproven"
    MENDED = "mended"
    PROVEN_NOW = "proven-now"
    NEWLY_WAIVED = "newly-waived"
    STILL_OPEN = "still-open"
    STILL_UNPROVEN = "still-unproven"
    NOT_ASKED = "not-asked"


class Move(msgspec.Struct, frozen=True, kw_only=True):
    """One check of one subject whose grade moved, or is still not good.

    ``before`` and ``after`` are None where that run has no such finding; ``was`` and ``now`` are what each found.
    ``folded_under`` is the ref of another move that explains this one, and ``explains`` counts the moves folded under this.
    """

    kind: Kind
    ref: str
    host: str
    check: str
    subject: str
    before: Grade | None
    after: Grade | None
    was: str
    now: str
    message: str
    fix: tuple[str, ...] = ()
    symptom: str = ""
    folded_under: str = ""
    explains: int = 0


class ValueChange(msgspec.Struct, frozen=True, kw_only=True):
    """Something that is graded as it was and yet is not what it was.

    ``expected`` is True for a change that is part of good care, such as a certificate renewed by the same issuer for the same
    names.  ``note`` says what of it changed, or what the change may mean.
    """

    host: str
    what: str
    subject: str
    was: str
    now: str
    note: str = ""
    expected: bool = False


class Crossing(msgspec.Struct, frozen=True, kw_only=True):
    """When a limit will be crossed if nothing changes: between two days, UTC; they are one day where it is certain."""

    grade: Grade
    limit: float
    earliest: str
    latest: str


class Trend(msgspec.Struct, frozen=True, kw_only=True):
    """Where a value is heading over the stored nights.

    ``per_day`` is the change a day, in ``unit``, as an interval, or None where the nights support none and ``why`` says why.
    ``nights`` counts the values used, which begin at ``since``; ``jumps`` counts the breaks (a clock that was set, a
    certificate that was renewed) before that.  ``crossings`` is empty where no date can be given honestly.  ``likely`` is a
    sentence on the likely cause; it is never a grade.  ``until`` is the day of ``latest`` where that was not seen in the run
    that this is told with, and else empty.
    """

    host: str
    what: str
    subject: str
    unit: str
    nights: int
    since: str
    latest: float
    per_day: Interval | None
    jumps: int = 0
    crossings: tuple[Crossing, ...] = ()
    why: str = ""
    likely: str = ""
    until: str = ""


class RunName(msgspec.Struct, frozen=True, kw_only=True):
    """Which run, in the words of a heading."""

    id: str
    started: str
    verdict: str


#: The word for the earlier run where that is the accepted one.
BASELINE = "the baseline"


class Drift(msgspec.Struct, frozen=True, kw_only=True):
    """A run compared with the baseline, or with another earlier grading: ``called`` is the word for that.

    ``context`` holds sentences about what else differs and may explain the rest: the plan, the limits, the tool, the place
    it was seen from.  ``unchanged`` counts the checks that are good and as they were, ``good_anew`` those
    that are good and were not judged then.  ``complete`` is False where the run was interrupted: that nothing is told then says
    nothing.
    """

    baseline: RunName
    run: RunName
    accepted: str = ""
    context: tuple[str, ...] = ()
    hosts_added: tuple[str, ...] = ()
    hosts_gone: tuple[str, ...] = ()
    hosts_skipped: int = 0
    moves: tuple[Move, ...] = ()
    values: tuple[ValueChange, ...] = ()
    trends: tuple[Trend, ...] = ()
    unchanged: int = 0
    good_anew: int = 0
    called: str = BASELINE
    complete: bool = True

    def of(self, kind: Kind) -> tuple[Move, ...]:
        """The moves of one kind."""
        return tuple(move for move in self.moves if move.kind is kind)

    @property
    def worse(self) -> bool:
        """Whether anything got worse or is not what was accepted: what a nightly run is for."""
        kinds = (Kind.NEW_FAIL, Kind.NEW_CAUTION, Kind.NEWLY_UNPROVEN)
        return (any(move.kind in kinds for move in self.moves) or bool(self.hosts_added or self.hosts_gone)
                or any(not change.expected for change in self.values))
