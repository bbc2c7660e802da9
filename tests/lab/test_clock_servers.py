"""The clock probe and its verdicts against real time servers: chrony on loopback, some with a moved clock."""

from __future__ import annotations

import contextlib
import os
import re
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from probes import ntpwire
from probes.clock import ask_time
from probes.sockets import SocketNetwork
from shared import catalogue
from shared.evidence import ClockEvidence, Evidence, HostEvidence, SiteEvidence, Vantage
from shared.findings import Grade
from shared.plan import Endpoint, Plan, Role
from shared.questions import ClockQuestion, Pace
from verify.grading.case import Case
from verify.grading.clock import agree, grade_fleet, grade_host, grade_site

pytestmark = pytest.mark.lab

FAKETIME = next(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"), None)
STARTING_SECONDS = 10.0
#: Chrony's client asks at another moment and, on a machine as busy as this, is some hundredths of a second vague (common
#: practice, no source).
CLIENTS_AGREE_SECONDS = 0.1

StartChrony = Callable[..., int]


@pytest.fixture
def start_chrony(tmp_path: Path) -> Iterator[StartChrony]:
    """``start_chrony(*lines, moved="") -> port``: a chronyd on 127.0.0.1 that never touches the machine's clock.

    ``moved`` is how libfaketime moves its clock ("+7s").  Each is ended by its own process when the test is over.
    """
    with contextlib.ExitStack() as stack:
        def start(*lines: str, moved: str = "") -> int:
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
                free.bind(("127.0.0.1", 0))
                port: int = free.getsockname()[1]
            config = tmp_path / f"chrony-{port}.conf"
            config.write_text("\n".join([f"port {port}", "cmdport 0", "bindaddress 127.0.0.1", "allow 127.0.0.1",
                                         f"pidfile {tmp_path}/chrony-{port}.pid", *lines, ""]))
            environment = dict(os.environ)
            if moved:
                environment |= {"LD_PRELOAD": str(FAKETIME), "FAKETIME": moved}
            daemon = subprocess.Popen(["/usr/sbin/chronyd", "-x", "-d", "-u", "root", "-f", str(config)], env=environment,
                                      stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            stack.callback(daemon.wait)
            stack.callback(daemon.terminate)
            _wait_until_it_answers(port)
            return port

        yield start


def _wait_until_it_answers(port: int) -> None:
    deadline = time.monotonic() + STARTING_SECONDS
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.settimeout(0.05)
        sock.connect(("127.0.0.1", port))
        while time.monotonic() < deadline:
            with contextlib.suppress(TimeoutError, ConnectionRefusedError):
                sock.send(ntpwire.request(ntpwire.new_nonce()))
                if sock.recv(512):
                    return
    raise AssertionError("chronyd did not answer")


async def ask(port: int, label: str = "", address: str = "127.0.0.1") -> ClockEvidence:
    async with SocketNetwork(Pace(clock_spacing_seconds=0.01)) as network:
        return await ask_time(network, ClockQuestion(Endpoint("127.0.0.1", port, label or str(port)), 4), address)


def offset_by_chrony(port: int, scratch: Path) -> float:
    """What chrony's own client says: how far the machine's clock is from the server's, in seconds."""
    said = subprocess.run(
        ["/usr/sbin/chronyd", "-Q", "-u", "root", "-t", "8", "-f", "/dev/null", f"server 127.0.0.1 port {port} iburst",
         f"pidfile {scratch}/client.pid"], capture_output=True, text=True, timeout=20, check=True)
    found = re.search(r"System clock wrong by (-?[\d.]+) seconds", said.stdout + said.stderr)
    assert found is not None
    return float(found.group(1))


async def test_a_healthy_server_has_no_offset_from_its_own_machine(start_chrony: StartChrony) -> None:
    """With local stratum 8: leap 0, its own local clock as reference, and the truth within half the delay."""
    seen = await ask(start_chrony("local stratum 8"))
    assert len(seen.samples) == 4
    for sample in seen.samples:
        assert (sample.leap, sample.version, sample.stratum, sample.reference_id) == (0, 4, 8, "127.127.1.1")
        assert sample.stamped_by == "kernel"
        assert abs(sample.offset_seconds) <= sample.delay_seconds / 2 + sample.precision_seconds
        assert sample.delay_seconds < 0.05


async def test_one_server_bears_one_reference_stamp_whoever_asks(start_chrony: StartChrony) -> None:
    """So it is known again under another address; another server bears another."""
    one, other = start_chrony("local stratum 8"), start_chrony("local stratum 8")
    stamps = [{sample.reference_stamp for sample in (await ask(port)).samples} for port in (one, one, other)]
    assert stamps[0] == stamps[1] != stamps[2]
    assert len(stamps[0]) == 1
    assert "" not in stamps[0] | stamps[2]


async def test_an_unsynchronised_server_says_leap_3_and_stratum_0(start_chrony: StartChrony) -> None:
    """Not stratum 16, which never travels; chrony claims one second of root delay and dispersion."""
    sample = (await ask(start_chrony())).samples[-1]
    assert (sample.leap, sample.stratum, sample.reference_id) == (3, 0, "")
    assert (sample.root_delay_seconds, sample.root_dispersion_seconds) == (1.0, 1.0)


async def test_chronys_own_client_reads_the_same_offset(start_chrony: StartChrony, tmp_path: Path) -> None:
    """A server seven seconds ahead, asked by us and by chrony."""
    port = start_chrony("local stratum 8", moved="+7s")
    ours = min((await ask(port)).samples, key=lambda sample: sample.delay_seconds).offset_seconds
    assert ours == pytest.approx(7.0, abs=CLIENTS_AGREE_SECONDS)
    assert ours == pytest.approx(offset_by_chrony(port, tmp_path), abs=CLIENTS_AGREE_SECONDS)


@pytest.mark.parametrize("days", [-20_000, 4_000, 20_000])
async def test_a_real_server_in_another_decade_or_era_gives_its_true_offset(start_chrony: StartChrony, days: int) -> None:
    """From the nineteen-seventies, across the end of era 0 in 2036, and from the twenty-eighties."""
    sample = (await ask(start_chrony("local stratum 8", moved=f"{days:+d}d"))).samples[-1]
    assert sample.offset_seconds == pytest.approx(days * 86_400, abs=0.01)


async def test_a_site_of_real_servers_gets_the_right_verdicts_and_no_false_alarm(
        start_chrony: StartChrony, make_plan: Callable[..., Plan]) -> None:
    """Sources: three sound, one seven seconds ahead.  Hosts: one sound, one an hour behind, one unsynchronised."""
    good, ahead, hour_behind, lost = (start_chrony("local stratum 8"), start_chrony("local stratum 8", moved="+7s"),
                                      start_chrony("local stratum 9", moved="-3600s"), start_chrony())
    plan = make_plan()
    more = msgspec.structs.replace(plan.hosts[0], name="dome-c", fqdn="dome-c.obs.example.net", addresses=("192.0.2.13",))
    plan = msgspec.structs.replace(plan, hosts=(*plan.hosts, more), roles=(Role(name="node", ntp_port=123),))

    async def stand_in(port: int, address: str) -> ClockEvidence:
        """What the server on ``port`` said, as if it had been asked at a planned address."""
        return msgspec.structs.replace(await ask(port, label=address), address=address, port=123)

    evidence = Evidence(
        vantage=Vantage(name="lab-runner"), started="", finished="", complete=True,
        site=SiteEvidence(clocks=tuple([await stand_in(port, source.host) for port, source in zip(
            (good, start_chrony("local stratum 8"), start_chrony("local stratum 8"), ahead), plan.time_sources, strict=True)])),
        hosts=tuple([HostEvidence(fqdn=host.fqdn, clocks=(await stand_in(port, host.addresses[0]),)) for port, host in zip(
            (good, hour_behind, lost), plan.hosts, strict=True)]))
    case = Case(plan=plan, limits=catalogue.limits_of("production"), evidence=evidence)
    agreement = agree(case)
    case = replace(case, agreed=agreement.agreed)
    findings = [*grade_site(case, agreement), *grade_fleet(case, agreement)]
    for host, seen in zip(plan.hosts, evidence.hosts, strict=True):
        findings += grade_host(case, agreement, host, seen)
    alarms = {(finding.ref, finding.symptom) for finding in findings if finding.grade is not Grade.PASS}
    assert alarms == {
        ("site|clock.sources-agree|192.0.2.64", "falseticker"), ("site|clock.skew|hosts", "outlier"),
        ("dome-b.obs.example.net|clock.offset|192.0.2.12", "offset"),
        ("dome-c.obs.example.net|clock.synchronised|192.0.2.13", "unsynchronised")}
    wrong = next(finding for finding in findings if finding.ref.endswith("clock.offset|192.0.2.12"))
    assert wrong.measured is not None
    assert abs(wrong.measured.value + 3600.0) <= wrong.measured.uncertainty
    assert "local time" in wrong.message
    assert len(findings) == 4 + 2 + 1 + 1 + 3 * 2
