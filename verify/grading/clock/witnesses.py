"""What the witnesses of one host's clock prove together.

Each witness that can be believed gives an interval that the host's lead over the runner lies in; together they prove the
intersection.  Witnesses that exclude each other prove nothing about the clock: somebody else than the host answered one of
them, or the clock was set while they were asked.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from shared.evidence import ClockWitness, FailureKind
from shared.quantities import Interval, show_seconds
from verify.grading.case import in_words
from verify.grading.clock.reading import PHI, Reading, seconds_between, unix_seconds

#: RFC 5905 appendix A.1.1, MAXFREQ, as seconds a second: how fast a disciplined clock may be slewed.  A freshly installed
#: host may be slewing just now, so readings from different moments are laid beside each other with this allowance.
SLEW_RATE = 500e-6

#: How old a Date may be, in seconds.  Many servers look at the clock once a second, by a timer that may be late: a server
#: that counts ten naps of a tenth of a second takes 1.01 s or so (measured on an idle machine; the rest is allowance).
#:
#: Nothing that a server does over HTTP proves that its Date is fresher.  A timer that fires at any one phase of the second
#: gives the same answers as a clock that is looked at every time and is behind by that phase; a Date that changes between
#: two requests only shows that the timer fired in between.  Two servers on one host with timers of their own do narrow it:
#: the intersection takes the higher of their lower ends and the lower of their upper ends, and that is all they prove.
DATE_AGE_SECONDS = 1.05
#: How much older still a Date may be that fits a fresh clock, in seconds.  One that is renewed every 1.2 to 1.8 s does so by
#: chance in some hunts, with the truth up to 0.32 s outside what it would prove (the most of 19,000 hunts simulated).  No server
#: is known to do so, and a bound that holds for these too is worth the third of a second.
SELDOM_SECONDS = 0.35

#: Fields that say that a machine in between had a hand in the answer, in words.
_IN_BETWEEN = {
    "age": "its answers come out of a cache, not from the host (Age: {}; RFC 9111 section 5.1)",
    "via": "its answers passed another machine, whose Date they may bear (Via: {}; RFC 9110 section 7.6.3)",
}


@dataclass(frozen=True, slots=True)
class Testimony:
    """What one witness proves of a host's lead over the runner at the moment ``at``, or ``why`` it proves nothing.

    ``modulo_seconds`` is set where the lead may as well be any whole number of these more or less.  ``asked_in_vain`` says
    that the witness stayed silent or refused, as against that what it said cannot be believed.  ``rate`` is how many seconds
    a second the host's clock is taken to run away from the runner's at most.
    """

    name: str
    interval: Interval | None = None
    at: str = ""
    modulo_seconds: float | None = None
    why: str = ""
    asked_in_vain: bool = False
    rate: float = SLEW_RATE

    def aged(self, at: str) -> Testimony:
        """The same at another moment, less well known."""
        if self.interval is None:
            return self
        return replace(self, interval=widened(self.interval, self.rate * seconds_between(self.at, at)), at=at)


@dataclass(frozen=True, slots=True)
class Account:
    """What all witnesses of one host prove together at the moment ``at``.

    ``interval`` is the host's lead over the runner, or None with the ``reason``.  ``days_unknown`` says that it may as well
    be any number of whole days more or less.  ``contradicted`` says that believable witnesses exclude each other.
    """

    heard: tuple[Testimony, ...]
    unheard: tuple[Testimony, ...]
    interval: Interval | None = None
    at: str = ""
    days_unknown: bool = False
    contradicted: bool = False
    reason: str = ""

    @property
    def names(self) -> str:
        """The witnesses that were heard: "ICMP time stamps and the Date of 443/tcp"."""
        *most, last = [testimony.name for testimony in self.heard]
        return f"{', '.join(most)} and {last}" if most else last

    def lead_at(self, at: str) -> Interval:
        """The lead at another moment, less well known.  Only where there is one."""
        assert self.interval is not None
        rate = min(testimony.rate for testimony in self.heard)
        return widened(self.interval, rate * seconds_between(self.at, at))


def weigh(testimonies: Iterable[Testimony]) -> Account:
    """Intersect what the witnesses of one host say."""
    told = tuple(testimonies)
    unheard = tuple(testimony for testimony in told if testimony.interval is None)
    at = max((testimony.at for testimony in told if testimony.interval is not None), key=unix_seconds, default="")
    heard = tuple(testimony.aged(at) for testimony in told if testimony.interval is not None)
    if not heard:
        return Account((), unheard, reason="; ".join(f"{testimony.name}: {testimony.why}" for testimony in unheard)
                       or "nobody was asked")
    exact = [testimony for testimony in heard if testimony.modulo_seconds is None]
    repeating = [testimony for testimony in heard if testimony.modulo_seconds is not None]
    common: Interval | None = None
    for testimony in (*exact, *repeating):
        assert testimony.interval is not None
        common = testimony.interval if common is None else _meet(common, testimony)
        if common is None:
            return Account(heard, unheard, at=at, contradicted=True, reason="the witnesses of its clock contradict each other")
    return Account(heard, unheard, interval=common, at=at, days_unknown=not exact)


def _meet(common: Interval, testimony: Testimony) -> Interval | None:
    """What both allow.  A witness that knows no day is taken to mean the nearest: no other known interval is near a day wide."""
    assert testimony.interval is not None
    if testimony.modulo_seconds is None:
        return common.meet(testimony.interval)
    turns = round((common.value - testimony.interval.value) / testimony.modulo_seconds)
    shift = turns * testimony.modulo_seconds
    return common.meet(Interval(testimony.interval.lo + shift, testimony.interval.hi + shift))


def by_witness(witness: ClockWitness) -> Testimony:
    """What one witness proves by itself."""
    name = _name(witness)
    if witness.runner_steps_seconds:
        return Testimony(name, why="the runner's own clock was being set while it was asked")
    for field, words in _IN_BETWEEN.items():
        value = next((value for detail, value in witness.details if detail == field), None)
        if witness.method == "http-date" and value is not None:
            return Testimony(name, why=words.format(value))
    if not witness.samples:
        return _silent(witness, name)
    at = max((sample.at for sample in witness.samples), key=unix_seconds)
    lead = _of_dates(witness, at) if witness.method == "http-date" else _of_all(witness, at)
    if lead is None:
        return Testimony(name, why="its answers contradict each other, as where a cache, a device in between or several "
                                   "machines give them, or where its clock was set meanwhile")
    return Testimony(name, lead, at, witness.modulo_seconds)


def _of_all(witness: ClockWitness, at: str) -> Interval | None:
    """What all readings allow at the moment ``at``, or None where they exclude each other."""
    lo, hi = _ends(witness, at)
    return Interval(lo, hi) if lo <= hi else None


def _of_dates(witness: ClockWitness, at: str) -> Interval | None:
    """What a series of Dates allows.

    The last answer bounds the lead from below, whatever the server does; the hunt ends with one that is aimed to bound it
    closely.  Answers that all fit one clock, looked at for every answer, bound it from above together, but for the age that
    a Date may have, and for what a Date that is renewed less often hides by chance.  Answers that only fit with that age may
    also come from a clock that was set by up to a second meanwhile, or from a Date that is renewed less often: then the answer
    that was least behind counts above, which holds either way.  Beyond that they contradict each other.
    """
    lo, hi = _ends(witness, at)
    if lo > hi + DATE_AGE_SECONDS:
        return None
    last = max(witness.samples, key=lambda sample: unix_seconds(sample.at))
    if lo <= hi:
        return Interval(last.lo_seconds, hi + DATE_AGE_SECONDS + SELDOM_SECONDS)
    freshest = max(sample.hi_seconds + SLEW_RATE * seconds_between(sample.at, at) for sample in witness.samples)
    return Interval(last.lo_seconds, freshest + DATE_AGE_SECONDS)


def _ends(witness: ClockWitness, at: str) -> tuple[float, float]:
    allowances = [SLEW_RATE * seconds_between(sample.at, at) for sample in witness.samples]
    return (max(sample.lo_seconds - allowed for sample, allowed in zip(witness.samples, allowances, strict=True)),
            min(sample.hi_seconds + allowed for sample, allowed in zip(witness.samples, allowances, strict=True)))


def by_ntp(reading: Reading) -> Testimony:
    """What a host's answers over NTP prove."""
    return Testimony("NTP", reading.offset, reading.best.at, rate=PHI)


