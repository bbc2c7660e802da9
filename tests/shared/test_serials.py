"""Zone serials wrap around."""

from __future__ import annotations

import pytest

from shared.serials import newer


@pytest.mark.parametrize(("one", "other"), [
    (1, 0), (44, 0), (100, 0), (100, 44), (200, 100), (255, 200), (0, 255), (100, 255), (0, 200), (44, 200)])
def test_the_eight_bit_examples_of_rfc_1982(one: int, other: int) -> None:
    """RFC 1982 section 5.2, both ways round."""
    assert newer(one, other, bits=8) is True
    assert newer(other, one, bits=8) is False


@pytest.mark.parametrize(("one", "other", "said"), [
    (1, 0, True), (2, 1, True), (3, 2, True), (0, 3, True), (2, 0, None), (0, 2, None), (1, 3, None), (3, 1, None)])
def test_the_two_bit_examples_of_rfc_1982(one: int, other: int, said: bool | None) -> None:
    """RFC 1982 section 5.1, with its two undefined pairs."""
    assert newer(one, other, bits=2) is said


@pytest.mark.parametrize(("ahead", "said"), [
    (0, False), (1, True), (2147483647, True), (2147483648, None), (2147483649, False), (4294967295, False)])
def test_the_edges_of_half_the_circle(ahead: int, said: bool | None) -> None:
    """An increment of 2147483647 is the largest that counts as newer (RFC 1982 section 3)."""
    start = 4294967000
    assert newer((start + ahead) % 2**32, start) is said
