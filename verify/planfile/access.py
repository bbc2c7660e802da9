"""``[access]`` and ``[[questions]]``: how the hosts may be logged in to, and what else the site asks of them.

What must never be shown again is kept out of every sentence here: a key named ``password``, and a private key pasted where
its file's name belongs.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from shared.plan import Access, OwnQuestion
from verify.errors import PlanError
from verify.planfile.rawplan import AccessTable, QuestionTable
from verify.planfile.tables import Source, fill, heading
from verify.planfile.textfile import read_bounded
from verify.planfile.values import ValueFaultError, port_of

#: What a key that holds a secret is called: password, passwd, passphrase, secret, token, pin.
_SECRET_KEY = re.compile(r"pass|secret|token|\bpin\b|credential", re.IGNORECASE)
#: RFC 7468 section 2, and what OpenSSH writes: a private key begins so.
_PRIVATE_KEY = re.compile(rb"-----BEGIN ([A-Z0-9 ]{0,30})PRIVATE KEY-----")
_OPENSSH_MAGIC = b"openssh-key-v1\0"
#: An account name holds no colon, which would begin a password, and nothing that ends a word (useradd(8), common practice).
_USER = re.compile(r"[A-Za-z0-9_.@\\-][A-Za-z0-9_.@\\$-]{0,63}")
#: systemd.unit(5): the characters of a unit name, at most 255 of them; the first is no dash, which would begin an option.
_UNIT = re.compile(r"[A-Za-z0-9_.@\\:][A-Za-z0-9_.@\\:-]{0,254}")
#: A command longer than this is a script, and belongs into a file on the host.  Our own bound.
_COMMAND_LIMIT = 1000


def read_access(value: object, source: Source, plan: Path) -> Access | None:
    """The table ``[access]`` of the file ``plan``, with its known hosts and with what is wrong with its files.

    A file that cannot be used is no problem of reading: lint names it, and all that needs no login can go on.
    """
    if not isinstance(value, dict):
        # Whatever stands there is not shown: it may be a password.
        source.problem(("access",), "[access] must be a table; write its keys below a line [access]")
        return None
    table = fill(AccessTable, _without_secrets(value, source), source, ("access",))
    assert table is not None, "a table was given"
    if isinstance(value.get("user"), str) and not _USER.fullmatch(table.user):
        source.problem(("access", "user"), '[access] user is not the name of an account; write the name alone, such as "trial"')
    if table.key is not None and ("\n" in table.key or "-----BEGIN" in table.key):
        source.problem(("access", "key"), '[access] key holds a key itself; keep the key in a file of its own, and name the '
                                          'file, such as "trial.key"')
        return None
    if (table.key is None) == (not table.agent):
        both = "names a key and asks for an agent" if table.agent else "says nothing of the key to log in with"
        source.problem(("access",), f'[access] {both}; write either key = "trial.key" or agent = true')
    text, fault = _known_hosts(plan.parent / table.known_hosts)
    key = str(plan.parent / Path(table.key).expanduser()) if table.key is not None else ""
    return Access(user=table.user, known_hosts=table.known_hosts, known_hosts_text=text, known_hosts_fault=fault, key=key,
                  agent=table.agent, key_fault=key_fault(Path(key)) if key else "", port=_port(table.port, source),
                  place=source.place("access"))


def _without_secrets(value: dict[str, Any], source: Source) -> dict[str, Any]:
    """The table less every key that holds a secret, each noted as a problem without its value."""
    for key in value:
        if _SECRET_KEY.search(key):
            source.problem(("access", key), f'[access] {key[:40]}: a password is never taken from the plan; take the line out, '
                                            "change the password if this file was shared, and name a key file or write "
                                            "agent = true")
    return {key: held for key, held in value.items() if not _SECRET_KEY.search(key)}


def _port(typed: str | None, source: Source) -> int | None:
    if typed is None:
        return None
    try:
        port = port_of(typed)
    except ValueFaultError as fault:
        source.problem(("access", "port"), f'[access] port "{typed[:60]}" {fault}')
        return None
    if port.transport != "tcp":
        source.problem(("access", "port"), f'[access] port "{typed[:60]}" is no TCP port; write "{port.number}/tcp"')
    return port.number


def _known_hosts(path: Path) -> tuple[str, str]:
    """What the file holds, and what is wrong with it."""
    try:
        content = read_bounded(path)
    except PlanError as error:
        return "", _reason(error)
    return content.decode("utf-8", "replace"), ""


def key_fault(path: Path) -> str:
    """What is wrong with a private key file, to end a sentence with; empty where it looks usable.  Never says what it holds."""
    try:
        content = read_bounded(path)
    except PlanError as error:
        return _reason(error)
    begin = _PRIVATE_KEY.search(content)
    if begin is None:
        if re.match(rb"\s*(ssh-|ecdsa-|sk-)", content):
            return "holds the public half of a key; name the file beside it, without .pub"
        return "holds no private key; such a file begins with -----BEGIN ... PRIVATE KEY-----"
    if begin.group(1).startswith(b"ENCRYPTED") or b"Proc-Type: 4,ENCRYPTED" in content or _locked(content[begin.end():]):
        return "is locked with a passphrase; load it into an agent (ssh-add) and write agent = true in the place of key"
    return ""


def _locked(body: bytes) -> bool:
    """Whether OpenSSH's own form names a cipher (PROTOCOL.key of OpenSSH: the magic, then the cipher's name as a string)."""
    try:
        start = base64.b64decode(b"".join(body[:200].split())[:80], validate=True)
    except binascii.Error:
        return False
    rest = start.removeprefix(_OPENSSH_MAGIC)
    return rest != start and rest[4:8] != b"none"


def _reason(error: PlanError) -> str:
    return error.problems[0].partition(": this file ")[2]


def read_questions(tables: Iterable[tuple[int, QuestionTable]], source: Source) -> tuple[OwnQuestion, ...]:
    """The tables ``[[questions]]``."""
    questions: list[OwnQuestion] = []
    for index, table in tables:
        path = ("questions", index)
        for sentence in _question_faults(table, {question.name for question in questions}):
            source.problem(path, f"{heading(path)} {sentence}")
        questions.append(OwnQuestion(name=table.name, command=table.command, expect=table.expect, matches=table.matches,
                                     role=table.role, host=table.host, place=source.place(*path)))
    return tuple(questions)


def _question_faults(table: QuestionTable, taken: set[str]) -> Iterator[str]:
    if not table.name.strip():
        yield 'has an empty name; give it one to find it by in the report, such as "kernel"'
    elif table.name in taken:
        yield f'has the name "{table.name[:40]}" of another question; give each a name of its own'
    if not table.command.strip() or not table.command.isprintable() or len(table.command) > _COMMAND_LIMIT:
        yield (f"has a command that is empty, has more than one line, or is longer than {_COMMAND_LIMIT} characters; write one "
               "line, and put anything longer into a file on the host")
    if (table.expect is None) == (table.matches is None):
        yield "needs either expect, the whole output, or matches, a regular expression; write one of them"
    if table.matches is not None:
        try:
            re.compile(table.matches)
        except re.error as error:
            yield f"matches is no regular expression ({error}); single quotes keep backslashes as they are"


def service_faults(services: Iterable[str]) -> Iterator[tuple[int, str]]:
    """What is wrong with planned services: (place in the list, end of a sentence)."""
    for place, service in enumerate(services):
        if not _UNIT.fullmatch(service):
            yield place, f'"{service[:40]}" is not the name of a service unit; write it as systemctl shows it, such as "chrony"'
