"""Judges the time sources and the runner's clock, and finds the time that everything else is judged against."""

from __future__ import annotations

from dataclasses import replace

import msgspec

from shared.evidence import ClockEvidence
from shared.findings import SITE, Finding, Grade, Measured
from shared.plan import Endpoint
from shared.quantities import Decision, Interval, show_seconds
from verify.grading.case import Case
from verify.grading.clock import mends
from verify.grading.clock.reading import Reading, read, unfit, unix_seconds, widest_difference
from verify.grading.clock.selection import Agreement, Candidate, camps, select
from verify.grading.clock.words import (
    LEAPS,
    REFUSALS,
    denied,
    describe,
    distance_of,
    garbled,
    only_by_itself,
    show,
    signed_finding,
    symptom_of,
    trusted,
    was_set,
    why_nothing,
    withheld_time,
)

#: The subject of what is said about the sources together.
ALL_SOURCES = "time sources"
#: The subject of what is said about the runner.
RUNNER = "runner"


def agree(case: Case) -> Agreement:
    """The time that the plan's sources agree on, by RFC 5905 section 11.2.1, among those fit to be followed.

    A server that is planned twice, by name and by address or by two addresses, has one vote.  None can be agreed on where the
    runner's clock was set in the middle of the run: what was read before does not compare with what was read after.
    """
    if why := was_set(case):
        return Agreement((), None, reason=why)
    twins: list[tuple[str, str, str]] = []
    voters: list[tuple[str, Reading]] = []
    voted: dict[str, ClockEvidence] = {}
    for source in _planned(case):
        seen = _evidence(case, source)
        reading = read(seen)
        if seen is None or reading is None or not _may_vote(case, reading):
            continue
        if twin := next(((label, how) for label, other in voted.items() if (how := _same_clock(seen, other))), None):
            twins.append((source.label, *twin))
        else:
            voted[source.label] = seen
            voters.append((source.label, reading))
    at = max((reading.best.at for _label, reading in voters), key=unix_seconds, default="")
    agreed = select([Candidate(label, reading.correctness(at=at)) for label, reading in voters], at=at)
    return replace(agreed, twins=tuple(twins))


def _same_clock(one: ClockEvidence, other: ClockEvidence) -> str:
    """How two sources are known to be one clock, or nothing.

    No two clocks are set in the same 2^-32 s, so where both bear one reference stamp they are one (RFC 5905 section 7.3; seen
    with chrony at all its addresses).  A stamp without a fine fraction is rounded, as some receivers do, and proves nothing.
    """
    if (one.address, one.port) == (other.address, other.port):
        return f"both are {one.address}, port {one.port}"
    stamps = [{(sample.reference_stamp, sample.stratum, sample.reference_id) for sample in seen.samples
               if sample.reference_stamp and not sample.reference_stamp.endswith(_ROUNDED)} for seen in (one, other)]
    return "both say that they were last set at the very same moment" if stamps[0] & stamps[1] else ""


#: How a reference stamp ends that is no finer than 2^-16 s: common practice, no source.
_ROUNDED = "0000"


def grade_site(case: Case, agreement: Agreement) -> list[Finding]:
    """Judge each planned source, the sources together, and the runner."""
    if not case.plan.time_sources:
        return [_runner(case, agreement)]
    return [*(_source(case, source) for source in _planned(case)), *_sources_agree(case, agreement), _runner(case, agreement)]


def _planned(case: Case) -> tuple[Endpoint, ...]:
    """The planned sources, each label once."""
    return tuple({source.label: source for source in case.plan.time_sources}.values())


def _evidence(case: Case, source: Endpoint) -> ClockEvidence | None:
    return next((seen for seen in case.evidence.site.clocks if seen.server == source.label), None)


def _may_vote(case: Case, reading: Reading) -> bool:
    """Whether the source may be followed, and is near enough to its root."""
    limits = case.limits["clock_source_distance"]
    distance, _adrift = distance_of(reading, limits)
    return (not unfit(reading, own_addresses=case.evidence.vantage.addresses)
            and limits.decide(Interval(distance, distance)) is not Decision.FAIL)


