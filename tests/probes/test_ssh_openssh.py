"""The SSH probe against real OpenSSH servers on loopback, beside ssh-keygen's and paramiko's view of the same servers."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import paramiko
import pytest

from probes.sockets import SocketNetwork
from probes.ssh import identify
from probes.sshproof import METHODS
from shared.evidence import SshEvidence
from shared.questions import Pace, PortQuestion

SSHD = Path("/usr/sbin/sshd")
LOOPBACK = "127.0.0.1"

pytestmark = [pytest.mark.lab, pytest.mark.skipif(not SSHD.exists(), reason="openssh-server is not installed")]

Start = Callable[..., int]


@pytest.fixture(scope="session")
def host_keys(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Fresh host keys: ed25519, ecdsa, rsa of 2048 bits, and a short rsa of 1024."""
    folder = tmp_path_factory.mktemp("hostkeys")
    kinds = {"ed25519": ["-t", "ed25519"], "ecdsa": ["-t", "ecdsa"], "rsa": ["-t", "rsa", "-b", "2048"],
             "short": ["-t", "rsa", "-b", "1024"]}
    for name, options in kinds.items():
        subprocess.run(["ssh-keygen", "-q", *options, "-N", "", "-C", "test", "-f", folder / name], check=True)
    return {name: folder / name for name in kinds}


@pytest.fixture
def start(host_keys: dict[str, Path], sshd: Start) -> Start:
    """``start(keys, *options) -> port``: an OpenSSH server with these host keys."""
    def run(keys: tuple[str, ...], *options: str) -> int:
        return sshd(*options, *(f"HostKey {host_keys[key]}" for key in keys))

    return run


async def ask(port: int) -> SshEvidence:
    async with SocketNetwork(Pace(timeout_seconds=20)) as network:
        stream = await network.connect(LOOPBACK, port, timeout_seconds=5)
        return await identify(network, PortQuestion(LOOPBACK, port, "ssh", ""), stream)


def by_keygen(path: Path) -> tuple[int, str]:
    """Bits and fingerprint by ``ssh-keygen -l``."""
    out = subprocess.run(["ssh-keygen", "-lf", f"{path}.pub"], check=True, capture_output=True, text=True).stdout
    bits, fingerprint, *_rest = out.split()
    return int(bits), fingerprint


def by_paramiko(port: int, key_type: str) -> bytes:
    """The host key of one type as paramiko's own key exchange brings it."""
    with contextlib.closing(socket.create_connection((LOOPBACK, port), timeout=10)) as sock:
        transport = paramiko.Transport(sock)
        try:
            transport.get_security_options().key_types = (key_type,)
            transport.start_client(timeout=20)
            return bytes(transport.get_remote_server_key().asbytes())
        finally:
            transport.close()


async def test_three_keys_are_those_that_ssh_keygen_and_paramiko_see(start: Start, host_keys: dict[str, Path]) -> None:
    """The default server: every fingerprint and length agrees with two independent readers."""
    port = start(("ed25519", "ecdsa", "rsa"))
    evidence = await ask(port)
    assert (evidence.failure, evidence.key_failures, evidence.preamble) == (None, (), ())
    assert evidence.identification.startswith("SSH-2.0-OpenSSH_")
    assert [(key.key_type, key.bits, key.fingerprint) for key in evidence.host_keys] == [
        ("ssh-ed25519", *by_keygen(host_keys["ed25519"])),
        ("ecdsa-sha2-nistp256", *by_keygen(host_keys["ecdsa"])),
        ("ssh-rsa", *by_keygen(host_keys["rsa"])),
    ]
    asked = ("ssh-ed25519", "ecdsa-sha2-nistp256", "rsa-sha2-512")
    for key, algorithm in zip(evidence.host_keys, asked, strict=True):
        seen = by_paramiko(port, algorithm)
        assert key.blob == seen
        assert key.fingerprint == "SHA256:" + base64.b64encode(hashlib.sha256(seen).digest()).decode().rstrip("=")


@pytest.mark.parametrize("method", ["curve25519-sha256", "curve25519-sha256@libssh.org", "ecdh-sha2-nistp256",
                                    "ecdh-sha2-nistp384", "ecdh-sha2-nistp521", "diffie-hellman-group14-sha256",
                                    "diffie-hellman-group16-sha512", "diffie-hellman-group14-sha1"])
async def test_every_method_proves_a_key_to_a_real_server(start: Start, host_keys: dict[str, Path], method: str) -> None:
    """Our exchange hash is the server's, for each method alone."""
    evidence = await ask(start(("ed25519",), f"KexAlgorithms {method}"))
    assert [key.fingerprint for key in evidence.host_keys] == [by_keygen(host_keys["ed25519"])[1]]
    assert evidence.kex_algorithms == (method,)


@pytest.fixture
def hybrid_server(host_keys: dict[str, Path]) -> Iterator[int]:
    """A paramiko server that speaks mlkem768x25519-sha256 alone, as no OpenSSH of this Debian does; gives its port."""
    with socket.create_server((LOOPBACK, 0)) as listener:
        def serve() -> None:
            peer, _address = listener.accept()
            transport = paramiko.Transport(peer)
            transport.get_security_options().kex = ("mlkem768x25519-sha256",)
            transport.add_server_key(paramiko.Ed25519Key.from_private_key_file(str(host_keys["ed25519"])))
            with contextlib.suppress(paramiko.SSHException, EOFError):
                transport.start_server(threading.Event(), paramiko.ServerInterface())
            transport.join(20)
            transport.close()

        thread = threading.Thread(target=serve)
        thread.start()
        yield listener.getsockname()[1]
        thread.join(30)


