"""Comes back to a port a few times, just long enough to see who is there: two owners of one address take turns.

From outside the wire that is all there is to be seen of them.  Two further connections are few: which of two owners is met is
decided by what the last router remembers, for minutes at a time, so many more would not find many more.
"""

from __future__ import annotations

from probes.certificate import shown_certificate
from probes.seam import Network, NotObserved, Stream, now
from probes.ssh import shown_key
from probes.tlsleaf import shown_in_the_clear
from shared.evidence import Identity, TlsEvidence
from shared.questions import PortQuestion

#: Seconds between the visits: apart enough to straddle a change, and over before the burst of NTP exchanges is.  Ours.
SPACING_SECONDS = 0.5


async def revisit(network: Network, question: PortQuestion, tls: TlsEvidence | None = None) -> tuple[Identity, ...]:
    """Make ``question.visits`` further connections to a port that is open, one after the other.

    ``tls`` is what a TLS port showed before.  Each visit takes at most ``pace.timeout_seconds`` to connect and again to show
    who is there.  After one that failed no other follows: what answers is not asked again to be spared.  Raises nothing.
    """
    met: list[Identity] = []
    sight = _Sight(network, question, tls)
    while len(met) < question.visits and not (met and met[-1].failure):
        await network.sleep(SPACING_SECONDS)
        met.append(await sight.visit())
    return tuple(met)


class _Sight:
    """How one port is looked at: by a certificate in the clear where that is as good as a handshake, which costs five times it.

    It is as good once it has shown the certificate that the handshake showed.  A server may have several, and choose by
    what it is offered: one that shows another in the clear is met by handshakes from then on.
    """

    def __init__(self, network: Network, question: PortQuestion, tls: TlsEvidence | None) -> None:
        self._network = network
        self._question = question
        self._expected = tls.chain[0].sha256 if tls is not None and tls.chain else ""
        self._in_the_clear = tls is not None and any(
            trial.version == "TLS 1.2" and trial.outcome == "accepted" for trial in tls.versions)
        self._as_good = False

    async def visit(self) -> Identity:
        question, at, port = self._question, now(self._network), self._question.label
        try:
            kind, fingerprint = await self._look()
        except NotObserved as unseen:
            return Identity(address=question.address, port=port, at=at, failure=unseen.failure)
        return Identity(address=question.address, port=port, at=at, kind=kind, fingerprint=fingerprint)

    async def _look(self) -> tuple[str, str]:
        """The kind and fingerprint of who is there.  Raises NotObserved."""
        network, question = self._network, self._question
        stream = await self._connect()
        if question.speaks != "tls":
            key = await shown_key(network, stream)
            return key.key_type, key.fingerprint
        if self._in_the_clear:
            fingerprint = await shown_in_the_clear(network, question, stream)
            self._as_good = self._as_good or fingerprint == self._expected
            if self._as_good:
                return "tls", fingerprint
            self._in_the_clear, stream = False, await self._connect()
        return "tls", await shown_certificate(network, question, stream)

    async def _connect(self) -> Stream:
        question = self._question
        return await self._network.connect(question.address, question.port, timeout_seconds=self._network.pace.timeout_seconds)
