"""Writes finished files: under a temporary name first, so that nobody ever reads half of one."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from verify.errors import UsageError


def prove_writable(folder: Path) -> None:
    """Make ``folder`` if need be and prove that a file can be written in it.  Raises UsageError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".seatrial-"):
            pass
    except OSError as error:
        raise UsageError(f'cannot write reports in "{folder}": {error.strerror}; choose another folder with --output') from error


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it is there whole or not at all.  Raises UsageError."""
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=".seatrial-", delete=False) as draft:
            draft.write(content)
        # A temporary file is private to its owner; a report is made to be shared, as the user's umask allows.
        umask = os.umask(0)
        os.umask(umask)
        Path(draft.name).chmod(0o666 & ~umask)
        Path(draft.name).replace(path)
    except OSError as error:
        raise UsageError(f'cannot write "{path}": {error.strerror}') from error
