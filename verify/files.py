"""Writes finished files: under a temporary name first, so that nobody ever reads half of one."""

from __future__ import annotations

import errno
import os
import stat
import tempfile
import time
from collections.abc import Iterable, Mapping
from pathlib import Path

from verify.errors import UsageError

#: How long to wait for somebody to open a pipe for reading, and how often to look.  Ours.
READER_SECONDS, _LOOK_SECONDS = 10.0, 0.1

#: What a file is to hold, at once or piece by piece: a large report is made while it is being written.
Content = bytes | Iterable[bytes]


def _pieces(content: Content) -> Iterable[bytes]:
    return (content,) if isinstance(content, bytes) else content


def is_there(path: Path) -> bool:
    """Whether there is something that this user can reach: nothing is where a folder on the way may not be entered."""
    try:
        return path.exists()
    except OSError:
        return False


def prove_writable(folder: Path, what: str = "reports", mend: str = "choose another folder with --output") -> None:
    """Make ``folder`` if need be and prove that a file can be written in it.

    Raises UsageError, which says ``what`` cannot be written and ends in ``mend``.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".seatrial-"):
            pass
    except OSError as error:
        raise UsageError(f'cannot write {what} in "{folder}": {error.strerror}; {mend}') from error


def prove_apart(targets: Mapping[str, Path | None], held: Iterable[str]) -> None:
    """Prove that no option's file is one of those that are ``held``, which would be lost by writing it; None is no file.

    Raises UsageError.
    """
    ours = {os.path.realpath(path): path for path in held if path}
    for option, target in targets.items():
        if target is not None and os.path.realpath(target) in ours:
            raise UsageError(f'{option} "{target}" would write over a file that this run reads or keeps; name another one')


def prove_files(targets: Mapping[str, Path | None], what: str = "reports",
                mend: str = "choose another place") -> None:
    """Prove, before any work is done for them, that files can be written where options name them; None is no file.

    A folder is made if need be.  Raises UsageError where a target is a folder, where two options name one file, and as
    ``prove_writable`` does, whose ``what`` and ``mend`` these are.
    """
    named: dict[str, str] = {}
    for option, path in targets.items():
        if path is None:
            continue
        try:
            mode = path.stat().st_mode
        except (FileNotFoundError, NotADirectoryError):
            mode = stat.S_IFREG
        except OSError as error:
            raise UsageError(f'cannot write "{path}": {error.strerror}; {mend}') from error
        if stat.S_ISDIR(mode):
            raise UsageError(f'{option} "{path}" is a folder; name a file in it')
        first = named.setdefault(os.path.realpath(path), option)
        # A pipe or a device takes both, one after the other.
        if first != option and stat.S_ISREG(mode):
            raise UsageError(f'{first} and {option} both name the file "{path}"; give one of them another')
    for path in targets.values():
        if path is not None:
            prove_writable(path.parent, what, mend)


def write_whole(path: Path, content: Content) -> None:
    """Write a file so that it is there whole or not at all.  Raises UsageError."""
    write_all({path: content})


def write_all(contents: Mapping[Path, Content]) -> None:
    """Write several files: none takes its place before all are complete beside it, and no draft stays behind.

    What is no regular file, a pipe or a device, is written into and never replaced; a link is followed.  Raises UsageError;
    then, and when interrupted, every file that was there before is as it was unless its turn had come.
    """
    drafts: dict[Path, Path] = {}
    path = Path()
    try:
        # By what each name leads to: putting a draft in the place of /dev/null would take it from the whole machine.
        targets = {path: path.resolve() for path in contents}
        regular = [path for path in contents if path.is_file() or not path.exists()]
        for path in regular:
            with tempfile.NamedTemporaryFile(dir=targets[path].parent, prefix=".seatrial-", delete=False) as draft:
                drafts[path] = Path(draft.name)
                draft.writelines(_pieces(contents[path]))
            # A temporary file is private to its owner; a report is made to be shared, as the user's umask allows.
            umask = os.umask(0)
            os.umask(umask)
            drafts[path].chmod(0o666 & ~umask)
        for path in regular:
            drafts[path].replace(targets[path])
            del drafts[path]
        for path in contents.keys() - regular:
            with open(_opened(path), "wb") as file:
                file.writelines(_pieces(contents[path]))
    except OSError as error:
        raise UsageError(f'cannot write "{path}": {error.strerror}') from error
    finally:
        for draft_path in drafts.values():
            draft_path.unlink(missing_ok=True)


def _opened(path: Path) -> int:
    """The descriptor of a pipe or a device, open for writing.  Raises OSError.

    Whoever opens a pipe that nobody reads is kept there without an end, and no signal that a run puts off would end it.
    """
    deadline = time.monotonic() + READER_SECONDS
    while True:
        try:
            descriptor = os.open(path, os.O_WRONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:
            if error.errno != errno.ENXIO:
                raise
            if time.monotonic() >= deadline:
                raise OSError(errno.ENXIO, f"nobody has read from this pipe for {READER_SECONDS:.0f} s") from error
            time.sleep(_LOOK_SECONDS)
            continue
        os.set_blocking(descriptor, True)
        return descriptor
