"""From the nights that are stored to the trends that ``verify.trends`` draws through them."""

from __future__ import annotations

from collections.abc import Mapping

from shared.drift import Trend
from shared.findings import ShownLimits
from shared.history import Followed, FollowedEnding
from shared.run import Report
from verify.history import queries
from verify.history.rows import DATES, unix
from verify.history.store import Store
from verify.trends import Ending, Sample, certificate_trend, clock_trend

OFFSET = "clock.offset"
#: How many runs a nightly comparison looks back on: about a quarter of a year, in which a clock or its machine room may
#: change its ways (common practice, no source).
RECENT_RUNS = 90

#: The limits a finding was held against, by its host, check and subject.
LimitsOf = Mapping[tuple[str, str, str], ShownLimits]


def trends_of(store: Store, plan: int, report: Report) -> tuple[Trend, ...]:
    """The trends of every host of a report, over the recent runs of its plan.  Raises HistoryError."""
    since = queries.oldest_of_last(store, plan, RECENT_RUNS)
    hosts = {host.name for host in report.hosts}
    limits = limits_of(report)
    clocks = [followed for followed in queries.followed(store, plan, check=OFFSET, since=since) if followed.host in hosts]
    ends = [followed for followed in queries.followed_endings(store, plan, since=since) if followed.host in hosts]
    return drawn(clocks, ends, limits)


def drawn(clocks: list[Followed], ends: list[FollowedEnding], limits: LimitsOf) -> tuple[Trend, ...]:
    """The trends through what was followed; ``limits`` may lack some, and no date is given for these."""
    found = [clock_trend(one.host, one.subject, _samples(one), limits.get((one.host, OFFSET, one.subject))) for one in clocks]
    found += [certificate_trend(one.host, one.subject, _endings(one), limits.get((one.host, DATES, one.subject))) for one in ends]
    return tuple(trend for trend in found if trend is not None)


def limits_of(report: Report) -> LimitsOf:
    """What every measured finding of a report was held against."""
    return {(finding.ref.partition("|")[0], finding.check, finding.subject): finding.limits
            for finding in report.findings() if finding.limits is not None}


def _samples(followed: Followed) -> list[Sample]:
    return [Sample(at, night.value, night.uncertainty or 0.0) for night in followed.nights
            if night.value is not None and (at := unix(night.started)) is not None]


def _endings(followed: FollowedEnding) -> list[Ending]:
    return [Ending(at, night.not_after_unix) for night in followed.nights if (at := unix(night.started)) is not None]
