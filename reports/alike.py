"""Puts together what is told of many in the same words: one told whole and the others named is sooner read than each whole."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from typing import TypeVar

from reports.findingview import SITE_NAME
from shared.drift import Move, ValueChange
from shared.findings import SITE

#: From so many of one kind on they are told together.  Ours.
TOLD_TOGETHER = 4
#: The most places named in one sentence before the rest is counted.  Ours.
MOST_NAMED = 8

T = TypeVar("T")


def together(items: Sequence[T], kind: Callable[[T], Hashable]) -> list[list[T]]:
    """The items in groups: many of one kind at the place of their first, few each by itself.  A kind of None is no kind."""
    kinds: dict[Hashable, list[T]] = {}
    for item in items:
        kinds.setdefault(kind(item), []).append(item)
    groups: list[list[T]] = []
    for item in items:
        name = kind(item)
        alike = kinds[name]
        if name is None or len(alike) < TOLD_TOGETHER:
            groups.append([item])
        elif item is alike[0]:
            groups.append(alike)
    return groups


def named(places: Sequence[str]) -> str:
    """Places in one sentence, as many as one reads on for; the rest is counted."""
    more = len(places) - MOST_NAMED
    return ", ".join(places[:MOST_NAMED]) + (f" and {more:,} more" if more > 0 else "")


def also_at(first: Move | ValueChange, others: Sequence[Move | ValueChange]) -> str:
    """Where else the same was found, as far as it is elsewhere; empty for nowhere."""
    return f"and {len(others):,} more alike: {named([_beside(first, other) for other in others])}" if others else ""


def _beside(first: Move | ValueChange, other: Move | ValueChange) -> str:
    if other.host == first.host:
        return other.subject
    where = owner(other.host)
    return where if other.subject == first.subject or not other.subject else f"{where} {other.subject}"


def owner(host: str) -> str:
    """Whose a move or a change is, as shown: a host's, or the site's."""
    return SITE_NAME if host == SITE else host


def kind_of_move(move: Move) -> Hashable:
    """Moves that are told together: the same check moved the same way for the same reason."""
    return move.check, move.symptom, move.before, move.after


def kind_of_change(change: ValueChange) -> Hashable:
    """Changes that are told together: care that was expected, and what means the same.  Of measured values each is told."""
    if change.expected:
        return change.what
    return (change.what, change.note) if change.note else None
