"""What the witnesses of a clock prove together, and the verdicts that follow for hosts that serve no time."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import replace

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared import catalogue
from shared.evidence import (
    ClockEvidence,
    ClockSample,
    ClockWitness,
    EchoEvidence,
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    SiteEvidence,
    Vantage,
    WitnessSample,
)
from shared.findings import Finding, Grade
from shared.plan import Plan, Role
from shared.quantities import Interval
from verify.grading.case import Case
from verify.grading.clock import agree, grade_fleet, grade_host
from verify.grading.clock import witnesses as weighing
from verify.grading.clock.hosts import ALL_HOSTS, ROUGH_HOSTS
from verify.grading.clock.witnesses import DATE_AGE_SECONDS, SELDOM_SECONDS, SLEW_RATE, by_witness, span, weigh

AT = "2026-11-02T09:00:00.000000Z"
NOW = datetime.datetime.fromisoformat(AT).timestamp()
HOST_A, HOST_B, HOST_C = "dome-a.obs.example.net", "dome-b.obs.example.net", "dome-c.obs.example.net"
DAY = 86_400.0
NO_ANSWER = Failure(kind=FailureKind.NO_ANSWER, phase="answer", elapsed_seconds=2.0, detail="no answer in time")
NO_RAW = Failure(kind=FailureKind.NO_PRIVILEGE, phase="open", elapsed_seconds=0.0, detail="grant CAP_NET_RAW, or run as root")


def later(seconds: float) -> str:
    moment = datetime.datetime.fromtimestamp(NOW + seconds, datetime.UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S.%f}Z"


def sample(lo: float, hi: float, after: float = 0.0) -> WitnessSample:
    return WitnessSample(at=later(after), elapsed_seconds=0.001, reading_seconds=NOW + lo, resolution_seconds=hi - lo,
                         lo_seconds=lo, hi_seconds=hi)


def dates(*bounds: tuple[float, float], port: str = "443/tcp", failure: Failure | None = None, steps: tuple[float, ...] = (),
          details: dict[str, str] | None = None) -> ClockWitness:
    """A series of Dates, a second apart."""
    return ClockWitness(method="http-date", address="192.0.2.11", port=port, at=AT, asked=len(bounds), failure=failure,
                        samples=tuple(sample(lo, hi, after) for after, (lo, hi) in enumerate(bounds)),
                        details=tuple((details or {}).items()), runner_steps_seconds=steps)


def stamps(lo: float, hi: float, failure: Failure | None = None) -> ClockWitness:
    return ClockWitness(method="icmp-timestamp", address="192.0.2.11", at=AT, modulo_seconds=DAY, asked=4,
                        samples=() if failure else (sample(lo, hi),), failure=failure)


def shell(lo: float, hi: float) -> ClockWitness:
    return ClockWitness(method="ssh-clock", address="192.0.2.11", at=AT, samples=(sample(lo, hi),), asked=1)


def proven(witness: ClockWitness) -> Interval:
    interval = by_witness(witness).interval
    assert interval is not None
    return interval


def test_a_date_may_be_a_second_old_and_bounds_only_from_below() -> None:
    """[lo, hi + 1 s], the lateness of a timer, and what one that is slower by up to a half may hide."""
    interval = proven(dates((-0.002, 0.998)))
    assert (interval.lo, interval.hi) == (-0.002, 0.998 + DATE_AGE_SECONDS + SELDOM_SECONDS)
    assert 1.0 <= DATE_AGE_SECONDS <= 1.1


def test_a_series_of_dates_is_bounded_by_all_from_above_and_by_the_last_from_below() -> None:
    """The hunt ends with an answer aimed at the lower end, so that a clock set back is noticed."""
    interval = proven(dates((-0.5, 0.5), (-0.7, 0.3), (-0.01, 0.99)))
    assert interval.lo == -0.01
    assert interval.hi == pytest.approx(0.3 + DATE_AGE_SECONDS + SELDOM_SECONDS, abs=3 * SLEW_RATE)


def test_dates_that_fit_no_fresh_clock_are_bounded_by_the_last_below_and_the_least_old_above() -> None:
    """The clock was set by less than a second, or the Date is renewed every other second: these hold either way."""
    interval = proven(dates((0.5, 1.5), (-0.5, 0.4)))
    assert interval.lo == -0.5
    assert interval.hi == pytest.approx(1.5 + DATE_AGE_SECONDS, abs=3 * SLEW_RATE)


@pytest.mark.parametrize(("gap", "believed"), [(1.04, True), (1.06, False)])
def test_dates_too_far_apart_for_any_one_clock_prove_nothing(gap: float, believed: bool) -> None:
    """Just inside and just outside the age that a Date may have."""
    testimony = by_witness(dates((gap, 1 + gap), (-1.0, 0.0)))
    assert (testimony.interval is not None) is believed
    assert believed or "contradict each other" in testimony.why


@pytest.mark.parametrize(("details", "said"), [
    ({"age": "37"}, "out of a cache, not from the host (Age: 37"), ({"age": "0"}, "Age: 0"),
    ({"via": "1.1 relay"}, "passed another machine")])
def test_a_device_in_between_is_no_witness(details: dict[str, str], said: str) -> None:
    """Even an Age of zero says that the answer was not made for this request (RFC 9111 section 5.1)."""
    testimony = by_witness(dates((0.0, 1.0), details=details))
    assert testimony.interval is None
    assert said in testimony.why


def test_a_server_field_disqualifies_nobody() -> None:
    """It only names the program."""
    assert by_witness(dates((0.0, 1.0), details={"server": "rehearsal"})).interval is not None


def test_a_witness_of_a_runner_that_was_being_set_is_not_heard() -> None:
    """The agreed time may belong to the clock from before."""
    assert "being set" in by_witness(dates((0.0, 1.0), steps=(5.0,))).why


def test_time_stamps_and_dates_settle_each_others_doubt() -> None:
    """The Date tells the day, the time stamp the millisecond; also years away."""
    years = 12 * 365.25 * DAY + 0.4
    date = dates((years - 0.3, years + 0.2))
    folded = years - DAY * round(years / DAY)
    account = weigh(map(by_witness, (stamps(folded - 0.002, folded + 0.003), date)))
    assert account.interval is not None
    assert not account.days_unknown
    assert account.interval.lo == pytest.approx(years - 0.002, abs=1e-6)
    assert account.interval.hi == pytest.approx(years + 0.003, abs=1e-6)
    assert account.names == "ICMP time stamps and the Date of 443/tcp"


@pytest.mark.parametrize("edge", [DAY / 2 - 0.1, -DAY / 2 + 0.1, DAY - 0.3, 1.5 * DAY])
def test_the_day_is_found_at_the_turn_of_a_half_day_too(edge: float) -> None:
    """Where a folded time stamp may lie on either side."""
    folded = edge - DAY * round(edge / DAY)
    for turn in (-DAY, 0.0, DAY):
        account = weigh(map(by_witness, (dates((edge - 0.5, edge + 0.1)), stamps(folded + turn - 0.001, folded + turn + 0.001))))
        assert account.interval is not None
        assert edge in account.interval


def test_time_stamps_alone_know_no_day() -> None:
    """The account says so."""
    account = weigh([by_witness(stamps(-0.001, 0.002))])
    assert account.days_unknown
    assert account.interval == Interval(-0.001, 0.002)


def test_witnesses_that_exclude_each_other_prove_nothing() -> None:
    """Two ports, or a port and a time stamp; the reason is contradiction, not silence."""
    for pair in ((dates((0.0, 0.1)), dates((5.0, 5.1), port="80/tcp")), (dates((0.0, 0.1)), stamps(5.0, 5.1)),
                 (stamps(0.0, 0.1), stamps(5.0, 5.1))):
        account = weigh(map(by_witness, pair))
        assert account.interval is None
        assert account.contradicted


def test_two_servers_with_timers_of_their_own_narrow_each_other() -> None:
    """The higher of the lower ends, the lower of the upper ends."""
    account = weigh(map(by_witness, (dates((-0.8, -0.79)), dates((-0.1, -0.09), port="80/tcp"))))
    assert account.interval is not None
    assert account.interval.lo == pytest.approx(-0.1)
    assert account.interval.hi == pytest.approx(-0.79 + DATE_AGE_SECONDS + SELDOM_SECONDS)


def test_what_was_seen_earlier_is_known_less_well_later() -> None:
    """A host may be slewing at 500 parts per million: two seconds blur a reading by a millisecond either way."""
    early, late = shell(0.0, 0.0), msgspec.structs.replace(shell(0.0, 0.0), samples=(sample(0.0005, 0.0007, after=2.0),))
    account = weigh(map(by_witness, (early, late)))
    assert account.at == later(2.0)
    assert account.interval == Interval(0.0005, 0.0007)
    lead = account.lead_at(later(12.0))
    assert (lead.lo, lead.hi) == (pytest.approx(0.0005 - 0.005), pytest.approx(0.0007 + 0.005))
    apart = msgspec.structs.replace(shell(0.0, 0.0), samples=(sample(0.0011, 0.0012, after=2.0),))
    assert weigh(map(by_witness, (early, apart))).contradicted


def test_silent_witnesses_do_not_count_and_are_named() -> None:
    """The others are heard as if they had not been asked."""
    account = weigh(map(by_witness, (stamps(0, 0, NO_ANSWER), dates((0.0, 1.0)))))
    assert account.interval == proven(dates((0.0, 1.0)))
    assert [testimony.name for testimony in account.unheard] == ["ICMP time stamps"]
    nobody = weigh([by_witness(stamps(0, 0, NO_RAW))])
    assert nobody.interval is None
    assert "CAP_NET_RAW" in nobody.reason


@settings(max_examples=500)
@given(truth=st.floats(-1e9, 1e9), bars=st.lists(st.tuples(st.floats(0, 3), st.floats(0, 3), st.sampled_from(["exact", "day"])),
                                                 min_size=1, max_size=5))
def test_the_truth_survives_any_number_of_honest_witnesses(truth: float, bars: list[tuple[float, float, str]]) -> None:
    """An intersection of intervals that all hold the truth holds it."""
    told = []
    for below, above, kind in bars:
        middle = truth if kind == "exact" else truth - DAY * round(truth / DAY)
        told.append(weighing.Testimony("w", Interval(middle - below - 1e-6, middle + above + 1e-6), AT,
                              None if kind == "exact" else DAY))
    account = weigh(told)
    assert account.interval is not None
    turns = round((truth - account.interval.value) / DAY) if account.days_unknown else 0
    assert account.interval.lo - 1e-6 <= truth - turns * DAY <= account.interval.hi + 1e-6


@pytest.mark.parametrize(("lo", "hi", "words"), [
    (-0.002, 1.05, "between 2 ms behind and 1.05 s ahead of"), (2.0, 3.0, "between 2 s and 3 s ahead of"),
    (-3.0, -2.0, "between 2 s and 3 s behind"), (7200.0, 7200.001, "2 h ahead of")])
def test_an_interval_is_told_by_its_ends(lo: float, hi: float, words: str) -> None:
    """The nearer end first."""
    assert span(Interval(lo, hi)) == words


# The verdicts.


def ntp(address: str, offset: float) -> ClockEvidence:
    answer = ClockSample(at=AT, offset_seconds=offset, delay_seconds=0.0002, leap=0, version=4, stratum=2, precision_seconds=1e-6,
                         root_delay_seconds=0.0, root_dispersion_seconds=0.0, reference_id="198.51.100.7",
                         reference_age_seconds=10.0, stamped_by="kernel", elapsed_seconds=0.0002)
    return ClockEvidence(server=address, address=address, port=123, at=AT, asked=4, samples=(answer,) * 4)


Judge = Callable[..., list[Finding]]


@pytest.fixture(scope="session")
def judge(make_plan: Callable[..., Plan]) -> Judge:
    """``judge({host: witnesses}, lead=..., profile=..., ...)``: the clock findings on hosts, most of which serve no time."""

    def build(told: dict[str, tuple[ClockWitness, ...]], *, lead: float = 0.0, profile: str = "production",
              serves: dict[str, float] | None = None, sources: bool = True,
              echoes: tuple[EchoEvidence, ...] = ()) -> list[Finding]:
        plan = make_plan(roles=(Role(name="node", ntp_port=123 if serves is not None else None),))
        third = msgspec.structs.replace(plan.hosts[0], name="dome-c", fqdn=HOST_C, addresses=("192.0.2.13",))
        plan = msgspec.structs.replace(plan, hosts=(*plan.hosts, third))
        by_address = {host.fqdn: host.addresses[0] for host in plan.hosts}
        hosts = tuple(HostEvidence(
            fqdn=name, witnesses=witnesses, echoes=echoes,
            clocks=(ntp(by_address[name], serves[name]),) if serves and name in serves else ())
            for name, witnesses in told.items())
        answers = tuple(ntp(f"192.0.2.{last}", lead) for last in (61, 62, 63, 64)) if sources else ()
        evidence = Evidence(vantage=Vantage(name="rehearsal-runner"), started=AT, finished=AT, complete=True,
                            site=SiteEvidence(clocks=answers), hosts=hosts)
        case = Case(plan=plan, limits=catalogue.limits_of(profile), evidence=evidence)
        agreement = agree(case)
        case = replace(case, agreed=agreement.agreed)
        planned = {host.fqdn: host for host in plan.hosts}
        return [*(finding for seen in hosts for finding in grade_host(case, agreement, planned[seen.fqdn], seen)),
                *grade_fleet(case, agreement)]

    return build


def test_a_host_read_to_milliseconds_passes_and_the_witnesses_are_named(judge: Judge) -> None:
    """No fix, nothing else said of the host."""
    [finding] = judge({HOST_A: (stamps(-0.002, 0.003), dates((-0.3, 0.4)))})
    assert (finding.check, finding.subject, finding.grade, finding.fix) == ("clock.offset", "192.0.2.11", Grade.PASS, ())
    assert "Read from ICMP time stamps and the Date of 443/tcp." in finding.message
    assert finding.measured is not None
    assert finding.measured.uncertainty < 0.01


def test_a_date_alone_cannot_prove_production_limits_and_says_what_would(judge: Judge) -> None:
    """Never graded finer than its error bar."""
    [finding] = judge({HOST_A: (stamps(0, 0, NO_RAW), dates((-0.004, 0.004)))})
    assert finding.grade is Grade.UNPROVEN
    for words in ("A Date has whole seconds", "would decide it", "over SSH", "Not counted: ICMP time stamps", "CAP_NET_RAW"):
        assert words in finding.message


@pytest.mark.parametrize(("lo", "hi", "grade"), [
    (-0.9, -0.41, Grade.PASS), (-0.9, -0.395, Grade.UNPROVEN), (-1.005, -0.41, Grade.UNPROVEN),
    (1.01, 1.02, Grade.CAUTION), (0.995, 1.02, Grade.UNPROVEN), (3.5, 3.59, Grade.CAUTION), (3.5, 3.61, Grade.UNPROVEN),
    (4.995, 5.1, Grade.UNPROVEN), (5.01, 5.1, Grade.FAIL), (-6.5, -6.41, Grade.FAIL), (-6.5, -6.395, Grade.UNPROVEN)])
def test_a_date_alone_decides_what_is_far_from_a_limit(judge: Judge, lo: float, hi: float, grade: Grade) -> None:
    """In the lab profile, 1 s and 5 s, on either side by more than the agreed time's own 3 ms; 1.4 s are added above."""
    [finding] = judge({HOST_A: (dates((lo, hi)),)}, profile="lab")
    assert finding.grade is grade
    assert bool(finding.fix) is (grade in (Grade.CAUTION, Grade.FAIL))


