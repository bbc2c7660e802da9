"""The echo codec: checksum vectors, an independent packet maker, and readers that survive any octets."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes.icmpwire import (
    ECHO_REPLY,
    Echo,
    WireError,
    internet_checksum,
    ones_complement_sum,
    pack_request,
    read_quoted_request,
    read_reply,
)

ECHO = Echo(identifier=0x1234, sequence=7, payload=b"tidewater" * 5)


def _reply(echo: Echo) -> bytes:
    """The version 4 reply to ``echo``, made from the request by changing its type and mending the checksum."""
    request = pack_request(4, echo)
    bare = bytes([ECHO_REPLY[4], 0, 0, 0]) + request[4:]
    return bare[:2] + internet_checksum(bare).to_bytes(2, "big") + bare[4:]


# RFC 1071 section 3: the sum of these octets, its byte-swapped form, and its parts with odd boundaries.
RFC_1071 = bytes.fromhex("0001f203f4f5f6f7")


def test_sum_is_the_worked_example() -> None:
    """RFC 1071 section 3, "normal order": 2ddf0 folds to ddf2; the checksum is its complement."""
    assert ones_complement_sum(RFC_1071) == 0xDDF2
    assert internet_checksum(RFC_1071) == 0x220D


def test_sum_of_swapped_octets_is_the_swapped_sum() -> None:
    """RFC 1071 section 3, "swapped order": f2dd."""
    swapped = b"".join(RFC_1071[i : i + 2][::-1] for i in range(0, 8, 2))
    assert ones_complement_sum(swapped) == 0xF2DD


@pytest.mark.parametrize(("octets", "expected"), [
    (RFC_1071[:3], 0xF201), (RFC_1071[3:], 0xF0EB),  # RFC 1071 section 3: the two groups with odd boundaries
    (b"", 0), (b"\xff", 0xFF00), (b"\xff\xff" * 40000, 0xFFFF),
])
def test_sum_pads_an_odd_octet_and_folds_every_carry(octets: bytes, expected: int) -> None:
    """An odd last octet is padded with zero (RFC 1071 section 1); long sums fold more than once."""
    assert ones_complement_sum(octets) == expected


def test_request_is_what_an_independent_maker_makes() -> None:
    """Scapy builds the same octets for the same request, checksum included."""
    from scapy.layers.inet import ICMP
    from scapy.packet import Raw

    built = bytes(ICMP(type=8, id=ECHO.identifier, seq=ECHO.sequence) / Raw(ECHO.payload))
    assert pack_request(4, ECHO) == built


def test_request_is_what_an_independent_reader_reads() -> None:
    """Scapy reads our version 6 request as an echo request with the same fields."""
    from scapy.layers.inet6 import ICMPv6EchoRequest

    read = ICMPv6EchoRequest(pack_request(6, ECHO))
    assert (read.type, read.code, read.id, read.seq, read.data) == (128, 0, ECHO.identifier, ECHO.sequence, ECHO.payload)


def test_reply_of_an_independent_maker_is_read() -> None:
    """Replies of both versions built by scapy are read back whole."""
    from scapy.layers.inet import ICMP
    from scapy.layers.inet6 import ICMPv6EchoReply
    from scapy.packet import Raw

    assert read_reply(4, bytes(ICMP(type=0, id=ECHO.identifier, seq=ECHO.sequence) / Raw(ECHO.payload))) == ECHO
    assert read_reply(6, bytes(ICMPv6EchoReply(id=ECHO.identifier, seq=ECHO.sequence, data=ECHO.payload))) == ECHO


def test_quoted_request_may_be_cut() -> None:
    """An error quotes at least the eight octets of the header (RFC 792); the checksum of a cut packet is not judged."""
    for length in range(8, 30):
        assert read_quoted_request(4, pack_request(4, ECHO)[:length]).payload == ECHO.payload[: length - 8]


@pytest.mark.parametrize("packet", [
    b"", _reply(ECHO)[:7],                                          # too short for a header
    pack_request(4, ECHO),                                          # our own request, seen on loopback by a raw socket
    bytes([0, 1]) + _reply(ECHO)[2:],                               # a code that no reply has
    bytes([129]) + _reply(ECHO)[1:],                                # the other version's reply
    _reply(ECHO)[:-1] + b"\0",                                      # one octet changed: the checksum tells
    bytes([3, 1, 0xFC, 0xFE, 0, 0, 0, 0]),                          # destination unreachable
    bytes([11, 0, 0xF4, 0xFF, 0, 0, 0, 0]),                         # time exceeded
])
def test_what_is_no_reply_is_declared_unreadable(packet: bytes) -> None:
    """Whatever is not an intact echo reply raises WireError and nothing else."""
    assert read_reply(4, _reply(ECHO)) == ECHO
    with pytest.raises(WireError):
        read_reply(4, packet)


@given(st.binary(max_size=80), st.sampled_from([4, 6]))
def test_readers_are_total(packet: bytes, version: int) -> None:
    """For any octets a reader returns an echo whose payload is the rest of the packet, or raises WireError."""
    for reader in (read_reply, read_quoted_request):
        try:
            echo = reader(version, packet)
        except WireError:
            continue
        assert packet[8:] == echo.payload


@given(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF), st.binary(max_size=70))
def test_every_packed_request_sums_to_all_ones(identifier: int, sequence: int, payload: bytes) -> None:
    """A packet with its checksum in place sums to ffff (RFC 1071 section 1), and reads back as it was packed."""
    echo = Echo(identifier=identifier, sequence=sequence, payload=payload)
    assert ones_complement_sum(pack_request(4, echo)) == 0xFFFF
    assert read_quoted_request(4, pack_request(4, echo)) == echo
    assert read_reply(4, _reply(echo)) == echo
