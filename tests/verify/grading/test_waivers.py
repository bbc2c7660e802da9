"""What a waiver accepts, what it does not, and when it ends."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Collection

import msgspec
import pytest

from shared.catalogue import CHECKS
from shared.findings import Finding, Grade, make_ref
from shared.plan import LeftOut, Place, Plan, Waiver
from verify.grading import waivers
from verify.lint import lint

TODAY = datetime.date(2026, 11, 25)
HOST = "dome-a.obs.example.net"


def fail(check: str = "certificate.trust", subject: str = "443/tcp", grade: Grade = Grade.FAIL) -> Finding:
    return Finding(check=check, subject=subject, grade=grade, planned="", found="", message="",
                   ref=make_ref(HOST, check, subject))


def waiver(check: str = "certificate.trust", host: str = "dome-*", until: str = "2027-01-31", subject: str = "*") -> Waiver:
    return Waiver(check=check, host=host, reason="site CA is installed in phase 2", until=until, subject=subject)


@pytest.mark.parametrize(("accepted", "grade"), [
    (waiver(), Grade.WAIVED),
    (waiver(host="dome-a"), Grade.WAIVED),
    (waiver(host="DOME-A.obs.example.net."), Grade.WAIVED),
    (waiver(check="certificate.*"), Grade.WAIVED),
    (waiver(subject="443/tcp"), Grade.WAIVED),
    (waiver(until="2026-11-25"), Grade.WAIVED),
    (waiver(until="2026-11-24"), Grade.FAIL),
    (waiver(host="vault-*"), Grade.FAIL),
    (waiver(host="dome"), Grade.FAIL),
    (waiver(check="certificate.name"), Grade.FAIL),
    (waiver(subject="8443/tcp"), Grade.FAIL),
])
def test_a_waiver_accepts_what_it_names_until_its_last_day(
    make_plan: Callable[..., Plan], accepted: Waiver, grade: Grade
) -> None:
    """Check, host and subject must all match, and the last day still counts."""
    [judged] = waivers.apply(make_plan(waivers=(accepted,)), [fail()], today=TODAY)
    assert judged.grade is grade


@pytest.mark.parametrize(("accepted", "told"), [
    ((waiver(until="2026-11-24"),), "  It was accepted until 2026-11-24 (site CA is installed in phase 2), and is no longer."),
    ((waiver(until="2026-11-24"), waiver()), ""),
    ((waiver(until="2026-11-24", host="vault-*"),), ""),
])
def test_what_was_accepted_before_says_so_when_its_waiver_has_ended(
    make_plan: Callable[..., Plan], accepted: tuple[Waiver, ...], told: str
) -> None:
    """Nothing on the host changed that night: who looks for what did finds the waiver, unless another still holds."""
    weak = msgspec.structs.replace(fail(), message="It is weak.")
    [judged] = waivers.apply(make_plan(waivers=accepted), [weak], today=TODAY)
    assert judged.message == f"It is weak.{told}"
    assert waivers.apply(make_plan(waivers=accepted), [fail(grade=Grade.PASS)], today=TODAY)[0].message == ""


@pytest.mark.parametrize(("named", "subject", "grade"), [
    ("[2001:db8::53]:5353", "[2001:db8::53]:5353", Grade.WAIVED),
    ("[2001:db8::53]:*", "[2001:db8::53]:5353", Grade.WAIVED),
    ("[[]2001:db8::53]:5353", "[2001:db8::53]:5353", Grade.WAIVED),
    ("[::ffff:192.0.2.53]:5353", "[::ffff:192.0.2.53]:5353", Grade.WAIVED),
    ("[2001:db8::53]:5353", "[2001:db8::54]:5353", Grade.FAIL),
    ("[2001:db8::53]:5353", "2:5353", Grade.FAIL),
    # In any form of the address (RFC 4291 section 2.2), on either side.
    ("[2001:DB8:0:0::53]:5353", "[2001:db8::53]:5353", Grade.WAIVED),
    ("2001:0db8::0b", "2001:db8::b", Grade.WAIVED),
    ("2001:DB8:40::*", "2001:db8:40::b", Grade.WAIVED),
    ("* at 2001:DB8:0:0::B", "22/tcp at 2001:db8::b", Grade.WAIVED),
    ("2001:db8::b", "2001:DB8:0:0::B", Grade.WAIVED),
    ("2001:DB8::C", "2001:db8::b", Grade.FAIL),
    ("00:00:5E:*", "00:00:5E:00:53:01", Grade.WAIVED),
    ("[48]*/tcp", "8443/tcp", Grade.WAIVED),
    ("[!4]*/tcp", "443/tcp", Grade.FAIL),
])
def test_the_brackets_of_an_address_stand_for_themselves(
    make_plan: Callable[..., Plan], named: str, subject: str, grade: Grade
) -> None:
    """A server's port is written behind them; other brackets are a choice of characters, as in every pattern."""
    [judged] = waivers.apply(make_plan(waivers=(waiver(subject=named),)), [fail(subject=subject)], today=TODAY)
    assert judged.grade is grade


@pytest.mark.parametrize("grade", [Grade.PASS, Grade.UNPROVEN])
def test_only_fails_and_cautions_can_be_accepted(make_plan: Callable[..., Plan], grade: Grade) -> None:
    """What was not proven cannot be accepted as if it had been, and a pass needs no waiver."""
    [judged] = waivers.apply(make_plan(waivers=(waiver(),)), [fail(grade=grade)], today=TODAY)
    assert judged.grade is grade


