"""A finished run as plain text to paste into a change ticket: under 4,000 characters, causes first, nothing dropped unsaid.

Ticket systems cut long text without a word, refuse attachments and are read on small screens; what must survive is the
verdict, what to mend, what was not proven, and who measured what, when, from where, against which plan.
"""

from __future__ import annotations

import datetime
import re
import textwrap
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from reports.causesview import also_open, grouped
from reports.marks import many
from shared.evidence import bounded
from shared.findings import SITE, Finding, Grade, Verdict
from shared.quantities import show_seconds
from shared.run import Missing, Report
from shared.safetext import visible

#: Under so many characters in all: what ticket systems take in one field.  Common practice, no source.
LIMIT = 4000
#: RFC 5322 section 2.1.1 wants at most 78 characters a line of mail; six are left for marks of quotation.
COLUMNS = 72
#: The most characters kept of one fact of the run, of one sentence, and of one name.
_FACT, _SENTENCE, _NAME = 130, 420, 90
#: A name, of at most 253 characters (RFC 1035 section 2.3.4), and a mark that may follow it.
_WHOLE = re.compile(r"[A-Za-z0-9._-]{1,254}[,;:]?")
#: The most subjects or hosts named before the rest is counted.
_NAMED = 4
#: A last line that says how much was left out fits into this.
_LEFT_OUT = COLUMNS + 1

_HEADLINES = {
    Verdict.READY: "Ready for its next stage: everything planned was found as planned.",
    Verdict.READY_WITH_CAUTIONS: "Ready for its next stage, with cautions: nothing failed.",
    Verdict.NOT_READY: "Not ready for its next stage",
    Verdict.UNPROVEN: "Not proven ready: nothing failed, and not everything could be judged.",
}
_VERDICT_WORDS = {
    Verdict.READY: "ready", Verdict.READY_WITH_CAUTIONS: "ready with cautions", Verdict.NOT_READY: "not ready",
    Verdict.UNPROVEN: "unproven"}


def ticket_text(report: Report, *, bundle_sha256: str = "") -> str:
    """The run in at most ``COLUMNS`` columns but for lines to paste and a longer name, and under ``LIMIT`` characters.

    It ends in a line end.  What does not fit is counted where it was left out, and a mend is given whole or not at all: half
    a list of commands is worse than none.  Text that a host controls shows every character that is not itself as its code point
    (``shared.safetext``).  ``bundle_sha256`` is the hash of a bundle's manifest, where the run is handed over as one.
    """
    causes = grouped(report)
    head, foot = _head(report, len(causes)), _foot(report, bundle_sha256)
    room = LIMIT - 1 - len(head) - len(foot)
    first = _Part("TO MEND, CAUSES FIRST", "cause", "causes", 1.0, tuple(
        _cause(number, group, report) for number, group in enumerate(causes, 1)))
    later = [
        _Part("ALSO OPEN", "finding", "findings", 0.15, tuple(
            _one(finding, f"- {_label(finding)}", "  ")
            for finding in sorted(also_open(report), key=lambda finding: finding.grade is not Grade.FAIL))),
        _Part("NOT PROVEN", "entry", "entries", 0.25, _not_proven(report)),
        _Part("ACCEPTED IN THE PLAN", "finding", "findings", 0.10, tuple(
            _waived(finding) for finding in report.findings() if finding.grade is Grade.WAIVED)),
    ]
    claims = [part.claim(room) for part in later]
    text = first.fill(room - sum(claims))
    for place, part in enumerate(later, start=1):
        text += part.fill(room - len(text) - sum(claims[place:]))
    return head + text + foot


@dataclass(frozen=True, slots=True)
class _Item:
    """One thing to tell, in forms from the fullest to the shortest.  ``lost`` names what all but the fullest lack."""

    forms: tuple[str, ...]
    lost: str = ""


@dataclass(frozen=True, slots=True)
class _Part:
    """One headed part of the text.  ``share`` is how much of the room it may claim before the causes are told."""

    title: str
    noun: str
    nouns: str
    share: float
    items: tuple[_Item, ...]

    def claim(self, room: int) -> int:
        """The room to keep for this part: all it wants, but no more than its share."""
        return min(int(room * self.share), len(self._whole()))

    def fill(self, room: int) -> str:
        """As many items as ``room`` characters take, in order, and a line that counts what was left out.

        Naming every item goes before telling the first ones in full.
        """
        whole = self._whole()
        if len(whole) <= room:
            return whole
        title = f"\n{self.title}\n"
        free = room - len(title) - _LEFT_OUT
        told: list[str] = []
        for item in self.items:
            if len(item.forms[-1]) > free:
                break
            told.append(item.forms[-1])
            free -= len(told[-1])
        lost = Counter[str]()
        for place, item in enumerate(self.items[: len(told)]):
            form = next(form for form in item.forms if len(form) - len(told[place]) <= free)
            free -= len(form) - len(told[place])
            told[place] = form
            if item.lost and form != item.forms[0]:
                lost[item.lost] += 1
        return "".join((title, *told, self._left_out(len(self.items) - len(told), lost)))

    def _whole(self) -> str:
        return "".join((f"\n{self.title}\n", *(item.forms[0] for item in self.items))) if self.items else ""

    def _left_out(self, items: int, lost: Mapping[str, int]) -> str:
        words = [many(items, f"more {self.noun}", f"more {self.nouns}")] if items else []
        words += [many(count, noun) for noun, count in lost.items()]
        return f"({' and '.join(words)} left out here; see the full report)\n" if words else ""


