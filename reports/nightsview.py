"""Trends over the stored nights as small pictures: every clock's interval night by night, every certificate's life.

All pictures of one kind share their axes, so that hosts can be compared by looking.  Nothing is fitted here: what a trend
comes to was worked out by others (``shared.drift.Trend``) and stands beside its picture in words.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence

import msgspec

from reports.drifttext import first_crossing, heading
from reports.figures import Axis
from reports.findingview import Names
from reports.fleetview import short_name
from reports.marks import GRADES, Mark, many, rank
from shared.drift import Trend
from shared.findings import Finding
from shared.history import EndingNight, Night, Nights
from shared.quantities import show_seconds
from shared.run import Report
from shared.times import read_time

#: The size of one picture in its own units; the page stretches it.
WIDE, HIGH = 400, 64
#: The most pictures of one kind: what needs a look comes first, the rest is counted.
MOST_PANELS = 24
#: One night alone is no picture.
FEWEST_NIGHTS = 2
#: The shortest interval drawn, in units of a picture, so that a sharp value can be seen.
_LEAST = 3
_DAY = 86400.0
#: Clocks farther off than so many times the widest limit are drawn at the edge, lest one hide how the others move.
_BEYOND = 2.0
#: A certificate that lives longer than a year and its renewal (397 days, common practice) is drawn at the top.
_MOST_DAYS = 400.0


class Panel(msgspec.Struct, frozen=True, kw_only=True):
    """One subject over the nights: a path, the heights of its limits by kind ("c", "f"), and its trend in words."""

    label: str
    target: str
    mark: Mark
    path: str
    bounds: tuple[tuple[str, int], ...]
    text: str


class NightsView(msgspec.Struct, frozen=True, kw_only=True):
    """All pictures of one kind.  ``drawn`` says how the path is to be drawn: as "spans" or as a "line"."""

    title: str
    said: str
    drawn: str
    zero: int
    panels: tuple[Panel, ...]
    unseen: int


class _Series(msgspec.Struct, frozen=True):
    """What was followed of one finding of the report: (seconds since 1970, least, most) a night."""

    finding: Finding
    host: str
    trend: Trend
    nights: tuple[tuple[float, float, float], ...]


def kinds(report: Report, nights: Nights, names: Names, domain: str) -> tuple[NightsView, ...]:
    """The pictures of a report's clocks and certificates, where at least two nights are stored."""
    if not nights.trends:
        return ()
    judged = {(finding.host, finding.check, finding.subject): finding for finding in report.findings()}
    trends = {(trend.host, trend.what, trend.subject): trend for trend in nights.trends}
    clocks = _series(((one.host, one.subject, _spans(one.nights)) for one in nights.clocks), "clock.offset", "clock offset",
                     judged, trends)
    lives = _series(((one.host, one.subject, _left(one.nights)) for one in nights.endings), "certificate.dates",
                    "certificate life", judged, trends)
    return tuple(kind for kind in (_clocks(clocks, names, domain), _lives(lives, names, domain)) if kind.panels)


def _series(followed: Iterable[tuple[str, str, Sequence[tuple[float, float, float]]]], check: str, what: str,
            judged: Mapping[tuple[str, str, str], Finding], trends: Mapping[tuple[str, str, str], Trend]) -> list[_Series]:
    """What can be drawn, that first which reaches a limit first, then by what needs a look."""
    found = [_Series(judged[host, check, subject], host, trends[host, what, subject], tuple(points))
             for host, subject, points in followed
             if len(points) >= FEWEST_NIGHTS and (host, check, subject) in judged and (host, what, subject) in trends]
    return sorted(found, key=lambda one: (first_crossing(one.trend), rank(one.finding.grade)))


def _spans(nights: Sequence[Night]) -> list[tuple[float, float, float]]:
    return _in_order((night.started, night.value - (night.uncertainty or 0.0), night.value + (night.uncertainty or 0.0))
                     for night in nights if night.value is not None)


def _left(nights: Sequence[EndingNight]) -> list[tuple[float, float, float]]:
    """The days left each night."""
    points = _in_order((night.started, night.not_after_unix, night.not_after_unix) for night in nights)
    return [(at, (end - at) / _DAY, (end - at) / _DAY) for at, end, _ in points]


def _in_order(points: Iterable[tuple[str, float, float]]) -> list[tuple[float, float, float]]:
    """The nights whose times go forward: a runner's clock that was set back would fold the picture."""
    kept: list[tuple[float, float, float]] = []
    for started, lo, hi in points:
        moment = read_time(started)
        if moment is not None and (not kept or moment.timestamp() > kept[-1][0]):
            kept.append((moment.timestamp(), lo, hi))
    return kept


def _bounds(one: _Series, unit: float) -> list[tuple[str, float]]:
    limits = one.finding.limits
    pairs = (("c", limits.caution), ("f", limits.fail)) if limits else ()
    return [(key, value / unit) for key, value in pairs if value is not None]


