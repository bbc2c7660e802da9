"""The command line from outside: exit statuses, streams, sentences."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent


def seatrial(*arguments: str, cwd: Path, columns: int = 80) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "verify", *arguments], capture_output=True, text=True, cwd=cwd, timeout=50,
                          env={**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": str(columns)}, check=False)


@pytest.fixture
def plan(tmp_path: Path, rack_9: Callable[..., str]) -> Path:
    """A plan whose every server is a port of this machine that refuses."""
    path = tmp_path / "rack9.toml"
    path.write_text(rack_9('open = ["1/tcp"]'), encoding="utf-8")
    return path


def test_the_version_is_one_line(tmp_path: Path) -> None:
    """Name and number, nothing else."""
    done = seatrial("--version", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("seatrial, version ")
    assert len(done.stdout.splitlines()) == 1


@pytest.mark.parametrize("command", ["demo", "lint", "verify", "explain"])
def test_every_command_has_help_that_fits_80_columns(tmp_path: Path, command: str) -> None:
    """And the probing ones say what they send."""
    done = seatrial(command, "--help", cwd=tmp_path)
    assert done.returncode == 0
    assert max(map(len, done.stdout.splitlines())) <= 80
    if command == "verify":
        assert "What is sent" in done.stdout
        assert "hosts you may probe" in done.stdout


def test_a_refusing_site_fails_and_both_reports_are_written(plan: Path) -> None:
    """Exit 1, a summary on standard output, nothing on standard error, and the two files it names."""
    done = seatrial("verify", plan.name, "--output", "out", "--timeout", "2", cwd=plan.parent)
    assert done.returncode == 1, done.stderr
    assert done.stderr == ""
    written = sorted(path.suffix for path in (plan.parent / "out").iterdir())
    assert written == [".html", ".json"]
    for path in (plan.parent / "out").iterdir():
        assert path.name in done.stdout.replace("\n", "")


def test_json_on_standard_output_is_all_there_is(plan: Path) -> None:
    """Exactly one JSON document, no summary, and the HTML in its own file."""
    done = seatrial("verify", plan.name, "--json", "-", "--html", "page.html", "--timeout", "2", cwd=plan.parent)
    report = json.loads(done.stdout)
    assert report["schema"] == "seatrial-report/1"
    assert report["verdict"] == "not-ready"
    assert [host["name"] for host in report["hosts"]] == ["dome-a.obs.example.net"]
    assert (plan.parent / "page.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_the_whole_run_of_the_laboratory_is_judged_right(tmp_path: Path) -> None:
    """Two sound hosts are ready, and every planted fault is found on its host under its check."""
    done = seatrial("demo", "--output", "demo", cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    report = json.loads((tmp_path / "demo" / "tidewater.json").read_text(encoding="utf-8"))
    verdicts = {host["name"].partition(".")[0]: host["verdict"] for host in report["hosts"]}
    assert {name for name, verdict in verdicts.items() if verdict == "ready"} == {"dome-a", "dome-b"}
    failed = {(host["name"].partition(".")[0], finding["check"]) for host in report["hosts"]
              for finding in host["findings"] if finding["grade"] == "fail"}
    planted = {("dome-c", "name.reverse"), ("dome-d", "name.forward"), ("dome-e", "name.reverse"), ("vault-a", "clock.offset"),
               ("vault-b", "clock.synchronised"), ("vault-c", "certificate.trust"), ("vault-d", "certificate.name"),
               ("relay-a", "port.closed"), ("relay-b", "port.open"), ("relay-c", "certificate.protocol"),
               ("relay-a", "ssh.shared-key"), ("relay-c", "ssh.shared-key")}
    assert planted <= failed
    # What else failed only repeats a planted fault: the loop that a name does not close, the name on the installer's certificate.
    assert failed - planted == {("dome-c", "name.agreement"), ("dome-d", "name.agreement"), ("dome-e", "name.agreement"),
                                ("dome-d", "name.servers-agree"), ("vault-c", "certificate.name")}
    roots = {cause["finding"] for cause in report["causes"]}
    assert not any("name.agreement" in ref for ref in roots)
    assert any("clock.sources-agree|127.20.2.63" in ref for ref in roots)


@pytest.mark.parametrize(("arguments", "words"), [
    (["verify", "nowhere.toml"], "nowhere.toml"),
    (["verify", "rack9.toml", "--host", "dome-z"], 'did you mean "dome-a"'),
    (["verify", "rack9.toml", "--only", "name.forwards"], 'did you mean "name.forward"'),
    (["verify", "rack9.toml", "--profile", "labb"], "lab"),
    (["verify", "rack9.toml", "--timeout", "soon"], '"soon" is not a time-out'),
    (["verify", "rack9.toml", "--limit-rate", "0/s"], "is not a rate"),
    (["verify", "rack9.toml", "--json", "-", "--html", "-"], "cannot both be standard output"),
    (["verify", "rack9.toml", "--output", "/proc/reports"], "cannot write reports"),
    (["verify", "rack9.toml", "--json", "."], '--json "." is a folder'),
    (["verify", "rack9.toml", "--html", "."], '--html "." is a folder'),
    (["await", "rack9.toml", "--html", "."], '--html "." is a folder'),
    (["verify", "rack9.toml", "--json", "x", "--html", "./x"], "--json and --html both name the file"),
    (["verify"], "PLAN"),
    (["verfy", "rack9.toml"], 'Did you mean "verify"?'),
    (["lint", "nowhere.toml"], "nowhere.toml"),
    (["explain", "clock.ofset"], 'did you mean "clock.offset"'),
    (["explain", "clock.offset", "--profile", "labb"], "lab, production, strict"),
])
def test_what_cannot_be_used_is_one_sentence_and_exit_2(plan: Path, arguments: list[str], words: str) -> None:
    """On standard error, without a traceback, with the mend, and before anything was probed or written."""
    before = sorted(plan.parent.iterdir())
    done = seatrial(*arguments, cwd=plan.parent)
    assert done.returncode == 2
    assert done.stdout == ""
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert sorted(plan.parent.iterdir()) == before


@pytest.mark.parametrize(("arguments", "remark"), [
    (["--timeout", "20 s"], "it ends after 20 s (--timeout), and to settle a host must answer for 30 s (--steady, and 3 rounds)"),
    (["--timeout", "2 s", "--steady", "1 s", "--every", "2 s"], "it ends after 2 s (--timeout), and to settle a host must"),
    (["--timeout", "4 s", "--steady", "1 s", "--every", "2 s"], ""),
])
def test_a_watch_in_which_no_host_can_settle_says_so(plan: Path, arguments: list[str], remark: str) -> None:
    """Before it begins: afterwards "answering for 17 s, and the watch ended" is all that can be said."""
    done = seatrial("await", plan.name, *arguments, "--html", ".", cwd=plan.parent)
    assert done.stderr.startswith(f"remark  no host can settle in this watch: {remark}" if remark else "--html")


def test_a_plan_that_makes_probing_meaningless_stops_before_the_first_probe(plan: Path) -> None:
    """An unknown network is exit 2, with the place and the mend."""
    plan.write_text(plan.read_text(encoding="utf-8").replace('network = "rack9"', 'network = "rack8"'), encoding="utf-8")
    done = seatrial("verify", plan.name, cwd=plan.parent)
    assert done.returncode == 2
    assert "rack9.toml:" in done.stderr
    assert "rack8" in done.stderr
    assert not (plan.parent / "seatrial-reports").exists()


def test_lint_exits_1_for_a_mistake_and_0_without(plan: Path) -> None:
    """With the finding and its mend on standard output."""
    sound = seatrial("lint", plan.name, cwd=plan.parent)
    assert sound.returncode == 0, sound.stdout
    plan.write_text(plan.read_text(encoding="utf-8").replace("127.20.9.11", "127.20.9.255"), encoding="utf-8")
    wrong = seatrial("lint", plan.name, cwd=plan.parent)
    assert wrong.returncode == 1
    assert "plan.address" in wrong.stdout
    assert "broadcast" in wrong.stdout


def test_what_was_assumed_in_reading_a_sheet_is_said_before_its_hosts_are_probed(plan: Path) -> None:
    """By every command that judges hosts by it, beside the results and not among them: other hosts may have been meant."""
    rows = plan.read_text(encoding="utf-8")
    begins = rows.index("[[hosts]]")
    plan.write_text(rows[:begins].replace("[plan]", '[plan]\nhosts_from = "hosts.csv"'), encoding="utf-8")
    sheet = "name,address,network,role,notes\ndome-a,127.20.9.11,rack9,node,T\u00fcr\n"
    (plan.parent / "hosts.csv").write_bytes(sheet.encode("latin-1"))
    remark = "remark  hosts.csv is not UTF-8 and was read as Latin-1; if letters in it look wrong, save it as UTF-8\n"
    asked = ("--only", "gateway.return-path", "--json", "-", "--html", "page.html", "--store", "s")
    done = seatrial("verify", plan.name, *asked, cwd=plan.parent)
    assert (done.stderr, json.loads(done.stdout)["schema"]) == (remark, "seatrial-report/1")
    assert seatrial("regrade", "last", "--plan", plan.name, "--store", "s", cwd=plan.parent).stderr == remark
    assert seatrial("verify", plan.name, *asked, "--quiet", cwd=plan.parent).stderr == ""


def test_strict_turns_cautions_into_exit_1(plan: Path) -> None:
    """One name server and one time source are cautions of the plan."""
    assert seatrial("lint", plan.name, "--strict", cwd=plan.parent).returncode == 1


def test_explain_without_a_check_lists_them_all(tmp_path: Path) -> None:
    """Every name of the contract's table is there."""
    listed = seatrial("explain", cwd=tmp_path).stdout
    for check in ("plan.mask", "name.agreement", "gateway.return-path", "host.echo", "clock.skew", "certificate.shared-key",
                  "port.closed", "ssh.host-key"):
        assert f"\n{check} " in "\n" + listed


