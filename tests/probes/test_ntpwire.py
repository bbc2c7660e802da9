"""The NTP codec and the arithmetic of one exchange, against the published numbers."""

from __future__ import annotations

import datetime
import struct

import ntplib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes.ntpwire import (
    HEADER_OCTETS,
    RUNNER_PRECISION_SECONDS,
    Packet,
    UnusableAnswer,
    key_of_answer,
    key_of_request,
    kiss_code,
    measure,
    new_nonce,
    parse,
    reference_text,
    request,
    stamp_text,
    unfold,
)

NS = 1_000_000_000
UNIX_IN_NTP = 2_208_988_800
NOW_NS = 1_793_610_000 * NS


def ntp(unix_seconds: float) -> int:
    """A 64-bit NTP stamp, folded into its era."""
    whole, part = divmod(round(unix_seconds * NS), NS)
    return ((whole + UNIX_IN_NTP) % 2**32) << 32 | (part << 32) // NS


def packet(*, first: int = 0x24, stratum: int = 2, precision: int = -20, root_delay: int = 0, root_dispersion: int = 0,
           reference: bytes = b"\xc0\x00\x02\x3d", referenced: int = 0, originate: int = 1, receive: int = 1,
           transmit: int = 1) -> bytes:
    """Pack a header field by field, independently of the codec under test (RFC 5905 section 7.3 Figure 8)."""
    return struct.pack("!BBBbII4sQQQQ", first, stratum, 6, precision, root_delay, root_dispersion, reference, referenced,
                       originate, receive, transmit)


def at(year: int, month: int, day: int, *clock: int) -> int:
    return int(datetime.datetime(year, month, day, *clock, tzinfo=datetime.UTC).timestamp())


def exchange(t1: float, t2: float, t3: float, t4: float, **fields: int) -> tuple[float, float]:
    seen = parse(packet(receive=ntp(t2), transmit=ntp(t3), **fields))
    result = measure(seen, sent_ns=round(t1 * NS), received_ns=round(t4 * NS))
    return result.offset_seconds, result.delay_seconds


# RFC 5905 Figure 4: (modified Julian day, era, seconds in the era).  Two printed rows of that figure are wrong
# ("1 Jan 0" and "1 Jan 1"): they are left out.
FIGURE_4 = [
    (-2_400_001, -49, 1_795_583_104), (-679_306, -14, 139_775_744), (-100_851, -3, 2_873_647_488),
    (-100_840, -3, 2_874_597_888), (15_019, -1, 4_294_880_896), (15_020, 0, 0), (40_587, 0, 2_208_988_800),
    (41_317, 0, 2_272_060_800), (51_543, 0, 3_155_587_200), (64_731, 1, 63_104)]


@pytest.mark.parametrize(("julian_day", "era", "offset"), FIGURE_4)
def test_an_era_offset_unfolds_to_the_day_of_figure_4_next_to_a_clock_of_that_day(
        julian_day: int, era: int, offset: int) -> None:
    """RFC 5905 Figure 4: 86400 (MJD - 15020) seconds since 1900, whatever the era, seen from a clock near it."""
    since_1900 = (julian_day - 15_020) * 86_400
    assert divmod(since_1900, 2**32) == (era, offset)
    there_ns = (since_1900 - UNIX_IN_NTP) * NS
    # Outside 1968 to 2104 the window is centred on the asking clock, so any day of any era comes out.
    assert unfold(offset << 32, near_ns=there_ns) == there_ns


# RFC 4330 section 3 (era rollover) and the switch of bit 0, in seconds of era 0 or 1 and Unix time.
ERA_ROWS = [
    (0xFFFFFFFF, at(2036, 2, 7, 6, 28, 15)), (0x00000000, at(2036, 2, 7, 6, 28, 16)), (0x80000000, at(1968, 1, 20, 3, 14, 8)),
    (0x7FFFFFFF, at(2104, 2, 26, 9, 42, 23)), (2_208_988_800, 0), (2_524_521_600, at(1980, 1, 1)),
    (2_398_291_200, at(1976, 1, 1)), (2_629_584_000, at(1983, 5, 1))]  # the last three: RFC 868