def test_a_waived_finding_says_why_until_when_and_what_it_was(make_plan: Callable[..., Plan]) -> None:
    """The reason and the day stay with the finding, and so does its true grade."""
    [judged] = waivers.apply(make_plan(waivers=(waiver(),)), [fail(grade=Grade.CAUTION)], today=TODAY)
    assert "site CA is installed in phase 2" in judged.waiver
    assert "2027-01-31" in judged.waiver
    assert "caution" in judged.waiver


def test_a_fault_that_only_an_accepted_one_explained_stands_for_itself(make_plan: Callable[..., Plan]) -> None:
    """It fails all the same, and would be told nowhere: neither as a cause nor under one."""
    cause, other = fail(), fail("certificate.dates")
    alone = msgspec.structs.replace(fail("certificate.name"), because=(cause.ref,))
    both = msgspec.structs.replace(fail("certificate.key"), because=(cause.ref, other.ref))
    unseen = msgspec.structs.replace(fail("certificate.peers", grade=Grade.UNPROVEN), because=(cause.ref,))
    judged = waivers.apply(make_plan(waivers=(waiver(),)), [cause, other, alone, both, unseen], today=TODAY)
    assert [one.grade for one in judged] == [Grade.WAIVED, Grade.FAIL, Grade.FAIL, Grade.FAIL, Grade.UNPROVEN]
    assert [one.because for one in judged] == [(), (), (), both.because, unseen.because]


def test_a_left_out_check_leaves_no_finding(make_plan: Callable[..., Plan]) -> None:
    """Left out is not waived: nothing is graded."""
    plan = make_plan(left_out=(LeftOut(check="certificate.*", reason="no web server here"),))
    kept = waivers.leave_out(plan, [fail(), fail("port.open")])
    assert [finding.check for finding in kept] == ["port.open"]


def idle_after(
    plan: Plan, *findings: Finding, visited: Collection[str] = (HOST,), checks: Collection[str] = tuple(CHECKS)
) -> Grade:
    """The grade of the plan's one waiver after a run that found ``findings``."""
    linted = lint(plan, today=TODAY).findings
    judged = waivers.say_idle(plan, [*linted, *findings], visited=visited, checks=checks, today=TODAY)
    [own] = [finding for finding in judged if finding.check == "plan.waiver"]
    assert (own.grade is Grade.CAUTION) == bool(own.fix)
    return own.grade


def waiving(make_plan: Callable[..., Plan], accepted: Waiver) -> Plan:
    """A plan of one host with one waiver, as it is read from a file."""
    placed = msgspec.structs.replace(accepted, place=Place("tidewater.toml", 40))
    return make_plan(hosts=make_plan().hosts[:1], waivers=(placed,))


@pytest.mark.parametrize("findings", [[], [fail(grade=Grade.PASS)], [fail("certificate.name")]])
def test_a_waiver_that_accepted_nothing_is_said(make_plan: Callable[..., Plan], findings: list[Finding]) -> None:
    """What it names passed, or no finding has its name: it would hide the next fault."""
    assert idle_after(waiving(make_plan, waiver()), *findings) is Grade.CAUTION


def test_each_waiver_is_told_apart_whatever_is_said_of_it(make_plan: Callable[..., Plan]) -> None:
    """Of three, two of them alike and in no file, the first is in use; no word of any sentence counts."""
    plan = make_plan(hosts=make_plan().hosts[:1], left_out=(LeftOut(check="ssh.*", reason="no SSH"),),
                     waivers=(waiver(subject="443/tcp"), waiver(subject="8443/tcp"), waiver("certificate.name")))
    linted = [msgspec.structs.replace(one, message="other words") for one in lint(plan, today=TODAY).findings]
    judged = waivers.say_idle(plan, [*linted, fail(grade=Grade.WAIVED)], visited=(HOST,), checks=tuple(CHECKS), today=TODAY)
    assert [one.grade for one in judged if one.check == "plan.waiver"] == [
        Grade.PASS, Grade.CAUTION, Grade.CAUTION, Grade.PASS]


@pytest.mark.parametrize("grade", [Grade.WAIVED, Grade.UNPROVEN])
def test_a_waiver_in_use_or_in_doubt_is_left_alone(make_plan: Callable[..., Plan], grade: Grade) -> None:
    """One of several ports is enough, and what could not be judged may still need it."""
    findings = [fail(grade=Grade.PASS), fail(subject="8443/tcp", grade=grade)]
    assert idle_after(waiving(make_plan, waiver()), *findings) is Grade.PASS


def test_a_run_of_a_part_says_nothing_of_waivers_it_did_not_touch(make_plan: Callable[..., Plan]) -> None:
    """A host that was not visited, a check that was not asked for and one that the plan leaves out prove nothing idle."""
    plan = waiving(make_plan, waiver())
    assert idle_after(plan, visited=()) is Grade.PASS
    assert idle_after(plan, checks=["plan.waiver", "name.forward"]) is Grade.PASS
    left = msgspec.structs.replace(plan, left_out=(LeftOut(check="certificate.*", reason="no web server here"),))
    assert all(finding.grade is Grade.PASS for finding in waivers.say_idle(
        left, [f for f in lint(left, today=TODAY).findings if f.check == "plan.waiver"], visited=(HOST,), checks=tuple(CHECKS),
        today=TODAY))


@pytest.mark.parametrize(("until", "left"), [("2026-12-10", Grade.PASS), ("2026-12-09", Grade.CAUTION),
                                             ("2026-11-25", Grade.CAUTION), ("2026-11-24", Grade.CAUTION)])
def test_the_end_of_a_waiver_is_announced_14_days_ahead(make_plan: Callable[..., Plan], until: str, left: Grade) -> None:
    """In use all the time: 15 days are no news, 14 are, and so is the day after the last."""
    assert idle_after(waiving(make_plan, waiver(until=until)), fail(grade=Grade.WAIVED)) is left
