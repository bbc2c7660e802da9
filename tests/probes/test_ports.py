"""The port probe: five answers told apart, each believed only as soon as it may be."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Sequence
from typing import Any

import pytest

from probes import fake
from probes.fake import FakeNetwork
from probes.ports import knock, state_of
from probes.seam import Stream
from probes.sockets import SocketNetwork
from shared.evidence import Failure, FailureKind, PortEvidence, PortState
from shared.questions import Pace, PortQuestion

HOST, ROUTER = "192.0.2.11", "192.0.2.1"


class Quiet:
    """A server that accepts and says nothing."""

    def opened(self) -> Sequence[bytes | None]:
        return []

    def received(self, data: bytes) -> Sequence[bytes | None]:
        return []


def because(kind: FailureKind, *, sender: str | None = None, phase: str = "connect") -> Failure:
    return Failure(kind=kind, phase=phase, elapsed_seconds=0.01, sender=sender)


SILENT = None
RESET = because(FailureKind.REFUSED)
REJECTED = because(FailureKind.PROHIBITED, sender=ROUTER)
NO_HOST = because(FailureKind.UNREACHABLE, sender=ROUTER)


def try_port(*behaviour: Any, pace: Pace | None = None) -> tuple[PortEvidence, Stream | None, FakeNetwork, float]:
    """Knock on a port that behaves so at each connection, silent after the last."""

    async def scenario() -> tuple[PortEvidence, Stream | None, FakeNetwork, float]:
        network = FakeNetwork(streams={(HOST, 443): list(behaviour)}, pace=pace)
        seen, stream = await knock(network, PortQuestion(HOST, 443, "", ""))
        return seen, stream, network, network.monotonic()

    return fake.run(scenario())


class Late(Quiet):
    """A server of whose connection the first SYN was lost."""

    syn_repeats = 1


@pytest.mark.parametrize(("then", "again", "connections"), [
    ((Late, Quiet), True, 2), ((Late, Late), False, 2), ((Late, RESET), False, 2), ((Late, SILENT), False, 2),
    ((Quiet,), False, 1),
])
def test_a_lost_syn_is_followed_by_one_more_connection(then: tuple[Any, ...], again: bool, connections: int) -> None:
    """It tells one packet lost by chance from a queue that is full; the first stream is what the caller gets."""
    seen, stream, network, _took = try_port(*then)
    assert (seen.state, seen.attempts, seen.syn_repeats) == (PortState.OPEN, 1, int(then[0] is Late))
    assert (seen.at_once_again, len(network.sent)) == (again, connections)
    assert stream is not None
    assert (stream.syn_repeats, network.open_streams) == (seen.syn_repeats, 1)
    stream.close()


def test_open_port_is_handed_on() -> None:
    """One connection, and its stream belongs to the caller."""
    seen, stream, network, took = try_port(Quiet)
    assert (seen.state, seen.attempts, seen.failure, seen.port) == (PortState.OPEN, 1, None, "443/tcp")
    assert stream is not None
    assert network.open_streams == 1
    stream.close()
    assert network.open_streams == 0
    assert took == 0.0


def test_reset_is_believed_at_once() -> None:
    """A reset is TCP's own word (RFC 9293 section 3.10.7.1): no second attempt."""
    seen, stream, network, took = try_port(RESET, Quiet)
    assert (seen.state, seen.attempts, stream) == (PortState.REFUSED, 1, None)
    assert len(network.sent) == 1
    assert took == 0.0


def test_silence_is_believed_at_the_third_attempt() -> None:
    """Three attempts share the time of the question."""
    seen, stream, network, took = try_port(SILENT)
    assert (seen.state, seen.attempts, stream) == (PortState.SILENT, 3, None)
    assert len(network.sent) == 3
    assert took == pytest.approx(6.0)
    assert seen.elapsed_seconds == pytest.approx(6.0)


@pytest.mark.parametrize("timeout", [0.3, 1.5, 9.0])
def test_the_whole_question_keeps_its_time(timeout: float) -> None:
    """Neither silence nor rejection takes longer than the pace allows."""
    pace = Pace(timeout_seconds=timeout)
    assert try_port(SILENT, pace=pace)[3] == pytest.approx(timeout)
    for behaviour in ((REJECTED, REJECTED), (REJECTED, SILENT, REJECTED), (SILENT, REJECTED, REJECTED)):
        assert try_port(*behaviour, pace=pace)[3] <= timeout + 1e-9


@pytest.mark.parametrize("silent_before", [1, 2])
def test_port_that_opens_at_a_retry_is_open_and_counted(silent_before: int) -> None:
    """A lost packet is no closed door, but the attempts and the time tell of it."""
    seen, stream, _, _ = try_port(*[SILENT] * silent_before, Quiet)
    assert (seen.state, seen.attempts) == (PortState.OPEN, silent_before + 1)
    assert seen.elapsed_seconds == pytest.approx(2.0 * silent_before)
    assert stream is not None


def test_rejection_is_believed_when_it_comes_again() -> None:
    """Codes may be transient (RFC 1122 section 3.2.2.1): one repeat, a second later, with the sender kept."""
    seen, _, network, took = try_port(REJECTED, REJECTED)
    assert (seen.state, seen.attempts) == (PortState.REJECTED, 2)
    assert seen.failure is not None
    assert seen.failure.sender == ROUTER
    assert len(network.sent) == 2
    assert took == pytest.approx(1.0)