@pytest.mark.parametrize("runner", [at(1970, 1, 1), at(2026, 11, 2), at(2036, 2, 7, 6, 28, 15), at(2099, 12, 31)])
@pytest.mark.parametrize(("seconds", "unix"), ERA_ROWS)
def test_bit_0_tells_the_era_whatever_the_runners_clock_says(seconds: int, unix: int, runner: int) -> None:
    """RFC 4330 section 3: a stamp with bit 0 set lies in 1968 to 2036, one without in 2036 to 2104."""
    assert unfold(seconds << 32, near_ns=runner * NS) == unix * NS


@pytest.mark.parametrize("year", [1970, 1980, 2004, 2026, 2036, 2038, 2060, 2094, 2100])
@pytest.mark.parametrize("runner_year", [1970, 2026, 2036, 2095])
def test_a_clock_that_is_decades_off_gives_its_true_offset(year: int, runner_year: int) -> None:
    """RFC 5905 section 8 warns of 34 and 68 years; unfolding before subtracting has no such limit."""
    runner, host = at(runner_year, 3, 1), at(year, 6, 1)
    offset, delay = exchange(runner, host + 0.01, host + 0.01, runner + 0.02)
    assert offset == pytest.approx(host - runner, abs=1e-6)
    assert delay == pytest.approx(0.02, abs=1e-6)


def test_an_answer_that_straddles_the_window_edge_is_not_torn_apart() -> None:
    """The server received in one era and answered in the next: their difference is taken modulo an era."""
    edge = at(2104, 2, 26, 9, 42, 24)
    offset, delay = exchange(edge - 0.5, edge - 0.25, edge + 0.25, edge + 0.5)
    assert (offset, delay) == (pytest.approx(0, abs=1e-6), pytest.approx(0.5, abs=1e-6))


def test_four_stamps_give_offset_and_delay_by_section_8() -> None:
    """T1 100.000, T2 107.010, T3 107.011, T4 100.021: 7.000 s ahead over 0.020 s."""
    offset, delay = exchange(NOW_NS / NS + 100, NOW_NS / NS + 107.010, NOW_NS / NS + 107.011, NOW_NS / NS + 100.021)
    assert (offset, delay) == (pytest.approx(7.0, abs=1e-6), pytest.approx(0.020, abs=1e-6))


def test_no_precision_is_lost_before_the_last_step() -> None:
    """A nanosecond shows: one float of seconds since 1900 could not hold it."""
    t2 = ntp(1_793_610_000) + 4  # 4 units of 2^-32 s: 0.93 ns, rounded to 1
    seen = parse(packet(receive=t2, transmit=t2))
    assert measure(seen, sent_ns=NOW_NS, received_ns=NOW_NS).offset_seconds == 1e-9
    assert ntplib.system_to_ntp_time(1_793_610_000.000000001) == ntplib.system_to_ntp_time(1_793_610_000)


def test_a_delay_below_the_clocks_precision_is_raised_to_it() -> None:
    """RFC 5905 section 8: a negative delay is clamped, here one of -1 µs between clocks of 2^-10 s."""
    _offset, delay = exchange(0, 0, 0.000001, 0, precision=-10)
    assert delay == 2**-10 + RUNNER_PRECISION_SECONDS


def test_a_delay_that_a_fast_clock_made_negative_is_clamped_and_not_thrown_away() -> None:
    """RFC 5905 section 8's example: 100 parts per million over 64 s make a delay of -6.4 ms."""
    _offset, delay = exchange(0, 0, 64.0064, 64)
    assert delay == pytest.approx(2**-20 + RUNNER_PRECISION_SECONDS)


def test_a_server_that_held_the_question_longer_than_the_exchange_took_is_unusable() -> None:
    """No difference of rates explains ten seconds inside twenty milliseconds; half the delay would bound nothing."""
    with pytest.raises(UnusableAnswer, match="held the question"):
        exchange(100, 100, 110, 100.02)


