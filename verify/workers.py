"""Shares an itinerary out among processes of this machine, a slice of the hosts each.

One process asks no faster than one core lets it.  Every worker does what one process does alone, ``runner.gather`` on a
slice of the itinerary, and sends what it saw back as MessagePack: each host as it is complete, and at the end the rest.
"""

from __future__ import annotations

import contextlib
import math
import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from multiprocessing.connection import wait
from multiprocessing.process import BaseProcess

import msgspec

from shared.evidence import CertificateFacts, Crash, Evidence, HostEvidence, SiteEvidence
from shared.questions import Itinerary, Pace, SiteQuestions
from verify import lostterminal

#: Packets a second that one core asks, matches and reads at most, rounded down (tests/bench/scale.py: 6,000 to 8,000 with
#: everything that a host is asked).  A slower pace needs no second worker.
PACKETS_A_CORE = 5_000
#: Hosts a worker must have to be worth starting.  Ours.
HOSTS_A_WORKER = 250

#: How long a worker may stand still because somebody stopped it (SIGSTOP, SIGTSTP), and how often that is looked at.  Ours:
#: longer than anybody takes who stops the whole run and lets it go on.
STILL_SECONDS, LOOK_SECONDS = 30.0, 1.0

#: A message in a worker's pipe: how many octets it has, in this many octets of the machine's own order, and then itself.  What is
#: there of one is read as it comes, since whoever is stopped in the middle of sending leaves the rest out.
_LENGTH_OCTETS, _READ_OCTETS = 8, 1 << 20

#: Answers an itinerary and calls back with each host that is complete: ``verify.trial`` makes it, on the real network.
Answer = Callable[[Itinerary, Callable[[HostEvidence], None]], Evidence]

#: Forked, so that a worker begins with everything loaded; there are no threads at that time, and no event loop.
_CONTEXT = multiprocessing.get_context("fork")


