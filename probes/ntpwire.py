"""NTP packets and the arithmetic of one exchange: octets and stamps in, plain values out.  No I/O.

The header is read with ntplib's packet codec.  Its time stamps are not used: ntplib turns each into one float of seconds
since 1900, which holds no more than half a microsecond and cannot carry a 64-bit nonce there and back, and it knows no
era but the first.  The four stamps are therefore read with struct and stay integers until the last step.
"""

from __future__ import annotations

import ipaddress
import re
import secrets
import struct
import sys

import msgspec
import ntplib

#: RFC 5905 section 7.3: the header without extension fields.
HEADER_OCTETS = 48
#: RFC 5905 section 7.3 Figure 10: what an answer to a client carries.
MODE_SERVER = 4
#: The versions of NTP that there are: RFC 5905 section 7.3 is of the fourth, and the first had no number in the packet.
VERSIONS = range(1, 5)
#: Kiss codes after which a client asks no more: DENY and RSTR by RFC 5905 section 7.4; RATE because a whole run sends no
#: more than a handful of packets and slowing down would mean not asking (RFC 8633 section 5.4).
KISS_TO_STOP = frozenset({"DENY", "RSTR", "RATE"})
#: What the runner's own stamps can resolve: the time between reading its clock and the packet leaving, 0.2 µs in the
#: median and 0.5 µs at the 99th percentile, rounded up (tests/bench/ntp_load.py measures it).
RUNNER_PRECISION_SECONDS = 1e-6
#: RFC 5905 appendix A.1.1, MAXFREQ: no disciplined clock runs faster or slower than this.
MAXIMUM_RATE = 500e-6

_NANOSECONDS = 1_000_000_000
#: Seconds from 1900 to 1970 (RFC 868; RFC 5905 Figure 4).
_UNIX_EPOCH: int = ntplib.NTP.NTP_DELTA
_ERA_SECONDS = 1 << 32
_STAMPS = struct.Struct("!4Q")
_STAMPS_AT, _ORIGINATE_AT, _TRANSMIT_AT = 16, 24, 40
_HALF, _WHOLE = 1 << 63, 1 << 64
#: RFC 4330 section 3: bit 0 set means 1968 to 2036, clear means 2036 to 2104.  Unix seconds of 1968-01-20T03:14:08Z.
_FIRST_SECOND = (1 << 31) - _UNIX_EPOCH
#: RFC 5905 section 7.4: up to four ASCII characters, left justified and zero filled.
_CODE = re.compile(rb"([\x21-\x7e]{1,4})\x00*\Z")


class UnusableAnswer(ValueError):  # noqa: N818 -- says what it is
    """The server answered our question with a packet that carries no time.  The message says what is wrong with it."""


class Packet(msgspec.Struct, frozen=True, kw_only=True):
    """The fields of an NTP header that a client reads.  Stamps are 64-bit NTP stamps: 2^-32 s, modulo one era."""

    leap: int
    version: int
    stratum: int
    precision_seconds: float
    root_delay_seconds: float
    root_dispersion_seconds: float
    reference: bytes
    referenced: int
    originate: int
    receive: int
    transmit: int


class Exchange(msgspec.Struct, frozen=True, kw_only=True):
    """What the four stamps of one exchange say."""

    offset_seconds: float
    delay_seconds: float
    reference_age_seconds: float | None


def request(nonce: bytes) -> bytes:
    """A client packet whose only content is ``nonce`` in the place of the transmit stamp.

    The server returns that field untouched, so it need not be the time: a random one cannot be guessed by somebody who
    sees no packets, and tells nobody what the runner's clock says (the aim of RFC 9109 section 3; the real T1 stays here).
    """
    packet = bytearray(HEADER_OCTETS)
    packet[0] = 4 << 3 | 3
    packet[_TRANSMIT_AT:] = nonce
    return bytes(packet)


def new_nonce() -> bytes:
    """Eight random octets that are never all zero, since a stamp of zero means "unknown" (RFC 5905 section 6)."""
    return (secrets.randbits(64) | 1).to_bytes(8, "big")


def key_of_answer(data: bytes) -> bytes | None:
    """The originate stamp: our nonce, coming back (RFC 5905 section 8).  None for a packet too short to hold one."""
    return data[_ORIGINATE_AT : _ORIGINATE_AT + 8] if len(data) >= _ORIGINATE_AT + 8 else None


def key_of_request(data: bytes) -> bytes | None:
    """The nonce of our own packet, as an ICMP error quotes it."""
    return data[_TRANSMIT_AT:HEADER_OCTETS] if len(data) >= HEADER_OCTETS else None


