"""The handbook: what each check proves, printed from the catalogue for ``explain`` and for the documentation."""

from __future__ import annotations

import textwrap

from shared import catalogue
from shared.catalogue import PROFILES, Check
from shared.hostcommands import commands_for

#: The widest a page is; on a narrower terminal it is as wide as that.
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


def page(name: str, *, profile: str | None = None, width: int = _WIDTH) -> str:
    """The page of one check, at most 78 columns wide, and no wider than ``width`` where a single word is not.

    Raises KeyError for a check that is not in the catalogue.
    """
    check = catalogue.find(name)
    width = min(width, _WIDTH)
    return "\n".join([
        check.name,
        "=" * len(check.name),
        check.title,
        *_section("A pass proves", check.proves, width),
        *_section("It does not prove", check.not_proves, width),
        *_limits(check, profile, width),
        *_list("Usual causes where it does not pass", check.causes, width),
        *_list("What to do", check.mends, width),
        *_section("Where it came out unproven, this would settle it", check.would_prove, width),
        *_commands(name, width),
        *_list("Published basis", check.basis, width),
        *(_section("Look at these first, where they did not pass either", ", ".join(check.needs), width) if check.needs else []),
    ])


def _section(heading: str, text: str, width: int) -> list[str]:
    return ["", heading, *textwrap.wrap(text, width, initial_indent=_INDENT, subsequent_indent=_INDENT,
                                         break_on_hyphens=False)]


def _list(heading: str, items: tuple[str, ...], width: int) -> list[str]:
    lines = ["", heading] if items else []
    for item in items:
        lines += textwrap.wrap(item, width, initial_indent=f"{_INDENT}- ", subsequent_indent=f"{_INDENT}  ",
                               break_long_words=False, break_on_hyphens=False)
    return lines


def _commands(name: str, width: int) -> list[str]:
    """What is run on a host for the check, where the plan gives access to it."""
    lines: list[str] = []
    for topic, commands in commands_for(name):
        lines.append(f"{_INDENT}{topic}:")
        for command in commands:
            lines += textwrap.wrap(command, width, initial_indent=_INDENT * 2, subsequent_indent=_INDENT * 4,
                                   break_long_words=False, break_on_hyphens=False)
    return ["", "Commands run on the host over SSH, in turn until one gives an answer", *lines] if lines else []


def _limits(check: Check, profile: str | None, width: int) -> list[str]:
    lines = ["", "Limits"] if check.limits else []
    widest = max(map(len, check.limits), default=0)
    for limit_name in check.limits:
        rule = catalogue.LIMITS[limit_name]
        for name in (profile,) if profile else PROFILES:
            lines += textwrap.wrap(f"{_INDENT}{limit_name:<{widest}}  {name:<10}  {rule.under(name).show()}", width,
                                   subsequent_indent=_INDENT * 4)
        lines += textwrap.wrap(f"origin: {rule.origin}", width, initial_indent=_INDENT * 2, subsequent_indent=_INDENT * 2,
                               break_on_hyphens=False)
    return lines
