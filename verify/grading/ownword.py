"""What a host says of itself explains what was seen of it from outside: one stopped time service is one thing to mend.

Only a proven fail explains, and only what it predicts.  The host's own word comes with the exact mend; what is seen from outside
can say no more than where to look.
"""

from __future__ import annotations

import ipaddress
import re
from collections import defaultdict
from collections.abc import Iterable

import msgspec

from shared.addresses import family_of, is_address
from shared.evidence import Evidence
from shared.findings import Finding, Grade
from shared.plan import Plan

#: Symptoms of a time service that gave no answer at all, as one that does not run does.
_NO_ANSWER = frozenset({"silent", "refused", "no-answer"})
_TELLING = frozenset({"system.address", "system.clock", "system.login", "system.mtu", "system.name"})
#: Symptoms of two rows that are one machine, and of an address that is on another host's machine.
_OF_TWO = frozenset({"one-machine", "apart"})
#: What two rows of one machine are found to share, or to have too much, besides its boot.
_ONE_MACHINES = frozenset({"shared", "shared-key", "cloned", "another-hosts", "other-rows", "stray-route"})
#: What a host shows at an address that is on another host's machine, besides that one's host key.
_ASTRAY = frozenset({"cloned", "another-hosts-name", "other-machine"})
#: What is wrong with an address, and with a default route, of a host that no answer over it gets out of.
_LOST_ADDRESS = frozenset({"missing", "duplicate", "mask-hides"})
_LOST_WAY = frozenset({"no-route", "no-link", "wrong-gateway", "second-route"})
_VANISHES = re.compile(r"([0-9]{1,6}) octets pass, ([0-9]{1,6}) do not")


def explain(plan: Plan, evidence: Evidence, findings: list[Finding]) -> list[Finding]:
    """The findings, with ``because`` set where the host's own word predicts what was seen, or says the same again."""
    said: dict[str, list[Finding]] = defaultdict(list)
    answered = _answered_beyond(plan, evidence, findings)
    for finding in findings:
        # What two rows or two hosts have in common is told with the first, and explains the rest of each.
        if finding.grade is not Grade.FAIL or (finding.because and finding.symptom not in _OF_TWO):
            continue
        # An answer that got out by the default route is no work of a route that none gets out by.
        if finding.check == "system.route":
            if answered.get((finding.host, finding.subject)) is False:
                said[finding.host].append(finding)
        elif finding.check in _TELLING or finding.symptom in _OF_TWO:
            said[finding.host].append(finding)
    if not said:
        return findings
    to_time = _way_to_time(plan)
    return [msgspec.structs.replace(finding, because=(cause.ref,))
            if (cause := _cause(finding, said.get(finding.host, ()), to_time)) else finding for finding in findings]


def _cause(effect: Finding, said: Iterable[Finding], to_time: str) -> Finding | None:
    if effect.because or not (effect.grade in (Grade.FAIL, Grade.UNPROVEN) or effect.symptom in ("other-rows", "other-machine")):
        return None
    return next((cause for cause in said if cause is not effect and _predicts(cause, effect, to_time)), None)


def _way_to_time(plan: Plan) -> str:
    """The IP version of all planned time sources, as routes are told; "" where they are of both, or known by name.

    "" as well where one stands in a planned network, and needs no default route there.
    """
    ways = {f"IPv{family_of(source.host)}" if is_address(source.host) and not _is_inside(plan, source.host) else ""
            for source in plan.time_sources}
    return ways.pop() if len(ways) == 1 else ""


def _is_inside(plan: Plan, address: str) -> bool:
    return any(ipaddress.ip_address(address) in ipaddress.ip_network(subnet)
               for network in plan.networks for subnet in network.subnets)


def _predicts(cause: Finding, effect: Finding, to_time: str) -> bool:
    if effect.grade is Grade.UNPROVEN:
        # Nobody is there to be asked for its sources.
        return cause.symptom in ("stopped", "none") and effect.check == "system.clock"
    if cause.symptom == "one-machine":
        # Of its two names it calls itself by one.
        names = [name.partition(".")[0] for name in cause.found.removeprefix("the same as on ").split(", ")]
        named = effect.check == "system.name" and effect.symptom == "other-name" and effect.found.partition(".")[0] in names
        return named or effect.symptom in _ONE_MACHINES
    if cause.symptom == "apart":
        return effect.symptom in _ASTRAY
    if cause.check == "system.address":
        return _is_silence(effect) and cause.symptom in _LOST_ADDRESS and cause.subject == effect.subject
    if cause.check == "system.route" and effect.symptom == "none-heard":
        return cause.symptom in _LOST_WAY and cause.subject == to_time
    if cause.check == "system.route":
        return _is_silence(effect) and cause.symptom in _LOST_WAY and cause.subject == f"IPv{family_of(effect.subject)}"
    if cause.check == "system.login":
        return (cause.symptom, effect.check, effect.symptom) == ("another-hosts-key", "certificate.name", "another-hosts-name")
    if cause.check == "system.name":
        # The full name is made of what the kernel holds.
        return cause.subject == "host name" and effect.check == "system.name" and effect.found.partition(".")[0] == cause.found
    if cause.check == "system.mtu":
        return effect.check == "host.path-mtu" and effect.symptom == "vanishes" and _at_the_host(cause, effect)
    if cause.symptom in ("stopped", "none"):
        # What is found of the one service is a part of what is found of all time services.
        again = effect.check == "system.service" and bool(effect.found) and effect.found in cause.found
        never = effect.check == "boot.up" and effect.symptom == "never" and effect.subject.startswith("time ")
        return again or never or (effect.check == "clock.synchronised" and effect.symptom in _NO_ANSWER)
    if cause.symptom == "none-heard":
        return effect.check == "clock.synchronised" and effect.symptom == "unsynchronised"
    if cause.symptom == "no-source":
        return ((effect.check == "system.clock" and effect.symptom == "none-selected")
                or (effect.check == "clock.synchronised" and effect.symptom == "unsynchronised"))
    return False


def _is_silence(effect: Finding) -> bool:
    return effect.check == "host.echo" and effect.symptom == "silent"


def _answered_beyond(plan: Plan, evidence: Evidence, findings: Iterable[Finding]) -> dict[tuple[str, str], bool]:
    """Whether any address of a host and an IP version answered, of the hosts whose answers take their default route."""
    beyond = {host.fqdn for host in plan.hosts if evidence.vantage.on_link.get(host.network) is False}
    answered: dict[tuple[str, str], bool] = {}
    for finding in findings:
        if finding.check == "host.echo" and finding.host in beyond:
            way = finding.host, f"IPv{family_of(finding.subject)}"
            answered[way] = answered.get(way, False) or not _is_silence(finding)
    return answered


def _at_the_host(cause: Finding, effect: Finding) -> bool:
    """Whether packets vanish just where the host's own interface ends."""
    span = _VANISHES.search(effect.found)
    own = cause.found.partition(" ")[0]
    return span is not None and own.isdigit() and int(span[1]) <= int(own) < int(span[2])
