"""Watching hosts through a made-up network in virtual time, and what each answer is taken to mean."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

import pytest

from probes.fake import FakeNetwork, run
from shared.boots import BootMark, Reading
from shared.evidence import (
    ClockEvidence,
    ClockSample,
    EchoEvidence,
    Failure,
    FailureKind,
    PortEvidence,
    PortState,
    SshEvidence,
    TlsEvidence,
)
from shared.plan import Host, Plan, Port, Role
from shared.questions import ClockQuestion, Pace
from verify.grading.outages import span
from verify.reboots import reboot
from verify.reboots.watch import Event, Phase, Rules

ADDRESS, OTHER = "192.0.2.11", "192.0.2.12"
NOBODY_ANSWERS = Failure(kind=FailureKind.NO_PRIVILEGE, phase="open", elapsed_seconds=0.0, detail="not allowed")


def failure(kind: FailureKind, sender: str | None = None) -> Failure:
    return Failure(kind=kind, phase="connect", elapsed_seconds=1.0, sender=sender)


class Quiet:
    """A service that takes a connection and says nothing."""

    def opened(self) -> Sequence[bytes | None]:
        return []

    def received(self, data: bytes) -> Sequence[bytes | None]:
        return []


class Rebooting(FakeNetwork):
    """Port 443 of each host is open but for its silences, given as (from, to) in seconds of virtual time."""

    service: type[Quiet] = Quiet

    def __init__(self, silences: dict[str, list[tuple[float, float]]]) -> None:
        super().__init__(pace=Pace(timeout_seconds=3.0), echo=NOBODY_ANSWERS)
        self.silences = silences
        self.asked: list[tuple[str, int]] = []

    async def connect(self, address: str, port: int, *, timeout_seconds: float):  # type: ignore[no-untyped-def]
        self.asked.append((address, port))
        silent = any(begin <= self.monotonic() < end for begin, end in self.silences[address])
        self._streams[address, port] = None if silent else self.service
        return await super().connect(address, port, timeout_seconds=timeout_seconds)


@pytest.fixture
def plan(make_plan: Callable[..., Plan]) -> Plan:
    return make_plan(roles=(Role(name="node", open=(Port(443),), closed=(Port(23),)),))


def watch(plan: Plan, network: FakeNetwork, *, seconds: float = 600, hosts: int = 2, since: str = "",
          ask: Callable[[Host], BootMark | None] = lambda _host: None) -> tuple[reboot.Watched, list[Event]]:
    events: list[Event] = []

    async def ask_mark(host: Host) -> BootMark | None:
        return ask(host)

    return run(reboot.watch(network, plan, plan.hosts[:hosts], Rules(since=since), timeout_seconds=seconds,
                            on_event=events.append, ask_mark=ask_mark)), events


def test_each_host_is_followed_on_its_own(plan: Plan) -> None:
    """One is back in a minute and done; the other never returns and is watched to the time-out."""
    network = Rebooting({ADDRESS: [(30, 90)], OTHER: [(30, 1e9)]})
    watched, events = watch(plan, network)
    first, second = (watched.boots[host.fqdn] for host in plan.hosts)
    assert (first.why, second.why) == ("settled", "time-out")
    assert [event.phase for event in events if event.sign is None and event.host == plan.hosts[0].fqdn] == [
        Phase.DOWN, Phase.COMING, Phase.SETTLED]
    assert first.ended < second.ended
    assert watched.complete
    assert watched.crashes == {}


def test_a_suspended_runner_has_not_watched_meanwhile(plan: Plan) -> None:
    """Its own clock stood still, and an hour lies between two rounds all the same."""
    class Suspended(Rebooting):
        async def sleep(self, seconds: float) -> None:
            await super().sleep(seconds)
            if not self.suspended_seconds and self.monotonic() > 20:
                self.suspended_seconds = 3600.0

    watched, events = watch(plan, Suspended({ADDRESS: []}), seconds=60, hosts=1)
    boot = watched.boots[plan.hosts[0].fqdn]
    assert boot.rounds == 13
    assert boot.unwatched is not None
    assert span(boot.unwatched[1], boot.unwatched[0]) == pytest.approx(3605, abs=1)
    assert [event.note for event in events if event.note] == ["was not asked for 60.1 min"]


def test_rounds_keep_their_pace(plan: Plan) -> None:
    """A host that is up for a minute is asked every five seconds, and nothing that must be closed is ever knocked on."""
    network = Rebooting({ADDRESS: []})
    watched, _events = watch(plan, network, seconds=60, hosts=1)
    assert watched.boots[plan.hosts[0].fqdn].rounds == 13
    assert set(network.asked) == {(ADDRESS, 443)}
    assert network.open_streams == 0


def test_a_service_that_speaks_is_not_asked_again_until_its_port_has_gone(make_plan: Callable[..., Plan]) -> None:
    """A handshake every five seconds would be a load, and some servers take it for an attack."""
    asked: list[bytes] = []

    class Speaking(Quiet):
        def opened(self) -> Sequence[bytes | None]:
            return [b"SSH-2.0-x\r\n"]

        def received(self, data: bytes) -> Sequence[bytes | None]:
            asked.append(data)
            return [None]

    class World(Rebooting):
        service = Speaking

    plan = make_plan(roles=(Role(name="node", ssh=(Port(443),)),))
    counts = []
    for silences in ([], [(20.0, 40.0)]):
        asked.clear()
        network = World({ADDRESS: silences})
        watch(plan, network, seconds=60, hosts=1)
        counts.append(sum(data.startswith(b"SSH-2.0-") for data in asked))
        assert len(network.asked) >= 13
    assert counts == [1, 2]


def test_a_host_that_returns_within_a_round_is_back_when_it_answers(plan: Plan) -> None:
    """Asked at 60, silent until 61.5, and answered at the third attempt: it was not back at 60."""
    watched, _events = watch(plan, Rebooting({ADDRESS: [(30, 61.5)]}), hosts=1)
    (outage,) = watched.boots[plan.hosts[0].fqdn].outages
    assert outage.still.startswith("2026-11-02T09:00:55")
    assert outage.back.startswith("2026-11-02T09:01:02")
    assert watched.boots[plan.hosts[0].fqdn].ready >= outage.back


@pytest.mark.parametrize(("lost", "readings"), [(0, [Reading.UP]), (1, [Reading.UP]), (2, [Reading.UP]), (3, [Reading.SILENT])])
def test_one_lost_datagram_makes_no_time_service_silent(
    make_plan: Callable[..., Plan], monkeypatch: pytest.MonkeyPatch, lost: int, readings: list[Reading]
) -> None:
    """It is asked up to three times a round, as a port is: on a path with losses it would go and come for ever."""
    asked: list[int] = []

    async def ask_time(network: FakeNetwork, question: ClockQuestion, address: str) -> ClockEvidence:
        asked.append(question.exchanges)
        silent = len(asked) <= lost
        return ClockEvidence(server=address, address=address, port=123, at="", asked=1, samples=() if silent else (sample(0, 2),),
                             failure=failure(FailureKind.NO_ANSWER) if silent else None)

    monkeypatch.setattr(reboot.clock, "ask_time", ask_time)
    plan = make_plan(roles=(Role(name="node", ntp_port=123),))
    watched, _events = watch(plan, Rebooting({ADDRESS: []}), seconds=1, hosts=1)
    seen = watched.boots[plan.hosts[0].fqdn]
    assert [one.reading for one in seen.moments if one.sign.name == "time"][:1] == readings
    assert set(asked) == {1}


@pytest.mark.parametrize("step", [3600.0, -3600.0])
def test_a_runner_whose_clock_is_set_meanwhile_measures_the_same(plan: Plan, step: float) -> None:
    """A watch of some minutes is just when a fresh runner's own time service sets its clock."""
    class Stepping(Rebooting):
        def wall_ns(self) -> int:
            return super().wall_ns() + round((step if self.monotonic() > 60 else 0.0) * 1e9)

    even, stepped = (watch(plan, world({ADDRESS: [(30, 90)]}), hosts=1)[0].boots for world in (Rebooting, Stepping))
    assert stepped == even
    assert even[plan.hosts[0].fqdn].outages[0].back.startswith("2026-11-02T09:01:3")


