"""Ties effects to their causes: a finding that another one explains carries its ref in ``because``.

Three rules keep an explanation from hiding a fault of its own.  The cause is a proven fail, never itself unproven.  The
effect shows what that cause predicts.  Nothing seen contradicts it: a gateway is no excuse for a silent host while
another host answers through it.  Losses that many hosts share are measured over all of them (``losses``), and may be a caution.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence

import msgspec

from shared import catalogue
from shared.addresses import family_of
from shared.evidence import Evidence
from shared.findings import SITE, Finding, Grade
from shared.hostnames import reverse_name, under
from shared.plan import Network, Plan
from shared.zonelines import home_zone
from verify.grading import losses
from verify.grading.repeated import (
    SILENT,
    first_word,
    is_address,
    is_silence,
    point_at_aliases,
    told_before,
    told_once_of_a_machine,
    words_found,
)

#: Symptoms of a name server that says nothing that can be used, whatever it is asked: questions begin over UDP.
_MUTE = SILENT | {"unreadable", "no-udp"}

#: Symptoms of a name server that was asked, and failed.
_FAILED = frozenset({"server-failure", "error"})
#: Symptoms of a name server that speaks, but not for the zone asked for.
_OF_ONE_ZONE = _FAILED | {"no-name", "refuses", "lame"}
#: Symptoms of a name server whose answers can be used, whatever is wrong with how it gives them.
_IN_ITS_WAY = frozenset({"no-edns", "denies-names", "drops", "slow"})
#: Symptoms of a login that met a host key which the plan does not vouch for.
_STRANGE_KEY = frozenset({"unknown-host-key", "changed-host-key", "another-hosts-key"})


def explain(plan: Plan, evidence: Evidence, findings: list[Finding]) -> list[Finding]:
    """The findings, with ``because`` set on every one that a proven fail explains."""
    findings = point_at_aliases(_excuse_behind_gateways(plan, evidence, findings))
    fails = _Fails(findings)
    outages = _Outages(findings)
    told: dict[tuple[str, ...], str] = {}
    findings = [finding if finding.grade is Grade.PASS else told_before(_explained(finding, fails, outages), told)
                for finding in findings]
    return _weighed_over_servers(told_once_of_a_machine(findings), home_zone(plan))


#: Grades of a server that serves, if perhaps not well.
_SERVING = frozenset({Grade.PASS, Grade.CAUTION, Grade.WAIVED})


class _Outages:
    """Which servers of the site are all out of service: what an effect that names no server in particular waits on."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        grades: dict[str, set[Grade]] = defaultdict(set)
        self.name_servers: set[str] = set()
        for finding in findings:
            if finding.check == "name.server":
                self.name_servers.add(first_word(finding))
            # A server that has lost the plan's domain serves no names, though it may go on speaking for a reverse zone.
            if finding.check != "name.server" or " " not in finding.subject:
                grades[finding.check].add(Grade.CAUTION if finding.symptom in _IN_ITS_WAY else finding.grade)
        self.no_name_server = not grades["name.server"] & _SERVING
        self.no_time_source = not grades["clock.source"] & _SERVING
        self.sources_without_address = self.no_time_source and any(
            finding.check == "clock.source" and finding.symptom == "not-resolved" for finding in findings)


