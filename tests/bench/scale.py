"""The cost of many hosts: every measure of the project in one run, beside its references, on this machine and now.

Run it as root: python tests/bench/scale.py.  Takes some ten minutes.  Writes tests/bench/results.json and the table between
the markers in tests/bench/README.md; --again only writes the table anew.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
_BEGIN, _END = "<!-- scale.py writes from here -->\n", "<!-- to here -->\n"
_AFTER = ("plan", "grade", "json", "html", "store", "summary")
_COMMANDS = ("lint", "verify", "explain", "regrade", "report", "history", "sheet", "drift", "await", "demo")


def fleet(**options: float) -> dict[str, Any]:
    """One run of thousand_hosts.py with these options."""
    given = [text for name, value in options.items() for text in (f"--{name}", str(value))]
    return _json([sys.executable, str(HERE / "thousand_hosts.py"), *given])


def _json(command: list[str]) -> dict[str, Any]:
    print("·", " ".join(Path(word).name for word in command[1:]), file=sys.stderr, flush=True)
    load = os.getloadavg()[0]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, timeout=900)
    return {"load_average_before": load, **json.loads(done.stdout)}


def start_up() -> dict[str, float]:
    """Seconds until each command has shown its help: the least of five."""
    seconds = {}
    for command in _COMMANDS:
        times = []
        for _ in range(5):
            began = time.monotonic()
            subprocess.run([sys.executable, "-m", "verify", command, "--help"], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
            times.append(time.monotonic() - began)
        seconds[command] = min(times)
    return seconds


def measure(*, big: int) -> dict[str, Any]:
    """Everything, from the small to the large."""
    machine = f"{os.cpu_count()} cores, Linux {platform.release().partition('-')[0]}, Python {platform.python_version()}"
    results: dict[str, Any] = {"machine": machine, "when": time.strftime("%Y-%m-%d", time.gmtime())}
    results["start_up_seconds"] = start_up()
    results["idle"] = fleet(hosts=10, silent=0.0)
    results["thousand"] = fleet(hosts=1000, silent=0.1)
    results["mixed"] = fleet(hosts=1000, silent=0.1, refusing=0.1, slow=0.1, misbuilt=0.1)
    results["usual"] = _json([sys.executable, str(HERE / "thousand_hosts.py"), "--usual"])
    results["by_concurrency"] = [fleet(hosts=400, silent=0.0, concurrency=count) for count in (16, 64, 256, 400)]
    results["by_silence"] = [fleet(hosts=400, silent=share) for share in (0.0, 0.3, 0.6)]
    results["big_one_core"] = fleet(hosts=big, silent=0.1, workers=1)
    results["big_two_cores"] = fleet(hosts=big, silent=0.1, workers=2)
    return results


def table(results: dict[str, Any]) -> str:
    """The figures as they stand in README.md."""
    one, idle, usual = results["thousand"], results["idle"], results["usual"]
    big, two = results["big_one_core"], results["big_two_cores"]
    growth = (big["memory_after_probe_mb"] - one["memory_after_probe_mb"]) / (big["hosts"] - one["hosts"])
    whole_growth = (big["peak_memory_mb"] - one["peak_memory_mb"]) / (big["hosts"] - one["hosts"])
    wall, many = (1e3 * run["whole_wall_seconds"] / run["hosts"] for run in (one, two))
    slow, obvious = usual["shell_16"], usual["asyncio"]
    rows: list[str] = []

    def row(name: str, *figures: str) -> None:
        rows.append(f"| {name} | {' '.join(figures)} |\n")

    row("floor: the same packets, nothing parsed, no cryptography", f"{one['floor_cpu_ms_a_host']:.2f} ms CPU a host")
    row("floor with the TLS and SSH handshakes", f"{one['floor_with_handshakes_cpu_ms_a_host']:.2f} ms CPU a host")
    row(f"evidence, {one['hosts']:,} hosts, a tenth of them silent", f"{one['probe_cpu_ms_a_host']:.2f} ms CPU a host:",
        f"{one['probe_to_floor']:.1f} times the floor, {one['probe_to_floor_with_handshakes']:.1f} times the one with handshakes")
    row("plan and lint; grading; JSON; HTML; storing; summary",
        "; ".join(f"{one[f'{part}_cpu_ms_a_host']:.2f}" for part in _AFTER), "ms CPU a host")
    row("whole job", f"{one['whole_cpu_ms_a_host']:.1f} ms CPU a host,",
        f"{one['whole_to_floor_with_handshakes']:.1f} times the floor with handshakes")
    row("the servers of the fleet", f"{one['servers_cpu_ms_a_host']:.2f} ms CPU a host, on the same cores")
    row("wall of the probing", f"{one['probe_wall_seconds']:.1f} s; a silent host takes {one['one_time_out_seconds']:.0f} s")
    row("first host done; first finding shown", f"after {one['first_host_done_seconds']:.1f} s;",
        f"after {one['first_finding_shown_seconds']:.1f} s, with all the others")
    mixed = results["mixed"]
    row(f"{mixed['hosts']:,} hosts: a tenth each silent, refusing, slow, misbuilt", f"{mixed['whole_cpu_ms_a_host']:.1f} ms CPU",
        f"a host, {mixed['probe_wall_seconds']:.1f} s; {mixed['false_alarms']} wrong findings about the sound and the slow")
    row("clock error, everything in flight", f"{one['clock_error_median_us']:.1f} µs median,",
        f"{one['clock_error_p99_us']:.1f} µs p99 of {one['clock_exchanges']:,};",
        f"with ten hosts {idle['clock_error_median_us']:.1f} and",
        f"{idle['clock_error_p99_us']:.1f} µs")
    row("shell script, a tool a question, one host at a time", f"{usual['shell_1']['cpu_ms_a_host']:.0f} ms CPU and",
        f"{usual['shell_1']['wall_ms_a_host']:.0f} ms wall a host (sample of {usual['shell_1']['hosts']}, a tenth silent,",
        "no NTP, nothing graded)")
    row("the same, sixteen at a time", f"{slow['cpu_ms_a_host']:.0f} ms CPU and {slow['wall_ms_a_host']:.0f} ms wall a host",
        f"(sample of {slow['hosts']}, a tenth silent): {slow['wall_ms_a_host'] / wall:.0f} times the wall of our whole job",
        f"({wall:.1f} ms), {slow['wall_ms_a_host'] / many:.0f} times where it has {two['hosts']:,} hosts and two processes",
        f"({many:.1f} ms); {slow['cpu_ms_a_host'] / one['whole_cpu_ms_a_host']:.0f} times its CPU")
    sound = results["by_silence"][0]
    well = 1e3 * sound["whole_wall_seconds"] / sound["hosts"]
    row("the same with no host silent", f"{usual['sound_16']['wall_ms_a_host']:.0f} ms wall a host:",
        f"{usual['sound_16']['wall_ms_a_host'] / well:.0f} times our whole job ({well:.1f} ms, {sound['hosts']} hosts)")
    row("asyncio script of the obvious kind", f"{obvious['cpu_ms_a_host']:.0f} ms CPU and {obvious['wall_ms_a_host']:.0f} ms",
        f"wall a host (none silent, none graded); its clock error {obvious['clock_error_median_us'] / 1e3:.0f} ms in the median")
    for run in results["by_concurrency"]:
        row(f"{run['concurrency']:,} hosts at once, of 400",
            f"{run['probe_cpu_ms_a_host']:.2f} ms CPU a host, {run['probe_wall_seconds']:.1f} s")
    for run in results["by_silence"]:
        row(f"{run['silent']} of 400 hosts silent",
            f"{run['probe_cpu_ms_a_host']:.2f} ms CPU a host, {run['probe_wall_seconds']:.1f} s")
    for run in (big, two):
        row(f"{run['hosts']:,} hosts, {'one process' if run['workers'] == 1 else 'two processes'}",
            f"probing {run['probe_wall_seconds']:.0f} s, whole job {run['whole_wall_seconds']:.0f} s;",
            f"{run['probe_cpu_ms_a_host']:.1f} and {run['whole_cpu_ms_a_host']:.1f} ms CPU a host; peak",
            f"{run['peak_memory_mb']:.0f} MB; {run['false_alarms']} wrong findings")
    row("memory a further host", f"{1e3 * growth:.0f} kB with all evidence held,",
        f"{1e3 * whole_growth:.0f} kB with the findings, both reports and the history")
    row("JSON and HTML report", f"{one['json_bytes'] / one['hosts'] / 1e3:.0f} and",
        f"{one['html_bytes'] / one['hosts'] / 1e3:.0f} kB a host")
    row("start-up", ", ".join(f"{name} {seconds:.2f} s" for name, seconds in results["start_up_seconds"].items()))
    loads = [part["load_average_before"] for part in (one, usual, big, two)]
    return (f"Measured {results['when']} on {results['machine']}, loopback in a namespace, fleet and client on the same cores;\n"
            f"load average when the parts began {min(loads):.1f} to {max(loads):.1f}: compare within a run only.\n\n"
            "| measure | figure |\n| --- | --- |\n" + "".join(rows))


def main() -> None:
    """Measure, then write both files."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--big", type=int, default=10_000, help="hosts of the largest fleet")
    parser.add_argument("--again", action="store_true", help="measure nothing: write the table of the last run anew")
    options = parser.parse_args()
    file, handbook = HERE / "results.json", HERE / "README.md"
    if not options.again:
        file.write_text(json.dumps(measure(big=options.big), indent=2) + "\n", encoding="utf-8")
    text = handbook.read_text(encoding="utf-8")
    found = re.search(re.escape(_BEGIN) + ".*?" + re.escape(_END), text, re.S)
    if found is None:
        sys.exit(f"{handbook.name} has no place for the table: {_BEGIN!r}")
    made = table(json.loads(file.read_text(encoding="utf-8")))
    handbook.write_text(text[: found.start()] + _BEGIN + made + _END + text[found.end() :], encoding="utf-8")
    print(made)


if __name__ == "__main__":
    main()
