"""The answers that a new plan is made of, each held against the rules of lint as it is given."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable
from pathlib import Path

import msgspec

from shared.findings import Finding, Grade
from shared.plan import Plan
from verify.errors import PlanError
from verify.lint import lint
from verify.planfile import plan_of
from verify.planfile.starter import Answers, starter_plan

#: What each answer is judged by.  An answer that is not named here can only make the plan unreadable.
_JUDGED_BY = {
    "domain": ("plan.suffix",),
    "subnet": ("plan.mask", "plan.network"),
    "gateway": ("plan.gateway",),
    "vlan": ("plan.vlan",),
    "name_servers": ("plan.name-servers",),
    "time_sources": ("plan.time-sources",),
    "hosts": ("plan.address", "plan.host-name", "plan.suffix", "plan.duplicate", "plan.gateway"),
}


class Draft(msgspec.Struct, frozen=True):
    """A plan not yet written: its text, what makes it unsound, and what is only to be considered, each as sentences."""

    text: str
    faults: tuple[str, ...]
    cautions: tuple[str, ...]


def draft(answers: Answers, path: Path, *, today: datetime.date) -> Draft:
    """The plan of these answers as it would stand at ``path``, linted."""
    text = starter_plan(answers)
    try:
        findings = _lint(text, path, today)
    except PlanError as error:
        return Draft(text, tuple(_without_place(problem, path) for problem in error.problems), ())
    return Draft(text, _sentences(findings, Grade.FAIL, path), _sentences(findings, Grade.CAUTION, path))


def faults_of(question: str, answers: Answers, path: Path, *, today: datetime.date) -> tuple[str, ...]:
    """What is wrong with the answer to one question, in lint's own sentences; ``answers`` holds it and those before it.

    ``question`` is the name of a field of ``Answers``.
    """
    try:
        findings = _lint(starter_plan(answers), path, today)
    except PlanError as error:
        return tuple(_without_place(problem, path) for problem in error.problems)
    judged_by = _JUDGED_BY.get(question, ())
    return _sentences((finding for finding in findings if finding.check in judged_by), Grade.FAIL, path)


def suggestions(answers: Answers, path: Path) -> Plan:
    """The plan that the answers so far make: what a question not yet asked would be answered with by default.

    Raises PlanError where they make none, which ``faults_of`` would have said.
    """
    return plan_of(starter_plan(answers).encode(), path)


def host_of(text: str) -> tuple[str, str]:
    """The name and the address of "dome-a=192.0.2.11".  Raises ValueError with the mend."""
    name, equals, address = (part.strip() for part in text.partition("="))
    if not (name and equals and address):
        raise ValueError(f'"{text}" is not a host; write its name and its address, such as dome-a=192.0.2.11')
    return name, address


def _lint(text: str, path: Path, today: datetime.date) -> tuple[Finding, ...]:
    return lint(plan_of(text.encode(), path), today=today).findings


def _sentences(findings: Iterable[Finding], grade: Grade, path: Path) -> tuple[str, ...]:
    # Two rows that claim the same are told once, as soon as their lines are left out.
    return tuple(dict.fromkeys(_without_place(finding.message, path) for finding in findings if finding.grade is grade))


def _without_place(sentence: str, path: Path) -> str:
    """The sentence without places in the file, which is not written yet, so that its lines help nobody."""
    place = rf"{re.escape(str(path))}(:[0-9]+)?"
    return re.sub(rf"\A{place}: | \({place}\)", "", sentence)
