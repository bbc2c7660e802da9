"""Where keys stand in a TOML text: checked against tomllib on documents in which every value says its own line."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.planfile.lines import Lines

PLAN = '''\
# a comment with [brackets] and a key = "value"
[plan]
title = """
[names]
servers = "not a key, for it stands in a text"
"""
domain = "obs.example.net"   # gateway = "neither"

[networks.mgmt]
subnet = "192.0.2.0/24"
"gateway" = '192.0.2.1'
pool = [
    "192.0.2.100-192.0.2.109",   # a ] in a comment
    "192.0.2.120-192.0.2.129",
]

[networks."lab net".deep]
x = 1

[[hosts]]
name = "dome-a"
address = ["192.0.2.11", "2001:db8::11"]
[hosts.extra]
y = 2
[[hosts]]
name = "dome-b"
extra.y = 3

[limits]
clock_offset = { caution = "100 ms", fail = "1 s" }
'''


@pytest.mark.parametrize(("path", "line"), [
    (("plan",), 2),
    (("plan", "title"), 3),
    (("plan", "domain"), 7),
    (("networks",), 9),
    (("networks", "mgmt", "gateway"), 11),
    (("networks", "mgmt", "pool", 1), 14),
    (("networks", "lab net", "deep", "x"), 18),
    (("hosts",), 20),
    (("hosts", 0, "address", 1), 22),
    (("hosts", 0, "extra", "y"), 24),
    (("hosts", 1), 25),
    (("hosts", 1, "name"), 26),
    (("hosts", 1, "extra", "y"), 27),
    (("limits", "clock_offset", "fail"), 30),
])
def test_every_key_of_a_plan_is_found_on_its_line(path: tuple[str | int, ...], line: int) -> None:
    """Multi-line texts, lists, inline tables, dotted and quoted keys and comments mislead nobody."""
    assert Lines(PLAN).of(*path) == line


@pytest.mark.parametrize(("path", "line"), [
    (("networks", "mgmt", "vlan"), 9),
    (("hosts", 1, "role"), 25),
    (("plan", "title", "deeper", 4), 3),
    (("names", "servers"), 1),
    ((), 1),
])
def test_a_missing_key_is_shown_at_the_nearest_part_that_is_written(path: tuple[str | int, ...], line: int) -> None:
    """What is missing has no line; its table has, and a missing table has the file's first."""
    assert Lines(PLAN).of(*path) == line


def test_line_ends_of_either_kind_count_once() -> None:
    """CR LF is one line end, as for tomllib."""
    assert Lines("[a]\r\nx = 1\r\ny = 2\r\n").of("a", "y") == 3


@pytest.mark.parametrize("closing", ['""""', '"""""'])
def test_a_text_may_end_in_quotes_of_its_own(closing: str) -> None:
    """TOML 1.0.0 lets one or two quotes stand before the closing three."""
    text = f'a = """\nx{closing}\nb = 1\n'
    assert tomllib.loads(text)["b"] == 1
    assert Lines(text).of("b") == 3


