"""The verdicts on time sources, the runner and the hosts."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared import catalogue
from shared.evidence import (
    ClockEvidence,
    ClockSample,
    EchoEvidence,
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    SiteEvidence,
    Vantage,
)
from shared.findings import SITE, Finding, Grade
from shared.plan import Endpoint, Host, Plan, Role
from verify.grading.case import Case
from verify.grading.clock import agree, grade_fleet, grade_host, grade_site
from verify.grading.clock.words import why_nothing

AT = "2026-11-02T09:00:00.000000Z"
NOW = datetime.datetime.fromisoformat(AT).timestamp()
SOURCES = ("192.0.2.61", "192.0.2.62", "192.0.2.63", "192.0.2.64")
HOST_A, HOST_B = "dome-a.obs.example.net", "dome-b.obs.example.net"
MakePlan = Callable[..., Plan]


def clock(address: str, *offsets: float, delay: float = 0.0002, port: int = 123, server: str = "", kiss: str = "",
          failure: FailureKind | None = None, **fields: Any) -> ClockEvidence:
    """A burst with one sample an offset; ``fields`` change every sample."""
    base = ClockSample(
        at=AT, offset_seconds=0.0, delay_seconds=delay, leap=0, version=4, stratum=2, precision_seconds=2**-20,
        root_delay_seconds=0.0, root_dispersion_seconds=0.0, reference_id="198.51.100.7", reference_age_seconds=10.0,
        stamped_by="kernel", elapsed_seconds=delay)
    return ClockEvidence(
        server=server or address, address=address, port=port, at=AT, asked=4, kiss_code=kiss,
        samples=tuple(msgspec.structs.replace(base, offset_seconds=offset, **fields) for offset in offsets),
        failure=Failure(kind=failure, phase="answer", elapsed_seconds=2.0, detail="no answer in time") if failure else None)


class Scene:
    """A plan with what was seen, and the findings that follow."""

    def __init__(self, plan: Plan, sources: tuple[ClockEvidence, ...], hosts: dict[str, tuple[ClockEvidence, ...]],
                 profile: str, addresses: tuple[str, ...], echoes: tuple[EchoEvidence, ...] = (), step: float = 0.0) -> None:
        seen = tuple(HostEvidence(fqdn=name, clocks=clocks, echoes=echoes) for name, clocks in hosts.items())
        vantage = Vantage(name="rehearsal-runner", addresses=addresses, clock_step_seconds=step)
        evidence = Evidence(vantage=vantage, started=AT, finished=AT, complete=True,
                            site=SiteEvidence(clocks=sources), hosts=seen)
        case = Case(plan=plan, limits=catalogue.limits_of(profile), evidence=evidence)
        self.agreement = agree(case)
        self.case = replace(case, agreed=self.agreement.agreed)
        planned = {host.fqdn: host for host in plan.hosts}
        self.findings = [
            *grade_site(self.case, self.agreement),
            *(finding for host in seen for finding in grade_host(self.case, self.agreement, planned[host.fqdn], host)),
            *grade_fleet(self.case, self.agreement)]

    def one(self, check: str, subject: str = "", host: str = "") -> Finding:
        """The one finding of a check, of a subject or host where that matters."""
        found = [finding for finding in self.findings if finding.check == check and subject in ("", finding.subject)
                 and finding.ref.startswith(host)]
        assert len(found) == 1, [finding.ref for finding in found]
        return found[0]

    def grades(self) -> dict[str, set[str]]:
        by_check: dict[str, set[str]] = {}
        for finding in self.findings:
            by_check.setdefault(finding.check, set()).add(str(finding.grade))
        return by_check


@pytest.fixture
def scene(make_plan: MakePlan) -> Callable[..., Scene]:
    """Four sources that agree with the runner and two hosts that agree with them, but for what a test changes."""
    def build(sources: tuple[ClockEvidence, ...] | None = None, hosts: dict[str, tuple[ClockEvidence, ...]] | None = None,
              profile: str = "production", addresses: tuple[str, ...] = ("192.0.2.9",),
              planned_hosts: tuple[Host, ...] | None = None, echoes: tuple[EchoEvidence, ...] = (), step: float = 0.0,
              **plan: Any) -> Scene:
        if planned_hosts is not None:
            plan["hosts"] = planned_hosts
        if sources is None:
            sources = tuple(clock(address, 0.0) for address in SOURCES)
        if hosts is None:
            hosts = {HOST_A: (clock("192.0.2.11", 0.0),), HOST_B: (clock("192.0.2.12", 0.0),)}
        return Scene(make_plan(**plan), sources, hosts, profile, addresses, echoes, step)

    return build


BuildScene = Callable[..., Scene]


def sources(*leads: float, **fields: Any) -> tuple[ClockEvidence, ...]:
    return tuple(clock(address, lead, **fields) for address, lead in zip(SOURCES, leads, strict=False))


def planned(count: int) -> tuple[Endpoint, ...]:
    return tuple(Endpoint(address, 123, address) for address in SOURCES[:count])


def host(lead: float, **fields: Any) -> dict[str, tuple[ClockEvidence, ...]]:
    return {HOST_A: (clock("192.0.2.11", lead, **fields),)}


def test_a_sound_site_has_passes_only(scene: BuildScene) -> None:
    """No false alarm: every check of the family passes, each source and each host."""
    sound = scene()
    assert sound.grades() == {name: {"pass"} for name in (
        "clock.source", "clock.sources-agree", "clock.runner", "clock.offset", "clock.synchronised", "clock.skew")}
    assert len(sound.findings) == 4 + 1 + 1 + 2 + 2 + 1
    assert all(not finding.fix for finding in sound.findings)


@pytest.mark.parametrize(("step", "words"), [(-18000.0, "set back by 5 h meanwhile"), (18000.0, "set forward by 5 h meanwhile")])
def test_a_runner_whose_clock_was_set_in_the_middle_accuses_no_other_clock(scene: BuildScene, step: float, words: str) -> None:
    """Two sources and a host were read before, the others after: all are sound, and by the runner's clock hours apart."""
    seen = scene(sources=sources(0.0, 0.0, -step, -step), step=step, hosts={
        HOST_A: (clock("192.0.2.11", 0.0),), HOST_B: (clock("192.0.2.12", -step),)})
    assert seen.grades() == {
        "clock.source": {"pass"}, "clock.synchronised": {"pass"}, "clock.sources-agree": {"unproven"},
        "clock.runner": {"unproven"}, "clock.offset": {"unproven"}, "clock.skew": {"unproven"}}
    for check in ("clock.sources-agree", "clock.runner", "clock.skew"):
        assert words in seen.one(check).message


