"""Accepting, comparing, listing, regrading and scheduling, from the command line."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner, Result

from shared.evidence import Crash
from shared.findings import Verdict
from shared.plan import Plan
from shared.run import Report
from verify.__main__ import main
from verify.history.lock import only_one
from verify.history.place import place_of
from verify.history.store import Store
from verify.planfile import read_plan

ROOT = Path(__file__).parent.parent.parent
#: What is wrong with the site of rack 9, accepted: what is left is unproven.
WAIVERS = "".join(f"""\
[[waivers]]
check = "{check}"
host = "site"
reason = "the rack has no servers yet"
until = 2099-12-31
""" for check in ("name.server", "clock.source", "plan.name-servers", "plan.time-sources"))
SECOND = """\
[[hosts]]
name = "dome-b"
address = "127.20.9.12"
network = "rack9"
role = "node"
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder and a state folder of the test's own."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def door() -> Iterator[socket.socket]:
    """A socket on the host's address that refuses until it is told to listen."""
    with socket.socket() as held:
        held.bind(("127.20.9.11", 0))
        yield held


@pytest.fixture
def plan(folder: Path, door: socket.socket, rack_9: Callable[..., str]) -> Path:
    path = folder / "rack9.toml"
    path.write_text(rack_9(f'closed = ["{door.getsockname()[1]}/tcp"]') + WAIVERS, encoding="utf-8")
    return path


def seatrial(*arguments: str) -> Result:
    result: Result = CliRunner().invoke(main, arguments, prog_name="seatrial")
    return result


def verify(plan: Path, *more: str) -> Any:
    """A run in a process of its own, as probing starts an event loop and takes signals."""
    return process("verify", plan.name, *more)


def process(*arguments: str) -> Any:
    return subprocess.run([sys.executable, "-m", "verify", *arguments, "--timeout", "1"], capture_output=True, text=True,
                          timeout=50, env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False)


