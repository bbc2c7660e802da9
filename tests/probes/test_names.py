"""The name probe against servers that answer well, badly, late, or not at all."""

from __future__ import annotations

import asyncio
import itertools
import socket
import struct
import threading
from collections.abc import Callable, Coroutine, Iterator, Sequence
from typing import Any

import dns.edns
import dns.flags
import dns.message
import dns.rcode
import dns.rrset
import msgspec
import pytest

from probes import dnswire, fake, names
from probes.seam import Network, NotObserved
from probes.sockets import SocketNetwork
from shared.evidence import Failure, FailureKind, NameAnswer, NameRecord
from shared.plan import Endpoint
from shared.questions import NameQuestion, Pace

SERVER = Endpoint("192.0.2.53", 53, "192.0.2.53")
SECOND = Endpoint("192.0.2.54", 53, "192.0.2.54")
NAME = "dome-a.obs.example.net"
ASKED = NameQuestion(SERVER, NAME, "A", "forward")
A_LINE = f"{NAME}. 3600 IN A 192.0.2.11"

Answer = Callable[[dns.message.Message], dns.message.Message]


def reply(query: bytes, *lines: str, rcode: str = "NOERROR", flags: str = "QR AA RD", authority: Sequence[str] = (),
          edns: Sequence[dns.edns.Option] | None = None) -> dns.message.Message:
    """An answer to ``query`` made by dnspython, with records given as zone-file lines."""
    answer = dns.message.make_response(dns.message.from_wire(query))
    answer.flags = dns.flags.from_text(flags)
    answer.set_rcode(dns.rcode.from_text(rcode))
    for section, texts in ((answer.answer, lines), (answer.authority, authority)):
        for text in texts:
            owner, ttl, _class, rrtype, value = text.split(maxsplit=4)
            section.append(dns.rrset.from_text(owner, int(ttl), "IN", rrtype, value))
    answer.use_edns(-1 if edns is None else 0, options=list(edns or ()))
    return answer


def octets(*arguments: Any, **how: Any) -> bytes:
    """The same as octets, however long."""
    return reply(*arguments, **how).to_wire(max_size=65535)


def says(*lines: str, delay: float = 0.01, **how: Any) -> fake.DatagramPeer:
    """A UDP server that gives the same records to every question."""
    return lambda query: [(delay, octets(query, *lines, **how))]


def network(*peers: fake.DatagramPeer | Failure | None, streams: dict[tuple[str, int], Any] | None = None) -> fake.FakeNetwork:
    """A world with a UDP server at .53 and, given a second peer, at .54."""
    places = {("dns", server.host, 53): peer for server, peer in zip((SERVER, SECOND), peers, strict=False) if peer is not None}
    return fake.FakeNetwork(datagrams=places, streams=streams, pace=Pace(timeout_seconds=6.0))


def ask(world: fake.FakeNetwork, question: NameQuestion = ASKED) -> NameAnswer:
    return fake.run(names.ask(world, question))


class TcpServer:
    """A fake TCP name server: gives each framed query to ``answer`` and sends what comes back, cut as told."""

    def __init__(self, answer: Callable[[bytes], Sequence[bytes | None]]) -> None:
        self._answer = answer

    def opened(self) -> Sequence[bytes | None]:
        return ()

    def received(self, data: bytes) -> Sequence[bytes | None]:
        assert int.from_bytes(data[:2], "big") == len(data) - 2, "RFC 1035 section 4.2.2: two octets of length"
        return self._answer(data[2:])


def framed(message: bytes) -> bytes:
    return len(message).to_bytes(2, "big") + message


def tcp(answer: Callable[[bytes], Sequence[bytes | None]]) -> dict[tuple[str, int], Any]:
    return {("192.0.2.53", 53): lambda: TcpServer(answer)}


def silent(kind: FailureKind) -> Failure:
    return Failure(kind=kind, phase="answer", elapsed_seconds=0.001)


def test_where_an_answer_came_from_instead_is_kept() -> None:
    """Three questions, each answered from elsewhere: the silence of the server asked is explained beside it."""
    elsewhere = msgspec.structs.replace(silent(FailureKind.NO_ANSWER), answered_from="192.0.2.99 port 53")
    answer = ask(network(elsewhere))
    assert answer.failure is not None
    assert (answer.failure.kind, answer.failure.answered_from, answer.tries) == (
        FailureKind.NO_ANSWER, "192.0.2.99 port 53", 3)


# --- good answers


