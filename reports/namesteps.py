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
        lines += ["", f"; zone {zone}", *_late_lines(found, zone)]
        for action in Action:
            lines += [_step_line(step, found) for step in found.steps if step.zone == zone and step.action is action]
    counts = ", ".join(f"{found.count(action)} to {action}" for action in Action)
    lost = sum(len(unseen.lines) for unseen in found.unseen)
    tail = f"; {many(lost, 'answer')} not seen" if lost else ""
    return "\n".join(visible(line) for line in [*lines, "", f"; {counts}{tail}"]) + "\n"


def comments(found: NameSteps) -> str:
    """What could not be seen, and what is only late, as comments that lead an update script."""
    late = [line for zone in dict.fromkeys(step.zone for step in found.steps) for line in _late_lines(found, zone)]
    return "".join(visible(line) + "\n" for line in (*_unseen_lines(found.unseen), *late))


def _unseen_lines(unseen: Sequence[Unseen]) -> list[str]:
    return [f"; not seen at {one.server}: {one.why} ({many(len(one.lines), 'record')}, of which nothing is said)"
            for one in unseen]


def _late_lines(found: NameSteps, zone: str) -> list[str]:
    """The servers that lack what another has: adding it again helps none of them where they hold an old copy."""
    steps = [step for step in found.steps if step.zone == zone]
    there = {step.line for step in steps if step.action is Action.KEEP}
    lacking = dict.fromkeys(server for step in steps if step.action is Action.ADD and step.line in there
                            for server in step.servers)
    return [f"; {server} lacks what another server has: has it fetched {zone} since?" for server in lacking]


def _step_line(step: Step, found: NameSteps) -> str:
    where = "" if step.servers == found.servers else f"    ; at {', '.join(step.servers)}"
    return f"{step.action:<7} {step.line.absolute()}{where}"
