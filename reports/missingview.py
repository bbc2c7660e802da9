"""What was not proven: first what needs another way of looking, then what only waits for a cause to be mended."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import msgspec

from reports.findingview import Link, Shower
from shared.run import Missing, Report

#: The most subjects listed for one thing; the rest are counted.
_MOST_SUBJECTS = 12
#: The most different reasons told for one check; the rest are counted.
_MOST_REASONS = 3


class MissingLine(msgspec.Struct, frozen=True, kw_only=True):
    """One check that was not proven, and for whom; ``count`` counts all subjects, of which not all may be listed."""

    title: str
    check: str
    subjects: tuple[str, ...]
    count: int


class MissingView(msgspec.Struct, frozen=True, kw_only=True):
    """Something that was not proven.

    Either one check with its reasons and what would prove it, or all the checks that wait for the causes in ``because``.
    """

    headline: str
    because: tuple[Link, ...]
    reasons: tuple[str, ...]
    more_reasons: int
    lines: tuple[MissingLine, ...]
    would_prove: str
    count: int


def missing(report: Report, shower: Shower) -> tuple[MissingView, ...]:
    """Everything the report lists as not proven, told together where the check or the cause is the same."""
    refs = {finding.ref for finding in report.findings()}
    own: dict[str, list[Missing]] = {}
    waiting: dict[tuple[str, ...], list[Missing]] = {}
    for item in report.coverage.missing:
        if item.because and refs.issuperset(item.because):
            waiting.setdefault(item.because, []).append(item)
        else:
            own.setdefault(item.check, []).append(item)
    return (*(_own(check, items, shower) for check, items in own.items()), *_waiting(waiting, shower))


def beyond(report: Report) -> bool:
    """Whether more is listed than was judged and came out unproven: what was left out, or cannot be asked from here."""
    listed = sum(len(item.subjects) for item in report.coverage.missing)
    return listed > report.coverage.planned - report.coverage.proven


def _own(check: str, items: Sequence[Missing], shower: Shower) -> MissingView:
    reasons = tuple(dict.fromkeys(item.why for item in items))
    line = _line(check, items, shower)
    return MissingView(headline=line.title, because=(), reasons=reasons[:_MOST_REASONS], lines=(line,), count=line.count,
                       more_reasons=max(0, len(reasons) - _MOST_REASONS), would_prove=items[0].would_prove)


def _waiting(waiting: Mapping[tuple[str, ...], Sequence[Missing]], shower: Shower) -> Iterable[MissingView]:
    """What waits for a cause; causes told under one number are told together here too."""
    by_numbers: dict[tuple[int, ...], list[Missing]] = {}
    links: dict[tuple[int, ...], list[Link]] = {}
    for refs, items in waiting.items():
        key = tuple(sorted({shower.number(ref) for ref in refs}))
        by_numbers.setdefault(key, []).extend(items)
        links.setdefault(key, []).extend(shower.reason(ref) for ref in refs)
    for key, items in by_numbers.items():
        checks: dict[str, list[Missing]] = {}
        for item in items:
            checks.setdefault(item.check, []).append(item)
        lines = tuple(_line(check, held, shower) for check, held in checks.items())
        count = sum(line.count for line in lines)
        told = tuple(dict.fromkeys(links[key]))
        named = [str(number) for number in key if number]
        headline = f"Waits for no. {' and '.join(named)}" if named else "Waits for what explains it"
        yield MissingView(headline=headline, because=told[:_MOST_REASONS], reasons=(), lines=lines, count=count,
                          more_reasons=max(0, len(told) - _MOST_REASONS), would_prove="mend that, and verify again")


def _line(check: str, items: Sequence[Missing], shower: Shower) -> MissingLine:
    subjects = [subject for item in items for subject in item.subjects]
    return MissingLine(title=shower.title(check), check=check, subjects=tuple(subjects[:_MOST_SUBJECTS]), count=len(subjects))
