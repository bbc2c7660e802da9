"""``seatrial schedule``: print what makes a machine run ``drift`` every night."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from verify.commands.options import store_option


class _Daytime(click.ParamType):  # type: ignore[type-arg]  # generic in the newest click only
    """A time of day, HH:MM."""

    name = "time"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, int]:
        hours, _colon, minutes = str(value).partition(":")
        if not (hours.isdigit() and minutes.isdigit() and len(minutes) == 2 and int(hours) < 24 and int(minutes) < 60):
            self.fail(f'"{value}" is not a time of day; write HH:MM, such as 02:30', param, ctx)
        return int(hours), int(minutes)


@click.command()
@click.argument("plan", type=click.Path(path_type=Path))
@click.option("--at", type=_Daytime(), default="02:30", show_default=True, metavar="HH:MM", help="When, by this machine's clock.")
@click.option("--output", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="Folder for the nightly reports; seatrial-reports beside the plan unless given.")
@click.option("--profile", metavar="NAME|FILE", help="Limits to grade with, as for drift.")
@click.option("--strict", is_flag=True, help="Let the nightly run fail on cautions and on any change too.")
@store_option
def command(plan: Path, at: tuple[int, int], output: Path | None, profile: str | None, strict: bool, store: str | None) -> None:
    """Print a systemd service and timer, and a crontab line, for a nightly drift run of PLAN.

    Nothing is installed and nothing is changed: the lines are for you to read and to put where they belong.  Use one of the
    two; were both in place, a lock would keep their runs apart.
    """
    from reports.schedules import Nightly, schedule_text
    from verify.commands.console import stop
    from verify.commands.options import account
    from verify.errors import PlanError, UsageError
    from verify.history.errors import HistoryError
    from verify.history.place import place_of
    from verify.planfile import read_plan
    from verify.planfile.profiles import limits_in_force

    try:
        read = read_plan(plan)
        limits_in_force(read, profile)
        place = place_of(store)
        _say_password(place, account())
        path = plan.absolute()
        words = (*_program(), "drift", str(path), "--output", str((output or path.parent / "seatrial-reports").absolute()),
                 "--store", place, *_profile(profile), *(["--strict"] if strict else []))
        unprintable = [word for word in words if not word.isprintable()]
        if unprintable:
            raise UsageError(f"{unprintable[0]!r} holds a character that neither a unit file nor a crontab can; rename it")
    except (HistoryError, PlanError, UsageError) as error:
        stop(error)
    click.echo(schedule_text(Nightly(title=read.title, domain=read.domain, words=words, folder=str(path.parent),
                                     account=account(), hour=at[0], minute=at[1])), nl=False)
    sys.exit(0)


def _say_password(place: str, user: str) -> None:
    """Warn of a password in the URL of the history.  Raises HistoryError for a URL that no run could be stored under."""
    from verify.history.place import is_url

    if not is_url(place):
        return
    from verify.history.address import holds_secret, read_url

    if holds_secret(read_url(place)):
        click.echo("the password in the URL of the history stands in these lines, and whoever reads them or lists the processes "
                   f"of that night reads it; leave it out, and keep it in ~/.pgpass of {user or 'the account that runs them'}",
                   err=True)


def _program() -> tuple[str, ...]:
    """How to call this very program from anywhere."""
    called = Path(sys.argv[0]).absolute()
    if called.name == "seatrial" and called.exists():
        return (str(called),)
    return (sys.executable, "-m", "verify")


def _profile(profile: str | None) -> tuple[str, ...]:
    """A profile as it will be found from anywhere: a name as it is, a file by its path."""
    if profile is None:
        return ()
    is_file = profile.endswith(".toml") or "/" in profile
    return ("--profile", str(Path(profile).absolute()) if is_file else profile)