def _safe(text: str, limit: int) -> str:
    """``text`` as it may be shown, cut after every hidden character was written out, so that the bound holds."""
    return bounded(visible(text), limit)


def _wrapped(text: str, first: str = "", rest: str = "") -> str:
    """Safe text folded to the width; a word that is too long for a line is cut, but for a name, which is copied."""
    parted = any(len(word) > COLUMNS - len(rest) and not _WHOLE.fullmatch(word) for word in text.split())
    return "\n".join(textwrap.wrap(text, COLUMNS, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False,
                                   break_long_words=parted) or [first.rstrip()]) + "\n"


def _mend_lines(fix: Sequence[str], indent: str) -> str:
    """Lines to type, however long: a zone file goes on in the next line only within parentheses (RFC 1035 section 5.1)."""
    return "".join(f"{indent}{visible(line)}".rstrip() + "\n" for text in fix for line in text.split("\n"))


def _head(report: Report, causes: int) -> str:
    """Verdict, change, when, who, where, plan, run, counts."""
    run, counts, coverage = report.run, report.counts, report.coverage
    addresses = ", ".join(run.vantage.addresses[:_NAMED])
    facts = {
        "Site": run.plan.title or run.plan.file,
        "Change": " - ".join(part for part in (_safe(run.ticket, _NAME), run.reason) if part) or "none given",
        "When": _when(report),
        "Who": f"{_safe(run.operator, _NAME) or 'not said'}, from {_safe(run.vantage.name, _NAME)}"
        + (f" ({addresses})" if addresses else ""),
        "Plan": f"{_safe(run.plan.file, _NAME)}, its SHA-256:",
        "": run.plan.sha256,
        "Run": f"{_safe(run.id, _NAME)} ({run.kind}), {run.tool.name} {run.tool.version}, profile {run.profile}",
        "Clock": f"the runner's own: {_runner_clock(report)}",
        "Hosts": _hosts(report),
        "Checks": f"{counts.fail:,} fail, {counts.caution:,} caution, {counts.unproven:,} unproven, {counts.waived:,} waived, "
        f"{counts.passed:,} pass; {coverage.proven:,} of {coverage.planned:,} planned are proven",
    }
    lines = [_wrapped(f"SEATRIAL: {_headline(report, causes)}")]
    if not run.complete:
        lines.append(_wrapped("PARTIAL RUN: it was interrupted before every question was asked."))
    lines += [_wrapped(_safe(value, _FACT), f"{label:<8}", " " * 8) for label, value in facts.items()]
    return "".join(lines)


def _runner_clock(report: Report) -> str:
    """How far the runner's own clock was off: the judge is judged first."""
    return next((finding.found for finding in report.site.findings if finding.check == "clock.runner"), "not judged")


def _headline(report: Report, causes: int) -> str:
    """The verdict in one sentence."""
    if report.verdict is not Verdict.NOT_READY:
        return _HEADLINES[report.verdict]
    failed = many(report.counts.fail, "check")
    # Not "from so many causes": cautions are among them, and may explain none of the fails.
    return f"{_HEADLINES[report.verdict]}: {failed} failed" + (f"; {many(causes, 'mend')}." if causes else ".")


def _when(report: Report) -> str:
    """Start, end and duration, in UTC and whole seconds."""
    run = report.run
    try:
        began, ended = (datetime.datetime.fromisoformat(text).astimezone(datetime.UTC) for text in (run.started, run.finished))
    except (OverflowError, ValueError):
        return f"{run.started} to {run.finished or 'an end that is not known'}"
    lasted, step = run.lasted_seconds, run.vantage.clock_step_seconds
    took = show_seconds(lasted) if lasted is not None else "how long is not known"
    return (f"{began:%Y-%m-%dT%H:%M:%SZ} to {ended:%Y-%m-%dT%H:%M:%SZ} "
            f"({took}{'; its clock was set meanwhile' if step or lasted is None else ''})")


def _hosts(report: Report) -> str:
    verdicts = Counter(host.verdict for host in report.hosts)
    told = ", ".join(f"{verdicts[verdict]:,} {words}" for verdict, words in _VERDICT_WORDS.items() if verdicts[verdict])
    return f"{len(report.hosts):,}: {told}" if told else "none"


