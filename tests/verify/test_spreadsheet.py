"""Spreadsheet files as rows of text: the examples of RFC 4180, what spreadsheets really export, and workbooks."""

from __future__ import annotations

import datetime
import io
import sys
import zipfile
from typing import Any

import openpyxl  # type: ignore[import-untyped]
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.errors import PlanError
from verify.planfile import spreadsheet
from verify.planfile.spreadsheet import read_grid

HEADINGS = ("name", "address", "notes")
REQUIRED = HEADINGS[:2]


def rows(text: str | bytes) -> list[list[str]]:
    return read_grid(text.encode() if isinstance(text, str) else text, "hosts.csv", HEADINGS, REQUIRED).rows


def refusal(content: bytes) -> str:
    with pytest.raises(PlanError) as caught:
        read_grid(content, "hosts.csv", HEADINGS, REQUIRED)
    return str(caught.value)


# RFC 4180 section 2, rules 1, 2, 5, 6 and 7, with its own example lines.
@pytest.mark.parametrize(("text", "expected"), [
    ("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    ("aaa,bbb,ccc\r\nzzz,yyy,xxx", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    ('"aaa","bbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    ('"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "b\r\nbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    ('"aaa","b""bb","ccc"', [["aaa", 'b"bb', "ccc"]]),
])
def test_the_examples_of_rfc_4180_are_read(text: str, expected: list[list[str]]) -> None:
    """RFC 4180 section 2."""
    assert rows(text) == expected


# The shapes that CSV readers are known to stumble over, each in words of our own.
@pytest.mark.parametrize(("text", "expected"), [
    ('name,address,notes\nquay-a,192.0.2.21,"left, behind the door"\n', [["quay-a", "192.0.2.21", "left, behind the door"]]),
    ('name,address,notes\nquay-a,"",""\nquay-b,,\n', [["quay-a", "", ""], ["quay-b", "", ""]]),
    ('name,address,notes\r\nquay-a,"",""\r\nquay-b,,\r\n', [["quay-a", "", ""], ["quay-b", "", ""]]),
    ('name,notes\nquay-a,"the ""old"" rack"\nquay-b,"""\n', None),
    ('name,notes\nquay-a,"the ""old"" rack"\nquay-b,""""\n', [["quay-a", 'the "old" rack'], ["quay-b", '"']]),
    ('name,notes\nquay-a,"{""rack"": [1, 2]}"\n', [["quay-a", '{"rack": [1, 2]}']]),
    ('name,notes\n"quay-a","first\nsecond"\nquay-b,x\n', [["quay-a", "first\nsecond"], ["quay-b", "x"]]),
    ('name,notes\n"quay-a","he said\n""here"""\n', [["quay-a", 'he said\n"here"']]),
    ("name,notes\nquay-a,ʤ\nquay-b,Höhe\n", [["quay-a", "ʤ"], ["quay-b", "Höhe"]]),
    ('name;address\n"quay-a" ; "192.0.2.21"\n', [["quay-a ", "192.0.2.21"]]),
    ("name\taddress\nquay-a\t192.0.2.21\n", [["quay-a", "192.0.2.21"]]),
    ("Name ;\"Address\"\nquay-a,b;192.0.2.21\n", [["quay-a,b", "192.0.2.21"]]),
    ("name,address\rquay-a,1\r\nquay-b,2\nquay-c,3\n\r\n\n", [["quay-a", "1"], ["quay-b", "2"], ["quay-c", "3"]]),
    ("name,address\n\n,\nquay-a,1\n", [[], ["", ""], ["quay-a", "1"]]),
    ("\n;;\nname;address\nquay-a;1\n", [["", "", ""], ["name", "address"], ["quay-a", "1"]]),
])
def test_what_spreadsheets_export_is_read(text: str, expected: list[list[str]] | None) -> None:
    """Delimiters, quotes, line breaks in cells, line ends of three kinds, blank rows: each row after the first."""
    if expected is None:
        assert "never closed" in refusal(text.encode())
    else:
        assert rows(text)[1:] == expected


def test_a_delimiter_on_a_line_of_its_own_is_a_row_without_text() -> None:
    """Some spreadsheets put one before the header; rows are counted with it."""
    assert rows("sep=;\r\nname;address\r\nquay-a;1\r\n") == [[], ["name", "address"], ["quay-a", "1"]]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_unicode_is_known_by_its_byte_order_mark(encoding: str) -> None:
    """UTF-16 without a mark is not guessed at, but refused."""
    content = "name,notes\nquay-a,Höhe\n".encode(encoding)
    if encoding in ("utf-16-le", "utf-16-be"):
        assert refusal(content) == "hosts.csv: the file holds zero bytes and so is no CSV text; save it as CSV in UTF-8"
    else:
        assert read_grid(content, "hosts.csv", HEADINGS, REQUIRED).remarks == ()
        assert rows(content) == [["name", "notes"], ["quay-a", "Höhe"]]


def test_what_is_not_utf_8_is_read_as_latin_1_and_said() -> None:
    """Old exports have no mark; whoever reads the remark can look at the letters."""
    grid = read_grid("name,notes\nquay-a,Höhe\n".encode("latin-1"), "hosts.csv", HEADINGS, REQUIRED)
    assert grid.rows[1] == ["quay-a", "Höhe"]
    assert grid.remarks == (
        "hosts.csv is not UTF-8 and was read as Latin-1; if letters in it look wrong, save it as UTF-8",)


@pytest.mark.parametrize(("content", "sentence"), [
    (b'name,notes\nquay-a,"open\nquay-b,x\n',
     'hosts.csv, row 2: a quoted cell begins in this row and is never closed; add the closing "'),
    (b"name,notes\nquay-a," + b"x" * 140_000,
     "hosts.csv, row 2: a cell holds more than 131072 characters; look for a quote that is never closed"),
    (b"\xff\xfea", "hosts.csv: the file begins as UTF-16 and does not go on as it; save it as UTF-8"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "hosts.csv: this is a workbook in the old binary form; save it as CSV or XLSX"),
    (b"PK\x03\x04nothing", "hosts.csv: this workbook cannot be read (BadZipFile); save it anew as XLSX, or as CSV"),
])
def test_what_cannot_be_read_is_refused_in_one_sentence(content: bytes, sentence: str) -> None:
    """An unclosed quote would otherwise swallow every row below it without a word."""
    assert refusal(content) == sentence


@given(st.binary(max_size=200) | st.text(alphabet='ab,;\t"\r\n =', max_size=60).map(str.encode))
def test_any_bytes_are_read_or_refused(content: bytes) -> None:
    """Nothing but PlanError ever comes out, and what was read is text."""
    try:
        grid = read_grid(content, "hosts.csv", HEADINGS, REQUIRED)
    except PlanError as error:
        assert error.problems  # noqa: PT017 - either outcome is right
    else:
        assert all(isinstance(cell, str) for row in grid.rows for cell in row)


CELLS = st.text(alphabet='ab,;"\n é', max_size=5)


@given(st.lists(st.lists(CELLS, min_size=2, max_size=4), min_size=1, max_size=5))
def test_whatever_is_written_by_the_rules_comes_back(cells: list[list[str]]) -> None:
    """RFC 4180 section 2 written by hand: every cell quoted, quotes doubled."""
    quoted = [['"' + cell.replace('"', '""') + '"' for cell in row] for row in [["name", "address"], *cells]]
    text = "".join(",".join(row) + "\r\n" for row in quoted)
    assert rows(text)[1:] == cells


def workbook(*values: list[Any], **others: list[list[Any]]) -> bytes:
    """A workbook whose sheet "Sheet" holds ``values``, and each other sheet what is given under its name."""
    book = openpyxl.Workbook()
    for title, rows_of_it in {"Sheet": list(values), **others}.items():
        sheet = book.active if title == "Sheet" else book.create_sheet(title)
        for row in rows_of_it:
            sheet.append(row)
    return saved(book)


def saved(book: Any) -> bytes:
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def hiding(content: bytes, *titles: str, state: str = "hidden") -> bytes:
    """The workbook with these sheets hidden."""
    book = openpyxl.load_workbook(io.BytesIO(content))
    for title in titles:
        book[title].sheet_state = state
    book.active = next(at for at, sheet in enumerate(book.worksheets) if sheet.sheet_state == "visible")
    return saved(book)


def test_a_workbooks_sheet_is_read_as_text() -> None:
    """Numbers as a person sees them, dates by ISO, empty cells and rows where they are; a blank sheet is not worth a word."""
    content = workbook(["name", "vlan", "notes"], ["quay-a", 20, None], [], ["quay-b", 20.0, datetime.date(2027, 1, 31)],
                       ["quay-c", 2.5, True], other=[])
    assert read_grid(content, "hosts.csv", HEADINGS, REQUIRED).remarks == ()
    assert rows(content) == [["name", "vlan", "notes"], ["quay-a", "20"], [],
                             ["quay-b", "20", "2027-01-31 00:00:00"], ["quay-c", "2.5", "True"]]


SHEET = [["name", "address"], ["quay-a", "192.0.2.21"]]
MORE = [[], [" Address ", "NAME"], ["192.0.2.22", "quay-b"]]
COVER = [["Site hosts"]]


@pytest.mark.parametrize(("content", "first", "remark"), [
    (workbook(*SHEET), "name", ()),
    (workbook(*SHEET, racks=COVER), "name", ('hosts.csv: hosts were read from the sheet "Sheet" and not from "racks"',)),
    (workbook(*COVER, hosts=SHEET), "name", ('hosts.csv: hosts were read from the sheet "hosts" and not from "Sheet"',)),
    (workbook(*COVER, more=COVER), "Site hosts", ('hosts.csv: hosts were read from the sheet "Sheet" and not from "more"',)),
    (hiding(workbook(*COVER, more=COVER, hosts=SHEET), "Sheet"), "name",
     ('hosts.csv: hosts were read from the sheet "hosts" and not from "Sheet" (hidden) and "more"',)),
    (hiding(workbook(*COVER, more=[["Racks"]]), "Sheet"), "Racks",
     ('hosts.csv: hosts were read from the sheet "more" and not from "Sheet" (hidden)',)),
    (workbook(*SHEET, **dict.fromkeys("abcdefg", COVER)), "name",
     ('hosts.csv: hosts were read from the sheet "Sheet" and not from "a", "b", "c", "d", "e" and 2 more',)),
])
def test_hosts_are_read_from_the_sheet_that_names_their_columns(content: bytes, first: str, remark: tuple[str, ...]) -> None:
    """Wherever it stands in the workbook; every other sheet with text is named, so that nobody counts on it."""
    grid = read_grid(content, "hosts.csv", HEADINGS, REQUIRED)
    assert grid.rows[0][0] == first
    assert grid.remarks == remark


@pytest.mark.parametrize(("content", "sheets"), [
    (workbook(*SHEET, more=MORE), '"Sheet" and "more"'),
    (workbook(*SHEET, more=[*COVER, *MORE]), '"Sheet" and "more"'),
    (hiding(workbook(*SHEET, more=MORE), "Sheet"), '"Sheet" (hidden) and "more"'),
    (hiding(workbook(*SHEET, more=MORE), "more", state="veryHidden"), '"Sheet" and "more" (hidden)'),
])
def test_two_sheets_of_hosts_are_refused(content: bytes, sheets: str) -> None:
    """Read from one of them, the hosts of the other would never be looked at, and the site could still be ready."""
    assert refusal(content) == (
        f"hosts.csv: the sheets {sheets} each name the columns name, address, and hosts are read from one sheet; "
        "put every host on one of them and delete the others")


def test_a_hidden_sheet_of_hosts_is_refused() -> None:
    """Whoever looks at the workbook does not see it, and may take another sheet for the hosts."""
    assert refusal(hiding(workbook(*SHEET, racks=COVER), "Sheet")) == (
        'hosts.csv: the one sheet that names the columns name, address is "Sheet" (hidden); unhide it if these are the hosts, '
        "or delete it and name the columns on the sheet that holds them")


@pytest.mark.parametrize(("blank", "refused"), [(98, True), (99, True), (100, False)])
def test_a_second_header_is_looked_for_in_the_first_hundred_rows(blank: int, refused: bool) -> None:
    """Whatever stands above it; and a sheet of a million blank rows is not read to its end."""
    content = workbook(*SHEET, more=[*([[]] * blank), *SHEET])
    if refused:
        assert "hosts are read from one sheet" in refusal(content)
    else:
        assert rows(content) == SHEET


def test_without_openpyxl_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """XLSX is an extra; CSV always works."""
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    assert refusal(workbook_bytes) == ("hosts.csv: reading XLSX needs openpyxl, which is not installed; install seatrial[xlsx], "
                                       "or save the sheet as CSV")


workbook_bytes = workbook(["name", "address"])


def test_a_workbook_that_unpacks_beyond_all_measure_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a small file unpacks to is looked at before it is unpacked."""
    monkeypatch.setattr(spreadsheet, "UNPACKED_LIMIT", 2**20)
    file = io.BytesIO(workbook_bytes)
    with zipfile.ZipFile(file, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("padding", b"\0" * (3 * 2**20))
    assert refusal(file.getvalue()) == ("hosts.csv: the workbook unpacks to 3 MiB, more than the 1 MiB that are read; save its "
                                        "host sheet alone as CSV")


def test_a_sheet_that_never_ends_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A format set on a whole column can make a sheet a million rows long."""
    monkeypatch.setattr(spreadsheet, "ROW_LIMIT", 3)
    assert refusal(workbook(["name"], ["a"], ["b"], ["c"])) == (
        "hosts.csv: the sheet has more than 3 rows; take out the empty ones below the hosts")


def test_a_zip_that_is_no_workbook_is_refused() -> None:
    """Other office files are zip archives too."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("content.xml", "<x/>")
    assert refusal(file.getvalue()).startswith("hosts.csv: this workbook cannot be read (")
