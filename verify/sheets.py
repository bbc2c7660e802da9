"""What has to be known of a plan before anything is printed from it: the faults that would be typed in, and the cautions."""

from __future__ import annotations

import datetime
import secrets
from collections.abc import Callable, Sequence

import msgspec

from reports.sheetview import MarginNote
from shared import catalogue
from shared.evidence import Evidence, HostEvidence
from shared.findings import SITE, Finding, Grade
from shared.namesteps import NameSteps
from shared.plan import Host, Plan
from shared.questions import Pace
from verify import itinerary, trial
from verify.grading import waivers
from verify.lint import lint
from verify.namesteps import classless_questions, name_steps

#: What no waiver and no leaving out makes printable: names, addresses and masks that are none.
_FIRM = frozenset({"plan.mask", "plan.address", "plan.host-name", "plan.suffix", "plan.name-servers"})


def judged(plan: Plan, chosen: Sequence[Host], *, today: datetime.date) -> tuple[tuple[str, ...], tuple[MarginNote, ...]]:
    """The faults that would make a sheet of the ``chosen`` hosts wrong, with their mends as lines; and the margin notes.

    A fault that the plan waives is no fault here, and stands in the margin with its reason; but for what has to be readable
    for a sheet or a zone line to be written at all.
    """
    raw = lint(plan, today=today)
    firm = [finding for finding in raw.findings if finding.grade is Grade.FAIL
            and (finding.check in _FIRM or finding.ref in raw.stops)]
    loose = [finding for finding in raw.findings if finding not in firm]
    linted = [*firm, *waivers.apply(plan, waivers.leave_out(plan, loose), today=today)]
    owners = {SITE, *(host.fqdn for host in chosen)}
    about = [finding for finding in linted if finding.host in owners]
    faults = tuple(line for finding in about if finding.grade is Grade.FAIL
                   for line in (finding.message, *(f"      {mend}" for mend in finding.fix)))
    notes = [MarginNote("remark", remark) for remark in plan.remarks]
    notes += [_note(plan, finding) for finding in about if finding.grade in (Grade.CAUTION, Grade.WAIVED)]
    return faults, tuple(notes)


def _note(plan: Plan, finding: Finding) -> MarginNote:
    # The sheet's foot names the plan; in the margin its lines are enough.
    here = f"{plan.file}:"
    text = finding.message.replace(here, "line ", 1) if finding.message.startswith(here) else finding.message
    if finding.grade is Grade.WAIVED:
        return MarginNote("accepted", f"{text}. {finding.waiver}", "" if finding.host == SITE else finding.host)
    return MarginNote("caution", text, "" if finding.host == SITE else finding.host)


def zone_serial(now: datetime.datetime) -> int:
    """A zone's serial: the day in UTC and, as its two last digits, the quarter of an hour (RFC 1912 section 2.2 has the form).

    It grows with every quarter of an hour, so that a zone written twice in a day is seen to be newer.
    """
    now = now.astimezone(datetime.UTC)
    return int(f"{now:%Y%m%d}{now.hour * 4 + now.minute // 15:02d}")


def ask_names(
    plan: Plan, chosen: Sequence[Host], pace: Pace, on_host: Callable[[HostEvidence], None] = lambda _host: None,
) -> tuple[Evidence, NameSteps]:
    """Ask the planned name servers about the chosen hosts, and hold what they say against the plan.  Blocks meanwhile."""
    checks = [name for name, check in catalogue.CHECKS.items() if check.family == "name"]
    questions = itinerary.draw_up(plan, pace=trial.within_descriptors(pace), sibling=f"seatrial-{secrets.token_hex(6)}",
                                  chosen=chosen, checks=checks)
    site = questions.site
    site = msgspec.structs.replace(site, names=(*site.names, *classless_questions(plan, chosen)))
    evidence = trial.probe(msgspec.structs.replace(questions, site=site), on_host)
    return evidence, name_steps(plan, evidence)
