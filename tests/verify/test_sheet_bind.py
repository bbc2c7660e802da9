"""Sheet, name server and verification together: what the sheet prints, a real BIND takes, and every name check passes."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from shared.zonelines import Zone, authority_of, master_file, zones_of
from verify.planfile import read_plan

pytestmark = pytest.mark.lab

ROOT = Path(__file__).parent.parent.parent
#: One named has both: it listens only on addresses that an interface has.
SERVERS = ("127.0.0.1", "[::1]")

#: Both families, a subnet inside an octet (RFC 2317), one that ends on a nibble (RFC 3596), and a host outside the domain.
PLAN = """\
[plan]
title = "Tidewater Observatory, rack 2"
domain = "obs.example.net"
[names]
servers = [{servers}]
[time]
sources = ["192.0.2.61", "192.0.2.62", "192.0.2.63", "192.0.2.64"]
[networks.mgmt]
subnet = "192.0.2.0/24"
gateway = "192.0.2.1"
[networks.mast]
subnet = "198.51.100.128 255.255.255.192"
[networks.quay]
subnet = "203.0.113.8/29"
[networks.six]
subnet = "2001:db8:0:70::/60"
[roles.node]
open = ["22/tcp"]
ssh = ["22/tcp"]
[[hosts]]
name = "dome-a"
address = ["192.0.2.11", "2001:db8:0:70::11"]
network = "mgmt"
role = "node"
[[hosts]]
name = "mast-a"
address = "198.51.100.129"
network = "mast"
role = "node"
[[hosts]]
name = "mast-b"
address = "198.51.100.130"
network = "mast"
role = "node"
[[hosts]]
name = "quay-a"
address = "203.0.113.9"
network = "quay"
role = "node"
[[hosts]]
name = "six-a.sites.example.net"
address = "2001:db8:0:71::21"
network = "six"
role = "node"
"""

CONFIGURATION = """
options {{ directory "{folder}"; listen-on port {port} {{ 127.0.0.1; }}; listen-on-v6 port {port} {{ ::1; }}; recursion no;
           pid-file none; session-keyfile none; allow-transfer {{ none; }}; notify no; }};
controls {{ }};
{zones}
"""

Seatrial = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def port() -> int:
    """A port that is free for UDP and TCP just now."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as udp, socket.socket() as tcp:
        udp.bind((SERVERS[0], 0))
        tcp.bind((SERVERS[0], udp.getsockname()[1]))
        return int(udp.getsockname()[1])


@pytest.fixture
def plan(tmp_path: Path, port: int) -> Path:
    path = tmp_path / "tidewater.toml"
    path.write_text(PLAN.format(servers=", ".join(f'"{server}:{port}"' for server in SERVERS)))
    return path


@pytest.fixture
def seatrial(tmp_path: Path) -> Seatrial:
    def run(*arguments: object) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "verify", *map(str, arguments)]
        return subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, timeout=50, check=False,
                              env={**os.environ, "PYTHONPATH": str(ROOT)})

    return run


