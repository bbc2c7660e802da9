"""Service units, as systemctl shows them (systemctl(1))."""

from __future__ import annotations

import re

from shared.hostfacts import MOST, Unit

_UNIT_NAME = re.compile(r"[A-Za-z0-9_.@\\:-]{1,255}\.[a-z]{1,16}")


def units(text: str) -> tuple[Unit, ...] | None:
    """The output of ``systemctl show --property=...``: a block of KEY=VALUE a unit, with an empty line between."""
    found = []
    for block in re.split(r"\n\s*\n", text):
        held = dict(line.partition("=")[::2] for line in block.splitlines() if "=" in line)
        if "Id" in held and "ActiveState" in held:
            found.append(Unit(asked="", name=held["Id"][:255], load=held.get("LoadState", "")[:32],
                              active=held["ActiveState"][:32], enabled=held.get("UnitFileState", "")[:32]))
    return tuple(found[:MOST]) or None


def failed_units(text: str) -> tuple[str, ...] | None:
    """The output of ``systemctl list-units --state=failed``: the first word of each line.  Empty where nothing failed."""
    words = (line.replace("●", " ").replace("*", " ").split() for line in text.splitlines())
    named = tuple(line[0] for line in words if line and _UNIT_NAME.fullmatch(line[0]))
    return named[:MOST] if named or not text.strip() else None