def test_an_answer_keeps_everything_that_was_said() -> None:
    """Records with owner, type and TTL, the flags, the rcode, the time it took and when it was asked."""
    answer = ask(network(says(A_LINE, flags="QR AA RD RA", delay=0.02)))
    assert answer == NameAnswer(
        server="192.0.2.53", name=NAME, rrtype="A", purpose="forward", transport="udp", at="2026-11-02T09:00:00.000000Z",
        elapsed_seconds=0.02, rcode="NOERROR", authoritative=True, recursion_available=True,
        answers=(NameRecord(NAME, "A", 3600, "192.0.2.11"),), extended_errors=())


def test_the_query_asks_for_recursion_and_offers_edns_1232() -> None:
    """One question, RD set, an OPT record of 1232 octets: what dnspython makes of our octets."""
    world = network(says(A_LINE))
    ask(world)
    query = dns.message.from_wire(world.sent[0][3])
    assert query.flags == dns.flags.RD
    assert (query.edns, query.payload) == (0, 1232)
    assert [str(question) for question in query.question] == [f"{NAME}. IN A"]


@pytest.mark.parametrize(("rrtype", "value"), [
    ("AAAA", "2001:db8::11"), ("PTR", f"{NAME}."), ("NS", "ns1.obs.example.net."), ("TXT", '"one" "two"'),
    ("SOA", "ns1.obs.example.net. hostmaster.obs.example.net. 2026110201 7200 900 1209600 3600"),
    ("SSHFP", "4 2 a87f1b687ac0e57d2a081a2f282672334d90ed316d2b818ca9580ea384d92401"),
])
def test_every_type_in_use_is_kept_as_text(rrtype: str, value: str) -> None:
    """Values come in the presentation form of a zone file (the SSHFP value is that of RFC 7479 section 2)."""
    answer = ask(network(says(f"{NAME}. 60 IN {rrtype} {value}")), NameQuestion(SERVER, NAME, rrtype, "forward"))
    assert answer.answers[0].value.replace(" ", "") == value.replace(" ", "")


def test_a_no_keeps_its_start_of_authority() -> None:
    """The SOA of a negative answer says how long the no may be remembered (RFC 2308 section 5)."""
    soa = "obs.example.net. 900 IN SOA ns1.obs.example.net. hostmaster.obs.example.net. 7 7200 900 1209600 3600"
    answer = ask(network(says(rcode="NXDOMAIN", authority=(soa,))))
    assert (answer.rcode, answer.answers, answer.authority[0].rrtype, answer.failure) == ("NXDOMAIN", (), "SOA", None)


def test_an_extended_error_is_kept_as_explanation() -> None:
    """RFC 8914: code, its name, and the server's own words."""
    option = dns.edns.EDEOption(dns.edns.EDECode.PROHIBITED, "not from there")
    answer = ask(network(says(rcode="REFUSED", edns=[option])))
    assert (answer.rcode, answer.explanation) == ("REFUSED", "EDE 18 (Prohibited): not from there")
    assert answer.extended_errors == (18,)


@pytest.mark.parametrize(("options", "codes"), [
    ([], ()),
    ([(0, "nothing; EDE 3 (Stale Answer)")], (0,)),
    ([(0, "x" * 3000), (3, "")], (0, 3)),
    ([(65535, "; EDE 15")], (65535,)),
])
def test_the_codes_of_extended_errors_are_kept_apart_from_a_servers_own_words(
    options: list[tuple[int, str]], codes: tuple[int, ...]
) -> None:
    """RFC 8914 section 2: INFO-CODE and EXTRA-TEXT; a text can neither bring a code nor, however long, hide one."""
    edns = [dns.edns.EDEOption(code, text) for code, text in options]
    assert ask(network(says(f"{NAME}. 60 IN A 192.0.2.11", edns=edns))).extended_errors == codes


def test_an_unregistered_rcode_is_kept_by_number() -> None:
    """What the registry does not know is shown, not guessed."""

    def odd(query: bytes) -> Sequence[tuple[float, bytes]]:
        wire = bytearray(octets(query))
        wire[3] = (wire[3] & 0xF0) | 13
        return [(0.01, bytes(wire))]

    assert ask(network(odd)).rcode == "13"


def test_a_flood_of_records_is_bounded_and_counted() -> None:
    """A server may send as much as fits a message; what is kept is bounded."""
    lines = [f"{NAME}. 60 IN A 198.51.{number // 256}.{number % 256}" for number in range(300)]
    answer = ask(network(says(*lines)))
    assert (len(answer.answers), answer.left_out) == (256, 44)


