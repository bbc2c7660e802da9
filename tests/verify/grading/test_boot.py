"""Each way a watched reboot can have gone, and what is concluded from it."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from shared import catalogue
from shared.boots import BootEvidence, BootMark, Moment, Outage, Reading, Sign
from shared.evidence import Evidence, HostEvidence, PortEvidence, PortState, SiteEvidence, Vantage
from shared.findings import Finding, Grade
from shared.plan import Plan, Port, Role
from verify.grading import boot, ports
from verify.grading.case import Case

ADDRESS = "192.0.2.11"
ECHO, TIME = Sign("echo", ADDRESS), Sign("time", ADDRESS)
WEB, SHELL = Sign("443/tcp", ADDRESS, "tls"), Sign("22/tcp", ADDRESS, "ssh")
UP, CLOSED, SILENT, UNKNOWN = Reading.UP, Reading.CLOSED, Reading.SILENT, Reading.UNKNOWN
BEGAN = datetime.datetime(2027, 3, 4, 9, 0, tzinfo=datetime.UTC)
OLD, NEW = "11111111-2222-4333-8444-555555555555", "99999999-8888-4777-8666-555555555555"


def at(seconds: float) -> str:
    return f"{BEGAN + datetime.timedelta(seconds=seconds):%Y-%m-%dT%H:%M:%S.%fZ}"


def moments(sign: Sign, *changes: tuple[float, Reading]) -> tuple[Moment, ...]:
    """Changes of one sign, each seen five seconds after the look before it."""
    return tuple(Moment(at=at(when), after=at(when - 5) if place else "", sign=sign, reading=reading)
                 for place, (when, reading) in enumerate(changes))


def evidence(**changes: Any) -> BootEvidence:
    """Up at 0, silent from 20 to 50, back at 55 with its services at 60, settled at 90."""
    seen = tuple(moment for sign, back in ((ECHO, 55.0), (WEB, 60.0), (SHELL, 60.0), (TIME, 60.0))
                 for moment in moments(sign, (0, UP), (20, SILENT), (back, UP)))
    key = ("22/tcp 192.0.2.11", "ssh-ed25519", "SHA256:same")
    plain = BootEvidence(
        began=at(0), ended=at(95), rounds=20, round_seconds=5.0, steady_rounds=3, steady_seconds=30.0, why="settled",
        signs=(ECHO, WEB, SHELL, TIME), moments=seen,
        outages=(Outage(answered=at(15), silent=at(20), still=at(50), back=at(55)),),
        ready=at(60), settled=at(90), keys_before=(key,), keys_after=(key,))
    return msgspec.structs.replace(plain, **changes)


GONE = {"outages": (Outage(answered=at(15), silent=at(20)),), "ready": "", "settled": "", "why": "time-out", "ended": at(1800),
        "moments": tuple(moment for sign in (ECHO, WEB, SHELL, TIME) for moment in moments(sign, (0, UP), (20, SILENT))),
        "keys_after": ()}
NEVER_DOWN = {"outages": (), "ready": "", "settled": "", "why": "time-out", "ended": at(1800), "keys_after": (),
              "moments": tuple(moment for sign in (ECHO, WEB, SHELL, TIME) for moment in moments(sign, (0, UP)))}


@pytest.fixture
def graded(make_plan: Callable[..., Plan]) -> Callable[[BootEvidence | None], dict[str, Finding]]:
    plan = make_plan()

    def grade(seen: BootEvidence | None, profile: str = "production") -> dict[str, Finding]:
        host = HostEvidence(fqdn=plan.hosts[0].fqdn, boot=seen)
        whole = Evidence(vantage=Vantage(name="pier-1"), started=at(0), finished=at(100), complete=True, site=SiteEvidence(),
                         hosts=(host,))
        case = Case(plan=plan, limits=catalogue.limits_of(profile), evidence=whole)
        return {f"{one.check} {one.subject}": one for one in boot.grade_host(case, plan.hosts[0], host)}

    return grade


Graded = Callable[..., dict[str, Finding]]


def grades(findings: dict[str, Finding]) -> dict[str, str]:
    return {name: finding.grade.value for name, finding in findings.items()}


def test_a_run_without_a_watch_has_no_boot_findings(graded: Graded) -> None:
    """``verify`` says nothing of reboots."""
    assert graded(None) == {}


def test_a_plain_reboot_passes_throughout(graded: Graded) -> None:
    """Every planned sign is its own finding."""
    assert grades(graded(evidence())) == {
        "boot.down reboot": "pass", "boot.new reboot": "pass", "boot.up echo 192.0.2.11": "pass", "boot.up 443/tcp": "pass",
        "boot.up 22/tcp": "pass", "boot.up time 192.0.2.11": "pass", "boot.settled reboot": "pass",
        "boot.identity 22/tcp": "pass"}


def test_a_silence_alone_is_said_to_be_the_weaker_proof(graded: Graded) -> None:
    """With how long it lasted at least: between the first and the last unanswered question."""
    finding = graded(evidence())["boot.new reboot"]
    assert "weaker" in finding.message
    assert "at least 30 s" in finding.message


@pytest.mark.parametrize(("before", "after", "since", "down", "new"), [
    (BootMark(at=at(0), boot_id=OLD), BootMark(at=at(95), boot_id=NEW), "", "pass", "pass"),
    (BootMark(at=at(0), boot_id=OLD), BootMark(at=at(95), boot_id=OLD), "", "fail", "fail"),
    (None, BootMark(at=at(95), boot_id=NEW), "", "unproven", "unproven"),
    (BootMark(at=at(0), boot_id=OLD), None, "", "unproven", "unproven"),
    (BootMark(at=at(0), boot_id=""), BootMark(at=at(95), boot_id=""), "", "unproven", "unproven"),
    (None, BootMark(at=at(95), booted=at(-50)), at(-60), "pass", "pass"),
    (None, BootMark(at=at(95), booted=at(-60)), at(-60), "pass", "pass"),
    (None, BootMark(at=at(95), booted=at(-61)), at(-60), "unproven", "unproven"),
    (None, BootMark(at=at(95), booted=at(-180)), at(-60), "unproven", "unproven"),
    (None, BootMark(at=at(95), booted=at(-181)), at(-60), "fail", "fail"),
    (None, BootMark(at=at(95), booted="yesterday"), at(-60), "unproven", "unproven"),
    (None, None, at(-60), "unproven", "unproven"),
])
def test_without_a_silence_the_hosts_own_word_decides(
    graded: Graded, before: BootMark | None, after: BootMark | None, since: str, down: str, new: str
) -> None:
    """Another boot identifier, or a boot after the order, passes; the same, or one minutes before the order, fails."""
    found = grades(graded(evidence(**NEVER_DOWN | {"before": before, "after": after, "since": since})))
    assert (found["boot.down reboot"], found["boot.new reboot"]) == (down, new)


def test_the_old_boot_still_answering_fails_even_after_a_silence(graded: Graded) -> None:
    """Its wire was cut and put back: the silence was seen, the boot is the same."""
    found = graded(evidence(before=BootMark(at=at(0), boot_id=OLD), after=BootMark(at=at(95), boot_id=OLD)))
    assert (found["boot.down reboot"].grade, found["boot.new reboot"].grade) == (Grade.PASS, Grade.FAIL)
    assert "still runs the boot from before" in found["boot.new reboot"].message


def test_a_host_that_never_returned_is_one_fail_with_its_console_to_look_at(graded: Graded) -> None:
    """Not one a port."""
    found = graded(evidence(**GONE))
    assert grades(found) == {"boot.down reboot": "pass", "boot.new reboot": "unproven", "boot.up 192.0.2.11": "fail",
                             "boot.settled reboot": "fail"}
    assert "console" in found["boot.up 192.0.2.11"].fix[0]


def test_a_watch_begun_too_late_says_so_and_blames_nobody(graded: Graded) -> None:
    """Silent when the watch began: when it went down was not seen."""
    found = graded(evidence(outages=(Outage(answered="", silent=at(0), still=at(50), back=at(55)),), keys_before=()))
    assert found["boot.down reboot"].grade is Grade.PASS
    assert "was not seen" in found["boot.down reboot"].message
    assert "boot.identity 22/tcp" not in found


@pytest.mark.parametrize(("seconds", "profile", "grade"), [
    (349.9, "production", "pass"), (350.0, "production", "pass"), (350.1, "production", "unproven"),
    (360.0, "production", "unproven"), (360.1, "production", "caution"), (9000.0, "production", "caution"),
    (170.0, "strict", "pass"), (170.1, "strict", "unproven"), (180.0, "strict", "unproven"), (180.1, "strict", "caution"),
    (350.0, "strict", "caution"), (350.1, "strict", "unproven"), (360.0, "strict", "unproven"), (360.1, "strict", "fail"),
])
def test_a_late_service_is_judged_as_an_interval(graded: Graded, seconds: float, profile: str, grade: str) -> None:
    """Between two rounds nobody looked, so a delay near the limit cannot be decided.

    The host was back between 50 and 55; a service seen at T was up between T - 5 and T, so the delay lies in
    [T - 60, T - 50] against 300 s, or 120 and 300 s.
    """
    late = tuple(one for one in evidence().moments if one.sign != WEB) + moments(WEB, (0, UP), (20, SILENT), (seconds, UP))
    finding = graded(evidence(moments=late, ended=at(9999), settled=at(9998)), profile)["boot.up 443/tcp"]
    assert finding.measured is not None
    assert finding.measured.value - finding.measured.uncertainty == pytest.approx(seconds - 60)
    assert finding.measured.value + finding.measured.uncertainty == pytest.approx(seconds - 50)
    assert finding.grade.value == grade


@pytest.mark.parametrize(("changes", "words"), [
    (((0, UP), (20, SILENT), (55, CLOSED)), "answered before the reboot"),
    (((0, UP), (20, SILENT)), "answered before the reboot"),
    (((0, CLOSED), (20, SILENT), (55, CLOSED)), "had not answered"),
    (((0, UP), (20, SILENT), (60, UP), (80, CLOSED)), "came back at 2027-03-04 09:01:00 UTC, was gone again"),
    (((0, CLOSED), (20, SILENT), (60, UP), (80, SILENT)), "came back at"),
])
def test_a_service_that_is_not_there_at_the_end_fails(
    graded: Graded, changes: tuple[tuple[float, Reading], ...], words: str
) -> None:
    """Told apart by whether it answered before, and then was not enabled; came back and went again; or never ran."""
    without = tuple(one for one in evidence().moments if one.sign != WEB) + moments(WEB, *changes)
    finding = graded(evidence(moments=without, settled="", ready="", why="time-out"))["boot.up 443/tcp"]
    assert finding.grade is Grade.FAIL
    assert words in finding.message
    assert any("systemctl enable --now" in line for line in finding.fix)


def test_an_echo_that_does_not_come_back_is_no_service_to_enable(graded: Graded) -> None:
    """The system answers it: an address or a filter is missing."""
    without = tuple(one for one in evidence().moments if one.sign != ECHO) + moments(ECHO, (0, UP), (20, SILENT))
    finding = graded(evidence(moments=without))[f"boot.up echo {ADDRESS}"]
    assert finding.grade is Grade.FAIL
    assert "service" not in finding.message
    assert not any("UNIT" in line for line in finding.fix)


def test_an_echo_that_never_answers_is_no_part_of_a_reboot(graded: Graded) -> None:
    """It is filtered, and host.echo judges that."""
    without = tuple(one for one in evidence().moments if one.sign != ECHO) + moments(ECHO, (0, SILENT))
    assert "boot.up echo 192.0.2.11" not in graded(evidence(moments=without))


def test_what_the_runner_could_not_ask_is_unproven(graded: Graded) -> None:
    """Never a pass, never the host's fault."""
    without = tuple(one for one in evidence().moments if one.sign != TIME) + moments(TIME, (0, UNKNOWN))
    assert graded(evidence(moments=without))["boot.up time 192.0.2.11"].grade is Grade.UNPROVEN


