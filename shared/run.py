"""A finished run: findings and evidence together, in the shape of the JSON report (``seatrial-report/1``)."""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import msgspec

from shared.evidence import Evidence, HostEvidence, SiteEvidence, Vantage
from shared.findings import Finding, ShownLimits, Verdict
from shared.times import read_time

#: The name of the report's format.  Fields may be added under this name; none is renamed or taken away.
SCHEMA = "seatrial-report/1"


class Counts(msgspec.Struct, frozen=True, kw_only=True):
    """How many findings have each grade, over the site and all hosts."""

    # "pass" is a Python keyword; the report's field keeps the contract's name.
    passed: int = msgspec.field(default=0, name="pass")
    caution: int = 0
    fail: int = 0
    unproven: int = 0
    waived: int = 0


class Missing(msgspec.Struct, frozen=True, kw_only=True):
    """Something that was not proven, for whom, why, and what would prove it.

    ``why`` is a sentence, or "because of " and the refs of the findings that explain it, with "; " between them.
    """

    check: str
    subjects: tuple[str, ...]
    why: str
    would_prove: str

    @property
    def because(self) -> tuple[str, ...]:
        """The refs of the findings that ``why`` names; none where it is a sentence."""
        return tuple(self.why.removeprefix(_BECAUSE_OF).split(_AND_OF)) if self.why.startswith(_BECAUSE_OF) else ()


_BECAUSE_OF, _AND_OF = "because of ", "; "


def because_of(refs: Iterable[str]) -> str:
    """How ``Missing.why`` names the findings that explain it."""
    return _BECAUSE_OF + _AND_OF.join(refs)


class Coverage(msgspec.Struct, frozen=True, kw_only=True):
    """How much of what was planned has been proven, one way or the other."""

    planned: int
    proven: int
    missing: tuple[Missing, ...] = ()


class Cause(msgspec.Struct, frozen=True, kw_only=True):
    """A finding to mend first, and how many other findings it explains."""

    finding: str
    explains: int


class Tool(msgspec.Struct, frozen=True, kw_only=True):
    """Which program made the run."""

    name: str
    version: str


class PlanReference(msgspec.Struct, frozen=True, kw_only=True):
    """Which plan the run was held against."""

    title: str
    file: str
    sha256: str


class RunFacts(msgspec.Struct, frozen=True, kw_only=True):
    """Who ran what, when, from where, with which limits.  ``reviewer`` is who is to check the run, and is not who ran it."""

    id: str
    kind: str
    started: str
    finished: str
    complete: bool
    tool: Tool
    vantage: Vantage
    operator: str
    reason: str
    ticket: str
    profile: str
    limits: tuple[ShownLimits, ...]
    plan: PlanReference
    command: str = ""
    reviewer: str = ""

    @property
    def lasted_seconds(self) -> float | None:
        """How long it took; None where that is not known, as where its clock was set back and nobody noticed by how much."""
        begun, ended = read_time(self.started), read_time(self.finished)
        if begun is None or ended is None:
            return None
        seconds = (ended - begun).total_seconds() - self.vantage.clock_step_seconds
        return seconds if seconds >= 0 else None


class SiteReport(msgspec.Struct, frozen=True, kw_only=True):
    """Findings and evidence about the site as a whole."""

    findings: tuple[Finding, ...]
    evidence: SiteEvidence


class HostReport(msgspec.Struct, frozen=True, kw_only=True):
    """Findings and evidence about one host.

    ``name`` is fully qualified, without the final dot; ``address`` is the first of ``addresses``.
    """

    name: str
    address: str
    addresses: tuple[str, ...]
    network: str
    role: str
    verdict: Verdict
    findings: tuple[Finding, ...]
    evidence: HostEvidence


class Report(msgspec.Struct, frozen=True, kw_only=True):
    """A whole run, as every renderer reads it and as the JSON file holds it."""

    schema: str
    verdict: Verdict
    counts: Counts
    coverage: Coverage
    causes: tuple[Cause, ...]
    run: RunFacts
    site: SiteReport
    hosts: tuple[HostReport, ...]

    def findings(self) -> list[Finding]:
        """Every finding, the site's first and then each host's, in plan order."""
        return [*self.site.findings, *itertools.chain.from_iterable(host.findings for host in self.hosts)]

    def evidence(self) -> Evidence:
        """Everything that the run saw, apart from what was concluded."""
        return Evidence(vantage=self.run.vantage, started=self.run.started, finished=self.run.finished,
                        complete=self.run.complete, site=self.site.evidence, hosts=tuple(host.evidence for host in self.hosts))
