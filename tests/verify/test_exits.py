"""The exit status, which schedules and pipelines read: the contract's section 2, row by row."""

from __future__ import annotations

from types import ModuleType

import msgspec
import pytest

from shared.evidence import Crash
from shared.findings import Verdict
from shared.run import Counts
from verify.commands.exits import Exit, exit_of

_BUG = (Crash(asking="worker 2", error="ended before it was done, with status -9"),)


@pytest.mark.parametrize(("verdict", "caution", "strict", "complete", "crashes", "status"), [
    (Verdict.READY, 0, False, True, (), Exit.READY),
    (Verdict.READY, 0, True, True, (), Exit.READY),
    (Verdict.READY_WITH_CAUTIONS, 1, False, True, (), Exit.READY),
    (Verdict.READY_WITH_CAUTIONS, 1, True, True, (), Exit.FAILED),
    (Verdict.NOT_READY, 0, False, True, (), Exit.FAILED),
    (Verdict.UNPROVEN, 0, False, True, (), Exit.UNPROVEN),
    (Verdict.UNPROVEN, 1, False, True, (), Exit.UNPROVEN),
    (Verdict.UNPROVEN, 1, True, True, (), Exit.FAILED),
    (Verdict.NOT_READY, 0, False, False, (), Exit.INTERRUPTED),
    (Verdict.UNPROVEN, 0, False, False, (), Exit.INTERRUPTED),
    (Verdict.NOT_READY, 0, False, True, _BUG, Exit.INTERNAL),
    # A worker that the system killed leaves the run incomplete, and nobody interrupted it.
    (Verdict.UNPROVEN, 0, False, False, _BUG, Exit.INTERNAL),
])
def test_the_status_says_the_worst_of_what_happened(
    sample: ModuleType, verdict: Verdict, caution: int, strict: bool, complete: bool, crashes: tuple[Crash, ...], status: Exit
) -> None:
    """Our own bugs first, then an interruption, then what was found."""
    whole = sample.tidewater()
    report = msgspec.structs.replace(
        whole, verdict=verdict, counts=Counts(caution=caution), run=msgspec.structs.replace(whole.run, complete=complete),
        site=msgspec.structs.replace(whole.site, evidence=msgspec.structs.replace(whole.site.evidence, crashes=crashes)))
    assert exit_of(report, strict=strict) is status
