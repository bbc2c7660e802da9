"""The echo probe: one burst, overlapping, counted without its warm-up, and never a duration of zero for a lost one."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

import pytest

from probes import fake
from probes.echo import LOSSY_COUNT, echo
from probes.fake import FakeNetwork
from probes.icmpwire import ECHO_REPLY, internet_checksum, read_quoted_request
from probes.sockets import SocketNetwork
from shared.evidence import EchoEvidence, Failure, FailureKind
from shared.questions import EchoQuestion, Pace

HOST = "192.0.2.11"
Peer = Callable[[bytes], Sequence[tuple[float, bytes]]]


def reply_to(request: bytes, *, payload: bytes | None = None, sequence: int | None = None) -> bytes:
    """What an honest host sends back for a version 4 request, or one with another payload or sequence number."""
    asked = read_quoted_request(4, request)
    body = asked.identifier.to_bytes(2, "big") + (asked.sequence if sequence is None else sequence).to_bytes(2, "big")
    body += asked.payload if payload is None else payload
    bare = bytes([ECHO_REPLY[4], 0, 0, 0]) + body
    return bare[:2] + internet_checksum(bare).to_bytes(2, "big") + body


def answers(**delays: float) -> Peer:
    """A host that answers the echo with sequence number N after ``sN`` seconds, and others never."""

    def peer(request: bytes) -> Sequence[tuple[float, bytes]]:
        delay = delays.get(f"s{read_quoted_request(4, request).sequence}")
        return [] if delay is None else [(delay, reply_to(request))]

    return peer


def all_but(*lost: int, delay: float = 0.001) -> Peer:
    """A host that answers every echo after ``delay`` seconds, but for those with these sequence numbers."""
    return answers(**{f"s{sequence}": delay for sequence in range(LOSSY_COUNT + 1) if sequence not in lost})


def ask(peer: Peer | Failure | None, *, count: int = 3, pace: Pace | None = None, step: float = 0.0,
        method: str | Failure = "icmp-datagram") -> tuple[EchoEvidence, FakeNetwork, float]:
    """The evidence of one burst, the network it was sent on, and the virtual seconds it took."""
    table = {} if peer is None else {("icmp", HOST, 0): peer}

    async def scenario() -> tuple[EchoEvidence, FakeNetwork, float]:
        network = FakeNetwork(datagrams=table, pace=pace, echo=method, clock_step_seconds=step)
        seen = await echo(network, EchoQuestion(HOST, count))
        return seen, network, network.monotonic()

    return fake.run(scenario())


def test_burst_is_a_warm_up_and_the_counted_echoes() -> None:
    """The first echo is kept apart, and one packet an echo is sent."""
    seen, network, _ = ask(answers(s0=0.9, s1=0.001, s2=0.002, s3=0.003))
    assert seen.warm_up_seconds == pytest.approx(0.9)
    assert seen.round_trips_seconds == pytest.approx((0.001, 0.002, 0.003))
    assert (seen.failure, seen.hop_limit, seen.method, seen.at) == (None, 64, "icmp-datagram", "2026-11-02T09:00:00.000000Z")
    assert [read_quoted_request(4, sent[3]).sequence for sent in network.sent] == [0, 1, 2, 3]


def test_echoes_do_not_wait_for_each_other() -> None:
    """Four echoes of 1.9 s each, 0.2 s apart, take 2.5 s and not 7.6 s; none is lost."""
    seen, _, took = ask(answers(s0=1.9, s1=1.9, s2=1.9, s3=1.9))
    assert seen.round_trips_seconds == pytest.approx((1.9, 1.9, 1.9))
    assert took == pytest.approx(3 * 0.2 + 1.9)


def test_lost_echo_has_no_round_trip() -> None:
    """A lost echo is None, never zero (RFC 2681 section 2.4), and does not make the burst a failure."""
    seen, _, _ = ask(all_but(2))
    assert seen.round_trips_seconds[1] is None
    assert seen.round_trips_seconds.count(None) == 1
    assert seen.failure is None


@pytest.mark.parametrize(("lost", "took"), [
    ((1,), 3.8), ((2,), 3.8), ((4,), 3.8),   # known by the answer to a later one when the fifth is sent: nineteen spacings
    ((2, 20), 5.8),                          # and the last one's own two seconds
    ((5,), 5.8), ((4, 5), 5.8),              # known when the fifth one's time is up: five spacings, two seconds, fourteen more
])
def test_a_loss_is_counted_over_twenty_echoes(lost: tuple[int, ...], took: float) -> None:
    """Two of five by bad luck would be 40 %; of twenty they are 10 %."""
    seen, network, seconds = ask(all_but(*lost), count=5)
    assert (len(seen.round_trips_seconds), seen.round_trips_seconds.count(None)) == (LOSSY_COUNT, len(lost))
    assert [read_quoted_request(4, sent[3]).sequence for sent in network.sent] == list(range(LOSSY_COUNT + 1))
    assert seconds == pytest.approx(took, abs=0.01)


def test_a_path_that_loses_every_sixteenth_packet_fails_few_hosts() -> None:
    """By the binomial distribution 0.7 % lose 5 or more of 20, and 3.4 % would lose 2 or more of 5."""
    draw, over_a_fifth = random.Random(1812), 0
    for _ in range(1000):
        lost = [sequence for sequence in range(LOSSY_COUNT + 1) if draw.random() < 1 / 16]
        trips = ask(all_but(*lost), count=5)[0].round_trips_seconds
        over_a_fifth += trips.count(None) > len(trips) / 5
    assert 0 < over_a_fifth <= 10


@pytest.mark.parametrize("delay", [0.001, 0.3, 0.9, 1.9])
def test_a_long_way_is_no_loss(delay: float) -> None:
    """However long each echo is on its way, five that are all answered stay five."""
    seen, network, took = ask(all_but(delay=delay), count=5)
    assert (len(network.sent), seen.round_trips_seconds.count(None)) == (6, 0)
    assert took == pytest.approx(5 * 0.2 + delay)


@pytest.mark.parametrize(("delay", "lost"), [(1.999, False), (2.0, False), (2.001, True)])
def test_echo_is_lost_after_its_waiting_time(delay: float, lost: bool) -> None:
    """A reply counts up to two seconds, and not beyond."""
    seen, _, _ = ask(answers(s0=0.001, s1=delay), count=1)
    assert (seen.round_trips_seconds == (None,)) is lost


def test_short_time_out_shortens_the_waiting_time() -> None:
    """With half a second for a question, no echo waits for longer."""
    seen, _, took = ask(None, pace=Pace(timeout_seconds=0.5), count=1)
    assert seen.round_trips_seconds == (None,)
    assert took == pytest.approx(0.2 + 0.5)


def test_silent_host_gets_one_burst_and_no_more() -> None:
    """Silence is met with patience, not with more packets (RFC 1122 section 3.3.1.4)."""
    seen, network, took = ask(None, count=5)
    assert len(network.sent) == 6
    assert took == pytest.approx(5.0)
    assert seen.failure is not None
    assert seen.failure.kind is FailureKind.NO_ANSWER
    assert seen.warm_up_seconds is None
    assert seen.hop_limit is None


def test_answer_to_the_warm_up_alone_is_a_lost_burst_of_a_living_host() -> None:
    """The warm-up proves life; the counted echoes are lost all the same."""
    seen, _, _ = ask(answers(s0=0.004))
    assert seen.warm_up_seconds == pytest.approx(0.004)
    assert seen.round_trips_seconds == (None, None, None)
    assert seen.failure is not None
    assert seen.hop_limit == 64


@pytest.mark.parametrize("kind", [FailureKind.UNREACHABLE, FailureKind.PROHIBITED, FailureKind.NO_ROUTE])
def test_why_nothing_came_is_kept(kind: FailureKind) -> None:
    """An ICMP error, or a failure of the runner itself, is the evidence's failure, sender and all."""
    failure = Failure(kind=kind, phase="answer", elapsed_seconds=0.1, detail="told", sender="192.0.2.1")
    seen, _, _ = ask(failure)
    assert seen.failure == failure
    assert seen.round_trips_seconds == (None, None, None)


