"""The selection of time sources (RFC 5905 section 11.2.1) on worked cases and on anything at all."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.quantities import Interval
from verify.grading.clock.selection import Agreement, Candidate, camps, intersection, select


def voters(*intervals: tuple[float, float]) -> list[Candidate]:
    """Candidates a, b, c ... with (offset, root distance) each."""
    return [Candidate(chr(ord("a") + place), Interval.around(*pair)) for place, pair in enumerate(intervals)]


def chosen(*intervals: tuple[float, float]) -> Agreement:
    return select(voters(*intervals))


def ends(result: Agreement) -> tuple[float, float]:
    assert result.agreed is not None
    return result.agreed.lo, result.agreed.hi


def test_three_that_overlap_agree_on_what_all_of_them_allow() -> None:
    """No falseticker is assumed first: the interval is the common part of all three."""
    result = chosen((0.0, 0.010), (0.002, 0.010), (-0.003, 0.010))
    assert ends(result) == pytest.approx((-0.008, 0.007))
    assert (result.truechimers, result.falsetickers, result.undecided) == (("a", "b", "c"), (), ())
    assert result.corroborated


def test_three_good_ones_expose_one_liar() -> None:
    """RFC 8633 section 3.2: four sources survive one that lies."""
    result = chosen((0.0, 0.010), (0.001, 0.010), (7.0, 0.010), (-0.001, 0.010))
    assert (result.truechimers, result.falsetickers) == (("a", "b", "d"), ("c",))
    assert ends(result) == pytest.approx((-0.009, 0.009))


def test_two_of_three_outvote_the_third() -> None:
    """One falseticker is fewer than half of three."""
    result = chosen((0.0, 0.01), (100.0, 0.01), (0.005, 0.01))
    assert (result.truechimers, result.falsetickers) == (("a", "c"), ("b",))


def test_two_against_two_is_no_majority() -> None:
    """Two falsetickers are not fewer than half of four: nobody may be believed."""
    result = chosen((0.0, 0.01), (0.001, 0.01), (7.0, 0.01), (7.001, 0.01))
    assert (result.agreed, result.truechimers, result.falsetickers) == (None, (), ())
    assert result.reason == "no majority of the 4 usable time sources agrees on the time"
    assert camps(result.candidates) == (("a", "b"), ("c", "d"))


def test_three_of_five_outvote_two_that_lie_apart() -> None:
    """Two falsetickers are fewer than half of five, whether or not they lie alike."""
    for liars in ((7.0, 7.0), (7.0, -7.0)):
        result = chosen((0.0, 0.01), (liars[0], 0.01), (0.001, 0.01), (liars[1], 0.01), (0.002, 0.01))
        assert (result.truechimers, result.falsetickers) == (("a", "c", "e"), ("b", "d"))


def test_one_source_alone_is_believed_and_said_to_be_uncorroborated() -> None:
    """RFC 8633 section 3.2: with one there is no check."""
    result = chosen((3.0, 0.5))
    assert (result.agreed, result.truechimers, result.corroborated) == (Interval(2.5, 3.5), ("a",), False)


def test_two_that_exclude_each_other_agree_on_nothing() -> None:
    """RFC 8633 section 3.2: two cannot arbitrate."""
    result = chosen((0.0, 0.01), (7.0, 0.01))
    assert result.agreed is None
    assert result.reason == "the two usable time sources contradict each other, and two cannot tell which of them is wrong"


@pytest.mark.parametrize("other", [(0.015, 0.010), (0.020, 0.010), (0.015, 0.100)])
def test_two_that_overlap_with_their_edges_only_agree_on_nothing_and_contradict_nobody(other: tuple[float, float]) -> None:
    """A midpoint lies outside the common part: the rule that RFC 5905 adds to Marzullo's, so no time is agreed on."""
    result = chosen((0.0, 0.010), other)
    assert result.agreed is None
    assert len(camps(result.candidates)) == 1
    assert "overlap" in result.reason
    assert "contradict" not in result.reason


def test_two_that_just_miss_each_other_contradict_each_other() -> None:
    """The first gap between the intervals makes two camps."""
    assert "contradict" in chosen((0.0, 0.010), (0.0201, 0.010)).reason


