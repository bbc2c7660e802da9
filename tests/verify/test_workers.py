"""Sharing an itinerary among processes: everything is asked once, everything seen comes back, whatever becomes of a worker."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from collections.abc import Callable

import msgspec
import pytest

from shared.evidence import CertificateFacts, Crash, Evidence, HostEvidence, NameAnswer, SiteEvidence, TlsEvidence, Vantage
from shared.plan import Endpoint
from shared.questions import HostQuestions, Itinerary, NameQuestion, Pace, SiteQuestions
from verify import workers

SERVER = Endpoint(host="192.0.2.53", port=53, label="192.0.2.53")
SITE = SiteQuestions(names=(NameQuestion(SERVER, "obs.example.net", "SOA", "zone"),))
USUAL = Pace()
AT = "2026-11-02T09:00:00.000000Z"


def itinerary(hosts: int, pace: Pace = USUAL) -> Itinerary:
    """Questions about so many hosts."""
    return Itinerary(networks=(), name_servers=(SERVER,), site=SITE, pace=pace,
                     hosts=tuple(HostQuestions(fqdn=f"h{number}.obs.example.net") for number in range(hosts)))


def facts(name: str) -> CertificateFacts:
    """A certificate of which only the fingerprint matters."""
    return CertificateFacts(sha256=name, der=name.encode())


def seen(part: Itinerary, tell: Callable[[HostEvidence], None]) -> Evidence:
    """Stands for probing: each host shows one certificate that all share, and the site's questions are answered."""
    hosts = []
    for questions in part.hosts:
        tls = TlsEvidence(address="192.0.2.11", port="443/tcp", server_name="", at=AT, elapsed_seconds=0.0,
                          chain=(facts("shared"),))
        hosts.append(HostEvidence(fqdn=questions.fqdn, tls=(tls,)))
        tell(hosts[-1])
    slept = 60.0 * int(multiprocessing.current_process().name.removeprefix("worker ")) if multiprocessing.parent_process() else 0
    names = tuple(NameAnswer(server=one.server.label, name=one.name, rrtype=one.rrtype, purpose=one.purpose, transport="udp",
                             at=AT, elapsed_seconds=0.0) for one in part.site.names)
    vantage = Vantage(name="bench", shortages=(("ports", 2),), packets_per_second=part.pace.packets_per_second,
                      suspended_seconds=slept, clock_step_seconds=-slept)
    return Evidence(vantage=vantage, started=AT, finished=AT, complete=True,
                    site=SiteEvidence(names=names), hosts=tuple(hosts))


@pytest.mark.parametrize(("hosts", "count"), [(1, 1), (7, 2), (7, 3), (3, 3)])
def test_slices_ask_every_question_once(hosts: int, count: int) -> None:
    """Each host is in one slice, the site in the first, and no slice has two hosts more than another."""
    whole = itinerary(hosts)
    parts = workers.slices(whole, count)
    assert sorted(host.fqdn for part in parts for host in part.hosts) == sorted(host.fqdn for host in whole.hosts)
    assert [bool(part.site.names) for part in parts] == [True] + [False] * (count - 1)
    sizes = [len(part.hosts) for part in parts]
    assert max(sizes) - min(sizes) <= 1


def test_workers_together_keep_the_pace_of_one() -> None:
    """Every limit is shared out, and none of the shares is nothing."""
    whole = itinerary(9, Pace(packets_per_second=900.0, hosts=30, connections=300, handshakes=2, server_questions=60))
    for part in workers.slices(whole, 3):
        assert (part.pace.packets_per_second, part.pace.hosts, part.pace.connections) == (300.0, 10, 100)
        assert (part.pace.handshakes, part.pace.server_questions) == (1, 20)
        assert part.pace.timeout_seconds == whole.pace.timeout_seconds


@pytest.mark.parametrize(("hosts", "rate", "cores", "count"), [
    (10_000, 1e6, 4, 4),
    (10_000, 1e6, 1, 1),
    (10_000, 5_000.0, 4, 1),    # one core keeps this pace
    (10_000, 5_001.0, 4, 2),
    (499, 1e6, 4, 1),           # too few to be worth a second process
    (500, 1e6, 4, 2),
    (0, 1e6, 4, 1),
])
def test_how_many_workers_are_of_use(
    monkeypatch: pytest.MonkeyPatch, hosts: int, rate: float, cores: int, count: int
) -> None:
    """No more than the cores, the pace and the hosts can keep busy."""
    monkeypatch.setattr(os, "sched_getaffinity", lambda _pid: set(range(cores)))
    assert workers.how_many(itinerary(hosts, Pace(packets_per_second=rate))) == count


