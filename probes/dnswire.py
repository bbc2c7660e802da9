"""DNS messages as octets: a query out of plain values, plain evidence out of an answer.  No input or output here.

Making and parsing messages costs more than sending them (tests/bench/README.md), so queries are packed by hand,
answers are matched by comparing octets, and only the one answer that is kept is parsed, once: by ``probes.dnsplain`` where
it is as usual, by dnspython where anything is odd.
"""

from __future__ import annotations

import functools
import struct
from typing import cast

import dns.edns
import dns.exception
import dns.message
import dns.name
import dns.rcode
import dns.rdataclass
import dns.rdatatype
import dns.rrset
import msgspec

from probes.dnsplain import read_plain
from shared.evidence import NameRecord, bounded

#: The largest UDP answer asked for: it fits an unfragmented packet on every path of 1280 octets (RFC 8200 section 5), and
#: is what common servers send at most.  RFC 6891 section 6.2.5 leaves the number to us; 1232: common practice, no source.
EDNS_PAYLOAD_OCTETS = 1232
#: The most records kept of one section; more is counted in ``Reply.left_out``.  Common practice, no source.
RECORD_LIMIT = 256
#: The most characters kept of one section, for which as many usual records have room: names are short on the wire where they
#: repeat each other (RFC 1035 section 4.1.4), and one octet may take four characters.  Common practice, no source.
SECTION_CHARACTERS = 16 << 10

_HEADER = struct.Struct("!HHHHHH")
_RECURSION_DESIRED = 0x0100
_RESPONSE = 0x8000
_OPCODE = 0x7800
_AUTHORITATIVE, _TRUNCATED, _RECURSION_AVAILABLE = 0x0400, 0x0200, 0x0080
#: An OPT record with no options (RFC 6891 section 6.1.2): root owner, type 41, payload size, no flags, no data.
_OPT = b"\0" + struct.pack("!HHIH", 41, EDNS_PAYLOAD_OCTETS, 0, 0)
#: FORMERR, SERVFAIL, NOTIMP, REFUSED: a server that cannot read or will not take a question may answer with the header alone.
_MAY_LACK_QUESTION = frozenset((1, 2, 4, 5))


class WireError(ValueError):
    """The octets are no DNS message, or the name is none that can be sent.  Whoever wrote them is at fault."""


class Reply(msgspec.Struct, frozen=True, kw_only=True):
    """One answer as read.

    ``unreadable`` counts the records of the answer and authority sections that could not be read, ``left_out`` those
    beyond ``RECORD_LIMIT`` or ``SECTION_CHARACTERS``.  ``extended_errors`` are the codes of the extended DNS errors (RFC
    8914), and ``explanation`` is what they say with the server's own texts, parted by semicolons.
    """

    rcode: str
    authoritative: bool
    recursion_available: bool
    truncated: bool
    answers: tuple[NameRecord, ...]
    authority: tuple[NameRecord, ...]
    unreadable: int
    left_out: int
    explanation: str
    extended_errors: tuple[int, ...]


@functools.lru_cache(maxsize=4096)
def question_section(name: str, rrtype: str) -> bytes:
    """The question section for one name and type, class IN (RFC 1035 section 4.1.2).

    Raises WireError for a name or a type that cannot be sent.
    """
    try:
        wire = dns.name.from_text(name).to_wire()
        number = dns.rdatatype.from_text(rrtype)
    except (dns.exception.DNSException, ValueError) as error:
        raise WireError(f"{bounded(name, 80)!r} {rrtype} cannot be asked for: {error}") from error
    return cast("bytes", wire) + struct.pack("!HH", number, dns.rdataclass.IN)


def query(ident: int, question: bytes, *, edns: bool = True) -> bytes:
    """A query with the recursion-desired bit set, for the planned servers may be resolvers."""
    return _HEADER.pack(ident, _RECURSION_DESIRED, 1, 0, 0, int(edns)) + question + (_OPT if edns else b"")


def key_of_answer(packet: bytes) -> int | None:
    """The id of an answer to a query; None for anything that is not one."""
    if len(packet) < _HEADER.size:
        return None
    ident, flags = struct.unpack_from("!HH", packet)
    return ident if flags & _RESPONSE and not flags & _OPCODE else None


