"""What can go wrong with the history.  None of it says anything about a host, and none of it may cost a run its reports."""

from __future__ import annotations


class HistoryError(Exception):
    """The history cannot be read or written.  One sentence: which file, why, and what to do about it."""


class DamagedError(HistoryError):
    """The history's file is damaged, or is no history at all.  It has not been changed."""


class UnknownRunError(HistoryError):
    """There is no such run in the history.  The message says the nearest one."""
