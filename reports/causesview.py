"""The causes in order, each with who must act, the mend and what it explains; then what else is open."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import msgspec

from reports import onpaper
from reports.alike import together
from reports.findingview import FindingView, Link, Shower
from reports.fleetview import common_domain, short_name
from reports.marks import Mark
from shared.findings import Finding, Grade, explanations
from shared.run import Report

_SENTENCE_END = re.compile(r"(?<=[a-z0-9)\]][.])\s+(?=[A-Z0-9])")
#: The most effects listed under one cause; the rest are counted, and stand at their hosts.
_MOST_EFFECTS = 60
#: The most places named above a mend that they share; more are named below it.
_MOST_HEADING = 6
#: The most findings of one kind whose messages stand under their number; the others are pointed at, at their hosts.
_MOST_TOLD = 40


class Effect(msgspec.Struct, frozen=True):
    """A finding explained by a cause."""

    mark: Mark
    link: Link


class CauseView(msgspec.Struct, frozen=True, kw_only=True):
    """One numbered cause, or several of one kind (``members`` has then more than one).

    ``headline`` is the whole message of the first, ``brief`` its first sentence, ``place`` its host in short, ``elsewhere``
    how many other hosts have it too.  ``members`` are told with their messages, ``farther`` are only pointed at.
    ``printed`` lines of ``fix`` are printed, and ``unprinted`` mends or places in it are not.
    """

    number: int
    owner: str
    place: str
    elsewhere: int
    brief: str
    headline: str
    mark: Mark
    count: int
    members: tuple[FindingView, ...]
    farther: tuple[Link, ...]
    fix: str
    printed: int
    unprinted: int
    explains: int
    effects: tuple[Effect, ...]
    unlisted: int


class OwnerView(msgspec.Struct, frozen=True):
    """Who must act on which numbers."""

    label: str
    numbers: tuple[int, ...]


def grouped(report: Report) -> list[list[Finding]]:
    """The causes in the report's order; many of one kind stand together at the place of the first."""
    by_ref = _unsettled(report)
    found = [by_ref[cause.finding] for cause in report.causes if cause.finding in by_ref]
    return together(found, lambda finding: (finding.check, finding.symptom, finding.grade))


def _unsettled(report: Report) -> dict[str, Finding]:
    """The findings that are no pass, by ref: nothing else is a cause or an effect."""
    return {finding.ref: finding for finding in report.findings() if finding.grade is not Grade.PASS}


def numbers_of(groups: Sequence[Sequence[Finding]]) -> dict[str, int]:
    """The number under which each cause is told, by ref."""
    return {finding.ref: number for number, group in enumerate(groups, start=1) for finding in group}


def explained(report: Report) -> int:
    """How many findings follow from the causes that are listed; what follows only from something waived is not among them."""
    by_ref, listed = _unsettled(report), {cause.finding for cause in report.causes}
    return sum(any(cause.ref in listed for cause in explanations(finding, by_ref)) for finding in by_ref.values())


def causes(report: Report, groups: Sequence[Sequence[Finding]], shower: Shower) -> tuple[CauseView, ...]:
    """Every cause, numbered; places are told without the domain that all hosts share."""
    domain = common_domain([host.name for host in report.hosts])
    by_ref = _unsettled(report)
    effects: dict[str, list[Finding]] = {}
    for finding in by_ref.values():
        for cause in explanations(finding, by_ref):
            effects.setdefault(cause.ref, []).append(finding)
    return tuple(_cause(number, group, effects, shower, domain) for number, group in enumerate(groups, start=1))


def _cause(number: int, group: Sequence[Finding], effects: Mapping[str, Sequence[Finding]], shower: Shower,
           domain: str) -> CauseView:
    first = group[0]
    members = tuple(shower.view(finding) for finding in group)
    explained = list({effect.ref: effect for finding in group for effect in effects.get(finding.ref, ())}.values())
    listed = explained[:_MOST_EFFECTS]
    hosts = list(dict.fromkeys(member.host for member in members))
    shown = tuple(Effect(shower.view(effect).mark, shower.link(effect)) for effect in listed)
    mends = _mends(members)
    printed, unprinted = onpaper.fitting(mends)
    return CauseView(number=number, owner=shower.owner(first), place=short_name(hosts[0], domain),
                     elsewhere=len(hosts) - 1, brief=first_sentence(first.message), headline=first.message,
                     mark=members[0].mark, count=len(members), members=members[:_MOST_TOLD],
                     farther=tuple(Link(m.slug, m.host) for m in members[_MOST_TOLD:]), fix="\n".join(mends),
                     printed=printed, unprinted=unprinted, explains=len(explained), effects=shown,
                     unlisted=len(explained) - len(listed))


def first_sentence(text: str) -> str:
    """The text up to its first full stop that a new sentence follows."""
    return _SENTENCE_END.split(text, maxsplit=1)[0]


def _mends(members: Sequence[FindingView]) -> list[str]:
    """The mend of one cause, or those of several with the host above each, equal mends only once."""
    if len(members) == 1:
        return [members[0].fix]
    texts: dict[str, list[str]] = {}
    for member in members:
        texts.setdefault(member.fix, []).append(f"# {member.host} {member.subject}")
    mends: list[str] = []
    for fix, places in texts.items():
        if fix:
            # An empty line stands between two.
            first, *others = _placed(fix, places)
            mends += [f"\n{first}" if mends else first, *others]
    return mends


def _placed(fix: str, places: Sequence[str]) -> list[str]:
    """A mend with the places it is for: above it where they are few, below where they would push it out of sight."""
    if len(places) <= _MOST_HEADING:
        return ["\n".join((*places, fix))]
    return [f"# at each of the {len(places):,} named below\n{fix}", *places]


def owners(told: Sequence[CauseView]) -> tuple[OwnerView, ...]:
    """Who must act, in the order in which they are first needed."""
    numbers: dict[str, list[int]] = {}
    for cause in told:
        numbers.setdefault(cause.owner, []).append(cause.number)
    return tuple(OwnerView(label, tuple(held)) for label, held in numbers.items())


def also_open(report: Report) -> list[Finding]:
    """Fails and cautions that are neither a cause nor explained by one: nothing open is left off the first page."""
    told = {cause.finding for cause in report.causes}
    return [finding for finding in report.findings()
            if finding.grade in (Grade.FAIL, Grade.CAUTION) and finding.ref not in told and not finding.because]
