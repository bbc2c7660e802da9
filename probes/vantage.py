"""Where the probes stand: the runner's own name, addresses and privileges, and the networks it is in itself."""

from __future__ import annotations

import contextlib
import ipaddress

from probes.seam import Network, NotObserved
from shared.evidence import Vantage


def look_around(network: Network, *, name: str, footholds: tuple[tuple[str, str, str], ...]) -> Vantage:
    """What the runner can say of its own place.  Sends nothing.

    ``footholds`` holds (network name, subnet, an address in it).  A runner whose route to that address leaves from an
    address in the same subnet stands on the same wire; so does one that reaches it without leaving the machine.  A network may
    have a subnet of each family, and is one wire all the same.  Without a subnet nothing is said of the wire.
    """
    on_link: dict[str, bool] = {}
    addresses: dict[str, None] = {}
    for network_name, subnet, address in footholds:
        source = network.source_address(address)
        if source is None:
            continue
        addresses[source] = None
        if not subnet:
            continue
        own = ipaddress.ip_address(source)
        on_link[network_name] = on_link.get(network_name, False) or own.is_loopback or own in ipaddress.ip_network(subnet)
    return Vantage(name=name, addresses=tuple(addresses), privileges=_privileges(network), on_link=on_link)


def _privileges(network: Network) -> tuple[str, ...]:
    """Which ICMP sockets the system allows, by family."""
    allowed = []
    for family, address in (("IPv4", "127.0.0.1"), ("IPv6", "::1")):
        with contextlib.suppress(NotObserved):
            allowed.append(f"{network.echo_method(address)} {family}")
    return tuple(allowed)
