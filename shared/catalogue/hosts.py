"""Checks of the hosts family (to be filled)."""

from __future__ import annotations

from shared.catalogue.entry import Check, LimitRule

CHECKS: tuple[Check, ...] = ()

LIMITS: tuple[LimitRule, ...] = ()
