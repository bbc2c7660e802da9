"""The hunt for the moment at which a host's second changes, against modelled servers in virtual time."""

from __future__ import annotations

import asyncio
import datetime
import email.utils
import math
import random
import time
from pathlib import Path

import msgspec
import pytest

from labkit.modelled import ADDRESS, NAME, QUESTION, DelayedNetwork, WebServer, jitter, look
from probes import fake, httpdate
from probes.httpdate import FEWEST_REQUESTS, HUNT_SECONDS, REQUESTS, hunt
from probes.sockets import SocketNetwork
from shared.evidence import ClockWitness, FailureKind
from shared.questions import Pace
from verify.grading.clock.witnesses import DATE_AGE_SECONDS, SELDOM_SECONDS, SLEW_RATE, by_witness
from verify.laboratory import authority, webserver

YEAR = 31_557_600.0


def narrowed(seen: ClockWitness) -> tuple[float, float]:
    """What is left of the lead if every Date is fresh."""
    return (max(sample.lo_seconds for sample in seen.samples), min(sample.hi_seconds for sample in seen.samples))


@pytest.mark.parametrize("offset", [0.0, 0.001, -0.001, 0.4999, 0.5, -0.7, 41.7, -7200.25, 20 * YEAR, -30 * YEAR])
def test_a_server_that_looks_at_its_clock_is_read_to_ten_milliseconds(offset: float) -> None:
    """The truth is between the ends of what is left, whatever the offset."""
    seen, took, _network = look(WebServer(offset))
    lo, hi = narrowed(seen)
    assert lo <= offset <= hi
    assert hi - lo <= httpdate.ENOUGH_SECONDS + 1e-6
    assert FEWEST_REQUESTS <= seen.asked <= REQUESTS
    assert took <= HUNT_SECONDS + 0.1
    assert (seen.method, seen.address, seen.port, seen.failure) == ("http-date", ADDRESS, "80/tcp", None)


def test_the_hunt_ends_with_an_answer_that_bounds_the_lead_from_below() -> None:
    """Whatever the offset: graded, a server that looks at its clock is known to 1.4 s and a few hundredths."""
    for step in range(100):
        seen, _took, _network = look(WebServer(step / 100 - 0.5))
        interval = by_witness(seen).interval
        assert interval is not None
        assert interval.lo <= step / 100 - 0.5 <= interval.hi
        assert interval.hi - interval.lo < DATE_AGE_SECONDS + SELDOM_SECONDS + 0.03


def test_one_connection_serves_the_whole_hunt() -> None:
    """HEAD for "/" of the planned name, with the agent named, and never two requests within a tenth of a second."""
    server = WebServer()
    seen, _took, network = look(server, pace=Pace(agent="seatrial (change 4711)"))
    assert server.connections == 1
    assert network.open_streams == 0
    assert len(server.asked) == seen.asked
    for _moment, octets in server.asked:
        assert octets.startswith(b"HEAD / HTTP/1.1\r\nHost: " + NAME.encode() + b"\r\nUser-Agent: seatrial (change 4711)\r\n")
    gaps = [later - earlier for (earlier, _), (later, _) in zip(server.asked, server.asked[1:], strict=False)]
    assert min(gaps) >= httpdate.GENTLE_SECONDS - 1e-9


def test_a_server_that_closes_is_met_again() -> None:
    """One connection a request then, and the same answer."""
    server = WebServer(3.3, keeps_open=False)
    seen, _took, network = look(server)
    lo, hi = narrowed(seen)
    assert lo <= 3.3 <= hi
    assert server.connections == seen.asked == len(seen.samples)
    assert network.open_streams == 0


@pytest.mark.parametrize("status", ["204 No Content", "301 Moved Permanently", "401 Unauthorized", "404 Not Found",
                                    "405 Method Not Allowed", "503 Service Unavailable"])
def test_any_answer_with_a_date_will_do(status: str) -> None:
    """RFC 9110 section 6.6.1 wants Date in every 2xx, 3xx and 4xx, so a refusal is as good as a page."""
    seen, _took, _network = look(WebServer(1.5, status=status))
    assert len(seen.samples) >= FEWEST_REQUESTS
    assert seen.failure is None


