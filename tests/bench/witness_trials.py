"""How well the clock of a host is read by each witness.  Run it as root: python tests/bench/witness_trials.py.

Every trial has a server whose clock is moved by a known amount, from milliseconds to years either way: nginx and chrony
under libfaketime, and servers of our own that stamp Date and ICMP time stamps in the ways that servers do.  Printed are
how often the truth lay inside the interval, how wide that was, what was sent, and how long it took.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "lab")]

from labkit.clocks import free_ports, moved_chrony, moved_host, moved_nginx  # noqa: E402
from probes import httpdate, witness  # noqa: E402
from probes.clock import ask_time  # noqa: E402
from probes.sockets import SocketNetwork  # noqa: E402
from shared.evidence import ClockWitness  # noqa: E402
from shared.plan import Endpoint  # noqa: E402
from shared.questions import ClockQuestion, Pace, WitnessQuestion  # noqa: E402
from verify.grading.clock.reading import read  # noqa: E402
from verify.grading.clock.witnesses import Testimony, by_ntp, by_witness, weigh  # noqa: E402
from verify.laboratory import authority  # noqa: E402

NAME = "dome-a.obs.example.net"
YEAR = 365.25 * 86_400
#: Offsets are drawn evenly in order of magnitude between these, in seconds.
SMALLEST, LARGEST = 0.001, 30 * YEAR
#: Trials at the same time: more would measure this machine's queue.
AT_ONCE = 24


@dataclass
class Trial:
    """One method on one server."""

    method: str
    truth: float
    testimony: Testimony
    asked: int
    seconds: float

    @property
    def inside(self) -> bool:
        return self.testimony.interval is not None and self.truth in self.testimony.interval


def offsets(count: int, chance: random.Random, smallest: float = SMALLEST) -> list[float]:
    """Offsets of either sign, as many small ones as large ones, none past 2038 or before 1980, where servers give up."""
    drawn: list[float] = []
    while len(drawn) < count:
        size = smallest * (LARGEST / smallest) ** chance.random()
        offset = round(chance.choice((-1, 1)) * size, 6)
        if 3.2e8 < time.time() + offset < 2.1e9:
            drawn.append(offset)
    return drawn


async def _hunt(network: SocketNetwork, method: str, truth: float, port: int, speaks: str) -> Trial:
    began = time.monotonic()
    seen = await httpdate.hunt(network, WitnessQuestion("127.0.0.1", (), NAME), port, speaks)
    return Trial(method, truth, by_witness(seen), seen.asked, time.monotonic() - began)


async def _ntp(network: SocketNetwork, truth: float, port: int) -> Trial:
    began = time.monotonic()
    for _ in range(20):
        seen = await ask_time(network, ClockQuestion(Endpoint("127.0.0.1", port, ""), 4), "127.0.0.1")
        if (reading := read(seen)) is not None:
            return Trial("NTP, chrony", truth, by_ntp(reading), seen.asked, time.monotonic() - began)
        await asyncio.sleep(0.2)
    return Trial("NTP, chrony", truth, Testimony("NTP", why="chronyd did not answer"), 0, time.monotonic() - began)


async def on_loopback(nginx: int, chrony: int, ours: int, chance: random.Random) -> list[Trial]:
    """Dates and NTP of servers on loopback."""
    trials: list[Trial] = []
    with tempfile.TemporaryDirectory() as scratch, ExitStack() as stack:
        folder = Path(scratch)
        certificate, key = _certificate(folder)
        jobs: list[Any] = []
        for offset in offsets(nginx, chance):
            plain, tls = stack.enter_context(moved_nginx(folder, offset, certificate=certificate, key=key))
            jobs += [("Date, nginx, HTTP", offset, plain, "http"), ("Date, nginx, TLS", offset, tls, "tls")]
        faces = [{"address": "127.0.0.1", "port": port, "offset": offset, "style": style, "phase": chance.random()}
                 for style in ("fresh", "naps", "lazy")
                 for offset, port in zip(offsets(ours, chance), free_ports(ours), strict=True)]
        stack.enter_context(moved_host(faces))
        jobs += [(f"Date, ours, {face['style']}", face["offset"], face["port"], "http") for face in faces]
        clocks = [(offset, stack.enter_context(moved_chrony(folder, offset))) for offset in offsets(chrony, chance, 1.5)]
        gate = asyncio.Semaphore(AT_ONCE)
        async with SocketNetwork(Pace(clock_spacing_seconds=0.05)) as network:

            async def one(job: Any) -> Trial:
                async with gate:
                    return await _hunt(network, *job)

            chance.shuffle(jobs)
            trials += await asyncio.gather(*map(one, jobs))
            trials += [await _ntp(network, offset, port) for offset, port in clocks]
    return trials


def _certificate(folder: Path) -> tuple[Path, Path]:
    import datetime

    valid = authority.Validity.around(datetime.datetime.now(datetime.UTC), days_before=1, days_after=365)
    leaf = authority.leaf(authority.root("Site Root", valid), (NAME,), valid)
    certificate, key = folder / "chain.pem", folder / "key.pem"
    certificate.write_bytes(leaf.chain_pem)
    key.write_bytes(leaf.key_pem)
    return certificate, key


async def inside(addresses: list[str], port: int) -> list[dict[str, Any]]:
    """In the runner's namespace: every witness of every address, one address after the other."""
    told = []
    async with SocketNetwork(Pace()) as network:
        for address in addresses:
            began = time.monotonic()
            seen = await witness.ask_clock(network, WitnessQuestion(address, ((port, "http"),), NAME))
            told.append({"witnesses": [_plain(one) for one in seen], "seconds": time.monotonic() - began})
    return told