def test_an_hour_off_by_date_alone_fails_and_looks_like_a_zone(judge: Judge) -> None:
    """The mend holds the measured offset, and the shape is named."""
    [finding] = judge({HOST_A: (dates((7200.1, 7200.11)),)})
    assert finding.grade is Grade.FAIL
    assert "2 h ahead" in finding.message
    assert "local time" in finding.message
    assert any("2 h ahead" in line for line in finding.fix)


def test_the_runners_own_error_is_taken_out(judge: Judge) -> None:
    """Sources 41.7 s ahead of the runner, and so is the host."""
    [finding] = judge({HOST_A: (shell(41.699, 41.701),)}, lead=41.7)
    assert finding.grade is Grade.PASS
    assert "its own clock over SSH" in finding.message


def test_time_stamps_alone_never_pass(judge: Judge) -> None:
    """The day could be wrong."""
    [finding] = judge({HOST_A: (stamps(-0.002, 0.003), dates(failure=NO_ANSWER))})
    assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, "day-unknown")
    assert "whether its date is right too" in finding.message
    assert finding.measured is None


@pytest.mark.parametrize("lead", [0.0, 13 * 3600.0, 3 * DAY])
def test_time_stamps_alone_can_fail(judge: Judge, lead: float) -> None:
    """What is off on the nearest day is off on every other, wherever the runner's own clock is; but how far is not claimed."""
    folded = lead + 7200.0
    folded -= DAY * round(folded / DAY)
    [finding] = judge({HOST_A: (stamps(folded - 0.002, folded + 0.003),)}, lead=lead)
    assert finding.grade is Grade.FAIL
    assert finding.measured is None
    assert "whole days more or less" in finding.found
    assert "2 h ahead" in finding.message