@pytest.mark.parametrize(("changes", "grade"), [
    ({"why": "interrupted", "settled": "", "ready": ""}, Grade.UNPROVEN),
    ({"why": "time-out", "settled": "", "ready": ""}, Grade.FAIL),
    ({}, Grade.PASS),
    (NEVER_DOWN, Grade.UNPROVEN),
    (NEVER_DOWN | {"since": at(-60)}, Grade.FAIL),
])
def test_settling(graded: Graded, changes: dict[str, Any], grade: Grade) -> None:
    """A watch that was cut short proves nothing; one that waited in vain is a fail where a reboot was to be seen."""
    assert graded(evidence(**changes))["boot.settled reboot"].grade is grade


@pytest.mark.parametrize(("why", "seconds", "grade"), [
    ("interrupted", 5, Grade.UNPROVEN), ("interrupted", 300, Grade.UNPROVEN), ("interrupted", 301, Grade.FAIL),
    ("time-out", 5, Grade.FAIL)])
def test_what_an_interrupt_did_not_wait_for_has_not_failed(graded: Graded, why: str, seconds: float, grade: Grade) -> None:
    """Neither a host that went down five seconds before Ctrl-C, nor a service that much behind its host."""
    gone = graded(evidence(**GONE | {"why": why, "ended": at(20 + seconds)}))[f"boot.up {ADDRESS}"]
    without = tuple(one for one in evidence().moments if one.sign != WEB) + moments(WEB, (0, UP), (20, SILENT), (55, CLOSED))
    behind = graded(evidence(moments=without, settled="", ready="", why=why, ended=at(55 + seconds)))["boot.up 443/tcp"]
    assert (gone.grade, behind.grade) == (grade, grade)
    assert all(one.fix for one in (gone, behind))
    if grade is Grade.UNPROVEN:
        assert all("when the watch was interrupted" in one.message for one in (gone, behind))


