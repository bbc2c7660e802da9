"""What a server answers to one ClientHello, read from octets; and that real servers read the hello as it is meant."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes.tlshello import (
    ALERTS,
    TLS10,
    TLS11,
    TLS12,
    TLS13,
    Alert,
    NotTls,
    ServerHello,
    Unreadable,
    alert_name,
    client_hello,
    looks_like_tls,
    read_answer,
    read_messages,
    version_name,
)

RANDOM = bytes(range(32))


def record(kind: int, content: bytes, version: bytes = b"\x03\x03") -> bytes:
    return bytes((kind,)) + version + len(content).to_bytes(2, "big") + content


def server_hello(version: int, *, extensions: bytes = b"", random: bytes = RANDOM) -> bytes:
    body = min(version, TLS12).to_bytes(2, "big") + random + b"\x00" + b"\xc0\x2f" + b"\x00"
    if extensions:
        body += len(extensions).to_bytes(2, "big") + extensions
    return b"\x02" + len(body).to_bytes(3, "big") + body


SELECTED_13 = b"\x00\x2b\x00\x02\x03\x04"


@pytest.mark.parametrize("version", [TLS10, TLS11, TLS12])
def test_old_server_hello_gives_its_version(version: int) -> None:
    """RFC 5246 section 7.4.1.3: the version field of the ServerHello is the chosen one."""
    assert read_answer(record(22, server_hello(version))) == ServerHello(version, can_do_more=False)


def test_tls13_server_hello_gives_the_version_of_its_extension() -> None:
    """RFC 8446 section 4.2.1: the version field still says 1.2 and supported_versions decides."""
    answer = read_answer(record(22, server_hello(TLS13, extensions=b"\x00\x33\x00\x02\x00\x1d" + SELECTED_13)))
    assert answer == ServerHello(TLS13, can_do_more=False)


@pytest.mark.parametrize("mark", [b"DOWNGRD\x00", b"DOWNGRD\x01"])
def test_downgrade_mark_is_read(mark: bytes) -> None:
    """RFC 8446 section 4.1.3: 44 4F 57 4E 47 52 44 and 00 or 01 end the random of a server that can do more."""
    assert read_answer(record(22, server_hello(TLS10, random=bytes(24) + mark))) == ServerHello(TLS10, can_do_more=True)


@pytest.mark.parametrize(("level", "number"), [(2, 70), (2, 40), (2, 86), (2, 112), (1, 0), (2, 200)])
def test_alerts_are_refusals_by_number(level: int, number: int) -> None:
    """RFC 8446 section 6: whatever its level says, an alert ends the handshake."""
    assert read_answer(record(21, bytes((level, number)))) == Alert(number)


def test_warning_about_the_name_is_passed_over() -> None:
    """RFC 6066 section 3: unrecognized_name as a warning is no refusal; the ServerHello follows."""
    warning = record(21, bytes((1, 112)))
    assert read_answer(warning) is None
    assert read_answer(warning + record(22, server_hello(TLS12))) == ServerHello(TLS12, can_do_more=False)


@pytest.mark.parametrize("begin", [b"HTTP/1.1 400 Bad Request\r\n", b"SSH-2.0-x\r\n", b"220 mail\r\n", b"\xff\xfd\x18",
                                   b"\x16HTTP"])
def test_anything_else_is_not_tls(begin: bytes) -> None:
    """A plain-text answer is told from TLS by its first two octets (RFC 8446 section 5.1)."""
    assert read_answer(begin) == NotTls(begin)
    assert not looks_like_tls(begin)


@pytest.mark.parametrize(("data", "why"), [
    (record(22, b"\x0b\x00\x00\x00"), "type 11"),
    (record(22, b"\x02\xff\xff\xff"), "16777215 octets"),
    (record(22, b"\x02\x00\x00\x03abc"), "cut short"),
    (record(22, b"\x02\x00\x00\x26" + bytes(34) + b"\xff" + bytes(3)), "cut short"),
    (record(22, b""), "0 octets"),
    (record(21, b"\x02"), "alert of 1"),
    (record(23, b"data"), "type 23"),
    (b"\x16\x03\x03\xff\xff", "65535 octets"),
])
def test_nonsense_in_tls_clothing_is_unreadable(data: bytes, why: str) -> None:
    """What begins like TLS and breaks its layout is neither an acceptance nor a refusal."""
    answer = read_answer(data)
    assert isinstance(answer, Unreadable)
    assert why in answer.why


@pytest.mark.parametrize("message", [server_hello(TLS11), server_hello(TLS13, extensions=SELECTED_13)])
def test_answer_is_the_same_whole_split_or_fragmented(message: bytes) -> None:
    """Every beginning asks for more, and a ServerHello in records of one octet reads the same (RFC 8446 section 5.1)."""
    whole = record(22, message)
    expected = read_answer(whole)
    assert isinstance(expected, ServerHello)
    assert {read_answer(whole[:cut]) for cut in range(len(whole))} == {None}
    assert read_answer(b"".join(record(22, bytes((octet,))) for octet in message)) == expected
    assert read_answer(whole + b"trailing") == expected


@given(st.binary(max_size=400) | st.binary(max_size=400).map(lambda data: b"\x16\x03\x03\x00\xc8" + data)
       | st.binary(max_size=200).map(lambda data: record(22, b"\x02\x00\x00" + bytes((len(data) % 256,)) + data)))
def test_reading_is_total(data: bytes) -> None:
    """Any octets give an answer or ask for more; nothing is raised."""
    assert read_answer(data) is None or isinstance(read_answer(data), ServerHello | Alert | NotTls | Unreadable)


@pytest.mark.parametrize("version", [TLS10, TLS11, TLS12, TLS13])
def test_hello_lengths_add_up(version: int) -> None:
    """Record, message and extension lengths cover exactly what follows them (RFC 8446 sections 4.1.2 and 5.1)."""
    hello = client_hello(version, "dome-a.obs.example.net", RANDOM)
    assert hello[:3] == b"\x16\x03\x01"
    assert int.from_bytes(hello[3:5], "big") == len(hello) - 5
    assert int.from_bytes(hello[6:9], "big") == len(hello) - 9
    assert hello[9:11] == min(version, TLS12).to_bytes(2, "big")
    assert hello[11:43] == RANDOM
    position = 44 + hello[43]
    position += 2 + int.from_bytes(hello[position : position + 2], "big")
    position += 1 + hello[position]
    assert position + 2 + int.from_bytes(hello[position : position + 2], "big") == len(hello)


def test_name_is_asked_for_only_where_there_is_one() -> None:
    """RFC 6066 section 3: server_name holds a DNS name, or is left out."""
    assert b"dome-a.obs.example.net" in client_hello(TLS12, "dome-a.obs.example.net", RANDOM)
    assert len(client_hello(TLS12, None, RANDOM)) == len(client_hello(TLS12, "a", RANDOM)) - 10


def test_fallback_signal_is_never_sent() -> None:
    """RFC 7507: with suite 0x5600 a server refuses a version that it accepts from anybody else, a false refusal."""
    hello = client_hello(TLS10, None, RANDOM)
    count = int.from_bytes(hello[44:46], "big")
    suites = {hello[at : at + 2] for at in range(46, 46 + count, 2)}
    assert b"\x00\x2f" in suites
    assert b"\x56\x00" not in suites


def test_unregistered_numbers_keep_their_number() -> None:
    """What has no name is shown by its number and never by a wrong name."""
    assert alert_name(70) == "protocol_version (70)"
    assert alert_name(201) == "alert 201"
    assert version_name(0x7F1C) == "version 0x7f1c"
    assert all(0 <= number <= 255 for number in ALERTS)


def test_an_answer_in_crumbs_is_given_up_soon() -> None:
    """A record an octet: read once over, whatever its length, and not for as long as it goes on."""
    crumbs = b"\x16\x03\x03\x00\x01\x02" * 40_000
    began = time.process_time()
    messages, end = read_messages(crumbs)
    assert time.process_time() - began < 0.1
    assert isinstance(end, Unreadable)
    assert "endless" in end.why
    assert len(messages) == 256
