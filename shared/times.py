"""Times of day as the evidence holds them: RFC 3339 text."""

from __future__ import annotations

import datetime


def read_time(text: str) -> datetime.datetime | None:
    """An RFC 3339 time as an aware one, or None where it is none."""
    try:
        moment = datetime.datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else None
