"""How one finding is shown, and the names by which the page points at it."""

from __future__ import annotations

import itertools
import re
from collections.abc import Container, Iterable, Mapping, Sequence

import msgspec

from reports.figures import Gauge, gauge, limit_words
from reports.marks import GRADES, OWNERS, Mark
from shared.catalogue import Check
from shared.findings import SITE, Finding, Grade
from shared.run import Report
from shared.times import read_time

#: What a finding about the site as a whole is shown to be about.
SITE_NAME = "the site"
_NOT_IN_SLUG = re.compile(r"[^a-z0-9.]+")
#: What stands in the report where no check of a family was asked at all.
_FAMILIES = {"system.*": "What only the host itself can say"}
#: The most characters of a slug before its number: long enough to be read, short enough to be pasted.
_SLUG_LENGTH = 90


class Link(msgspec.Struct, frozen=True):
    """A pointer to a place in the page; ``target`` is empty where the place is not on the page."""

    target: str
    text: str


class FindingView(msgspec.Struct, frozen=True, kw_only=True):
    """Everything the page says about one finding.

    ``number`` is the number it is told under as a cause, or 0; ``fix`` is the mend as one text, a line to each line.
    ``basis`` is empty where it is that of the check, with which the page shows it once.
    """

    slug: str
    number: int
    check: str
    title: str
    subject: str
    host: str
    mark: Mark
    planned: str
    found: str
    message: str
    fix: str
    gauge: Gauge | None
    limits: str
    because: tuple[Link, ...]
    basis: tuple[str, ...]
    waiver: str
    vantage: str
    at: str


class HeldRow(msgspec.Struct, frozen=True, kw_only=True):
    """Passes with the same plan and the same result, told together, with a pointer to each by its subject.

    ``as_planned`` says that plan and result are the same text, which is then shown once.
    """

    planned: str
    found: str
    subjects: tuple[Link, ...]
    gauge: Gauge | None
    as_planned: bool = False


class HeldView(msgspec.Struct, frozen=True, kw_only=True):
    """The passes of one check."""

    check: str
    title: str
    rows: tuple[HeldRow, ...]


class BriefView(msgspec.Struct, frozen=True):
    """Passes told in brief: checks, and what they were about, where that is not the host itself."""

    checks: tuple[str, ...]
    subjects: tuple[str, ...]


class Names:
    """Gives every host and finding of a report a name that is unique in the page and stays the same from run to run.

    The name is made from the host's name or the finding's ref; only where two would be alike a number is added.  In a
    ``lean`` page what passed at a host is told in brief and has no place of its own, hence no name.
    """

    def __init__(self, report: Report, *, lean: bool = False) -> None:
        self._taken: set[str] = set()
        self.hosts = tuple(self._free(f"h-{host.name}") for host in report.hosts)
        self._of_hosts = {host.name: slug for host, slug in zip(report.hosts, self.hosts, strict=True)}
        placed = (finding for host in report.hosts for finding in host.findings
                  if not lean or finding.grade is not Grade.PASS)
        self._findings = {finding.ref: self._free(f"f-{finding.ref}") for finding in (*report.site.findings, *placed)}

    def of(self, ref: str) -> str:
        """The name of a finding, or "" for one that has no place in the page."""
        return self._findings.get(ref, "")

    def nearest(self, finding: Finding) -> str:
        """The name of a finding, or else of the host that it is about."""
        return self.of(finding.ref) or self._of_hosts.get(finding.host, "")

    def _free(self, text: str) -> str:
        base = _NOT_IN_SLUG.sub("-", text.lower())[:_SLUG_LENGTH].strip("-.")
        name, number = base, 1
        while name in self._taken:
            number += 1
            name = f"{base}-{number}"
        self._taken.add(name)
        return name


