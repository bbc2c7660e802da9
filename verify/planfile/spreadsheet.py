"""A spreadsheet file as rows of text: CSV as spreadsheets really export it (RFC 4180 and its neighbours), and XLSX.

Rows come as a spreadsheet counts them: a cell with a line break in it is still one row, and a blank row is a row.
"""

from __future__ import annotations

import csv
import importlib
import io
import re
import warnings
import zipfile
from collections.abc import Collection
from typing import Any

import msgspec

from shared.evidence import bounded
from verify.errors import PlanError

#: A sheet has at most this many rows.  Our own bound, far above any site: it ends the reading of a sheet that never ends.
ROW_LIMIT = 200_000
#: Unpacked, a workbook may hold 16 times what a file may: a sheet compresses about tenfold.  Our own bound.
UNPACKED_LIMIT = 256 * 1024 * 1024
#: A workbook's sheet is taken for one of hosts where a row as near its top as this is its header.  Our own bound, far below any
#: title block: it ends the look at a sheet of blank rows.
HEADER_WITHIN = 100
#: How many sheets a sentence names, and how much of a name: a spreadsheet program lets one have 31 characters (from memory).
_SHEETS_NAMED = 5
_NAME_SHOWN = 31

_DELIMITERS = (",", ";", "\t")
#: Put behind the last line: where it does not come out as a row of its own, a quote was never closed.
_END = "\0end of the file\0"


class Grid(msgspec.Struct, frozen=True):
    """The rows of a sheet, from the first, and in ``remarks`` what was assumed in reading it."""

    rows: list[list[str]]
    remarks: tuple[str, ...] = ()


def read_grid(content: bytes, shown: str, headings: Collection[str], required: Collection[str]) -> Grid:
    """The rows of a CSV or XLSX file; which of the two it is, its first bytes say.

    ``shown`` names the file in messages; ``headings`` are words that its first row may hold, in lower case, by which the
    delimiter is known, and ``required`` those that it must hold, by which a workbook's sheet is.  Raises PlanError.
    """
    if content.startswith(b"PK\x03\x04"):
        return _workbook(content, shown, required)
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        raise PlanError(f"{shown}: this is a workbook in the old binary form; save it as CSV or XLSX")
    text, remarks = _decode(content, shown)
    return Grid(_csv_rows(text, shown, headings), remarks)


def _decode(content: bytes, shown: str) -> tuple[str, tuple[str, ...]]:
    """The text of a CSV file, and what had to be assumed of its encoding."""
    remarks: tuple[str, ...] = ()
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            text = content.decode("utf-16")
        except UnicodeDecodeError:
            raise PlanError(f"{shown}: the file begins as UTF-16 and does not go on as it; save it as UTF-8") from None
    else:
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = content.decode("latin-1")
            remarks = (f"{shown} is not UTF-8 and was read as Latin-1; if letters in it look wrong, save it as UTF-8",)
    if "\0" in text:
        raise PlanError(f"{shown}: the file holds zero bytes and so is no CSV text; save it as CSV in UTF-8")
    return text, remarks


def _csv_rows(text: str, shown: str, headings: Collection[str]) -> list[list[str]]:
    """The rows of a CSV text: RFC 4180 section 2, with any of the usual delimiters and any mixture of line ends."""
    # Some spreadsheets put the delimiter on a line of its own before the header.
    declared = re.match(r"sep=([,;|\t])[ \t]*(?=[\r\n])", text, re.IGNORECASE)
    delimiter = declared.group(1) if declared else _delimiter(text, headings)
    lines = io.StringIO(text.rstrip("\r\n") + "\n" + _END, newline="")
    rows: list[list[str]] = []
    try:
        rows.extend(csv.reader(lines, delimiter=delimiter, skipinitialspace=True))
    except csv.Error:
        raise PlanError(f"{shown}, row {len(rows) + 1}: a cell holds more than {csv.field_size_limit()} characters; "
                        "look for a quote that is never closed") from None
    if rows.pop() != [_END]:
        raise PlanError(f'{shown}, row {len(rows) + 1}: a quoted cell begins in this row and is never closed; '
                        'add the closing "')
    if declared:
        rows[0] = []
    return rows


def _delimiter(text: str, headings: Collection[str]) -> str:
    """The delimiter with which the first row that holds anything shows the most headings; else the comma."""
    header = next((line for line in text.splitlines() if line.strip(" ,;\t")), "")
    return max(_DELIMITERS, key=lambda mark: sum(cell.strip(' \t"').casefold() in headings for cell in header.split(mark)))


