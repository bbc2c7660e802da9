"""Watches hosts through a reboot: asks each for its signs of life, round after round, at a gentle pace.

What a round means is ``verify.reboots.watch``'s business; what is seen goes through the same probes as a verification.  Every
host is followed on its own, so that one that never returns keeps no other waiting.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field

import msgspec

from probes import certificate, clock, echo, ports, ssh
from probes.seam import Network, rfc3339
from probes.stamps import RunnersClock
from shared.boots import BootEvidence, BootMark, Reading, Sign
from shared.evidence import (
    ClockEvidence,
    Crash,
    EchoEvidence,
    FailureKind,
    PortEvidence,
    PortState,
    SshEvidence,
    TlsEvidence,
    bounded,
)
from shared.plan import Host, Plan
from shared.questions import ClockQuestion, EchoQuestion, Pace, PortQuestion
from verify.asking import clocks, hosts
from verify.reboots.watch import LOOK_SECONDS, Event, HostWatch, Look, Rules

#: The characters kept of what a sign said.
_DETAIL = 160

#: Asks a host for its present boot over SSH; None where it cannot be asked.
AskMark = Callable[[Host], Awaitable[BootMark | None]]


async def _nobody(_host: Host) -> BootMark | None:
    return None


class Watched(msgspec.Struct, frozen=True, kw_only=True):
    """What a watch brought: evidence by fully qualified name, bugs of ours likewise, and whether it ran to its end."""

    boots: dict[str, BootEvidence]
    crashes: dict[str, tuple[Crash, ...]]
    complete: bool


def watch_pace(pace: Pace, rules: Rules) -> Pace:
    """The pace of the rounds: a question may take no longer than ``LOOK_SECONDS``, nor hold up the next round for long."""
    return msgspec.structs.replace(pace, timeout_seconds=min(LOOK_SECONDS, max(0.6, rules.round_seconds)))


async def watch(
    network: Network,
    plan: Plan,
    chosen: Sequence[Host],
    rules: Rules,
    *,
    timeout_seconds: float,
    on_event: Callable[[Event], None] = lambda _event: None,
    on_start: Callable[[Sequence[HostWatch]], None] = lambda _watches: None,
    ask_mark: AskMark = _nobody,
) -> Watched:
    """Follow every chosen host until it has settled again, at most for ``timeout_seconds``.

    ``on_start`` is given what a live board shows; ``on_event`` is told each change as it is seen.  When the task is cancelled
    the evidence so far is returned, and ``complete`` is False.
    """
    # What a reboot took is the difference of two stamps, and a runner may have its own clock set meanwhile.
    even = RunnersClock(network)
    followers = [_Follower(network, even, plan, host, rules, ask_mark) for host in chosen]
    on_start([follower.watch for follower in followers])
    deadline = network.monotonic() + timeout_seconds
    complete = True
    try:
        async with asyncio.TaskGroup() as group:
            for place, follower in enumerate(followers):
                # Hosts take turns within a round, so that many of them make no burst.
                delay = rules.round_seconds * place / len(followers)
                group.create_task(follower.follow(delay, deadline, on_event))
    except asyncio.CancelledError:
        complete = False
    return Watched(
        boots={follower.host.fqdn: follower.evidence() for follower in followers},
        crashes={follower.host.fqdn: tuple(follower.crashes) for follower in followers if follower.crashes},
        complete=complete)


@dataclass(slots=True)
class _Follower:
    """One host, followed from its first round to its last."""

    network: Network
    even: RunnersClock
    plan: Plan
    host: Host
    rules: Rules
    ask_mark: AskMark
    watch: HostWatch = field(init=False)
    crashes: list[Crash] = field(default_factory=list)
    _knocks: dict[Sign, PortQuestion] = field(init=False)
    _echoes: dict[Sign, EchoQuestion] = field(init=False)
    _clocks: dict[Sign, ClockQuestion] = field(init=False)
    _spoke: set[Sign] = field(default_factory=set)
    _why: str = "interrupted"
    _after: BootMark | None = None

    def __post_init__(self) -> None:
        role = self.plan.role(self.host.role)
        planned = {port.number for port in (*role.open, *role.tls, *role.ssh, *role.http)} if role else set()
        self._echoes = {Sign("echo", question.address): msgspec.structs.replace(question, count=1)
                        for question in hosts.echo_questions(self.host)}
        self._knocks = {Sign(f"{question.port}/tcp", question.address, question.speaks): question
                        for question in hosts.port_questions(self.plan, self.host) if question.port in planned}
        self._clocks = {Sign("time", question.server.host): msgspec.structs.replace(question, exchanges=1)
                        for question in clocks.host_questions(self.plan, self.host)}
        self.watch = HostWatch(self.host.fqdn, (*self._echoes, *self._knocks, *self._clocks), self.rules)

    async def follow(self, delay_seconds: float, deadline: float, on_event: Callable[[Event], None]) -> None:
        """Round after round until the host has settled or the time is up.  A bug of ours ends this host's watch alone."""
        try:
            await self.network.sleep(delay_seconds)
            before = await self.ask_mark(self.host) if not self.rules.since else None
            if before is not None:
                self.watch.know(before)
            while True:
                began = self.network.monotonic()
                for event in self.watch.round(await self._look_round(), self.network.monotonic()):
                    on_event(event)
                now = self.network.monotonic()
                if self.watch.finished(now):
                    self._why = "settled"
                elif now >= deadline:
                    self._why = "time-out"
                if self._why != "interrupted":
                    break
                await self.network.sleep(max(0.0, min(began + self.rules.round_seconds, deadline) - now))
            self._after = await self.ask_mark(self.host)
        except Exception as error:  # noqa: BLE001 -- our own bug becomes a Crash instead of ending everybody's watch
            self.crashes.append(Crash(asking=f"the signs of life of {self.host.fqdn}", error=bounded(repr(error))))

    def evidence(self) -> BootEvidence:
        return self.watch.evidence(self._why, after=self._after)

    def _now(self) -> str:
        """An RFC 3339 stamp for what is about to be asked."""
        return rfc3339(self.even.read_ns())

    async def _look_round(self) -> list[Look]:
        """Every sign once, side by side, in the order of the watch's signs."""
        async with asyncio.TaskGroup() as group:
            tasks = [*(group.create_task(self._echo(sign, question)) for sign, question in self._echoes.items()),
                     *(group.create_task(self._knock(sign, question)) for sign, question in self._knocks.items()),
                     *(group.create_task(self._time(sign, question)) for sign, question in self._clocks.items())]
        return [task.result() for task in tasks]

    async def _echo(self, sign: Sign, question: EchoQuestion) -> Look:
        at, seen = self._now(), await echo.echo(self.network, question)
        return self._look(sign, at, echo_reading(seen), _failure(seen))

    async def _time(self, sign: Sign, question: ClockQuestion) -> Look:
        """One exchange; up to three where nothing comes back, as with a connection: one lost datagram is no silence."""
        at = self._now()
        for _ in range(ports.ATTEMPTS):
            seen = await clock.ask_time(self.network, question, question.server.host)
            if time_reading(seen) is not Reading.SILENT:
                break
        return self._look(sign, at, time_reading(seen), _time_detail(seen))

    async def _knock(self, sign: Sign, question: PortQuestion) -> Look:
        """Try the port; where it opens anew, hear too whether what is planned is spoken there.

        Once it was spoken it is not asked again until the port has gone: a handshake every few seconds would be a load, and
        an SSH server may take it for an attack.
        """
        at, (seen, stream) = self._now(), await ports.knock(self.network, question)
        try:
            if seen.state is not PortState.OPEN:
                self._spoke.discard(sign)
                return self._look(sign, at, port_reading(seen), _failure(seen))
            if stream is None or not sign.speaks or sign in self._spoke:
                return self._look(sign, at, Reading.UP)
            if sign.speaks == "tls":
                reading, detail = tls_reading(await certificate.examine(self.network, question, stream))
            else:
                heard = await ssh.identify(self.network, question, stream)
                reading, detail = ssh_reading(heard)
                where = f"{heard.port} {heard.address}"
                self.watch.note_keys([(where, key.key_type, key.fingerprint) for key in heard.host_keys])
        finally:
            if stream is not None:
                stream.close()
        if reading is Reading.UP:
            self._spoke.add(sign)
        return self._look(sign, at, reading, detail)

    def _look(self, sign: Sign, at: str, reading: Reading, detail: str = "") -> Look:
        """What came of a question that was sent at ``at``, and is over now: its last attempt may have been the answered one."""
        return Look(sign=sign, at=at, by=self._now(), reading=reading, detail=detail)


