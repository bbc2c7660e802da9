"""Reads a host's clock off the Date field of its HTTP answers, hunting for the moment at which the second changes.

Date has whole seconds (RFC 9110 section 6.6.1).  An answer that bears the second D and was made between the stamps T1 and
T4 bounds the lead of the host's clock to [D - T4, D + 1 - T1].  Each further request is aimed so that it arrives, if the
lead is in the middle of what is left, just as the host's second changes: either answer then halves what is left.

What the hunt cannot find out is whether the server looks at its clock for every answer.  Many do so once a second, and
whichever moment of the second they do it at, their Date changes as regularly as that of a server that always looks: no
series of answers tells the two apart.  So the raw samples are kept, and grading allows for a Date that is a second old.
"""

from __future__ import annotations

import math

from probes import httpwire
from probes.httpwire import Head, HttpError
from probes.seam import Network, NotObserved, Stream, failed, rfc3339
from probes.stamps import RunnersClock, sample
from probes.tlsstream import start_tls
from shared.evidence import ClockWitness, Failure, FailureKind, WitnessSample, bounded
from shared.plan import port_label
from shared.questions import WitnessQuestion

#: Requests in one hunt.  Six halve a second down to ``ENOUGH_SECONDS``; the others are the first and those that confirm.
REQUESTS = 10
#: Answers that are wanted even where the first ones settle it: enough to see two seconds begin, so that a server that
#: contradicts itself is noticed (common practice, no source).
FEWEST_REQUESTS = 4
#: The longest hunt, in seconds.  Each request waits for the next second to begin.
HUNT_SECONDS = 8.0
#: A lead known this well is known well enough: grading adds the second that a Date may be old.
ENOUGH_SECONDS = 0.020
#: Answers in a row, each as its second begins, that confirm the lower end.  A Date that is renewed every other second only
#: bears every other one out, and one that confirms alone would let it pass for a clock that is up to two seconds behind.
CONFIRMATIONS = 2
#: No second request to one port sooner than this, in seconds (common practice, no source).
GENTLE_SECONDS = 0.1
#: How far the answers have to exclude each other, in seconds, before more of them can tell nothing new.  Grading takes a Date
#: for a second old, and for a little more (``DATE_AGE_SECONDS`` of verify/grading/clock/witnesses.py, and its allowance for a
#: clock that is slewed): a hunt that ended sooner would never show it that a Date comes out of a cache and does not move.
BEYOND_AGE_SECONDS = 1.1
#: The longest that one connection or answer is waited for, in seconds (common practice, no source).
PATIENCE_SECONDS = 2.0
#: Requests without a usable answer after which a port is left alone (common practice, no source).
FRUITLESS_TO_STOP = 2
#: Interim answers before the final one (RFC 9110 section 15.2) that are read over.
_INTERIM_LIMIT = 5
_READ = 4096
_SECOND_NS = 1_000_000_000
#: Fields that say who answered, or that a device in between did (RFC 9111 section 5.1, RFC 9110 sections 7.6.3 and 10.2.4).
_TELLING = ("age", "via", "server")
_TELLING_LIMIT = 128


async def hunt(network: Network, question: WitnessQuestion, port: int, speaks: str, *, requests: int = REQUESTS) -> ClockWitness:
    """Ask the HTTP server on ``port`` for its Date, at most ``requests`` times and for ``HUNT_SECONDS`` or so.

    ``speaks`` is "http" or "tls".  One connection is used while it lasts.  Never raises: what was not observed is in the
    evidence.
    """
    visit = _Visit(network, question, port, speaks)
    began = network.monotonic()
    try:
        while visit.asked < requests:
            left = began + HUNT_SECONDS - network.monotonic()
            # Two more requests may take longer than there is: each waits for a second to begin.
            last = visit.asked == requests - 1 or left < 2 * (1.0 + GENTLE_SECONDS)
            wait = visit.wait_seconds(last=last)
            if visit.over(last=last) or left <= 0 or (visit.asked and wait > left):
                break
            await network.sleep(wait)
            await visit.ask()
    finally:
        visit.leave()
    return visit.evidence()


