"""The laboratory's plan, as its operator would have written it."""

from __future__ import annotations

from dataclasses import dataclass

from verify.laboratory.scenario import DOMAIN, GATEWAY, HOSTS, NAME_SERVERS, SUBNET, TIME_SOURCES


@dataclass(frozen=True, slots=True)
class Ports:
    """Where the laboratory's servers listen: free ports, the same on every address, so that no privilege is needed."""

    names: int
    time: int
    shell: int
    web: int
    console: int


def plan_text(ports: Ports, anchor_file: str) -> str:
    """The plan of the laboratory as TOML."""
    servers = ", ".join(f'"{address}:{ports.names}"' for address in NAME_SERVERS)
    sources = ", ".join(f'"{address}:{ports.time}"' for address in TIME_SOURCES)
    hosts = "\n".join(
        f'[[hosts]]\nname = "{host.name}"\naddress = "{host.address}"\nnetwork = "rack2"\nrole = "node"\n' for host in HOSTS)
    return f"""\
# The laboratory of "seatrial demo": a small site on this machine's loopback range.  Its faults are planted.
[plan]
title = "Tidewater Observatory, rack 2 (laboratory)"
domain = "{DOMAIN}"
profile = "production"

[names]
servers = [{servers}]

[time]
sources = [{sources}]

[trust]
anchors = ["{anchor_file}"]

[networks.rack2]
subnet = "{SUBNET}"
gateway = "{GATEWAY}"
vlan = 20
ipv6 = "off"

[roles.node]
open = ["{ports.shell}/tcp", "{ports.web}/tcp"]
closed = ["{ports.console}/tcp"]
tls = ["{ports.web}/tcp"]
ssh = ["{ports.shell}/tcp"]
ntp = "{ports.time}/udp"

[[leave_out]]
check = "gateway.return-path"
reason = "everything is on one machine, so no answer ever passes a router"

{hosts}"""