def test_what_the_runner_itself_lost_is_not_the_hosts_loss() -> None:
    """An echo whose reply our own overflowing queue may have dropped is sent once more, and then counted neither way."""
    failure = Failure(kind=FailureKind.LOCAL_LIMIT, phase="answer", elapsed_seconds=0.1, detail="queue overflowed")
    seen, network, _ = ask(failure)
    assert seen.failure == failure
    assert seen.round_trips_seconds == ()
    assert len(network.sent) == 2 * 4


def test_missing_privilege_sends_nothing() -> None:
    """Without any ICMP socket the evidence says so and no packet is tried."""
    missing = Failure(kind=FailureKind.NO_PRIVILEGE, phase="open", elapsed_seconds=0.0, detail="no ICMP socket")
    seen, network, took = ask(answers(s0=0.001, s1=0.001), method=missing)
    assert (seen.method, seen.failure, seen.round_trips_seconds) == ("none", missing, ())
    assert network.sent == []
    assert took == 0.0


@pytest.mark.parametrize(("step", "trusted"), [
    (0.0009, True), (-0.0009, True), (0.0011, False), (-0.0011, False), (3600.0, False),
])
def test_stepped_clock_is_not_believed(step: float, trusted: bool) -> None:
    """Beyond 1 ms of clock step the stamps are no duration, and the monotonic clock is used."""
    table = {("icmp", HOST, 0): answers(s0=0.001, s1=0.050)}

    class Stepped(FakeNetwork):
        async def exchange(self, *args: object, **kwargs: object):  # type: ignore[no-untyped-def]
            import msgspec

            datagram = await super().exchange(*args, **kwargs)  # type: ignore[arg-type]
            return msgspec.structs.replace(datagram, received_ns=datagram.received_ns + round(step * 1e9))

    async def scenario() -> EchoEvidence:
        return await echo(Stepped(datagrams=table, clock_step_seconds=step), EchoQuestion(HOST, 1))

    assert fake.run(scenario()).round_trips_seconds == pytest.approx((0.050 + step if trusted else 0.050,))


