"""The SSH codec: published vectors, any split of the octets, and no surprise for any octets at all."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes import sshwire
from probes.sshwire import GREETING_LIMIT, PACKET_LIMIT, Kexinit, Reader, SshWireError

OFFER = Kexinit(kex=("curve25519-sha256", "kex-strict-s-v00@openssh.com"), host_key=("ssh-ed25519",), cipher_in=("aes128-ctr",),
                cipher_out=("aes256-ctr",), mac_in=("hmac-sha2-256",), mac_out=("hmac-sha2-512",), compression_in=("none",),
                compression_out=("zlib",), guesses=True)


@pytest.mark.parametrize(
    ("number", "octets"),
    [
        (0, "00 00 00 00"),
        (0x9A378F9B2E332A7, "00 00 00 08 09 a3 78 f9 b2 e3 32 a7"),
        (0x80, "00 00 00 02 00 80"),
        (-0x1234, "00 00 00 02 ed cc"),
        (-0xDEADBEEF, "00 00 00 05 ff 21 52 41 11"),
    ],
)
def test_whole_numbers_are_sent_and_read_as_in_rfc_4251_section_5(number: int, octets: str) -> None:
    """The five mpint examples of RFC 4251 section 5."""
    assert sshwire.put_mpint(number) == bytes.fromhex(octets)
    assert Reader(bytes.fromhex(octets)).mpint() == number


@pytest.mark.parametrize(
    ("names", "octets"),
    [((), "00 00 00 00"), (("zlib",), "00 00 00 04 7a 6c 69 62"), (("zlib", "none"), "00 00 00 09 7a 6c 69 62 2c 6e 6f 6e 65")],
)
def test_name_lists_are_sent_and_read_as_in_rfc_4251_section_5(names: tuple[str, ...], octets: str) -> None:
    """The three name-list examples of RFC 4251 section 5."""
    assert sshwire.put_names(names) == bytes.fromhex(octets)
    assert Reader(bytes.fromhex(octets)).names() == names


def test_a_uint32_is_read_as_in_rfc_4251_section_5() -> None:
    """The uint32 example of RFC 4251 section 5."""
    assert Reader(bytes.fromhex("29b7f4aa")).uint32() == 699921578


@given(st.integers())
def test_every_whole_number_survives_the_wire_in_the_fewest_octets(number: int) -> None:
    """RFC 4251 section 5: unnecessary leading octets must not be sent."""
    octets = sshwire.put_mpint(number)
    assert Reader(octets).mpint() == number
    if len(octets) > 5:
        assert (octets[4], octets[5] >> 7) not in ((0, 0), (0xFF, 1))


def test_the_identification_example_of_the_standard_is_read() -> None:
    """The example of RFC 4253 section 4.2."""
    found = sshwire.read_greeting(b"SSH-2.0-billsSSH_3.6.3q3\r\n")
    assert found is not None
    assert (found[0].identification, found[0].protocol, found[0].preamble) == (b"SSH-2.0-billsSSH_3.6.3q3", "2.0", ())


@pytest.mark.parametrize(
    ("said", "preamble", "identification", "rest"),
    [
        (b"SSH-2.0-x\r\n\0\0", (), b"SSH-2.0-x", b"\0\0"),
        (b"SSH-1.99-x\n", (), b"SSH-1.99-x", b""),
        (b"hello\r\n\r\nSSH-2.0-x y z\r\n", (b"hello", b""), b"SSH-2.0-x y z", b""),
        (b"\0\r\nSSH-2.0-a\0b\r\nSSH-2.0-again\r\n", (b"\0",), b"SSH-2.0-a\0b", b"SSH-2.0-again\r\n"),
        (b"ssh-2.0-x\r\nSSH-2.0-y\r\n", (b"ssh-2.0-x",), b"SSH-2.0-y", b""),
        (b"SSH-2.0-" + b"x" * 4000 + b"\r\n", (), b"SSH-2.0-" + b"x" * 4000, b""),
    ],
)
@pytest.mark.parametrize("step", [1, 7, 100_000])
def test_an_identification_is_found_however_the_octets_are_split(
    said: bytes, preamble: tuple[bytes, ...], identification: bytes, rest: bytes, step: int
) -> None:
    """RFC 4253 section 4.2: lines may come before; whole, in pieces and octet by octet give the same answer."""
    for end in range(step, len(said) + step, step):
        found = sshwire.read_greeting(said[:end])
        if found:
            greeting, used = found
            assert (greeting.preamble, greeting.identification) == (preamble, identification)
            assert said[used:] == rest
            return
    pytest.fail("the identification was never found")


@pytest.mark.parametrize("said", [b"SSH-2.0\r\n", b"SSH-\r\n", b"SSH-2\n"])
def test_an_identification_without_its_parts_is_refused(said: bytes) -> None:
    """RFC 4253 section 4.2 wants a protocol and a software version."""
    with pytest.raises(SshWireError, match="without a software version"):
        sshwire.read_greeting(said)


@pytest.mark.parametrize("flood", [b"x" * 1_000_000, b"x\r\n" * 400_000, b"\n" * 1_000_000])
def test_a_megabyte_of_greeting_is_given_up_at_the_limit(flood: bytes) -> None:
    """A flood is refused as soon as the limit is reached and never kept whole."""
    assert sshwire.read_greeting(flood[: GREETING_LIMIT - 1]) is None
    for size in (GREETING_LIMIT, len(flood)):
        with pytest.raises(SshWireError, match=str(GREETING_LIMIT)):
            sshwire.read_greeting(flood[:size])
    assert sum(map(len, sshwire.lines_of(flood))) <= GREETING_LIMIT


@pytest.mark.parametrize(("said", "lines"), [(b"", ()), (b"220 mail\r\n", (b"220 mail",)), (b"a\nb", (b"a", b"b"))])
def test_what_was_said_instead_is_kept_line_by_line(said: bytes, lines: tuple[bytes, ...]) -> None:
    """A last line without its end counts."""
    assert sshwire.lines_of(said) == lines


@given(st.binary(max_size=300), st.binary(max_size=40))
def test_a_packet_comes_back_as_it_was_made(payload: bytes, rest: bytes) -> None:
    """RFC 4253 section 6: padding to eight octets, at least four of it; what follows is left alone."""
    packet = sshwire.make_packet(payload)
    assert len(packet) % 8 == 0
    assert packet[4] >= 4
    if payload:
        assert sshwire.read_packet(packet + rest) == (payload, len(packet))
        assert all(sshwire.read_packet(packet[:end]) is None for end in range(len(packet)))


@pytest.mark.parametrize("length", [0, 1, PACKET_LIMIT - 3, 2**32 - 1, int.from_bytes(b"HTTP", "big")])
def test_a_packet_of_an_impossible_length_is_refused_before_it_arrives(length: int) -> None:
    """RFC 4253 section 6.1: 35000 octets in all; a length is never trusted with memory."""
    with pytest.raises(SshWireError, match="octets announced"):
        sshwire.read_packet(length.to_bytes(4, "big"))


@pytest.mark.parametrize("length", [2, PACKET_LIMIT - 4])
def test_a_packet_of_a_possible_length_is_waited_for(length: int) -> None:
    """The bounds themselves are inside."""
    assert sshwire.read_packet(length.to_bytes(4, "big")) is None


@pytest.mark.parametrize(("padding", "refused"), [(3, False), (4, True), (255, True)])
def test_padding_leaves_room_for_a_message(padding: int, *, refused: bool) -> None:
    """A packet of five octets holds its padding length and at most three octets of padding beside one of message."""
    packet = b"\0\0\0\x05" + bytes((padding,)) + b"\x14" + bytes(3)
    if refused:
        with pytest.raises(SshWireError, match="leaves no message"):
            sshwire.read_packet(packet)
    else:
        assert sshwire.read_packet(packet) == (b"\x14", 9)


def test_an_offer_comes_back_as_it_was_made() -> None:
    """RFC 4253 section 7.1."""
    assert sshwire.read_kexinit(sshwire.make_kexinit(OFFER)) == OFFER


def test_no_cookie_is_sent_twice() -> None:
    """RFC 4253 section 7.1: the cookie is random."""
    assert sshwire.make_kexinit(OFFER) != sshwire.make_kexinit(OFFER)


@pytest.mark.parametrize("end", [0, 1, 16, 17, 20, 60, -1])
def test_an_offer_that_ends_early_is_refused(end: int) -> None:
    """Every list is needed."""
    with pytest.raises(SshWireError):
        sshwire.read_kexinit(sshwire.make_kexinit(OFFER)[:end])


def test_another_message_is_not_taken_for_an_offer() -> None:
    """The message number is looked at."""
    with pytest.raises(SshWireError, match="message 21"):
        sshwire.read_kexinit(b"\x15" + sshwire.make_kexinit(OFFER)[1:])


def test_names_are_bounded_in_length_and_number() -> None:
    """RFC 4251 section 6 allows 64 characters; a list beyond its bound says that it was cut."""
    assert Reader(sshwire.put_string(b"x" * 64)).names() == ("x" * 64,)
    assert Reader(sshwire.put_string(b"x" * 65)).names() == ("x" * 63 + "…",)
    many = Reader(sshwire.put_string(b",".join([b"x"] * 5000))).names()
    assert len(many) == sshwire.LIST_LIMIT + 1
    assert many[-1] == "…"
    exact = Reader(sshwire.put_string(b",".join([b"x"] * sshwire.LIST_LIMIT))).names()
    assert exact == ("x",) * sshwire.LIST_LIMIT
    assert Reader(sshwire.put_string(b"\xff,a")).names() == ("\\xff", "a")


def test_a_good_bye_comes_back_as_it_was_made_and_holds_no_control_characters() -> None:
    """RFC 4253 section 11.1; what we write into a stranger's log is plain text."""
    code, words = sshwire.read_disconnect(sshwire.make_disconnect("seatrial\r\n\x1b[2J ticket Ω 7"))
    assert (code, words) == (sshwire.DISCONNECT_BY_APPLICATION, "seatrial[2J ticket  7")


