"""Compares a run with the accepted one, check by check and value by value.  Pure: two reports in, one ``Drift`` out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping

import msgspec

from shared import catalogue
from shared.drift import BASELINE, Drift, Kind, Move, RunName
from shared.findings import Finding, Grade, ShownLimits, explanations
from shared.quantities import show_value
from shared.run import Report
from verify.comparing.values_moved import host_changes, site_changes

_ORDER = {kind: place for place, kind in enumerate(Kind)}
_OPEN = (Grade.FAIL, Grade.CAUTION)
_GOOD = (Grade.PASS, Grade.WAIVED)


def compare(before: Report, after: Report, *, planned: Collection[str] = (), checks: Collection[str] = (),
            called: str = BASELINE) -> Drift:
    """What moved from the accepted run ``before`` to the run ``after``.

    ``planned`` names the hosts that the plan has now and ``checks`` the checks that were asked for, where ``after`` looked at
    a part only: what it did not look at is neither gone nor mended.  Without them ``after`` looked at everything.  Nor is what
    an interrupted run did not come to, nor the reboot that only a run of ``await`` sees.  ``called`` is the word for ``before``
    where it is not the accepted run.
    """
    still_planned = set(planned) | {host.name for host in after.hosts}
    asked = frozenset(checks) or frozenset(catalogue.CHECKS)
    if all(host.evidence.boot is None for host in after.hosts):
        asked -= frozenset(catalogue.matching("boot.*"))
    was = {host.name: host for host in before.hosts}
    now = {host.name: host for host in after.hosts}
    both = [name for name in now if name in was]
    added, gone = [name for name in now if name not in was], [name for name in was if name not in still_planned]
    earlier, later = _by_ref(before, both), _by_ref(after, now)
    moves = _moves(earlier, later, asked, _cut_short(before, after))
    good = [ref for ref, finding in later.items() if finding.grade in _GOOD and _kind_of(earlier, later, ref) is None]
    values = [*site_changes(before, after), *(change for name in both for change in host_changes(was[name], now[name]))]
    return Drift(
        baseline=_name(before), run=_name(after), context=tuple(_context(before, after, called)), hosts_added=tuple(added),
        hosts_gone=tuple(gone), hosts_skipped=sum(name in still_planned and name not in now for name in was),
        moves=_folded(moves, after), values=tuple(values),
        unchanged=sum(ref in earlier for ref in good), good_anew=sum(ref not in earlier for ref in good), called=called,
        complete=after.run.complete)


def _name(report: Report) -> RunName:
    return RunName(id=report.run.id, started=report.run.started, verdict=report.verdict.value)


def _by_ref(report: Report, hosts: Collection[str]) -> dict[str, Finding]:
    """The findings about the site and about these hosts."""
    owned = (finding for host in report.hosts if host.name in hosts for finding in host.findings)
    return {finding.ref: finding for finding in (*report.site.findings, *owned)}


def _cut_short(before: Report, after: Report) -> Collection[str]:
    """The refs of all about which an interrupted run may not have asked: of hosts it was not done with, and of the site."""
    if after.run.complete:
        return ()
    undone = {host.name for host in after.hosts if not host.evidence.complete}
    return {*_by_ref(before, undone), *_by_ref(after, undone)}


def _moves(was: Mapping[str, Finding], now: Mapping[str, Finding], asked: Collection[str], cut: Collection[str]) -> list[Move]:
    """What moved.  Of what was ``cut`` short nothing is newly unproven or no longer asked: nobody came to it."""
    moves = []
    for ref in dict.fromkeys([*now, *was]):
        old, new = was.get(ref), now.get(ref)
        if new is None and old is not None and old.check not in asked:
            continue
        if ref in cut and (new is None or new.grade is Grade.UNPROVEN):
            continue
        kind = _kind_of(was, now, ref)
        if kind is not None:
            moves.append(_move(kind, old, new))
    moves.sort(key=lambda move: _ORDER[move.kind])
    return moves


def _kind_of(was: Mapping[str, Finding], now: Mapping[str, Finding], ref: str) -> Kind | None:
    old, new = was.get(ref), now.get(ref)
    return _kind(old.grade if old else None, new.grade if new else None)


def _kind(before: Grade | None, after: Grade | None) -> Kind | None:
    """How a grade moved; None for what is good and was good."""
    if after is None:
        # What was not good and is not asked any more is not mended; what was good is no news.
        return Kind.NOT_ASKED if before not in _GOOD else None
    if after is Grade.FAIL:
        return Kind.STILL_OPEN if before is Grade.FAIL else Kind.NEW_FAIL
    if after is Grade.CAUTION:
        # A fail that became a caution is better and not yet mended.
        return Kind.STILL_OPEN if before in _OPEN else Kind.NEW_CAUTION
    if after is Grade.UNPROVEN:
        return Kind.STILL_UNPROVEN if before is Grade.UNPROVEN else Kind.NEWLY_UNPROVEN
    if after is Grade.WAIVED:
        return None if before is Grade.WAIVED else Kind.NEWLY_WAIVED
    if before in _OPEN:
        return Kind.MENDED
    return Kind.PROVEN_NOW if before is Grade.UNPROVEN else None


def _move(kind: Kind, old: Finding | None, new: Finding | None) -> Move:
    told = new or old
    assert told is not None
    return Move(
        kind=kind, ref=told.ref, host=told.host, check=told.check, subject=told.subject,
        before=old.grade if old else None, after=new.grade if new else None, was=old.found if old else "",
        now=new.found if new else "", message=told.message, fix=told.fix if kind is not Kind.NOT_ASKED else (),
        symptom=told.symptom)


def _folded(moves: list[Move], after: Report) -> tuple[Move, ...]:
    """The moves with each effect folded under the move that explains it, where that one is shown too."""
    findings = {finding.ref: finding for finding in after.findings()}
    shown = {move.ref for move in moves if move.after in (*_OPEN, Grade.UNPROVEN)}
    under = {move.ref: _explaining(move.ref, findings, shown) for move in moves if move.ref in shown}
    explains = Counter(ref for ref in under.values() if ref)
    return tuple(msgspec.structs.replace(move, folded_under=under.get(move.ref, ""), explains=explains[move.ref])
                 for move in moves)


def _explaining(ref: str, findings: Mapping[str, Finding], shown: Collection[str]) -> str:
    """The farthest shown move at the end of a finding's ``because`` chain, or nothing."""
    *_nearer, farthest = "", *(cause.ref for cause in explanations(findings[ref], findings) if cause.ref in shown)
    return farthest


