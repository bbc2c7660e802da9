"""What the history answers with beside ``shared.history``: runs whole, baselines, plans."""

from __future__ import annotations

import datetime

import msgspec

from shared.history import RunRecord
from shared.run import Report
from verify.history.body import Snapshot


class PlanRecord(msgspec.Struct, frozen=True):
    """A plan that the history knows, and where its file lay when it was last run."""

    id: int
    domain: str
    title: str
    path: str


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


class Pruned(msgspec.Struct, frozen=True, kw_only=True):
    """What a pruning took out and what it left."""

    removed: int
    kept: int
    kept_baselines: int


def now() -> str:
    """The time of day, RFC 3339 UTC, to the second: when something was stored or accepted."""
    return f"{datetime.datetime.now(datetime.UTC):%Y-%m-%dT%H:%M:%SZ}"
