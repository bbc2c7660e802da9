"""Weighs the versions of a zone: does every planned server have the same one, and which of them is behind."""

from __future__ import annotations

from collections.abc import Sequence

from shared.evidence import NameRecord
from shared.findings import SITE, Finding, Grade
from shared.hostnames import canonical, under
from shared.plan import Endpoint
from shared.quantities import show_seconds
from shared.serials import newer
from verify.grading.case import Case
from verify.grading.names.answers import is_remembered, serial_of, soa_of


def grade_serials(case: Case, asked: str) -> Finding:
    """Whether every server has the same version of a zone; a difference alone is a caution, for copies take their time.

    The zone is the one ``asked`` for, or the one around it that the servers answered out of; a server that answered out of
    another one has no version of it, and its serial means nothing here.
    """
    soas = ((server.label, _soa_for(case, server, asked)) for server in case.plan.name_servers)
    owners = {label: canonical(soa.owner) for label, soa in soas if soa is not None}
    zone = max(owners.values(), key=len, default=asked)
    seen = serials_of(case, zone)
    mute = [server.label + (f" (which answers out of {owners[server.label]})" if owners.get(server.label, zone) != zone else "")
            for server in case.plan.name_servers if server.label not in seen]
    found = ", ".join(f"{label}: {serial}" for label, serial in seen.items()) or "no serial"
    fix: tuple[str, ...] = ()
    if len(set(seen.values())) > 1:
        grade, symptom, message = Grade.CAUTION, "serials-differ", _behind_message(case, zone, seen)
        fix = _catch_up(case, zone, seen)
    elif mute:
        grade, symptom = Grade.UNPROVEN, "silent"
        message = (f"Whether all name servers have the same version of {zone} could not be seen: no start of authority from "
                   f"{', '.join(mute)}.")
    else:
        grade, symptom = Grade.PASS, ""
        message = f"All name servers have the same version of {zone}: serial {next(iter(seen.values()))}."
    return case.finding(SITE, "name.servers-agree", asked, grade, planned="the same serial from every name server", found=found,
                        message=message, symptom=symptom, fix=fix, at=_stamp(case, asked))


def _soa_for(case: Case, server: Endpoint, zone: str) -> NameRecord | None:
    """The start of authority that the server gave for a zone, or for the zone around it."""
    for answer in case.evidence.site.names:
        if answer.server == server.label and answer.rrtype == "SOA" and canonical(answer.name) == zone and not answer.failure:
            soa = soa_of(answer)
            if soa is not None and under(zone, soa.owner):
                return soa
    return None


def serials_of(case: Case, zone: str) -> dict[str, int]:
    """The serial of exactly this zone at each server that gave one, asked for it or for a zone inside it."""
    serials: dict[str, int] = {}
    for answer in case.evidence.site.names:
        soa = soa_of(answer) if answer.rrtype == "SOA" and not answer.failure else None
        serial = serial_of(soa) if soa is not None and canonical(soa.owner) == zone else None
        if serial is not None:
            serials.setdefault(answer.server, serial)
    return {server.label: serials[server.label] for server in case.plan.name_servers if server.label in serials}


def servers_behind(serials: dict[str, int]) -> list[str]:
    """The servers whose serial is older than another's, by the wrapping order of RFC 1982; plan order kept."""
    return [label for label, serial in serials.items() if any(newer(other, serial) for other in serials.values())]


def _behind_message(case: Case, zone: str, serials: dict[str, int]) -> str:
    told = ", ".join(f"{label} has {serial}" for label, serial in serials.items())
    behind = servers_behind(serials)
    rest = (f"{', '.join(behind)} {'is' if len(behind) == 1 else 'are'} behind (RFC 1982 order)" if behind
            else "their order is undefined, for they are half the circle apart (RFC 1982 section 3.2)")
    remembered = "".join(
        f" {label} does not hold the zone, and may remember this for at most another {show_seconds(seconds)}."
        for label in behind if (seconds := memory_seconds(case, label, zone)) is not None)
    return (f"The name servers have different versions of {zone}: {told}; {rest}.{remembered} What one answers another may not "
            "know yet.")


def _catch_up(case: Case, zone: str, serials: dict[str, int]) -> tuple[str, ...]:
    behind: Sequence[str] = servers_behind(serials) or tuple(serials)
    return tuple(catch_up(case, label, zone) for label in behind)


def memory_seconds(case: Case, label: str, zone: str) -> int | None:
    """How long a resolver may go on giving the start of authority of a zone that it does not hold; None for who holds it."""
    for answer in case.evidence.site.names:
        soa = soa_of(answer) if answer.server == label and answer.rrtype == "SOA" else None
        if soa is not None and canonical(soa.owner) == zone and is_remembered(answer):
            return soa.ttl_seconds
    return None


def catch_up(case: Case, label: str, zone: str) -> str:
    """The line that tells a server to fetch a zone anew, or a resolver to forget what it knows of it."""
    if memory_seconds(case, label, zone) is not None:
        return (f"on {label}: flush what it remembers of {zone} (BIND: rndc flushtree {zone}), or wait until it forgets, and "
                "verify again")
    return f"on {label}: fetch {zone} anew from its primary (BIND: rndc retransfer {zone}), and see why it did not by itself"


def _stamp(case: Case, zone: str) -> str:
    return next((answer.at for answer in case.evidence.site.names if canonical(answer.name) == zone), "")
