"""Plans as files, to be broken in one place."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from labkit import databases
from labkit.databases import Database
from verify.errors import PlanError
from verify.planfile import read_plan

#: The plan that the project's public contract shows, less its trust anchor.
CONTRACT_PLAN = '''\
[plan]
title = "Tidewater Observatory, rack 2"
domain = "obs.example.net"          # suffix of every short host name
profile = "production"

[names]
servers = ["192.0.2.53", "192.0.2.54"]      # ADDRESS, ADDRESS:PORT or [V6]:PORT

[time]
sources = ["192.0.2.61", "time2.obs.example.net"]   # address or name, optional :PORT

[networks.mgmt]
subnet = "192.0.2.0/24"             # or address and mask as typed: "192.0.2.0 255.255.255.0"
gateway = "192.0.2.1"
vlan = 20                           # optional, printed on the sheet
mtu = 1500                          # optional, default 1500
pool = ["192.0.2.100-192.0.2.199"]  # optional ranges handed out dynamically; no host may sit there
ipv6 = "off"                        # optional: "off" means no AAAA and no answer over IPv6

[roles.node]
open = ["22/tcp", "443/tcp"]        # must accept
closed = ["23/tcp", "5900/tcp"]     # must not accept
tls = ["443/tcp"]                   # speak TLS: certificate examined
ssh = ["22/tcp"]                    # speak SSH: identity examined
ntp = true                          # must itself answer NTP; false: its clock is judged by other evidence

[[hosts]]
name = "dome-a"                     # short or fully qualified
address = "192.0.2.11"              # one address or a list (both families)
network = "mgmt"
role = "node"

[[waivers]]
check = "certificate.trust"
host = "dome-*"
reason = "site CA is installed in phase 2"
until = 2027-01-31

[limits]                            # optional overrides of the profile, by name, with units
clock_offset = { caution = "100 ms", fail = "1 s" }
'''


#: One host on this machine, for runs of the command line; its role's rule on a port is filled in, and its servers' port.
_RACK_9 = """\
[plan]
title = "Tidewater Observatory, rack 9"
domain = "obs.example.net"
[names]
servers = ["127.0.0.1:{servers}"]
[time]
sources = ["127.0.0.1:{servers}"]
[networks.rack9]
subnet = "127.20.9.0/24"
[roles.node]
{rule}
[[hosts]]
name = "dome-a"
address = "127.20.9.11"
network = "rack9"
role = "node"
"""


@pytest.fixture
def rack_9() -> Callable[..., str]:
    """``rack_9(rule, servers=1)``: the plan of one host under this rule of its role; port 1 of this machine refuses."""
    def plan(rule: str, servers: int = 1) -> str:
        return _RACK_9.format(rule=rule, servers=servers)

    return plan


@pytest.fixture
def contract_plan() -> str:
    return CONTRACT_PLAN


@pytest.fixture
def write_plan(tmp_path: Path) -> Callable[..., Path]:
    """``write_plan(old=..., new=..., ...)``: the contract's plan as a file, each ``old`` text replaced by its ``new``."""

    def write(*replacements: tuple[str, str]) -> Path:
        text = CONTRACT_PLAN
        for old, new in replacements:
            assert text.count(old) >= 1, f"the plan does not hold {old!r}"
            text = text.replace(old, new, 1)
        path = tmp_path / "tidewater.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.fixture
def problems_of(write_plan: Callable[..., Path]) -> Callable[..., list[str]]:
    """``problems_of((old, new), ...)``: what the reader says of the plan so changed, without the folder's name."""

    def problems(*replacements: tuple[str, str]) -> list[str]:
        path = write_plan(*replacements)
        with pytest.raises(PlanError) as caught:
            read_plan(path)
        return [problem.replace(f"{path.parent}/", "") for problem in caught.value.problems]

    return problems


@pytest.fixture(scope="session")
def server() -> Iterator[Database]:
    """A PostgreSQL server, for every test that asks for one."""
    with databases.running() as running:
        yield running


@pytest.fixture(scope="session")
def authority_pem() -> bytes:
    """A throwaway CA certificate in PEM."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Tidewater test CA")])
    begin = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
    certificate = (x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
                   .serial_number(1).not_valid_before(begin).not_valid_after(begin + datetime.timedelta(days=3650))
                   .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
                   .sign(key, hashes.SHA256()))
    return certificate.public_bytes(serialization.Encoding.PEM)
