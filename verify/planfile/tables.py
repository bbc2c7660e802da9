"""From TOML text to typed tables, noting every problem with its line instead of stopping at the first."""

from __future__ import annotations

import datetime
import functools
import re
import tomllib
from typing import Any, TypeVar

import msgspec

from shared.plan import Place
from verify.errors import PlanError, Problems, did_you_mean, nearest
from verify.planfile.lines import KeyPath, Lines

_Table = TypeVar("_Table", bound=msgspec.Struct)


class Source(msgspec.Struct, frozen=True):
    """One TOML file being read: its shown name, where its keys stand, and what was found wrong with it so far."""

    file: str
    lines: Lines
    problems: Problems

    def place(self, *path: str | int) -> Place:
        """Where a key path is written, or the nearest part above it."""
        return Place(self.file, self.lines.of(*path))

    def problem(self, path: KeyPath, sentence: str) -> None:
        """Note a problem of what is written at ``path``."""
        self.problems.add(self.place(*path), sentence)


def parse_toml(text: str, file: str) -> dict[str, Any]:
    """The TOML document, or PlanError with the line, the column, what is wrong there and what usually mends it."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError(_syntax_problem(str(error), text, file)) from None
    except RecursionError:
        raise PlanError(f"{file}: lists or tables are nested too deeply to be read; a plan needs four levels") from None
    except ValueError:
        # tomllib lets through Python's own refusal of a number of more than 4300 digits.
        raise PlanError(f"{file}: a number has thousands of digits; shorten it") from None


def fill(kind: type[_Table], value: object, source: Source, path: KeyPath) -> _Table | None:
    """Read one table of a file, noting every problem in it.

    None only where there is no table at all.  So that every further problem can be said too, a misspelt key counts as what
    it was most likely meant to be, and a value that is missing or of the wrong kind is stood in for by a harmless one.
    """
    title = heading(path)
    if not isinstance(value, dict):
        source.problem(path, f"{title} must be a table, not {in_words(value)}; write its keys below a line {title}")
        return None
    fields = _fields(kind)
    spelt = {key: key for key in value if key in fields}
    for key in value:
        if key not in fields:
            source.problem((*path, key), f'{title} has no key "{key}"; {did_you_mean(key, fields)}')
            spelt.setdefault(nearest(key, fields) or key, key)
    filled: dict[str, Any] = {}
    for name, field in fields.items():
        wanted = field.type.__metadata__[0]
        if name in spelt:
            typed = value[spelt[name]]
            try:
                filled[name] = msgspec.convert(typed, field.type)
                continue
            except msgspec.ValidationError as error:
                source.problem((*path, spelt[name]), f"{title} {name} must be {wanted}; it is {_found(typed, error)}")
        elif field.required:
            source.problem(path, f'{title} lacks "{name}"; add {name} = {example_in(wanted)}')
        if field.required:
            filled[name] = _stand_in(field.type)
    return kind(**filled)


@functools.cache
def _fields(kind: type[msgspec.Struct]) -> dict[str, msgspec.structs.FieldInfo]:
    """The keys that a table may have.  Kept, for finding them takes longer than reading a host."""
    return {field.name: field for field in msgspec.structs.fields(kind)}


def _stand_in(kind: Any) -> object:
    """A value of ``kind`` of which no further problem can be said."""
    candidates: tuple[object, ...] = ("*", [], datetime.date.max)
    for value in candidates:
        try:
            return msgspec.convert(value, kind)
        except msgspec.ValidationError:
            continue
    raise AssertionError(f"no stand-in for {kind}")


def heading(path: KeyPath) -> str:
    """How a table is headed in the file: [networks.mgmt]; for one of several, [[hosts]] number 4."""
    if not path:
        return "the file"
    if isinstance(path[-1], int):
        return f"[[{_dotted(path[:-1])}]] number {path[-1] + 1}"
    return f"[{_dotted(path)}]"


def _dotted(path: KeyPath) -> str:
    return ".".join(str(part) if re.fullmatch(r"[A-Za-z0-9_-]+", str(part)) else f'"{part}"' for part in path)


def example_in(wanted: str) -> str:
    """The example at the end of a field's description."""
    return wanted.rpartition("such as ")[2]


def in_words(value: object) -> str:
    """A TOML value for a sentence: its kind, and its text where that is short."""
    match value:
        case bool():
            return str(value).lower()
        case int() | float():
            return f"the number {str(value)[:40]}"
        case str():
            return f'the text "{value[:40]}"'
        case datetime.datetime() | datetime.date() | datetime.time():
            return f"the date or time {value}"
        case list():
            return "a list"
        case _:
            return "a table"


def _found(value: object, error: msgspec.ValidationError) -> str:
    """What stands in the place of the wanted value; for a list, which of its elements is wrong."""
    element = re.search(r"at `\$\[(\d+)\]`", str(error))
    if isinstance(value, list) and element is not None:
        index = int(element.group(1))
        return f"a list with {in_words(value[index])} in place {index + 1}"
    return in_words(value)


_POSITION = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)\Z")

#: What tomllib says, by how it begins, and what to say in its place: what is wrong and what usually mends it.
_SYNTAX = (
    ("Expected newline", "something follows a value that is complete; put text and addresses in quotes, and one key on a line"),
    ("Invalid value", 'this value is not TOML; put text in quotes, such as "obs.example.net"; write true and false small'),
    ("Illegal character '\\n'", 'a text is not closed on its line; add the closing "'),
    ("Illegal character", "a control character stands in the text; delete it"),
    ("Unterminated string", "a text is opened and never closed; add the closing quotes"),
    ("Cannot overwrite", "a key or table is written twice; keep one of the two"),
    ("Cannot declare", "a table is begun twice; put all its keys under one header, or write [[...]] where there are several"),
    ("Cannot mutate", "a table is begun twice; put all its keys under one header"),
    ("Invalid date", "there is no such day or time; write a day as 2027-01-31"),
    ("Expected ']", "a header is not closed; write [networks.mgmt] or [[hosts]]"),
    ("Expected '=' after a key", 'a key must be followed by "=" and its value; a header needs its brackets, a comment its #'),
    ("Unclosed array", "a list is not closed, or a comma is missing between two of its elements"),
    ("Unclosed inline table", "a table in { } is not closed on its line, or a comma is missing in it"),
    ("Unescaped '\\'", "a backslash stands in a text in double quotes; use single quotes, or write it twice"),
    ("Invalid hex", "a backslash stands in a text in double quotes; use single quotes, or write it twice"),
    ("Invalid initial character for a key", "a key is missing here; take out the comma or dot before this place"),
    ("Invalid statement", "this is neither a header, nor a key with its value, nor a comment; a comment begins with #"),
)


def _syntax_problem(message: str, text: str, file: str) -> str:
    """What tomllib complains of, as one sentence of ours."""
    position = _POSITION.search(message)
    what = message[: position.start()] if position else message
    if position is not None and not position.group(1) and what == "Invalid value":
        return f"{Place(file, text.rstrip().count(chr(10)) + 1)}: the file ends where a value should stand; finish the line"
    said = next((ours for theirs, ours in _SYNTAX if what.startswith(theirs)), f"this is not TOML ({what})")
    if position is not None and position.group(1):
        return f"{Place(file, int(position.group(1)))}: at column {position.group(2)}, {said}"
    return f"{Place(file, text.rstrip().count(chr(10)) + 1)}: at the end of the file, {said}"