def _workbook(content: bytes, shown: str, required: Collection[str]) -> Grid:
    """The rows of the sheet of hosts of an XLSX workbook, every cell as text."""
    try:
        openpyxl: Any = importlib.import_module("openpyxl")
    except ImportError:
        raise PlanError(f"{shown}: reading XLSX needs openpyxl, which is not installed; install seatrial[xlsx], "
                        "or save the sheet as CSV") from None
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
        if unpacked > UNPACKED_LIMIT:
            raise PlanError(f"{shown}: the workbook unpacks to {unpacked // 2**20} MiB, more than the "
                            f"{UNPACKED_LIMIT // 2**20} MiB that are read; save its host sheet alone as CSV")
        with warnings.catch_warnings():
            # openpyxl warns of decorations that it does not keep; only cell values matter here.
            warnings.simplefilter("ignore")
            workbook = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
            try:
                sheet, remarks = _host_sheet(workbook.worksheets, shown, required)
                return Grid(_sheet_rows(sheet, shown), remarks)
            finally:
                workbook.close()
    except PlanError:
        raise
    except Exception as error:  # noqa: BLE001 - openpyxl declares no exceptions; whatever it raises, the file is at fault
        raise PlanError(f"{shown}: this workbook cannot be read ({type(error).__name__}); save it anew as XLSX, "
                        "or as CSV") from None


def _host_sheet(sheets: list[Any], shown: str, required: Collection[str]) -> tuple[Any, tuple[str, ...]]:
    """The sheet that hosts are read from, and the remark that names those that hold text and are not read.

    It is the one with a row that names the ``required`` columns; where there is none, the first that can be seen, so that its
    header is found wanting.  Raises PlanError where hosts could be lost: there are two such sheets, or it is hidden.
    """
    tops = [(sheet, _top(sheet)) for sheet in sheets]
    written = [sheet for sheet, top in tops if any(top)]
    of_hosts = [sheet for sheet, top in tops if any(cells.issuperset(required) for cells in top)]
    if len(of_hosts) > 1:
        raise PlanError(f"{shown}: the sheets {_names(of_hosts)} each name the columns {', '.join(required)}, and hosts are read "
                        "from one sheet; put every host on one of them and delete the others")
    if of_hosts and _hidden(of_hosts[0]):
        raise PlanError(f"{shown}: the one sheet that names the columns {', '.join(required)} is {_names(of_hosts)}; unhide it "
                        "if these are the hosts, or delete it and name the columns on the sheet that holds them")
    chosen = next(iter([*of_hosts, *(sheet for sheet in written if not _hidden(sheet)), *sheets]))
    others = [sheet for sheet in written if sheet is not chosen]
    if not others:
        return chosen, ()
    return chosen, (f"{shown}: hosts were read from the sheet {_names([chosen])} and not from {_names(others)}",)


def _top(sheet: Any) -> list[set[str]]:
    """What the cells of each row near the top say, in lower case."""
    # What the file says of its own size is often wrong.
    sheet.reset_dimensions()
    return [{_cell_text(cell).strip().casefold() for cell in cells} - {""}
            for cells in sheet.iter_rows(max_row=HEADER_WITHIN, values_only=True)]


def _hidden(sheet: Any) -> bool:
    """ECMA-376 part 1, section 18.18.68 (ST_SheetState), from memory: "visible", "hidden" or "veryHidden"."""
    return bool(sheet.sheet_state != "visible")


def _names(sheets: list[Any]) -> str:
    """Sheets by name, such as "hosts" and "old" (hidden)."""
    names = [f'"{bounded(sheet.title, _NAME_SHOWN)}"' + (" (hidden)" if _hidden(sheet) else "") for sheet in sheets]
    if len(names) > _SHEETS_NAMED:
        names[_SHEETS_NAMED:] = [f"{len(names) - _SHEETS_NAMED} more"]
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


def _sheet_rows(sheet: Any, shown: str) -> list[list[str]]:
    rows: list[list[str]] = []
    for cells in sheet.iter_rows(values_only=True):
        if len(rows) >= ROW_LIMIT:
            raise PlanError(f"{shown}: the sheet has more than {ROW_LIMIT} rows; take out the empty ones below the hosts")
        rows.append([_cell_text(cell) for cell in cells])
    return rows


def _cell_text(value: object) -> str:
    """A workbook's cell as text: a spreadsheet keeps 20 as 20.0 and nothing as None."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)
