"""Asks planned name servers, each one by itself, and never the runner's own resolver."""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import msgspec

from probes import dnswire
from probes.seam import Datagram, Network, NotObserved, Service, Stream, failed, now
from shared.addresses import is_address
from shared.aliases import ALIAS_LIMIT, NAMES_FOLLOWED, follow, values_at
from shared.evidence import Failure, FailureKind, NameAnswer
from shared.hostnames import canonical
from shared.plan import Endpoint
from shared.questions import NameQuestion

#: UDP packets sent for one question before silence is believed.  With the usual pace of 6 s that is one every 2 s, the
#: least interval RFC 1035 section 4.2.1 advises.  Three: common practice, no source.
UDP_TRIES = 3
#: TCP messages that belong to another question, read past before giving up.  Common practice, no source.
TCP_STRAYS = 8
#: A wall clock that moved more than this against the monotonic one was stepped, and its stamps measure nothing.  A tenth of
#: the smallest answer-time limit in use.
_STEP_SECONDS = 0.005
#: Errors by which a server may decline EDNS (RFC 6891 section 7).
_NO_EDNS = ("FORMERR", "NOTIMP")

#: Draws for a free id.  With half of all ids in use, a hundred draws miss once in 2 to the power of 100.
_ID_DRAWS = 100

_SERVICE = Service(name="dns", key_of=dnswire.key_of_answer, key_of_request=dnswire.key_of_query, crowded=True)

#: (server, port, id) of the questions under way in this process: two to one server never share an id.
_ids_taken: set[tuple[str, int, int]] = set()


async def ask(network: Network, question: NameQuestion) -> NameAnswer:
    """Put one question to one server; whatever the network does comes back as evidence.

    Over UDP there are up to ``UDP_TRIES`` packets within ``pace.timeout_seconds``; a truncated answer is asked for again
    over TCP (RFC 7766 section 5).  A server that declines EDNS is asked once more without, and the last packet to one that says
    nothing carries none either: a device on the way may drop just that.  Where the answer ends in an alias, the same server is
    asked for the alias's target, within the same time: a server that gives one alias after another, each late, holds up nobody.
    """
    first, left_seconds = await _ask_once(network, question, network.pace.timeout_seconds)
    return await _follow_alias(network, question, first, left_seconds)


def confirmations(questions: Sequence[NameQuestion], replies: Sequence[NameAnswer]) -> tuple[NameQuestion, ...]:
    """The forward look-ups that the reverse answers call for and that are not among ``questions``.

    A name is looked up by the address type of the address whose reverse answer gave it.
    """
    known = {(question.server.label, canonical(question.name), question.rrtype) for question in questions}
    wanted: list[NameQuestion] = []
    for question, reply in zip(questions, replies, strict=True):
        if question.rrtype != "PTR":
            continue
        rrtype = "AAAA" if canonical(question.name).endswith("ip6.arpa") else "A"
        for name in values_at(reply.answers, question.name, "PTR")[:NAMES_FOLLOWED]:
            key = (question.server.label, canonical(name), rrtype)
            if key not in known:
                known.add(key)
                wanted.append(NameQuestion(question.server, canonical(name), rrtype, "confirm"))
    return tuple(wanted)


async def resolve(network: Network, servers: Sequence[Endpoint], name: str) -> str:
    """The address of ``name`` from the first of ``servers`` that has an answer: its first A, else its first AAAA record.

    An address is returned as it is (RFC 1123 section 2.1).  Raises NotObserved with kind not-resolved, in phase "denied" where
    that server says that there is no address, and no less (RFC 2308 section 2: no such name, or an SOA record beside no answer).
    """
    if is_address(name):
        return name
    said = []
    for server in servers:
        denied = True
        for rrtype in ("A", "AAAA"):
            answer = await ask(network, NameQuestion(server, name, rrtype, "forward"))
            addresses = values_at(answer.answers, name, rrtype)
            if addresses:
                return addresses[0]
            if answer.failure is not None or answer.rcode not in ("NOERROR", "NXDOMAIN"):
                said.append(f"{server.label}: {answer.failure.kind if answer.failure else answer.rcode}")
                break
            denied = denied and (answer.rcode == "NXDOMAIN" or any(record.rrtype == "SOA" for record in answer.authority))
        else:
            phase = "denied" if denied else "resolve"
            raise failed(FailureKind.NOT_RESOLVED, phase, 0.0, f"{server.label} has no address for {name}")
    detail = "; ".join(said) or "the plan has no name servers"
    raise failed(FailureKind.NOT_RESOLVED, "resolve", 0.0, f"no name server answered for {name} ({detail})")


