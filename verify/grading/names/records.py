"""Judges what the name servers say about one host: its addresses, its aliases, and the names of its addresses.

``name.agreement`` and ``name.servers-agree``, which weigh all servers together, are in ``name_agreement``; the servers
themselves are judged in ``nameservers``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from shared.evidence import HostEvidence
from shared.findings import Finding, Grade
from shared.hostnames import canonical, reverse_name
from shared.plan import Endpoint, Host
from shared.quantities import show_seconds
from shared.zonelines import Line, address_line, boundary_zone, pointer_line, reverse_lines, subnet_of, under_comment
from verify.grading.case import Case
from verify.grading.names.agreement import grade_agreement
from verify.grading.names.answers import Reading, Said, is_remembered, listed, negative_seconds
from verify.grading.names.habits import unblock, undeny
from verify.grading.names.servers import grade_site
from verify.grading.names.views import SEE_WILDCARD, Views, addresses_in, made_of, stop_making

__all__ = ["grade_host", "grade_site"]

_TYPES = {4: "A", 6: "AAAA"}


class _Judged(NamedTuple):
    grade: Grade
    symptom: str
    message: str


def grade_host(case: Case, host: Host, evidence: HostEvidence) -> list[Finding]:
    """Every ``name.*`` finding of one host: server by server, and over all of them.

    Servers that are right pass whatever the others say, so that one stale server shows as one.  AAAA of a host whose network
    has ``ipv6 = "off"`` is left to ``host.ipv6``, unless the server says there that the name does not exist.
    """
    views = Views(case, host, evidence)
    findings: list[Finding] = []
    families = _families_to_judge(case, host)
    for server in views.servers:
        findings += [_forward(views, server, version) for version in _TYPES
                     if version in families or _denies_name(views, server, version)]
        findings.append(_alias(views, server))
        findings += [_reverse(views, server, address) for address in host.addresses]
    return findings + grade_agreement(views)


def _whole(judged: _Judged, read: Reading) -> str:
    """The sentence, and what came beside the answer where the sentence does not have it."""
    beside = f" Told beside it: {read.beside}." if read.beside and read.beside not in judged.message else ""
    return judged.message + beside


def _families_to_judge(case: Case, host: Host) -> list[int]:
    network = case.plan.network(host.network)
    off = network is not None and network.ipv6 == "off"
    return [version for version in _TYPES if addresses_in(host.addresses, version) or not (version == 6 and off)]


# --- name.forward


def _forward(views: Views, server: Endpoint, version: int) -> Finding:
    """One server and one family: the planned addresses and nothing else."""
    host, rrtype = views.host, _TYPES[version]
    read = views.read(server.label, host.fqdn, rrtype)
    planned = addresses_in(host.addresses, version)
    came = _in_order(addresses_in(read.values, version), planned)
    judged = _judge_forward(views, server, version, read, came, planned)
    return views.case.finding(
        host.fqdn, "name.forward", f"{server.label} {rrtype}", judged.grade, planned=", ".join(planned) or f"no {rrtype} record",
        found=listed(came) if len(came) == len(read.values) > 0 else read.words, message=_whole(judged, read),
        symptom=judged.symptom, at=views.stamp(server.label, host.fqdn, rrtype),
        fix=_forward_fix(views, server, version, read, planned) if judged.grade is Grade.FAIL else ())


def _judge_forward(
    views: Views, server: Endpoint, version: int, read: Reading, found: tuple[str, ...], planned: tuple[str, ...]
) -> _Judged:
    name, rrtype, label = views.host.fqdn, _TYPES[version], server.label
    if read.said is Said.NOTHING or (read.said is Said.OPEN_END and not planned):
        return _Judged(Grade.UNPROVEN, read.symptom,
                       f"Which {rrtype} records {label} has for {name} could not be seen: {read.words}.")
    if read.said in (Said.ENDLESS, Said.OPEN_END):
        return _Judged(Grade.FAIL, read.symptom, f"{label} gives no address for {name}, but {read.words}.")
    if set(found) == set(planned):
        return _judge_right(views, server, version, read, found)
    if not found:
        # A record whose value is no address is no use to anybody; it brings no symptom of its own.
        return _Judged(Grade.FAIL, read.symptom or "no-address",
                       f"{label} has no {rrtype} record for {name}: {read.words}.{_memory(views, label, name, rrtype)}")
    wildcard = " It comes from a wildcard: a random name gets the same." if views.from_wildcard(label, read) else ""
    extra = [address for address in found if address not in planned]
    missing = [address for address in planned if address not in found]
    if not planned:
        made = " It is the planned address behind the prefix of DNS64." if _all_made(views, extra) else ""
        return _Judged(Grade.FAIL, "unplanned-address",
                       f"{label} gives {listed(extra)} for {name}, where the plan has no {rrtype} record. Clients that "
                       f"prefer this family try it first.{made or wildcard}")
    if not missing:
        return _Judged(Grade.FAIL, "extra-address",
                       f"{label} gives {listed(extra)} for {name} beside the planned address. About "
                       f"{len(extra)} of {len(found)} clients will try the wrong one first.")
    if not extra:
        return _Judged(Grade.FAIL, "missing-address", f"{label} does not give {listed(missing)} for {name}.")
    return _Judged(Grade.FAIL, "wrong-address",
                   f"{label} gives {listed(found)} for {name}; planned is {', '.join(planned)}. Clients reach another "
                   f"machine, or none.{wildcard}")


def _all_made(views: Views, addresses: Sequence[str]) -> bool:
    """Whether the server made all these addresses itself, by DNS64."""
    return bool(addresses) and all(made_of(address, views.host.addresses) for address in addresses)


def _judge_right(views: Views, server: Endpoint, version: int, read: Reading, found: tuple[str, ...]) -> _Judged:
    """The planned addresses and no other came; whether they prove a record of the host's own."""
    name, rrtype, label = views.host.fqdn, _TYPES[version], server.label
    if not found and _denies_name(views, server, version):
        return _Judged(Grade.FAIL, "denies-name",
                       f"{label} gives {name} an address of the other family, yet asked for {rrtype} records says {read.words}. "
                       "That denies the name for every type (RFC 4074 section 4.2): a resolver that asks for both may remember "
                       "the no and give its clients no address at all (RFC 8020).")
    if not found:
        return _Judged(Grade.PASS, "", f"{label} has no {rrtype} record for {name}, as planned.")
    if views.from_wildcard(label, read):
        return _Judged(Grade.UNPROVEN, "wildcard",
                       f"{label} gives the planned address for {name}, and gives the same for a random name: whether the host "
                       "has a record of its own could not be seen.")
    through = f" through the alias {' > '.join(read.chain.names)}" if read.chain.aliased else ""
    return _Judged(Grade.PASS, "", f"{label} gives {listed(found)} for {name}{through}, as planned.")


