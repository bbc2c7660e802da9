"""Tells a host's own silence from one that several watched hosts shared, as behind a router that was down meanwhile."""

from __future__ import annotations

import datetime

from shared.boots import BootEvidence, Outage, Reading
from shared.plan import Host
from shared.times import read_time
from verify.grading.case import Case

_EVER = datetime.datetime.min.replace(tzinfo=datetime.UTC)


def shared_with(case: Case, host: Host, seen: BootEvidence, outage: Outage) -> tuple[str, ...]:
    """The short names of the hosts whose silence one event explains together with this one's; none where that is ruled out.

    It is by a service that answers in other rounds and refused when the host was back, for it was being started; and by a host
    of the same network that answered all the while, for the way there was open.
    """
    if _was_starting(seen, outage):
        return ()
    networks = {other.fqdn: other.network for other in case.plan.hosts}
    names = {other.fqdn: other.name for other in case.plan.hosts}
    together = []
    for other in case.evidence.hosts:
        if other.boot is None or other.fqdn == host.fqdn:
            continue
        if any(_one_event(outage, one, seen.round_seconds) for one in other.boot.outages):
            together.append(names.get(other.fqdn, other.fqdn))
        elif networks.get(other.fqdn) == host.network and _answered_throughout(other.boot, outage):
            return ()
    return tuple(together)


def _was_starting(seen: BootEvidence, outage: Outage) -> bool:
    ever_up = {moment.sign for moment in seen.moments if moment.reading is Reading.UP}
    return any(moment.reading is Reading.CLOSED and moment.at >= outage.back and moment.sign in ever_up
               and moment.sign.name.endswith("/tcp") for moment in seen.moments)


def _one_event(mine: Outage, other: Outage, round_seconds: float) -> bool:
    """Whether both can have begun in one moment and ended in one, give or take a round: no two hosts are asked at once."""
    if not (mine.back and other.back):
        return False
    slack = datetime.timedelta(seconds=round_seconds)
    return all(max(_time(mine_after), _time(other_after)) <= min(_time(mine_by), _time(other_by)) + slack
               for mine_after, other_after, mine_by, other_by in (
                   (mine.answered, other.answered, mine.silent, other.silent),
                   (mine.still or mine.silent, other.still or other.silent, mine.back, other.back)))


def _answered_throughout(other: BootEvidence, outage: Outage) -> bool:
    begin, end = outage.silent, outage.still or outage.silent
    if other.answered_rounds == 0 or not other.began <= begin <= end <= other.ended:
        return False
    apart = all(one.silent > end or (one.back and one.back < begin) for one in other.outages)
    return apart and (other.unwatched is None or other.unwatched[0] > end or other.unwatched[1] < begin)


def _time(text: str) -> datetime.datetime:
    return read_time(text) or _EVER