async def _follow_alias(network: Network, question: NameQuestion, first: NameAnswer, left_seconds: float) -> NameAnswer:
    """Ask the same server on for the target of an alias, and keep what came where it will not say."""
    whole = first
    for _ in range(ALIAS_LIMIT):
        chain = follow(whole.answers, question.name)
        if (whole.failure is not None or whole.rcode != "NOERROR" or question.rrtype == "CNAME" or not chain.aliased
                or chain.endless or values_at(whole.answers, question.name, question.rrtype)):
            return whole
        further, left_seconds = await _ask_once(network, msgspec.structs.replace(question, name=chain.end), left_seconds)
        if further.failure is not None or further.rcode not in ("NOERROR", "NXDOMAIN"):
            why = str(further.failure.kind) if further.failure is not None else further.rcode
            return msgspec.structs.replace(
                whole, explanation="; ".join(filter(None, (whole.explanation, f"asked on for {chain.end}: {why}"))))
        grew = bool(further.answers)
        whole = msgspec.structs.replace(
            whole, answers=whole.answers + further.answers, authority=further.authority, rcode=further.rcode,
            elapsed_seconds=whole.elapsed_seconds + further.elapsed_seconds, left_out=whole.left_out + further.left_out,
            explanation="; ".join(filter(None, (whole.explanation, further.explanation))),
            extended_errors=(*(whole.extended_errors or ()), *(further.extended_errors or ())))
        if not grew:
            return whole
    return whole


class _Talk(msgspec.Struct, kw_only=True):
    """What is known of one question while it is being asked.  ``blank`` is the answer with nothing in it yet."""

    question: NameQuestion
    blank: NameAnswer
    left_seconds: float
    section: bytes = b""
    ident: int = 0
    spent_seconds: float = 0.0
    tries: int = 0
    strays: int = 0
    answered_from: str = ""
    edns_unanswered: bool = False

    def spend(self, seconds: float) -> None:
        self.spent_seconds += seconds
        self.left_seconds = max(0.0, self.left_seconds - seconds)

    def answered(self, reply: dnswire.Reply, transport: str, failure: Failure | None = None) -> NameAnswer:
        if failure is None and reply.unreadable:
            failure = Failure(kind=FailureKind.MALFORMED, phase="answer", elapsed_seconds=self.spent_seconds,
                              strays=self.strays, detail=f"records that cannot be read: {reply.unreadable}")
        return msgspec.structs.replace(
            self.blank, transport=transport, rcode=reply.rcode, authoritative=reply.authoritative,
            recursion_available=reply.recursion_available, truncated=reply.truncated, answers=reply.answers,
            authority=reply.authority, failure=failure, explanation=reply.explanation, left_out=reply.left_out,
            elapsed_seconds=self.spent_seconds, tries=max(1, self.tries), edns_unanswered=self.edns_unanswered,
            extended_errors=reply.extended_errors)

    def failed(self, failure: Failure, transport: str) -> NameAnswer:
        failure = msgspec.structs.replace(failure, elapsed_seconds=self.spent_seconds, strays=self.strays,
                                          answered_from=self.answered_from if transport == "udp" else "")
        return msgspec.structs.replace(self.blank, transport=transport, failure=failure, tries=max(1, self.tries),
                                       elapsed_seconds=self.spent_seconds)