class _Fails:
    """The proven fails, by check and by the host they are about: a site of a thousand hosts has thousands."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        self._by_host: dict[tuple[str, str], list[Finding]] = defaultdict(list)
        self._by_check: dict[str, list[Finding]] = defaultdict(list)
        for finding in findings:
            # What waits for a runner elsewhere has its cause already, and what is weighed over it has to be looked at.
            if finding.grade is Grade.FAIL or _is_excused(finding) or finding.check == "host.runner":
                self._by_host[finding.check, finding.host].append(finding)
                self._by_check[finding.check].append(finding)

    def near(self, check: str, effect: Finding) -> list[Finding]:
        """The fails of ``check`` that could explain ``effect``: its own host's and the site's; for the site's, all.

        A hardware address that another host has too is explained by what is wrong there.
        """
        if effect.host == SITE:
            return self._by_check.get(check, [])
        also = words_found(effect) if (check, effect.check) == ("host.address-conflict", "host.mac") else ()
        return [cause for name in (SITE, effect.host, *also) for cause in self._by_host.get((check, name), ())]


def _explained(effect: Finding, fails: _Fails, outages: _Outages) -> Finding:
    if effect.grade is not Grade.UNPROVEN and effect.check not in _REPEATING:
        return effect
    if effect.because or effect.grade is Grade.WAIVED:
        return effect
    for check in _upstream(effect.check):
        ties = _TIES.get(check, _same_host)
        near = (cause for cause in fails.near(check, effect) if cause.ref != effect.ref)
        causes = tuple(cause.ref for cause in near if ties(cause, effect, outages))
        if causes:
            return msgspec.structs.replace(effect, because=causes)
    return effect


def _weighed_over_servers(findings: list[Finding], home: str) -> list[Finding]:
    """What is weighed over all name servers waits on each that gave no answer, and is explained once all of these are.

    A zone of a server that is dead altogether waits on the server, one that a server failed for on its failures, and one whose
    answer was cut short on the lack of TCP.  A server's own finding speaks for the ``home`` zone.
    """
    faulty = [finding for finding in findings if finding.check == "name.server" and finding.grade is Grade.FAIL]
    dead = {server.subject: server.ref for server in faulty if server.symptom in _MUTE}
    quiet = {server.subject: server.ref for server in faulty if server.symptom in ("no-edns", "drops", "slow")} | dead
    erring = {server.subject: server.ref for server in faulty if server.symptom == "errs"}
    cutting = {server.subject: server.ref for server in faulty if server.symptom == "no-tcp"}

    def zone_of_server(finding: Finding) -> Finding:
        if finding.check != "name.server" or finding.grade is not Grade.UNPROVEN or finding.because:
            return finding
        roots = (quiet if finding.symptom in SILENT else erring if finding.symptom in _FAILED
                 else cutting if finding.symptom == "truncated" else {})
        ref = roots.get(first_word(finding))
        return msgspec.structs.replace(finding, because=(ref,)) if ref else finding

    findings = [zone_of_server(finding) for finding in findings]
    servers = [finding for finding in findings if finding.check == "name.server"]
    answers: dict[str, list[Finding]] = defaultdict(list)
    for finding in findings:
        if finding.check in ("name.forward", "name.reverse") and finding.grade is Grade.UNPROVEN:
            answers[finding.host].append(finding)

    def weighed(finding: Finding) -> Finding:
        if finding.grade is not Grade.UNPROVEN or finding.because or finding.symptom not in SILENT:
            return finding
        if finding.check not in ("name.agreement", "name.servers-agree"):
            return finding
        mute = _mute_about(finding.subject, servers, dead, home) if finding.host == SITE else answers[finding.host]
        refs = _roots_of(mute)
        return msgspec.structs.replace(finding, because=refs) if refs else finding

    return [weighed(finding) for finding in findings]


def _mute_about(zone: str, servers: list[Finding], dead: dict[str, str], home: str) -> list[Finding]:
    """What is wrong with the servers as far as one zone goes; of a server that is dead altogether only that.

    A server that is no more than slow gave its serial in the end.
    """
    wrong = [server for server in servers if server.grade not in _SERVING and server.symptom != "slow"]
    return [server for server in wrong
            if server.subject in dead or (first_word(server) not in dead and (server.subject.partition(" ")[2] or home) == zone)]


def _roots_of(findings: list[Finding]) -> tuple[str, ...]:
    """The fails among the findings and the causes of the others; nothing where one has neither."""
    refs: dict[str, None] = {}
    for finding in findings:
        roots = (finding.ref,) if finding.grade is Grade.FAIL else finding.because
        if not roots:
            return ()
        refs.update(dict.fromkeys(roots))
    return tuple(refs)


#: Checks whose fail or caution may only repeat in other words what the fail of a check they need has said.
_REPEATING = frozenset({"name.forward", "name.reverse", "name.agreement", "name.servers-agree", "clock.offset", "clock.skew",
                        "host.ipv6", "host.echo", "gateway.echo", "host.mac", "system.login"})


def _upstream(check: str) -> Iterator[str]:
    """The checks that ``check`` waits on, the nearest first, and what these wait on in turn."""
    seen, queue = {check}, [check]
    while queue:
        for needed in catalogue.find(queue.pop(0)).needs:
            if needed not in seen and needed in catalogue.CHECKS:
                seen.add(needed)
                queue.append(needed)
                yield needed


Tie = Callable[[Finding, Finding, _Outages], bool]


def _same_host(cause: Finding, effect: Finding, _outages: _Outages) -> bool:
    return cause.host == effect.host


def _same_port(cause: Finding, effect: Finding, outages: _Outages) -> bool:
    """A port explains what should have been spoken on it: subjects are "443/tcp", with the address where there are several."""
    return _same_host(cause, effect, outages) and cause.subject == effect.subject and effect.symptom != "no-agreed-time"


def _name_server(cause: Finding, effect: Finding, outages: _Outages) -> bool:
    """A dead name server explains the questions put to it, and what is asked of no server by name only where none is left.

    A server that does not speak for a reverse zone (subject "SERVER ZONE") explains the pointers of that zone and no other, and
    one that does not speak for the plan's domain explains no pointer.  One without TCP explains what was cut short, one that
    errs its errors, one that denies names for want of one type each of these, one that drops questions or is slow its silence.
    A zone that does not exist at a server holds none of its names either (RFC 8020 section 2).
    """
    if effect.check.startswith(("clock.", "certificate.")):
        return outages.no_name_server and _waits_on_names(effect, outages)
    if cause.symptom in _IN_ITS_WAY:
        same = effect.symptom == "denies-name" if cause.symptom == "denies-names" else effect.symptom in SILENT
        return same and first_word(effect) == cause.subject
    if effect.grade is Grade.FAIL and not cause.symptom == effect.symptom == "no-name":
        return False
    server, _space, zone = cause.subject.partition(" ")
    if first_word(effect) == server:
        if cause.symptom == "no-tcp":
            return effect.symptom == "truncated"
        if cause.symptom == "errs":
            return effect.symptom in _FAILED
        if effect.check == "name.reverse":
            pointer = reverse_name(effect.subject.partition(" ")[2])
            return under(pointer, zone) if zone else cause.symptom not in _OF_ONE_ZONE
        return not zone
    return not zone and outages.no_name_server and first_word(effect) not in outages.name_servers


def _waits_on_names(effect: Finding, outages: _Outages) -> bool:
    """Time needs names only for a source that is planned by name; one that is planned by address and answers breaks the fold."""
    if effect.check == "clock.source":
        return effect.symptom == "not-resolved"
    return outages.sources_without_address and (effect.symptom == "no-agreed-time" or effect.check == "clock.sources-agree")


def _time_source(_cause: Finding, effect: Finding, outages: _Outages) -> bool:
    """Dead time sources explain only together that no time was agreed on: one that answers is enough."""
    return outages.no_time_source and (effect.symptom == "no-agreed-time" or effect.check == "clock.sources-agree")


def _time_agreement(cause: Finding, effect: Finding, _outages: _Outages) -> bool:
    """Sources that cannot agree leave everything without a time; one falseticker that was found out does not."""
    return effect.symptom == "no-agreed-time" and cause.symptom != "falseticker"


def _unkept_clock(cause: Finding, effect: Finding, outages: _Outages) -> bool:
    """A clock that nothing keeps right wanders: that predicts an offset, but not one that could not be read.

    A time service that withholds the time predicts the opposite: an offset that could not be read, for the same reason.
    """
    if effect.grade is Grade.UNPROVEN:
        withheld = effect.symptom not in ("", "no-agreed-time", "unsynchronised") and cause.symptom == effect.symptom
        return _same_host(cause, effect, outages) and withheld and cause.subject == effect.subject
    return _same_host(cause, effect, outages) and cause.symptom == "unsynchronised"


def _far_off_host(_cause: Finding, effect: Finding, _outages: _Outages) -> bool:
    """One host that is far off puts all hosts' clocks apart."""
    return effect.check == "clock.skew" and effect.grade is not Grade.UNPROVEN


