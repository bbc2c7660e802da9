"""Reading the head of an HTTP answer, and its Date."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes.httpwire import FIELDS_LIMIT, HEAD_LIMIT, Head, HttpError, read_date, read_head, request

NOW = 1_793_610_000.0
ANSWER = (b"HTTP/1.1 404 Not Found\r\nServer: rehearsal\r\nDate: Mon, 02 Nov 2026 09:00:00 GMT\r\nX-Odd:  two  words \r\n\r\n")


def test_a_request_names_the_tool_and_refuses_memory() -> None:
    """RFC 9112 section 3.2 wants a Host; RFC 9111 section 5.2.1.4 keeps caches from answering by themselves."""
    assert request("HEAD", "dome-a.obs.example.net:8080", "seatrial (change 4711)") == (
        b"HEAD / HTTP/1.1\r\nHost: dome-a.obs.example.net:8080\r\nUser-Agent: seatrial (change 4711)\r\nAccept: */*\r\n"
        b"Cache-Control: no-cache\r\nConnection: keep-alive\r\n\r\n")


@pytest.mark.parametrize("agent", ["seatrial\r\nX-Injected: yes", "naïve", "a\x00b", "tab\there"])
def test_no_text_of_ours_can_add_a_field(agent: str) -> None:
    """A ticket text with a line break stays one field (RFC 9110 section 5.5)."""
    head = request("HEAD", "dome-a", agent)
    assert head.count(b"\r\n") == 7
    assert b"\x00" not in head
    assert head.isascii()


def test_a_head_is_read_with_its_fields_in_order() -> None:
    """Names in lower case, values trimmed; what follows the head is kept apart."""
    assert read_head(ANSWER + b"rest") == Head(
        version=(1, 1), status=404, rest=b"rest",
        fields=(("server", "rehearsal"), ("date", "Mon, 02 Nov 2026 09:00:00 GMT"), ("x-odd", "two  words")))


def test_a_head_fed_octet_by_octet_is_not_read_too_early() -> None:
    """Every beginning of an answer is "not all there yet", none an error."""
    for length in range(len(ANSWER)):
        assert read_head(ANSWER[:length]) is None
    assert read_head(ANSWER) is not None


def test_bare_line_feeds_are_read() -> None:
    """RFC 9112 section 2.2 lets a recipient take a bare LF for a line's end."""
    head = read_head(b"HTTP/1.0 200 OK\nDate: Sun, 06 Nov 1994 08:49:37 GMT\n\n")
    assert head is not None
    assert head.values("date") == ("Sun, 06 Nov 1994 08:49:37 GMT",)


def test_one_odd_line_does_not_lose_the_rest() -> None:
    """A field without a colon, or with a space in its name, is left out alone."""
    head = read_head(b"HTTP/1.1 200 OK\r\nno colon here\r\nBad Name: x\r\n: empty\r\nDate: d\r\n\r\n")
    assert head is not None
    assert head.fields == (("date", "d"),)


@pytest.mark.parametrize("octets", [
    b"SSH-2.0-rehearsal\r\n", b"\x16\x03\x01", b"HTTP/2 200\r\n\r\n", b"HTTP/1.1 20 OK\r\n\r\n", b"HTTP/1.1 2000\r\n\r\n",
    b"HTTP/1.1\r\n\r\n", b"http/1.1 200 OK\r\n\r\n", b"\r\nHTTP/1.1 200 OK\r\n\r\n", b"HTTP/1.1 200 OK\r\n" + b"a" * HEAD_LIMIT,
    b"HTTP/1.1 200 OK\r\n" + b"a: b\r\n" * (FIELDS_LIMIT + 1) + b"\r\n"])
def test_what_is_no_answer_is_said_to_be_none(octets: bytes) -> None:
    """Other protocols, broken status lines, heads without end and heads with too many fields."""
    with pytest.raises(HttpError):
        read_head(octets)


def test_as_many_fields_as_allowed_are_read() -> None:
    """The limit itself is still inside."""
    head = read_head(b"HTTP/1.1 200 OK\r\n" + b"a: b\r\n" * FIELDS_LIMIT + b"\r\n")
    assert head is not None
    assert len(head.fields) == FIELDS_LIMIT


