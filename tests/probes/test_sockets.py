"""The real network's judgement of its own errors: what is said by the runner's kernel, and what by others."""

from __future__ import annotations

import errno
import os
import socket

import pytest

from probes.seam import NotObserved
from probes.sockets import SocketNetwork
from shared.evidence import FailureKind
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