def how_many(itinerary: Itinerary) -> int:
    """As many workers as there are cores that the pace and the hosts can keep busy."""
    cores = len(os.sched_getaffinity(0))
    busy = math.ceil(itinerary.pace.packets_per_second / PACKETS_A_CORE)
    return max(1, min(cores, busy, len(itinerary.hosts) // HOSTS_A_WORKER))


def slices(itinerary: Itinerary, count: int) -> list[Itinerary]:
    """The itinerary in ``count`` parts that together ask every question once, at the same pace.

    Every host is whole in one part, neighbours in the plan in different ones; the site's own questions are in the first.
    """
    pace = _share(itinerary.pace, count)
    return [
        msgspec.structs.replace(itinerary, hosts=itinerary.hosts[index::count], pace=pace,
                                site=itinerary.site if index == 0 else SiteQuestions())
        for index in range(count)
    ]


def _share(pace: Pace, count: int) -> Pace:
    return msgspec.structs.replace(
        pace, packets_per_second=pace.packets_per_second / count, hosts=max(1, pace.hosts // count),
        connections=max(1, pace.connections // count), handshakes=max(1, pace.handshakes // count),
        server_questions=max(1, pace.server_questions // count))


def gather(itinerary: Itinerary, count: int, answer: Answer, on_host: Callable[[HostEvidence], None]) -> Evidence:
    """What ``answer`` sees of the whole itinerary, asked by ``count`` processes at once.

    Ctrl-C and a polite termination are passed on to the workers, which then return what they have.  A worker that dies
    leaves its unfinished hosts incomplete and a Crash beside the site's evidence; the others go on.  One that is stopped and
    not continued is asked to end with what it has, and if it will not, ended.
    """
    gathered = _Gathered(itinerary)
    workers: list[_Worker] = []
    with _stopping(workers) as was_stopped:
        for index, part in enumerate(slices(itinerary, count)):
            workers.append(_Worker(index, part, answer, [worker.pipe for worker in workers]))
        if was_stopped():
            # Those that were started after the signal have not been told.
            for worker in workers:
                worker.end()
        waiting = {worker.pipe: worker for worker in workers}
        looked = time.monotonic()
        while waiting:
            heard = wait(list(waiting), LOOK_SECONDS)
            if (passed := time.monotonic() - looked) >= LOOK_SECONDS:
                looked += passed
                owned = _wake(waiting.values())
                gathered.crashes += owned if not was_stopped() else []
            for pipe in heard:
                assert isinstance(pipe, int)
                worker = waiting[pipe]
                for message in worker.hear():
                    match message:
                        case _Host(host):
                            gathered.keep(host)
                            if host.complete:
                                on_host(host)
                        case _Rest(evidence):
                            gathered.summaries[worker.index] = evidence
                if worker.has_ended or worker.index in gathered.summaries:
                    del waiting[pipe]
                if worker.has_ended and worker.index not in gathered.summaries and not was_stopped():
                    gathered.crashes.append(Crash(asking=worker.process.name, error="ended before it was done, with status "
                                                  f"{worker.process.exitcode}"))
    if not gathered.summaries:
        if was_stopped():
            raise KeyboardInterrupt
        raise RuntimeError(f"no worker came back: {gathered.crashes}")
    return gathered.evidence(complete_of=count)


class _Host(msgspec.Struct, tag="host"):
    evidence: HostEvidence


class _Rest(msgspec.Struct, tag="rest"):
    evidence: Evidence


class _Worker:
    """One process, and the pipe that it answers through."""

    def __init__(self, index: int, part: Itinerary, answer: Answer, others: list[int]) -> None:
        self.index = index
        self.pipe, theirs = os.pipe()
        # The near ends are ours alone, so that a worker whose starter is gone hears so when it next tells something.
        near = [self.pipe, *others]
        self.process: BaseProcess = _CONTEXT.Process(target=_work, args=(part, answer, theirs, near), name=f"worker {index + 1}")
        self.process.start()
        os.close(theirs)
        self.still_seconds = 0.0
        self.has_ended = False
        self._unread = bytearray()

    def stands_still(self) -> bool:
        """Whether it is stopped at this moment; asking changes nothing."""
        try:
            return os.waitid(os.P_PID, self.process.ident or 0, os.WSTOPPED | os.WNOHANG | os.WNOWAIT) is not None
        except ChildProcessError:
            return False

    def end(self) -> None:
        """Ask it to end with what it has, also where it is stopped."""
        self.process.terminate()
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.process.ident or 0, signal.SIGCONT)

    def hear(self) -> Iterator[_Host | _Rest]:
        """What it has said whole by now; never waits, once there is something to read.  ``has_ended`` where no more will come."""
        octets = os.read(self.pipe, _READ_OCTETS)
        if not octets:
            self.process.join()
            self.has_ended = True
        self._unread += octets
        while len(self._unread) >= _LENGTH_OCTETS:
            end = _LENGTH_OCTETS + int.from_bytes(self._unread[:_LENGTH_OCTETS], sys.byteorder)
            if len(self._unread) < end:
                break
            message = bytes(memoryview(self._unread)[_LENGTH_OCTETS:end])
            del self._unread[:end]
            yield msgspec.msgpack.decode(message, type=_Host | _Rest)


def _wake(workers: Iterable[_Worker]) -> list[Crash]:
    """Ask those to end that have been stopped for too long, and kill those that it did not help; what to own up to.

    Counted are the times that this process itself was awake to see it: whoever stops all of them stops none for long.
    """
    owned = []
    for worker in workers:
        if not worker.stands_still():
            # One that was asked to end and is stopped again need not be asked, nor told of, a second time.
            worker.still_seconds = worker.still_seconds if worker.still_seconds >= STILL_SECONDS else 0.0
            continue
        before = worker.still_seconds
        worker.still_seconds = before + LOOK_SECONDS
        if before >= 2 * STILL_SECONDS:
            worker.process.kill()
        elif before < STILL_SECONDS <= worker.still_seconds:
            said = f"was stopped by a signal for {STILL_SECONDS:.0f} s, and asked to end with what it had seen"
            owned.append(Crash(asking=worker.process.name, error=said))
            worker.end()
    return owned


def polite_signals() -> tuple[signal.Signals, ...]:
    """The signals that ask a run to end: a termination, and a lost terminal unless whoever started us said to outlive it."""
    outlives = signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    return (signal.SIGTERM,) if outlives else (signal.SIGTERM, signal.SIGHUP)


def _work(part: Itinerary, answer: Answer, pipe: int, near: list[int]) -> None:
    """A worker's whole life."""
    for end in near:
        os.close(end)
    # Ctrl-C reaches every process at the terminal; only the one that started the others passes it on, once.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for number in polite_signals():
        signal.signal(number, signal.SIG_DFL)
    told: set[str] = set()

    def say(what: _Host | _Rest) -> None:
        message = msgspec.msgpack.encode(what)
        unsent = memoryview(len(message).to_bytes(_LENGTH_OCTETS, sys.byteorder) + message)
        try:
            while unsent:
                unsent = unsent[os.write(pipe, unsent):]
        except BrokenPipeError:
            # Who started us is gone, and nobody else wants the answers.
            os._exit(1)

    def tell(host: HostEvidence) -> None:
        told.add(host.fqdn)
        say(_Host(host))

    evidence = answer(part, tell)
    for host in evidence.hosts:
        if host.fqdn not in told:
            say(_Host(host))
    say(_Rest(msgspec.structs.replace(evidence, hosts=())))


@contextlib.contextmanager
def _stopping(workers: list[_Worker]) -> Iterator[Callable[[], bool]]:
    """Within it, an interrupt or a polite termination asks the workers to end, once; afterwards none of them is left.

    Gives a function that says whether they were asked.
    """
    asked = False

    def stop(number: int, _frame: object) -> None:
        nonlocal asked
        if number == signal.SIGHUP:
            lostterminal.forsake()
        for worker in workers if not asked else ():
            worker.end()
        asked = True

    before = [(number, signal.signal(number, stop)) for number in (signal.SIGINT, *polite_signals())]
    try:
        yield lambda: asked
    finally:
        for number, handler in before:
            signal.signal(number, handler)
        for worker in workers:
            os.close(worker.pipe)
            worker.process.kill()
            worker.process.join()


class _Gathered:
    """What the workers have said so far, and the one run it makes."""

    def __init__(self, itinerary: Itinerary) -> None:
        self.summaries: dict[int, Evidence] = {}
        self.crashes: list[Crash] = []
        self._hosts = {questions.fqdn: HostEvidence(fqdn=questions.fqdn, complete=False) for questions in itinerary.hosts}
        self._certificates: dict[str, CertificateFacts] = {}

    def keep(self, host: HostEvidence) -> None:
        """Keep one host's evidence, and of certificates that many hosts show one copy for all."""
        one = self._certificates.setdefault
        tls = tuple(msgspec.structs.replace(seen, chain=tuple(one(facts.sha256, facts) for facts in seen.chain))
                    for seen in host.tls)
        self._hosts[host.fqdn] = msgspec.structs.replace(host, tls=tls)

    def evidence(self, *, complete_of: int) -> Evidence:
        """Everything, hosts in the order of the itinerary; complete where each of so many workers says so of its part."""
        parts = [self.summaries[index] for index in sorted(self.summaries)]
        # Only the first was asked about the site.
        site = self.summaries[0].site if 0 in self.summaries else SiteEvidence()
        shortages: dict[str, int] = {}
        for what, times in (shortage for part in parts for shortage in part.vantage.shortages):
            shortages[what] = shortages.get(what, 0) + times
        crashes = (*(crash for part in parts for crash in part.site.crashes), *self.crashes)
        return Evidence(
            vantage=msgspec.structs.replace(parts[0].vantage, shortages=tuple(shortages.items()),
                                            packets_per_second=sum(part.vantage.packets_per_second for part in parts),
                                            suspended_seconds=max(part.vantage.suspended_seconds for part in parts),
                                            clock_step_seconds=max((part.vantage.clock_step_seconds for part in parts), key=abs)),
            started=min(part.started for part in parts), finished=max(part.finished for part in parts),
            complete=len(parts) == complete_of and all(part.complete for part in parts),
            site=msgspec.structs.replace(site, crashes=crashes), hosts=tuple(self._hosts.values()))
