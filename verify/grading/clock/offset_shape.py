"""What the size of a clock's error suggests about its cause: a sentence to go on, never a grade."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

from shared.quantities import Interval, show_seconds

#: Zones differ by quarter hours (the IANA time zone database), from 12 hours behind UTC to 14 ahead.
_QUARTER_SECONDS = 900
_WIDEST_ZONE_SECONDS = 14 * 3600
#: How far from a whole quarter hour still counts: what a clock drifts in about four days at 15 parts per million.  Of
#: random offsets one in ninety looks like a zone by chance (common practice, no source).
_NEAR_SECONDS = 5.0
#: A clock that lost its date counts on from where it woke up, so a year is allowed (common practice, no source).
_YEAR_SECONDS = 366 * 86400
_EPOCHS = (
    (datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC), "1970-01-01, where Unix time begins"),
    (datetime.datetime(1980, 1, 1, tzinfo=datetime.UTC), "1980-01-01, where many a PC's hardware clock begins"),
    (datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC), "2000-01-01, where many hardware clock chips begin"),
    (datetime.datetime(2010, 1, 1, tzinfo=datetime.UTC), "2010-01-01, a common default of firmware"),
    (datetime.datetime(2036, 2, 7, 6, 28, 16, tzinfo=datetime.UTC), "2036-02-07, where NTP's second era begins"),
)
#: IS-GPS-200: the week number in the broadcast has ten bits.
_GPS_ROLLOVER_SECONDS = 1024 * 7 * 86400
#: TAI - UTC since 2017-01-01 (IERS Bulletin C 52); GPS time stays 19 s behind TAI.
_TAI_SECONDS, _GPS_SECONDS = 37, 18

#: RFC 5905 appendix A.1.1, MAXFREQ, as seconds a second: no oscillator worth the name runs farther off.
_FASTEST_DRIFT = 500e-6
#: How long a clock must have been watched before its growing error is called free-running, in seconds, and how often:
#: two looks are a difference and no trend (common practice, no source).
_WATCHED_SECONDS = 86400
_FEWEST_LOOKS = 3


def likely_cause(offset: Interval, *, true_unix_seconds: float) -> str:
    """A sentence on the likely cause of an offset, or nothing where its size suggests none.

    ``offset`` is the clock's lead over the agreed time in seconds; ``true_unix_seconds`` is the agreed time.
    """
    value = offset.value
    near = max(_NEAR_SECONDS, offset.uncertainty)
    if abs(abs(value) - _GPS_ROLLOVER_SECONDS) <= near:
        return ("It is 1024 weeks, the range of the week number that GPS sends: a receiver with old firmware took the date "
                "for one 1024 weeks away.")
    if abs(value) > _YEAR_SECONDS:
        return _of_a_lost_date(true_unix_seconds + value)
    quarters = round(value / _QUARTER_SECONDS)
    if quarters and abs(value) <= _WIDEST_ZONE_SECONDS + near and abs(value - quarters * _QUARTER_SECONDS) <= near < 90:
        return (f"It is {_hours(quarters)} nearly to the second, like a difference of time zones: the hardware clock may hold "
                "local time, or the date may have been typed in local time.")
    for seconds, scale in ((_TAI_SECONDS, "TAI"), (_GPS_SECONDS, "GPS time")):
        if abs(value - seconds) <= max(0.2, offset.uncertainty) < 1:
            return f"It is {seconds} s, what {scale} is ahead of UTC: the clock may have been set to {scale}."
    return ""


def common_cause(offsets: list[Interval]) -> str:
    """A sentence for when all hosts are off by the same amount, or nothing.  Needs at least two hosts."""
    low, high = max(offset.lo for offset in offsets), min(offset.hi for offset in offsets)
    if len(offsets) < 2 or low > high:
        return ""
    return (f"All {len(offsets)} hosts are off by the same {show_seconds(abs(low + high) / 2)}: suspect what they all follow, "
            "not the hosts one by one.")


def free_running(past: Sequence[tuple[float, Interval]]) -> str:
    """A sentence for when a clock's error grows by the day, or nothing where its history does not show that.

    ``past`` holds (Unix seconds, lead over the agreed time) of one host, from several runs of one boot.  A clock that is
    kept right stays within its intervals; one that is left to itself moves along a straight line through all of them.
    """
    rate = drift_rate(past)
    if rate is None or 0.0 in rate or abs(rate).hi > _FASTEST_DRIFT:
        return ""
    looks = sorted(moment for moment, _lead in past)
    if len(looks) < _FEWEST_LOOKS or looks[-1] - looks[0] < _WATCHED_SECONDS:
        return ""
    a_day, verb = rate.value * 86400, "gained" if rate.value > 0 else "lost"
    return (f"Over {show_seconds(looks[-1] - looks[0])} it has {verb} {show_seconds(abs(a_day))} a day, evenly: the clock runs "
            "free, so its time service has no source, or none runs.")


def drift_rate(past: Sequence[tuple[float, Interval]]) -> Interval | None:
    """The rates, in seconds a second, of the straight lines that meet every interval of a history; None where there is none.

    A line of a given rate meets them all exactly where, carried back along it to one moment, every two of them overlap (in
    one dimension that is enough), so every pair bounds the rate from both sides.  Looks at the same moment bound nothing.
    """
    looks = sorted(past, key=lambda look: look[0])
    bounds = [Interval((lead.lo - before.hi) / (moment - then), (lead.hi - before.lo) / (moment - then))
              for index, (then, before) in enumerate(looks) for moment, lead in looks[index + 1 :] if moment > then]
    lo, hi = max((bound.lo for bound in bounds), default=1.0), min((bound.hi for bound in bounds), default=0.0)
    return Interval(lo, hi) if lo <= hi else None


def _of_a_lost_date(reading_unix_seconds: float) -> str:
    for epoch, words in _EPOCHS:
        if 0 <= reading_unix_seconds - epoch.timestamp() <= _YEAR_SECONDS:
            return (f"The clock reads shortly after {words}: the hardware clock has lost its date, most often because its "
                    "battery is empty or missing.")
    return "It is more than a year: the hardware clock has lost its date, or the date was typed with a wrong year."


def _hours(quarters: int) -> str:
    hours, rest = divmod(abs(quarters), 4)
    return f"{hours} h {rest * 15} min" if rest else f"{hours} h"
