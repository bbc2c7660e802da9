"""From the nights that are stored to the trends that ``verify.comparing.trends`` draws through them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec

from shared.drift import Trend
from shared.history import EndingNight, Followed, FollowedEnding, Night, Nights, RunRecord
from shared.run import Report
from verify.comparing.trends import Ending, Sample, certificate_trend, clock_trend
from verify.history import queries
from verify.history.rows import DATES, unix
from verify.history.store import Store

OFFSET = "clock.offset"
#: How many runs a nightly comparison looks back on: about a quarter of a year, in which a clock or its machine room may
#: change its ways (common practice, no source).
RECENT_RUNS = 90


def trends_of(store: Store, plan: int, report: Report) -> tuple[Trend, ...]:
    """The trends of every host of a report, over the recent runs of its plan.  Raises HistoryError."""
    since = queries.oldest_of_last(store, plan, RECENT_RUNS)
    return drawn(queries.followed(store, plan, check=OFFSET, since=since),
                 queries.followed_endings(store, plan, since=since), report)


def nights_until(store: Store, run: RunRecord, report: Report) -> Nights:
    """What the runs of a plan saw up to and with a stored one, and the trends through that.  Raises HistoryError."""
    since = queries.oldest_of_last(store, run.plan, RECENT_RUNS, until=run.number)
    clocks = [msgspec.structs.replace(one, nights=tuple(night for night in one.nights if night.number <= run.number))
              for one in queries.followed(store, run.plan, check=OFFSET, since=since)]
    endings = [msgspec.structs.replace(one, nights=tuple(night for night in one.nights if night.number <= run.number))
               for one in queries.followed_endings(store, run.plan, since=since)]
    return Nights(clocks=tuple(clocks), endings=tuple(endings), trends=drawn(clocks, endings, report))


def drawn(clocks: Iterable[Followed], ends: Iterable[FollowedEnding], report: Report) -> tuple[Trend, ...]:
    """The trends through what was followed, of those subjects that the report still judges, to the limits it judged them by."""
    judged = {(finding.host, finding.check, finding.subject): finding.limits for finding in report.findings()}
    found = [_dated(clock_trend(one.host, one.subject, _samples(one), judged[key]),
                    [night for night in one.nights if night.value is not None], report)
             for one in clocks if (key := (one.host, OFFSET, one.subject)) in judged]
    found += [_dated(certificate_trend(one.host, one.subject, _endings(one), judged[key]), one.nights, report)
              for one in ends if (key := (one.host, DATES, one.subject)) in judged]
    return tuple(trend for trend in found if trend is not None)


def _dated(trend: Trend | None, seen: Sequence[Night | EndingNight], report: Report) -> Trend | None:
    """The trend with the day of its latest value, where the run of the report saw none."""
    if trend is None or seen[-1].run == report.run.id:
        return trend
    return msgspec.structs.replace(trend, until=seen[-1].started[:10])


def _samples(followed: Followed) -> list[Sample]:
    return [Sample(at, night.value, night.uncertainty or 0.0) for night in followed.nights
            if night.value is not None and (at := unix(night.started)) is not None]


def _endings(followed: FollowedEnding) -> list[Ending]:
    return [Ending(at, night.not_after_unix) for night in followed.nights if (at := unix(night.started)) is not None]
