"""What the history answers with: frozen data, no database in it."""

from __future__ import annotations

import datetime

import msgspec

from shared.findings import Verdict
from shared.run import Report
from verify.history.body import Snapshot


class PlanRecord(msgspec.Struct, frozen=True):
    """A plan that the history knows, and where its file lay when it was last run."""

    id: int
    domain: str
    title: str
    path: str


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


class StoredRun(msgspec.Struct, frozen=True, kw_only=True):
    """A run as it was stored, with the plan it was graded from; ``checks`` are the patterns asked for, none for all."""

    record: RunRecord
    report: Report
    snapshot: Snapshot
    checks: tuple[str, ...]


class Baseline(msgspec.Struct, frozen=True, kw_only=True):
    """The accepted run of a plan."""

    run: RunRecord
    accepted: str
    operator: str
    reason: str


class Night(msgspec.Struct, frozen=True, kw_only=True):
    """One run's value of one followed subject; ``value`` is None where the run measured none."""

    number: int
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
    started: str
    not_after_unix: int


class FollowedEnding(msgspec.Struct, frozen=True, kw_only=True):
    """When one TLS port's certificates ended, over the nights."""

    host: str
    subject: str
    nights: tuple[EndingNight, ...]


class Pruned(msgspec.Struct, frozen=True, kw_only=True):
    """What a pruning took out and what it left."""

    removed: int
    kept: int
    kept_baselines: int


def now() -> str:
    """The time of day, RFC 3339 UTC, to the second: when something was stored or accepted."""
    return f"{datetime.datetime.now(datetime.UTC):%Y-%m-%dT%H:%M:%SZ}"
