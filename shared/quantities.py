"""Durations, ratios and counts with their units, and the interval every measured value is.

A measured value is never a point: it is an interval ``[lo, hi]`` that contains the truth.  A limit is a
bound together with the comparison that is made, so that the rule evaluated is the rule displayed.  The
decision rule is guarded acceptance and guarded rejection (JCGM 106:2012, sections 8.3.2 and 8.3.3): a pass
needs the whole interval inside the limit, a fail the whole interval outside; everything else is unproven.
"""

from __future__ import annotations

import enum
import functools
import math
import re

import msgspec

#: How many of the base unit one named unit holds.  The base of a duration is the second, of a ratio one.
_UNITS: dict[str, dict[str, float]] = {
    "s": {"us": 1e-6, "µs": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0},
    "ratio": {"%": 0.01, "ppm": 1e-6},
    "bit": {"bit": 1.0, "bits": 1.0},
    "count": {"": 1.0},
}
_QUANTITY = re.compile(r"\s*([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)\s*([^\s\d]*)\s*\Z")


class QuantityError(ValueError):
    """The text is not a quantity of the wanted unit.  Whoever asked for one says where it was typed, and the mend."""


def parse_quantity(text: str, unit: str) -> float:
    """Read ``text`` ("100 ms", "15 %", "3") as a number of ``unit`` ("s", "ratio", "bit" or "count").

    Raises QuantityError when the number or its unit cannot be read, or when it is negative.
    """
    sizes = _UNITS[unit]
    match = _QUANTITY.match(text)
    if match is None or match.group(2) not in sizes:
        wanted = ", ".join(filter(None, sizes)) or "none"
        raise QuantityError(f'"{text}" is not a number with its unit ({wanted})')
    value = float(match.group(1)) * sizes[match.group(2)]
    if value < 0 or not math.isfinite(value):
        raise QuantityError(f'"{text}" is not zero or more')
    return value


def show_seconds(seconds: float) -> str:
    """A duration for people: three significant digits in the unit that reads best, sign kept."""
    size = abs(seconds)
    if not math.isfinite(seconds):
        return "unknown"
    for floor, scale, unit in ((172800.0, 86400.0, "d"), (7200.0, 3600.0, "h"), (180.0, 60.0, "min"), (1.0, 1.0, "s"),
                               (1e-3, 1e-3, "ms"), (0.0, 1e-6, "µs")):
        if size >= floor:
            return f"{_significant(seconds / scale)} {unit}"
    raise AssertionError("unreachable: the last floor is zero")


def _significant(value: float) -> str:
    """Three significant digits without an exponent: 0.0123, 1.23, 12.3, 1234."""
    if value == 0:
        return "0"
    digits = max(0, 2 - math.floor(math.log10(abs(value))))
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


@functools.lru_cache(maxsize=1024)
def show_value(value: float, unit: str) -> str:
    """A value of ``unit`` for people."""
    if unit == "s":
        return show_seconds(value)
    if unit == "ratio":
        return f"{_significant(value * 100)} %"
    return _significant(value) if unit == "count" else f"{_significant(value)} {unit}"


class Interval(msgspec.Struct, frozen=True, gc=False):
    """A closed interval that contains the true value.  ``lo`` and ``hi`` are in the quantity's base unit."""

    lo: float
    hi: float

    def __post_init__(self) -> None:
        if not self.lo <= self.hi:
            raise ValueError(f"interval is empty or not a number: [{self.lo}, {self.hi}]")

    @classmethod
    def around(cls, value: float, uncertainty: float) -> Interval:
        """The interval ``value`` plus or minus ``uncertainty``."""
        return cls(value - uncertainty, value + uncertainty)

    @property
    def value(self) -> float:
        """The midpoint: the best single number to show."""
        return (self.lo + self.hi) / 2

    @property
    def uncertainty(self) -> float:
        """Half the width: the truth is no farther than this from ``value``."""
        return (self.hi - self.lo) / 2

    def __abs__(self) -> Interval:
        """The interval of the absolute value."""
        if self.lo >= 0:
            return self
        if self.hi <= 0:
            return Interval(-self.hi, -self.lo)
        return Interval(0.0, max(-self.lo, self.hi))

    def __add__(self, other: Interval) -> Interval:
        return Interval(self.lo + other.lo, self.hi + other.hi)

    def __sub__(self, other: Interval) -> Interval:
        return Interval(self.lo - other.hi, self.hi - other.lo)

    def __contains__(self, value: float) -> bool:
        return self.lo <= value <= self.hi

    def meet(self, other: Interval) -> Interval | None:
        """What both intervals allow, or None where they exclude each other."""
        lo, hi = max(self.lo, other.lo), min(self.hi, other.hi)
        return Interval(lo, hi) if lo <= hi else None


class Sense(enum.StrEnum):
    """Which side of a limit is good."""

    AT_MOST = "at most"
    AT_LEAST = "at least"


class Decision(enum.StrEnum):
    """What an interval proves about a pair of limits."""

    PASS = "pass"
    CAUTION = "caution"
    FAIL = "fail"
    UNDECIDED = "undecided"


class Limits(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The caution and the fail bound of one named quantity, the comparison made, and where the numbers come from.

    With ``AT_MOST`` a value equal to a bound is still inside it; with ``AT_LEAST`` likewise.
    A bound of None means that this grade is never given.
    """

    name: str
    unit: str
    sense: Sense
    caution: float | None
    fail: float | None
    origin: str

    def decide(self, measured: Interval) -> Decision:
        """Guarded acceptance and rejection (JCGM 106:2012, 8.3.2 and 8.3.3)."""
        if self.fail is not None and self._outside(measured, self.fail):
            return Decision.FAIL
        if self.caution is not None and not self._inside(measured, self.caution):
            if self._outside(measured, self.caution) and (self.fail is None or self._inside(measured, self.fail)):
                return Decision.CAUTION
            return Decision.UNDECIDED
        if self.fail is not None and not self._inside(measured, self.fail):
            return Decision.UNDECIDED
        return Decision.PASS

    def _inside(self, measured: Interval, bound: float) -> bool:
        return measured.hi <= bound if self.sense is Sense.AT_MOST else measured.lo >= bound

    def _outside(self, measured: Interval, bound: float) -> bool:
        return measured.lo > bound if self.sense is Sense.AT_MOST else measured.hi < bound

    def needed_uncertainty(self, measured: Interval) -> float | None:
        """The uncertainty (half width) below which this midpoint could be decided, or None when it sits on a bound."""
        bounds = [abs(measured.value - bound) for bound in (self.caution, self.fail) if bound is not None]
        return min(bounds) or None if bounds else None

    def show(self) -> str:
        """The comparison in words: "at most 100 ms, fail beyond 1 s"."""
        parts = []
        if self.caution is not None:
            parts.append(f"{self.sense} {show_value(self.caution, self.unit)}")
        if self.fail is not None and self.fail != self.caution:
            beyond = "beyond" if self.sense is Sense.AT_MOST else "below"
            parts.append(f"fail {beyond} {show_value(self.fail, self.unit)}")
        return ", ".join(parts) or "no limit"
