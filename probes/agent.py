"""The keys of the SSH agent that the runner's environment names, for as long as a login needs them.

paramiko's own way to an agent waits for ever for one that says nothing, and leaves its socket open where one is gone.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import paramiko

#: Keys that are tried: sshd hangs up after six (MaxAuthTries in sshd_config(5)).
KEYS_TRIED = 5


@contextlib.contextmanager
def agent_keys(seconds: float) -> Iterator[tuple[paramiko.PKey, ...]]:
    """The first keys of the agent; none where it cannot be reached, holds none, or does not answer within ``seconds``."""
    from paramiko import SSHException
    from paramiko.agent import AgentSSH

    class Agent(AgentSSH):
        def keys_over(self, connection: socket.socket) -> tuple[paramiko.PKey, ...]:
            self._connect(connection)  # type: ignore[attr-defined]  # how paramiko's own subclasses begin
            return tuple(self.get_keys())[:KEYS_TRIED]

    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        connection.settimeout(seconds)
        try:
            connection.connect(os.environ.get("SSH_AUTH_SOCK", ""))
            keys = Agent().keys_over(connection)
        # What a broken agent says is no key, in whichever way it cannot be read.
        except (OSError, EOFError, SSHException, ValueError, TypeError, IndexError, MemoryError, OverflowError):
            keys = ()
        yield keys
