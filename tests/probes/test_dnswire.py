"""The DNS codec: exact octets out, and for any octets in either evidence or the one declared error."""

from __future__ import annotations

import dns.message
import dns.rcode
import dns.rrset
import hypothesis
import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes import dnswire
from probes.dnsplain import read_plain

NAME = "dome-a.obs.example.net"


def answer_octets() -> bytes:
    answer = dns.message.make_response(dns.message.make_query(NAME, "A", use_edns=0, id=4660))
    for rrtype, value in (("CNAME", "host1.example.net."), ("TXT", '"<b>" "\\255"'), ("PTR", "x.example.net."),
                          ("SOA", "a.example. b.example. 1 2 3 4 5"), ("SSHFP", "4 2 " + "ab" * 32)):
        answer.answer.append(dns.rrset.from_text(f"{NAME}.", 60, "IN", rrtype, value))
    return answer.to_wire()


SOUND = answer_octets()


def survives(packet: bytes) -> None:
    """Reading gives a Reply or raises WireError; matching raises nothing."""
    if dnswire.key_of_answer(packet) is not None:
        dnswire.answers(packet, dnswire.question_section(NAME, "A"))
    dnswire.key_of_query(packet)
    try:
        reply = dnswire.read(packet)
    except dnswire.WireError:
        return
    assert reply.unreadable >= 0
    assert all(len(record.value) <= 1024 for record in reply.answers + reply.authority)


@given(st.binary(max_size=600))
def test_any_octets_are_read_or_refused(packet: bytes) -> None:
    """Totality over noise."""
    survives(packet)


@given(st.lists(st.tuples(st.integers(0, len(SOUND) - 1), st.integers(0, 255)), max_size=8), st.integers(0, len(SOUND)))
def test_any_damage_to_a_sound_answer_is_read_or_refused(damage: list[tuple[int, int]], length: int) -> None:
    """Totality near the truth, where a parser goes deep: octets changed, the end cut off."""
    packet = bytearray(SOUND)
    for place, value in damage:
        packet[place] = value
    survives(bytes(packet[:length]))


@given(st.integers(0, 65535), st.binary(max_size=300))
def test_any_record_type_with_any_data_is_read_or_refused(rrtype: int, data: bytes) -> None:
    """Totality over types that nobody plans for."""
    header = b"\x12\x34\x84\x00\x00\x00\x00\x01\x00\x00\x00\x00"
    fixed = rrtype.to_bytes(2, "big") + b"\x00\x01\x00\x00\x00\x3c" + len(data).to_bytes(2, "big")
    survives(header + b"\x01a\x00" + fixed + data)


@pytest.mark.parametrize("name", [NAME, "DOME-A.obs.example.net.", "13.0-25.2.0.192.in-addr.arpa", "."])
@pytest.mark.parametrize("rrtype", ["A", "AAAA", "PTR", "SOA"])
@pytest.mark.parametrize("edns", [True, False])
def test_a_query_is_what_an_independent_maker_makes(name: str, rrtype: str, edns: bool) -> None:
    """Octet for octet the query of dnspython with the same choices."""
    wanted = dns.message.make_query(name, rrtype, id=4660, use_edns=0 if edns else -1, payload=1232)
    assert dnswire.query(4660, dnswire.question_section(name, rrtype), edns=edns) == wanted.to_wire()


def test_a_time_to_live_with_its_top_bit_set_is_zero() -> None:
    """RFC 2181 section 8."""
    header = b"\x12\x34\x84\x00\x00\x00\x00\x01\x00\x00\x00\x00"
    packet = header + b"\x01a\x00\x00\x01\x00\x01\x80\x00\x00\x01\x00\x04\xc0\x00\x02\x0b"
    assert [record.ttl_seconds for record in dnswire.read(packet).answers] == [0]


@pytest.mark.parametrize("name", ["a..b", "x" * 64, ".".join(["abcdefg"] * 32)])
def test_a_name_that_cannot_be_sent_is_refused_by_name(name: str) -> None:
    """RFC 1035 section 2.3.4."""
    with pytest.raises(dnswire.WireError, match="cannot be asked for"):
        dnswire.question_section(name, "A")


def _typical() -> list[bytes]:
    """Answers as servers write them: records of every plain type, a no, odd types among them, options, glue."""
    packets = [SOUND]
    for rrtype, value in (
        ("A", "192.0.2.11"), ("AAAA", "2001:db8::11"), ("AAAA", "::ffff:192.0.2.11"), ("CNAME", "host1.example.net."),
        ("PTR", "dome-a.obs.example.net."), ("NS", "ns1.example.net."), ("PTR", "odd\\.label.example.net."), ("PTR", "."),
        ("SOA", "a.example.net. hostmaster.example.net. 2026110201 7200 900 1209600 3600"), ("TXT", '"words"'),
        ("SOA", "a.example.net. first\\.last.example.net. 1 2 3 4 5"), ("MX", "10 m.example.net."),
    ):
        for edns in (-1, 0):
            answer = dns.message.make_response(dns.message.make_query(NAME, rrtype, use_edns=edns, id=4660))
            answer.answer.append(dns.rrset.from_text(f"{NAME}.", 60, "IN", rrtype, value))
            packets.append(answer.to_wire())
            answer.set_rcode(dns.rcode.NXDOMAIN)
            answer.authority, answer.answer = answer.answer, []
            packets.append(answer.to_wire())
            answer.set_rcode(dns.rcode.BADVERS)
            packets.append(answer.to_wire())
    return packets


@pytest.mark.parametrize("packet", _typical())
def test_the_fast_reader_says_what_the_general_one_says(packet: bytes) -> None:
    """Two readers, one meaning."""
    assert dnswire.read(packet) == dnswire.read_any(packet)


def test_the_fast_reader_reads_what_a_sound_site_answers() -> None:
    """The comparison is not vacuous: each plain type and the no are read by it, and only the odd ones are not."""
    assert sum(read_plain(packet) is not None for packet in _typical()) == 28


@given(
    st.sampled_from(_typical()), st.lists(st.tuples(st.integers(0, 400), st.integers(0, 255)), max_size=3), st.integers(0, 400)
)
@hypothesis.settings(max_examples=3000)
def test_the_fast_reader_takes_no_damaged_answer_for_another(packet: bytes, damage: list[tuple[int, int]], length: int) -> None:
    """Whatever octets it takes, the general reader reads the same in them."""
    broken = bytearray(packet)
    for place, value in damage:
        broken[place % len(broken)] = value
    octets = bytes(broken[:length]) if length > 300 else bytes(broken)
    plain = read_plain(octets)
    if plain is not None:
        general = dnswire.read_any(octets)
        assert (plain.rcode, plain.answers, plain.authority) == (general.rcode, general.answers, general.authority)
        assert not general.truncated
        assert not general.unreadable
        assert not general.left_out
        assert not general.explanation
