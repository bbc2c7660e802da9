"""Whose hardware address to ask for, and which packet sizes to try: of planned addresses only."""

from __future__ import annotations

from shared.plan import Host, Plan
from shared.questions import OwnersQuestion, PathQuestion
from verify.asking.hosts import addresses_among, gateways


def gateway_questions(plan: Plan) -> tuple[OwnersQuestion, ...]:
    """One question a planned gateway, in plan order: a second owner of its address takes a whole network down.

    A gateway that is a planned host itself is asked about as a host, and not twice a second (RFC 1122 section 2.3.2.1).
    """
    hosts = {address for host in plan.hosts for address in host.addresses}
    return tuple(OwnersQuestion(gateway) for gateway in gateways(plan) if gateway not in hosts)


def owner_questions(host: Host) -> tuple[OwnersQuestion, ...]:
    """One question an address of the host.  Off the host's wire it sends nothing."""
    return tuple(OwnersQuestion(address) for address in addresses_among(host.addresses))


def path_questions(plan: Plan, host: Host) -> tuple[PathQuestion, ...]:
    """One question an address of the host, about the MTU that its network is planned to have."""
    network = plan.network(host.network)
    if network is None:
        return ()
    return tuple(PathQuestion(address, network.mtu) for address in addresses_among(host.addresses))