async def _ask_once(network: Network, question: NameQuestion, left_seconds: float) -> tuple[NameAnswer, float]:
    """One question, and what is left of the time for it."""
    blank = NameAnswer(server=question.server.label, name=question.name, rrtype=question.rrtype, purpose=question.purpose,
                       transport=question.transport, at=now(network), elapsed_seconds=0.0)
    talk = _Talk(question=question, blank=blank, left_seconds=left_seconds)
    try:
        if not is_address(question.server.host):
            raise failed(FailureKind.NOT_RESOLVED, "question", 0.0, "a name server is planned by its address")
        talk.section = _question_section(question)
        with _fresh_id(question.server) as ident:
            talk.ident = ident
            answer = await _over(question.transport, network, talk, edns=True)
            if answer.failure is None and answer.rcode in _NO_EDNS and not answer.edns_unanswered:
                plain = await _over(question.transport, network, talk, edns=False)
                answer = plain if plain.rcode else _declined(answer, plain)
    except NotObserved as caught:
        return talk.failed(caught.failure, question.transport), talk.left_seconds
    return answer, talk.left_seconds


def _declined(answer: NameAnswer, plain: NameAnswer) -> NameAnswer:
    """A server that declined EDNS and then said nothing has yet answered: what it said stays, and what followed beside it."""
    why = plain.failure.kind.value if plain.failure is not None else "nothing"
    return msgspec.structs.replace(
        answer, explanation="; ".join(filter(None, (answer.explanation, f"asked again without EDNS: {why}"))))


def _question_section(question: NameQuestion) -> bytes:
    try:
        return dnswire.question_section(question.name, question.rrtype)
    except dnswire.WireError as error:
        raise failed(FailureKind.OTHER, "question", 0.0, str(error)) from error


async def _over(transport: str, network: Network, talk: _Talk, *, edns: bool) -> NameAnswer:
    return await (_over_tcp if transport == "tcp" else _over_udp)(network, talk, edns=edns)


async def _over_udp(network: Network, talk: _Talk, *, edns: bool) -> NameAnswer:
    try:
        reply = _read(talk, await _exchange(network, talk, edns=edns))
    except NotObserved as caught:
        return talk.failed(caught.failure, "udp")
    if not reply.truncated:
        return talk.answered(reply, "udp")
    over_tcp = await _over_tcp(network, talk, edns=edns and not talk.edns_unanswered)
    if over_tcp.rcode:
        return msgspec.structs.replace(over_tcp, truncated=True)
    return talk.answered(reply, "udp", over_tcp.failure)


async def _exchange(network: Network, talk: _Talk, *, edns: bool) -> bytes:
    """Send until an answer comes or time is up.  Raises NotObserved with the failure of the last try.

    The last packet carries no EDNS: devices on the way may not meddle with it (RFC 6891 section 6.2.6, from memory), and some
    drop it.  A late answer to an earlier packet is told from one to this by the OPT record that it bears.
    """
    server, section, lost_here = talk.question.server, talk.section, False
    for tries in range(1, UDP_TRIES + 1):
        talk.tries = tries
        packet = dnswire.query(talk.ident, section, edns=edns and tries < UDP_TRIES)
        try:
            datagram = await network.exchange(
                _SERVICE, server.host, server.port, packet, key=talk.ident,
                accept=lambda answer: dnswire.answers(answer, section),
                timeout_seconds=talk.left_seconds / (UDP_TRIES + 1 - tries))
        except NotObserved as caught:
            talk.spend(caught.failure.elapsed_seconds)
            talk.strays += caught.failure.strays
            talk.answered_from = caught.failure.answered_from or talk.answered_from
            lost_now = caught.failure.kind is FailureKind.LOCAL_LIMIT and caught.failure.phase == "answer"
            if not lost_now and caught.failure.kind not in (FailureKind.NO_ANSWER, FailureKind.MISMATCHED):
                raise
            lost_here = lost_here or lost_now
            if tries == UDP_TRIES:
                # An answer that the runner may have lost itself leaves nobody's silence proven.
                kind = FailureKind.LOCAL_LIMIT if lost_here else FailureKind.MISMATCHED if talk.strays else FailureKind.NO_ANSWER
                raise failed(kind, "answer", talk.spent_seconds, caught.failure.detail) from None
        else:
            talk.spend(_true_elapsed(datagram))
            talk.edns_unanswered = edns and tries == UDP_TRIES and not dnswire.has_edns(datagram.data)
            return datagram.data
    raise AssertionError("unreachable: the last try returns or raises")


