"""Progress is shown where somebody looks on, and nowhere else."""

from __future__ import annotations

import fcntl
import io
import os
import pty
import struct
import termios

import pytest

from shared.evidence import HostEvidence, PortEvidence, PortState
from verify.commands.progress import Progress, telling


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def _shown(monkeypatch: pytest.MonkeyPatch, stream: io.StringIO, *, shown: bool = True) -> str:
    """What a run over two hosts and the writing after it put on standard error."""
    monkeypatch.setattr("sys.stderr", stream)
    with Progress(2, shown=shown) as progress:
        for name in ("dome-a", "dome-b"):
            progress.on_host(HostEvidence(fqdn=f"{name}.obs.example.net"))
    with pytest.raises(OSError, match="full"), telling("writing the reports", shown=shown):
        raise OSError("full")
    return stream.getvalue()


def test_each_step_is_told_and_the_line_wiped(monkeypatch: pytest.MonkeyPatch) -> None:
    """From the first host to the last report; nothing is left on the line, whatever happened."""
    lines = _shown(monkeypatch, _Terminal()).split("\r\x1b[K")
    assert lines[1].startswith("0 of 2 hosts visited")
    assert lines[-4].endswith("; grading what was seen")
    assert lines[-3:] == ["", "writing the reports", ""]


def test_nothing_is_shown_to_a_file_or_when_asked_to_be_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    """Logs hold no half-drawn lines."""
    assert _shown(monkeypatch, io.StringIO()) == ""
    assert _shown(monkeypatch, _Terminal(), shown=False) == ""


def _port(name: str, state: PortState) -> HostEvidence:
    port = PortEvidence(address="192.0.2.11", port="22/tcp", at="2026-11-30T00:00:00.000000Z", state=state, attempts=1,
                        elapsed_seconds=6.0)
    return HostEvidence(fqdn=f"{name}.obs.example.net", ports=(port,))


def test_a_host_that_gives_no_answer_is_named_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever stands at the consoles need not wait for the last host to know that; nobody is called silent who was not asked."""
    terminal = _Terminal()
    monkeypatch.setattr("sys.stderr", terminal)
    monkeypatch.setattr("verify.commands.progress._REDRAW_SECONDS", 0.0)
    with Progress(6, shown=True) as progress:
        progress.on_host(_port("dome-a", PortState.OPEN))
        progress.on_host(HostEvidence(fqdn="dome-b.obs.example.net"))
        progress.on_host(_port("dome-c", PortState.SILENT))
        progress.on_host(_port("dome-d", PortState.UNTRIED))
        progress.on_host(_port("dome-e", PortState.REFUSED))
    ends = [line.partition(" s")[2] for line in terminal.getvalue().split("\r\x1b[K")]
    assert ends == ["", "", "", "", *["; 1 gave no answer, last dome-c.obs.example.net"] * 3, ""]


@pytest.mark.parametrize("columns", [30, 40, 120])
def test_the_line_is_never_wider_than_the_terminal(monkeypatch: pytest.MonkeyPatch, columns: int) -> None:
    """One that went on below was wiped only there: a piece of it stayed above the summary."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    with os.fdopen(theirs, "w", encoding="utf-8") as terminal:
        monkeypatch.setattr("sys.stderr", terminal)
        with Progress(1, shown=True) as progress:
            progress.on_host(HostEvidence(fqdn="dome-a.obs.example.net"))
        shown = os.read(ours, 4096).decode()
    os.close(ours)
    lines = shown.split("\r\x1b[K")
    assert lines[1].startswith("0 of 1 host visited")
    assert max(map(len, lines)) < columns
