"""Who owns an address: every answer kept, paced, and bounded, on a made-up wire."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

import pytest
from scapy.layers.inet6 import ICMPv6ND_NA, ICMPv6ND_NS, ICMPv6NDOptDstLLAddr, IPv6
from scapy.layers.l2 import ARP, Ether

from probes import fake
from probes.link import OWNERS_LIMIT, owners
from shared.evidence import Failure, FailureKind, Owner, OwnersEvidence
from shared.questions import OwnersQuestion, Pace

HOST, HOST_6 = "192.0.2.11", "2001:db8::11"
ONE, TWO = "00:00:5e:00:53:11", "00:00:5e:00:53:12"


class Machines:
    """Machines on one wire: (hardware address, IP address, delay in seconds, how many questions each lets pass first)."""

    def __init__(self, *machines: tuple[str, str, float, int]) -> None:
        self._machines = machines
        self.asked: list[bytes] = []

    def __call__(self, frame: bytes) -> Sequence[tuple[float, bytes]]:
        self.asked.append(frame)
        packet = Ether(frame)
        target = packet[ARP].pdst if ARP in packet else packet[ICMPv6ND_NS].tgt
        return [(delay, _answer(mac, address)) for mac, address, delay, missed in self._machines
                if address == target and len(self.asked) > missed]


def _answer(mac: str, address: str) -> bytes:
    if ":" in address:
        return bytes(Ether(src=mac) / IPv6(src=address, dst="2001:db8::200", hlim=255) / ICMPv6ND_NA(tgt=address, S=1)
                     / ICMPv6NDOptDstLLAddr(lladdr=mac))
    return bytes(Ether(src=mac) / ARP(op=2, hwsrc=mac, psrc=address, hwdst=fake._FakeWire.mac, pdst="0.0.0.0"))


def look(wire: object, address: str = HOST, **pace: float) -> tuple[OwnersEvidence, fake.FakeNetwork, float]:
    network = fake.FakeNetwork(wire=wire, sources={HOST_6: "2001:db8::200"}, pace=Pace(**pace))  # type: ignore[arg-type]

    async def timed() -> tuple[OwnersEvidence, float]:
        return await owners(network, OwnersQuestion(address)), network.monotonic()

    seen, seconds = fake.run(timed())
    return seen, network, seconds


@pytest.mark.parametrize("address", [HOST, HOST_6])
def test_one_owner(address: str) -> None:
    """Asked three times, it answers three times."""
    seen, _network, _seconds = look(Machines((ONE, address, 0.001, 0)), address)
    assert seen.failure is None
    assert (seen.interface, seen.asked, seen.owners) == ("wire0", 3, (Owner(mac=ONE, answers=3),))


@pytest.mark.parametrize("address", [HOST, HOST_6])
def test_both_of_two_owners_are_kept(address: str) -> None:
    """In the order in which they were first heard."""
    seen, _network, _seconds = look(Machines((TWO, address, 0.002, 0), (ONE, address, 0.001, 0)), address)
    assert seen.owners == (Owner(mac=ONE, answers=3), Owner(mac=TWO, answers=3))


def test_an_owner_that_missed_two_questions_is_found_by_the_third_and_one_that_is_slow_by_listening_on() -> None:
    """RFC 5227 section 1.1: three probes, and two seconds of listening after the last."""
    seen, _network, _seconds = look(Machines((ONE, HOST, 0.001, 2), (TWO, HOST, 1.9, 2)))
    assert [owner.mac for owner in seen.owners] == [ONE, TWO]


def test_questions_to_one_address_are_a_second_apart_and_all_is_over_after_four() -> None:
    """RFC 1122 section 2.3.2.1 and RFC 5227 section 1.1; the time-out neither shortens nor stretches it."""
    for timeout in (0.5, 60.0):
        seen, network, seconds = look(Machines(), timeout_seconds=timeout)
        assert [sent[0] for sent in network.sent] == ["frame"] * 3
        assert (seen.owners, seen.asked, seconds) == ((), 3, 4.0)


def test_only_what_is_said_of_this_address_counts() -> None:
    """Answers about another address on the same wire are another's."""
    def chatter(_frame: bytes) -> Sequence[tuple[float, bytes]]:
        return [(0.001, _answer(TWO, "192.0.2.12")), (0.001, b"\x00" * 60), (0.001, b"")]

    assert look(chatter)[0].owners == ()


def test_what_is_said_unasked_is_counted_apart() -> None:
    """A second owner may betray itself by its own requests only."""
    def one_that_asks(_frame: bytes) -> Sequence[tuple[float, bytes]]:
        return [(0.001, bytes(Ether(src=TWO) / ARP(op=1, hwsrc=TWO, psrc=HOST, pdst="192.0.2.1")))]

    assert look(one_that_asks)[0].owners == (Owner(mac=TWO, answers=0, unasked=3),)


def test_a_machine_with_a_thousand_hardware_addresses_is_bounded() -> None:
    """Hostile claims fill no memory."""
    def legion(_frame: bytes) -> Sequence[tuple[float, bytes]]:
        return [(0.001, _answer(f"00:00:5e:00:{number >> 8:02x}:{number & 255:02x}", HOST)) for number in range(1000)]

    assert len(look(legion)[0].owners) == OWNERS_LIMIT


@pytest.mark.parametrize("why", [
    fake.OFF_LINK,
    Failure(kind=FailureKind.NO_PRIVILEGE, phase="open", elapsed_seconds=0.0),
])
def test_where_nobody_can_be_asked_nothing_is_sent_and_the_reason_kept(why: Failure) -> None:
    """Off the wire, or without the privilege, at once."""
    seen, network, seconds = look(why)
    assert (seen.failure, seen.asked, seen.owners, network.sent, seconds) == (why, 0, (), [], 0.0)


def test_without_an_address_of_our_own_on_the_wire_no_neighbour_is_solicited() -> None:
    """The form without a source would take a fresh address from its owner (RFC 4862 section 5.4.3)."""
    network = fake.FakeNetwork(wire=Machines())
    seen = fake.run(owners(network, OwnersQuestion(HOST_6)))
    assert seen.failure is not None
    assert (seen.failure.kind, network.sent) == (FailureKind.NO_ROUTE, [])


def test_an_interrupt_lets_go_of_the_wire() -> None:
    """Cancelled while listening, nobody listens any more, and the cancellation passes through."""
    network = fake.FakeNetwork(wire=Machines((ONE, HOST, 0.001, 0)))

    async def interrupted() -> None:
        task = asyncio.create_task(owners(network, OwnersQuestion(HOST)))
        await asyncio.sleep(0.5)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    fake.run(interrupted())
    assert network._shared_wire is not None
    assert network._shared_wire._hearers == []