_UNASKED = (FailureKind.NO_ROUTE, FailureKind.NO_PRIVILEGE, FailureKind.LOCAL_LIMIT, FailureKind.INTERRUPTED)


def echo_reading(seen: EchoEvidence) -> Reading:
    """An echo was answered, was not, or could not be sent."""
    if seen.warm_up_seconds is not None or any(trip is not None for trip in seen.round_trips_seconds):
        return Reading.UP
    return Reading.UNKNOWN if seen.failure is not None and seen.failure.kind in _UNASKED else Reading.SILENT


def port_reading(seen: PortEvidence) -> Reading:
    """A reset comes from a living system; an ICMP error only where the address itself sent it."""
    if seen.state is PortState.OPEN:
        return Reading.UP
    if seen.state is PortState.UNTRIED:
        return Reading.UNKNOWN
    itself = seen.failure is not None and seen.failure.sender == seen.address
    return Reading.CLOSED if seen.state is PortState.REFUSED or (seen.state is PortState.REJECTED and itself) else Reading.SILENT


def tls_reading(seen: TlsEvidence) -> tuple[Reading, str]:
    """Up where a handshake brought a certificate; an open port without one is a service that is not ready."""
    if seen.chain or (seen.protocol and seen.failure is None):
        return Reading.UP, ""
    return Reading.CLOSED, bounded(f"accepts connections, and no TLS handshake succeeds: {_failure(seen)}", _DETAIL)


