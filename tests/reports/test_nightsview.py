"""Pictures of the nights: what is drawn, where, in which order, and that words say the same."""

from __future__ import annotations

import re
from types import ModuleType

import msgspec
import pytest

from reports import nightsview
from reports.findingview import Names
from reports.html import to_html
from reports.nightsview import HIGH, MOST_PANELS, NightsView
from shared.drift import Crossing
from shared.findings import Grade
from shared.history import Night, Nights
from shared.run import Report

DOMAIN = "obs.example.net"


def drawn(report: Report, nights: Nights) -> tuple[NightsView, ...]:
    return nightsview.kinds(report, nights, Names(report), DOMAIN)


def spans(path: str) -> list[tuple[int, int, int]]:
    """(across, top, length) of each interval."""
    return [(int(x), int(y), int(v)) for x, y, v in re.findall(r"M(\d+) (-?\d+)v(\d+)", path)]


@pytest.fixture
def report(sample: ModuleType) -> Report:
    made = sample.three()
    assert isinstance(made, Report)
    return made


@pytest.fixture
def nights(sample: ModuleType, report: Report) -> Nights:
    made = sample.nights(report)
    assert isinstance(made, Nights)
    return made


def test_every_night_is_an_interval_from_left_to_right(report: Report, nights: Nights) -> None:
    """One a night, in order, within the picture, and never too short to be seen."""
    clocks = drawn(report, nights)[0]
    assert len(clocks.panels) == len(nights.clocks) > 1
    for panel in clocks.panels:
        seen = spans(panel.path)
        assert len(seen) == 30
        assert [x for x, _, _ in seen] == sorted({x for x, _, _ in seen})
        assert all(0 <= y <= HIGH and length >= 3 for _, y, length in seen)


def test_a_clock_that_moves_forward_is_drawn_upward(report: Report, nights: Nights) -> None:
    """Ahead is above the middle line, behind is below it, and the limits stand on both sides."""
    clocks = drawn(report, nights)[0]
    panel = next(one for one in clocks.panels if one.label.startswith("dome-a"))
    tops = [y for _, y, _ in spans(panel.path)]
    assert tops[0] > clocks.zero >= tops[-1]
    assert sorted(key for key, _ in panel.bounds) == ["c", "c", "f", "f"]
    below = [height for _, height in panel.bounds if height > clocks.zero]
    assert len(below) == 2


def test_a_clock_hours_off_does_not_flatten_the_others(report: Report, nights: Nights) -> None:
    """It is drawn at the edge, which is said; without it nothing of the kind is said."""
    far = msgspec.structs.replace(nights.clocks[-1], nights=tuple(
        msgspec.structs.replace(night, value=7200.0) for night in nights.clocks[-1].nights))
    with_far = drawn(report, msgspec.structs.replace(nights, clocks=(*nights.clocks[:-1], far)))[0]
    assert "farther off is drawn at the edge" in with_far.said
    assert all(y >= 0 for panel in with_far.panels for _, y, _ in spans(panel.path))
    near = msgspec.structs.replace(nights, clocks=nights.clocks[:1])
    assert "farther off" not in drawn(report, near)[0].said


def test_a_renewal_lifts_the_line_and_the_nights_between_say_nothing(report: Report, nights: Nights) -> None:
    """A life shortens by a day a day: only the corners are drawn."""
    lives = drawn(report, nights)[1]
    for panel in lives.panels:
        corners = [(int(x), int(y)) for x, y in re.findall(r"[ML](\d+) (-?\d+)", panel.path)]
        assert len(corners) == 4
        assert corners[2][1] < corners[1][1]
    assert "more than" not in lives.said


def test_the_trend_stands_beside_its_picture_in_words(report: Report, nights: Nights) -> None:
    """And the picture links to the finding it belongs to."""
    clocks, lives = drawn(report, nights)
    ids = set(re.findall(r' id="([^"]+)"', to_html(report, nights=nights)))
    assert all(panel.target in ids for kind in (clocks, lives) for panel in kind.panels)
    assert all("1 ms ± 100 µs a day over 30 nights since 2027-02-03" in panel.text for panel in clocks.panels)
    assert all("5 nights with this certificate" in panel.text for panel in lives.panels)
    assert "caution, dashed: 100 ms" in clocks.said
    assert "From 2027-02-03 to 2027-03-04." in clocks.said


