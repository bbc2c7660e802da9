"""``system.resolver`` and ``system.name``: whom the host asks for names, and whether it knows its own."""

from __future__ import annotations

import ipaddress
from shlex import quote

from shared.findings import Finding, Grade
from shared.hostcommands import RESOLVED
from shared.hostfacts import Resolver, Unit
from shared.hostnames import canonical
from verify.grading.system.units import STANDS
from verify.grading.system.word import Word

#: resolv.conf(5), MAXNS: the resolver library asks the first three servers and no more.
ASKED_SERVERS = 3
_RESOLVERS = ("resolver", "resolver behind the local stub")
_LOOK_UP = "look-up of its own name"
#: Names that an installer leaves where nobody typed one.
_NO_NAMES = frozenset({"localhost", "localhost.localdomain", "(none)", "debian", "ubuntu", "unassigned"})
#: getent(1): the key was not found.
_GETENT_NOT_FOUND = 2


def grade(word: Word) -> list[Finding]:
    """All findings of this file for one host."""
    found = [_servers(word)] if word.case.plan.name_servers else []
    return [*found, _search(word), _host_name(word), _full_name(word), _look_up(word)]


# --- the resolver


def _servers(word: Word) -> Finding:
    """The servers that are really asked, behind a forwarder of the host's own too, in the planned order."""
    wanted = [server.host for server in word.case.plan.name_servers]
    planned, name = ", ".join(wanted), word.host.fqdn
    resolver = word.facts.resolver
    idle = next((unit for unit in word.facts.forwarder or () if unit.active in STANDS), None)
    if idle is not None and resolver is not None and resolver.stub in RESOLVED:
        return word.finding(
            "system.resolver", "servers", Grade.FAIL, planned=planned, found=f"{idle.name} {idle.active}, for {resolver.stub}",
            topic="forwarder", symptom="no-forwarder",
            message=f"{name} asks a forwarder of its own at {resolver.stub}, which does not run: it finds no name at all.",
            fix=(f"systemctl unmask {quote(idle.name)}    # as root on {name}", f"systemctl enable --now {quote(idle.name)}",
                 f"journalctl -b -u {quote(idle.name)}    # if it does not stay"))
    if resolver is None or resolver.servers is None:
        return _unread_servers(word, resolver, planned, idle)

    begins = f'  Its /etc/resolv.conf begins "{resolver.writer[:60]}".' if resolver.writer else ""

    def finding(grade_: Grade, message: str, symptom: str = "") -> Finding:
        return word.finding("system.resolver", "servers", grade_, planned=planned, found=found, symptom=symptom, topic="resolver",
                            message=message + begins if symptom else message,
                            fix=_set_servers(resolver, wanted) if symptom else ())

    servers = list(dict.fromkeys(resolver.servers))
    found = (", ".join(servers) or "none") + (f" behind {resolver.stub}" if resolver.stub else "")
    missing = [server for server in wanted[:ASKED_SERVERS] if server not in servers]
    others = [server for server in servers if server not in wanted]
    if missing or others:
        faults = [f"lacks {', '.join(missing)}" if missing else "", f"has {', '.join(others)}, not planned" if others else ""]
        return finding(Grade.FAIL, f"The list of name servers that {name} asks {' and '.join(filter(None, faults))}.", "servers")
    if servers[:ASKED_SERVERS] != wanted[:ASKED_SERVERS]:
        return finding(Grade.CAUTION, f"{name} asks the planned name servers in another order: {found}.", "order")
    where = f"behind its forwarder {resolver.stub}" if resolver.stub else f"by {resolver.source}"
    return finding(Grade.PASS, f"{name} asks the planned name servers in the planned order, {where}.")


def _unread_servers(word: Word, resolver: Resolver | None, planned: str, idle: Unit | None) -> Finding:
    """A dnsmasq that does not run is told and no more: another program may stand in its place."""
    if resolver is None:
        return word.unread("system.resolver", "servers", "resolver", planned=planned)
    why, fix = word.why_unread(_RESOLVERS[1:]), [_who_forwards(resolver.stub)]
    if idle is not None and idle.load == "loaded":
        why = f"{idle.name} does not run ({idle.active})"
        fix.append(f"journalctl -b -u {quote(idle.name)}    # why it does not run, where it should be that program")
    return word.finding(
        "system.resolver", "servers", Grade.UNPROVEN, planned=planned, found=f"a forwarder at {resolver.stub}",
        topic="resolver", symptom="unread",
        message=f"{word.host.fqdn} asks a forwarder of its own at {resolver.stub}, and whom that one asks is not known: {why}.",
        fix=tuple(fix))


def _who_forwards(stub: str) -> str:
    return f"ss -lnup 'sport = :53'    # on the host, as root: which program forwards at {stub}"


def _set_servers(resolver: Resolver, wanted: list[str]) -> tuple[str, ...]:
    if resolver.stub and resolver.stub not in RESOLVED:
        return (_who_forwards(resolver.stub),
                f"# and in its settings, or in those of the connection where it takes them from there: {', '.join(wanted)}")
    if resolver.stub or "systemd-resolved" in resolver.writer:
        return ("# in /etc/systemd/resolved.conf, or in the settings of the connection where it takes them from there:",
                f"DNS={' '.join(wanted)}", "systemctl restart systemd-resolved")
    return ("ls -l /etc/resolv.conf    # on the host: a link, or a first comment, names the program that writes this file",
            "# set there, or in the file itself where no program writes it:", *(f"nameserver {server}" for server in wanted))