class _Writer:
    """Writes a valid TOML document in which every scalar begins with the number of the line it stands on."""

    def __init__(self, draw: st.DrawFn) -> None:
        self._draw = draw
        self._names = 0
        self.text = ""

    def document(self) -> str:
        for _ in range(self._draw(st.integers(0, 2))):
            self._pair()
        for _ in range(self._draw(st.integers(0, 3))):
            self._table()
        return self.text

    def _line(self) -> int:
        return self.text.count("\n") + 1

    def _name(self) -> str:
        self._names += 1
        style = self._draw(st.sampled_from(["k{}", '"k {}"', "'k.{}'", '"k\\t{}"', '"k#]{}"', "\"k'''{}\""]))
        return style.format(self._names)

    def _key(self) -> str:
        return " . ".join(self._name() for _ in range(self._draw(st.integers(1, 3))))

    def _noise(self) -> None:
        self.text += self._draw(st.sampled_from(["", "\n", "# k1 = [ { \"\"\" '\n", "\t\n", "\r\n"]))

    def _table(self) -> None:
        self._noise()
        key = self._key()
        double = self._draw(st.booleans())
        for _ in range(self._draw(st.integers(1, 3)) if double else 1):
            self.text += f"[[ {key} ]] # ]]\n" if double else f"[{key}]\n"
            for _ in range(self._draw(st.integers(0, 3))):
                self._pair()
            if double and self._draw(st.booleans()):
                self.text += f"[{key}.{self._name()}]\n"
                self._pair()

    def _pair(self) -> None:
        self._noise()
        self.text += f"{self._key()} = "
        self._value(depth=0, may_break=True)
        self.text += self._draw(st.sampled_from(["\n", "\r\n", "  # [x]\n", "\t# 'y\n"]))

    def _value(self, depth: int, may_break: bool) -> None:
        styles = ["number", "text", "literal", "date"]
        if may_break:
            styles += ["long text", "long literal"]
        if depth < 3:
            styles += ["list", "table"]
        style = self._draw(st.sampled_from(styles))
        line = self._line()
        match style:
            case "number":
                self.text += str(line)
            case "text":
                self.text += f'"{line} \\" # ] }} , \\\\"'
            case "literal":
                self.text += f"'{line} \" \\ # ['"
            case "date":
                self.text += f"{line:04}-01-31 10:00:00Z"
            case "long text":
                self.text += f'"""{line} \\""" \n[x]\n"" k = 1 \\\n  """' + self._draw(st.sampled_from(["", '"', '""']))
            case "long literal":
                self.text += f"'''{line} \\\n]]\n'' # ''''"
            case "list":
                self._list(depth, may_break)
            case "table":
                self.text += "{ "
                for index in range(self._draw(st.integers(0, 2))):
                    self.text += (", " if index else "") + self._key() + " = "
                    self._value(depth + 1, may_break=False)
                self.text += " }"

    def _list(self, depth: int, may_break: bool) -> None:
        self.text += "["
        for index in range(count := self._draw(st.integers(0, 3))):
            if may_break:
                self._noise()
            self._value(depth + 1, may_break)
            # A comma behind the last element may be there or not.
            self.text += self._draw(st.sampled_from(["", ",", " ,"])) if index == count - 1 else self._draw(
                st.sampled_from([",", " ,"]))
            if may_break:
                self._noise()
        self.text += "]"


@st.composite
def documents(draw: st.DrawFn) -> str:
    return _Writer(draw).document()


def _scalars(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], int]]:
    """Every scalar's path, and the line that it says it stands on."""
    if isinstance(value, dict):
        for key, child in value.items():
            yield from _scalars(child, (*path, key))
    elif isinstance(value, list):
        for index, child in enumerate(value):
            yield from _scalars(child, (*path, index))
    elif isinstance(value, str | int):
        yield path, int(str(value).split()[0])
    else:
        yield path, value.year


@given(documents())
def test_every_value_of_any_document_is_found_on_the_line_it_names(text: str) -> None:
    """Tomllib says which paths there are, and each value says its own line."""
    lines = Lines(text)
    for path, line in _scalars(tomllib.loads(text)):
        assert lines.of(*path) == line, (path, text)


def test_the_generated_documents_are_not_empty() -> None:
    """The property above would hold of nothing: one document with every style is spelt out here."""
    text = "k1 = 1\n'k.2'.\"k\\t3\" = [2, {a = '2 x'},\n\"\"\"3 \n\"\"\"]\n[[t]]\nx = 0006-01-31\n"
    assert list(_scalars(tomllib.loads(text))) == [
        (("k1",), 1), (("k.2", "k\t3", 0), 2), (("k.2", "k\t3", 1, "a"), 2), (("k.2", "k\t3", 2), 3), (("t", 0, "x"), 6)]
    assert [Lines(text).of(*path) for path, _ in _scalars(tomllib.loads(text))] == [1, 2, 2, 3, 6]


@given(st.text() | st.text(alphabet='ab.=[]{}"\'\\,#\n\r\t 1'))
def test_any_text_is_scanned_without_an_error(text: str) -> None:
    """Whatever the text, every path has a line within it."""
    lines = Lines(text)
    for path in (("a",), ("b", 0, "a"), ("",)):
        assert 1 <= lines.of(*path) <= text.count("\n") + 1


def test_nesting_deeper_than_any_plan_ends_the_scan_without_an_error() -> None:
    """A thousand brackets are no reason to crash."""
    assert Lines("a = 1\nb = " + "[" * 1000 + "]" * 1000 + "\n").of("b") == 2
