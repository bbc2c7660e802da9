"""Which hosts and which checks a command line asks for."""

from __future__ import annotations

import fnmatch

from shared import catalogue
from shared.addresses import with_canonical_addresses
from shared.hostnames import canonical
from shared.plan import Host, Plan
from verify.errors import UsageError, nearest


def choose_hosts(plan: Plan, patterns: tuple[str, ...]) -> tuple[Host, ...]:
    """The planned hosts that any pattern names, short or fully qualified, ``*`` allowed; all of them without a pattern.

    What names no host may be the address of one, in any form (RFC 4291 section 2.2).
    Raises UsageError for a pattern that names no planned host.
    """
    if not patterns:
        return plan.hosts
    chosen: set[str] = set()
    for pattern in patterns:
        wanted = canonical(pattern)
        named = {host.fqdn for host in plan.hosts
                 if fnmatch.fnmatchcase(host.fqdn, wanted) or fnmatch.fnmatchcase(canonical(host.name), wanted)
                 or fnmatch.fnmatchcase(host.fqdn.partition(".")[0], wanted)}
        if not named:
            address = with_canonical_addresses(pattern)
            named = {host.fqdn for host in plan.hosts if any(fnmatch.fnmatchcase(one, address) for one in host.addresses)}
        if not named:
            near = nearest(wanted, [canonical(host.name) for host in plan.hosts])
            hint = f'; did you mean "{near}"?' if near else ""
            raise UsageError(f'--host {pattern}: {plan.file} plans no host of that name or address{hint}')
        chosen |= named
    return tuple(host for host in plan.hosts if host.fqdn in chosen)


def choose_checks(patterns: tuple[str, ...]) -> frozenset[str]:
    """The checks that any pattern selects ("name.forward", "name.*"); all of them without a pattern.

    Raises UsageError for a pattern that selects nothing.
    """
    if not patterns:
        return frozenset(catalogue.CHECKS)
    chosen: set[str] = set()
    for pattern in patterns:
        selected = catalogue.matching(pattern)
        if not selected:
            raise UsageError(f'--only {pattern}: there is no such check{nearest_check(pattern)}')
        chosen.update(selected)
    return frozenset(chosen)


def nearest_check(name: str) -> str:
    """The end of a sentence about an unknown check: the nearest one there is, or where to look."""
    near = nearest(name, catalogue.CHECKS)
    return f'; did you mean "{near}"?' if near else '; "seatrial explain" lists them all'
