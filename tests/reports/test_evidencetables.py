"""Evidence is shown as it was seen: what failed says how, what was left out says so, and nothing is judged."""

from __future__ import annotations

from types import ModuleType

import msgspec
import pytest

from reports import evidencetables
from shared.evidence import (
    CertificateFacts,
    ClockEvidence,
    ClockWitness,
    Crash,
    EchoEvidence,
    Failure,
    FailureKind,
    HostEvidence,
    NameAnswer,
    SshEvidence,
    TlsEvidence,
    WitnessSample,
)

AT = "2027-03-04T09:12:31Z"
SILENT = "no answer in: connect, after 2 s"
SILENCE = Failure(kind=FailureKind.NO_ANSWER, phase="connect", elapsed_seconds=2.0)


@pytest.mark.parametrize(
    ("failure", "words"),
    [
        (SILENCE, SILENT),
        (
            Failure(kind=FailureKind.PROHIBITED, phase="", elapsed_seconds=0.001, sender="192.0.2.1"),
            "prohibited, said by 192.0.2.1, after 1 ms",
        ),
        (
            Failure(kind=FailureKind.MISMATCHED, phase="answer", elapsed_seconds=2.0, strays=3, detail="another id"),
            "mismatched in: answer (another id), 3 stray answers, after 2 s",
        ),
    ],
)
def test_a_failure_says_its_kind_phase_sender_and_time(failure: Failure, words: str) -> None:
    """Everything that was kept is told."""
    assert evidencetables.failure_words(failure) == words


def test_a_lost_echo_is_not_a_fast_one() -> None:
    """RFC 2681 section 2.4: a lost echo has no round trip; it is counted, not averaged."""
    burst = EchoEvidence(address="192.0.2.11", method="icmp", at=AT, round_trips_seconds=(0.001, None, 0.003))
    assert evidencetables.echoes("host", "Echo", (burst,)).rows[0][2:4] == (
        "2 of 3",
        "1 ms / 2 ms / 3 ms (least / median / most)",
    )


def test_an_echo_that_was_never_answered_has_no_round_trip() -> None:
    """And the table says why."""
    burst = EchoEvidence(address="192.0.2.11", method="icmp", at=AT, round_trips_seconds=(None, None), failure=SILENCE)
    assert evidencetables.echoes("host", "Echo", (burst,)).rows[0][2:] == ("0 of 2", "none", "no answer in: connect, after 2 s")


def test_the_exchange_with_the_least_delay_is_shown(sample: ModuleType) -> None:
    """RFC 5905 section 10: it is the one whose offset is best known."""
    seen = sample.tidewater().hosts[0].evidence.clocks[0]
    slow = msgspec.structs.replace(seen.samples[0], delay_seconds=0.5, offset_seconds=9.0)
    row = evidencetables.clocks((msgspec.structs.replace(seen, samples=(slow, *seen.samples)),)).rows[0]
    assert row[2:4] == ("210 µs", "160 µs")


def test_a_clock_that_asked_to_be_left_alone_has_no_offset() -> None:
    """A kiss code is told in words; the packet carries no time."""
    kissed = ClockEvidence(
        server="192.0.2.61", address="192.0.2.61", port=123, at=AT, asked=4, kiss_code="RATE", discarded=("a stray",)
    )
    assert evidencetables.clocks((kissed,)).rows[0] == ("192.0.2.61", "0 of 4", "", "", "", "", "", "kiss code RATE; a stray")


def test_the_narrowest_reading_of_a_witness_is_shown() -> None:
    """A host's clock as its web server tells it, between two bounds."""
    wide = WitnessSample(at=AT, elapsed_seconds=0.1, reading_seconds=0, resolution_seconds=1, lo_seconds=-1.0, hi_seconds=2.0)
    narrow = msgspec.structs.replace(wide, lo_seconds=0.5, hi_seconds=0.75)
    seen = ClockWitness(method="http-date", address="192.0.2.11", at=AT, port="443/tcp", samples=(wide, narrow), asked=3)
    assert evidencetables.witnesses((seen,)).rows == (("http-date 443/tcp", "2 of 3", "500 ms to 750 ms", ""),)


def test_a_certificate_that_cannot_be_parsed_still_has_its_row() -> None:
    """What it was is its hash."""
    odd = CertificateFacts(der=b"\x00", sha256="ab" * 32, parse_error="truncated")
    seen = TlsEvidence(address="192.0.2.11", port="443/tcp", server_name="h", at=AT, elapsed_seconds=0.1, chain=(odd,))
    assert evidencetables.chains((seen,)).rows == (("443/tcp no. 1", "cannot be parsed: truncated", "", "", "", "", "ab" * 32),)
    more = msgspec.structs.replace(seen, chain_left_out=3, failure=SILENCE, clear_hello="TLS 1.2")
    assert evidencetables.chains((more,)).rows[1] == ("443/tcp", "and 3 more", "", "", "", "", "")
    assert evidencetables.tls((more,)).rows[0][-1] == f"{SILENT}; its certificates answer a bare TLS 1.2 hello"


def test_no_record_is_not_no_answer() -> None:
    """An empty answer says which code it came with; a missing one says why it is missing."""
    answer = NameAnswer(
        server="192.0.2.53",
        name="h",
        rrtype="A",
        purpose="forward",
        transport="udp",
        at=AT,
        elapsed_seconds=0.001,
        rcode="NXDOMAIN",
        authoritative=True,
        left_out=2,
    )
    missing = msgspec.structs.replace(answer, rcode="", failure=SILENCE)
    shown = [row[3] for row in evidencetables.names((answer, missing)).rows]
    assert shown == ["NXDOMAIN; no records; authoritative; and 2 more records", "no answer in: connect, after 2 s"]


def test_families_without_evidence_have_no_table() -> None:
    """An empty table would say that something was looked at."""
    assert evidencetables.of_host(HostEvidence(fqdn="h")) == ()


def test_a_fault_of_ours_is_shown_as_ours() -> None:
    """A crash is never a statement about the host."""
    tables = evidencetables.of_host(HostEvidence(fqdn="h", crashes=(Crash(asking="443/tcp", error="ValueError"),)))
    assert [(table.title, table.rows) for table in tables] == [("Faults of this program", (("443/tcp", "ValueError"),))]


def test_a_server_that_is_no_ssh_server_shows_what_it_said() -> None:
    """The lines before an identification string that never came."""
    seen = SshEvidence(address="192.0.2.11", port="22/tcp", at=AT, elapsed_seconds=0.1, preamble=("220 hello",), failure=SILENCE)
    assert evidencetables.ssh((seen,)).rows[0] == (
        "22/tcp",
        "220 hello",
        "none",
        "none",
        "none",
        "no answer in: connect, after 2 s",
    )


def test_signs_of_life_of_a_host_with_two_addresses_say_which(sample: ModuleType) -> None:
    """A port that is up at one address and silent at the other is two lines, and each says where."""
    boot = sample.rebooted().hosts[0].evidence.boot
    assert {row[1] for row in evidencetables.boots(boot).rows} == {sign.name for sign in boot.signs}
    web = next(sign for sign in boot.signs if sign.name.endswith("/tcp"))
    other = msgspec.structs.replace(web, address="2001:db8::11")
    moment = msgspec.structs.replace(boot.moments[0], sign=other)
    both = msgspec.structs.replace(boot, signs=(*boot.signs, other), moments=(*boot.moments, moment), left_out=7)
    rows = evidencetables.boots(both).rows
    assert rows[-2][1] == f"{web.name} at 2001:db8::11"
    assert rows[-1][-1] == "and 7 more changes before the last of each sign"