def test_a_boot_identifier_is_asked_before_and_after(plan: Plan) -> None:
    """Before the first round and after the last one."""
    marks = iter([BootMark(at="2026-11-02T09:00:00Z", boot_id="a"), BootMark(at="2026-11-02T09:05:00Z", boot_id="b")])
    watched, _events = watch(plan, Rebooting({ADDRESS: [(30, 60)]}), hosts=1, ask=lambda _host: next(marks))
    seen = watched.boots[plan.hosts[0].fqdn]
    assert (seen.before and seen.before.boot_id, seen.after and seen.after.boot_id) == ("a", "b")


def test_a_bug_of_ours_ends_one_watch_and_no_other(plan: Plan) -> None:
    """It is kept as a crash, which is never a statement about the host."""
    def ask(host: Host) -> BootMark | None:
        if host is plan.hosts[0]:
            raise RuntimeError("a bug")
        return None

    watched, _events = watch(plan, Rebooting({ADDRESS: [], OTHER: [(30, 60)]}), ask=ask)
    assert list(watched.crashes) == [plan.hosts[0].fqdn]
    assert watched.boots[plan.hosts[1].fqdn].why == "settled"


def test_an_interrupt_gives_what_was_seen(plan: Plan) -> None:
    """Cancelled in the middle: evidence of both hosts, marked as interrupted."""
    async def interrupted() -> reboot.Watched:
        task = asyncio.ensure_future(reboot.watch(Rebooting({ADDRESS: [(10, 1e9)], OTHER: []}), plan, plan.hosts, Rules(),
                                                  timeout_seconds=600))
        await asyncio.sleep(40)
        task.cancel()
        return await task

    watched = run(interrupted())
    assert not watched.complete
    assert {seen.why for seen in watched.boots.values()} == {"interrupted"}
    assert all(seen.rounds > 3 for seen in watched.boots.values())