def _search(word: Word) -> Finding:
    """The planned domain is the first suffix that short names get."""
    domain, resolver = canonical(word.case.plan.domain), word.facts.resolver
    planned = f"{domain} first"
    if resolver is None:
        return word.unread("system.resolver", "search", "resolver", planned=planned)
    search = [canonical(suffix) for suffix in resolver.search]
    found = ", ".join(search) or "none"
    name = word.host.fqdn

    def finding(grade_: Grade, message: str, symptom: str = "") -> Finding:
        fix = (f"search {domain}    # in the place that sets the name servers of {name}",) if symptom else ()
        return word.finding("system.resolver", "search", grade_, planned=planned, found=found, message=message,
                            symptom=symptom, topic="resolver", fix=fix)

    if domain not in search:
        return finding(Grade.FAIL, f"{name} does not try the suffix {domain}, so it finds no planned host by its short name.",
                       "suffix")
    if search != [domain]:
        return finding(Grade.CAUTION, f"{name} tries other suffixes than {domain} alone: {found}.  A short name may then be "
                       "found in another domain, or later.", "suffixes")
    return finding(Grade.PASS, f"{name} tries the suffix {domain} and no other.")


# --- its own name


def _host_name(word: Word) -> Finding:
    """What the kernel holds for its name: the planned one, short or whole."""
    planned, said = _short(word), canonical(word.facts.host_name)
    if not said:
        return word.unread("system.name", "host name", "host name", planned=planned)
    if said in (planned, canonical(word.host.fqdn)):
        return word.finding("system.name", "host name", Grade.PASS, planned=planned, found=said, topic="host name",
                            message=f"{word.host.fqdn} calls itself {said}.")
    left = ", which an installer leaves where nobody typed a name" if said in _NO_NAMES else ""
    return word.finding("system.name", "host name", Grade.FAIL, planned=planned, found=said, topic="host name",
                        symptom="other-name", message=f"{word.host.fqdn} calls itself {said}{left}.", fix=_rename(word))


def _full_name(word: Word) -> Finding:
    planned, said = canonical(word.host.fqdn), canonical(word.facts.full_name)
    if not said:
        return word.unread("system.name", "full name", "full name", planned=planned)

    def finding(grade_: Grade, message: str, symptom: str = "") -> Finding:
        return word.finding("system.name", "full name", grade_, planned=planned, found=said, message=message, topic="full name",
                            symptom=symptom, fix=_hosts_line(word) if symptom else ())

    if said == planned:
        return finding(Grade.PASS, f"{planned} knows its full name.")
    if said == _short(word):
        return finding(Grade.CAUTION, f"{planned} knows its short name only: programs that announce or certify the host by its "
                       "full name announce the wrong one.", "short-name")
    return finding(Grade.FAIL, f"{planned} takes {said} for its full name.", "other-name")


def _look_up(word: Word) -> Finding:
    """What programs on the host get for its own name: the planned addresses, never a loopback one."""
    planned, name = ", ".join(word.host.addresses), word.host.fqdn
    addresses = word.facts.name_addresses

    def finding(grade_: Grade, found: str, message: str, symptom: str = "") -> Finding:
        return word.finding("system.name", "look-up", grade_, planned=planned, found=found, message=message, topic=_LOOK_UP,
                            symptom=symptom, fix=_hosts_line(word) if symptom else ())

    # hostname -i, which is asked then too, looks up another name: the one that the host calls itself.
    said = [answer for answer in word.answers((_LOOK_UP,)) if answer.command.startswith("getent")]
    if any(answer.status == _GETENT_NOT_FOUND for answer in said):
        return finding(Grade.FAIL, "not found", f"{name} cannot look up its own name.", "not-found")
    if addresses is None:
        return word.unread("system.name", "look-up", _LOOK_UP, planned=planned)
    found = ", ".join(addresses)
    loops = [address for address in addresses if ipaddress.ip_address(address).is_loopback]
    if loops:
        return finding(Grade.FAIL, found, f"Programs on {name} that look up its name get {', '.join(loops)}, and listen or "
                       "announce themselves where nobody else can reach them.", "loopback")
    strangers = [address for address in addresses if address not in word.host.addresses]
    if strangers:
        return finding(Grade.FAIL, found, f"Programs on {name} that look up its name get {', '.join(strangers)}, which the plan "
                       "does not give it.", "other-address")
    return finding(Grade.PASS, found, f"Programs on {name} that look up its name get the planned address.")


def _short(word: Word) -> str:
    return canonical(word.host.fqdn).partition(".")[0]


def _rename(word: Word) -> tuple[str, ...]:
    return (f"hostnamectl set-hostname {_short(word)}    # as root; without systemd: write it into /etc/hostname",
            *_hosts_line(word))


def _hosts_line(word: Word) -> tuple[str, ...]:
    return ("# in /etc/hosts on the host, in the place of every line with its names or addresses: the first one counts",
            *(f"{address} {canonical(word.host.fqdn)} {_short(word)}" for address in word.host.addresses or ("ADDRESS",)))
