"""Grades who owns an address: one machine, seen by its hardware address on the wire or by its keys from afar.

On the wire every claim is seen.  From afar only taking turns shows: one fresh connection meets one host key or certificate, the
next another.  That every connection met the same proves nothing, since the last router remembers one of two owners for minutes;
so from there only a conflict that was seen is a finding, and the rest is listed as beyond the runner's reach.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from shared.evidence import Evidence, HostEvidence, OwnersEvidence
from shared.findings import SITE, Finding, Grade
from shared.macs import MacError, is_virtual_router, parse_mac
from shared.plan import Host
from verify.grading.case import Case, in_words
from verify.grading.life import came_straight
from verify.grading.machines import listed

#: Phases of a failure that say that the runner does not stand where the question could be asked (``probes.seam``, wire_to).
_ELSEWHERE = ("off-link", "own")
_PLANNED = "one owner"
#: As many names are told one by one.
_TOLD = 3


class Wire:
    """Who claims what on the runner's wires, over all hosts and gateways."""

    def __init__(self, case: Case) -> None:
        self._hosts: dict[str, dict[str, None]] = defaultdict(dict)
        self._planned: dict[str, str] = {}
        self._gateways: dict[str, str] = {}
        for host in case.plan.hosts:
            mac = planned_mac(host)
            if mac:
                self._planned.setdefault(mac, host.fqdn)
        for evidence in case.evidence.site.owners:
            for owner in evidence.owners:
                self._gateways.setdefault(owner.mac, evidence.address)
        for seen in case.evidence.hosts:
            for evidence in seen.owners:
                for owner in evidence.owners:
                    row = case.plan.by_address.get(evidence.address)
                    self._hosts[owner.mac].setdefault(row.fqdn if row else seen.fqdn)

    def router(self, mac: str, host: Host) -> str:
        """What router this is: the gateway whose address it holds, or a pair of routers; empty where it is none known.

        A host that is itself the gateway, or was planned with this hardware address, is no router in the way.
        """
        if mac in self._gateways and self._gateways[mac] not in host.addresses and mac != planned_mac(host):
            return f"the gateway {self._gateways[mac]}"
        return "a virtual router (RFC 9568 section 7.3)" if is_virtual_router(mac) else ""

    def others(self, mac: str, fqdn: str) -> list[str]:
        """The other planned hosts that this hardware address belongs to, as it claims and as the plan has it, in order."""
        held = dict.fromkeys((*self._hosts.get(mac, ()), *([self._planned[mac]] if mac in self._planned else [])))
        return [name for name in held if name != fqdn]


def planned_mac(host: Host) -> str:
    """The hardware address that the plan gives the host, in canonical form; empty where it gives none that can be read."""
    try:
        return parse_mac(host.mac) if host.mac else ""
    except MacError:
        return ""


def claimants(case: Case, host: Host, evidence: HostEvidence, address: str) -> list[str]:
    """The hardware addresses that claimed the address, but for routers, which may do so in the name of others (RFC 1027)."""
    routers = {owner.mac for seen in case.evidence.site.owners if seen.address not in host.addresses for owner in seen.owners}
    macs = [owner.mac for seen in evidence.owners if seen.address == address and seen.failure is None for owner in seen.owners]
    return [mac for mac in macs if mac == planned_mac(host) or not (mac in routers or is_virtual_router(mac))]


def own_macs(host: Host, evidence: HostEvidence) -> tuple[set[str], bool]:
    """Every hardware address known to be the host's, and whether these are all it has: so it is where the host said so itself."""
    links = evidence.system.facts.links if evidence.system else None
    told = {link.mac for link in links or () if link.mac}
    planned = planned_mac(host)
    return told | ({planned} if planned else set()), bool(told)


