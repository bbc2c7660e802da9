"""The command line: one group, one module a command, each imported only when it is called."""

from __future__ import annotations

import importlib
from typing import Any

import click

from verify.commands.console import last_resort, open_streams
from verify.cyclecollector import collect_seldom
from verify.version import VERSION

#: Command name to module; the module defines a click command named ``command``.
_COMMANDS = {
    "demo": "verify.commands.demo",
    "new-plan": "verify.commands.new_plan",
    "lint": "verify.commands.lint",
    "sheet": "verify.commands.sheet",
    "verify": "verify.commands.verify",
    "await": "verify.commands.await_",
    "drift": "verify.commands.drift",
    "accept": "verify.commands.accept",
    "regrade": "verify.commands.regrade",
    "report": "verify.commands.report",
    "history": "verify.commands.history",
    "schedule": "verify.commands.schedule",
    "explain": "verify.commands.explain",
}

_EPILOG = """\
Results go to standard output, progress to standard error and only where that is a terminal.  Exit status: 0 ready,
1 at least one fail, 2 the command line or the plan cannot be used or a report not be written, 3 nothing failed but
something is unproven, 70 an internal error, 130 interrupted.
"""


class _Group(click.Group):
    """A group that imports a command's module when the command is asked for, so that none pays for another."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        open_streams()
        with last_resort():
            return super().main(*args, **kwargs)

    def invoke(self, ctx: click.Context) -> Any:
        # Inside of click's own main, which would make 1 of a pipe that nobody reads any more: "a host failed".
        with last_resort():
            return super().invoke(ctx)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        module = _COMMANDS.get(cmd_name)
        if module is None:
            return None
        command = importlib.import_module(module).command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        # Click would cut every summary to one line.
        commands = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        with formatter.section("Commands"):
            formatter.write_dl([(name, command.get_short_help_str(limit=200)) for name, command in commands if command])

    def resolve_command(self, ctx: click.Context, args: list[str]) -> tuple[str | None, click.Command | None, list[str]]:
        name = click.utils.make_str(args[0])
        if name not in _COMMANDS and not name.startswith("-"):
            from verify.errors import nearest

            near = nearest(name, _COMMANDS)
            hint = f' Did you mean "{near}"?' if near else f" The commands are: {', '.join(_COMMANDS)}."
            ctx.fail(f'There is no command "{name}".{hint}')
        return super().resolve_command(ctx, args)


@click.group(cls=_Group, epilog=_EPILOG, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80})
@click.version_option(VERSION, prog_name="seatrial")
def main() -> None:
    """Prove that freshly installed hosts are what their plan says, before they are handed over.

    seatrial only asks: every probe is read-only, goes to addresses and ports that the plan names and to nothing else,
    and is paced.  Run it only against hosts you may probe, and by your site's own change and security rules, which come
    before anything printed here.  A pass proves what "seatrial explain CHECK" says it proves and no more.
    """
    collect_seldom()


if __name__ == "__main__":
    main()