def test_a_flood_of_long_names_is_bounded_too() -> None:
    """On the wire a name that comes again takes two octets (RFC 1035 section 4.1.4); as text these take 1020 characters."""
    long = ".".join(("\\255" * 63, "\\255" * 63, "\\255" * 63, "\\255" * 61))
    lines = [f"{long}. {ttl} IN PTR {long}." for ttl in range(60)]
    made = octets(dnswire.query(1, dnswire.question_section(NAME, "A")), *lines, authority=lines)
    assert len(made) < 4000
    read = dnswire.read(made)
    text = sum(len(record.owner) + len(record.value) for record in (*read.answers, *read.authority))
    assert 16 << 10 < text < 32 << 10
    assert read.left_out == 120 - len(read.answers) - len(read.authority)


# --- answers that are not ours, or not readable


def wrong_id(wire: bytes) -> bytes:
    return bytes((wire[0] ^ 0xFF, *wire[1:]))


def other_question(query: bytes) -> bytes:
    other = dns.message.make_query("elsewhere.example.net", "A", id=int.from_bytes(query[:2], "big"))
    return dns.message.make_response(other).to_wire()


STRAYS: list[Callable[[bytes], bytes]] = [
    lambda query: wrong_id(octets(query, A_LINE)),
    other_question,
    lambda query: query,
    lambda query: b"",
    lambda query: b"\0" * 11,
    lambda query: octets(query, A_LINE)[:20],
    lambda query: query[:2] + b"\x84\x00" + b"\0" * 8,
    lambda query: octets(query, A_LINE).replace(b"\0\1\0\1", b"\0\x1c\0\1", 1),
]


@pytest.mark.parametrize("stray", STRAYS)
def test_strays_before_the_answer_are_passed_over(stray: Callable[[bytes], bytes]) -> None:
    """RFC 5452 section 9.1: another id, another name or type, no answer at all: not ours."""
    world = network(lambda query: [(0.01, stray(query)), (0.02, octets(query, A_LINE))])
    assert ask(world).answers == (NameRecord(NAME, "A", 3600, "192.0.2.11"),)


@pytest.mark.parametrize("stray", STRAYS)
def test_strays_alone_are_a_mismatch_with_their_count(stray: Callable[[bytes], bytes]) -> None:
    """Something answers there, but not to us; three questions, three strays."""
    answer = ask(network(lambda query: [(0.01, stray(query))]))
    assert answer.failure is not None
    assert (answer.failure.kind, answer.failure.strays, answer.tries, answer.rcode) == (FailureKind.MISMATCHED, 3, 3, "")


def test_the_case_of_letters_is_no_difference() -> None:
    """RFC 4343: a server may repeat the question in capitals."""

    def shouting(query: bytes) -> Sequence[tuple[float, bytes]]:
        wire = octets(query, A_LINE)
        return [(0.01, wire[:12] + wire[12:32].upper() + wire[32:])]

    assert ask(network(shouting)).rcode == "NOERROR"


@pytest.mark.parametrize("broken", [
    lambda wire: wire[:-3], lambda wire: wire[:7] + b"\x09" + wire[8:], lambda wire: wire[:-6] + b"\xff\xff" + wire[-4:]])
def test_a_broken_message_is_malformed_not_silence(broken: Callable[[bytes], bytes]) -> None:
    """The question is ours, the rest cannot be read."""
    answer = ask(network(lambda query: [(0.01, broken(octets(query, A_LINE)))]))
    assert answer.failure is not None
    assert answer.failure.kind is FailureKind.MALFORMED


def test_one_broken_record_does_not_lose_the_others() -> None:
    """The good A record is kept beside the failure that says one could not be read."""

    def one_bad(query: bytes) -> Sequence[tuple[float, bytes]]:
        wire = octets(query, A_LINE, f"{NAME}. 3600 IN A 192.0.2.12")
        good, bad = struct.pack("!HBBBB", 4, 192, 0, 2, 11), struct.pack("!HBBBB", 4, 192, 0, 2, 12)
        assert good in wire
        return [(0.01, wire.replace(bad, b"\0\3\xc0\0\2"))]

    answer = ask(network(one_bad))
    assert answer.answers == (NameRecord(NAME, "A", 3600, "192.0.2.11"),)
    assert answer.failure is not None
    assert answer.failure.kind is FailureKind.MALFORMED


# --- silence, loss, slowness, refusal


