"""Grades a host's addresses: whether anything lives there, how well it answers, and what IPv6 does."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable

from shared.evidence import EchoEvidence, FailureKind, HostEvidence, NameAnswer
from shared.findings import Finding, Grade
from shared.hostnames import canonical
from shared.plan import Host
from shared.zonelines import address_line, subnet_of, under_comment, zone_of
from verify.grading.bursts import grade_burst
from verify.grading.case import Case, in_words
from verify.grading.life import FORBIDDEN, Life, answered, echo_counts, signs_of_life, unlost_exchanges
from verify.grading.names.answers import listed
from verify.grading.names.views import SEE_WILDCARD, Views, made_of, stop_making
from verify.grading.owners import claimants

#: Answers that settle whether a name has an AAAA record (RFC 1035 section 4.1.1, RFC 2308 section 2).
_SETTLED = ("NOERROR", "NXDOMAIN")


def grade_host(case: Case, host: Host, evidence: HostEvidence) -> list[Finding]:
    """``host.echo`` for each address and ``host.ipv6``.

    Does not prove that the machine at an address is the planned one: see ssh.identity and the certificate checks.
    """
    echoes = [finding for address in host.addresses for finding in _grade_echo(case, host, evidence, address)]
    return [*echoes, *_grade_ipv6(case, host, evidence)]


# --- host.echo


def _grade_echo(case: Case, host: Host, evidence: HostEvidence, address: str) -> list[Finding]:
    echo = next((echo for echo in evidence.echoes if echo.address == address), None)
    if echo is not None and answered(echo):
        return grade_burst(case, host.fqdn, "host.echo", echo, unlost=unlost_exchanges(evidence, address))
    up_at = next((other for other in host.addresses if other != address and signs_of_life(evidence, other).sure), "")
    return [_unanswered(case, host, address, echo, signs_of_life(evidence, address),
                        " and ".join(claimants(case, host, evidence, address)), up_at)]


def _unanswered(
    case: Case, host: Host, address: str, echo: EchoEvidence | None, life: Life, claimed_by: str, up_at: str
) -> Finding:
    """``claimed_by`` is who claims the address on the wire, ``up_at`` another address of the host that answers, if any."""
    where = case.evidence.vantage.name

    def finding(grade: Grade, found: str, message: str, symptom: str = "", fix: tuple[str, ...] = ()) -> Finding:
        return case.finding(host.fqdn, "host.echo", address, grade, planned=f"{address} answers", found=found, message=message,
                            symptom=symptom, fix=fix, at=echo.at if echo else "")

    alive = f" It is alive all the same: {life.told()}." if life.sure else ""
    if echo is None:
        return finding(Grade.UNPROVEN, "not asked", f"No echo was sent to {address}.{alive}")
    reason = in_words(echo.failure) if echo.failure else "no answer"
    if not (echo_counts(echo) or _forbidden(echo)):
        return finding(Grade.UNPROVEN, reason, f"{where} could not send echoes to {address}: {reason}.{alive}")
    if life.sure:
        return finding(Grade.PASS, f"no echo reply; {life.told()}",
                       f"{address} sends {where} no echo reply ({reason}), but it is alive: {life.told()}.", "quiet")
    if life.unsure:
        return finding(Grade.CAUTION, f"no echo reply; {life.told()}",
                       f"{address} sends {where} no echo reply ({reason}). Something answers for it ({life.told()}), but a "
                       "firewall on the way can send that in its name.", "quiet",
                       (f"let echo from {where} through to {address}, or run from a place with no firewall between",
                        f"at the console of {host.fqdn}, see that it is up: ip -br address"))
    if life.barred or _forbidden(echo):
        return finding(Grade.UNPROVEN, reason,
                       f"{address} cannot be seen from {where}: a filter on the way turns its questions back (echo: {reason}), "
                       "and nothing else answers.")
    if echo.failure and echo.failure.kind is FailureKind.NO_PATH:
        return finding(Grade.FAIL, reason,
                       f"The packets of {where} do not get to {address}: {reason}. A router on the way is what to mend first; "
                       "the host itself was not asked, and may be well.", "no-way", _mend_the_way(case, host, address, echo))
    if claimed_by:
        message = (f"{address} answers {where} neither echo nor any planned port, yet {claimed_by} claims it on the wire of "
                   f"{where}: the machine is up and connected, and its mask, its routes or its own filter keep its answers back.")
        return finding(Grade.FAIL, reason, message, "silent", _console(case, host)[1:-1])
    return finding(Grade.FAIL, reason, _silence(case, evidence_of=echo, reason=reason, up_at=up_at), "silent",
                   _missing_address(case, host, address, up_at) if up_at else _console(case, host))


def _forbidden(echo: EchoEvidence) -> bool:
    """Whether somebody on the way refused to carry the echoes, which says nothing of the host."""
    return echo.failure is not None and echo.failure.kind in FORBIDDEN


def _silence(case: Case, *, evidence_of: EchoEvidence, reason: str, up_at: str) -> str:
    address, where, failure = evidence_of.address, case.evidence.vantage.name, evidence_of.failure
    if failure and failure.phase == "neighbour":
        why = (f"The host is up, for it answers at {up_at}: it lacks this address, or found it taken by another machine." if up_at
               else "The host is off, not connected, in another VLAN, or has another address.")
        return (f"No machine on the wire of {where} owns {address}: not even the search for its hardware address was answered. "
                f"{why}")
    sent = len(evidence_of.round_trips_seconds)
    told = f"; instead: {reason}" if failure and failure.sender else ""
    up = f" The host itself is up: it answers at {up_at}." if up_at else ""
    return f"{address} gives {where} no sign of life: {sent} echoes and every planned port stayed without an answer{told}.{up}"


def _mend_the_way(case: Case, host: Host, address: str, echo: EchoEvidence) -> tuple[str, ...]:
    """What to look at on the router that spoke: the same lines for every host of a network, so that they are told once."""
    family = " -6" if ":" in address else ""
    there = subnet_of(case.plan, host, address) or _wire_of(address)
    sender = echo.failure.sender if echo.failure and echo.failure.sender else "the router that said so"
    return (f"on {sender}, or in its own words for it: ip{family} route show match {there}",
            "no route listed: add it, or bring up the link that it goes by: ip -br link",
            "a route listed: the next router on it sends the packets back; look there")


def _wire_of(address: str) -> str:
    """The /64 around an IPv6 address, which is its wire's (RFC 4291 section 2.5.4); an IPv4 address itself."""
    return str(ipaddress.ip_network(f"{address}/64", strict=False)) if ":" in address else address


