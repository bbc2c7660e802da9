"""What a check concluded: the grade, what was planned and found, and the mend.

A finding is derived from evidence and can always be derived again.  It is data: nothing here measures,
decides or shows.
"""

from __future__ import annotations

import enum
from collections import deque
from collections.abc import Iterator, Mapping

import msgspec


class Grade(enum.StrEnum):
    """The five grades of a finding."""

    PASS = "pass"
    CAUTION = "caution"
    FAIL = "fail"
    UNPROVEN = "unproven"
    WAIVED = "waived"


class Verdict(enum.StrEnum):
    """What the grades of a host, or of a whole run, add up to."""

    READY = "ready"
    READY_WITH_CAUTIONS = "ready-with-cautions"
    NOT_READY = "not-ready"
    UNPROVEN = "unproven"


class Measured(msgspec.Struct, frozen=True, gc=False):
    """A measured value with its uncertainty: the truth lies within ``value`` plus or minus ``uncertainty``."""

    value: float
    uncertainty: float
    unit: str


class ShownLimits(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The limits a measured value was held against, in the unit of the measurement, and where they come from."""

    caution: float | None
    fail: float | None
    name: str
    sense: str
    origin: str


class Finding(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One check applied to evidence.

    ``ref`` names the finding uniquely within its run: ``host|check|subject`` with ``site`` in the place of the
    host for findings about the site.  ``because`` holds the refs of the findings that explain this one.
    ``symptom`` is one word for what was seen (``silent``, ``refused``, ``no-record`` ...); the cause analysis
    folds a finding under a cause only where the cause predicts that symptom.  ``waiver`` says why a waived
    finding was accepted and until when.
    """

    check: str
    subject: str
    grade: Grade
    planned: str
    found: str
    message: str
    ref: str
    measured: Measured | None = None
    limits: ShownLimits | None = None
    fix: tuple[str, ...] = ()
    because: tuple[str, ...] = ()
    basis: tuple[str, ...] = ()
    symptom: str = ""
    waiver: str = ""
    vantage: str = ""
    at: str = ""

    @property
    def host(self) -> str:
        """The full name of the host that this is about, or ``SITE``: the first part of ``ref``."""
        return self.ref.partition("|")[0]


#: The host part of the ref of a finding about the site as a whole.
SITE = "site"


def make_ref(host: str, check: str, subject: str) -> str:
    """The unique name of a finding within a run."""
    return f"{host}|{check}|{subject}"


def explanations(finding: Finding, by_ref: Mapping[str, Finding]) -> Iterator[Finding]:
    """Every finding along the ``because`` chain of one, the nearest first and each once, as far as ``by_ref`` has them."""
    seen, ahead = {finding.ref}, deque(finding.because)
    while ahead:
        ref = ahead.popleft()
        if ref not in seen and ref in by_ref:
            seen.add(ref)
            ahead.extend(by_ref[ref].because)
            yield by_ref[ref]


def verdict_of(grades: set[Grade]) -> Verdict:
    """Add grades up: a fail outweighs what is unproven, which outweighs cautions.

    Nothing graded is nothing proven: the verdict of no grades at all is ``unproven``.
    """
    if Grade.FAIL in grades:
        return Verdict.NOT_READY
    if Grade.UNPROVEN in grades or not grades:
        return Verdict.UNPROVEN
    if Grade.CAUTION in grades or Grade.WAIVED in grades:
        return Verdict.READY_WITH_CAUTIONS
    return Verdict.READY
