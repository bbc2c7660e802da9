"""The figures put values where they belong."""

from __future__ import annotations

import itertools
from types import ModuleType
from typing import Any

import pytest

from reports import figures
from shared.findings import Finding, Grade, Measured, ShownLimits


def measured(
    value: float,
    uncertainty: float,
    *,
    caution: float | None,
    fail: float | None,
    sense: str = "at most",
    grade: Grade = Grade.PASS,
) -> Finding:
    return Finding(
        check="clock.offset",
        subject="x",
        grade=grade,
        planned="",
        found="",
        message="",
        ref="h|clock.offset|x",
        measured=Measured(value, uncertainty, "s"),
        limits=ShownLimits(caution=caution, fail=fail, name="clock_offset", sense=sense, origin="a test"),
    )


@pytest.mark.parametrize(
    ("value", "uncertainty", "where"),
    [
        (0.05, 0.01, "inside"),
        (0.0999, 0.0001, "inside"),
        (0.1, 0.02, "across caution"),
        (0.2, 0.01, "between"),
        (1.0, 0.1, "across fail"),
        (2.0, 0.5, "beyond"),
        (3600.0, 0.001, "beyond"),
        (1e-6, 1e-7, "inside"),
    ],
)
def test_an_interval_stands_on_the_right_side_of_its_limits(value: float, uncertainty: float, where: str) -> None:
    """What the eye sees is what was decided: order on the axis is order of the values."""
    gauge = figures.gauge(measured(value, uncertainty, caution=0.1, fail=1.0))
    assert gauge is not None
    caution, fail = (bound.at for bound in gauge.bounds)
    seen = {
        "inside": gauge.hi <= caution,
        "across caution": gauge.lo < caution < gauge.hi < fail,
        "between": caution < gauge.lo and gauge.hi < fail,
        "across fail": caution < gauge.lo < fail < gauge.hi,
        "beyond": gauge.lo > fail,
    }
    assert [name for name, holds in seen.items() if holds] == [where]
    assert 0 <= gauge.lo <= gauge.at <= gauge.hi <= 100
    assert gauge.inside == (0.0, caution)


@pytest.mark.parametrize("value", [-3600.0, -2.0, -0.05])
def test_a_signed_value_has_its_limits_on_both_sides(value: float) -> None:
    """A clock that is behind is held against the same limit as one that is ahead; the words stand once."""
    gauge = figures.gauge(measured(value, 0.001, caution=0.1, fail=1.0))
    assert gauge is not None
    assert [bound.label for bound in gauge.bounds] == ["±100 ms", "±1 s", "", ""]
    low, high = gauge.inside
    assert (gauge.at < low) == (value < -0.1)
    assert low < high


def test_a_lower_limit_has_its_good_side_above() -> None:
    """A certificate's days left are good to the right of the limit, and one that has ended lies to the left of zero."""
    gauge = figures.gauge(measured(-20 * 86400.0, 0.0, caution=30 * 86400.0, fail=7 * 86400.0, sense="at least"))
    assert gauge is not None
    assert gauge.inside == (gauge.bounds[0].at, 100.0)
    assert gauge.at < gauge.bounds[1].at < gauge.bounds[0].at
    assert gauge.limits == "at least 30 d, fail below 7 d"


def test_equal_bounds_are_drawn_once() -> None:
    """Where caution and fail are the same number there is one line, and it is the fail line."""
    gauge = figures.gauge(measured(3072.0, 0.0, caution=2048.0, fail=2048.0, sense="at least"))
    assert gauge is not None
    assert [bound.key for bound in gauge.bounds] == ["f"]


def test_what_was_not_measured_has_no_gauge(sample: ModuleType) -> None:
    """No value, no limits or no bounds: nothing is drawn."""
    assert figures.gauge(sample.finding("h", "port.open", "22/tcp", Grade.PASS, "open", "open", "open")) is None
    assert figures.gauge(measured(1.0, 0.0, caution=None, fail=None)) is None


