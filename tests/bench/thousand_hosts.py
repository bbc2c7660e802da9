"""What a thousand hosts cost: client CPU, wall and memory for the whole job, beside a floor that only moves the packets.

Run it as root: python tests/bench/thousand_hosts.py [--hosts 1000] [--silent 0.1].  It runs in a network namespace of its own,
where packets to the silent hosts are dropped; nothing leaves it.  Prints one JSON object.

The floor sends the same number of packets of the same kinds over the same kinds of socket and reads what comes back, with
nothing made, matched, parsed or kept.  It is measured twice: without any cryptography, and with the handshakes that must be
done for the packets to be what they are.
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

from cryptography.hazmat.primitives.asymmetric import ed25519, x25519

from tests.bench import fleet

_PEER_KEY, _HOST_KEY = x25519.X25519PrivateKey.generate(), ed25519.Ed25519PrivateKey.generate()
_SIGNATURE = _HOST_KEY.sign(b"floor")
PORTS = {"names": 5300, "time": 12300, "shell": 2200, "web": 4430, "console": 2300}


def plan_text(hosts: int, anchor: Path, misbuilt: range = range(0)) -> str:
    """The plan of the fleet.  The misbuilt hosts were given other names than the planned ones."""
    names = [f"{'m' if number in misbuilt else 'h'}{number}" for number in range(hosts)]
    rows = "".join(f'[[hosts]]\nname = "{name}"\naddress = "{fleet.address_of(number)}"\nnetwork = "fleet"\nrole = "node"\n'
                   for number, name in enumerate(names))
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


async def floor(hosts: list[str], counts: dict[str, int], *, handshakes: bool) -> None:
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

    from OpenSSL import SSL

    from probes import tlshello
    context = SSL.Context(SSL.TLS_CLIENT_METHOD)
    context.set_verify(SSL.VERIFY_NONE)

    async def shake_hands(address: str) -> None:
        async with slots:
            sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
            connection = SSL.Connection(context, None)
            connection.set_connect_state()
            try:
                await asyncio.wait_for(loop.sock_connect(sock, (address, PORTS["web"])), 5)
                while True:
                    try:
                        connection.do_handshake()
                        break
                    except SSL.WantReadError:
                        await loop.sock_sendall(sock, connection.bio_read(65536))
                        connection.bio_write(await asyncio.wait_for(loop.sock_recv(sock, 65536), 5))
                await loop.sock_sendall(sock, connection.bio_read(65536))
            except (OSError, SSL.Error):
                pass
            finally:
                sock.close()

    async def exchange_keys(address: str) -> None:
        await talk(address, PORTS["shell"], b"SSH-2.0-floor\r\n", 1)
        x25519.X25519PrivateKey.generate().exchange(_PEER_KEY.public_key())
        _HOST_KEY.public_key().verify(_SIGNATURE, b"floor")

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
            for _ in range(counts["hello"]):
                group.create_task(talk(address, PORTS["web"], hello, 1))
            for _ in range(counts["tls"]):
                group.create_task(shake_hands(address) if handshakes else talk(address, PORTS["web"], hello, 1))
            for _ in range(counts["ssh"]):
                group.create_task(
                    exchange_keys(address) if handshakes else talk(address, PORTS["shell"], b"SSH-2.0-floor\r\n", 1))


async def _wait(future: asyncio.Future[None]) -> None:
    await future


def measure(
    hosts: int, silent: float, seed: int, workers: int = 1, concurrency: int = 1000, rate: float = 1e6
) -> dict[str, Any]:
    """One run of the whole job and one of the floor, in this process, against servers in another."""
    from reports.html import html_pieces
    from reports.jsonfile import json_pieces
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
    result: dict[str, Any] = {"hosts": hosts, "silent": len(quiet), "workers": workers, "concurrency": concurrency}
    firsts: list[float] = []
    began = cpu_seconds()
    plan = read_plan(plan_file)
    prepared = trial.prepare(plan, trial.Trial(pace=Pace(packets_per_second=rate, hosts=concurrency)))
    result["plan_cpu_ms_a_host"] = 1e3 * (cpu_seconds() - began) / hosts
    timeout = prepared.questions.pace.timeout_seconds
    wall, began = time.monotonic(), cpu_seconds()
    evidence = trial.probe(prepared.questions, lambda _host: firsts.append(time.monotonic() - wall), processes=workers)
    result["probe_wall_seconds"] = time.monotonic() - wall
    result["first_host_done_seconds"] = firsts[0] if firsts else -1.0
    result["memory_after_probe_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    probe_cpu = cpu_seconds() - began
    result["probe_cpu_ms_a_host"] = 1e3 * probe_cpu / hosts
    began = cpu_seconds()
    report = assemble(plan, evidence, prepared.limits, prepared.request, today=trial.today(), checks=prepared.checks)
    result["grade_cpu_ms_a_host"] = 1e3 * (cpu_seconds() - began) / hosts
    began = cpu_seconds()
    result["json_bytes"] = sum(map(len, json_pieces(report)))
    result["html_bytes"] = sum(map(len, html_pieces(report)))
    result["report_cpu_ms_a_host"] = 1e3 * (cpu_seconds() - began) / hosts
    result["peak_memory_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    result["memory_before_mb"] = before_memory / 1024
    result["whole_cpu_ms_a_host"] = sum(result[f"{part}_cpu_ms_a_host"] for part in ("plan", "probe", "grade", "report"))
    counts = {"names": len(prepared.questions.hosts[0].names) + 2, "time": 4, "echo": 6, "tls": 3, "hello": 2, "ssh": 3}
    answering = [fleet.address_of(number) for number in range(hosts) if number not in set(quiet)]
    for name, handshakes in (("floor", False), ("floor_with_handshakes", True)):
        began = cpu_seconds()
        asyncio.run(floor(answering, counts, handshakes=handshakes))
        result[f"{name}_cpu_ms_a_host"] = 1e3 * (cpu_seconds() - began) / max(1, len(answering))
        result[f"probe_to_{name}"] = result["probe_cpu_ms_a_host"] / result[f"{name}_cpu_ms_a_host"]
        result[f"whole_to_{name}"] = result["whole_cpu_ms_a_host"] / result[f"{name}_cpu_ms_a_host"]
    # Every clock of the fleet is this machine's own, so whatever offset is measured is the error.
    errors = sorted(abs(sample.offset_seconds) for host in evidence.hosts for clock in host.clocks for sample in clock.samples)
    result["clock_exchanges"] = len(errors)
    if errors:
        result["clock_error_median_us"] = 1e6 * errors[len(errors) // 2]
        result["clock_error_p99_us"] = 1e6 * errors[len(errors) * 99 // 100]
        result["clock_error_worst_us"] = 1e6 * errors[-1]
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
    ended = cpu_seconds()
    server.terminate()
    server.join(5)
    result["servers_cpu_ms_a_host"] = 1e3 * (cpu_seconds() - ended) / hosts
    return result


def serve_until_told(hosts: int, folder: Path) -> None:
    """A fleet to run the command against: host 1 to 3 silent, 4 to 6 refusing every port, 7 to 9 named otherwise than planned.

    What a client sends is counted in the table "sent".  Serves until standard input ends.
    """
    anchor = folder / "anchor.pem"
    server = multiprocessing.get_context("fork").Process(target=serve, args=(hosts, anchor), daemon=True)
    server.start()
    _wait_for_port("127.0.0.1", PORTS["web"])
    silent, refusing = (", ".join(map(fleet.address_of, numbers)) for numbers in (range(1, 4), range(4, 7)))
    subprocess.run(["nft", "-f", "-"], check=True, text=True, input=f"""\