@pytest.mark.parametrize("count", [1, 2, 3])
def test_evidence_comes_back_whole_and_in_order(count: int) -> None:
    """As if one process had seen it: hosts in plan order, the site's answers once, shortages and paces added up."""
    told: list[str] = []
    whole = itinerary(7)
    evidence = workers.gather(whole, count, seen, lambda host: told.append(host.fqdn))
    assert [host.fqdn for host in evidence.hosts] == [host.fqdn for host in whole.hosts]
    assert sorted(told) == sorted(host.fqdn for host in whole.hosts)
    assert [answer.name for answer in evidence.site.names] == ["obs.example.net"]
    assert evidence.vantage.shortages == (("ports", 2 * count),)
    assert evidence.vantage.packets_per_second == pytest.approx(whole.pace.packets_per_second)
    assert evidence.vantage.suspended_seconds == 60.0 * count, "a worker that ended before slept less of it"
    assert evidence.vantage.clock_step_seconds == -60.0 * count, "and may not have seen the clock being set"
    assert evidence.complete
    assert evidence.hosts == seen(whole, lambda _host: None).hosts


def test_a_certificate_that_all_show_is_kept_once() -> None:
    """Whichever worker saw it."""
    evidence = workers.gather(itinerary(6), 2, seen, lambda _host: None)
    assert len({id(host.tls[0].chain[0]) for host in evidence.hosts}) == 1


def _dies(part: Itinerary, tell: Callable[[HostEvidence], None]) -> Evidence:
    """The second worker reports its first host and is killed, as by a machine out of memory."""
    if not part.site.names:
        tell(HostEvidence(fqdn=part.hosts[0].fqdn))
        os.kill(os.getpid(), signal.SIGKILL)
    return seen(part, tell)


def test_a_worker_that_dies_takes_only_its_unfinished_hosts_along() -> None:
    """They are incomplete, the run says so, and the fault is owned up to."""
    evidence = workers.gather(itinerary(6), 2, _dies, lambda _host: None)
    assert [host.fqdn.partition(".")[0] for host in evidence.hosts if not host.complete] == ["h3", "h5"]
    assert not evidence.complete
    assert evidence.site.crashes == (Crash(asking="worker 2", error="ended before it was done, with status -9"),)
    assert len(evidence.site.names) == 1


def test_the_first_worker_dying_loses_the_site_and_no_host_of_others() -> None:
    """What the others saw is kept."""

    def first_dies(part: Itinerary, tell: Callable[[HostEvidence], None]) -> Evidence:
        if part.site.names:
            os._exit(3)
        return seen(part, tell)

    evidence = workers.gather(itinerary(4), 2, first_dies, lambda _host: None)
    assert [host.complete for host in evidence.hosts] == [False, True, False, True]
    assert evidence.site.names == ()
    assert [crash.asking for crash in evidence.site.crashes] == ["worker 1"]