def grade_site(case: Case) -> list[Finding]:
    """``host.address-conflict`` of each planned gateway that the runner shares a wire with."""
    findings = []
    for evidence in case.evidence.site.owners:
        if evidence.failure is not None:
            continue
        macs = [owner.mac for owner in evidence.owners]
        if len(macs) > 1:
            findings.append(_two(case, SITE, evidence, f"the gateway {evidence.address}", macs, (), Grade.FAIL,
                                 "One of them takes the traffic of the whole network, or loses it."))
        elif macs:
            kind = ", which belongs to a pair of routers" if is_virtual_router(macs[0]) else ""
            findings.append(_finding(case, SITE, evidence, Grade.PASS, macs[0],
                                     f"Only {macs[0]}{kind} claims the gateway address {evidence.address}, of all that share a "
                                     f"wire with {case.evidence.vantage.name}."))
    return findings


def grade_host(case: Case, wire: Wire, host: Host, evidence: HostEvidence) -> list[Finding]:
    """``host.address-conflict`` and ``host.mac`` for each address, as far as the runner stands where they can be seen."""
    findings = []
    for address in host.addresses:
        seen = next((one for one in evidence.owners if one.address == address), None)
        turns = taking_turns(evidence, address)
        if turns:
            findings.append(_alternating(case, host, address, seen, turns))
        elif seen is not None and (seen.failure is None or seen.failure.phase not in _ELSEWHERE):
            findings.append(_conflict(case, wire, host, evidence, seen))
        if seen is not None and seen.failure is None and seen.owners:
            findings.append(_mac(case, wire, host, evidence, seen))
    return findings


def beyond_reach(evidence: Evidence) -> dict[str, str]:
    """Why the owner of an address could not be asked for from where the runner stands, by "HOST ADDRESS"; no finding says it.

    An address that was seen to have two owners all the same is not among them.
    """
    return {f"{seen.fqdn} {one.address}": one.failure.detail for seen in evidence.hosts for one in seen.owners
            if one.failure is not None and one.failure.phase in _ELSEWHERE and not taking_turns(seen, one.address)}


# --- host.address-conflict


def taking_turns(evidence: HostEvidence, address: str) -> tuple[str, list[str]] | None:
    """The port, and the certificates or keys of one kind that different connections to it met, where there were several."""
    met: dict[tuple[str, str], dict[str, None]] = defaultdict(dict)
    for tls in evidence.tls:
        if tls.address == address and tls.chain:
            met[(tls.port, "tls")][tls.chain[0].sha256] = None
    for ssh in evidence.ssh:
        for key in ssh.host_keys if ssh.address == address else ():
            met[(ssh.port, key.key_type)][key.fingerprint] = None
    for identity in evidence.identities:
        if identity.address == address and identity.fingerprint:
            met[(identity.port, identity.kind)][identity.fingerprint] = None
    return next(((port, list(prints)) for (port, _kind), prints in met.items() if len(prints) > 1), None)


def _alternating(
    case: Case, host: Host, address: str, seen: OwnersEvidence | None, turns: tuple[str, list[str]]
) -> Finding:
    port, prints = turns
    macs = [owner.mac for owner in seen.owners] if seen else []
    on_wire = f" On the wire {_and(macs)} claim it." if len(macs) > 1 else ""
    return case.finding(
        host.fqdn, "host.address-conflict", address, Grade.FAIL, planned=_PLANNED, found=f"{len(prints)} identities take turns",
        symptom="two-owners", at=seen.at if seen else "",
        message=f"Two machines answer at {address}: fresh connections from {case.evidence.vantage.name} to {port} met "
                f"{_and([_short(one) for one in prints])} in turn.{on_wire} Either two hosts hold the address, or something in "
                "front hands its connections to several.",
        fix=_find_both(address, macs))


