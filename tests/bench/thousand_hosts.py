"""What a thousand hosts cost: client CPU, wall and memory for the whole job, beside a floor that only moves the packets.

Run it as root: python tests/bench/thousand_hosts.py [--hosts 1000] [--silent 0.1] [--refusing 0] [--slow 0] [--misbuilt 0].  It
runs in a network namespace of its own, where packets to the silent hosts are dropped; nothing leaves it.  Prints one JSON
object.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from shared.evidence import Evidence
from shared.run import Report
from tests.bench import fleet, wire
from tests.bench.floor import Floor, counts_of
from tests.bench.usage import cpu_seconds, peak_mb

_NOT_PASSED = ("fail", "caution", "unproven")


@dataclass(frozen=True)
class Shares:
    """Which hosts are out of the ordinary, by number.  The misbuilt ones were given other names than the planned ones."""

    silent: Collection[int] = ()
    refusing: Collection[int] = ()
    slow: Collection[int] = ()
    misbuilt: Collection[int] = ()

    def unsound(self) -> set[int]:
        """All but the slow ones, which have nothing wrong with them."""
        return {*self.silent, *self.refusing, *self.misbuilt}


def drawn(hosts: int, options: argparse.Namespace) -> Shares:
    """The shares that the command line asks for, of hosts drawn with its seed."""
    left = random.Random(options.seed).sample(range(hosts), hosts)
    parts = []
    for share in (options.silent, options.refusing, options.slow, options.misbuilt):
        count = round(hosts * share)
        parts.append(frozenset(left[:count]))
        left = left[count:]
    return Shares(*parts)


def plan_text(hosts: int, anchor: Path, misbuilt: Collection[int] = ()) -> str:
    """The plan of the fleet."""
    names = [f"{'m' if number in misbuilt else 'h'}{number}" for number in range(hosts)]
    rows = "".join(f'[[hosts]]\nname = "{name}"\naddress = "{fleet.address_of(number)}"\nnetwork = "fleet"\nrole = "node"\n'
                   for number, name in enumerate(names))
    ports = fleet.PORTS
    servers = ", ".join(f'"{address}:{ports["names"]}"' for address in fleet.NAME_SERVERS)
    sources = ", ".join(f'"{address}:{ports["time"]}"' for address in fleet.TIME_SERVERS)
    return f"""\
[plan]
title = "Tidewater Observatory, a thousand hosts"
domain = "{fleet.DOMAIN}"
[names]
servers = [{servers}]
[time]
sources = [{sources}]
[trust]
anchors = ["{anchor}"]
[networks.fleet]
subnet = "127.30.0.0/16"
[roles.node]
open = ["{ports['shell']}/tcp", "{ports['web']}/tcp"]
closed = ["{ports['console']}/tcp"]
tls = ["{ports['web']}/tcp"]
ssh = ["{ports['shell']}/tcp"]
ntp = "{ports['time']}/udp"
{rows}"""


class _Clock:
    """Client CPU by part of the job, in milliseconds a host."""

    def __init__(self, hosts: int) -> None:
        self.parts: dict[str, float] = {}
        self._hosts = hosts
        self._began = cpu_seconds()

    def end(self, part: str) -> None:
        """What was used since the last part ended was this one's."""
        now = cpu_seconds()
        self.parts[f"{part}_cpu_ms_a_host"] = 1e3 * (now - self._began) / self._hosts
        self._began = cpu_seconds()


def measure(hosts: int, shares: Shares, *, workers: int = 1, concurrency: int = 1000, rate: float = 1e6) -> dict[str, Any]:
    """One run of the whole job and two of the floor, in this process, against servers in others."""
    wire.count(fleet.PORTS)
    slow = {fleet.address_of(number) for number in shares.slow}
    with (tempfile.TemporaryDirectory(prefix="seatrial-bench-") as name,
          fleet.serving(hosts, folder := Path(name), slow=slow) as servers_cpu):
        if shares.silent or shares.refusing:
            wire.quieten(map(fleet.address_of, shares.silent), map(fleet.address_of, shares.refusing))
        (folder / "fleet.toml").write_text(plan_text(hosts, folder / "anchor.pem", shares.misbuilt), encoding="utf-8")
        began = servers_cpu()
        result, evidence, report = _job(hosts, folder, workers=workers, concurrency=concurrency, rate=rate)
        result["servers_cpu_ms_a_host"] = 1e3 * (servers_cpu() - began) / hosts
        sound = [number for number in range(hosts) if number not in shares.unsound()]
        result |= _floors(result, [number for number in sound if number not in shares.slow], evidence)
    result |= {what: len(getattr(shares, what)) for what in ("silent", "refusing", "slow", "misbuilt")}
    return result | _clock_errors(evidence) | _verdicts(report, sound)


