"""Host rows of a sheet: every bad row is said with its own number, and none is left out."""

from __future__ import annotations

from pathlib import Path

import openpyxl  # type: ignore[import-untyped]
import pytest

from verify.errors import PlanError
from verify.planfile.hostrows import read_rows

HEADER = "name,address,network,role,vlan,notes\n"


def sheet_of(folder: Path, text: str) -> Path:
    path = folder / "hosts.csv"
    path.write_text(text, encoding="utf-8", newline="")
    return path


def problems_of(folder: Path, text: str) -> list[str]:
    with pytest.raises(PlanError) as caught:
        read_rows(sheet_of(folder, text))
    return [problem.removeprefix(f"{folder}/") for problem in caught.value.problems]


def test_rows_are_read_by_their_columns_in_any_order_and_case(tmp_path: Path) -> None:
    """Every column that the contract names, with spaces around heading and cell."""
    text = ("ROLE; Notes ;Name;ADDRESS;network;Mask;Gateway;VLAN;Mac;\r\n"
            ' node ;"by the ""door""\nleft"; quay-a ; 192.0.2.21 ;mgmt;255.255.255.0;192.0.2.1; 20 ;00-00-5E-00-53-01;\r\n')
    (row,) = read_rows(sheet_of(tmp_path, text)).rows
    host = row.host
    assert (row.row, host.name, host.address, host.network, host.role) == (2, "quay-a", ["192.0.2.21"], "mgmt", "node")
    assert (host.mask, host.gateway, host.vlan, host.mac, host.notes) == (
        "255.255.255.0", "192.0.2.1", 20, "00-00-5E-00-53-01", 'by the "door"\nleft')


@pytest.mark.parametrize("cell", ["192.0.2.21 2001:db8::21", '"192.0.2.21, 2001:db8::21"', '"192.0.2.21\n2001:db8::21"',
                                  "192.0.2.21;2001:db8::21"])
def test_a_cell_may_hold_both_addresses(tmp_path: Path, cell: str) -> None:
    """A host with both families has one row."""
    (row,) = read_rows(sheet_of(tmp_path, f"{HEADER}quay-a,{cell},mgmt,node,,\n")).rows
    assert row.host.address == ["192.0.2.21", "2001:db8::21"]


@pytest.mark.parametrize(("cells", "mask", "gateway"), [
    ('"255.255.255.0 64","192.0.2.1, 2001:db8::1"', ["255.255.255.0", "64"], ["192.0.2.1", "2001:db8::1"]),
    ("/64,2001:db8::1", "/64", "2001:db8::1"),
    # What are no two of different families is one value, for lint to judge.
    ('"255.255.255.0, 255.255.0.0","192.0.2.1 192.0.2.2"', "255.255.255.0, 255.255.0.0", "192.0.2.1 192.0.2.2"),
    (",", None, None),
])
def test_a_cell_may_hold_a_mask_and_a_gateway_of_both_families(tmp_path: Path, cells: str, mask: object, gateway: object) -> None:
    text = f'name,address,network,role,mask,gateway\nquay-a,"192.0.2.21 2001:db8::21",mgmt,node,{cells}\n'
    (row,) = read_rows(sheet_of(tmp_path, text)).rows
    assert (row.host.mask, row.host.gateway) == (mask, gateway)


def test_rows_have_the_numbers_that_a_spreadsheet_shows(tmp_path: Path) -> None:
    """Blank rows count, a cell with a line break is one row."""
    text = f'\n{HEADER}quay-a,192.0.2.21,mgmt,node,,"two\nlines"\n,,,,,\n\nquay-b,192.0.2.22,mgmt,node\n'
    assert [(row.row, row.host.name) for row in read_rows(sheet_of(tmp_path, text)).rows] == [(3, "quay-a"), (6, "quay-b")]


def test_what_lint_can_mend_is_kept_as_typed(tmp_path: Path) -> None:
    """A mistyped mask or address is no reason to refuse the row."""
    text = "name,address,network,role,mask,vlan\nquay_a,192.0.2.256,nowhere,none,255.255.235.0,5000\n"
    (row,) = read_rows(sheet_of(tmp_path, text)).rows
    assert (row.host.name, row.host.address, row.host.mask, row.host.vlan) == ("quay_a", ["192.0.2.256"], "255.255.235.0", 5000)


