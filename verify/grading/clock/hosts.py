"""Judges the hosts' clocks: each against the agreed time, each by what it says of itself, and all against each other."""

from __future__ import annotations

import msgspec

from shared.evidence import ClockEvidence, HostEvidence
from shared.findings import SITE, Finding, Grade
from shared.plan import Host
from shared.quantities import Interval, show_seconds
from verify.grading.case import Case
from verify.grading.clock import mends
from verify.grading.clock import offset as clock_offset
from verify.grading.clock.offset_shape import common_cause
from verify.grading.clock.reading import Reading, read, unfit, unix_seconds, widest_difference
from verify.grading.clock.selection import Agreement
from verify.grading.clock.witnesses import Account, Testimony, by_ntp, by_witness, silent_ntp, weigh
from verify.grading.clock.words import (
    REFUSALS,
    describe,
    distance_of,
    garbled,
    symptom_of,
    trusted,
    was_set,
    why_nothing,
    withheld_time,
)
from verify.grading.life import signs_of_life

#: The subject of what is said about the hosts together.
ALL_HOSTS = "hosts"
#: The subject of what is said about them with those whose clocks are known only roughly.
ROUGH_HOSTS = "hosts, those known only roughly included"


def grade_host(case: Case, agreement: Agreement, host: Host, evidence: HostEvidence) -> list[Finding]:
    """clock.offset and clock.synchronised of one host, for each of its addresses.

    A host whose role does not serve time gets one clock.offset, by the other witnesses of its clock, and no
    clock.synchronised, since nothing of the kind is planned for it.
    """
    told = [by_witness(witness) for witness in evidence.witnesses]
    port = _ntp_port(case, host)
    if port is None:
        return [_by_witnesses(case, agreement, host, evidence, told)]
    findings = []
    for address in host.addresses:
        seen = next((clock for clock in evidence.clocks if clock.address == address), None)
        reading = read(seen)
        dead = seen is not None and reading is None and signs_of_life(evidence, address).dead
        if told:
            account = weigh([*told, by_ntp(reading) if reading else silent_ntp(why_nothing(seen))])
            findings.append(clock_offset.by_witnesses(case, agreement, host, address, account, dead=dead))
        elif reading is None:
            findings.append(clock_offset.unseen(case, host, address, seen, dead=dead))
        else:
            findings.append(clock_offset.by_reading(case, agreement, host, address, reading))
        findings.append(_no_answer(case, host, address, port, seen, dead=dead) if reading is None
                        else _synchronised(case, agreement, host, address, reading))
    return findings


def _ntp_port(case: Case, host: Host) -> int | None:
    role = case.plan.role(host.role)
    return role.ntp_port if role else None


def _by_witnesses(
    case: Case, agreement: Agreement, host: Host, evidence: HostEvidence, told: list[Testimony]
) -> Finding:
    """One finding on the one clock that all addresses of a host share."""
    if not told:
        return clock_offset.unasked(case, host)
    dead = bool(host.addresses) and all(signs_of_life(evidence, address).dead for address in host.addresses)
    subject = host.addresses[0] if host.addresses else host.fqdn
    return clock_offset.by_witnesses(case, agreement, host, subject, weigh(told), dead=dead)


def _synchronised(case: Case, agreement: Agreement, host: Host, address: str, reading: Reading) -> Finding:
    """clock.synchronised: what the host's own header says (RFC 5905 section 7.3), and its root distance."""
    planned, found, limits = "answers NTP and is synchronised", describe(reading), case.limits["clock_source_distance"]
    why = unfit(reading, own_addresses=())
    if why:
        return case.finding(
            host.fqdn, "clock.synchronised", address, Grade.FAIL, planned=planned, found=found, symptom="unsynchronised",
            message=f"{host.fqdn} serves time but its clock is not being kept right: {why}.  A time service that was started "
                    "a moment ago needs some minutes; one that stays so hears no source.",
            fix=_follow_the_plan(case, agreement, host), at=reading.best.at)
    distance, adrift = distance_of(reading, limits)
    finding = case.measured_finding(
        host.fqdn, "clock.synchronised", address, Interval(distance, distance), limits, planned=planned,
        quantity="root distance", symptom="unsynchronised" if adrift else "distant", at=reading.best.at)
    return msgspec.structs.replace(finding, found=found, message=(
        f"{host.fqdn} says that its clock is synchronised ({found}), but {adrift}; {limits.show()}." if adrift else
        f"{host.fqdn} says that its clock is synchronised ({found}).  Its root distance, the most it may be from true time by "
        f"its own account, is {show_seconds(distance)}; {limits.show()}."),
        fix=_follow_the_plan(case, agreement, host) if finding.grade in (Grade.CAUTION, Grade.FAIL) else ())


