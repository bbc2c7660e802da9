"""The fleet as a matrix of hosts and check families, and, for many hosts, as one small carpet a family."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from reports.findingview import SITE_NAME, Names
from reports.marks import FAMILIES, GRADES, VERDICTS, Mark, rank
from shared.findings import Finding, Grade, Verdict, verdict_of
from shared.run import Report

#: Up to so many hosts every host has its row in the matrix and every finding its line; beyond, what passed is told in brief.
FULL_PAGE_HOSTS = 60


class Cell(msgspec.Struct, frozen=True):
    """The grade to look at first in one family of one host, how many findings have it, and where the first one stands."""

    mark: Mark
    count: int
    target: str


class Row(msgspec.Struct, frozen=True):
    """One host of the matrix.  A cell is None where nothing of the family was asked."""

    name: str
    slug: str
    address: str
    mark: Mark
    cells: tuple[Cell | None, ...]


class Weave(msgspec.Struct, frozen=True):
    """All marks of one grade in a carpet, as the data of one SVG path."""

    mark: Mark
    path: str


class Carpet(msgspec.Struct, frozen=True):
    """One family over all hosts, a small square each, in plan order row by row."""

    heading: str
    width: int
    height: int
    weaves: tuple[Weave, ...]
    text: str


class Fleet(msgspec.Struct, frozen=True, kw_only=True):
    """The matrix: its columns, its rows, and the hosts left out of it because everything asked of them passed."""

    headings: tuple[str, ...]
    rows: tuple[Row, ...]
    quiet: tuple[tuple[str, str], ...]
    carpets: tuple[Carpet, ...]


def common_domain(names: Sequence[str]) -> str:
    """The domain that all the names lie directly or farther below, or "" where they share none."""
    labels = [name.split(".")[1:] for name in names]
    shared: list[str] = []
    for column in zip(*(reversed(parts) for parts in labels), strict=False):
        if len(set(column)) > 1:
            break
        shared.insert(0, column[0])
    return ".".join(shared)


def short_name(name: str, domain: str) -> str:
    """The name without the domain that everyone shares."""
    return name.removesuffix(f".{domain}") if domain else name


def fleet(report: Report, names: Names, domain: str) -> Fleet:
    """Every host's worst grade in every family that occurs; names without their common ``domain``."""
    lean = len(report.hosts) > FULL_PAGE_HOSTS
    seen = {_family(finding) for finding in report.findings()}
    families = [*(name for name in FAMILIES if name in seen), *sorted(seen - set(FAMILIES))]
    site = _cells(report.site.findings, families, names)
    rows = []
    if report.site.findings:
        verdict = verdict_of({finding.grade for finding in report.site.findings})
        rows.append(Row(SITE_NAME, "site", "", VERDICTS[verdict], site))
    quiet = []
    hosts = [_cells(host.findings, families, names) for host in report.hosts]
    for host, slug, cells in zip(report.hosts, names.hosts, hosts, strict=True):
        if lean and host.verdict is Verdict.READY:
            quiet.append((slug, short_name(host.name, domain)))
        else:
            rows.append(Row(short_name(host.name, domain), slug, host.address, VERDICTS[host.verdict], cells))
    headings = tuple(FAMILIES.get(family, family) for family in families)
    carpets = [_carpet(heading, [cells[column] for cells in hosts]) for column, heading in enumerate(headings)]
    return Fleet(headings=headings, rows=tuple(rows), quiet=tuple(quiet),
                 carpets=tuple(carpet for carpet in carpets if carpet.weaves) if lean else ())


def _family(finding: Finding) -> str:
    return finding.check.partition(".")[0]


def _cells(findings: Sequence[Finding], families: Sequence[str], names: Names) -> tuple[Cell | None, ...]:
    by_family: dict[str, list[Finding]] = {}
    for finding in findings:
        by_family.setdefault(_family(finding), []).append(finding)
    return tuple(_cell(by_family.get(family, []), names) for family in families)


def _cell(findings: Sequence[Finding], names: Names) -> Cell | None:
    if not findings:
        return None
    worst = min((finding.grade for finding in findings), key=rank)
    having = [finding for finding in findings if finding.grade is worst]
    target = "" if worst is Grade.PASS else names.of(having[0].ref)
    return Cell(GRADES[worst], len(having), target)


#: The side of one host's square in a carpet and how many stand in a row.
_SQUARE, _IN_A_ROW = 8, 50
#: How each grade is drawn in its square: by shape as well as by colour, so that it can be printed in black.
_SHAPES = {
    "p": "m3 3h2v2h-2z",
    "w": "m1 3h6v2h-6z",
    "u": "m1 1h6v6h-6zm1.5 1.5v3h3v-3z",
    "c": "m4 .5l3.5 7h-7z",
    "f": "m4 0l4 4l-4 4l-4-4z",
}


def _carpet(heading: str, cells: Sequence[Cell | None]) -> Carpet:
    paths: dict[str, list[str]] = {}
    for place, cell in enumerate(cells):
        if cell is not None:
            x, y = place % _IN_A_ROW * _SQUARE, place // _IN_A_ROW * _SQUARE
            paths.setdefault(cell.mark.key, []).append(f"M{x} {y}{_SHAPES[cell.mark.key]}")
    marks = [mark for mark in reversed(GRADES.values()) if mark.key in paths]
    text = ", ".join(f"{len(paths[mark.key]):,} {mark.word}" for mark in reversed(marks))
    rows = (len(cells) - 1) // _IN_A_ROW + 1
    weaves = tuple(Weave(mark, "".join(paths[mark.key])) for mark in marks)
    return Carpet(heading, _IN_A_ROW * _SQUARE, rows * _SQUARE, weaves, text)
