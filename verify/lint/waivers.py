"""``plan.waiver``: waivers and checks left out that have expired, soon will, or mean nothing."""

from __future__ import annotations

import datetime
import fnmatch

from shared import catalogue
from shared.findings import SITE
from shared.hostnames import canonical
from shared.plan import Plan, Waiver
from shared.slips import nearest
from verify.lint.book import Book
from verify.lint.survey import Survey

#: A fortnight is time to mend or to ask again (common practice, no source).
_SOON_DAYS = 14


def check(survey: Survey, book: Book) -> None:
    """Every waiver, then every check that the plan leaves out."""
    for waiver in survey.plan.waivers:
        _waiver(waiver, survey, book)
    for left in survey.plan.left_out:
        if not catalogue.matching(left.check):
            book.caution(SITE, "plan.waiver", f"left out: {left.check}", left.place, planned="a check that exists",
                         found=left.check, message=f"the plan leaves out {left.check}, and {_no_check(left.check)}",
                         fix=_right_check(left.check))
        else:
            book.passed(SITE, "plan.waiver", f"left out: {left.check}", left.place, planned="a check that exists",
                        found=left.check, message=f"the plan leaves out {left.check}, which exists")


def _waiver(waiver: Waiver, survey: Survey, book: Book) -> None:
    subject = f"{waiver.check} for {waiver.host}"
    until = _day(waiver.until)
    if until is None:
        book.fail(SITE, "plan.waiver", subject, waiver.place, planned="a day", found=waiver.until or "nothing",
                  message=f'the waiver of {subject} ends on "{waiver.until}", which is no day',
                  fix=(f"until = {(survey.today + datetime.timedelta(days=90)).isoformat()}",))
        return
    fault, fix = _meaningless(waiver, survey.plan)
    left_days = (until - survey.today).days
    if left_days < 0:
        fault, fix = f"ended on {waiver.until} and accepts nothing any more", _RENEW
    elif fault is None and left_days <= _SOON_DAYS:
        when = "today" if left_days == 0 else f"in {left_days} day{'s' if left_days > 1 else ''}"
        fault, fix = f"ends {when}, on {waiver.until}", _RENEW
    if fault:
        book.caution(SITE, "plan.waiver", subject, waiver.place, planned="in force, and about something planned",
                     found=waiver.until, message=f"the waiver of {subject} {fault}", fix=fix)
    else:
        book.passed(SITE, "plan.waiver", subject, waiver.place, planned="in force, and about something planned",
                    found=waiver.until, message=f"the waiver of {subject} is in force until {waiver.until}")


def _day(text: str) -> datetime.date | None:
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        return None


def _meaningless(waiver: Waiver, plan: Plan) -> tuple[str | None, tuple[str, ...]]:
    """Why a waiver can match no finding, and the mend."""
    if not catalogue.matching(waiver.check):
        return f"matches nothing: {_no_check(waiver.check)}", _right_check(waiver.check)
    wanted = canonical(waiver.host)
    names = [SITE, *(name for host in plan.hosts for name in (canonical(host.name), host.fqdn))]
    if not any(fnmatch.fnmatchcase(name, wanted) for name in names):
        slip = nearest(wanted, names)
        return "matches nothing: the plan has no such host", (f'host = "{slip.meant}"',) if slip else ("delete the waiver",)
    return None, ()


def _no_check(pattern: str) -> str:
    return f'there is no check "{pattern}"'


def _right_check(pattern: str) -> tuple[str, ...]:
    slip = nearest(pattern, catalogue.CHECKS)
    return (f'check = "{slip.meant}"',) if slip else ('seatrial explain lists every check',)


_RENEW = ("mend what it accepts and delete it, or agree on a new day and write until = YYYY-MM-DD",)