@pytest.mark.parametrize("length", [0, 1, 31, 32, 47])
def test_a_short_answer_is_unusable(length: int) -> None:
    """RFC 5905 section 7.3: a header has 48 octets."""
    with pytest.raises(UnusableAnswer, match=f"has {length} octets"):
        parse(packet()[:length])


@pytest.mark.parametrize("mode", [0, 1, 2, 3, 5, 6, 7])
def test_an_answer_of_another_mode_is_unusable(mode: int) -> None:
    """RFC 5905 section 7.3 Figure 10: a client is answered in mode 4."""
    with pytest.raises(UnusableAnswer, match=f"mode {mode}"):
        parse(packet(first=0x20 | mode))


@pytest.mark.parametrize("version", [0, 5, 6, 7])
def test_an_answer_of_a_version_that_there_is_not_is_unusable(version: int) -> None:
    """RFC 5905 section 7.3: the current one is 4."""
    with pytest.raises(UnusableAnswer, match=f"version {version}"):
        parse(packet(first=version << 3 | 4))


@pytest.mark.parametrize("version", [1, 2, 3, 4])
def test_an_answer_of_an_earlier_version_is_read(version: int) -> None:
    """The header has not changed since the first."""
    assert parse(packet(first=version << 3 | 4)).version == version


@pytest.mark.parametrize("missing", ["receive", "transmit"])
def test_an_answer_without_a_time_stamp_is_unusable(missing: str) -> None:
    """RFC 5905 section 6: zero means unknown."""
    with pytest.raises(UnusableAnswer, match="zero"):
        measure(parse(packet(**{missing: 0})), sent_ns=NOW_NS, received_ns=NOW_NS)


def test_extension_fields_after_the_header_are_passed_over() -> None:
    """RFC 5905 section 7.5: they follow the header."""
    assert parse(packet() + bytes(1000)) == parse(packet())


@pytest.mark.parametrize(("octets", "seconds"), [(0x00008000, 0.5), (0x00010000, 1.0), (0, 0.0), (0xFFFFFFFF, 65536 - 2**-16)])
def test_the_short_format_has_16_bits_of_fraction(octets: int, seconds: float) -> None:
    """RFC 5905 section 6."""
    seen = parse(packet(root_delay=octets, root_dispersion=octets))
    assert (seen.root_delay_seconds, seen.root_dispersion_seconds) == (seconds, seconds)


@pytest.mark.parametrize(("exponent", "seconds"), [(-20, 2**-20), (0, 1.0), (-128, 2**-128), (127, 2.0**127)])
def test_precision_is_a_signed_power_of_two(exponent: int, seconds: float) -> None:
    """RFC 5905 section 7.3."""
    assert parse(packet(precision=exponent)).precision_seconds == seconds


# What real servers of Debian sent (observed on loopback): first octet, stratum, reference, root delay and dispersion.
UNSYNCHRONISED_CHRONY = packet(first=0xE4, stratum=0, reference=bytes(4), root_delay=0x10000, root_dispersion=0x10000)
LOCAL_CHRONY = packet(first=0x24, stratum=10, reference=b"\x7f\x7f\x01\x01")
FRESH_NTPSEC = packet(first=0xE4, stratum=0, reference=b"INIT")
BUSY_NTPSEC = packet(first=0xE4, stratum=0, reference=b"RATE", receive=ntp(NOW_NS / NS), transmit=ntp(NOW_NS / NS))


@pytest.mark.parametrize(("data", "leap", "stratum", "reference", "kiss"), [
    (UNSYNCHRONISED_CHRONY, 3, 0, "", ""), (LOCAL_CHRONY, 0, 10, "127.127.1.1", ""), (FRESH_NTPSEC, 3, 0, "INIT", "INIT"),
    (BUSY_NTPSEC, 3, 0, "RATE", "RATE")])
def test_what_real_servers_send_is_read(data: bytes, leap: int, stratum: int, reference: str, kiss: str) -> None:
    """Unsynchronised servers send leap 3 and stratum 0, never 16; some add a kiss code."""
    seen = parse(data)
    assert (seen.leap, seen.version, seen.stratum, reference_text(seen), kiss_code(seen)) == (leap, 4, stratum, reference, kiss)


