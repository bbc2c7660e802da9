"""``seatrial lint``: find mistakes in the plan before anything is installed."""

from __future__ import annotations

import sys
from pathlib import Path

import click


@click.command()
@click.argument("plan", type=click.Path(path_type=Path))
@click.option("--strict", is_flag=True, help="Exit with 1 on cautions too.")
@click.option("--quiet", is_flag=True, help="Print nothing when there is nothing to mend.")
def command(plan: Path, strict: bool, quiet: bool) -> None:
    """Find mistakes in PLAN before anything is installed.  Touches no network.

    Masks, gateways, addresses, duplicates, names, servers and waivers are judged by the published rules; every mistake
    is shown with its line and its mend.  Exit status 0: nothing to mend (cautions included); 1: a mistake; 2: the file
    cannot be read as a plan.
    """
    from reports.marks import many
    from shared.findings import Grade
    from shared.safetext import visible
    from verify.commands.console import say_remarks, stop
    from verify.commands.exits import Exit
    from verify.errors import PlanError
    from verify.grading import waivers
    from verify.lint import lint
    from verify.planfile import read_plan
    from verify.planfile.profiles import limits_in_force
    from verify.trial import today

    try:
        read = read_plan(plan)
        limits_in_force(read, None)
    except PlanError as error:
        stop(error)
    findings = waivers.apply(read, waivers.leave_out(read, list(lint(read, today=today()).findings)), today=today())
    wrong = [finding for finding in findings if finding.grade in (Grade.FAIL, Grade.CAUTION)]
    if wrong or not quiet:
        say_remarks(read, err=False)
    for finding in wrong:
        click.echo(f"{finding.grade}  {finding.check}  {visible(finding.message)}")
        for line in finding.fix:
            click.echo(f"      {visible(line)}")
    fails = sum(finding.grade is Grade.FAIL for finding in wrong)
    waived = sum(finding.grade is Grade.WAIVED for finding in findings)
    if wrong or not quiet:
        tail = f", {waived} waived" if waived else ""
        hosts = many(len(read.hosts), "host")
        click.echo(f"{visible(read.file)}: {hosts}, {fails} to mend, {len(wrong) - fails} to consider{tail}")
    sys.exit(Exit.FAILED if fails or (strict and wrong) else Exit.READY)
