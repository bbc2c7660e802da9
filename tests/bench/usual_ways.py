"""The same questions put in the two usual ways, for comparison: a shell script of protocol tools, and an obvious asyncio script.

Both run against the fleet of tests/bench/fleet.py and ask what a host of it is asked, so far as the tools can; the shell
script leaves out NTP, which no tool here asks of a host without being its client, so it is measured in its favour.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
import struct
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor

import paramiko

from probes import dnswire
from tests.bench import fleet
from tests.bench.usage import cpu_seconds

_SCRIPT = """\
for server in {servers}; do
  dig +tries=3 +time=2 -p {names} @$server {fqdn} A
  dig +tries=3 +time=2 -p {names} @$server {fqdn} AAAA
  dig +tries=3 +time=2 -p {names} @$server -x {address}
  dig +tries=3 +time=2 -p {names} @$server {fqdn} A
done
ping -n -c 6 -i 0.2 -W 2 {address}
for version in -tls1_1 -tls1 ""; do
  timeout 6 openssl s_client -connect {address}:{web} -servername {fqdn} -showcerts $version </dev/null
done
ssh-keyscan -T 6 -p {shell} {address}
timeout 6 bash -c ": </dev/tcp/{address}/{console}"
"""


def shell_script(numbers: range, at_once: int) -> dict[str, float]:
    """One tool a question, so many hosts at once: CPU and wall a host."""

    def visit(number: int) -> None:
        address = fleet.address_of(number)
        script = _SCRIPT.format(
            servers=" ".join(fleet.NAME_SERVERS), fqdn=f"h{number}.{fleet.DOMAIN}", address=address, **fleet.PORTS)
        subprocess.run(["sh", "-c", script], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)

    wall, cpu = time.monotonic(), cpu_seconds()
    with ThreadPoolExecutor(at_once) as pool:
        list(pool.map(visit, numbers))
    return {"hosts": len(numbers), "at_once": at_once, "wall_ms_a_host": 1e3 * (time.monotonic() - wall) / len(numbers),
            "cpu_ms_a_host": 1e3 * (cpu_seconds() - cpu) / len(numbers)}


class _Once(asyncio.DatagramProtocol):
    """A datagram socket for one question."""

    def __init__(self, answer: asyncio.Future[tuple[bytes, float]]) -> None:
        self._answer = answer

    def datagram_received(self, data: bytes, addr: object) -> None:
        if not self._answer.done():
            self._answer.set_result((data, time.time()))


async def _ask(address: str, port: int, packet: bytes) -> tuple[bytes, float]:
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[tuple[bytes, float]] = loop.create_future()
    transport, _ = await loop.create_datagram_endpoint(lambda: _Once(answer), remote_addr=(address, port))
    try:
        transport.sendto(packet)
        return await asyncio.wait_for(answer, 6)
    finally:
        transport.close()


def _host_key(address: str, port: int) -> None:
    """What a thread a host does: paramiko's key exchange, and nothing after it."""
    with socket.create_connection((address, port), 6) as sock:
        transport = paramiko.Transport(sock)
        try:
            # The fleet's servers end after the key exchange, which is all that is asked of them.
            with contextlib.suppress(paramiko.SSHException, EOFError):
                transport.start_client(timeout=6)
        finally:
            transport.close()


async def _visit(number: int, pool: ThreadPoolExecutor, offsets: list[float]) -> None:
    address, fqdn = fleet.address_of(number), f"h{number}.{fleet.DOMAIN}"
    reverse = ".".join(reversed(address.split("."))) + ".in-addr.arpa"
    loop = asyncio.get_running_loop()

    async def names(server: str) -> None:
        for name, rrtype in ((fqdn, "A"), (fqdn, "AAAA"), (reverse, "PTR"), (fqdn, "A")):
            query = dnswire.query(number & 0xFFFF, dnswire.question_section(name, rrtype))
            data, _ = await _ask(server, fleet.PORTS["names"], query)
            dnswire.read_any(data)

    async def clock() -> None:
        for _ in range(4):
            sent = time.time()
            data, received = await _ask(address, fleet.PORTS["time"], b"\x23" + bytes(47))
            there = [seconds - 2_208_988_800 + rest / 2**32 for seconds, rest in struct.iter_unpack("!II", data[32:48])]
            offsets.append(((there[0] - sent) + (there[1] - received)) / 2)

    async def tls() -> None:
        context = ssl.create_default_context()
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        for _ in range(3):
            _, writer = await asyncio.open_connection(address, fleet.PORTS["web"], ssl=context, server_hostname=fqdn)
            writer.get_extra_info("ssl_object").getpeercert(binary_form=True)
            writer.close()

    async def shut() -> None:
        with contextlib.suppress(OSError):
            await asyncio.wait_for(asyncio.open_connection(address, fleet.PORTS["console"]), 6)

    key = loop.run_in_executor(pool, _host_key, address, fleet.PORTS["shell"])
    await asyncio.gather(*(names(server) for server in fleet.NAME_SERVERS), clock(), tls(), shut(), key, return_exceptions=True)


def asyncio_script(numbers: range, at_once: int) -> dict[str, float]:
    """The obvious script: a socket a query, stamps of its own, a thread a key.  CPU and wall a host, and its clock errors."""
    offsets: list[float] = []
    logging.getLogger("paramiko").setLevel(logging.CRITICAL)

    async def everything() -> None:
        slots = asyncio.Semaphore(at_once)

        async def one(number: int) -> None:
            async with slots:
                await _visit(number, pool, offsets)

        await asyncio.gather(*(one(number) for number in numbers))

    wall, cpu = time.monotonic(), cpu_seconds()
    with ThreadPoolExecutor(64) as pool:
        asyncio.run(everything())
    errors = sorted(abs(offset) for offset in offsets)
    return {"hosts": len(numbers), "at_once": at_once, "wall_ms_a_host": 1e3 * (time.monotonic() - wall) / len(numbers),
            "cpu_ms_a_host": 1e3 * (cpu_seconds() - cpu) / len(numbers), "clock_exchanges": len(errors),
            "clock_error_median_us": 1e6 * errors[len(errors) // 2] if errors else -1.0,
            "clock_error_p99_us": 1e6 * errors[len(errors) * 99 // 100] if errors else -1.0}