def _source(case: Case, source: Endpoint) -> Finding:
    """clock.source: RFC 5905 appendix A.5.5.3 for one source, with the limit of this run in the place of MAXDIST."""
    seen = _evidence(case, source)
    reading = read(seen)
    if seen is None or reading is None:
        return _silent_source(case, source, seen)
    limits = case.limits["clock_source_distance"]
    distance, adrift = distance_of(reading, limits)
    planned, found = "a synchronised time source", describe(reading)
    why = unfit(reading, own_addresses=case.evidence.vantage.addresses)
    if why:
        return case.finding(
            SITE, "clock.source", source.label, Grade.FAIL, planned=planned, found=found, symptom="unsynchronised",
            message=f"The time source {source.label} answers but cannot be followed: {why}.",
            fix=mends.for_unfit_source(source.label), at=reading.best.at)
    finding = case.measured_finding(
        SITE, "clock.source", source.label, Interval(distance, distance), limits, planned=planned,
        quantity="root distance", fix=mends.for_unfit_source(source.label), symptom="unsynchronised" if adrift else "distant",
        at=reading.best.at)
    message = (f"The time source {source.label} says that it is synchronised ({found}), but {adrift}; {limits.show()}."
               if adrift else
               f"The time source {source.label} is synchronised ({found}).  Its root distance, the most it may be from true "
               f"time, is {show_seconds(distance)}; {limits.show()}.")
    if seen.kiss_code:
        message += f"  It then asked not to be asked any more (kiss code {seen.kiss_code})."
    if seen.failure is not None:
        message += f"  {len(seen.samples)} of {seen.asked} exchanges brought an answer that can be used."
    return msgspec.structs.replace(finding, found=found, message=message)


def _silent_source(case: Case, source: Endpoint, seen: ClockEvidence | None) -> Finding:
    """A source that brought no sample: failed, or unproven where the question never reached it."""
    why, from_where = why_nothing(seen), case.evidence.vantage.name
    nameless = denied(seen)
    proven = withheld_time(seen) or nameless
    message = f"The time source {source.label} gave no usable time, seen from {from_where}: {why}."
    if not proven:
        message += "  Whether it is sound could not be found out."
    if nameless:
        message += "  No host that asks there can follow it by this name."
    fix: tuple[str, ...] = ()
    if seen is not None and proven:
        fix = (mends.for_nameless_source(source.label, source.host) if nameless
               else mends.for_refusing_source(source.label) if seen.kiss_code in REFUSALS
               else mends.for_unfit_source(source.label) if seen.kiss_code
               else (*mends.for_garbled_answers(source.label, seen.address, source.port), mends.leave_out(source.label))
               if garbled(seen)
               else (*mends.answer_from(source.label, seen), *mends.for_silent_source(source.label, seen.address, source.port)))
    return case.finding(SITE, "clock.source", source.label, Grade.FAIL if proven else Grade.UNPROVEN,
                        planned="a synchronised time source", found=why, message=message, fix=fix,
                        symptom="no-address" if nameless else symptom_of(seen), at=seen.at if seen else "")


def _sources_agree(case: Case, agreement: Agreement) -> list[Finding]:
    """clock.sources-agree: one finding on all together and one on each source that is proven wrong."""
    return [_together(case, agreement), *(_falseticker(case, agreement, name) for name in agreement.falsetickers),
            *(_twin(case, agreement, *twin) for twin in agreement.twins), *_leaps_agree(case, agreement)]


def _together(case: Case, agreement: Agreement) -> Finding:
    planned = f"{len(_planned(case))} sources that agree"
    if agreement.agreed is None:
        return _no_majority(case, agreement, planned)
    if not agreement.corroborated:
        return _alone(case, agreement, planned)
    truth = agreement.truechimers
    finding = case.measured_finding(
        SITE, "clock.sources-agree", ALL_SOURCES, _spread(case, agreement), case.limits["clock_sources_spread"],
        planned=planned, quantity="spread", fix=_see_camps(agreement), symptom="spread", at=agreement.at)
    message = (f"{len(truth)} time sources agree with each other: {', '.join(truth)}.  The largest difference between two of "
               f"them is {finding.found}; {case.limits['clock_sources_spread'].show()}.")
    if agreement.undecided:
        message += (f"  Not counted with them, and not proven wrong: {', '.join(agreement.undecided)}, which may be so far "
                    "from true time that little is proven either way.")
    if finding.grade is Grade.UNPROVEN:
        message += "  Their answers took too long to say on which side of a limit that is."
    return msgspec.structs.replace(finding, found=f"{len(truth)} agree, spread {finding.found}", message=message)