@pytest.mark.parametrize("width", [60, 80, 200])
def test_the_handbook_is_no_wider_than_the_terminal(tmp_path: Path, width: int) -> None:
    """Wrapped at 78 columns, every second line was broken in a word on a narrower one."""
    pages = seatrial("explain", "c*", cwd=tmp_path, columns=width).stdout
    assert max(len(line) for line in pages.splitlines() if line.startswith(" ")) <= min(width, 78)
    assert re.search(r"certificate_rsa_bits +strict +at least 3072 bit,\s+fail below 2048 bit", pages)


@contextlib.contextmanager
def mute_host(folder: Path, rack_9: Callable[..., str]) -> Iterator[socket.socket]:
    """The one host of rack9.toml accepts and says nothing: from then on a question is under way for as long as we like."""
    with socket.create_server(("127.20.9.11", 0)) as listener:
        listener.settimeout(30)
        port = listener.getsockname()[1]
        (folder / "rack9.toml").write_text(
            rack_9(f'open = ["{port}/tcp"]\nssh = ["{port}/tcp"]', servers=port), encoding="utf-8")
        yield listener


#: Asks that host for its SSH identity alone.
_ASKING = (sys.executable, "-m", "verify", "verify", "rack9.toml", "--json", "report.json", "--timeout", "60", "--only", "ssh.*")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_an_interrupt_writes_the_partial_report_and_exits_130(
    tmp_path: Path, rack_9: Callable[..., str], number: signal.Signals
) -> None:
    """Ctrl-C, a termination, a lost terminal, in the middle of a run: what was seen is kept and reported as partial."""
    with mute_host(tmp_path, rack_9) as listener:
        running = subprocess.Popen(
            _ASKING,
            cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        with listener.accept()[0]:
            running.send_signal(number)
            _out, err = running.communicate(timeout=30)
    assert running.returncode == 130, err
    assert "Traceback" not in err
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    assert report["run"]["complete"] is False
    assert report["hosts"][0]["evidence"]["complete"] is False


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_who_presses_twice_loses_nothing(tmp_path: Path, rack_9: Callable[..., str], number: signal.Signals) -> None:
    """The first ends the probing, the second comes while that winds down or what was seen is graded and written."""
    with mute_host(tmp_path, rack_9) as listener:
        running = subprocess.Popen(
            [*_ASKING, "--no-store"],
            cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        with listener.accept()[0]:
            for _ in range(4):
                running.send_signal(number)
                time.sleep(0.02)
            _out, err = running.communicate(timeout=30)
    # One that comes when the evidence is safe ends it at once.
    assert running.returncode in (130, -number), err
    assert "Traceback" not in err
    assert json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))["run"]["complete"] is False


