"""How far NTP offsets are wrong when a thousand exchanges are in flight at once.  Run it: python tests/bench/ntp_load.py.

A responder in a process of its own shares the machine's clock, so every true offset is zero and what is measured is the
error.  The responder holds its answers back until all questions of a round are there: they are really in flight together,
and the client's event loop gets a thousand answers in one heap.  What the responder writes as receive stamp is the
kernel's, and it reads its transmit stamp just before each answer, as a good server does.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import resource
import socket
import statistics
import struct
import sys
import time
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from probes import ntpwire
from probes.clock import NTP, ask_time
from probes.sockets import SocketNetwork
from shared.plan import Endpoint
from shared.questions import ClockQuestion, Pace

#: The aims of this project for 1,000 exchanges in flight on loopback, in seconds.
MEDIAN_AIM, P99_AIM = 5e-6, 50e-6
_SO_TIMESTAMPNS = 35
_UNIX_IN_NTP = 2_208_988_800


def _stamp(unix_ns: int) -> bytes:
    seconds, rest = divmod(unix_ns, 1_000_000_000)
    return struct.pack("!II", (seconds + _UNIX_IN_NTP) % 2**32, (rest << 32) // 1_000_000_000)


def respond(pipe: Connection, batch: int) -> None:
    """Answer NTP questions in heaps of ``batch``, until the parent closes its end of the pipe."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
        sock.bind(("127.0.0.1", 0))
        sock.settimeout(0.5)
        pipe.send(sock.getsockname()[1])
        waiting: list[tuple[bytes, int, tuple[str, int]]] = []
        while not pipe.poll():
            try:
                data, ancillary, _flags, peer = sock.recvmsg(512, 256)
            except TimeoutError:
                data = b""
            if data:
                seconds, nanoseconds = struct.unpack_from("qq", ancillary[0][2])
                waiting.append((data, seconds * 1_000_000_000 + nanoseconds, peer))
            if len(waiting) >= batch or not data:
                for question, received_ns, asker in waiting:
                    head = struct.pack("!BBBbII4sQ", 0x24, 1, 6, -25, 0, 0, b"LOOP", 0)
                    sock.sendto(head + question[40:48] + _stamp(received_ns) + _stamp(time.time_ns()), asker)
                waiting.clear()


async def exchanges(port: int, rounds: int, in_flight: int) -> tuple[list[float], list[float], float]:
    """The absolute offsets, the delays and the client's CPU seconds an exchange."""
    offsets: list[float] = []
    delays: list[float] = []
    pace = Pace(timeout_seconds=10.0, packets_per_second=1e9)

    async def one(network: SocketNetwork) -> None:
        nonce = ntpwire.new_nonce()
        answer = await network.exchange(NTP, "127.0.0.1", port, ntpwire.request(nonce), key=nonce,
                                        accept=lambda _data: True, timeout_seconds=10.0)
        assert answer.stamped_by == "kernel"
        measured = ntpwire.measure(ntpwire.parse(answer.data), sent_ns=answer.sent_ns, received_ns=answer.received_ns)
        offsets.append(abs(measured.offset_seconds))
        delays.append(measured.delay_seconds)

    async with SocketNetwork(pace) as network:
        began = resource.getrusage(resource.RUSAGE_SELF)
        for _ in range(rounds):
            await asyncio.gather(*(one(network) for _ in range(in_flight)))
        ended = resource.getrusage(resource.RUSAGE_SELF)
        whole = await ask_time(network, ClockQuestion(Endpoint("127.0.0.1", port, "bench"), 1), "127.0.0.1")
        assert len(whole.samples) == 1
    spent = ended.ru_utime + ended.ru_stime - began.ru_utime - began.ru_stime
    return offsets, delays, spent / (rounds * in_flight)


def main() -> int:
    """Print the figures; 0 where the aims are met, 1 where not."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--in-flight", type=int, default=1000)
    options.add_argument("--rounds", type=int, default=20)
    chosen = options.parse_args()
    ours, theirs = multiprocessing.Pipe()
    responder = multiprocessing.get_context("fork").Process(target=respond, args=(theirs, chosen.in_flight))
    responder.start()
    try:
        offsets, delays, cpu = asyncio.run(exchanges(ours.recv(), chosen.rounds, chosen.in_flight))
    finally:
        ours.send("stop")
        responder.join()
    cuts = statistics.quantiles(offsets, n=100)
    median, p99 = statistics.median(offsets), cuts[98]
    print(f"{len(offsets)} exchanges, {chosen.in_flight} in flight, true offset 0")
    print(f"offset error: median {median * 1e6:.2f} µs, p99 {p99 * 1e6:.2f} µs, worst {max(offsets) * 1e6:.2f} µs")
    print(f"delay: median {statistics.median(delays) * 1e6:.1f} µs; client CPU {cpu * 1e6:.1f} µs an exchange")
    met = median < MEDIAN_AIM and p99 < P99_AIM
    print(f"aims (median under {MEDIAN_AIM * 1e6:g} µs, p99 under {P99_AIM * 1e6:g} µs): {'met' if met else 'NOT met'}")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
