"""Checks of the shells family (to be filled)."""

from __future__ import annotations

from shared.catalogue.entry import Check, LimitRule

CHECKS: tuple[Check, ...] = ()

LIMITS: tuple[LimitRule, ...] = ()
