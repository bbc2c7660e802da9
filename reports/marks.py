"""How a grade and a verdict look: always a word, a shape and a colour together.

The shapes are a ship's day shapes, which were made to be told apart at a distance and without colour: ball, cone,
diamond, cylinder, and an open ring for what nobody saw.
"""

from __future__ import annotations

import msgspec

from shared.findings import Grade, Verdict


class Mark(msgspec.Struct, frozen=True):
    """``key`` is the class and symbol name in the page, ``word`` what is read, ``sign`` the shape as a character."""

    key: str
    word: str
    sign: str


GRADES: dict[Grade, Mark] = {
    Grade.FAIL: Mark("f", "fail", "◆"),
    Grade.CAUTION: Mark("c", "caution", "▲"),
    Grade.UNPROVEN: Mark("u", "unproven", "○"),
    Grade.WAIVED: Mark("w", "waived", "▬"),
    Grade.PASS: Mark("p", "pass", "●"),
}

VERDICTS: dict[Verdict, Mark] = {
    Verdict.NOT_READY: Mark("f", "not ready", "◆"),
    Verdict.UNPROVEN: Mark("u", "unproven", "○"),
    Verdict.READY_WITH_CAUTIONS: Mark("c", "ready, with cautions", "▲"),
    Verdict.READY: Mark("p", "ready", "●"),
}

#: From what to look at first to what needs no look: the order of both dictionaries.
_RANK = {grade: rank for rank, grade in enumerate(GRADES)}
_VERDICT_RANK = {verdict: rank for rank, verdict in enumerate(VERDICTS)}


def rank(grade: Grade) -> int:
    """The place of a grade in the order of looking; 0 comes first."""
    return _RANK[grade]


def verdict_rank(verdict: Verdict) -> int:
    """The place of a verdict in the order of looking; 0 comes first."""
    return _VERDICT_RANK[verdict]


#: Who must act, by the catalogue's ``owner`` and ``owners``.
OWNERS = {
    "names": "Name servers",
    "network": "Network",
    "time": "Time sources",
    "certificates": "Certificates",
    "build": "Host build",
    "runner": "The runner",
    "plan": "The plan",
}

#: The check families in the order of dependence, with the column heading of each.
FAMILIES = {
    "plan": "plan",
    "name": "names",
    "gateway": "gateway",
    "host": "host",
    "clock": "clock",
    "certificate": "certificate",
    "port": "ports",
    "ssh": "SSH",
    "boot": "boot",
    "system": "system",
}


def many(count: int, one: str, more: str = "") -> str:
    """A count with its noun: "1 host", "1,000 hosts"."""
    return f"{count:,} {one if count == 1 else more or one + 's'}"


#: The most characters of a name where there is little room, of which a longer one keeps the two ends.
_NAME = 28


def ends(name: str) -> str:
    """A name of at most ``_NAME`` characters: numbered hosts differ at the end, so a long one is cut in its middle."""
    half = _NAME // 2
    return name if len(name) <= _NAME else f"{name[: half - 1]}…{name[-half:]}"
