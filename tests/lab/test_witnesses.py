"""The witnesses of a clock against real servers: nginx moved by libfaketime, and a Linux kernel's own ICMP time stamps."""

from __future__ import annotations

import datetime
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import msgspec
import pytest

from labkit.clocks import moved_host, moved_nginx
from labkit.wires import Node, Plug, Wiring
from probes.httpdate import hunt
from probes.sockets import SocketNetwork
from shared.evidence import ClockWitness, FailureKind
from shared.questions import Pace, WitnessQuestion
from verify.grading.clock.witnesses import Account, by_witness, weigh
from verify.laboratory import authority

pytestmark = pytest.mark.lab

ROOT = Path(__file__).resolve().parents[2]
NAME = "dome-a.obs.example.net"
YEAR = 31_557_600.0
#: The kernel's own clock, one that stays silent, and hosts of ours that are off, one of them with swapped octets.
KERNEL, DEAF = "192.0.2.11", "192.0.2.12"
MOVED = {"192.0.2.21": 0.25, "192.0.2.22": -7200.4, "192.0.2.23": 12 * YEAR, "192.0.2.24": -3 * 86_400 - 0.007}

HOST_RULES = """
table ip filter {
  chain input { type filter hook input priority 0;
    icmp type timestamp-request ip daddr != 192.0.2.11 drop
  }
}
"""
PROBE = """
import asyncio, os, sys
import msgspec
import scapy.layers.inet  # before nobody may not read it any more
from probes.sockets import SocketNetwork
from probes.witness import ask_clock
from shared.questions import Pace, WitnessQuestion

async def main(asked):
    async with SocketNetwork(Pace(timeout_seconds=3.0)) as network:
        return await asyncio.gather(*[ask_clock(network, question) for question in asked["questions"]])

asked = msgspec.json.decode(sys.argv[1])
asked["questions"] = msgspec.convert(asked["questions"], list[WitnessQuestion])
if asked["nobody"]:
    os.setgroups([]), os.setgid(65534), os.setuid(65534)
sys.stdout.buffer.write(msgspec.json.encode(asyncio.run(main(asked))))
"""


class Shore:
    """A runner and a host with several clocks, in two namespaces."""

    def __init__(self, wiring: Wiring) -> None:
        self._wiring = wiring

    def ask(
        self, *addresses: str, ports: tuple[tuple[int, str], ...] = (), nobody: bool = False
    ) -> dict[str, tuple[ClockWitness, ...]]:
        """What the witnesses of some addresses say, asked by root or by nobody."""
        asked = {"questions": [WitnessQuestion(address, ports, NAME) for address in addresses], "nobody": nobody}
        command = self._wiring.inside("runner", sys.executable, "-c", PROBE, msgspec.json.encode(asked).decode())
        done = subprocess.run(command, capture_output=True, check=True, timeout=50, cwd=ROOT)
        told = msgspec.json.decode(done.stdout, type=list[tuple[ClockWitness, ...]])
        return dict(zip(addresses, told, strict=True))


@pytest.fixture(scope="module")
def shore(laboratory: None) -> Iterator[Shore]:
    addresses = tuple(f"{address}/24" for address in (KERNEL, DEAF, *MOVED))
    wiring = Wiring([Node("runner", (Plug("quay", ("192.0.2.1/24",)),)),
                     Node("host", (Plug("quay", addresses),), rules=HOST_RULES)])
    faces = [{"address": address, "offset": offset, "style": "icmp", "order": "<" if address.endswith("22") else "!"}
             for address, offset in MOVED.items()]
    faces += [{"address": address, "port": 80, "offset": offset, "style": "fresh"} for address, offset in MOVED.items()]
    with ExitStack() as stack:
        stack.callback(wiring.close)
        wiring.build()
        stack.enter_context(moved_host(faces, prefix=wiring.inside("host")))
        yield Shore(wiring)


def account(told: tuple[ClockWitness, ...]) -> Account:
    return weigh(map(by_witness, told))


def test_a_kernel_answers_with_its_own_clock_which_is_ours(shore: Shore) -> None:
    """One machine, one clock: the truth is zero, known to a few milliseconds, whatever the day."""
    [stamps] = shore.ask(KERNEL)[KERNEL]
    assert (stamps.method, stamps.asked, len(stamps.samples), stamps.failure) == ("icmp-timestamp", 4, 4, None)
    known = account((stamps,))
    assert known.days_unknown
    assert known.interval is not None
    assert 0.0 in known.interval
    assert known.interval.uncertainty < 0.04


def test_a_filter_that_drops_time_stamps_leaves_the_date_to_be_hunted(shore: Shore) -> None:
    """Nobody listens on the port either: both reasons are kept, and nothing is made up."""
    stamps, dates = shore.ask(DEAF, ports=((81, "http"),))[DEAF]
    assert stamps.failure is not None
    assert stamps.failure.kind is FailureKind.NO_ANSWER
    assert dates.failure is not None
    assert dates.failure.kind is FailureKind.REFUSED
    assert account((stamps, dates)).interval is None


def test_time_stamps_and_dates_together_read_moved_clocks_to_milliseconds(shore: Shore) -> None:
    """A quarter of a second, two hours, twelve years, three days and seven milliseconds: few requests, and the truth inside."""
    for address, told in shore.ask(*MOVED, ports=((80, "http"),)).items():
        known = account(told)
        assert known.interval is not None, (address, known.reason)
        assert MOVED[address] in known.interval, address
        assert not known.days_unknown
        assert known.interval.uncertainty < 0.04
        assert [(one.method, one.asked) for one in told] == [("icmp-timestamp", 4), ("http-date", 4)]
    assert "lowest octet" in dict(shore.ask("192.0.2.22")["192.0.2.22"][0].details)["octets"]


def test_without_root_the_date_alone_is_hunted_and_the_privilege_is_named(shore: Shore) -> None:
    """The truth is inside a second or so."""
    stamps, dates = shore.ask("192.0.2.21", ports=((80, "http"),), nobody=True)["192.0.2.21"]
    assert stamps.failure is not None
    assert stamps.failure.kind is FailureKind.NO_PRIVILEGE
    assert "CAP_NET_RAW" in stamps.failure.detail
    assert dates.asked > 4
    known = account((stamps, dates))
    assert known.interval is not None
    assert 0.25 in known.interval
    assert known.interval.uncertainty < 1.2


@pytest.mark.parametrize("offset", [0.037, -41.7, 7200.4, 9 * YEAR])
async def test_nginx_under_a_moved_clock_is_read_by_its_date(tmp_path: Path, laboratory: None, offset: float) -> None:
    """Plain and inside TLS, although every request is refused with 404."""
    valid = authority.Validity.around(datetime.datetime.now(datetime.UTC), days_before=1, days_after=30)
    leaf = authority.leaf(authority.root("Site Root", valid), (NAME,), valid)
    certificate, key = tmp_path / "chain.pem", tmp_path / "key.pem"
    certificate.write_bytes(leaf.chain_pem)
    key.write_bytes(leaf.key_pem)
    with moved_nginx(tmp_path, offset, certificate=certificate, key=key) as (plain, tls):
        async with SocketNetwork(Pace()) as network:
            for port, speaks in ((plain, "http"), (tls, "tls")):
                seen = await hunt(network, WitnessQuestion("127.0.0.1", (), NAME), port, speaks, requests=4)
                interval = by_witness(seen).interval
                assert interval is not None, seen
                assert offset in interval
                assert len(seen.samples) == 4
                assert "nginx" in dict(seen.details)["server"]