@pytest.mark.parametrize("forge", [
    lambda request: reply_to(request, payload=b"\0" * 56),                                           # another token
    lambda request: reply_to(request, payload=read_quoted_request(4, request).payload[:-1] + b"?"),  # data changed on the way
    lambda request: reply_to(request, payload=read_quoted_request(4, request).payload[:8]),          # data cut off
    lambda request: reply_to(request, sequence=99),                                                  # another sequence number
    lambda request: request,                                                                         # our own request come back
    lambda request: reply_to(request)[:6],                                                           # not even a header
])
def test_what_does_not_belong_to_the_question_is_no_answer(forge: Callable[[bytes], bytes]) -> None:
    """A reply must bring back all the data of its request (RFC 1122 section 3.2.2.6); anything else leaves it lost."""
    honest, _, _ = ask(answers(s0=0.001, s1=0.001), count=1)
    assert honest.round_trips_seconds == pytest.approx((0.001,))
    seen, _, _ = ask(lambda request: [(0.001, forge(request))], count=1)
    assert seen.round_trips_seconds == (None,)
    assert seen.failure is not None
    assert seen.failure.kind is FailureKind.MISMATCHED


def test_tokens_are_never_used_twice() -> None:
    """Each echo has random octets of its own, so that a late reply is not taken for a prompt one."""
    _, network, _ = ask(None, count=5)
    assert len({read_quoted_request(4, sent[3]).payload[:8] for sent in network.sent}) == 6


@pytest.mark.parametrize("address", ["127.0.0.1", "::1"])
async def test_loopback_answers_really(address: str) -> None:
    """On the real sockets the whole burst comes back, stamped by the kernel and well below a second."""
    async with SocketNetwork(Pace(echo_spacing_seconds=0.01)) as network:
        seen = await echo(network, EchoQuestion(address, 3))
    assert len(seen.round_trips_seconds) == 3
    assert all(trip is not None and 0 < trip < 1 for trip in seen.round_trips_seconds)
    assert (seen.failure, seen.hop_limit) == (None, 64)
    assert seen.method in ("icmp-datagram", "icmp-raw")
