"""Every command that is run on a host after a login: this list and the site's own questions, and nothing else.

All of them only read.  Each topic has alternatives, which are tried in turn until one gives an answer that can be read, so
that a GNU userland with iproute2, BusyBox, and a system without ``ip`` are all understood.  No alternative needs more of the
login shell than words with spaces between them and ``*`` for file names, so any shell will do.

``{services}``, ``{sockets}`` and ``{name}`` are replaced by the plan's services, the sockets of these names and the host's
planned name, quoted.
"""

from __future__ import annotations

import shlex
from collections.abc import Sequence

import msgspec

#: Every time service that the usual distributions ship a unit for, by the names of their units.
TIME_UNITS = ("chrony", "chronyd", "systemd-timesyncd", "ntpsec", "ntp", "ntpd", "openntpd")
#: Where systemd-resolved listens for the host's own programs (systemd-resolved.service(8)).
RESOLVED = ("127.0.0.53", "127.0.0.54")
#: Exit statuses of a shell that found no such command or could not run it (POSIX.1-2017, Shell & Utilities, 2.8.2).
NO_SUCH_COMMAND = (126, 127)
#: What the shell is asked first: a word that no banner holds, so that all before it is banner.
GREETING = "seatrial-was-here"


class Alternative(msgspec.Struct, frozen=True):
    """One command, and the name of the reader that understands its output (``probes.hostfacts``).

    ``of_resolved`` is whether it tells of systemd-resolved or of other forwarders; None where it tells of no forwarder.
    ``written_by`` is what the first comment of resolv.conf must name for it to tell anything.
    ``beside`` is the unit that must have been seen to run.  What is left of one that stopped tells nothing, and a command that
    asks a program over the system bus starts it where it stands (dbus-daemon(1), activation; systemctl(1) asks the manager).
    """

    command: str
    reader: str
    of_resolved: bool | None = None
    written_by: str = ""
    beside: str = ""


class Topic(msgspec.Struct, frozen=True, kw_only=True):
    """One thing to find out, for which ``checks``, by which commands in turn.

    ``behind_stub`` marks what is only asked where the host's resolver is a forwarder of its own; ``confidential`` what is
    never kept as it was printed.
    """

    name: str
    checks: tuple[str, ...]
    alternatives: tuple[Alternative, ...]
    behind_stub: bool = False
    confidential: bool = False


def _either(reader: str, *commands: str) -> tuple[Alternative, ...]:
    return tuple(Alternative(command, reader) for command in commands)


_SHOW = ("systemctl show --property=Id,LoadState,ActiveState,SubState,UnitFileState "
         "--property=TriggeredBy,WantedBy,RequiredBy --property=ActiveEnterTimestampMonotonic")
#: The settings of dnsmasq that decide whom it asks and where it listens (dnsmasq(8)), of the files that Debian has it read.
_DNSMASQ = ("grep -rhs -e ^no-resolv -e ^resolv-file -e ^server -e ^port -e ^listen-address -e ^except-interface "
            "/etc/dnsmasq.conf /etc/dnsmasq.d")
_IP = ("ip", "/sbin/ip", "busybox ip")
_ADDRESSING = ("system.address", "system.mtu", "system.shared-identity")
_ROUTING = ("system.route", "gateway.return-path")