def _in_order(found: Iterable[str], planned: Sequence[str]) -> tuple[str, ...]:
    """What was planned first, then the rest by its text: in an answer the order means nothing (RFC 1034 section 3.6).

    Servers give a set of records in another order each time, and one fault must read the same at each of them.
    """
    came = set(found)
    return (*(one for one in planned if one in came), *sorted(came.difference(planned)))


def _denies_name(views: Views, server: Endpoint, version: int) -> bool:
    """Whether one server says of one family that the name does not exist, and gives it addresses of the other one."""
    other = _TYPES[6 if version == 4 else 4]
    return (views.read(server.label, views.host.fqdn, _TYPES[version]).said is Said.NO_NAME
            and views.read(server.label, views.host.fqdn, other).said is Said.RECORDS)


def _forward_fix(views: Views, server: Endpoint, version: int, read: Reading, planned: tuple[str, ...]) -> tuple[str, ...]:
    host, rrtype = views.host, _TYPES[version]
    if not planned and _denies_name(views, server, version):
        return undeny(server, host.fqdn, rrtype)
    if read.symptom == "blocked":
        return unblock(server, host.fqdn, rrtype)
    if not planned and _all_made(views, addresses_in(read.values, version)):
        return (stop_making(server.label),)
    wildcard, aliased = views.from_wildcard(server.label, read), read.chain.aliased or read.chain.endless
    # Behind an alias the addresses belong to another name, and stay there; what goes is the alias, and all the planned
    # addresses come in its place.  What a wildcard gives belongs to the wildcard: see name.wildcard.
    held = () if aliased or wildcard else addresses_in(read.values, version)
    add = [address_line(host.fqdn, address) for address in (host.addresses if aliased else planned) if address not in held]
    remove = [address_line(host.fqdn, address) for address in held if address not in planned]
    if not wildcard:
        remove = [*_alias_line(host.fqdn, read), *remove]
    elif not planned:
        return (SEE_WILDCARD,)
    zone = views.zone_for(host.fqdn, views.answer(server.label, host.fqdn, rrtype))
    right = [other.label for other in views.servers
             if set(addresses_in(views.read(other.label, host.fqdn, rrtype).values, version)) == set(planned) and planned]
    return views.fix(server.label, zone, add, remove, right)