def test_silence_is_believed_after_three_tries_in_the_planned_time() -> None:
    """Three packets with one id, two seconds apart, the last without EDNS, and no more than the pace allows in all."""
    world = network()
    answer = ask(world)
    assert answer.failure is not None
    assert (answer.failure.kind, answer.tries, len(world.sent)) == (FailureKind.NO_ANSWER, 3, 3)
    assert answer.failure.elapsed_seconds == pytest.approx(6.0)
    packets = [packet for _service, _address, _port, packet in world.sent]
    assert [dns.message.from_wire(packet).edns for packet in packets] == [0, 0, -1]
    assert len({packet[:2] for packet in packets}) == 1


def test_a_lost_packet_is_asked_again_and_counted() -> None:
    """The answer to the second packet is taken; the loss shows in ``tries`` and in the time a client would have waited."""
    calls = iter([False, True])
    answer = ask(network(lambda query: [(0.01, octets(query, A_LINE))] if next(calls) else []))
    assert (answer.rcode, answer.tries) == ("NOERROR", 2)
    assert answer.elapsed_seconds == pytest.approx(2.01)


@pytest.mark.parametrize("kind", [FailureKind.REFUSED, FailureKind.UNREACHABLE, FailureKind.PROHIBITED, FailureKind.NO_ROUTE])
def test_a_definite_failure_is_not_asked_again(kind: FailureKind) -> None:
    """An ICMP error or a missing route is an answer of its own kind."""
    world = network(silent(kind))
    answer = ask(world)
    assert answer.failure is not None
    assert (answer.failure.kind, len(world.sent)) == (kind, 1)


def test_a_server_planned_by_name_is_never_looked_up_behind_our_back() -> None:
    """The system's own resolver would block, and ask servers that nobody planned."""
    world = network()
    answer = ask(world, NameQuestion(Endpoint("ns1.example.net", 53, "ns1"), NAME, "A", "forward"))
    assert answer.failure is not None
    assert (answer.failure.kind, world.sent) == (FailureKind.NOT_RESOLVED, [])


@pytest.mark.parametrize("name", ["a..b.example", "x" * 64 + ".example", ".".join(["abcdefg"] * 32), "\udcff.example"])
def test_a_name_that_cannot_be_asked_for_is_evidence_too(name: str) -> None:
    """Too long, or with an empty label: nothing is sent and nothing is raised."""
    world = network(says(A_LINE))
    answer = ask(world, NameQuestion(SERVER, name, "A", "forward"))
    assert answer.failure is not None
    assert (answer.failure.phase, world.sent) == ("question", [])


# --- EDNS


@pytest.mark.parametrize("rcode", ["FORMERR", "NOTIMP"])
def test_a_server_that_declines_edns_is_asked_once_without(rcode: str) -> None:
    """RFC 6891 section 7; the header alone may come back (RFC 1035 section 4.1.1)."""

    def old(query: bytes) -> Sequence[tuple[float, bytes]]:
        if dns.message.from_wire(query).edns < 0:
            return [(0.01, octets(query, A_LINE))]
        return [(0.01, query[:2] + bytes((0x84, dns.rcode.from_text(rcode))) + b"\0" * 8)]

    world = network(old)
    answer = ask(world)
    assert (answer.rcode, answer.tries, len(world.sent)) == ("NOERROR", 1, 2)


def test_a_format_error_without_edns_is_final() -> None:
    """Asked twice and no more."""
    world = network(says(rcode="FORMERR"))
    assert (ask(world).rcode, len(world.sent)) == ("FORMERR", 2)


def test_a_format_error_stays_where_nothing_follows_it() -> None:
    """A firewall that lets the question with EDNS through and drops the one without has not made the server silent."""
    def old(query: bytes) -> Sequence[tuple[float, bytes]]:
        plain = dns.message.from_wire(query).edns < 0
        return [] if plain else [(0.01, octets(query, rcode="FORMERR"))]

    answer = ask(network(old))
    assert (answer.rcode, answer.failure, answer.explanation) == ("FORMERR", None, "asked again without EDNS: no-answer")


def without_edns(query: bytes) -> bool:
    return dns.message.from_wire(query).edns < 0


def test_questions_with_edns_that_are_dropped_on_the_way_are_told_from_silence() -> None:
    """RFC 6891 section 6.2.6 (from memory): the third packet carries none, and its answer says so."""
    answer = ask(network(lambda query: [(0.01, octets(query, A_LINE))] if without_edns(query) else []))
    assert (answer.rcode, answer.tries, answer.failure, answer.edns_unanswered) == ("NOERROR", 3, None, True)
    assert answer.elapsed_seconds == pytest.approx(4.01)