def test_an_interrupt_after_the_probing_waits_until_the_evidence_is_safe(tmp_path: Path, rack_9: Callable[..., str]) -> None:
    """The run is whole then, and its JSON report is written before the interrupt takes effect."""
    (tmp_path / "rack9.toml").write_text(rack_9("", servers=9), encoding="utf-8")
    grading = ("import os, signal; from verify import trial; whole = trial.assemble\n"
               "def interrupted(*given, **named):\n    os.kill(os.getpid(), signal.SIGINT); return whole(*given, **named)\n"
               "trial.assemble = interrupted\nfrom verify.__main__ import main\nmain(prog_name='seatrial')")
    done = subprocess.run([sys.executable, "-c", grading, "verify", "rack9.toml", "--json", "report.json", "--no-store", "--only",
                           "plan.*"], cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True,
                          timeout=60, check=False)
    assert (done.returncode, done.stderr) == (130, "interrupted\n")
    assert json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))["run"]["complete"] is True


def test_a_terminal_that_goes_away_takes_no_evidence_with_it(tmp_path: Path, rack_9: Callable[..., str]) -> None:
    """Its line of progress cannot be drawn any more; what was seen is reported all the same, and no host is called failed."""
    with mute_host(tmp_path, rack_9) as listener:
        command = [*_ASKING, "--no-store"]
        child, terminal = pty.fork()
        if not child:
            os.chdir(tmp_path)
            os.execve(command[0], command, {**os.environ, "PYTHONPATH": str(ROOT)})
        with listener.accept()[0]:
            os.close(terminal)
            status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert status == 130
    assert json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))["run"]["complete"] is False


