"""Zone serial numbers, which wrap around (RFC 1982)."""

from __future__ import annotations


def newer(one: int, other: int, *, bits: int = 32) -> bool | None:
    """Whether serial ``one`` is newer than ``other`` (RFC 1982 section 3.2); None where the RFC leaves it undefined.

    Equal serials are not newer.  Serials exactly half the circle apart cannot be ordered.
    """
    ahead = (one - other) % (1 << bits)
    half = 1 << (bits - 1)
    return None if ahead == half else 0 < ahead < half