def _true_elapsed(datagram: Datagram) -> float:
    """By the kernel's receive stamp, which our own queue cannot delay, unless the wall clock was stepped meanwhile."""
    if datagram.stamped_by == "kernel" and abs(datagram.clock_step_seconds) < _STEP_SECONDS:
        return max(0.0, (datagram.received_ns - datagram.sent_ns) / 1e9)
    return datagram.elapsed_seconds


def _read(talk: _Talk, packet: bytes) -> dnswire.Reply:
    try:
        return dnswire.read(packet)
    except dnswire.WireError as error:
        raise failed(FailureKind.MALFORMED, "answer", talk.spent_seconds, str(error)) from error


async def _over_tcp(network: Network, talk: _Talk, *, edns: bool) -> NameAnswer:
    """The same question over TCP (RFC 1035 section 4.2.2).  Connecting may take half of the time left, talking all that then is.

    The time that connecting took is no part of the answer's, unless there was none.
    """
    server, began = talk.question.server, network.monotonic()
    packet = dnswire.query(talk.ident, talk.section, edns=edns)
    try:
        stream = await network.connect(server.host, server.port, timeout_seconds=talk.left_seconds / 2)
    except NotObserved as caught:
        talk.spend(caught.failure.elapsed_seconds)
        return talk.failed(caught.failure, "tcp")
    connected = network.monotonic()
    talk.left_seconds = max(0.0, talk.left_seconds - (connected - began))
    began = connected
    try:
        reply = await _converse(network, talk, stream, packet, began + talk.left_seconds)
    except NotObserved as caught:
        talk.spend(network.monotonic() - began)
        return talk.failed(caught.failure, "tcp")
    finally:
        stream.close()
    talk.spend(network.monotonic() - began)
    return talk.answered(reply, "tcp")


async def _converse(network: Network, talk: _Talk, stream: Stream, packet: bytes, deadline: float) -> dnswire.Reply:
    await stream.send(len(packet).to_bytes(2, "big") + packet, timeout_seconds=max(0.0, deadline - network.monotonic()))
    for _ in range(TCP_STRAYS):
        length = int.from_bytes(await _receive(network, stream, 2, deadline), "big")
        message = await _receive(network, stream, length, deadline)
        if dnswire.key_of_answer(message) == talk.ident and dnswire.answers(message, talk.section):
            return _read(talk, message)
        talk.strays += 1
    raise failed(FailureKind.MISMATCHED, "answer", 0.0, "only answers that belong to no question came")


async def _receive(network: Network, stream: Stream, count: int, deadline: float) -> bytes:
    """Exactly ``count`` octets, of which there are at most 65535.  Raises NotObserved."""
    arrived = bytearray()
    while len(arrived) < count:
        left = deadline - network.monotonic()
        if left <= 0:
            raise failed(FailureKind.NO_ANSWER, "answer", 0.0, f"{len(arrived)} of {count} octets came in time")
        piece = await stream.receive(count - len(arrived), timeout_seconds=left)
        if not piece:
            raise failed(FailureKind.CLOSED, "answer", 0.0, f"the server closed after {len(arrived)} of {count} octets")
        arrived += piece
    return bytes(arrived)


@contextmanager
def _fresh_id(server: Endpoint) -> Iterator[int]:
    """An unpredictable id (RFC 5452 section 9.2) that no other question to this server is using just now."""
    for _ in range(_ID_DRAWS):
        taken = (server.host, server.port, secrets.randbits(16))
        if taken not in _ids_taken:
            break
    else:
        raise failed(FailureKind.LOCAL_LIMIT, "question", 0.0, "too many questions to one server at once")
    _ids_taken.add(taken)
    try:
        yield taken[2]
    finally:
        _ids_taken.discard(taken)
