"""What a watched silence does not prove: no boot where others shared it, and no failure where the watch ended too soon."""

from __future__ import annotations

import functools
import math

from shared.boots import BootEvidence, Outage, Reading
from shared.plan import Host
from shared.quantities import Decision, Interval
from shared.times import read_time
from verify.grading.case import Case


def shared_with(case: Case, host: Host, seen: BootEvidence, outage: Outage) -> tuple[str, ...]:
    """The short names of the hosts whose silence one event explains together with this one's; none where that is ruled out.

    It is where the way there was open all the while.
    """
    if _was_starting(seen, outage):
        return ()
    together = [other.fqdn for other in case.evidence.hosts if other.boot is not None and other.fqdn != host.fqdn
                and any(_one_event(outage, one, seen.round_seconds) for one in other.boot.outages)]
    if not together or way_was_open(case, host, seen, outage):
        return ()
    names = {other.fqdn: other.name for other in case.plan.hosts}
    return tuple(names.get(fqdn, fqdn) for fqdn in together)


def way_was_open(case: Case, host: Host, seen: BootEvidence, outage: Outage) -> bool:
    """Whether it was the host that was silent, and no router or wire on the way to it.

    Shown by a service that answers in other rounds and refused when the host was back, for it was being started; and by another
    host of the same network that answered all the while.
    """
    if _was_starting(seen, outage):
        return True
    beside = {other.fqdn for other in case.plan.hosts if other.network == host.network and other.fqdn != host.fqdn}
    return any(other.boot is not None and other.fqdn in beside and _answered_throughout(other.boot, outage)
               and not any(_one_event(outage, one, seen.round_seconds) for one in other.boot.outages)
               for other in case.evidence.hosts)


def _was_starting(seen: BootEvidence, outage: Outage) -> bool:
    ever_up = {moment.sign for moment in seen.moments if moment.reading is Reading.UP}
    return any(moment.reading is Reading.CLOSED and moment.at >= outage.back and moment.sign in ever_up
               and moment.sign.name.endswith("/tcp") for moment in seen.moments)


def _one_event(mine: Outage, other: Outage, round_seconds: float) -> bool:
    """Whether both can have begun in one moment and ended in one, give or take a round: no two hosts are asked at once."""
    if not (mine.back and other.back):
        return False
    began_after = max(_time(mine.answered), _time(other.answered))
    if began_after > min(_time(mine.silent), _time(other.silent)) + round_seconds:
        return False
    ended_after = max(_time(mine.still or mine.silent), _time(other.still or other.silent))
    return ended_after <= min(_time(mine.back), _time(other.back)) + round_seconds


def _answered_throughout(other: BootEvidence, outage: Outage) -> bool:
    begin, end = outage.silent, outage.still or outage.silent
    if other.answered_rounds == 0 or not other.began <= begin <= end <= other.ended:
        return False
    apart = all(one.silent > end or (one.back and one.back < begin) for one in other.outages)
    return apart and (other.unwatched is None or other.unwatched[0] > end or other.unwatched[1] < begin)


def too_short(seen: BootEvidence) -> str:
    """Since when all planned ports answered, where each came back once and stayed until the watch ended; empty otherwise."""
    back = seen.outages[-1].back if seen.outages else seen.began
    if not back or len(seen.outages) > 1 or seen.left_out:
        return ""
    ups = []
    for sign in [sign for sign in seen.signs if sign.name.endswith("/tcp")] or seen.signs:
        moments = [moment for moment in seen.moments if moment.sign == sign and moment.at >= back]
        if not moments or moments[-1].reading is not Reading.UP or sum(one.reading is Reading.UP for one in moments) > 1:
            return ""
        ups.append(moments[-1].at)
    since = max(ups, default="")
    return since if span(seen.ended, since) < settling_seconds(seen) + seen.round_seconds else ""


def settling_seconds(seen: BootEvidence) -> float:
    """How long a host must have answered to be settled: as long as was asked, and over as many rounds."""
    return max(seen.steady_seconds, (seen.steady_rounds - 1) * seen.round_seconds)


def cut_short(case: Case, seen: BootEvidence, begun: str) -> bool:
    """Whether the watch was interrupted before what was waited for since ``begun`` is late by the limit for services."""
    waited = Interval(span(seen.ended, begun), math.inf)
    return seen.why == "interrupted" and case.limits["boot_service_delay"].decide(waited) is Decision.UNDECIDED


def span(later: str, earlier: str) -> float:
    """The seconds between two stamps of the runner's clock; zero where either cannot be read or the clock went back."""
    end, begin = read_time(later), read_time(earlier)
    return max(0.0, (end - begin).total_seconds()) if end and begin else 0.0


# Each silence is held against that of every other host.
@functools.lru_cache(maxsize=1 << 14)
def _time(text: str) -> float:
    """Unix seconds; before all others where nothing was seen."""
    at = read_time(text)
    return at.timestamp() if at else -math.inf
