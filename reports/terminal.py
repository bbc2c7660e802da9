"""The summary on the terminal: about one screen of plain text, causes first, pleasant to paste.

Plain text is the whole of it; colour, where it is asked for, only paints what is already said.  Whether colour is
wanted (a terminal looks on, ``NO_COLOR`` is not set) is for the caller to know.
"""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from reports import causesview, missingview
from reports.causesview import CauseView
from reports.findingview import SITE_NAME, Shower
from reports.fleetview import common_domain, short_name
from reports.marks import GRADES, VERDICTS, Mark, ends, many, verdict_rank
from reports.view import lede
from shared import catalogue
from shared.catalogue import Check
from shared.findings import Grade, Verdict
from shared.run import HostReport, Report
from shared.safetext import visible

#: One screen is about fifty lines.  Causes get this many: each at least a line, the first ones whole, as many as fit.
_CAUSE_LINES = 28
#: How much of each part there is room for; what is left out is counted, never dropped silently.
_MOST_CAUSES, _MOST_MISSING, _MESSAGE_LINES, _MEND_LINES = 16, 4, 2, 3
#: The lines for the hosts of one verdict; those that are simply ready get one.
_HOST_LINES = 3
#: Where a place would be cut shorter than this, the count of what is explained gives way.
_LEAST_PLACE = 8
#: A line to type of more characters than this, which is about five lines of a terminal, stands in the report alone.
_LONGEST_LINE = 400
#: A line of a mend that is read and not typed: it begins as a sentence does, or says something before a colon and a space.
_READ = re.compile(r"[A-Z][a-z]* |[^'\"]*: ")
#: What begins a comment of a shell or of a zone file, and a remark behind a command.
_COMMENT, _REMARK = re.compile(r"[#;] "), re.compile(r"(?<=\S) {2,}(?=[#;] )")
#: The columns of the sign and the indent with which a comment goes on.
_LONGEST_SIGN = 4
#: A column too narrow to wrap text in helps nobody.
_NARROWEST = 40
#: The styles of ``rich`` for each kind of text; 8-bit colours near the page's palette, and no meaning in colour alone.
_STYLES = {"f": "bold color(166)", "c": "color(178)", "u": "bold", "w": "color(245)", "p": "color(68)", "title": "bold",
           "soft": "dim"}


class _Span(msgspec.Struct, frozen=True):
    """A piece of a line and what kind of text it is; "" is ordinary text."""

    text: str
    kind: str = ""


_Line = Sequence[_Span]


def summary(report: Report, *, width: int = 80, colour: bool = False, files: Iterable[str] = (), quiet: bool = False,
            checks: Mapping[str, Check] = catalogue.CHECKS) -> str:
    """The run in one screen of at most ``width`` columns (40 at least) but for lines to type, without a final line end.

    ``quiet`` leaves only the causes, and nothing at all where there are none.

    ``files`` says where the reports were written, one line each; these lines alone are never cut, so that a path can
    be copied.  ``checks`` is the catalogue that titles and owners are read from.
    """
    width = max(width, _NARROWEST)
    groups = causesview.grouped(report)
    shower = Shower(None, checks, causesview.numbers_of(groups))
    told = causesview.causes(report, groups, shower)
    others = tuple(map(shower.view, causesview.also_open(report)))
    domain = common_domain([host.name for host in report.hosts])
    causes = list(_causes(told, domain, width))
    blocks: list[list[_Line]] = [causes] if quiet else [
        list(_head(report, len(told), len(others), width)), causes, list(_hosts(report.hosts, domain, width)),
        list(_missing(report, shower, width)), [[_Span(file)] for file in files]]
    lines: list[_Line] = []
    for block in filter(None, blocks):
        lines += [[], *block] if lines else block
    return "\n".join(_painted(line) if colour else _plain(line) for line in lines)


def _head(report: Report, told: int, others: int, width: int) -> Iterator[_Line]:
    mark = VERDICTS[report.verdict]
    title = report.run.plan.title or report.run.plan.file
    yield [_Span(f"{mark.sign} {mark.word.upper()}", mark.key), _Span(_cut(f"  {title}", width - len(mark.word) - 2))]
    if not report.run.complete:
        partial = "A partial run: it was interrupted, and what it did not reach is unproven."
        yield from ([_Span(line, "title")] for line in textwrap.wrap(partial, width))
    for line in textwrap.wrap(lede(report, told, others), width):
        yield [_Span(line)]
    counts = report.counts
    by_grade = {Grade.FAIL: counts.fail, Grade.CAUTION: counts.caution, Grade.UNPROVEN: counts.unproven,
                Grade.WAIVED: counts.waived, Grade.PASS: counts.passed}
    pieces = [_Span(f"{mark.sign} {by_grade[grade]:,} {mark.word}", mark.key)
              for grade, mark in GRADES.items() if by_grade[grade]]
    yield from _flowed(pieces, width)


