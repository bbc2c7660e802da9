"""Fixtures for every test: a sound rehearsal plan to begin from and to break in one place."""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable, Iterator
from types import ModuleType
from typing import Any

import hypothesis
import msgspec
import pytest

from shared.plan import Endpoint, Host, Network, Place, Plan, Port, Role

# The same examples on every run, and no deadline nor slowness that a busy machine could be blamed for.
hypothesis.settings.register_profile("steady", derandomize=True, deadline=None, database=None,
                                     suppress_health_check=[hypothesis.HealthCheck.too_slow])
hypothesis.settings.load_profile("steady")

FILE = "tidewater.toml"
DOMAIN = "obs.example.net"


def _endpoint(host: str, port: int) -> Endpoint:
    return Endpoint(host=host, port=port, label=host)


def _host(name: str, address: str, line: int) -> Host:
    return Host(name=name, fqdn=f"{name}.{DOMAIN}", addresses=(address,), addresses_typed=(address,), network="mgmt",
                role="node", place=Place(FILE, line))


_SOUND = Plan(
    file=FILE,
    sha256="0" * 64,
    title="Tidewater Observatory, rack 2",
    domain=DOMAIN,
    profile="production",
    name_servers=(_endpoint("192.0.2.53", 53), _endpoint("192.0.2.54", 53)),
    time_sources=tuple(_endpoint(f"192.0.2.{last}", 123) for last in (61, 62, 63, 64)),
    anchors=(),
    anchors_pem=(),
    networks=(Network(name="mgmt", subnet_typed="192.0.2.0/24", subnet="192.0.2.0/24", gateway="192.0.2.1",
                      place=Place(FILE, 12)),),
    roles=(Role(name="node", open=(Port(22), Port(443)), closed=(Port(23),), tls=(Port(443),), ssh=(Port(22),),
                ntp_port=123, place=Place(FILE, 17)),),
    hosts=(_host("dome-a", "192.0.2.11", 24), _host("dome-b", "192.0.2.12", 30)),
    domain_place=Place(FILE, 3),
    names_place=Place(FILE, 6),
    time_place=Place(FILE, 9),
)


@pytest.fixture(scope="session", autouse=True)
def _state_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Runs that tests make go into a history of the tests' own, never into that of whoever runs them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(os.environ, "XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield


@pytest.fixture(scope="session")
def make_plan() -> Callable[..., Plan]:
    """``make_plan(**overrides) -> Plan``: a sound rehearsal plan with some of its fields replaced.

    Network mgmt 192.0.2.0/24, gateway .1; name servers .53 and .54; time sources .61 to .64; role node (open 22 and 443,
    closed 23, TLS on 443, SSH on 22, NTP on 123); hosts dome-a (.11) and dome-b (.12) of obs.example.net.
    """

    def build(**overrides: Any) -> Plan:
        return msgspec.structs.replace(_SOUND, **overrides)

    return build


@pytest.fixture(scope="session")
def sample() -> ModuleType:
    """The module that builds sample reports (``tests/reports/sample.py``)."""
    return importlib.import_module("tests.reports.sample")
