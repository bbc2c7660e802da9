"""The geometry of the after-reboot timeline: when each host fell silent, came back, was ready and settled."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Sequence

import msgspec

from reports.figures import Tick
from reports.fleetview import short_name
from reports.marks import many
from shared.boots import BootEvidence
from shared.quantities import show_seconds
from shared.run import HostReport
from shared.times import read_time

#: The most hosts drawn, those that did not come back or settle first and then those that took longest; the rest are counted.
_MOST_ROWS = 24
#: What the axis may count in.
_AXIS_UNITS = ((86400.0, "d"), (3600.0, "h"), (60.0, "min"), (1.0, "s"))
#: Labels of the axis, in seconds since the beginning; the first that gives at most six ticks is used.
_STEPS = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0, 21600.0, 86400.0)


class Stretch(msgspec.Struct, frozen=True):
    """A piece of a host's line: "answering", "silent" (known to be), "unseen" (between two looks), "back" or "ready"."""

    kind: str
    begins: float
    ends: float


class Reboot(msgspec.Struct, frozen=True, kw_only=True):
    """One host's line, with the same in words."""

    label: str
    stretches: tuple[Stretch, ...]
    settled: float | None
    text: str


class Timeline(msgspec.Struct, frozen=True, kw_only=True):
    """All hosts on one axis of time, in seconds since the watch began.  ``left_out`` says how it went with those not drawn."""

    ticks: tuple[Tick, ...]
    began: str
    rows: tuple[Reboot, ...]
    left_out: str


def timeline(hosts: Sequence[HostReport], domain: str) -> Timeline | None:
    """The reboots that were watched; None where none was."""
    watched = [(short_name(host.name, domain), boot) for host in hosts
               if (boot := host.evidence.boot) is not None and read_time(boot.began) and read_time(boot.ended)]
    if not watched:
        return None
    first = min(_time(boot.began) for _, boot in watched)
    length = max((_time(boot.ended) - first).total_seconds() for _, boot in watched) or 1.0
    watched.sort(key=lambda pair: (_ENDS.index(_end(pair[1])), -_lasted(pair[1])))
    return Timeline(ticks=_ticks(length), began=first.strftime("%Y-%m-%d %H:%M:%S UTC"),
                    rows=tuple(_reboot(label, boot, first, length) for label, boot in watched[:_MOST_ROWS]),
                    left_out=_counted([boot for _, boot in watched[_MOST_ROWS:]]))


#: How a watch ends, the worst first, in the words for those that are not drawn.
_ENDS = ("did not come back", "did not settle", "settled sooner than these")


def _end(boot: BootEvidence) -> str:
    if boot.outages and not read_time(boot.outages[-1].back):
        return _ENDS[0]
    return _ENDS[2] if read_time(boot.settled) else _ENDS[1]


def _counted(boots: Sequence[BootEvidence]) -> str:
    """How many more ended how: "3 more hosts did not settle, 170 more settled sooner than these"; empty for none."""
    counts = Counter(map(_end, boots))
    told = [(counts[end], end) for end in _ENDS if counts[end]]
    return ", ".join(f"{many(count, 'more host') if place == 0 else f'{count:,} more'} {end}"
                     for place, (count, end) in enumerate(told))


def _time(text: str) -> datetime.datetime:
    moment = read_time(text)
    if moment is None:
        raise ValueError(f"not a time: {text!r}")
    return moment


def _lasted(boot: BootEvidence) -> float:
    return (_time(boot.settled if read_time(boot.settled) else boot.ended) - _time(boot.began)).total_seconds()


def _ticks(length: float) -> tuple[Tick, ...]:
    step = next((step for step in _STEPS if length / step <= 6), length / 6)
    count = int(length / step)
    # One unit for the whole axis, the largest of which each step has a whole number.
    scale, unit = next(((scale, unit) for scale, unit in _AXIS_UNITS if step % scale == 0), (86400.0, "d"))
    return tuple(Tick(round(100 * number * step / length, 1), f"{number * step / scale:.3g} {unit}" if number else "0",
                      number % 2 == 1) for number in range(count + 1))


def _reboot(label: str, boot: BootEvidence, first: datetime.datetime, length: float) -> Reboot:
    def at(text: str, otherwise: float) -> float:
        moment = read_time(text)
        return otherwise if moment is None else round(min(100.0, max(0.0, 100 * (moment - first).total_seconds() / length)), 1)

    begun, ended = at(boot.began, 0.0), at(boot.ended, 100.0)
    stretches: list[Stretch] = []
    here = begun
    for outage in boot.outages:
        answered, silent = at(outage.answered, here), at(outage.silent, here)
        still = at(outage.still, silent)
        back = at(outage.back, ended)
        stretches += [Stretch("back" if stretches else "answering", here, answered), Stretch("unseen", answered, silent)]
        if outage.back:
            stretches += [Stretch("silent", silent, still), Stretch("unseen", still, back)]
        else:
            stretches.append(Stretch("silent", silent, back))
        here = back
    ready = at(boot.ready, ended)
    stretches += [Stretch("back" if boot.outages else "answering", here, ready), Stretch("ready", ready, ended)]
    if boot.unwatched is not None:
        stretches = _with_hole(stretches, at(boot.unwatched[0], begun), at(boot.unwatched[1], ended))
    return Reboot(label=label, stretches=tuple(stretch for stretch in stretches if stretch.ends > stretch.begins),
                  settled=at(boot.settled, 0.0) if read_time(boot.settled) else None, text=_words(boot, first))


def _with_hole(stretches: Sequence[Stretch], begins: float, ends: float) -> list[Stretch]:
    """The stretches with a time in which nobody looked taken out of them: what was answering before and after is unseen then."""
    left = [Stretch(one.kind, one.begins, min(one.ends, begins)) for one in stretches if one.begins < begins]
    right = [Stretch(one.kind, max(one.begins, ends), one.ends) for one in stretches if one.ends > ends]
    return [*left, Stretch("unseen", begins, ends), *right]


def _words(boot: BootEvidence, first: datetime.datetime) -> str:
    """The same in words: when it fell silent, how long it was away, when it was ready and settled, on the axis of all hosts."""
    def after(text: str) -> str:
        return show_seconds((_time(text) - first).total_seconds())

    said = []
    for outage in boot.outages:
        if not read_time(outage.silent):
            continue
        silent = f"silent after {after(outage.silent)}" if read_time(outage.answered) else "silent from the beginning"
        if read_time(outage.back):
            away = show_seconds((_time(outage.back) - _time(outage.silent)).total_seconds())
            said.append(f"{silent}, back after {after(outage.back)} ({away} away)")
        else:
            said.append(f"{silent}, and not back")
    if not said:
        said.append("never seen silent")
    if boot.unwatched is not None and all(map(read_time, boot.unwatched)):
        last, following = boot.unwatched
        said.append(f"nobody looked for {show_seconds((_time(following) - _time(last)).total_seconds())} after {after(last)}")
    if read_time(boot.ready):
        said.append(f"ready after {after(boot.ready)}")
    said.append(f"settled after {after(boot.settled)}" if read_time(boot.settled) else f"not settled ({boot.why})")
    return "; ".join(said)
