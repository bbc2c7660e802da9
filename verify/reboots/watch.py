"""Follows one host through a reboot: what was seen in each round goes in, what it means comes out.

Pure: no clock is read, nothing waits and nothing is sent, so that an hour of watching can be tried in no time.  The rounds
themselves are made by ``verify.reboots.reboot``.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence

import msgspec

from shared.boots import BootEvidence, BootMark, Moment, Outage, Reading, Sign
from shared.quantities import show_seconds
from shared.times import read_time

#: The most changes kept of one host, beside the last of each sign: one that flaps every round for the half hour of a watch
#: has fewer.
MOMENTS_LIMIT = 500

#: The longest one question of a round may take: three connection attempts of a second each, so that one lost SYN is no
#: silence (RFC 6298 section 2), and yet a round ends before the next one begins.
LOOK_SECONDS = 3.0

#: What is told where the runner loses its way to a host, and has it again.
_LOST, _FOUND = "cannot be asked from here", "can be asked again"

#: What shows that something lives at an address.
_ALIVE = (Reading.UP, Reading.CLOSED)


class Rules(msgspec.Struct, frozen=True, kw_only=True):
    """How a reboot is watched.

    A round starts ``round_seconds`` after the one before.  A host is settled when all its planned ports have answered in
    ``steady_rounds`` rounds in a row and for ``steady_seconds``; one that has settled is watched ``grace_seconds`` longer for
    what is still missing, such as its time service.  ``since`` (RFC 3339, or empty) is when the reboot was ordered, where
    that was before the watch: then a silence is not waited for.

    Three rounds in a row over 30 s, a round every 5 s: common practice, no source; services that start too early die within
    seconds.  Five minutes for a time service to choose a source: common practice, no source.
    """

    round_seconds: float = 5.0
    steady_rounds: int = 3
    steady_seconds: float = 30.0
    grace_seconds: float = 300.0
    since: str = ""

    @property
    def settling_seconds(self) -> float:
        """Seconds for which a host must answer to be settled: as long as was asked, and over as many rounds."""
        return max(self.steady_seconds, (self.steady_rounds - 1) * self.round_seconds)

    @property
    def hole_seconds(self) -> float:
        """Seconds from one sign of life to the next that mean that a round between them is missing."""
        return 2 * self.round_seconds + LOOK_SECONDS


class Look(msgspec.Struct, frozen=True, kw_only=True):
    """One sign of life, looked at once; ``at`` is when the question was sent, ``by`` when it was over (empty: at once).

    A question is repeated while nothing answers, so that a host that returns meanwhile answers seconds after ``at``.
    """

    sign: Sign
    at: str
    reading: Reading
    detail: str = ""
    by: str = ""

    @property
    def seen(self) -> str:
        """The time at which it certainly read so: a silence since it was asked, an answer not before it came."""
        return (self.by or self.at) if self.reading in _ALIVE else self.at


class Phase(enum.StrEnum):
    """Where a host is on its way through a reboot, in the words of the board."""

    WAITING = "up, waiting for it to go down"
    DOWN = "down"
    COMING = "coming back"
    SETTLED = "settled"


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """Something worth a line: ``sign`` is the one that changed, None where ``phase`` did or ``note`` says what happened."""

    at: str
    host: str
    phase: Phase
    sign: Sign | None = None
    reading: Reading | None = None
    detail: str = ""
    note: str = ""


class HostWatch:
    """One host being watched; ``round`` is fed, ``finished`` is asked, ``evidence`` is what came of it."""

    def __init__(self, host: str, signs: Sequence[Sign], rules: Rules) -> None:
        self.host, self.signs, self.rules = host, tuple(signs), rules
        self.rounds = 0
        #: Whether the runner could ask nothing at all in the last round.
        self.blind = False
        self.phase = Phase.COMING if rules.since else Phase.WAITING
        self.since_at = ""
        self.looks: dict[Sign, Look] = {}
        self.outages: list[Outage] = []
        self.keys_before: dict[tuple[str, str], str] = {}
        self.keys_after: dict[tuple[str, str], str] = {}
        self._before: BootMark | None = None
        self._moments: list[Moment] = []
        #: The last change of each sign beyond the ones kept: how a sign ended is judged, however often it changed before.
        self._latest: dict[Sign, Moment] = {}
        self._left_out = 0
        self._ever_up: set[Sign] = set()
        self._answered = self._still = self._began = self._ended = ""
        self._answered_rounds = 0
        self._unwatched: tuple[str, str] | None = None
        self._unwatched_seconds = 0.0
        self._ready_at = self._settled_at = ""
        self._ready_seconds = self._settled_seconds = 0.0
        self._steady = 0
        ports = tuple(sign for sign in self.signs if sign.name not in ("echo", "time"))
        #: What must answer for the host to settle: its planned ports; without any, whatever else there is to look at.
        self.needed = ports or self.signs

    def round(self, looks: Sequence[Look], seconds: float) -> list[Event]:
        """Take one round in; ``seconds`` is a clock that never steps, read when the round was over.

        A round in which the runner could ask nothing proves nothing: it neither begins a silence nor ends one.
        """
        self.rounds += 1
        was_blind, self.blind = self.blind, all(look.reading is Reading.UNKNOWN for look in looks)
        if not looks:
            return []
        first, last = min(look.at for look in looks), max(look.seen for look in looks)
        self._began, self._ended = self._began or first, last
        events = [Event(at=first, host=self.host, phase=self.phase, detail=looks[0].detail if self.blind else "",
                        note=_LOST if self.blind else _FOUND)] if self.blind != was_blind else []
        events += [event for look in looks if (event := self._changed(look))]
        alive = [look for look in looks if look.reading in _ALIVE]
        # A sign that used to answer and could not be asked may answer still: then the silence of others says nothing.
        unasked = any(look.reading is Reading.UNKNOWN and look.sign in self._ever_up for look in looks)
        silent = not unasked and any(look.reading is Reading.SILENT for look in looks)
        if alive:
            events += self._note_hole(min(look.seen for look in alive), told=was_blind)
            events += self._life(min(look.seen for look in alive))
            self._answered = max(look.at for look in alive)
            self._answered_rounds += 1
        elif silent:
            events += self._silence(first)
            self._still = max(look.at for look in looks)
        up = {look.sign for look in looks if look.reading is Reading.UP}
        lost = any(look.reading in (Reading.CLOSED, Reading.SILENT) and look.sign in self.needed for look in looks)
        return events + self._steadiness(first, last, seconds, steady=up.issuperset(self.needed), lost=lost)

    def _changed(self, look: Look) -> Event | None:
        """Note a sign that reads otherwise than it last did; what could not be asked is no change."""
        if look.reading is Reading.UP:
            self._ever_up.add(look.sign)
        if look.reading is Reading.UNKNOWN and look.sign in self.looks:
            return None
        known = self.looks.get(look.sign)
        self.looks[look.sign] = look
        if known is not None and known.reading is look.reading:
            return None
        moment = Moment(at=look.seen, after=known.at if known else "", sign=look.sign, reading=look.reading, detail=look.detail)
        if len(self._moments) < MOMENTS_LIMIT:
            self._moments.append(moment)
        else:
            self._left_out += look.sign in self._latest
            self._latest[look.sign] = moment
        return Event(at=look.seen, host=self.host, phase=self.phase, sign=look.sign, reading=look.reading, detail=look.detail)

    def _note_hole(self, at: str, *, told: bool) -> list[Event]:
        """Keep the longest time between two signs of life in which rounds are missing: a reboot may lie there, unseen."""
        before, now = read_time(self._answered), read_time(at)
        if before is None or now is None or self.phase is Phase.DOWN:
            return []
        hole = (now - before).total_seconds()
        if hole > max(self.rules.hole_seconds, self._unwatched_seconds):
            self._unwatched, self._unwatched_seconds = (self._answered, at), hole
        if told or hole <= self.rules.hole_seconds:
            return []
        return [Event(at=at, host=self.host, phase=self.phase, note=f"was not asked for {show_seconds(hole)}",
                      detail="the runner stood still")]

    def _life(self, at: str) -> list[Event]:
        """The host gave a sign of life: that ends a silence, if there was one."""
        if self.phase is not Phase.DOWN:
            self.since_at = self.since_at or at
            return []
        self.outages[-1] = msgspec.structs.replace(self.outages[-1], still=self._still, back=at)
        return [self._enter(Phase.COMING, at)]

    def _silence(self, at: str) -> list[Event]:
        """The host gave none: that begins a silence, and whatever had settled before it no longer counts."""
        if self.phase is Phase.DOWN:
            return []
        self.outages.append(Outage(answered=self._answered, silent=at))
        self._ready_at = self._settled_at = ""
        return [self._enter(Phase.DOWN, at)]

    def _steadiness(self, first: str, last: str, seconds: float, *, steady: bool, lost: bool) -> list[Event]:
        """Count rounds in a row in which every needed sign was up, once the host may settle at all.

        One that could not be asked breaks the row, and yet takes no settling back: only one that is ``lost`` does.
        """
        if not steady:
            self._steady = 0
            if lost and self.phase is Phase.SETTLED:
                self._ready_at = self._settled_at = ""
                return [self._enter(Phase.COMING, first, "a planned port no longer answers")]
            return []
        if self.phase is not Phase.COMING:
            return []
        self._steady += 1
        if self._steady == 1:
            self._ready_at, self._ready_seconds = last, seconds
        if self._steady < self.rules.steady_rounds or seconds - self._ready_seconds < self.rules.steady_seconds:
            return []
        self._settled_at, self._settled_seconds = last, seconds
        return [self._enter(Phase.SETTLED, last)]

    def _enter(self, phase: Phase, at: str, detail: str = "") -> Event:
        self.phase, self.since_at = phase, at
        self._steady = 0
        return Event(at=at, host=self.host, phase=phase, detail=detail)

    @property
    def missing(self) -> tuple[Sign, ...]:
        """What is planned, or answered before, and does not answer now."""
        return tuple(sign for sign in self.signs if (sign.service or sign in self._ever_up)
                     and (sign not in self.looks or self.looks[sign].reading is not Reading.UP))

    def finished(self, seconds: float) -> bool:
        """Whether there is nothing left to wait for: the host settled, and the rest is there or had its time of grace."""
        if self.phase is not Phase.SETTLED:
            return False
        return not self.missing or seconds - self._settled_seconds >= self.rules.grace_seconds

    def know(self, mark: BootMark) -> None:
        """Keep what the host said of its boot before it went down."""
        self._before = mark

    def note_keys(self, keys: Sequence[tuple[str, str, str]]) -> None:
        """Keep proven SSH host keys: those from before the first silence, and those from after the last.

        One that changes without a silence is kept as well: a host may have gone and come between two rounds.
        """
        for where, kind, fingerprint in keys:
            if self.outages or self.rules.since or self.keys_before.setdefault((where, kind), fingerprint) != fingerprint:
                self.keys_after[where, kind] = fingerprint

    def evidence(self, why: str, *, after: BootMark | None = None) -> BootEvidence:
        """All that was seen, as it is stored.  ``why`` says how the watch ended: "settled", "time-out" or "interrupted"."""
        return BootEvidence(
            began=self._began, ended=self._ended, rounds=self.rounds, round_seconds=self.rules.round_seconds,
            steady_rounds=self.rules.steady_rounds, steady_seconds=self.rules.steady_seconds, why=why, since=self.rules.since,
            signs=self.signs, moments=(*self._moments, *sorted(self._latest.values(), key=_at)), left_out=self._left_out,
            outages=tuple(self.outages),
            ready=self._ready_at if self._settled_at else "", settled=self._settled_at, before=self._before, after=after,
            keys_before=_rows(self.keys_before), keys_after=_rows(self.keys_after),
            answered_rounds=self._answered_rounds, unwatched=self._unwatched)


def _at(moment: Moment) -> str:
    return moment.at


def _rows(keys: dict[tuple[str, str], str]) -> tuple[tuple[str, str, str], ...]:
    return tuple((where, kind, fingerprint) for (where, kind), fingerprint in keys.items())
