"""ICMP time stamps: the packet, the order of octets, and what a series of them says of a clock."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes import fake, icmptime
from probes.fake import EPOCH_NS, FakeNetwork
from probes.icmptime import COARSEST_MS, NON_STANDARD, ask, is_reply, read_reply, request
from probes.icmpwire import internet_checksum
from shared.evidence import ClockWitness, Failure, FailureKind
from verify.grading.clock.witnesses import by_witness

ADDRESS = "192.0.2.11"
DAY = 86_400.0
Write = Callable[[int], int]


def reply_to(packet: bytes, receive: int, transmit: int) -> bytes:
    """A time stamp reply as RFC 792 draws it on page 16, packed by hand."""
    body = packet[4:12] + struct.pack("!II", receive, transmit)
    return struct.pack("!BBH", 14, 0, internet_checksum(b"\x0e\0\0\0" + body)) + body


def swapped(value: int) -> int:
    return int.from_bytes(value.to_bytes(4, "little"))


class Host:
    """A host ``offset`` seconds ahead whose stamps tick every ``tick_ms``, written by ``write``."""

    def __init__(self, offset: float = 0.0, *, tick_ms: float = 1.0, write: Write = lambda value: value,
                 delay: Callable[[], float] = lambda: 0.0004, dies_after: int = 99, rounds: bool = False) -> None:
        self.offset, self.tick_ms, self.write, self.delay = offset, tick_ms, write, delay
        self.left, self.rounds = dies_after, rounds
        self.network = FakeNetwork(datagrams={("icmp-timestamp", ADDRESS, 0): self.answer})
        self.moved = 0.0

    def answer(self, packet: bytes) -> Sequence[tuple[float, bytes]]:
        if not self.left:
            return []
        self.left -= 1
        out, back = self.delay(), self.delay()
        clock_ms = (EPOCH_NS / 1e6 + (self.network.monotonic() + out + self.offset) * 1e3) % (DAY * 1e3)
        ticked = clock_ms // self.tick_ms * self.tick_ms
        value = (round(ticked) if self.rounds else int(ticked)) % 86_400_000
        return [(out + back, reply_to(packet, self.write(value), self.write(value)))]

    def asked(self) -> ClockWitness:
        return fake.run(ask(self.network, ADDRESS))


def folded(offset: float, seen: ClockWitness) -> float:
    """The offset as a witness that knows no day tells it."""
    interval = by_witness(seen).interval
    assert interval is not None
    return offset - DAY * round((offset - interval.value) / DAY)


def test_a_request_is_what_a_kernel_answers() -> None:
    """Type 13, code 0, identifier 0x1234, sequence 1, originate 24839642: the exchange of a Linux host, octet by octet."""
    packet = request(0x1234, 1, 24_839_642)
    assert packet[:2] + packet[4:] == bytes.fromhex("0d00 12340001 017b05da 00000000 00000000".replace(" ", ""))
    assert internet_checksum(packet) == 0


def test_a_reply_is_dissected() -> None:
    """Originate comes back; receive and transmit are the host's."""
    packet = reply_to(request(7, 3, 1000), 2000, 2001)
    assert is_reply(packet)
    read = read_reply(packet)
    assert (read.identifier, read.sequence, read.originate, read.receive, read.transmit) == (7, 3, 1000, 2000, 2001)


@pytest.mark.parametrize("damage", [
    lambda packet: packet[:19], lambda packet: b"", lambda packet: b"\x00" + packet[1:], lambda packet: b"\x0d" + packet[1:],
    lambda packet: packet[:1] + b"\x01" + packet[2:], lambda packet: packet[:12] + b"\xff" + packet[13:]])
def test_anything_else_is_no_reply(damage: Callable[[bytes], bytes]) -> None:
    """Cut short, another type, another code, a wrong checksum."""
    packet = reply_to(request(7, 3, 1000), 2000, 2001)
    assert is_reply(packet)
    assert not is_reply(damage(packet))


@given(st.binary(max_size=40) | st.binary(min_size=16, max_size=24).map(
    lambda some: struct.pack("!BBH", 14, 0, internet_checksum(b"\x0e\0\0\0" + some)) + some))
def test_reading_is_total(packet: bytes) -> None:
    """Whatever arrives on the raw socket is a reply or none; what passes for one is dissected."""
    if is_reply(packet):
        assert 0 <= read_reply(packet).receive < 2**32


@pytest.mark.parametrize("offset", [0.0, 0.05, -0.05, 41.7, -7200.25, 43_199.0, -43_000.0, 3 * DAY + 2, -400 * DAY - 0.5])
def test_the_time_of_day_is_read_to_a_few_milliseconds(offset: float) -> None:
    """Whole days are lost, which the evidence says; across midnight too."""
    seen = Host(offset).asked()
    assert (seen.method, seen.modulo_seconds, seen.asked, seen.failure) == ("icmp-timestamp", DAY, 4, None)
    interval = by_witness(seen).interval
    assert interval is not None
    assert folded(offset, seen) in interval
    assert 2 * interval.uncertainty < 0.008


@pytest.mark.parametrize("tick_ms", [1000 / 15, 1000 / 18.2, 50.0, 1000 / 64, 10.0, 4.0])
def test_a_coarse_clock_is_not_taken_for_a_fine_one(tick_ms: float) -> None:
    """15 times a second is the least of RFC 1122 section 3.2.2.8; the others are ticks of old and new kernels."""
    for phase in range(40):
        seen = Host(phase * 0.00173, tick_ms=tick_ms).asked()
        [resolution] = {sample.resolution_seconds for sample in seen.samples}
        assert resolution >= (tick_ms + 1.9) / 1e3
        interval = by_witness(seen).interval
        assert interval is not None
        assert phase * 0.00173 in interval


