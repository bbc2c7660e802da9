"""``seatrial explain``: one page of the handbook."""

from __future__ import annotations

import sys

import click

#: A column too narrow to wrap text in helps nobody.
_NARROWEST = 40


@click.command()
@click.argument("check", required=False)
@click.option("--profile", metavar="NAME", help="Show the limits of one profile only: lab, production or strict.")
def command(check: str | None, profile: str | None) -> None:
    """Say what CHECK proves, its limits and their origin, its published basis, its usual causes and mends.

    Without CHECK, list every check with its title.  A family ("name.*") prints a page for each of its checks.
    """
    from reports.handbook import contents, page
    from shared import catalogue
    from verify.commands.console import columns, stop
    from verify.errors import UsageError
    from verify.selection import nearest_check

    if profile is not None and profile not in catalogue.PROFILES:
        stop(UsageError(f'--profile {profile}: the profiles are {", ".join(catalogue.PROFILES)}'))
    if check is None:
        click.echo(contents())
        return
    names = catalogue.matching(check)
    if not names:
        stop(UsageError(f'"{check}" is not a check{nearest_check(check)}'))
    click.echo("\n\n".join(page(name, profile=profile, width=max(columns(), _NARROWEST)) for name in names))
    sys.exit(0)
