"""Two runs side by side, as a page for the change between them: what got worse, what was mended, what stayed.

Drawn from a comparison (``shared.drift``) that others made; nothing is graded or compared here.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from reports.alike import also_at, kind_of_change, kind_of_move, named, together
from reports.findingview import show_time
from reports.html import still_page
from reports.marks import GRADES, VERDICTS, Mark, many
from shared.drift import Drift, Kind, Move, ValueChange
from shared.run import Report

#: The most rows of one part; the rest is counted, and the JSON reports of both runs hold all of them.
_MOST_ROWS = 200
_PARTS = (
    ("Worse than before", (Kind.NEW_FAIL, Kind.NEW_CAUTION, Kind.NEWLY_UNPROVEN)),
    ("Mended", (Kind.MENDED, Kind.PROVEN_NOW)),
    ("Accepted in the plan since", (Kind.NEWLY_WAIVED,)),
    ("Still open", (Kind.STILL_OPEN, Kind.STILL_UNPROVEN)),
    ("Not asked any more", (Kind.NOT_ASKED,)),
)


class Side(msgspec.Struct, frozen=True, kw_only=True):
    """One of the two runs: its verdict, its counts, and the facts that a reviewer compares."""

    title: str
    mark: Mark
    counts: tuple[tuple[Mark, int], ...]
    facts: tuple[tuple[str, str], ...]


class Row(msgspec.Struct, frozen=True, kw_only=True):
    """One check of one subject, then and now.  A mark is None where that run has no such finding."""

    host: str
    check: str
    subject: str
    before: Mark | None
    was: str
    after: Mark | None
    now: str
    said: str = ""
    fix: tuple[str, ...] = ()


class Part(msgspec.Struct, frozen=True, kw_only=True):
    """Rows of one kind; ``more`` counts those left out."""

    title: str
    rows: tuple[Row, ...]
    more: int = 0


class BeforeAfter(msgspec.Struct, frozen=True, kw_only=True):
    """The whole page."""

    title: str
    headline: str
    lede: str
    mark: Mark
    before: Side
    after: Side
    context: tuple[str, ...]
    parts: tuple[Part, ...]
    unchanged: int


def build(before: Report, after: Report, drift: Drift) -> BeforeAfter:
    """The page of two runs and what ``drift`` says lies between them."""
    worse = sum(len(drift.of(kind)) for kind in _PARTS[0][1])
    mended = sum(len(drift.of(kind)) for kind in _PARTS[1][1])
    return BeforeAfter(
        title=after.run.plan.title or after.run.plan.file,
        headline=f"{VERDICTS[after.verdict].word.capitalize()} now; {many(worse, 'check') if worse else 'nothing'} got worse.",
        lede=f"{many(mended, 'check')} mended or proven since, {many(len(drift.values), 'value')} changed under the same grade, "
             f"{drift.unchanged:,} good as before"
             + (f", {drift.good_anew:,} good that were not judged before." if drift.good_anew else "."),
        mark=VERDICTS[after.verdict], before=_side("Before", before), after=_side("After", after),
        context=(*drift.context, *_hosts(drift)), unchanged=drift.unchanged,
        parts=tuple(part for part in (*(_part(title, [move for kind in kinds for move in drift.of(kind)])
                                        for title, kinds in _PARTS[:1]),
                                      _values(drift.values),
                                      *(_part(title, [move for kind in kinds for move in drift.of(kind)])
                                        for title, kinds in _PARTS[1:])) if part.rows))


def to_html(page: BeforeAfter) -> str:
    """The page as one file that fetches and runs nothing."""
    return still_page("beforeafter.html.j2", page=page)


def _side(title: str, report: Report) -> Side:
    run, counts = report.run, report.counts
    numbers = {"f": counts.fail, "c": counts.caution, "u": counts.unproven, "w": counts.waived, "p": counts.passed}
    facts = (("Run", run.id), ("When", show_time(run.started)), ("What", f"{run.kind}, {many(len(report.hosts), 'host')}"
             + ("" if run.complete else ", interrupted")),
             ("From", run.vantage.name), ("By whom", run.operator), ("Why", run.reason), ("Ticket", run.ticket),
             ("Reviewer", run.reviewer), ("Plan", f"{run.plan.file.rpartition('/')[2]}, SHA-256 {run.plan.sha256[:12]}…"),
             ("Limits", f"profile {run.profile}"), ("Program", f"{run.tool.name} {run.tool.version}"))
    return Side(title=title, mark=VERDICTS[report.verdict], counts=tuple((mark, numbers[mark.key]) for mark in GRADES.values()),
                facts=tuple((label, value) for label, value in facts if value))


def _hosts(drift: Drift) -> list[str]:
    said = []
    if drift.hosts_added:
        said.append(f"Hosts only in the run after: {named(drift.hosts_added)}.")
    if drift.hosts_gone:
        said.append(f"Hosts only in the run before: {named(drift.hosts_gone)}.")
    return said


def _part(title: str, moves: Sequence[Move]) -> Part:
    """Causes before what only follows from them, which is counted at its cause."""
    groups = together([move for move in moves if not move.folded_under], kind_of_move)
    return Part(title=title, rows=tuple(map(_row, groups[:_MOST_ROWS])), more=sum(map(len, groups[_MOST_ROWS:])))


def _row(alike: Sequence[Move]) -> Row:
    move, *others = alike
    explains = sum(one.explains for one in alike)
    follows = f"{many(explains, 'other')} {'follows' if explains == 1 else 'follow'} from {'them' if others else 'it'}."
    said = (move.message, f"{_sentence(also_at(move, others))}", follows if explains else "")
    return Row(host=move.host, check=move.check, subject=move.subject, before=GRADES[move.before] if move.before else None,
               was=move.was, after=GRADES[move.after] if move.after else None, now=move.now, said=" ".join(filter(None, said)),
               fix=move.fix if move.kind is not Kind.MENDED else ())


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _values(changes: Sequence[ValueChange]) -> Part:
    """What is graded as it was and is not what it was: the unexpected first."""
    groups = together(sorted(changes, key=lambda change: change.expected), kind_of_change)
    return Part(title="Changed, with the same grade", more=sum(map(len, groups[_MOST_ROWS:])),
                rows=tuple(map(_changed, groups[:_MOST_ROWS])))


def _changed(alike: Sequence[ValueChange]) -> Row:
    change, *others = alike
    said = (change.note and f"{change.note}.", "This is part of good care." if change.expected else "",
            _sentence(also_at(change, others)))
    return Row(host=change.host, check=change.what, subject=change.subject, before=None, was=change.was, after=None,
               now=change.now, said=" ".join(filter(None, said)))
