"""One short burst of ICMP echoes to one address.

A burst, never a loop: a host must not keep asking a first-hop gateway whether it is there (RFC 1122 section 3.3.1.4).
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable

from probes.icmpwire import Echo, WireError, pack_request, read_quoted_request, read_reply
from probes.seam import Datagram, Network, NotObserved, Service, now
from probes.stamps import STEP_SECONDS
from shared.evidence import EchoEvidence, Failure, FailureKind
from shared.questions import EchoQuestion

#: An echo not answered by then is lost.  A loss is only defined together with its waiting time (RFC 2681 section 2.4,
#: RFC 7680); two seconds: common practice, no source.
REPLY_WAIT_SECONDS = 2.0

#: The warm-up echo waits for as long as a kernel looks for a neighbour, three solicitations one second apart (RFC 4861
#: section 10; Linux does the same for ARP).  A router that looked in vain may have to find us first before it can say so:
#: 4.1 s measured over a fresh IPv6 router, hence five.
WARM_UP_WAIT_SECONDS = 5.0

#: How many echoes are counted where the first few show a loss: of five, one more or less decides between all and nothing, and a
#: path that loses every fifteenth would fail every thirtieth host.  Common practice, no source.
LOSSY_COUNT = 20

#: Octets of payload.  Common practice, no source; with its headers well below the 576 octets that every IPv4 host must
#: take (RFC 1122 section 3.3.2), so that size is never the reason for silence.
_PAYLOAD_OCTETS = 56
#: Random octets at the front of each payload, which tie a reply to its request.
TOKEN_OCTETS = 8
_SEQUENCE_AT = 6
_PADDING = bytes(range(_PAYLOAD_OCTETS - TOKEN_OCTETS))

_Reader = Callable[[int, bytes], Echo]


def _token(reader: _Reader, version: int, packet: bytes) -> bytes | None:
    """The random octets that tie a reply, or a quoted request, to its question.

    The identifier cannot serve: a datagram ICMP socket rewrites it.  An error that quotes less than the token is not
    recognised; routers quote as much as fits (RFC 1812 section 4.3.2.3, RFC 4443 section 2.4 (c)).
    """
    try:
        payload = reader(version, packet).payload
    except WireError:
        return None
    return payload[:TOKEN_OCTETS] if len(payload) >= TOKEN_OCTETS else None


def echo_service(name: str, version: int) -> Service:
    """The service of this name (``probes.seam.Service``) for echoes of one IP version, known by their tokens."""
    return Service(name, key_of=lambda packet: _token(read_reply, version, packet),
                   key_of_request=lambda packet: _token(read_quoted_request, version, packet))


_SERVICES = {version: echo_service("icmp", version) for version in (4, 6)}


async def echo(network: Network, question: EchoQuestion) -> EchoEvidence:
    """Send a warm-up echo and then ``question.count`` counted ones, ``pace.echo_spacing_seconds`` apart.

    The first may be lost while the neighbour is being found and is not counted.  None waits for the answer to the one
    before, so the burst takes at most its spacings and the longer of the two waits, each bounded by
    ``pace.timeout_seconds``.  Where some were answered and others not it goes on to ``LOSSY_COUNT``, as soon as a lost one is
    known by a later one's answer.  ``failure`` is set where no counted echo was answered, and says why.  Raises nothing.
    """
    at = now(network)
    try:
        method = network.echo_method(question.address)
    except NotObserved as unseen:
        return EchoEvidence(address=question.address, method="none", at=at, failure=unseen.failure)
    timeout, spacing = network.pace.timeout_seconds, network.pace.echo_spacing_seconds
    counted: list[asyncio.Task[Datagram | Failure]] = []
    async with asyncio.TaskGroup() as burst:

        def send(sequence: int) -> None:
            counted.append(burst.create_task(_one(network, question.address, sequence, min(timeout, REPLY_WAIT_SECONDS))))

        warm_up = burst.create_task(_one(network, question.address, 0, min(timeout, WARM_UP_WAIT_SECONDS)))
        for sequence in range(1, question.count + 1):
            await network.sleep(spacing)
            send(sequence)
        if await _is_lossy(counted):
            send(question.count + 1)
            for sequence in range(question.count + 2, LOSSY_COUNT + 1):
                await network.sleep(spacing)
                send(sequence)
    return _evidence(question.address, method, at, warm_up.result(), [task.result() for task in counted])


async def _is_lossy(counted: list[asyncio.Task[Datagram | Failure]]) -> bool:
    """Whether some echoes were answered and others were not, as soon as that is known: where a later one was answered before.

    Silence is no loss: it is met with patience, and not with more packets (RFC 1122 section 3.3.1.4).
    """
    waiting = set(counted)
    while waiting:
        answered = _which_answered(counted)
        if False in answered and True in answered[answered.index(False) :]:
            return True
        # What waits for its turn in our own pace is neither, so there is no limit to this wait but those of the echoes.
        _, waiting = await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
    return {True, False} <= set(_which_answered(counted))


def _which_answered(counted: list[asyncio.Task[Datagram | Failure]]) -> list[bool]:
    """Whether each has been answered so far, without those that the runner itself could not send or receive."""
    results = [task.result() if task.done() else None for task in counted]
    return [isinstance(result, Datagram) for result in results if not _is_ours(result)]


def _is_ours(result: Datagram | Failure | None) -> bool:
    return isinstance(result, Failure) and result.kind is FailureKind.LOCAL_LIMIT


async def _one(network: Network, address: str, sequence: int, wait_seconds: float) -> Datagram | Failure:
    """Send one echo and wait for its reply; once more where the runner itself lost what may have been the reply."""
    result = await _try(network, address, sequence, wait_seconds)
    if _is_ours(result):
        return await _try(network, address, sequence, wait_seconds)
    return result


async def _try(network: Network, address: str, sequence: int, wait_seconds: float) -> Datagram | Failure:
    version = 6 if ":" in address else 4
    token = secrets.token_bytes(TOKEN_OCTETS)
    payload = token + _PADDING
    expected = sequence.to_bytes(2, "big") + payload

    def belongs(packet: bytes) -> bool:
        # Its key was found, so the packet is a whole reply; behind type, code, checksum and identifier it must be ours.
        return packet[_SEQUENCE_AT:] == expected

    request = pack_request(version, Echo(identifier=secrets.randbits(16), sequence=sequence, payload=payload))
    try:
        return await network.exchange(_SERVICES[version], address, 0, request, key=token, accept=belongs,
                                      timeout_seconds=wait_seconds)
    except NotObserved as unseen:
        return unseen.failure


def _evidence(
    address: str, method: str, at: str, warm_up: Datagram | Failure, counted: list[Datagram | Failure]
) -> EchoEvidence:
    replies = [result for result in (warm_up, *counted) if isinstance(result, Datagram)]
    answered = any(isinstance(result, Datagram) for result in counted)
    return EchoEvidence(
        address=address, method=method, at=at,
        warm_up_seconds=_round_trip(warm_up),
        # An echo that the runner itself could not send or receive is neither answered nor lost.
        round_trips_seconds=tuple(_round_trip(result) for result in counted
                                  if not _is_ours(result)),
        hop_limit=replies[0].hop_limit if replies else None,
        failure=None if answered else _most_telling([warm_up, *counted]))


def _round_trip(result: Datagram | Failure) -> float | None:
    """Seconds from sending to the kernel's receipt; None for a lost echo, never zero (RFC 2681 section 2.4).

    Where the wall clock was stepped meanwhile, the monotonic duration, which includes our own queue.
    """
    if isinstance(result, Failure):
        return None
    stamped = (result.received_ns - result.sent_ns) / 1e9
    stepped = abs(result.clock_step_seconds) > STEP_SECONDS or stamped < 0
    return result.elapsed_seconds if stepped else stamped


def _most_telling(results: list[Datagram | Failure]) -> Failure | None:
    """Why the burst went unanswered: what somebody said rather than bare silence, where anybody said anything."""
    failures = [result for result in results if isinstance(result, Failure)]
    said = [failure for failure in failures if failure.kind is not FailureKind.NO_ANSWER or failure.phase == "neighbour"]
    return next(iter(said or failures), None)