def _flowed(pieces: Sequence[_Span], width: int) -> Iterator[_Line]:
    """The pieces two spaces apart, on as many lines as they need."""
    line: list[_Span] = []
    used = 0
    for piece in pieces:
        if line and used + 2 + len(piece.text) > width:
            yield line
            line, used = [], 0
        line += [_Span("  "), piece] if line else [piece]
        used += len(piece.text) + (2 if used else 0)
    if line:
        yield line


def _causes(told: Sequence[CauseView], domain: str, width: int) -> Iterator[_Line]:
    """Every cause in a line at least, which leaves out the ``domain`` of all hosts; the first ones with their mends."""
    if not told:
        return
    yield [_Span("To mend, in order" if len(told) > 1 else "To mend", "title")]
    wholes = [list(_whole(cause, domain, width)) for cause in told[:_MOST_CAUSES]]
    fitting = _fitting([len(whole) for whole in wholes])
    for whole in wholes[:fitting]:
        yield from whole
    for cause in told[fitting:_MOST_CAUSES]:
        brief = cause.brief.replace(f".{domain}", "") if domain else cause.brief
        place = cause.place + (f" and {cause.elsewhere:,} more" if cause.elsewhere else "")
        text = f": {brief}" if place in brief or place == SITE_NAME else f": {place}: {brief}"
        yield [*_numbered(cause), _Span(_cut(text, width - 5 - len(cause.owner)))]
    if len(told) > _MOST_CAUSES:
        yield [_Span(f"   … and {len(told) - _MOST_CAUSES:,} more in the report", "soft")]
    elif fitting < len(told):
        yield [_Span("   … their mends are in the report", "soft")]


def _fitting(lengths: Sequence[int]) -> int:
    """How many of the first causes can be told whole where each of the others takes a line; the first always is."""
    used = len(lengths)
    for place, length in enumerate(lengths):
        used += length - 1
        if used > _CAUSE_LINES and place:
            return place
    return len(lengths)


def _numbered(cause: CauseView) -> _Line:
    return [_Span(f"{cause.number:>2} "), _Span(cause.mark.sign, cause.mark.key), _Span(f" {cause.owner}", "title")]


def _whole(cause: CauseView, domain: str, width: int) -> Iterator[_Line]:
    """A cause with what was found and the beginning of its mend."""
    first = cause.members[0]
    alike = f" and {cause.count - 1:,} more like it" if cause.count > 1 else ""
    explains = f", explains {cause.explains:,}" if cause.explains else ""
    place = f"{ends(short_name(first.host, domain))}, {first.check}" + ("" if alike else f" {first.subject}")
    room = width - 7 - len(cause.owner) - len(alike) - len(explains)
    if room < _LEAST_PLACE:
        room, explains = room + len(explains), ""
    yield [*_numbered(cause), _Span(f": {_cut(place, room)}{alike}{explains}", "soft")]
    yield from _wrapped(first.message, "     ", width, _MESSAGE_LINES, "")
    mend = [piece for line in first.fix.split("\n") for piece in _mend_lines(line, width - 7)]
    # A line that only says that one line is left out would take the room of that line.
    kept = mend if len(mend) <= _MEND_LINES + 1 else mend[:_MEND_LINES]
    for line in kept:
        yield [_Span("     | ", "soft"), _Span(line)]
    if len(kept) < len(mend):
        yield [_Span(f"     | … {many(len(mend) - len(kept), 'more line')} in the report", "soft")]


def _hosts(hosts: Sequence[HostReport], domain: str, width: int) -> Iterator[_Line]:
    """The hosts by verdict, what needs a look first; those for which there is no room are counted."""
    if not hosts:
        return
    yield [_Span("Hosts", "title"), _Span(_cut(f" under {domain}", width - 6) if domain else "", "soft")]
    by_verdict: dict[Verdict, list[HostReport]] = {}
    for host in sorted(hosts, key=lambda host: verdict_rank(host.verdict)):
        by_verdict.setdefault(host.verdict, []).append(host)
    for verdict, alike in by_verdict.items():
        mark = VERDICTS[verdict]
        # Leaves room beside one item for the count of those left out.
        tallies = [_tally(host) for host in alike]
        # What holds for each of them is said once.
        shared = f", each with {tallies[0]}" if tallies[0] and tallies.count(tallies[0]) == len(tallies) > 1 else ""
        shared = shared if len(mark.word + shared) < width - 25 else ""
        told = [_cut(f"{ends(short_name(host.name, domain))} {'' if shared else tally}".rstrip(), width - 20)
                for host, tally in zip(alike, tallies, strict=True)]
        begin, *rest = _listed(f"{len(alike):,} {mark.word}{shared}:", told, width - 3,
                               1 if verdict is Verdict.READY else _HOST_LINES)
        yield [_Span(" "), _Span(mark.sign, mark.key), _Span(f" {begin}")]
        yield from ([_Span(f"   {line}")] for line in rest)


