"""Asks one NTP server for the time, a few exchanges in a row."""

from __future__ import annotations

from probes import ntpwire
from probes.seam import Datagram, Network, NotObserved, Service, now, rfc3339
from probes.stamps import STEP_SECONDS
from shared.evidence import ClockEvidence, ClockSample, Failure, FailureKind, bounded
from shared.questions import ClockQuestion

NTP = Service("ntp", ntpwire.key_of_answer, ntpwire.key_of_request)

#: The longest one answer is waited for (common practice, no source).
PATIENCE_SECONDS = 1.5
#: Exchanges without a usable answer, in a row, after which the server is left alone.  On a path that loses three packets of a
#: hundred either way, three in a row are lost to one host of 5,000, and four to one of 80,000 (common practice, no source).
FRUITLESS_TO_STOP = 4


async def ask_time(network: Network, question: ClockQuestion, address: str) -> ClockEvidence:
    """Hold the planned number of exchanges with the server at ``address``.

    Never raises: what was not observed is in the evidence.  The burst ends early when the server asks to be left alone
    (RFC 5905 section 7.4), when four exchanges in a row bring nothing usable, and when ``pace.timeout_seconds`` are spent;
    waiting for our own packet rate is not counted.  Exchanges are ``pace.clock_spacing_seconds`` apart, or follow a
    silence that was longer at once.
    """
    burst = _Burst(at=now(network))
    spacing, budget = network.pace.clock_spacing_seconds, network.pace.timeout_seconds
    patience = min(budget / FRUITLESS_TO_STOP, PATIENCE_SECONDS)
    for _ in range(question.exchanges):
        took = await burst.exchange(network, address, question.server.port, min(patience, budget))
        # A silence that was waited out has kept the exchanges apart already.
        pause = 0.0 if burst.fruitless and took >= spacing else spacing
        budget -= took
        if burst.over or burst.asked == question.exchanges or budget <= pause:
            break
        await network.sleep(pause)
        budget -= pause
    return ClockEvidence(
        server=question.server.label, address=address, port=question.server.port, at=burst.at,
        samples=tuple(burst.samples), asked=burst.asked, kiss_code=burst.kiss_code, discarded=tuple(burst.discarded),
        runner_steps_seconds=tuple(burst.steps), failure=burst.failure)


class _Burst:
    """What a burst has brought so far."""

    def __init__(self, at: str) -> None:
        self.at = at
        self.asked = 0
        self.samples: list[ClockSample] = []
        self.kiss_code = ""
        self.discarded: list[str] = []
        self.steps: list[float] = []
        self.failure: Failure | None = None
        self.fruitless = 0

    @property
    def over(self) -> bool:
        return self.kiss_code in ntpwire.KISS_TO_STOP or self.fruitless >= FRUITLESS_TO_STOP

    async def exchange(self, network: Network, address: str, port: int, patience_seconds: float) -> float:
        """Hold one exchange and take in what came of it; returns the seconds it took."""
        self.asked += 1
        nonce = ntpwire.new_nonce()
        try:
            answer = await network.exchange(NTP, address, port, ntpwire.request(nonce), key=nonce, accept=_anything,
                                            timeout_seconds=patience_seconds)
        except NotObserved as nothing:
            self._failed(nothing.failure)
            return nothing.failure.elapsed_seconds
        try:
            self._take(answer)
        except ntpwire.UnusableAnswer as unusable:
            self.discarded.append(bounded(str(unusable)))
            self._failed(Failure(kind=FailureKind.MALFORMED, phase="answer", elapsed_seconds=answer.elapsed_seconds,
                                 detail=str(unusable)))
        return answer.elapsed_seconds

    def _failed(self, failure: Failure) -> None:
        self.fruitless += 1
        self.failure = self.failure or failure

    def _take(self, answer: Datagram) -> None:
        packet = ntpwire.parse(answer.data)
        kiss = ntpwire.kiss_code(packet)
        if kiss:
            # A code that asks us to stop outweighs one that only says why there is no time yet.
            self.kiss_code = self.kiss_code if self.kiss_code in ntpwire.KISS_TO_STOP else kiss
        elif abs(answer.clock_step_seconds) > STEP_SECONDS:
            self.steps.append(answer.clock_step_seconds)
            self.discarded.append(f"the runner's own clock moved by {answer.clock_step_seconds:+.3f} s during the exchange")
        else:
            self.samples.append(_sample(packet, answer))
        self.fruitless = 0


def _anything(_data: bytes) -> bool:
    """An answer that carries our nonce belongs to our question; whether it is any good is evidence."""
    return True


def _sample(packet: ntpwire.Packet, answer: Datagram) -> ClockSample:
    measured = ntpwire.measure(packet, sent_ns=answer.sent_ns, received_ns=answer.received_ns)
    return ClockSample(
        at=rfc3339(answer.sent_ns), offset_seconds=measured.offset_seconds, delay_seconds=measured.delay_seconds,
        leap=packet.leap, version=packet.version, stratum=packet.stratum, precision_seconds=packet.precision_seconds,
        root_delay_seconds=packet.root_delay_seconds, root_dispersion_seconds=packet.root_dispersion_seconds,
        reference_id=ntpwire.reference_text(packet), reference_age_seconds=measured.reference_age_seconds,
        reference_stamp=ntpwire.stamp_text(packet.referenced), stamped_by=answer.stamped_by,
        elapsed_seconds=answer.elapsed_seconds)
