"""Signs of life: what proves a host, what only suggests one, and when silence counts."""

from __future__ import annotations

import pytest

from shared.evidence import (
    ClockEvidence,
    EchoEvidence,
    Failure,
    FailureKind,
    HostEvidence,
    PortEvidence,
    PortState,
)
from verify.grading.life import Life, signs_of_life

HOST, ROUTER = "192.0.2.11", "192.0.2.1"


def failure(kind: FailureKind, sender: str | None = None) -> Failure:
    return Failure(kind=kind, phase="answer", elapsed_seconds=2.0, sender=sender)


def echo(*trips: float | None, why: Failure | None = None, warm_up: float | None = None, address: str = HOST) -> EchoEvidence:
    return EchoEvidence(address=address, method="icmp-raw", at="", warm_up_seconds=warm_up, round_trips_seconds=trips,
                        failure=why)


def port(state: PortState, why: Failure | None = None, number: str = "443/tcp") -> PortEvidence:
    return PortEvidence(address=HOST, port=number, state=state, at="", elapsed_seconds=0.0, attempts=1, failure=why)


def life(*, echoes: tuple[EchoEvidence, ...] = (), ports: tuple[PortEvidence, ...] = (),
         clocks: tuple[ClockEvidence, ...] = ()) -> Life:
    return signs_of_life(HostEvidence(fqdn="dome-a.obs.example.net", echoes=echoes, ports=ports, clocks=clocks), HOST)


MUTE = echo(None, None, why=failure(FailureKind.NO_ANSWER))


@pytest.mark.parametrize(("seen", "sure"), [
    ({"echoes": (echo(None, 0.001),)}, ("echo replies",)),
    ({"echoes": (echo(None, None, warm_up=0.001, why=failure(FailureKind.NO_ANSWER)),)}, ("echo replies",)),
    ({"echoes": (MUTE,), "ports": (port(PortState.OPEN),)}, ("443/tcp accepts",)),
    ({"clocks": (ClockEvidence(server=HOST, address=HOST, port=123, at="", kiss_code="RATE"),)}, ("NTP answers",)),
])
def test_what_only_the_address_could_have_said_is_sure(seen: dict[str, tuple[object, ...]], sure: tuple[str, ...]) -> None:
    """An echo reply, an open port or an NTP answer proves life."""
    found = life(**seen)  # type: ignore[arg-type]
    assert (found.sure, found.unsure, found.dead) == (sure, (), False)


@pytest.mark.parametrize(("seen", "unsure"), [
    ({"ports": (port(PortState.REFUSED, failure(FailureKind.REFUSED)),)}, ("443/tcp resets",)),
    ({"ports": (port(PortState.REJECTED, failure(FailureKind.PROHIBITED, HOST)),)},
     ("443/tcp is rejected by the address itself",)),
    ({"echoes": (echo(None, why=failure(FailureKind.MISMATCHED)),)}, ("echo replies that match no request in time",)),
    ({"echoes": (echo(None, why=failure(FailureKind.PROHIBITED, HOST)),)}, ("echo is rejected by the address itself",)),
])
def test_what_a_firewall_could_have_sent_is_unsure(seen: dict[str, tuple[object, ...]], unsure: tuple[str, ...]) -> None:
    """A reset or an ICMP error suggests life without proving it; it never lets a host be called dead."""
    found = life(**{"echoes": (MUTE,), **seen})  # type: ignore[arg-type]
    assert (found.sure, found.unsure, found.dead) == ((), unsure, False)


@pytest.mark.parametrize("why", [FailureKind.NO_ANSWER, FailureKind.UNREACHABLE])
def test_silence_of_everything_asked_is_death(why: FailureKind) -> None:
    """Echoes went out, nothing came: also where a router says that it found no such host."""
    silent = port(PortState.SILENT, failure(FailureKind.NO_ANSWER))
    assert life(echoes=(echo(None, why=failure(why, ROUTER)),), ports=(silent,)).dead
    no_host = port(PortState.REJECTED, failure(FailureKind.UNREACHABLE, ROUTER))
    assert life(echoes=(MUTE,), ports=(no_host,)).dead


@pytest.mark.parametrize("why", [
    FailureKind.NO_PRIVILEGE, FailureKind.NO_ROUTE, FailureKind.LOCAL_LIMIT, FailureKind.PROHIBITED, FailureKind.OTHER,
])
def test_echoes_that_never_arrived_prove_no_death(why: FailureKind) -> None:
    """Where the runner could not ask, or a filter forbade it, silence is nobody's."""
    found = life(echoes=(echo(why=failure(why, ROUTER)),), ports=(port(PortState.SILENT),))
    assert (found.echo_sent, found.dead) == (False, False)


def test_nothing_asked_is_not_dead() -> None:
    """No evidence is no death."""
    assert not life().dead


def test_host_behind_a_filter_that_bars_every_port_is_not_dead() -> None:
    """Where every connection is turned back on the way, the host itself was never asked; one that got through settles it."""
    barred = port(PortState.REJECTED, failure(FailureKind.PROHIBITED, ROUTER))
    assert not life(echoes=(MUTE,), ports=(barred, barred)).dead
    assert life(echoes=(MUTE,), ports=(barred, port(PortState.SILENT, failure(FailureKind.NO_ANSWER)))).dead


def test_signs_of_other_addresses_do_not_count() -> None:
    """Each address lives on its own."""
    found = life(echoes=(MUTE, echo(0.001, address="192.0.2.12")))
    assert (found.sure, found.dead) == ((), True)