def test_nobody_fit_is_no_agreement() -> None:
    """And the reason stays with the agreement."""
    result = select([])
    assert (result.agreed, result.reason) == (None, "no planned time source gave a usable time")


def test_one_huge_interval_neither_moves_the_time_nor_is_called_a_liar() -> None:
    """It contains the truth although its midpoint is far away: too vague to count, too vague to blame.

    It takes up the place of the one falseticker that four sources may have, so the agreed time is what any three allow.
    """
    result = chosen((0.0, 0.010), (5.0, 10.0), (0.001, 0.010), (-0.001, 0.010))
    assert (result.truechimers, result.falsetickers, result.undecided) == (("a", "c", "d"), (), ("b",))
    assert ends(result) == pytest.approx((-0.01, 0.01))


def test_a_huge_interval_around_the_truth_agrees_with_the_others() -> None:
    """Its midpoint lies inside what the others agree on."""
    result = chosen((0.0, 10.0), (0.001, 0.010), (-0.001, 0.010))
    assert result.truechimers == ("a", "b", "c")
    assert ends(result) == pytest.approx((-0.009, 0.009))


@pytest.mark.parametrize(("gap", "agreed"), [(0.0999, True), (0.1, True), (0.1001, False)])
def test_each_midpoint_must_lie_in_the_others_interval(gap: float, agreed: bool) -> None:
    """Just below, equal to and just above the root distance of 100 ms, for two sources."""
    assert (intersection([Interval(-0.1, 0.1), Interval(gap - 0.1, gap + 0.1)]) is not None) is agreed


def test_the_order_of_the_sources_changes_nothing() -> None:
    """Every order of a mixed field of five gives one answer."""
    field = voters((0.0, 0.01), (0.004, 0.02), (7.0, 0.01), (0.001, 3.0), (-0.002, 0.01))
    results = {(frozenset(result.truechimers), frozenset(result.falsetickers), result.agreed)
               for order in itertools.permutations(field) for result in (select(order),)}
    assert len(results) == 1


@pytest.mark.parametrize(("fields", "expected"), [
    ([(0, 1), (5, 1), (10, 1)], (("a",), ("b",), ("c",))),
    ([(10, 1), (0, 1), (1, 1)], (("b", "c"), ("a",))),
    ([(0, 1), (2, 1), (4, 1)], (("a", "b", "c"),)),
    ([], ()),
])
def test_camps_are_the_groups_that_overlap_the_largest_first(
        fields: list[tuple[float, float]], expected: tuple[tuple[str, ...], ...]) -> None:
    """Overlap may be through a third; touching counts."""
    assert camps(voters(*fields)) == expected


pairs = st.tuples(st.floats(-100, 100), st.floats(0.0025, 50))


@given(st.lists(pairs, max_size=9))
def test_the_agreed_interval_lies_inside_one_of_the_sources_and_is_backed_by_a_majority(
        fields: list[tuple[float, float]]) -> None:
    """Nothing is agreed on that no single source allows; each group is disjoint; the majority is real."""
    result = chosen(*fields)
    if result.agreed is None:
        assert result.reason
        return
    low, high = result.agreed.lo, result.agreed.hi
    intervals = [voter.interval for voter in result.candidates]
    assert any(interval.lo <= low and high <= interval.hi for interval in intervals)
    assert len(result.truechimers) * 2 > len(intervals)
    assert sorted((*result.truechimers, *result.falsetickers, *result.undecided)) == [v.name for v in result.candidates]


@given(st.floats(-100, 100), st.lists(st.tuples(st.floats(-1, 1), st.floats(0.0025, 50)), min_size=3, max_size=7),
       st.lists(pairs, max_size=2))
def test_honest_sources_in_the_majority_always_bracket_the_truth(
        truth: float, honest: list[tuple[float, float]], liars: list[tuple[float, float]]) -> None:
    """With fewer liars than half, whatever is agreed on contains the true time."""
    told = [(truth + share * 0.999 * distance, distance) for share, distance in honest]
    result = chosen(*told, *liars)
    if result.agreed is not None:
        assert truth in Interval(result.agreed.lo - 1e-9, result.agreed.hi + 1e-9)
