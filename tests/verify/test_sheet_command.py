"""``seatrial sheet`` from outside: what is written where, what stops it, and that nothing is half written."""

from __future__ import annotations

import datetime
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import openpyxl  # type: ignore[import-untyped]
import pytest
from click.testing import CliRunner, Result

from verify.__main__ import main
from verify.planfile import read_plan
from verify.sheets import judged, zone_serial
from verify.trial import today

ROOT = Path(__file__).parent.parent.parent
Sheet = Callable[..., Result]
WritePlan = Callable[..., Path]
TWO_SOURCES = ('"time2.obs.example.net"]', '"time2.obs.example.net", "192.0.2.62", "192.0.2.63"]')


@pytest.fixture
def sheet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Sheet:
    """``sheet(*arguments)``: the command in the test's folder."""
    monkeypatch.chdir(tmp_path)
    return lambda *arguments: CliRunner().invoke(main, ["sheet", *map(str, arguments)])


def names(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def test_both_forms_go_to_the_output_folder(sheet: Sheet, write_plan: WritePlan, tmp_path: Path) -> None:
    """And standard output says where."""
    plan = write_plan()
    done = sheet(plan, "--output", "rack2")
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout.splitlines() == ["1 build sheet, 1 margin note", "rack2/tidewater-sheets.html",
                                        "rack2/tidewater-sheets.txt"]
    assert names(tmp_path) == ["rack2/tidewater-sheets.html", "rack2/tidewater-sheets.txt", "tidewater.toml"]
    assert "where one is wrong or away" in " ".join((tmp_path / "rack2" / "tidewater-sheets.txt").read_text().split())


@pytest.mark.parametrize(("option", "begins"), [("--html", "<!DOCTYPE html>"), ("--text", "seatrial build sheet")])
def test_one_form_alone_can_be_asked_for(sheet: Sheet, write_plan: WritePlan, tmp_path: Path, option: str, begins: str) -> None:
    """To a file, or to standard output and then nothing else is said."""
    done = sheet(write_plan(), option, "-")
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout.startswith(begins)
    assert sheet(write_plan(), option, "new/one").exit_code == 0
    assert (tmp_path / "new" / "one").read_text() == done.stdout
    assert names(tmp_path) == ["new/one", "tidewater.toml"]


def test_hosts_can_be_chosen(sheet: Sheet, write_plan: WritePlan) -> None:
    """The zone lines are then those of the chosen hosts alone."""
    more = '[[hosts]]\nname = "dome-b"\naddress = "192.0.2.12"\nnetwork = "mgmt"\nrole = "node"\n\n[[waivers]]'
    plan = write_plan(("[[waivers]]", more))
    done = sheet(plan, "--text", "-", "--host", "dome-b")
    assert "sheet 1 of 1" in done.stdout
    assert "dome-a" not in done.stdout
    assert "12                       IN PTR   dome-b.obs.example.net." in done.stdout
    assert "dome-a" not in sheet(plan, "--update", "--host", "dome-b").stdout


@pytest.mark.parametrize(("old", "new", "sentence", "mend"), [
    ('"192.0.2.0/24"', '"192.0.2.0 255.255.235.0"',
     ('tidewater.toml:12: network mgmt: "255.255.235.0" is not a mask: its one bits do not stand together at the left; '
      "255.255.255.0 is one digit away (3 for 5)"), 'subnet = "192.0.2.0 255.255.255.0"'),
    ('"192.0.2.11"', '"192.0.2.l1"',
     ('tidewater.toml:27: dome-a.obs.example.net: "192.0.2.l1" is not an address: IPv4 is four numbers from 0 to 255 with a dot '
      "between them; 192.0.2.11, which is free, is one digit away (l for 1)"), 'address = "192.0.2.11"'),
    ('gateway = "192.0.2.1"', 'gateway = "192.0.3.1"',
     ("tidewater.toml:12: network mgmt: the gateway 192.0.3.1 is not in 192.0.2.0/24; hosts there cannot reach it, so everything "
      "remote fails; 192.0.2.1 is one digit away (3 for 2)"), 'gateway = "192.0.2.1"'),
    ('network = "mgmt"', 'network = "mgnt"',
     ('tidewater.toml:27: dome-a.obs.example.net refers to the network "mgnt", which the plan does not have; did you mean "mgmt",'
      " one letter away (n for m)?"), 'network = "mgmt"'),
    ("until = 2027-01-31", "until = soon", "tidewater.toml:37: at column 9, this value is not TOML; ", None),
])
@pytest.mark.parametrize("mode", [(), ("--zones", "z"), ("--update",), ("--check-names",), ("--text", "-")])
def test_a_mistake_stops_it_before_anything_is_written(
    sheet: Sheet, write_plan: WritePlan, tmp_path: Path, old: str, new: str, sentence: str, mend: str | None,
    mode: tuple[str, ...],
) -> None:
    """The sentence with file and line, the mend below it, exit status 2, no file and no query."""
    write_plan((old, new))
    done = sheet("tidewater.toml", *mode)
    assert (done.exit_code, done.stdout) == (2, "")
    lines = done.stderr.splitlines()
    assert lines[0].startswith(sentence)
    assert mend is None or lines[1].strip() == mend
    assert names(tmp_path) == ["tidewater.toml"]


def test_another_hosts_mistake_does_not_keep_this_hosts_sheet_back(sheet: Sheet, write_plan: WritePlan) -> None:
    """But a mistake of the site does, and so does one that two hosts share."""
    more = '[[hosts]]\nname = "dome-b"\naddress = "{}"\nnetwork = "mgmt"\nrole = "node"\n\n[[waivers]]'
    plan = write_plan(("[[waivers]]", more.format("192.0.2.255")))
    assert sheet(plan, "--text", "-", "--host", "dome-a").exit_code == 0
    assert sheet(plan, "--text", "-", "--host", "dome-b").exit_code == 2
    plan = write_plan(("[[waivers]]", more.format("192.0.2.11")))
    assert "also claimed by dome-b" in sheet(plan, "--text", "-", "--host", "dome-a").stderr


@pytest.mark.parametrize(("arguments", "sentence"), [
    (["--zones", "z", "--host", "dome-a"], "--zones writes the zones of the whole plan"),
    (["--zones", "z", "--update"], "--zones writes files and does nothing else"),
    (["--zones", "z", "--check-names"], "--zones writes files and does nothing else"),
    (["--update", "--html", "x"], "--html and --text are for the sheets"),
    (["--check-names", "--text", "x"], "--html and --text are for the sheets"),
    (["--html", "x", "--text", "x"], '--html and --text both name the file "x"'),
    (["--html", "-", "--text", "-"], "--html - and --text - cannot both be standard output"),
    (["--host", "dome-x"], '--host dome-x: tidewater.toml plans no host of that name or address; did you mean "dome-a"?'),
    (["--output", "tidewater.toml/in"], 'cannot write build sheets in "tidewater.toml/in": '),
    (["--html", "/proc/sheet.html"], 'cannot write build sheets in "/proc": '),
    (["--zones", "/proc/zones"], 'cannot write zone files in "/proc/zones": '),
])
def test_a_command_line_that_means_nothing_is_refused(
    sheet: Sheet, write_plan: WritePlan, tmp_path: Path, arguments: list[str], sentence: str,
) -> None:
    """One sentence, exit status 2, nothing written."""
    write_plan()
    done = sheet("tidewater.toml", *arguments)
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr.startswith(sentence)
    assert len(done.stderr.splitlines()) == 1
    assert names(tmp_path) == ["tidewater.toml"]


@pytest.mark.parametrize("mode", [("--zones", "out"), ("--output", "out"), ("--text", "out/one")])
def test_an_interrupted_write_leaves_the_old_files(
    sheet: Sheet, write_plan: WritePlan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mode: tuple[str, ...],
) -> None:
    """Ctrl-C while the drafts are written: what was there stays as it was, and no draft lies beside it."""
    plan = write_plan()
    assert sheet(plan, *mode).exit_code == 0
    before = {name: (tmp_path / name).read_bytes() for name in names(tmp_path)}
    assert len(before) > 1

    def interrupt(self: Path, mode: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "chmod", interrupt)
    write_plan(("rack 2", "rack 3"))
    assert sheet(plan, *mode).exit_code == 130
    (tmp_path / "tidewater.toml").write_bytes(before["tidewater.toml"])
    assert {name: (tmp_path / name).read_bytes() for name in names(tmp_path)} == before


CSV = "name;address;network;role;notes\r\nquay-a;192.0.2.21;mgmt;node;neben der T\u00fcr\r\n"


@pytest.mark.parametrize("form", ["latin-1", "utf-8-sig", "xlsx"])
def test_rows_of_a_spreadsheet_become_sheets(sheet: Sheet, write_plan: WritePlan, tmp_path: Path, form: str) -> None:
    """As spreadsheets export them; what had to be assumed in reading is said by lint and in every margin."""
    plan = write_plan(('profile = "production"', 'hosts_from = "hosts.csv"'))
    if form == "xlsx":
        book = openpyxl.Workbook()
        for line in CSV.splitlines():
            book.active.append(line.split(";"))
        book.save(tmp_path / "hosts.csv")
    else:
        (tmp_path / "hosts.csv").write_bytes(CSV.encode(form))
    text = " ".join(sheet(plan, "--text", "-").stdout.split())
    assert "neben der T\u00fcr" in text
    assert "sheet 2 of 2" in text
    remark = "is not UTF-8 and was read as Latin-1; if letters in it look wrong, save it as UTF-8"
    assert text.count(remark) == (2 if form == "latin-1" else 0)
    linted = CliRunner().invoke(main, ["lint", str(plan)])
    assert [line.startswith("remark  ") for line in linted.stdout.splitlines() if remark in line] == [True] * (form == "latin-1")


def test_a_slip_in_a_spreadsheet_is_said_with_its_row(sheet: Sheet, write_plan: WritePlan, tmp_path: Path) -> None:
    """The row as the spreadsheet numbers it; unreadable rows are all said at once."""
    plan = write_plan(('profile = "production"', 'hosts_from = "hosts.csv"'))
    (tmp_path / "hosts.csv").write_text("name,address,network,role,mask\n\nquay-a,192.0.2.21,mgmt,node,255.255.235.0\n")
    done = sheet(plan)
    assert done.exit_code == 2
    assert done.stderr.splitlines()[0].endswith(
        'hosts.csv:3: quay-a.obs.example.net: "255.255.235.0" is not a mask: its one bits do not stand together at the left; '
        "255.255.255.0, which the network has, is one digit away (3 for 5)")
    (tmp_path / "hosts.csv").write_text("name,address,network,role,vlan\nquay-a,,mgmt,node,\nquay-b,192.0.2.22,mgmt,node,x\n")
    lines = sheet(plan).stderr.splitlines()
    assert [line.rpartition("hosts.csv, ")[2] for line in lines] == [
        'row 2: the column "address" is empty; fill it in, or clear the whole row',
        'row 3: the column "vlan" holds "x"; a VLAN is a number from 1 to 4094']


def test_a_waived_mistake_stands_in_the_margin(write_plan: WritePlan) -> None:
    """With its reason; but what cannot be read at all no waiver makes printable."""
    accepted = ('check = "certificate.trust"\nhost = "dome-*"', 'check = "plan.*"\nhost = "*"')
    plan = read_plan(write_plan(accepted, ('gateway = "192.0.2.1"', 'gateway = "192.0.3.1"'), TWO_SOURCES))
    faults, notes = judged(plan, plan.hosts, today=today())
    assert faults == ()
    assert [(note.kind, note.host) for note in notes] == [("accepted", "")]
    assert notes[0].text.startswith("line 12: network mgmt: the gateway 192.0.3.1 is not in 192.0.2.0/24")
    assert "site CA is installed in phase 2" in notes[0].text
    for wrong in ('name = "dome\\na"', 'name = "dome a"'):
        plan = read_plan(write_plan(accepted, ('name = "dome-a"', wrong)))
        assert "is not legal" in judged(plan, plan.hosts, today=today())[0][0]


def test_a_check_left_out_keeps_no_mistake_off_the_paper(write_plan: WritePlan) -> None:
    """[[leave_out]] is for probing; an unreadable mask is unreadable all the same."""
    leave = ("[[waivers]]", '[[leave_out]]\ncheck = "plan.*"\nreason = "trust me"\n\n[[waivers]]')
    plan = read_plan(write_plan(leave, ('"192.0.2.0/24"', '"192.0.2.0 255.0.255.0"')))
    faults, _ = judged(plan, plan.hosts, today=today())
    assert "is not a mask" in faults[0]


def test_a_zones_serial_grows_with_every_quarter_of_an_hour() -> None:
    """The form of RFC 1912 section 2.2, within 32 bits, in UTC whatever the clock on the wall says."""
    start = datetime.datetime(2026, 12, 31, 23, 44, 59, tzinfo=datetime.UTC)
    later = [start + datetime.timedelta(seconds=seconds) for seconds in (0, 1, 901, 902 + 900)]
    assert [zone_serial(moment) for moment in later] == [2026123194, 2026123195, 2027010100, 2027010101]
    east = start.astimezone(datetime.timezone(datetime.timedelta(hours=5)))
    assert zone_serial(east) == 2026123194
    assert zone_serial(datetime.datetime(4294, 1, 1, tzinfo=datetime.UTC)) < 2**32


def test_the_program_itself_prints_a_sheet(write_plan: WritePlan, tmp_path: Path) -> None:
    """As a process of its own, in a pipe, with the contract's plan."""
    done = subprocess.run([sys.executable, "-m", "verify", "sheet", write_plan(), "--text", "-"], capture_output=True, text=True,
                          cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "  mask                255.255.255.0  which is /24" in done.stdout
    assert names(tmp_path) == ["tidewater.toml"]