def _job(hosts: int, folder: Path, *, workers: int, concurrency: int, rate: float) -> tuple[dict[str, Any], Evidence, Report]:
    """From the plan's file to both reports and the history, as ``seatrial verify`` does it."""
    from reports.html import html_pieces
    from reports.jsonfile import json_pieces
    from reports.terminal import summary
    from shared.questions import Pace
    from verify import trial
    from verify.assembly import assemble
    from verify.cyclecollector import collect_seldom
    from verify.history.keeping import keep_run
    from verify.planfile import read_plan

    collect_seldom()
    firsts: list[float] = []
    result: dict[str, Any] = {"hosts": hosts, "workers": workers, "concurrency": concurrency, "memory_before_mb": peak_mb()}
    clock, wall = _Clock(hosts), time.monotonic()
    plan = read_plan(folder / "fleet.toml")
    prepared = trial.prepare(plan, trial.Trial(pace=Pace(packets_per_second=rate, hosts=concurrency)))
    clock.end("plan")
    before, probing = wire.counted(), time.monotonic()
    evidence = trial.probe(prepared.questions, lambda _host: firsts.append(time.monotonic() - wall), processes=workers)
    clock.end("probe")
    result["probe_wall_seconds"] = time.monotonic() - probing
    result["first_host_done_seconds"] = firsts[0] if firsts else -1.0
    result["packets_sent"] = {kind: count - before[kind] for kind, count in wire.counted().items()}
    result["memory_after_probe_mb"] = peak_mb()
    report = assemble(plan, evidence, prepared.limits, prepared.request, today=trial.today(), checks=prepared.checks)
    clock.end("grade")
    for kind, pieces in (("json", json_pieces), ("html", html_pieces)):
        with (folder / f"report.{kind}").open("wb") as file:
            for piece in pieces(report):
                file.write(piece if isinstance(piece, bytes) else piece.encode())
        clock.end(kind)
        result[f"{kind}_bytes"] = (folder / f"report.{kind}").stat().st_size
    kept = keep_run(report, plan, checks=(), store=str(folder / "history.sqlite"))
    assert kept.stored, kept.said
    clock.end("store")
    assert summary(report)
    result["first_finding_shown_seconds"] = time.monotonic() - wall
    clock.end("summary")
    result["whole_wall_seconds"] = time.monotonic() - wall
    result["peak_memory_mb"] = peak_mb()
    result |= clock.parts
    result["whole_cpu_ms_a_host"] = sum(clock.parts.values())
    timeout = prepared.questions.pace.timeout_seconds
    result["one_time_out_seconds"] = timeout
    result["wall_over_time_out_and_cpu"] = result["probe_wall_seconds"] / (
        timeout + hosts * result["probe_cpu_ms_a_host"] / 1e3)
    result["shortages"] = evidence.vantage.shortages
    result["crashes"] = len(evidence.site.crashes) + sum(len(host.crashes) for host in evidence.hosts)
    return result, evidence, report


def _floors(job: dict[str, Any], sound: list[int], evidence: Evidence) -> dict[str, Any]:
    """Both floors over the sound hosts, and the job in multiples of each."""
    result: dict[str, Any] = {}
    counts = counts_of(evidence.hosts[sound[0]])
    addresses = [fleet.address_of(number) for number in sound]

    async def pass_over(*, cryptography: bool) -> None:
        await Floor(fleet.PORTS, fleet.NAME_SERVERS[0], cryptography=cryptography).run(addresses, counts)

    for name, cryptography in (("floor", False), ("floor_with_handshakes", True)):
        before = wire.counted()
        clock = _Clock(len(sound))
        asyncio.run(pass_over(cryptography=cryptography))
        clock.end(name)
        result |= clock.parts
        result[f"{name}_packets_sent"] = {kind: count - before[kind] for kind, count in wire.counted().items()}
        for part in ("probe", "whole"):
            result[f"{part}_to_{name}"] = job[f"{part}_cpu_ms_a_host"] / clock.parts[f"{name}_cpu_ms_a_host"]
    return result