@pytest.mark.parametrize(("still", "words"), [
    (20.0, "silent in one round,"), (20.4, "silent in one round,"), (25.0, "silent for at least 5 s,")])
def test_of_a_silence_of_one_round_no_length_is_told(graded: Graded, still: float, words: str) -> None:
    """Its questions were sent within milliseconds, and "at least 59 µs" tells nobody anything."""
    silence = Outage(answered=at(15), silent=at(20), still=at(still), back=at(still + 5))
    assert graded(evidence(outages=(silence,)))["boot.new reboot"].found.startswith(words)


ENDED = {"why": "time-out", "settled": "", "ready": ""}


@pytest.mark.parametrize(("changes", "grade"), [
    (ENDED | {"ended": at(70)}, Grade.UNPROVEN),
    (ENDED | {"ended": at(94)}, Grade.UNPROVEN),
    (ENDED | {"ended": at(95)}, Grade.FAIL),
    (ENDED | {"ended": at(70), "left_out": 1}, Grade.FAIL),
    (ENDED | {"ended": at(70), "moments": (*evidence().moments, *moments(WEB, (65, CLOSED)))}, Grade.FAIL),
    (ENDED | {"ended": at(70), "moments": (*evidence().moments, *moments(WEB, (63, CLOSED)), *moments(WEB, (66, UP)))},
     Grade.FAIL),
    (ENDED | {"ended": at(70), "outages": (Outage(answered="", silent=at(0), still=at(5), back=at(10)),
                                           *evidence().outages)}, Grade.FAIL),
    (NEVER_DOWN | {"since": at(-60), "ended": at(20)}, Grade.UNPROVEN),
    (NEVER_DOWN | {"since": at(-60), "ended": at(14), "steady_seconds": 0.0}, Grade.UNPROVEN),
    (NEVER_DOWN | {"since": at(-60), "ended": at(15), "steady_seconds": 0.0}, Grade.FAIL),
])
def test_a_watch_that_ended_too_soon_after_the_return_proves_no_restlessness(
    graded: Graded, changes: dict[str, Any], grade: Grade
) -> None:
    """All ports answered to the last round, for less than settling can take: thirty seconds or three rounds, and one round."""
    finding = graded(evidence(**changes))["boot.settled reboot"]
    assert finding.grade is grade
    if grade is Grade.UNPROVEN:
        assert re.search(r"too soon to tell whether it settles, which takes (30|10) s of answers[.]", finding.message)
        assert any("seatrial await" in line for line in finding.fix)


