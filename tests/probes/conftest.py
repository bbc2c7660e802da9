"""OpenSSH servers on loopback for whoever asks one."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

_LOOPBACK, _START_SECONDS = "127.0.0.1", 20.0


@pytest.fixture
def sshd(tmp_path: Path) -> Iterator[Callable[..., int]]:
    """``sshd(*lines, environment=None) -> port``: a server with these lines of configuration, ended by its own id afterwards."""
    Path("/run/sshd").mkdir(exist_ok=True)
    with contextlib.ExitStack() as stack:
        def run(*lines: str, environment: dict[str, str] | None = None) -> int:
            with socket.socket() as probe:
                probe.bind((_LOOPBACK, 0))
                port = int(probe.getsockname()[1])
            config = tmp_path / f"sshd_{port}"
            config.write_text("\n".join([*lines, f"Port {port}", f"ListenAddress {_LOOPBACK}", "PidFile none", ""]))
            process = subprocess.Popen(["/usr/sbin/sshd", "-D", "-e", "-f", config], stderr=subprocess.PIPE,
                                       env={**os.environ, **(environment or {})})
            stack.callback(_end, process)
            _wait_until_it_listens(process)
            # Whatever it logs later is taken off its hands, so that it never waits for a reader.
            threading.Thread(target=_drain, args=(process,)).start()
            return port

        yield run


def _wait_until_it_listens(process: subprocess.Popen[bytes]) -> None:
    """The server says so on its standard error."""
    assert process.stderr is not None
    said = b""
    while b"Server listening" not in said:
        ready, _, _ = select.select([process.stderr], [], [], _START_SECONDS)
        piece = process.stderr.read1() if ready else b""  # type: ignore[attr-defined]
        assert piece, f"sshd did not start: {said.decode()}"
        said += piece


def _drain(process: subprocess.Popen[bytes]) -> None:
    assert process.stderr is not None
    with process.stderr as log:
        while log.read1():  # type: ignore[attr-defined]
            pass


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    process.wait(timeout=10)
