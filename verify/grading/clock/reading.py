"""What a burst of NTP exchanges says of one clock: its offset, how far to trust it, and whether it is fit to be followed."""

from __future__ import annotations

import datetime
import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from shared.evidence import ClockEvidence, ClockSample
from shared.quantities import Interval

#: RFC 5905 section 7.2 Figure 6: the frequency tolerance of any clock, as seconds of error a second.
PHI = 15e-6
#: RFC 5905 section 7.2 Figure 6, MINDISP, in seconds.  Appendix A.1.1 prints twice that; the body of the text counts.
MINIMUM_DISPERSION = 0.005
#: RFC 5905 section 7.2 Figure 6, MAXDISP, in seconds: the header of a server farther from true time is invalid.
MAXIMUM_DISPERSION = 16.0
#: RFC 5905 section 7.2 Figure 6: this stratum and all above mean unsynchronised.
MAXIMUM_STRATUM = 16
#: RFC 5905 section 7.3 Figure 9: the leap indicator that means unsynchronised.
LEAP_UNKNOWN = 3


@dataclass(frozen=True, slots=True)
class Reading:
    """One clock, as read over a burst.

    ``best`` is the sample with the least delay (RFC 5905 section 10).  ``offset`` is how far the clock is ahead of the
    runner's, bounded by that exchange alone.  ``root_distance_seconds`` bounds how far the clock may be from true time
    if every server on the way up to the root is honest (appendix A.5.5.2), at the moment of the sample.
    """

    best: ClockSample
    offset: Interval
    root_distance_seconds: float
    unsynchronised: str

    @property
    def adrift_seconds(self) -> float:
        """How far the clock may have gone off since it was last set, at the greatest rate of any clock; 0 where not told."""
        return PHI * max(0.0, self.best.reference_age_seconds or 0.0)

    def correctness(self, *, at: str) -> Interval:
        """The offset from the runner plus or minus the root distance, aged to the moment ``at``."""
        return Interval.around(self.best.offset_seconds, self.root_distance_seconds + PHI * seconds_between(self.best.at, at))

    def offset_at(self, at: str) -> Interval:
        """The offset from the runner, widened by what the runner may have drifted until ``at``."""
        drift = PHI * seconds_between(self.best.at, at)
        return Interval(self.offset.lo - drift, self.offset.hi + drift)


def read(evidence: ClockEvidence | None) -> Reading | None:
    """Reduce a burst to one reading, or None where it brought no sample.

    Where a server became synchronised, or stopped being so, in the middle, only the samples that agree with the last one
    count.
    """
    if evidence is None or not evidence.samples:
        return None
    state = unsynchronised(evidence.samples[-1])
    samples = [sample for sample in evidence.samples if bool(unsynchronised(sample)) == bool(state)]
    best = min(samples, key=lambda sample: sample.delay_seconds)
    return Reading(best=best, unsynchronised=state, root_distance_seconds=_root_distance(best, samples),
                   offset=Interval.around(best.offset_seconds, best.delay_seconds / 2 + best.precision_seconds))


def unsynchronised(sample: ClockSample) -> str:
    """Why the server's own header says that it is not synchronised, or nothing (RFC 5905 section 7.3, Figures 9 and 11).

    Stratum 16 travels as 0, so both ends of the range are looked at.
    """
    if sample.leap == LEAP_UNKNOWN:
        return f"its leap indicator is {LEAP_UNKNOWN}, which means that its clock is not synchronised"
    if not 0 < sample.stratum < MAXIMUM_STRATUM:
        return f"its stratum is {sample.stratum}, which means that its clock is not synchronised"
    return ""


def unfit(reading: Reading, *, own_addresses: Sequence[str]) -> str:
    """Why nobody may take the time from this server, or nothing (RFC 5905 appendix A.5.1.1 and A.5.5.3)."""
    best = reading.best
    if reading.unsynchronised:
        return reading.unsynchronised
    if best.root_delay_seconds / 2 + best.root_dispersion_seconds >= MAXIMUM_DISPERSION:
        return f"it says itself that it may be {MAXIMUM_DISPERSION:g} s or more from true time"
    if best.reference_age_seconds is not None and best.reference_age_seconds < 0:
        return "it says that it was last set in its own future"
    # An address of the loopback network is everybody's own, so it names no one.
    if best.stratum > 1 and best.reference_id in own_addresses and not best.reference_id.startswith("127."):
        return "it takes its time from this runner, so it can prove nothing about the runner's clock"
    return ""


def _root_distance(best: ClockSample, samples: Sequence[ClockSample]) -> float:
    """RFC 5905 appendix A.5.5.2, without the term for age."""
    delay = max(MINIMUM_DISPERSION, best.root_delay_seconds + best.delay_seconds)
    return delay / 2 + best.root_dispersion_seconds + _dispersion(samples) + _jitter(best, samples)


def _dispersion(samples: Sequence[ClockSample]) -> float:
    """RFC 5905 section 10: the samples' dispersions, the least delayed first, each weighing half of the one before.

    Places that were never filled count for nothing here.  The RFC gives them 16 s each, which keeps a daemon from
    believing a server it has just met; a verifier meets every server once.
    """
    ordered = sorted(samples, key=lambda sample: sample.delay_seconds)
    return sum((sample.precision_seconds + PHI * sample.elapsed_seconds) / 2.0 ** (place + 1)
               for place, sample in enumerate(ordered))


def _jitter(best: ClockSample, samples: Sequence[ClockSample]) -> float:
    """RFC 5905 section 10: the root mean square of the other samples' distance from the best one."""
    if len(samples) < 2:
        return 0.0
    return math.hypot(*(sample.offset_seconds - best.offset_seconds for sample in samples)) / math.sqrt(len(samples) - 1)


def widest_difference(offsets: list[Interval]) -> Interval:
    """The interval of the largest difference between any two of at least two offsets."""
    by_low, by_high = sorted(offsets, key=lambda offset: offset.lo), sorted(offsets, key=lambda offset: -offset.hi)
    # The pair that is surely apart: the highest low end against the lowest high end.
    least = max(0.0, by_low[-1].lo - by_high[-1].hi)
    # The pair that may be farthest apart, of two different hosts.
    low, high = by_low[0], by_high[0]
    most = high.hi - low.lo if low is not high else max(by_high[1].hi - low.lo, high.hi - by_low[1].lo)
    return Interval(least, max(least, most))


@functools.lru_cache(maxsize=65536)
def unix_seconds(at: str) -> float:
    """RFC 3339 text as Unix seconds."""
    return datetime.datetime.fromisoformat(at).timestamp()


def seconds_between(one: str, other: str) -> float:
    """How far two stamps of the runner's clock lie apart, in seconds, never negative."""
    return abs(unix_seconds(one) - unix_seconds(other))
