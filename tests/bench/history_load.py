"""What a year of nights costs: 365 runs of 200 hosts through the real writer, then ``history`` and ``drift`` as they are run.

Run: ``.venv/bin/python tests/bench/history_load.py [nights] [hosts] [folder]``.  The runs are made from one real run of the demo
laboratory: every host gets its own names, addresses, certificates and keys, and every night its own times and measured values,
drawn from a seeded generator.  Certificates are renewed every 90 days.  Prints the size on disk, the time to store a run, and
the time of each question in a process of its own, start-up included.
"""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import msgspec

from shared.findings import Grade, Measured, verdict_of
from shared.plan import Plan
from shared.run import HostReport, Report
from verify.history.store import Store
from verify.planfile import read_plan

ROOT = Path(__file__).resolve().parents[2]
FIRST = datetime.datetime(2026, 1, 1, 2, 30, tzinfo=datetime.UTC)
#: Values that differ from night to night by chance, by the key they stand under.
_JITTERED = frozenset({"elapsed_seconds", "delay_seconds", "offset_seconds", "root_delay_seconds", "root_dispersion_seconds",
                       "reference_age_seconds", "warm_up_seconds", "value", "uncertainty"})
_RENEWED_EVERY = 90


def demo_run(folder: Path) -> tuple[Plan, dict[str, Any]]:
    """One real run of the laboratory: its plan, and its report as plain data."""
    subprocess.run([sys.executable, "-m", "verify", "demo", "--quiet", "--output", str(folder)], check=True, cwd=ROOT,
                   stdout=subprocess.DEVNULL)
    return read_plan(folder / "tidewater.toml"), json.loads((folder / "tidewater.json").read_text(encoding="utf-8"))