def test_witnesses_that_contradict_each_other_are_unproven_with_who_says_what(judge: Judge) -> None:
    """Never an average of two clocks."""
    [finding] = judge({HOST_A: (dates((0.0, 0.1)), dates((30.0, 30.1), port="80/tcp"))})
    assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, "contradiction")
    assert "The Date of 443/tcp: between" in finding.message
    assert "the Date of 80/tcp: between 30 s and" in finding.message
    assert "second machine" in finding.message


def test_a_host_whose_witnesses_all_stay_silent_is_unproven_with_each_reason(judge: Judge) -> None:
    """And folded like any silence where the host is dead."""
    [finding] = judge({HOST_A: (stamps(0, 0, NO_ANSWER), dates(failure=NO_ANSWER))})
    assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, "serves-no-time")
    assert "ICMP time stamps: no answer" in finding.message
    dead = EchoEvidence(address="192.0.2.11", method="icmp-raw", at=AT, round_trips_seconds=(None,) * 5, failure=NO_ANSWER)
    [finding] = judge({HOST_A: (stamps(0, 0, NO_ANSWER),)}, echoes=(dead,))
    assert finding.symptom == "silent"


def test_without_an_agreed_time_no_witness_is_judged(judge: Judge) -> None:
    """A lead over the runner proves nothing."""
    [finding] = judge({HOST_A: (stamps(-0.002, 0.003), dates((0.0, 0.5)))}, sources=False)
    assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, "no-agreed-time")


