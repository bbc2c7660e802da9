"""The way of one host through a reboot, told in rounds: no clock, no network, an hour in no time."""

from __future__ import annotations

import datetime
from collections.abc import Mapping

import pytest

from shared.boots import BootEvidence, Reading, Sign
from verify.reboots.watch import MOMENTS_LIMIT, Event, HostWatch, Look, Phase, Rules

ECHO, WEB, SHELL, TIME = (Sign("echo", "192.0.2.11"), Sign("443/tcp", "192.0.2.11", "tls"), Sign("22/tcp", "192.0.2.11", "ssh"),
                          Sign("time", "192.0.2.11"))
ALL = (ECHO, WEB, SHELL, TIME)
UP, CLOSED, SILENT, UNKNOWN = Reading.UP, Reading.CLOSED, Reading.SILENT, Reading.UNKNOWN
BEGAN = datetime.datetime(2027, 3, 4, 9, 0, tzinfo=datetime.UTC)


def at(seconds: float) -> str:
    return f"{BEGAN + datetime.timedelta(seconds=seconds):%Y-%m-%dT%H:%M:%S.%fZ}"


class Story:
    """Rounds told one after the other, five seconds apart; a word stands for every sign, a mapping for the ones it names."""

    def __init__(self, *, since: str = "", signs: tuple[Sign, ...] = ALL, grace: float = 300.0) -> None:
        self.watch = HostWatch("dome-a.obs.example.net", signs, Rules(since=since, grace_seconds=grace))
        self.seconds = 0.0
        self.events: list[Event] = []

    def tell(self, reading: Reading | Mapping[Sign, Reading], rounds: int = 1, otherwise: Reading = UP) -> Story:
        for _ in range(rounds):
            looks = [Look(sign=sign, at=at(self.seconds), reading=reading.get(sign, otherwise) if isinstance(reading, Mapping)
                          else reading) for sign in self.watch.signs]
            self.events += self.watch.round(looks, self.seconds + 1)
            self.seconds += 5
        return self

    @property
    def phases(self) -> list[Phase]:
        return [event.phase for event in self.events if event.sign is None and not event.note]

    @property
    def notes(self) -> list[tuple[str, str]]:
        return [(event.at, event.note) for event in self.events if event.note]

    @property
    def finished(self) -> bool:
        return self.watch.finished(self.seconds)

    def evidence(self) -> BootEvidence:
        return self.watch.evidence("settled")


def test_a_plain_reboot_is_down_coming_settled() -> None:
    """Up, silent, back: each phase once, and the silence lies between the last and the first sign of life."""
    story = Story().tell(UP, 3).tell(SILENT, 4).tell(UP, 10)
    assert story.phases == [Phase.DOWN, Phase.COMING, Phase.SETTLED]
    (outage,) = story.evidence().outages
    assert (outage.answered, outage.silent, outage.still, outage.back) == (at(10), at(15), at(30), at(35))
    assert story.finished


@pytest.mark.parametrize(("rounds", "settled"), [(1, False), (3, False), (6, False), (7, True), (8, True)])
def test_settling_takes_three_rounds_and_thirty_seconds(rounds: int, settled: bool) -> None:
    """Seven rounds of five seconds span thirty; six span only twenty-five, though they are more than three."""
    story = Story().tell(UP).tell(SILENT).tell(UP, rounds)
    assert (Phase.SETTLED in story.phases) is settled
    assert bool(story.evidence().settled) is settled
    assert bool(story.evidence().ready) is settled


@pytest.mark.parametrize(("seconds", "rounds", "settled"), [
    (60.0, 1, False), (60.0, 2, False), (60.0, 3, True), (10.0, 3, False)])
def test_settling_takes_three_rounds_however_slow_they_are(seconds: float, rounds: int, settled: bool) -> None:
    """Two rounds a minute apart are not enough; three are."""
    watch = HostWatch("dome-a", (WEB,), Rules())
    watch.round([Look(sign=WEB, at=at(0), reading=SILENT)], 1.0)
    for place in range(1, rounds + 1):
        watch.round([Look(sign=WEB, at=at(seconds * place), reading=UP)], seconds * place)
    assert (watch.phase is Phase.SETTLED) is settled


def test_one_missed_answer_begins_the_count_anew() -> None:
    """A service that dies once while it is being watched has not settled."""
    story = Story().tell(UP).tell(SILENT).tell(UP, 5).tell({WEB: CLOSED}).tell(UP, 6)
    assert Phase.SETTLED not in story.phases
    assert Phase.SETTLED in story.tell(UP).phases