@pytest.mark.parametrize("arguments", [("verify", "rack9.toml", "--json", "./rack9.toml"), ("sheet", "rack9.toml", "--html",
                                                                                          "rack9.toml")])
def test_no_report_is_written_over_its_own_plan(plan: Path, arguments: tuple[str, ...]) -> None:
    """One slip of the hand, and the plan would be gone."""
    before = plan.read_bytes()
    done = seatrial(*arguments, cwd=plan.parent)
    assert (done.returncode, plan.read_bytes()) == (2, before)
    assert "would write over a file" in done.stderr


# --- standard output that takes nothing

_WRITING = [("lint", "rack9.toml"), ("explain",), ("verify", "rack9.toml", "--no-store", "--only", "name.server"), ("--help",)]


@pytest.mark.parametrize("arguments", _WRITING)
def test_a_full_standard_output_is_one_sentence_and_no_failed_host(plan: Path, arguments: tuple[str, ...]) -> None:
    """Exit status 1 would say that a host failed."""
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        done = subprocess.run([sys.executable, "-m", "verify", *arguments], stdout=full, stderr=subprocess.PIPE, text=True,
                              cwd=plan.parent, timeout=50, env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False)
    assert (done.returncode, done.stderr) == (2, "standard output cannot be written: No space left on device\n")