@pytest.mark.parametrize(("state", "sender", "reading"), [
    (PortState.OPEN, None, Reading.UP),
    (PortState.REFUSED, None, Reading.CLOSED),
    (PortState.REJECTED, ADDRESS, Reading.CLOSED),
    (PortState.REJECTED, "192.0.2.1", Reading.SILENT),
    (PortState.REJECTED, None, Reading.SILENT),
    (PortState.SILENT, None, Reading.SILENT),
    (PortState.UNTRIED, None, Reading.UNKNOWN),
])
def test_what_a_port_says(state: PortState, sender: str | None, reading: Reading) -> None:
    """A reset and an ICMP error of the address itself are signs of life; a router's is none."""
    why = None if state is PortState.OPEN else failure(FailureKind.UNREACHABLE, sender)
    seen = PortEvidence(address=ADDRESS, port="443/tcp", state=state, at="", elapsed_seconds=1.0, attempts=1, failure=why)
    assert reboot.port_reading(seen) is reading


def sample(leap: int, stratum: int) -> ClockSample:
    return ClockSample(at="", offset_seconds=0, delay_seconds=0, leap=leap, version=4, stratum=stratum, precision_seconds=0,
                       root_delay_seconds=0, root_dispersion_seconds=0, reference_id="", reference_age_seconds=None,
                       stamped_by="kernel")


@pytest.mark.parametrize(("evidence", "reading"), [
    ({"samples": (sample(0, 2),)}, Reading.UP),
    ({"samples": (sample(1, 15),)}, Reading.UP),
    ({"samples": (sample(3, 2),)}, Reading.CLOSED),
    ({"samples": (sample(0, 0),)}, Reading.CLOSED),
    ({"samples": (sample(0, 16),)}, Reading.CLOSED),
    ({"kiss_code": "RATE"}, Reading.CLOSED),
    ({"failure": failure(FailureKind.REFUSED, ADDRESS)}, Reading.CLOSED),
    ({"failure": failure(FailureKind.REFUSED, "192.0.2.1")}, Reading.SILENT),
    ({"failure": failure(FailureKind.NO_ANSWER)}, Reading.SILENT),
    ({"failure": failure(FailureKind.NO_ROUTE)}, Reading.UNKNOWN),
])
def test_what_a_time_service_says(evidence: dict[str, object], reading: Reading) -> None:
    """One that answers and is not synchronised yet is not back (RFC 5905 section 7.3)."""
    seen = ClockEvidence(server=ADDRESS, address=ADDRESS, port=123, at="", **evidence)  # type: ignore[arg-type]
    assert reboot.time_reading(seen) is reading


@pytest.mark.parametrize(("evidence", "words"), [
    ({"samples": (sample(3, 2),)}, "answers, and is not synchronised yet"), ({"kiss_code": "RATE"}, "kiss code RATE"),
    ({"failure": failure(FailureKind.NO_ANSWER)}, "no-answer"), ({"samples": (sample(0, 2),)}, ""),
])
def test_why_a_time_service_is_not_back(evidence: dict[str, object], words: str) -> None:
    """A silent one has said nothing, not even that it is not synchronised."""
    seen = ClockEvidence(server=ADDRESS, address=ADDRESS, port=123, at="", **evidence)  # type: ignore[arg-type]
    assert reboot._time_detail(seen) == words


@pytest.mark.parametrize(("trips", "kind", "reading"), [
    ((0.001,), None, Reading.UP), ((None,), FailureKind.NO_ANSWER, Reading.SILENT),
    ((None,), FailureKind.UNREACHABLE, Reading.SILENT), ((), FailureKind.NO_PRIVILEGE, Reading.UNKNOWN),
])
def test_what_an_echo_says(trips: tuple[float | None, ...], kind: FailureKind | None, reading: Reading) -> None:
    """A privilege that the runner lacks is no silence of the host."""
    seen = EchoEvidence(address=ADDRESS, method="icmp-raw", at="", round_trips_seconds=trips, failure=kind and failure(kind))
    assert reboot.echo_reading(seen) is reading


def test_a_port_that_accepts_and_does_not_speak_is_not_ready() -> None:
    """A socket that the system opens before its service is there."""
    closed = failure(FailureKind.CLOSED)
    assert reboot.tls_reading(TlsEvidence(address=ADDRESS, port="443/tcp", server_name="", at="", elapsed_seconds=1,
                                          failure=closed))[0] is Reading.CLOSED
    assert reboot.ssh_reading(SshEvidence(address=ADDRESS, port="22/tcp", at="", elapsed_seconds=1,
                                          failure=closed))[0] is Reading.CLOSED
    assert reboot.ssh_reading(SshEvidence(address=ADDRESS, port="22/tcp", at="", elapsed_seconds=1,
                                          identification="SSH-2.0-x"))[0] is Reading.UP
