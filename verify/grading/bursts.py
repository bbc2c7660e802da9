"""Grades an echo burst that was answered: its loss and its round trip, two findings that never hide each other.

Both describe this burst and nothing beyond it.  A count of lost echoes is exact.  So is the median of the round trips,
but for the microseconds between our send stamp and the wire, a thousandth of any limit: its interval has no width.  It is
not an estimate of the path, and a single slow echo moves the extremes that are told beside it, but not the grade.
"""

from __future__ import annotations

import math
import statistics

import msgspec

from shared.evidence import EchoEvidence
from shared.findings import Finding, Grade
from shared.quantities import Interval, show_seconds
from verify.grading.case import Case

_LOSS_FIX = (
    "where other hosts lose echoes too, begin with what they share: the link of {where} and the routers on the way",
    "read the error counters at both ends of each link on the way: ip -s link show dev INTERFACE",
    "compare speed and duplex at both ends: ethtool INTERFACE",
    "where about every second echo is lost, look for a second owner of {address}: arping -D -I INTERFACE -c 3 {address}",
)
_SLOW_FIX = (
    "find the slow hop: traceroute -n {address}",
    "where the runner is far away on purpose, set echo_round_trip in the plan's [limits]",
)


#: How likely it may be that a path which loses so many echoes lost nothing else by good luck.  Ours.
_GOOD_LUCK = 0.05


def grade_burst(case: Case, owner: str, check: str, echo: EchoEvidence, *, unlost: int = 0) -> list[Finding]:
    """The two findings about one burst of which at least one echo came back; the first bears the address as its subject.

    ``owner`` is a host's fully qualified name or ``findings.SITE``; ``check`` is ``host.echo`` or ``gateway.echo``.  ``unlost``
    is how many questions of other kinds the address answered, where none was lost: a path that loses echoes alone limits them.
    Of a limited burst that lost every counted echo there is no round trip to tell.
    """
    sent = len(echo.round_trips_seconds)
    lost = echo.round_trips_seconds.count(None)
    limited = limits_echoes(lost, sent, unlost)
    loss = _loss(case, owner, check, echo)
    if not limited:
        return [loss, _round_trip(case, owner, check, echo, limited=False)]
    told = _limited(loss, echo, unlost)
    return [told, _round_trip(case, owner, check, echo, limited=True)] if lost < sent else [told]


def limits_echoes(lost: int, sent: int, unlost: int) -> bool:
    """Whether so many lost echoes are no loss of the path, for it lost none of ``unlost`` other questions."""
    return bool(sent) and (1 - lost / sent) ** unlost < _GOOD_LUCK


def _limited(loss: Finding, echo: EchoEvidence, unlost: int) -> Finding:
    """Not a fail, for what hosts are for is not lost; and not passed over, for the path cannot be watched by echoes."""
    return msgspec.structs.replace(
        loss, grade=Grade.CAUTION if loss.grade is Grade.FAIL else loss.grade,
        message=f"{loss.message}. But none of {unlost} questions over TCP and NTP was lost meanwhile: as it seems the path is "
                "sound, and the host, or a filter on the way, limits echoes.",
        fix=(f"on the host: nft list ruleset | grep -n limit    # a rule that limits echoes to {echo.address}?",
             "not there? then on the filters between", "where it is meant so, accept it in the plan's [[waivers]]"))


def median_round_trip(trips: tuple[float | None, ...]) -> float | None:
    """The median of a burst in seconds, a lost echo counting as infinitely late (RFC 2681 sections 4.1 and 4.2).

    None where that leaves it undefined: half the burst or more was lost, or there was none.
    """
    if not trips:
        return None
    median = statistics.median(math.inf if trip is None else trip for trip in trips)
    return median if math.isfinite(median) else None


def _loss(case: Case, owner: str, check: str, echo: EchoEvidence) -> Finding:
    sent = len(echo.round_trips_seconds)
    lost = echo.round_trips_seconds.count(None)
    ratio, where = lost / sent if sent else 0.0, case.evidence.vantage.name
    finding = case.measured_finding(
        owner, check, echo.address, Interval(ratio, ratio), case.limits["echo_loss"],
        planned=f"{echo.address} answers echo",
        quantity=f"The loss of echoes to {echo.address} ({lost} of {sent}, sent from {where})",
        fix=tuple(line.format(address=echo.address, where=where) for line in _LOSS_FIX) if lost else (),
        symptom="loss" if lost else "", at=echo.at)
    return msgspec.structs.replace(finding, found=f"{sent - lost} of {sent} echoes answered")


def _round_trip(case: Case, owner: str, check: str, echo: EchoEvidence, *, limited: bool) -> Finding:
    """Where echoes are ``limited`` those that were lost are not late, and count for nothing."""
    subject, planned = f"{echo.address} round trip", f"a prompt answer from {echo.address}"
    came = tuple(trip for trip in echo.round_trips_seconds if trip is not None)
    median, sent = median_round_trip(came if limited else echo.round_trips_seconds), len(echo.round_trips_seconds)
    if median is None:
        return case.finding(
            owner, check, subject, Grade.UNPROVEN, planned=planned, found="no median",
            message=f"Half or more of the {sent} echoes to {echo.address} were lost: their median round trip is undefined.",
            symptom="loss", at=echo.at)
    spread = f"{show_seconds(min(came))} to {show_seconds(max(came))}"
    finding = case.measured_finding(
        owner, check, subject, Interval(median, median), case.limits["echo_round_trip"], planned=planned,
        quantity=f"The median round trip of the echoes to {echo.address} "
                 f"({len(came)} replies, {spread}, sent from {case.evidence.vantage.name})",
        fix=tuple(line.format(address=echo.address) for line in _SLOW_FIX), at=echo.at)
    slow = finding.grade in (Grade.CAUTION, Grade.FAIL)
    return msgspec.structs.replace(finding, found=f"{finding.found} ({spread})", symptom="slow" if slow else "")
