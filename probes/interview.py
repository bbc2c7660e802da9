"""One visit to a host over SSH, in a thread of its own: what is asked once logged in, and what is kept of the answers.

A machine id is kept only as a digest, for it is confidential (machine-id(5)).
"""

from __future__ import annotations

import hashlib

import msgspec

from probes.blocking import BlockingStream
from probes.hostfacts import READERS, WHATEVER_STATUS, names
from probes.login import Heard, Session
from probes.seam import Network, NotObserved
from probes.stamps import RunnersClock, sample
from shared.evidence import ClockWitness, CommandAnswer, Failure, FailureKind, WitnessSample, bounded
from shared.hostcommands import GREETING, NO_SUCH_COMMAND, RESOLVED, TOPICS, Alternative, Topic, own_topic, written_out
from shared.hostfacts import HostFacts, Resolver, Unit
from shared.plan import port_label
from shared.questions import SystemQuestion

#: The characters kept of what the account's shell prints before every answer (our own bound).
KEPT_BANNER = 1024
#: Commands that did not end in time before a host is asked nothing more (common practice, no source).
HANGS = 2
#: Readings of the clock: the one with the shortest way is the best (RFC 5905 section 10 likewise).
CLOCK_READINGS = 3
#: The fields of ``HostFacts`` by the topic that fills them; the clock is a witness, and two topics tell of the resolver.
_FIELDS = {
    "uptime": "uptime_seconds", "boot": "boot_id", "machine": "machine_id", "routes over IPv4": "routes_4",
    "routes over IPv6": "routes_6", "rules over IPv4": "rules_4", "rules over IPv6": "rules_6", "addresses": "addresses",
    "interfaces": "links", "neighbours": "neighbours", "forwarder": "forwarder", "services": "units",
    "sockets of services": "sockets", "failed units": "failed_units", "time services": "time_units",
    "time sources": "time_sources", "host name": "host_name", "full name": "full_name",
    "look-up of its own name": "name_addresses",
}
_WITHHELD = "(kept only as a digest)"