@pytest.mark.skipif("mlkem768x25519-sha256" not in METHODS, reason="the cryptography library has no ML-KEM here")
async def test_a_server_of_post_quantum_exchange_alone_proves_its_key(
        hybrid_server: int, host_keys: dict[str, Path]) -> None:
    """Our exchange hash is that of another implementation."""
    evidence = await ask(hybrid_server)
    assert [key.fingerprint for key in evidence.host_keys] == [by_keygen(host_keys["ed25519"])[1]]
    assert evidence.kex_algorithms == ("mlkem768x25519-sha256",)


async def test_a_server_of_exchanges_not_spoken_here_leaves_its_keys_unproven(start: Start) -> None:
    """One that OpenSSH has and the library under us has not."""
    evidence = await ask(start(("ed25519",), "KexAlgorithms sntrup761x25519-sha512@openssh.com"))
    assert (evidence.host_keys, [missed.failure.phase for missed in evidence.key_failures]) == ((), ["negotiation"])
    assert "spoken here: sntrup761x25519-sha512@openssh.com" in evidence.key_failures[0].failure.detail


@pytest.mark.parametrize("algorithm", ["rsa-sha2-512", "rsa-sha2-256", "ssh-rsa"])
async def test_a_short_rsa_key_is_measured_under_every_signature(
    start: Start, host_keys: dict[str, Path], algorithm: str
) -> None:
    """1024 bits are only visible after the key exchange, by whatever signature the server will make."""
    port = start(("short",), f"HostKeyAlgorithms {algorithm}", "RequiredRSASize 1024")
    evidence = await ask(port)
    assert [(key.key_type, key.bits, key.fingerprint) for key in evidence.host_keys] == [
        ("ssh-rsa", 1024, by_keygen(host_keys["short"])[1])]


async def test_an_old_server_shows_its_lists_and_no_key(start: Start) -> None:
    """Group 1, SHA-1 signatures and block chaining: exactly these lists, markers apart, and why there is no key."""
    evidence = await ask(start(
        ("short",), "RequiredRSASize 1024", "KexAlgorithms diffie-hellman-group1-sha1", "HostKeyAlgorithms ssh-rsa",
        "Ciphers aes128-cbc,3des-cbc", "MACs hmac-sha1"))
    assert evidence.failure is None
    assert evidence.kex_algorithms == ("diffie-hellman-group1-sha1",)
    assert (evidence.host_key_algorithms, evidence.ciphers, evidence.macs) == (
        ("ssh-rsa",), ("aes128-cbc", "3des-cbc"), ("hmac-sha1",))
    assert evidence.markers == ("kex-strict-s-v00@openssh.com",)
    assert evidence.host_keys == ()
    assert [missed.key_type for missed in evidence.key_failures] == ["ssh-rsa"]


async def test_a_banner_with_a_comment_is_read_whole(start: Start) -> None:
    """VersionAddendum puts a comment behind a space (RFC 4253 section 4.2)."""
    evidence = await ask(start(("ed25519",), "VersionAddendum fixture weak"))
    assert evidence.identification.startswith("SSH-2.0-OpenSSH_")
    assert evidence.identification.endswith(" fixture weak")
    assert len(evidence.host_keys) == 1


async def test_a_server_that_is_full_says_so_in_the_place_of_its_name(start: Start) -> None:
    """With one caller allowed and one waiting, the probe is turned away before the identification."""
    port = start(("ed25519",), "MaxStartups 1:100:1")
    with contextlib.closing(socket.create_connection((LOOPBACK, port), timeout=10)) as waiting:
        assert waiting.recv(4) == b"SSH-"
        evidence = await ask(port)
    assert evidence.failure is not None
    assert evidence.identification == ""
    assert evidence.preamble in (("Exceeded MaxStartups",), ("Not allowed at this time",))  # the latter since OpenSSH 9.8


async def test_a_real_megabyte_is_bounded_and_a_real_silence_ends() -> None:
    """The same bounds hold on real sockets as in virtual time."""
    with socket.create_server((LOOPBACK, 0)) as listener:
        port = int(listener.getsockname()[1])
        async with SocketNetwork(Pace(timeout_seconds=0.3)) as network:
            stream = await network.connect(LOOPBACK, port, timeout_seconds=5)
            peer, _ = listener.accept()
            with peer:
                peer.setblocking(False)
                with contextlib.suppress(BlockingIOError):
                    peer.send(b"x" * 1_000_000)
                flooded = await identify(network, PortQuestion(LOOPBACK, port, "ssh", ""), stream)
            stream = await network.connect(LOOPBACK, port, timeout_seconds=5)
            silent = await identify(network, PortQuestion(LOOPBACK, port, "ssh", ""), stream)
    assert flooded.failure is not None
    assert silent.failure is not None
    assert (str(flooded.failure.kind), str(silent.failure.kind)) == ("malformed", "no-answer")
    assert silent.failure.elapsed_seconds >= 0.3
