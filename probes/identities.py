"""Comes back to a port a few times, just long enough to see who is there: two owners of one address take turns.

From outside the wire that is all there is to be seen of them.  Two further connections are few: which of two owners is met is
decided by what the last router remembers, for minutes at a time, so many more would not find many more.
"""

from __future__ import annotations

from probes.certificate import shown_certificate
from probes.seam import Network, NotObserved, now
from probes.shell import shown_key
from shared.evidence import Identity
from shared.questions import PortQuestion

#: Seconds between the visits: apart enough to straddle a change, and over before the burst of NTP exchanges is.  Ours.
SPACING_SECONDS = 0.5


async def revisit(network: Network, question: PortQuestion) -> tuple[Identity, ...]:
    """Make ``question.visits`` further connections to a port that is open, one after the other.

    Each takes at most ``pace.timeout_seconds`` to connect and again to show who is there.  After one that failed no other
    follows: what answers is not asked again to be spared.  Raises nothing.
    """
    met: list[Identity] = []
    while len(met) < question.visits and not (met and met[-1].failure):
        await network.sleep(SPACING_SECONDS)
        met.append(await _visit(network, question))
    return tuple(met)


async def _visit(network: Network, question: PortQuestion) -> Identity:
    at, port = now(network), f"{question.port}/tcp"
    try:
        stream = await network.connect(question.address, question.port, timeout_seconds=network.pace.timeout_seconds)
        if question.speaks == "tls":
            kind, fingerprint = "tls", await shown_certificate(network, question, stream)
        else:
            key = await shown_key(network, stream)
            kind, fingerprint = key.key_type, key.fingerprint
    except NotObserved as unseen:
        return Identity(address=question.address, port=port, at=at, failure=unseen.failure)
    return Identity(address=question.address, port=port, at=at, kind=kind, fingerprint=fingerprint)