def test_every_finding_has_a_unique_ref_and_every_alarm_a_fix(scene: BuildScene) -> None:
    """Three faults at once: a liar, an unsynchronised source, a host an hour off."""
    seen = scene(sources=(*sources(0.0, 7.0, 0.0), clock(SOURCES[3], 0.0, leap=3, stratum=0)), hosts={
        HOST_A: (clock("192.0.2.11", 3600.0),), HOST_B: (clock("192.0.2.12", 0.0),)})
    assert len({finding.ref for finding in seen.findings}) == len(seen.findings)
    alarms = [finding for finding in seen.findings if finding.grade in (Grade.FAIL, Grade.CAUTION)]
    assert len(alarms) == 4
    assert all(finding.fix for finding in alarms)


@pytest.mark.parametrize(("fields", "words"), [
    ({"leap": 3}, "leap indicator is 3"), ({"stratum": 0}, "stratum is 0"), ({"stratum": 16}, "stratum is 16"),
    ({"stratum": 17}, "stratum is 17"), ({"root_dispersion_seconds": 16.0}, "16 s or more"),
    ({"root_delay_seconds": 32.0}, "16 s or more"), ({"reference_age_seconds": -0.001}, "in its own future"),
    ({"reference_id": "192.0.2.9"}, "from this runner")])
def test_a_source_that_nobody_may_follow_fails_and_has_no_vote(scene: BuildScene, fields: dict[str, Any], words: str) -> None:
    """RFC 5905 A.5.1.1 and A.5.5.3; on the wire an unsynchronised server has stratum 0."""
    seen = scene(sources=(*sources(0.0, 0.0, 0.0), clock(SOURCES[3], 99.0, **fields)))
    finding = seen.one("clock.source", SOURCES[3])
    assert finding.grade is Grade.FAIL
    assert words in finding.message
    together = seen.one("clock.sources-agree")
    assert (together.grade, together.found.partition(",")[0]) == (Grade.PASS, "3 agree")


def test_a_source_that_follows_a_loopback_address_is_not_taken_for_a_loop(scene: BuildScene) -> None:
    """127.0.0.1 in its header is the source's own machine, although the runner has that address too."""
    seen = scene(sources=sources(0.0, 0.0, 0.0, 0.0, reference_id="127.0.0.1"), addresses=("127.0.0.1",))
    assert seen.grades()["clock.source"] == {"pass"}


@pytest.mark.parametrize("leap", [0, 1, 2])
@pytest.mark.parametrize("stratum", [1, 15])
def test_the_whole_healthy_range_of_leap_and_stratum_passes(scene: BuildScene, leap: int, stratum: int) -> None:
    """RFC 5905 Figures 9 and 11: leap 0 is the normal value, not a missing one."""
    seen = scene(sources=sources(0.0, 0.0, 0.0, 0.0, leap=leap, stratum=stratum))
    assert seen.grades()["clock.source"] == {"pass"}


# Root distance is half the root delay (at least MINDISP) plus the root dispersion plus a few microseconds.
@pytest.mark.parametrize(("profile", "distance", "grade"), [
    ("production", 0.99, "pass"), ("production", 1.01, "caution"), ("production", 2.99, "caution"), ("production", 3.01, "fail"),
    ("strict", 0.99, "pass"), ("strict", 1.01, "fail"),
    ("lab", 2.99, "pass"), ("lab", 3.01, "caution"), ("lab", 15.9, "caution")])
def test_a_source_far_from_its_root_is_graded_by_its_distance(
        scene: BuildScene, profile: str, distance: float, grade: str) -> None:
    """The limits clock_source_distance on either side of each bound, in every profile."""
    seen = scene(sources=(*sources(0.0, 0.0, 0.0), clock(SOURCES[3], 0.0, root_dispersion_seconds=distance - 0.0025)),
                 profile=profile)
    assert str(seen.one("clock.source", SOURCES[3]).grade) == grade
    assert (SOURCES[3] in seen.one("clock.sources-agree").message) is (grade != "fail")


HOUR, DAY = 3600.0, 86_400.0


@pytest.mark.parametrize(("profile", "age_seconds", "grade"), [
    # 15 parts per million are 1 s in 18.5 hours, 3 s in 55.6 hours and 16 s in 12.3 days.
    ("production", 18.5 * HOUR, "pass"), ("production", 18.6 * HOUR, "caution"), ("production", 55.5 * HOUR, "caution"),
    ("production", 55.6 * HOUR, "fail"), ("strict", 18.6 * HOUR, "fail"), ("lab", 55.5 * HOUR, "pass"),
    ("lab", 12.3 * DAY, "caution"), ("lab", 12.4 * DAY, "fail"), ("lab", 40 * DAY, "fail"), ("production", None, "pass")])
def test_a_clock_that_was_last_set_long_ago_does_not_pass_by_its_own_claim(
        scene: BuildScene, profile: str, age_seconds: float | None, grade: str) -> None:
    """RFC 5905 appendix A.5.6.1: the dispersion grows by PHI a second since then, whatever is claimed; a host's too."""
    seen = scene(sources=(*sources(0.0, 0.0, 0.0), clock(SOURCES[3], 0.0, reference_age_seconds=age_seconds)),
                 hosts=host(0.0, reference_age_seconds=age_seconds), profile=profile)
    for finding in (seen.one("clock.source", SOURCES[3]), seen.one("clock.synchronised", host=HOST_A)):
        assert str(finding.grade) == grade
        assert ("was last set" in finding.message) is (finding.symptom == "unsynchronised") is (grade != "pass")
        assert bool(finding.fix) is (grade != "pass")
    assert (SOURCES[3] in seen.one("clock.sources-agree").message) is (grade != "fail")
    assert seen.one("clock.offset").grade is Grade.PASS


