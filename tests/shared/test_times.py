"""Times of day as text."""

from __future__ import annotations

import datetime

import pytest

from shared.times import read_time


@pytest.mark.parametrize("text", ["", "2027", "yesterday", "2027-03-04T09:12:24", "\x00"])
def test_what_is_no_time_is_no_time(text: str) -> None:
    """A time without a zone is none either."""
    assert read_time(text) is None


@pytest.mark.parametrize("text", ["1985-04-12T23:20:50.52Z", "1985-04-13T00:20:50.52+01:00"])
def test_a_time_is_read_with_its_zone(text: str) -> None:
    """The first example of RFC 3339 section 5.8, and the same moment an hour to the east."""
    assert read_time(text) == datetime.datetime(1985, 4, 12, 23, 20, 50, 520_000, tzinfo=datetime.UTC)