def _listed(begin: str, items: Sequence[str], width: int, most: int) -> list[str]:
    """Items after ``begin`` with semicolons between them, on at most so many lines; the others are counted."""
    lines = [begin]
    for place, item in enumerate(items):
        left = len(items) - place
        last_line = len(lines) == most
        reserve = len(f" and {left:,} more") if last_line and left > 1 else 0
        piece = f" {item}" if left == 1 else f" {item};"
        if _cells(lines[-1] + piece) + reserve <= width:
            lines[-1] += piece
        elif not last_line:
            lines.append(piece[1:])
        else:
            lines[-1] += f" and {left:,} more"
            break
    return lines


def _tally(host: HostReport) -> str:
    having = Counter(finding.grade for finding in host.findings)
    told = [f"{having[grade]} {mark.word}" for grade, mark in GRADES.items() if having[grade] and grade is not Grade.PASS]
    return ", ".join(told)


def _missing(report: Report, shower: Shower, width: int) -> Iterator[_Line]:
    kinds = missingview.missing(report, shower)
    coverage = report.coverage
    if not kinds and coverage.proven == coverage.planned:
        return
    unproven = coverage.planned - coverage.proven
    beyond = ", and what could not be asked at all" if missingview.beyond(report) else ""
    yield [_Span(f"Not proven: {unproven:,} of {coverage.planned:,}{beyond}" if unproven else
                 f"Proven: all {coverage.planned:,}; beyond what can be seen from here", "title")]
    mark: Mark = GRADES[Grade.UNPROVEN]
    for kind in kinds[:_MOST_MISSING]:
        count = f" × {kind.count:,}" if kind.count > 1 else ""
        proof = "" if kind.because else f"; would prove it: {kind.would_prove}"
        yield from _wrapped(f"{mark.sign} {kind.headline}{count}{proof}", " ", width, 2, "  ")
    if len(kinds) > _MOST_MISSING:
        yield [_Span(f"   … and {many(len(kinds) - _MOST_MISSING, 'more kind')} in the report", "soft")]


def _wrapped(text: str, indent: str, width: int, most: int, hanging: str) -> Iterator[_Line]:
    """Text on at most ``most`` lines; an ellipsis says where there was more."""
    # A name is copied from here: it goes on the next line whole and is never parted at one of its hyphens.
    lines = textwrap.wrap(visible(text), width - len(indent), subsequent_indent=hanging, max_lines=most, placeholder=" …",
                          break_on_hyphens=False)
    for line in lines:
        yield [_Span(indent + _cut(line, width - len(indent)))]


def _mend_lines(line: str, room: int) -> list[str]:
    """One line of a mend; what is read goes on, where it is too long, on the next line, and what is typed never does.

    A command that is parted runs as two, and a zone file goes on in the next line only within parentheses (RFC 1035 section
    5.1).  A long line to type is therefore left to the terminal to fold, as then it is copied whole.
    """
    line = visible(line).rstrip()
    if len(line) <= room:
        return [line]
    typed, *remark = _REMARK.split(line, maxsplit=1)
    if remark and not _COMMENT.match(line):
        return [*_mend_lines(typed, room), *(f"  {piece}" for piece in _mend_lines(remark[0], room - 2))]
    if len(line) > _LONGEST_LINE:
        return [f"… a line of {len(line):,} characters: in the report"]
    sign = _COMMENT.match(line)
    if not (sign or _READ.match(line.lstrip())) or max(map(len, line.split())) > room - _LONGEST_SIGN:
        return [line]
    # The rest of a comment is one again, so that it can be pasted with the lines around it.
    return textwrap.wrap(line, room, subsequent_indent=f"{sign[0]}  " if sign else "  ", break_on_hyphens=False)


def _cells(text: str) -> int:
    """How many columns a text takes: wide characters take two, combining ones none (Unicode Annex 11)."""
    return sum(0 if unicodedata.combining(char) else 2 if unicodedata.east_asian_width(char) in "WF" else 1 for char in text)


def _cut(text: str, room: int) -> str:
    """Visible text that takes at most ``room`` columns; an ellipsis says that it was cut."""
    text = visible(text)
    if len(text) <= room and _cells(text) <= room:
        return text
    kept = ""
    used = 0
    for char in text[: max(room, 0)]:
        used += _cells(char)
        if used > room - 1:
            break
        kept += char
    return kept + "…" if room > 0 else ""


def _plain(line: _Line) -> str:
    return "".join(visible(span.text) for span in line).rstrip()


def _painted(line: _Line) -> str:
    # rich is for people who look on; the plain summary, the common case in scripts, does without its import.
    from rich.color import ColorSystem
    from rich.style import Style

    return "".join(Style.parse(_STYLES[span.kind]).render(visible(span.text), color_system=ColorSystem.EIGHT_BIT)
                   if span.kind else visible(span.text) for span in line)
