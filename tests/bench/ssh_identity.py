"""What one SSH identity costs the client: a real OpenSSH server on loopback, asked many times, one key and three.

Run: ``.venv/bin/python tests/bench/ssh_identity.py [identities] [at once]``.  Prints CPU of this process and of the kernel on its
behalf for each identity, beside the key exchange arithmetic alone.
"""

from __future__ import annotations

import asyncio
import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from probes import sshproof
from probes.sockets import SocketNetwork
from probes.ssh import identify
from shared.questions import Pace, PortQuestion


async def asked(port: int, count: int, at_once: int) -> float:
    """Ask ``count`` times; the keys proven an identity, on average."""
    async with SocketNetwork(Pace(timeout_seconds=60, handshakes=at_once, packets_per_second=1e6)) as network:
        async def one() -> int:
            async with gate:
                stream = await network.connect("127.0.0.1", port, timeout_seconds=10)
                return len((await identify(network, PortQuestion("127.0.0.1", port, "ssh", ""), stream)).host_keys)

        gate = asyncio.Semaphore(at_once)
        return sum(await asyncio.gather(*(one() for _ in range(count)))) / count


def timed(work: Callable[[], object], count: int) -> str:
    """User and system CPU milliseconds an item, and wall."""
    before, began = os.times(), time.monotonic()
    work()
    after, wall = os.times(), time.monotonic() - began
    user, system = (1e3 * (end - start) / count for start, end in zip(before[:2], after[:2], strict=True))
    return f"{user:.2f} ms user + {system:.2f} ms system CPU, {1e3 * wall / count:.1f} ms wall"


def exchange() -> None:
    """Both of our halves of one curve25519 exchange, nothing sent."""
    ours, theirs = sshproof.Curve25519(), sshproof.Curve25519().public
    ours.agree(theirs)


def main() -> None:
    """Start a server with three keys, then one with one; ask; end both."""
    count, at_once = (int(word) for word in (sys.argv[1:] + ["200", "8"][len(sys.argv) - 1 :]))
    Path("/run/sshd").mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        for kinds in (("ed25519", "ecdsa", "rsa"), ("ed25519",), ("rsa",)):
            with socket.socket() as probe:
                probe.bind(("127.0.0.1", 0))
                port = probe.getsockname()[1]
            for kind in kinds:
                if not (key := Path(folder, kind)).exists():
                    subprocess.run(["ssh-keygen", "-q", "-t", kind, "-N", "", "-f", key], check=True)
            config = Path(folder, "sshd_config")
            config.write_text("\n".join(["ListenAddress 127.0.0.1", f"Port {port}", "MaxStartups 1000", "PidFile none",
                                         *(f"HostKey {folder}/{kind}" for kind in kinds)]) + "\n")
            server = subprocess.Popen(["/usr/sbin/sshd", "-D", "-q", "-f", config])
            try:
                time.sleep(0.5)
                keys: list[float] = []
                cost = timed(lambda port=port, keys=keys: keys.append(asyncio.run(asked(port, count, at_once))), count)
                print(f"{' + '.join(kinds)}: {keys[0]:.2f} keys an identity, {cost}")
            finally:
                server.terminate()
                server.wait(10)
    print(f"curve25519 arithmetic alone: {timed(lambda: [exchange() for _ in range(1000)], 1000)}")


if __name__ == "__main__":
    main()