def _label(finding: Finding) -> str:
    """Grade, check, host and subject."""
    where = "" if finding.host in (SITE, finding.subject) else f" {_safe(finding.host, _NAME)}"
    return f"{finding.grade.upper()} {_safe(finding.check, _NAME)}{where} {_safe(finding.subject, _NAME)}"


def _one(finding: Finding, heading: str, indent: str, mend_title: str = "Mend:") -> _Item:
    named = _wrapped(heading, "", indent)
    said = named + _wrapped(_safe(finding.message, _SENTENCE), indent, indent)
    mend = _mend_lines(finding.fix, indent + "  ")
    if not mend:
        return _Item((said, named), lost="sentence")
    return _Item((f"{said}{indent}{mend_title}\n{mend}", said, named), lost="mend")


def _cause(number: int, group: Sequence[Finding], report: Report) -> _Item:
    """One cause, or several of one kind told as one with the first one's mend."""
    explains = {cause.finding: cause.explains for cause in report.causes}
    effects = sum(explains.get(finding.ref, 0) for finding in group)
    heading = f"{number}. {_label(group[0])}"
    if len(group) > 1:
        places = list(dict.fromkeys(map(_place, group[1:])))
        spread = f" at {len(places):,} places" if 1 < len(places) < len(group) - 1 else ""
        heading += f" and {many(len(group) - 1, 'other')} of this kind{spread} ({_some(places)})"
    if effects:
        heading += f"; explains {many(effects, 'other finding')}"
    return _one(group[0], heading, "   ", "Mend:" if len(group) == 1 else "Mend for the first, and likewise for the others:")


def _place(finding: Finding) -> str:
    return _safe(finding.subject if finding.host == SITE else finding.host, _NAME)


def _some(names: Sequence[str], most: int = _NAMED) -> str:
    """The first few names, and how many more there are."""
    kept = list(dict.fromkeys(names))
    more = f" and {len(kept) - most:,} more" if len(kept) > most else ""
    return ", ".join(kept[:most]) + more


def _not_proven(report: Report) -> tuple[_Item, ...]:
    """What was not proven, a check an entry; then, as one, what only waits for a cause that is told above."""
    own: dict[str, list[Missing]] = {}
    waiting = Counter[str]()
    behind: set[str] = set()
    for item in report.coverage.missing:
        if item.because:
            behind.update(item.because)
            waiting[_safe(item.check, _NAME)] += len(item.subjects)
        else:
            own.setdefault(_safe(item.check, _NAME), []).append(item)
    items = [_missing(check, held) for check, held in own.items()]
    if waiting:
        # What was waived is no cause above, and still leaves the rest unproven.
        accepted = {finding.ref for finding in report.findings() if finding.grade is Grade.WAIVED}
        what = "what explains them" if accepted & behind else "the causes above"
        brief = f"- {many(waiting.total(), 'finding')} waiting only for {what}"
        full = f"{brief}: {_some(list(waiting), 2 * _NAMED)}"
        items.append(_Item((_wrapped(full, "", "  "), _wrapped(brief, "", "  "))))
    return tuple(items)


def _missing(check: str, items: Sequence[Missing]) -> _Item:
    """One check with the first of its reasons."""
    subjects = [_safe(subject, _NAME) for item in items for subject in item.subjects]
    brief = _wrapped(f"- {check}: {_some(subjects)}" if subjects else f"- {check}", "", "  ")
    full = brief + _wrapped(_safe(items[0].why, _SENTENCE), "  ", "  ")
    reasons = len({item.why for item in items})
    if reasons > 1:
        full += _wrapped(f"(and {many(reasons - 1, 'other reason')})", "  ", "  ")
    if items[0].would_prove:
        full += _wrapped(f"Would prove it: {_safe(items[0].would_prove, _SENTENCE)}", "  ", "  ")
    return _Item((full, brief), lost="reason")


def _waived(finding: Finding) -> _Item:
    text = _wrapped(f"- {_label(finding)}: {_safe(finding.waiver, _SENTENCE)}", "", "  ")
    return _Item((text,))


def _foot(report: Report, bundle_sha256: str) -> str:
    """Where the whole of it is, the hash that stands for it, and a place for a second pair of eyes."""
    told = _wrapped(f"The whole, with the evidence: seatrial report {_safe(report.run.id, _NAME)}")
    if bundle_sha256:
        told += f"Its bundle's manifest, SHA-256:\n{bundle_sha256}\n"
    reviewer = _safe(report.run.reviewer, _NAME)
    return f"\n{told}" + (_wrapped(f"To be reviewed by {reviewer}: __________ on ________") if reviewer
                          else "Reviewed by ____________________ on __________ (not the tester)\n")