table ip bench {{
  chain in {{
    type filter hook input priority 0; policy accept
    ip daddr {{ {silent} }} drop
    ip daddr {{ {refusing} }} tcp flags & (syn | ack) == syn reject with tcp reset
  }}
}}
table ip sent {{
  counter asked {{ }}
  chain out {{
    type filter hook output priority 0; policy accept
    tcp flags & (syn | ack) == syn counter name asked
    udp dport {{ {PORTS["names"]}, {PORTS["time"]} }} counter name asked
    icmp type {{ echo-request, timestamp-request }} counter name asked
  }}
}}
""")
    (folder / "fleet.toml").write_text(plan_text(hosts, anchor, range(7, 10)), encoding="utf-8")
    print("ready", flush=True)
    sys.stdin.read()
    server.terminate()
    server.join(5)


def usual() -> dict[str, Any]:
    """The usual ways, on samples: they take too long for a fleet."""
    from tests.bench import usual_ways

    folder = Path(tempfile.mkdtemp(prefix="seatrial-bench-"))
    server = multiprocessing.get_context("fork").Process(target=serve, args=(1000, folder / "anchor.pem"), daemon=True)
    server.start()
    _wait_for_port("127.0.0.1", PORTS["web"])
    result = {
        "shell_1": usual_ways.shell_script(range(10), 1, PORTS), "shell_16": usual_ways.shell_script(range(10, 74), 16, PORTS),
        "asyncio": usual_ways.asyncio_script(range(1000), 1000, PORTS)}
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
    subprocess.run(["ip", "link", "set", "lo", "up"], check=True)
    if options.serve:
        serve_until_told(options.hosts, options.serve)
        return
    if options.usual:
        json.dump(usual(), sys.stdout, indent=2)
        return
    result = measure(options.hosts, options.silent, options.seed, options.workers, options.concurrency, options.rate)
    json.dump(result, sys.stdout, indent=2)
    print()


if __name__ == "__main__":
    main()