def _clocks(series: Sequence[_Series], names: Names, domain: str) -> NightsView:
    """Clocks against their limits on both sides of zero, compressed as the line of all clocks is."""
    bounds = {one.finding.ref: [(key, side * value) for key, value in _bounds(one, 1.0) for side in (1, -1)] for one in series}
    far = max((abs(edge) for one in series for _, *span in one.nights for edge in span), default=1.0)
    limits = [abs(value) for one in series for _, value in bounds[one.finding.ref]]
    reach = min(far, _BEYOND * max(limits)) if limits else far
    reach = max([reach, *limits])
    beyond = "; farther off is drawn at the edge" if far > 1.1 * reach else ""
    axis = Axis(-1.1 * reach, 1.1 * reach, 0.001, margin=0.0)

    def height(value: float) -> int:
        return round(HIGH * (1 - axis.at(value) / 100))

    first, last = _first_and_last(series)
    panels = []
    for one in series[:MOST_PANELS]:
        path = "".join(f"M{_across(at, first, last)} {height(hi)}v{max(_LEAST, height(lo) - height(hi))}"
                       for at, lo, hi in one.nights)
        panels.append(_panel(one, path, [(key, height(value)) for key, value in bounds[one.finding.ref]], names, domain))
    return NightsView(title="Each clock", drawn="spans", zero=height(0.0), panels=tuple(panels),
                      said=f"How far from the agreed time, as an interval a night{_limits_said(series)}; the axis is compressed "
                           f"away from zero{beyond}. {_when(series)}", unseen=max(0, len(series) - MOST_PANELS))


def _lives(series: Sequence[_Series], names: Names, domain: str) -> NightsView:
    """The days each certificate had left, which only a renewal makes more."""
    days = [value for one in series for _, value, _ in one.nights]
    limits = [value for one in series for _, value in _bounds(one, _DAY)]
    top = max(1.2 * max(limits, default=1.0), min(max(days, default=1.0), _MOST_DAYS))
    floor = min([*days, 0.0])
    beyond = f"; more than {top:.0f} days are drawn at the top" if max(days, default=0.0) > top else ""

    def height(value: float) -> int:
        return round(HIGH * (1 - (min(value, top) - floor) / (top - floor)))

    first, last = _first_and_last(series)
    panels = []
    for one in series[:MOST_PANELS]:
        path = "".join(f"{'L' if place else 'M'}{_across(at, first, last)} {height(left)}"
                       for place, (at, left, _) in enumerate(_corners(one.nights)))
        panels.append(_panel(one, path, [(key, height(value)) for key, value in _bounds(one, _DAY)], names, domain))
    return NightsView(title="Each certificate", drawn="line", zero=height(0.0), panels=tuple(panels),
                      said=f"The days it had left, night by night{_limits_said(series)}{beyond}. {_when(series)}",
                      unseen=max(0, len(series) - MOST_PANELS))


def _corners(nights: Sequence[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """The nights at which the line bends: between renewals a life shortens evenly, so the nights between say nothing."""
    ends = [at + left * _DAY for at, left, _ in nights]
    return [night for place, night in enumerate(nights)
            if place in (0, len(nights) - 1) or ends[place] != ends[place - 1] or ends[place] != ends[place + 1]]


def _panel(one: _Series, path: str, bounds: Sequence[tuple[str, int]], names: Names, domain: str) -> Panel:
    # How many nights are drawn is said once: the trend's own words count them where it is that of all of them.
    counted = one.trend.nights == len(one.nights) or (one.trend.per_day is not None and one.trend.what == "clock offset")
    return Panel(label=f"{short_name(one.host, domain)} {one.finding.subject}", target=names.nearest(one.finding),
                 mark=GRADES[one.finding.grade], path=path, bounds=tuple(bounds),
                 text=heading(one.trend) if counted else f"{many(len(one.nights), 'night')}; {heading(one.trend)}")


def _first_and_last(series: Sequence[_Series]) -> tuple[float, float]:
    times = [at for one in series for at, _, _ in one.nights]
    return min(times, default=0.0), max(times, default=1.0)


def _across(at: float, first: float, last: float) -> int:
    return round(4 + (WIDE - 8) * (at - first) / (last - first))


def _limits_said(series: Sequence[_Series]) -> str:
    """The limits in words, where all subjects have the same."""
    said = {tuple(_bounds(one, 1.0)) for one in series}
    pairs = said.pop() if len(said) == 1 else ()
    words = {"c": "caution, dashed", "f": "fail, solid"}
    return "".join(f"; {words[key]}: {show_seconds(value)}" for key, value in pairs)


def _when(series: Sequence[_Series]) -> str:
    first, last = (datetime.datetime.fromtimestamp(at, datetime.UTC).date() for at in _first_and_last(series))
    return f"From {first} to {last}."
