"""Judges the hosts' clocks: each against the agreed time, each by what it says of itself, and all against each other."""

from __future__ import annotations

import msgspec

from shared.evidence import ClockEvidence, HostEvidence
from shared.findings import SITE, Finding, Grade
from shared.plan import Host
from shared.quantities import Interval, show_seconds
from verify.grading import clock_mends as mends
from verify.grading.case import Case
from verify.grading.clock_reading import Reading, read, unfit, unix_seconds, widest_difference
from verify.grading.clock_words import describe, show, signed_finding, symptom_of, trusted, why_nothing, withheld_time
from verify.grading.life import signs_of_life
from verify.grading.offset_shape import common_cause, likely_cause
from verify.grading.selection import Agreement

#: The subject of what is said about the hosts together.
ALL_HOSTS = "hosts"
_AGREED = "the time that the planned sources agree on"


def grade_host(case: Case, agreement: Agreement, host: Host, evidence: HostEvidence) -> list[Finding]:
    """clock.offset and clock.synchronised of one host, for each of its addresses.

    A host whose role does not serve time gets one clock.offset that is unproven, and no clock.synchronised, since nothing
    of the kind is planned for it.
    """
    port = _ntp_port(case, host)
    if port is None:
        return [_serves_no_time(case, host)]
    findings = []
    for address in host.addresses:
        seen = next((clock for clock in evidence.clocks if clock.address == address), None)
        reading = read(seen)
        if reading is None:
            dead = seen is not None and signs_of_life(evidence, address).dead
            findings += [_offset_unseen(case, host, address, seen, dead=dead),
                         _no_answer(case, host, address, port, seen, dead=dead)]
        else:
            findings += [_offset(case, agreement, host, address, reading),
                         _synchronised(case, agreement, host, address, reading)]
    return findings


def _ntp_port(case: Case, host: Host) -> int | None:
    role = case.plan.role(host.role)
    return role.ntp_port if role else None


def _serves_no_time(case: Case, host: Host) -> Finding:
    return case.finding(
        host.fqdn, "clock.offset", host.addresses[0] if host.addresses else host.fqdn, Grade.UNPROVEN, planned=_AGREED,
        found="the host serves no time", symptom="serves-no-time",
        message=f"The clock of {host.fqdn} could not be read: its role does not serve time over NTP.  A role with ntp = true "
                "and a host that answers, or reading the host's clock over SSH, would prove it.")


def _offset_unseen(case: Case, host: Host, address: str, seen: ClockEvidence | None, *, dead: bool) -> Finding:
    why = why_nothing(seen)
    return case.finding(
        host.fqdn, "clock.offset", address, Grade.UNPROVEN, planned=_AGREED, found=why,
        symptom="silent" if dead else symptom_of(seen),
        message=f"The clock of {host.fqdn} could not be read at {address}, seen from {case.evidence.vantage.name}: {why}.",
        at=seen.at if seen else "")


def _offset(case: Case, agreement: Agreement, host: Host, address: str, reading: Reading) -> Finding:
    """clock.offset: the host's lead over the runner, less the agreed time's lead over the runner.

    The two were measured at different moments, so the runner may have drifted in between, by PHI at most.
    """
    if agreement.agreed is None:
        return case.finding(
            host.fqdn, "clock.offset", address, Grade.UNPROVEN, planned=_AGREED, symptom="no-agreed-time",
            found=f"{show(reading.offset)} {'ahead of' if reading.offset.value > 0 else 'behind'} the runner",
            message=f"The clock of {host.fqdn} is {mends.ahead(reading.offset.value)} the runner's, which proves nothing: "
                    f"{agreement.reason}.", at=reading.best.at)
    error = reading.offset_at(agreement.at) - agreement.agreed
    finding = signed_finding(
        case, host.fqdn, "clock.offset", address, error, case.limits["clock_offset"], planned=_AGREED,
        whose=f"The clock of {host.fqdn}", fix=mends.for_clock(host.fqdn, error.value, trusted(case, agreement)),
        at=reading.best.at)
    message = finding.message
    if finding.grade in (Grade.CAUTION, Grade.FAIL):
        shape = likely_cause(error, true_unix_seconds=unix_seconds(reading.best.at) + agreement.agreed.value)
        message += f"  {shape}" if shape else ""
    if finding.grade is Grade.UNPROVEN:
        own, theirs = reading.offset.uncertainty, agreement.agreed.uncertainty
        message += (f"  The agreed time itself is known to ± {show_seconds(theirs)} only." if theirs > own
                    else f"  The host's answers took a round trip of {show_seconds(reading.best.delay_seconds)}.")
    if not agreement.corroborated:
        message += f"  The agreed time is that of {agreement.truechimers[0]} alone."
    return msgspec.structs.replace(finding, message=message)