def test_a_late_answer_to_a_question_with_edns_is_no_dropped_edns() -> None:
    """It comes after the third packet, and bears an OPT record, which no answer to a question without does."""
    answer = ask(network(lambda query: [(0.5, octets(query, A_LINE, edns=()))] if without_edns(query) else []))
    assert (answer.rcode, answer.tries, answer.failure, answer.edns_unanswered) == ("NOERROR", 3, None, False)


def test_a_lost_packet_is_no_dropped_edns() -> None:
    """The second packet carries EDNS still."""
    calls = iter([False, True])
    answer = ask(network(lambda query: [(0.01, octets(query, A_LINE))] if next(calls) else []))
    assert (answer.tries, answer.edns_unanswered) == (2, False)


def test_an_answer_cut_short_without_edns_is_fetched_over_tcp_without() -> None:
    """What drops one packet with EDNS would drop the other too."""
    over_tcp = TcpServer(lambda query: [framed(octets(query, A_LINE))] if without_edns(query) else [None])
    world = network(lambda query: [(0.01, octets(query, flags="QR AA TC RD"))] if without_edns(query) else [],
                    streams={(SERVER.host, 53): lambda: over_tcp})
    answer = ask(world)
    assert (answer.rcode, answer.transport, answer.edns_unanswered) == ("NOERROR", "tcp", True)


def test_a_format_error_to_a_question_without_edns_is_asked_no_more() -> None:
    """There is nothing left to leave out."""
    world = network(lambda query: [(0.01, octets(query, rcode="FORMERR"))] if without_edns(query) else [])
    assert (ask(world).rcode, len(world.sent)) == ("FORMERR", 3)


# --- truncation and TCP


def test_a_truncated_answer_is_fetched_over_tcp() -> None:
    """TC set: the same question over TCP, however the octets are cut up on the way."""
    def in_crumbs(query: bytes) -> Sequence[bytes]:
        message = framed(octets(query, A_LINE))
        return [message[place : place + 1] for place in range(len(message))]

    world = network(says(flags="QR AA TC RD"), streams=tcp(in_crumbs))
    answer = ask(world)
    assert (answer.transport, answer.truncated, len(answer.answers), answer.failure) == ("tcp", True, 1, None)
    assert world.open_streams == 0


def test_a_truncated_answer_without_tcp_keeps_what_came() -> None:
    """The cut answer stays as evidence beside the reason why the whole one could not be fetched."""
    world = network(says(flags="QR AA TC RD"), streams={("192.0.2.53", 53): silent(FailureKind.REFUSED)})
    answer = ask(world)
    assert answer.failure is not None
    assert (answer.transport, answer.truncated, answer.rcode, answer.failure.kind) == (
        "udp", True, "NOERROR", FailureKind.REFUSED)


OVER_TCP = NameQuestion(SERVER, NAME, "A", "server", "tcp")


def test_a_question_for_tcp_sends_nothing_over_udp() -> None:
    """Whether a server answers over TCP has to be seen over TCP."""
    world = network(says(A_LINE), streams=tcp(lambda query: [framed(octets(query, A_LINE))]))
    answer = ask(world, OVER_TCP)
    assert (answer.transport, answer.truncated, answer.rcode) == ("tcp", False, "NOERROR")
    assert {sent[0] for sent in world.sent} == {"tcp"}


def test_tcp_answers_to_other_questions_are_read_past() -> None:
    """A stray message before ours is passed over, and trailing octets after it are left alone."""
    world = network(streams=tcp(lambda query: [framed(other_question(query)), framed(octets(query, A_LINE)), b"junk"]))
    assert ask(world, OVER_TCP).rcode == "NOERROR"


@pytest.mark.parametrize(("said", "kind"), [
    (lambda query: [None], FailureKind.CLOSED),
    (lambda query: [b"\0", None], FailureKind.CLOSED),
    (lambda query: [b"\xff\xff" + b"x" * 100, None], FailureKind.CLOSED),
    (lambda query: [b"\xff\xff" + b"x" * 100], FailureKind.NO_ANSWER),
    (lambda query: [], FailureKind.NO_ANSWER),
    (lambda query: [b"\0\0" * 100], FailureKind.MISMATCHED),
    (lambda query: [framed(other_question(query)) * 20], FailureKind.MISMATCHED),
    (lambda query: [framed(octets(query, A_LINE)[:-3])], FailureKind.MALFORMED),
    (lambda query: [b"SSH-2.0-nothing of the kind\r\n", None], FailureKind.CLOSED),
])
def test_a_bad_tcp_server_is_evidence_of_its_kind(said: Callable[[bytes], Sequence[bytes | None]], kind: FailureKind) -> None:
    """Closed early, never finished, talking past us, garbage: each with its own word, and the connection closed."""
    world = network(streams=tcp(said))
    answer = ask(world, OVER_TCP)
    assert answer.failure is not None
    assert (answer.failure.kind, world.open_streams) == (kind, 0)
    assert answer.failure.elapsed_seconds <= 6.0


