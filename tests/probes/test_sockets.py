"""The real network's judgement of its own errors: what is said by the runner's kernel, and what by others."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import gc
import os
import socket
import time
from typing import Any

import pytest

from probes import connections, datagrams, sockets
from probes.seam import Datagram, NotObserved, Service
from probes.sockets import SocketNetwork
from shared.evidence import Failure, FailureKind
from shared.questions import Pace


class _Opened:
    """A socket that the system allowed."""

    def close(self) -> None:
        pass


class _Refusing:
    """Stands for ``socket.socket`` on a system that refuses each kind of ICMP socket with its own error, or none."""

    def __init__(self, **errors: int) -> None:
        self.errors = {socket.SOCK_DGRAM: errors.get("datagram", 0), socket.SOCK_RAW: errors.get("raw", 0)}

    def __call__(self, _family: int, kind: int, _protocol: int = 0) -> _Opened:
        number = self.errors[socket.SocketKind(kind)]
        if number:
            raise OSError(number, os.strerror(number))
        return _Opened()


@pytest.mark.parametrize(("errors", "method"), [
    ({}, "icmp-datagram"),
    ({"datagram": errno.EACCES}, "icmp-raw"),
    ({"datagram": errno.EPROTONOSUPPORT}, "icmp-raw"),
])
async def test_echo_method_prefers_the_socket_without_privilege(
    monkeypatch: pytest.MonkeyPatch, errors: dict[str, int], method: str
) -> None:
    """A raw socket only where the system has no datagram ICMP socket for this user."""
    network = SocketNetwork(Pace())
    monkeypatch.setattr(socket, "socket", _Refusing(**errors))
    assert network.echo_method("192.0.2.11") == method


@pytest.mark.parametrize(("number", "kind"), [
    (errno.EPERM, FailureKind.NO_PRIVILEGE),
    (errno.EACCES, FailureKind.NO_PRIVILEGE),
    (errno.EMFILE, FailureKind.LOCAL_LIMIT),        # out of file descriptors is no missing privilege
    (errno.EAFNOSUPPORT, FailureKind.NO_ROUTE),     # a system without IPv6
])
async def test_why_there_is_no_echo_socket(monkeypatch: pytest.MonkeyPatch, number: int, kind: FailureKind) -> None:
    """Only a missing privilege is called one."""
    network = SocketNetwork(Pace())
    monkeypatch.setattr(socket, "socket", _Refusing(datagram=number, raw=number))
    with pytest.raises(NotObserved) as caught:
        network.echo_method("2001:db8::11")
    assert caught.value.failure.kind is kind


async def test_source_address_is_none_where_the_system_cannot_even_ask(monkeypatch: pytest.MonkeyPatch) -> None:
    """A system without IPv6 has no source address for IPv6, and no crash."""
    network = SocketNetwork(Pace())
    assert network.source_address("127.0.0.9") == "127.0.0.1"
    monkeypatch.setattr(socket, "socket", _Refusing(datagram=errno.EAFNOSUPPORT))
    assert network.source_address("::1") is None


async def test_the_unbroken_clock_is_the_one_that_goes_on_while_the_runner_is_suspended(monkeypatch: pytest.MonkeyPatch) -> None:
    """Linux calls it CLOCK_BOOTTIME (clock_gettime(2)); without a suspension both clocks advance alike."""
    async with SocketNetwork(Pace()) as network:
        ahead = network.unbroken() - network.monotonic()
        await network.sleep(0.01)
        assert network.unbroken() - network.monotonic() == pytest.approx(ahead, abs=0.05)
        monkeypatch.setattr(time, "clock_gettime", {time.CLOCK_BOOTTIME: 4321.0}.__getitem__)
        assert network.unbroken() == 4321.0


async def test_refused_connection_is_a_reset_without_sender() -> None:
    """A reset names nobody; the stream's handshake is timed where it is established."""
    with socket.create_server(("127.0.0.1", 0)) as server, socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        async with SocketNetwork(Pace()) as network:
            stream = await network.connect("127.0.0.1", server.getsockname()[1], timeout_seconds=1.0)
            assert 0 < stream.connect_seconds < 1.0
            stream.close()
            stream.close()
            with pytest.raises(NotObserved) as caught:
                await network.connect("127.0.0.1", held.getsockname()[1], timeout_seconds=1.0)
    assert (caught.value.failure.kind, caught.value.failure.sender) == (FailureKind.REFUSED, None)


async def test_a_full_packet_passes_whole_to_ourselves() -> None:
    """The loopback interface carries the usual size, over a real socket that forbids fragments."""
    from probes.path import measure
    from shared.questions import PathQuestion

    async with SocketNetwork(Pace()) as network:
        for address in ("127.0.0.1", "::1"):
            seen = await measure(network, PathQuestion(address, 1500))
            if seen.failure is not None:
                assert seen.failure.kind is FailureKind.NO_PRIVILEGE
                continue
            assert {trial.size_octets: trial.failure for trial in seen.trials}[1500] is None


