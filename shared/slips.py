"""The slip a person made: which valid value a mistyped one was meant to be, and in words how the two differ.

The distance is the restricted Damerau-Levenshtein distance: one character put in, left out, replaced, or swapped with its
neighbour counts one.  These four are what fingers do, and Damerau (1964) found them to be four in five of all misspellings.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from shared.addresses import mask_of

#: Beyond this many slips of a finger the nearest value is a guess rather than a mend (common practice, no source).
LIKELY = 2


@dataclass(frozen=True, slots=True)
class Slip:
    """The value that was probably meant, and in words how far away it is ("one digit away (3 for 5)")."""

    meant: str
    words: str


def distance(one: str, other: str) -> int:
    """How many slips turn one text into the other.  Time and memory grow with the product of the lengths."""
    before: list[int] = []
    above = list(range(len(other) + 1))
    for row, a in enumerate(one, start=1):
        current = [row]
        for column, b in enumerate(other, start=1):
            best = min(above[column] + 1, current[column - 1] + 1, above[column - 1] + (a != b))
            if row > 1 and column > 1 and a == other[column - 2] and one[row - 2] == b:
                best = min(best, before[column - 2] + 1)
            current.append(best)
        before, above = above, current
    return above[-1]


def nearest(wrong: str, candidates: Iterable[str], limit: int = LIKELY) -> Slip | None:
    """The candidate fewest slips away from ``wrong``, the earlier one of equals, or None where all are beyond ``limit``.

    ``wrong`` itself is never the answer.
    """
    best: tuple[int, str] | None = None
    for candidate in candidates:
        # Every character more or less is a slip of its own: most candidates need no closer look.
        if candidate == wrong or abs(len(candidate) - len(wrong)) > limit:
            continue
        found = distance(wrong, candidate)
        if found <= limit and (best is None or found < best[0]):
            best = (found, candidate)
    return Slip(meant=best[1], words=_words(wrong, best[1], best[0])) if best else None


def likely_slip(wrong: str, meant: str | None) -> str:
    """The end of a sentence about ``wrong`` where ``meant`` is a likely slip away, else empty.

    Such as "; 192.0.2.1 is one digit away (3 for 2)".
    """
    slip = nearest(wrong, [meant]) if meant else None
    return f"; {slip.meant} is {slip.words}" if slip else ""


def nearest_mask(wrong: str, fits: Callable[[int], bool]) -> tuple[int, str]:
    """The prefix length of the mask that ``wrong`` was probably meant to be, and in words how far it is from it.

    A host mask is turned round.  Otherwise the fewest slips win, a whole octet dropped being one; of equals a mask that
    ``fits`` (asked by prefix length), then the one closest to 255.255.255.0, the commonest (common practice, no source).
    Where even the nearest is no likely slip, what fits counts first.  The zero mask is no candidate (RFC 1812
    section 10.2.2).
    """
    turned = _turned_round(wrong)
    if turned is not None:
        return turned, "the host mask turned round"
    text = wrong[:64]  # A mask has 15 characters at most; a longer text is no likely slip, and is not worth measuring.
    ranked = sorted((_mask_slips(text, mask_of(prefix)), not fits(prefix), abs(prefix - 24), prefix) for prefix in range(1, 33))
    if ranked[0][0] > LIKELY:
        ranked.sort(key=lambda rank: (rank[1], rank[2]))
        return ranked[0][3], "the commonest that holds everything planned there" if not ranked[0][1] else "the commonest"
    slips, _, _, prefix = ranked[0]
    return prefix, _words(text, mask_of(prefix), slips)


def _turned_round(text: str) -> int | None:
    """The prefix length behind a host mask, or None where ``text`` is none."""
    try:
        value = int(ipaddress.IPv4Address(text))
    except ValueError:
        return None
    is_host_mask = value & (value + 1) == 0 and 0 < value < 0xFFFFFFFF
    return 32 - value.bit_length() if is_host_mask else None


def _mask_slips(wrong: str, mask: str) -> int:
    return 1 if _dropped_octet(wrong, mask) else distance(wrong, mask)


def _dropped_octet(wrong: str, right: str) -> str | None:
    """The octet of the dotted ``right`` that ``wrong`` lacks, where it is right but for that; else None."""
    octets = right.split(".")
    if len(octets) != 4 or wrong.count(".") != 2:
        return None
    return next((octets[at] for at in range(4) if wrong == ".".join(octets[:at] + octets[at + 1 :])), None)


def _words(wrong: str, right: str, slips: int) -> str:
    """How ``wrong`` came out of ``right``, as what ``right`` is: "one digit away (3 for 5)"."""
    octet = _dropped_octet(wrong, right)
    if octet:
        return f"one octet away ({octet} dropped)"
    if slips != 1:
        return f"{slips} characters away"
    at = next((index for index, (a, b) in enumerate(zip(wrong, right, strict=False)) if a != b), min(len(wrong), len(right)))
    if len(wrong) < len(right):
        return f"one {_kind(right[at])} away ({right[at]} left out)"
    if len(wrong) > len(right):
        how = "doubled" if at and wrong[at] == wrong[at - 1] else "too many"
        return f"one {_kind(wrong[at])} away ({wrong[at]} {how})"
    if wrong[at + 1 :] == right[at + 1 :]:
        return f"one {_kind(right[at])} away ({wrong[at]} for {right[at]})"
    return f"one swap away ({wrong[at : at + 2]} for {right[at : at + 2]})"


def _kind(char: str) -> str:
    return "digit" if char.isdigit() else "letter" if char.isalpha() else "character"