def test_a_larger_dispersion_of_its_own_is_what_counts(scene: BuildScene) -> None:
    """It says itself how far off it may be."""
    seen = scene(sources=(*sources(0.0, 0.0, 0.0),
                          clock(SOURCES[3], 0.0, reference_age_seconds=20 * HOUR, root_dispersion_seconds=1.2)))
    finding = seen.one("clock.source", SOURCES[3])
    assert (finding.grade, finding.symptom) == (Grade.CAUTION, "distant")


@pytest.mark.parametrize("kind", [FailureKind.MALFORMED, FailureKind.MISMATCHED])
def test_whoever_answers_and_is_no_time_service_needs_no_filter_opened(scene: BuildScene, kind: FailureKind) -> None:
    """The packets pass both ways: what is wrong is what answers."""
    seen = scene(sources=(*sources(0.0, 0.0, 0.0), clock(SOURCES[3], failure=kind)),
                 hosts={HOST_A: (clock("192.0.2.11", failure=kind),)})
    for finding in (seen.one("clock.source", SOURCES[3]), seen.one("clock.synchronised", host=HOST_A)):
        assert "see what answers at UDP port 123" in finding.fix[0]
        assert not any("Let UDP port" in line or "allow SUBNET" in line for line in finding.fix)


@pytest.mark.parametrize(("code", "allows"), [("DENY", True), ("INIT", False)])
def test_a_host_that_sends_a_kiss_is_heard_so_no_filter_needs_opening(scene: BuildScene, code: str, allows: bool) -> None:
    """RFC 5905 section 7.4: by a rule, or for want of a time."""
    fix = scene(hosts={HOST_A: (clock("192.0.2.11", kiss=code),)}).one("clock.synchronised").fix
    assert any("allow SUBNET" in line for line in fix) is allows
    assert not any("Let UDP port" in line or "See that it listens" in line for line in fix)


@pytest.mark.parametrize(("kind", "grade", "symptom"), [
    (FailureKind.NO_ANSWER, "fail", "silent"), (FailureKind.KERNEL_TIMEOUT, "fail", "silent"),
    (FailureKind.REFUSED, "fail", "refused"), (FailureKind.PROHIBITED, "fail", "prohibited"),
    (FailureKind.UNREACHABLE, "fail", "unreachable"), (FailureKind.MALFORMED, "fail", "malformed"),
    (FailureKind.MISMATCHED, "fail", "mismatched"), (FailureKind.NOT_RESOLVED, "unproven", "not-resolved"),
    (FailureKind.NO_ROUTE, "unproven", "no-route"), (FailureKind.LOCAL_LIMIT, "unproven", "local-limit"),
    (FailureKind.INTERRUPTED, "unproven", "interrupted"), (FailureKind.NO_PRIVILEGE, "unproven", "no-privilege")])
def test_a_source_without_a_time_fails_only_for_what_it_did_itself(
        scene: BuildScene, kind: FailureKind, grade: str, symptom: str) -> None:
    """What the runner could not do proves nothing of the source; the sentence says from where it was seen."""
    seen = scene(sources=(*sources(0.0, 0.0, 0.0), clock(SOURCES[3], failure=kind)))
    finding = seen.one("clock.source", SOURCES[3])
    assert (str(finding.grade), finding.symptom) == (grade, symptom)
    assert "rehearsal-runner" in finding.message
    assert bool(finding.fix) is (grade == "fail")


def test_a_source_whose_name_has_no_address_fails(scene: BuildScene) -> None:
    """A planned name server says so, and says it to every host that asks there; that one could not be asked is no such word."""
    nowhere = Failure(kind=FailureKind.NOT_RESOLVED, phase="denied", elapsed_seconds=0.0,
                      detail="192.0.2.53 has no address for it")
    seen = scene(sources=(*sources(0.0, 0.0, 0.0), msgspec.structs.replace(clock(SOURCES[3]), failure=nowhere)))
    finding = seen.one("clock.source", SOURCES[3])
    assert (finding.grade, finding.symptom) == (Grade.FAIL, "no-address")
    assert "192.0.2.53 has no address for it" in finding.message
    assert "add an address record" in finding.fix[0]


@pytest.mark.parametrize(("code", "grade"), [("DENY", "fail"), ("RSTR", "fail"), ("INIT", "fail"), ("RATE", "unproven")])
def test_a_kiss_without_samples_is_no_time(scene: BuildScene, code: str, grade: str) -> None:
    """RFC 5905 section 7.4; wanting to be asked less often is no fault."""
    seen = scene(sources=(*sources(0.0, 0.0, 0.0), clock(SOURCES[3], kiss=code)))
    finding = seen.one("clock.source", SOURCES[3])
    assert (str(finding.grade), finding.symptom) == (grade, "kiss")
    assert code in finding.message


def test_samples_before_a_kiss_or_beside_a_lost_exchange_still_count(scene: BuildScene) -> None:
    """The source passes and the message says what else happened."""
    seen = scene(sources=(*sources(0.0, 0.0), clock(SOURCES[2], 0.0, kiss="RATE"),
                          clock(SOURCES[3], 0.0, failure=FailureKind.NO_ANSWER)))
    assert "kiss code RATE" in seen.one("clock.source", SOURCES[2]).message
    assert "1 of 4 exchanges" in seen.one("clock.source", SOURCES[3]).message
    assert seen.grades()["clock.source"] == {"pass"}


def test_a_source_that_was_never_asked_is_unproven(scene: BuildScene) -> None:
    """An interrupted run has no evidence of it."""
    seen = scene(sources=sources(0.0, 0.0, 0.0))
    assert seen.one("clock.source", SOURCES[3]).grade is Grade.UNPROVEN


def test_a_falseticker_is_named_with_who_sides_with_whom(scene: BuildScene) -> None:
    """The other three stay a passing majority; the mend carries the measured offset."""
    seen = scene(sources=sources(0.0, 0.001, 7.0, -0.001))
    liar = seen.one("clock.sources-agree", SOURCES[2])
    assert (liar.grade, liar.symptom) == (Grade.FAIL, "falseticker")
    assert "7 s ahead of the time that 192.0.2.61, 192.0.2.62, 192.0.2.64 agree on" in liar.message
    assert "192.0.2.63 alone says" in liar.message
    assert "7 s ahead" in liar.fix[0]
    assert seen.one("clock.sources-agree", "time sources").grade is Grade.PASS
    assert seen.one("clock.source", SOURCES[2]).grade is Grade.PASS
    assert seen.grades()["clock.offset"] == {"pass"}


