"""A trend is drawn only where the nights support one, and a date only where the trend does."""

from __future__ import annotations

import math
import random

import pytest

from reports.drifttext import heading
from shared.findings import Grade, ShownLimits
from verify.comparing.trends import DAY, Ending, Sample, between_jumps, certificate_trend, clock_trend, fitted, in_order, t975

LIMITS = ShownLimits(caution=0.1, fail=1.0, name="clock_offset", sense="at most", origin="test")
LIFE = ShownLimits(caution=30 * DAY, fail=7 * DAY, name="certificate_life_left", sense="at least", origin="test")
#: 2027-01-01T00:00:00Z.
START = 1798761600


def nights(values: list[float], uncertainty: float = 1e-4) -> list[Sample]:
    return [Sample(START + night * DAY, value, uncertainty) for night, value in enumerate(values)]


@pytest.mark.parametrize(("degrees", "expected"), [
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.2, upper critical values for 0.975.
    (5, 2.571), (6, 2.447), (7, 2.365), (8, 2.306), (10, 2.228), (15, 2.131), (20, 2.086), (30, 2.042), (60, 2.000), (100, 1.984),
])
def test_student_t_is_that_of_the_tables(degrees: int, expected: float) -> None:
    """To the three decimals that are printed, within the expansion's tenth of a percent."""
    assert t975(degrees) == pytest.approx(expected, rel=1e-3)


def test_the_line_is_that_of_a_certified_data_set() -> None:
    """NIST StRD "Norris": y = -0.262323073774029 + 1.00211681802045 x, certified to 15 digits; residual deviation 0.884796396."""
    x = [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5, 11.6,
         556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5]
    y = [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8,
         557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2]
    fit = fitted([Sample(at, value, 0.0) for at, value in zip(x, y, strict=True)])
    # The certified standard deviation of the slope is 0.429796848199937E-03.
    assert fit.slope.value == pytest.approx(1.00211681802045, rel=1e-12)
    assert fit.slope.uncertainty == pytest.approx(t975(34) * 0.429796848199937e-3, rel=1e-9)
    assert -0.262323073774029 + 1.00211681802045 * x[-1] in fit.level


def test_a_clock_that_gains_steadily_has_a_day_for_each_limit() -> None:
    """2 ms a night from 20 ms on: 100 ms on the 41st night, as far as an uncertainty of 100 µs lets it be said."""
    trend = clock_trend("dome-a", "192.0.2.11", nights([0.02 + 0.002 * night for night in range(30)]), LIMITS)
    assert trend is not None
    assert trend.per_day is not None
    assert trend.per_day.value == pytest.approx(0.002)
    assert 0 < trend.per_day.uncertainty < 0.0001
    [crossing] = trend.crossings
    assert crossing.grade is Grade.CAUTION
    assert crossing.earliest <= "2027-02-10" <= crossing.latest
    assert (trend.jumps, trend.nights) == (0, 30)


def test_a_clock_that_nothing_corrects_is_said_to_run_free() -> None:
    """15 ppm, 1.296 s a day (RFC 5905's PHI): the likely cause is told beside the trend, in words and not as a grade."""
    trend = clock_trend("dome-a", "192.0.2.11", nights([0.02 + 1.296 * night for night in range(10)]), LIMITS)
    assert trend is not None
    assert "gained 1.3 s a day" in trend.likely
    assert heading(trend).endswith(trend.likely)


def test_a_clock_that_wanders_about_is_not_said_to_run_free() -> None:
    """A trend through scatter is a trend, but no straight line meets every night."""
    scatter = random.Random(7)
    values = [0.02 + 0.002 * night + scatter.gauss(0, 0.004) for night in range(30)]
    trend = clock_trend("dome-a", "192.0.2.11", nights(values), LIMITS)
    assert trend is not None
    assert trend.per_day is not None
    assert trend.per_day.lo > 0
    assert trend.likely == ""


def test_a_clock_that_loses_crosses_the_other_side() -> None:
    """The same trend mirrored has the same days."""
    gaining = clock_trend("a", "", nights([0.02 + 0.002 * night for night in range(30)]), LIMITS)
    losing = clock_trend("a", "", nights([-0.02 - 0.002 * night for night in range(30)]), LIMITS)
    assert gaining is not None
    assert losing is not None
    assert losing.crossings == gaining.crossings != ()


def test_the_fail_limit_is_dated_where_the_caution_limit_is_behind() -> None:
    """Beyond 100 ms already, and 1 s ahead."""
    trend = clock_trend("a", "", nights([0.2 + 0.01 * night for night in range(30)]), LIMITS)
    assert trend is not None
    assert [crossing.grade for crossing in trend.crossings] == [Grade.FAIL]


@pytest.mark.parametrize(("values", "why"), [
    ([0.001 * night for night in range(6)], "too few"),
    ([0.0] * 30, "standing still"),
    ([0.001, -0.001] * 15, "standing still"),
    ([0.001 + 1e-7 * night for night in range(30)], "standing still"),
    ([0.001 + 2e-5 * night for night in range(30)], "no limit within 3 times"),
    ([0.0] * 20 + [3.0] * 6, "since it last jumped"),
    ([0.0] * 20 + [3.0] * 10, "standing still"),
])
def test_no_date_is_given_where_the_nights_support_none(values: list[float], why: str) -> None:
    """Too few, no slope beyond the uncertainty, too far ahead, or a jump - and it says which."""
    trend = clock_trend("dome-a", "192.0.2.11", nights(values), LIMITS)
    assert trend is not None
    assert trend.crossings == ()
    assert why in trend.why