def test_a_host_that_serves_time_is_judged_by_ntp_and_other_witnesses_together(judge: Judge) -> None:
    """An SSH reading that agrees is named beside it; one that does not leaves the clock unproven."""
    offset = judge({HOST_A: (shell(-0.01, 0.01),)}, serves={HOST_A: 0.0})[0]
    assert offset.grade is Grade.PASS
    assert "its own clock over SSH and NTP" in offset.message
    offset = judge({HOST_A: (shell(2.0, 2.1),)}, serves={HOST_A: 0.0})[0]
    assert (offset.grade, offset.symptom) == (Grade.UNPROVEN, "contradiction")


def test_a_silent_time_service_does_not_keep_another_witness_from_being_heard(judge: Judge) -> None:
    """The offset is graded; that it serves no time is a finding of its own."""
    offset, synchronised = judge({HOST_A: (shell(-0.01, 0.01),)}, serves={})
    assert offset.grade is Grade.PASS
    assert "Not counted: NTP" in offset.message
    assert synchronised.check == "clock.synchronised"
    assert synchronised.grade is not Grade.PASS


@pytest.mark.parametrize(("serves", "words"), [
    ({HOST_A: 0.1}, "A runner with a shorter or less busy way to the host would settle it."),
    ({}, "An answer of its time service over NTP would settle it."), (None, "Reading the host's clock over SSH, or an answer")])
