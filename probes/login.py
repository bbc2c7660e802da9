"""One SSH session with a host, blocking, through paramiko: prove the host's key, log in with one of ours, run commands.

Nothing that is secret leaves this file: of a private key only that it could or could not be used, and of the agent nothing.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from probes.agent import agent_keys
from probes.blocking import BlockingStream
from probes.seam import Network, NotObserved, failed, rfc3339
from probes.sshproof import fingerprint
from probes.stamps import RunnersClock
from shared.evidence import CommandAnswer, Failure, FailureKind, SshHostKey, bounded
from shared.knownhosts import judge
from shared.questions import SystemQuestion

if TYPE_CHECKING:
    import paramiko

#: Octets read of one command's output; the longest that is meant, the routes of a host with hundreds, has half of that.
#: What is beyond is not waited for.  Our own bound.
OUTPUT_OCTETS = 65536
#: Of these, the characters kept as evidence, and those of standard error (our own bounds).
KEPT_CHARACTERS, KEPT_ERRORS = 8192, 1024
#: The flow-control window of a channel (RFC 4254 section 5.2): a flood stops there by itself.
_WINDOW_OCTETS = OUTPUT_OCTETS


@dataclass(frozen=True, slots=True)
class Heard:
    """One command's answer, all of its output as text, and the runner's stamps before it and at its first octet."""

    answer: CommandAnswer
    text: str
    sent_ns: int
    heard_ns: int


class Session:
    """The session that ``question`` asks for, over ``line``.  Its methods block, and raise NotObserved.

    Every step, a command among them, may take ``timeout_seconds``.  ``phase`` is what is under way, as failures name it.
    ``banner`` is taken off the front of every output: set it once it is known what the account's shell prints there.
    """

    def __init__(
        self, network: Network, question: SystemQuestion, line: BlockingStream, clock: RunnersClock, timeout_seconds: float
    ) -> None:
        self._network, self._question, self._line, self._clock = network, question, line, clock
        self._timeout_seconds = timeout_seconds
        self._began = network.monotonic()
        self._transport: paramiko.Transport | None = None
        self.phase = "key exchange"
        self.host_key: SshHostKey | None = None
        self.key_standing = ""
        self.banner = ""

    def open(self) -> None:
        """Prove the host's key, hold it against the known ones, and log in.  To be closed even where this raises."""
        import paramiko

        # Of its own accord paramiko writes its errors to standard error.
        logging.getLogger("paramiko").setLevel(logging.CRITICAL + 1)
        with self._reporting():
            self._transport = paramiko.Transport(self._line)  # type: ignore[arg-type]  # what it uses of a socket
            self.host_key = self._proven_key(self._transport)
        self._hold_against_known(self.host_key)
        self._log_in(self._transport)

    def close(self) -> None:
        """End the session, if there is one, and wait for paramiko's thread."""
        self._line.close()
        if self._transport is not None:
            self._transport.close()
            if self._transport.is_alive():
                # close() does not wait for paramiko's own thread, which reads the line's end within a moment.
                self._transport.join(self._timeout_seconds)

    # --- until the login

    def _proven_key(self, transport: paramiko.Transport) -> SshHostKey:
        seconds = self._timeout_seconds
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
        return SshHostKey(key_type=key.get_name(), bits=key.get_bits(), fingerprint=fingerprint(blob), blob=blob)

    def _hold_against_known(self, key: SshHostKey) -> None:
        """No user name is sent to anybody but a known host."""
        self.phase = "host key"
        self.key_standing = judge(self._question.known, key.key_type, key.blob)
        if self.key_standing != "known":
            raise self.failed(FailureKind.MISMATCHED, f"the host key is {self.key_standing}")

    def _log_in(self, transport: paramiko.Transport) -> None:
        self.phase = "key"
        with self._keys() as keys:
            self.phase = "login"
            if any(self._is_accepted(transport, key) for key in keys):
                return
        count = "the key" if len(keys) == 1 else f"none of the {len(keys)} keys that were tried"
        verb = "is not" if len(keys) == 1 else "is"
        raise self.failed(FailureKind.REFUSED, f"{count} {verb} accepted for the account {self._question.user}")

    def _is_accepted(self, transport: paramiko.Transport, key: paramiko.PKey) -> bool:
        """Whether the server lets us in with this key.  Raises NotObserved where no other key would do better."""
        import paramiko

        try:
            with self._reporting():
                more = transport.auth_publickey(self._question.user, key)
        except _KeyRefused as refused:
            if isinstance(refused.__cause__, paramiko.BadAuthenticationType):
                taken = _listed(refused.__cause__.allowed_types)
                raise self.failed(FailureKind.REFUSED, f"the server takes no public key, but: {taken}") from refused
            if not transport.is_active():
                raise self.failed(FailureKind.CLOSED, "the server hung up instead of answering") from refused
            return False
        if more:
            raise self.failed(FailureKind.REFUSED, "the server wants more than a key: " + _listed(more))
        return True

    @contextlib.contextmanager
    def _keys(self) -> Iterator[tuple[paramiko.PKey, ...]]:
        """The key of the plan's file, or those of the agent for as long as they are needed."""
        if self._question.key:
            yield (self._key_of_file(),)
            return
        with agent_keys(self._timeout_seconds) as keys:
            if not keys:
                raise self.failed(FailureKind.OTHER, "no SSH agent of the runner can be reached, or it holds no key")
            yield keys

    def _key_of_file(self) -> paramiko.PKey:
        import paramiko

        try:
            return paramiko.PKey.from_path(self._question.key)
        # What these say may hold what the file holds; nothing of it is passed on.
        except OSError:
            raise self.failed(FailureKind.OTHER, "the private key file cannot be read by this user") from None
        except TypeError:
            raise self.failed(FailureKind.OTHER, "the private key file is locked with a passphrase") from None
        except Exception:  # noqa: BLE001 -- the loaders raise many kinds, and every one means the same here
            raise self.failed(FailureKind.OTHER, "the private key file holds no key that can be used") from None

    # --- after it

    def run(self, topic: str, command: str) -> Heard:
        """Run one command.  Raises NotObserved only where the connection itself is gone."""
        transport = self._transport
        assert transport is not None
        began, sent_ns, heard_ns = self._network.monotonic(), 0, 0
        output, errors, status, cut = b"", b"", None, False
        failure: Failure | None = None
        deadline = began + self._timeout_seconds
        try:
            with self._reporting():
                channel = transport.open_session(window_size=_WINDOW_OCTETS, timeout=self._timeout_seconds)
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
            raise self.failed(FailureKind.CLOSED, "the host hung up")
        text = output.decode("utf-8", "replace").removeprefix(self.banner)
        answer = CommandAnswer(
            topic=topic, command=command, at=rfc3339(sent_ns or self._network.wall_ns()), status=status, failure=failure,
            elapsed_seconds=self._network.monotonic() - began, output=bounded(text, KEPT_CHARACTERS),
            errors=bounded(errors.decode("utf-8", "replace"), KEPT_ERRORS), cut=cut or len(text) > KEPT_CHARACTERS)
        return Heard(answer, text, sent_ns, heard_ns)

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
                raise self.failed(FailureKind.NO_ANSWER, "the server did not answer in time") from None
            raise _KeyRefused from error
        except (paramiko.SSHException, EOFError, OSError) as error:
            raise self.failed(self._kind(error), bounded(str(error), 200) or "the host hung up") from error
        except Exception as error:
            # paramiko's own thread reads what the host sends, and hands over as it is whatever it stumbled over there.
            raise self.failed(FailureKind.MALFORMED, f"it sent what cannot be read ({type(error).__name__})") from error

    def _kind(self, error: Exception) -> FailureKind:
        if self._network.monotonic() - self._began >= self._timeout_seconds and self.phase == "key exchange":
            return FailureKind.NO_ANSWER
        return FailureKind.CLOSED if isinstance(error, EOFError | OSError) or not str(error) else FailureKind.MALFORMED

    def failed(self, kind: FailureKind, detail: str) -> NotObserved:
        """What could not be observed in the present phase, and how long it took from the beginning to know."""
        return failed(kind, self.phase, self._network.monotonic() - self._began, detail)


class _Overdue(Exception):  # noqa: N818 -- nobody's error: a command that has not ended
    """A command did not end in time.  ``read`` is what it had printed."""

    def __init__(self, read: bytes) -> None:
        super().__init__()
        self.read = read


class _KeyRefused(Exception):  # noqa: N818 -- an answer of the server's
    """The server did not accept a key."""


def _key_type(algorithm: str) -> str:
    """The type of key that a signature algorithm goes with (RFC 8332 section 3)."""
    return "ssh-rsa" if algorithm.startswith("rsa-sha2-") else algorithm


def _listed(types: object) -> str:
    return bounded(", ".join(map(str, types)), 100) if isinstance(types, list | tuple) else ""