def _silent_host(cause: Finding, effect: Finding, outages: _Outages) -> bool:
    """A dead address explains what was asked of it; of a host with several, only what was asked of that one.

    The way out bears the gateway's address instead, and is proven by any address of the same IP version.  What was seen to
    be wrong is explained only where it is that very silence.  An address that loses packets explains the silence of a port that
    may be one more loss.
    """
    lossy = (cause.symptom, effect.check, effect.symptom) == ("loss", "port.closed", "lossy")
    if not _same_host(cause, effect, outages) or not (cause.symptom in SILENT or lossy):
        return False
    if effect.grade is not Grade.UNPROVEN and effect.symptom not in SILENT:
        return False
    if effect.check == "gateway.return-path":
        return (":" in cause.subject) == (":" in effect.subject)
    asked = {word for word in effect.subject.split() if is_address(word)}
    return not asked or cause.subject in asked


def _two_owners(cause: Finding, effect: Finding, _outages: _Outages) -> bool:
    """Two machines that hold one address lose each other's packets, and now the one shows its host key and now the other.

    So they predict echoes that are lost now and then, and a login that meets a strange key: whose key that is must be known
    before anybody trusts it.  On the wire the second machine is met again at the address that is its own, with the hardware
    address that the conflict names.
    """
    if cause.symptom != "two-owners":
        return False
    if effect.check == "host.mac" and effect.symptom in ("shared-mac", "router-mac"):
        return words_found(effect)[0] in words_found(cause)
    if cause.host != effect.host:
        return False
    if effect.check == "host.mac":
        return effect.symptom == "two-owners" and cause.subject == effect.subject
    if effect.check == "system.login":
        return effect.symptom in _STRANGE_KEY
    return (effect.check in ("host.echo", "gateway.echo") and effect.symptom == "loss"
            and cause.subject == first_word(effect))


