"""What a waiver accepts, what it does not, and when it ends."""

from __future__ import annotations

import datetime
from collections.abc import Callable

import pytest

from shared.findings import Finding, Grade, make_ref
from shared.plan import LeftOut, Plan, Waiver
from verify.grading import waivers

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


def test_a_left_out_check_leaves_no_finding(make_plan: Callable[..., Plan]) -> None:
    """Left out is not waived: nothing is graded."""
    plan = make_plan(left_out=(LeftOut(check="certificate.*", reason="no web server here"),))
    kept = waivers.leave_out(plan, [fail(), fail("port.open")])
    assert [finding.check for finding in kept] == ["port.open"]