def _conflict(case: Case, wire: Wire, host: Host, evidence: HostEvidence, seen: OwnersEvidence) -> Finding:
    address, where = seen.address, case.evidence.vantage.name
    if seen.failure is not None:
        reason = in_words(seen.failure)
        return _finding(case, host.fqdn, seen, Grade.UNPROVEN, reason,
                        f"Who owns {address} on its wire could not be asked from {where}: {reason}.")
    macs = [owner.mac for owner in seen.owners]
    if not macs:
        return _finding(case, host.fqdn, seen, Grade.UNPROVEN, "nobody claims it",
                        f"Nobody on the wire of {where} claims {address}: asked {seen.asked} times, no machine gave a hardware "
                        "address for it.", "silent")
    known, complete = own_macs(host, evidence)
    if len(macs) == 1 and (came_straight(evidence, address) or not wire.router(macs[0], host)):
        return _finding(case, host.fqdn, seen, Grade.PASS, macs[0],
                        f"Only {macs[0]} claims {address} on the wire that {where} shares with it.")
    if set(macs) <= known:
        return _finding(case, host.fqdn, seen, Grade.PASS, _and(macs),
                        f"{_and(macs)} claim {address}, and are all interfaces of {host.fqdn} itself.")
    hosts_own = [mac for mac in macs if not wire.router(mac, host)]
    if len(hosts_own) <= 1:
        return _router(case, wire, host, seen, macs)
    strangers = [mac for mac in macs if mac not in known] if known & set(macs) else macs
    named = tuple(f"{mac} is that of {_and(others)}" for mac in strangers if (others := _apart(wire, host, mac, macs)))
    if ":" in address:
        why = "An interface answers for its own IPv6 addresses only (RFC 4861 section 7.2.3), so two hold it."
        return _two(case, host.fqdn, seen, address, macs, named, Grade.FAIL, why)
    if complete:
        return _two(case, host.fqdn, seen, address, macs, named, Grade.FAIL,
                    f"By its own word, {host.fqdn} does not have {' nor '.join(strangers)}.")
    if named or (known & set(macs)):
        why = "" if named else f"The plan gives {host.fqdn} only {_and(sorted(known))}."
        return _two(case, host.fqdn, seen, address, macs, named, Grade.FAIL, why)
    return _two(case, host.fqdn, seen, address, macs, named, Grade.CAUTION,
                "They may be two machines, or two interfaces of one host on one wire: nothing seen tells which.")


def _apart(wire: Wire, host: Host, mac: str, macs: list[str]) -> list[str]:
    """The other hosts that ``mac`` belongs to and not every one of ``macs``: what all claim together is one machine's."""
    shared = set.intersection(*(set(wire.others(one, host.fqdn)) for one in macs))
    return [name for name in wire.others(mac, host.fqdn) if name not in shared]


def _two(
    case: Case, owner: str, seen: OwnersEvidence, what: str, macs: list[str], named: tuple[str, ...], grade: Grade, why: str
) -> Finding:
    told = f" {'; '.join(named)}." if named else ""
    settle = () if grade is Grade.FAIL else (
        f"to settle it, read its hardware address at the console of {owner} (ip -br link) and plan it: mac = \"...\"",
        "or plan [access] over SSH, so that the host names its own",
        "where they are two interfaces of one host: sysctl -w net.ipv4.conf.all.arp_ignore=1    # each answers for its own only")
    return _finding(case, owner, seen, grade, _and(macs),
                    f"{_and(macs)} both claim {what} on the wire of {case.evidence.vantage.name}.{told} {why}".rstrip(),
                    "two-owners", (*_find_both(seen.address, macs), *settle))


def _router(case: Case, wire: Wire, host: Host, seen: OwnersEvidence, macs: list[str]) -> Finding:
    routers = [f"{mac}, {told}," for mac in macs if (told := wire.router(mac, host))]
    return _finding(
        case, host.fqdn, seen, Grade.CAUTION, _and(macs),
        f"{_and(routers)} answers for {seen.address} on the wire of {case.evidence.vantage.name}: a router that answers in the "
        "name of others (RFC 1027) hides a wrong mask, and takes traffic that is not meant for it.", "proxy",
        ("on the router, where nobody meant it so: sysctl -w net.ipv4.conf.all.proxy_arp=0    # or its own words for it",
         f"where {seen.address} is the router's own: give the host another address"))


def _find_both(address: str, macs: list[str]) -> tuple[str, ...]:
    first = (f"on another machine of the wire: arping -D -I INTERFACE -c 3 {address}" if ":" not in address
             else f"on another machine of the wire, a few times: ip -6 neigh flush to {address}; ping -c 1 {address}; "
                  f"ip -6 neigh show {address}")
    at_switch = tuple(f"at the switch: look up {mac} in the table of hardware addresses; it names the port" for mac in macs)
    return (first, *at_switch, f"give one of the two another address, and take {address} out of every pool")


