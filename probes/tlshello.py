"""The first words of TLS as octets: one ClientHello that offers one version at most, and what a server answers to it.

Full handshakes for this question would cost eight times as much, and a library's own minimum version and security level
would answer in the server's place.  Nothing here touches a network.  Layouts: RFC 8446 sections 4.1.2, 4.1.3, 5.1 and 6;
RFC 5246 sections 6.2.1 and 7.4.1; RFC 6066 section 3.
"""

from __future__ import annotations

import functools

import msgspec

#: Protocol versions by number on the wire (RFC 8446 section 4.2.1; RFC 5246, 4346 and 2246 for the older ones).
VERSIONS = {0x0304: "TLS 1.3", 0x0303: "TLS 1.2", 0x0302: "TLS 1.1", 0x0301: "TLS 1.0", 0x0300: "SSL 3.0"}
TLS13, TLS12, TLS11, TLS10 = 0x0304, 0x0303, 0x0302, 0x0301

#: Alerts by number (RFC 8446 section 6.2; RFC 5246 section 7.2; RFC 7507 section 5; the IANA TLS registry).
ALERTS = {
    0: "close_notify", 10: "unexpected_message", 20: "bad_record_mac", 21: "decryption_failed", 22: "record_overflow",
    30: "decompression_failure", 40: "handshake_failure", 41: "no_certificate", 42: "bad_certificate",
    43: "unsupported_certificate", 44: "certificate_revoked", 45: "certificate_expired", 46: "certificate_unknown",
    47: "illegal_parameter", 48: "unknown_ca", 49: "access_denied", 50: "decode_error", 51: "decrypt_error",
    60: "export_restriction", 70: "protocol_version", 71: "insufficient_security", 80: "internal_error",
    86: "inappropriate_fallback", 90: "user_canceled", 100: "no_renegotiation", 109: "missing_extension",
    110: "unsupported_extension", 111: "certificate_unobtainable", 112: "unrecognized_name",
    113: "bad_certificate_status_response", 115: "unknown_psk_identity", 116: "certificate_required",
    120: "no_application_protocol",
}
_UNRECOGNIZED_NAME = 112

_ALERT, _HANDSHAKE = 21, 22
_RECORD_TYPES = frozenset((20, 21, 22, 23))
_SERVER_HELLO = 2
#: RFC 8446 section 5.1 allows 2^14 octets in a plain-text record; a ServerHello is a small part of that.
_RECORD_LIMIT = 1 << 14
#: The most records read of one answer.  Ours: a server's first flight has a handful.
_RECORDS_LIMIT = 256
#: RFC 8446 section 4.1.3: the last octets of the random of a server that chose less than it can do.
_CAN_DO_MORE = (b"DOWNGRD\x01", b"DOWNGRD\x00")

# Wide on purpose, old CBC, 3DES and RC4 suites included: a refusal must be about the version and nothing else.  The
# fallback signal (0x5600, RFC 7507) is left out on purpose: with it a server refuses a version it accepts from others.
_MODERN_SUITES = (0x1301, 0x1302, 0x1303)
_SUITES = (
    0xC02B, 0xC02F, 0xC02C, 0xC030, 0xCCA9, 0xCCA8, 0x009E, 0x009F, 0xCCAA, 0x009C, 0x009D, 0xC023, 0xC027, 0xC024, 0xC028,
    0x0067, 0x006B, 0x003C, 0x003D, 0xC009, 0xC013, 0xC00A, 0xC014, 0x0033, 0x0039, 0x0032, 0x0038, 0x002F, 0x0035,
    0x0041, 0x0084, 0x0045, 0x0088, 0x0096, 0x009A, 0xC008, 0xC012, 0x0016, 0x0013, 0x000A, 0xC007, 0xC011, 0x0005, 0x0004,
    0x00FF,  # secure renegotiation (RFC 5746 section 3.3): some servers refuse a hello without it
)
# As wide for the same reason: the curves of RFC 8422 and RFC 7027, and all of RFC 4492, on which a server's key may still be.
_GROUPS = (0x001D, 0x0017, 0x0018, 0x0019, 0x001E, 0x0100, 0x0101, 0x001A, 0x001B, 0x001C, *range(0x0016, 0, -1))
_SIGNATURES = (0x0403, 0x0503, 0x0603, 0x0807, 0x0808, 0x0804, 0x0805, 0x0806, 0x0809, 0x080A, 0x080B, 0x0401, 0x0501, 0x0601,
               0x0402, 0x0203, 0x0201, 0x0202)


class ServerHello(msgspec.Struct, frozen=True):
    """The server accepts, and chooses ``version``.  ``can_do_more`` is its own mark that it would speak a newer one."""

    version: int
    can_do_more: bool


class Alert(msgspec.Struct, frozen=True):
    """The server refuses, with this number."""

    number: int


class NotTls(msgspec.Struct, frozen=True):
    """What answers does not speak TLS: ``octets`` is how it begins."""

    octets: bytes


class Unreadable(msgspec.Struct, frozen=True):
    """It begins like TLS and is not an answer to a ClientHello."""

    why: str


Answer = ServerHello | Alert | NotTls | Unreadable


def version_name(number: int) -> str:
    """The name of a protocol version; its number where it has none."""
    return VERSIONS.get(number, f"version {number:#06x}")


def alert_name(number: int) -> str:
    """The name and number of an alert, or its number alone."""
    return f"{ALERTS[number]} ({number})" if number in ALERTS else f"alert {number}"