def test_clocks_that_agree_are_stacked_and_none_is_lost() -> None:
    """Dots that would hide each other stand on steps; a clock that needs a look is labelled and listed."""
    hosts = [(f"h{number}", measured(0.0002, 0.0001, caution=0.1, fail=1.0)) for number in range(5)]
    hosts.append(("late", measured(37.2, 0.001, caution=0.1, fail=1.0, grade=Grade.FAIL)))
    line = figures.clock_line([("s", measured(0.0, 0.0001, caution=0.1, fail=1.0))], hosts)
    assert line is not None
    assert sorted(dot.step for dot in line.below if not dot.label) == [0, 1, 2, 3, 4]
    assert [(dot.label, dot.text) for dot in line.outside] == [("late", "late: 37.2 s ± 1 ms")]
    assert line.inside is not None
    assert all(line.inside[0] < dot.at < line.inside[1] for dot in line.below if not dot.label)
    assert line.outside[0].at > max(bound.at for bound in line.bounds)


def test_a_thousand_clocks_need_no_thousand_steps(sample: ModuleType) -> None:
    """The figure stays a figure."""
    hosts = [(f"h{number}", measured(number * 1e-4, 1e-5, caution=0.1, fail=1.0)) for number in range(1000)]
    line = figures.clock_line([], hosts)
    assert line is not None
    assert len(line.below) == 1000
    assert line.deep <= 12


def test_labels_on_the_clock_axis_keep_their_distance() -> None:
    """Whatever the range, two labels never come nearer than eleven percent, on a phone never nearer than 24."""
    for reach in (1e-4, 0.5, 40.0, 7200.0, 4e8):
        line = figures.clock_line([], [("h", measured(reach, 0.0, caution=0.1, fail=1.0))])
        assert line is not None
        places = [tick.at for tick in line.ticks]
        majors = [tick.at for tick in line.ticks if not tick.minor]
        assert len(places) >= 3
        assert all(b - a >= 11 for a, b in itertools.pairwise(places))
        assert all(b - a >= 24 for a, b in itertools.pairwise(majors))


def test_no_clock_no_line() -> None:
    """A run that asked no clock shows no figure."""
    assert figures.clock_line([], []) is None


def lives(sample: ModuleType, **dates: Any) -> figures.Calendar:
    hosts = sample.drafts(["dome-a", "dome-b"])
    for name, value in dates.items():
        setattr(hosts[1], name, value)
    calendar = figures.calendar([host.report() for host in hosts], "2027-03-04T09:12:24Z")
    assert calendar is not None
    return calendar


@pytest.mark.parametrize(
    ("dates", "text", "ended"),
    [
        ({"not_after": "2027-02-12T09:12:24Z"}, "2026-11-01 to 2027-02-12, ended 20 d before", True),
        ({"not_after": "2027-03-14T09:12:24Z"}, "2026-11-01 to 2027-03-14, 10 d left", False),
        ({"not_before": "2027-04-01T00:00:00Z"}, "2027-04-01 to 2027-12-01, 272 d left, not yet begun", False),
        ({"not_after": "9999-12-31T23:59:59Z"}, "2026-11-01 to 9999-12-31, has no defined end", False),
    ],
)
def test_a_life_is_told_and_drawn_against_the_day_of_the_run(
    sample: ModuleType, dates: dict[str, str], text: str, ended: bool
) -> None:
    """RFC 5280 section 4.1.2.5 gives 9999-12-31 to certificates without an end: no count of days for those."""
    calendar = lives(sample, **dates)
    life = next(life for life in calendar.lives if life.label.startswith("dome-b"))
    assert life.text == text
    assert (life.ends < calendar.now) == ended
    assert 0 <= life.begins <= life.ends <= 100


def test_equal_lives_share_a_row_and_the_first_to_end_is_on_top(sample: ModuleType) -> None:
    """A thousand certificates of one batch are one bar."""
    assert [len(life.more) for life in lives(sample).lives] == [1]
    assert lives(sample, not_after="2027-03-14T09:12:24Z").lives[0].label == "dome-b.obs.example.net 443/tcp"
