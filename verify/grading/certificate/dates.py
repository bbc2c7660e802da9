"""``certificate.dates``: valid now by the agreed time, and for long enough.  The runner's own clock decides nothing."""

from __future__ import annotations

import msgspec

from shared.evidence import CertificateFacts
from shared.findings import Finding, Grade, Measured
from shared.quantities import Decision, Interval, Limits, show_seconds
from verify.grading.certificate.sight import Remark, Sight, request_lines, title, unix, worth_saying

#: RFC 5280 section 4.1.2.5: the notAfter of a certificate without a well-defined expiry.
NO_EXPIRY = "9999-12-31T23:59:59Z"
#: A caution at the last third and a fail at the last tenth of a certificate's life: common practice, no source.  RFC 8739
#: section 3.3 renews short-lived ones at half of it, so a third left means that a renewal was missed.
LAST_THIRD, LAST_TENTH = 1 / 3, 1 / 10
#: A certificate that is valid within this time points at a clock before anything else (ours; the 5 minutes of RFC 4120).
_CLOCK_FIRST_SECONDS = 300.0


def grade(sight: Sight) -> Finding:
    """Judge the dates of every certificate the server answers for; the one that ends first is the measure."""
    planned = "valid now by the agreed time, and for long enough"
    links = [link for link in sight.links if not link.parse_error]
    if not links:
        remark = Remark(Grade.UNPROVEN, "The certificate cannot be read, so its dates are not known.", "unreadable")
        return sight.finding("certificate.dates", [remark], planned=planned, found="a certificate that cannot be read")
    found = f"{links[0].not_before} to {links[0].not_after}"
    when = sight.when
    if when is None:
        remark = Remark(Grade.UNPROVEN, f"The certificate says {found}, and no time is agreed on to judge that by: the runner's "
                                        "own clock is not taken for the truth.", "no-agreed-time")
        return sight.finding("certificate.dates", [remark], planned=planned, found=found)
    usual = sight.case.limits["certificate_life_left"]
    first = min(links, key=lambda link: link.not_after)
    limits, left = scaled(usual, _lifetime(first)), _left(first, when)
    remarks = [_remark(sight, link, when, scaled(usual, _lifetime(link))) for link in links]
    endless = first.not_after == NO_EXPIRY
    if first is not sight.leaf:
        found += f"; the intermediate {title(first)} to {first.not_after}"
    return sight.finding(
        "certificate.dates", worth_saying(remarks), planned=f"{planned} ({limits.show()})", found=found,
        measured=None if endless else Measured(left.value, left.uncertainty, "s"), limits=None if endless else limits)


def scaled(usual: Limits, lifetime_seconds: float) -> Limits:
    """The limits on the life left, bounded by a third and a tenth of a short-lived certificate's own lifetime."""
    caution = None if usual.caution is None else min(usual.caution, lifetime_seconds * LAST_THIRD)
    fail = None if usual.fail is None else min(usual.fail, lifetime_seconds * LAST_TENTH)
    if (caution, fail) == (usual.caution, usual.fail):
        return usual
    origin = f"{usual.origin}; here a third and a tenth of the certificate's own {show_seconds(lifetime_seconds)}"
    return msgspec.structs.replace(usual, caution=caution, fail=fail, origin=origin)


def _lifetime(facts: CertificateFacts) -> float:
    return max(0.0, unix(facts.not_after) - unix(facts.not_before))


def _left(facts: CertificateFacts, when: Interval) -> Interval:
    end = unix(facts.not_after)
    return Interval(end - when.hi, end - when.lo)


def _remark(sight: Sight, facts: CertificateFacts, when: Interval, limits: Limits) -> Remark:
    """Both ends of a validity belong to it (RFC 5280 section 4.1.2.5)."""
    whose = "The certificate" if facts is sight.leaf else f"The intermediate {title(facts)}"
    begin, left = unix(facts.not_before), _left(facts, when)
    if when.hi < begin:
        return Remark(Grade.FAIL, f"{whose} is not valid before {facts.not_before}, which is {show_seconds(begin - when.value)} "
                                  f"away by the agreed time{_clock_first(begin - when.value)}.", "not-yet-valid",
                      ("# a certificate from the future was made by a clock that was ahead: set that clock right, then",
                       *_renewal(sight, facts)))
    if left.hi < 0:
        return Remark(Grade.FAIL, f"{whose} expired at {facts.not_after}, {show_seconds(-left.value)} ago by the agreed time.",
                      "expired", _renewal(sight, facts))
    if when.lo < begin:
        return Remark(Grade.UNPROVEN, f"{whose} becomes valid at {facts.not_before}, and the agreed time, known to "
                                      f"± {show_seconds(when.uncertainty)}, does not tell whether that has come.", "edge")
    if left.lo < 0:
        return Remark(Grade.FAIL, f"{whose} expires at {facts.not_after}, which is now to within "
                                  f"{show_seconds(when.uncertainty)}.", "expires-soon", _renewal(sight, facts))
    if facts.not_after == NO_EXPIRY:
        return Remark(Grade.PASS, f"{whose} is valid since {facts.not_before} and has no defined expiry "
                                  "(RFC 5280 section 4.1.2.5).")
    return _by_limits(sight, whose, facts, left, limits)


def _by_limits(sight: Sight, whose: str, facts: CertificateFacts, left: Interval, limits: Limits) -> Remark:
    text = f"{whose} is valid for another {show_seconds(left.value)}, until {facts.not_after}; {limits.show()}"
    decision = limits.decide(left)
    if decision is Decision.PASS:
        return Remark(Grade.PASS, f"{text}.")
    if decision is Decision.UNDECIDED:
        return Remark(Grade.UNPROVEN, f"{text}: a limit lies within the uncertainty of {show_seconds(left.uncertainty)}.", "edge")
    return Remark(Grade.FAIL if decision is Decision.FAIL else Grade.CAUTION, f"{text}.", "expires-soon", _renewal(sight, facts))


def _clock_first(seconds: float) -> str:
    return ("; so small a step points at the clock of the machine that made it" if seconds <= _CLOCK_FIRST_SECONDS else "")


def _renewal(sight: Sight, facts: CertificateFacts) -> tuple[str, ...]:
    if facts is sight.leaf:
        return ("# renew the certificate, install it, and reload the server:", *request_lines(sight.door.host))
    return (f"# get the current certificate of {title(facts)} from whoever runs it,",
            "# and put it in the place of the old one in the certificate file that the server sends")
