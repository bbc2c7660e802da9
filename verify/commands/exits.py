"""The exit status: one list, in the contract's words."""

from __future__ import annotations

import enum

from shared.findings import Verdict
from shared.run import Report


class Exit(enum.IntEnum):
    """What the exit status of every command means."""

    READY = 0
    FAILED = 1
    UNUSABLE = 2
    UNPROVEN = 3
    INTERNAL = 70
    INTERRUPTED = 130


def exit_of(report: Report, *, strict: bool) -> Exit:
    """The exit status of a run: our own bugs and interruption outrank what was found.

    A bug is told first: whoever interrupted a run knows that already.
    """
    if crashed(report):
        return Exit.INTERNAL
    if not report.run.complete:
        return Exit.INTERRUPTED
    if report.verdict is Verdict.NOT_READY or (strict and report.counts.caution):
        return Exit.FAILED
    return Exit.UNPROVEN if report.verdict is Verdict.UNPROVEN else Exit.READY


def crashed(report: Report) -> bool:
    """Whether any probe stopped on a bug of ours."""
    return bool(report.evidence().crashes())