@pytest.mark.parametrize(("changes", "found", "words"), [
    ({"answered_rounds": 20}, "answered in each of 20 rounds", "5 s apart. Whether"),
    ({}, "answered in each of 20 rounds", "5 s apart. Whether"),
    ({"answered_rounds": 12}, "answered in 12 of 20 rounds", "in the others the runner could not ask"),
    ({"answered_rounds": 20, "unwatched": (at(30), at(90))}, "answered in each of 20 rounds, and nobody looked for 60 s",
     "a reboot may lie there".capitalize()),
    ({"answered_rounds": 0}, "could not be asked", "could not ask it in any round"),
])
def test_what_was_not_looked_at_is_not_called_answered(graded: Graded, changes: dict[str, Any], found: str, words: str) -> None:
    """A runner that stood still, or had no way to the host, has seen no reboot and no absence of one."""
    finding = graded(evidence(**NEVER_DOWN | changes))["boot.down reboot"]
    assert finding.grade is Grade.UNPROVEN
    assert finding.found == found
    assert words in finding.message


def shared(make_plan: Callable[..., Plan], mine: BootEvidence, *others: BootEvidence | None,
           on_link: bool | None = None) -> Finding:
    """boot.new of the first host, watched beside others of its network, or of another for the third."""
    plan = make_plan()
    hosts = (plan.hosts[0], *(msgspec.structs.replace(plan.hosts[1], name=f"dome-{place}", network=plan.hosts[0].network)
                              for place, _ in enumerate(others)))
    plan = msgspec.structs.replace(plan, hosts=hosts)
    seen = tuple(HostEvidence(fqdn=host.fqdn, boot=one) for host, one in zip(hosts, (mine, *others), strict=True))
    wires = {} if on_link is None else {hosts[0].network: on_link}
    whole = Evidence(vantage=Vantage(name="pier-1", on_link=wires), started=at(0), finished=at(100), complete=True,
                     site=SiteEvidence(), hosts=seen)
    case = Case(plan=plan, limits=catalogue.limits_of("production"), evidence=whole)
    return next(one for one in boot.grade_host(case, hosts[0], seen[0]) if one.check == "boot.new")


