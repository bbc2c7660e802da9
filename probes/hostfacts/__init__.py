"""Reads the output of the commands in ``shared.hostcommands``: text in, plain facts out, no I/O.

Every reader is total: for any text it returns what it could read, or None where that is nothing, and then the next
alternative is tried.  Lines that mean nothing to a reader are passed over, for a shell may print lines of its own.
"""

from __future__ import annotations

from collections.abc import Callable

from probes.hostfacts import addresses, names, routes, services, times

#: Every reader by the name that the table of commands gives it.
READERS: dict[str, Callable[[str], object | None]] = {
    "clock": times.clock,
    "uptime": times.uptime,
    "identifier": names.identifier,
    "word": names.word,
    "lookup": names.looked_up,
    "resolver": names.resolver,
    "upstream": names.upstream,
    "resolvectl": names.resolvectl,
    "dnsmasq": names.dnsmasq,
    "routes": routes.routes,
    "rules": routes.rules,
    "proc-routes-4": routes.proc_routes_4,
    "proc-routes-6": routes.proc_routes_6,
    "neighbours": routes.neighbours,
    "proc-neighbours": routes.proc_neighbours,
    "addresses": addresses.addresses,
    "proc-addresses": addresses.proc_addresses,
    "links": addresses.links,
    "sys-links": addresses.sys_links,
    "units": services.units,
    "failed-units": services.failed_units,
    "chrony-sources": times.chrony_sources,
    "ntpq-peers": times.ntpq_peers,
    "ntpq-cut-peers": times.ntpq_cut_peers,
    "timesync": times.timesync,
}

#: Readers of several files at once: one of them may be missing, which the exit status tells and does not matter.
WHATEVER_STATUS = frozenset({"proc-addresses", "sys-links", "dnsmasq"})
