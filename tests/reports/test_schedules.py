"""The nightly lines survive every path: each is read back by the rules of whoever reads it."""

from __future__ import annotations

import re
import shlex
import subprocess
from pathlib import Path

import pytest

from reports.schedules import Nightly, schedule_text

PLAIN = ("/usr/bin/seatrial", "drift", "/srv/plans/tidewater.toml", "--store", "/var/lib/seatrial/history.sqlite")
AWKWARD = ("/opt/sea trial/bin/seatrial", "drift", "/srv/100 % plans/it's \"rack 2\".toml", "--output", "/srv/$HOME/back\\slash",
           "--store", "/srv/%n/%%/histor\u00ff.sqlite", ";", "-flag")


def nightly(
    words: tuple[str, ...], folder: str = "/srv/100 % plans", title: str = "Tidewater Observatory, rack 2",
    domain: str = "obs.example.net",
) -> Nightly:
    return Nightly(title=title, domain=domain, words=words, folder=folder, account="m.tar", hour=2, minute=30)


def line_of(text: str, start: str) -> str:
    [line] = [line for line in text.splitlines() if line.startswith(start)]
    return line


def as_systemd_reads(line: str) -> list[str]:
    """systemd.syntax(7), "Quoting", then specifiers (systemd.unit(5)) and variables (systemd.service(5)) put back."""
    words, word, quoted, open_ = [], "", False, False
    pieces = iter(line)
    for char in pieces:
        if char == "\\" and quoted:
            word += next(pieces)
        elif char == '"':
            quoted, open_ = not quoted, True
        elif char == " " and not quoted:
            words.append(word)
            word, open_ = "", False
        else:
            word += char
    assert not quoted
    words = [*words, word] if word or open_ else words
    for each in words:
        assert re.sub(r"%%|\$\$", "", each).count("%") == re.sub(r"%%|\$\$", "", each).count("$") == 0, each
    return [each.replace("%%", "%").replace("$$", "$") for each in words]


@pytest.mark.parametrize("words", [PLAIN, AWKWARD])
def test_systemd_reads_the_words_that_were_meant(words: tuple[str, ...]) -> None:
    """Spaces, quotes, backslashes, per cent and dollar signs."""
    line = line_of(schedule_text(nightly(words)), "ExecStart=")
    assert as_systemd_reads(line.removeprefix("ExecStart=")) == list(words)


@pytest.mark.parametrize("words", [PLAIN, AWKWARD])
def test_cron_and_its_shell_read_the_words_that_were_meant(words: tuple[str, ...], tmp_path: Path) -> None:
    r"""crontab(5): the sixth field up to the first % that is not escaped is the command, ``\%`` is a %."""
    line = line_of(schedule_text(nightly(words)), "30 2 * * * ")
    command = line.removeprefix("30 2 * * * ")
    assert not re.search(r"(?<!\\)%", command)
    change, _, run = command.replace(r"\%", "%").partition(" && ")
    assert shlex.split(change) == ["cd", "/srv/100 % plans"]
    assert shlex.split(run) == [*words, "--quiet"]
    printed = subprocess.run(["/bin/sh", "-c", f"printf '%s\\n' {run}"], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert printed.stdout.splitlines() == [*words, "--quiet"]


def test_only_the_specifiers_of_a_folder_are_escaped() -> None:
    """A folder is a whole value: quotes would be part of it."""
    assert line_of(schedule_text(nightly(PLAIN)), "WorkingDirectory=") == "WorkingDirectory=/srv/100 %% plans"


def units_of(title: str, domain: str = "obs.example.net") -> tuple[str, str]:
    """The names of the service's and of the timer's file, as printed."""
    service, timer = re.findall("^# /etc/systemd/system/(.+)$", schedule_text(nightly(PLAIN, title=title, domain=domain)), re.M)
    return service, timer


def test_the_files_are_called_after_the_plan() -> None:
    """Six digits behind its title keep them apart from those of another plan, and are the same every time."""
    service, timer = units_of("Tidewater Observatory, rack 2")
    assert re.fullmatch(r"seatrial-tidewater-observatory-rack-2-[0-9a-f]{6}\.service", service)
    assert timer == service.replace(".service", ".timer")
    assert units_of("Tidewater Observatory, rack 2") == (service, timer)


@pytest.mark.parametrize(("one", "other"), [
    ("\u671b\u9060\u93e1\u4e00", "\u671b\u9060\u93e1\u4e8c"), ("Rack 2 (a)", "Rack 2: a"), ("rack 2", "Rack-2"),
    ("x" * 50 + "1", "x" * 50 + "2"), ("", "nightly"),
])
def test_no_two_plans_share_their_files(one: str, other: str) -> None:
    """The second would be written over the first, whose nights would then be missing without a word."""
    names = [*units_of(one), *units_of(other), *units_of(one, "lab.example.net")]
    assert len(set(names)) == 6
    assert all(re.fullmatch(r"[a-z0-9.-]{1,80}", name) for name in names)


@pytest.mark.parametrize("end", ["\\", "\\\\", "\\ ", "%\\"])
def test_no_line_swallows_the_next_one(end: str) -> None:
    """systemd.syntax(7): a line that ends in a backslash is concatenated with the following one."""
    text = schedule_text(nightly(PLAIN, folder=f"/srv/plans{end}", title=f"rack 2{end}"))
    assert not [line for line in text.splitlines() if line.rstrip().endswith("\\")]
    folder = line_of(text, "WorkingDirectory=").removeprefix("WorkingDirectory=").replace("%%", "%")
    assert Path(folder) == Path(f"/srv/plans{end}")
    assert folder.strip() == folder


def test_every_exit_status_is_explained() -> None:
    """Beside the command that gives them."""
    text = schedule_text(nightly(PLAIN))
    assert re.findall(r"# (?:exit status)? *(\d+): ", text) == ["0", "1", "2", "3", "70"]


def systemd_says(service: str, timer: str, folder: Path) -> str:
    """What systemd finds wrong with two unit files."""
    (folder / "seatrial-rack-2.service").write_text(service, encoding="utf-8")
    (folder / "seatrial-rack-2.timer").write_text(timer, encoding="utf-8")
    done = subprocess.run(["systemd-analyze", "verify", "--man=no", str(folder / "seatrial-rack-2.service"),
                           str(folder / "seatrial-rack-2.timer")], capture_output=True, text=True, check=False)
    return "\n".join(line for line in done.stderr.splitlines() if "seatrial-rack-2" in line)


@pytest.mark.lab
@pytest.mark.parametrize("words", [("/bin/true", "drift", "/srv/a.toml"), ("/bin/true", *AWKWARD[1:])])
@pytest.mark.parametrize("folder", ["/tmp", "/tmp/back\\"])
def test_systemd_itself_finds_nothing_wrong(words: tuple[str, ...], folder: str, tmp_path: Path) -> None:
    """With both units as printed; with a quotation mark less it would."""
    text = schedule_text(Nightly(title="rack 2\\", domain="obs.example.net", words=words, folder=folder, account="root", hour=2,
                                 minute=30))
    service, timer = re.split(r"# /etc/systemd/system/seatrial-rack-2-[0-9a-f]{6}\.timer\n", text.split("# then:")[0])
    assert systemd_says(service, timer, tmp_path) == ""
    assert systemd_says(service.replace("drift", 'drift "'), timer, tmp_path) != ""
