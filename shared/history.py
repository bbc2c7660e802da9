"""What the history of runs answers with: frozen data, made by ``verify.history``, shown by ``reports.historytext``."""

from __future__ import annotations

import msgspec

from shared.drift import Trend
from shared.findings import Verdict


class RunRecord(msgspec.Struct, frozen=True, kw_only=True):
    """One stored run without its findings and evidence.

    ``number`` counts runs in the order they were stored, whatever the runner's clock said.  ``baseline`` is True for the
    run that drift of its plan is measured from; ``part`` says that only some hosts or checks were asked for.
    """

    number: int
    id: str
    plan: int
    title: str
    kind: str
    started: str
    finished: str
    stored: str
    complete: bool
    part: bool
    verdict: str
    passed: int
    caution: int
    fail: int
    unproven: int
    waived: int
    hosts: int
    tool: str
    vantage: str
    profile: str
    operator: str
    reason: str
    ticket: str
    checks: str
    baseline: bool = False

    @property
    def acceptable(self) -> bool:
        """Whether the verdict alone lets this run be accepted: nothing failed and nothing is unproven."""
        return self.verdict in (Verdict.READY, Verdict.READY_WITH_CAUTIONS)


class Night(msgspec.Struct, frozen=True, kw_only=True):
    """One run's value of one followed subject; ``value`` is None where the run measured none."""

    number: int
    run: str
    started: str
    grade: str
    value: float | None
    uncertainty: float | None


class Followed(msgspec.Struct, frozen=True, kw_only=True):
    """One subject of one check over the nights, in the order they were stored.  ``check`` is empty for a host's verdict."""

    host: str
    check: str
    subject: str
    unit: str
    nights: tuple[Night, ...]


class EndingNight(msgspec.Struct, frozen=True, kw_only=True):
    """When a port's certificates ended, as seen in one run, in seconds since 1970."""

    number: int
    run: str
    started: str
    not_after_unix: int


class FollowedEnding(msgspec.Struct, frozen=True, kw_only=True):
    """When one TLS port's certificates ended, over the nights."""

    host: str
    subject: str
    nights: tuple[EndingNight, ...]


class Nights(msgspec.Struct, frozen=True, kw_only=True):
    """The nights before a report, and where they lead: how far each clock was off, when each port's certificate ended."""

    clocks: tuple[Followed, ...] = ()
    endings: tuple[FollowedEnding, ...] = ()
    trends: tuple[Trend, ...] = ()


#: What there is before a first run, and wherever no history is read.
NO_NIGHTS = Nights()
