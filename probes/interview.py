"""One visit to a host over SSH, in a thread of its own: prove its key, log in, ask, and write down every answer.

Nothing that is secret leaves this file: of a private key only that it could or could not be used, of the agent nothing, and a
machine id only as a digest.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec

from probes.agent import agent_keys
from probes.blocking import BlockingStream
from probes.hostfacts import READERS, WHATEVER_STATUS, names
from probes.seam import Network, NotObserved, failed, rfc3339
from probes.sshproof import fingerprint
from probes.stamps import RunnersClock, sample
from shared.evidence import ClockWitness, CommandAnswer, Failure, FailureKind, SshHostKey, WitnessSample, bounded
from shared.hostcommands import GREETING, RESOLVED, TOPICS, Alternative, Topic, own_topic, written_out
from shared.hostfacts import HostFacts, Resolver, Unit
from shared.knownhosts import judge
from shared.plan import port_label
from shared.questions import SystemQuestion

if TYPE_CHECKING:
    from collections.abc import Callable

    import paramiko

#: Octets read of one command's output; the longest that is meant, the routes of a host with hundreds, has half of that.
#: What is beyond is not waited for.  Our own bound.
OUTPUT_OCTETS = 65536
#: Of these, the characters kept as evidence; of standard error and of a banner (our own bounds).
KEPT_CHARACTERS, KEPT_ERRORS, KEPT_BANNER = 8192, 1024, 1024
#: Commands that did not end in time before a host is asked nothing more (common practice, no source).
HANGS = 2
#: Readings of the clock: the one with the shortest way is the best (RFC 5905 section 10 likewise).
CLOCK_READINGS = 3
#: The flow-control window of a channel (RFC 4254 section 5.2): a flood stops there by itself.
_WINDOW_OCTETS = OUTPUT_OCTETS
#: Exit statuses of a shell that found no such command or could not run it (POSIX.1-2017, Shell & Utilities, 2.8.2).
NOT_FOUND = (126, 127)
#: The fields of ``HostFacts`` by the topic that fills them.
_FIELDS = {
    "uptime": "uptime_seconds", "boot": "boot_id", "machine": "machine_id", "routes over IPv4": "routes_4",
    "routes over IPv6": "routes_6", "rules over IPv4": "rules_4", "rules over IPv6": "rules_6", "addresses": "addresses",
    "interfaces": "links", "neighbours": "neighbours",
    "resolver": "resolver", "forwarder": "forwarder", "services": "units", "sockets of services": "sockets",
    "failed units": "failed_units", "time services": "time_units",
    "time sources": "time_sources", "host name": "host_name", "full name": "full_name",
    "look-up of its own name": "name_addresses",
}
_WITHHELD = "(kept only as a digest)"


@dataclass(frozen=True, slots=True)
class _Heard:
    """One command's answer, all of its output, and the runner's stamps around its first octet."""

    answer: CommandAnswer
    text: str
    sent_ns: int
    heard_ns: int


class Interview:
    """One visit.  ``hold`` runs in a thread; everything else is read when it has ended."""

    def __init__(self, network: Network, question: SystemQuestion, line: BlockingStream) -> None:
        self._network, self._question, self._line = network, question, line
        self._began = network.monotonic()
        self._clock = RunnersClock(network)
        self._facts: dict[str, object] = {}
        self._samples: list[WitnessSample] = []
        self._steps: list[float] = []
        self._asked = self._hung = 0
        self._clock_at = self._banner = ""
        self.phase = "key exchange"
        self.host_key: SshHostKey | None = None
        self.key_standing = ""
        self.banner = ""
        self.answers: list[CommandAnswer] = []
        self.failure: Failure | None = None

    def hold(self) -> None:
        """The whole visit.  Raises nothing of its own; the connection is closed at its end, whatever happened."""
        import paramiko

        # Of its own accord paramiko writes its errors to standard error.
        logging.getLogger("paramiko").setLevel(logging.CRITICAL + 1)
        transport: paramiko.Transport | None = None
        try:
            with self._reporting():
                transport = paramiko.Transport(self._line)  # type: ignore[arg-type]  # what it uses of a socket
                self._shake_hands(transport)
            self._hold_against_known()
            self._log_in(transport)
            self._greet(transport)
            self._ask_all(transport)
        except NotObserved as unseen:
            self.failure = unseen.failure
        finally:
            self._line.close()
            if transport is not None:
                transport.close()
                if transport.is_alive():
                    # close() does not wait for paramiko's own thread, which reads the line's end within a moment.
                    transport.join(self._network.pace.timeout_seconds)

    def facts(self) -> HostFacts:
        """What was read of all that was said."""
        return HostFacts(**self._facts)  # type: ignore[arg-type]  # each by the reader of its topic

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

    # --- until the login

    def _shake_hands(self, transport: paramiko.Transport) -> None:
        seconds = self._network.pace.timeout_seconds
        transport.local_version = "SSH-2.0-seatrial"
        transport.banner_timeout = transport.handshake_timeout = transport.auth_timeout = seconds
        options = transport.get_security_options()
        known = {key.key_type for key in self._question.known if not key.revoked}
        plain = [name for name in options.key_types if "-cert-" not in name]
        # A key of a kind that is known is asked for first, so that another kind, right but unheard of, is no obstacle.
        options.key_types = tuple(sorted(plain, key=lambda name: _key_type(name) not in known))
        transport.start_client(timeout=seconds)
        key = transport.get_remote_server_key()
        blob = key.asbytes()
        self.host_key = SshHostKey(key_type=key.get_name(), bits=key.get_bits(), fingerprint=fingerprint(blob), blob=blob)

    def _hold_against_known(self) -> None:
        """No user name is sent to anybody but a known host."""
        assert self.host_key is not None
        self.phase = "host key"
        self.key_standing = judge(self._question.known, self.host_key.key_type, self.host_key.blob)
        if self.key_standing != "known":
            raise self._failed(FailureKind.MISMATCHED, f"the host key is {self.key_standing}")

    def _log_in(self, transport: paramiko.Transport) -> None:
        import paramiko

        self.phase = "key"
        with self._keys() as keys:
            self.phase = "login"
            for key in keys:
                try:
                    with self._reporting():
                        more = transport.auth_publickey(self._question.user, key)
                        if more:
                            raise self._failed(FailureKind.REFUSED, "the server wants more than a key: " + _listed(more))
                        return
                except _KeyRefused as refused:
                    if isinstance(refused.__cause__, paramiko.BadAuthenticationType):
                        taken = _listed(refused.__cause__.allowed_types)
                        raise self._failed(FailureKind.REFUSED, f"the server takes no public key, but: {taken}") from refused
                    if not transport.is_active():
                        raise self._failed(FailureKind.CLOSED, "the server hung up instead of answering") from refused
        count = "the key" if len(keys) == 1 else f"none of the {len(keys)} keys that were tried"
        verb = "is not" if len(keys) == 1 else "is"
        raise self._failed(FailureKind.REFUSED, f"{count} {verb} accepted for the account {self._question.user}")

    @contextlib.contextmanager
    def _keys(self) -> Iterator[tuple[paramiko.PKey, ...]]:
        """The key of the plan's file, or those of the agent for as long as they are needed.  Raises NotObserved."""
        if self._question.key:
            yield (self._key_of_file(),)
            return
        with agent_keys(self._network.pace.timeout_seconds) as keys:
            if not keys:
                raise self._failed(FailureKind.OTHER, "no SSH agent of the runner can be reached, or it holds no key")
            yield keys

    def _key_of_file(self) -> paramiko.PKey:
        import paramiko

        try:
            return paramiko.PKey.from_path(self._question.key)
        # What these say may hold what the file holds; nothing of it is passed on.
        except OSError:
            raise self._failed(FailureKind.OTHER, "the private key file cannot be read by this user") from None
        except TypeError:
            raise self._failed(FailureKind.OTHER, "the private key file is locked with a passphrase") from None
        except Exception:  # noqa: BLE001 -- the loaders raise many kinds, and every one means the same here
            raise self._failed(FailureKind.OTHER, "the private key file holds no key that can be used") from None

    # --- after it

    def _greet(self, transport: paramiko.Transport) -> None:
        """Learn what the shell prints before every answer, and that it runs what it is given."""
        self.phase = "shell"
        heard = self._run(transport, "shell", f"echo {GREETING}")
        before, word, _after = heard.text.partition(GREETING)
        if not word:
            self._note(heard)
            raise self._failed(heard.answer.failure.kind if heard.answer.failure else FailureKind.MALFORMED, _no_shell(heard))
        self.banner = bounded(before, KEPT_BANNER)
        self._banner = before
        self._note(heard)

    def _ask_all(self, transport: paramiko.Transport) -> None:
        self.phase = "commands"
        for topic in TOPICS:
            if topic.name not in self._question.topics or (topic.behind_stub and not self._stub()):
                continue
            self._ask(transport, topic)
        for name, command in self._question.own:
            self._note(self._run(transport, own_topic(name), command))
            self._enough_of_hanging()

    def _ask(self, transport: paramiko.Transport, topic: Topic) -> None:
        """Try the alternatives of a topic until one gives an answer that can be read."""
        for one in written_out(topic, services=self._question.services, name=self._question.fqdn):
            if not self._tells(one):
                continue
            heard = self._run(transport, topic.name, one.command)
            read = _read(one, heard)
            self._note(heard, confidential=topic.confidential)
            self._enough_of_hanging()
            if topic.name == "clock" and read is not None:
                self._read_clock(transport, one, heard)
            elif read is not None:
                self._keep(topic, one, read)
            if read is not None:
                return

    def _keep(self, topic: Topic, one: Alternative, read: object) -> None:
        if topic.confidential:
            read = digest(str(read))
        elif isinstance(read, Resolver):
            read = self._resolver(topic, one, read)
            self._facts["resolver"] = read
            return
        elif topic.name == "services" and isinstance(read, tuple):
            read = _asked_for(read, self._question.services)
        self._facts[_FIELDS[topic.name]] = read

    def _stub(self) -> str:
        front = self._facts.get("resolver")
        return front.stub if isinstance(front, Resolver) else ""

    def _tells(self, one: Alternative) -> bool:
        """Whether a command tells of the forwarder that the resolver points at, and not of another that stands idle beside it."""
        front = self._facts.get("resolver")
        return one.of_resolved is None or (
            isinstance(front, Resolver) and one.of_resolved is (front.stub in RESOLVED) and one.written_by in front.writer)

    def _resolver(self, topic: Topic, one: Alternative, read: Resolver) -> Resolver:
        """What is effective: behind a forwarder of the host's own, the servers that this one asks."""
        source = one.command.removeprefix("cat ")
        front = self._facts.get("resolver")
        if topic.behind_stub and isinstance(front, Resolver):
            return Resolver(servers=None if names.behind(read) else read.servers, search=read.search or front.search,
                            source=source, stub=front.stub, writer=front.writer)
        stub = names.behind(read)
        return Resolver(servers=None if stub else read.servers, search=read.search, source=source, stub=stub, writer=read.writer)

    def _read_clock(self, transport: paramiko.Transport, one: Alternative, first: _Heard) -> None:
        """Some more readings with the command that worked, each between two stamps of the runner's."""
        self._clock_at = first.answer.at
        for reading in range(CLOCK_READINGS):
            heard = first if reading == 0 else self._run(transport, "clock", one.command)
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

    def _note(self, heard: _Heard, *, confidential: bool = False) -> None:
        answer = heard.answer
        if confidential and heard.text.strip():
            answer = msgspec.structs.replace(answer, output=_WITHHELD)
        if answer.failure is not None and answer.failure.kind is FailureKind.NO_ANSWER:
            self._hung += 1
        self.answers.append(answer)

    def _enough_of_hanging(self) -> None:
        if self._hung >= HANGS:
            raise self._failed(FailureKind.NO_ANSWER, f"{HANGS} commands did not end in time, so nothing more was asked")

    def _run(self, transport: paramiko.Transport, topic: str, command: str) -> _Heard:
        """Run one command.  Raises NotObserved only where the connection itself is gone."""
        began, sent_ns, heard_ns = self._network.monotonic(), 0, 0
        output, errors, status, cut = b"", b"", None, False
        failure: Failure | None = None
        deadline = began + self._network.pace.timeout_seconds
        try:
            with self._reporting():
                channel = transport.open_session(window_size=_WINDOW_OCTETS, timeout=self._network.pace.timeout_seconds)
            with contextlib.closing(channel), self._reporting():
                sent_ns = self._clock.read_ns()
                channel.exec_command(command)
                channel.shutdown_write()
                output, heard_ns = self._all_of(channel, channel.recv, deadline, OUTPUT_OCTETS)
                cut = len(output) >= OUTPUT_OCTETS
                if not cut:
                    errors, _ = self._all_of(channel, channel.recv_stderr, deadline, KEPT_ERRORS)
                    channel.status_event.wait(max(0.0, deadline - self._network.monotonic()))
                    status = channel.exit_status if channel.exit_status >= 0 else None
        except _Overdue as overdue:
            output = output or overdue.read
            failure = Failure(kind=FailureKind.NO_ANSWER, phase="command", elapsed_seconds=self._network.monotonic() - began,
                              detail="the command did not end in time")
        if not transport.is_active():
            raise self._failed(FailureKind.CLOSED, "the host hung up")
        text = output.decode("utf-8", "replace").removeprefix(self._banner)
        answer = CommandAnswer(
            topic=topic, command=command, at=rfc3339(sent_ns or self._network.wall_ns()), status=status, failure=failure,
            elapsed_seconds=self._network.monotonic() - began, output=bounded(text, KEPT_CHARACTERS),
            errors=bounded(errors.decode("utf-8", "replace"), KEPT_ERRORS), cut=cut or len(text) > KEPT_CHARACTERS)
        return _Heard(answer, text, sent_ns, heard_ns)

    def _all_of(
        self, channel: paramiko.Channel, receive: Callable[[int], bytes], deadline: float, limit: int
    ) -> tuple[bytes, int]:
        """Up to ``limit`` octets of one stream, and when the first came or it ended without one.  Raises _Overdue."""
        read, first_ns = b"", 0
        while len(read) < limit:
            left = deadline - self._network.monotonic()
            if left <= 0:
                raise _Overdue(read)
            channel.settimeout(left)
            try:
                piece = receive(limit - len(read))
            except TimeoutError:
                raise _Overdue(read) from None
            first_ns = first_ns or self._clock.read_ns()
            if not piece:
                break
            read += piece
        return read, first_ns

    # --- what went wrong

    @contextlib.contextmanager
    def _reporting(self) -> Iterator[None]:
        """Within it, what paramiko raises becomes NotObserved, and a key that is not accepted _KeyRefused."""
        import paramiko

        try:
            yield
        except (NotObserved, _Overdue):
            raise
        except paramiko.AuthenticationException as error:
            if "timeout" in str(error).casefold():
                raise self._failed(FailureKind.NO_ANSWER, "the server did not answer in time") from None
            raise _KeyRefused from error
        except (paramiko.SSHException, EOFError, OSError) as error:
            raise self._failed(self._kind(error), bounded(str(error), 200) or "the host hung up") from error

    def _kind(self, error: Exception) -> FailureKind:
        if self._network.monotonic() - self._began >= self._network.pace.timeout_seconds and self.phase == "key exchange":
            return FailureKind.NO_ANSWER
        return FailureKind.CLOSED if isinstance(error, EOFError | OSError) or not str(error) else FailureKind.MALFORMED

    def _failed(self, kind: FailureKind, detail: str) -> NotObserved:
        return failed(kind, self.phase, self._network.monotonic() - self._began, detail)