def test_the_nights_are_counted_once(report: Report, nights: Nights) -> None:
    """Where the certificate is the same all along, the picture's nights are the trend's."""
    lives = drawn(report, nights)[1]
    assert all(panel.text.startswith("30 nights; ") for panel in lives.panels)
    same = tuple(msgspec.structs.replace(trend, nights=30) for trend in nights.trends)
    [told] = {panel.text.count("30 nights") for panel in drawn(report, msgspec.structs.replace(nights, trends=same))[1].panels}
    assert told == 1


def test_every_picture_of_many_hosts_links_to_a_place_in_the_page(sample: ModuleType) -> None:
    """What passed has no place of its own there: its picture links to its host."""
    report = sample.fleet(100)
    page = to_html(report, nights=sample.nights(report, 6))
    ids, hrefs = (set(re.findall(rf' {name}="#?([^"]+)"', page)) for name in ("id", "href"))
    assert "<svg viewBox=\"0 0 400 64\"" in page
    assert hrefs <= ids


def test_what_reaches_a_limit_first_comes_first_and_the_rest_is_counted(sample: ModuleType) -> None:
    """A fleet gets as many pictures as can be looked at."""
    report = sample.fleet(100)
    nights = sample.nights(report, 6)
    last = nights.clocks[-1].host
    soon = Crossing(grade=Grade.CAUTION, limit=0.1, earliest="2027-03-09", latest="2027-03-11")
    trends = tuple(msgspec.structs.replace(trend, crossings=(soon,)) if trend.host == last else trend for trend in nights.trends)
    clocks = drawn(report, msgspec.structs.replace(nights, trends=trends))[0]
    assert clocks.panels[0].label.startswith(last.partition(".")[0])
    assert len(clocks.panels) == MOST_PANELS
    assert clocks.unseen == len(nights.clocks) - MOST_PANELS > 0


@pytest.mark.parametrize("broken", ["one night", "no value", "time stands still", "no time"])
def test_fewer_than_two_nights_are_no_picture(report: Report, nights: Nights, broken: str) -> None:
    """Nor are nights without a value, at one and the same time, or at none."""
    first = nights.clocks[0]
    changed: dict[str, tuple[Night, ...]] = {
        "one night": first.nights[:1],
        "no value": tuple(msgspec.structs.replace(night, value=None) for night in first.nights),
        "time stands still": tuple(msgspec.structs.replace(night, started=first.nights[0].started) for night in first.nights),
        "no time": tuple(msgspec.structs.replace(night, started="yesterday") for night in first.nights),
    }
    one = msgspec.structs.replace(first, nights=changed[broken])
    assert drawn(report, msgspec.structs.replace(nights, clocks=(one,), endings=())) == ()


def test_what_the_report_does_not_judge_is_not_drawn(report: Report, nights: Nights) -> None:
    """A host that left the plan is in the history, not in this report."""
    gone = tuple(msgspec.structs.replace(one, host="gone.obs.example.net") for one in nights.clocks)
    assert drawn(report, msgspec.structs.replace(nights, clocks=gone, endings=())) == ()


def test_a_certificate_without_an_end_is_drawn_at_the_top(report: Report, nights: Nights) -> None:
    """RFC 5280 section 4.1.2.5: the year 9999 is no end, and would flatten every other life."""
    first = nights.endings[0]
    endless = msgspec.structs.replace(first, nights=tuple(
        msgspec.structs.replace(night, not_after_unix=253402300799) for night in first.nights))
    lives = drawn(report, msgspec.structs.replace(nights, clocks=(), endings=(endless, *nights.endings[1:])))[0]
    assert "more than 400 days are drawn at the top" in lives.said


def test_without_nights_the_page_is_as_it_was(report: Report) -> None:
    """The nights are an addition, and nothing else depends on them."""
    assert to_html(report, nights=Nights()) == to_html(report)
    assert 'id="nights"' not in to_html(report)
