"""A fleet of thirty, asked in haste, slowly, by several processes and with few descriptors: the findings are the same.

The fleet is that of tests/bench in a namespace of its own: three hosts silent, three that refuse every port, three misbuilt.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from labkit.runs import ROOT

pytestmark = [pytest.mark.lab, pytest.mark.timeout(240)]

HASTE = ("--limit-rate", "1000000/s")


@dataclass(frozen=True)
class Fleet:
    """A fleet that is up, and the process whose network namespace it is in."""

    folder: Path
    pid: int

    def start(self, name: str, *options: str, descriptors: int = 4096) -> subprocess.Popen[bytes]:
        """Begin to verify the fleet with so many file descriptors to be had."""
        command = [sys.executable, "-m", "verify", "verify", "fleet.toml", "--no-store", "--quiet", "--json", f"{name}.json",
                   "--html", f"{name}.html", *options]
        return subprocess.Popen(
            ["nsenter", f"--net=/proc/{self.pid}/ns/net", "prlimit", f"--nofile={descriptors}:{descriptors}", *command],
            cwd=self.folder, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL)

    def report(self, name: str, *options: str, descriptors: int = 4096) -> dict[str, Any]:
        """Verify the fleet to the end; the report."""
        self.start(name, *options, descriptors=descriptors).wait(120)
        return dict(json.loads((self.folder / f"{name}.json").read_bytes()))

    def sent(self) -> int:
        """Packets that clients have sent so far: connections begun, questions, echoes."""
        listing = ["nft", "-j", "list", "counter", "ip", "sent", "asked"]
        told = subprocess.run(["nsenter", f"--net=/proc/{self.pid}/ns/net", *listing], check=True, capture_output=True).stdout
        return int(json.loads(told)["nftables"][-1]["counter"]["packets"])


@pytest.fixture(scope="module")
def fleet(laboratory: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    """Thirty hosts."""
    folder = tmp_path_factory.mktemp("fleet")
    serving = ["unshare", "--net", sys.executable, str(ROOT / "tests/bench/thousand_hosts.py"), "--inside", "--hosts", "30",
               "--serve", str(folder)]
    with subprocess.Popen(serving, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == b"ready\n"
            yield Fleet(folder, process.pid)
        finally:
            process.stdin.close()
            process.wait(20)


@pytest.fixture(scope="module")
def in_haste(fleet: Fleet) -> dict[str, Any]:
    """The fleet verified as fast as it goes, by one process."""
    return fleet.report("haste", *HASTE, "--workers", "1")


def findings(report: dict[str, Any]) -> dict[str, tuple[str, str, tuple[str, ...]]]:
    """What was found, by ref: its grade, its symptom and what explains it."""
    every = [*report["site"]["findings"], *(finding for host in report["hosts"] for finding in host["findings"])]
    return {finding["ref"]: (finding["grade"], finding["symptom"], tuple(finding["because"])) for finding in every}


def test_every_kind_of_host_is_told_apart(in_haste: dict[str, Any]) -> None:
    """The comparison is not vacuous: three hosts are silent, three refuse, three have the wrong name, the others are sound."""
    failed = {host["name"].partition(".")[0]: {finding["check"] for finding in host["findings"] if finding["grade"] == "fail"}
              for host in in_haste["hosts"]}
    assert all("host.alive" in failed[name] or "host.echo" in failed[name] for name in ("h1", "h2", "h3"))
    assert all("port.open" in failed[name] for name in ("h4", "h5", "h6"))
    assert all("name.forward" in failed[name] for name in ("m7", "m8", "m9"))
    assert all(not failed[f"h{number}"] for number in (0, *range(10, 30)))
    assert in_haste["run"]["complete"]


@pytest.mark.parametrize(("name", "options", "descriptors"), [
    ("slow", ("--limit-rate", "200/s"), 4096),
    # The next turn is later than any question's time-out.
    ("slower", ("--limit-rate", "50/s"), 4096),
    ("shared", (*HASTE, "--workers", "2"), 4096),
    ("tight", HASTE, 256),
    ("tighter", HASTE, 160),
])
def test_the_findings_are_the_same(
    fleet: Fleet, in_haste: dict[str, Any], name: str, options: tuple[str, ...], descriptors: int
) -> None:
    """However the questions are put, and however little the runner has to put them with."""
    report = fleet.report(name, *options, descriptors=descriptors)
    assert findings(report) == findings(in_haste)
    assert [crash for host in report["hosts"] for crash in host["evidence"]["crashes"]] == []


#: Every ninth packet is lost, whoever sends it.
LOSSY = "table ip lossy { chain in { type filter hook input priority 0; policy accept; numgen inc mod 9 < 1 drop; }; }"


def test_losses_on_the_way_to_all_are_no_fault_of_any_host(fleet: Fleet) -> None:
    """Told once, of the site; the planted faults are found as before, and no sound host is called not ready."""
    inside = ["nsenter", f"--net=/proc/{fleet.pid}/ns/net", "nft"]
    subprocess.run([*inside, "-f", "-"], input=LOSSY, text=True, check=True)
    try:
        report = fleet.report("lossy")
    finally:
        subprocess.run([*inside, "delete", "table", "ip", "lossy"], check=True)
    told = next(finding for finding in report["site"]["findings"] if finding["check"] == "host.shared-loss")
    assert "our own pace of 1,000 packets a second" in told["message"]
    failed = {host["name"].partition(".")[0] for host in report["hosts"] if host["verdict"] == "not-ready"}
    assert failed == {"h1", "h2", "h3", "h4", "h5", "h6", "m7", "m8", "m9"}


@pytest.mark.parametrize("workers", ["1", "2"])
def test_the_rate_holds_on_the_wire(fleet: Fleet, workers: str) -> None:
    """Over any stretch of time no more leaves than the rate, its burst of a tenth of a second, and what the kernel repeats."""
    rate, repeats = 150, 3 * 3 * 3   # three silent hosts, three ports each, tried three times with a repeated SYN now and then
    samples: list[tuple[float, int, float]] = []   # the count was taken between the two moments around it
    with fleet.start(f"paced-{workers}", "--limit-rate", f"{rate}/s", "--workers", workers) as process:
        while process.poll() is None:
            samples.append((time.monotonic(), fleet.sent(), time.monotonic()))
    assert samples[-1][1] - samples[0][1] > 500
    for index, (began, before, _) in enumerate(samples):
        for _, after, ended in samples[index + 1 :]:
            assert after - before <= rate * (ended - began) + 0.1 * rate + repeats