def looks_like_tls(begin: bytes) -> bool:
    """Whether what a server says begins like a TLS record (RFC 8446 section 5.1): a known type, then major version 3."""
    return begin[:1] != b"" and begin[0] in _RECORD_TYPES and begin[1:2] in (b"", b"\x03")


def client_hello(version: int, server_name: str | None, random: bytes) -> bytes:
    """One ClientHello record that offers ``version`` at most.  ``random`` is 32 fresh octets.

    TLS 1.3 is offered with no key share, which a server answers with a request for one (RFC 8446 section 4.2.8): the
    version is settled and nobody computes a key.
    """
    suites = _MODERN_SUITES if version == TLS13 else _SUITES
    body = b"".join((
        _number(min(version, TLS12)), random, _vector(b"", 1), _vector(_numbers(suites), 2), _vector(b"\x00", 1),
        _vector(_extensions(version, server_name), 2)))
    message = b"\x01" + _vector(body, 3)
    # RFC 8446 section 5.1 and RFC 5246 appendix E.1: the first record says 3.1 whatever is offered.
    return bytes((_HANDSHAKE,)) + _number(TLS10) + _vector(message, 2)


def _extensions(version: int, server_name: str | None) -> bytes:
    listed: list[tuple[int, bytes]] = []
    if server_name is not None:
        listed.append((0, _vector(b"\x00" + _vector(server_name.encode("ascii"), 2), 2)))
    listed.append((10, _vector(_numbers(_GROUPS), 2)))
    listed.append((11, _vector(b"\x00", 1)))
    if version >= TLS12:
        listed.append((13, _vector(_numbers(_SIGNATURES), 2)))
    if version == TLS13:
        listed.append((43, _vector(_number(TLS13), 1)))
        listed.append((51, _vector(b"", 2)))
    return b"".join(_number(kind) + _vector(value, 2) for kind, value in listed)


def _number(value: int) -> bytes:
    return value.to_bytes(2, "big")


@functools.cache
def _numbers(values: tuple[int, ...]) -> bytes:
    return b"".join(_number(value) for value in values)


def _vector(content: bytes, length_octets: int) -> bytes:
    return len(content).to_bytes(length_octets, "big") + content


def read_answer(data: bytes) -> Answer | None:
    """What a server answers to a ClientHello, from all the octets it sent so far; None while more are needed.

    Total: every input is one of the four answers or the beginning of one.
    """
    messages, end = read_messages(data)
    return (_read_server_hello(messages) if messages else None) or end


def read_messages(data: bytes) -> tuple[bytes, Answer | None]:
    """The handshake messages, one after the other, in all that a server sent so far, and what ended them, if anything did.

    Of the last message there may be a part only.  A warning that the name is not known is passed over, as RFC 6066 section 3
    asks.
    """
    messages: list[bytes] = []
    place = 0
    for _ in range(_RECORDS_LIMIT):
        head = data[place : place + 5]
        if not head:
            break
        if not looks_like_tls(head):
            strange = Unreadable("octets that are no TLS record after one that is") if messages else NotTls(data[place:])
            return b"".join(messages), strange
        if len(head) < 5:
            break
        length = int.from_bytes(head[3:5], "big")
        if not 0 < length <= _RECORD_LIMIT:
            return b"".join(messages), Unreadable(f"a record of {length} octets")
        place += 5
        content, kind = data[place : place + length], head[0]
        if len(content) < length and kind != _HANDSHAKE:
            break
        if kind == _ALERT:
            alert = _read_alert(content)
            if alert is not None:
                return b"".join(messages), alert
        elif kind == _HANDSHAKE:
            messages.append(content)
        else:
            return b"".join(messages), Unreadable(f"a record of type {kind} in the place of an answer")
        place += length
    else:
        return b"".join(messages), Unreadable(f"an endless answer, {_RECORDS_LIMIT} records and more")
    return b"".join(messages), None


def _read_alert(content: bytes) -> Answer | None:
    if len(content) != 2:
        return Unreadable(f"an alert of {len(content)} octets")
    level, number = content
    return None if level == 1 and number == _UNRECOGNIZED_NAME else Alert(number)


def _read_server_hello(message: bytes) -> Answer | None:
    if message[0] != _SERVER_HELLO:
        return Unreadable(f"a handshake message of type {message[0]} in the place of a ServerHello")
    length = int.from_bytes(message[1:4], "big")
    if len(message) >= 4 and length > _RECORD_LIMIT:
        return Unreadable(f"a ServerHello of {length} octets")
    if len(message) < 4 or len(message) < 4 + length:
        return None
    body = message[4 : 4 + length]
    # Version, random and the length of the session id; then suite and compression.
    if len(body) < 35 or len(body) < 38 + body[34]:
        return Unreadable("a ServerHello that is cut short")
    version = _selected_version(body[38 + body[34] :]) or int.from_bytes(body[:2], "big")
    return ServerHello(version, body[26:34] in _CAN_DO_MORE)


def _selected_version(block: bytes) -> int | None:
    """The version in the supported_versions extension, where the server sent one (RFC 8446 section 4.2.1)."""
    rest = block[2:]
    while len(rest) >= 4:
        kind, length = int.from_bytes(rest[:2], "big"), int.from_bytes(rest[2:4], "big")
        if kind == 43 and length == 2 and len(rest) >= 6:
            return int.from_bytes(rest[4:6], "big")
        rest = rest[4 + length :]
    return None