def test_who_answers_head_without_a_date_is_asked_with_get() -> None:
    """Once; every server must answer GET (RFC 9110 section 9.1)."""
    server = WebServer(-2.25, methods=(b"GET",))
    seen, _took, network = look(server)
    assert [octets[:4] for _moment, octets in server.asked][:3] == [b"HEAD", b"GET ", b"GET "]
    lo, hi = narrowed(seen)
    assert lo <= -2.25 <= hi
    assert seen.discarded == ("status 200: the answer bears no Date",)
    assert network.open_streams == 0


@pytest.mark.parametrize(("server", "said"), [
    (WebServer(methods=()), "the answer bears no Date"),
    (WebServer(fields=("Date: yesterday",)), "the Date field is no date"),
    (WebServer(fields=("Date: Sun, 06 Nov 1994 08:49:37 GMT", "Date: Sun, 06 Nov 1994 08:49:38 GMT")), "2 Date fields"),
    (WebServer(status="408 Request Timeout"), "gave up waiting"),
])
def test_a_server_without_a_usable_date_is_left_alone_soon(server: WebServer, said: str) -> None:
    """Two requests, no sample, and the reason; a 408 may have been on its way before we asked."""
    seen, _took, network = look(server)
    assert seen.samples == ()
    assert seen.asked == 2
    assert seen.failure is not None
    assert seen.failure.kind is FailureKind.MALFORMED
    assert said in seen.discarded[0]
    assert network.open_streams == 0


def test_a_closed_port_is_tried_twice_and_said() -> None:
    """Refused, with nothing made of it."""
    network = DelayedNetwork({})
    seen = fake.run(hunt(network, QUESTION, 80, "http"))
    assert (seen.samples, seen.asked) == ((), 2)
    assert seen.failure is not None
    assert seen.failure.kind is FailureKind.REFUSED


def test_a_silent_port_costs_two_short_waits() -> None:
    """Not the whole hunt."""

    async def timed() -> float:
        network = fake.FakeNetwork()
        seen = await hunt(network, QUESTION, 80, "http")
        assert seen.failure is not None
        assert seen.failure.kind is FailureKind.NO_ANSWER
        return network.monotonic()

    assert fake.run(timed()) <= 2 * httpdate.PATIENCE_SECONDS + 0.2


class Talker:
    """A peer that says one thing to everything."""

    def __init__(self, said: bytes) -> None:
        self._said = said

    def opened(self) -> list[bytes | None]:
        return []

    def received(self, _data: bytes) -> list[bytes | None]:
        return [self._said]


@pytest.mark.parametrize("said", [
    b"SSH-2.0-rehearsal\r\n", b"HTTP/1.1 100 Continue\r\n\r\n" * 50, b"HTTP/1.1 200 OK\r\n" + b"x: y\r\n" * 100_000,
    b"\x15\x03\x01\x00\x02\x02\x28", b"\x00" * 70_000])
def test_hostile_answers_are_evidence_within_bounds(said: bytes) -> None:
    """Other protocols, endless interim answers, endless heads: malformed, twice, and the connection closed."""
    network = fake.FakeNetwork(streams={(ADDRESS, 80): lambda: Talker(said)})
    seen = fake.run(hunt(network, QUESTION, 80, "http"))
    assert seen.samples == ()
    assert seen.failure is not None
    assert seen.failure.kind is FailureKind.MALFORMED
    assert network.open_streams == 0


def test_an_interim_answer_is_read_over() -> None:
    """The Date of the final answer counts (RFC 9110 section 15.2)."""
    answer = b"HTTP/1.1 103 Early Hints\r\nDate: x\r\n\r\nHTTP/1.1 200 OK\r\nDate: Mon, 02 Nov 2026 09:00:00 GMT\r\n\r\n"
    network = fake.FakeNetwork(streams={(ADDRESS, 80): lambda: Talker(answer)})
    seen = fake.run(hunt(network, QUESTION, 80, "http"))
    assert seen.samples[0].reading_seconds == fake.EPOCH_NS / 1e9


def test_a_body_where_none_may_be_spoils_no_later_answer() -> None:
    """An answer to HEAD has none (RFC 9110 section 9.3.2); after one that has, the connection is not used again."""
    answer = b"HTTP/1.1 200 OK\r\nDate: Mon, 02 Nov 2026 09:00:00 GMT\r\n\r\n" + b"HTTP/1.1 200 OK\r\n" * 1000
    network = fake.FakeNetwork(streams={(ADDRESS, 80): lambda: Talker(answer)})
    seen = fake.run(hunt(network, QUESTION, 80, "http", requests=3))
    assert seen.failure is None
    assert len(seen.samples) == seen.asked
    assert network.open_streams == 0


