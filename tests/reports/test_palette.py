"""The colours can be read and told apart, by the published formulas."""

from __future__ import annotations

import itertools

import pytest

from reports.palette import DARK, LIGHT, Palette

#: Colour-vision deficiencies at full severity, as matrices on linear RGB (Machado, Oliveira and Fernandes, 2009, table 1).
DEFICIENCIES = {
    "none": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "protanopia": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deuteranopia": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritanopia": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}
#: The least distance of two grades in OKLab, in hundredths: common practice, no source; 2 is about the least seen side by side.
APART = 8.0
GRADES = ("passed", "caution", "fail", "unproven", "waived")


def linear(colour: str) -> tuple[float, float, float]:
    """The sRGB transfer function with the threshold of the WCAG 2.2 glossary."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return red, green, blue


def contrast(one: str, other: str) -> float:
    """The contrast ratio of the WCAG 2.2 glossary."""
    lights = sorted(0.2126 * red + 0.7152 * green + 0.0722 * blue for red, green, blue in map(linear, (one, other)))
    return (lights[1] + 0.05) / (lights[0] + 0.05)


def oklab(rgb: tuple[float, float, float]) -> tuple[float, float, float]:
    red, green, blue = (min(1.0, max(0.0, part)) for part in rgb)
    long = (0.4122214708 * red + 0.5363325363 * green + 0.0514459929 * blue) ** (1 / 3)
    middle = (0.2119034982 * red + 0.6806995451 * green + 0.1073969566 * blue) ** (1 / 3)
    short = (0.0883024619 * red + 0.2817188376 * green + 0.6299787005 * blue) ** (1 / 3)
    return (0.2104542553 * long + 0.7936177850 * middle - 0.0040720468 * short,
            1.9779984951 * long - 2.4285922050 * middle + 0.4505937099 * short,
            0.0259040371 * long + 0.7827717662 * middle - 0.8086757660 * short)


def seen_apart(one: str, other: str, deficiency: str) -> float:
    """How far apart two colours are to such an eye, in hundredths of OKLab."""
    matrix = DEFICIENCIES[deficiency]
    seen = []
    for colour in (one, other):
        rgb = linear(colour)
        red, green, blue = (sum(weight * part for weight, part in zip(row, rgb, strict=True)) for row in matrix)
        seen.append(oklab((red, green, blue)))
    return 100 * sum((a - b) ** 2 for a, b in zip(*seen, strict=True)) ** 0.5


@pytest.mark.parametrize(
    ("colour", "ground", "expected"),
    [("#000000", "#ffffff", 21.00), ("#767676", "#ffffff", 4.54), ("#777777", "#ffffff", 4.48), ("#595959", "#ffffff", 7.00),
     ("#949494", "#ffffff", 3.03), ("#ff0000", "#ffffff", 4.00), ("#008000", "#ffffff", 5.14), ("#ffa500", "#ffffff", 1.97),
     ("#0000ff", "#ffffff", 8.59), ("#ffff00", "#000000", 19.56)],
)
def test_the_formula_gives_the_known_ratios(colour: str, ground: str, expected: float) -> None:
    """Ratios known from the WCAG formula, so that the checks below measure what they say."""
    assert round(contrast(colour, ground), 2) == expected


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "card"])
@pytest.mark.parametrize("text", ["ink", "soft", "link"])
def test_text_can_be_read(palette: Palette, ground: str, text: str) -> None:
    """WCAG 2.2, 1.4.3: at least 4.5:1 on every ground."""
    assert contrast(getattr(palette, text), getattr(palette, ground)) >= 4.5


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "card"])
@pytest.mark.parametrize("mark", [*GRADES, "line"])
def test_marks_and_controls_can_be_seen(palette: Palette, ground: str, mark: str) -> None:
    """WCAG 2.2, 1.4.11: at least 3:1 for what must be seen to understand or to use."""
    assert contrast(getattr(palette, mark), getattr(palette, ground)) >= 3.0


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("deficiency", DEFICIENCIES)
@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(GRADES, 2)))
def test_grades_are_told_apart_by_every_eye(palette: Palette, deficiency: str, one: str, other: str) -> None:
    """No two grades come near each other, whatever the eye lacks; shape and word stand beside the colour anyway."""
    assert seen_apart(getattr(palette, one), getattr(palette, other), deficiency) >= APART


@pytest.mark.parametrize("deficiency", ["protanopia", "deuteranopia"])
def test_the_measure_knows_a_confusion_when_it_sees_one(deficiency: str) -> None:
    """A red and an olive of the same lightness are far apart to most eyes and near to these: the measure is not blind itself."""
    assert seen_apart("#d04040", "#7a7a20", "none") > 2 * seen_apart("#d04040", "#7a7a20", deficiency)