def _context(before: Report, after: Report, called: str) -> list[str]:
    """What else is different, in sentences: it may explain what follows, and is said first."""
    old, new = before.run, after.run
    said = []
    if old.plan.sha256 != new.plan.sha256:
        said.append(f"The plan has changed since {called} (SHA-256 {old.plan.sha256[:12]} then, {new.plan.sha256[:12]} now).")
    if old.profile != new.profile:
        said.append(f"The profile has changed: {old.profile} then, {new.profile} now.")
    said += _limit_changes(old.limits, new.limits)
    if old.tool != new.tool:
        said.append(f"The tool has changed: {old.tool.name} {old.tool.version} then, {new.tool.name} {new.tool.version} now.")
    if old.vantage.name != new.vantage.name:
        said.append(f"It was seen from another place: {old.vantage.name} then, {new.vantage.name} now.")
    if old.vantage.privileges != new.vantage.privileges:
        then, today = (", ".join(run.vantage.privileges) or "none" for run in (old, new))
        said.append(f"What the system allows the runner has changed: {then} then, {today} now.")
    if not new.complete:
        cut = sum(not host.evidence.complete for host in after.hosts)
        of = f" ({cut:,} of its {len(after.hosts):,} hosts, in part or wholly)" if cut else ""
        said.append(f"The run was interrupted, so what it did not come to is not compared{of}.")
    return said


def _limit_changes(old: Collection[ShownLimits], new: Collection[ShownLimits]) -> list[str]:
    was = {limits.name: limits for limits in old}
    said = []
    for limits in new:
        earlier = was.get(limits.name)
        if earlier is not None and (earlier.caution, earlier.fail) != (limits.caution, limits.fail):
            said.append(f"The limit {limits.name} has changed: {_bounds(earlier)} then, {_bounds(limits)} now.")
    return said


def _bounds(limits: ShownLimits) -> str:
    rule = catalogue.LIMITS.get(limits.name)
    unit = rule.unit if rule else "count"
    pair = (("caution", limits.caution), ("fail", limits.fail))
    return ", ".join(f"{name} {show_value(bound, unit)}" for name, bound in pair if bound is not None) or "none"