def test_a_host_that_is_up_and_never_silent_does_not_settle() -> None:
    """Its old boot may still be running, so there is nothing to conclude."""
    story = Story().tell(UP, 500)
    assert story.phases == []
    assert not story.finished
    assert story.evidence().outages == ()


def test_since_lets_it_settle_without_a_silence() -> None:
    """The operator says that the reboot was before."""
    story = Story(since=at(-600)).tell(UP, 7)
    assert story.phases == [Phase.SETTLED]
    assert story.finished


def test_started_while_it_was_down() -> None:
    """The silence has no beginning that was seen."""
    story = Story().tell(SILENT, 3).tell(UP, 8)
    (outage,) = story.evidence().outages
    assert (outage.answered, outage.silent, outage.back) == ("", at(0), at(15))
    assert story.finished


def test_a_host_that_never_returns_never_finishes() -> None:
    """However long it is waited for; the outage stays open."""
    story = Story().tell(UP).tell(SILENT, 1000)
    assert story.phases == [Phase.DOWN]
    assert story.evidence().outages[0].back == ""
    assert not story.finished


@pytest.mark.parametrize("reading", [CLOSED, UP])
@pytest.mark.parametrize("sign", ALL)
def test_any_answer_at_all_is_no_silence(sign: Sign, reading: Reading) -> None:
    """One reset, or one echo, and the host was not down; only its services were."""
    story = Story().tell(UP).tell({sign: reading}, 3, otherwise=SILENT)
    assert Phase.DOWN not in story.phases


def test_a_runner_that_cannot_ask_proves_nothing() -> None:
    """Unknown readings begin no silence and end none, and they settle nothing."""
    story = Story().tell(UP).tell(UNKNOWN, 20)
    assert story.phases == []
    story = Story().tell(UP).tell(SILENT).tell(UNKNOWN, 20)
    assert story.phases == [Phase.DOWN]
    story = Story().tell(UP).tell(SILENT).tell({WEB: UNKNOWN}, 20)
    assert Phase.SETTLED not in story.phases


def test_a_sign_that_used_to_answer_and_cannot_be_asked_may_answer_still() -> None:
    """A host that never answers echoes did not fall silent when the runner was short of descriptors for its ports."""
    watch = HostWatch("dome-a", (ECHO, WEB), Rules())
    for number in range(12):
        at = f"2027-03-04T09:12:{5 * number:02}.000000Z"
        watch.round([Look(sign=ECHO, at=at, reading=Reading.SILENT),
                     Look(sign=WEB, at=at, reading=Reading.UNKNOWN if number == 3 else Reading.UP)], 5.0 * number)
    assert watch.outages == []


def test_a_runner_that_loses_its_way_says_so_once_and_once_that_it_has_it_again() -> None:
    """Whoever reads lines and no board would take that for a host that stays as it was."""
    story = Story().tell(UP, 2).tell(UNKNOWN, 4).tell({WEB: UNKNOWN}).tell(UP, 2)
    assert story.notes == [(at(10), "cannot be asked from here"), (at(30), "can be asked again")]


def test_a_runner_that_was_suspended_says_for_how_long_it_did_not_ask() -> None:
    """Each time; one round that is late is none."""
    story = Story().tell(UP, 2)
    for seconds in (5, 3600, 60):
        story.seconds += seconds
        story.tell(UP, 2)
    assert [note for _, note in story.notes] == ["was not asked for 60.1 min", "was not asked for 65 s"]
    assert story.evidence().unwatched == (at(20), at(3625))


def test_signs_that_cannot_be_asked_leave_the_others_to_tell() -> None:
    """Without the privilege for echoes, silence of everything else is silence."""
    story = Story().tell({ECHO: UNKNOWN}).tell({ECHO: UNKNOWN}, otherwise=SILENT).tell({ECHO: UNKNOWN}, 7)
    assert story.phases == [Phase.DOWN, Phase.COMING, Phase.SETTLED]
    assert story.finished


@pytest.mark.parametrize(("missing", "waited"), [
    ({TIME: SILENT}, True), ({TIME: CLOSED}, True), ({ECHO: SILENT}, True), ({}, False)])
def test_a_settled_host_is_watched_on_for_what_is_missing(missing: dict[Sign, Reading], waited: bool) -> None:
    """Its time service, planned, or an echo that answered before: until it comes, or the grace is over."""
    story = Story(grace=60).tell(UP).tell(SILENT).tell(missing, 7)
    assert story.watch.phase is Phase.SETTLED
    assert story.finished is not waited
    assert not waited or story.tell(missing, 12).finished