class Interview:
    """One visit.  ``hold`` runs in a thread; everything else is read when it has ended."""

    def __init__(self, network: Network, question: SystemQuestion, line: BlockingStream, timeout_seconds: float) -> None:
        self._network, self._question = network, question
        self._began = network.monotonic()
        self._clock = RunnersClock(network)
        self._facts: dict[str, object] = {}
        self._resolver: Resolver | None = None
        self._samples: list[WitnessSample] = []
        self._steps: list[float] = []
        self._asked = self._hung = 0
        self._clock_at = ""
        self.session = Session(network, question, line, self._clock, timeout_seconds)
        self.answers: list[CommandAnswer] = []
        self.failure: Failure | None = None

    def hold(self) -> None:
        """The whole visit.  Raises nothing of its own; the connection is closed at its end, whatever happened."""
        try:
            self.session.open()
            self._greet()
            self._ask_all()
        except NotObserved as unseen:
            self.failure = unseen.failure
        finally:
            self.session.close()

    @property
    def banner(self) -> str:
        """What the account's shell prints before every answer, as far as it is kept."""
        return bounded(self.session.banner, KEPT_BANNER)

    def facts(self) -> HostFacts:
        """What was read of all that was said."""
        return HostFacts(resolver=self._resolver, **self._facts)  # type: ignore[arg-type]  # each by the reader of its topic

    def witness(self, address: str) -> ClockWitness | None:
        """The host's clock, None where it was not asked for."""
        if not self._asked:
            return None
        failure = None if self._samples else Failure(
            kind=FailureKind.MALFORMED, phase="clock", elapsed_seconds=self._network.monotonic() - self._began,
            detail="the command date did not print a time that can be read")
        return ClockWitness(method="ssh-clock", address=address, at=self._clock_at, port=port_label(self._question.port),
                            samples=tuple(self._samples), asked=self._asked, runner_steps_seconds=tuple(self._steps),
                            failure=failure)

    # --- asking

    def _greet(self) -> None:
        """Learn what the shell prints before every answer, and that it runs what it is given."""
        self.session.phase = "shell"
        heard = self.session.run("shell", f"echo {GREETING}")
        before, word, _after = heard.text.partition(GREETING)
        self._note(heard)
        if not word:
            kind = heard.answer.failure.kind if heard.answer.failure else FailureKind.MALFORMED
            raise self.session.failed(kind, _no_shell(heard))
        self.session.banner = before

    def _ask_all(self) -> None:
        self.session.phase = "commands"
        for topic in TOPICS:
            if topic.name in self._question.topics and (self._stub() or not topic.behind_stub):
                self._ask(topic)
        for name, command in self._question.own:
            self._note(self.session.run(own_topic(name), command))
            self._enough_of_hanging()

    def _ask(self, topic: Topic) -> None:
        """Try the alternatives of a topic until one gives an answer that can be read.

        One that does not end is there: what is tried in the place of one that is not would wait for the same program.
        """
        for one in written_out(topic, services=self._question.services, name=self._question.fqdn):
            if not self._tells(one):
                continue
            heard = self.session.run(topic.name, one.command)
            read = _read(one, heard)
            self._note(heard, confidential=topic.confidential)
            self._enough_of_hanging()
            if read is not None:
                if topic.name == "clock":
                    self._read_clock(one, heard)
                else:
                    self._keep(topic, one, read)
            if read is not None or _hangs(heard):
                return

    def _read_clock(self, one: Alternative, first: Heard) -> None:
        """Some more readings with the command that worked, each between two stamps of the runner's."""
        self._clock_at = first.answer.at
        for reading in range(CLOCK_READINGS):
            heard = first if reading == 0 else self.session.run("clock", one.command)
            self._asked += 1
            read = _read(one, heard)
            step = self._clock.step_seconds()
            if step:
                self._steps.append(step)
                self._samples.clear()
            elif isinstance(read, tuple):
                self._samples.append(sample(sent_ns=heard.sent_ns, received_ns=heard.heard_ns, reading_ns=read[0],
                                            resolution_ns=read[1]))
            if heard.answer.failure:
                return

    def _note(self, heard: Heard, *, confidential: bool = False) -> None:
        answer = heard.answer
        if confidential and heard.text.strip():
            answer = msgspec.structs.replace(answer, output=_WITHHELD)
        self._hung += _hangs(heard)
        self.answers.append(answer)

    def _enough_of_hanging(self) -> None:
        if self._hung >= HANGS:
            raise self.session.failed(FailureKind.NO_ANSWER, f"{HANGS} commands did not end in time, so nothing more was asked")

    # --- keeping

    def _keep(self, topic: Topic, one: Alternative, read: object) -> None:
        if isinstance(read, Resolver):
            self._resolver = self._effective(topic, one, read)
            return
        if topic.confidential:
            read = digest(str(read))
        elif topic.name == "services" and isinstance(read, tuple):
            read = _asked_for(read, self._question.services)
        self._facts[_FIELDS[topic.name]] = read

    def _stub(self) -> str:
        return self._resolver.stub if self._resolver else ""

    def _tells(self, one: Alternative) -> bool:
        """Whether a command tells of what runs: the forwarder that the resolver points at, and no other that stands idle."""
        if one.beside and not self._runs(one.beside):
            return False
        front = self._resolver
        return one.of_resolved is None or (
            front is not None and one.of_resolved is (front.stub in RESOLVED) and one.written_by in front.writer)

    def _runs(self, name: str) -> bool:
        units = (*self._units("forwarder"), *self._units("time_units"))
        return any(unit.name == name and unit.active == "active" for unit in units)

    def _units(self, field: str) -> tuple[Unit, ...]:
        read = self._facts.get(field)
        return read if isinstance(read, tuple) else ()

    def _effective(self, topic: Topic, one: Alternative, read: Resolver) -> Resolver:
        """What is effective: behind a forwarder of the host's own, the servers that this one asks."""
        source, front, stub = one.command.removeprefix("cat "), self._resolver, names.local_forwarder(read)
        if topic.behind_stub and front is not None:
            return Resolver(servers=None if stub else read.servers, search=read.search or front.search,
                            source=source, stub=front.stub, writer=front.writer)
        return Resolver(servers=None if stub else read.servers, search=read.search, source=source, stub=stub, writer=read.writer)


def digest(identifier: str) -> str:
    """A machine id as it may be shown and compared: it identifies the host and must not get about (machine-id(5))."""
    return hashlib.sha256(b"seatrial machine id " + identifier.encode()).hexdigest()[:32]


def _hangs(heard: Heard) -> bool:
    return heard.answer.failure is not None and heard.answer.failure.kind is FailureKind.NO_ANSWER


def _read(one: Alternative, heard: Heard) -> object | None:
    """What the reader makes of an output; None where the command was not there, failed, or did not end."""
    status = heard.answer.status
    if heard.answer.failure or status in NO_SUCH_COMMAND or (status != 0 and one.reader not in WHATEVER_STATUS):
        return None
    return READERS[one.reader](heard.text)


def _asked_for(units: tuple[Unit, ...], services: tuple[str, ...]) -> tuple[Unit, ...]:
    """The units with the names they were asked for by: systemctl answers in the order of the question."""
    if len(units) != len(services):
        return units
    return tuple(msgspec.structs.replace(unit, asked=service) for unit, service in zip(units, services, strict=True))


def _no_shell(heard: Heard) -> str:
    if heard.answer.failure:
        return "the account's shell does not answer; perhaps it waits for something to be typed"
    said = bounded(" ".join(heard.text.split()), 100)
    ended = "without an exit status" if heard.answer.status is None else f"with exit status {heard.answer.status}"
    return f"the account's shell ended {ended} and did not run the command" + (f'; it said "{said}"' if said else "")