def test_fields_that_tell_of_a_device_are_kept() -> None:
    """Age, Via and Server, bounded; the graders weigh them."""
    server = WebServer(fields=("Age: 37", "Via: 1.1 relay", "Server: " + "x" * 500, "X-Other: y"))
    seen, _took, _network = look(server)
    kept = dict(seen.details)
    assert (kept["age"], kept["via"], len(kept["server"])) == ("37", "1.1 relay", 128)
    assert set(kept) == {"age", "via", "server"}


def test_when_the_runners_clock_is_set_only_what_follows_is_kept() -> None:
    """The lead over the new clock is right, and the step is told."""
    seen, _took, _network = look(WebServer(2.0), steps=((2.5, 5.0),))
    assert seen.runner_steps_seconds == (5.0,)
    lo, hi = narrowed(seen)
    assert lo <= 2.0 - 5.0 <= hi
    assert "moved by +5.000 s" in seen.discarded[0]


def test_a_slewed_runner_is_not_taken_for_a_set_one() -> None:
    """Both clocks of the runner are slewed alike; less than a millisecond apart is no step."""
    seen, _took, _network = look(WebServer(2.0), steps=((2.5, 0.0009),))
    assert seen.runner_steps_seconds == ()


def test_a_server_that_looks_once_a_second_is_found_out_only_by_allowing_for_it() -> None:
    """The trap: answers as regular as those of a fresh Date leave a narrow interval that the truth is not in."""
    seen, _took, _network = look(WebServer(0.0, style="timer", phase=0.9))
    lo, hi = narrowed(seen)
    assert hi - lo < 0.02
    assert hi < -0.85
    testimony = by_witness(seen)
    assert testimony.interval is not None
    assert 0.0 in testimony.interval


def test_the_truth_is_inside_for_six_hundred_models() -> None:
    """Any offset from milliseconds to decades, any style of stamping, delays long, odd and lopsided."""
    chance = random.Random(6011)
    styles = {"fresh": 0, "timer": 0, "lazy": 0}
    for _ in range(600):
        offset = chance.choice((-1, 1)) * 10 ** chance.uniform(-3, 9)
        style = chance.choice(tuple(styles))
        server = WebServer(
            offset, style=style, phase=chance.random(), slip=chance.random() * 0.03, keeps_open=chance.random() < 0.7,
            out=jitter(chance, 10 ** chance.uniform(-4, -1), 10 ** chance.uniform(-1, -0.5)),
            back=jitter(chance, 10 ** chance.uniform(-4, -1), 10 ** chance.uniform(-1, -0.5)),
            work=jitter(chance, 0.0, 0.05))
        seen, took, network = look(server)
        testimony = by_witness(seen)
        assert testimony.interval is not None, (server, testimony.why)
        assert testimony.interval.lo <= offset <= testimony.interval.hi, (server, testimony)
        assert 2 * testimony.interval.uncertainty < 3.6
        assert seen.asked <= REQUESTS
        assert took < HUNT_SECONDS + 1.5
        assert network.open_streams == 0
        styles[style] += 1
    assert min(styles.values()) > 100


class CachedDate(WebServer):
    """A server whose Date is made anew every ``period_seconds`` only, or never again."""

    period_seconds = math.inf

    def date(self, moment: float) -> int:
        made = self.phase + math.floor((moment - self.phase) / self.period_seconds) * self.period_seconds
        return super().date(self.phase if math.isinf(self.period_seconds) else made)


@pytest.mark.parametrize("period", [2.5, 3.0, 5.0, 10.0, 60.0, math.inf])
def test_a_date_that_does_not_move_is_no_clock_that_is_behind(period: float) -> None:
    """The clock is right and the Date out of a cache: what is said holds for the clock, and mostly nothing is said."""
    chance, told = random.Random(5), 0
    for _ in range(100):
        server = CachedDate(phase=-chance.uniform(0, min(period, 30.0)), out=jitter(chance, 2e-4, 2e-3))
        server.period_seconds = period
        seen, took, _network = look(server)
        testimony = by_witness(seen)
        assert testimony.interval is None or 0.0 in testimony.interval, (server, testimony)
        assert seen.asked <= REQUESTS
        assert took < HUNT_SECONDS + 1.5
        told += testimony.interval is not None
    assert told == 0 or period <= 3.0


