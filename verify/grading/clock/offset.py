"""clock.offset: a host's clock against the agreed time, by its NTP answers or by other witnesses of its clock."""

from __future__ import annotations

import msgspec

from shared.evidence import ClockEvidence
from shared.findings import Finding, Grade
from shared.plan import Host
from shared.quantities import Decision, Interval, show_seconds
from verify.grading.case import Case
from verify.grading.clock import mends
from verify.grading.clock.offset_shape import likely_cause
from verify.grading.clock.reading import Reading, unix_seconds
from verify.grading.clock.selection import Agreement
from verify.grading.clock.witnesses import Account, said, span
from verify.grading.clock.words import only_by_itself, show, signed_finding, symptom_of, trusted, why_nothing

_AGREED = "the time that the planned sources agree on"
_SETTLES = "Reading the host's clock over SSH, or an answer over NTP (ntp = true in its role), would settle it."


def unasked(case: Case, host: Host) -> Finding:
    """A host that serves no time and has no other witness of its clock."""
    return case.finding(
        host.fqdn, "clock.offset", _subject(host), Grade.UNPROVEN, planned=_AGREED,
        found="the host serves no time", symptom="serves-no-time",
        message=f"The clock of {host.fqdn} could not be read: its role does not serve time over NTP, and no other witness of "
                f"its clock was asked.  {_SETTLES}")


def unseen(case: Case, host: Host, address: str, seen: ClockEvidence | None, *, dead: bool) -> Finding:
    """A host that should serve time at an address and gave none."""
    why = why_nothing(seen)
    return case.finding(
        host.fqdn, "clock.offset", address, Grade.UNPROVEN, planned=_AGREED, found=why,
        symptom="silent" if dead else symptom_of(seen),
        message=f"The clock of {host.fqdn} could not be read at {address}, seen from {case.evidence.vantage.name}: {why}.",
        at=seen.at if seen else "")


def by_reading(case: Case, agreement: Agreement, host: Host, address: str, reading: Reading) -> Finding:
    """The host's lead over the runner by NTP, less the agreed time's lead over the runner.

    The two were measured at different moments, so the runner may have drifted in between, by PHI at most.
    """
    if agreement.agreed is None:
        return _nothing_to_compare(case, agreement, host, address, reading.offset, reading.best.at)
    if itself := only_by_itself(case, agreement, host.addresses):
        return _by_itself(case, host, address, itself, reading.best.at)
    error = reading.offset_at(agreement.at) - agreement.agreed
    finding = _graded(case, agreement, host, address, error, reading.best.at)
    message = finding.message
    if finding.grade is Grade.UNPROVEN:
        own, theirs = reading.offset.uncertainty, agreement.agreed.uncertainty
        message += (f"  The agreed time itself is known to ± {show_seconds(theirs)} only." if theirs > own
                    else f"  The host's answers took a round trip of {show_seconds(reading.best.delay_seconds)}.")
    return msgspec.structs.replace(finding, message=message + _alone(agreement))


def by_witnesses(case: Case, agreement: Agreement, host: Host, subject: str, account: Account, *, dead: bool) -> Finding:
    """The host's lead over the runner by everything that shows its clock, less the agreed time's lead over the runner."""
    if account.contradicted:
        return _contradicted(case, agreement, host, subject, account)
    if account.interval is None:
        return _unheard(case, host, subject, account, dead=dead)
    if agreement.agreed is None:
        return _nothing_to_compare(case, agreement, host, subject, account.interval, account.at)
    if itself := only_by_itself(case, agreement, host.addresses):
        return _by_itself(case, host, subject, itself, account.at)
    error = account.lead_at(agreement.at) - agreement.agreed
    if account.days_unknown:
        return _but_for_the_day(case, agreement, host, subject, account, error)
    finding = _graded(case, agreement, host, subject, error, account.at)
    message = f"{finding.message}  Read from {account.names}."
    if len(account.heard) > 1 and finding.grade is Grade.UNPROVEN:
        message += f"  By each: {said(account.heard, than=agreement.agreed, whom='the agreed time')}."
    if finding.grade is Grade.UNPROVEN:
        message += f"{_coarse(account)}  {_settles(account)}"
    return msgspec.structs.replace(finding, message=message + _left_out(account) + _alone(agreement))


def _subject(host: Host) -> str:
    return host.addresses[0] if host.addresses else host.fqdn


def _graded(case: Case, agreement: Agreement, host: Host, subject: str, error: Interval, at: str) -> Finding:
    """The finding on an error, with what its size suggests."""
    assert agreement.agreed is not None
    finding = signed_finding(
        case, host.fqdn, "clock.offset", subject, error, case.limits["clock_offset"], planned=_AGREED,
        whose=f"The clock of {host.fqdn}", at=at)
    if finding.grade not in (Grade.CAUTION, Grade.FAIL):
        return finding
    shape = likely_cause(error, true_unix_seconds=unix_seconds(at) + agreement.agreed.value)
    return msgspec.structs.replace(
        finding, message=f"{finding.message}  {shape}" if shape else finding.message,
        fix=mends.for_clock(host.fqdn, error.value, trusted(case, agreement, but=host.addresses)))