class Shower:
    """Turns findings into views, with the catalogue's titles and the page's names at hand; without names where it is no page."""

    def __init__(self, names: Names | None, checks: Mapping[str, Check], numbers: Mapping[str, int]) -> None:
        self._names, self._checks, self._numbers = names, checks, numbers

    def _name(self, ref: str) -> str:
        return self._names.of(ref) if self._names else ""

    def title(self, check: str) -> str:
        """The title of a check or of a family, or its name where neither is known."""
        entry = self._checks.get(check)
        return entry.title if entry else _FAMILIES.get(check, check)

    def owner(self, finding: Finding) -> str:
        """Who mends what was found, as the page says it."""
        entry = self._checks.get(finding.check)
        who = entry.mended_by(finding.symptom) if entry else "build"
        return OWNERS.get(who, who)

    def would_prove(self, check: str) -> str:
        """What would settle the check where it came out unproven."""
        entry = self._checks.get(check)
        return entry.would_prove if entry else ""

    def view(self, finding: Finding) -> FindingView:
        """One finding, whole."""
        words = ""
        if finding.limits and finding.measured:
            words = f"{limit_words(finding.limits, finding.measured.unit)} ({finding.limits.name}; {finding.limits.origin})"
        return FindingView(
            slug=self._name(finding.ref), number=self.number(finding.ref), check=finding.check,
            title=self.title(finding.check), subject=finding.subject, host=host_of(finding),
            mark=GRADES[finding.grade], planned=finding.planned, found=finding.found,
            message=finding.message, fix="\n".join(finding.fix), gauge=gauge(finding), limits=words,
            because=tuple(self.reason(ref) for ref in finding.because), basis=self._own_basis(finding), waiver=finding.waiver,
            vantage=finding.vantage, at=show_time(finding.at))

    def _own_basis(self, finding: Finding) -> tuple[str, ...]:
        """What a finding rests on, where that is not what its check rests on anyway."""
        entry = self._checks.get(finding.check)
        return () if entry and entry.basis == finding.basis else finding.basis

    def link(self, finding: Finding) -> Link:
        """A pointer to a finding, saying where, which check and what about."""
        return Link(self._name(finding.ref), f"{host_of(finding)}: {finding.check} {finding.subject}")

    def number(self, ref: str) -> int:
        """The number under which a cause is told, or 0 for what is no cause."""
        return self._numbers.get(ref, 0)

    def reason(self, ref: str) -> Link:
        """A pointer to what explains a finding, saying its number where it is a cause."""
        host, _, rest = ref.partition("|")
        check, _, subject = rest.partition("|")
        where = SITE_NAME if host == SITE else host
        number = self._numbers.get(ref)
        told = f"no. {number}, " if number else ""
        return Link(self._name(ref), f"{told}{check} {subject} at {where}" if rest else ref)

    def held(self, findings: Iterable[Finding]) -> tuple[HeldView, ...]:
        """Passes, those of one check told together."""
        by_check: dict[str, dict[tuple[str, str], list[Finding]]] = {}
        for finding in findings:
            if finding.grade is Grade.PASS:
                by_check.setdefault(finding.check, {}).setdefault((finding.planned, finding.found), []).append(finding)
        return tuple(HeldView(check=check, title=self.title(check), rows=tuple(map(self._held, groups.values())))
                     for check, groups in by_check.items())

    def _held(self, group: Sequence[Finding]) -> HeldRow:
        first = group[0]
        return HeldRow(planned=first.planned, found=first.found, as_planned=first.planned == first.found,
                       gauge=gauge(first) if len(group) == 1 else None,
                       subjects=tuple(Link(self._name(finding.ref), finding.subject) for finding in group))


def in_brief(findings: Iterable[Finding], itself: Container[str]) -> tuple[BriefView, ...]:
    """Passes in brief, checks of the same subjects together; ``itself`` holds the host's own name and addresses."""
    subjects: dict[str, list[str]] = {}
    for finding in findings:
        if finding.grade is Grade.PASS:
            told = subjects.setdefault(finding.check, [])
            told += [] if finding.subject in itself else [finding.subject]
    return tuple(BriefView(tuple(check for check, _ in group), about)
                 for about, group in itertools.groupby(subjects.items(), key=lambda item: tuple(item[1])))


def host_of(finding: Finding) -> str:
    """The host a finding is about, as shown."""
    return SITE_NAME if finding.host == SITE else finding.host


def show_time(text: str) -> str:
    """A time for people, to the second and with its zone; what cannot be read as a time stays as it is."""
    moment = read_time(text)
    return moment.strftime("%Y-%m-%d %H:%M:%S UTC") if moment else text
