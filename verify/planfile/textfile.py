"""Reading a file that a person wrote: bounded, as text, with every failure as one sentence of ours."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from shared.plan import Place
from verify.errors import PlanError, nearest

#: No plan, spreadsheet or anchor file that a person keeps is larger: 16 MiB hold some 100,000 hosts.  Our own bound.
SIZE_LIMIT = 16 * 1024 * 1024


def read_bounded(path: Path, named_at: str | None = None) -> bytes:
    """The bytes of a regular file of at most ``SIZE_LIMIT``.

    ``named_at`` is who names this file, to begin the sentence with: "site.toml:15: [trust] anchors".  Raises PlanError.
    """
    try:
        # Asked before opening: opening a named pipe would wait for a writer that never comes.
        if not stat.S_ISREG(path.stat().st_mode):
            kind = "a folder" if path.is_dir() else "a device or a pipe"
            raise _unusable(path, named_at, f"is {kind}, not a file; give the path of the file itself")
        with path.open("rb") as file:
            content = file.read(SIZE_LIMIT + 1)
    except FileNotFoundError:
        raise _unusable(path, named_at, f"does not exist; {_likely(path)}") from None
    except PermissionError:
        raise _unusable(path, named_at, "may not be read by this user; allow it with chmod or run as its owner") from None
    except (OSError, ValueError) as error:  # ValueError: a zero byte in the path
        reason = (os.strerror(error.errno) if isinstance(error, OSError) and error.errno else str(error)).lower()
        raise _unusable(path, named_at, f"cannot be read ({reason}); check the path") from None
    if len(content) > SIZE_LIMIT:
        raise _unusable(path, named_at, f"is larger than {SIZE_LIMIT // 2**20} MiB; split it, for no plan needs that much")
    return content


def decode_utf8(content: bytes, shown: str) -> str:
    """``content`` as text, its byte-order mark dropped.  Raises PlanError with the line where it is not UTF-8."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if content.startswith((b"\xff\xfe", b"\xfe\xff")):
            raise PlanError(f"{shown}: the file is UTF-16; save it as UTF-8") from None
        line = content.count(b"\n", 0, error.start) + 1
        found = f"the byte 0x{content[error.start]:02x} on this line is not UTF-8"
        raise PlanError(f"{Place(shown, line)}: {found}; save the file as UTF-8") from None


def _unusable(path: Path, named_at: str | None, why: str) -> PlanError:
    if named_at is None:
        return PlanError(f"{path}: this file {why}")
    return PlanError(f'{named_at} names the file "{path}", which {why}')


def _likely(path: Path) -> str:
    """What to do about a file that is not there: the nearest name beside it, where one of its kind comes near.

    Of its kind is what ends alike, or differs only in its end: a plan is not offered for a certificate.
    """
    try:
        beside = [entry.name for entry in path.parent.iterdir()]
    except (OSError, ValueError):
        return f'there is no folder "{path.parent}" either; check the path'
    alike = [name for name in beside if path.suffix in ("", Path(name).suffix) or Path(name).stem == path.stem]
    close = nearest(path.name, alike)
    return f'did you mean "{path.with_name(close)}"?' if close else "check the path"
