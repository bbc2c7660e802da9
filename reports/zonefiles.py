"""The zones of a whole plan as files for a name server, and as a script of dynamic updates."""

from __future__ import annotations

import msgspec

from shared.plan import Plan
from shared.safetext import visible
from shared.zonelines import Line, Zone, authority_of, master_file, update_script, zones_of


class ZoneFile(msgspec.Struct, frozen=True):
    """One complete zone: the zone's name, the file's, and its text in master-file form (RFC 1035 section 5)."""

    origin: str
    name: str
    text: str


def zone_files(plan: Plan, *, serial: int) -> tuple[ZoneFile, ...]:
    """Every zone that the plan needs, complete, so that a server can load it as it is.

    ``serial`` is the version to give them all.  Raises ValueError where the plan has no name server.
    """
    authority = authority_of(plan)
    return tuple(ZoneFile(zone.origin, _file_name(zone), _preface(plan, zone) + master_file(zone, authority, serial=serial))
                 for zone in zones_of(plan))


def _file_name(zone: Zone) -> str:
    return f"{zone.origin}.zone"


def _preface(plan: Plan, zone: Zone) -> str:
    name = _file_name(zone)
    return visible(f"; from the plan {plan.file}, sha256 {plan.sha256[:12]}") + (
        "\n; A complete zone, for a server that does not hold it yet: loaded over a zone in use it would take every other name"
        "\n; away.  For a zone in use take what is missing: seatrial sheet PLAN --check-names, or --update."
        "\n; The plan knows name servers by address: those that are none of its hosts are called ns1, ns2 ... below."
        f"\n; Check it: named-checkzone {zone.origin} {name}\n")


def whole_update(plan: Plan) -> str:
    """The updates that add every record of the plan, zone by zone."""
    server = plan.name_servers[0] if plan.name_servers else None
    return _preamble(plan) + "\n".join(update_script(zone, server=server) for zone in zones_of(plan))


def partial_update(plan: Plan, changes: dict[str, tuple[tuple[Line, ...], tuple[Line, ...]]]) -> str:
    """The updates that make only the ``changes``: for each zone the lines to add and those to remove."""
    server = plan.name_servers[0] if plan.name_servers else None
    scripts = (update_script(Zone(origin=origin, lines=add), remove=remove, server=server)
               for origin, (add, remove) in changes.items())
    return _preamble(plan) + "\n".join(scripts)


def _preamble(plan: Plan) -> str:
    """Who is to be told, and how: comments, so that the whole can be piped on."""
    lines = ["; Nothing has been sent.  Send it with: nsupdate -k KEYFILE FILE"]
    if plan.name_servers:
        lines += [f"; It goes to {plan.name_servers[0].label}, the first name server of the plan; without the lines that begin",
                  '; with "server" it goes to the primary of each zone.']
    return "".join(f"{visible(line)}\n" for line in lines)
