"""Where every clock stands on the line: against the agreed time, not against whatever its finding measured."""

from __future__ import annotations

from types import ModuleType

import msgspec
import pytest

from reports import clocksview
from shared.findings import SITE, Finding, Grade, Measured
from shared.run import Report


def with_site(report: Report, *findings: Finding) -> Report:
    return msgspec.structs.replace(report, site=msgspec.structs.replace(report.site, findings=findings))


def judged(check: str, subject: str, grade: Grade, measured: Measured | None) -> Finding:
    return Finding(check=check, ref=f"{SITE}|{check}|{subject}", subject=subject, grade=grade, planned="", found="", message="",
                   measured=measured)


@pytest.fixture
def report(sample: ModuleType) -> Report:
    """Sources 192.0.2.61 to .64 of which .61 was seen 60 µs behind the runner, and a runner 60 µs ± 90 µs ahead."""
    made = sample.three()
    assert isinstance(made, Report)
    return made


RUNNER = judged("clock.runner", "runner", Grade.PASS, Measured(6e-5, 9e-5, "s"))


def test_a_source_stands_where_the_runner_and_the_exchange_put_it(report: Report) -> None:
    """Its root distance, which its finding measures, is how wrong it may be, and no place on the line."""
    distance = judged("clock.source", "192.0.2.61", Grade.PASS, Measured(0.01, 0.0, "s"))
    line = clocksview.clocks(with_site(report, distance, RUNNER), "obs.example.net")
    assert line is not None
    source, runner = line.above
    assert source.text == "192.0.2.61: 0 µs ± 110 µs"
    assert runner.text == "runner: 60 µs ± 90 µs"
    assert source.at < runner.at


def test_a_source_proven_wrong_stands_where_it_was_proven_to_be(report: Report) -> None:
    """And needs a look."""
    wrong = judged("clock.sources-agree", "192.0.2.61", Grade.FAIL, Measured(41.7, 0.02, "s"))
    fine = judged("clock.source", "192.0.2.61", Grade.PASS, Measured(0.01, 0.0, "s"))
    line = clocksview.clocks(with_site(report, fine, wrong, RUNNER), "obs.example.net")
    assert line is not None
    assert [dot.text for dot in line.outside if dot in line.above] == ["192.0.2.61: 41.7 s ± 20 ms"]


@pytest.mark.parametrize("runner", [(), (judged("clock.runner", "runner", Grade.UNPROVEN, None),)])
def test_without_the_runners_own_place_no_source_has_one(report: Report, runner: tuple[Finding, ...]) -> None:
    """An offset to a clock that stands nowhere is not drawn."""
    distance = judged("clock.source", "192.0.2.61", Grade.PASS, Measured(0.01, 0.0, "s"))
    line = clocksview.clocks(with_site(report, distance, *runner), "obs.example.net")
    assert line is not None
    assert line.above == ()


def test_a_long_name_on_the_line_keeps_its_ends_and_is_whole_below(sample: ModuleType) -> None:
    """It ran off the side of a narrow page."""
    name = "a-machine-in-the-third-row-of-the-hall-under-the-long-dome-02"
    host, = sample.drafts([name])
    report = sample.assemble(sample.site_sound(), [host], [sample.plant_clock(host, 37.2, "37.2 s")])
    line = clocksview.clocks(report, "obs.example.net")
    assert line is not None
    dot, = line.outside
    assert dot.label == "a-machine-in-…e-long-dome-02"
    assert dot.text.startswith(f"{name}: ")