def _missing_address(case: Case, host: Host, address: str, up_at: str) -> tuple[str, ...]:
    """What to look at on a host that answers at another address: it has power and a cable."""
    typed, way_out = _typed(case, host, address), _way_out(case, host, address)
    there = f"on {host.fqdn}, which is up and answers at {up_at}:"
    if ":" not in address:
        return (there, f"ip -br address    # it must show {typed}", f"ip route    # it must show {way_out}",
                "nft list ruleset    # does it accept what comes to that address?")
    return (there, f"ip -6 address    # it must show {typed}, neither tentative nor dadfailed",
            f"ip -6 route    # it must show {way_out}", *_IPV6_WORKS)


#: What IPv6 needs besides an address and a route.
_IPV6_WORKS = ("sysctl net.ipv6.conf.all.disable_ipv6    # it must be 0",
               "ICMPv6 must pass every filter on the way: without it no neighbour is found (RFC 4890 section 4)")


def _typed(case: Case, host: Host, address: str) -> str:
    """The address with its mask, as far as the plan has one for it."""
    planned = subnet_of(case.plan, host, address)
    if planned and ipaddress.ip_address(address) in (subnet := ipaddress.ip_network(planned)):
        return f"{address}/{subnet.prefixlen}" + (f" (mask {subnet.netmask})" if subnet.version == 4 else "")
    return address


