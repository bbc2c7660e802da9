"""The catalogue of checks: one entry a check, one file a family.

``explain``, lint, grading, the reports and the documentation all read this one list, so that the rule applied and the
rule shown cannot differ.
"""

from __future__ import annotations

import fnmatch

from shared.catalogue.entry import PROFILES, Check, LimitRule
from shared.quantities import Limits

from . import boots, certificates, clocks, gateways, hosts, names, plans, ports, ssh, systems

__all__ = ["CHECKS", "LIMITS", "PROFILES", "Check", "LimitRule", "find", "limits_of", "matching"]

_FAMILIES = (plans, names, gateways, hosts, clocks, certificates, ports, ssh, systems, boots)

#: Every check by name, in the order in which a report shows them.
CHECKS: dict[str, Check] = {check.name: check for family in _FAMILIES for check in family.CHECKS}

#: Every limit by name.
LIMITS: dict[str, LimitRule] = {rule.name: rule for family in _FAMILIES for rule in family.LIMITS}


def find(name: str) -> Check:
    """The entry of a check.  Raises KeyError for a name that is not in the catalogue."""
    return CHECKS[name]


def matching(pattern: str) -> tuple[str, ...]:
    """The names of the checks that ``pattern`` ("name.forward", "name.*") selects, in catalogue order."""
    return tuple(name for name in CHECKS if fnmatch.fnmatchcase(name, pattern))


def limits_of(profile: str) -> dict[str, Limits]:
    """Every limit under one profile.  Raises KeyError for an unknown profile."""
    return {name: rule.under(profile) for name, rule in LIMITS.items()}