def _alias_line(name: str, read: Reading) -> list[Line]:
    """The alias record at ``name`` itself, if there is one."""
    target = read.chain.names[1] if read.chain.aliased else name if read.chain.endless else None
    return [Line(name, "CNAME", f"{target}.")] if target else []


def _memory(views: Views, label: str, name: str, rrtype: str) -> str:
    """How long a resolver may go on saying no, where a no came out of its memory."""
    answer = views.answer(label, name, rrtype)
    seconds = negative_seconds(answer) if answer is not None and is_remembered(answer) else None
    if not seconds:
        return ""
    return f" It may remember this for another {show_seconds(seconds)} after the record is added (RFC 2308)."


# --- name.alias


def _alias(views: Views, server: Endpoint) -> Finding:
    """One server: the host's name has its records itself."""
    host = views.host
    reads = [(rrtype, views.read(server.label, host.fqdn, rrtype)) for rrtype in _TYPES.values()]
    aliased = next(((rrtype, read) for rrtype, read in reads if read.chain.aliased or read.chain.endless), None)
    rrtype, read = aliased or next((pair for pair in reads if pair[1].definite), reads[0])
    fix: tuple[str, ...] = ()
    if aliased and views.from_wildcard(server.label, read):
        judged = _Judged(
            Grade.UNPROVEN, "wildcard",
            f"{server.label} gives {host.fqdn} and a random name the same alias, {' > '.join(read.chain.names)}: whether the "
            "host has an alias of its own could not be seen.")
    elif aliased:
        planned = set(host.addresses)
        reached = {address for _type, one in reads for version in _TYPES for address in addresses_in(one.values, version)}
        arrives = bool(reached) and reached <= planned
        judged = _Judged(
            Grade.CAUTION if arrives else Grade.FAIL, "alias",
            f"At {server.label} {host.fqdn} is an alias: {' > '.join(read.chain.names)}"
            + (", which arrives at the planned address." if arrives
               else ", which arrives at others beside the planned ones." if reached & planned
               else ", which does not arrive at the planned addresses.")
            + " The plan wants an address record; a pointer may not lead to an alias (RFC 2181 section 10.2).")
        zone = views.zone_for(host.fqdn, views.answer(server.label, host.fqdn, rrtype))
        fix = under_comment(zone, [address_line(host.fqdn, address) for address in host.addresses], _alias_line(host.fqdn, read))
    elif not read.definite:
        judged = _Judged(Grade.UNPROVEN, read.symptom,
                         f"Whether {host.fqdn} is an alias at {server.label} could not be seen: {read.words}.")
    else:
        judged = _Judged(Grade.PASS, "", f"At {server.label} {host.fqdn} is no alias.")
    return views.case.finding(
        host.fqdn, "name.alias", server.label, judged.grade, planned="no alias", symptom=judged.symptom, fix=fix,
        found=" > ".join(read.chain.names) if aliased else "no alias" if read.definite else read.words, message=judged.message,
        at=views.stamp(server.label, host.fqdn, rrtype))


# --- name.reverse


def _reverse(views: Views, server: Endpoint, address: str) -> Finding:
    """One server and one address: the pointer names the planned host."""
    host, owner = views.host, reverse_name(address)
    read = views.read(server.label, owner, "PTR")
    names = _in_order(map(canonical, read.values), (host.fqdn,))
    judged = _judge_reverse(views, server, address, read, names)
    fix = _reverse_fix(views, server, address, read) if judged.grade in (Grade.FAIL, Grade.CAUTION) else ()
    found = _names_listed(names) or read.words
    return views.case.finding(
        host.fqdn, "name.reverse", f"{server.label} {address}", judged.grade, planned=host.fqdn,
        found=found, message=_whole(judged, read), symptom=judged.symptom, fix=fix,
        at=views.stamp(server.label, owner, "PTR"))