def _way_out(case: Case, host: Host, address: str) -> str:
    gateway = case.plan.gateway_of(host, address)
    return f"default via {gateway}" if gateway else "a default route"


def _console(case: Case, host: Host) -> tuple[str, ...]:
    """What to look at, and type, at the console of a host that is silent, at all its addresses."""
    network = case.plan.network(host.network)
    number = host.vlan if host.vlan is not None else (network.vlan if network else None)
    vlan = f", VLAN {number}" if number is not None else ""
    first, *others = host.addresses
    one_of_each_family = {":" in address: address for address in reversed(host.addresses)}
    return (f"at the console of {host.fqdn}: powered on? link light lit?",
            f"ip -br address    # must show {_typed(case, host, first)}, UP",
            *(f"#   and {_typed(case, host, another)}" for another in others),
            *(_route_line(case, host, one) for _, one in sorted(one_of_each_family.items())),
            f"at the switch: its port must carry network {host.network}{vlan}")


def _route_line(case: Case, host: Host, address: str) -> str:
    way = _way_out(case, host, address)
    far = "via" in way and not case.evidence.vantage.on_link.get(host.network)
    beyond = "; with another only its own wire hears it" if far else ""
    return f"{'ip -6 route    ' if ':' in address else 'ip route       '}   # must show {way}{beyond}"


# --- host.ipv6


def _grade_ipv6(case: Case, host: Host, evidence: HostEvidence) -> list[Finding]:
    network = case.plan.network(host.network)
    planned = [address for address in host.addresses if ":" in address]
    off = network is not None and network.ipv6 == "off"
    findings = [] if off else [_planned_answers(case, host, evidence, address) for address in planned]
    if off or not planned:
        findings.append(_nothing_published(case, host, evidence, off=off, planned=planned))
    return findings


def _planned_answers(case: Case, host: Host, evidence: HostEvidence, address: str) -> Finding:
    """Whether a planned IPv6 address answers.  Where the whole host is silent, that is not a matter of IPv6."""
    life, where = signs_of_life(evidence, address), case.evidence.vantage.name

    def finding(grade: Grade, found: str, message: str, symptom: str = "", fix: tuple[str, ...] = ()) -> Finding:
        return case.finding(host.fqdn, "host.ipv6", address, grade, planned=f"{address} answers", found=found, message=message,
                            symptom=symptom, fix=fix)

    if life.sure:
        return finding(Grade.PASS, life.told(), f"{address} answers {where} over IPv6: {life.told()}.")
    if life.unsure:
        return finding(Grade.UNPROVEN, life.told(), f"What answers for {address} could be a firewall on the way: {life.told()}.")
    if not life.echo_sent:
        return finding(Grade.UNPROVEN, "not seen",
                       f"{where} could not ask {address} over IPv6: {_why_unsent(evidence, address)}.")
    alive = [other for other in host.addresses if ":" not in other and signs_of_life(evidence, other).sure]
    if not alive:
        return finding(Grade.UNPROVEN, "no answer", f"{address} answers {where} nothing, nor does any other address of the host.",
                       "silent")
    return finding(
        Grade.FAIL, f"silent; {alive[0]} answers",
        f"{host.fqdn} answers {where} over IPv4 ({alive[0]}) but not over IPv6 ({address}), which clients try first.", "silent",
        _missing_address(case, host, address, alive[0]))


def _why_unsent(evidence: HostEvidence, address: str) -> str:
    echo = next((echo for echo in evidence.echoes if echo.address == address), None)
    return in_words(echo.failure) if echo and echo.failure else "no echo was sent"