def test_the_measurements_own_uncertainty_can_hide_a_slope() -> None:
    """2 ms a night is a trend at 100 µs; at 30 ms, in which every night may lean the same way, it is none."""
    values = [0.002 * night for night in range(20)]
    fine, coarse = clock_trend("a", "", nights(values), LIMITS), clock_trend("a", "", nights(values, 0.03), LIMITS)
    assert fine is not None
    assert coarse is not None
    assert fine.crossings != ()
    assert coarse.crossings == ()


def test_noise_alone_is_seldom_a_trend() -> None:
    """Of 400 clocks that only scatter, no more get a trend than 95 % allows."""
    chance = random.Random(1)
    trends = [clock_trend("a", "", nights([chance.gauss(0, 0.005) for _ in range(30)], 0.0), LIMITS) for _ in range(400)]
    headed = sum(trend is not None and not trend.why.startswith("no trend") for trend in trends)
    assert headed <= 400 * 0.05 + 3 * math.sqrt(400 * 0.05 * 0.95)


def test_the_true_slope_lies_in_its_interval() -> None:
    """Of 400 noisy clocks that gain 1 ms a night, at least 95 % less chance."""
    chance = random.Random(2)
    covered = 0
    for _ in range(400):
        fit = fitted(nights([0.001 * night + chance.gauss(0, 0.005) for night in range(30)], 0.0))
        covered += 0.001 / DAY in fit.slope
    assert covered >= 400 * 0.95 - 3 * math.sqrt(400 * 0.05 * 0.95)


def test_a_clock_set_back_every_week_is_no_trend() -> None:
    """It gains 100 ms a day and is set on Sundays: six nights since the last jump are too few."""
    trend = clock_trend("a", "", nights([0.1 * (night % 7) for night in range(34)]), LIMITS)
    assert trend is not None
    assert trend.jumps == 4
    assert trend.crossings == ()
    assert "since it last jumped" in trend.why


@pytest.mark.parametrize(("values", "why"), [
    ([0.001], "1 night is too few for a trend; 7 are needed"),
    ([0.001, 0.002], "2 nights are too few for a trend; 7 are needed"),
    ([5.0] * 10 + [0.001], "1 night since it last jumped is too few for a trend; 7 are needed"),
])
def test_too_few_nights_are_counted_in_plain_english(values: list[float], why: str) -> None:
    """The first night after a mend is one night."""
    trend = clock_trend("a", "", nights(values), LIMITS)
    assert trend is not None
    assert trend.why == why


def test_only_the_nights_after_a_jump_count() -> None:
    """Set right after ten nights, it then gains steadily."""
    values = [5.0] * 10 + [0.002 * night for night in range(20)]
    trend = clock_trend("a", "", nights(values), LIMITS)
    assert trend is not None
    assert (trend.nights, trend.jumps, trend.since) == (20, 1, "2027-01-11")
    assert trend.crossings != ()


def test_ordinary_scatter_is_no_jump() -> None:
    """Nor is a gain of a second a day, which is every night the same."""
    chance = random.Random(3)
    assert len(between_jumps(nights([chance.gauss(0, 0.003) for _ in range(60)]))) == 1
    assert len(between_jumps(nights([1.0 * night for night in range(60)]))) == 1


def test_nights_out_of_order_are_left_out() -> None:
    """A runner whose clock was set back would fold time over; two runs at one moment say nothing of a rate."""
    samples = nights([0.0, 1.0, 2.0])
    assert in_order([samples[0], samples[2], samples[1], samples[2]]) == [samples[0], samples[2]]
    assert clock_trend("a", "", [], LIMITS) is None


def endings(*segments: tuple[int, int]) -> list[Ending]:
    """(nights, days of life left at the last of them) for each certificate in turn."""
    found: list[Ending] = []
    for count, left in segments:
        last = START + (len(found) + count - 1) * DAY
        found += [Ending(START + (len(found) + night) * DAY, int(last + left * DAY)) for night in range(count)]
    return found


def test_the_end_of_a_certificate_is_no_estimate() -> None:
    """40 days left on 2027-01-10: 30 on 2027-01-20, 7 on 2027-02-12."""
    trend = certificate_trend("dome-a", "443/tcp", endings((10, 40)), LIFE)
    assert trend is not None
    assert [(one.grade, one.earliest, one.latest) for one in trend.crossings] == [
        (Grade.CAUTION, "2027-01-20", "2027-01-20"), (Grade.FAIL, "2027-02-12", "2027-02-12")]
    assert trend.jumps == 0


def test_without_limits_there_is_no_day() -> None:
    """A run may have been made without them; the life is told all the same."""
    trend = certificate_trend("dome-a", "443/tcp", endings((10, 40)), None)
    assert trend is not None
    assert trend.crossings == ()


def test_a_limit_that_is_behind_has_no_day() -> None:
    """Ten days left: the caution is a finding already."""
    trend = certificate_trend("dome-a", "443/tcp", endings((10, 10)), LIFE)
    assert trend is not None
    assert [one.grade for one in trend.crossings] == [Grade.FAIL]


def test_renewals_are_told_with_how_late_the_latest_came() -> None:
    """Twice renewed, once with 35 and once with 20 days left."""
    trend = certificate_trend("dome-a", "443/tcp", endings((5, 35), (5, 20), (5, 80)), LIFE)
    assert trend is not None
    assert (trend.jumps, trend.nights, trend.since) == (2, 5, "2027-01-11")
    assert "renewed 2 times, the latest with 20 d left" in trend.why


def test_a_certificate_without_an_end_has_no_trend() -> None:
    """RFC 5280 section 4.1.2.5: 9999-12-31T23:59:59Z means no defined expiry."""
    assert certificate_trend("dome-a", "443/tcp", [Ending(START, 253402300799)], LIFE) is None
    assert certificate_trend("dome-a", "443/tcp", [], LIFE) is None