@contextlib.contextmanager
def named(folder: Path, port: int) -> Iterator[None]:
    """A named in the foreground that serves every ``*.zone`` of a folder and takes updates; ended by its pid."""
    zones = "\n".join(f'zone "{file.stem}" {{ type primary; file "{file.name}"; allow-update {{ 127.0.0.1; }}; }};'
                      for file in sorted(folder.glob("*.zone")))
    assert zones, "no zone was written"
    (folder / "named.conf").write_text(CONFIGURATION.format(folder=folder, port=port, zones=zones))
    program = shutil.which("named") or "/usr/sbin/named"
    command = [program, "-g", "-c", str(folder / "named.conf"), "-n", "1"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as server:
        running, log = threading.Event(), list[str]()

        def drain() -> None:
            for line in server.stderr or ():
                log.append(line)
                if line.rstrip().endswith(" running"):
                    running.set()

        reader = threading.Thread(target=drain)
        reader.start()
        try:
            assert running.wait(20), "named did not start:\n" + "".join(log[-20:])
            assert not [line for line in log if "not loaded due to errors" in line], "".join(log)
            yield
        finally:
            server.terminate()
            reader.join()


@pytest.fixture
def empty_server(plan: Path, port: int, tmp_path: Path) -> Iterator[None]:
    """A server that holds the plan's zones, and in them nothing but what makes them zones."""
    folder = tmp_path / "served"
    folder.mkdir()
    read = read_plan(plan)
    for zone in zones_of(read):
        bare = Zone(origin=zone.origin, lines=(), subzones=zone.subzones)
        (folder / f"{zone.origin}.zone").write_text(master_file(bare, authority_of(read)))
    with named(folder, port):
        yield


def nsupdate(script: str) -> None:
    """Sends a printed update with BIND's own client, which refuses what it does not understand."""
    done = subprocess.run(["nsupdate"], input=script, text=True, capture_output=True, timeout=30, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def name_grades(seatrial: Seatrial, plan: Path) -> dict[str, str]:
    """The grade of every name finding of a real run."""
    done = seatrial("verify", plan, "--only", "name.*", "--json", "-", "--html", "run.html", "--profile", "lab")
    report = json.loads(done.stdout)
    findings = [*report["site"]["findings"], *(finding for host in report["hosts"] for finding in host["findings"])]
    assert len(report["hosts"]) == 5
    return {finding["ref"]: finding["grade"] for finding in findings if finding["check"].startswith("name.")}


def test_the_written_zones_load_and_every_name_check_passes(seatrial: Seatrial, plan: Path, port: int, tmp_path: Path) -> None:
    """Seven zones, the RFC 2317 ones with their parents: named-checkzone accepts each, named serves them, names verify."""
    done = seatrial("sheet", plan, "--zones", "zones")
    files = sorted((tmp_path / "zones").iterdir())
    assert (done.returncode, done.stderr) == (0, "")
    assert sorted(done.stdout.splitlines()) == [f"zones/{file.name}" for file in files]
    assert [file.stem for file in files] == [
        "0.7.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa", "100.51.198.in-addr.arpa", "113.0.203.in-addr.arpa",
        "128-26.100.51.198.in-addr.arpa", "2.0.192.in-addr.arpa", "7.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa",
        "8-29.113.0.203.in-addr.arpa", "obs.example.net", "sites.example.net"]
    for file in files:
        checked = subprocess.run(["named-checkzone", file.stem, file], capture_output=True, text=True, check=False)
        assert checked.returncode == 0, checked.stdout + checked.stderr
    with named(tmp_path / "zones", port):
        grades = name_grades(seatrial, plan)
        assert set(grades.values()) == {"pass"}, {ref: grade for ref, grade in grades.items() if grade != "pass"}
        assert len(grades) > 60
        assert seatrial("sheet", plan, "--check-names").returncode == 0


def test_the_printed_update_fills_an_empty_server(seatrial: Seatrial, plan: Path, empty_server: None) -> None:
    """RFC 2136: the whole script in one piece, after which every name check passes; twice does no harm."""
    before = name_grades(seatrial, plan)
    assert "fail" in before.values()
    script = seatrial("sheet", plan, "--update").stdout
    nsupdate(script)
    nsupdate(script)
    assert set(name_grades(seatrial, plan).values()) == {"pass"}


def test_the_difference_and_nothing_else_mends_a_server(seatrial: Seatrial, plan: Path, port: int, empty_server: None) -> None:
    """Add, then keep; with stale records planted, remove; and the difference as an update puts it right again."""
    first = seatrial("sheet", plan, "--check-names")
    assert first.returncode == 1
    assert first.stdout.splitlines()[-1].startswith("; 15 to add, 0 to remove, 0 to keep")
    nsupdate(seatrial("sheet", plan, "--check-names", "--update").stdout)
    settled = seatrial("sheet", plan, "--check-names")
    assert settled.returncode == 0
    assert {line.split()[0] for line in settled.stdout.splitlines() if line and not line.startswith(";")} == {"keep"}
    assert seatrial("sheet", plan, "--check-names", "--update").stdout == "; nothing to change\n"

    nsupdate(f"server {SERVERS[0]} {port}\nzone obs.example.net.\n"
             "update add dome-a.obs.example.net. 60 A 192.0.2.99\n"
             "update delete quay-a.obs.example.net. A\nupdate add quay-a.obs.example.net. 60 CNAME dome-a\nsend\n"
             "zone 2.0.192.in-addr.arpa.\nupdate delete 11.2.0.192.in-addr.arpa. PTR\n"
             "update add 11.2.0.192.in-addr.arpa. 60 PTR old.obs.example.net.\nsend\n"
             "zone 128-26.100.51.198.in-addr.arpa.\nupdate delete 129.128-26.100.51.198.in-addr.arpa. PTR\nsend\n")
    stale = seatrial("sheet", plan, "--check-names")
    assert stale.returncode == 1
    changes = {line for line in stale.stdout.splitlines() if line.startswith(("add", "remove"))}
    assert changes == {
        "remove  dome-a.obs.example.net. IN A 192.0.2.99",
        "remove  quay-a.obs.example.net. IN CNAME dome-a.",
        "add     quay-a.obs.example.net. IN A 203.0.113.9",
        "remove  11.2.0.192.in-addr.arpa. IN PTR old.obs.example.net.",
        "add     11.2.0.192.in-addr.arpa. IN PTR dome-a.obs.example.net.",
        "add     129.128-26.100.51.198.in-addr.arpa. IN PTR mast-a.obs.example.net.",
    }
    nsupdate(seatrial("sheet", plan, "--check-names", "--update").stdout)
    assert set(name_grades(seatrial, plan).values()) == {"pass"}


def test_a_silent_server_lacks_nothing(seatrial: Seatrial, plan: Path, port: int, empty_server: None) -> None:
    """Nobody listens at 127.0.99.9: of its records nothing is said, and the other server's are still told."""
    nsupdate(seatrial("sheet", plan, "--update").stdout)
    half = plan.with_name("half.toml")
    half.write_text(plan.read_text().replace(SERVERS[1], "127.0.99.9"))
    done = seatrial("sheet", half, "--check-names", "--timeout", "1")
    assert done.returncode == 3
    lines = done.stdout.splitlines()
    assert [line for line in lines if line.startswith("; not seen at")] == [
        (f"; not seen at 127.0.99.9:{port}: refused (port unreachable), said by 127.0.99.9 "
         "(12 records, of which nothing is said)")]
    assert not [line for line in lines if line.startswith(("add", "remove"))]
    assert len([line for line in lines if line.startswith("keep") and line.endswith(f"; at {SERVERS[0]}:{port}")]) == 12
