"""Reads a host's clock by ICMP time stamps (RFC 792, page 16): milliseconds since midnight, so never the day.

A host may leave them unanswered (RFC 1122 section 3.2.2.8), and filters often drop them.  Sending one takes a raw socket.
"""

from __future__ import annotations

import itertools
import secrets
from collections.abc import Callable
from dataclasses import dataclass

from probes.icmpwire import ones_complement_sum
from probes.seam import Datagram, Network, NotObserved, Service, rfc3339
from probes.stamps import RunnersClock, sample
from shared.evidence import ClockWitness, Failure, FailureKind, WitnessSample

_DAY_MS = 86_400_000
_DAY_NS = _DAY_MS * 1_000_000
_MS_NS = 1_000_000
#: RFC 792: a set high bit says that the value is not milliseconds since midnight UT.
NON_STANDARD = 1 << 31
#: RFC 1122 section 3.2.2.8: a standard value is updated at least 15 times a second.
COARSEST_MS = 1000 / 15

#: What two values may be off together by cutting or rounding, and by the slewing of a clock in between.
_BLUR_MS = 1.2
#: Smaller ticks than this are not told apart from none.
_FINEST_MS = 2.0
#: Values farther apart than this say nothing new of a tick: a burst is over long before.
_LONGEST_MS = 2000

#: Requests are sent in pairs, this far apart: the second of a pair shows how soon the host's value moves on,
#: if the runner is not so busy that it comes much later.
PAIR_GAPS_SECONDS = (0.0015, 0.004)
#: Between pairs; hosts limit the rate of ICMP (200 ms between echoes is common practice, no source).
PAIR_SPACING_SECONDS = 0.2
#: The longest one answer is waited for (common practice, no source).
PATIENCE_SECONDS = 2.0

_OCTETS = 20
_REPLY, _REQUEST = 14, 13


@dataclass(frozen=True, slots=True)
class Stamps:
    """The three values of a time stamp reply, as they stand in the packet: 32 bits each, in network order."""

    identifier: int
    sequence: int
    originate: int
    receive: int
    transmit: int


@dataclass(frozen=True, slots=True)
class _Answer:
    """A reply between the two stamps of the runner's clock, in Unix nanoseconds."""

    stamps: Stamps
    sent_ns: int
    received_ns: int


def is_reply(packet: bytes) -> bool:
    """Whether this is a whole time stamp reply with a right checksum, from its ICMP header on."""
    # A raw socket shows every packet, and the kernel has not looked at the checksum.
    return len(packet) >= _OCTETS and packet[0] == _REPLY and packet[1] == 0 and ones_complement_sum(packet) == 0xFFFF


def read_reply(packet: bytes) -> Stamps:
    """Dissect a packet that ``is_reply``."""
    from scapy.layers.inet import ICMP

    read = ICMP(packet[:_OCTETS])
    return Stamps(read.id, read.seq, read.ts_ori, read.ts_rx, read.ts_tx)


def request(identifier: int, sequence: int, originate_ms: int) -> bytes:
    """A time stamp request.  Identifier, sequence and originate come back in the reply and tie it to the request."""
    from scapy.layers.inet import ICMP

    return bytes(ICMP(type=_REQUEST, id=identifier, seq=sequence, ts_ori=originate_ms, ts_rx=0, ts_tx=0))


def _key(packet: bytes) -> bytes | None:
    """Identifier, sequence number and originate stamp, octets 4 to 11."""
    return packet[4:12] if is_reply(packet) else None


def _key_of_request(packet: bytes) -> bytes | None:
    """The same for our own request as an ICMP error quotes it: routers quote more than RFC 792 asks (RFC 1812)."""
    return packet[4:12] if len(packet) >= 12 and packet[0] == _REQUEST and packet[1] == 0 else None


SERVICE = Service("icmp-timestamp", _key, _key_of_request)


async def ask(network: Network, address: str) -> ClockWitness:
    """Ask an IPv4 address for its time stamps in pairs, a fifth of a second apart.

    The first unanswered request ends it.  Never raises: what was not observed is in the evidence.
    """
    at, clock = rfc3339(network.wall_ns()), RunnersClock(network)
    answers: list[_Answer] = []
    steps: list[float] = []
    asked, failure = 0, None
    identifier = secrets.randbits(16)
    for wait in (wait for gap in PAIR_GAPS_SECONDS for wait in (PAIR_SPACING_SECONDS, gap)):
        if asked:
            await network.sleep(wait)
        asked += 1
        try:
            answer = await _exchange(network, address, identifier, asked)
        except NotObserved as nothing:
            failure = _explained(nothing.failure)
            break
        if step := clock.step_seconds():
            steps.append(step)
            answers.clear()
            continue
        answers.append(_Answer(read_reply(answer.data), answer.sent_ns, max(answer.received_ns, answer.sent_ns)))
    samples, details, discarded = _understood(answers)
    if failure is None and discarded:
        failure = Failure(kind=FailureKind.MALFORMED, phase="answer", elapsed_seconds=0.0, detail=discarded[0])
    return ClockWitness(method="icmp-timestamp", address=address, at=at, samples=samples, asked=asked, modulo_seconds=86400.0,
                        details=details, discarded=discarded, runner_steps_seconds=tuple(steps), failure=failure)