def silent_ntp(why: str) -> Testimony:
    """A host that should serve time and gave none."""
    return Testimony("NTP", why=why, asked_in_vain=True)


def _name(witness: ClockWitness) -> str:
    match witness.method:
        case "http-date":
            return f"the Date of {witness.port}"
        case "icmp-timestamp":
            return "ICMP time stamps"
        case "ssh-clock":
            return "its own clock over SSH"
        case other:
            return other


_UNASKED = (FailureKind.NO_PRIVILEGE, FailureKind.LOCAL_LIMIT, FailureKind.NO_ROUTE, FailureKind.INTERRUPTED)


def _silent(witness: ClockWitness, name: str) -> Testimony:
    failure = witness.failure
    if failure is None:
        return Testimony(name, why="it gave no time")
    return Testimony(name, why=in_words(failure), asked_in_vain=not witness.discarded and failure.kind not in _UNASKED)


def widened(interval: Interval, by_seconds: float) -> Interval:
    """The interval, reaching ``by_seconds`` farther on either side."""
    return Interval(interval.lo - by_seconds, interval.hi + by_seconds)


def said(testimonies: Sequence[Testimony], *, than: Interval | None, whom: str) -> str:
    """Who says what: each witness with its own interval of the lead over ``whom``, who is ``than`` ahead of the runner."""
    sentences = []
    for testimony in testimonies:
        assert testimony.interval is not None
        lead = testimony.interval if than is None else testimony.interval - than
        days = ", give or take whole days" if testimony.modulo_seconds else ""
        sentences.append(f"{testimony.name}: {span(lead)} {whom}{days}")
    return "; ".join(sentences)


def span(lead: Interval) -> str:
    """An interval with its two ends: "between 2 ms behind and 1.05 s ahead of"."""
    low, high = _end(lead.lo), _end(lead.hi)
    if lead.lo < 0 < lead.hi:
        return f"between {low} behind and {high} ahead of"
    side = "ahead of" if lead.hi > 0 else "behind"
    near, far = (low, high) if lead.hi > 0 else (high, low)
    return f"{near} {side}" if near == far else f"between {near} and {far} {side}"


def _end(seconds: float) -> str:
    return show_seconds(abs(seconds))
