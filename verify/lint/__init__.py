"""Mistakes in the plan, found before anything is installed and without a packet sent.

``lint`` is a pure function of the plan and the day.  It reports raw grades: waivers and checks left out are applied by
whoever shows the findings.

In a rehearsal (``Plan.rehearsal``: the domain is reserved by RFC 2606 or RFC 6761, so it cannot be a live site)
documentation, benchmarking and loopback addresses are what one expects, and pass with a message that says so.
"""

from __future__ import annotations

import datetime
import functools

from shared.plan import Plan
from verify.lint.access import check as check_access
from verify.lint.addresses import check as check_addresses
from verify.lint.book import Book, Lint
from verify.lint.duplicates import check as check_duplicates
from verify.lint.gateways import check as check_gateways
from verify.lint.masks import check as check_masks
from verify.lint.names import check as check_names
from verify.lint.networks import check as check_networks
from verify.lint.references import check as check_references
from verify.lint.servers import check as check_servers
from verify.lint.survey import Survey
from verify.lint.waivers import check as check_waivers

__all__ = ["Lint", "lint"]

#: One file a subject, in the order in which a reader mends a plan: what later checks rest on comes first.
_CHECKS = (check_references, check_masks, check_networks, check_gateways, check_addresses, check_duplicates, check_names,
           check_servers, check_access, check_waivers)


def lint(plan: Plan, *, today: datetime.date) -> Lint:
    """Every ``plan.*`` finding: what is wrong, what passed, and what could not be checked and why.

    ``today`` (UTC) decides which waivers have expired.  Raises nothing for any plan.
    """
    return _lint(plan, today)


#: A run asks twice: before anything is sent, and when the plan's findings are put beside those of its hosts.
@functools.lru_cache(maxsize=1)
def _lint(plan: Plan, today: datetime.date) -> Lint:
    book = Book(plan)
    survey = Survey(plan, today)
    for check in _CHECKS:
        check(survey, book)
    return book.close()