def test_rejection_that_passes_leaves_an_open_port() -> None:
    """A router that had no route for a moment does not close the port."""
    seen, stream, _, _ = try_port(NO_HOST, Quiet)
    assert (seen.state, seen.attempts) == (PortState.OPEN, 2)
    assert stream is not None


def test_rejection_outweighs_silence() -> None:
    """Routers limit the rate of their errors (RFC 1812 section 4.3.2.8): one error and two silences are a rejection."""
    seen, _, _, _ = try_port(REJECTED, SILENT, SILENT)
    assert (seen.state, seen.attempts) == (PortState.REJECTED, 3)


def test_word_of_our_own_kernel_is_kept_over_bare_silence() -> None:
    """"Nobody on this wire answers for the address" tells more than a time-out, and is silence all the same."""
    seen, _, _, _ = try_port(SILENT, because(FailureKind.NO_ANSWER, phase="neighbour"), SILENT)
    assert seen.state is PortState.SILENT
    assert seen.failure is not None
    assert seen.failure.phase == "neighbour"


@pytest.mark.parametrize("kind", [FailureKind.NO_ROUTE, FailureKind.LOCAL_LIMIT, FailureKind.NO_PRIVILEGE, FailureKind.OTHER])
def test_failure_of_the_runner_is_never_the_hosts(kind: FailureKind) -> None:
    """What the runner itself could not do leaves the port untried, without a second attempt."""
    seen, stream, network, _ = try_port(because(kind), Quiet)
    assert (seen.state, seen.attempts, stream) == (PortState.UNTRIED, 1, None)
    assert len(network.sent) == 1


def test_port_that_resets_after_the_handshake_is_open_without_a_stream() -> None:
    """The handshake was completed, so something listens; the failure says what came next."""
    hung_up = because(FailureKind.RESET)
    seen, stream, _, _ = try_port(hung_up, hung_up, hung_up)
    assert (seen.state, seen.attempts, stream, seen.failure) == (PortState.OPEN, 3, None, hung_up)


@pytest.mark.parametrize(("failure", "state"), [
    (RESET, PortState.REFUSED),
    # TCP has a means of its own to refuse: an ICMP "port unreachable" is a filter's word (RFC 1122 section 3.2.2.1).
    (because(FailureKind.REFUSED, sender=ROUTER), PortState.REJECTED),
    (because(FailureKind.REFUSED, sender=HOST), PortState.REJECTED),
    (REJECTED, PortState.REJECTED),
    (NO_HOST, PortState.REJECTED),
    (because(FailureKind.UNREACHABLE), PortState.REJECTED),
    (because(FailureKind.NO_ANSWER), PortState.SILENT),
    (because(FailureKind.KERNEL_TIMEOUT), PortState.SILENT),
    (because(FailureKind.RESET), PortState.OPEN),
    (because(FailureKind.CLOSED), PortState.OPEN),
    (because(FailureKind.NO_ROUTE), PortState.UNTRIED),
    (because(FailureKind.NO_PRIVILEGE), PortState.UNTRIED),
    (because(FailureKind.LOCAL_LIMIT), PortState.UNTRIED),
    (because(FailureKind.INTERRUPTED), PortState.UNTRIED),
    (because(FailureKind.OTHER), PortState.UNTRIED),
])
def test_state_of_each_failure(failure: Failure, state: PortState) -> None:
    """The whole table from failures to states."""
    assert state_of(failure) is state


async def test_loopback_open_and_refused_really() -> None:
    """On real sockets a listener is open, with its handshake timed, and a port that nobody holds refuses."""
    with socket.create_server(("127.0.0.1", 0)) as server, socket.socket() as held:
        held.bind(("127.0.0.1", 0))  # bound but not listening: nobody else can take the port meanwhile
        async with SocketNetwork(Pace()) as network:
            seen, stream = await knock(network, PortQuestion("127.0.0.1", server.getsockname()[1], "", ""))
            refused, nothing = await knock(network, PortQuestion("127.0.0.1", held.getsockname()[1], "", ""))
    assert seen.state is PortState.OPEN
    assert stream is not None
    assert 0 < stream.connect_seconds < 1
    assert (stream.syn_repeats, seen.syn_repeats) == (0, 0)
    stream.close()
    assert (refused.state, nothing) == (PortState.REFUSED, None)


async def test_connection_that_meets_itself_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the kernel picks the tried port as its own source, nobody listens, though TCP calls it established."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]

    class BoundToThePort(socket.socket):
        def connect_ex(self, address: Any, /) -> int:
            self.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self.bind(address)
            return super().connect_ex(address)

    monkeypatch.setattr(socket, "socket", BoundToThePort)
    async with SocketNetwork(Pace()) as network:
        seen, stream = await knock(network, PortQuestion("127.0.0.1", port, "", ""))
    assert (seen.state, stream) == (PortState.REFUSED, None)


async def test_cancelled_knock_leaves_no_socket_behind() -> None:
    """Cancellation passes through; an unclosed socket would be a ResourceWarning, and so an error."""
    with socket.create_server(("127.0.0.1", 0), backlog=0) as full:
        filler = [socket.socket() for _ in range(8)]
        for each in filler:  # fill the accept queue, so that the next SYN is dropped
            each.setblocking(False)
            each.connect_ex(full.getsockname())
        async with SocketNetwork(Pace()) as network:
            task = asyncio.create_task(knock(network, PortQuestion("127.0.0.1", full.getsockname()[1], "", "")))
            for _ in range(5):  # turns of the loop, so that the SYN is on its way
                await asyncio.sleep(0)
            assert not task.done()
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
        for each in filler:
            each.close()