async def _exchange(network: Network, address: str, identifier: int, sequence: int) -> Datagram:
    packet = request(identifier, sequence, network.wall_ns() % _DAY_NS // _MS_NS)
    return await network.exchange(
        SERVICE, address, 0, packet, key=packet[4:12], accept=lambda _packet: True,
        timeout_seconds=min(network.pace.timeout_seconds / 3, PATIENCE_SECONDS))


def _explained(failure: Failure) -> Failure:
    if failure.kind is not FailureKind.NO_PRIVILEGE or failure.phase != "open":
        return failure
    return Failure(kind=failure.kind, phase=failure.phase, elapsed_seconds=failure.elapsed_seconds, errno=failure.errno,
                   detail="an ICMP time stamp takes a raw socket: grant CAP_NET_RAW, or run as root")


#: Values that must make sense together before an order of octets is believed: one or two may by chance (one 32-bit value in
#: fifty is a time of day).
_ENOUGH_TO_TELL = 3


def _understood(
    answers: list[_Answer],
) -> tuple[tuple[WitnessSample, ...], tuple[tuple[str, str], ...], tuple[str, ...]]:
    """Samples, details and reasons: the values as they stand, or with their octets swapped where only that makes sense.

    Some hosts write the values in their own order of octets.  Read the wrong way round, values that a running clock gave
    lie all over the day, and so contradict each other; only one way makes sense of several.
    """
    if len(answers) < _ENOUGH_TO_TELL:
        return (), (), ("too few answers to tell in which order their octets are",) if answers else ()
    if plain := _samples(answers, lambda value: value):
        return plain, (), ()
    swapped = _samples(answers, _swapped)
    if swapped:
        return swapped, (("octets", "swapped: the host writes its time stamps with the lowest octet first"),), ()
    if any(answer.stamps.receive & NON_STANDARD for answer in answers):
        return (), (), ("the time stamps are marked as non-standard (RFC 792), so they tell no time of day",)
    return (), (), ("the time stamps are no time of day, or contradict each other",)


def _swapped(value: int) -> int:
    return int.from_bytes(value.to_bytes(4, "little"))


def _samples(answers: list[_Answer], order: Callable[[int], int]) -> tuple[WitnessSample, ...]:
    """The samples under one order of octets; none where a value is no time of day or they exclude each other.

    The receive stamp alone is read: it was set after our request was sent and before the reply came, and stacks that
    forget one of the two stamps forget the other.  RFC 792 does not say whether a millisecond is cut or rounded, so one
    is allowed for on either side.
    """
    values = [order(answer.stamps.receive) for answer in answers]
    if max(values) >= _DAY_MS:
        return ()
    resolution_ns = round((2 + _tick_ms(values)) * _MS_NS)
    leads = [_half_day(value * _MS_NS - answer.sent_ns) for value, answer in zip(values, answers, strict=True)]
    # The day is not known: the first lead is laid within half a day of the runner, the others beside it.
    leads = [leads[0] + _half_day(lead - leads[0]) for lead in leads]
    samples = tuple(
        sample(sent_ns=answer.sent_ns, received_ns=answer.received_ns, reading_ns=answer.sent_ns + lead - _MS_NS,
               resolution_ns=resolution_ns)
        for lead, answer in zip(leads, answers, strict=True))
    agree = max(seen.lo_seconds for seen in samples) <= min(seen.hi_seconds for seen in samples)
    return samples if agree else ()


def _tick_ms(values: list[int]) -> float:
    """The longest that the host's value may stay the same between two ticks, in milliseconds.

    A clock that ticks evenly puts every two of its values a whole number of ticks apart, but for what cutting or rounding
    to a millisecond adds or takes.  So the largest tick that fits all differences is an upper bound; RFC 1122 section
    3.2.2.8 gives another.
    """
    turns = (_half_day((later - earlier) * _MS_NS) // _MS_NS for earlier, later in itertools.pairwise(values))
    differences = [abs(turn) for turn in turns if _BLUR_MS < abs(turn) < _LONGEST_MS]
    candidates = {(difference + _BLUR_MS) / ticks for difference in differences
                  for ticks in range(int(difference / COARSEST_MS) or 1, int(difference / _FINEST_MS) + 2)}
    for tick in sorted((COARSEST_MS, *candidates), reverse=True):
        if tick <= COARSEST_MS and all(abs(difference - tick * round(difference / tick)) <= _BLUR_MS + 1e-6
                                       for difference in differences):
            return max(tick, _FINEST_MS)
    return _FINEST_MS


def _half_day(difference_ns: int) -> int:
    """A difference of times of day, within half a day either way."""
    return (difference_ns + _DAY_NS // 2) % _DAY_NS - _DAY_NS // 2