def runs() -> list[dict[str, Any]]:
    done = seatrial("history", "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document["schema"] == "seatrial-history/1"
    found: list[dict[str, Any]] = document["runs"]
    return found


def one_line(done: Any, words: str) -> None:
    """Exit status 2, nothing on standard output, one sentence on standard error."""
    assert (done.exit_code if isinstance(done, Result) else done.returncode) == 2, done.stderr
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1, done.stderr
    assert words in done.stderr


def test_a_night_from_the_first_run_to_the_first_drift(plan: Path, door: socket.socket) -> None:
    """Verify, accept, nothing new; then a port that must be closed is open, and it is the first thing said."""
    one_line(process("drift", plan.name), "there is no history")
    assert not (plan.parent / "seatrial-reports").exists()
    first = verify(plan, "--quiet")
    assert first.returncode == 3, first.stdout + first.stderr
    one_line(process("drift", plan.name), "has no baseline yet")
    one_line(seatrial("accept", "last"), 'accept it as it is with --reason "why"')
    accepted = seatrial("accept", "last", "--reason", "the rack has no name servers yet", "--operator", "m.tar")
    assert accepted.exit_code == 0
    assert "is now the baseline" in accepted.stdout
    same = process("drift", plan.name)
    assert same.returncode == first.returncode
    assert "accepted" in same.stdout
    assert "m.tar (the rack has no name servers" in re.sub(r"\s+", " ", same.stdout)
    assert "New failures" not in same.stdout
    door.listen()
    worse = process("drift", plan.name)
    assert worse.returncode == 1
    assert "New failures: 1" in worse.stdout
    assert f"port.closed {door.getsockname()[1]}/tcp" in worse.stdout
    assert [run["kind"] for run in runs()] == ["drift", "drift", "verify"]
    assert [run["baseline"] for run in runs()] == [False, False, True]


def test_a_changed_plan_and_a_moved_file_are_said_first(plan: Path) -> None:
    """The baseline is still found."""
    verify(plan)
    seatrial("accept", "last", "--reason", "test")
    moved = plan.with_name("rack-nine.toml")
    plan.rename(moved)
    moved.write_text(moved.read_text(encoding="utf-8") + "# a remark\n", encoding="utf-8")
    done = process("drift", moved.name)
    text = re.sub(r"\s+", " ", done.stdout)
    assert "The plan lay at" in text
    assert "The plan has changed since the baseline" in text
    assert text.index("The plan has changed") < text.index("Still unproven")


def test_two_nightly_runs_of_one_plan_are_kept_apart(plan: Path) -> None:
    """The second says so, exits with 2 and probes nothing."""
    verify(plan)
    seatrial("accept", "last", "--reason", "test")
    with only_one(read_plan(plan)):
        one_line(process("drift", plan.name), f"still going on (process {os.getpid()})")
    assert len(runs()) == 1


def test_strict_makes_a_change_a_failure(plan: Path) -> None:
    """A host that was added is no fail; with --strict it is exit 1, and a night without news is not."""
    verify(plan)
    seatrial("accept", "last", "--reason", "test")
    assert process("drift", plan.name, "--strict").returncode == 3
    plan.write_text(plan.read_text(encoding="utf-8") + SECOND, encoding="utf-8")
    lenient, strict = process("drift", plan.name), process("drift", plan.name, "--strict")
    assert "Hosts added since the baseline: dome-b" in re.sub(r"\s+", " ", lenient.stdout)
    assert (lenient.returncode, strict.returncode) == (3, 1)


@pytest.mark.parametrize("store", ["/proc/nowhere/history.sqlite", "mystery://history"])
def test_a_run_that_cannot_be_stored_is_a_run_all_the_same(plan: Path, store: str) -> None:
    """The reports are written, the exit status is what was found, and one sentence says that the history lacks it."""
    sound, lost = verify(plan), verify(plan, "--store", store, "--output", "lost")
    assert lost.returncode == sound.returncode
    assert sorted(path.suffix for path in Path("lost").iterdir()) == [".html", ".json"]
    assert sound.stderr == ""
    [line] = lost.stderr.splitlines()
    assert "is not in the history" in line
    assert lost.stdout.splitlines()[0] == sound.stdout.splitlines()[0]


@pytest.mark.lab
def test_reports_that_cannot_be_written_are_still_in_the_history(plan: Path) -> None:
    """The reports' disk is full: exit 2, and one sentence says where the run is."""
    out = plan.parent / "out"
    out.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=16k", "seatrial-test", str(out)], check=True)
    try:
        done = verify(plan, "--output", "out")
    finally:
        subprocess.run(["umount", str(out)], check=True)
    assert done.returncode == 2
    [line] = done.stderr.splitlines()
    assert line.startswith("cannot write")
    [run] = runs()
    assert f"seatrial report {run['id']} --html FILE" in done.stderr
    assert seatrial("report", run["id"], "--html", "page.html").exit_code == 0


def test_a_run_is_told_though_a_report_cannot_be_written(plan: Path) -> None:
    """What was found goes to standard output as ever, with the report that was written; then which was not, and exit 2."""
    Path("full").symlink_to("/dev/full")
    sound, half = verify(plan), verify(plan, "--json", "full")
    assert half.returncode == 2
    assert half.stdout.splitlines()[:3] == sound.stdout.splitlines()[:3]
    id_ = runs()[0]["id"]
    assert half.stdout.splitlines()[-1] == f"seatrial-reports/rack9-{id_}.html"
    assert half.stderr == ('cannot write "full": No space left on device; the run is in the history: '
                           f"seatrial report {id_} --json FILE\n")


def test_a_comparison_is_told_though_a_report_cannot_be_written(plan: Path) -> None:
    """The night's news are not lost with its page."""
    Path("full").symlink_to("/dev/full")
    verify(plan)
    seatrial("accept", "last", "--reason", "test")
    done = process("drift", plan.name, "--html", "full")
    assert done.returncode == 2
    assert "Compared with the baseline" in done.stdout
    assert done.stderr.startswith('cannot write "full": No space left on device; the run is in the history')


def test_nothing_is_said_to_be_left_of_a_run_that_nothing_is_left_of(plan: Path) -> None:
    """No report and no history: the sentences do not send anybody to the one or the other."""
    for name in ("full", "full-too"):
        Path(name).symlink_to("/dev/full")
    done = verify(plan, "--json", "full", "--html", "full-too", "--store", "/proc/nowhere/history.sqlite")
    assert done.returncode == 2
    assert done.stdout.splitlines()[0] == verify(plan, "--no-store").stdout.splitlines()[0]
    lost, unwritten = done.stderr.splitlines()
    assert "is not in the history" in lost
    assert "its reports" not in lost
    assert "; nothing is kept of run " in unwritten


def test_no_store_leaves_a_run_out(plan: Path) -> None:
    """And makes no file."""
    verify(plan, "--no-store")
    assert not (plan.parent / "state").exists()
    one_line(seatrial("history"), "there is no history")


def test_an_interrupted_run_is_stored_as_a_partial_one(plan: Path) -> None:
    """Its evidence so far is kept, and it cannot be a baseline."""
    silent = plan.read_text(encoding="utf-8").replace("127.0.0.1:1", "127.20.9.53:9953")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as hole:
        hole.bind(("127.20.9.53", 9953))
        plan.write_text(silent, encoding="utf-8")
        run = subprocess.Popen([sys.executable, "-m", "verify", "verify", plan.name, "--timeout", "40"], stdout=subprocess.PIPE,
                               stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)})
        # The first question has come: the run is in its middle.
        hole.settimeout(40)
        hole.recv(512)
        run.send_signal(signal.SIGINT)
        _, errors = run.communicate(timeout=40)
    assert run.returncode == 130, errors
    [stored] = runs()
    assert (stored["complete"], stored["verdict"]) == (False, "unproven")
    one_line(seatrial("accept", "last", "--reason", "test"), "partial run cannot be a baseline")


