"""Reads the DNS answers that a sound site gives, in a tenth of the time a general reader takes.

Most of what a large run hears is one A, AAAA, PTR, CNAME, NS or SOA record, or a no with an SOA.  ``read_plain`` reads these,
and nothing else: for anything odd it returns None, and ``probes.dnswire.read`` has dnspython read the message instead, so
that only one reader ever decides what is malformed.  The tests hold the two against each other.
"""

from __future__ import annotations

import functools
import struct

import dns.ipv6
import msgspec

from shared.evidence import NameRecord

_HEADER = struct.Struct("!HHHHHH")
_FIXED = struct.Struct("!HHIH")
_NUMBERS = struct.Struct("!IIIII")
#: Opcode, truncation and response code are looked at here; the caller reads the rest of the flags.
_OPCODE, _TRUNCATED, _RCODE = 0x7800, 0x0200, 0x000F
_OPT, _A, _AAAA, _SOA = 41, 1, 28, 6
#: The types whose data is one name.
_NAMED = {2: "NS", 5: "CNAME", 12: "PTR"}
#: The letters of host names and of service labels, which presentation form writes as they are (RFC 1035 section 5.1).
_LETTERS = b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_"
#: RFC 1035 section 3.1.
_NAME_LIMIT = 255
_RCODES = {0: "NOERROR", 2: "SERVFAIL", 3: "NXDOMAIN", 5: "REFUSED"}


class PlainAnswer(msgspec.Struct, frozen=True):
    """What a plain answer holds beside its flags: the response code's mnemonic and two of the three sections."""

    rcode: str
    answers: tuple[NameRecord, ...]
    authority: tuple[NameRecord, ...]


class _OddError(Exception):
    """Not for this reader."""


def read_plain(packet: bytes) -> PlainAnswer | None:
    """Read an answer whose every octet is as usual; None for any other octets.  Raises nothing."""
    try:
        return _read(packet)
    except (_OddError, struct.error, IndexError):
        return None


def _read(packet: bytes) -> PlainAnswer:
    _ident, flags, questions, answers, authority, additional = _HEADER.unpack_from(packet)
    rcode = _RCODES.get(flags & _RCODE)
    if questions != 1 or rcode is None or flags & (_OPCODE | _TRUNCATED) or answers + authority + additional > 16:
        raise _OddError
    _name, at = _read_name(packet, _HEADER.size)
    at += 4
    sections = []
    for count in (answers, authority):
        records = []
        for _ in range(count):
            record, at = _read_record(packet, at)
            records.append(record)
        sections.append(tuple(records))
    for _ in range(additional):
        at = _pass_over(packet, at)
    if at != len(packet):
        raise _OddError
    return PlainAnswer(rcode, *sections)


#: Evidence is kept, and name servers repeat each other: each record is held once.
_record = functools.lru_cache(maxsize=4096)(NameRecord)


def _read_record(packet: bytes, at: int) -> tuple[NameRecord, int]:
    owner, at = _read_name(packet, at)
    kind, class_, ttl, length = _FIXED.unpack_from(packet, at)
    at += _FIXED.size
    end = at + length
    # A TTL with its top bit set is a case of its own (RFC 2181 section 8).
    if class_ != 1 or ttl >> 31 or end > len(packet):
        raise _OddError
    if kind == _A and length == 4:
        return _record(owner, "A", ttl, "{}.{}.{}.{}".format(*packet[at:end])), end
    if kind == _AAAA and length == 16:
        return _record(owner, "AAAA", ttl, dns.ipv6.inet_ntoa(packet[at:end])), end
    if kind in _NAMED:
        target, at = _read_name(packet, at)
        if at == end:
            return _record(owner, _NAMED[kind], ttl, target + "."), end
    if kind == _SOA:
        primary, at = _read_name(packet, at)
        mailbox, at = _read_name(packet, at)
        if at + _NUMBERS.size == end:
            numbers = " ".join(map(str, _NUMBERS.unpack_from(packet, at)))
            return _record(owner, "SOA", ttl, f"{primary}. {mailbox}. {numbers}"), end
    raise _OddError


def _pass_over(packet: bytes, at: int) -> int:
    """Past a record of the additional section: an OPT record that says nothing (RFC 6891 section 6.1.2)."""
    kind, _payload, extended, length = _FIXED.unpack_from(packet, at + 1)
    # Version, extended response code and options all zero; only the DNSSEC bit may be set.
    if packet[at] or kind != _OPT or extended & ~0x8000 or length:
        raise _OddError
    return at + 1 + _FIXED.size


def _read_name(packet: bytes, at: int) -> tuple[str, int]:
    """A name without its final dot, and where what follows it begins.  Pointers only ever lead back (RFC 1035 section 4.1.4)."""
    labels, after, lowest, octets = [], 0, at, 0
    while length := packet[at]:
        if length < 64:
            labels.append(packet[at + 1 : at + 1 + length])
            at += 1 + length
            octets += 1 + length
        elif length >= 192:
            after = after or at + 2
            at = (length & 63) << 8 | packet[at + 1]
            if at >= lowest:
                raise _OddError
            lowest = at
        else:
            raise _OddError
    name = b".".join(labels)
    if not labels or octets >= _NAME_LIMIT or name.count(b".") != len(labels) - 1 or name.translate(None, _LETTERS + b"."):
        raise _OddError
    return name.decode("ascii"), after or at + 1