def key_of_query(packet: bytes) -> int | None:
    """The id of a query of ours, as an ICMP error quotes it; the quotation may be short."""
    return int.from_bytes(packet[:2], "big") if len(packet) >= 2 else None


def answers(packet: bytes, question: bytes) -> bool:
    """Whether an answer repeats our question, ignoring the case of letters (RFC 5452 section 9.1, RFC 4343).

    Some errors may come without the question; those are taken where they have none at all.
    """
    _ident, flags, questions, *_counts = _HEADER.unpack_from(packet)
    if questions == 0:
        return flags & 0x000F in _MAY_LACK_QUESTION
    repeated = packet[_HEADER.size : _HEADER.size + len(question)]
    # No length octet is an ASCII letter (they end at 63), so lower() touches letters of the name only; the type and the
    # class behind the name are compared as they are.
    return questions == 1 and repeated[:-4].lower() == question[:-4].lower() and repeated[-4:] == question[-4:]


def has_edns(packet: bytes) -> bool:
    """Whether an answer bears an OPT record, as one to a question with EDNS does where the server knows it (RFC 6891)."""
    try:
        return dns.message.from_wire(packet, ignore_trailing=True, continue_on_error=True).edns >= 0
    except (dns.exception.DNSException, ValueError, struct.error):
        return False


def read(packet: bytes) -> Reply:
    """Read an answer.  One record that cannot be read loses no other; a TTL with its top bit set is 0 (RFC 2181 section 8).

    Raises WireError where not even the header and the question can be read.
    """
    plain = read_plain(packet)
    if plain is None:
        return read_any(packet)
    flags = _HEADER.unpack_from(packet)[1]
    return Reply(
        rcode=plain.rcode, authoritative=bool(flags & _AUTHORITATIVE), recursion_available=bool(flags & _RECURSION_AVAILABLE),
        truncated=False, answers=plain.answers, authority=plain.authority, unreadable=0, left_out=0, explanation="",
        extended_errors=())


def read_any(packet: bytes) -> Reply:
    """The same as ``read`` by the general reader: what it says of an answer is what holds."""
    try:
        message = dns.message.from_wire(packet, one_rr_per_rrset=True, ignore_trailing=True, continue_on_error=True)
    except (dns.exception.DNSException, ValueError, struct.error) as error:
        raise WireError(f"no DNS message: {type(error).__name__}") from error
    _ident, flags, questions, answer_count, authority_count, _additional = _HEADER.unpack_from(packet)
    if len(message.question) != questions:
        raise WireError("no DNS message: the question section cannot be read")
    read_count = len(message.answer) + len(message.authority)
    errors = [option for option in message.options if isinstance(option, dns.edns.EDEOption)]
    kept = (_records(message.answer), _records(message.authority))
    return Reply(
        rcode=_rcode_text(message),
        authoritative=bool(flags & _AUTHORITATIVE),
        recursion_available=bool(flags & _RECURSION_AVAILABLE),
        truncated=bool(flags & _TRUNCATED),
        answers=kept[0],
        authority=kept[1],
        unreadable=answer_count + authority_count - read_count,
        left_out=read_count - sum(map(len, kept)),
        explanation=bounded("; ".join(error.to_text() for error in errors)),
        extended_errors=tuple(int(error.code) for error in errors),
    )


def _rcode_text(message: dns.message.Message) -> str:
    """The registry's mnemonic (RFC 6895 section 2.3), or the number of one that has none here."""
    number = message.rcode()
    try:
        return dns.rcode.Rcode(number).name
    except ValueError:
        return str(int(number))


def _records(section: list[dns.rrset.RRset]) -> tuple[NameRecord, ...]:
    """The first records of a section, as many as are kept."""
    records, room = [], SECTION_CHARACTERS
    for rrset in filter(len, section[:RECORD_LIMIT]):
        record = NameRecord(rrset.name.to_text(omit_final_dot=True), dns.rdatatype.to_text(rrset.rdtype), rrset.ttl,
                            bounded(rrset[0].to_text()))
        room -= len(record.owner) + len(record.value)
        if room < 0:
            break
        records.append(record)
    return tuple(records)
