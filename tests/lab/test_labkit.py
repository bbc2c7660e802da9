"""The laboratory itself: it says what it lacks, collides with no other, and leaves nothing behind however a test ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from labkit import needs
from labkit.daemons import Listening, Server, wait_until
from labkit.site import Site
from labkit.wires import Node, Plug, sweep

pytestmark = [pytest.mark.lab, pytest.mark.timeout(120)]

_NETNS = Path("/run/netns")
_PAIR = (Node("left", (Plug("wire", ("192.0.2.1/24",)),)), Node("right", (Plug("wire", ("192.0.2.2/24",)),)))
_LISTEN = "import socket, time; server = socket.create_server(('192.0.2.1', 7)); time.sleep(60)"
_LISTENER = Server("left", "listener", (sys.executable, "-c", _LISTEN), (Listening("tcp", "192.0.2.1", 7),))
_DYING = Server("left", "dying", (sys.executable, "-c", "raise SystemExit('no such zone')"), (Listening("tcp", "192.0.2.1", 9),))
_DEAF = Server("left", "deaf", (sys.executable, "-c", "import time; time.sleep(60)"), (Listening("tcp", "192.0.2.1", 9),))


def namespaces_of(pid: int) -> list[str]:
    return sorted(path.name for path in _NETNS.glob(f"seatrial-lab-{pid}-*"))


def runs(pid: int) -> bool:
    """Whether a process is there and not merely waiting to be buried."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_without_root_it_is_skipped_outside_ci_and_fails_inside(monkeypatch: pytest.MonkeyPatch) -> None:
    """CI skips nothing."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception, match="root"):
        needs.require()
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match="CI skips nothing"):
        needs.require()


def test_every_missing_or_old_tool_is_said_in_one_failure(monkeypatch: pytest.MonkeyPatch, laboratory: None) -> None:
    """With the packages that they come from, and how to install them all."""
    wanted = (needs.Tool("nothing-of-the-kind", "package-a"), needs.Tool("ip", "package-b", ("-V",), (99, 0)),
              needs.Tool("nft", "package-c", ("-v",), (0, 1)))
    monkeypatch.setattr(needs, "TOOLS", wanted)
    with pytest.raises(pytest.fail.Exception) as caught:
        needs.require()
    said = str(caught.value)
    assert "nothing-of-the-kind, from the Debian package package-a" in said
    assert "ip 99.0 or newer, from the Debian package package-b; found is" in said
    assert "package-c" not in said
    assert "tests/setup" in said


def test_two_laboratories_stand_beside_each_other(laboratory: None, tmp_path: Path) -> None:
    """The same addresses twice, with no contact: a server in one is not heard in the other."""
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    before = namespaces_of(os.getpid())
    with Site(tmp_path / "one", _PAIR) as one, Site(tmp_path / "two", _PAIR) as two:
        one.daemons.start([_LISTENER])
        knock = (sys.executable, "-c", "import socket; socket.create_connection(('192.0.2.1', 7), 5)")
        assert subprocess.run(one.wiring.inside("right", *knock), capture_output=True, check=False).returncode == 0
        heard = subprocess.run(two.wiring.inside("right", *knock), capture_output=True, text=True, check=False)
        assert "ConnectionRefusedError" in heard.stderr
        assert len(namespaces_of(os.getpid())) == len(before) + 6
    assert namespaces_of(os.getpid()) == before


def test_a_server_that_ends_at_once_is_told_with_its_last_words(laboratory: None, tmp_path: Path) -> None:
    """Not with a time-out; and everything is taken down all the same."""
    before = namespaces_of(os.getpid())
    site = Site(tmp_path, _PAIR)
    with pytest.raises(AssertionError, match=r"(?s)dying ended with 1.*no such zone"), site:
        site.daemons.start([_LISTENER, _DYING])
    assert site.daemons["listener"].process.poll() is not None
    assert namespaces_of(os.getpid()) == before


def test_a_server_that_is_never_ready_is_told(laboratory: None, tmp_path: Path) -> None:
    """Within the time it was given."""
    with Site(tmp_path, _PAIR) as site, pytest.raises(AssertionError, match="deaf was not ready in time"):
        site.daemons.start([_DEAF], seconds=0.2)


def test_killed_tests_leave_no_server_and_the_next_run_sweeps_the_rest(laboratory: None, tmp_path: Path) -> None:
    """The kernel ends the servers with the process that started them; its namespaces go when another laboratory is built."""
    code = f"""
import sys, time
sys.path.insert(0, {str(Path(__file__).parent)!r})
from pathlib import Path
from labkit.site import Site
from test_labkit import _LISTENER, _PAIR
with Site(Path({str(tmp_path)!r}), _PAIR) as site:
    site.daemons.start([_LISTENER])
    print(site.daemons["listener"].process.pid, flush=True)
    time.sleep(60)
"""
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as victim:
        assert victim.stdout is not None
        server = int(victim.stdout.readline())
        assert len(namespaces_of(victim.pid)) == 3
        victim.send_signal(signal.SIGKILL)
    wait_until(lambda: not runs(server), 10, lambda: "the server outlived the tests")
    sweep()
    assert namespaces_of(victim.pid) == []
