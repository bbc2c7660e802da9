"""Asking every witness of one address: which, in which order, and how often."""

from __future__ import annotations

import asyncio

from labkit.modelled import ADDRESS, NAME, DelayedNetwork, WebServer
from probes import fake
from probes.httpdate import FEWEST_REQUESTS, HUNT_SECONDS
from probes.witness import ask_clock
from shared.evidence import ClockWitness, FailureKind
from shared.questions import WitnessQuestion


def asked(network: fake.FakeNetwork, address: str = ADDRESS, *ports: tuple[int, str]) -> tuple[ClockWitness, ...]:
    return fake.run(ask_clock(network, WitnessQuestion(address, ports, NAME)))


def test_each_witness_tells_in_the_order_of_the_question() -> None:
    """Time stamps first, then the ports as they stand, whichever is done first."""
    network = DelayedNetwork({80: WebServer(), 8080: WebServer(1.0)})
    told = asked(network, ADDRESS, (8080, "http"), (80, "http"))
    assert [(one.method, one.port) for one in told] == [
        ("icmp-timestamp", ""), ("http-date", "8080/tcp"), ("http-date", "80/tcp")]


def test_without_time_stamps_the_date_is_hunted() -> None:
    """More than the few requests that tell the day."""
    server = WebServer()
    stamps, dates = asked(DelayedNetwork({80: server}), ADDRESS, (80, "http"))
    assert stamps.failure is not None
    assert stamps.failure.kind is FailureKind.NO_ANSWER
    assert dates.asked > FEWEST_REQUESTS


def test_an_ipv6_address_has_no_time_stamps_to_ask_for() -> None:
    """ICMPv6 has none (RFC 4443); nothing is sent in their place."""
    network = DelayedNetwork({80: WebServer()})
    assert [one.method for one in asked(network, "2001:db8::11", (80, "http"))] == ["http-date"]
    assert not [sent for sent in network.sent if sent[0].startswith("icmp")]


def test_several_ports_are_hunted_side_by_side() -> None:
    """Two ports take no longer than one."""
    network = DelayedNetwork({80: WebServer(), 443: WebServer()})

    async def timed() -> float:
        await ask_clock(network, WitnessQuestion("2001:db8::11", ((80, "http"), (443, "http")), NAME))
        return network.monotonic()

    assert fake.run(timed()) <= HUNT_SECONDS + 0.1


def test_a_cancelled_hunt_leaves_no_connection_open() -> None:
    """Wherever it was."""
    network = DelayedNetwork({80: WebServer()})

    async def interrupted() -> None:
        task = asyncio.create_task(ask_clock(network, WitnessQuestion("2001:db8::11", ((80, "http"),), NAME)))
        await asyncio.sleep(1.2)
        assert network.open_streams == 1
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    fake.run(interrupted())
    assert network.open_streams == 0
