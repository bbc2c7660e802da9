"""Finds out which packet sizes pass whole to an address, by echoes that nobody on the way may fragment.

Where a router says "too big" its word is tried (RFC 1191 section 4, RFC 8201 section 4).  Where nobody says anything, sizes are
tried until the largest that passes is known closely enough to be recognised (RFC 8899 section 5.3 lets the search choose).
Sizes count the IP header.  What the kernel remembers of the path from earlier is not used: it can be ten minutes old.
"""

from __future__ import annotations

import asyncio
import secrets

from probes.echo import TOKEN_OCTETS, echo_service
from probes.icmpwire import Echo, pack_request, read_reply
from probes.seam import Network, NotObserved, now
from shared.evidence import Failure, FailureKind, PathMtuEvidence, SizeTrial
from shared.questions import PathQuestion

#: RFC 8899 section 5.1.2, MAX_PROBES: so many losses in a row of one size mean that it does not pass.
TRIES = 3
#: RFC 8899 section 5.1.1: the probe timer should not be below one second.
WAIT_SECONDS = 1.0
#: Sizes to try where the planned one vanishes: BASE_PLPMTU (RFC 8899 section 5.1.2), the least of IPv6 (RFC 8200 section 5),
#: usual tunnels, Ethernet, and the plateaus of RFC 1191 section 7.1 above it.
RUNGS = (1200, 1280, 1400, 1420, 1472, 1492, 1500, 2002, 4352, 8166)
#: How many sizes are tried at once between the largest that passed and the smallest that did not.  Ours.
_STEPS = 8
#: What no link may be smaller than: RFC 791 section 3.2; RFC 8200 section 5.  A "too big" that says less is not believed.
LEAST = {4: 68, 6: 1280}
#: How many "too big" are followed, one after the other: each names a smaller link.  Ours.
_FOLLOWED = 3

#: Octets of an IP header without options and an ICMP header (RFC 791, RFC 8200, RFC 792).
HEADERS = {4: 28, 6: 48}
#: A small packet: what an echo of 56 octets comes to.  Common practice, no source.
SMALL_PAYLOAD = 56
#: Timers are rarely exact; a wait that ends this much beyond what is left is still inside it.
_SLACK_SECONDS = 0.05

_SERVICES = {version: echo_service("icmp-whole", version) for version in (4, 6)}


async def measure(network: Network, question: PathQuestion) -> PathMtuEvidence:
    """Try a small packet, then the planned size, and where that does not pass look for one that does.

    Takes two round trips where all is well, and ``pace.timeout_seconds`` (at least one wait) at most, less what is spent waiting
    for our turn in the pace.  Raises nothing.
    """
    at = now(network)
    try:
        network.echo_method(question.address)
    except NotObserved as unseen:
        return PathMtuEvidence(address=question.address, at=at, planned_octets=question.octets, failure=unseen.failure)
    patience = max(network.pace.timeout_seconds, WAIT_SECONDS)
    walk = _Walk(network, question.address, patience)
    small = SMALL_PAYLOAD + HEADERS[walk.version]
    await walk.attempt([small], TRIES)
    first = walk.trials[small]
    if first.failure is None and question.octets > small:
        await _find(walk, question.octets)
    return PathMtuEvidence(address=question.address, at=at, planned_octets=question.octets,
                           trials=tuple(walk.trials.values()), failure=first.failure)


async def _find(walk: _Walk, planned: int) -> None:
    """Try the planned size, and where it does not pass look for the largest that does."""
    await walk.attempt([planned], 1)
    await _follow(walk, planned)
    if planned not in walk.trials or walk.settled(planned):
        return
    await walk.attempt([*(rung for rung in RUNGS if rung < walk.smallest_lost), planned], TRIES)
    await _follow(walk, planned)
    if not walk.settled(planned):
        # The planned size once more too: where losses are common it may have had bad luck so far.
        await walk.attempt([*_between(walk.largest, walk.smallest_lost), planned], TRIES)


async def _follow(walk: _Walk, size: int) -> None:
    """Try what a "too big" says would fit, and what the next one says."""
    for _ in range(_FOLLOWED):
        fitting = walk.said_to_fit(size)
        if fitting is None:
            return
        await walk.attempt([fitting], TRIES)
        size = fitting


def _between(passed: int, lost: int) -> list[int]:
    """Sizes that part the space between one that passed and one that did not into equal steps."""
    return sorted({passed + (lost - passed) * step // (_STEPS + 1) for step in range(1, _STEPS + 1)} - {passed})


class _Walk:
    """The sizes tried so far to one address, and the seconds that are left for more."""

    def __init__(self, network: Network, address: str, left_seconds: float) -> None:
        self.version = 6 if ":" in address else 4
        self.trials: dict[int, SizeTrial] = {}
        self._network, self._address, self._left_seconds = network, address, left_seconds

    @property
    def largest(self) -> int:
        """The largest size that passed."""
        return max((size for size, trial in self.trials.items() if trial.failure is None), default=0)

    @property
    def smallest_lost(self) -> int:
        """The smallest size beyond it that did not."""
        return min(size for size in self.trials if size > self.largest)

    def settled(self, planned: int) -> bool:
        """Whether the planned size passed, or the very one that somebody said would."""
        return self.largest == planned or any(self.said_to_fit(size) == self.largest for size in self.trials)

    def said_to_fit(self, size: int) -> int | None:
        """The smaller size that a "too big" named in answer to ``size``, where it can be believed."""
        trial = self.trials.get(size)
        failure = trial.failure if trial else None
        if failure is None or failure.kind is not FailureKind.TOO_BIG or failure.mtu is None:
            return None
        return failure.mtu if LEAST[self.version] <= failure.mtu < size else None

    async def attempt(self, sizes: list[int], tries: int) -> None:
        """Try each size until it passes, is objected to, or was lost ``tries`` times; all at the same time."""
        async with asyncio.TaskGroup() as group:
            spent = [group.create_task(self._attempt(size, tries)) for size in sizes]
        self._left_seconds -= max((task.result() for task in spent), default=0.0)

    async def _attempt(self, size: int, tries: int) -> float:
        """The seconds that the trials of one size took."""
        done, spent = self.trials.get(size), 0.0
        for _ in range(tries):
            late = spent + WAIT_SECONDS > self._left_seconds + _SLACK_SECONDS
            if late or (done is not None and (done.failure is None or done.failure.kind is FailureKind.TOO_BIG)):
                break
            failure, took = await self._echo(size)
            spent += took
            done = SizeTrial(size_octets=size, tries=(done.tries if done else 0) + 1, failure=failure)
            self.trials[size] = done
        return spent

    async def _echo(self, size: int) -> tuple[Failure | None, float]:
        """One echo in a packet of ``size`` octets: its failure, None where it was answered, and the seconds it took."""
        version, token = self.version, secrets.token_bytes(TOKEN_OCTETS)
        payload = (token + bytes(range(256)) * (size // 256 + 1))[: size - HEADERS[version]]
        request = pack_request(version, Echo(identifier=secrets.randbits(16), sequence=1, payload=payload))
        try:
            answer = await self._network.exchange(
                _SERVICES[version], self._address, 0, request, key=token,
                accept=lambda packet: read_reply(version, packet).payload == payload, timeout_seconds=WAIT_SECONDS)
        except NotObserved as unseen:
            return unseen.failure, unseen.failure.elapsed_seconds
        return None, answer.elapsed_seconds