@pytest.mark.parametrize("kind", [FailureKind.REFUSED, FailureKind.PROHIBITED])
def test_a_refused_connection_is_evidence(kind: FailureKind) -> None:
    """No TCP at all."""
    answer = ask(network(streams={("192.0.2.53", 53): silent(kind)}), OVER_TCP)
    assert answer.failure is not None
    assert (answer.failure.kind, answer.transport) == (kind, "tcp")


def test_a_black_hole_over_tcp_costs_no_more_than_the_planned_time() -> None:
    """Half of the time for the connection."""
    answer = ask(network(), OVER_TCP)
    assert answer.failure is not None
    assert (answer.failure.kind, answer.failure.elapsed_seconds) == (FailureKind.NO_ANSWER, 3.0)


def test_a_server_that_takes_the_connection_has_all_the_time_that_is_left() -> None:
    """Half of it is for connecting; what that leaves is for the answer, so that one after 4.5 of 6 s is an answer."""
    answer = ask(network(streams=tcp(lambda query: [])), OVER_TCP)
    assert answer.failure is not None
    assert (answer.failure.kind, answer.failure.phase, answer.failure.elapsed_seconds) == (FailureKind.NO_ANSWER, "receive", 6.0)


@pytest.mark.parametrize("question", [ASKED, OVER_TCP])
def test_a_cancelled_question_leaves_nothing_behind(question: NameQuestion) -> None:
    """Ctrl-C between question and answer: the connection is closed and the id free again."""
    world = network(streams=tcp(lambda query: [b"\0"]))

    async def interrupted() -> None:
        task = asyncio.create_task(names.ask(world, question))
        await asyncio.sleep(1.0)
        assert len(names._ids_taken) == 1
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    fake.run(interrupted())
    assert (world.open_streams, names._ids_taken) == (0, set())


# --- aliases


def table(**said: tuple[str, ...] | str) -> fake.DatagramPeer:
    """A server with one answer for each first label; a word instead of lines is an rcode."""

    def answer(query: bytes) -> Sequence[tuple[float, bytes]]:
        label = dns.message.from_wire(query).question[0].name.labels[0].decode().lower().replace("-", "_")
        lines = said.get(label, "NXDOMAIN")
        made = reply(query, rcode=lines) if isinstance(lines, str) else reply(query, *lines)
        return [(0.01, made.to_wire())]

    return answer


def test_an_alias_is_followed_at_the_same_server() -> None:
    """A server for one zone gives the alias only; the target is asked for separately."""
    answer = ask(network(table(dome_a=(f"{NAME}. 60 IN CNAME host1.example.net.",),
                               host1=("host1.example.net. 60 IN A 192.0.2.11",))))
    assert [record.rrtype for record in answer.answers] == ["CNAME", "A"]
    assert (answer.rcode, answer.name) == ("NOERROR", NAME)


def test_an_alias_that_leads_out_keeps_what_came() -> None:
    """The server has no say about the target: the alias stays, and so does the word for why."""
    answer = ask(network(table(dome_a=(f"{NAME}. 60 IN CNAME host1.example.org.",), host1="REFUSED")))
    assert [record.rrtype for record in answer.answers] == ["CNAME"]
    assert (answer.rcode, answer.explanation) == ("NOERROR", "asked on for host1.example.org: REFUSED")


def test_what_a_server_says_beside_the_end_of_an_alias_is_kept() -> None:
    """It withholds the target by a policy (RFC 8914 section 4.16): that the alias itself came says nothing of it."""
    def answer(query: bytes) -> Sequence[tuple[float, bytes]]:
        if dns.message.from_wire(query).question[0].name.labels[0] == b"host1":
            return says(rcode="NXDOMAIN", edns=[dns.edns.EDEOption(dns.edns.EDECode.BLOCKED, "by policy")])(query)
        return says(f"{NAME}. 60 IN CNAME host1.example.net.")(query)

    whole = ask(network(answer))
    assert (whole.rcode, whole.extended_errors, whole.explanation) == ("NXDOMAIN", (15,), "EDE 15 (Blocked): by policy")


def test_a_dangling_alias_ends_in_no_such_name() -> None:
    """As a resolver would put it: the alias, and NXDOMAIN."""
    answer = ask(network(table(dome_a=(f"{NAME}. 60 IN CNAME host1.example.net.",))))
    assert (answer.rcode, [record.rrtype for record in answer.answers]) == ("NXDOMAIN", ["CNAME"])