@pytest.mark.parametrize("period", [1.01, 1.25, 1.5, 1.75, 2.0, 2.25])
def test_a_date_renewed_every_other_second_is_not_taken_for_a_clock_that_is_behind(period: float) -> None:
    """Two answers in a row have to confirm the lower end, and grading allows for those that do so by chance."""
    chance = random.Random(5)
    for _ in range(100):
        offset = chance.uniform(-50.0, 50.0)
        server = CachedDate(offset, phase=-chance.uniform(0, period), out=jitter(chance, 2e-4, 2e-3))
        server.period_seconds = period
        seen, _took, _network = look(server)
        interval = by_witness(seen).interval
        assert interval is None or interval.lo <= offset <= interval.hi, (server, interval)


def test_the_hunt_goes_on_until_grading_can_tell_a_cache_from_a_date_that_is_a_second_old() -> None:
    """What the probe ends on is more than all that grading allows for, over the whole hunt."""
    assert httpdate.BEYOND_AGE_SECONDS > DATE_AGE_SECONDS + 2 * SLEW_RATE * HUNT_SECONDS


@pytest.mark.parametrize("by", [3.0, 3600.0, -3.0, -3600.0, YEAR])
def test_a_host_whose_clock_is_set_far_meanwhile_proves_nothing(by: float) -> None:
    """The answers before and after exclude each other, and no interval is made of them."""
    seen, _took, _network = look(WebServer(0.3, steps=((2.2, by),)))
    testimony = by_witness(seen)
    assert testimony.interval is None
    assert "contradict each other" in testimony.why


def test_a_clock_that_is_set_meanwhile_never_makes_a_false_interval() -> None:
    """Steps of any size, either way, at any moment of the hunt: the clock as it is at the end is inside, or nothing is said."""
    chance = random.Random(792)
    told = 0
    for _ in range(600):
        by, when = chance.choice((-1, 1)) * 10 ** chance.uniform(-1.3, 1), chance.uniform(0.0, 7.0)
        offset = chance.uniform(-1e4, 1e4)
        server = WebServer(offset, steps=((when, by),), out=jitter(chance, 2e-4, 2e-3), back=jitter(chance, 2e-4, 2e-3))
        seen, took, _network = look(server)
        testimony = by_witness(seen)
        if testimony.interval is None:
            continue
        told += 1
        now = offset + (by if took >= when else 0.0)
        last_asked = server.asked[-1][0]
        if last_asked < when < took:
            continue  # set while the last answer was on its way: then either lead was right
        assert testimony.interval.lo <= now <= testimony.interval.hi, (server, testimony)
    assert told > 300


def test_a_hunt_inside_tls_on_real_sockets(tmp_path: Path) -> None:
    """The laboratory's own web server bears no Date; the handshake, the request and the refusal are real."""
    valid = authority.Validity.around(datetime.datetime.now(datetime.UTC), days_before=1, days_after=30)
    credential = authority.leaf(authority.root("Site Root", valid), (NAME,), valid)
    context = webserver.context(credential, tmp_path, old_versions=False)

    async def converse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while await reader.readuntil(b"\r\n\r\n"):
                date = email.utils.formatdate(time.time() + 41.7, usegmt=True)
                writer.write(f"HTTP/1.1 200 OK\r\nDate: {date}\r\n\r\n".encode())
        except (asyncio.IncompleteReadError, ConnectionError):
            writer.close()

    async def both() -> ClockWitness:
        async with await asyncio.start_server(converse, "127.0.0.1", 0, ssl=context) as server, SocketNetwork(Pace()) as network:
            question = msgspec.structs.replace(QUESTION, address="127.0.0.1")
            return await hunt(network, question, server.sockets[0].getsockname()[1], "tls", requests=3)

    seen = asyncio.run(both())
    testimony = by_witness(seen)
    assert seen.asked == len(seen.samples) == 3
    assert testimony.interval is not None
    assert 41.7 in testimony.interval
