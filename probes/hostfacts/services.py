"""Service units, as systemctl shows them (systemctl(1))."""

from __future__ import annotations

import itertools
import re

from shared.hostfacts import MOST, Unit

#: Of the units that start another one, so many names are kept (our own bound).
_NAMES_KEPT = 16
_UNIT_NAME = re.compile(r"[A-Za-z0-9_.@\\:-]{1,255}\.[a-z]{1,16}")


def units(text: str) -> tuple[Unit, ...] | None:
    """The output of ``systemctl show --property=...``: a block of KEY=VALUE a unit, with an empty line between."""
    found = []
    for block in re.split(r"\n\s*\n", text):
        held = dict(line.partition("=")[::2] for line in block.splitlines() if "=" in line)
        if _UNIT_NAME.fullmatch(held.get("Id", "")) and "ActiveState" in held:
            wanting = [_listed(held[key]) for key in ("WantedBy", "RequiredBy") if key in held]
            found.append(Unit(asked="", name=held["Id"], load=held.get("LoadState", "")[:32],
                              active=held["ActiveState"][:32], enabled=held.get("UnitFileState", "")[:32],
                              sub=held.get("SubState", "")[:32], began_seconds=_began(held),
                              triggered_by=_listed(held["TriggeredBy"]) if "TriggeredBy" in held else None,
                              wanted_by=tuple(itertools.chain(*wanting))[:_NAMES_KEPT] if wanting else None))
    return tuple(found[:MOST]) or None


def _began(held: dict[str, str]) -> float | None:
    """When a unit last became active: told in microseconds since the boot, and 0 where it never did (systemd(1) on the bus)."""
    said = held.get("ActiveEnterTimestampMonotonic", "")
    return int(said) / 1e6 if said.isascii() and said.isdecimal() and len(said) < 19 and int(said) else None


def _listed(names: str) -> tuple[str, ...]:
    return tuple(name[:255] for name in names.split()[:_NAMES_KEPT])


def failed_units(text: str) -> tuple[str, ...] | None:
    """The output of ``systemctl list-units --state=failed``: the first word of each line.  Empty where nothing failed."""
    words = (line.replace("●", " ").replace("*", " ").split() for line in text.splitlines())
    named = tuple(line[0] for line in words if line and _UNIT_NAME.fullmatch(line[0]))
    return named[:MOST] if named or not text.strip() else None
