"""What the name servers lack and what they have too much, against the plan: plain data.

Made by ``verify.namesteps``, shown by ``reports.namesteps``.
"""

from __future__ import annotations

import enum

import msgspec

from shared.zonelines import Line


class Action(enum.StrEnum):
    """What to do with one record.  The order is the order of reading."""

    ADD = "add"
    REMOVE = "remove"
    KEEP = "keep"


class Step(msgspec.Struct, frozen=True):
    """One record, the zone it belongs to, and the servers at which this is to be done."""

    action: Action
    zone: str
    line: Line
    servers: tuple[str, ...]


class Unseen(msgspec.Struct, frozen=True):
    """What could not be seen at one server, and why: never a record that is missing."""

    server: str
    why: str
    lines: tuple[Line, ...]


class NameSteps(msgspec.Struct, frozen=True, kw_only=True):
    """The difference between the plan and its name servers, seen from ``vantage`` at ``at`` for so many ``hosts``."""

    servers: tuple[str, ...]
    hosts: int
    vantage: str
    at: str
    steps: tuple[Step, ...]
    unseen: tuple[Unseen, ...]

    def count(self, action: Action) -> int:
        """How many records are to be added, removed or kept, each counted once."""
        return len({(step.zone, step.line) for step in self.steps if step.action is action})

    def changes(self) -> dict[str, tuple[tuple[Line, ...], tuple[Line, ...]]]:
        """For each zone, the lines to add and to remove at any server: what an update of its primary has to hold.

        A record that is there already is not added twice, and removing one that is not there does nothing (RFC 2136
        sections 3.4.2.2 and 3.4.2.4).
        """
        changes: dict[str, tuple[tuple[Line, ...], tuple[Line, ...]]] = {}
        for step in self.steps:
            if step.action is not Action.KEEP:
                add, remove = changes.get(step.zone, ((), ()))
                if step.action is Action.ADD:
                    add = tuple(dict.fromkeys((*add, step.line)))
                else:
                    remove = tuple(dict.fromkeys((*remove, step.line)))
                changes[step.zone] = (add, remove)
        return changes
