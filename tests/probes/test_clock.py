"""The clock probe in made-up networks with virtual time, and once on real loopback sockets."""

from __future__ import annotations

import asyncio
import struct
import time
from collections.abc import Callable, Sequence
from typing import cast

import msgspec
import pytest

from probes.clock import ask_time
from probes.fake import EPOCH_NS, FakeNetwork, run
from probes.sockets import SocketNetwork
from shared.evidence import ClockEvidence, Failure, FailureKind
from shared.plan import Endpoint
from shared.questions import ClockQuestion, Pace

ADDRESS = "192.0.2.61"
QUESTION = ClockQuestion(Endpoint("time1.obs.example.net", 123, "time1.obs.example.net"), 4)
UNIX_IN_NTP = 2_208_988_800

Peer = Callable[[bytes], Sequence[tuple[float, bytes]]]


def stamp(unix_ns: int) -> bytes:
    seconds, rest = divmod(unix_ns, 1_000_000_000)
    return struct.pack("!II", (seconds + UNIX_IN_NTP) % 2**32, (rest << 32) // 1_000_000_000)


def answer(request: bytes, unix_ns: int, *, first: int = 0x24, stratum: int = 2, reference: bytes = b"\xc0\x00\x02\x05",
           originate: bytes | None = None, transmit: bytes | None = None) -> bytes:
    """A server's answer, packed without the codec under test."""
    now = stamp(unix_ns)
    head = struct.pack("!BBBbII4s", first, stratum, 6, -20, 0x0100, 0x0200, reference)
    return head + now + (request[40:48] if originate is None else originate) + now + (now if transmit is None else transmit)


class Server:
    """Answers after ``delays[n]`` (None: silence) with a clock that is ``ahead`` seconds ahead of the runner's."""

    def __init__(self, *delays: float | None, ahead: float = 7.0, **fields: object) -> None:
        self.delays, self.ahead, self.fields, self.asked = list(delays), ahead, fields, 0
        self.clock_ns = EPOCH_NS

    def __call__(self, request: bytes) -> list[tuple[float, bytes]]:
        delay = self.delays[self.asked]
        self.asked += 1
        # The runner's virtual clock is not the server's to read: exchanges follow each other after 0.5 s.
        now = asyncio.get_running_loop().time()
        unix_ns = EPOCH_NS + round((now + (delay or 0) / 2 + self.ahead) * 1e9)
        return [] if delay is None else [(delay, answer(request, unix_ns, **self.fields))]  # type: ignore[arg-type]


def ask(peer: Peer | Failure | None, *, pace: Pace | None = None, step: float = 0.0, exchanges: int = 4,
        ) -> tuple[ClockEvidence, FakeNetwork, float]:
    """Ask one server; returns the evidence, the network and the virtual seconds it took."""
    async def scene() -> tuple[ClockEvidence, FakeNetwork, float]:
        table = {} if peer is None else {("ntp", ADDRESS, 123): peer}
        network = FakeNetwork(datagrams=table, pace=pace, clock_step_seconds=step)
        seen = await ask_time(network, msgspec.structs.replace(QUESTION, exchanges=exchanges), ADDRESS)
        return seen, network, network.monotonic()

    return run(scene())


def test_four_exchanges_half_a_second_apart_make_four_samples() -> None:
    """The plan's label and the resolved address are both kept; the offset is the server's lead."""
    seen, network, took = ask(Server(0.02, 0.02, 0.02, 0.02))
    assert (seen.server, seen.address, seen.port, seen.asked) == ("time1.obs.example.net", ADDRESS, 123, 4)
    assert [sample.offset_seconds for sample in seen.samples] == pytest.approx([7.0] * 4, abs=1e-8)
    assert [sample.delay_seconds for sample in seen.samples] == pytest.approx([0.02] * 4, abs=1e-8)
    assert {sample.stamped_by for sample in seen.samples} == {"kernel"}
    assert (seen.failure, seen.kiss_code, seen.discarded) == (None, "", ())
    assert took == pytest.approx(4 * 0.02 + 3 * 0.5)
    assert len(network.sent) == 4


def test_the_runners_time_never_leaves_the_runner() -> None:
    """Each request differs from the others in its nonce only, and carries no time stamp of ours."""
    _seen, network, _took = ask(Server(0.02, 0.02, 0.02, 0.02))
    packets = [octets for _service, _address, _port, octets in network.sent]
    assert {octets[:40] for octets in packets} == {bytes([0x23]) + bytes(39)}
    assert len({octets[40:] for octets in packets}) == 4


def test_the_headers_fields_are_kept_beside_each_sample() -> None:
    """Root delay and dispersion in the short format, the reference as an address, the age of the last setting."""
    sample = ask(Server(0.02, 0.02, 0.02, 0.02))[0].samples[0]
    assert (sample.leap, sample.version, sample.stratum, sample.reference_id) == (0, 4, 2, "192.0.2.5")
    assert (sample.root_delay_seconds, sample.root_dispersion_seconds) == (0x100 / 65536, 0x200 / 65536)
    assert (sample.precision_seconds, sample.reference_age_seconds) == (2**-20, 0.0)
    assert sample.at == "2026-11-02T09:00:00.000000Z"


def test_an_unsynchronised_server_still_gives_samples() -> None:
    """Whether its time is to be believed is for the grader."""
    seen, _network, _took = ask(Server(*[0.02] * 4, first=0xE4, stratum=0, reference=bytes(4)))
    assert [(sample.leap, sample.stratum) for sample in seen.samples] == [(3, 0)] * 4


@pytest.mark.parametrize("code", [b"DENY", b"RSTR", b"RATE"])
def test_a_server_that_asks_to_be_left_alone_is(code: bytes) -> None:
    """RFC 5905 section 7.4: no further question, no time taken from the packet, earlier samples kept."""
    good, kiss = Server(0.02, ahead=0.0), Server(0.02, ahead=0.0, first=0xE4, stratum=0, reference=code)

    def peer(request: bytes) -> list[tuple[float, bytes]]:
        return good(request) if good.asked == 0 else kiss(request)

    seen, network, _took = ask(peer)
    assert (seen.kiss_code, len(seen.samples), seen.asked, len(network.sent)) == (code.decode(), 1, 2, 2)


def test_a_rate_kiss_whose_stamps_compute_to_no_offset_is_never_a_sample() -> None:
    """Servers echo the client's time in it: the arithmetic gives a perfect clock (seen with ntpsec)."""
    seen, _network, _took = ask(Server(0.02, ahead=0.0, first=0xE4, stratum=0, reference=b"RATE"))
    assert (seen.samples, seen.kiss_code) == ((), "RATE")


@pytest.mark.parametrize("code", [b"INIT", b"STEP", b"XYZ\0"])
def test_a_kiss_that_does_not_ask_to_stop_is_noted_and_asked_past(code: bytes) -> None:
    """RFC 5905 section 7.4: the other codes only inform, and X codes are experiments."""
    seen, _network, _took = ask(Server(*[0.02] * 4, first=0xE4, stratum=0, reference=code))
    assert (seen.samples, seen.kiss_code, seen.asked) == ((), code.rstrip(b"\0").decode(), 4)


def test_four_silences_in_a_row_end_the_burst() -> None:
    """A second and a half each, one right after the other: a dead server costs the six that a silent host takes anyway."""
    seen, network, took = ask(None)
    assert seen.failure is not None
    assert (seen.failure.kind, seen.asked, len(network.sent), seen.samples) == (FailureKind.NO_ANSWER, 4, 4, ())
    assert took == pytest.approx(6.0)


@pytest.mark.parametrize(("timeout", "took"), [(3.0, 3.0), (1.5, 1.25), (0.6, 0.15), (60.0, 6.0)])
def test_patience_is_a_quarter_of_the_time_out_and_never_more_than_a_second_and_a_half(timeout: float, took: float) -> None:
    """The whole question with its retries fits the time-out, at 1.5 s with two tries and at 0.6 s with one only."""
    assert ask(None, pace=Pace(timeout_seconds=timeout))[2] == pytest.approx(took)


@pytest.mark.parametrize(("delays", "samples"), [
    ((0.02, None, 0.02, 0.02), 3), ((None, None, 0.02, 0.02), 2), ((0.02, None, None, 0.02), 2), ((0.02, None, 0.02, None), 2),
    ((None, None, None, 0.02), 1)])
def test_lost_exchanges_do_not_end_the_burst(delays: tuple[float | None, ...], samples: int) -> None:
    """Silence beside answers is kept as the failure beside the samples; three packets lost in a row take no service away."""
    seen, _network, _took = ask(Server(*delays))
    assert (len(seen.samples), seen.asked) == (samples, 4)
    assert seen.failure is not None
    assert seen.failure.kind is FailureKind.NO_ANSWER


def test_slow_answers_stop_when_the_time_is_spent() -> None:
    """1.4 s an answer, and half a second between: after three exchanges 5.2 s are spent, and the fourth has 0.3 s left."""
    seen, _network, took = ask(Server(1.4, 1.4, 1.4, 1.4))
    assert (seen.asked, len(seen.samples)) == (4, 3)
    assert took <= 6.0 + 1e-9


def test_refusal_is_kept_with_its_sender() -> None:
    """An ICMP port unreachable from the host itself: nothing serves time there."""
    refusal = Failure(kind=FailureKind.REFUSED, phase="answer", elapsed_seconds=0.001, sender=ADDRESS)
    seen, _network, _took = ask(refusal)
    assert (seen.failure, seen.asked) == (refusal, 4)


@pytest.mark.parametrize("originate", [bytes(8), b"\xff" * 8])
def test_an_answer_with_another_originate_stamp_belongs_to_no_question(originate: bytes) -> None:
    """RFC 5905 section 8: bogus packets are dropped, and a server that sends nothing else is said to be mismatched."""
    seen, _network, _took = ask(Server(0.02, 0.02, 0.02, 0.02, originate=originate))
    assert seen.failure is not None
    assert (seen.failure.kind, seen.failure.strays, seen.samples) == (FailureKind.MISMATCHED, 1, ())


def test_a_late_copy_of_an_earlier_answer_is_not_taken_for_the_next() -> None:
    """RFC 5905 section 8: duplicates; the second answer replays the first one's originate stamp first."""
    first: list[bytes] = []
    good = Server(0.02, 0.02, 0.02, 0.02)

    def peer(request: bytes) -> list[tuple[float, bytes]]:
        said = good(request)
        first.append(said[0][1])
        return [(0.001, first[0]), *said] if len(first) > 1 else said

    seen, _network, _took = ask(peer)
    assert [sample.offset_seconds for sample in seen.samples] == pytest.approx([7.0] * 4, abs=1e-8)


@pytest.mark.parametrize(("fields", "words"), [
    ({"first": 0x25}, "mode 5"), ({"first": 0x23}, "mode 3"), ({"transmit": bytes(8)}, "zero")])
def test_an_answer_that_carries_no_time_is_discarded_and_said(fields: dict[str, object], words: str) -> None:
    """It belongs to our question, so it is the server's fault and not a stray; four in a row end the burst."""
    seen, _network, _took = ask(Server(*[0.02] * 5, **fields), exchanges=5)
    assert seen.failure is not None
    assert (seen.failure.kind, seen.asked, seen.samples) == (FailureKind.MALFORMED, 4, ())
    assert [words in why for why in seen.discarded] == [True] * 4


def test_a_truncated_answer_to_our_question_is_malformed() -> None:
    """Forty octets with our nonce in them."""
    seen, _network, _took = ask(lambda request: [(0.02, answer(request, EPOCH_NS)[:40])])
    assert seen.failure is not None
    assert seen.failure.kind is FailureKind.MALFORMED


@pytest.mark.parametrize(("step", "kept"), [(0.0009, 4), (0.001, 4), (0.0011, 0), (-0.0011, 0), (3600.0, 0)])
def test_exchanges_during_which_the_runners_clock_was_set_are_thrown_away(step: float, kept: int) -> None:
    """A step of more than a millisecond would be read as an offset of the server."""
    seen, _network, _took = ask(Server(0.02, 0.02, 0.02, 0.02), step=step)
    assert len(seen.samples) == kept
    assert len(seen.runner_steps_seconds) == len(seen.discarded) == 4 - kept
    assert (seen.asked, seen.failure) == (4, None)


class _Responder(asyncio.DatagramProtocol):
    """A time server on loopback that is seven seconds ahead."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast("asyncio.DatagramTransport", transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self.transport.sendto(answer(data, time.time_ns() + 7_000_000_000), addr)


@pytest.mark.parametrize("address", ["127.0.0.1", "::1"])
async def test_a_real_server_on_loopback_is_read_with_kernel_stamps(address: str) -> None:
    """The same probe on real sockets, both families."""
    transport, _responder = await asyncio.get_running_loop().create_datagram_endpoint(_Responder, local_addr=(address, 0))
    try:
        port = transport.get_extra_info("sockname")[1]
        async with SocketNetwork(Pace(clock_spacing_seconds=0.0)) as network:
            seen = await ask_time(network, ClockQuestion(Endpoint(address, port, "here"), 4), address)
    finally:
        transport.close()
    assert [sample.stamped_by for sample in seen.samples] == ["kernel"] * 4
    for sample in seen.samples:
        assert abs(sample.offset_seconds - 7.0) <= sample.delay_seconds / 2 + 1e-6


async def test_nothing_listening_on_loopback_is_refused_at_once() -> None:
    """A port that was free a moment ago answers with ICMP port unreachable."""
    transport, _responder = await asyncio.get_running_loop().create_datagram_endpoint(_Responder, local_addr=("127.0.0.1", 0))
    port = transport.get_extra_info("sockname")[1]
    transport.close()
    await asyncio.sleep(0)
    async with SocketNetwork(Pace(clock_spacing_seconds=0.0)) as network:
        seen = await ask_time(network, ClockQuestion(Endpoint("127.0.0.1", port, "here"), 4), "127.0.0.1")
    assert seen.failure is not None
    assert (seen.failure.kind, seen.failure.sender) == (FailureKind.REFUSED, "127.0.0.1")