def _follow_the_plan(case: Case, agreement: Agreement, host: Host) -> tuple[str, ...]:
    return (*mends.see_what_it_follows(host.fqdn), *mends.follow_the_plan(trusted(case, agreement, but=host.addresses)))


def _no_answer(case: Case, host: Host, address: str, port: int, seen: ClockEvidence | None, *, dead: bool) -> Finding:
    """A host that should serve time and gave none.

    Failed for what it did; unproven for what never reached it, and where the address gives no sign of life at all.
    """
    planned, why, where = "answers NTP and is synchronised", why_nothing(seen), case.evidence.vantage.name
    if dead:
        return case.finding(
            host.fqdn, "clock.synchronised", address, Grade.UNPROVEN, planned=planned, found=why, symptom="silent",
            message=f"{address} gives {where} no answer over IP, so nothing can be said of its time service.",
            at=seen.at if seen else "")
    proven = withheld_time(seen)
    fix: tuple[str, ...] = ()
    if seen is not None and proven:
        fix = (mends.for_garbled_answers(host.fqdn, address, port) if garbled(seen)
               else mends.after_kiss(host.fqdn, refused=seen.kiss_code in REFUSALS) if seen.kiss_code
               else (*mends.answer_from(host.fqdn, seen), *mends.serve_time(host.fqdn, port)))
        fix = (*fix, mends.SERVES_NONE)
    return case.finding(
        host.fqdn, "clock.synchronised", address, Grade.FAIL if proven else Grade.UNPROVEN, planned=planned, found=why,
        message=f"{host.fqdn} should serve time at {address}, UDP port {port}, and gave none, seen from {where}: {why}.",
        fix=fix, symptom=symptom_of(seen), at=seen.at if seen else "")


def grade_fleet(case: Case, agreement: Agreement) -> list[Finding]:
    """clock.skew: the largest difference between two hosts.  The runner's own error cancels out.

    Where some clocks are known so roughly that they would leave the whole undecided, the others are judged by themselves,
    and all of them once more in a finding of its own.
    """
    hosts = case.plan.by_fqdn
    asked = [seen for seen in case.evidence.hosts
             if seen.fqdn in hosts and (seen.witnesses or _ntp_port(case, hosts[seen.fqdn]) is not None)]
    if len(asked) < 2:
        return []
    leads = {seen.fqdn: lead for seen in asked if (lead := lead_of(seen)) is not None}
    if len(leads) < 2:
        return [case.finding(
            SITE, "clock.skew", ALL_HOSTS, Grade.UNPROVEN, planned="hosts whose clocks agree", symptom="silent",
            found=f"{len(leads)} of {len(asked)} hosts gave a time",
            message=f"The hosts' clocks could not be compared: {len(leads)} of {len(asked)} gave a time.")]
    if why := was_set(case):
        return [case.finding(
            SITE, "clock.skew", ALL_HOSTS, Grade.UNPROVEN, planned="hosts whose clocks agree", symptom="runner-set", found=why,
            message=f"The hosts' clocks could not be compared: {why}.")]
    at = max((lead.at for lead in leads.values()), key=unix_seconds)
    offsets = {name: lead.lead_at(at) for name, lead in leads.items()}
    everyone = _skew(case, agreement, offsets, at, ALL_HOSTS)
    fine = {name: offset for name, offset in offsets.items() if not _rough(case, offset)}
    if everyone.grade is not Grade.UNPROVEN or len(fine) < 2 or len(fine) == len(offsets):
        return [everyone]
    rough = _skew(case, agreement, offsets, at, ROUGH_HOSTS)
    names = ", ".join(sorted(set(offsets) - set(fine)))
    return [_skew(case, agreement, fine, at, ALL_HOSTS, but=f"  Not among them, since known too roughly: {names}."), rough]


