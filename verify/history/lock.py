"""Keeps two nightly runs of one plan on one machine apart.  Those of two machines are both stored, one after the other.

The kernel holds the lock and lets go of it when the process ends, however it ends, so no stale lock is ever left.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

from shared.plan import Plan
from verify.errors import UsageError
from verify.history.place import state_folder


@contextlib.contextmanager
def only_one(plan: Plan, folder: Path | None = None) -> Iterator[None]:
    """Hold the lock of a plan.  Raises UsageError where another process holds it, or where there can be none."""
    path = lock_file(plan, folder)
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise UsageError(f'cannot lock "{path}", which keeps two runs of one plan apart: {error.strerror}') from error
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.pread(handle, 32, 0).decode("ascii", "replace").strip() or "unknown"
            raise UsageError(f'another drift run of "{plan.title}" is still going on (process {holder}); this one leaves it '
                             "alone and probes nothing") from None
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
        yield
    finally:
        os.close(handle)


def lock_file(plan: Plan, folder: Path | None = None) -> Path:
    """The lock file of a plan: one for each domain and title, wherever the plan's file lies."""
    identity = hashlib.sha256(f"{plan.domain}\0{plan.title}".encode("utf-8", "replace")).hexdigest()[:16]
    return (folder or state_folder()) / "locks" / f"{identity}.lock"