def _copied_key(_cause: Finding, effect: Finding, _outages: _Outages) -> bool:
    """A key that another host holds too is strange to the known-hosts file, and must be made anew before anybody trusts it."""
    return effect.check == "system.login" and effect.symptom in _STRANGE_KEY


def _no_host_behind_it(_cause: Finding, _effect: Finding, _outages: _Outages) -> bool:
    """What hangs on a dead gateway is tied to its hosts' silence (``_excuse_behind_gateways``), not to the gateway itself."""
    return False


def _is_excused(finding: Finding) -> bool:
    """Whether a dead gateway or shared losses explain this silence: proven as silence, which is all that its effects need."""
    return finding.grade is Grade.UNPROVEN and bool(finding.because) and (
        finding.check == "host.echo" or finding.because == (losses.REF,))


_TIES: dict[str, Tie] = {
    "name.server": _name_server,
    "clock.source": _time_source,
    "clock.sources-agree": _time_agreement,
    "clock.synchronised": _unkept_clock,
    "clock.offset": _far_off_host,
    "host.echo": _silent_host,
    "host.address-conflict": _two_owners,
    "gateway.echo": _no_host_behind_it,
    "port.open": _same_port,
    "certificate.protocol": _same_port,
    "ssh.identity": _same_port,
    "ssh.shared-key": _copied_key,
}


def _excuse_behind_gateways(plan: Plan, evidence: Evidence, findings: list[Finding]) -> list[Finding]:
    """A host is not judged dead where its dead gateway stands between: it is unproven because of the gateway.

    Only for a runner outside the network, and only where no host behind that gateway was heard at all: of a network with two,
    each answers for its own address family, and an only one for both.
    """
    dead = {finding.subject: finding.ref for finding in findings
            if finding.check == "gateway.echo" and finding.grade is Grade.FAIL and finding.symptom in SILENT}
    if not dead:
        return findings
    beyond = {network.name: network for network in plan.networks if evidence.vantage.on_link.get(network.name) is False}
    networks = {host.fqdn: beyond[host.network] for host in plan.hosts if host.network in beyond}
    echoes = [(finding, _gateway_before(networks[finding.host], finding.subject)) for finding in findings
              if finding.check == "host.echo" and finding.host in networks]
    heard = {(networks[finding.host].name, gateway) for finding, gateway in echoes if not is_silence(finding)}
    excused = {finding.ref: dead[gateway] for finding, gateway in echoes
               if is_silence(finding) and gateway in dead and (networks[finding.host].name, gateway) not in heard}
    return [
        msgspec.structs.replace(finding, grade=Grade.UNPROVEN, because=(excused[finding.ref],), fix=(),
                                message=f"{finding.message} Its gateway is silent too, so nothing is proven of the host itself.")
        if finding.ref in excused else finding for finding in findings
    ]


def _gateway_before(network: Network, address: str) -> str:
    """The gateway that packets to an address of the network come through: the one of its family, or the only one there is."""
    own = (gateway for gateway in network.gateways if len(network.gateways) == 1 or family_of(gateway) == family_of(address))
    return next(own, "")