def test_two_against_two_fails_and_leaves_every_clock_unproven(scene: BuildScene) -> None:
    """Nobody can say which pair is right, so no host is judged; skew between hosts still is."""
    seen = scene(sources=sources(0.0, 0.001, 7.0, 7.001))
    finding = seen.one("clock.sources-agree")
    assert finding.grade is Grade.FAIL
    assert "192.0.2.61, 192.0.2.62 say" in finding.message
    assert "192.0.2.63, 192.0.2.64 say that true time is 7 s ahead of the runner's clock" in finding.message
    assert seen.case.agreed is None
    assert seen.grades()["clock.runner"] == seen.grades()["clock.offset"] == {"unproven"}
    assert seen.grades()["clock.skew"] == {"pass"}
    assert {finding.symptom for finding in seen.findings if finding.grade is Grade.UNPROVEN} == {"no-agreed-time"}


def test_one_planned_source_is_a_caution_and_the_hosts_are_judged_by_it(scene: BuildScene) -> None:
    """RFC 8633 section 3.2: a single source cannot be checked; every verdict built on it says so."""
    seen = scene(sources=sources(0.0), time_sources=planned(1))
    assert seen.one("clock.sources-agree").grade is Grade.CAUTION
    assert seen.grades()["clock.offset"] == {"pass"}
    assert "alone" in seen.one("clock.offset", host=HOST_A).message
    assert "nothing confirms it" in seen.one("clock.runner").message


def test_one_source_left_of_four_leaves_agreement_unproven(scene: BuildScene) -> None:
    """The silent ones are failures of their own; whether they would have agreed is not known."""
    seen = scene(sources=(*sources(0.0), *(clock(address, failure=FailureKind.NO_ANSWER) for address in SOURCES[1:])))
    assert seen.one("clock.sources-agree").grade is Grade.UNPROVEN
    assert seen.grades()["clock.offset"] == {"pass"}


def test_two_that_overlap_at_their_edges_only_are_unproven_and_not_blamed(scene: BuildScene) -> None:
    """Neither excludes the other, and neither midpoint is common ground."""
    seen = scene(sources=sources(0.0, 0.004), time_sources=planned(2))
    assert seen.one("clock.sources-agree").grade is Grade.UNPROVEN
    assert seen.case.agreed is None


def test_two_that_exclude_each_other_fail(scene: BuildScene) -> None:
    """Two cannot arbitrate."""
    seen = scene(sources=sources(0.0, 7.0), time_sources=planned(2))
    assert seen.one("clock.sources-agree").grade is Grade.FAIL


def test_one_server_planned_under_two_names_has_one_vote(scene: BuildScene) -> None:
    """Otherwise a liar could outvote an honest source with an alias."""
    twice = (Endpoint("192.0.2.61", 123, "192.0.2.61"), Endpoint("192.0.2.62", 123, "192.0.2.62"),
             Endpoint("time.obs.example.net", 123, "time.obs.example.net"))
    seen = scene(sources=(clock("192.0.2.61", 7.0), clock("192.0.2.62", 0.0),
                          clock("192.0.2.61", 7.0, server="time.obs.example.net")), time_sources=twice)
    assert seen.case.agreed is None
    assert "both are 192.0.2.61, port 123" in seen.one("clock.sources-agree", "time.obs.example.net").message


@pytest.mark.parametrize(("leaps", "told"), [
    ((0, 0, 0, 0), None), ((1, 1, 1, 1), None), ((0, 0, 0, 3), None),
    ((0, 0, 0, 1), "192.0.2.64: a leap second to be inserted"),
    ((1, 1, 1, 0), "192.0.2.64: no leap second announced"),
    ((1, 2, 1, 2), "192.0.2.62, 192.0.2.64: a leap second to be left out")])
def test_sources_that_announce_different_leap_seconds_are_told(
        scene: BuildScene, leaps: tuple[int, ...], told: str | None) -> None:
    """Their times will part at the end of the day (RFC 8633 section 3.7.1); one that is unsynchronised announces nothing."""
    seen = scene(sources=tuple(clock(address, 0.0, leap=leap) for address, leap in zip(SOURCES, leaps, strict=True)))
    findings = [finding for finding in seen.findings if finding.subject == "leap second"]
    assert [finding.grade for finding in findings] == ([] if told is None else [Grade.CAUTION])
    assert told is None or told in findings[0].message


def test_a_vague_source_does_not_put_the_falseticker_on_the_side_of_the_others(scene: BuildScene) -> None:
    """Its interval overlaps with both, so whoever overlaps with whom is one group; the sentence still says who says what."""
    vague = clock(SOURCES[3], 0.0, root_delay_seconds=2.0)
    liar = scene(sources=(*sources(0.0, 0.001, 0.5), vague)).one("clock.sources-agree", SOURCES[2])
    assert liar.symptom == "falseticker"
    assert "192.0.2.61, 192.0.2.62, 192.0.2.64 say that true time is" in liar.message
    assert "192.0.2.63 alone says that true time is 500 ms ahead of the runner's clock" in liar.message


SET_AT, SET_LATER = "eeb71cda42b5091c", "eeb71cde1f03a7d5"


def test_one_machine_planned_by_two_addresses_has_one_vote(scene: BuildScene) -> None:
    """A wrong clock would win with itself; with chrony, one reference stamp at every address (seen on the wire)."""
    twins = [clock(address, 7.0, reference_stamp=SET_AT) for address in SOURCES[:2]]
    other = clock(SOURCES[2], 0.0, reference_stamp=SET_LATER)
    seen = scene(sources=(*twins, other), time_sources=planned(3))
    assert seen.case.agreed is None
    finding = seen.one("clock.sources-agree", SOURCES[1])
    assert (finding.grade, finding.symptom) == (Grade.CAUTION, "twin")
    assert f"is the same clock as {SOURCES[0]}: both say that they were last set at the very same moment" in finding.message
    assert finding.fix


def test_twins_alone_are_one_source(scene: BuildScene) -> None:
    """Nothing confirms it, and the sentence says where the other one is."""
    seen = scene(sources=sources(0.0, 0.0, reference_stamp=SET_AT), time_sources=planned(2))
    finding = seen.one("clock.sources-agree", "time sources")
    assert finding.grade is Grade.UNPROVEN
    assert f"Not counted: {SOURCES[1]}, which is the same clock." in finding.message