def _nothing_published(case: Case, host: Host, evidence: HostEvidence, *, off: bool, planned: list[str]) -> Finding:
    """Whether name servers publish an IPv6 address that the plan does not have.

    Such an address is tried first by most clients (RFC 6724 section 2.1), which then wait for it in vain.
    """
    plan_says = "no IPv6 on this network" if off else "no IPv6 address"
    answers = [answer for answer in evidence.names if answer.purpose == "forward" and answer.rrtype == "AAAA"]
    records = [record for answer in answers for record in answer.answers if record.rrtype == "AAAA"]
    published = sorted({record.value for record in records})

    def finding(grade: Grade, found: str, message: str, symptom: str = "", fix: tuple[str, ...] = ()) -> Finding:
        return case.finding(host.fqdn, "host.ipv6", host.fqdn, grade, planned=plan_says, found=found, message=message,
                            symptom=symptom, fix=fix, at=answers[0].at if answers else "")

    if published:
        servers = _unique(answer.server for answer in answers if any(record.rrtype == "AAAA" for record in answer.answers))
        also = f" The plan contradicts itself: it also gives the host {', '.join(planned)}." if off and planned else ""
        return finding(
            Grade.FAIL if off else Grade.CAUTION, ", ".join(published),
            f"{' and '.join(servers)} {'give' if len(servers) > 1 else 'gives'} {host.fqdn} the IPv6 address "
            f"{', '.join(published)}, but the plan has {plan_says}: clients will try it first and wait.{also}", "unplanned",
            (*_zone_fix(case, host, evidence, answers), "or, where the address is meant to be, add it to the host in the plan"
             + (f', and set ipv6 = "on" for network {host.network}' if off else "")))
    settled = _unique(answer.server for answer in answers if answer.failure is None and answer.rcode in _SETTLED)
    if not settled:
        return finding(Grade.UNPROVEN, "no usable answer", f"No name server said whether {host.fqdn} has an IPv6 address.")
    if planned:
        kept, alive = ", ".join(planned), [address for address in planned if signs_of_life(evidence, address).sure]
        heard = f" {', '.join(alive)} answers {case.evidence.vantage.name} over IPv6." if alive else ""
        return finding(
            Grade.FAIL, f"planned as {kept}{', and it answers' if alive else ''}",
            f'The plan contradicts itself: network {host.network} has ipv6 = "off", yet it gives {host.fqdn} {kept}.{heard}',
            "plan-contradicts", (f'in the plan, take {kept} from {host.name}, or set ipv6 = "on" for network {host.network}',))
    return finding(Grade.PASS, f"no AAAA record at {', '.join(settled)}",
                   f"The plan has {plan_says}, and no name server that answered ({', '.join(settled)}) gives {host.fqdn} any.")


def _zone_fix(case: Case, host: Host, evidence: HostEvidence, answers: list[NameAnswer]) -> tuple[str, ...]:
    """The records to take out, in master-file form; a value that is no address cannot be written as one.

    Behind an alias the record belongs to another name, and stays there; what a wildcard gives is at no name of the host, and
    what a server makes by DNS64 in no zone.
    """
    views = Views(case, host, evidence)
    wild = {answer.server for answer in answers
            if views.from_wildcard(answer.server, views.read(answer.server, host.fqdn, "AAAA"))}
    told = [(answer.server, record) for answer in answers if answer.server not in wild for record in answer.answers
            if record.rrtype == "AAAA"]
    makers = _unique(server for server, record in told if made_of(record.value, host.addresses))
    records = [record for _server, record in told if not made_of(record.value, host.addresses)]
    own = _unique(record.value for record in records if canonical(record.owner) == host.fqdn)
    lines = [address_line(host.fqdn, value) for value in own if _is_ipv6(value)]
    behind = _unique(canonical(record.owner) for record in records if canonical(record.owner) != host.fqdn)
    through = (f"; {host.fqdn} is an alias, and the address is that of {listed(behind)}: see the lines of name.alias",)
    return (*under_comment(zone_of(host.fqdn, case.plan.domain), (), lines), *(through if behind else ()),
            *((SEE_WILDCARD,) if wild else ()), *map(stop_making, makers))


def _is_ipv6(text: str) -> bool:
    try:
        return ipaddress.ip_address(text).version == 6
    except ValueError:
        return False


def _unique(texts: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(texts))
