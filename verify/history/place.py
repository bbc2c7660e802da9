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


def place_of(typed: str | None) -> str:
    """What ``--store`` means: a URL as it is, a file by its absolute path, and without it the file in the state folder."""
    if typed is None:
        return str(state_folder() / FILE_NAME)
    return typed if is_url(typed) else str(Path(typed).expanduser().absolute())