def _judge_reverse(views: Views, server: Endpoint, address: str, read: Reading, names: Sequence[str]) -> _Judged:
    name, label = views.host.fqdn, server.label
    if read.said in (Said.NOTHING, Said.OPEN_END):
        return _Judged(Grade.UNPROVEN, read.symptom, f"Which name {label} has for {address} could not be seen: {read.words}.")
    if not names:
        return _Judged(Grade.FAIL, read.symptom, f"{label} has no pointer from {address} to {name}: {read.words}."
                       + _memory(views, label, reverse_name(address), "PTR"))
    if name not in names:
        return _Judged(Grade.FAIL, "wrong-name", f"{label} says that {address} is {_names_listed(names)}; planned is {name}."
                       + _slip(name, names, read) + _aliases_among(views, label, names))
    others = [other for other in names if other != name]
    if others:
        return _Judged(Grade.CAUTION, "several-names",
                       f"{label} gives {address} the planned name {name}, and also {listed(others)}. That is allowed "
                       "(RFC 2181 section 10.2), but most programs use one name, and which one is chance.")
    if any(one.chain.aliased and not views.from_wildcard(label, one)
           for one in (views.read(label, name, rrtype) for rrtype in _TYPES.values())):
        return _Judged(Grade.CAUTION, "pointer-to-alias",
                       f"{label} points from {address} to {name}, which is itself an alias there; a pointer has to name the "
                       "canonical name (RFC 2181 section 10.2).")
    through = f" through {read.chain.end}" if read.chain.aliased else ""
    return _Judged(Grade.PASS, "", f"{label} points from {address} to {name}{through}, as planned.")


def _names_listed(names: Iterable[str]) -> str:
    return listed(["the root" if name == "." else name for name in names])


def _slip(name: str, names: Sequence[str], read: Reading) -> str:
    """The classic slip: a name written without its final dot has its zone appended (RFC 1035 section 5.1)."""
    zone = read.chain.end.partition(".")[2]
    if any(other.startswith(f"{name}.") and (zone == other.removeprefix(f"{name}.") or other.endswith(".arpa"))
           for other in names):
        return " The final dot is missing in the zone file, so the zone's own name was appended."
    return ""


def _aliases_among(views: Views, label: str, names: Sequence[str]) -> str:
    """Says which of the names that the pointer gives are aliases."""
    aliases = [name for name in names if any(views.read(label, name, rrtype).chain.aliased for rrtype in _TYPES.values())]
    return f" {', '.join(aliases)} is an alias, which a pointer may not name (RFC 2181 section 10.2)." if aliases else ""


def _reverse_fix(views: Views, server: Endpoint, address: str, read: Reading) -> tuple[str, ...]:
    host, subnet = views.host, subnet_of(views.case.plan, views.host, address)
    owner, zone = views.pointer_home(server.label, address)
    if read.symptom == "blocked":
        return unblock(server, reverse_name(address), "PTR")
    names = list(dict.fromkeys(map(canonical, read.values)))
    remove = [pointer_line(address, name, owner) for name in names if name != host.fqdn]
    missing = host.fqdn not in names
    boundary = boundary_zone(address, subnet)
    right = [other.label for other in views.servers
             if [*map(canonical, views.read(other.label, reverse_name(address), "PTR").values)] == [host.fqdn]]
    if zone is None and (remove or not missing):
        zone = views.zone_seen(owner, views.answer(server.label, owner, "PTR")) or boundary
    if zone is None:
        # By the plan's subnet it may be one for RFC 2317.
        lines: tuple[str, ...] = ()
        for likely, line in reverse_lines(address, host.fqdn, subnet):
            lines += under_comment(likely, (line,))
        return views.fix(server.label, boundary, (), (), right) + lines
    if not missing and not remove:
        return (f"; make {host.fqdn} a canonical name: see the lines of name.alias",)
    return views.fix(server.label, zone, [pointer_line(address, host.fqdn, owner)] if missing else [], remove, right)
