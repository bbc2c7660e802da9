"""Grades the gateways: whether they answer, and whether the hosts' own use of them is proven."""

from __future__ import annotations

import ipaddress

from shared.addresses import family_of
from shared.evidence import EchoEvidence, FailureKind, HostEvidence
from shared.findings import SITE, Finding, Grade
from shared.plan import Host, Network
from shared.special_addresses import means_one_wire
from verify.grading.bursts import grade_burst
from verify.grading.case import Case, in_words
from verify.grading.life import Life, answered, came_round, came_straight, echo_counts, signs_of_life
from verify.grading.owners import claimants
from verify.grading.system.return_path import own_view


def grade_site(case: Case) -> list[Finding]:
    """``gateway.echo`` for each planned gateway, once however many networks share it."""
    gateways = dict.fromkeys(gateway for network in case.plan.networks for gateway in network.gateways)
    return [finding for gateway in gateways for finding in _grade_echo(case, gateway)]


def grade_host(case: Case, host: Host, evidence: HostEvidence) -> list[Finding]:
    """``gateway.return-path`` for each gateway of this host: whether an answer of its came out of its own subnet.

    Does not prove which of several routers carried the answer.  The host's own route table, where it was asked for it, goes
    first: it does prove that.
    """
    network = case.plan.network(host.network)
    return [finding for gateway in case.plan.gateways(host) if network is not None
            for finding in _grade_way_out(case, host, evidence, network, gateway)]


def _grade_way_out(case: Case, host: Host, evidence: HostEvidence, network: Network, gateway: str) -> list[Finding]:
    told = own_view(case, host, evidence, gateway)
    on_link = case.evidence.vantage.on_link.get(network.name)
    # What an advertised router's address or rules of the host leave open, an answer to a runner elsewhere may still show.
    if told is not None and not (told.symptom in ("link-local", "rules") and on_link is False):
        return [case.finding(host.fqdn, "gateway.return-path", gateway, told.grade,
                             planned=f"{host.fqdn} sends through {gateway}", found=told.found, message=told.message,
                             symptom=told.symptom, fix=told.fix, vantage=told.vantage, at=told.at)]
    where = case.evidence.vantage.name

    def unproven(found: str, message: str, symptom: str = "") -> list[Finding]:
        return [case.finding(host.fqdn, "gateway.return-path", gateway, Grade.UNPROVEN,
                             planned=f"{host.fqdn} sends through {gateway}", found=found, message=message, symptom=symptom)]

    if on_link is None:
        return unproven("unknown whether on the same wire",
                        f"{where} could not tell whether it stands on the wire of network {network.name} itself, so an "
                        f"answer from {host.fqdn} says nothing about its gateway.")
    if on_link and (detour := _detour(case, host, evidence, gateway)):
        wire = _wire(network, gateway)
        return [case.finding(
            host.fqdn, "gateway.return-path", gateway, Grade.CAUTION, planned=f"{host.fqdn} sends through {gateway}",
            found=f"{detour} answers its own wire through a router", symptom="detour",
            message=f"{host.fqdn} answers {where} through a router, though both stand on the wire of {wire}: the echo replies of "
                    f"{detour} have one hop less than systems begin with. Its mask is too narrow, so that it takes {where} for a "
                    "stranger, or one of its routes says so, or a router answers in its name (RFC 1027).",
            fix=(f"on {host.fqdn}: ip -br address    # must show {detour} with the mask of {wire}",
                 f"ip{' -6' if ':' in detour else ''} route    # must show {wire} without a gateway, and nothing within it"))]
    if on_link:
        return unproven("runner on the same wire",
                        f"{where} stands on the same wire as {host.fqdn}, so no answer of the host goes through its gateway. "
                        f"A run from outside {_wire(network, gateway)}, or the host's own route table, would prove it.")
    life = _life_of_family(host, evidence, gateway)
    if life.sure and any(came_straight(evidence, address) for address in _of_family(host, gateway)):
        return unproven("its echo replies passed no router",
                        f"{host.fqdn} answers {where}, which stands outside network {network.name}, yet its echo replies passed "
                        "no router: their hop limit is one that systems begin with. Something nearer answers in its name, such "
                        "as the gateway itself, or a filter that counts no hops stands between, so its way out is not proven.",
                        "no-hop")
    if life.sure:
        return [case.finding(
            host.fqdn, "gateway.return-path", gateway, Grade.PASS, planned=f"{host.fqdn} sends through {gateway}",
            found=f"answers an off-link runner: {life.told()}",
            message=f"{host.fqdn} answers {where}, which stands outside network {network.name}, so its way out works.")]
    if life.unsure:
        return unproven(life.told(),
                        f"{host.fqdn} was only heard by what a firewall on the way could have sent in its name "
                        f"({life.told()}), so nothing proves that its answers leave network {network.name}.")
    return unproven("no answer", f"{host.fqdn} answered nothing to {where}, so its way out was not exercised.",
                    "silent" if life.dead else "")


def _detour(case: Case, host: Host, evidence: HostEvidence, gateway: str) -> str:
    """The address whose answers to a runner on its own wire came by a router; not where a router alone claims it there.

    That one is told by host.address-conflict.
    """
    asked = {seen.address for seen in evidence.owners if seen.owners}
    return next((address for address in _of_family(host, gateway) if came_round(evidence, address)
                 and (address not in asked or claimants(case, host, evidence, address))), "")


