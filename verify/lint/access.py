"""``plan.access`` and ``plan.question``: the login can be tried, and nothing is planned that only a login would check in vain."""

from __future__ import annotations

import re

from shared.findings import SITE
from shared.knownhosts import parse
from shared.plan import Access, OwnQuestion, Place, Plan, Role
from verify.lint.book import Book
from verify.lint.survey import Survey

#: How many lines of a file a message names.
_NAMED_LINES = 5
#: Commands that change something, at the beginning of a command or behind a pipe: a slip of the author's, not a defence.
_CHANGES = re.compile(r"(?:^|[|;&]\s*)(?:sudo\s+)?(?:rm|mv|dd|mkfs\S*|reboot|shutdown|halt|poweroff|kill|pkill|useradd|passwd|"
                      r"(?:systemctl|service)\s+(?:\S+\s+)?(?:start|stop|restart|reload|enable|disable))\b")


def check(survey: Survey, book: Book) -> None:
    """The access, the roles that it is for, and the site's own questions."""
    plan = survey.plan
    if plan.access is not None:
        _key(plan.access, book)
        _known_hosts(plan.access, book)
    for role in plan.roles:
        _role(plan, role, book)
    for question in plan.questions:
        _question(plan, question, book)


def _key(access: Access, book: Book) -> None:
    planned = "a key that can be used"
    if access.agent:
        book.passed(SITE, "plan.access", "key", access.place, planned=planned, found="an agent",
                    message="the keys to log in with are those of an agent, which is asked when the time comes")
    elif access.key_fault:
        book.fail(SITE, "plan.access", "key", access.place, planned=planned, found=f"{access.key} {access.key_fault}",
                  message=f"[access] key names the file {access.key}, which {access.key_fault}",
                  fix=('key = "trial.key"    # the private key, relative to the plan; or: agent = true',))
    else:
        book.passed(SITE, "plan.access", "key", access.place, planned=planned, found=access.key,
                    message=f"the file {access.key} holds a private key without a passphrase")


def _known_hosts(access: Access, book: Book) -> None:
    planned = "a file of known host keys"
    name = access.known_hosts
    if access.known_hosts_fault:
        book.fail(SITE, "plan.access", "known hosts", access.place, planned=planned, found=f"{name} {access.known_hosts_fault}",
                  message=f"[access] known_hosts names the file {name}, which {access.known_hosts_fault}",
                  fix=(f"touch {name}    # beside the plan; system.login then prints the lines to add, each with a fingerprint",))
        return
    known = parse(access.known_hosts_text)
    for numbers, what, mend in (
        (known.unreadable, "cannot be read as known host keys", "delete them, or write NAME KEYTYPE KEY"),
        (known.authorities, "name certificate authorities, which are not used here", "add the hosts' own keys as well"),
    ):
        if numbers:
            listed = ", ".join(map(str, numbers[:_NAMED_LINES])) + (" and more" if len(numbers) > _NAMED_LINES else "")
            book.caution(SITE, "plan.access", f"{name} line {listed}", access.place, planned=planned,
                         found=f"{len(numbers)} unused", message=f"lines of {name} {what}: {listed}", fix=(mend,))
    if not known.unreadable:
        book.passed(SITE, "plan.access", "known hosts", access.place, planned=planned, found=f"{len(known.lines)} keys",
                    message=f"{name} can be read and holds {len(known.lines)} host keys")


def _role(plan: Plan, role: Role, book: Book) -> None:
    """A role that plans what only a login can check must be one that can be logged in to."""
    if plan.access is None:
        if role.services:
            _never(book, "plan.access", f"services of {role.name}", role.place,
                   f"the role {role.name} plans services, and the plan gives no access to look at them",
                   "[access]    # user, key and known_hosts, so that the hosts can be asked")
        return
    if role.access and not role.ssh and plan.access.port is None:
        _never(book, "plan.access", f"role {role.name}", role.place,
               f"the role {role.name} names no SSH port, so its hosts are not asked about themselves",
               f'ssh = ["22/tcp"]    # in [roles.{role.name}]; or there: access = false')
    elif not role.access and role.services:
        _never(book, "plan.access", f"services of {role.name}", role.place,
               f"the role {role.name} plans services and no access, so nothing looks at them", "access = true")


def _question(plan: Plan, question: OwnQuestion, book: Book) -> None:
    meant = [host for host in plan.hosts if question in plan.questions_for(host)]
    reached = [host for host in meant if plan.login_port(host) is not None]
    if _CHANGES.search(question.command):
        book.fail(SITE, "plan.question", question.name, question.place, planned="a command that only reads",
                  found=question.command,
                  message=f'the question {question.name} runs "{question.command}", which changes the host; a check must not',
                  fix=("command = ...    # one that only looks",), stop=True)
    elif not reached:
        why = "fits no host" if not meant else "is for hosts that the plan gives no access to"
        _never(book, "plan.question", question.name, question.place, f"the question {question.name} {why}, so nobody is asked it",
               'host = "*"    # and role = "*": every host that the plan gives access to')
    else:
        book.passed(SITE, "plan.question", question.name, question.place, planned="asked of a host",
                    found=f"{len(reached)} hosts",
                    message=f"the question {question.name} is put to {len(reached)} host{'' if len(reached) == 1 else 's'}")


def _never(book: Book, check_name: str, subject: str, place: Place, message: str, mend: str) -> None:
    book.caution(SITE, check_name, subject, place, planned="looked at", found="never looked at", message=message, fix=(mend,))