class _Bounds:
    """What is left of the host's lead over the runner, in seconds, if every Date is fresh and the clock was not set."""

    def __init__(self) -> None:
        self.lo, self.hi = -math.inf, math.inf
        self.quickest_seconds = math.inf
        self._confirmations = 0

    def take(self, seen: WitnessSample) -> None:
        # The lower end is confirmed by an answer that reaches it, or nearly: by the one that was aimed to do so.
        reaches = seen.lo_seconds >= self.lo - 2 * self._margin()
        self._confirmations = self._confirmations + 1 if reaches else 0
        self.lo, self.hi = max(self.lo, seen.lo_seconds), min(self.hi, seen.hi_seconds)
        self.quickest_seconds = min(self.quickest_seconds, seen.elapsed_seconds)

    @property
    def confirmed(self) -> bool:
        """Whether the last answers, one second after the other, all reached the lower end."""
        return self._confirmations >= CONFIRMATIONS

    @property
    def contradictory(self) -> bool:
        return self.lo > self.hi + BEYOND_AGE_SECONDS

    @property
    def settled(self) -> bool:
        """Whether what is left is as narrow as a round trip, or narrow enough."""
        return self.hi - self.lo <= max(ENOUGH_SECONDS, 1.5 * self.quickest_seconds)

    def middle(self) -> float:
        return (self.lo + self.hi) / 2

    def just_below(self) -> float:
        """A lead that the host surely exceeds if it still has the one that was found."""
        return self.lo - self._margin()

    def _margin(self) -> float:
        return 0.0 if math.isinf(self.quickest_seconds) else self.quickest_seconds / 2 + ENOUGH_SECONDS / 2


