"""The host rows of a spreadsheet: which column says what, and every row that cannot be a host.

Whether an address, a name or a mask is right is for lint to judge, as in the plan itself.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec

from shared.addresses import family_of, family_of_mask
from verify.errors import PlanError, nearest
from verify.planfile.rawplan import HostTable
from verify.planfile.spreadsheet import read_grid
from verify.planfile.textfile import read_bounded

#: The columns a sheet may have, and those it must have.
COLUMNS = ("name", "address", "network", "role", "mask", "gateway", "vlan", "mac", "notes")
REQUIRED = COLUMNS[:4]
#: What stands between the values of a cell that holds several.
_SEPARATOR = re.compile(r"[\s,;]+")


class HostRow(msgspec.Struct, frozen=True):
    """One row of the sheet: its number as a spreadsheet shows it, and what its cells say."""

    row: int
    host: HostTable


class Sheet(msgspec.Struct, frozen=True, kw_only=True):
    """The host rows of one file.

    ``content`` is the file's bytes, for the plan's digest.  ``remarks`` says what was assumed in reading it.
    """

    file: str
    content: bytes
    rows: tuple[HostRow, ...]
    remarks: tuple[str, ...] = ()


def read_rows(path: Path, named_at: str | None = None) -> Sheet:
    """Read the host rows of a CSV or XLSX file, of a workbook those of its one sheet with the required columns.

    ``named_at`` is who names the file, as for ``textfile.read_bounded``.  Raises PlanError with every bad row at once; no
    row is left out but those without text in any cell.
    """
    content = read_bounded(path, named_at)
    shown = str(path)
    grid = read_grid(content, shown, COLUMNS, REQUIRED)
    return Sheet(file=shown, content=content, rows=tuple(_hosts_below(grid.rows, shown)), remarks=grid.remarks)


def _hosts_below(grid: list[list[str]], shown: str) -> list[HostRow]:
    """The host rows below the header.  Raises PlanError with every problem of header and rows."""
    problems: list[str] = []
    columns: list[str | None] | None = None
    rows: list[HostRow] = []
    header_row = 0
    for number, typed in enumerate(grid, start=1):
        cells = [cell.strip() for cell in typed]
        if not any(cells):
            continue
        if columns is None:
            columns, header_row = _header(cells, f"{shown}, row {number}", problems), number
            if problems:
                # Under a header that is not understood every row would look wrong.
                break
            continue
        host = _host(cells, columns, f"{shown}, row {number}", header_row, problems)
        if host is not None:
            rows.append(HostRow(number, host))
    if columns is None:
        problems.append(f"{shown}: the sheet is empty; its first row must name the columns {', '.join(REQUIRED)}")
    elif not rows and not problems:
        problems.append(f"{shown}, row {header_row}: no host stands below the header; add one row for each host")
    if problems:
        raise PlanError(*problems)
    return rows


def _heading(text: str) -> str:
    return " ".join(text.split()).casefold()


def _header(cells: list[str], where: str, problems: list[str]) -> list[str | None]:
    """What each column holds; None for a column without a heading."""
    columns: list[str | None] = []
    for cell in cells:
        name = _heading(cell) or None
        if name is not None and name not in COLUMNS:
            close = nearest(name, COLUMNS)
            mend = f'did you mean "{close}"?' if close else f"known are {', '.join(COLUMNS)}; take this one out"
            problems.append(f'{where}: no column is called "{cell[:40]}"; {mend}')
            name = close
        elif name in columns and name is not None:
            problems.append(f'{where}: the column "{name}" is there twice; take one of the two out')
        columns.append(name)
    missing = [name for name in REQUIRED if name not in columns]
    if missing:
        quoted = " and ".join(f'"{name}"' for name in missing)
        plural = "columns are" if len(missing) > 1 else "column is"
        problems.append(f"{where}: the {plural} missing: {quoted}; this row must name the columns {', '.join(REQUIRED)}")
    return columns


def _host(
    cells: list[str], columns: list[str | None], where: str, header_row: int, problems: list[str],
) -> HostTable | None:
    """The host of one row, or None after noting what is wrong with it."""
    before = len(problems)
    values: dict[str, str] = {}
    for position, cell in enumerate(cells):
        column = columns[position] if position < len(columns) else None
        if column is not None:
            values[column] = cell
        elif cell:
            problems.append(f'{where}: "{cell[:40]}" stands in column {position + 1}, which has no heading in row '
                            f"{header_row}; give the column one, or put text that holds the delimiter in double quotes")
    problems.extend(f'{where}: the column "{name}" is empty; fill it in, or clear the whole row'
                    for name in REQUIRED if not values.get(name))
    vlan = values.get("vlan", "")
    if vlan and not re.fullmatch(r"[0-9]{1,9}", vlan):
        problems.append(f'{where}: the column "vlan" holds "{vlan[:40]}"; a VLAN is a number from 1 to 4094')
    if len(problems) > before:
        return None
    return HostTable(name=values["name"], address=_SEPARATOR.split(values["address"]), network=values["network"],
                     role=values["role"], mask=_pair(values.get("mask"), family_of_mask),
                     gateway=_pair(values.get("gateway"), family_of), vlan=int(vlan) if vlan else None,
                     mac=values.get("mac") or None, notes=values.get("notes") or None)


def _pair(cell: str | None, family: Callable[[str], int]) -> str | list[Any] | None:
    """What a cell says, or the two values of one that holds one for each address family; anything else is for lint to judge."""
    parts = _SEPARATOR.split(cell or "")
    return parts if len(parts) == 2 and {*map(family, parts)} == {4, 6} else cell or None
