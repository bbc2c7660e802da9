"""Where a value is heading over the stored nights, and when it will cross a limit - where the nights support saying so.

A clock's offset is fitted by least squares.  The slope's interval is what the scatter about the line allows (95 %, Student's t)
widened by what the measurements' own uncertainties allow at worst, since these may all lean one way.  A date is given only
where that interval excludes zero, and only so far ahead as the nights can carry.  A clock that jumped was set, or lost its
time: that is no trend, and only the nights since count.  The end of a certificate needs no fit: it is written in it.
"""

from __future__ import annotations

import datetime
import math
import statistics
from collections.abc import Sequence
from itertools import pairwise

import msgspec

from shared.drift import Crossing, Trend
from shared.findings import Grade, ShownLimits
from shared.quantities import Interval
from verify.grading.clock.offset_shape import free_running

DAY = 86400.0
#: Fewer nights than a week are no trend (common practice, no source).
FEWEST_NIGHTS = 7
#: A line is drawn on for three times as long as it was seen, no farther (common practice, no source).
REACH = 3
#: A night's change is a jump where it is this many robust standard deviations from the usual one (common practice, no
#: source); 1.4826 times the median absolute deviation estimates the standard deviation of normal scatter.
_JUMP_SIGMAS, _MAD_TO_SIGMA = 6, 1.4826
#: Smaller changes of a clock than this are never called a jump: 20 ms (common practice, no source).
_JUMP_FLOOR_SECONDS = 0.02
#: The 97.5 % point of the normal distribution.
_Z975 = 1.959963984540054


class Sample(msgspec.Struct, frozen=True):
    """One night's value, when it was taken in seconds since 1970, and its uncertainty."""

    at_unix: float
    value: float
    uncertainty: float


class Fit(msgspec.Struct, frozen=True):
    """A line through samples: its interval of slopes a second, and the interval of its level at the last sample."""

    slope: Interval
    level: Interval


def in_order(samples: Sequence[Sample]) -> list[Sample]:
    """The samples whose times go forward, in the order they were stored: a runner's clock that was set back would fold time."""
    kept: list[Sample] = []
    for sample in samples:
        if not kept or sample.at_unix > kept[-1].at_unix:
            kept.append(sample)
    return kept


def clock_trend(host: str, subject: str, samples: Sequence[Sample], limits: ShownLimits | None) -> Trend | None:
    """Where a clock's offset is heading; None without any sample.  ``samples`` come in the order they were stored."""
    ordered = in_order(samples)
    if not ordered:
        return None
    segments = between_jumps(ordered)
    last = segments[-1]
    base = Trend(host=host, what="clock offset", subject=subject, unit="s", nights=len(last), since=_day(last[0].at_unix),
                 latest=last[-1].value, per_day=None, jumps=len(segments) - 1)
    if len(last) < FEWEST_NIGHTS:
        nights = ("1 night" if len(last) == 1 else f"{len(last)} nights") + (" since it last jumped" if len(segments) > 1 else "")
        few = f"{'is' if len(last) == 1 else 'are'} too few for a trend; {FEWEST_NIGHTS} are needed"
        return msgspec.structs.replace(base, why=f"{nights} {few}")
    fit = fitted(last)
    per_day = Interval(fit.slope.lo * DAY, fit.slope.hi * DAY)
    if fit.slope.lo <= 0 <= fit.slope.hi:
        return msgspec.structs.replace(base, per_day=per_day, why="no trend: standing still is within the uncertainty")
    crossings, why = _crossings(fit, last, limits)
    likely = free_running([(sample.at_unix, Interval.around(sample.value, sample.uncertainty)) for sample in last])
    return msgspec.structs.replace(base, per_day=per_day, crossings=crossings, why=why, likely=likely)


def between_jumps(samples: Sequence[Sample]) -> list[list[Sample]]:
    """The samples cut wherever the value jumped."""
    if len(samples) < 3:
        return [list(samples)]
    pairs = list(pairwise(samples))
    gaps = [later.at_unix - earlier.at_unix for earlier, later in pairs]
    # Two runs within minutes say nothing about a rate.
    usual_gap = statistics.median(gaps)
    rate = statistics.median((later.value - earlier.value) / gap for (earlier, later), gap in zip(pairs, gaps, strict=True)
                             if gap >= usual_gap / 2)
    odd = [later.value - earlier.value - rate * gap for (earlier, later), gap in zip(pairs, gaps, strict=True)]
    middle = statistics.median(odd)
    sigma = _MAD_TO_SIGMA * statistics.median(abs(change - middle) for change in odd)
    segments = [[samples[0]]]
    for (earlier, later), change in zip(pairs, odd, strict=True):
        if abs(change - middle) > max(_JUMP_SIGMAS * sigma, earlier.uncertainty + later.uncertainty, _JUMP_FLOOR_SECONDS):
            segments.append([])
        segments[-1].append(later)
    return segments


