"""What the size of an offset suggests."""

from __future__ import annotations

import datetime

import pytest

from shared.quantities import Interval
from verify.grading.clock.offset_shape import common_cause, drift_rate, free_running, likely_cause

NOW = datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC).timestamp()


def cause(offset: float, uncertainty: float = 0.003) -> str:
    return likely_cause(Interval.around(offset, uncertainty), true_unix_seconds=NOW)


def reading(*day: int) -> float:
    """The offset of a clock that reads that day."""
    return datetime.datetime(*day, tzinfo=datetime.UTC).timestamp() - NOW  # type: ignore[misc]


@pytest.mark.parametrize(("offset", "words"), [
    (3600.4, "It is 1 h nearly"), (-7200.0, "It is 2 h nearly"), (19_800.0, "5 h 30 min"), (-45_900.0, "12 h 45 min"),
    (50_400.0, "14 h"), (900.0, "0 h 15 min"), (3605.0, "1 h"), (3595.0, "1 h")])
def test_a_whole_quarter_of_an_hour_looks_like_a_zone(offset: float, words: str) -> None:
    """Zones differ by quarter hours, up to 14 hours; five seconds either way are allowed."""
    assert words in cause(offset)
    assert "local time" in cause(offset)


@pytest.mark.parametrize("offset", [0.0, 0.4, 7.0, -7.0, 450.0, 894.9, 3605.1, 3594.9, 51_300.0, 86_400.0, 1000.0])
def test_other_offsets_suggest_nothing(offset: float) -> None:
    """No guess is better than a wrong one."""
    assert cause(offset) == ""


def test_an_offset_known_to_minutes_only_is_not_taken_for_a_zone() -> None:
    """With an error bar of 90 s and more, one in five offsets would look like a quarter hour."""
    assert cause(3600.0, 89.0) != ""
    assert cause(3600.0, 91.0) == ""


@pytest.mark.parametrize(("day", "words"), [
    ((1970, 1, 1), "1970-01-01"), ((1970, 6, 1), "1970-01-01"), ((1980, 1, 6), "1980-01-01"), ((2000, 1, 1, 0, 5), "2000-01-01"),
    ((2010, 3, 1), "2010-01-01"), ((2036, 2, 7, 7), "2036-02-07")])
def test_a_clock_that_reads_shortly_after_an_epoch_lost_its_battery(day: tuple[int, ...], words: str) -> None:
    """It counts on from where it woke up."""
    assert words in cause(reading(*day))
    assert "battery" in cause(reading(*day))


@pytest.mark.parametrize("day", [(1969, 12, 31), (1971, 2, 1), (2016, 5, 5), (2099, 1, 1)])
def test_a_clock_years_off_without_an_epoch_near_is_a_lost_or_mistyped_date(day: tuple[int, ...]) -> None:
    """Neither is claimed to be the cause."""
    assert "wrong year" in cause(reading(*day))


@pytest.mark.parametrize("offset", [-619_315_200.0, 619_315_201.0])
def test_1024_weeks_are_a_receivers_week_number(offset: float) -> None:
    """IS-GPS-200: ten bits of week number."""
    assert "1024 weeks" in cause(offset)


@pytest.mark.parametrize(("offset", "words"), [(37.0, "TAI"), (18.1, "GPS time"), (-37.0, ""), (36.5, ""), (17.7, "")])
def test_the_atomic_time_scales_are_known_by_their_lead(offset: float, words: str) -> None:
    """TAI - UTC is 37 s since 2017 and GPS time is 19 s behind TAI."""
    assert words in cause(offset)
    assert bool(words) == bool(cause(offset))


def test_hosts_that_are_all_off_alike_share_a_source() -> None:
    """Their intervals have a common part."""
    alike = [Interval.around(7.0, 0.01), Interval.around(7.005, 0.01)]
    assert "All 2 hosts are off by the same 7" in common_cause(alike)
    assert common_cause([*alike, Interval.around(7.5, 0.01)]) == ""
    assert common_cause(alike[:1]) == ""


DAY = 86_400.0


def history(*looks: tuple[float, float, float]) -> list[tuple[float, Interval]]:
    """(day, offset, uncertainty) as the history keeps them."""
    return [(NOW + day * DAY, Interval.around(offset, uncertainty)) for day, offset, uncertainty in looks]


def test_an_error_that_grows_evenly_is_a_clock_left_to_itself() -> None:
    """1.3 s a day is 15 parts per million, what an oscillator may be off (RFC 5905 section 7.2, PHI)."""
    said = free_running(history((0, 0.0, 0.002), (1, 1.296, 0.002), (2, 2.592, 0.002), (5, 6.48, 0.002)))
    assert "gained 1.3 s a day" in said
    assert "runs free" in said
    assert "lost 1.3 s a day" in free_running(history((0, 9.0, 0.002), (1, 7.704, 0.002), (3, 5.112, 0.002)))


@pytest.mark.parametrize("looks", [
    [], [(0, 1.0, 0.1)], [(0, 0.0, 0.002), (3, 3.9, 0.002)],
    [(0, 0.0, 0.002), (0.5, 0.648, 0.002), (0.99, 1.283, 0.002)],
    [(0, 0.0, 1.0), (1, 0.5, 1.0), (2, 1.0, 1.0)],
    [(0, 0.0, 0.002), (1, 1.3, 0.002), (2, 0.1, 0.002)],
    [(0, 0.0, 0.002), (1, 5.0, 0.002), (2, 5.0, 0.002)],
    [(0, 0.001, 0.002), (1, -0.001, 0.002), (2, 0.0, 0.002)],
    [(0, 0.0, 0.002), (1, 100.0, 0.002), (2, 200.0, 0.002)],
    [(0, 0.0, 0.002), (0, 1.0, 0.002), (0, 2.0, 0.002)],
])
def test_other_histories_show_no_free_running_clock(looks: list[tuple[float, float, float]]) -> None:
    """Too few looks, less than a day, error bars that allow no growth, a step, a kept clock, a rate that no oscillator has."""
    assert free_running(history(*looks)) == ""


def test_exactly_one_day_of_looks_is_enough() -> None:
    """A moment less is not."""
    assert free_running(history((0, 0.0, 0.002), (0.5, 0.648, 0.002), (1, 1.296, 0.002)))


@pytest.mark.parametrize(("middle", "straight"), [(1.0, True), (1.0199, True), (1.0201, False), (0.9801, True), (0.9799, False)])
def test_a_line_must_meet_every_interval(middle: float, straight: bool) -> None:
    """Between two looks of ± 10 ms, 0 s and 2 s, a third of ± 10 ms may lie up to 20 ms off the line."""
    rate = drift_rate(history((0, 0.0, 0.01), (1, middle, 0.01), (2, 2.0, 0.01)))
    assert (rate is not None) is straight
    assert rate is None or rate.lo <= rate.hi


def test_a_rate_is_known_as_well_as_the_looks_allow() -> None:
    """Two looks of ± 1 ms a day apart: two milliseconds a day either way."""
    rate = drift_rate(history((0, 0.0, 0.001), (1, 1.0, 0.001)))
    assert rate is not None
    assert (rate.lo * DAY, rate.hi * DAY) == (pytest.approx(0.998), pytest.approx(1.002))


def test_the_order_of_a_history_does_not_matter() -> None:
    """Runs are sorted by their moment."""
    looks = history((0, 0.0, 0.002), (1, 1.296, 0.002), (2, 2.592, 0.002))
    assert drift_rate(looks[::-1]) == drift_rate(looks)