def cut(begun: float, ended: float) -> BootEvidence:
    """Last answered at ``begun``, silent five seconds later, silent for the last time at ``ended``, back five seconds later."""
    return evidence(outages=(Outage(answered=at(begun), silent=at(begun + 5), still=at(ended), back=at(ended + 5)),),
                    answered_rounds=12)


STARTING = evidence(moments=(*evidence().moments, *moments(SHELL, (56, CLOSED))))
UP_THROUGHOUT = evidence(outages=(), answered_rounds=20)


@pytest.mark.parametrize(("mine", "others", "grade"), [
    (evidence(), (cut(15, 50),), Grade.UNPROVEN),
    (evidence(), (cut(12, 53), cut(18, 47)), Grade.UNPROVEN),
    (evidence(), (cut(6, 50),), Grade.UNPROVEN),
    (evidence(), (cut(4, 50),), Grade.PASS),
    (evidence(), (cut(15, 61),), Grade.PASS),
    (evidence(), (evidence(**GONE),), Grade.PASS),
    (evidence(), (None,), Grade.PASS),
    (evidence(), (), Grade.PASS),
    (evidence(), (cut(15, 50), UP_THROUGHOUT), Grade.PASS),
    (evidence(), (cut(15, 50), msgspec.structs.replace(UP_THROUGHOUT, answered_rounds=0)), Grade.UNPROVEN),
    (evidence(), (cut(15, 50), msgspec.structs.replace(UP_THROUGHOUT, unwatched=(at(10), at(60)))), Grade.UNPROVEN),
    (evidence(), (cut(15, 50), msgspec.structs.replace(UP_THROUGHOUT, ended=at(30))), Grade.UNPROVEN),
    (STARTING, (cut(15, 50),), Grade.PASS),
    (evidence(outages=(*cut(-40, -20).outages, *evidence().outages)), (cut(15, 50),), Grade.PASS),
    (evidence(outages=(*cut(-40, -20).outages, *evidence().outages)),
     (evidence(outages=(*cut(-40, -20).outages, *cut(15, 50).outages)),), Grade.UNPROVEN),
    (evidence(before=BootMark(at=at(0), boot_id=OLD), after=BootMark(at=at(95), boot_id=NEW)), (cut(15, 50),), Grade.PASS),
    (evidence(before=BootMark(at=at(0), boot_id=OLD), after=BootMark(at=at(95), boot_id=OLD)), (cut(15, 50),), Grade.FAIL),
])
def test_a_silence_that_others_shared_proves_no_boot(
    make_plan: Callable[..., Plan], mine: BootEvidence, others: tuple[BootEvidence | None, ...], grade: Grade
) -> None:
    """A router that is down for half a minute silences every host behind it, and not one of them has rebooted.

    One event explains both where it can lie in both beginnings and in both ends, give or take a round; a host beside it that
    answered all the while, a service seen starting and the host's own word rule it out.
    """
    finding = shared(make_plan, mine, *others)
    assert finding.grade is grade
    assert (finding.symptom == "shared-silence") is (grade is Grade.UNPROVEN)


