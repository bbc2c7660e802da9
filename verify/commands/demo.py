"""``seatrial demo``: build the laboratory, verify it, write the report."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.option("--output", type=click.Path(path_type=Path, file_okay=False), default=Path("demo"), show_default=True,
              metavar="DIR", help="Folder for the plan and the reports.")
@click.option("--quiet", is_flag=True, help="Print the causes only.")
def command(output: Path, quiet: bool) -> None:
    """Build a small laboratory on this machine's loopback range, verify it, and say where the report is.

    Twelve hosts with real name, time, TLS and SSH servers, ten of them with a fault planted; nothing leaves the machine
    and no privilege is needed.  The exit status is 0 where the demo ran: the planted faults are meant to be found.
    """
    import sys

    from verify import trial
    from verify.commands.console import stop
    from verify.commands.exits import Exit, crashed
    from verify.commands.options import ProbingOptions
    from verify.commands.probing import say, write_reports
    from verify.commands.progress import Progress
    from verify.errors import UsageError
    from verify.files import prove_writable
    from verify.laboratory.scenario import HOSTS
    from verify.laboratory.site import Laboratory
    from verify.planfile import read_plan

    try:
        prove_writable(output)
        with Laboratory(output) as laboratory, Progress(len(HOSTS), shown=not quiet) as progress:
            plan = read_plan(laboratory.plan_file)
            prepared = trial.prepare(plan, trial.Trial(kind="demo", reason="a look at seatrial"))
            report = trial.conduct(prepared, progress.on_host)
        files = [output / "tidewater.html", output / "tidewater.json"]
        options = ProbingOptions(json=str(files[1]), html=str(files[0]), output=output, quiet=quiet)
        written, unwritten = write_reports(report, plan.file, options)
    except UsageError as error:
        stop(error)
    except OSError as error:
        stop(UsageError(f"the laboratory cannot use this machine's loopback range: {error}"))
    say(report, written, options)
    if unwritten:
        stop(UsageError("; ".join(unwritten.values())))
    if crashed(report):
        sys.exit(Exit.INTERNAL)
    sys.exit(Exit.READY if report.run.complete else Exit.INTERRUPTED)
