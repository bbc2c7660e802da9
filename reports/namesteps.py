"""What the name servers lack and what they have too much, against the plan, as text."""

from __future__ import annotations

from collections.abc import Sequence

from reports.marks import many
from shared.namesteps import Action, NameSteps, Step, Unseen
from shared.safetext import visible


def to_text(found: NameSteps) -> str:
    """The difference zone by zone, what could not be seen first."""
    lines = [f"; asked {', '.join(found.servers)} about {many(found.hosts, 'host')}, from {found.vantage}, {found.at}"]
    lines += _unseen_lines(found.unseen)
    for zone in dict.fromkeys(step.zone for step in found.steps):
        lines += ["", f"; zone {zone}"]
        for action in Action:
            lines += [_step_line(step, found) for step in found.steps if step.zone == zone and step.action is action]
    counts = ", ".join(f"{found.count(action)} to {action}" for action in Action)
    lost = sum(len(unseen.lines) for unseen in found.unseen)
    tail = f"; {many(lost, 'answer')} not seen" if lost else ""
    return "\n".join(visible(line) for line in [*lines, "", f"; {counts}{tail}"]) + "\n"


def comments(found: NameSteps) -> str:
    """What could not be seen, as comments that lead an update script."""
    return "".join(visible(line) + "\n" for line in _unseen_lines(found.unseen))


def _unseen_lines(unseen: Sequence[Unseen]) -> list[str]:
    return [f"; not seen at {one.server}: {one.why} ({many(len(one.lines), 'record')}, of which nothing is said)"
            for one in unseen]


def _step_line(step: Step, found: NameSteps) -> str:
    where = "" if step.servers == found.servers else f"    ; at {', '.join(step.servers)}"
    return f"{step.action:<7} {step.line.absolute()}{where}"
