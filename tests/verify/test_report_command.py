"""``seatrial report`` from the command line: bundles made and proven, redaction, and two runs side by side."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import re
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import msgspec
import pytest
from click.testing import CliRunner, Result

from reports.archive import unpack
from shared.plan import Plan
from shared.run import Report
from verify.__main__ import main
from verify.history.store import Store

BEFORE, AFTER = "20270303T091224Z-0001", "20270304T091224Z-0002"


@pytest.fixture(scope="session")
def samples() -> ModuleType:
    path = Path(__file__).parents[1] / "reports" / "sample.py"
    spec = importlib.util.spec_from_file_location("seatrial_sample_for_report_command", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def store(samples: ModuleType, make_plan: Callable[..., Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A history with two runs of one plan: before, with its faults, and after, with them mended."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)
    place = tmp_path / "history.sqlite"
    with Store.open(str(place), create=True) as history:
        for run_id, report in ((BEFORE, samples.three()), (AFTER, samples.sound())):
            kept: Report = msgspec.structs.replace(report, run=msgspec.structs.replace(report.run, id=run_id))
            history.keep(kept, make_plan(sha256=report.run.plan.sha256), ())
    return place


def report(store: Path, *arguments: str) -> Result:
    result: Result = CliRunner().invoke(main, ["report", *arguments, "--store", str(store)], prog_name="seatrial")
    return result


def test_a_bundle_is_written_and_its_hash_is_in_the_text(store: Path, tmp_path: Path) -> None:
    """The text to standard output, so that it can be pasted; the file's name to standard error."""
    done = report(store, AFTER, "--bundle", "change.zip")
    assert done.exit_code == 0, done.output
    files = unpack((tmp_path / "change.zip").read_bytes())
    assert hashlib.sha256(files["MANIFEST.sha256"]).hexdigest() in done.stdout
    assert "change.zip" in done.stderr
    assert "change.zip" not in done.stdout


def test_checking_needs_no_history(store: Path, tmp_path: Path) -> None:
    """One line a proof; made-up samples hold findings that no evidence bears, and the check says so."""
    assert report(store, AFTER, "--bundle", "change.zip").exit_code == 0
    store.unlink()
    done = report(store, "--check", "change.zip")
    assert done.exit_code == 1
    lines = done.stdout.splitlines()
    assert [line.split(":")[0] for line in lines] == ["holds"] * 6 + ["does not hold"]
    assert "differ in grade" in lines[-1]