def test_the_grace_ends_on_time() -> None:
    """Sixty seconds after it settled and not before."""
    story = Story(grace=60).tell(UP).tell(SILENT).tell({TIME: SILENT}, 7)
    settled = story.seconds - 4
    assert not story.watch.finished(settled + 59.9)
    assert story.watch.finished(settled + 60.0)


def test_an_echo_that_never_answered_is_not_waited_for() -> None:
    """A filter that drops echoes is no fault of the reboot."""
    story = Story().tell({ECHO: SILENT}).tell(SILENT).tell({ECHO: SILENT}, 7)
    assert story.finished


def test_a_second_reboot_takes_back_the_first_settling() -> None:
    """A host that goes round in circles is not settled while it is down, and both silences are kept."""
    story = Story(grace=300).tell(UP).tell(SILENT).tell({TIME: SILENT}, 8).tell(SILENT, 2)
    assert story.phases == [Phase.DOWN, Phase.COMING, Phase.SETTLED, Phase.DOWN]
    assert (len(story.evidence().outages), story.evidence().settled) == (2, "")


def test_a_port_lost_after_settling_takes_it_back() -> None:
    """It had answered for thirty seconds and died within the grace."""
    story = Story().tell(UP).tell(SILENT).tell({TIME: SILENT}, 8).tell({TIME: SILENT, WEB: CLOSED})
    assert story.watch.phase is Phase.COMING
    assert story.evidence().settled == ""


@pytest.mark.parametrize(("reading", "settled"), [(UNKNOWN, True), (CLOSED, False), (SILENT, False)])
def test_a_settled_host_that_the_runner_cannot_ask_is_settled_still(reading: Reading, settled: bool) -> None:
    """That the runner lost its way says nothing of the host; that a port refuses or is silent does."""
    story = Story().tell(UP).tell(SILENT).tell({TIME: CLOSED}, 8)
    assert story.phases[-1] is Phase.SETTLED
    before = story.evidence().settled
    story.tell({WEB: reading, SHELL: UNKNOWN, ECHO: UNKNOWN, TIME: UNKNOWN})
    assert (story.evidence().settled == before) is settled
    assert (story.phases[-1] is Phase.SETTLED) is settled


def test_what_could_not_be_asked_makes_no_host_settle() -> None:
    """Three rounds in a row, each of them seen."""
    story = Story().tell(UP).tell(SILENT).tell(UP, 5).tell(UNKNOWN).tell(UP, 6)
    assert Phase.SETTLED not in story.phases


def test_without_ports_everything_else_must_answer() -> None:
    """A role that plans no port settles on its time service and echo."""
    story = Story(signs=(ECHO, TIME)).tell(UP).tell(SILENT).tell({TIME: CLOSED}, 10)
    assert Phase.SETTLED not in story.phases
    assert Phase.SETTLED in story.tell(UP, 7).phases


def test_moments_say_between_which_looks_a_sign_changed() -> None:
    """Not when it changed, which nobody saw, but the two looks between which it must have."""
    story = Story().tell(UP, 3).tell({WEB: SILENT}, 2).tell(UP)
    moments = [moment for moment in story.evidence().moments if moment.sign == WEB]
    assert [(moment.after, moment.at, moment.reading) for moment in moments] == [
        ("", at(0), UP), (at(10), at(15), SILENT), (at(20), at(25), UP)]


def test_an_answer_that_came_late_in_its_round_is_no_earlier_sign_of_life() -> None:
    """A question is repeated for some seconds: the host was back when one was answered, and not when the first was sent."""
    story = Story(signs=(WEB,)).tell(UP).tell(SILENT)
    story.watch.round([Look(sign=WEB, at=at(10), by=at(12.5), reading=UP)], 12.5)
    story.watch.round([Look(sign=WEB, at=at(15), by=at(15.1), reading=SILENT)], 15.1)
    first, second = story.evidence().outages
    assert (first.still, first.back) == (at(5), at(12.5))
    assert (second.answered, second.silent) == (at(10), at(15)), "it answered some time after it was asked"
    assert [(one.after, one.at) for one in story.evidence().moments] == [
        ("", at(0)), (at(0), at(5)), (at(5), at(12.5)), (at(10), at(15))]


