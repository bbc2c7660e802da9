"""The options that every probing command takes, and what they add up to."""

from __future__ import annotations

import getpass
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click
import msgspec

from shared.questions import Pace
from verify.version import VERSION

F = TypeVar("F", bound=Callable[..., Any])

#: How gently to ask where the command line does not say.
DEFAULT_PACE = Pace()


class ProbingOptions(msgspec.Struct, frozen=True, kw_only=True):
    """What the command line asked for, as typed, before any of it is checked against a plan."""

    host: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    profile: str | None = None
    json: str | None = None
    html: str | None = None
    output: Path
    reason: str = ""
    ticket: str = ""
    operator: str = ""
    limit_rate: float = DEFAULT_PACE.packets_per_second
    concurrency: int = DEFAULT_PACE.hosts
    timeout: float = DEFAULT_PACE.timeout_seconds
    strict: bool = False
    quiet: bool = False
    store: str | None = None
    no_store: bool = False
    reviewer: str = ""
    workers: int = 0

    def pace(self) -> Pace:
        """How gently to ask; the agent names the tool and the ticket to whoever reads the other side's log."""
        agent = f"seatrial/{VERSION}" + (f" ({self.ticket})" if self.ticket else "")
        return Pace(timeout_seconds=self.timeout, packets_per_second=self.limit_rate, hosts=self.concurrency, agent=agent)


class Rate(click.ParamType):  # type: ignore[type-arg]  # generic in the newest click only
    """Packets a second, written "200/s" or "200"."""

    name = "rate"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The rate in packets a second."""
        text = str(value).removesuffix("/s")
        try:
            rate = float(text)
        except ValueError:
            rate = 0.0
        if not 1 <= rate <= 1_000_000:
            self.fail(f'"{value}" is not a rate; write packets a second from 1 to 1000000, such as 200/s', param, ctx)
        return rate


class Seconds(click.ParamType):  # type: ignore[type-arg]  # generic in the newest click only
    """A time-out in seconds, with or without its unit."""

    name = "seconds"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The time-out in seconds."""
        text = str(value).removesuffix("s").strip()
        try:
            seconds = float(text)
        except ValueError:
            seconds = 0.0
        if not 0.1 <= seconds <= 600:
            self.fail(f'"{value}" is not a time-out; write seconds from 0.1 to 600, such as 6', param, ctx)
        return seconds


def account() -> str:
    """The name of the account this runs under, or nothing where it has none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return ""


#: Where the history is: for every command that touches it.
store_option = click.option("--store", metavar="URL|FILE", help="The history of runs: an SQLite file, or a database URL; "
                                                                "a file in your state folder unless given.")

_OPTIONS = (
    click.option("--host", multiple=True, metavar="NAME", help="Only hosts of this name or address; repeatable, and * works."),
    click.option("--only", multiple=True, metavar="CHECK", help='Only this check, or a family as "name.*"; repeatable.'),
    click.option("--profile", metavar="NAME|FILE", help="Limits to grade with: lab, production, strict, or a TOML file."),
    click.option("--json", metavar="FILE", help="Write the JSON report here; - is standard output."),
    click.option("--html", metavar="FILE", help="Write the HTML report here; - is standard output."),
    click.option("--output", type=click.Path(path_type=Path, file_okay=False), default=Path("seatrial-reports"),
                 show_default=True, metavar="DIR", help="Folder for reports that have no file of their own."),
    click.option("--reason", default="", metavar="TEXT", help="Why the run is made; kept in the report."),
    click.option("--ticket", default="", metavar="TEXT", help="Change ticket; kept in the report."),
    click.option("--operator", default=account, metavar="TEXT", help="Who runs it; your account name unless given."),
    click.option("--reviewer", default="", metavar="TEXT", help="Who is to check the run; kept in the report."),
    click.option("--limit-rate", type=Rate(), default=f"{DEFAULT_PACE.packets_per_second:g}/s", show_default=True,
                 metavar="N/s", help="Packets sent a second, at most."),
    click.option("--concurrency", type=click.IntRange(1, 100_000), default=DEFAULT_PACE.hosts, show_default=True, metavar="N",
                 help="Hosts visited at the same time, at most."),
    click.option("--workers", type=click.IntRange(0, 64), default=0, show_default=True, metavar="N",
                 help="Processes that ask; 0 is as many as the rate and the cores can keep busy."),
    click.option("--strict", is_flag=True, help="Exit with 1 on cautions too."),
    click.option("--quiet", is_flag=True, help="Print the causes only, and nothing when there are none."),
    store_option,
    click.option("--no-store", is_flag=True, help="Leave this run out of the history."),
)


def probing_options(command: F, *, timeout_flag: str = "--timeout") -> F:
    """Add every option that probing commands share; the command receives them as one ``ProbingOptions``.

    ``timeout_flag`` is how the longest wait for one question is called, for a command that waits for something else too.
    """

    def gathered(**values: Any) -> Any:
        own = {name: values[name] for name in ProbingOptions.__struct_fields__}
        rest = {name: value for name, value in values.items() if name not in own}
        return command(options=ProbingOptions(**own), **rest)

    gathered.__name__, gathered.__doc__ = command.__name__, command.__doc__
    decorated: Any = gathered
    question = click.option(timeout_flag, "timeout", type=Seconds(), default=f"{DEFAULT_PACE.timeout_seconds:g}",
                            show_default=True, metavar="SECONDS", help="Longest wait for one question, its retries included.")
    for option in reversed((*_OPTIONS, question)):
        decorated = option(decorated)
    return decorated  # type: ignore[no-any-return]
