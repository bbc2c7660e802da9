"""Servers as foreground processes of the tests: started together, waited for by looking, ended by their own ids."""

from __future__ import annotations

import contextlib
import ipaddress
import os
import signal
import subprocess
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from labkit.needs import find
from labkit.wires import Wiring

#: The longest that all servers of a site together may take to be ready, in seconds, on a busy machine.
READY_SECONDS = 60.0
#: How long a server may take to end before it is killed, in seconds.
_END_SECONDS = 10.0
#: How often something that is waited for is looked at, in seconds.
_LOOK_SECONDS = 0.02

_LISTENING = {"tcp": "0A", "udp": "07"}


@dataclass(frozen=True, slots=True)
class Listening:
    """A socket that a ready server has: transport, address and port."""

    transport: str
    address: str
    port: int


@dataclass(frozen=True, slots=True)
class Server:
    """How to start one server on one node, and how to see that it is ready.

    ``says`` are texts that its log holds once it is; ``moved`` is how libfaketime moves its clock ("+7s").
    """

    node: str
    title: str
    command: tuple[str, ...]
    listens: tuple[Listening, ...] = ()
    says: tuple[str, ...] = ()
    moved: str = ""
    environment: tuple[tuple[str, str], ...] = ()


class Daemon:
    """One running server."""

    def __init__(self, server: Server, wiring: Wiring, log: Path) -> None:
        self.server, self.log = server, log
        environment = {**os.environ, **dict(server.environment), **(faked(server.moved) if server.moved else {})}
        # Should the tests be killed, the kernel ends the server with them.
        command = wiring.inside(server.node, find("setpriv"), "--pdeathsig", "KILL", *server.command)
        with log.open("wb") as output:
            self.process = subprocess.Popen(command, env=environment, stdin=subprocess.DEVNULL, stdout=output,
                                            stderr=subprocess.STDOUT)

    @property
    def said(self) -> str:
        """Everything that the server has logged."""
        return self.log.read_text(encoding="utf-8", errors="replace")

    def ready(self) -> bool:
        """Whether every socket is there and the log says so.  Raises AssertionError where the server has ended."""
        assert self.process.poll() is None, f"{self.server.title} ended with {self.process.returncode}:\n{self.said[-2000:]}"
        return all(map(self._has, self.server.listens)) and all(text in self.said for text in self.server.says)

    def complain(self) -> str:
        """What to say of a server that is not ready in time."""
        return f"{self.server.title} was not ready in time:\n{self.said[-2000:]}"

    def reload(self) -> None:
        """Send the signal that makes a server read its files again."""
        self.process.send_signal(signal.SIGHUP)

    def end(self) -> None:
        """Ask the server to end; ``bury`` waits for it."""
        with contextlib.suppress(ProcessLookupError):
            self.process.terminate()

    def bury(self) -> None:
        """Wait until the server has ended, and kill it where it does not."""
        try:
            self.process.wait(_END_SECONDS)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(_END_SECONDS)

    def _has(self, socket: Listening) -> bool:
        six = "6" if ":" in socket.address else ""
        try:
            table = Path(f"/proc/{self.process.pid}/net/{socket.transport}{six}").read_text(encoding="ascii")
        except OSError:
            return False
        wanted = f"{_as_the_kernel_writes(socket.address)}:{socket.port:04X}"
        rows = (line.split() for line in table.splitlines()[1:])
        return any(row[1] == wanted and row[3] == _LISTENING[socket.transport] for row in rows)


class Daemons:
    """All servers of a site."""

    def __init__(self, wiring: Wiring, folder: Path) -> None:
        self._wiring, self._folder = wiring, folder
        self._daemons: dict[str, Daemon] = {}

    def start(self, servers: Sequence[Server], *, seconds: float = READY_SECONDS) -> None:
        """Start servers side by side and wait until each is ready.  Raises AssertionError with the log of one that is not."""
        started = []
        for server in servers:
            assert server.title not in self._daemons, f"there are two servers called {server.title}"
            log = self._folder / f"{server.title.replace(' ', '-')}.log"
            self._daemons[server.title] = Daemon(server, self._wiring, log)
            started.append(self._daemons[server.title])
        deadline = time.monotonic() + seconds
        for daemon in started:
            wait_until(daemon.ready, max(0.0, deadline - time.monotonic()), daemon.complain)

    def __getitem__(self, title: str) -> Daemon:
        return self._daemons[title]

    def close(self) -> None:
        """End every server."""
        for daemon in self._daemons.values():
            daemon.end()
        for daemon in self._daemons.values():
            daemon.bury()


def wait_until(condition: Callable[[], bool], seconds: float, complaint: Callable[[], str]) -> None:
    """Look at a condition until it holds.  Raises AssertionError with the complaint where it does not in time."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, complaint()
        time.sleep(_LOOK_SECONDS)


def faked(moved: str) -> Mapping[str, str]:
    """The environment in which libfaketime moves a program's clock."""
    library = next(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"), None)
    assert library is not None, "libfaketime is not installed; tests/setup does it"
    return {"LD_PRELOAD": str(library), "FAKETIME": moved}


def _as_the_kernel_writes(address: str) -> str:
    """An address as in /proc/net: 32-bit words in the machine's order, which is little-endian wherever this runs."""
    packed = ipaddress.ip_address(address).packed
    return "".join(packed[start:start + 4][::-1].hex().upper() for start in range(0, len(packed), 4))
