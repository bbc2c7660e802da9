"""Mistakes in the plan, found before anything is installed and without a packet sent.

``lint`` is a pure function of the plan and the day.  It reports raw grades: waivers and checks left out are applied by
whoever shows the findings.

In a rehearsal (``Plan.rehearsal``: the domain is reserved by RFC 2606 or RFC 6761, so it cannot be a live site)
documentation, benchmarking and loopback addresses are what one expects, and pass with a message that says so.
"""

from __future__ import annotations

import datetime

from shared.plan import Plan
from verify.lint import addresses, duplicates, gateways, masks, names, networks, references, servers, waivers
from verify.lint.book import Book, Lint
from verify.lint.survey import Survey

__all__ = ["Lint", "lint"]

#: One file a subject, in the order in which a reader mends a plan: what later checks rest on comes first.
_SUBJECTS = (references, masks, networks, gateways, addresses, duplicates, names, servers, waivers)


def lint(plan: Plan, *, today: datetime.date) -> Lint:
    """Every ``plan.*`` finding: what is wrong, what passed, and what could not be checked and why.

    ``today`` (UTC) decides which waivers have expired.  Raises nothing for any plan.
    """
    book = Book(plan)
    survey = Survey(plan, today)
    for subject in _SUBJECTS:
        subject.check(survey, book)
    return book.close()