@pytest.mark.parametrize(("end", "status"), [("--json - >/dev/full", 2), (">&-", 3), ("| true", 3), ("--json - >&-", 3)])
def test_a_run_whose_words_are_lost_is_stored_all_the_same(plan: Path, end: str, status: int) -> None:
    """Also where whoever read them went away, or where there never was a standard output: the status is the run's."""
    line = f'set -o pipefail; "{sys.executable}" -m verify verify rack9.toml --only gateway.return-path --store s {end}'
    done = subprocess.run(["bash", "-c", line], capture_output=True, text=True, cwd=plan.parent, timeout=50, check=False,
                          env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert "Traceback" not in done.stderr
    assert done.returncode == status, done.stderr
    history = seatrial("history", "--store", "s", "--json", cwd=plan.parent)
    assert len(json.loads(history.stdout)["runs"]) == 1


@pytest.mark.parametrize("end", [">/dev/null 2>/dev/full", "2>&1 >/dev/null | true"])
def test_a_watch_whose_lines_are_lost_goes_on(plan: Path, end: str) -> None:
    """Nobody reads them, and that is no bug of ours: it ends when its time is up."""
    line = (f'set -o pipefail; "{sys.executable}" -m verify await rack9.toml --only "boot.*" --no-store --timeout 1s '
            f"--every 0.4s --json j --html h {end}")
    done = subprocess.run(["bash", "-c", line], capture_output=True, text=True, cwd=plan.parent, timeout=50, check=False,
                          env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert done.returncode == 3
    host = json.loads((plan.parent / "j").read_text(encoding="utf-8"))["hosts"][0]["evidence"]
    assert (host["crashes"], host["boot"]["why"]) == ([], "time-out")


def in_latin_1(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([sys.executable, "-m", "verify", *arguments], capture_output=True, cwd=cwd, timeout=50, check=False,
                          env={**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80", "PYTHONIOENCODING": "latin-1"})


def test_a_terminal_with_fewer_characters_is_written_to_all_the_same(plan: Path) -> None:
    """Our signs become plainer ones, other characters their code points, and the exit status is that of the run."""
    plan.write_text(plan.read_text(encoding="utf-8").replace("rack 9", "Größe 望"), encoding="utf-8")
    done = in_latin_1("verify", plan.name, "--only", "gateway.return-path", "--store", "s", cwd=plan.parent)
    assert (done.returncode, done.stderr) == (3, b"")
    assert done.stdout.decode("latin-1").splitlines()[0] == "o UNPROVEN  Tidewater Observatory, Größe <U+671B>"
    for arguments, status in ((("history",), 0), (("regrade", "last"), 3), (("history", "--host", "dome-a"), 0)):
        done = in_latin_1(*arguments, "--store", "s", cwd=plan.parent)
        assert (done.returncode, done.stderr) == (status, b"")
    listed = in_latin_1("history", "--json", "--store", "s", cwd=plan.parent)
    assert json.loads(listed.stdout.decode())["runs"][0]["title"] == "Tidewater Observatory, Größe 望"


@pytest.mark.parametrize("arguments", [("report", "\udcff"), ("accept", "\udcff"), ("regrade", "\udcff"),
                                       ("report", "--before", "\udcff", "--after", "last"), ("history", "rack\udcff.toml"),
                                       ("drift", "rack\udcff.toml")])
def test_a_word_that_is_no_text_is_refused(plan: Path, arguments: tuple[str, ...]) -> None:
    """Octets that are no UTF-8 come from a file's name or from a terminal of another encoding."""
    seatrial("verify", plan.name, "--store", "s", "--only", "gateway.return-path", cwd=plan.parent)
    # A plan of another title is looked for by its path.
    plan.write_text(plan.read_text(encoding="utf-8").replace("rack 9", "rack 8"), encoding="utf-8")
    plan.rename(plan.with_name("rack\udcff.toml"))
    done = seatrial(*arguments, "--store", "s", cwd=plan.parent)
    assert (done.returncode, done.stdout) == (2, "")
    assert "<U+DCFF>" in done.stderr
    assert "is no text" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_what_no_command_expects_is_a_bug_of_ours_and_no_failed_host(plan: Path) -> None:
    """Exit status 70 and the place, where Python alone would end with 1."""
    code = ("import verify.lint, verify.__main__ as program\n"
            "def broken(*_args, **_kwargs): raise ZeroDivisionError('planted')\n"
            "verify.lint.lint = broken\n"
            f"program.main(['lint', {str(plan)!r}])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=50, check=False,
                          env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert done.returncode == 70
    assert done.stderr.startswith("a fault of seatrial itself, please report it:")
    assert "planted" in done.stderr


def test_lint_shows_control_characters_and_no_more_of_a_name_than_a_name_may_have(plan: Path) -> None:
    """A name in a plan can be anything, and lint prints to a terminal."""
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace('"dome-a"', '"dome\\u001b[31m\\u0007a"'), encoding="utf-8")
    shown = seatrial("lint", "rack9.toml", cwd=plan.parent)
    assert shown.returncode == 1
    assert "dome<U+001B>[31m<U+0007>a" in shown.stdout
    plan.write_text(text.replace("dome-a", "d" * 10_000), encoding="utf-8")
    assert max(map(len, seatrial("lint", "rack9.toml", cwd=plan.parent).stdout.splitlines())) < 600


def test_an_interrupt_outside_of_a_run_is_an_interrupt(plan: Path) -> None:
    """As of any command: 130, and no trace."""
    code = ("import verify.lint, verify.__main__ as program\n"
            "def interrupted(*_args, **_kwargs): raise KeyboardInterrupt\n"
            "verify.lint.lint = interrupted\n"
            f"program.main(['lint', {str(plan)!r}])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=50, check=False,
                          env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "interrupted\n")


@pytest.mark.parametrize("arguments", [("history", "x\033[31m"), ("verify", "x\033[31m.toml"), ("report", "x\033[31m")])
def test_a_refusal_shows_control_characters(plan: Path, arguments: tuple[str, ...]) -> None:
    """Also those of a name that was pasted, whichever error says it."""
    seatrial("verify", plan.name, "--store", "s", "--only", "gateway.return-path", cwd=plan.parent)
    done = seatrial(*arguments, "--store", "s", cwd=plan.parent)
    assert done.returncode == 2
    assert "x<U+001B>[31m" in done.stderr
    assert "Traceback" not in done.stderr
