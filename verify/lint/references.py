"""``plan.reference`` and ``plan.role``: rows refer to tables that exist, and roles do not contradict themselves."""

from __future__ import annotations

from shared.findings import SITE
from shared.plan import Port, Role
from shared.slips import nearest
from verify.lint.book import Book
from verify.lint.survey import Sited, Survey

#: RFC 6335 section 6: 16 bits, and 0 is reserved.
_PORTS = range(1, 65536)


def check(survey: Survey, book: Book) -> None:
    """Every host's network and role, then every role."""
    if not survey.rows:
        book.fail(
            SITE, "plan.reference", "hosts", survey.plan.domain_place, planned="at least one host", found="none",
            message="the plan has no hosts, so there is nothing to verify",
            fix=("[[hosts]]", 'name = "dome-a"', 'address = "192.0.2.11"', 'network = "mgmt"', 'role = "node"'), stop=True)
    networks = [network.name for network in survey.plan.networks]
    roles = [role.name for role in survey.plan.roles]
    for row in survey.rows:
        _reference(row, "network", row.host.network, networks, book)
        _reference(row, "role", row.host.role, roles, book)
    for role in survey.plan.roles:
        _role(role, book)


def _reference(row: Sited, kind: str, name: str, known: list[str], book: Book) -> None:
    host = row.host
    subject = f"{kind} {name}"
    if name in known:
        book.passed(host.fqdn, "plan.reference", subject, host.place, planned=f"a {kind} of the plan", found=name,
                    message=f"{host.fqdn} refers to the {kind} {name}, which the plan has")
        return
    slip = nearest(name, known)
    listed = ", ".join(known) or "none"
    hint = f'; did you mean "{slip.meant}", {slip.words}?' if slip else f"; it has: {listed}"
    fix = (f'{kind} = "{slip.meant}"',) if slip else (f"[{kind}s.{name or 'NAME'}]", f"or refer to one of: {listed}")
    book.fail(host.fqdn, "plan.reference", subject, host.place, planned=f"one of: {listed}", found=name or "nothing",
              message=f'{host.fqdn} refers to the {kind} "{name}", which the plan does not have{hint}', fix=fix, stop=True)


def _role(role: Role, book: Book) -> None:
    wrong = [*_contradictions(role, book), *_wrong_numbers(role, book), *_two_protocols(role, book), *_unopened(role, book)]
    if not wrong:
        book.passed(SITE, "plan.role", role.name, role.place, planned="no contradiction",
                    found=f"{len(role.open)} open, {len(role.closed)} closed",
                    message=f"the role {role.name} asks for nothing that excludes itself")


def _contradictions(role: Role, book: Book) -> list[Port]:
    both = sorted(set(role.open) & set(role.closed))
    for port in both:
        book.fail(SITE, "plan.role", f"{role.name} {port}", role.place, planned="open or closed", found="both",
                  message=f"the role {role.name} plans {port} open and closed at once",
                  fix=(f"closed = {_without(port, role.closed)}",))
    return both


def _without(port: Port, ports: tuple[Port, ...]) -> str:
    """The list less ``port``, as it would be typed."""
    return "[" + ", ".join(f'"{other}"' for other in ports if other != port) + "]"


def _wrong_numbers(role: Role, book: Book) -> list[Port]:
    named = {*role.open, *role.closed, *role.tls, *role.ssh, *role.http}
    wrong = sorted(port for port in named if port.number not in _PORTS)
    for port in wrong:
        book.fail(SITE, "plan.role", f"{role.name} {port}", role.place, planned="a port from 1 to 65535", found=str(port),
                  message=f"the role {role.name} plans {port}, and port numbers are 1 to 65535", fix=(f'remove "{port}"',))
    return wrong


def _two_protocols(role: Role, book: Book) -> list[Port]:
    """Ports that are to speak SSH and TLS or HTTP.  HTTP over TLS is one inside the other, and no contradiction.

    A caution and no fail: what stands before two servers can tell their callers apart by what these say first.
    """
    both = sorted(set(role.ssh) & {*role.tls, *role.http})
    for port in both:
        key, ports = ("tls", role.tls) if port in role.tls else ("http", role.http)
        other = key.upper()
        book.caution(SITE, "plan.role", f"{role.name} {port}", role.place, planned="one protocol", found=f"SSH and {other}",
                     message=f"the role {role.name} plans SSH and {other} on {port}, and one server speaks only one of them",
                     fix=(f"{key} = {_without(port, ports)}", f"or, if {other} is right there: ssh = {_without(port, role.ssh)}"))
    return both


def _unopened(role: Role, book: Book) -> list[Port]:
    """Ports that are to speak and are not planned open: seen, yet a closed one would go unnoticed."""
    silent = sorted({*role.tls, *role.ssh} - set(role.open) - set(role.closed))
    for port in silent:
        opened = ", ".join(f'"{other}"' for other in sorted({*role.open, port}))
        book.caution(SITE, "plan.role", f"{role.name} {port}", role.place, planned="planned open", found="only spoken to",
                     message=f"the role {role.name} says what speaks on {port} and does not plan it open",
                     fix=(f"open = [{opened}]",))
    return silent
