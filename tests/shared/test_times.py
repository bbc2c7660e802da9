"""Times of day as text."""

from __future__ import annotations

import datetime

import pytest

from shared.times import read_time


@pytest.mark.parametrize("text", ["", "2027", "yesterday", "2027-03-04T09:12:24", "\x00"])
def test_what_is_no_time_is_no_time(text: str) -> None:
    """A time without a zone is none either."""
    assert read_time(text) is None


@pytest.mark.parametrize(("text", "utc"), [
    ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57+00:00"),          # RFC 3339 section 5.8
    ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870000+00:00"),  # the same: Amsterdam's time, nearly
    ("1985-04-12T19:20:50.52-04:00", "1985-04-12T23:20:50.520000+00:00"),  # RFC 5424 section 6.2.3.1
    ("2003-10-11T22:14:15.003Z", "2003-10-11T22:14:15.003000+00:00"),
    ("2003-08-24T05:14:15.000003-07:00", "2003-08-24T12:14:15.000003+00:00"),
])
def test_the_examples_of_the_standards_are_read(text: str, utc: str) -> None:
    """RFC 3339 section 5.8 and RFC 5424 section 6.2.3.1, without the leap second, which nothing here ever writes."""
    moment = read_time(text)
    assert moment is not None
    assert moment.astimezone(datetime.UTC).isoformat() == utc


@pytest.mark.parametrize("text", ["1985-04-12T23:20:50.52Z", "1985-04-13T00:20:50.52+01:00"])
def test_a_time_is_read_with_its_zone(text: str) -> None:
    """The first example of RFC 3339 section 5.8, and the same moment an hour to the east."""
    assert read_time(text) == datetime.datetime(1985, 4, 12, 23, 20, 50, 520_000, tzinfo=datetime.UTC)
