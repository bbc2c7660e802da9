"""The kernel's own answers about routes, as the search for a shared wire reads them."""

from __future__ import annotations

import errno
import socket

import pytest

from probes import frames
from probes.frames import route_to, wire_interface
from probes.seam import NotObserved
from shared.evidence import FailureKind


@pytest.mark.parametrize("address", ["127.0.0.1", "127.20.2.11", "::1"])
def test_an_address_of_this_machine_is_its_own(address: str) -> None:
    """Over the loopback interface, through no router."""
    route = route_to(address)
    assert route is not None
    assert (route.own, route.gateway, socket.if_indextoname(route.interface)) == (True, None, "lo")


def failure_of(address: str) -> tuple[FailureKind, str, str]:
    with pytest.raises(NotObserved) as caught:
        wire_interface(address)
    return caught.value.failure.kind, caught.value.failure.phase, caught.value.failure.detail


def test_why_there_is_no_shared_wire_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """A router between, no route at all, the machine itself: three reasons, one kind."""
    routes = {"192.0.2.11": frames.Route(interface=1, gateway="198.51.100.1", own=False), "192.0.2.12": None,
              "192.0.2.13": frames.Route(interface=1, gateway=None, own=True)}
    monkeypatch.setattr(frames, "route_to", routes.get)
    kind, phase, detail = failure_of("192.0.2.11")
    assert (kind, phase) == (FailureKind.NO_ROUTE, "off-link")
    assert detail.endswith("packets to it go through 198.51.100.1")
    assert failure_of("192.0.2.12")[:2] == (FailureKind.NO_ROUTE, "off-link")
    assert failure_of("192.0.2.13")[:2] == (FailureKind.NO_ROUTE, "own")


def test_a_kernel_that_cannot_be_asked_is_no_bug_of_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    """A container without netlink, or an interface that is gone by the time it is named."""
    def refusing(_address: str) -> None:
        raise OSError(errno.EPROTONOSUPPORT, "Protocol not supported")

    monkeypatch.setattr(frames, "route_to", refusing)
    assert failure_of("192.0.2.11")[1] == "route"
    monkeypatch.setattr(frames, "route_to", lambda _address: frames.Route(interface=999_999, gateway=None, own=False))
    assert failure_of("192.0.2.11")[1] == "route"


@pytest.mark.parametrize("octets", [b"", b"\x00", b"\x08\x00", b"\x00\x00\x04\x00" * 2, b"\x03\x00\x01\x00\xff\xff\xff\xff"])
def test_attributes_cut_short_are_read_without_harm(octets: bytes) -> None:
    """A length below its own header ends the reading."""
    assert len(list(frames._attributes(octets))) <= 1