@pytest.mark.parametrize(("text", "problems"), [
    ("", ["hosts.csv: the sheet is empty; its first row must name the columns name, address, network, role"]),
    (",,\n\n", ["hosts.csv: the sheet is empty; its first row must name the columns name, address, network, role"]),
    (HEADER, ["hosts.csv, row 1: no host stands below the header; add one row for each host"]),
    ("name,adress,network,role\nquay-a,192.0.2.21,mgmt,node\n",
     ['hosts.csv, row 1: no column is called "adress"; did you mean "address"?']),
    ("name,address,network,role,colour\nquay-a,192.0.2.21,mgmt,node,red\n",
     [('hosts.csv, row 1: no column is called "colour"; known are name, address, network, role, mask, gateway, vlan, mac, '
      "notes; take this one out")]),
    ("name,address,name,role\nquay-a,192.0.2.21,mgmt,node\n",
     ['hosts.csv, row 1: the column "name" is there twice; take one of the two out',
      'hosts.csv, row 1: the column is missing: "network"; this row must name the columns name, address, network, role']),
    ("quay-a,192.0.2.21,mgmt,node\n",
     [('hosts.csv, row 1: no column is called "quay-a"; known are name, address, network, role, mask, gateway, vlan, mac, '
      "notes; take this one out"),
      ('hosts.csv, row 1: no column is called "192.0.2.21"; known are name, address, network, role, mask, gateway, vlan, mac, '
      "notes; take this one out"),
      ('hosts.csv, row 1: no column is called "mgmt"; known are name, address, network, role, mask, gateway, vlan, mac, '
      "notes; take this one out"),
      'hosts.csv, row 1: no column is called "node"; did you mean "notes"?',
      ('hosts.csv, row 1: the columns are missing: "name" and "address" and "network" and "role"; this row must name the '
      "columns name, address, network, role")]),
])
def test_a_header_that_is_not_understood_is_refused(tmp_path: Path, text: str, problems: list[str]) -> None:
    """Its rows are then not looked at: each of them would look wrong."""
    assert problems_of(tmp_path, text) == problems


def test_every_bad_row_is_said_at_once(tmp_path: Path) -> None:
    """With the sheet's own row numbers, and good rows between them."""
    text = HEADER + ("quay-a,,mgmt,node,,\n"
                     "quay-b,192.0.2.22,mgmt,node,20,\n"
                     "\n"
                     ",192.0.2.23,,node,,\n"
                     "quay-d,192.0.2.24,mgmt,node,twenty,\n"
                     "quay-e,192.0.2.25,mgmt,node,20,left, of the door\n"
                     "quay-f\n")
    assert problems_of(tmp_path, text) == [
        'hosts.csv, row 2: the column "address" is empty; fill it in, or clear the whole row',
        'hosts.csv, row 5: the column "name" is empty; fill it in, or clear the whole row',
        'hosts.csv, row 5: the column "network" is empty; fill it in, or clear the whole row',
        'hosts.csv, row 6: the column "vlan" holds "twenty"; a VLAN is a number from 1 to 4094',
        ('hosts.csv, row 7: "of the door" stands in column 7, which has no heading in row 1; give the column one, or put text '
        "that holds the delimiter in double quotes"),
        'hosts.csv, row 8: the column "address" is empty; fill it in, or clear the whole row',
        'hosts.csv, row 8: the column "network" is empty; fill it in, or clear the whole row',
        'hosts.csv, row 8: the column "role" is empty; fill it in, or clear the whole row',
    ]


def test_a_workbook_is_read_like_a_csv(tmp_path: Path) -> None:
    """Whatever its name: the first bytes say what it is."""
    book = openpyxl.Workbook()
    for values in (["Name", "Address", "Network", "Role", "VLAN"], ["quay-a", "192.0.2.21", "mgmt", "node", 20]):
        book.active.append(values)
    path = tmp_path / "hosts.xlsx"
    book.save(path)
    (row,) = read_rows(path).rows
    assert (row.row, row.host.name, row.host.address, row.host.vlan) == (2, "quay-a", ["192.0.2.21"], 20)
