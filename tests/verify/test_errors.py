"""The errors that a person can mend: shown one a line, in the order of the lines, with the nearest known word."""

from __future__ import annotations

import pytest

from shared.plan import Place
from verify.errors import PlanError, Problems, did_you_mean, nearest

KNOWN = ("gateway", "subnet", "mtu", "vlan")


def test_a_plan_error_shows_one_problem_a_line() -> None:
    """A line end or a cursor movement in a file's own words cannot break the lines."""
    error = PlanError("site.toml:1: one", "site.toml:2: [roles.a\nb\x1b[2J] two")
    assert error.problems == ("site.toml:1: one", "site.toml:2: [roles.a<U+000A>b<U+001B>[2J] two")
    assert str(error).splitlines() == list(error.problems)


def test_problems_come_in_the_order_of_the_lines_each_once() -> None:
    """Another file's problems stand where it is named; problems of one line keep their order."""
    problems = Problems()
    problems.add(Place("site.toml", 9), "third")
    problems.add(Place("site.toml", 2), "first")
    problems.adopt(Place("site.toml", 5), PlanError("hosts.csv, row 7: b", "hosts.csv, row 8: a"))
    problems.add(Place("site.toml", 2), "second")
    problems.add(Place("site.toml", 9), "third")
    with pytest.raises(PlanError) as caught:
        problems.raise_if_any()
    assert caught.value.problems == (
        "site.toml:2: first", "site.toml:2: second", "hosts.csv, row 7: b", "hosts.csv, row 8: a", "site.toml:9: third")


def test_without_problems_nothing_is_raised() -> None:
    """The reader goes on."""
    Problems().raise_if_any()


@pytest.mark.parametrize(("word", "meant"), [
    ("gatway", "gateway"), ("GATEWAY", "gateway"), ("gateways", "gateway"), ("sub-net", "subnet"), ("mtU", "mtu"),
    ("colour", None), ("", None), ("g" * 100_000, None),
])
def test_the_nearest_known_word_is_a_slip_or_two_away(word: str, meant: str | None) -> None:
    """What is farther off would be a guess."""
    assert nearest(word, KNOWN) == meant


def test_where_nothing_is_near_all_known_words_are_said() -> None:
    """Four keys are read faster than a manual."""
    assert did_you_mean("colour", KNOWN) == "known are gateway, subnet, mtu, vlan"
    assert did_you_mean("colour", ()) == "none is known here"


def test_of_very_many_known_words_the_first_are_said() -> None:
    """The hosts of a large site are no sentence."""
    ends = did_you_mean("xyz", [f"node-{number:03d}" for number in range(320)])
    assert ends.startswith("known are node-000, node-001, ")
    assert ends.endswith(", node-019 and 300 more")