def test_a_run_killed_in_its_middle_costs_no_earlier_one(plan: Path) -> None:
    """Kill -9 leaves what was there, and no lock."""
    verify(plan)
    seatrial("accept", "last", "--reason", "test")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as hole:
        hole.bind(("127.20.9.53", 9953))
        plan.write_text(plan.read_text(encoding="utf-8").replace("127.0.0.1:1", "127.20.9.53:9953"), encoding="utf-8")
        run = subprocess.Popen([sys.executable, "-m", "verify", "drift", plan.name, "--timeout", "40"], stdout=subprocess.DEVNULL,
                               stderr=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": str(ROOT)})
        hole.settimeout(40)
        hole.recv(512)
        run.kill()
        run.wait(40)
    assert len(runs()) == 1
    with only_one(read_plan(plan)):
        assert seatrial("report", "last").exit_code == 0


@pytest.fixture
def stored(folder: Path, make_plan: Callable[..., Plan]) -> Callable[..., None]:
    """``stored(id, **facts)``: put a run of the sample site into the history; "verdict" and "hosts" may be given too."""
    import importlib.util

    spec = importlib.util.spec_from_file_location("seatrial_report_sample", ROOT / "tests" / "reports" / "sample.py")
    assert spec is not None
    assert spec.loader is not None
    sample: ModuleType = importlib.util.module_from_spec(spec)
    sys.modules["seatrial_report_sample"] = sample
    spec.loader.exec_module(sample)

    def put(run_id: str, *, verdict: Verdict = Verdict.READY, hosts: int = 2, checks: tuple[str, ...] = (),
            plan: Plan | None = None, crashes: tuple[Crash, ...] = (), **facts: Any) -> None:
        report: Report = sample.sound()
        report = msgspec.structs.replace(report, site=msgspec.structs.replace(
            report.site, evidence=msgspec.structs.replace(report.site.evidence, crashes=crashes)))
        report = msgspec.structs.replace(report, verdict=verdict, hosts=report.hosts[:hosts], run=msgspec.structs.replace(
            report.run, id=run_id, **facts))
        with Store.open(None, create=True) as history:
            history.keep(report, plan or make_plan(), checks)

    return put


@pytest.mark.parametrize(("run", "reason", "words"), [
    ({}, "", ""),
    ({"verdict": Verdict.READY_WITH_CAUTIONS}, "", ""),
    ({"verdict": Verdict.NOT_READY}, "known, see CHG-1042", ""),
    ({"verdict": Verdict.UNPROVEN}, "no clock to be had", ""),
    ({"verdict": Verdict.NOT_READY}, "", "--reason"),
    ({"verdict": Verdict.UNPROVEN}, "  ", "--reason"),
    ({"complete": False}, "anyway", "was interrupted"),
    ({"hosts": 1}, "anyway", "some hosts or checks only"),
    ({"checks": ("name.*",)}, "anyway", "some hosts or checks only"),
])
def test_only_a_whole_run_whose_verdict_allows_it_becomes_the_baseline(
    stored: Callable[..., None], run: dict[str, Any], reason: str, words: str
) -> None:
    """Ready with or without cautions, or with a reason; never a partial run."""
    stored("20270304T091224Z-7f3a", **run)
    done = seatrial("accept", "20270304", "--reason", reason)
    if words:
        one_line(done, words)
    else:
        assert done.exit_code == 0, done.output
    assert [one["baseline"] for one in runs()] == [not words]


@pytest.mark.parametrize(("reason", "words"), [("", "met 1 fault of seatrial itself"), ("reported", "drift will call that new")])
def test_a_run_that_met_a_bug_of_ours_becomes_the_baseline_only_with_a_reason(
    stored: Callable[..., None], reason: str, words: str
) -> None:
    """Whatever its verdict says: what the bug touched is not graded, and accepting it says so too."""
    stored("20270304T091224Z-7f3a", crashes=(Crash(asking="443/tcp", error="ValueError"),))
    done = seatrial("accept", "20270304", "--reason", reason)
    assert words in done.output
    assert (done.exit_code, [one["baseline"] for one in runs()]) == ((0, [True]) if reason else (2, [False]))


@pytest.mark.parametrize("command", ["accept", "report", "regrade"])
def test_an_unknown_run_gets_the_nearest(stored: Callable[..., None], command: str) -> None:
    """In one sentence."""
    stored("20270304T091224Z-7f3a")
    one_line(seatrial(command, "20270304T091224Z-7f3b"), "the nearest is 20270304T091224Z-7f3a")


def test_a_stored_run_is_rendered_as_it_was(stored: Callable[..., None]) -> None:
    """The ticket text unless another form is asked for; JSON that reads back; one form at most on standard output."""
    stored("20270304T091224Z-7f3a")
    text = seatrial("report", "last")
    assert text.exit_code == 0
    assert "20270304T091224Z-7f3a" in text.stdout
    assert len(text.stdout) < 4000
    document = json.loads(seatrial("report", "last", "--json", "-").stdout)
    assert document["run"]["id"] == "20270304T091224Z-7f3a"
    files = seatrial("report", "last", "--html", "page.html", "--json", "run.json")
    assert files.stdout.split() == ["run.json", "page.html"] or files.stdout.split() == ["page.html", "run.json"]
    assert Path("page.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    one_line(seatrial("report", "last", "--html", "-", "--json", "-"), "cannot both be standard output")


def test_one_hosts_nights_are_listed(stored: Callable[..., None]) -> None:
    """By its short name; as text and as JSON; an unknown one gets the nearest."""
    for night in (1, 2, 3):
        stored(f"2027030{night}T091224Z-7f3a", started=f"2027-03-0{night}T09:12:24Z", finished=f"2027-03-0{night}T09:12:38Z")
    text = seatrial("history", "--host", "dome-a")
    assert text.exit_code == 0, text.output
    assert [line.split()[0] for line in text.stdout.splitlines()[2:5]] == [f"2027030{night}T091224Z-7f3a" for night in (3, 2, 1)]
    assert "3 nights are too few for a trend" in re.sub(r"\s+", " ", text.stdout)
    document = json.loads(seatrial("history", "--host", "dome-a.obs.example.net", "--json").stdout)
    [offsets] = [one for one in document["series"] if one["check"] == "clock.offset"]
    assert [night["run"] for night in offsets["nights"]] == [f"2027030{night}T091224Z-7f3a" for night in (1, 2, 3)]
    assert {trend["what"] for trend in document["trends"]} == {"clock offset", "certificate life"}
    one_line(seatrial("history", "--host", "dome-z"), 'did you mean "dome-')


def test_a_host_of_several_plans_is_told_with_them(stored: Callable[..., None], make_plan: Callable[..., Plan]) -> None:
    """What is to be typed is a plan's file, so that is what the sentence names."""
    stored("20270304T091224Z-7f3a")
    stored("20270305T091224Z-7f3b", plan=make_plan(title="rack 3", file="rack3.toml"))
    one_line(seatrial("history", "--host", "dome-a"), "dome-a.obs.example.net in ")
    told = seatrial("history", "--host", "dome-a").stderr
    assert re.search(r"several plans have such a host \(.*tidewater\.toml, .*rack3\.toml\); name the plan too", told), told


def test_a_runs_list_may_be_that_of_one_plan(stored: Callable[..., None], plan: Path) -> None:
    """By the file, or by the path it lay at; an unknown one says so."""
    stored("20270304T091224Z-7f3a")
    verify(plan)
    assert len(runs()) == 2
    listed = seatrial("history", plan.name)
    assert listed.stdout.count("verify") == 1
    plan.unlink()
    assert seatrial("history", plan.name).stdout == listed.stdout
    one_line(seatrial("history", "rack8.toml"), "the history holds no run of one that was there")


@pytest.mark.parametrize(("options", "words"), [
    (["--prune"], "--keep-days N, --keep-runs N, or both"),
    (["--keep-runs", "3"], "give --prune with them"),
    (["--prune", "--keep-runs", "3", "--host", "dome-a"], "leave --host and --json out"),
])
def test_pruning_says_what_it_needs(stored: Callable[..., None], options: list[str], words: str) -> None:
    """Nothing is taken out by a command line that is not clear."""
    stored("20270304T091224Z-7f3a")
    one_line(seatrial("history", *options), words)
    assert len(runs()) == 1


def test_pruning_by_age_and_count_leaves_the_baseline(stored: Callable[..., None]) -> None:
    """All runs were stored just now: none is older than a day; by count only the last is left, and the baseline."""
    for night in (1, 2, 3):
        stored(f"2027030{night}T091224Z-7f3a")
    seatrial("accept", "20270301")
    assert "0 runs taken out, 3 left" in seatrial("history", "--prune", "--keep-days", "1").stdout
    done = seatrial("history", "--prune", "--keep-runs", "1")
    assert done.stdout == "1 run taken out, 2 left, 1 of them accepted as a baseline at some time\n"
    assert [run["id"] for run in runs()] == ["20270303T091224Z-7f3a", "20270301T091224Z-7f3a"]


def test_regrading_shows_what_would_have_changed_and_stores_nothing(plan: Path) -> None:
    """By the stored plan, though its file is gone; with the reports where they are asked for."""
    verify(plan)
    plan.unlink()
    same = seatrial("regrade", "last")
    assert same.exit_code == 3, same.output
    assert "Graded again" in same.stdout
    assert "First of all" not in same.stdout
    strict = seatrial("regrade", "last", "--profile", "strict", "--json", "strict.json")
    assert "The profile has changed: production then, strict now." in strict.stdout
    assert json.loads(Path("strict.json").read_text(encoding="utf-8"))["run"]["profile"] == "strict"
    assert len(runs()) == 1
    one_line(seatrial("regrade", "last", "--profile", "strickt"), 'did you mean "strict"')
    one_line(seatrial("regrade", "last", "--plan", "gone.toml"), "gone.toml")


def test_no_report_is_written_over_the_history_or_what_was_graded_by(plan: Path) -> None:
    """The history is there too where --store does not name it."""
    verify(plan)
    limits = plan.parent / "own.toml"
    limits.write_text('base = "production"\n', encoding="utf-8")
    history = str(place_of(None))
    before = [Path(path).read_bytes() for path in (history, plan, limits)]
    for target in (history, str(plan), str(limits)):
        done = seatrial("regrade", "last", "--plan", str(plan), "--profile", str(limits), "--html", target)
        one_line(done, "would write over a file that this run reads or keeps")
    one_line(seatrial("verify", str(plan), "--json", history), "would write over a file that this run reads or keeps")
    assert [Path(path).read_bytes() for path in (history, plan, limits)] == before


def test_a_schedule_runs_what_was_meant(plan: Path) -> None:
    """Absolute paths, the store named, from whatever folder; a plan that cannot be read is exit 2."""
    awkward = plan.parent / "100 % plans"
    awkward.mkdir()
    plan.rename(awkward / plan.name)
    done = seatrial("schedule", str(awkward / plan.name), "--at", "4:05", "--strict")
    assert done.exit_code == 0, done.output
    assert "OnCalendar=*-*-* 04:05:00" in done.stdout
    assert '100 %% plans/rack9.toml"' in done.stdout
    assert "100 \\% plans/rack9.toml'" in done.stdout
    assert f"--store {plan.parent}/state/seatrial/history.sqlite" in done.stdout
    assert "--strict" in done.stdout
    one_line(seatrial("schedule", "gone.toml"), "gone.toml")
    assert seatrial("schedule", str(awkward / plan.name), "--at", "25:00").exit_code == 2


@pytest.mark.parametrize("command", ["accept", "drift", "history", "regrade", "report", "schedule"])
def test_every_command_has_help_that_loads_no_database(command: str) -> None:
    """Nor anything else it does not need."""
    program = (f"import sys; from verify.__main__ import main\ntry: main([{command!r}, '--help'])\n"
               "except SystemExit as end: assert not end.code, end.code\nprint(*sorted(sys.modules), file=sys.stderr)")
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT)
    loaded = {name.partition(".")[0] for name in done.stderr.split()}
    assert "click" in loaded
    assert loaded & {"sqlalchemy", "dns", "ssl", "asyncio", "jinja2", "cryptography"} == set()
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_the_demo_is_not_stored(folder: Path) -> None:
    """It is no site's history."""
    done = subprocess.run([sys.executable, "-m", "verify", "demo", "--quiet"], capture_output=True, text=True, timeout=50,
                          check=False, env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert done.returncode == 0, done.stderr
    assert not (folder / "state").exists()
