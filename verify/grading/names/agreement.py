"""Weighs all name servers together: does the loop from address to name to address close, and do the servers agree."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from shared.aliases import NAMES_FOLLOWED
from shared.evidence import NameAnswer
from shared.findings import Finding, Grade
from shared.hostnames import canonical, reverse_name
from shared.plan import Endpoint
from shared.quantities import show_seconds
from shared.zonelines import address_line, pointer_line, reverse_lines, subnet_of, under_comment
from verify.grading.names.answers import Said, is_remembered, listed, negative_seconds
from verify.grading.names.serials import catch_up, serials_of, servers_behind
from verify.grading.names.views import Views, addresses_in


def grade_agreement(views: Views) -> list[Finding]:
    """``name.agreement`` for each planned address, and one ``name.servers-agree`` where there are several servers."""
    findings = [_loop(views, address) for address in views.host.addresses] if views.servers else []
    if len(views.servers) > 1:
        findings.append(_servers_agree(views))
    return findings


# --- name.agreement


class _Outcome(NamedTuple):
    """One server's outcome in the words of RFC 8601 section 2.7.3: pass, fail, permerror, temperror; and what was seen."""

    word: str
    seen: str


def _loop(views: Views, address: str) -> Finding:
    """Forward-confirmed reverse at every server (RFC 8601 section 3); one no outweighs any yes, one unknown too."""
    outcomes = {server.label: _close_loop(views, server, address) for server in views.servers}
    faulty = {label: outcome for label, outcome in outcomes.items() if outcome.word in ("fail", "permerror")}
    unknown = {label: outcome for label, outcome in outcomes.items() if outcome.word == "temperror"}
    fix: tuple[str, ...] = ()
    if faulty:
        grade, symptom = Grade.FAIL, "open-loop"
        message = f"From {address} no name leads back to it: {_told(faulty)}."
        fix = _loop_lines(views, address, list(faulty))
    elif unknown:
        grade, symptom = Grade.UNPROVEN, "silent"
        message = f"Whether names and {address} lead to each other could not be seen everywhere: {_told(unknown)}."
    else:
        grade, symptom = Grade.PASS, ""
        message = f"At every name server {address} leads to a name and the name back to it: {_told(outcomes)}."
    return views.case.finding(
        views.host.fqdn, "name.agreement", address, grade, planned=f"{address} to {views.host.fqdn} to {address}",
        found=_told(outcomes), message=message, symptom=symptom, fix=fix,
        at=views.stamp(views.servers[0].label, reverse_name(address), "PTR"))


def _loop_lines(views: Views, address: str, labels: list[str]) -> tuple[str, ...]:
    name = views.host.fqdn
    forward = views.zone_for(name, None)
    owner, home = views.pointer_home(labels[0], address)
    pointers = (((home, pointer_line(address, name, owner)),) if home is not None
                else reverse_lines(address, name, subnet_of(views.case.plan, views.host, address)))
    both = under_comment(forward, (address_line(name, address),))
    for zone, line in pointers:
        both += under_comment(zone, (line,))
    return (f"; both have to stand at {', '.join(labels)}; name.forward and name.reverse say which one does not", *both)


def _told(outcomes: dict[str, _Outcome]) -> str:
    return "; ".join(f"at {label} {outcome.seen}" for label, outcome in outcomes.items())


def _close_loop(views: Views, server: Endpoint, address: str) -> _Outcome:
    version, rrtype = (6, "AAAA") if ":" in address else (4, "A")
    back = views.read(server.label, reverse_name(address), "PTR")
    if back.said in (Said.NOTHING, Said.OPEN_END):
        return _Outcome("temperror", f"the pointer could not be seen ({back.words})")
    # The planned name first: it was asked for in any case, and a server may give more names than are followed, in any order.
    names = sorted(map(canonical, back.values), key=lambda name: name != views.host.fqdn)[:NAMES_FOLLOWED]
    if not names:
        return _Outcome("permerror", f"there is no pointer ({back.words})")
    doubts, denials = [], []
    for name in names:
        there = views.read(server.label, name, rrtype)
        if address in addresses_in(there.values, version):
            return _Outcome("pass", f"{name} leads back")
        if there.said in (Said.NOTHING, Said.OPEN_END):
            doubts.append(f"{name} could not be looked up ({there.words})")
        else:
            denials.append(f"{name} leads to {listed(there.values) or 'no address'}")
    return _Outcome("temperror", ", ".join(doubts)) if doubts else _Outcome("fail", ", ".join(denials))


# --- name.servers-agree, for one host


class _Difference(NamedTuple):
    """One question that the servers answer differently: ``said`` maps each server to its values, none for a plain no."""

    name: str
    rrtype: str
    said: dict[str, frozenset[str]]
    planned: frozenset[str]

    def odd_ones(self) -> list[str]:
        """The servers that stand out: those not as planned where another is, or else the minority; empty where neither helps."""
        groups: dict[frozenset[str], list[str]] = {}
        for label, values in self.said.items():
            groups.setdefault(values, []).append(label)
        sizes = sorted(map(len, groups.values()), reverse=True)
        main = self.planned if self.planned in groups else None
        if main is None and sizes[0] > sizes[1]:
            main = max(groups, key=lambda values: len(groups[values]))
        return [] if main is None else [label for label, values in self.said.items() if values != main]

    def told(self) -> str:
        """Who said what."""
        said = ", ".join(f"{label} says {listed(sorted(values)) or 'no'}" for label, values in self.said.items())
        return f"{self.rrtype} of {self.name}: {said}"


