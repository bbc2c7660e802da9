"""certificate.peers: a certificate held against the clock of every other host."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence

import msgspec
import pytest

from shared.catalogue import limits_of
from shared.evidence import (
    CertificateFacts,
    ClockEvidence,
    ClockSample,
    Evidence,
    HostEvidence,
    SiteEvidence,
    TlsEvidence,
    Vantage,
)
from shared.findings import Finding, Grade, make_ref
from shared.plan import Plan
from shared.quantities import Interval
from verify.grading.case import Case
from verify.grading.fleet import grade_fleet

A, B, C = (f"dome-{letter}.obs.example.net" for letter in "abc")
NOW = datetime.datetime(2026, 11, 2, 9, 0, 0, tzinfo=datetime.UTC)
EXACT = Interval(0.0, 0.0)
AT = "2026-11-02T09:00:00.000000Z"


def stamp(seconds: float) -> str:
    return (NOW + datetime.timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%SZ")


def leaf(begins: float, ends: float, **fields: str) -> CertificateFacts:
    """A certificate that is valid from and until so many seconds after the moment of the run."""
    return CertificateFacts(der=b"", sha256="a" * 64, **{"not_before": stamp(begins), "not_after": stamp(ends), **fields})


def clock(ahead: float, delay: float = 0.0) -> ClockEvidence:
    sample = ClockSample(
        at=AT, offset_seconds=ahead, delay_seconds=delay, leap=0, version=4, stratum=2, precision_seconds=0.0,
        root_delay_seconds=0.0, root_dispersion_seconds=0.0, reference_id="198.51.100.7", reference_age_seconds=10.0,
        stamped_by="kernel", elapsed_seconds=delay)
    return ClockEvidence(server="", address="192.0.2.12", port=123, at=AT, asked=1, samples=(sample,))


@pytest.fixture
def judge(make_plan: Callable[..., Plan]) -> Callable[..., list[Finding]]:
    """Judges dome-a's certificate by the clocks of dome-b and dome-c, so many seconds ahead each; None was not read."""

    def run(seen: CertificateFacts | None, *peers: float | None, delay: float = 0.0, agreed: Interval | None = EXACT,
            own: float | None = 0.0, found: Sequence[Finding] = ()) -> list[Finding]:
        plan = make_plan()
        third = msgspec.structs.replace(plan.hosts[1], name="dome-c", fqdn=C, addresses=("192.0.2.13",))
        tls = TlsEvidence(address="192.0.2.11", port="443/tcp", server_name=A, at=AT, elapsed_seconds=0.1,
                          chain=(seen,) if seen else ())
        clocks = [(clock(ahead, delay),) if ahead is not None else () for ahead in (own, *peers)]
        hosts = (HostEvidence(fqdn=A, tls=(tls,), clocks=clocks[0]),
                 *(HostEvidence(fqdn=name, clocks=told) for name, told in zip((B, C), clocks[1:], strict=False)))
        case = Case(plan=msgspec.structs.replace(plan, hosts=(*plan.hosts, third)), limits=limits_of("production"), agreed=agreed,
                    evidence=Evidence(vantage=Vantage(name="pier-1"), started=AT, finished=AT, complete=True,
                                      site=SiteEvidence(), hosts=hosts))
        findings = grade_fleet(case, found)
        assert all(finding.ref == make_ref(A, "certificate.peers", "443/tcp") for finding in findings)
        assert all(bool(finding.fix) == (finding.grade is Grade.FAIL) for finding in findings)
        return findings

    return run


YEAR = 365 * 86400.0


@pytest.mark.parametrize(("ahead", "grade"), [
    (0.0, Grade.PASS), (-10.0, Grade.PASS), (-10.001, Grade.FAIL), (-50.0, Grade.FAIL), (20.0, Grade.PASS), (20.001, Grade.FAIL),
])
def test_both_ends_belong_to_the_dates(judge, ahead: float, grade: Grade) -> None:
    """Valid since ten seconds and for twenty more (RFC 5280 section 4.1.2.5)."""
    (finding,) = judge(leaf(-10, 20), ahead)
    assert finding.grade is grade


def test_how_long_a_peer_will_refuse_is_said(judge) -> None:
    """Made ten seconds ago, and a peer is 50 s behind: for the next 40 s."""
    (finding,) = judge(leaf(-10, YEAR), 0.0, -50.0)
    assert finding.grade is Grade.FAIL
    assert f"will be refused by {C} for the next 40 s" in finding.message
    assert finding.found == f"refused by {C}"
    assert finding.fix == (f"mend the clock of {C}: see its clock.offset",)


def test_a_peer_far_ahead_takes_it_for_expired(judge) -> None:
    """By its clock it expired an hour ago."""
    (finding,) = judge(leaf(-10, 3600), 7200.0, 0.0)
    assert f"is refused by {B}, by whose clock it expired 60 min ago" in finding.message


def test_a_clock_that_is_known_too_roughly_settles_nothing(judge) -> None:
    """The edge lies within its uncertainty."""
    (finding,) = judge(leaf(-10, YEAR), -10.0, 0.0, delay=2.0)
    assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, "edge")
    assert B in finding.message
    assert C not in finding.message


def test_the_hosts_own_clock_is_no_peer(judge) -> None:
    """Only those who must accept the certificate count."""
    assert [finding.grade for finding in judge(leaf(-10, YEAR), 0.0, own=-3600.0)] == [Grade.PASS]
    assert judge(leaf(-10, YEAR), None, None, own=0.0) == []


@pytest.mark.parametrize("seen", [None, leaf(-10, YEAR, parse_error="cut short"), leaf(3600, YEAR), leaf(-YEAR, -3600)])
def test_what_is_no_matter_of_the_peers_is_left_to_others(judge, seen: CertificateFacts | None) -> None:
    """Nothing seen, nothing readable, and dates that are wrong for everyone (certificate.dates)."""
    assert judge(seen, 0.0, -50.0) == []


def test_without_an_agreed_time_the_peers_still_count(judge) -> None:
    """Their own clocks decide what they refuse."""
    (finding,) = judge(leaf(-10, YEAR), -50.0, agreed=None)
    assert finding.grade is Grade.FAIL


@pytest.mark.parametrize(("host", "grade", "explains"), [
    (C, Grade.FAIL, True), (B, Grade.FAIL, False), (C, Grade.CAUTION, False),
])
def test_the_peers_clock_is_the_cause(judge, host: str, grade: Grade, explains: bool) -> None:
    """Once that clock is proven to be off; the refusal is then folded under it, and under no other host's clock."""
    cause = Finding(check="clock.offset", subject="192.0.2.13", grade=grade, planned="", found="", message="",
                    ref=make_ref(host, "clock.offset", "192.0.2.13"), symptom="offset")
    (refused,) = judge(leaf(-10, YEAR), 0.0, -50.0, found=(cause,))
    assert refused.because == ((cause.ref,) if explains else ())
    (accepted,) = judge(leaf(-10, YEAR), 0.0, 0.0, found=(cause,))
    assert accepted.because == ()