def parse(data: bytes) -> Packet:
    """Read a server's answer (RFC 5905 section 7.3).  Octets after the header, extension fields and a MAC, are not looked at.

    Raises UnusableAnswer for a packet shorter than a header, of another mode than a server's, or of a version that there is not.
    """
    if len(data) < HEADER_OCTETS:
        raise UnusableAnswer(f"the answer has {len(data)} octets; an NTP header has {HEADER_OCTETS}")
    header = ntplib.NTPPacket()
    header.from_data(data[:HEADER_OCTETS])
    if header.mode != MODE_SERVER:
        raise UnusableAnswer(f"the answer has mode {header.mode}; a server's answer has mode {MODE_SERVER}")
    if header.version not in VERSIONS:
        raise UnusableAnswer(f"the answer is of NTP version {header.version}, and there are only {VERSIONS[0]} to {VERSIONS[-1]}")
    referenced, originate, receive, transmit = _STAMPS.unpack_from(data, _STAMPS_AT)
    return Packet(
        leap=header.leap, version=header.version, stratum=header.stratum,
        precision_seconds=2.0**header.precision, root_delay_seconds=header.root_delay,
        root_dispersion_seconds=header.root_dispersion, reference=data[12:16], referenced=referenced,
        originate=originate, receive=receive, transmit=transmit)


def kiss_code(packet: Packet) -> str:
    """The code of a kiss-o'-death packet, else nothing (RFC 5905 section 7.4: stratum 0 and an ASCII code).

    Look at it before the stamps: such a packet often echoes the client's own time and computes to an offset near zero.
    """
    code = _CODE.match(packet.reference) if packet.stratum == 0 else None
    return code.group(1).decode("ascii") if code else ""


def reference_text(packet: Packet) -> str:
    """The reference identifier for people (RFC 5905 section 7.3).

    Stratum 0 and 1 hold ASCII.  Above, it is the IPv4 address the server follows, or the first four octets of a hash of
    an IPv6 address, which look the same.  What is not printable is shown in hexadecimal.
    """
    if packet.stratum > 1:
        return sys.intern(str(ipaddress.IPv4Address(packet.reference)))
    if packet.reference == bytes(4):
        return ""
    code = _CODE.match(packet.reference)
    return code.group(1).decode("ascii") if code else f"0x{packet.reference.hex()}"


def stamp_text(stamp: int) -> str:
    """A 64-bit stamp as sent, in hexadecimal; empty for zero, which means "unknown" (RFC 5905 section 6)."""
    return sys.intern(f"{stamp:016x}") if stamp else ""


def measure(packet: Packet, *, sent_ns: int, received_ns: int) -> Exchange:
    """Offset and delay of one exchange (RFC 5905 section 8), in integer nanoseconds until the last step.

    ``sent_ns`` and ``received_ns`` are the runner's T1 and T4 in Unix nanoseconds.  A delay below the precision of the
    two clocks is raised to it, as section 8 asks.  Raises UnusableAnswer where a stamp is missing, or where the server
    claims to have held the question for longer than the exchange took and no difference of rates can explain it.
    """
    if not packet.transmit or not packet.receive:
        raise UnusableAnswer("the answer carries no time: its transmit or receive stamp is zero")
    t2 = unfold(packet.receive, near_ns=sent_ns)
    held = _nanoseconds(_difference(packet.transmit, packet.receive))
    t3, took = t2 + held, received_ns - sent_ns
    precision = packet.precision_seconds + RUNNER_PRECISION_SECONDS
    delay = (took - held) / _NANOSECONDS
    if delay < -(precision + MAXIMUM_RATE * took / _NANOSECONDS):
        raise UnusableAnswer(f"the server says it held the question for {held / _NANOSECONDS:.6f} s, "
                             f"but the whole exchange took {took / _NANOSECONDS:.6f} s")
    age = _nanoseconds(_difference(packet.transmit, packet.referenced)) / _NANOSECONDS if packet.referenced else None
    return Exchange(
        offset_seconds=((t2 - sent_ns) + (t3 - received_ns)) / (2 * _NANOSECONDS),
        delay_seconds=max(delay, precision), reference_age_seconds=age)


def unfold(stamp: int, *, near_ns: int) -> int:
    """A 64-bit NTP stamp as Unix nanoseconds, in the right era (RFC 5905 section 6).

    An era is 136 years, so a stamp alone does not say which one it is of.  The window is that of RFC 4330 section 3, 1968
    to 2104, which takes in both a host that woke up in 1970 and one set to 2100; a window centred on the runner's clock
    would have to give up one of them.  Only a runner that itself stands outside gets the window centred on its own time.
    """
    first = _FIRST_SECOND
    if not first <= near_ns // _NANOSECONDS < first + _ERA_SECONDS:
        first = near_ns // _NANOSECONDS - _ERA_SECONDS // 2
    seconds = (stamp >> 32) - _UNIX_EPOCH
    return (first + (seconds - first) % _ERA_SECONDS) * _NANOSECONDS + _nanoseconds(stamp & 0xFFFFFFFF)


def _difference(one: int, other: int) -> int:
    """``one`` minus ``other`` modulo an era, as the signed difference nearest to zero, in 2^-32 s."""
    return (one - other + _HALF) % _WHOLE - _HALF


def _nanoseconds(units: int) -> int:
    """A count of 2^-32 s as nanoseconds, rounded."""
    return (units * _NANOSECONDS + (1 << 31)) >> 32
