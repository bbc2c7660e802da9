"""Hostile text is shown as what it is."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.safetext import visible, without_surrogates


@pytest.mark.parametrize("text", ["", "dome-a.obs.example.net", 'a "b" <c> & \'d\'', "Größe ± 3 µs", "北斗", "a\\x1b"])
def test_ordinary_text_is_left_alone(text: str) -> None:
    """Letters of any script, punctuation and mark-up characters are the template's business."""
    assert visible(text) == text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("\x1b[2J", "<U+001B>[2J"),
        ("a\nb", "a<U+000A>b"),
        ("a\r\tb", "a<U+000D><U+0009>b"),
        ("\x00", "<U+0000>"),
        ("\x7f\x85\x9b", "<U+007F><U+0085><U+009B>"),
        ("abc\u202etxt.exe", "abc<U+202E>txt.exe"),
        ("\u2066\u2067\u2068\u2069", "<U+2066><U+2067><U+2068><U+2069>"),
        ("\u200e\u200f\u061c", "<U+200E><U+200F><U+061C>"),
        ("do\u200bme", "do<U+200B>me"),
        ("\ufeffdome", "<U+FEFF>dome"),
        ("a\u00a0b", "a<U+00A0>b"),
        ("a\u2028b\u2029c", "a<U+2028>b<U+2029>c"),
        ("\ud800", "<U+D800>"),
        ("\ue000", "<U+E000>"),
        ("\U000e0041", "<U+E0041>"),
        ("\u3164\u2800", "<U+3164><U+2800>"),
        ("a\ufe0f", "a<U+FE0F>"),
    ],
)
def test_what_would_not_show_is_written_out(text: str, expected: str) -> None:
    """Control, direction, zero-width, surrogate, private and blank characters become their code point."""
    assert visible(text) == expected


@given(st.text())
def test_nothing_of_a_control_or_format_category_is_left(text: str) -> None:
    """Whatever comes in, no character that acts instead of showing goes out."""
    assert not [c for c in visible(text) if unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"}]


@given(st.text())
def test_twice_is_once(text: str) -> None:
    """The function is idempotent, so a renderer that calls it twice does no harm."""
    assert visible(visible(text)) == visible(text)


@given(st.text(alphabet=st.characters(max_codepoint=0x2FFF, categories=("L", "N", "P", "S"))))
def test_letters_digits_and_signs_survive(text: str) -> None:
    """Nothing that shows as itself is lost, the blank characters apart."""
    blank = set("\u115f\u1160\u17b4\u17b5\u2800")
    assert visible(text) == text or blank & set(text)


def test_text_that_utf_8_cannot_hold_costs_one_character_each() -> None:
    """In keys too; everything else stays as it is, a whole number and an accent among it."""
    held = {"a\ud800": ["\udcff\udcfe", "Größe", 1, 1.5, None, True], "b": {"c": ""}}
    assert without_surrogates(held) == {"a?": ["??", "Größe", 1, 1.5, None, True], "b": {"c": ""}}
    with pytest.raises(ValueError, match="JSON compliant"):
        without_surrogates([float("inf")])