def _wire(network: Network, gateway: str) -> str:
    """The subnet that a gateway serves, as it is typed."""
    second = network.second_subnet_typed
    return second if second and family_of(second) == family_of(gateway) else network.subnet_typed


def _life_of_family(host: Host, evidence: HostEvidence, gateway: str) -> Life:
    """The signs of life of the host's addresses that this gateway serves: those of its own IP version."""
    lives = [signs_of_life(evidence, address) for address in _of_family(host, gateway)]
    return Life(sure=tuple(sign for life in lives for sign in life.sure),
                unsure=tuple(sign for life in lives for sign in life.unsure),
                echo_sent=any(life.echo_sent for life in lives), barred=any(life.barred for life in lives))


def _of_family(host: Host, gateway: str) -> list[str]:
    """The host's addresses of the gateway's own IP version."""
    return [address for address in host.addresses if family_of(address) == family_of(gateway)]


def _grade_echo(case: Case, gateway: str) -> list[Finding]:
    echo = next((echo for echo in case.evidence.site.gateways if echo.address == gateway), None)
    if echo is not None and answered(echo):
        return grade_burst(case, SITE, "gateway.echo", echo)
    return [_unanswered(case, gateway, echo)]


def _unanswered(case: Case, gateway: str, echo: EchoEvidence | None) -> Finding:
    where = case.evidence.vantage.name
    at = echo.at if echo else ""

    def finding(grade: Grade, found: str, message: str, symptom: str = "", fix: tuple[str, ...] = ()) -> Finding:
        return case.finding(SITE, "gateway.echo", gateway, grade, planned=f"{gateway} answers echo", found=found,
                            message=message, symptom=symptom, fix=fix, at=at)

    if echo is None and means_one_wire(gateway):
        return finding(Grade.UNPROVEN, "not asked", f"The gateway {gateway} is a link-local address, which means another machine "
                       "on every wire (RFC 4007 section 6), so it was not asked. A host's own route and neighbour tables over "
                       "SSH would tell, see gateway.return-path; or leave gateway.echo out in the plan and give that reason.")
    if echo is None:
        return finding(Grade.UNPROVEN, "not asked", f"No echo was sent to the gateway {gateway}.")
    reason = in_words(echo.failure) if echo.failure else "no answer"
    if not echo_counts(echo):
        return finding(Grade.UNPROVEN, reason, f"Whether the gateway {gateway} answers {where} could not be seen: {reason}.")
    behind = _heard_through(case, gateway)
    if behind and not _nowhere_on_the_wire(echo):
        return finding(
            Grade.CAUTION, f"no echo reply; {behind} answers",
            f"The gateway {gateway} sends {where} no echo reply, but {behind} behind it answers {where}, which stands outside "
            "that network: something forwards.", "quiet",
            (f"allow echo on the gateway {gateway}, or leave gateway.echo out in the plan and say why it stays quiet",))
    return finding(Grade.FAIL, reason, _blame(case, gateway, echo, reason), "silent", _fix(case, gateway))


def _blame(case: Case, gateway: str, echo: EchoEvidence, reason: str) -> str:
    where, sent = case.evidence.vantage.name, len(echo.round_trips_seconds)
    if _nowhere_on_the_wire(echo):
        return (f"No machine on the wire of {where} owns {gateway}: not even the search for its hardware address was answered. "
                "The planned gateway address is wrong, or the gateway is off, or its port is in another VLAN.")
    if echo.failure and echo.failure.kind in (FailureKind.UNREACHABLE, FailureKind.NO_PATH):
        return f"The gateway {gateway} answered none of {sent} echoes from {where}; instead: {reason}."
    return (f"The gateway {gateway} answered none of {sent} echoes from {where}, and no host behind it was heard from outside. "
            "It may be down or wrongly planned, or it may ignore echo on purpose.")


def _nowhere_on_the_wire(echo: EchoEvidence) -> bool:
    """Whether the runner's own kernel looked for the address on its wire and found nobody (``probes.seam``, connect)."""
    return echo.failure is not None and echo.failure.phase == "neighbour"


def _fix(case: Case, gateway: str) -> tuple[str, ...]:
    networks = [network for network in case.plan.networks if gateway in network.gateways]
    return (f"compare with the gateway's own interface: it must hold {gateway}{_prefix(networks, gateway)}{_vlan(networks)}",
            f"on a host of that network: ip neigh show {gateway}   # FAILED or INCOMPLETE: wrong address, port or VLAN",
            "where the gateway ignores echo on purpose, leave gateway.echo out in the plan and give that reason")


def _prefix(networks: list[Network], gateway: str) -> str:
    subnet = next((subnet for network in networks if (subnet := network.subnet_of(gateway))), None)
    return f"/{ipaddress.ip_network(subnet).prefixlen}" if subnet else ""


def _vlan(networks: list[Network]) -> str:
    vlan = next((network.vlan for network in networks if network.vlan is not None), None)
    return f" in VLAN {vlan}" if vlan is not None else ""


def _heard_through(case: Case, gateway: str) -> str:
    """A host behind this gateway that surely answered a runner outside its network; empty where there is none."""
    behind = {network.name for network in case.plan.networks
              if gateway in network.gateways and case.evidence.vantage.on_link.get(network.name) is False}
    seen = {evidence.fqdn: evidence for evidence in case.evidence.hosts}
    return next((host.fqdn for host in case.plan.hosts if host.network in behind and host.fqdn in seen
                 and _life_of_family(host, seen[host.fqdn], gateway).sure), "")