async def test_our_own_address_is_nobody_elses_to_claim() -> None:
    """Nothing is asked, and nothing opened, for an address of this machine."""
    from probes.link import owners
    from shared.questions import OwnersQuestion

    async with SocketNetwork(Pace()) as network:
        for address in ("127.0.0.1", "127.0.9.9", "::1"):
            seen = await owners(network, OwnersQuestion(address))
            assert seen.failure is not None
            assert (seen.failure.kind, seen.failure.phase, seen.asked) == (FailureKind.NO_ROUTE, "own", 0)


ASK = Service("test", key_of=lambda data: data[:4] or None, key_of_request=lambda data: data[:4])
CROWDED = Service("test", key_of=lambda data: data[:4] or None, key_of_request=lambda data: data[:4], crowded=True)


def _peer() -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.bind(("127.0.0.1", 0))
    sock.setblocking(False)
    return sock


def _waiting(sock: socket.socket) -> list[tuple[bytes, tuple[str, int]]]:
    """Every datagram in a socket's queue, taken out."""
    queue = []
    with contextlib.suppress(BlockingIOError):
        while True:
            queue.append(sock.recvfrom(64))
    return queue


async def _ask(
    network: SocketNetwork, peer: socket.socket, key: bytes, timeout_seconds: float, service: Service = ASK
) -> Datagram:
    address, port = peer.getsockname()
    return await network.exchange(service, address, port, key + b"?", key=key, accept=lambda _data: True,
                                  timeout_seconds=timeout_seconds)


async def _first_asker(peer: socket.socket) -> tuple[str, int]:
    """Let the loop turn until a question is in the peer's queue, at most a few seconds; who asked."""
    async with asyncio.timeout(5):
        while not (queue := _waiting(peer)):  # noqa: ASYNC110 -- nothing of ours is to wait for the peer's queue
            await asyncio.sleep(0)
    return queue[0][1]


async def test_an_answer_that_only_waits_for_us_to_read_it_is_no_silence() -> None:
    """On a busy machine time is up before we come to the end of a long queue; what is in it arrived in time."""
    with _peer() as peer:
        async with SocketNetwork(Pace()) as network:
            asked = asyncio.create_task(_ask(network, peer, b"0001", 0.05))
            asker = await _first_asker(peer)
            for _ in range(600):
                peer.sendto(b"9999 somebody else's", asker)
            peer.sendto(b"0001!", asker)
            busy_until = time.monotonic() + 0.1
            while time.monotonic() < busy_until:
                pass
            assert (await asked).data == b"0001!"


async def _failure_of(network: SocketNetwork, peer: socket.socket, key: bytes) -> Failure | None:
    """How a question failed, without the exception, which nothing here is to hold on to."""
    try:
        await _ask(network, peer, key, 0.2)
    except NotObserved as caught:
        return caught.failure
    return None


async def test_an_answer_from_another_address_is_told_beside_the_silence() -> None:
    """It is no answer (RFC 5452 section 9.1), but says why none came; one to another question says nothing."""
    with _peer() as peer, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.2", 0))
        async with SocketNetwork(Pace()) as network:
            for answered, told in ((b"0001", f"127.0.0.2 port {other.getsockname()[1]}"), (b"0002", "")):
                asked = asyncio.create_task(_failure_of(network, peer, b"0001"))
                other.sendto(answered + b"!", await _first_asker(peer))
                failure = await asked
                assert failure is not None
                assert (failure.kind, failure.answered_from) == (FailureKind.NO_ANSWER, told)


async def test_silence_leaves_nothing_to_the_cycle_collector() -> None:
    """A thousand silent hosts leave no exceptions behind that hold their frames and are held by them."""
    before = gc.isenabled()
    gc.disable()
    try:
        with _peer() as peer:
            async with SocketNetwork(Pace()) as network:
                with pytest.raises(NotObserved):
                    await _ask(network, peer, b"0001", 0.01)
        assert not [held for held in gc.get_objects() if isinstance(held, NotObserved) and held.failure.phase == "answer"]
    finally:
        if before:
            gc.enable()


async def test_time_up_on_a_connection_that_stands_is_no_silence() -> None:
    """The same for a handshake that the kernel has finished while we were busy; one under way is silence."""
    with socket.create_server(("127.0.0.1", 0)) as server, socket.create_connection(server.getsockname()) as connected:
        assert connections.outcome_of(connected) == 0
    with socket.create_server(("127.0.0.1", 0), backlog=0) as full, contextlib.ExitStack() as held:
        # A full accept queue lets further SYNs go unanswered.
        for _ in range(4):
            waiting = held.enter_context(socket.socket())
            waiting.setblocking(False)
            waiting.connect_ex(full.getsockname())
        assert connections.outcome_of(waiting) is None