@pytest.mark.parametrize(("one", "other"), [
    ({"reference_stamp": ""}, {"reference_stamp": ""}),
    ({"reference_stamp": SET_AT}, {"reference_stamp": SET_LATER}),
    ({"reference_stamp": "eeb71cda00000000"}, {"reference_stamp": "eeb71cda00000000"}),
    ({"reference_stamp": "eeb71cda80000000"}, {"reference_stamp": "eeb71cda80000000"}),
    ({"reference_stamp": SET_AT, "stratum": 1}, {"reference_stamp": SET_AT, "stratum": 2}),
    ({"reference_stamp": SET_AT, "reference_id": "GPS"}, {"reference_stamp": SET_AT, "reference_id": "PPS"}),
])
def test_two_clocks_are_not_taken_for_one(scene: BuildScene, one: dict[str, Any], other: dict[str, Any]) -> None:
    """No stamp, another one, one that is rounded to the second or half of it, or another header beside it."""
    seen = scene(sources=(clock(SOURCES[0], 0.0, **one), clock(SOURCES[1], 0.0, **other)), time_sources=planned(2))
    assert len(seen.agreement.truechimers) == 2


def test_a_clock_that_was_set_between_two_samples_is_still_one(scene: BuildScene) -> None:
    """One stamp in common is enough."""
    first, second = clock(SOURCES[0], 0.0, 0.0), clock(SOURCES[1], 0.0, 0.0)
    changing = [msgspec.structs.replace(seen, samples=tuple(
        msgspec.structs.replace(sample, reference_stamp=stamp) for sample, stamp in zip(seen.samples, stamps, strict=True)))
        for seen, stamps in ((first, (SET_AT, SET_LATER)), (second, (SET_LATER, SET_LATER)))]
    assert scene(sources=tuple(changing), time_sources=planned(2)).agreement.truechimers == (SOURCES[0],)


def test_a_host_that_is_the_only_time_source_is_not_judged_against_itself(scene: BuildScene) -> None:
    """A clock held against itself is always right; another source, or another host, is judged as ever."""
    itself, another = clock("192.0.2.11", 120.0), clock("192.0.2.61", 120.0)
    hosts = {HOST_A: (clock("192.0.2.11", 120.0),), HOST_B: (clock("192.0.2.12", 0.0),)}
    alone = scene(sources=(itself,), hosts=hosts, time_sources=(Endpoint("192.0.2.11", 123, "192.0.2.11"),))
    finding = alone.one("clock.offset", host=HOST_A)
    assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, "own-time")
    assert "that of 192.0.2.11, which is this host itself" in finding.message
    assert alone.one("clock.offset", host=HOST_B).grade is Grade.FAIL
    two = scene(sources=(itself, another), hosts=hosts, time_sources=(
        Endpoint("192.0.2.11", 123, "192.0.2.11"), Endpoint("192.0.2.61", 123, "192.0.2.61")))
    assert two.one("clock.offset", host=HOST_A).grade is Grade.PASS


def test_a_host_that_is_a_time_source_is_not_told_to_follow_itself(scene: BuildScene) -> None:
    """A loop proves nothing, and time services refuse it (RFC 5905 section 7.3, the reference identifier)."""
    plan = tuple(Endpoint(address, 123, address) for address in ("192.0.2.11", *SOURCES[:3]))
    for lead, leap, check in ((120.0, 0, "clock.offset"), (0.0, 3, "clock.synchronised")):
        own = clock("192.0.2.11", lead, leap=leap)
        seen = scene(sources=(own, *sources(0.0, 0.0, 0.0)), hosts={HOST_A: (own,)}, time_sources=plan)
        fix = "\n".join(seen.one(check, host=HOST_A).fix)
        assert f"server {SOURCES[0]} iburst" in fix
        assert "192.0.2.11" not in fix


@pytest.mark.parametrize(("address", "grade"), [("192.0.2.9", Grade.UNPROVEN), ("192.0.2.61", Grade.PASS)])
def test_a_runner_that_is_the_only_time_source_is_not_judged_against_itself(
        scene: BuildScene, address: str, grade: Grade) -> None:
    """The runner is 192.0.2.9."""
    seen = scene(sources=(clock(address, 0.0),), time_sources=(Endpoint(address, 123, address),))
    assert seen.one("clock.runner").grade is grade


@pytest.mark.parametrize(("code", "words"), [("DENY", "allow SUBNET"), ("RSTR", "allow SUBNET"), ("INIT", "chronyc -n sources")])
def test_a_kiss_code_has_the_mend_of_its_cause(scene: BuildScene, code: str, words: str) -> None:
    """A rule against this client is another fault than a service that has just been started."""
    seen = scene(sources=(*sources(0.0, 0.0, 0.0), clock(SOURCES[3], kiss=code)))
    assert words in seen.one("clock.source", SOURCES[3]).fix[0]


def test_a_service_that_was_never_synchronised_is_not_said_to_have_just_started(scene: BuildScene) -> None:
    """By ntpsec 1.2.2+dfsg1-1+deb12u1, which goes on to send INIT for as long as none of its sources answers."""
    found = scene(hosts={HOST_A: (clock("192.0.2.11", kiss="INIT"),)}).one("clock.synchronised").found
    assert found.endswith("its time service has not been synchronised since it was started")


def test_a_host_that_serves_no_time_is_told_of_services_that_do_not_by_themselves(scene: BuildScene) -> None:
    fix = " ".join(scene(hosts={HOST_A: (clock("192.0.2.11", failure=FailureKind.REFUSED),)}).one("clock.synchronised").fix)
    assert "listen on ADDRESS" in fix
    assert "systemd-timesyncd serves nobody" in fix


def test_a_time_that_came_from_another_address_has_its_own_mend(scene: BuildScene) -> None:
    """For a source and for a host alike."""
    def elsewhere(address: str) -> ClockEvidence:
        seen = clock(address, failure=FailureKind.NO_ANSWER)
        assert seen.failure is not None
        return msgspec.structs.replace(seen, failure=msgspec.structs.replace(seen.failure, answered_from="192.0.2.99 port 123"))

    seen = scene(sources=(*sources(0.0, 0.0, 0.0), elsewhere(SOURCES[3])), hosts={HOST_A: (elsewhere("192.0.2.11"),)})
    for finding in (seen.one("clock.source", SOURCES[3]), seen.one("clock.synchronised", host=HOST_A)):
        assert finding.fix[0] == "Mend what translates the address on the way to 192.0.2.99 port 123"


