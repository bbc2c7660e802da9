"""``seatrial new-plan``: a commented plan to begin with."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from verify.planfile.starter import Answers

#: The answers in the order in which they are judged: each one's ground before it.
_ORDER = ("title", "domain", "network", "subnet", "gateway", "vlan", "name_servers", "time_sources", "role", "profile", "hosts")
#: What stands for the plan in messages where it has no file.
_UNNAMED = Path("the new plan")


def _together(_ctx: click.Context, _option: click.Parameter, values: tuple[str, ...]) -> str | None:
    """One of each family may be typed as one text with a comma, or by the same option twice."""
    return ", ".join(values) or None


@click.command()
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--title", metavar="TEXT", help="What the site is called.")
@click.option("--domain", metavar="DOMAIN", help="Suffix of every short host name.")
@click.option("--network", metavar="NAME", help="What the network is called in the plan.")
@click.option("--subnet", multiple=True, callback=_together, metavar="SUBNET",
              help='As "192.0.2.0/24" or "192.0.2.0 255.255.255.0"; with IPv6: "192.0.2.0/24, 2001:db8:2::/64".')
@click.option("--gateway", multiple=True, callback=_together, metavar="ADDRESS",
              help="The router's address on that network, or one of each family; the first unless given.")
@click.option("--vlan", type=int, metavar="N", help="The VLAN, if the console asks for one.")
@click.option("--name-server", "name_servers", multiple=True, metavar="ADDRESS", help="In order; repeatable.")
@click.option("--time-source", "time_sources", multiple=True, metavar="SERVER", help="Address or name; repeatable.")
@click.option("--role", type=click.Choice(["node", "shell", "clock"]), help="What kind of host they are.")
@click.option("--profile", metavar="NAME|FILE", help="Limits to grade with: lab, production, strict, or a TOML file.")
@click.option("--host", "hosts", multiple=True, metavar="NAME=ADDRESS",
              help="One host; repeatable. With IPv6: NAME=ADDRESS,ADDRESS.")
@click.option("--force", is_flag=True, help="Write over FILE if it is there.")
def command(file: Path | None, *, force: bool, **given: Any) -> None:
    """Write a commented plan to FILE, or to standard output, from the options given.

    On a terminal and without options it asks, offering an answer to every question.  Each answer is judged by the rules of
    "seatrial lint" as it is given, and nothing is written unless the whole plan is sound.
    """
    from verify.commands.console import stop
    from verify.commands.exits import Exit
    from verify.errors import UsageError
    from verify.files import is_there, prove_writable, write_whole
    from verify.newplan import draft
    from verify.trial import today

    given = {key: value for key, value in given.items() if value not in (None, ())}
    path = file or _UNNAMED
    try:
        if file is not None:
            _refuse_to_overwrite(file, force=force)
            if not (is_there(file.parent) and file.parent.is_dir()):
                raise UsageError(f'there is no folder "{file.parent}" to write {file.name} in; make it first, or check the path')
            prove_writable(file.parent, "the plan", "choose another place for it")
        answers = _asked(path) if not given and _on_a_terminal() else _taken(given, path)
        made = draft(answers, path, today=today())
        if made.faults:
            raise UsageError("\n".join(("no plan was written, for it would not be sound:", *made.faults)))
        if file is None:
            click.echo(made.text, nl=False)
        else:
            _refuse_to_overwrite(file, force=force)
            write_whole(file, made.text.encode())
            click.echo(f"{file}: a plan; see what it says, then: seatrial lint {file}")
        for caution in made.cautions:
            click.echo(f"to consider: {caution}", err=True)
    except UsageError as error:
        stop(error)
    except (click.Abort, KeyboardInterrupt):
        click.echo("\nno plan was written", err=True)
        sys.exit(Exit.INTERRUPTED)


def _refuse_to_overwrite(file: Path, *, force: bool) -> None:
    from verify.errors import UsageError
    from verify.files import is_there

    if is_there(file) and file.is_dir():
        raise UsageError(f'"{file}" is a folder; give the name of a file in it, such as {file / "site.toml"}')
    if is_there(file) and not force:
        raise UsageError(f'"{file}" is there already; choose another name, or write over it with --force')


def _on_a_terminal() -> bool:
    return sys.stdin.isatty()


# --- answers from the command line


def _taken(given: dict[str, Any], path: Path) -> Answers:
    """The answers that the options give, judged in the order of the questions.  Raises UsageError naming the option."""
    import msgspec

    from verify.errors import UsageError
    from verify.newplan import faults_of, host_of
    from verify.planfile.starter import Answers
    from verify.trial import today

    answers = Answers()
    faults: dict[str, str] = {}
    for question in filter(given.__contains__, _ORDER):
        value = given[question]
        option = "--" + (question.removesuffix("s") if isinstance(value, tuple) else question).replace("_", "-")
        try:
            value = tuple(map(host_of, value)) if question == "hosts" else value
        except ValueError as error:
            faults[str(error)] = option
            continue
        answers = msgspec.structs.replace(answers, **{question: value})
        for fault in faults_of(question, answers, path, today=today()):
            # What an earlier answer broke is said of that one.
            faults.setdefault(fault, option)
    if faults:
        raise UsageError("\n".join(f"{option}: {fault}" for fault, option in faults.items()))
    return answers


# --- answers from a person

_PLAIN = (("title", "Title of the site"), ("domain", "Domain of the hosts"), ("network", "Name of their network"),
          ("subnet", "Its subnet (192.0.2.0/24, or 192.0.2.0 255.255.255.0; with IPv6 both, a comma between)"))


def _asked(path: Path) -> Answers:
    """Ask for everything, on standard error, so that standard output holds the plan alone."""
    from verify.newplan import suggestions
    from verify.planfile.starter import ROLE_PRESETS, Answers

    click.echo("A new plan.  Enter takes the answer in brackets; everything can be changed in the file later.", err=True)
    answers = Answers()
    for question, words in _PLAIN:
        answers = _one(question, words, getattr(answers, question), answers, path)
    answers = _one("gateway", "Gateway", ", ".join(suggestions(answers, path).networks[0].gateways), answers, path)
    answers = _one("vlan", "VLAN, if any", "", answers, path)
    likely = suggestions(answers, path)
    answers = _one("name_servers", "Name servers, in order", " ".join(one.label for one in likely.name_servers), answers, path)
    likely = suggestions(answers, path)
    answers = _one("time_sources", "Time sources", " ".join(one.label for one in likely.time_sources), answers, path)
    for name, preset in ROLE_PRESETS.items():
        click.echo(f"  {name}: {preset.comment}", err=True)
    answers = _one("role", "Role of the hosts", answers.role, answers, path)
    return _hosts(answers, path)


def _one(question: str, words: str, default: str, answers: Answers, path: Path) -> Answers:
    """Ask one question until its answer is sound."""
    import msgspec

    from verify.newplan import faults_of
    from verify.trial import today

    while True:
        typed = click.prompt(words, default=default, show_default=bool(default), err=True).strip()
        try:
            candidate = msgspec.structs.replace(answers, **{question: _value(question, typed)})
            faults = faults_of(question, candidate, path, today=today())
        except ValueError as error:
            faults = (str(error),)
        if not faults:
            return candidate
        for fault in faults:
            click.echo(f"  {fault}", err=True)


def _value(question: str, typed: str) -> object:
    """The answer as its field holds it.  Raises ValueError with the mend."""
    from verify.planfile.starter import ROLE_PRESETS

    if question == "vlan":
        if typed and not (typed.isascii() and typed.isdigit() and len(typed) < 9):
            raise ValueError(f'"{typed}" is not a VLAN; a VLAN is a number from 1 to 4094, or nothing')
        return int(typed) if typed else None
    if question in ("name_servers", "time_sources"):
        return tuple(typed.replace(",", " ").split())
    if question == "role" and typed not in ROLE_PRESETS:
        raise ValueError(f'"{typed}" is not one of {", ".join(ROLE_PRESETS)}')
    return typed


def _hosts(answers: Answers, path: Path) -> Answers:
    """Ask for hosts until an empty line."""
    import msgspec

    from verify.newplan import faults_of, host_of
    from verify.trial import today

    click.echo("Hosts, one a line, as name=address; an empty line ends.", err=True)
    while True:
        typed = click.prompt("Host", default="", show_default=False, err=True).strip()
        if not typed:
            break
        try:
            candidate = msgspec.structs.replace(answers, hosts=(*answers.hosts, host_of(typed)))
            faults = faults_of("hosts", candidate, path, today=today())
        except ValueError as error:
            faults = (str(error),)
        for fault in faults:
            click.echo(f"  {fault}", err=True)
        if not faults:
            answers = candidate
    if not answers.hosts:
        click.echo("No host: dome-a and dome-b stand in the plan as an example, to be replaced.", err=True)
    return answers