class _Overdue(Exception):  # noqa: N818 -- nobody's error: a command that has not ended
    """A command did not end in time.  ``read`` is what it had printed."""

    def __init__(self, read: bytes) -> None:
        super().__init__()
        self.read = read


class _KeyRefused(Exception):  # noqa: N818 -- an answer of the server's
    """The server did not accept a key."""


def digest(identifier: str) -> str:
    """A machine id as it may be shown and compared: it identifies the host and must not get about (machine-id(5))."""
    return hashlib.sha256(b"seatrial machine id " + identifier.encode()).hexdigest()[:32]


def _read(one: Alternative, heard: _Heard) -> object | None:
    """What the reader makes of an output; None where the command was not there, failed, or did not end."""
    status = heard.answer.status
    if heard.answer.failure or status in NOT_FOUND or (status != 0 and one.reader not in WHATEVER_STATUS):
        return None
    return READERS[one.reader](heard.text)


def _asked_for(units: tuple[Unit, ...], services: tuple[str, ...]) -> tuple[Unit, ...]:
    """The units with the names they were asked for by: systemctl answers in the order of the question."""
    if len(units) != len(services):
        return units
    return tuple(msgspec.structs.replace(unit, asked=service) for unit, service in zip(units, services, strict=True))


def _key_type(algorithm: str) -> str:
    """The type of key that a signature algorithm goes with (RFC 8332 section 3)."""
    return "ssh-rsa" if algorithm.startswith("rsa-sha2-") else algorithm


def _listed(types: object) -> str:
    return bounded(", ".join(map(str, types)), 100) if isinstance(types, list | tuple) else ""


def _no_shell(heard: _Heard) -> str:
    if heard.answer.failure:
        return "the account's shell does not answer; perhaps it waits for something to be typed"
    said = bounded(" ".join(heard.text.split()), 100)
    ended = "without an exit status" if heard.answer.status is None else f"with exit status {heard.answer.status}"
    return f"the account's shell ended {ended} and did not run the command" + (f'; it said "{said}"' if said else "")