def fitted(samples: Sequence[Sample]) -> Fit:
    """The least-squares line through three samples or more whose times differ."""
    count = len(samples)
    mean_at = statistics.fmean(sample.at_unix for sample in samples)
    mean_value = statistics.fmean(sample.value for sample in samples)
    away = [sample.at_unix - mean_at for sample in samples]
    spread = math.fsum(x * x for x in away)
    slope = math.fsum(x * (sample.value - mean_value) for x, sample in zip(away, samples, strict=True)) / spread
    residuals = math.fsum((sample.value - mean_value - slope * x) ** 2 for x, sample in zip(away, samples, strict=True))
    scatter = math.sqrt(residuals / (count - 2))
    wide = t975(count - 2)
    leaning = math.fsum(abs(x) * sample.uncertainty for x, sample in zip(away, samples, strict=True)) / spread
    level_error = wide * scatter * math.sqrt(1 / count + away[-1] ** 2 / spread) + max(s.uncertainty for s in samples)
    return Fit(slope=Interval.around(slope, wide * scatter / math.sqrt(spread) + leaning),
               level=Interval.around(mean_value + slope * away[-1], level_error))


def t975(degrees: int) -> float:
    """The 97.5 % point of Student's t: the expansion of Abramowitz and Stegun, 26.7.5, right to 0.1 % from 5 degrees on."""
    z = _Z975
    terms = (
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return z + math.fsum(term / degrees ** power for power, term in enumerate(terms, start=1))


def _crossings(fit: Fit, samples: Sequence[Sample], limits: ShownLimits | None) -> tuple[tuple[Crossing, ...], str]:
    """When the offset will be beyond each limit, on the side it is heading for."""
    now, seen = samples[-1].at_unix, samples[-1].at_unix - samples[0].at_unix
    rate, ahead = (fit.slope, fit.level) if fit.slope.lo > 0 else (_turned(fit.slope), _turned(fit.level))
    crossings: list[Crossing] = []
    too_far = False
    for grade, bound in ((Grade.CAUTION, limits.caution if limits else None), (Grade.FAIL, limits.fail if limits else None)):
        if bound is None or ahead.hi >= bound or any(crossing.limit == bound for crossing in crossings):
            continue
        earliest, latest = (bound - ahead.hi) / rate.hi, (bound - ahead.lo) / rate.lo
        if latest > REACH * seen:
            too_far = True
            continue
        crossings.append(Crossing(grade=grade, limit=bound, earliest=_day(now + earliest), latest=_day(now + latest)))
    return tuple(crossings), "" if crossings or not too_far else (
        f"no limit within {REACH} times the {round(seen / DAY)} days it was seen for")


def _turned(interval: Interval) -> Interval:
    return Interval(-interval.hi, -interval.lo)


class Ending(msgspec.Struct, frozen=True):
    """When a certificate ended, as one night saw it; both in seconds since 1970."""

    at_unix: float
    not_after_unix: int


def certificate_trend(host: str, subject: str, nights: Sequence[Ending], limits: ShownLimits | None) -> Trend | None:
    """When a port's certificates will be too short-lived if nobody renews them, and how they were renewed so far.

    None without any night, or for a certificate without a defined end (RFC 5280 section 4.1.2.5).
    """
    ordered: list[Ending] = []
    for night in nights:
        if not ordered or night.at_unix > ordered[-1].at_unix:
            ordered.append(night)
    if not ordered or _day(ordered[-1].not_after_unix) >= "9999":
        return None
    last = ordered[-1]
    renewals = [earlier for earlier, later in pairwise(ordered)
                if earlier.not_after_unix != later.not_after_unix]
    since = next(night for night in ordered if night.not_after_unix == last.not_after_unix and (
        not renewals or night.at_unix > renewals[-1].at_unix))
    left = last.not_after_unix - last.at_unix
    crossings: list[Crossing] = []
    for grade, bound in ((Grade.CAUTION, limits.caution if limits else None), (Grade.FAIL, limits.fail if limits else None)):
        if bound is not None and left > bound and all(crossing.limit != bound for crossing in crossings):
            day = _day(last.not_after_unix - bound)
            crossings.append(Crossing(grade=grade, limit=bound, earliest=day, latest=day))
    why = ""
    if renewals:
        least = min(earlier.not_after_unix - earlier.at_unix for earlier in renewals) / DAY
        why = f"renewed {len(renewals)} time{'s' if len(renewals) > 1 else ''}, the latest with {least:.0f} d left or more"
    return Trend(host=host, what="certificate life", subject=subject, unit="s",
                 nights=sum(night.at_unix >= since.at_unix for night in ordered), since=_day(since.at_unix), latest=left,
                 per_day=Interval(-DAY, -DAY), jumps=len(renewals), crossings=tuple(crossings), why=why)


def _day(at_unix: float) -> str:
    """The day of a moment, UTC; the last day there is where it lies beyond what a calendar holds."""
    try:
        return datetime.datetime.fromtimestamp(at_unix, datetime.UTC).date().isoformat()
    except (OverflowError, OSError, ValueError):
        return "9999-12-31"