async def test_a_server_has_no_more_questions_in_hand_than_the_pace_allows() -> None:
    """Counted at the server: once it has answered anything, the next question waits for one of those before it."""
    with _peer() as peer:
        async with SocketNetwork(Pace(packets_per_second=1e6, server_questions=20)) as network:
            first = asyncio.create_task(_ask(network, peer, b"0000", 5.0, CROWDED))
            asker = await _first_asker(peer)
            peer.sendto(b"0000!", asker)
            await first
            rest = [asyncio.create_task(_ask(network, peer, b"%04d" % number, 5.0, CROWDED)) for number in range(1, 201)]
            most, answered = 0, 0
            while answered < 200:
                for _ in range(20):
                    await asyncio.sleep(0)
                queue = _waiting(peer)
                most = max(most, len(queue))
                answered += len(queue)
                for data, _ in queue:
                    peer.sendto(data[:4] + b"!", asker)
            await asyncio.gather(*rest)
    assert most == 20


@pytest.mark.parametrize("number", [errno.EMFILE, errno.ENOBUFS, errno.ENFILE])
async def test_what_the_runner_is_short_of_is_waited_for_and_counted(monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """Twice no socket is to be had; at the third time it is, and the host never hears of it."""
    short = [number, number]
    real = socket.socket

    def sometimes(*args: Any, **kwargs: Any) -> socket.socket:
        if short:
            raise OSError(short.pop(), "short")
        return real(*args, **kwargs)

    with socket.create_server(("127.0.0.1", 0)) as server:
        async with SocketNetwork(Pace()) as network:
            monkeypatch.setattr(sockets, "_PAUSES", (0.0,) * 4)
            monkeypatch.setattr(socket, "socket", sometimes)
            (await network.connect(*server.getsockname(), timeout_seconds=1.0)).close()
            monkeypatch.undo()
            assert network.shortages() == ((os.strerror(number), 2),)


def _no_socket(*_args: Any, **_kwargs: Any) -> socket.socket:
    raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))


async def test_a_lasting_shortage_is_our_own_and_said_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """After all pauses the failure is local-limit: nobody is blamed."""
    monkeypatch.setattr(sockets, "_PAUSES", (0.0,) * 4)
    async with SocketNetwork(Pace()) as network:
        monkeypatch.setattr(socket, "socket", _no_socket)
        with pytest.raises(NotObserved) as caught:
            await network.connect("127.0.0.1", 9, timeout_seconds=1.0)
        monkeypatch.undo()
    assert caught.value.failure.kind is FailureKind.LOCAL_LIMIT
    assert network.shortages() == ((os.strerror(errno.EMFILE), 4),)


async def test_answers_lost_in_our_own_full_queue_are_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel tells of a loss with the next datagram; where that was the last, it is asked."""
    monkeypatch.setattr(datagrams, "_RECEIVE_BUFFER_OCTETS", 4096)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.1", 0))
        server.setblocking(False)
        async with SocketNetwork(Pace(packets_per_second=1e6)) as network:
            async def ask(number: int) -> str:
                token = number.to_bytes(4, "big")
                try:
                    await network.exchange(ASK, "127.0.0.1", server.getsockname()[1], token, key=token, accept=lambda _data: True,
                                           timeout_seconds=0.3)
                except NotObserved as unseen:
                    return unseen.failure.kind
                return "answered"

            asking = [asyncio.create_task(ask(number)) for number in range(40)]
            await asyncio.sleep(0.05)
            # All answers at once, while nobody reads.
            with contextlib.suppress(BlockingIOError):
                while True:
                    question, client = server.recvfrom(100)
                    server.sendto(question + bytes(1400), client)
            outcomes = await asyncio.gather(*asking)
            lost = outcomes.count(FailureKind.LOCAL_LIMIT)
            assert lost > 0
            assert outcomes.count("answered") == 40 - lost
            assert network.shortages() == (("answers lost in a full receive queue", lost),)


async def test_a_turn_is_to_spare_when_all_that_was_asked_for_has_been_sent() -> None:
    """A fifth of a second's worth beyond the burst is waited for, and nothing where nothing waits."""
    async with SocketNetwork(Pace(packets_per_second=500.0)) as network:
        began = time.monotonic()
        await network.spare_turn()
        idle = time.monotonic() - began
        asked = [asyncio.create_task(network._turn()) for _ in range(150)]
        await network.spare_turn()
        assert time.monotonic() - began >= 0.19
        assert sum(task.done() for task in asked) >= 140
        assert idle < 0.19
