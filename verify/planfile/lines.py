"""Where in a TOML text each key stands: the line numbers that ``tomllib`` does not tell.

The text is scanned once, following TOML 1.0.0 (toml.io/en/v1.0.0).  Scanning judges nothing: it is meant for text that
tomllib accepts, and on any other it stops at the first thing it cannot follow.
"""

from __future__ import annotations

import contextlib
import re
import tomllib
from bisect import bisect_left

KeyPath = tuple[str | int, ...]

#: Arrays and inline tables nested deeper than this are not entered.  Our own bound; no plan nests deeper than four.
_DEPTH_LIMIT = 40

_BLANK = re.compile(r"[ \t]*")
_GAP = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BARE_VALUE = re.compile(r"[^,\]}#\r\n]+")
_STRING = re.compile(
    r"""
    \"{3} (?:\\.|[^\\])*? \"{3} \"{0,2}   # up to two quotes of the text's own may stand before the closing three
    | '{3} .*? '{3} '{0,2}
    | " (?:\\.|[^"\\\n])* "
    | ' [^'\n]* '
    """, re.DOTALL | re.VERBOSE)


class Lines:
    """The line of every key, table and array element of a TOML text, counted from 1."""

    def __init__(self, text: str) -> None:
        # As tomllib does, so that both count alike.
        self._text = text.replace("\r\n", "\n")
        self._newlines = [match.start() for match in re.finditer("\n", self._text)]
        self._lines: dict[KeyPath, int] = {}
        self._counts: dict[KeyPath, int] = {}
        with contextlib.suppress(_LostError):
            self._scan()

    def of(self, *path: str | int) -> int:
        """The line of a key path such as ``("hosts", 3, "address")``, or of the nearest part above it that is written.

        The line of a table is its header's, of an array of tables its first header's.  A path of which no part is
        written has line 1.
        """
        for length in range(len(path), 0, -1):
            if path[:length] in self._lines:
                return self._lines[path[:length]]
        return 1

    def _scan(self) -> None:
        table: KeyPath = ()
        at = 0
        while True:
            at = self._skip(_GAP, at)
            if at >= len(self._text):
                return
            if self._text.startswith("[[", at):
                parts, at = self._key(at + 2)
                table, at = self._enter_next(parts, at), self._expect("]]", at)
            elif self._text.startswith("[", at):
                parts, at = self._key(at + 1)
                table, at = self._enter(parts, at), self._expect("]", at)
            else:
                at = self._pair(table, at, 0)

    def _enter(self, parts: list[str], at: int) -> KeyPath:
        """The path that a ``[header]`` stands for: a part that is an array of tables means its latest element."""
        path: KeyPath = ()
        for part in parts:
            path = self._note((*path, part), at)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        return path

    def _enter_next(self, parts: list[str], at: int) -> KeyPath:
        """The path of the new element that a ``[[header]]`` begins."""
        array = self._note((*self._enter(parts[:-1], at), parts[-1]), at)
        index = self._counts.get(array, 0)
        self._counts[array] = index + 1
        return self._note((*array, index), at)

    def _pair(self, table: KeyPath, at: int, depth: int) -> int:
        """Follow ``key = value`` and return where it ends."""
        parts, end = self._key(at)
        path = table
        for part in parts:
            path = self._note((*path, part), at)
        end = self._expect("=", self._skip(_BLANK, end))
        return self._value(path, self._skip(_BLANK, end), depth)

    def _key(self, at: int) -> tuple[list[str], int]:
        """The parts of a dotted key, and where it ends."""
        parts = []
        while True:
            at = self._skip(_BLANK, at)
            if (bare := _BARE_KEY.match(self._text, at)) is not None:
                parts.append(bare.group())
                at = bare.end()
            elif (quoted := _STRING.match(self._text, at)) is not None:
                parts.append(_unquoted(quoted.group()))
                at = quoted.end()
            else:
                raise _LostError
            at = self._skip(_BLANK, at)
            if not self._text.startswith(".", at):
                return parts, at
            at += 1

    def _value(self, path: KeyPath, at: int, depth: int) -> int:
        if depth > _DEPTH_LIMIT:
            raise _LostError
        if self._text.startswith("[", at):
            return self._array(path, at + 1, depth + 1)
        if self._text.startswith("{", at):
            return self._inline_table(path, at + 1, depth + 1)
        match = _STRING.match(self._text, at) or _BARE_VALUE.match(self._text, at)
        if match is None:
            raise _LostError
        return match.end()

    def _array(self, path: KeyPath, at: int, depth: int) -> int:
        index = 0
        while not self._text.startswith("]", at := self._skip(_GAP, at)):
            at = self._skip(_GAP, self._value(self._note((*path, index), at), at, depth))
            index += 1
            if not self._text.startswith(",", at):
                break
            at += 1
        return self._expect("]", at)

    def _inline_table(self, path: KeyPath, at: int, depth: int) -> int:
        while not self._text.startswith("}", at := self._skip(_GAP, at)):
            at = self._skip(_GAP, self._pair(path, at, depth))
            if not self._text.startswith(",", at):
                break
            at += 1
        return self._expect("}", at)

    def _note(self, path: KeyPath, at: int) -> KeyPath:
        """Remember where ``path`` is first written, and return it."""
        if path not in self._lines:
            self._lines[path] = bisect_left(self._newlines, at) + 1
        return path

    def _skip(self, pattern: re.Pattern[str], at: int) -> int:
        match = pattern.match(self._text, at)
        return match.end() if match is not None else at

    def _expect(self, text: str, at: int) -> int:
        if not self._text.startswith(text, at):
            raise _LostError
        return at + len(text)


class _LostError(Exception):
    """The text is not TOML from here on, or nested deeper than we follow."""


def _unquoted(token: str) -> str:
    """What a quoted key means: its escapes are tomllib's to read."""
    if token[0] == "'" or "\\" not in token:
        return token[1:-1]
    try:
        return str(tomllib.loads(f"key = {token}")["key"])
    except ValueError:
        raise _LostError from None
