"""Where the history lives, and what is said of it."""

from __future__ import annotations

from pathlib import Path

import platformdirs

FILE_NAME = "history.sqlite"


def state_folder() -> Path:
    """The folder for what this user's seatrial remembers: the platform's own place for state."""
    return platformdirs.user_state_path("seatrial")


def is_url(typed: str) -> bool:
    """Whether ``--store`` names a database server rather than a file."""
    return "://" in typed


def files_of_history(typed: str | None) -> tuple[str, ...]:
    """The files that nothing else may be written over: the history that ``--store`` means, and its log; none for a URL."""
    place = place_of(typed)
    return () if is_url(place) else (place, f"{place}-wal")


def place_of(typed: str | None) -> str:
    """What ``--store`` means: a URL as it is, a file by its absolute path, and without it the file in the state folder."""
    if typed is None:
        return str(state_folder() / FILE_NAME)
    return typed if is_url(typed) else str(Path(typed).expanduser().absolute())