def _plain(one: ClockWitness) -> Any:
    import msgspec

    return msgspec.to_builtins(one)


def in_namespaces(count: int, chance: random.Random) -> list[Trial]:
    """ICMP time stamps, alone and beside a Date, over a wire between two namespaces."""
    import msgspec

    stem = f"witness-{os.getpid()}"
    runner, host = f"{stem}-runner", f"{stem}-host"
    moved = {f"192.0.2.{last}": offset for last, offset in zip(range(11, 11 + count), offsets(count, chance), strict=True)}
    faces = [{"address": address, "offset": offset, "style": "icmp", "order": chance.choice("!!<")}
             for address, offset in moved.items()]
    faces += [{"address": address, "port": 80, "offset": offset, "style": "fresh"} for address, offset in moved.items()]
    try:
        for name in (runner, host):
            _ip("netns", "add", name)
        _ip("link", "add", "w0", "netns", runner, "type", "veth", "peer", "name", "w1", "netns", host)
        _ip("-n", runner, "address", "add", "192.0.2.1/24", "dev", "w0")
        for address in moved:
            _ip("-n", host, "address", "add", f"{address}/24", "dev", "w1")
        for name, link in ((runner, "w0"), (host, "w1")):
            _ip("-n", name, "link", "set", link, "up")
        rules = "table ip f { chain i { type filter hook input priority 0; icmp type timestamp-request drop; }; }"
        subprocess.run(["ip", "netns", "exec", host, "nft", rules], check=True, timeout=10)
        with moved_host(faces, prefix=("ip", "netns", "exec", host)):
            done = subprocess.run(
                ["ip", "netns", "exec", runner, sys.executable, __file__, "--inside", json.dumps(list(moved))],
                check=True, capture_output=True, text=True, timeout=600)
    finally:
        for name in (runner, host):
            subprocess.run(["ip", "netns", "delete", name], check=False, timeout=10)
    trials = []
    for truth, told in zip(moved.values(), json.loads(done.stdout), strict=True):
        seen = [msgspec.convert(one, ClockWitness) for one in told["witnesses"]]
        alone = by_witness(seen[0])
        account = weigh(map(by_witness, seen))
        both = Testimony("both", account.interval, account.at, why=account.reason)
        trials += [Trial("ICMP time stamps", _folded(truth, alone), alone, seen[0].asked, 0.0),
                   Trial("ICMP and Date", truth, both, sum(one.asked for one in seen), told["seconds"])]
    return trials


def _folded(truth: float, testimony: Testimony) -> float:
    """The truth as a witness that knows no day may tell it."""
    if testimony.interval is None:
        return truth
    return truth - 86_400 * round((truth - testimony.interval.value) / 86_400)


def _ip(*arguments: str) -> None:
    subprocess.run(["ip", *arguments], check=True, timeout=10)


def report(trials: list[Trial]) -> bool:
    """Print a line a method; whether the truth was inside every time."""
    by_method: dict[str, list[Trial]] = defaultdict(list)
    for trial in trials:
        by_method[trial.method].append(trial)
    print(f"{'method':24} {'inside':>9} {'width, median':>14} {'widest':>10} {'asked':>6} {'longest':>8}")
    for method, some in sorted(by_method.items()):
        widths = [2 * trial.testimony.interval.uncertainty for trial in some if trial.testimony.interval is not None]
        print(f"{method:24} {sum(trial.inside for trial in some):4}/{len(some):<4} {statistics.median(widths) * 1e3:11.3f} ms"
              f" {max(widths) * 1e3:7.1f} ms {statistics.mean(trial.asked for trial in some):6.1f}"
              f" {max(trial.seconds for trial in some):6.1f} s")
    for trial in trials:
        if not trial.inside:
            print(f"OUTSIDE: {trial.method}, truth {trial.truth}, {trial.testimony}")
    within = sum(trial.inside for trial in trials)
    print(f"truth inside in {within} of {len(trials)} trials, offsets from {min(abs(trial.truth) for trial in trials):g} s to "
          f"{max(abs(trial.truth) for trial in trials) / YEAR:.1f} years")
    return within == len(trials)


def main() -> int:
    """Print the figures; 0 where the truth was inside every time, 1 where not."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--nginx", type=int, default=40)
    options.add_argument("--chrony", type=int, default=40)
    options.add_argument("--ours", type=int, default=20)
    options.add_argument("--stamps", type=int, default=30)
    options.add_argument("--seed", type=int, default=4)
    options.add_argument("--inside", help=argparse.SUPPRESS)
    chosen = options.parse_args()
    if chosen.inside:
        print(json.dumps(asyncio.run(inside(json.loads(chosen.inside), 80))))
        return 0
    chance = random.Random(chosen.seed)
    trials = asyncio.run(on_loopback(chosen.nginx, chosen.chrony, chosen.ours, chance))
    trials += in_namespaces(chosen.stamps, chance)
    return 0 if report(trials) else 1


if __name__ == "__main__":
    sys.exit(main())