@pytest.mark.parametrize(("stratum", "reference", "text"), [
    (1, b"GPS\0", "GPS"), (1, b"PPS1", "PPS1"), (1, b"\x1b[0m", "0x1b5b306d"), (1, b"G\0S\0", "0x47005300"),
    (0, b"\xff\0\0\0", "0xff000000"),
    (2, b"\xc0\x00\x02\x3d", "192.0.2.61"), (15, b"\x00\x00\x00\x00", "0.0.0.0"), (255, b"INIT", "73.78.73.84")])
def test_a_reference_is_printable_whatever_the_server_sends(stratum: int, reference: bytes, text: str) -> None:
    """RFC 5905 section 7.3: ASCII at stratum 1, an address or a hash above."""
    assert reference_text(parse(packet(stratum=stratum, reference=reference))) == text


@pytest.mark.parametrize(("stratum", "reference", "code"), [
    (0, b"DENY", "DENY"), (0, b"X\0\0\0", "X"), (0, b"\0\0\0\0", ""), (0, b"RAT\x80", ""), (0, b"R TE", ""),
    (1, b"RATE", ""), (16, b"RATE", "")])
def test_a_kiss_is_stratum_0_and_printable_ascii(stratum: int, reference: bytes, code: str) -> None:
    """RFC 5905 section 7.4."""
    assert kiss_code(parse(packet(stratum=stratum, reference=reference))) == code


def test_a_request_says_nothing_but_its_nonce() -> None:
    """Version 4, mode 3, and no time of the runner's in it: an independent codec reads all the rest as zero."""
    nonce = bytes.fromhex("0123456789abcdef")
    data = request(nonce)
    other = ntplib.NTPPacket()
    other.from_data(data)
    assert (len(data), other.version, other.mode, other.leap, other.stratum) == (HEADER_OCTETS, 4, 3, 0, 0)
    assert data == bytes([0x23]) + bytes(39) + nonce
    assert key_of_request(data) == nonce


def test_the_key_of_an_answer_is_the_originate_stamp_and_survives_exactly() -> None:
    """RFC 5905 section 8: all 64 bits must match, and a short packet has none."""
    assert key_of_answer(packet(originate=0x0123456789ABCDEF)) == bytes.fromhex("0123456789abcdef")
    assert key_of_answer(bytes(31)) is None
    assert key_of_request(bytes(47)) is None


def test_a_nonce_is_never_zero_and_never_twice_the_same() -> None:
    """A thousand draws of 63 random bits."""
    drawn = {new_nonce() for _ in range(1000)}
    assert len(drawn) == 1000
    assert bytes(8) not in drawn


@given(st.binary(max_size=120))
def test_any_octets_are_read_or_refused_with_the_one_declared_error(data: bytes) -> None:
    """The parser and everything behind it are total, and what they say is finite and printable."""
    try:
        seen = parse(data)
        result = measure(seen, sent_ns=NOW_NS, received_ns=NOW_NS + 1_000_000)
    except UnusableAnswer:
        return
    assert isinstance(seen, Packet)
    assert abs(result.offset_seconds) < 2**32
    assert 0 < result.delay_seconds < float("inf")
    assert (kiss_code(seen) + reference_text(seen)).isprintable()


@given(st.binary(min_size=47, max_size=47), st.integers(0, 2**61), st.integers(0, 2**33))
def test_any_server_packet_at_any_time_of_the_runner_is_measured_or_refused(rest: bytes, sent: int, took: int) -> None:
    """The same for packets that get past the mode, seen from any year."""
    seen = parse(b"\x24" + rest)
    try:
        result = measure(seen, sent_ns=sent, received_ns=sent + took)
    except UnusableAnswer:
        return
    assert result.delay_seconds >= seen.precision_seconds


@pytest.mark.parametrize(("stamp", "text"), [(0, ""), (1, "0000000000000001"), (0xEEB71CDA42B5091C, "eeb71cda42b5091c")])
def test_a_stamp_is_kept_as_sent(stamp: int, text: str) -> None:
    """RFC 5905 section 6: zero means unknown."""
    assert stamp_text(stamp) == text