class _Visit:
    """One hunt: the connection, and what it has brought so far."""

    def __init__(self, network: Network, question: WitnessQuestion, port: int, speaks: str) -> None:
        self.asked = 0
        self._network, self._question, self._port, self._speaks = network, question, port, speaks
        self._patience = min(network.pace.timeout_seconds / 3, PATIENCE_SECONDS)
        self._clock = RunnersClock(network)
        self._at = rfc3339(network.wall_ns())
        self._bounds = _Bounds()
        self._samples: list[WitnessSample] = []
        self._details: dict[str, str] = {}
        self._discarded: list[str] = []
        self._steps: list[float] = []
        self._failure: Failure | None = None
        self._fruitless = 0
        self._method = "HEAD"
        self._stream: Stream | None = None

    def over(self, *, last: bool) -> bool:
        """Whether another request could bring nothing more, or would only be a bother."""
        if self._fruitless >= FRUITLESS_TO_STOP or self._bounds.contradictory:
            return True
        return self._bounds.confirmed and len(self._samples) >= FEWEST_REQUESTS and (last or self._bounds.settled)

    def wait_seconds(self, *, last: bool) -> float:
        """How long to wait so that the next request arrives as the host's second changes, if its lead is the one aimed at.

        That is the middle of what is left.  The last request, or the first after the hunt has come to its end, looks at the
        lower end once more: a clock that was set back meanwhile would otherwise go unnoticed.
        """
        if not self._samples:
            return GENTLE_SECONDS if self.asked else 0.0
        soonest = self._clock.read_ns() / 1e9 + GENTLE_SECONDS + self._bounds.quickest_seconds / 2
        # The host reads a whole second when the runner reads that second less the lead.
        confirming = (last or self._bounds.settled) and not self._bounds.confirmed
        lead = self._bounds.just_below() if confirming else self._bounds.middle()
        arrival = math.ceil(soonest + lead) - lead
        return GENTLE_SECONDS + max(0.0, arrival - soonest)

    async def ask(self) -> None:
        """Hold one exchange and take in what came of it."""
        self.asked += 1
        try:
            head, sent_ns, received_ns = await self._exchange()
            self._take(head, sent_ns, received_ns)
        except NotObserved as nothing:
            self._fruitless += 1
            self._failure = self._failure or nothing.failure
            self.leave()

    async def _exchange(self) -> tuple[Head, int, int]:
        """One request and its answer.  A kept connection that the server has closed meanwhile is opened anew."""
        if self._stream is not None:
            try:
                return await self._over(self._stream)
            except NotObserved as gone:
                self.leave()
                if gone.failure.kind not in (FailureKind.CLOSED, FailureKind.RESET):
                    raise
        self._stream = await self._connect()
        return await self._over(self._stream)

    async def _connect(self) -> Stream:
        stream = await self._network.connect(self._question.address, self._port, timeout_seconds=self._patience)
        if self._speaks != "tls":
            return stream
        return await start_tls(self._network, stream, self._question.server_name, timeout_seconds=self._patience)

    async def _over(self, stream: Stream) -> tuple[Head, int, int]:
        request = httpwire.request(self._method, self._host_field(), self._network.pace.agent)
        sent_ns = self._clock.read_ns()
        await stream.send(request, timeout_seconds=self._patience)
        head = await self._read_head(stream)
        received_ns = self._clock.read_ns()
        if self._method != "HEAD" or not head.persistent or head.rest:
            # What follows the head is not read, so the connection is of no more use.
            self.leave()
        return head, sent_ns, received_ns

    def _host_field(self) -> str:
        name = self._question.server_name.removesuffix(".") or self._question.address
        bracketed = f"[{name}]" if ":" in name else name
        usual = 443 if self._speaks == "tls" else 80
        return bracketed if self._port == usual else f"{bracketed}:{self._port}"

    async def _read_head(self, stream: Stream) -> Head:
        """The final answer's head, within the patience for one answer."""
        began, octets = self._network.monotonic(), b""
        for _ in range(_INTERIM_LIMIT):
            head = self._parsed(octets, began) if octets else None
            while head is None:
                left = began + self._patience - self._network.monotonic()
                piece = await stream.receive(_READ, timeout_seconds=max(left, 0.001))
                if not piece:
                    raise failed(FailureKind.CLOSED, "answer", self._network.monotonic() - began,
                                 "the server closed the connection instead of answering")
                octets += piece
                head = self._parsed(octets, began)
            if head.status >= 200:
                return head
            octets = head.rest
        raise failed(FailureKind.MALFORMED, "answer", self._network.monotonic() - began, "one interim answer after another")

    def _parsed(self, octets: bytes, began: float) -> Head | None:
        try:
            return httpwire.read_head(octets)
        except HttpError as error:
            raise failed(FailureKind.MALFORMED, "answer", self._network.monotonic() - began, str(error)) from error

    def _take(self, head: Head, sent_ns: int, received_ns: int) -> None:
        """Turn an answer into a sample.  Raises NotObserved where it bears no usable Date."""
        for name in _TELLING:
            for value in head.values(name)[:1]:
                self._details.setdefault(name, bounded(value, _TELLING_LIMIT))
        try:
            date_ns = self._date_ns(head)
        except HttpError as error:
            self._discarded.append(bounded(f"status {head.status}: {error}"))
            if self._method == "HEAD":
                # Whoever refuses HEAD may still answer GET, which every server must (RFC 9110 section 9.1).
                self._method = "GET"
                self.leave()
            raise failed(FailureKind.MALFORMED, "answer", (received_ns - sent_ns) / 1e9, str(error)) from error
        if step := self._clock.step_seconds():
            self._restart(step)
            return
        seen = sample(sent_ns=sent_ns, received_ns=received_ns, reading_ns=date_ns, resolution_ns=_SECOND_NS)
        self._fruitless = 0
        self._samples.append(seen)
        self._bounds.take(seen)

    def _date_ns(self, head: Head) -> int:
        dates = head.values("date")
        if head.status == 408:
            # Sent without being asked, when a connection was idle for too long: it may be older than our request.
            raise HttpError("the server gave up waiting for a request")
        if len(dates) != 1:
            raise HttpError("the answer bears no Date" if not dates else f"the answer bears {len(dates)} Date fields")
        return httpwire.read_date(dates[0], now_unix_seconds=self._network.wall_ns() / 1e9) * _SECOND_NS

    def _restart(self, step_seconds: float) -> None:
        """The runner's own clock was set: what was measured against its old time does not fit what comes."""
        self._steps.append(step_seconds)
        self._discarded.append(f"the runner's own clock moved by {step_seconds:+.3f} s; what was read before is void")
        self._samples.clear()
        self._bounds = _Bounds()

    def leave(self) -> None:
        """Close the connection, if there is one."""
        if self._stream is not None:
            self._stream.close()
            self._stream = None

    def evidence(self) -> ClockWitness:
        return ClockWitness(
            method="http-date", address=self._question.address, port=port_label(self._port), at=self._at,
            samples=tuple(self._samples), asked=self.asked, details=tuple(self._details.items()),
            discarded=tuple(self._discarded), runner_steps_seconds=tuple(self._steps), failure=self._failure)
