"""Finds every machine that claims an address on the runner's own wire, by asking all of the wire three times and listening.

The kernel's own neighbour table shows one of two owners, whichever answered last; here all answers are kept.
"""

from __future__ import annotations

from probes.linkwire import Claim, pack_probe, pack_solicitation
from probes.seam import Network, NotObserved, Wire, failed, now
from shared.evidence import FailureKind, Owner, OwnersEvidence
from shared.questions import OwnersQuestion

#: RFC 5227 section 1.1: PROBE_NUM, PROBE_MIN and ANNOUNCE_WAIT, used for IPv6 as well.  The shortest spacing that is allowed
#: there is also the closest that RFC 1122 section 2.3.2.1 lets ARP requests to one destination follow each other.
PROBES, SPACING_SECONDS, LISTEN_SECONDS = 3, 1.0, 2.0
#: The most owners kept.  Ours: two are one too many, and a hostile machine may claim under a thousand names.
OWNERS_LIMIT = 16


async def owners(network: Network, question: OwnersQuestion) -> OwnersEvidence:
    """Ask the wire for the owners of an address, which takes ``(PROBES - 1) * SPACING_SECONDS + LISTEN_SECONDS`` = 4 s.

    ``pace.timeout_seconds`` does not shorten it: the RFC says how long to listen.  Raises nothing.
    """
    at = now(network)
    heard: dict[str, list[int]] = {}
    try:
        wire = network.wire_to(question.address)
        asked = await _ask(network, wire, question.address, heard)
    except NotObserved as unseen:
        return OwnersEvidence(address=question.address, at=at, owners=_owners(heard), failure=unseen.failure)
    return OwnersEvidence(address=question.address, at=at, interface=wire.interface, asked=asked, owners=_owners(heard))


async def _ask(network: Network, wire: Wire, address: str, heard: dict[str, list[int]]) -> int:
    def hear(claim: Claim) -> None:
        if claim.mac in heard or len(heard) < OWNERS_LIMIT:
            heard.setdefault(claim.mac, [0, 0])[0 if claim.asked else 1] += 1

    frame = _question(network, wire, address)
    with wire.listen(address, hear):
        for probe in range(PROBES):
            if probe:
                await network.sleep(SPACING_SECONDS)
            await wire.send(frame)
        await network.sleep(LISTEN_SECONDS)
    return PROBES


def _question(network: Network, wire: Wire, address: str) -> bytes:
    if ":" not in address:
        return pack_probe(wire.mac, address)
    own = network.source_address(address)
    if own is None:
        raise failed(FailureKind.NO_ROUTE, "off-link", 0.0, "the runner has no IPv6 address on the wire to ask from")
    return pack_solicitation(wire.mac, own, address)


def _owners(heard: dict[str, list[int]]) -> tuple[Owner, ...]:
    return tuple(Owner(mac=mac, answers=answers, unasked=unasked) for mac, (answers, unasked) in heard.items())