def test_one_octet_changed_ends_with_1_and_one_sentence(store: Path, tmp_path: Path) -> None:
    """The forged file is named in no traceback."""
    assert report(store, AFTER, "--bundle", "change.zip").exit_code == 0
    content = bytearray((tmp_path / "change.zip").read_bytes())
    content[len(content) // 2] ^= 1
    (tmp_path / "change.zip").write_bytes(content)
    done = report(store, "--check", "change.zip")
    assert (done.exit_code, len(done.stdout.splitlines())) == (1, 1)
    assert done.stdout.startswith("does not hold: ")


@pytest.mark.parametrize("content", [b"", b"not a zip", b"PK\x03\x04" + b"\x00" * 100])
def test_a_file_that_is_no_bundle_is_said_to_be_none(store: Path, tmp_path: Path, content: bytes) -> None:
    """Whatever was attached by mistake."""
    (tmp_path / "change.zip").write_bytes(content)
    done = report(store, "--check", "change.zip")
    assert (done.exit_code, len(done.stdout.splitlines())) == (1, 1)


def test_redacted_reports_name_no_place(store: Path, tmp_path: Path) -> None:
    """In the text, the page, the JSON report and the bundle alike."""
    text = report(store, BEFORE, "--redact", "addresses,names")
    files = report(store, BEFORE, "--redact", "addresses,names", "--html", "page.html", "--json", "run.json")
    assert (text.exit_code, files.exit_code) == (0, 0), files.output
    assert report(store, BEFORE, "--redact", "addresses,names", "--bundle", "change.zip").exit_code == 0
    whole = text.stdout + re.sub(r"</?i>|<wbr>", "", (tmp_path / "page.html").read_text()) + (tmp_path / "run.json").read_text()
    whole += "".join(content.decode() for content in unpack((tmp_path / "change.zip").read_bytes()).values())
    assert "host-01" in whole
    assert "obs.example.net" not in whole
    assert "192.0.2." not in whole
    assert report(store, "--check", "change.zip").exit_code == 3


def test_before_and_after_as_text_and_as_a_page(store: Path, tmp_path: Path) -> None:
    """What was mended is told, each check then and now; the page runs and fetches nothing."""
    text = report(store, "--before", BEFORE, "--after", AFTER)
    page = report(store, "--before", BEFORE, "--after", AFTER, "--html", "both.html")
    assert (text.exit_code, page.exit_code) == (0, 0), page.output
    assert "Mended" in text.stdout
    html = (tmp_path / "both.html").read_text(encoding="utf-8")
    told = re.sub(r"</?i>|<wbr>", "", html)
    assert "Mended" in told
    assert BEFORE in told
    assert AFTER in told
    assert "<script" not in html
    assert "default-src &#39;none&#39;" in html


@pytest.mark.parametrize(("arguments", "words"), [
    ((), "say which run"),
    (("--redact", "names"), "say which run"),
    (("last", "--sign", "key"), "add --bundle"),
    (("last", "--signers", "file"), "add --check"),
    (("--check", "nowhere.zip"), "nowhere.zip"),
    (("--check", "."), "Is a directory"),
    (("--check", "/dev/zero"), "is a device or a pipe, not a file"),
    (("--check", "pipe"), "is a device or a pipe, not a file"),
    (("last", "--check", "a.zip"), "RUN cannot stand with --check"),
    (("last", "--bundle", "a.zip", "--html", "page.html"), "--html cannot stand with"),
    (("--before", "last"), "stand together"),
    (("--before", "last", "--after", "last", "--redact", "names"), "cannot stand with"),
    (("last", "--redact", "faces"), "what can be redacted"),
    (("20270304T091224Z-0003",), AFTER),
    (("last", "--bundle", "/proc/nowhere/a.zip"), "/proc/nowhere"),
    (("last", "--json", "."), '--json "." is a folder'),
    (("--before", "last", "--after", "last", "--html", "."), '--html "." is a folder'),
    (("last", "--json", "x", "--text", "./x"), "--json and --text both name the file"),
    (("last", "--bundle", "a.zip", "--sign", "nowhere"), "no such key file"),
    (("last", "--bundle", "a.zip", "--sign", "k" * 300), "no such key file"),
    (("last", "--json", "history.sqlite"), '--json "history.sqlite" would write over a file that this run reads or keeps'),
    (("last", "--html", "page.html", "--text", "./history.sqlite"), '--text "history.sqlite" would write over'),
    (("last", "--bundle", "history.sqlite"), '--bundle "history.sqlite" would write over'),
    (("last", "--bundle", "history.sqlite-wal"), '--bundle "history.sqlite-wal" would write over'),
    (("last", "--bundle", "key", "--sign", "./key"), '--bundle "key" would write over'),
    (("--before", BEFORE, "--after", AFTER, "--html", "history.sqlite"), '--html "history.sqlite" would write over'),
])
def test_what_cannot_be_done_is_said_in_one_sentence(store: Path, arguments: tuple[str, ...], words: str) -> None:
    """With exit status 2, and nothing written."""
    os.mkfifo("pipe")
    before = store.read_bytes()
    done = report(store, *arguments)
    assert store.read_bytes() == before
    assert (done.exit_code, done.stdout) == (2, ""), done.output
    assert words in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_hostile_text_stays_text_in_both_runs(samples: ModuleType, make_plan: Callable[..., Plan], tmp_path: Path) -> None:
    """Script tags, quotes and bidirectional marks in every field of both sides."""
    place = tmp_path / "hostile.sqlite"
    with Store.open(str(place), create=True) as history:
        for run_id, made in ((BEFORE, samples.hostile()), (AFTER, samples.small())):
            history.keep(msgspec.structs.replace(made, run=msgspec.structs.replace(made.run, id=run_id)), make_plan(), ())
    done = report(place, "--before", AFTER, "--after", BEFORE, "--html", "-")
    assert done.exit_code == 0, done.output
    assert "<script" not in done.stdout
    assert "<img" not in done.stdout
    assert "\u202e" not in done.stdout


@pytest.fixture
def two_nights(samples: ModuleType, make_plan: Callable[..., Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A history with three nights of one plan, a day apart."""
    monkeypatch.chdir(tmp_path)
    place = tmp_path / "nights.sqlite"
    with Store.open(str(place), create=True) as history:
        for day in (2, 3, 4):
            made = samples.sound()
            run = msgspec.structs.replace(made.run, id=f"2027030{day}T091224Z-000{day}", started=f"2027-03-0{day}T09:12:24Z")
            history.keep(msgspec.structs.replace(made, run=run), make_plan(sha256=made.run.plan.sha256), ())
    return place


def test_the_page_of_a_stored_run_draws_the_nights_up_to_it(two_nights: Path) -> None:
    """Clocks and certificates, no later night than the run, and nothing where there is but one."""
    last = report(two_nights, "last", "--html", "-").stdout
    assert 'id="nights"' in last
    assert "From 2027-03-02 to 2027-03-04." in last
    assert "From 2027-03-02 to 2027-03-03." in report(two_nights, "20270303", "--html", "-").stdout
    assert 'id="nights"' not in report(two_nights, "20270302", "--html", "-").stdout


def test_the_nights_of_an_old_run_are_those_before_it(two_nights: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many runs came later: a page of last year's run is that of its own quarter."""
    monkeypatch.setattr("verify.history.following.RECENT_RUNS", 2)
    assert "From 2027-03-02 to 2027-03-03." in report(two_nights, "20270303T091224Z-0003", "--html", "-").stdout
    assert "From 2027-03-03 to 2027-03-04." in report(two_nights, "last", "--html", "-").stdout


def test_a_redacted_page_draws_no_nights(two_nights: Path) -> None:
    """The history knows hosts by the names that are to be hidden."""
    page = report(two_nights, "last", "--html", "-", "--redact", "names").stdout
    assert "<html" in page
    assert 'id="nights"' not in page