def test_nobody_is_sent_for_a_witness_that_was_heard(judge: Judge, serves: dict[str, float] | None, words: str) -> None:
    """A host that plans NTP is not told to plan it, and one that answered is not asked to."""
    offset = judge({HOST_A: (shell(0.05, 0.15),)}, serves=serves)[0]
    assert offset.grade is Grade.UNPROVEN
    assert words in offset.message


def test_hosts_that_serve_no_time_are_compared_too(judge: Judge) -> None:
    """Two clocks five seconds apart, by time stamps and Dates."""
    findings = judge({HOST_A: (stamps(-0.002, 0.003), dates((-0.3, 0.4))), HOST_B: (stamps(4.998, 5.003), dates((4.7, 5.4)))})
    skew = findings[-1]
    assert (skew.check, skew.subject, skew.grade) == ("clock.skew", ALL_HOSTS, Grade.FAIL)
    assert HOST_B in skew.message
    assert skew.measured is not None
    assert abs(skew.measured.value - 5.0) <= skew.measured.uncertainty


def test_clocks_known_roughly_do_not_hide_what_is_known_of_the_others(judge: Judge) -> None:
    """Two known finely are judged by themselves; all three once more, which stays unproven and is not passed over."""
    fine, rough = (stamps(-0.002, 0.003), dates((-0.3, 0.4))), (dates((-0.004, 0.004)),)
    findings = judge({HOST_A: fine, HOST_B: fine, HOST_C: rough})
    skew = {finding.subject: finding for finding in findings if finding.check == "clock.skew"}
    assert {subject: finding.grade for subject, finding in skew.items()} == {
        ALL_HOSTS: Grade.PASS, ROUGH_HOSTS: Grade.UNPROVEN}
    assert f"known too roughly: {HOST_C}" in skew[ALL_HOSTS].message