def test_values_that_never_change_leave_the_coarsest_tick() -> None:
    """Nothing was seen that would allow to claim more."""
    seen = Host(0.0, tick_ms=1000 / 15, delay=lambda: 0.0001).asked()
    same = [sample for sample in seen.samples if sample.reading_seconds == seen.samples[0].reading_seconds]
    assert len(same) >= 2
    assert max(sample.resolution_seconds for sample in seen.samples) == pytest.approx((2 + COARSEST_MS) / 1e3, abs=1e-6)


def test_a_busy_runner_still_finds_a_fine_clock_to_be_fine() -> None:
    """Where the second of a pair comes late, the differences of all values bound the tick."""
    chance = random.Random(15)
    widths = []
    for _ in range(50):
        seen = Host(0.0, delay=lambda: chance.uniform(0.01, 0.03)).asked()
        widths.append(max(sample.resolution_seconds for sample in seen.samples))
    assert sorted(widths)[25] < 0.03


def test_swapped_octets_are_recognised_and_said() -> None:
    """A host that writes the lowest octet first: read the wrong way round its values would lie all over the day."""
    seen = Host(-7200.25, write=swapped).asked()
    interval = by_witness(seen).interval
    assert interval is not None
    assert -7200.25 in interval
    assert "lowest octet first" in dict(seen.details)["octets"]


@pytest.mark.parametrize(("write", "said"), [
    (lambda value: value | NON_STANDARD, "non-standard"),
    (lambda value: 86_400_000 + value % 1000, "no time of day"),
    (lambda value: random.Random(value).randrange(86_400_000), "contradict each other"),
])
def test_values_that_tell_no_time_are_said_to(write: Write, said: str) -> None:
    """The high bit of RFC 792, values beyond a day, values at random: no sample, and why."""
    seen = Host(write=write).asked()
    assert seen.samples == ()
    assert seen.failure is not None
    assert seen.failure.kind is FailureKind.MALFORMED
    assert said in seen.discarded[0]
    assert by_witness(seen).interval is None


@pytest.mark.parametrize("answers", [1, 2])
def test_too_few_answers_prove_nothing(answers: int) -> None:
    """One 32-bit value in fifty is a time of day by chance, in either order of octets."""
    seen = Host(dies_after=answers).asked()
    assert seen.samples == ()
    assert seen.asked == answers + 1
    assert seen.failure is not None
    assert seen.failure.kind is FailureKind.NO_ANSWER


def test_a_host_that_does_not_answer_is_asked_once() -> None:
    """A host may leave time stamps unanswered (RFC 1122 section 3.2.2.8)."""
    seen = Host(dies_after=0).asked()
    assert (seen.asked, seen.samples) == (1, ())
    assert seen.failure is not None
    assert seen.failure.kind is FailureKind.NO_ANSWER


def test_without_the_privilege_the_evidence_says_which() -> None:
    """A raw socket is needed; a datagram ICMP socket carries echoes only."""
    refused = Failure(kind=FailureKind.NO_PRIVILEGE, phase="open", elapsed_seconds=0.0, errno=1, detail="Operation not permitted")
    network = FakeNetwork(datagrams={("icmp-timestamp", ADDRESS, 0): refused})
    seen = fake.run(ask(network, ADDRESS))
    assert seen.failure is not None
    assert seen.failure.kind is FailureKind.NO_PRIVILEGE
    assert "CAP_NET_RAW" in seen.failure.detail


def test_a_runner_whose_clock_is_set_voids_what_came_before() -> None:
    """The samples left are too few, or none; the step is told."""

    class Stepped(FakeNetwork):
        def wall_ns(self) -> int:
            return super().wall_ns() + (5_000_000_000 if self.monotonic() > 0.1 else 0)

    host = Host()
    host.network = Stepped(datagrams={("icmp-timestamp", ADDRESS, 0): host.answer})
    seen = host.asked()
    assert seen.runner_steps_seconds == (5.0,)
    assert by_witness(seen).interval is None
    assert "being set" in by_witness(seen).why


def test_the_truth_is_inside_for_six_hundred_models() -> None:
    """Any offset, any tick that RFC 1122 allows, cut or rounded, either order of octets, delays long and lopsided."""
    chance = random.Random(792)
    told = 0
    for _ in range(600):
        offset = chance.choice((-1, 1)) * 10 ** chance.uniform(-3, 9)
        longest = 10 ** chance.uniform(-4, -1)
        tick_ms = chance.choice((1.0, 1.0, 1.0, 4.0, 10.0, 15.625, 1000 / 15))
        host = Host(offset, tick_ms=tick_ms, rounds=chance.random() < 0.3,
                    write=chance.choice((lambda value: value, lambda value: value, swapped)),
                    delay=lambda longest=longest: chance.uniform(1e-5, longest))  # type: ignore[misc]
        seen = host.asked()
        interval = by_witness(seen).interval
        if interval is None:
            continue
        told += 1
        assert interval.lo <= folded(offset, seen) <= interval.hi, (offset, tick_ms, seen)
    assert told > 590


def test_the_requests_come_in_pairs_and_gently() -> None:
    """Two within milliseconds, then a fifth of a second of rest: the second of a pair shows how fine the stamps are."""
    assert len(icmptime.PAIR_GAPS_SECONDS) * 2 == Host().asked().asked
    assert max(icmptime.PAIR_GAPS_SECONDS) < 0.01
    assert icmptime.PAIR_SPACING_SECONDS >= 0.2
