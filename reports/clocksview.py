"""The clocks that stand on one line: each source and the runner, and each host, against the agreed time."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

from reports import figures
from reports.figures import ClockLine
from reports.fleetview import short_name
from shared.evidence import ClockEvidence
from shared.findings import Finding, Measured
from shared.run import Report


def clocks(report: Report, domain: str) -> ClockLine | None:
    """The line of all clocks of a run; hosts are named without the ``domain`` they share."""
    site = {(finding.check, finding.subject): finding for finding in report.site.findings}
    hosts = [(short_name(host.name, domain), finding)
             for host in report.hosts for finding in host.findings if finding.check == "clock.offset"]
    runner = next((finding for finding in report.site.findings if finding.check == "clock.runner"), None)
    sources = [(finding.subject, finding) for seen in report.site.evidence.clocks for finding in _source(seen, site, runner)]
    return figures.clock_line([*sources, *([("runner", runner)] if runner else [])], hosts)


def _source(seen: ClockEvidence, site: dict[tuple[str, str], Finding], runner: Finding | None) -> Iterator[Finding]:
    """One source's finding with its distance from the agreed time as the value: none where either is not known.

    A source that was proven wrong has that distance in its finding.  Of the others only their offset to the runner was
    measured (RFC 5905 section 8), so the runner's own distance, with its uncertainty, is added to that.
    """
    wrong = site.get(("clock.sources-agree", seen.server))
    if wrong is not None and wrong.measured is not None:
        yield wrong
        return
    judged = site.get(("clock.source", seen.server))
    if judged is None or runner is None or runner.measured is None or not seen.samples:
        return
    best = min(seen.samples, key=lambda sample: sample.delay_seconds)
    yield msgspec.structs.replace(judged, limits=None, measured=Measured(
        best.offset_seconds + runner.measured.value, best.delay_seconds / 2 + runner.measured.uncertainty, "s"))