@pytest.mark.parametrize(("start", "fields", "stays"), [
    (b"HTTP/1.1 200 OK", b"", True), (b"HTTP/1.1 200 OK", b"Connection: close\r\n", False),
    (b"HTTP/1.1 200 OK", b"Connection: Upgrade, Close\r\n", False), (b"HTTP/1.0 200 OK", b"", False),
    (b"HTTP/1.0 200 OK", b"Connection: keep-alive\r\n", True)])
def test_a_connection_stays_open_as_the_standard_says(start: bytes, fields: bytes, stays: bool) -> None:
    """RFC 9112 section 9.3."""
    head = read_head(start + b"\r\n" + fields + b"\r\n")
    assert head is not None
    assert head.persistent is stays


@pytest.mark.parametrize("text", [
    "Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994"])
def test_the_three_forms_of_the_standard_name_one_moment(text: str) -> None:
    """The examples of RFC 9110 section 5.6.7; 784111777 by date(1)."""
    assert read_date(text, now_unix_seconds=NOW) == 784_111_777


@pytest.mark.parametrize(("text", "unix"), [
    ("Thu, 01 Jan 1970 00:00:00 GMT", 0), ("Wed, 31 Dec 1969 23:59:59 GMT", -1), ("Tue, 19 Jan 2038 03:14:08 GMT", 2**31),
    ("Sat, 31 Dec 2016 23:59:60 GMT", 1_483_228_800), ("Thu, 29 Feb 2024 12:00:00 GMT", 1_709_208_000),
    ("Tue, 15 Nov 1994 08:12:31 GMT", 784_887_151),  # the example of RFC 9110 section 6.6.1
    ("Saturday, 02-Nov-76 09:00:00 GMT", 3_371_533_200), ("Wednesday, 02-Nov-77 09:00:00 GMT", 247_309_200)])
def test_dates_at_the_edges_are_read(text: str, unix: int) -> None:
    """The Unix epoch and before, the end of 32 bits, a leap second, a leap day, and two-digit years 50 and 51 ahead."""
    assert read_date(text, now_unix_seconds=NOW) == unix


@pytest.mark.parametrize("text", [
    "", "now", "Mon, 02 Nov 2026 09:00:00", "Mon, 02 Nov 2026 09:00:00 +0000", "Mon, 2 Nov 2026 09:00:00 GMT",
    "Mon, 32 Nov 2026 09:00:00 GMT", "Mon, 31 Nov 2026 09:00:00 GMT", "Mon, 29 Feb 2027 09:00:00 GMT",
    "Mon, 00 Nov 2026 09:00:00 GMT",
    "Mon, 02 nov 2026 09:00:00 GMT", "Mon, 02 Nov 2026 24:00:00 GMT", "Mon, 02 Nov 2026 09:60:00 GMT",
    "Mon, 02 Nov 2026 09:00:61 GMT", "Mon, 02 Nov 0000 09:00:00 GMT", "2026-11-02T09:00:00Z", " Mon, 02 Nov 2026 09:00:00 GMT",
    "Mon, ٠٢ Nov 2026 09:00:00 GMT"])
def test_what_is_no_date_is_refused(text: str) -> None:
    """Other forms, days and hours that do not exist, digits that are not ASCII."""
    with pytest.raises(HttpError):
        read_date(text, now_unix_seconds=NOW)


@given(st.binary(max_size=300) | st.binary(max_size=100).map(lambda some: b"HTTP/1.1 200 OK\r\n" + some + b"\r\n\r\n"))
def test_reading_a_head_is_total(octets: bytes) -> None:
    """Any octets give a head, nothing yet, or the one declared error."""
    try:
        head = read_head(octets)
    except HttpError:
        return
    assert head is None or 0 <= head.status <= 999


@given(st.text(max_size=40) | st.from_regex(r"\A[A-Z][a-z]{2}, \d\d (Jan|Feb|Nov) \d{4} \d\d:\d\d:\d\d GMT\Z"))
def test_reading_a_date_is_total(text: str) -> None:
    """Any text gives whole seconds or the one declared error."""
    try:
        assert isinstance(read_date(text, now_unix_seconds=NOW), int)
    except HttpError:
        return