def test_ready_is_when_the_last_port_had_answered() -> None:
    """All planned ports have answered since then, so the one that took two attempts counts."""
    watch = HostWatch("dome-a", (WEB, SHELL), Rules(steady_rounds=1, steady_seconds=0, since=at(-60)))
    watch.round([Look(sign=WEB, at=at(0), by=at(0.1), reading=UP), Look(sign=SHELL, at=at(0), by=at(1.2), reading=UP)], 1.2)
    assert watch.evidence("settled").ready == at(1.2)


@pytest.mark.parametrize(("pause", "unwatched"), [
    (0, None), (5, None), (8, None), (9, (at(10), at(24))), (600, (at(10), at(615)))])
def test_a_time_in_which_nobody_looked_is_kept(pause: float, unwatched: tuple[str, str] | None) -> None:
    """A runner that was suspended asks nothing; up to a missed round, twice five seconds and three for a slow look, is usual."""
    story = Story().tell(UP, 3)
    story.seconds += pause
    evidence = story.tell(UP, 3).evidence()
    assert (evidence.unwatched, evidence.answered_rounds, evidence.rounds) == (unwatched, 6, 6)


def test_rounds_in_which_the_runner_could_not_ask_are_no_answers() -> None:
    """They are a time in which nobody looked; the board says so while it lasts."""
    story = Story().tell(UP, 2).tell(UNKNOWN, 4)
    assert story.watch.blind
    evidence = story.tell(UP, 2).evidence()
    assert (evidence.answered_rounds, evidence.rounds, evidence.unwatched) == (4, 8, (at(5), at(30)))
    assert not story.watch.blind


def test_a_silence_that_was_seen_is_no_time_in_which_nobody_looked() -> None:
    assert Story().tell(UP, 2).tell(SILENT, 20).tell(UP, 2).evidence().unwatched is None


def test_a_host_that_flaps_for_hours_is_bounded_and_counted() -> None:
    """What is beyond the bound is counted, never dropped unsaid."""
    story = Story(signs=(WEB,))
    for _ in range(400):
        story.tell(UP).tell(SILENT)
    evidence = story.evidence()
    assert (len(evidence.moments), evidence.left_out) == (MOMENTS_LIMIT + 1, 800 - MOMENTS_LIMIT - 1)


@pytest.mark.parametrize("last", [{WEB: UP, SHELL: SILENT}, {WEB: SILENT, SHELL: UP}])
def test_how_a_sign_ended_is_kept_however_often_it_changed(last: dict[Sign, Reading]) -> None:
    """What it read last is what is judged: a port that answers in the end has come back."""
    story = Story(signs=(WEB, SHELL))
    for _ in range(301):
        story.tell(UP).tell(SILENT)
    evidence = story.tell(last).evidence()
    assert {sign: [one for one in evidence.moments if one.sign == sign][-1].reading for sign in (WEB, SHELL)} == last
    stamps = [one.at for one in evidence.moments]
    assert stamps == sorted(stamps)


def test_keys_from_before_the_silence_and_after_it_are_kept_apart() -> None:
    """What is proven before the first silence is before; everything later is after, the latest standing."""
    story = Story().tell(UP)
    story.watch.note_keys([("22/tcp 192.0.2.11", "ssh-ed25519", "SHA256:old")])
    story.tell(SILENT).tell(UP)
    story.watch.note_keys([("22/tcp 192.0.2.11", "ssh-ed25519", "SHA256:new")])
    assert story.evidence().keys_before == (("22/tcp 192.0.2.11", "ssh-ed25519", "SHA256:old"),)
    assert story.evidence().keys_after == (("22/tcp 192.0.2.11", "ssh-ed25519", "SHA256:new"),)


def test_a_key_that_changes_without_a_silence_is_kept_beside_the_first() -> None:
    """The host may have gone and come between two rounds; the same key again is no news."""
    story = Story().tell(UP)
    for fingerprint in ("SHA256:old", "SHA256:old", "SHA256:new"):
        assert story.evidence().keys_after == ()
        story.watch.note_keys([("22/tcp 192.0.2.11", "ssh-ed25519", fingerprint)])
    assert story.evidence().keys_before == (("22/tcp 192.0.2.11", "ssh-ed25519", "SHA256:old"),)
    assert story.evidence().keys_after == (("22/tcp 192.0.2.11", "ssh-ed25519", "SHA256:new"),)


def test_a_round_without_looks_changes_nothing() -> None:
    """A host with nothing to look at can be told, and settles never."""
    watch = HostWatch("dome-a", (), Rules())
    assert watch.round([], 1.0) == []
    assert not watch.finished(1e9)