@pytest.mark.parametrize(("on_link", "mine", "others", "grade"), [
    (False, evidence(), (), Grade.UNPROVEN),
    (False, evidence(), (None,), Grade.UNPROVEN),
    (False, evidence(), (evidence(**GONE),), Grade.UNPROVEN),
    (False, evidence(), (cut(-40, -20),), Grade.PASS),    # up while this one was silent
    (False, evidence(), (UP_THROUGHOUT,), Grade.PASS),
    (False, STARTING, (), Grade.PASS),
    (False, evidence(before=BootMark(at=at(0), boot_id=OLD), after=BootMark(at=at(95), boot_id=NEW)), (), Grade.PASS),
    (True, evidence(), (), Grade.PASS),
    (None, evidence(), (), Grade.PASS),                   # nobody knows of a router
])
def test_a_silence_behind_a_router_is_the_hosts_own_only_where_something_shows_it(
    make_plan: Callable[..., Plan], on_link: bool | None, mine: BootEvidence, others: tuple[BootEvidence | None, ...],
    grade: Grade,
) -> None:
    """A router that is down for ten seconds looks the same to whoever watches one host alone."""
    finding = shared(make_plan, mine, *others, on_link=on_link)
    assert finding.grade is grade
    assert (finding.symptom == "lone-silence") is (grade is Grade.UNPROVEN)
    assert ("A router stands between" in finding.message) is (grade is Grade.UNPROVEN)


def test_an_address_that_answers_nothing_is_the_cause_of_what_did_not_come_back_at_it(graded: Graded) -> None:
    """No service of it can be enabled to mend that; what is missing at another address is a cause of its own."""
    def fail(check: str, subject: str, symptom: str) -> Finding:
        return Finding(check=check, subject=subject, grade=Grade.FAIL, planned="", found="", message="", symptom=symptom,
                       ref=f"dome-a.obs.example.net|{check}|{subject}")

    silent = fail("host.echo", "192.0.2.11", "silent")
    told = boot.explain([silent, fail("boot.up", "443/tcp at 192.0.2.11", "never"), fail("boot.up", "time 192.0.2.11", "never"),
                         fail("boot.up", "443/tcp at 2001:db8::11", "never"), fail("boot.up", "22/tcp", "never")])
    assert [one.because for one in told] == [(), (silent.ref,), (silent.ref,), (), ()]


@pytest.mark.parametrize(("earlier", "words"), [
    ((), "settled at 2027-03-04 09:01:30 UTC."), ((41.0,), "The one watched before took 41 s."),
    ((41.0, 38.5, 44.0), "The 3 watched before took 38.5 s to 44 s.")])
def test_its_own_earlier_reboots_stand_beside_it(graded: Graded, earlier: tuple[float, ...], words: str) -> None:
    """For the reader to compare: no grade hangs on them."""
    finding = graded(evidence(earlier_seconds=earlier))["boot.settled reboot"]
    assert finding.grade is Grade.PASS
    assert finding.message.endswith(words)


@pytest.mark.parametrize(("after", "grade"), [
    ((("22/tcp 192.0.2.11", "ssh-ed25519", "SHA256:same"),), Grade.PASS),
    ((("22/tcp 192.0.2.11", "ssh-ed25519", "SHA256:other"),), Grade.FAIL),
    ((("22/tcp 192.0.2.11", "ssh-rsa", "SHA256:other"),), None),
    ((), None),
])
def test_the_machine_is_known_by_its_host_key(
    graded: Graded, after: tuple[tuple[str, str, str], ...], grade: Grade | None
) -> None:
    """Compared only where a type of key was proven both times."""
    finding = graded(evidence(keys_after=after)).get("boot.identity 22/tcp")
    assert (finding.grade if finding else None) is grade