def test_clocks_known_roughly_are_judged_with_the_others_where_that_decides(judge: Judge) -> None:
    """An hour apart is an hour apart, by Date too; and where too few are known finely there is one finding."""
    fine, rough = (stamps(-0.002, 0.003), dates((-0.3, 0.4))), (dates((3600.0, 3600.01)),)
    [skew] = [finding for finding in judge({HOST_A: fine, HOST_B: fine, HOST_C: rough}) if finding.check == "clock.skew"]
    assert (skew.subject, skew.grade) == (ALL_HOSTS, Grade.FAIL)
    [skew] = [finding for finding in judge({HOST_A: fine, HOST_C: (dates((-0.004, 0.004)),)}) if finding.check == "clock.skew"]
    assert (skew.subject, skew.grade) == (ALL_HOSTS, Grade.UNPROVEN)


def test_a_clock_known_but_for_the_day_is_not_compared(judge: Judge) -> None:
    """Two such hosts leave nothing to compare."""
    [skew] = [finding for finding in judge({HOST_A: (stamps(0.0, 0.1),), HOST_B: (stamps(0.0, 0.1),)})
              if finding.check == "clock.skew"]
    assert (skew.grade, skew.found) == (Grade.UNPROVEN, "0 of 2 hosts gave a time")


@settings(max_examples=300)
@given(data=st.data())
def test_grading_witnesses_is_total(judge: Judge, data: st.DataObject) -> None:
    """No evidence, however odd, makes it raise; nothing without an agreed time passes; fixes stand where they must."""
    numbers = st.floats(-1e10, 1e10)
    samples = st.tuples(numbers, numbers, st.floats(0, 9)).map(lambda drawn: sample(*drawn))
    failures = st.sampled_from([None, NO_ANSWER, NO_RAW])
    details = st.sampled_from([(), (("age", "x"),), (("via", ""),), (("server", "y"),)])
    witnesses = st.builds(
        ClockWitness, method=st.sampled_from(["http-date", "icmp-timestamp", "ssh-clock", "sundial"]),
        address=st.just("192.0.2.11"), at=st.just(AT), port=st.sampled_from(["", "80/tcp"]), failure=failures, details=details,
        samples=st.lists(samples, max_size=4).map(tuple), modulo_seconds=st.sampled_from([None, DAY]),
        runner_steps_seconds=st.sampled_from([(), (1.0,)]))
    told = {name: tuple(data.draw(st.lists(witnesses, max_size=3))) for name in (HOST_A, HOST_B)}
    sources = data.draw(st.booleans())
    for finding in judge(told, sources=sources, serves=data.draw(st.sampled_from([None, {}, {HOST_A: 0.0}]))):
        assert finding.planned
        assert finding.found
        assert finding.message
        assert bool(finding.fix) is (finding.grade in (Grade.CAUTION, Grade.FAIL))
        if not sources and finding.check == "clock.offset":
            assert finding.grade is Grade.UNPROVEN
