"""What the page shows, and in which order: a pure function from a report to plain data for the templates.

Nothing is graded here and no clock is read.  The templates make no choice but how a thing is drawn.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Iterator, Mapping, Sequence

import msgspec

from reports import causesview, clocksview, evidencetables, figures, fleetview, missingview, nightsview, onpaper
from reports.causesview import CauseView, OwnerView
from reports.evidencetables import Table
from reports.figures import Calendar, ClockLine
from reports.findingview import SITE_NAME, BriefView, FindingView, HeldView, Link, Names, Shower, in_brief, show_time
from reports.fleetview import FULL_PAGE_HOSTS, Fleet
from reports.marks import GRADES, VERDICTS, Mark, many, rank
from reports.missingview import MissingView
from reports.timeline import Timeline, timeline
from shared.catalogue import Check
from shared.findings import Finding, Grade, Verdict, verdict_of
from shared.history import NO_NIGHTS, Nights
from shared.quantities import show_seconds
from shared.run import HostReport, Report

#: The most waived findings listed on the first pages; the rest stand at their hosts.
_MOST_WAIVED = 40
#: Up to so many hosts the passes stand open on the page.
_UNFOLDED_HOSTS = 3


class Fact(msgspec.Struct, frozen=True):
    """One particular of the run; ``code`` says that it is to be copied, not read."""

    label: str
    value: str
    code: bool = False


class CountView(msgspec.Struct, frozen=True):
    """How many findings have a grade, and how wide that is of the whole, in percent."""

    mark: Mark
    count: int
    share: float
    begins: float


class ExplainedView(msgspec.Struct, frozen=True):
    """Findings that follow from the same reasons."""

    reasons: tuple[Link, ...]
    findings: tuple[FindingView, ...]


class HostView(msgspec.Struct, frozen=True, kw_only=True):
    """One host, or the site.  ``open`` is what needs a look, ``explained`` what a cause told elsewhere explains.

    On paper ``alike`` names hosts in short that are told with this one, and one that is told with another is ``unprinted``.
    """

    slug: str = ""
    name: str = ""
    short: str = ""
    facts: str = ""
    mark: Mark
    tally: str
    open: tuple[FindingView, ...]
    explained: tuple[ExplainedView, ...]
    explained_count: int
    held: tuple[HeldView, ...]
    in_brief: tuple[BriefView, ...]
    held_count: int
    evidence: tuple[Table, ...] = ()
    alike: tuple[str, ...] = ()
    unprinted: bool = False


class LimitView(msgspec.Struct, frozen=True):
    """One limit in force, in words, and where it comes from."""

    name: str
    words: str
    origin: str


class CheckView(msgspec.Struct, frozen=True):
    """What one of the checks made proves, what it does not, and on what published basis."""

    name: str
    title: str
    proves: str
    not_proves: str
    basis: tuple[str, ...]


class Page(msgspec.Struct, frozen=True, kw_only=True):
    """The whole page.

    ``lean`` is set for many hosts: what passed and what causes explain is then told in brief, with the evidence only of
    what failed or is unproven by itself; ``unfolded`` for few, whose passes stand open.
    """

    title: str
    run_id: str
    date: str
    mark: Mark
    headline: str
    lede: str
    partial: bool
    counts: tuple[CountView, ...]
    owners: tuple[OwnerView, ...]
    causes: tuple[CauseView, ...]
    others: tuple[FindingView, ...]
    proven: str
    proven_share: float
    missing: tuple[MissingView, ...]
    brief: tuple[Fact, ...]
    facts: tuple[Fact, ...]
    limits: tuple[LimitView, ...]
    checks: tuple[CheckView, ...]
    waived: tuple[FindingView, ...]
    more_waived: int
    domain: str
    fleet: Fleet
    reboots: Timeline | None
    clocks: ClockLine | None
    calendar: Calendar | None
    nights: tuple[nightsview.NightsView, ...]
    hosts: tuple[HostView, ...]
    lean: bool
    unfolded: bool
    tool: str


_HEADLINES = {
    Verdict.READY: "Ready for its next stage.",
    Verdict.READY_WITH_CAUTIONS: "Ready, with cautions.",
    Verdict.NOT_READY: "Not ready for its next stage.",
    Verdict.UNPROVEN: "Not proven ready.",
}


def build(report: Report, checks: Mapping[str, Check], nights: Nights = NO_NIGHTS) -> Page:
    """The page of a report.  ``checks`` is the catalogue: titles, owners, and what would prove a thing."""
    lean = len(report.hosts) > FULL_PAGE_HOSTS
    names = Names(report, lean=lean)
    groups = causesview.grouped(report)
    shower = Shower(names, checks, causesview.numbers_of(groups))
    told = causesview.causes(report, groups, shower)
    others = tuple(map(shower.view, causesview.also_open(report)))
    waived = [finding for finding in report.findings() if finding.grade is Grade.WAIVED]
    domain = fleetview.common_domain([host.name for host in report.hosts])
    site = [] if not report.site.findings else [_site(report, shower)]
    coverage = report.coverage
    return Page(
        title=report.run.plan.title or report.run.plan.file, run_id=report.run.id, date=show_time(report.run.started),
        mark=VERDICTS[report.verdict], headline=_HEADLINES[report.verdict], lede=lede(report, len(told), len(others)),
        partial=not report.run.complete, counts=_counts(report),
        owners=causesview.owners(told), causes=told, others=others,
        waived=tuple(shower.view(finding) for finding in waived[:_MOST_WAIVED]), more_waived=max(0, len(waived) - _MOST_WAIVED),
        proven=_proven(report),
        proven_share=round(100 * coverage.proven / coverage.planned, 2) if coverage.planned else 0.0,
        missing=missingview.missing(report, shower),
        brief=_brief(report), facts=_facts(report), limits=_limits(report), checks=_checks(report, checks),
        domain=domain, fleet=fleetview.fleet(report, names, domain),
        reboots=timeline(report.hosts, domain),
        clocks=clocksview.clocks(report, domain), calendar=figures.calendar(report.hosts, report.run.started),
        nights=nightsview.kinds(report, nights, names, domain),
        hosts=(*site, *_printed(report, shower, domain, [_host(host, slug, shower, domain, lean=lean)
                                                         for host, slug in zip(report.hosts, names.hosts, strict=True)])),
        lean=lean, unfolded=len(report.hosts) <= _UNFOLDED_HOSTS, tool=f"{report.run.tool.name} {report.run.tool.version}")


def lede(report: Report, told: int, others: int) -> str:
    """The sentence under the verdict: how much is to be mended, what that settles, how many hosts are ready."""
    explained = causesview.explained(report)
    ready = sum(1 for host in report.hosts if host.verdict in (Verdict.READY, Verdict.READY_WITH_CAUTIONS))
    said = []
    if told:
        said.append(f"{many(told, 'thing')} to mend{', in order' if told > 1 else ''}" + (f"; {many(explained, 'other finding')} "
                    f"{'follows' if explained == 1 else 'follow'} from {'it' if told == 1 else 'them'}." if explained else "."))
    elif others:
        said.append(f"{many(others, 'finding')} to look at.")
    elif report.verdict is Verdict.READY:
        said.append("Everything asked was found as planned.")
    elif report.verdict is Verdict.UNPROVEN:
        said.append("Nothing failed, and not everything could be judged.")
    # Before anybody looks at a host: what many of them share.
    said += [causesview.first_sentence(finding.message) for finding in report.site.findings
             if finding.check == "host.shared-loss" and finding.grade in (Grade.FAIL, Grade.CAUTION)]
    if report.hosts:
        said.append(f"{ready:,} of {many(len(report.hosts), 'host')} {'is' if 1 in (ready, len(report.hosts)) else 'are'} ready.")
    return " ".join(said)


def _counts(report: Report) -> tuple[CountView, ...]:
    counts = report.counts
    by_grade = {Grade.FAIL: counts.fail, Grade.CAUTION: counts.caution, Grade.UNPROVEN: counts.unproven,
                Grade.WAIVED: counts.waived, Grade.PASS: counts.passed}
    total = sum(by_grade.values()) or 1
    shown, begins = [], 0.0
    for grade, mark in GRADES.items():
        share = 100 * by_grade[grade] / total
        shown.append(CountView(mark, by_grade[grade], round(share, 2), round(begins, 2)))
        begins += share
    return tuple(shown)


def _proven(report: Report) -> str:
    """How much of the plan was proven, and that below it also stands what could not be asked at all, where anything does."""
    proven, planned = report.coverage.proven, report.coverage.planned
    if proven < planned or not planned:
        return (f"{proven:,} of {planned:,} planned checks were proven, one way or the other."
                + (" What could not be asked at all stands here too." if missingview.beyond(report) else ""))
    return (f"All {planned:,} planned checks were proven, one way or the other."
            + (" Here stands what could not be asked at all." if missingview.beyond(report) else ""))


def _when(report: Report) -> str:
    lasted = report.run.lasted_seconds
    return show_time(report.run.started) + (f", {show_seconds(lasted)}" if lasted is not None else "")


def _brief(report: Report) -> tuple[Fact, ...]:
    """What the first screen says: enough to know which run this is; the record holds the rest."""
    run = report.run
    facts = (
        Fact("What", many(len(report.hosts), "host")),
        Fact("When", _when(report)),
        Fact("From", ", ".join((run.vantage.name, *run.vantage.addresses))),
        Fact("Plan", f"{run.plan.file.rpartition('/')[2]}, SHA-256 {run.plan.sha256[:12]}…", code=True),
        Fact("Ticket", run.ticket),
    )
    return tuple(fact for fact in facts if fact.value)


def _facts(report: Report) -> tuple[Fact, ...]:
    run = report.run
    place = ", ".join((run.vantage.name, *run.vantage.addresses))
    links = ", ".join(f"{'on' if on else 'not on'} the wire of {network}" for network, on in run.vantage.on_link.items())
    facts = (
        Fact("Plan", run.plan.title),
        Fact("Plan file", run.plan.file, code=True),
        Fact("Its SHA-256", run.plan.sha256, code=True),
        Fact("What", f"{run.kind}, {many(len(report.hosts), 'host')}, {many(len(report.findings()), 'finding')}"),
        Fact("When", _when(report)),
        Fact("From where", f"{place} ({links})" if links else place),
        Fact("Allowed to", ", ".join(run.vantage.privileges)),
        Fact("Short of", "; ".join(f"{what}, {many(times, 'time')}" for what, times in run.vantage.shortages)),
        Fact("Suspended", f"for {show_seconds(slept)}, meanwhile" if (slept := run.vantage.suspended_seconds) else ""),
        Fact("By whom", run.operator),
        Fact("Why", run.reason),
        Fact("Ticket", run.ticket),
        Fact("Reviewer", run.reviewer),
        Fact("Limits", f"profile {run.profile}" if run.profile else ""),
        Fact("Program", f"{run.tool.name} {run.tool.version}"),
        Fact("Command", run.command, code=True),
        Fact("Run", run.id, code=True),
    )
    return tuple(fact for fact in facts if fact.value)


def _limits(report: Report) -> tuple[LimitView, ...]:
    units = {finding.limits.name: finding.measured.unit for finding in report.findings() if finding.limits and finding.measured}
    return tuple(LimitView(limits.name, figures.limit_words(limits, units[limits.name]), limits.origin)
                 for limits in report.run.limits if limits.name in units)


def _checks(report: Report, checks: Mapping[str, Check]) -> tuple[CheckView, ...]:
    """Every check that was made, in the order of the catalogue; one that it does not know has its basis from the findings."""
    basis = {finding.check: finding.basis for finding in report.findings()}
    known = [checks[name] for name in checks if name in basis]
    told = [CheckView(check.name, check.title, check.proves, check.not_proves, check.basis) for check in known]
    return (*told, *(CheckView(name, name, "", "", basis[name]) for name in sorted(basis.keys() - checks.keys())))


def _site(report: Report, shower: Shower) -> HostView:
    findings = report.site.findings
    verdict = verdict_of({finding.grade for finding in findings})
    about = "name servers, time sources, gateways, and what holds across hosts"
    view = _section(findings, verdict, shower, lean=False)
    return msgspec.structs.replace(view, slug="site", name=SITE_NAME, short=SITE_NAME, facts=about,
                                   evidence=evidencetables.of_site(report.site.evidence))


def _host(host: HostReport, slug: str, shower: Shower, domain: str, *, lean: bool) -> HostView:
    unsettled = {finding.check.partition(".")[0] for finding in host.findings
                 if finding.grade in (Grade.FAIL, Grade.UNPROVEN) and not finding.because}
    tables = evidencetables.of_host(host.evidence, unsettled if lean else None)
    told = (*host.addresses, f"network {host.network}" if host.network else "", f"role {host.role}" if host.role else "")
    view = _section(host.findings, host.verdict, shower, lean=lean, itself={host.name, *host.addresses})
    return msgspec.structs.replace(view, slug=slug, name=host.name, short=fleetview.short_name(host.name, domain),
                                   facts=", ".join(filter(None, told)), evidence=tables)


def _printed(report: Report, shower: Shower, domain: str, hosts: Sequence[HostView]) -> Iterator[HostView]:
    """The hosts with what paper says of them: of those that are alike the first is printed and names the others."""
    for host, printed in zip(hosts, onpaper.alike(report.hosts, shower), strict=True):
        others = tuple(fleetview.short_name(report.hosts[place].name, domain) for place in printed.others)
        yield msgspec.structs.replace(host, alike=others, unprinted=not printed.itself)


def _section(findings: Sequence[Finding], verdict: Verdict, shower: Shower, *, lean: bool,
             itself: Container[str] = ()) -> HostView:
    """What the findings of one host, or of the site, come to."""
    unsettled = [finding for finding in findings if finding.grade is not Grade.PASS]
    unsettled.sort(key=lambda finding: rank(finding.grade))
    having = Counter(finding.grade for finding in findings)
    tally = ", ".join(f"{having[grade]} {mark.word}" for grade, mark in GRADES.items() if having[grade])
    return HostView(
        mark=VERDICTS[verdict], tally=tally,
        open=tuple(shower.view(finding) for finding in unsettled if not finding.because),
        explained=_explained(unsettled, shower), explained_count=sum(1 for finding in unsettled if finding.because),
        held=() if lean else shower.held(findings), in_brief=in_brief(findings, itself) if lean else (),
        held_count=having[Grade.PASS])


def _explained(unsettled: Sequence[Finding], shower: Shower) -> tuple[ExplainedView, ...]:
    """What causes explain, by what explains it."""
    alike: dict[tuple[str, ...], list[Finding]] = {}
    for finding in unsettled:
        if finding.because:
            alike.setdefault(finding.because, []).append(finding)
    return tuple(ExplainedView(tuple(map(shower.reason, because)), tuple(map(shower.view, group)))
                 for because, group in alike.items())