def _synchronised(case: Case, agreement: Agreement, host: Host, address: str, reading: Reading) -> Finding:
    """clock.synchronised: what the host's own header says (RFC 5905 section 7.3), and its root distance."""
    planned, found, limits = "answers NTP and is synchronised", describe(reading), case.limits["clock_source_distance"]
    fix = (*mends.see_what_it_follows(host.fqdn), *mends.follow_the_plan(trusted(case, agreement)))
    why = unfit(reading, own_addresses=())
    if why:
        return case.finding(
            host.fqdn, "clock.synchronised", address, Grade.FAIL, planned=planned, found=found, symptom="unsynchronised",
            message=f"{host.fqdn} serves time but its clock is not being kept right: {why}.  A time service that was started "
                    "a moment ago needs some minutes; one that stays so hears no source.", fix=fix, at=reading.best.at)
    distance = reading.root_distance_seconds
    finding = case.measured_finding(
        host.fqdn, "clock.synchronised", address, Interval(distance, distance), limits, planned=planned,
        quantity="root distance", symptom="distant", fix=fix, at=reading.best.at)
    return msgspec.structs.replace(finding, found=found, message=(
        f"{host.fqdn} says that its clock is synchronised ({found}).  Its root distance, the most it may be from true time by "
        f"its own account, is {show_seconds(distance)}; {limits.show()}."))


def _no_answer(case: Case, host: Host, address: str, port: int, seen: ClockEvidence | None, *, dead: bool) -> Finding:
    """A host that should serve time and gave none.

    Failed for what it did; unproven for what never reached it, and where the address gives no sign of life at all.
    """
    planned, why, where = "answers NTP and is synchronised", why_nothing(seen), case.evidence.vantage.name
    if dead:
        return case.finding(
            host.fqdn, "clock.synchronised", address, Grade.UNPROVEN, planned=planned, found=why, symptom="silent",
            message=f"{address} gives {where} no sign of life, so nothing can be said of its time service.",
            at=seen.at if seen else "")
    proven = withheld_time(seen)
    return case.finding(
        host.fqdn, "clock.synchronised", address, Grade.FAIL if proven else Grade.UNPROVEN, planned=planned, found=why,
        message=f"{host.fqdn} should serve time at {address}, UDP port {port}, and gave none, seen from {where}: {why}.",
        fix=mends.serve_time(host.fqdn, port) if proven else (), symptom=symptom_of(seen), at=seen.at if seen else "")


def grade_fleet(case: Case, agreement: Agreement) -> list[Finding]:
    """clock.skew: the largest difference between two hosts that serve time.  The runner's own error cancels out."""
    hosts = {host.fqdn: host for host in case.plan.hosts}
    asked = [seen for seen in case.evidence.hosts if seen.fqdn in hosts and _ntp_port(case, hosts[seen.fqdn]) is not None]
    if len(asked) < 2:
        return []
    readings = {seen.fqdn: reading for seen in asked if (reading := _best_reading(seen)) is not None}
    if len(readings) < 2:
        return [case.finding(
            SITE, "clock.skew", ALL_HOSTS, Grade.UNPROVEN, planned="hosts whose clocks agree", symptom="silent",
            found=f"{len(readings)} of {len(asked)} hosts gave a time",
            message=f"The hosts' clocks could not be compared: {len(readings)} of {len(asked)} gave a time.")]
    at = max((reading.best.at for reading in readings.values()), key=unix_seconds)
    return [_skew(case, agreement, {name: reading.offset_at(at) for name, reading in readings.items()}, at)]


def _skew(case: Case, agreement: Agreement, offsets: dict[str, Interval], at: str) -> Finding:
    limits, ordered = case.limits["clock_skew"], sorted(offsets, key=lambda name: offsets[name].value)
    outlier, why = _outlier(agreement, offsets, ordered)
    finding = case.measured_finding(
        SITE, "clock.skew", ALL_HOSTS, widest_difference(list(offsets.values())), limits, planned="hosts whose clocks agree",
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
    return msgspec.structs.replace(finding, message=message + _common(case, agreement, list(offsets.values())))


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


def _best_reading(seen: HostEvidence) -> Reading | None:
    """The reading with the least delay over the host's addresses: they share one clock."""
    readings = [reading for clock in seen.clocks if (reading := read(clock)) is not None]
    return min(readings, key=lambda reading: reading.best.delay_seconds, default=None)
