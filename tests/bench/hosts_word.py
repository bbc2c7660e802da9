"""What a login costs: wall time a host, and processor time of ours, for many OpenSSH logins on loopback.

Run it by itself, as root: ``python tests/bench/hosts_word.py``.  The servers' own share is not counted as ours.
"""

from __future__ import annotations

import asyncio
import os
import resource
import select
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from probes.hostword import LoginPool
from probes.sockets import SocketNetwork
from shared.evidence import SystemEvidence
from shared.hostcommands import TOPICS
from shared.knownhosts import keys_of, parse
from shared.questions import Pace, SystemQuestion

HOSTS = 16
LOOPBACK = "127.0.0.1"


def serve(folder: Path) -> tuple[subprocess.Popen[bytes], SystemQuestion]:
    for name in ("host", "user"):
        subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", folder / name], check=True)
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port = int(probe.getsockname()[1])
    (folder / "config").write_text("\n".join([
        f"Port {port}", f"ListenAddress {LOOPBACK}", "PidFile none", f"HostKey {folder}/host", "StrictModes no", "UsePAM no",
        f"AuthorizedKeysFile {folder}/user.pub", "PermitRootLogin prohibit-password", "MaxStartups 200", "LogLevel INFO",
        "ForceCommand exec /bin/sh -c \"$SSH_ORIGINAL_COMMAND\"", ""]))
    Path("/run/sshd").mkdir(exist_ok=True)
    server = subprocess.Popen(["/usr/sbin/sshd", "-D", "-e", "-f", folder / "config"], stderr=subprocess.PIPE)
    assert server.stderr is not None
    said = b""
    while b"Server listening" not in said:
        assert select.select([server.stderr], [], [], 20)[0], "sshd did not start"
        said += os.read(server.stderr.fileno(), 4096)
    known = parse(f"[{LOOPBACK}]:{port} {(folder / 'host.pub').read_text()}")
    topics = tuple(topic.name for topic in TOPICS)
    return server, SystemQuestion(fqdn="localhost", addresses=(LOOPBACK,), port=port, user="root", topics=topics,
                                  known=keys_of(known, (LOOPBACK,), port), key=str(folder / "user"), services=("ssh",))


async def visit(question: SystemQuestion, count: int) -> list[SystemEvidence]:
    async with SocketNetwork(Pace(timeout_seconds=30)) as network:
        logins = LoginPool(network.pace.timeout_seconds)
        try:
            words = await asyncio.gather(*(logins.ask(network, question) for _ in range(count)))
        finally:
            logins.close()
    return [word.system for word in words]


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        server, question = serve(Path(name))
        try:
            asyncio.run(visit(question, 1))
            for count in (1, HOSTS):
                began, used = time.monotonic(), resource.getrusage(resource.RUSAGE_SELF)
                seen = asyncio.run(visit(question, count))
                wall, now = time.monotonic() - began, resource.getrusage(resource.RUSAGE_SELF)
                processor = now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime
                failed = [one.failure for one in seen if one.failure]
                commands = sum(len(one.commands) for one in seen) / count
                sys.stdout.write(f"{count} hosts, {commands:.0f} commands each: {wall:.2f} s in all, "
                                 f"{processor / count * 1e3:.0f} ms of ours a host, {len(failed)} failed, "
                                 f"{now.ru_maxrss / 1024:.0f} MB at most\n")
        finally:
            server.terminate()
            server.communicate(timeout=10)


if __name__ == "__main__":
    main()
