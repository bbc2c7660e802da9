"""The host's own word: one login over SSH with a key, a list of commands that only read, and good-bye.

The login goes to a host key that the plan vouches for and to no other: the key is held against the plan's known hosts before
a user name is sent.  It uses a key file or an agent, never a password and never what a server asks to be typed.  What is run
is in ``shared.hostcommands``, and the site's own questions.

paramiko waits in threads; these belong to a bounded pool (``LoginPool``), and every wait has an end: connecting, the key
exchange, the login, each command, and the visit as a whole.  A host that hangs, floods or hangs up costs only its own evidence.
"""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor

import msgspec

from probes.blocking import BlockingStream
from probes.interview import Interview
from probes.seam import Network, NotObserved, Stream, now
from shared.evidence import ClockWitness, Failure, FailureKind, SystemEvidence
from shared.plan import port_label
from shared.questions import SystemQuestion

#: Logins at the same time.  Each holds two threads and some 200 KiB, and waits on the host rather than on us (common practice,
#: no source).
LOGINS = 16
#: A visit may last this many times as long as each of its steps may: some thirty commands, of which nearly all answer at once
#: (common practice, no source).
VISIT_TIMES = 10


class HostWord(msgspec.Struct, frozen=True):
    """What a visit brings: what the host says of itself, and its clock read between two stamps where it could be."""

    system: SystemEvidence
    witness: ClockWitness | None = None


class LoginPool:
    """The pool that logins wait in.  Close it when no visit is under way any more.

    Once connected, every step of a visit may take ``timeout_seconds``, whatever the pace of the network that it goes over.
    """

    def __init__(self, timeout_seconds: float) -> None:
        self._timeout_seconds = timeout_seconds
        self._slots = asyncio.Semaphore(LOGINS)
        self._pool = ThreadPoolExecutor(LOGINS, thread_name_prefix="seatrial-login")

    def close(self) -> None:
        """End the pool's threads, of which none has anything left to do."""
        self._pool.shutdown()

    async def ask(self, network: Network, question: SystemQuestion) -> HostWord:
        """Log in to one host and ask it about itself.  Raises nothing of its own: what failed is in the evidence."""
        async with self._slots:
            at, began = now(network), network.monotonic()
            address, found = await _connect(network, question)
            if isinstance(found, Failure):
                return HostWord(SystemEvidence(address=address, port=port_label(question.port), user=question.user, at=at,
                                               elapsed_seconds=network.monotonic() - began, failure=found))
            return await self._visit(network, question, address, found, at, began)

    async def _visit(
        self, network: Network, question: SystemQuestion, address: str, stream: Stream, at: str, began: float
    ) -> HostWord:
        loop, limit = asyncio.get_running_loop(), self._timeout_seconds * VISIT_TIMES
        line = BlockingStream(stream, loop, limit)
        interview = Interview(network, question, line, self._timeout_seconds)
        talking = loop.run_in_executor(self._pool, interview.hold)
        try:
            await asyncio.wait({talking}, timeout=limit)
        finally:
            # Whatever the thread waits for ends now, and it with it; only then is nobody using the stream any more.
            overdue = not talking.done()
            line.close()
            await _to_its_end(talking, line)
            stream.close()
        talking.result()
        failure, session, elapsed = interview.failure, interview.session, network.monotonic() - began
        if overdue:
            failure = Failure(kind=FailureKind.NO_ANSWER, phase=session.phase, elapsed_seconds=elapsed,
                              detail=f"the whole visit took longer than {limit:g} s")
        system = SystemEvidence(
            address=address, port=port_label(question.port), user=question.user, at=at, elapsed_seconds=elapsed,
            host_key=session.host_key, key_standing=session.key_standing, banner=interview.banner,
            commands=tuple(interview.answers), facts=interview.facts(), failure=failure)
        return HostWord(system, interview.witness(address))


async def _connect(network: Network, question: SystemQuestion) -> tuple[str, Stream | Failure]:
    """The first address that takes the connection, or the first address and why it did not."""
    failures: list[tuple[str, Failure]] = []
    for address in question.addresses:
        try:
            return address, await network.connect(address, question.port, timeout_seconds=network.pace.timeout_seconds)
        except NotObserved as unseen:
            failures.append((address, unseen.failure))
    return failures[0] if failures else (
        "", Failure(kind=FailureKind.OTHER, phase="connect", elapsed_seconds=0.0, detail="no address is planned"))


async def _to_its_end(talking: asyncio.Future[None], line: BlockingStream) -> None:
    """Wait for a thread that has been let go, also when cancelled meanwhile: it ends in a moment."""
    ending = asyncio.ensure_future(_ended(talking, line))
    cancelled = False
    while not ending.done():
        try:
            await asyncio.wait({ending})
        except asyncio.CancelledError:
            cancelled = True
    ending.result()
    if cancelled:
        raise asyncio.CancelledError


async def _ended(talking: asyncio.Future[None], line: BlockingStream) -> None:
    await asyncio.wait({talking})
    await line.settle()