def _servers_agree(views: Views) -> Finding:
    host = views.host
    differences, mute = _compare(views)
    fix: tuple[str, ...] = ()
    if differences:
        odd = list(dict.fromkeys(label for difference in differences for label in difference.odd_ones()))
        remembering = _remembered_noes(views, differences)
        only_memory = bool(remembering) and set(odd) == set(remembering)
        grade, symptom = (Grade.CAUTION, "cached-no") if only_memory else (Grade.FAIL, "differ")
        fix = _agree_fix(views, differences, remembering)
        message = (f"The name servers answer differently about {host.fqdn}: {_tell(differences)}. "
                   f"{_who(views, differences, odd)} Clients get one answer or the other by chance.{_remembering(remembering)}")
    elif mute:
        grade, symptom = Grade.UNPROVEN, "silent"
        message = f"Whether all name servers agree about {host.fqdn} could not be seen: no usable answer from {', '.join(mute)}."
    else:
        grade, symptom = Grade.PASS, ""
        message = f"All name servers give the same answers about {host.fqdn}."
    found = _tell(differences) or (f"no usable answer from {', '.join(mute)}" if mute else "the same answers")
    return views.case.finding(
        host.fqdn, "name.servers-agree", host.fqdn, grade, planned="the same answers from every name server", found=found,
        message=message, symptom=symptom, fix=fix, at=views.stamp(views.servers[0].label, host.fqdn, "A"))


def _compare(views: Views) -> tuple[list[_Difference], list[str]]:
    """The questions answered differently, and the servers that left one without a usable answer."""
    host = views.host
    questions = [(host.fqdn, "A", frozenset(addresses_in(host.addresses, 4))),
                 (host.fqdn, "AAAA", frozenset(addresses_in(host.addresses, 6)))]
    questions += [(reverse_name(address), "PTR", frozenset((host.fqdn,))) for address in host.addresses]
    differences: list[_Difference] = []
    mute: list[str] = []
    for name, rrtype, planned in questions:
        said: dict[str, frozenset[str]] = {}
        for server in views.servers:
            read = views.read(server.label, name, rrtype)
            if read.definite:
                said[server.label] = frozenset(map(canonical, read.values))
            else:
                mute.append(server.label)
        if len(set(said.values())) > 1:
            differences.append(_Difference(name, rrtype, said, planned))
    return differences, list(dict.fromkeys(mute))


def _tell(differences: Sequence[_Difference]) -> str:
    return "; ".join(difference.told() for difference in differences)


def _who(views: Views, differences: Sequence[_Difference], odd: Sequence[str]) -> str:
    """Names the odd ones out, with the serials of the zones that the differences lie in, where those were seen."""
    who = f"The odd one out: {', '.join(odd)}." if odd else "None of them stands out."
    for zone in dict.fromkeys(_zone_of(views, difference) for difference in differences):
        serials = serials_of(views.case, zone)
        told, behind = ", ".join(f"{label} {serial}" for label, serial in serials.items()), servers_behind(serials)
        if told:
            who += f" Serials of {zone}: {told}" + (f"; behind: {', '.join(behind)}." if behind else ".")
    return who


def _zone_of(views: Views, difference: _Difference) -> str:
    """The zone that the question lies in: of a pointer, a reverse zone."""
    return views.zone_for(difference.name, None)


def _remembered_noes(views: Views, differences: Sequence[_Difference]) -> dict[str, int]:
    """The resolvers whose differing answer is a no out of their memory, with the seconds they may keep it.

    A no with a TTL of zero is kept by nobody (RFC 2308 section 5): the resolver was told it just now.
    """
    found: dict[str, int] = {}
    for difference in differences:
        for label in difference.odd_ones():
            answer: NameAnswer | None = views.answer(label, difference.name, difference.rrtype)
            seconds = negative_seconds(answer) if answer is not None and is_remembered(answer) else None
            if not difference.said[label] and seconds:
                found[label] = max(seconds, found.get(label, 0))
    return found


def _remembering(remembering: dict[str, int]) -> str:
    return "".join(f" {label} holds a cached no, for at most another {show_seconds(seconds)} (RFC 2308)."
                   for label, seconds in remembering.items())


def _agree_fix(views: Views, differences: Sequence[_Difference], remembering: dict[str, int]) -> tuple[str, ...]:
    """What to do about each difference, in its own zone.

    A server is told to fetch the zone only where its serial is behind: with equal serials it would fetch nothing new, and a
    primary fetches nothing at all.
    """
    lines: dict[str, None] = {}
    for label, seconds in remembering.items():
        flush = "; ".join(f"rndc flushname {difference.name}" for difference in differences
                          if label in difference.odd_ones() and not difference.said[label])
        lines[f"wait {show_seconds(seconds)} and verify again, or flush the cache of {label} (BIND: {flush})"] = None
    for difference in differences:
        zone, odd = _zone_of(views, difference), difference.odd_ones()
        behind = servers_behind(serials_of(views.case, zone))
        lines.update((catch_up(views.case, label, zone), None) for label in odd if label in behind and label not in remembering)
        if not odd or set(odd) - set(behind) - set(remembering):
            lines[f"compare the zone {zone} at all servers, correct it where it is wrong, raise its serial and load it"] = None
            lines.update((f"dig @{server.host} -p {server.port} {difference.name}. {difference.rrtype}", None)
                         for server in views.servers if server.label in difference.said)
    return tuple(lines)