def ssh_reading(seen: SshEvidence) -> tuple[Reading, str]:
    """Up where the server identified itself (RFC 4253 section 4.2)."""
    if seen.identification:
        return Reading.UP, bounded(seen.identification, _DETAIL)
    return Reading.CLOSED, bounded(f"accepts connections, and no SSH server speaks: {_failure(seen)}", _DETAIL)


def time_reading(seen: ClockEvidence) -> Reading:
    """Up where the server calls itself synchronised: leap 3 or stratum 0 or 16 is not (RFC 5905 section 7.3)."""
    if any(sample.leap != 3 and 0 < sample.stratum < 16 for sample in seen.samples):
        return Reading.UP
    refused = seen.failure is not None and seen.failure.kind is FailureKind.REFUSED
    if seen.samples or seen.kiss_code or (refused and seen.failure and seen.failure.sender in (None, seen.address)):
        return Reading.CLOSED
    return Reading.UNKNOWN if seen.failure is not None and seen.failure.kind in _UNASKED else Reading.SILENT


def _time_detail(seen: ClockEvidence) -> str:
    if seen.samples and time_reading(seen) is Reading.CLOSED:
        return "answers, and is not synchronised yet"
    return f"kiss code {seen.kiss_code}" if seen.kiss_code else _failure(seen)


def _failure(seen: EchoEvidence | PortEvidence | ClockEvidence | TlsEvidence | SshEvidence) -> str:
    """What kept the sign from being up, in the system's words; empty where nothing did."""
    if seen.failure is None:
        return ""
    return bounded(seen.failure.detail or seen.failure.kind.value, _DETAIL)