@pytest.mark.parametrize("steps", [1, 2, 7])
def test_a_circle_of_aliases_ends(steps: int) -> None:
    """RFC 1034 section 3.6.2: loops are to be noticed; each hop is asked for once."""
    hops = ["dome-a", *(f"hop{number}" for number in range(1, steps)), "dome-a"]
    world = network(table(**{here.replace("-", "_"): (f"{here}.obs.example.net. 60 IN CNAME {there}.obs.example.net.",)
                             for here, there in itertools.pairwise(hops)}))
    answer = ask(world)
    assert len(world.sent) == steps
    assert len(answer.answers) == steps


def test_a_chain_without_end_is_left_after_eight_aliases() -> None:
    """Every name is an alias of a new one: the guard ends it."""
    def onward(query: bytes) -> Sequence[tuple[float, bytes]]:
        name = dns.message.from_wire(query).question[0].name.to_text()
        return [(0.01, octets(query, f"{name} 60 IN CNAME x{name}"))]

    world = network(onward)
    ask(world)
    assert len(world.sent) == 9


def test_a_chain_of_late_aliases_takes_no_longer_than_one_question_may() -> None:
    """Each alias comes well within the time, and leads to one more name."""
    def onward(query: bytes) -> Sequence[tuple[float, bytes]]:
        name = dns.message.from_wire(query).question[0].name.to_text()
        return [(0.9, octets(query, f"{name} 60 IN CNAME x{name}"))]

    async def timed() -> tuple[NameAnswer, float]:
        began = world.monotonic()
        return await names.ask(world, ASKED), world.monotonic() - began

    world = network(onward)
    whole, took = fake.run(timed())
    assert took <= world.pace.timeout_seconds + 0.01
    assert whole.explanation == f"asked on for {whole.answers[-1].value.rstrip('.')}: no-answer"
    assert len(whole.answers) == 4


# --- a whole host


async def ask_host(network: Network, questions: Sequence[NameQuestion]) -> tuple[NameAnswer, ...]:
    """All questions about one host and then the look-ups that these call for, as ``verify.runner`` asks them."""
    asked = [await names.ask(network, question) for question in questions]
    return (*asked, *[await names.ask(network, question) for question in names.confirmations(questions, asked)])


def test_names_that_a_pointer_gives_are_looked_up_forward() -> None:
    """RFC 8601 section 3: the loop can be closed only with the address of the name that was given."""
    reverse = "11.2.0.192.in-addr.arpa"
    world = network(table(**{"11": (f"{reverse}. 60 IN PTR stale.obs.example.net.",), "dome_a": (A_LINE,),
                             "stale": ("stale.obs.example.net. 60 IN A 192.0.2.99",)}))
    questions = (ASKED, NameQuestion(SERVER, reverse, "PTR", "reverse"))
    answers = fake.run(ask_host(world, questions))
    assert [(answer.name, answer.purpose) for answer in answers] == [
        (NAME, "forward"), (reverse, "reverse"), ("stale.obs.example.net", "confirm")]
    assert answers[2].answers[0].value == "192.0.2.99"


def test_a_pointer_to_the_planned_name_needs_no_further_question() -> None:
    """The forward answer is there already, whatever the case and the final dot."""
    world = network(table(**{"11": ("11.2.0.192.in-addr.arpa. 60 IN PTR DOME-A.obs.example.net.",), "dome_a": (A_LINE,)}))
    questions = (ASKED, NameQuestion(SERVER, "11.2.0.192.in-addr.arpa", "PTR", "reverse"))
    assert len(fake.run(ask_host(world, questions))) == 2


def test_no_more_than_ten_names_of_a_pointer_are_followed() -> None:
    """RFC 8601 section 3 wants a bound."""
    reverse = "11.2.0.192.in-addr.arpa"
    world = network(table(**{"11": tuple(f"{reverse}. 60 IN PTR n{number}.example.net." for number in range(30))}))
    assert len(fake.run(ask_host(world, (NameQuestion(SERVER, reverse, "PTR", "reverse"),)))) == 11


def test_an_ipv6_pointer_is_confirmed_by_aaaa() -> None:
    """The forward look-up is for the family of the address."""
    asked = NameQuestion(SERVER, f"{'1.' * 32}ip6.arpa", "PTR", "reverse")
    given = NameAnswer(server="192.0.2.53", name=asked.name, rrtype="PTR", purpose="reverse", transport="udp", at="",
                       elapsed_seconds=0.0, rcode="NOERROR", answers=(NameRecord(asked.name, "PTR", 60, "x.example."),))
    assert names.confirmations([asked], [given]) == (NameQuestion(SERVER, "x.example", "AAAA", "confirm"),)