@pytest.mark.parametrize(("profile", "spread", "grade"), [
    ("production", 0.0997, "pass"), ("production", 0.1, "unproven"), ("production", 0.1003, "caution"),
    ("production", 0.9997, "caution"), ("production", 1.0003, "fail"), ("strict", 0.0097, "pass"), ("strict", 0.0103, "caution"),
    ("strict", 0.1253, "fail"), ("lab", 0.9997, "pass"), ("lab", 1.0003, "caution"), ("lab", 5.0003, "fail")])
def test_the_spread_of_the_sources_is_graded(scene: BuildScene, profile: str, spread: float, grade: str) -> None:
    """Four vague sources that contain each other's midpoints; two exchanges of 0.2 ms decide 0.3 ms beside a bound."""
    seen = scene(sources=sources(0.0, spread, 0.0, spread, root_dispersion_seconds=spread + 0.1), profile="lab")
    assert str(replace_limits(seen, profile).one("clock.sources-agree").grade) == grade


def replace_limits(seen: Scene, profile: str) -> Scene:
    """Grade the site again with the spread limit of another profile, so that the sources' distance plays no part."""
    limits = {**seen.case.limits, "clock_sources_spread": catalogue.limits_of(profile)["clock_sources_spread"]}
    seen.findings = grade_site(replace(seen.case, limits=limits), seen.agreement)
    return seen


@pytest.mark.parametrize("lead", [7.0, -7.0, 1_793_610_000.0, -1_000_000_000.0])
def test_a_wrong_runner_fails_alone_and_the_hosts_are_judged_against_the_agreed_time(scene: BuildScene, lead: float) -> None:
    """Hosts that agree with the sources pass, whatever the runner's clock says, even decades off."""
    seen = scene(sources=sources(lead, lead, lead, lead),
                 hosts={HOST_A: (clock("192.0.2.11", lead),), HOST_B: (clock("192.0.2.12", lead),)})
    runner = seen.one("clock.runner")
    assert runner.grade is Grade.FAIL
    assert runner.measured is not None
    assert runner.measured.value == pytest.approx(-lead)
    assert ("behind" if lead > 0 else "ahead of") in runner.message
    assert "corrected for this" in runner.message
    assert seen.grades()["clock.offset"] == {"pass"}


def test_a_runner_that_was_set_meanwhile_is_told(scene: BuildScene) -> None:
    """Exchanges during a step were thrown away by the probe."""
    stepped = tuple(msgspec.structs.replace(seen, runner_steps_seconds=(0.4,)) for seen in sources(0.0, 0.0, 0.0, 0.0))
    assert "jumped 4 times, by up to 400 ms" in scene(sources=stepped).one("clock.runner").message


# The agreed time of four perfect sources is known to 2.5 ms and a little (MINDISP / 2), so that much lies between
# "surely inside" and "surely outside" a bound.
BAR = 0.00251


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("profile", "lead", "grade"), [
    ("production", 0.0, "pass"), ("production", 0.1 - 2 * BAR, "pass"), ("production", 0.1, "unproven"),
    ("production", 0.1 + 2 * BAR, "caution"), ("production", 1.0 - 2 * BAR, "caution"), ("production", 1.0, "unproven"),
    ("production", 1.0 + 2 * BAR, "fail"), ("strict", 0.010 - 2 * BAR, "pass"), ("strict", 0.010, "unproven"),
    ("strict", 0.010 + 2 * BAR, "caution"), ("strict", 0.125, "unproven"), ("strict", 0.125 + 2 * BAR, "fail"),
    ("lab", 1.0 - 2 * BAR, "pass"), ("lab", 1.0 + 2 * BAR, "caution"), ("lab", 5.0, "unproven"),
    ("lab", 5.0 + 2 * BAR, "fail")])
def test_a_hosts_offset_is_graded_with_its_error_bar(
        scene: BuildScene, profile: str, lead: float, grade: str, sign: int) -> None:
    """Surely inside, across and surely outside each bound of clock_offset, ahead and behind."""
    finding = scene(hosts=host(sign * lead), profile=profile).one("clock.offset")
    assert str(finding.grade) == grade
    assert finding.measured is not None
    assert finding.measured.value == pytest.approx(sign * lead, abs=1e-9)
    assert bool(finding.fix) is (grade in ("caution", "fail"))
    assert ("would decide it" in finding.message) is (grade == "unproven" and lead not in (0.1, 1.0, 0.01, 0.125, 5.0))


def test_a_slow_answer_proves_less(scene: BuildScene) -> None:
    """Half of a delay of 300 ms reaches across the limit of 100 ms; the sentence says what would decide it."""
    finding = scene(hosts=host(0.02, delay=0.3)).one("clock.offset")
    assert finding.grade is Grade.UNPROVEN
    assert "an uncertainty below 80 ms would decide it" in finding.message
    assert "round trip of 300 ms" in finding.message


def test_the_least_delayed_sample_counts(scene: BuildScene) -> None:
    """RFC 5905 section 10: three exchanges met a queue, one did not."""
    base = clock("192.0.2.11", 0.9, 0.0, 0.7, 0.8)
    delays = (0.5, 0.001, 0.4, 0.45)
    burst = msgspec.structs.replace(base, samples=tuple(
        msgspec.structs.replace(sample, delay_seconds=delay) for sample, delay in zip(base.samples, delays, strict=True)))
    assert scene(hosts={HOST_A: (burst,)}).one("clock.offset").grade is Grade.PASS


def test_a_failing_offset_says_what_to_type_and_what_the_size_suggests(scene: BuildScene) -> None:
    """An hour to the second: a zone; beyond 1000 s a daemon gives up (RFC 5905 section 11.3)."""
    finding = scene(hosts=host(3600.2)).one("clock.offset")
    assert "60 min ahead of the agreed time" in finding.message
    assert "local time" in finding.message
    assert "refuses to correct more than 1000 s" in finding.fix[0]
    assert "  server 192.0.2.61 iburst" in finding.fix
    assert any("chronyc makestep" in line for line in finding.fix)


