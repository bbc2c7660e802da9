"""What a thousand hosts cost: client CPU, wall and memory for the whole job, beside a floor that only moves the packets.

Run it as root: python tests/bench/thousand_hosts.py [--hosts 1000] [--silent 0.1].  It runs in a network namespace of its own,
where packets to the silent hosts are dropped; nothing leaves it.  Prints one JSON object.

The floor sends the same number of packets of the same kinds over the same kinds of socket and reads what comes back, with
nothing made, matched, parsed, encrypted or kept.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import multiprocessing
import os
import random
import resource
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench import fleet

PORTS = {"names": 5300, "time": 12300, "shell": 2200, "web": 4430, "console": 2300}


def plan_text(hosts: int, anchor: Path) -> str:
    """The plan of the fleet."""
    rows = "".join(f'[[hosts]]\nname = "h{number}"\naddress = "{fleet.address_of(number)}"\nnetwork = "fleet"\nrole = "node"\n'
                   for number in range(hosts))
    sources = ", ".join(f'"127.30.255.{last}:{PORTS["time"]}"' for last in (61, 62, 63, 64))
    return f"""\
[plan]
title = "Tidewater Observatory, a thousand hosts"
domain = "{fleet.DOMAIN}"
[names]
servers = ["127.30.255.53:{PORTS['names']}", "127.30.255.54:{PORTS['names']}"]
[time]
sources = [{sources}]
[trust]
anchors = ["{anchor}"]
[networks.fleet]
subnet = "127.30.0.0/16"
[roles.node]
open = ["{PORTS['shell']}/tcp", "{PORTS['web']}/tcp"]
closed = ["{PORTS['console']}/tcp"]
tls = ["{PORTS['web']}/tcp"]
ssh = ["{PORTS['shell']}/tcp"]
ntp = "{PORTS['time']}/udp"
{rows}"""


def cpu_seconds() -> float:
    """CPU of this process and its ended workers so far, user and system."""
    used = [resource.getrusage(whose) for whose in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def serve(hosts: int, anchor: Path) -> None:
    """The servers' process."""
    resource.setrlimit(resource.RLIMIT_NOFILE, (resource.getrlimit(resource.RLIMIT_NOFILE)[1],) * 2)
    asyncio.run(fleet.serve(hosts, PORTS, anchor))


async def floor(hosts: list[str], counts: dict[str, int]) -> None:
    """Send and receive as many packets a host as the whole job does, and nothing else."""
    loop = asyncio.get_running_loop()
    slots, senders = asyncio.Semaphore(200), []

    def drained(sock: socket.socket, expected: int, payload: bytes, peers: list[tuple[str, int]]) -> asyncio.Future[None]:
        done, state = loop.create_future(), [0]

        def read() -> None:
            while True:
                try:
                    sock.recvmsg(2048, 256)
                except (BlockingIOError, ConnectionRefusedError):
                    return
                state[0] += 1
                if state[0] >= expected and not done.done():
                    done.set_result(None)

        loop.add_reader(sock, read)

        async def send() -> None:
            for index, peer in enumerate(peers):
                sock.sendto(payload, peer)
                if index % 50 == 49:
                    await asyncio.sleep(0)

        senders.append(loop.create_task(send()))
        loop.call_later(5.0, lambda: done.done() or done.set_result(None))
        return done

    async def talk(address: str, port: int, hello: bytes, reads: int) -> None:
        async with slots:
            sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
            try:
                await asyncio.wait_for(loop.sock_connect(sock, (address, port)), 5)
                if hello:
                    await loop.sock_sendall(sock, hello)
                for _ in range(reads):
                    await asyncio.wait_for(loop.sock_recv(sock, 65536), 5)
            except OSError:
                pass
            finally:
                sock.close()

    from probes import tlshello
    query = b"\0\1\1\0\0\1\0\0\0\0\0\0\2h1\3obs\7example\3net\0\0\1\0\1"
    hello = tlshello.client_hello(tlshello.TLS12, "h1.obs.example.net", bytes(32))
    async with asyncio.TaskGroup() as group:
        time_query = b"\x23" + bytes(47)
        for payload, count, port in ((query, counts["names"], PORTS["names"]), (time_query, counts["time"], PORTS["time"])):
            sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
            where = [("127.30.255.53" if payload is query else address, port) for address in hosts for _ in range(count)]
            group.create_task(_wait(drained(sock, len(where), payload, where)))
        icmp = socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_ICMP)
        icmp.setblocking(False)
        where = [(address, 0) for address in hosts for _ in range(counts["echo"])]
        group.create_task(_wait(drained(icmp, len(where), b"\x08\0\xf7\xff\0\0\0\0", where)))
        for address in hosts:
            group.create_task(talk(address, PORTS["console"], b"", 0))
            group.create_task(talk(address, PORTS["shell"], b"SSH-2.0-floor\r\n", 1))
            for _ in range(counts["tls"]):
                group.create_task(talk(address, PORTS["web"], hello, 1))


async def _wait(future: asyncio.Future[None]) -> None:
    await future