def _rough(case: Case, offset: Interval) -> bool:
    """Whether a clock is known so roughly that it would leave any comparison undecided, even with its equal."""
    limits = case.limits["clock_skew"]
    bound = limits.caution if limits.caution is not None else limits.fail
    return bound is not None and offset.uncertainty * 2 > bound


def _skew(
    case: Case, agreement: Agreement, offsets: dict[str, Interval], at: str, subject: str, *, but: str = ""
) -> Finding:
    limits, ordered = case.limits["clock_skew"], sorted(offsets, key=lambda name: offsets[name].value)
    outlier, why = _outlier(agreement, offsets, ordered)
    finding = case.measured_finding(
        SITE, "clock.skew", subject, widest_difference(list(offsets.values())), limits, planned="hosts whose clocks agree",
        quantity="the largest difference", symptom="outlier", at=at,
        fix=(f"Mend the clock of {outlier}: {why}", *mends.see_what_it_follows(outlier)))
    message = (f"The largest difference between the clocks of two hosts is {finding.found}, between {ordered[0]} (slowest) and "
               f"{ordered[-1]} (fastest); {limits.show()}.")
    if finding.grade is Grade.UNPROVEN:
        vaguest = max(offsets, key=lambda name: offsets[name].uncertainty)
        message += (f"  The error bar reaches across a limit; the widest is that of {vaguest}, "
                    f"± {show_seconds(offsets[vaguest].uncertainty)}.")
    elif finding.grade is not Grade.PASS:
        message += f"  The outlier is {outlier}: {why}."
    return msgspec.structs.replace(finding, message=message + _common(case, agreement, list(offsets.values())) + but)


def _outlier(agreement: Agreement, offsets: dict[str, Interval], ordered: list[str]) -> tuple[str, str]:
    """The host that is farthest out, and from what: the agreed time, or else the median of the hosts."""
    if agreement.agreed is not None:
        middle, whose = agreement.agreed.value, "the agreed time"
    else:
        middle, whose = offsets[ordered[len(ordered) // 2]].value, f"the median of the {len(ordered)} hosts"
    outlier = max((ordered[0], ordered[-1]), key=lambda name: abs(offsets[name].value - middle))
    if agreement.agreed is None and len(ordered) == 2:
        whose = "the other, and which of the two is right is not known"
    return outlier, f"it is {mends.ahead(offsets[outlier].value - middle)} {whose}"


def _common(case: Case, agreement: Agreement, offsets: list[Interval]) -> str:
    """What to suspect where every host is off by the same amount, or nothing."""
    if agreement.agreed is None:
        return ""
    errors = [offset - agreement.agreed for offset in offsets]
    bound = case.limits["clock_offset"].caution
    if bound is None or not all(abs(error).lo > bound for error in errors):
        return ""
    cause = common_cause(errors)
    return f"  {cause}" if cause else ""


def lead_of(seen: HostEvidence) -> Account | None:
    """What is known of a host's one clock, over all its addresses and witnesses; None where that is not even the day.

    Of several NTP answers the least delayed counts.
    """
    readings = [reading for clock in seen.clocks if (reading := read(clock)) is not None]
    best = min(readings, key=lambda reading: reading.best.delay_seconds, default=None)
    told = [by_witness(witness) for witness in seen.witnesses]
    account = weigh([*told, by_ntp(best)] if best is not None else told)
    return None if account.interval is None or account.days_unknown else account
