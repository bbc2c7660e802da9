"""The floor: the same packets as the whole job over the same kinds of socket, and nothing made, matched, parsed or kept.

It is measured twice: without any cryptography, and with the handshakes that must be held for the packets to be what they are.
tests/bench/thousand_hosts.py counts on the wire that it sends what the job sends.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cryptography.hazmat.primitives.asymmetric import ed25519, x25519
from OpenSSL import SSL

from probes import sshwire, tlshello
from probes.icmpsockets import icmp_socket
from shared.evidence import HostEvidence

_PEER_KEY, _HOST_KEY = x25519.X25519PrivateKey.generate(), ed25519.Ed25519PrivateKey.generate()
_SIGNATURE = _HOST_KEY.sign(b"floor")
_QUERY = b"\0\1\1\0\0\1\0\0\0\0\0\0\2h1\3obs\7example\3net\0\0\1\0\1"
_TIME = b"\x23" + bytes(47)
_ECHO = b"\x08\0\xf7\xff\0\0\0\0" + bytes(56)
_LARGE_ECHO = b"\x08\0\xf7\xff\0\0\0\0" + bytes(1472)
_HELLO = tlshello.client_hello(tlshello.TLS12, "h1.obs.example.net", bytes(32))
_PUBLIC = _PEER_KEY.public_key().public_bytes_raw()
_KEX = sshwire.make_packet(b"\x14" + bytes(200)) + sshwire.make_packet(sshwire.make_kex_init(_PUBLIC))
_GOODBYE = sshwire.make_packet(sshwire.make_disconnect("floor"))
_PATIENCE_SECONDS = 5.0


class Counts(NamedTuple):
    """What one host is sent: packets of each kind, whole TLS handshakes, TLS hellos alone, SSH key exchanges."""

    names: int
    time: int
    echoes: int
    large_echoes: int
    handshakes: int
    hellos: int
    exchanges: int


def counts_of(seen: HostEvidence) -> Counts:
    """The same counts as the job that saw this sound host: TLS 1.3 was agreed on, so that older versions were tried.

    Its fleet takes TLS 1.2 and nothing older, so that 1.2 and 1.1 were tried and each later visit was no more than a hello.
    """
    trials = [trial for path in seen.paths for trial in path.trials]
    large = sum(trial.tries for trial in trials if trial.size_octets > 576)
    return Counts(
        names=len(seen.names), time=sum(clock.asked for clock in seen.clocks),
        echoes=sum(1 + len(echo.round_trips_seconds) for echo in seen.echoes) + sum(trial.tries for trial in trials) - large,
        large_echoes=large, handshakes=len(seen.tls),
        hellos=2 * len(seen.tls) + len(seen.identities),
        exchanges=sum(len(ssh.host_keys) for ssh in seen.ssh))


class Floor:
    """One pass over a fleet, at most 200 connections at a time."""

    def __init__(self, ports: dict[str, int], name_server: str, *, cryptography: bool) -> None:
        self._ports, self._name_server, self._cryptography = ports, name_server, cryptography
        self._slots = asyncio.Semaphore(200)
        self._loop = asyncio.get_running_loop()
        self._context = SSL.Context(SSL.TLS_CLIENT_METHOD)
        self._context.set_verify(SSL.VERIFY_NONE)

    async def run(self, hosts: list[str], counts: Counts) -> None:
        """Send all, and read what comes back."""
        async with asyncio.TaskGroup() as group:
            names = [(_QUERY, (self._name_server, self._ports["names"]))] * (counts.names * len(hosts))
            clocks = [(_TIME, (address, self._ports["time"])) for address in hosts for _ in range(counts.time)]
            echoes = [(echo, (address, 0)) for address in hosts
                      for echo in (*[_ECHO] * counts.echoes, *[_LARGE_ECHO] * counts.large_echoes)]
            for sock, packets in ((_udp_socket(), names), (_udp_socket(), clocks), (_echo_socket(), echoes)):
                group.create_task(self._datagrams(sock, packets))
            for address in hosts:
                group.create_task(self._talk(address, "console", ()))
                for _ in range(counts.hellos):
                    group.create_task(self._talk(address, "web", (_HELLO, b"")))
                for _ in range(counts.handshakes):
                    group.create_task(self._handshake(address))
                for _ in range(counts.exchanges):
                    group.create_task(self._exchange(address))

    async def _datagrams(self, sock: socket.socket, packets: list[tuple[bytes, tuple[str, int]]]) -> None:
        with sock:
            sock.setblocking(False)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
            done = self._loop.create_future()
            self._loop.add_reader(sock, _drain(sock, len(packets), done))
            give_up = self._loop.call_later(_PATIENCE_SECONDS, lambda: done.done() or done.set_result(None))
            for index, (payload, peer) in enumerate(packets):
                sock.sendto(payload, peer)
                if index % 50 == 49:
                    await asyncio.sleep(0)
            await done
            give_up.cancel()
            self._loop.remove_reader(sock)

    async def _talk(self, address: str, service: str, said: tuple[bytes, ...], then: Callable[[], None] | None = None) -> None:
        """Connect, and send each text and read once after it but for the last; without any, only connect."""
        async with self._slots:
            with _tcp_socket() as sock, contextlib.suppress(OSError):
                await self._loop.sock_connect(sock, (address, self._ports[service]))
                for place, text in enumerate(said):
                    if text:
                        await self._loop.sock_sendall(sock, text)
                    if place < len(said) - 1:
                        await self._loop.sock_recv(sock, 65536)
                if then:
                    then()

    async def _exchange(self, address: str) -> None:
        said = (b"SSH-2.0-floor\r\n", _KEX, _GOODBYE)
        await self._talk(address, "shell", said, _agree if self._cryptography else None)

    async def _handshake(self, address: str) -> None:
        if not self._cryptography:
            await self._talk(address, "web", (_HELLO, b""))
            return
        connection = SSL.Connection(self._context, None)
        connection.set_connect_state()
        async with self._slots:
            with _tcp_socket() as sock, contextlib.suppress(OSError, SSL.Error):
                await self._loop.sock_connect(sock, (address, self._ports["web"]))
                while True:
                    try:
                        connection.do_handshake()
                        break
                    except SSL.WantReadError:
                        await self._loop.sock_sendall(sock, connection.bio_read(65536))
                        connection.bio_write(await self._loop.sock_recv(sock, 65536))
                connection.shutdown()
                await self._loop.sock_sendall(sock, connection.bio_read(65536))


def _tcp_socket() -> socket.socket:
    return socket.socket(socket.AF_INET, socket.SOCK_STREAM | socket.SOCK_NONBLOCK)


def _udp_socket() -> socket.socket:
    return socket.socket(socket.AF_INET, socket.SOCK_DGRAM)


def _echo_socket() -> socket.socket:
    return icmp_socket(socket.AF_INET, raw=True)


def _agree() -> None:
    """The cryptography of one key exchange."""
    x25519.X25519PrivateKey.generate().exchange(_PEER_KEY.public_key())
    _HOST_KEY.public_key().verify(_SIGNATURE, b"floor")


def _drain(sock: socket.socket, expected: int, done: asyncio.Future[None]) -> Callable[[], None]:
    left = [expected]

    def read() -> None:
        while True:
            try:
                sock.recvmsg(2048, 256)
            except (BlockingIOError, ConnectionRefusedError):
                return
            left[0] -= 1
            if left[0] <= 0 and not done.done():
                done.set_result(None)

    return read
