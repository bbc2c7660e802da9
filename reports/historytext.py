"""The history of runs as text, and as JSON for scripts (``seatrial-history/1``)."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import msgspec

from reports.drifttext import trend_lines
from reports.marks import GRADES, VERDICTS, many
from shared.drift import Trend
from shared.findings import Grade, Verdict
from shared.history import Followed, FollowedEnding, RunRecord
from shared.quantities import show_seconds
from shared.safetext import visible

#: The name of the JSON document's format.  Fields may be added under it; none is renamed or taken away.
SCHEMA = "seatrial-history/1"
#: The checks with a column of their own in a host's nights; the rest are named where they were not good.
_OFFSET, _VERDICT = "clock.offset", ""
#: The most findings named in one line of a host's nights.
_MOST_NAMED = 3


def runs_text(runs: Sequence[RunRecord], place: str) -> str:
    """One line a run, the last one stored first; a line is as long as it must be."""
    if not runs:
        return f"{place} holds no run yet"
    lines: list[str] = []
    title = None
    for run in runs:
        if run.title != title:
            title = run.title
            lines += [*([""] if lines else []), visible(title)]
        lines.append(f"  {_run(run)}")
    shown = many(len(runs), "run")
    return "\n".join([*lines, "", f"{shown} in {place}"])


def _run(run: RunRecord) -> str:
    verdict = Verdict(run.verdict)
    mark = VERDICTS[verdict]
    counts = {Grade.FAIL: run.fail, Grade.CAUTION: run.caution, Grade.UNPROVEN: run.unproven, Grade.WAIVED: run.waived}
    told = ", ".join(f"{count} {GRADES[grade].word}" for grade, count in counts.items() if count)
    remarks = [*(["BASELINE"] if run.baseline else []), *(["interrupted"] if not run.complete else []),
               *([f"part, {many(run.hosts, 'host')}"] if run.part else []),
               # The runner's clock was set while the run went on: its times are not to be relied on.
               *(["its clock was set back meanwhile"] if run.finished < run.started else []),
               *([run.ticket] if run.ticket else [])]
    rest = "; ".join(filter(None, [told, *remarks]))
    return visible(f"{run.id}  {run.kind:<6}  {mark.sign} {mark.word:<20}  {rest}".rstrip())


def runs_json(runs: Sequence[RunRecord], place: str) -> str:
    """The runs as one JSON document."""
    return _document({"schema": SCHEMA, "store": place, "runs": [msgspec.to_builtins(run) for run in runs]})


def host_text(host: str, followed: Sequence[Followed], endings: Sequence[FollowedEnding], trends: Sequence[Trend], *,
              width: int = 80) -> str:
    """One host's nights, the last one first, and where its clock and its certificates are heading."""
    lines = [visible(host), *_nights(followed, endings), "", *trend_lines(trends, width, "Heading")]
    if not trends:
        lines.append("Nothing measured to draw a trend from.")
    return "\n".join(lines)


def _nights(followed: Sequence[Followed], endings: Sequence[FollowedEnding]) -> Iterator[str]:
    started, verdicts, offsets = {}, {}, {}
    bad: dict[int, list[str]] = defaultdict(list)
    for one in followed:
        for night in one.nights:
            started[night.number] = (night.started, night.run)
            if one.check == _VERDICT:
                verdicts[night.number] = Verdict(night.grade)
                continue
            if one.check == _OFFSET and night.value is not None and night.number not in offsets:
                offsets[night.number] = f"{show_seconds(night.value)} ± {show_seconds(night.uncertainty or 0.0)}"
            if night.grade != Grade.PASS:
                bad[night.number].append(f"{night.grade} {one.check} {one.subject}".rstrip())
    ends = _first_ends(endings)
    yield f"  {'run':<21}  {'verdict':<22}  {'clock offset':<20}  {'certificates end':<16}  not good"
    for number in sorted(started, reverse=True):
        mark = VERDICTS[verdicts[number]] if number in verdicts else None
        verdict = f"{mark.sign} {mark.word}" if mark else ""
        text = (f"  {started[number][1]:<21}  {verdict:<22}  {offsets.get(number, '-'):<20}  {ends.get(number, '-'):<16}  "
                f"{_some(bad[number])}")
        yield visible(text).rstrip()


def _some(bad: Sequence[str]) -> str:
    """The first few of what was not good, the worst first, and how many more."""
    order = [grade.value for grade in GRADES]
    told = sorted(bad, key=lambda one: order.index(one.partition(" ")[0]))
    more = f"; and {len(told) - _MOST_NAMED} more" if len(told) > _MOST_NAMED else ""
    return "; ".join(told[:_MOST_NAMED]) + more


def _first_ends(endings: Sequence[FollowedEnding]) -> Mapping[int, str]:
    """The day that the first of a host's certificates ended on, by run."""
    import datetime

    first: dict[int, int] = {}
    for one in endings:
        for night in one.nights:
            first[night.number] = min(night.not_after_unix, first.get(night.number, night.not_after_unix))
    return {number: datetime.datetime.fromtimestamp(end, datetime.UTC).date().isoformat() for number, end in first.items()}


def host_json(host: str, followed: Sequence[Followed], endings: Sequence[FollowedEnding], trends: Sequence[Trend],
              place: str) -> str:
    """The same as one JSON document; offsets in seconds, certificates' ends in seconds since 1970."""
    return _document({"schema": SCHEMA, "store": place, "host": host, "series": msgspec.to_builtins(followed),
                      "certificates": msgspec.to_builtins(endings), "trends": msgspec.to_builtins(trends)})


def _document(content: Mapping[str, Any]) -> str:
    return json.dumps(content, ensure_ascii=False, allow_nan=False, indent=2).encode("utf-8", "replace").decode()
