"""Knocks on one TCP port and tells five answers apart: open, refused, silent, rejected, and could not be tried."""

from __future__ import annotations

import msgspec

from probes.seam import Network, NotObserved, Stream, now
from shared.evidence import Failure, FailureKind, PortEvidence, PortState
from shared.questions import PortQuestion

#: Silence is believed after this many connections, each with a third of ``pace.timeout_seconds``.  The kernel repeats an
#: unanswered SYN after its initial time-out of 1 s (RFC 6298 section 2), so the usual attempt of 2 s holds two SYNs and
#: the whole question six, spread over six seconds: a rate limit or a burst of loss does not look like a closed door.
ATTEMPTS = 3

#: ICMP errors may be transient and are hints, not proof (RFC 1122 section 3.2.2.1, RFC 9293 section 3.9.2.2): one is
#: believed when it comes again after this pause, the initial retransmission time-out of RFC 6298 section 2.
REPEAT_AFTER_SECONDS = 1.0

_SILENCE = (FailureKind.NO_ANSWER, FailureKind.KERNEL_TIMEOUT)
_OBJECTIONS = (FailureKind.UNREACHABLE, FailureKind.NO_PATH, FailureKind.PROHIBITED)
_HUNG_UP = (FailureKind.RESET, FailureKind.CLOSED)


async def knock(network: Network, question: PortQuestion) -> tuple[PortEvidence, Stream | None]:
    """Try one TCP port within ``pace.timeout_seconds``; an open stream is handed on, and the caller must close it.

    A reset is believed at once, an ICMP error at the second time, silence at the third.  A port that accepts and then
    resets before we could look is open without a stream; ``failure`` says so.  What the runner itself could not do is
    ``untried``.  Where a port opened only after its SYN was sent again, a second connection tells whether that was one lost
    packet.  ``elapsed_seconds`` of a port that opened at the first attempt is the TCP handshake alone, without any
    waiting for our own pacing.  Raises nothing.
    """
    at, began = now(network), network.monotonic()
    share = network.pace.timeout_seconds / ATTEMPTS
    objections, attempt = 0, 0
    failures: list[Failure] = []
    while attempt < ATTEMPTS and objections < 2:
        attempt += 1
        try:
            stream = await network.connect(question.address, question.port, timeout_seconds=share)
        except NotObserved as unseen:
            failures.append(unseen.failure)
        else:
            elapsed = stream.connect_seconds if attempt == 1 else network.monotonic() - began
            seen = _evidence(question, PortState.OPEN, at, elapsed, attempt, None)
            again = bool(stream.syn_repeats) and await _opens_at_once(network, question, share)
            return msgspec.structs.replace(seen, syn_repeats=stream.syn_repeats, at_once_again=again), stream
        state = state_of(failures[-1])
        if state in (PortState.REFUSED, PortState.UNTRIED):
            break
        if state is PortState.REJECTED:
            objections += 1
            if objections < 2 and attempt < ATTEMPTS:
                await network.sleep(min(REPEAT_AFTER_SECONDS, share))
    failure = _most_telling(failures)
    return _evidence(question, state_of(failure), at, network.monotonic() - began, attempt, failure), None


async def _opens_at_once(network: Network, question: PortQuestion, seconds: float) -> bool:
    """Whether one more connection, closed again, is answered at its first SYN: then what the first lost was one packet.

    A service that accepts too slowly, or a filter that drops the first packet of every flow, does it again.
    """
    try:
        stream = await network.connect(question.address, question.port, timeout_seconds=seconds)
    except NotObserved:
        return False
    stream.close()
    return not stream.syn_repeats


def state_of(failure: Failure) -> PortState:
    """What a connection that failed says about the port.

    Refused means a reset and nothing else: TCP says "nobody listens" itself, so any ICMP error, even "port
    unreachable", comes from a filter (RFC 1122 section 3.2.2.1: only for a transport with no means of its own).
    """
    if failure.sender is not None or failure.kind in _OBJECTIONS:
        return PortState.REJECTED
    if failure.kind is FailureKind.REFUSED:
        return PortState.REFUSED
    if failure.kind in _SILENCE:
        return PortState.SILENT
    if failure.kind in _HUNG_UP:
        return PortState.OPEN
    return PortState.UNTRIED


def _most_telling(failures: list[Failure]) -> Failure:
    """The last failure, or the last one in which somebody said something where the last was only silence."""
    said = [failure for failure in failures if failure.kind not in _SILENCE or failure.phase == "neighbour"]
    return (said or failures)[-1]


def _evidence(
    question: PortQuestion, state: PortState, at: str, elapsed_seconds: float, attempts: int, failure: Failure | None
) -> PortEvidence:
    return PortEvidence(address=question.address, port=question.label, state=state, at=at,
                        elapsed_seconds=elapsed_seconds, attempts=attempts, failure=failure)