# --- host.mac


def _mac(case: Case, wire: Wire, host: Host, evidence: HostEvidence, seen: OwnersEvidence) -> Finding:
    """Whether the planned hardware address is there, and is no other host's."""
    planned, macs, address = planned_mac(host), [owner.mac for owner in seen.owners], seen.address
    where = case.evidence.vantage.name

    def finding(grade: Grade, message: str, symptom: str = "", fix: tuple[str, ...] = (), also: str = "") -> Finding:
        return case.finding(
            host.fqdn, "host.mac", address, grade, planned=planned or "a hardware address that no other host has",
            found=_and(macs) + also, message=message, symptom=symptom, fix=fix, at=seen.at)

    if planned and planned not in macs:
        others = [f" {mac} is that of {_and(names)}." for mac in macs if (names := wire.others(mac, host.fqdn))]
        return finding(
            Grade.FAIL, f"{address} is claimed by {_and(macs)} on the wire of {where}, and planned for it is {planned}."
                        f"{''.join(others)}", "other-mac",
            (f"on {host.fqdn}: ip -br link    # which interface has {planned}, and does that one hold {address}?",
             "is the cable in another socket of the same machine, or is this another machine?",
             "or, where the machine was changed on purpose, in the plan: mac = "
             + (f'"{macs[0]}"' if len(macs) == 1 else "what its console shows")))
    shared = wire.others(macs[0], host.fqdn) if len(macs) == 1 else []
    if shared and not wire.router(macs[0], host):
        return finding(
            Grade.FAIL, f"{macs[0]} claims {address} and is also the hardware address of {_and(shared)}: one machine answers for "
                        f"{'both' if len(shared) == 1 else 'all'}, or one was cloned with the other's hardware "
                        "address.", "shared-mac",
            (f"on {host.fqdn} and on {_and(shared)}: ip -br link; ip -br address    # each must have its own",
             "where one was cloned: let its virtual interface be given a new hardware address"),
            f", also of {_and(shared)}")
    own, _complete = own_macs(host, evidence)
    if not planned and not set(macs) <= own and sum(1 for mac in macs if not wire.router(mac, host)) > 1:
        return finding(Grade.UNPROVEN, f"{address} is claimed by {_and(macs)}, and which of them is {host.fqdn}'s is not known: "
                                       "the plan names none.", "two-owners")
    routers = [told for mac in macs if (told := wire.router(mac, host))]
    if not planned and len(routers) == len(macs) and not set(macs) <= own:
        return finding(
            Grade.CAUTION, f"Only {_and(macs)} claims {address} on the wire of {where}, and that is {_and(routers)}: it holds "
                           f"the address itself, or answers in the name of others (RFC 1027). {host.fqdn} was not seen to.",
            "router-mac",
            (f"on the router: does it hold {address}, or has it a route for it?    # ip -br address; ip route get {address}",
             f"on {host.fqdn}: ip -br link; ip -br address    # which interface has {address}?",
             f"where {host.fqdn} is that router itself, in the plan: mac = \"{macs[0]}\""))
    as_planned = "as planned" if planned else "and no other host has it"
    return finding(Grade.PASS, f"{address} is at {planned or macs[0]}, {as_planned}.")


def _finding(
    case: Case, owner: str, seen: OwnersEvidence, grade: Grade, found: str, message: str, symptom: str = "",
    fix: tuple[str, ...] = (),
) -> Finding:
    return case.finding(owner, "host.address-conflict", seen.address, grade, planned=_PLANNED, found=found, message=message,
                        symptom=symptom, fix=fix, at=seen.at)


def _and(words: Iterable[str]) -> str:
    """All of a few; of the many that a router answers for, the first."""
    held = list(words)
    return listed(held, len(held)) if len(held) > _TOLD else " and ".join(held)


def _short(fingerprint: str) -> str:
    return fingerprint if len(fingerprint) <= 50 else f"{fingerprint[:32]}…"
