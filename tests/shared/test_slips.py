"""The slip behind a mistyped value."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.addresses import mask_of, parse_mask
from shared.slips import distance, nearest, nearest_mask


def _any(prefix: int) -> bool:
    return True


@pytest.mark.parametrize(("one", "other", "slips"), [
    ("", "", 0), ("", "abc", 3), ("abc", "abc", 0), ("abc", "acb", 1), ("abc", "abcc", 1), ("abc", "ab", 1), ("abc", "axc", 1),
    ("ca", "abc", 3),                       # restricted: no letter is touched twice, else this would be 2
    ("kitten", "sitting", 3)])              # the textbook example
def test_distance(one, other, slips):
    """Put in, left out, replaced or swapped with the neighbour: each is one."""
    assert distance(one, other) == distance(other, one) == slips


@given(st.text(max_size=8), st.text(max_size=8))
def test_distance_is_between_nothing_and_retyping(one, other):
    """Zero only for equal texts, never more than the longer text, symmetric."""
    slips = distance(one, other)
    assert (slips == 0) == (one == other)
    assert abs(len(one) - len(other)) <= slips <= max(len(one), len(other))
    assert slips == distance(other, one)


@pytest.mark.parametrize(("wrong", "mask", "words"), [
    ("255.255.235.0", "255.255.255.0", "one digit away (3 for 5)"),
    ("255.255.2555.0", "255.255.255.0", "one digit away (5 doubled)"),
    ("255.255.255.00", "255.255.255.0", "one digit away (0 doubled)"),
    ("255.255.25.0", "255.255.255.0", "one digit away (5 left out)"),
    ("255.255.255.24", "255.255.255.224", "one digit away (2 left out)"),
    ("255.255.0", "255.255.255.0", "one octet away (255 dropped)"),
    ("255.255.255", "255.255.255.0", "one octet away (0 dropped)"),
    ("525.255.255.0", "255.255.255.0", "one swap away (52 for 25)"),
    ("255.255.255.129", "255.255.255.128", "one digit away (9 for 8)"),
    ("255.255.255.O", "255.255.255.0", "one digit away (O for 0)"),
    ("255.255.255.10", "255.255.255.0", "one digit away (1 too many)"),
    ("0.0.0.255", "255.255.255.0", "the host mask turned round"),
    ("0.0.3.255", "255.255.252.0", "the host mask turned round"),
])
def test_the_nearest_mask_and_the_slip_in_words(wrong, mask, words):
    """What a tired hand does to a mask."""
    prefix, how = nearest_mask(wrong, _any)
    assert (mask_of(prefix), how) == (mask, words)


def test_of_equally_near_masks_the_one_that_fits_wins():
    """255.255.225.0 is one digit from 255.255.255.0 and from 255.255.224.0: what is planned there decides."""
    assert nearest_mask("255.255.225.0", _any)[0] == 24
    assert nearest_mask("255.255.225.0", lambda prefix: prefix < 20)[0] == 19


def test_where_no_mask_is_near_the_commonest_that_fits_is_offered():
    """Text that no slip explains says nothing about the mask; what is planned there does."""
    assert nearest_mask("a mask", lambda prefix: prefix == 27) == (27, "the commonest that holds everything planned there")
    assert nearest_mask("a mask", lambda prefix: False) == (24, "the commonest")


@given(st.one_of(st.text(), st.from_regex(r"[0-9.]{0,20}")), st.sets(st.integers(1, 32)))
def test_the_nearest_mask_is_always_a_mask(wrong, fitting):
    """Whatever was typed and whatever fits, the mend can be typed: a mask, and never the mask of all zeros."""
    prefix, how = nearest_mask(wrong, lambda prefix: prefix in fitting)
    assert parse_mask(mask_of(prefix)) == prefix >= 1
    assert how


@pytest.mark.parametrize(("wrong", "meant", "words"), [
    ("nod", "node", "one letter away (e left out)"),
    ("nodes", "node", "one letter away (s too many)"),
    ("noed", "node", "one swap away (ed for de)"),
    ("n-ode", "node", "one character away (- too many)"),
    ("note2", "node", "2 characters away"),
])
def test_the_nearest_name(wrong, meant, words):
    """A misspelled reference is led back to a name that exists."""
    slip = nearest(wrong, ["gateway", "node", "storage"])
    assert (slip.meant, slip.words) == (meant, words)


@pytest.mark.parametrize(("wrong", "candidates"), [
    ("router", ["node"]), ("node", ["node"]), ("node", []), ("", ["node"]), ("nxyze", ["node"])])
def test_what_is_not_near_is_not_guessed(wrong, candidates):
    """Beyond two slips nothing is offered; nor is what was typed itself."""
    assert nearest(wrong, candidates) is None


def test_the_earlier_of_equals_is_offered():
    """The caller's order says which is likelier."""
    assert nearest("dome-x", ["dome-a", "dome-b"]).meant == "dome-a"
    assert nearest("dome-x", ["dome-b", "dome-a"]).meant == "dome-b"
