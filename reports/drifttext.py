"""A comparison with the baseline as plain text: what else changed first, then what got worse, then the rest in short."""

from __future__ import annotations

import datetime
import textwrap
from collections.abc import Iterable, Iterator, Sequence

from reports.alike import also_at, kind_of_change, kind_of_move, named, owner, together
from reports.marks import GRADES, VERDICTS, many
from shared.drift import Crossing, Drift, Kind, Move, Trend, ValueChange
from shared.findings import Grade, Verdict
from shared.quantities import Interval, show_seconds
from shared.safetext import visible

#: How far ahead a nightly comparison looks: a quarter of a year is time to order what takes long (common practice, no source).
LOOK_AHEAD_DAYS = 90
#: The most told of one kind before the rest is counted: what got worse at length, the rest in short.
MOST_WORSE, MOST_OTHER = 100, 20
_WORSE = {
    Kind.NEW_FAIL: "New failures",
    Kind.NEW_CAUTION: "New cautions",
    Kind.NEWLY_UNPROVEN: "Newly unproven",
}
_OTHER = {
    Kind.MENDED: "Mended",
    Kind.PROVEN_NOW: "Proven now",
    Kind.NEWLY_WAIVED: "Newly waived",
    Kind.STILL_OPEN: "Still failing or to be considered",
    Kind.STILL_UNPROVEN: "Still unproven",
    Kind.NOT_ASKED: "Not asked any more",
}
_COUNTED = {
    Kind.NEW_FAIL: ("new failure", ""), Kind.NEW_CAUTION: ("new caution", ""), Kind.NEWLY_UNPROVEN: ("newly unproven",) * 2,
    Kind.MENDED: ("mended",) * 2, Kind.PROVEN_NOW: ("proven now",) * 2, Kind.NEWLY_WAIVED: ("newly waived",) * 2,
    Kind.STILL_OPEN: ("still open",) * 2, Kind.STILL_UNPROVEN: ("still unproven",) * 2,
    Kind.NOT_ASKED: ("not asked any more",) * 2,
}


def drift_text(drift: Drift, *, width: int = 80, files: Iterable[str] = (), quiet: bool = False,
               title: str = "", whole: str = "") -> str:
    """The comparison in lines of at most ``width`` columns but for lines to paste, without a final line end.

    ``quiet`` leaves only what else changed, what got worse and what changed its value, and nothing where nothing did and the
    run came to its end.
    ``files`` says where the reports were written, never cut.  ``title`` says what is compared with what, where it is not a
    run with its baseline.  ``whole`` is the command that shows more of what is only counted here.
    """
    blocks: list[list[str]] = [] if quiet else [list(_head(drift, width, title))]
    if not quiet or drift.worse or not drift.complete:
        blocks.append(list(_context(drift, width)))
    blocks += [list(_at_length(worse, drift, kind, width)) for kind, worse in _WORSE.items()]
    blocks.append(list(_values("Changed, with the same grade", [one for one in drift.values if not one.expected], width)))
    if not quiet:
        blocks.append(list(_values("Changed as expected", [one for one in drift.values if one.expected], width)))
        blocks += [list(_in_short(other, drift.of(kind), width)) for kind, other in _OTHER.items()]
        blocks.append(list(_coming(drift, width)))
        blocks.append(list(files))
    text = "\n\n".join("\n".join(block) for block in blocks if block)
    # A line to paste is never broken.
    return f"{text}\n\nMore of what is only counted here:\n  {whole}" if whole and "\n  … and" in text else text


def _head(drift: Drift, width: int, title: str) -> Iterator[str]:
    mark = VERDICTS[Verdict(drift.run.verdict)]
    yield visible(f"{mark.sign} {mark.word.upper()}  run {drift.run.id}")
    accepted = f", accepted {drift.accepted}" if drift.accepted else ""
    baseline = f"Compared with the baseline {drift.baseline.id}, which was {drift.baseline.verdict}{accepted}."
    yield from _wrapped(title or baseline, "", width)
    yield from _wrapped(_counted(drift), "", width)


def _counted(drift: Drift) -> str:
    counts = [many(len(drift.of(kind)), one, more) for kind, (one, more) in _COUNTED.items() if drift.of(kind)]
    if drift.values:
        counts.append(many(len(drift.values), "value changed", "values changed"))
    counts.append(f"{drift.unchanged:,} good as before")
    if drift.good_anew:
        counts.append(f"{drift.good_anew:,} good that {drift.called} had not judged")
    return ", ".join(counts) + "."


def _context(drift: Drift, width: int) -> Iterator[str]:
    """What may explain the rest, so it is said before it."""
    lines = list(drift.context)
    if drift.hosts_added:
        lines.append(f"Hosts added since {drift.called}: {named(drift.hosts_added)}.")
    if drift.hosts_gone:
        lines.append(f"Hosts gone from the plan since {drift.called}: {named(drift.hosts_gone)}.")
    if drift.hosts_skipped:
        lines.append(f"Not looked at this time, so not compared: {many(drift.hosts_skipped, 'host')} of {drift.called}.")
    if lines:
        yield "First of all"
    for line in lines:
        yield from _wrapped(line, "  ", width)