# --- time sources by name


def test_a_name_is_resolved_by_the_first_server_that_answers() -> None:
    """A silent first server is passed over; A comes before AAAA."""
    assert fake.run(names.resolve(network(None, table(dome_a=(A_LINE,))), (SERVER, SECOND), NAME)) == "192.0.2.11"


def test_a_name_with_ipv6_only_resolves_to_that() -> None:
    """No A, then AAAA."""
    def six(query: bytes) -> Sequence[tuple[float, bytes]]:
        wants = dns.message.from_wire(query).question[0].rdtype
        return [(0.01, reply(query, *([f"{NAME}. 60 IN AAAA 2001:db8::11"] if wants == 28 else [])).to_wire())]

    assert fake.run(names.resolve(network(six), (SERVER,), NAME)) == "2001:db8::11"


def test_an_address_is_not_looked_up() -> None:
    """RFC 1123 section 2.1."""
    world = network()
    assert (fake.run(names.resolve(world, (SERVER,), "192.0.2.61")), world.sent) == ("192.0.2.61", [])


@pytest.mark.parametrize(("peers", "words"), [
    ((table(), table(dome_a=(A_LINE,))), "192.0.2.53 has no address"),
    ((None, None), "192.0.2.54: no-answer"),
    ((table(dome_a="SERVFAIL"), None), "192.0.2.53: SERVFAIL"),
])
def test_an_unresolved_name_says_what_each_server_said(peers: tuple[Any, ...], words: str) -> None:
    """The first server's no counts; failures of servers are told one by one."""
    with pytest.raises(NotObserved, match=words) as caught:
        fake.run(names.resolve(network(*peers), (SERVER, SECOND), NAME))
    assert caught.value.failure.kind is FailureKind.NOT_RESOLVED


_SOA = "obs.example.net. 60 IN SOA ns1.obs.example.net. hostmaster.obs.example.net. 1 7200 900 1209600 60"


@pytest.mark.parametrize(("rcode", "authority", "phase"), [
    ("NXDOMAIN", (_SOA,), "denied"), ("NXDOMAIN", (), "denied"), ("NOERROR", (_SOA,), "denied"),
    ("NOERROR", (), "resolve"), ("NOERROR", ("sub.obs.example.net. 60 IN NS ns.sub.obs.example.net.",), "resolve"),
    ("REFUSED", (), "resolve"),
])
def test_only_a_servers_own_no_denies_a_name(rcode: str, authority: tuple[str, ...], phase: str) -> None:
    """RFC 2308 section 2.2: an empty answer without an SOA record may be a referral, and says nothing of the name."""
    def peer(query: bytes) -> Sequence[tuple[float, bytes]]:
        return [(0.01, reply(query, rcode=rcode, authority=authority).to_wire())]

    with pytest.raises(NotObserved) as caught:
        fake.run(names.resolve(network(peer), (SERVER,), NAME))
    assert (caught.value.failure.kind, caught.value.failure.phase) == (FailureKind.NOT_RESOLVED, phase)


# --- real sockets


@pytest.fixture
def loopback_server() -> Iterator[int]:
    """A UDP server on loopback that shuffles: it collects 200 queries, then answers them last first."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.bind(("127.0.0.1", 0))
    sock.settimeout(5)

    def serve() -> None:
        held = [sock.recvfrom(2048) for _ in range(200)]
        for query, peer in reversed(held):
            sock.sendto(octets(query, A_LINE), peer)

    thread = threading.Thread(target=serve)
    thread.start()
    yield sock.getsockname()[1]
    thread.join()
    sock.close()


async def test_two_hundred_questions_on_one_socket_get_their_own_answers(loopback_server: int) -> None:
    """The same question 200 times at once, answered in reverse: every one is matched by its id, and none is lost."""
    question = NameQuestion(Endpoint("127.0.0.1", loopback_server, "loopback"), NAME, "A", "forward")
    async with SocketNetwork(Pace(timeout_seconds=30.0, packets_per_second=100_000.0)) as world:
        pending: list[Coroutine[Any, Any, NameAnswer]] = [names.ask(world, question) for _ in range(200)]
        answers = await asyncio.gather(*pending)
    assert {(answer.rcode, answer.tries, len(answer.answers)) for answer in answers} == {("NOERROR", 1, 1)}
    assert not names._ids_taken