def _spread(case: Case, agreement: Agreement) -> Interval:
    """The largest difference between two sources that agree, bounded by the exchanges with them alone."""
    readings = (read(_evidence(case, source)) for source in _planned(case) if source.label in agreement.truechimers)
    return widest_difference([reading.offset_at(agreement.at) for reading in readings if reading is not None])


def _alone(case: Case, agreement: Agreement, planned: str) -> Finding:
    """One usable source: a caution where only one is planned, unproven where the others should have been there."""
    only = agreement.truechimers[0]
    by_plan = len(_planned(case)) == 1
    message = (f"Only {only} gave a usable time, so nothing confirms it: a single source that is wrong cannot be told from one "
               "that is right.  The clocks of this run are judged against it alone.")
    if agreement.twins:
        message += f"  Not counted: {', '.join(name for name, _other, _how in agreement.twins)}, which is the same clock."
    return case.finding(
        SITE, "clock.sources-agree", ALL_SOURCES, Grade.CAUTION if by_plan else Grade.UNPROVEN, planned=planned,
        found="one usable source", message=message, symptom="uncorroborated", at=agreement.at,
        fix=('Write more sources, best four, into sources of the plan\'s [time] table: sources = ["ADDRESS", ...]',
             ) if by_plan else ())


def _no_majority(case: Case, agreement: Agreement, planned: str) -> Finding:
    """No time to judge by: failed where two sources exclude each other, unproven where there is nothing to compare."""
    sides = camps(agreement.candidates)
    message = f"No time can be agreed on: {agreement.reason}."
    if len(sides) > 1:
        message += f"  {_sides(agreement)}"
    return case.finding(
        SITE, "clock.sources-agree", ALL_SOURCES, Grade.FAIL if len(sides) > 1 else Grade.UNPROVEN, planned=planned,
        found=agreement.reason, message=message, fix=_see_camps(agreement) if len(sides) > 1 else (),
        symptom="no-majority", at=agreement.at)


def _falseticker(case: Case, agreement: Agreement, name: str) -> Finding:
    """A source whose whole correctness interval lies outside what the majority agrees on."""
    assert agreement.agreed is not None
    lead = next(voter.interval for voter in agreement.candidates if voter.name == name)
    error = lead - agreement.agreed
    truth = ", ".join(agreement.truechimers)
    # One vague source overlaps with both sides, so these are told by who is right and not by who overlaps with whom.
    sides = f"{_says(agreement.truechimers, agreement.agreed.value)}; {_says((name,), lead.value)}."
    return case.finding(
        SITE, "clock.sources-agree", name, Grade.FAIL, planned=f"the time that {truth} agree on", symptom="falseticker",
        found=f"{show(error)} {'ahead' if error.value > 0 else 'behind'}", at=agreement.at,
        measured=Measured(error.value, error.uncertainty, "s"),
        message=f"The time source {name} is wrong: it is {mends.ahead(error.value)} the time that {truth} agree on, and not "
                f"even the error it allows for itself explains that.  {sides}",
        fix=(*mends.for_clock(name, error.value, [source for source in _planned(case) if source.label in agreement.truechimers]),
             *mends.for_unfit_source(name)[-1:]))


def _twin(case: Case, agreement: Agreement, name: str, other: str, how: str) -> Finding:
    """A source that is another one once more: it has no vote, for a clock that is wrong would outvote others with itself."""
    return case.finding(
        SITE, "clock.sources-agree", name, Grade.CAUTION, planned="a clock of its own", found=f"the same clock as {other}",
        symptom="twin", at=agreement.at,
        message=f"The time source {name} is the same clock as {other}: {how}.  It has no vote of its own here, and on hosts that "
                "follow both it counts twice, right or wrong.",
        fix=(f'Put another machine in the place of "{name}" in sources of the plan\'s [time] table and on every host',))


