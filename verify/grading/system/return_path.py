"""What the host's own route table and neighbours say of its way out: the evidence for ``gateway.return-path`` from within."""

from __future__ import annotations

from dataclasses import dataclass
from shlex import quote

from shared.addresses import family_of
from shared.evidence import HostEvidence
from shared.findings import Grade
from shared.plan import Host
from verify.grading.case import Case
from verify.grading.system.addressing import default_routes, metric_of
from verify.grading.system.login import worked
from verify.grading.system.routers import on_one_wire, rules_of, same_hardware, without_link
from verify.grading.system.word import Word, vantage

#: ip-neighbour(8): states in which the kernel has heard the neighbour or was told its address, and those after a search in vain.
_HEARD = frozenset({"REACHABLE", "STALE", "DELAY", "PROBE", "PERMANENT", "NOARP"})
_IN_VAIN = frozenset({"FAILED", "INCOMPLETE"})


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnView:
    """How a host sees its own way out."""

    grade: Grade
    found: str
    message: str
    vantage: str
    symptom: str = ""
    fix: tuple[str, ...] = ()
    at: str = ""


def own_view(case: Case, host: Host, evidence: HostEvidence, gateway: str) -> OwnView | None:
    """Whether the host sends through ``gateway``, by its own word; None where it was not asked or did not say."""
    seen = evidence.system
    if seen is None or not worked(seen) or case.plan.login_port(host) is None:
        return None
    word, family = Word(case, host, seen), family_of(gateway)
    defaults = default_routes(word, family)
    if defaults is None:
        return None
    view = vantage(host)
    preferred = [route for route in defaults if metric_of(route, family) == metric_of(defaults[0], family)]
    rules = rules_of(word, family)
    if rules:
        return OwnView(grade=Grade.UNPROVEN, found=f"rules: {rules}", vantage=view, symptom="rules", at=seen.at,
                       message=f"{host.fqdn} chooses among route tables by rules of its own, so its main table does not say "
                       f"alone whether it sends through {gateway}: {rules}.")
    down = next((route for route in preferred if without_link(word, route)), None)
    if down is not None and down.gateway == gateway:
        return OwnView(grade=Grade.FAIL, found=f"{down.interface} has no link", vantage=view, symptom="no-link", at=seen.at,
                       message=f"{host.fqdn} sends through {gateway}, out of {down.interface}, which has no link.",
                       fix=(f"ip link show dev {quote(down.interface)}    # on the host; NO-CARRIER: the cable, or its far end",))
    hardware = same_hardware(word, preferred[0], gateway) if len(preferred) == 1 else ""
    if hardware:
        return OwnView(grade=Grade.PASS, found=f"default via {preferred[0].gateway} at {hardware}", vantage=view, at=seen.at,
                       message=f"{host.fqdn} sends through {preferred[0].gateway}, which is the same interface as {gateway}: "
                       f"{hardware}.")
    if len(preferred) == 1 and on_one_wire(preferred[0]) and preferred[0].gateway != gateway:
        return OwnView(grade=Grade.UNPROVEN, found=preferred[0].gateway, vantage=view, symptom="link-local", at=seen.at,
                       message=f"By its own route table {host.fqdn} sends through {preferred[0].gateway}, an address of its wire "
                       f"alone (RFC 4291 section 2.5.6), which does not say whether that router is {gateway}.")
    if not preferred or any(route.gateway != gateway for route in preferred):
        found = ", ".join(route.gateway or "no gateway" for route in preferred) or "no default route"
        return OwnView(grade=Grade.UNPROVEN, found=found, vantage=view, symptom="other-route", at=seen.at,
                       message=f"By its own route table {host.fqdn} does not send through {gateway} alone, but through {found}.")
    neighbour = next((one for one in word.facts.neighbours or () if one.address == gateway), None)
    if neighbour is not None and neighbour.state in _IN_VAIN:
        interface = neighbour.interface or preferred[0].interface or "INTERFACE"
        return OwnView(
            grade=Grade.FAIL, found=f"{gateway} does not answer ({neighbour.state})", vantage=view, symptom="no-neighbour",
            at=seen.at, message=f"{host.fqdn} sends through {gateway}, and nobody on its wire answers for that address.",
            fix=(f"ip link show {quote(interface)}    # on the host: is it the interface with the cable to that network?",
                 "# compare the VLAN of the switch port and the tag on the host with the plan's"))
    if neighbour is not None and neighbour.state in _HEARD:
        at_mac = f" at {neighbour.mac}" if neighbour.mac else ""
        return OwnView(grade=Grade.PASS, found=f"default via {gateway}{at_mac} ({neighbour.state})", vantage=view, at=seen.at,
                       message=f"{host.fqdn} sends through {gateway}, which it knows{at_mac} on its wire.")
    return OwnView(grade=Grade.PASS, found=f"default via {gateway}", vantage=view, at=seen.at,
                   message=f"{host.fqdn} sends through {gateway} by its own route table; it has not had to find that router on "
                   "its wire of late, so whether it answers was not seen from there.")
