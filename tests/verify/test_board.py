"""What a person sees while hosts reboot: a board on a terminal, one line a change elsewhere, nothing with --quiet."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from shared.boots import Reading, Sign
from verify.commands import board
from verify.reboots.awaited import Wait
from verify.reboots.watch import Event, HostWatch, Look, Phase, Rules

ECHO, WEB, TIME = Sign("echo", "192.0.2.11"), Sign("443/tcp", "192.0.2.11", "tls"), Sign("time", "192.0.2.11")
AT = "2027-03-04T09:12:31.250000Z"


def drawn(*watches: HostWatch, width: int = 100) -> str:
    shown = board._Board(Wait())
    shown.on_start(watches)
    console = Console(file=io.StringIO(), width=width, color_system=None)
    console.print(shown.draw())
    text: str = console.file.getvalue()  # type: ignore[attr-defined]
    return text


def watch(name: str, **readings: Reading) -> HostWatch:
    made = HostWatch(name, (ECHO, WEB, TIME), Rules(steady_rounds=1, steady_seconds=0, since="2027-03-04T09:00:00Z"))
    made.round([Look(sign=sign, at=AT, reading=readings.get(word, Reading.UP))
                for sign, word in ((ECHO, "echo"), (WEB, "web"), (TIME, "time"))], 1.0)
    return made


def test_one_line_a_host_with_shapes_and_words() -> None:
    """What needs a look comes first; the key says what the shapes mean."""
    text = drawn(watch("dome-a"), watch("dome-b", echo=Reading.SILENT, web=Reading.SILENT, time=Reading.SILENT),
                 watch("dome-c", web=Reading.CLOSED))
    lines = [line for line in text.splitlines() if "dome-" in line]
    assert [line.split()[0] for line in lines] == ["dome-b", "dome-c", "dome-a"]
    assert "down" in lines[0]
    assert "○ 443/tcp" in lines[0]
    assert "◐ 443/tcp" in lines[1]
    assert "● 443/tcp" in lines[2]
    assert "09:12:31" in lines[0]
    assert "◐ answers, not ready" in text
    assert "1 of 3 settled" in text
    assert "of 30:00" in text


def test_the_board_can_be_read_at_eighty_columns() -> None:
    """Name, state and time are whole; of many signs of life the last ones give way."""
    signs = (ECHO, *(Sign(f"{port}/tcp", "192.0.2.11", "tls") for port in range(8440, 8450)))
    hosts = []
    for name in ("rack-17-node-03.obs.example.net", "rack-17-node-04.obs.example.net"):
        made = HostWatch(name, signs, Rules(steady_rounds=1, steady_seconds=0, since="2027-03-04T09:00:00Z"))
        made.round([Look(sign=sign, at=AT, reading=Reading.UP) for sign in signs], 1.0)
        hosts.append(made)
    text = drawn(*hosts, width=80)
    row = next(line for line in text.splitlines() if "node-03" in line)
    assert row.startswith("rack-17-node-03  settled  09:12:31  ● echo  ● 8440/tcp")
    assert row.endswith("…")
    assert "Ctrl-C ends and reports" in text


def test_a_settled_host_says_what_is_still_missing() -> None:
    """It is still watched for its time service."""
    assert "settled, time missing" in drawn(watch("dome-a", time=Reading.SILENT))


def test_a_host_that_the_runner_cannot_ask_is_not_called_up() -> None:
    """Not even where it answered before: its last signs of life stay, and the state says what they are worth."""
    told = watch("dome-a")
    told.round([Look(sign=sign, at=AT, reading=Reading.UNKNOWN) for sign in (ECHO, WEB, TIME)], 2.0)
    never = HostWatch("dome-b", (WEB,), Rules())
    never.round([Look(sign=WEB, at=AT, reading=Reading.UNKNOWN)], 1.0)
    rows = [line for line in drawn(told, never).splitlines() if "dome-" in line]
    assert all("cannot be asked from here" in row for row in rows)


def test_more_hosts_than_lines_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """The board never scrolls."""
    monkeypatch.setenv("LINES", "24")
    monkeypatch.setenv("COLUMNS", "100")
    text = drawn(*(watch(f"dome-{number:03}") for number in range(100)))
    assert len(text.splitlines()) <= 24
    assert "and 81 more hosts" in text


def test_a_line_says_when_who_and_what() -> None:
    """In UTC, to the second; what a host said shows every character that is not itself."""
    sign = Event(at=AT, host="dome-a", phase=Phase.COMING, sign=WEB, reading=Reading.CLOSED, detail="\x1b[2Jhello\u202e")
    assert board.line_of(sign) == "2027-03-04T09:12:31Z  dome-a  443/tcp TLS at 192.0.2.11 closed (<U+001B>[2Jhello<U+202E>)"
    assert board.line_of(Event(at=AT, host="dome-a", phase=Phase.DOWN)) == "2027-03-04T09:12:31Z  dome-a  DOWN"
    lost = Event(at=AT, host="dome-a", phase=Phase.DOWN, note="cannot be asked from here", detail="Network is unreachable")
    assert board.line_of(lost) == "2027-03-04T09:12:31Z  dome-a  cannot be asked from here (Network is unreachable)"


def test_quiet_says_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    with board.show_watch(Wait(), quiet=True) as shown:
        shown.on_start([watch("dome-a")])
        shown.on_event(Event(at=AT, host="dome-a", phase=Phase.DOWN))
    assert capsys.readouterr() == ("", "")


def test_lines_go_to_standard_error(capsys: pytest.CaptureFixture[str]) -> None:
    """Standard output is for results."""
    with board.show_watch(Wait(), quiet=False) as shown:
        shown.on_start([watch("dome-a")])
        shown.on_event(Event(at=AT, host="dome-a", phase=Phase.DOWN))
    out, err = capsys.readouterr()
    assert out == ""
    assert err.splitlines()[-1].endswith("dome-a  DOWN")


@pytest.mark.parametrize(("seconds", "shown"), [
    (0.0, "00:00"), (59.9, "00:59"), (60.0, "01:00"), (1800.0, "30:00"), (3599.0, "59:59"), (3600.0, "1:00:00"),
    (86399.0, "23:59:59"), (86400.0, "24 h"), (259200.0, "3 d")])
def test_the_clock_of_the_board(seconds: float, shown: str) -> None:
    """Minutes and seconds, hours where there are any, and days in words."""
    assert board._clock(seconds) == shown