@dataclasses.dataclass(slots=True)
class Fleet:
    """A site of any size whose hosts are copies of the laboratory's, mostly of its sound ones."""

    plan: Plan
    template: Report
    sources: list[HostReport]
    chance: random.Random

    @classmethod
    def grown(cls, plan: Plan, report: dict[str, Any], size: int, seed: int) -> Fleet:
        chance = random.Random(seed)
        template = msgspec.convert(report, Report)
        sound = [host for host in report["hosts"] if host["verdict"] == "ready"]
        faulty = [host for host in report["hosts"] if host["verdict"] != "ready"]
        by_name = {host.fqdn: host for host in plan.hosts}
        hosts, planned = [], []
        for index in range(size):
            host = faulty[index // 20 % len(faulty)] if index % 20 == 7 else sound[index % len(sound)]
            name, address = f"rack{index // 40:02}-node{index % 40:02}", f"127.20.{100 + index // 250}.{index % 250 + 1}"
            text = json.dumps(host).replace(host["address"] + '"', address + '"').replace(host["address"], address)
            hosts.append(msgspec.json.decode(text.replace(host["name"].partition(".")[0], name), type=HostReport))
            old = by_name[host["name"]]
            planned.append(msgspec.structs.replace(old, name=name, fqdn=f"{name}.{plan.domain}", addresses=(address,),
                                                   addresses_typed=(address,)))
        return cls(msgspec.structs.replace(plan, hosts=tuple(planned)), template, hosts, chance)

    def night(self, number: int) -> Report:
        """The run of one night."""
        began = FIRST + datetime.timedelta(days=number, seconds=self.chance.randrange(60))
        hosts = tuple(self._visited(host, index, number, began) for index, host in enumerate(self.sources))
        site = msgspec.convert(self._moved(msgspec.to_builtins(self.template.site), began), type(self.template.site))
        grades = [finding.grade for host in hosts for finding in host.findings] + [finding.grade for finding in site.findings]
        counts = {grade.value: grades.count(grade) for grade in Grade}
        run = msgspec.structs.replace(
            self.template.run, id=f"{began:%Y%m%dT%H%M%SZ}-{number:04x}", kind="drift", started=_text(began),
            finished=_text(began + datetime.timedelta(seconds=6)),
            plan=msgspec.structs.replace(self.template.run.plan, sha256=self.plan.sha256))
        return msgspec.structs.replace(
            self.template, run=run, hosts=hosts, site=site, verdict=verdict_of(set(grades)),
            counts=msgspec.convert(counts, type(self.template.counts)))

    def _visited(self, host: HostReport, index: int, number: int, began: datetime.datetime) -> HostReport:
        fresh = msgspec.convert(self._moved(msgspec.to_builtins(host), began), HostReport)
        own = random.Random(f"{index} {(number + index) // _RENEWED_EVERY}")
        tls = tuple(msgspec.structs.replace(one, chain=tuple(
            _issued(link, own, index, number) for link in one.chain)) for one in fresh.evidence.tls)
        return msgspec.structs.replace(
            fresh, evidence=msgspec.structs.replace(fresh.evidence, tls=tls),
            findings=tuple(_wandering(finding, index, number, self.chance) for finding in fresh.findings))

    def _moved(self, value: Any, began: datetime.datetime, key: str = "") -> Any:
        """Plain data with this night's times, and its measured values a little off."""
        if isinstance(value, dict):
            return {name: self._moved(inner, began, name) for name, inner in value.items()}
        if isinstance(value, list | tuple):
            return [self._moved(inner, began, key) for inner in value]
        if isinstance(value, float) and key in _JITTERED:
            return value * self.chance.uniform(0.9, 1.1)
        if isinstance(value, float) and key == "round_trips_seconds":
            return value * self.chance.uniform(0.7, 1.5)
        if key == "at" and value:
            return _text(began + datetime.timedelta(seconds=self.chance.uniform(0, 6)))
        return value


def _issued(link: Any, own: random.Random, index: int, number: int) -> Any:
    """The certificate that a host has that night: new octets and a new end with every renewal."""
    der = own.randbytes(len(link.der))
    end = FIRST + datetime.timedelta(days=((number + index) // _RENEWED_EVERY + 1) * _RENEWED_EVERY - index + 30)
    return msgspec.structs.replace(link, der=der, sha256=hashlib.sha256(der).hexdigest(), not_after=f"{end:%Y-%m-%dT%H:%M:%SZ}",
                                   serial=str(own.getrandbits(150)))


def _wandering(finding: Any, index: int, number: int, chance: random.Random) -> Any:
    """Clock offsets that wander, and at every fiftieth host run away by 2 ms a day."""
    if finding.check != "clock.offset" or finding.measured is None:
        return finding
    value = chance.gauss(0, 2e-4) + (0.002 * number if index % 50 == 9 else 0.0)
    return msgspec.structs.replace(finding, measured=Measured(value, 8e-5, "s"))


def _text(moment: datetime.datetime) -> str:
    return f"{moment:%Y-%m-%dT%H:%M:%S.%f}Z"


def stored(fleet: Fleet, place: Path, nights: int) -> Iterator[float]:
    """Store every night; the seconds each took to be stored."""
    for number in range(nights):
        report = fleet.night(number)
        began = time.perf_counter()
        with Store.open(str(place), create=True) as store:
            store.keep(report, fleet.plan)
        yield time.perf_counter() - began


def asked(place: Path, *arguments: str) -> str:
    """How long a command takes in a process of its own, the median of five."""
    taken = []
    for _ in range(5):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-m", "verify", *arguments, "--store", str(place)], check=True, cwd=ROOT,
                       stdout=subprocess.DEVNULL)
        taken.append(time.perf_counter() - began)
    return f"{sorted(taken)[2]:.2f} s"


COMPARING = """\
import sys, time
sys.path.insert(0, {root!r})
began = time.perf_counter()
from shared.drift import Drift
from reports.drifttext import drift_text
from verify.comparing.drift import compare
from verify.history import queries
from verify.history.following import trends_of
from verify.history.store import Store
with Store.open({place!r}) as history:
    last, *_ = queries.runs(history)
    found = queries.baseline(history, last.plan)
    before, after = queries.lean_report(history, found.run), queries.lean_report(history, last)
    drift = compare(before, after)
    trends = trends_of(history, last.plan, after)
    drift_text(drift)
print(f"{{time.perf_counter() - began:.2f}} s; {{len(drift.moves)}} moves, {{len(drift.values)}} values, {{len(trends)}} trends, "
      f"{{sum(bool(t.crossings) and t.what == 'clock offset' for t in trends)}} clocks with a date")
"""


def main() -> None:
    nights, hosts = (int(word) for word in [*sys.argv[1:3], "365", "200"][:2]) if len(sys.argv) != 2 else (int(sys.argv[1]), 200)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(sys.argv[3]) if len(sys.argv) > 3 else Path(scratch)
        plan, report = demo_run(Path(scratch) / "demo")
        fleet = Fleet.grown(plan, report, hosts, seed=1)
        place = folder / "history.sqlite"
        began = time.perf_counter()
        taken = sorted(stored(fleet, place, nights))
        print(f"{nights} nights of {hosts} hosts, {len(fleet.night(0).findings())} findings a night, made and stored in "
              f"{time.perf_counter() - began:.0f} s")
        print(f"storing one run: median {taken[len(taken) // 2]:.2f} s, longest {taken[-1]:.2f} s")
        size = place.stat().st_size
        print(f"on disk: {size / 1e6:.1f} MB, {size / nights / 1e3:.0f} kB a night, {size / nights / hosts:.0f} octets a host "
              "and night")
        with Store.open(str(place)) as store:
            from verify.history import queries

            runs = queries.runs(store)
            store.accept(runs[len(runs) // 2], operator="bench", reason="bench")
        print(f"history:              {asked(place, 'history')}")
        print(f"history --host:       {asked(place, 'history', '--host', 'rack00-node09')}")
        print(f"report last --json -: {asked(place, 'report', 'last', '--json', '-')}")
        compared = subprocess.run([sys.executable, "-c", COMPARING.format(root=str(ROOT), place=str(place))], check=True,
                                  capture_output=True, text=True, env={**os.environ})
        print(f"drift's comparison:   {compared.stdout.strip()}")


if __name__ == "__main__":
    main()