@pytest.mark.parametrize(("lead", "words"), [
    (0.11, "slews this away by itself, in 3.67 min"), (0.2, "would step a clock by this much"), (1000.0, "would step"),
    (1000.5, "refuses")])
def test_the_mend_says_what_a_daemon_would_do(scene: BuildScene, lead: float, words: str) -> None:
    """RFC 5905 section 11.3: 0.125 s and 1000 s; slewing goes at 500 parts per million."""
    assert words in scene(hosts=host(lead)).one("clock.offset").fix[0]


def test_a_host_in_1970_has_an_empty_battery(scene: BuildScene) -> None:
    """The offset is that of decades and still exact."""
    finding = scene(hosts=host(120.0 - NOW)).one("clock.offset")
    assert finding.grade is Grade.FAIL
    assert "1970-01-01" in finding.message


def test_a_host_that_serves_no_time_is_unproven_and_says_what_would_prove_it(scene: BuildScene) -> None:
    """Not a pass, not a fail, and nothing about being synchronised, which is not planned for it."""
    seen = scene(hosts={HOST_A: ()}, roles=(Role(name="node"),))
    finding = seen.one("clock.offset")
    assert (finding.grade, finding.symptom, finding.subject) == (Grade.UNPROVEN, "serves-no-time", "192.0.2.11")
    assert "over SSH, or an answer over NTP (ntp = true in its role), would settle it" in finding.message
    assert "clock.synchronised" not in seen.grades()
    assert "clock.skew" not in seen.grades()


@pytest.mark.parametrize(("seen_clock", "grade", "symptom"), [
    (clock("192.0.2.11", failure=FailureKind.NO_ANSWER), "fail", "silent"),
    (clock("192.0.2.11", failure=FailureKind.REFUSED), "fail", "refused"),
    (clock("192.0.2.11", kiss="INIT"), "fail", "kiss"),
    (clock("192.0.2.11", failure=FailureKind.NO_ROUTE), "unproven", "no-route"),
    (clock("192.0.2.99", 0.0), "unproven", "not-asked")])
def test_a_host_that_gives_no_time_has_an_unproven_offset(
        scene: BuildScene, seen_clock: ClockEvidence, grade: str, symptom: str) -> None:
    """The plan says that it serves time, so withholding it fails clock.synchronised; its offset is simply not known."""
    seen = scene(hosts={HOST_A: (seen_clock,)})
    assert seen.one("clock.offset").grade is Grade.UNPROVEN
    finding = seen.one("clock.synchronised")
    assert (str(finding.grade), finding.symptom) == (grade, symptom)


def test_a_dead_host_is_not_blamed_for_its_time_service(scene: BuildScene) -> None:
    """Neither echo nor port nor NTP answers: one fault, told by host.echo, which these two wait on."""
    silent = clock("192.0.2.11", failure=FailureKind.UNREACHABLE)
    echoes = (EchoEvidence(address="192.0.2.11", method="icmp-datagram", at=AT, round_trips_seconds=(None, None, None)),)
    seen = scene(hosts={HOST_A: (silent,)}, echoes=echoes)
    for check in ("clock.offset", "clock.synchronised"):
        finding = seen.one(check)
        assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, "silent")
    assert "no answer over IP" in seen.one("clock.synchronised").message


@pytest.mark.parametrize("fields", [{"leap": 3}, {"stratum": 0}, {"stratum": 16}, {"leap": 3, "stratum": 0}])
def test_an_unsynchronised_host_fails_although_its_offset_passes(scene: BuildScene, fields: dict[str, int]) -> None:
    """It is right now and nothing keeps it so."""
    seen = scene(hosts=host(0.0, **fields))
    assert seen.one("clock.synchronised").grade is Grade.FAIL
    assert seen.one("clock.offset").grade is Grade.PASS
    assert any("chronyc -n sources" in line for line in seen.one("clock.synchronised").fix)


def test_a_host_on_its_own_local_clock_passes_and_says_so(scene: BuildScene) -> None:
    """127.127.1.1 is no upstream server; an isolated site may mean it."""
    finding = scene(hosts=host(0.0, stratum=8, reference_id="127.127.1.1")).one("clock.synchronised")
    assert finding.grade is Grade.PASS
    assert "a clock of its own (127.127.1.1)" in finding.found


@pytest.mark.parametrize(("profile", "lead", "grade"), [
    ("production", 0.0998, "pass"), ("production", 0.1, "unproven"), ("production", 0.1002, "caution"),
    ("production", 0.9998, "caution"), ("production", 1.0002, "fail"), ("strict", 0.0198, "pass"), ("strict", 0.0202, "caution"),
    ("strict", 0.2502, "fail"), ("lab", 0.9998, "pass"), ("lab", 1.0002, "caution"), ("lab", 5.0002, "fail")])
def test_the_largest_difference_between_hosts_is_graded_without_the_sources(
        scene: BuildScene, profile: str, lead: float, grade: str) -> None:
    """The runner's error cancels, so the bar is the two exchanges' own: ± 0.2 ms around each bound decides."""
    hosts = {HOST_A: (clock("192.0.2.11", 50.0, delay=0.0001),), HOST_B: (clock("192.0.2.12", 50.0 + lead, delay=0.0001),)}
    finding = scene(sources=(), hosts=hosts, profile=profile).one("clock.skew")
    assert (str(finding.grade), finding.ref) == (grade, f"{SITE}|clock.skew|hosts")


def test_the_outlier_among_the_hosts_is_named(scene: BuildScene, make_plan: MakePlan) -> None:
    """Farthest from the agreed time, or from the median of the hosts where there is none."""
    first = make_plan().hosts[0]
    hosts = tuple(msgspec.structs.replace(first, name=name, fqdn=f"{name}.obs.example.net", addresses=(f"192.0.2.{last}",))
                  for name, last in (("dome-a", 11), ("dome-b", 12), ("dome-c", 13)))
    leads = {"dome-a": 0.0, "dome-b": -7.0, "dome-c": 0.01}
    seen = scene(hosts={h.fqdn: (clock(h.addresses[0], leads[h.name]),) for h in hosts}, planned_hosts=hosts)
    finding = seen.one("clock.skew")
    assert finding.grade is Grade.FAIL
    assert "The outlier is dome-b.obs.example.net: it is 7 s behind the agreed time." in finding.message
    alone = scene(sources=(), hosts={h.fqdn: (clock(h.addresses[0], leads[h.name]),) for h in hosts}, planned_hosts=hosts)
    assert "dome-b.obs.example.net: it is 7 s behind the median of the 3 hosts." in alone.one("clock.skew").message
    assert "dome-b.obs.example.net (slowest) and dome-c.obs.example.net (fastest)" in finding.message


