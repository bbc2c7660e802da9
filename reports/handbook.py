"""The handbook: what each check proves, printed from the catalogue for ``explain`` and for the documentation."""

from __future__ import annotations

import textwrap

from shared import catalogue
from shared.catalogue import PROFILES, Check
from shared.hostcommands import commands_for

_WIDTH = 78
_INDENT = "  "


def contents() -> str:
    """Every check with its title, by family."""
    widest = max(len(name) for name in catalogue.CHECKS)
    lines: list[str] = []
    family = ""
    for check in catalogue.CHECKS.values():
        if check.family != family and family:
            lines.append("")
        family = check.family
        lines.append(f"{check.name:<{widest}}  {check.title}")
    return "\n".join([*lines, "", 'One page of the handbook: "seatrial explain CHECK", or a family: "seatrial explain name.*"'])


def page(name: str, *, profile: str | None = None) -> str:
    """The page of one check, at most 78 columns wide.  Raises KeyError for a check that is not in the catalogue."""
    check = catalogue.find(name)
    return "\n".join([
        check.name,
        "=" * len(check.name),
        check.title,
        *_section("A pass proves", check.proves),
        *_section("It does not prove", check.not_proves),
        *_limits(check, profile),
        *_list("Usual causes where it does not pass", check.causes),
        *_list("What to do", check.mends),
        *_section("Where it came out unproven, this would settle it", check.would_prove),
        *_commands(name),
        *_list("Published basis", check.basis),
        *(_section("Look at these first, where they did not pass either", ", ".join(check.needs)) if check.needs else []),
    ])


def _section(heading: str, text: str) -> list[str]:
    return ["", heading, *textwrap.wrap(text, _WIDTH, initial_indent=_INDENT, subsequent_indent=_INDENT)]


def _list(heading: str, items: tuple[str, ...]) -> list[str]:
    lines = ["", heading] if items else []
    for item in items:
        lines += textwrap.wrap(item, _WIDTH, initial_indent=f"{_INDENT}- ", subsequent_indent=f"{_INDENT}  ",
                               break_long_words=False, break_on_hyphens=False)
    return lines


def _commands(name: str) -> list[str]:
    """What is run on a host for the check, where the plan gives access to it."""
    lines: list[str] = []
    for topic, commands in commands_for(name):
        lines.append(f"{_INDENT}{topic}:")
        for command in commands:
            lines += textwrap.wrap(command, _WIDTH, initial_indent=_INDENT * 2, subsequent_indent=_INDENT * 4,
                                   break_long_words=False, break_on_hyphens=False)
    return ["", "Commands run on the host over SSH, in turn until one gives an answer", *lines] if lines else []


def _limits(check: Check, profile: str | None) -> list[str]:
    lines = ["", "Limits"] if check.limits else []
    for limit_name in check.limits:
        rule = catalogue.LIMITS[limit_name]
        lines += [f"{_INDENT}{limit_name:<28} {name:<11} {rule.under(name).show()}"
                  for name in ((profile,) if profile else PROFILES)]
        lines += textwrap.wrap(f"origin: {rule.origin}", _WIDTH, initial_indent=_INDENT * 2, subsequent_indent=_INDENT * 2)
    return lines
