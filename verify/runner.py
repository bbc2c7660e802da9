"""Fans the questions out and collects the evidence.

``gather`` is all that a worker elsewhere would need: a slice of the itinerary in, its evidence out, both plain data.
Every host is visited on its own: one that is silent, hostile or makes a probe crash costs the others nothing.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import TypeVar

import msgspec

from probes import certificate, clock, echo, identities, link, names, path, ports, ssh, witness
from probes.hostword import HostWord, LoginPool
from probes.seam import Network, NotObserved, now
from probes.stamps import RunnersClock
from probes.vantage import look_around
from shared.evidence import (
    ClockEvidence,
    ClockWitness,
    Crash,
    EchoEvidence,
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    Identity,
    NameAnswer,
    OwnersEvidence,
    PathMtuEvidence,
    PortEvidence,
    PortState,
    SiteEvidence,
    SshEvidence,
    TlsEvidence,
    bounded,
)
from shared.questions import ClockQuestion, HostQuestions, Itinerary, NameQuestion, PortQuestion, SiteQuestions

Question = TypeVar("Question")
Answer = TypeVar("Answer")

#: Connections one host sees from us at the same time, so that a small machine's accept queue is never the thing tested
#: (common practice, no source).
CONNECTIONS_A_HOST = 16

#: Hosts that are begun together, at least, where the pace has a turn to spare: a runner whose cores are busy with other things
#: then still makes full use of its pace.  Ours.
BEGUN_TOGETHER = 8

#: What a sound host takes of the pace, in packets (measured: 27), and how far ahead the pace is given away, in seconds.
_PACKETS_A_HOST, _AHEAD_SECONDS = 25, 0.1

#: Two clocks that are read one after the other differ by the microseconds between, on a busy machine by more; no suspension is
#: shorter than this, and no time service steps a clock by less.  Ours.
SUSPENDED_SECONDS, SET_SECONDS = 0.1, 0.01


@dataclass(slots=True)
class _Notebook:
    """What has been seen so far of one host or of the site, in the order of the questions; None is not yet answered."""

    names: list[NameAnswer | None] = field(default_factory=list)
    echoes: list[EchoEvidence | None] = field(default_factory=list)
    clocks: list[ClockEvidence | None] = field(default_factory=list)
    ports: list[PortEvidence | None] = field(default_factory=list)
    tls: list[TlsEvidence | None] = field(default_factory=list)
    ssh: list[SshEvidence | None] = field(default_factory=list)
    witnesses: list[tuple[ClockWitness, ...] | None] = field(default_factory=list)
    owners: list[OwnersEvidence | None] = field(default_factory=list)
    paths: list[PathMtuEvidence | None] = field(default_factory=list)
    identities: list[tuple[Identity, ...] | None] = field(default_factory=list)
    crashes: list[Crash] = field(default_factory=list)
    systems: list[HostWord | None] = field(default_factory=list)
    complete: bool = False

    def site(self) -> SiteEvidence:
        return SiteEvidence(names=_kept(self.names), gateways=_kept(self.echoes), clocks=_kept(self.clocks),
                            crashes=tuple(self.crashes), owners=_kept(self.owners))

    def host(self, fqdn: str) -> HostEvidence:
        said = _kept(self.systems)
        return HostEvidence(fqdn=fqdn, names=_kept(self.names), echoes=_kept(self.echoes), clocks=_kept(self.clocks),
                            ports=_kept(self.ports), tls=_kept(self.tls), ssh=_kept(self.ssh),
                            crashes=tuple(self.crashes), complete=self.complete,
                            witnesses=(*_joined(self.witnesses), *(word.witness for word in said if word.witness)),
                            system=said[0].system if said else None, owners=_kept(self.owners), paths=_kept(self.paths),
                            identities=_joined(self.identities))


def _kept(slots: list[Answer | None]) -> tuple[Answer, ...]:
    return tuple(slot for slot in slots if slot is not None)


def _joined(slots: list[tuple[Answer, ...] | None]) -> tuple[Answer, ...]:
    return tuple(one for told in _kept(slots) for one in told)


async def gather(
    itinerary: Itinerary, network: Network, on_host: Callable[[HostEvidence], None] = lambda _host: None
) -> Evidence:
    """Ask every question of the itinerary and return what was seen.

    ``on_host`` is called with each host's evidence as it is complete.  When the task is cancelled the evidence so far is
    returned with ``complete`` False: evidence is never thrown away.

    A host is begun when those already begun leave the pace a turn to spare.  Were all begun at once, all would end at the
    end: what was seen of one would be spread over the whole run, and a run cut short would have none of them complete.
    """
    started, ahead, clock_then = now(network), network.unbroken() - network.monotonic(), RunnersClock(network)
    vantage = look_around(network, name=socket.gethostname(), footholds=itinerary.networks)
    site, books, seen = _Notebook(), dict[int, _Notebook](), dict[int, HostEvidence]()
    logins, complete, places = LoginPool(itinerary.pace.timeout_seconds), True, asyncio.Semaphore(itinerary.pace.hosts)
    together = max(BEGUN_TOGETHER, round(itinerary.pace.packets_per_second * _AHEAD_SECONDS / _PACKETS_A_HOST))

    async def visit(place: int, questions: HostQuestions) -> None:
        book = books[place] = _Notebook()
        await _visit_host(network, questions, book, logins)
        book.complete = True
        seen[place] = books.pop(place).host(questions.fqdn)
        places.release()
        on_host(seen[place])

    try:
        async with asyncio.TaskGroup() as group:
            group.create_task(_visit_site(network, itinerary, site))
            for place, questions in enumerate(itinerary.hosts):
                await places.acquire()
                if place % together == 0:
                    await network.spare_turn()
                group.create_task(visit(place, questions))
    except asyncio.CancelledError:
        complete = False
    finally:
        logins.close()
    # Where the run was cut short, hosts under way have what is in their notebooks so far, and the rest nothing.
    hosts = tuple(seen.get(place) or books.get(place, _Notebook()).host(questions.fqdn)
                  for place, questions in enumerate(itinerary.hosts))
    suspended, step = network.unbroken() - network.monotonic() - ahead, clock_then.step_seconds()
    vantage = msgspec.structs.replace(vantage, shortages=network.shortages(),
                                      packets_per_second=itinerary.pace.packets_per_second,
                                      suspended_seconds=suspended if suspended > SUSPENDED_SECONDS else 0.0,
                                      clock_step_seconds=step if abs(step) > SET_SECONDS else 0.0)
    return Evidence(vantage=vantage, started=started, finished=now(network), complete=complete, site=site.site(), hosts=hosts)


async def _visit_site(network: Network, itinerary: Itinerary, book: _Notebook) -> None:
    questions: SiteQuestions = itinerary.site
    async with asyncio.TaskGroup() as group:
        _each(group, book, book.names, questions.names, lambda question: names.ask(network, question))
        _each(group, book, book.echoes, questions.gateways, lambda question: echo.echo(network, question))
        _each(group, book, book.clocks, questions.clocks, lambda question: _ask_time(network, itinerary, question))
        _each(group, book, book.owners, questions.owners, lambda question: link.owners(network, question))


async def _visit_host(network: Network, questions: HostQuestions, book: _Notebook, logins: LoginPool) -> None:
    connections = asyncio.Semaphore(CONNECTIONS_A_HOST)
    book.tls, book.ssh = [None] * len(questions.ports), [None] * len(questions.ports)
    book.identities = [None] * len(questions.ports)
    positions = {id(question): index for index, question in enumerate(questions.ports)}

    async def knock(question: PortQuestion) -> PortEvidence:
        index = positions[id(question)]
        async with connections:
            seen = await _knock(network, question, book, index)
        if question.visits and seen.state is PortState.OPEN:
            book.identities[index] = await identities.revisit(network, question, book.tls[index])
        return seen

    async with asyncio.TaskGroup() as group:
        group.create_task(_ask_names(network, questions.names, book))
        _each(group, book, book.echoes, questions.echoes, lambda question: echo.echo(network, question))
        _each(group, book, book.clocks, questions.clocks,
              lambda question: clock.ask_time(network, question, question.server.host))
        _each(group, book, book.ports, questions.ports, knock)
        _each(group, book, book.witnesses, questions.witnesses, lambda question: witness.ask_clock(network, question))
        _each(group, book, book.systems, questions.systems, lambda question: logins.ask(network, question))
        _each(group, book, book.owners, questions.owners, lambda question: link.owners(network, question))
        _each(group, book, book.paths, questions.paths, lambda question: path.measure(network, question))


async def _ask_names(network: Network, questions: tuple[NameQuestion, ...], book: _Notebook) -> None:
    """Put the questions about a host, then look up forward what the reverse answers name (RFC 8601 section 3)."""
    async with asyncio.TaskGroup() as group:
        _each(group, book, book.names, questions, lambda question: names.ask(network, question))
    answered = [(question, answer) for question, answer in zip(questions, book.names, strict=True) if answer is not None]
    following = names.confirmations([question for question, _ in answered], [answer for _, answer in answered])
    async with asyncio.TaskGroup() as group:
        _each(group, book, book.names, following, lambda question: names.ask(network, question))


async def _knock(network: Network, question: PortQuestion, book: _Notebook, index: int) -> PortEvidence:
    """Try a port, and where it opens talk to what the plan says is behind it."""
    seen, stream = await ports.knock(network, question)
    if stream is None:
        return seen
    try:
        # What the port answered is evidence already, should the conversation be cut short.
        book.ports[index] = seen
        if question.speaks == "tls":
            book.tls[index] = await certificate.examine(network, question, stream)
        elif question.speaks == "ssh":
            book.ssh[index] = await ssh.identify(network, question, stream)
    finally:
        stream.close()
    return seen


async def _ask_time(network: Network, itinerary: Itinerary, question: ClockQuestion) -> ClockEvidence:
    """Ask a time source, first resolving it through the planned name servers where it is planned by name."""
    began, at = network.monotonic(), now(network)
    try:
        address = await names.resolve(network, itinerary.name_servers, question.server.host)
    except NotObserved as unresolved:
        failure = Failure(kind=FailureKind.NOT_RESOLVED, phase=unresolved.failure.phase, detail=unresolved.failure.detail,
                          elapsed_seconds=network.monotonic() - began)
        return ClockEvidence(server=question.server.label, address="", port=question.server.port, at=at, failure=failure)
    return await clock.ask_time(network, question, address)


def _each(
    group: asyncio.TaskGroup,
    book: _Notebook,
    slots: list[Answer | None],
    questions: tuple[Question, ...],
    ask: Callable[[Question], Awaitable[Answer]],
) -> None:
    """Start one task a question; each puts its answer in its own place, so that order never depends on timing."""
    first = len(slots)
    slots.extend([None] * len(questions))
    for index, question in enumerate(questions, first):
        group.create_task(_answer(book, slots, index, question, ask))


async def _answer(
    book: _Notebook, slots: list[Answer | None], index: int, question: Question, ask: Callable[[Question], Awaitable[Answer]]
) -> None:
    try:
        slots[index] = await ask(question)
    except Exception as error:  # noqa: BLE001 -- the one place where our own bug becomes a Crash instead of ending the run
        book.crashes.append(Crash(asking=bounded(repr(msgspec.to_builtins(question))), error=bounded(repr(error))))