def test_a_key_that_changed_without_a_silence_is_not_said_to_have_changed_over_a_reboot(graded: Graded) -> None:
    """Another machine answers, however it came there."""
    changed = NEVER_DOWN | {"keys_after": (("22/tcp 192.0.2.11", "ssh-ed25519", "SHA256:other"),)}
    finding = graded(evidence(**changed))["boot.identity 22/tcp"]
    assert finding.grade is Grade.FAIL
    assert "over the reboot" not in finding.message


def test_every_fail_and_caution_says_how_to_mend_it(graded: Graded) -> None:
    """Over all the stories of this file."""
    stories = (evidence(**GONE), evidence(settled="", ready="", why="time-out"),
               evidence(keys_after=(("22/tcp 192.0.2.11", "ssh-ed25519", "SHA256:other"),)),
               evidence(before=BootMark(at=at(0), boot_id=OLD), after=BootMark(at=at(95), boot_id=OLD)))
    wrong = [one for story in stories for one in graded(story).values() if one.grade in (Grade.FAIL, Grade.CAUTION)]
    assert len(wrong) >= 5
    assert all(one.fix for one in wrong)


def test_what_the_boot_did_not_bring_back_explains_the_later_fails(graded: Graded) -> None:
    """The closed port is the boot's doing, and so is what waits on it."""
    without = tuple(one for one in evidence().moments if one.sign != WEB) + moments(WEB, (0, UP), (20, SILENT), (55, CLOSED))
    boots = list(graded(evidence(moments=without, settled="", ready="", why="time-out")).values())
    cause = next(one for one in boots if one.check == "boot.up" and one.grade is Grade.FAIL)

    def later(check: str, subject: str, grade: Grade) -> Finding:
        return Finding(check=check, subject=subject, grade=grade, planned="", found="", message="",
                       ref=f"dome-a.obs.example.net|{check}|{subject}")

    behind = later("certificate.protocol", "443/tcp", Grade.FAIL)
    told = boot.explain([*boots, later("port.open", "443/tcp", Grade.FAIL), later("port.open", "22/tcp", Grade.FAIL), behind])
    assert [one.because for one in told[-3:]] == [(cause.ref,), (), (cause.ref,)]
    assert next(one for one in told if one.check == "boot.settled").because == (cause.ref,)
    told = boot.explain([*boots, later("port.open", "443/tcp", Grade.PASS), behind])
    assert [one.because for one in told[-2:]] == [(), ()], "a port that accepts by now is not what keeps TLS away"


def test_the_boot_and_the_later_checks_name_a_port_alike(make_plan: Callable[..., Plan]) -> None:
    """Of a host with two addresses too: otherwise what did not come back explains nothing."""
    plan = make_plan(roles=(Role(name="node", open=(Port(443),)),))
    host = msgspec.structs.replace(plan.hosts[0], addresses=(ADDRESS, "192.0.2.111"))
    signs = tuple(Sign("443/tcp", address) for address in host.addresses)
    keys = (("22/tcp 192.0.2.11", "ssh-ed25519", "SHA256:same"),)
    watched = evidence(signs=signs, settled="", ready="", why="time-out", keys_before=keys, keys_after=keys,
                       moments=tuple(one for sign in signs for one in moments(sign, (0, UP), (20, SILENT), (55, CLOSED))))
    refused = tuple(PortEvidence(address=address, port="443/tcp", state=PortState.REFUSED, at="", elapsed_seconds=0.0, attempts=1)
                    for address in host.addresses)
    seen = HostEvidence(fqdn=host.fqdn, boot=watched, ports=refused)
    whole = Evidence(vantage=Vantage(name="pier-1"), started=at(0), finished=at(100), complete=True, site=SiteEvidence(),
                     hosts=(seen,))
    case = Case(plan=plan, limits=catalogue.limits_of("production"), evidence=whole)
    told = boot.explain([*boot.grade_host(case, host, seen), *ports.grade_host(case, host, seen)])
    doors = {one.subject: one.because for one in told if one.check == "port.open"}
    assert doors == {f"443/tcp at {address}": (f"{host.fqdn}|boot.up|443/tcp at {address}",) for address in host.addresses}
    assert [one.subject for one in told if one.check == "boot.identity"] == ["22/tcp at 192.0.2.11"]