def _nothing_to_compare(
    case: Case, agreement: Agreement, host: Host, subject: str, lead: Interval, at: str
) -> Finding:
    return case.finding(
        host.fqdn, "clock.offset", subject, Grade.UNPROVEN, planned=_AGREED, symptom="no-agreed-time",
        found=f"{show(lead)} {'ahead of' if lead.value > 0 else 'behind'} the runner",
        message=f"The clock of {host.fqdn} is {mends.ahead(lead.value)} the runner's, which proves nothing: "
                f"{agreement.reason}.", at=at)


def _by_itself(case: Case, host: Host, subject: str, itself: str, at: str) -> Finding:
    """A time source that is being built: nobody else says what time it is."""
    return case.finding(
        host.fqdn, "clock.offset", subject, Grade.UNPROVEN, planned=_AGREED, found="nothing but its own time", symptom="own-time",
        message=f"The clock of {host.fqdn} could not be judged: the only time to hold it against is that of {itself}, which is "
                "this host itself.  A planned source that is another machine, and answers, would settle it.", at=at)


def _unheard(case: Case, host: Host, subject: str, account: Account, *, dead: bool) -> Finding:
    """Nobody told: each witness with its reason."""
    in_vain = all(testimony.asked_in_vain for testimony in account.unheard)
    return case.finding(
        host.fqdn, "clock.offset", subject, Grade.UNPROVEN, planned=_AGREED,
        found="no witness of its clock", symptom="unbelievable" if not in_vain else "silent" if dead else "serves-no-time",
        message=f"The clock of {host.fqdn} could not be read from {case.evidence.vantage.name}.  {_capital(account.reason)}.  "
                f"{_SETTLES}")


def _contradicted(case: Case, agreement: Agreement, host: Host, subject: str, account: Account) -> Finding:
    whom = "the runner's clock" if agreement.agreed is None else "the agreed time"
    words = said(account.heard, than=agreement.agreed, whom=whom)
    return case.finding(
        host.fqdn, "clock.offset", subject, Grade.UNPROVEN, planned=_AGREED, found="witnesses that contradict each other",
        symptom="contradiction", at=account.at,
        message=f"The clock of {host.fqdn} could not be judged: the witnesses of it exclude each other.  {_capital(words)}.  "
                "Somebody else than the host answers one of them (a device in front of it, or a second machine at the same "
                "address), or its clock was set while they were asked.  On its console, date -u says which of them is right.")


def _but_for_the_day(
    case: Case, agreement: Agreement, host: Host, subject: str, account: Account, error: Interval
) -> Finding:
    """Only the time of day is known.  What fails on the nearest day fails on every other; nothing else is proven."""
    nearest = _DAY_SECONDS * round(error.value / _DAY_SECONDS)
    error = Interval(error.lo - nearest, error.hi - nearest)
    limits = case.limits["clock_offset"]
    if limits.decide(abs(error)) is Decision.FAIL:
        finding = _graded(case, agreement, host, subject, error, account.at)
        return msgspec.structs.replace(
            finding, measured=None, found=f"{finding.found}, or whole days more or less",
            message=f"{finding.message}  Read from {account.names}, which tell the time of day only: the date may be wrong "
                    f"too.{_left_out(account)}{_alone(agreement)}")
    return case.finding(
        host.fqdn, "clock.offset", subject, Grade.UNPROVEN, planned=_AGREED, symptom="day-unknown", at=account.at,
        found="the time of day only", limits=limits,
        message=f"The time of day on {host.fqdn} is {span(error)} the agreed time, by {account.names}; whether its date is "
                f"right too, these cannot say.  {_SETTLES}{_left_out(account)}{_alone(agreement)}")


_DAY_SECONDS = 86400


def _settles(account: Account) -> str:
    """What would tell more than has been told: nobody is sent for a witness that was heard."""
    if any(heard.name == "NTP" for heard in account.heard):
        return "A runner with a shorter or less busy way to the host would settle it."
    if any(silent.name == "NTP" for silent in account.unheard):
        return "An answer of its time service over NTP would settle it."
    return _SETTLES


def _coarse(account: Account) -> str:
    """Why what is known is not known better."""
    if account.names.startswith("the Date") and all(heard.name.startswith("the Date") for heard in account.heard):
        return ("  A Date has whole seconds and may be a second old when it is sent, so it cannot show a clock more finely than "
                "about a second.")
    return ""


def _left_out(account: Account) -> str:
    """Who was asked and does not count, and why."""
    if not account.unheard:
        return ""
    return "  Not counted: " + "; ".join(f"{testimony.name}, {testimony.why}" for testimony in account.unheard) + "."


def _alone(agreement: Agreement) -> str:
    return "" if agreement.corroborated else f"  The agreed time is that of {agreement.truechimers[0]} alone."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
