"""Runs of the real command line on a node of the laboratory, and what their reports say."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labkit.wires import Wiring

ROOT = Path(__file__).resolve().parents[3]
#: No run may take longer, in seconds; a time-out of 6 s and some seconds of starting are usual.
RUN_SECONDS = 90.0

Finding = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Run:
    """One finished run: its exit status, what it printed, how long it took, and its JSON report where it wrote one."""

    status: int
    stdout: str
    stderr: str
    seconds: float
    output: Path
    written: dict[str, Any]

    @property
    def report(self) -> dict[str, Any]:
        """The JSON report.  Fails with what the run said where it wrote none."""
        assert self.written, f"no report, exit status {self.status}\n{self.stdout}{self.stderr}"
        return self.written

    @property
    def site(self) -> list[Finding]:
        """The findings about the site."""
        findings: list[Finding] = self.report["site"]["findings"]
        return findings

    def host(self, name: str) -> dict[str, Any]:
        """One host's part of the report, by its short name."""
        part: dict[str, Any]
        (part,) = [host for host in self.report["hosts"] if host["name"].partition(".")[0] == name]
        return part

    def findings(self) -> list[Finding]:
        """Every finding of the report."""
        return [*self.site, *(finding for host in self.report["hosts"] for finding in host["findings"])]

    def finding(self, owner: str, check: str, subject: str | None = None) -> Finding:
        """The one finding of a host, or of "site", under that check and subject.  Fails where there is none or several."""
        findings = self.site if owner == "site" else self.host(owner)["findings"]
        found = [one for one in findings if one["check"] == check and subject in (None, one["subject"])]
        assert len(found) == 1, f"{owner} {check} {subject}: {[one['subject'] for one in found]}"
        return found[0]

    def troubles(self, owner: str, *, explained: bool = True) -> dict[tuple[str, str], str]:
        """Every finding of a host, or of "site", that is no pass: check and subject to grade.

        Without the ``explained`` ones, those that another finding explains are left out.
        """
        findings = self.site if owner == "site" else self.host(owner)["findings"]
        assert findings, f"{owner} has no findings at all"
        return {(one["check"], one["subject"]): one["grade"] for one in findings
                if one["grade"] != "pass" and (explained or not one["because"])}

    def causes(self) -> list[str]:
        """The findings that the report leads with, by reference."""
        return [cause["finding"] for cause in self.report["causes"]]


@dataclass(frozen=True, slots=True)
class Running:
    """A run under way."""

    process: subprocess.Popen[bytes]
    output: Path
    began: float

    def end(self) -> None:
        """End it where nobody waited for its end."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.communicate()

    def finish(self) -> Run:
        """Wait for its end and read its report: the only JSON file in its output folder, or standard output."""
        stdout, stderr = self.process.communicate(timeout=RUN_SECONDS)
        seconds = time.monotonic() - self.began
        written = sorted(self.output.glob("*.json")) if self.output.is_dir() else []
        text = written[0].read_text(encoding="utf-8") if written else stdout.decode() if stdout.startswith(b"{") else "{}"
        return Run(status=self.process.returncode, stdout=stdout.decode(), stderr=stderr.decode(), seconds=seconds,
                   output=self.output, written=json.loads(text))


def start(wiring: Wiring, node: str, arguments: Iterable[str], output: Path, *, under: Sequence[str] = ()) -> Running:
    """Start ``seatrial`` with these arguments on a node, as a person there would; ``under`` is a command that runs commands."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("COV")}
    command = wiring.inside(node, *under, sys.executable, "-m", "verify", *arguments)
    began = time.monotonic()
    process = subprocess.Popen(command, cwd=ROOT, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                               stderr=subprocess.PIPE)
    return Running(process, output, began)