def test_no_worker_coming_back_is_a_fault_and_no_report() -> None:
    """There is nothing to report about."""

    def all_die(_part: Itinerary, _tell: Callable[[HostEvidence], None]) -> Evidence:
        os._exit(3)

    with pytest.raises(RuntimeError, match="status 3"):
        workers.gather(itinerary(4), 2, all_die, lambda _host: None)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_is_passed_on_and_what_was_seen_comes_back(number: signal.Signals) -> None:
    """Each worker returns what it has when it is asked to end, as the event loop of a real one does."""

    def until_stopped(part: Itinerary, tell: Callable[[HostEvidence], None]) -> Evidence:
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
        evidence = seen(msgspec.structs.replace(part, hosts=part.hosts[:1]), tell)
        signal.sigtimedwait({signal.SIGTERM}, 10)
        return msgspec.structs.replace(evidence, complete=False)

    stopped: list[str] = []

    def on_host(host: HostEvidence) -> None:
        stopped.append(host.fqdn)
        if len(stopped) == 2:
            os.kill(os.getpid(), number)

    evidence = workers.gather(itinerary(6), 2, until_stopped, on_host)
    assert [host.fqdn.partition(".")[0] for host in evidence.hosts if host.complete] == ["h0", "h1"]
    assert not evidence.complete
    assert evidence.site.crashes == ()


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker that stands still for 0.2 s has done so for long."""
    monkeypatch.setattr(workers, "STILL_SECONDS", 0.2)
    monkeypatch.setattr(workers, "LOOK_SECONDS", 0.05)


def _is_stopped(part: Itinerary, tell: Callable[[HostEvidence], None]) -> Evidence:
    """The second worker is stopped after its first host; asked to end it returns what it has, as the event loop does."""
    if part.site.names:
        return seen(part, tell)
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    evidence = seen(msgspec.structs.replace(part, hosts=part.hosts[:1]), lambda _host: None)
    os.kill(os.getpid(), signal.SIGSTOP)
    signal.sigtimedwait({signal.SIGTERM}, 10)
    return msgspec.structs.replace(evidence, complete=False)


@pytest.mark.usefixtures("impatient")
def test_a_worker_that_was_stopped_is_not_waited_for_without_an_end() -> None:
    """It is asked to end, and what it had seen is kept."""
    evidence = workers.gather(itinerary(6), 2, _is_stopped, lambda _host: None)
    assert [host.fqdn.partition(".")[0] for host in evidence.hosts if not host.complete] == ["h3", "h5"]
    assert not evidence.complete
    [crash] = evidence.site.crashes
    assert (crash.asking, crash.error[:26]) == ("worker 2", "was stopped by a signal fo")


@pytest.mark.usefixtures("impatient")
def test_a_worker_that_stays_stopped_is_ended() -> None:
    """Continuing it helps as little as asking."""
    def stops_again(part: Itinerary, tell: Callable[[HostEvidence], None]) -> Evidence:
        if part.site.names:
            return seen(part, tell)
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
        while True:
            os.kill(os.getpid(), signal.SIGSTOP)

    evidence = workers.gather(itinerary(4), 2, stops_again, lambda _host: None)
    assert [host.complete for host in evidence.hosts] == [True, False, True, False]
    assert [crash.error for crash in evidence.site.crashes][-1] == "ended before it was done, with status -9"


def _stops_in_the_middle_of_a_message(octets: int, *, again: bool) -> None:
    """Send so much of the next message, and then be stopped with what is sent lying in the pipe; and ``again`` once continued."""
    real = os.write

    def stop(pipe: int, unsent: memoryview) -> int:
        sent = real(pipe, unsent[:octets])
        if not again:
            os.write = real
        os.kill(os.getpid(), signal.SIGSTOP)
        while again:
            os.kill(os.getpid(), signal.SIGSTOP)
        return sent

    os.write = stop  # type: ignore[assignment]  # in the worker alone, which is a process of its own


@pytest.mark.timeout(20)
@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize("octets", [3, 8, 50], ids=["in its length", "after its length", "in its content"])
def test_a_worker_that_is_stopped_in_the_middle_of_a_message_is_no_end_of_waiting(octets: int) -> None:
    """Nobody waits for the rest of it: what the others saw comes back, and the fault is owned up to."""
    def half_said(part: Itinerary, tell: Callable[[HostEvidence], None]) -> Evidence:
        if part.site.names:
            return seen(part, tell)
        seen(msgspec.structs.replace(part, hosts=part.hosts[:1]), tell)
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        _stops_in_the_middle_of_a_message(octets, again=True)
        return seen(msgspec.structs.replace(part, hosts=part.hosts[1:]), tell)

    evidence = workers.gather(itinerary(6), 2, half_said, lambda _host: None)
    assert [host.fqdn.partition(".")[0] for host in evidence.hosts if not host.complete] == ["h3", "h5"]
    assert len(evidence.site.names) == 1
    assert not evidence.complete
    assert [crash.error[:26] for crash in evidence.site.crashes] == ["was stopped by a signal fo", "ended before it was done, "]


@pytest.mark.timeout(20)
@pytest.mark.usefixtures("impatient")
def test_a_message_that_was_stopped_halfway_and_is_sent_to_its_end_is_whole() -> None:
    """Once the worker is asked to go on."""
    def interrupted(part: Itinerary, tell: Callable[[HostEvidence], None]) -> Evidence:
        if not part.site.names:
            signal.signal(signal.SIGTERM, signal.SIG_IGN)
            _stops_in_the_middle_of_a_message(50, again=False)
        return seen(part, tell)

    whole = itinerary(2)
    evidence = workers.gather(whole, 2, interrupted, lambda _host: None)
    assert evidence.hosts == seen(whole, lambda _host: None).hosts
    assert evidence.complete
    assert [crash.error[:26] for crash in evidence.site.crashes] == ["was stopped by a signal fo"]


def test_a_worker_that_is_stopped_and_goes_on_loses_nothing() -> None:
    """As when whoever started the run stops it and lets it go on."""
    def pauses(part: Itinerary, tell: Callable[[HostEvidence], None]) -> Evidence:
        if not part.site.names:
            os.kill(os.getpid(), signal.SIGSTOP)
        return seen(part, tell)

    def wake(_host: HostEvidence) -> None:
        for child in multiprocessing.active_children():
            assert child.pid is not None
            os.waitid(os.P_PID, child.pid, os.WSTOPPED | os.WEXITED | os.WNOWAIT)
            os.kill(child.pid, signal.SIGCONT)

    evidence = workers.gather(itinerary(2), 2, pauses, wake)
    assert evidence.complete
    assert evidence.site.crashes == ()


def test_an_interrupt_reaches_a_worker_that_is_stopped() -> None:
    """Whoever presses Ctrl-C gets what was seen, and at once."""
    def on_host(host: HostEvidence) -> None:
        if host.fqdn.startswith("h0."):
            os.waitid(os.P_ALL, 0, os.WSTOPPED | os.WNOWAIT)
            os.kill(os.getpid(), signal.SIGINT)

    began = time.monotonic()
    evidence = workers.gather(itinerary(6), 2, _is_stopped, on_host)
    assert [host.fqdn.partition(".")[0] for host in evidence.hosts if not host.complete] == ["h3", "h5"]
    assert evidence.site.crashes == ()
    assert time.monotonic() - began < workers.STILL_SECONDS