def _clock_errors(evidence: Evidence) -> dict[str, Any]:
    """Every clock of the fleet is this machine's own, so whatever offset is measured is the error."""
    errors = sorted(abs(sample.offset_seconds) for host in evidence.hosts for clock in host.clocks for sample in clock.samples
                    if sample.delay_seconds < fleet.SLOW_TIME_SECONDS)
    if not errors:
        return {"clock_exchanges": 0}
    return {"clock_exchanges": len(errors), "clock_error_median_us": 1e6 * errors[len(errors) // 2],
            "clock_error_p99_us": 1e6 * errors[len(errors) * 99 // 100], "clock_error_worst_us": 1e6 * errors[-1]}


def _verdicts(report: Report, sound: list[int]) -> dict[str, Any]:
    """What was found of sound hosts is a false alarm."""
    wrong = [finding for number in sound for finding in report.hosts[number].findings if finding.grade in _NOT_PASSED]
    return {
        "verdicts": Counter(str(host.verdict) for host in report.hosts), "false_alarms": len(wrong),
        "not_passed": Counter(f"{finding.check} {finding.grade} {finding.symptom}" for finding in wrong),
        "of_which": [f"{finding.ref}: {finding.message}" for finding in wrong[:5]]}


def serve_until_told(hosts: int, folder: Path) -> None:
    """A fleet to run the command against: host 1 to 3 silent, 4 to 6 refusing every port, 7 to 9 named otherwise than planned.

    Host 10 to 12 are slow.  What a client sends is counted in the table "sent".  Serves until standard input ends, or until it
    is terminated, and leaves no server behind.
    """
    signal.signal(signal.SIGTERM, lambda _number, _frame: sys.exit(0))
    with fleet.serving(hosts, folder, slow=set(map(fleet.address_of, range(10, 13)))):
        wire.quieten(map(fleet.address_of, range(1, 4)), map(fleet.address_of, range(4, 7)))
        wire.count(fleet.PORTS)
        (folder / "fleet.toml").write_text(plan_text(hosts, folder / "anchor.pem", range(7, 10)), encoding="utf-8")
        print("ready", flush=True)
        sys.stdin.read()


def usual(options: argparse.Namespace) -> dict[str, Any]:
    """The usual ways, on samples with the same share of silent hosts: they take too long for a fleet."""
    from tests.bench import usual_ways

    in_turn, at_once = range(10), range(10, 170)
    quiet = [number for sample in (in_turn, at_once) for number in sample[: round(len(sample) * options.silent)]]
    with tempfile.TemporaryDirectory(prefix="seatrial-bench-") as folder, fleet.serving(1000, Path(folder)):
        if quiet:
            wire.quieten(map(fleet.address_of, quiet), ())
        return {
            "silent_share": options.silent,
            "shell_1": usual_ways.shell_script(in_turn, 1), "shell_16": usual_ways.shell_script(at_once, 16),
            "sound_16": usual_ways.shell_script(range(900, 964), 16), "asyncio": usual_ways.asyncio_script(range(170, 1000), 830)}


def main() -> None:
    """Enter a namespace of our own, then measure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hosts", type=int, default=1000)
    for share, meaning in (("silent", "that answer nothing"), ("refusing", "that reset every connection"),
                           ("slow", "that answer late over SSH and to NTP"), ("misbuilt", "with other names than the planned")):
        parser.add_argument(f"--{share}", type=float, default=0.1 if share == "silent" else 0.0, help=f"share of hosts {meaning}")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--concurrency", type=int, default=1000)
    parser.add_argument("--rate", type=float, default=1e6, help="packets a second")
    parser.add_argument("--usual", action="store_true", help="measure the usual ways instead")
    parser.add_argument("--serve", type=Path, metavar="FOLDER", help="measure nothing: serve a fleet, its plan written there")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if not options.inside:
        if os.geteuid() != 0:
            sys.exit("run this as root: it makes a network namespace of its own")
        again = ["unshare", "--net", sys.executable, __file__, "--inside", *sys.argv[1:]]
        sys.exit(subprocess.run(again, check=False).returncode)
    wire.loopback_up()
    if options.serve:
        serve_until_told(options.hosts, options.serve)
        return
    json.dump(usual(options) if options.usual else measure(
        options.hosts, drawn(options.hosts, options), workers=options.workers, concurrency=options.concurrency,
        rate=options.rate), sys.stdout, indent=2)
    print()


if __name__ == "__main__":
    main()