def test_a_reply_with_octets_left_over_is_refused() -> None:
    """A reply that holds more than it says is not read as if it did not."""
    reply = bytes((sshwire.MSG_KEX_REPLY,)) + sshwire.put_string(b"k") + sshwire.put_string(b"f") + sshwire.put_string(b"s")
    assert sshwire.read_kex_reply(reply) == sshwire.KexReply(b"k", b"f", b"s")
    with pytest.raises(SshWireError, match="1 octets too many"):
        sshwire.read_kex_reply(reply + b"\0")


_READERS: list[Callable[[bytes], Any]] = [
    sshwire.read_greeting, sshwire.read_packet, sshwire.read_kexinit, sshwire.read_kex_reply, sshwire.read_disconnect,
    sshwire.message_number, sshwire.lines_of, lambda data: Reader(data).names(), lambda data: Reader(data).mpint()]


@pytest.mark.parametrize("reader", _READERS)
@given(data=st.one_of(
    st.binary(max_size=400),
    st.binary(max_size=200).map(lambda tail: sshwire.make_kexinit(OFFER)[:100] + tail),
    st.binary(max_size=200).map(lambda tail: b"SSH-" + tail),
    st.binary(max_size=200).map(lambda tail: b"\x1f\0\0\0\x01k" + tail),
))
def test_any_octets_give_evidence_or_the_one_declared_error(reader: Callable[[bytes], Any], data: bytes) -> None:
    """Totality: nothing but SshWireError ever escapes."""
    with contextlib.suppress(SshWireError):
        reader(data)