def measure(hosts: int, silent: float, seed: int, workers: int = 1) -> dict[str, Any]:
    """One run of the whole job and one of the floor, in this process, against servers in another."""
    from reports.html import to_html
    from reports.jsonfile import to_json
    from shared.questions import Pace
    from verify import trial
    from verify.assembly import assemble
    from verify.collecting import collect_seldom
    from verify.planfile import read_plan

    collect_seldom()
    folder = Path(tempfile.mkdtemp(prefix="seatrial-bench-"))
    anchor = folder / "anchor.pem"
    server = multiprocessing.get_context("fork").Process(target=serve, args=(hosts, anchor), daemon=True)
    server.start()
    _wait_for_port("127.0.0.1", PORTS["web"])
    quiet = sorted(random.Random(seed).sample(range(hosts), round(hosts * silent)))
    if quiet:
        addresses = ", ".join(fleet.address_of(number) for number in quiet)
        subprocess.run(["nft", "-f", "-"], input="table ip bench {\nchain in { type filter hook input priority 0; policy accept; "
                       f"ip daddr {{ {addresses} }} drop; }}\n}}\n", text=True, check=True)
    plan_file = folder / "fleet.toml"
    plan_file.write_text(plan_text(hosts, anchor), encoding="utf-8")
    before_memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    result: dict[str, Any] = {"hosts": hosts, "silent": len(quiet)}
    began = cpu_seconds()
    plan = read_plan(plan_file)
    prepared = trial.prepare(plan, trial.Trial(pace=Pace(packets_per_second=1e6)))
    result["plan_cpu_ms_a_host"] = 1e3 * (cpu_seconds() - began) / hosts
    timeout = prepared.questions.pace.timeout_seconds
    wall, began = time.monotonic(), cpu_seconds()
    evidence = trial.probe(prepared.questions, processes=workers)
    result["probe_wall_seconds"] = time.monotonic() - wall
    probe_cpu = cpu_seconds() - began
    result["probe_cpu_ms_a_host"] = 1e3 * probe_cpu / hosts
    began = cpu_seconds()
    report = assemble(plan, evidence, prepared.limits, prepared.request, today=trial.today(), checks=prepared.checks)
    result["grade_cpu_ms_a_host"] = 1e3 * (cpu_seconds() - began) / hosts
    began = cpu_seconds()
    result["json_bytes"], result["html_bytes"] = len(to_json(report)), len(to_html(report))
    result["report_cpu_ms_a_host"] = 1e3 * (cpu_seconds() - began) / hosts
    result["peak_memory_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    result["memory_before_mb"] = before_memory / 1024
    result["whole_cpu_ms_a_host"] = sum(result[f"{part}_cpu_ms_a_host"] for part in ("plan", "probe", "grade", "report"))
    counts = {"names": len(prepared.questions.hosts[0].names), "time": 4, "echo": 6, "tls": 4}
    answering = [fleet.address_of(number) for number in range(hosts) if number not in set(quiet)]
    began = cpu_seconds()
    asyncio.run(floor(answering, counts))
    floor_cpu = cpu_seconds() - began
    result["floor_cpu_ms_a_host"] = 1e3 * floor_cpu / max(1, len(answering))
    result["probe_to_floor"] = result["probe_cpu_ms_a_host"] / result["floor_cpu_ms_a_host"]
    result["one_time_out_seconds"] = timeout
    result["wall_over_time_out_and_cpu"] = result["probe_wall_seconds"] / (timeout + probe_cpu)
    result["verdicts"] = {str(verdict): sum(host.verdict is verdict for host in report.hosts)
                          for verdict in {host.verdict for host in report.hosts}}
    answering_hosts = [host for number, host in enumerate(report.hosts) if number not in set(quiet)]
    # Every host shows one certificate that names them all, which is a caution and no false alarm.
    wrong = [finding for host in answering_hosts for finding in host.findings if finding.grade in ("fail", "caution", "unproven")]
    result["false_alarms"] = len([finding for finding in wrong if finding.check != "certificate.shared-key"])
    result["not_passed"] = Counter(f"{finding.check} {finding.grade} {finding.symptom}" for finding in wrong)
    result["of_which"] = [f"{finding.ref}: {finding.message}" for finding in wrong
                          if finding.check != "certificate.shared-key"][:5]
    result["shortages"] = evidence.vantage.shortages
    result["crashes"] = len(evidence.site.crashes) + sum(len(host.crashes) for host in evidence.hosts)
    server.terminate()
    server.join(5)
    return result


def _wait_for_port(address: str, port: int) -> None:
    for _ in range(200):
        with socket.socket() as sock:
            if sock.connect_ex((address, port)) == 0:
                return
        time.sleep(0.05)
    raise SystemExit("the fleet's servers did not start")


def main() -> None:
    """Enter a namespace of our own, then measure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hosts", type=int, default=1000)
    parser.add_argument("--silent", type=float, default=0.1, help="share of hosts that answer nothing")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if not options.inside:
        if os.geteuid() != 0:
            sys.exit("run this as root: it makes a network namespace of its own")
        again = ["unshare", "--net", sys.executable, __file__, "--inside", *sys.argv[1:]]
        sys.exit(subprocess.run(again, check=False).returncode)
    subprocess.run(["ip", "link", "set", "lo", "up"], check=True)
    json.dump(measure(options.hosts, options.silent, options.seed, options.workers), sys.stdout, indent=2)
    print()


if __name__ == "__main__":
    main()
