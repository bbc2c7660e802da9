"""Puts together what is told of many in the same words: one told whole and the others named is sooner read than each whole."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from typing import TypeVar

#: From so many of one kind on they are told together.  Ours.
TOLD_TOGETHER = 4

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
