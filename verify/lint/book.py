"""Where lint writes its findings down: the one form they have, and which of them make probing meaningless."""

from __future__ import annotations

import re
from dataclasses import dataclass

from shared import catalogue
from shared.findings import Finding, Grade, make_ref
from shared.plan import Place, Plan

#: Lint looks at the plan and at nothing else.
VANTAGE = "the plan"
#: A mend as it is typed into a host's table of the plan: what may stand before it, the key, and the value.
_TYPED = re.compile(r"(or, [^:]*: |)(name|address|network|role|mask|gateway|vlan|mac|notes) = (.*)")


@dataclass(frozen=True, slots=True)
class Lint:
    """What lint found.  ``stops`` holds the refs of the findings that make probing meaningless."""

    findings: tuple[Finding, ...]
    stops: tuple[str, ...]


class Book:
    """Collects findings.  Every message begins with its place in the plan, every ref is unique."""

    def __init__(self, plan: Plan) -> None:
        self._file = plan.file
        self._findings: dict[str, Finding] = {}
        self._stops: list[str] = []

    def passed(self, host: str, check: str, subject: str, place: Place, *, planned: str, found: str, message: str) -> None:
        """Note a check that was made and found nothing wrong."""
        self._write(Grade.PASS, host, check, subject, place, planned, found, message)

    def caution(
        self, host: str, check: str, subject: str, place: Place, *, planned: str, found: str, message: str, fix: tuple[str, ...]
    ) -> None:
        """Note something legal that will cause trouble."""
        self._write(Grade.CAUTION, host, check, subject, place, planned, found, message, fix)

    def fail(
        self, host: str, check: str, subject: str, place: Place, *, planned: str, found: str, message: str, fix: tuple[str, ...],
        stop: bool = False,
    ) -> str:
        """Note a mistake; ``stop`` says that probing means nothing before it is mended.  Returns the finding's ref."""
        ref = self._write(Grade.FAIL, host, check, subject, place, planned, found, message, fix)
        if stop:
            self._stops.append(ref)
        return ref

    def unproven(self, host: str, check: str, subject: str, place: Place, *, planned: str, message: str, because: str) -> None:
        """Note a check that could not be made because of the finding ``because``."""
        self._write(Grade.UNPROVEN, host, check, subject, place, planned, "not checked", message, because=(because,))

    def close(self) -> Lint:
        """Everything written, in the order it was written."""
        return Lint(findings=tuple(self._findings.values()), stops=tuple(self._stops))

    def _write(
        self, grade: Grade, host: str, check: str, subject: str, place: Place, planned: str, found: str, message: str,
        fix: tuple[str, ...] = (), because: tuple[str, ...] = (),
    ) -> str:
        where = str(place) or self._file
        subject = self._unused(host, check, subject, where)
        ref = make_ref(host, check, subject)
        self._findings[ref] = Finding(
            check=check, subject=subject, grade=grade, planned=planned, found=found, message=f"{where}: {message}",
            ref=ref, fix=self._in_its_file(place, fix), because=because, basis=catalogue.find(check).basis, vantage=VANTAGE)
        return ref

    def _in_its_file(self, place: Place, fix: tuple[str, ...]) -> tuple[str, ...]:
        """The mends of a host from a spreadsheet, in which nobody types TOML, by the column and what its cell is to hold."""
        if place.file in ("", self._file):
            return fix
        return tuple(_in_cell(line, place.line) for line in fix)

    def _unused(self, host: str, check: str, subject: str, where: str) -> str:
        """``subject``, told apart by its place and then by number where two rows of the plan claim the same."""
        candidate, number = subject, 1
        while make_ref(host, check, candidate) in self._findings:
            candidate = f"{subject} ({where})" if number == 1 else f"{subject} ({where}, {number})"
            number += 1
        return candidate


def _in_cell(line: str, row: int) -> str:
    """A line of a mend for a spreadsheet; one that is not about a cell stays as it is."""
    typed = _TYPED.fullmatch(line)
    if typed is None:
        return line
    value = typed[3]
    quoted = len(value) > 1 and value[0] == value[-1] == '"'
    return f'{typed[1]}column "{typed[2]}", row {row}: {value[1:-1] if quoted else value}'