def test_the_outlier_is_far_from_the_agreed_time_and_not_from_the_runner(scene: BuildScene) -> None:
    """A runner that is 10 s behind sees every sound host 10 s ahead."""
    hosts = {HOST_A: (clock("192.0.2.11", 10.1),), HOST_B: (clock("192.0.2.12", 8.5),)}
    message = scene(sources=sources(10.0, 10.0, 10.0, 10.0), hosts=hosts).one("clock.skew").message
    assert f"The outlier is {HOST_B}: it is 1.5 s behind the agreed time." in message


def test_of_two_hosts_without_an_agreed_time_neither_is_called_right(scene: BuildScene) -> None:
    """The difference is proven; whose fault it is, is not."""
    hosts = {HOST_A: (clock("192.0.2.11", 0.0),), HOST_B: (clock("192.0.2.12", 7.0),)}
    assert "which of the two is right is not known" in scene(sources=(), hosts=hosts).one("clock.skew").message
    assert f"The outlier is {HOST_B}: it is 7 s ahead of the agreed time." in scene(hosts=hosts).one("clock.skew").message


def test_a_mend_never_tells_a_host_to_follow_a_source_that_is_proven_wrong(scene: BuildScene) -> None:
    """The falseticker is left out of the lines to paste."""
    finding = scene(sources=sources(0.0, 0.0, 7.0, 0.0), hosts=host(7.0)).one("clock.offset")
    assert "  server 192.0.2.62 iburst" in finding.fix
    assert not any("192.0.2.63" in line for line in finding.fix)


def test_hosts_that_are_wrong_together_point_at_their_source(scene: BuildScene) -> None:
    """No skew, but both off by seven seconds."""
    seen = scene(hosts={HOST_A: (clock("192.0.2.11", 7.0),), HOST_B: (clock("192.0.2.12", 7.0),)})
    assert seen.one("clock.skew").grade is Grade.PASS
    assert "suspect what they all follow" in seen.one("clock.skew").message
    assert seen.grades()["clock.offset"] == {"fail"}


def test_skew_with_one_host_silent_is_unproven(scene: BuildScene) -> None:
    """Two should serve time and one did."""
    seen = scene(hosts={HOST_A: (clock("192.0.2.11", 0.0),), HOST_B: (clock("192.0.2.12", failure=FailureKind.NO_ANSWER),)})
    finding = seen.one("clock.skew")
    assert (finding.grade, finding.found) == (Grade.UNPROVEN, "1 of 2 hosts gave a time")


def test_no_time_source_planned_leaves_the_runner_and_the_hosts_unproven(scene: BuildScene) -> None:
    """Lint says that the plan lacks them; nothing is invented here."""
    seen = scene(sources=(), time_sources=())
    assert "clock.source" not in seen.grades()
    assert seen.grades()["clock.runner"] == seen.grades()["clock.offset"] == {"unproven"}


def test_a_later_measurement_is_held_against_an_aged_agreement(scene: BuildScene) -> None:
    """The runner may have drifted by PHI since: 15 ms in a thousand seconds widens the error bar."""
    later = "2026-11-02T09:16:40.000000Z"
    sharp = scene(hosts=host(0.09)).one("clock.offset")
    aged = scene(hosts=host(0.09, at=later)).one("clock.offset")
    assert sharp.measured is not None
    assert aged.measured is not None
    assert aged.measured.uncertainty - sharp.measured.uncertainty == pytest.approx(0.015, rel=1e-6)
    assert (sharp.grade, aged.grade) == (Grade.PASS, Grade.UNPROVEN)


hostile_bursts = st.builds(
    clock, st.just("192.0.2.61"), st.sampled_from([0.0, 7.0, -1.8e9, 4.3e9]), st.floats(-4.3e9, 4.3e9),
    delay=st.sampled_from([1e-9, 0.02, 2.0, 2.0**127]), leap=st.integers(0, 3), stratum=st.integers(0, 255),
    precision_seconds=st.sampled_from([2.0**-128, 2.0**-20, 1.0, 2.0**127]), root_delay_seconds=st.floats(0, 65536),
    root_dispersion_seconds=st.floats(0, 65536), reference_id=st.sampled_from(["", "GPS", "0xffffffff", "192.0.2.9"]),
    reference_age_seconds=st.one_of(st.none(), st.floats(-4.3e9, 4.3e9)), kiss=st.sampled_from(["", "RATE", "<b>&"]))


@given(st.lists(hostile_bursts, min_size=4, max_size=4), st.lists(hostile_bursts, min_size=2, max_size=2),
       st.sampled_from(catalogue.PROFILES))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_servers_put_into_their_headers_is_graded_and_never_a_crash(
        scene: BuildScene, seen: list[ClockEvidence], hosts: list[ClockEvidence], profile: str) -> None:
    """Graders are total: every field at and beyond what the wire can carry."""
    named = tuple(msgspec.structs.replace(burst, server=address, address=address)
                  for burst, address in zip(seen, SOURCES, strict=True))
    first, second = (msgspec.structs.replace(burst, address=address)
                     for burst, address in zip(hosts, ("192.0.2.11", "192.0.2.12"), strict=True))
    result = scene(sources=named, hosts={HOST_A: (first,), HOST_B: (second,)}, profile=profile)
    assert len({finding.ref for finding in result.findings}) == len(result.findings)
    for finding in result.findings:
        assert (finding.grade in (Grade.FAIL, Grade.CAUTION)) is bool(finding.fix)
        assert finding.message.endswith(".")
        assert finding.planned
        assert finding.found


@pytest.mark.parametrize(("seen", "words"), [
    (None, "it was not asked"), (clock("192.0.2.61", failure=FailureKind.NO_ANSWER), "no answer"),
    (clock("192.0.2.61", kiss="DENY"), "it answered with the kiss code DENY"),
])
def test_why_a_server_gave_no_sample(seen: ClockEvidence | None, words: str) -> None:
    """One that was asked and said nothing was asked."""
    assert why_nothing(seen).startswith(words)