def _leaps_agree(case: Case, agreement: Agreement) -> list[Finding]:
    """A caution where sources that agree on the time do not agree on the leap second to come, or nothing.

    The indicator announces one for the end of the current month, or of the day (RFC 5905 section 7.3 has both).  A source that
    smears it announces none (RFC 8633 section 3.7.1), and one that announces it wrongly has those that follow it step.
    """
    said: dict[int, list[str]] = {}
    for source in _planned(case):
        reading = read(_evidence(case, source))
        if reading is not None and source.label in agreement.truechimers:
            said.setdefault(reading.best.leap, []).append(source.label)
    if len(said) < 2:
        return []
    told = "; ".join(f"{', '.join(names)}: {LEAPS[leap]}" for leap, names in sorted(said.items()))
    return [case.finding(
        SITE, "clock.sources-agree", "leap second", Grade.CAUTION, planned="sources that announce the same", found=told,
        symptom="leap", at=agreement.at,
        message=f"The time sources do not announce the same for the end of this day or month: {told}.  Then their times will "
                "part by a second, and so will those of the hosts that follow them.",
        fix=("See whether a leap second is due: the IERS announces them in Bulletin C, for the end of June or of December",
             "Mend the sources that announce it wrongly, and do not mix sources that smear it with others that do not"))]


def _sides(agreement: Agreement) -> str:
    """Who sides with whom, each side with its lead over the runner."""
    said = []
    for camp in camps(agreement.candidates):
        leads = [voter.interval.value for voter in agreement.candidates if voter.name in camp]
        said.append(_says(camp, sum(leads) / len(leads)))
    return "; ".join(said) + "."


def _says(names: tuple[str, ...], lead_seconds: float) -> str:
    verb = "say" if len(names) > 1 else "alone says"
    return f"{', '.join(names)} {verb} that true time is {mends.ahead(lead_seconds)} the runner's clock"


def _see_camps(agreement: Agreement) -> tuple[str, ...]:
    return (_sides(agreement),
            "Compare them with a clock you trust, and take the wrong ones out of the plan's [time] table and of every host",
            *(line for name in (voter.name for voter in agreement.candidates) for line in mends.for_unfit_source(name)[:1]))


def _runner(case: Case, agreement: Agreement) -> Finding:
    """clock.runner: the judge is judged first; the hosts are judged against the agreed time whatever comes of it."""
    planned = "the time that the planned sources agree on"
    if agreement.agreed is None:
        return case.finding(
            SITE, "clock.runner", RUNNER, Grade.UNPROVEN, planned=planned, found="no agreed time to compare with",
            message=f"The runner's own clock could not be judged: {agreement.reason}.  Verdicts on clocks and dates that need "
                    "the time are unproven.", symptom="no-agreed-time")
    error = Interval(-agreement.agreed.hi, -agreement.agreed.lo)
    if own := only_by_itself(case, agreement, case.evidence.vantage.addresses):
        return case.finding(
            SITE, "clock.runner", RUNNER, Grade.UNPROVEN, planned=planned, found="nothing but its own time", symptom="own-time",
            at=agreement.at, message=f"The runner's own clock could not be judged: the only time to hold it against is that of "
                                     f"{own}, which is this runner itself.")
    finding = signed_finding(
        case, SITE, "clock.runner", RUNNER, error, case.limits["clock_runner"], planned=planned, whose="The runner's clock",
        fix=mends.for_clock("the runner", error.value, trusted(case, agreement)), at=agreement.at)
    message = finding.message
    if finding.grade is not Grade.PASS:
        message += ("  The verdicts on the hosts' clocks and on certificate dates are corrected for this; the time stamps in "
                    "this report are not.")
    if not agreement.corroborated:
        message += f"  Only {agreement.truechimers[0]} was there to compare with, and nothing confirms it."
    steps = [step for seen in case.evidence.site.clocks for step in seen.runner_steps_seconds]
    if steps:
        message += (f"  The clock was set while the sources were being asked: it jumped {len(steps)} times, by up to "
                    f"{show_seconds(max(map(abs, steps)))}, and those exchanges were thrown away.")
    return msgspec.structs.replace(finding, message=message)