def _at_length(title: str, drift: Drift, kind: Kind, width: int) -> Iterator[str]:
    moves = drift.of(kind)
    told = [move for move in moves if not move.folded_under]
    folded = len(moves) - len(told)
    if not moves:
        return
    yield f"{title}: {len(moves):,}" + (f", {folded:,} of them explained by another finding shown here" if folded else "")
    groups = together(told, kind_of_move)
    for move, *others in groups[:MOST_WORSE]:
        explained = move.explains + sum(other.explains for other in others)
        explains = f", explains {explained:,}" if explained else ""
        yield from _wrapped(f"{_sign(move.after)} {_place(move)}  ({_from(move)}{explains})", "  ", width)
        yield from _wrapped(move.message, "      ", width)
        if move.was and move.was != move.now:
            yield from _wrapped(f"at {drift.called}: {move.was}", "      ", width)
        # Lines to paste are never broken, whatever the width.
        yield from (f"      | {visible(line)}" for fix in move.fix for line in fix.split("\n"))
        if others:
            yield from _wrapped(also_at(move, others), "      ", width)
    untold = sum(len(group) for group in groups[MOST_WORSE:])
    if untold:
        yield f"  … and {untold:,} more in the report"


def _in_short(title: str, moves: Sequence[Move], width: int) -> Iterator[str]:
    if not moves:
        return
    told = [move for move in moves if not move.folded_under]
    yield f"{title}: {len(moves):,}"
    for move in told[:MOST_OTHER]:
        detail = f"; {move.was} then, {move.now} now" if move.was != move.now and move.was and move.now else ""
        yield from _wrapped(f"{_sign(move.after)} {_place(move)}  ({_from(move)}{detail})", "  ", width)
    if len(told) < len(moves) and len(told) <= MOST_OTHER:
        yield f"  … and {len(moves) - len(told):,} explained by another finding shown here"
    elif len(told) > MOST_OTHER:
        yield f"  … and {len(moves) - MOST_OTHER:,} more"


def _values(title: str, changes: Sequence[ValueChange], width: int) -> Iterator[str]:
    if not changes:
        return
    yield f"{title}: {len(changes):,}"
    groups = together(changes, kind_of_change)
    for change, *others in groups[:MOST_WORSE]:
        subject = f" {change.subject}" if change.subject else ""
        yield from _wrapped(f"{owner(change.host)}  {change.what}{subject}", "  ", width)
        yield from _wrapped(f"{change.was} then, {change.now} now", "      ", width)
        if change.note:
            yield from _wrapped(change.note, "      ", width)
        if others:
            yield from _wrapped(also_at(change, others), "      ", width)
    untold = sum(len(group) for group in groups[MOST_WORSE:])
    if untold:
        yield f"  … and {untold:,} more"


def _coming(drift: Drift, width: int) -> Iterator[str]:
    """The limits that will be crossed soon if nothing changes; later ones are counted."""
    heading = [trend for trend in drift.trends if trend.crossings]
    end = (datetime.datetime.fromisoformat(drift.run.started) + datetime.timedelta(days=LOOK_AHEAD_DAYS)).date().isoformat()
    soon = [trend for trend in heading if first_crossing(trend) <= end]
    yield from trend_lines(soon, width, f"Within {LOOK_AHEAD_DAYS} days, if nothing changes")
    if soon and len(soon) < len(heading):
        yield f"  … and {many(len(heading) - len(soon), 'limit')} to be crossed later than that"


def first_crossing(trend: Trend) -> str:
    """The first day on which a trend may cross a limit."""
    return min((crossing.earliest for crossing in trend.crossings), default="9999")


def trend_lines(trends: Sequence[Trend], width: int, title: str) -> Iterator[str]:
    """Where values are heading, what crosses a limit first at the top."""
    if not trends:
        return
    yield title
    ordered = sorted(trends, key=first_crossing)
    for trend in ordered[:MOST_OTHER]:
        yield from _wrapped(f"{owner(trend.host)}  {trend.what} {trend.subject}: {heading(trend)}", "  ", width)
    if len(ordered) > MOST_OTHER:
        yield f"  … and {len(ordered) - MOST_OTHER:,} more that come later"


def heading(trend: Trend) -> str:
    """One trend in words: how much a day over how many nights, and when a limit is crossed."""
    parts = [f"{_amount(trend.latest)} {f'on {trend.until}' if trend.until else 'now'}"]
    if trend.what == "certificate life":
        parts.append(f"{many(trend.nights, 'night')} with this certificate")
    elif trend.per_day is not None:
        parts.append(f"{_rate(trend.per_day)} a day over {many(trend.nights, 'night')} since {trend.since}")
    if trend.jumps and trend.what != "certificate life":
        parts.append(f"it jumped {many(trend.jumps, 'time')} before that")
    parts += [_crossing(one) for one in trend.crossings]
    if trend.why:
        parts.append(trend.why)
    told = "; ".join(parts)
    return f"{told}.  {trend.likely}" if trend.likely else told


def _crossing(crossing: Crossing) -> str:
    day = crossing.earliest if crossing.earliest == crossing.latest else f"between {crossing.earliest} and {crossing.latest}"
    return f"{crossing.grade} limit {show_seconds(crossing.limit)} {'on ' if crossing.earliest == crossing.latest else ''}{day}"


def _rate(per_day: Interval) -> str:
    return f"{show_seconds(per_day.value)} ± {show_seconds(per_day.uncertainty)}"


def _amount(seconds: float) -> str:
    return show_seconds(seconds)


def _sign(grade: Grade | None) -> str:
    return GRADES[grade].sign if grade is not None else "·"


def _place(move: Move) -> str:
    return f"{owner(move.host)}  {move.check} {move.subject}"


def _from(move: Move) -> str:
    before = move.before.value if move.before is not None else "not judged"
    after = move.after.value if move.after is not None else "not asked"
    return f"{before} → {after}" if before != after else f"{after} as before"


def _wrapped(text: str, indent: str, width: int) -> list[str]:
    hanging = indent + ("  " if len(indent) < 6 else "")
    return textwrap.wrap(visible(text), max(width, 40), initial_indent=indent, subsequent_indent=hanging,
                         break_on_hyphens=False) or [indent.rstrip()]