#: In the order in which they are asked: what may wait for a dead name server comes last.
TOPICS = (
    Topic(name="clock", checks=("clock.offset",), alternatives=_either("clock", "date +%s.%N", "date +%s")),
    Topic(name="uptime", checks=("system.uptime",), alternatives=_either("uptime", "cat /proc/uptime")),
    Topic(name="boot", checks=("system.uptime", "system.shared-identity"),
          alternatives=_either("identifier", "cat /proc/sys/kernel/random/boot_id")),
    Topic(name="machine", checks=("system.shared-identity",), confidential=True,
          alternatives=_either("identifier", "cat /etc/machine-id", "cat /var/lib/dbus/machine-id")),
    Topic(name="routes over IPv4", checks=_ROUTING,
          alternatives=(*_either("routes", *(f"{ip} -4 route show" for ip in _IP)),
                        Alternative("cat /proc/net/route", "proc-routes-4"))),
    Topic(name="routes over IPv6", checks=_ROUTING,
          alternatives=(*_either("routes", *(f"{ip} -6 route show" for ip in _IP)),
                        Alternative("cat /proc/net/ipv6_route", "proc-routes-6"))),
    Topic(name="rules over IPv4", checks=_ROUTING, alternatives=_either("rules", *(f"{ip} -4 rule show" for ip in _IP))),
    Topic(name="rules over IPv6", checks=_ROUTING, alternatives=_either("rules", *(f"{ip} -6 rule show" for ip in _IP))),
    Topic(name="addresses", checks=_ADDRESSING,
          alternatives=(*_either("addresses", *(f"{ip} address show" for ip in _IP)),
                        Alternative("cat /proc/net/fib_trie /proc/net/route /proc/net/if_inet6", "proc-addresses"))),
    Topic(name="interfaces", checks=("system.mtu", "system.shared-identity"),
          alternatives=(*_either("links", *(f"{ip} link show" for ip in _IP)),
                        Alternative("grep -H . /sys/class/net/*/mtu /sys/class/net/*/address", "sys-links"))),
    Topic(name="neighbours", checks=("gateway.return-path",),
          alternatives=(*_either("neighbours", *(f"{ip} neigh show" for ip in _IP)),
                        Alternative("cat /proc/net/arp", "proc-neighbours"))),
    Topic(name="resolver", checks=("system.resolver",), alternatives=_either("resolver", "cat /etc/resolv.conf")),
    Topic(name="forwarder", checks=("system.resolver",), behind_stub=True,
          alternatives=(Alternative(f"{_SHOW} systemd-resolved", "units", of_resolved=True),
                        Alternative(f"{_SHOW} dnsmasq", "units", of_resolved=False))),
    # NetworkManager takes the first of its two files away when its forwarder ends; no exit status of 0 without it.
    Topic(name="resolver behind the local stub", checks=("system.resolver",), behind_stub=True,
          alternatives=(Alternative("cat /run/systemd/resolve/resolv.conf", "upstream", of_resolved=True),
                        Alternative("resolvectl dns", "resolvectl", of_resolved=True, beside="systemd-resolved.service"),
                        Alternative("cat /run/NetworkManager/dnsmasq.pid /run/NetworkManager/no-stub-resolv.conf", "upstream",
                                    of_resolved=False, written_by="NetworkManager"),
                        Alternative(_DNSMASQ, "dnsmasq", of_resolved=False, beside="dnsmasq.service"),
                        Alternative("cat /run/dnsmasq/resolv.conf", "upstream", of_resolved=False, written_by="resolvconf",
                                    beside="dnsmasq.service"))),
    Topic(name="services", checks=("system.service",), alternatives=_either("units", f"{_SHOW} {{services}}")),
    Topic(name="sockets of services", checks=("system.service",), alternatives=_either("units", f"{_SHOW} {{sockets}}")),
    Topic(name="failed units", checks=("system.service",),
          alternatives=_either("failed-units", "systemctl list-units --state=failed --plain --no-legend --no-pager")),
    Topic(name="time services", checks=("system.clock",), alternatives=_either("units", f"{_SHOW} {' '.join(TIME_UNITS)}")),
    Topic(name="time sources", checks=("system.clock",),
          alternatives=(Alternative("chronyc -n -c sources -a", "chrony-sources"), Alternative("ntpq -wpn", "ntpq-peers"),
                        Alternative("ntpq -pn", "ntpq-cut-peers"),
                        Alternative("env TZ=UTC timedatectl show-timesync", "timesync", beside="systemd-timesyncd.service"))),
    Topic(name="host name", checks=("system.name",),
          alternatives=_either("word", "hostname", "uname -n", "cat /proc/sys/kernel/hostname")),
    Topic(name="full name", checks=("system.name",), alternatives=_either("word", "hostname -f")),
    Topic(name="look-up of its own name", checks=("system.name",),
          alternatives=(Alternative("getent ahosts {name}", "lookup"), Alternative("hostname -i", "lookup"))),
)


def own_topic(question: str) -> str:
    """The topic under which the answer to a question of the site's own is kept."""
    return f"question {question}"


def written_out(topic: Topic, *, services: Sequence[str], name: str) -> tuple[Alternative, ...]:
    """The alternatives of a topic as they are run; none where they ask about services and none is planned."""
    if any("{services}" in one.command or "{sockets}" in one.command for one in topic.alternatives) and not services:
        return ()
    quoted = {"{services}": " ".join(shlex.quote(service) for service in services), "{name}": shlex.quote(name),
              "{sockets}": " ".join(shlex.quote(f"{service.removesuffix('.service')}.socket") for service in services)}
    written = []
    for one in topic.alternatives:
        command = one.command
        for place, words in quoted.items():
            command = command.replace(place, words)
        written.append(msgspec.structs.replace(one, command=command))
    return tuple(written)


def commands_for(check: str) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """What is run on a host for a check: (topic, commands tried in turn, each with a remark where it waits on a unit)."""
    return tuple((topic.name, tuple(one.command + (f"    # only while {one.beside} runs" if one.beside else "")
                                    for one in topic.alternatives)) for topic in TOPICS if check in topic.checks)
