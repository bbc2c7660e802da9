"""The geometry of the figures: from values to places on an axis, in percent of its width.  No drawing, no grading.

Axes of measured values are compressed with the inverse hyperbolic sine, so that 0.2 ms and an hour can be seen on one
line: near zero it is linear, far out logarithmic, and it keeps the sign.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence

import msgspec

from reports.marks import GRADES, Mark, ends, rank
from shared.findings import Finding, Grade, Measured, ShownLimits
from shared.quantities import Limits, Sense, show_value
from shared.run import HostReport
from shared.times import read_time


class Bound(msgspec.Struct, frozen=True):
    """One limit on an axis: where it stands, what lies beyond it ("c" or "f"), and its value in words.

    Of two limits that mirror each other only the right one carries words.
    """

    at: float
    key: str
    label: str


class Gauge(msgspec.Struct, frozen=True, kw_only=True):
    """One measured interval against its limits.  ``inside`` is the stretch in which a value is within every limit."""

    lo: float
    hi: float
    at: float
    inside: tuple[float, float]
    bounds: tuple[Bound, ...]
    text: str
    limits: str


class Axis:
    """Maps values to percent; ``unit`` is the size at which the axis stops being linear."""

    def __init__(self, lo: float, hi: float, unit: float, margin: float = 4.0) -> None:
        self._unit = unit
        self._lo, self._hi = self._bend(lo), self._bend(hi)
        if self._hi <= self._lo:
            self._hi = self._lo + 1.0
        self._margin = margin

    def _bend(self, value: float) -> float:
        return math.asinh(value / self._unit)

    def at(self, value: float) -> float:
        """The place of ``value``, kept on the axis."""
        share = (self._bend(value) - self._lo) / (self._hi - self._lo)
        return round(self._margin + min(1.0, max(0.0, share)) * (100 - 2 * self._margin), 1)


def limit_words(limits: ShownLimits, unit: str) -> str:
    """The comparison in words, as ``Limits.show`` writes it."""
    return Limits(name=limits.name, unit=unit, sense=_sense(limits), caution=limits.caution, fail=limits.fail,
                  origin=limits.origin).show()


def _sense(limits: ShownLimits) -> Sense:
    return Sense.AT_LEAST if limits.sense == Sense.AT_LEAST else Sense.AT_MOST


def gauge(finding: Finding) -> Gauge | None:
    """The figure of a finding that was measured against limits, or None for any other.

    Where a signed value is held against an upper limit, the limit stands on both sides of zero.
    """
    measured, limits = finding.measured, finding.limits
    if measured is None or limits is None:
        return None
    pairs = [("c", limits.caution), ("f", limits.fail)]
    if limits.caution == limits.fail:
        pairs = pairs[1:]
    lo, hi = measured.value - measured.uncertainty, measured.value + measured.uncertainty
    at_most = _sense(limits) is Sense.AT_MOST
    bounds = [(key, value) for key, value in pairs if value is not None]
    mirrored = at_most and lo < 0
    if mirrored:
        bounds += [(key, -value) for key, value in bounds]
    if not bounds:
        return None
    values = [lo, hi, *(value for _, value in bounds)]
    unit = min((abs(value) for _, value in bounds if value), default=1.0)
    axis = Axis(min(0.0, 1.3 * min(values)), max(0.0, 1.3 * max(values)), unit, margin=0.0)
    good = [axis.at(value) for key, value in bounds if key == bounds[0][0]]
    inside = (min(good), 100.0) if not at_most else (min(good) if len(good) == 2 else 0.0, max(good))
    return Gauge(lo=axis.at(lo), hi=axis.at(hi), at=axis.at(measured.value), inside=inside,
                 bounds=tuple(Bound(axis.at(value), key, _bound_words(value, measured.unit, mirrored=mirrored))
                              for key, value in bounds),
                 text=_value_words(finding), limits=limit_words(limits, measured.unit))


def _bound_words(value: float, unit: str, *, mirrored: bool) -> str:
    if not mirrored:
        return show_value(value, unit)
    return f"±{show_value(value, unit)}" if value > 0 else ""


class Dot(msgspec.Struct, frozen=True, kw_only=True):
    """One clock on the line: its place and interval, and the step (0 nearest to the line) it stands on.

    ``near`` says on which side of the dot its label has room: "start" to the right of it, "end" to the left.
    """

    at: float
    lo: float
    hi: float
    step: int
    mark: Mark
    label: str
    text: str
    near: str


class Tick(msgspec.Struct, frozen=True):
    """One labelled place on an axis.  ``minor`` ticks may be left out where the page is narrow."""

    at: float
    label: str
    minor: bool = False


class ClockLine(msgspec.Struct, frozen=True, kw_only=True):
    """All clocks on one line: sources above it, hosts below."""

    ticks: tuple[Tick, ...]
    bounds: tuple[Bound, ...]
    inside: tuple[float, float] | None
    above: tuple[Dot, ...]
    below: tuple[Dot, ...]
    high: int
    deep: int
    outside: tuple[Dot, ...]
    summary: str


#: Labels offered to the clock axis, in seconds; the nearest to zero are kept first.
_TICKS = (0.0, 0.001, 0.01, 0.1, 1.0, 10.0, 60.0, 600.0, 3600.0, 86400.0, 30 * 86400.0, 365 * 86400.0, 3650 * 86400.0)
#: Dots nearer to each other than this share of the axis are stacked: one dot's width on a phone.
_DOT_PERCENT = 2.6
#: The most clocks that get a label and a step of their own; the others stack without a label.
_LABELLED = 8
#: The most dots in one stack: beyond it dots lie on each other, and the count in the text says how many there are.
_TALLEST = 9


def clock_line(sources: Sequence[tuple[str, Finding]], hosts: Sequence[tuple[str, Finding]]) -> ClockLine | None:
    """The clocks on one line, from (label, finding) pairs whose findings were measured in seconds; None where there are none."""
    sources, hosts = list(filter(_in_seconds, sources)), list(filter(_in_seconds, hosts))
    if not sources and not hosts:
        return None
    findings = [finding for _, finding in (*sources, *hosts)]
    spans = [_span(finding) for finding in findings]
    limits = next((finding.limits for finding in findings if finding.limits and finding.check == "clock.offset"), None)
    pairs = [(key, value) for key, value in (("c", limits.caution), ("f", limits.fail)) if value] if limits else []
    reach = max([abs(end) for span in spans for end in span] + [value for _, value in pairs])
    farthest = max((value for _, value in pairs), default=reach)
    lo, hi = min(-farthest, *(span[0] for span in spans)), max(farthest, *(span[1] for span in spans))
    axis = Axis(lo * 1.3, hi * 1.3, 0.001)
    bounds = tuple(Bound(axis.at(side * value), key, show_value(side * value, "s")) for key, value in pairs for side in (-1, 1))
    above, below = _stacked(axis, sources), _stacked(axis, hosts)
    good = sorted(bound.at for bound in bounds if bounds and bound.key == bounds[0].key)
    outside = [dot for dot in (*above, *below) if dot.mark is not GRADES[Grade.PASS]]
    worst = f"{len(outside)} outside or undecided" if outside else "all within their limits"
    return ClockLine(
        ticks=_ticks(axis, lo * 1.3, hi * 1.3), bounds=bounds, inside=(good[0], good[-1]) if good else None, above=above,
        below=below, high=1 + max((dot.step for dot in above), default=0), deep=1 + max((dot.step for dot in below), default=0),
        outside=tuple(outside), summary=f"{len(sources)} time sources and runners, {len(hosts)} hosts; {worst}")


def _in_seconds(pair: tuple[str, Finding]) -> bool:
    return pair[1].measured is not None and pair[1].measured.unit == "s"


def _span(finding: Finding) -> tuple[float, float]:
    measured = _measured(finding)
    return measured.value - measured.uncertainty, measured.value + measured.uncertainty


def _measured(finding: Finding) -> Measured:
    if finding.measured is None:
        raise ValueError(f"{finding.ref} was not measured")
    return finding.measured


def _stacked(axis: Axis, clocks: Sequence[tuple[str, Finding]]) -> tuple[Dot, ...]:
    """Dots that would touch are stacked away from the line, those that hold nearest to it.

    The clocks that need a look get a step of their own below the stacks, so that their labels have room.
    """
    held = [(label, finding) for label, finding in clocks if finding.grade is Grade.PASS]
    open_ = sorted(((label, f) for label, f in clocks if f.grade is not Grade.PASS), key=lambda pair: rank(pair[1].grade))
    heights: dict[int, int] = {}
    dots = [_dot(axis, label, finding, _take(heights, axis.at(_middle(finding)))) for label, finding in held]
    floor = 0 if not open_ else max((dot.step for dot in dots), default=-1) + 1
    for index, (label, finding) in enumerate(open_):
        named = index < _LABELLED
        step = floor + min(index, _LABELLED)
        dots.append(_dot(axis, ends(label) if named else "", finding, step, text=label))
    return tuple(dots)


def _take(heights: dict[int, int], at: float) -> int:
    column = round(at / _DOT_PERCENT)
    height = heights.get(column, 0)
    heights[column] = height + 1
    return min(height, _TALLEST)


def _value_words(finding: Finding) -> str:
    """The measured value with its uncertainty, as the finding itself says it."""
    measured = _measured(finding)
    spread = f" ± {show_value(measured.uncertainty, measured.unit)}" if measured.uncertainty else ""
    return show_value(measured.value, measured.unit) + spread


def _middle(finding: Finding) -> float:
    return _measured(finding).value


def _dot(axis: Axis, label: str, finding: Finding, step: int, text: str = "") -> Dot:
    lo, hi = _span(finding)
    at = axis.at(_middle(finding))
    held = finding.grade is Grade.PASS
    return Dot(at=at, lo=axis.at(lo), hi=axis.at(hi), step=step, mark=GRADES[finding.grade], label="" if held else label,
               text=f"{text or label}: {_value_words(finding)}", near="start" if at < 55 else "end")


def _ticks(axis: Axis, lo: float, hi: float) -> tuple[Tick, ...]:
    """As many ticks as fit: 11 percent apart, those nearest to zero first; minor where a narrow page has no room."""
    kept: list[Tick] = []
    for value in sorted({side * tick for tick in _TICKS for side in (-1, 1)}, key=abs):
        at = axis.at(value)
        if lo <= value <= hi and all(abs(at - other.at) >= 11 for other in kept):
            label = "0" if value == 0 else ("+" if value > 0 else "−") + show_value(abs(value), "s")
            kept.append(Tick(at, label, minor=any(abs(at - other.at) < 24 for other in kept if not other.minor)))
    return tuple(sorted(kept, key=lambda tick: tick.at))


class Life(msgspec.Struct, frozen=True, kw_only=True):
    """The life of one certificate, or of several with the same dates, on the calendar axis."""

    label: str
    more: tuple[str, ...]
    begins: float
    ends: float
    cut_left: bool
    cut_right: bool
    mark: Mark
    text: str


class Calendar(msgspec.Struct, frozen=True, kw_only=True):
    """Certificate lives on one calendar axis, those that end first on top.  ``unseen`` counts the rows left out."""

    ticks: tuple[Tick, ...]
    now: float
    now_text: str
    lives: tuple[Life, ...]
    unseen: int


#: How far the calendar reaches before and after the run, in days; what lies beyond is drawn as cut off.
_DAYS_BEFORE, _DAYS_AFTER = 400, 800
#: The most rows: beyond it, certificates that live longest are only counted.
_MOST_LIVES = 24


def calendar(hosts: Sequence[HostReport], started: str) -> Calendar | None:
    """The lives of the certificates the hosts sent (the first of each chain); None where no dates were read."""
    now = read_time(started)
    groups: dict[tuple[str, str, Grade], list[str]] = {}
    for host in hosts:
        grades = {f.subject: f.grade for f in host.findings if f.check == "certificate.dates"}
        for tls in host.evidence.tls:
            if tls.chain and read_time(tls.chain[0].not_before) and read_time(tls.chain[0].not_after):
                key = (tls.chain[0].not_before, tls.chain[0].not_after, grades.get(tls.port, Grade.UNPROVEN))
                groups.setdefault(key, []).append(f"{host.name} {tls.port}")
    if now is None or not groups:
        return None
    rows = sorted(groups.items(), key=lambda item: (item[0][1], item[0][0], rank(item[0][2])))
    first, last = now - datetime.timedelta(days=_DAYS_BEFORE), now + datetime.timedelta(days=_DAYS_AFTER)
    lives = tuple(_life(key, labels, now, first, last) for key, labels in rows[:_MOST_LIVES])
    return Calendar(ticks=_months(first, last), now=_day(now, first, last), now_text=now.strftime("%Y-%m-%d"), lives=lives,
                    unseen=sum(len(labels) for _, labels in rows[_MOST_LIVES:]))


def _life(key: tuple[str, str, Grade], labels: list[str], now: datetime.datetime, first: datetime.datetime,
          last: datetime.datetime) -> Life:
    begins, ends = read_time(key[0]), read_time(key[1])
    if begins is None or ends is None:
        raise ValueError(f"not a life: {key}")
    days = (ends - now).total_seconds() / 86400
    left = "has no defined end" if ends.year == 9999 else f"{days:,.0f} d left" if days >= 0 else f"ended {-days:,.0f} d before"
    text = f"{begins:%Y-%m-%d} to {ends:%Y-%m-%d}, {left}"
    if begins > now:
        text += ", not yet begun"
    return Life(label=labels[0], more=tuple(labels[1:]), begins=_day(begins, first, last), ends=_day(ends, first, last),
                cut_left=begins < first, cut_right=ends > last, mark=GRADES[key[2]], text=text)


def _day(day: datetime.datetime, first: datetime.datetime, last: datetime.datetime) -> float:
    share = (day - first) / (last - first)
    return round(100 * min(1.0, max(0.0, share)), 1)


def _months(first: datetime.datetime, last: datetime.datetime) -> tuple[Tick, ...]:
    """A tick at each quarter; the years carry the label, the other quarters are minor."""
    ticks = []
    for year in range(first.year, last.year + 1):
        for month in (1, 4, 7, 10):
            day = datetime.datetime(year, month, 1, tzinfo=datetime.UTC)
            if first <= day <= last:
                ticks.append(Tick(_day(day, first, last), str(year) if month == 1 else day.strftime("%b").lower(), month != 1))
    return tuple(ticks)
