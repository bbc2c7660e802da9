"""The answers about one host, found by server, name and type; and what they tell of zones."""

from __future__ import annotations

import functools
import ipaddress
from collections.abc import Iterable

from shared.evidence import HostEvidence, NameAnswer
from shared.hostnames import canonical, reverse_name, under
from shared.plan import Endpoint, Host
from shared.zonelines import Line, boundary_zone, subnet_of, under_comment, zone_of
from verify.grading.case import Case
from verify.grading.names.answers import Reading, Said, reading, zone_around
from verify.grading.names.serials import catch_up, memory_seconds, serials_of, servers_behind

#: The mend of an address that a wildcard gives: it stands at no name of the host, so nothing there can be removed.
SEE_WILDCARD = "; the zone's wildcard gives this address: see the lines of name.wildcard"
#: The prefix that a DNS64 puts before an IPv4 address where it was given none of its own (RFC 6052 section 2.1).
_TRANSLATION = ipaddress.IPv6Network("64:ff9b::/96")


class Views:
    """What each planned server said about one host."""

    def __init__(self, case: Case, host: Host, evidence: HostEvidence) -> None:
        self.case = case
        self.host = host
        self._answers = {(answer.server, canonical(answer.name), answer.rrtype): answer for answer in evidence.names}
        self._readings: dict[tuple[str, str, str], Reading] = {}

    @functools.cached_property
    def servers(self) -> tuple[Endpoint, ...]:
        """The planned name servers, in plan order."""
        return self.case.plan.name_servers

    def answer(self, label: str, name: str, rrtype: str) -> NameAnswer | None:
        """What one server said to one question, or None where it was not asked."""
        return self._answers.get((label, canonical(name), rrtype))

    def read(self, label: str, name: str, rrtype: str) -> Reading:
        """The same, read."""
        asked = (label, name, rrtype)
        if asked not in self._readings:
            self._readings[asked] = reading(self.answer(label, name, rrtype))
        return self._readings[asked]

    def stamp(self, label: str, name: str, rrtype: str) -> str:
        """When the answer was asked for; empty where it was not."""
        answer = self.answer(label, name, rrtype)
        return answer.at if answer else ""

    def from_wildcard(self, label: str, read: Reading) -> bool:
        """Whether one server says of the host just what it says of a random name that nobody planned.

        Then the answer may come from a wildcard (RFC 4592 section 2.2.1), and shows no record at the host's own name.  An
        address that a wildcard alias leads to is not the wildcard's: its own name has it without any alias.
        """
        return any(read.chain.names[1:2] == sibling.chain.names[1:2]
                   and (read.chain.aliased or (bool(read.values) and set(read.values) == set(sibling.values)))
                   for sibling in self._siblings(label))

    def _siblings(self, label: str) -> list[Reading]:
        """What one server said to the random names."""
        return [reading(answer) for answer in self.case.evidence.site.names
                if answer.server == label and answer.purpose == "wildcard"]

    def zone_seen(self, name: str, answer: NameAnswer | None) -> str | None:
        """The zone that ``name`` lies in, as far as a server that speaks for it has shown its start of authority."""
        asked = (*self.case.evidence.site.names, *((answer,) if answer else ()))
        owners = [canonical(record.owner) for one in asked if one.authoritative
                  for record in (*one.answers, *one.authority) if record.rrtype == "SOA"]
        return max((owner for owner in owners if under(name, owner)), key=len, default=None)

    def zone_for(self, name: str, answer: NameAnswer | None) -> str:
        """The zone to put ``name`` into: the one seen, or else the one the plan makes likely."""
        return self.zone_seen(name, answer) or zone_of(name, self.case.plan.domain)

    def served(self, zone: str) -> bool:
        """Whether a planned server gave a start of authority for exactly this zone."""
        return any(reading(answer).said is Said.RECORDS for answer in self.case.evidence.site.names
                   if answer.rrtype == "SOA" and canonical(answer.name) == zone)

    def pointer_home(self, label: str, address: str) -> tuple[str, str | None]:
        """The owner of an address's pointer at one server, behind the aliases that lead there, and the zone it belongs in.

        A zone below the one at the plan's boundary counts as soon as a no for this very name has shown it: a /16 is often
        served by its /24 zones, and then there is none at the boundary.  So does a wider one where nobody has the one at the
        boundary: a /64 often lies in the zone of its /48.  The zone is None where nobody has been seen to serve any of them,
        so that it may lie elsewhere.
        """
        answer = self.answer(label, reverse_name(address), "PTR")
        chain, boundary = reading(answer).chain, boundary_zone(address, subnet_of(self.case.plan, self.host, address))
        if answer is not None and chain.aliased:
            seen = self.zone_seen(chain.end, answer)
            return chain.end, chain.end.partition(".")[2] if seen in (None, boundary) else seen
        owner = reverse_name(address)
        below = _zone_below(boundary, owner, answer)
        if below or not self.served(boundary):
            return owner, below or zone_around(boundary, answer)
        return owner, self.zone_seen(owner, answer) or boundary

    def fix(self, label: str, zone: str, add: Iterable[Line], remove: Iterable[Line], right: Iterable[str]) -> tuple[str, ...]:
        """Zone-file lines for one server, led by the shorter way where other servers (``right``) have them already."""
        others = [other for other in right if other != label]
        lead: tuple[str, ...] = ()
        remembers, serials = memory_seconds(self.case, label, zone) is not None, serials_of(self.case, zone)
        behind = label in servers_behind(serials)
        doubt = (f"does {label} remember an older answer?" if remembers
                 else f"{label} has {zone} by no older serial, so raise that with the change"
                 if label in serials and not behind and set(others) & serials.keys()
                 else f"does {label} have an old copy of {zone}?")
        if others:
            lead = (f"; {', '.join(others)} already answer{'' if len(others) > 1 else 's'} as planned: {doubt}",)
        if others and (remembers or behind):
            lead += (f"; {catch_up(self.case, label, zone)}",)
        return lead + under_comment(zone, add, remove)


def _zone_below(boundary: str, owner: str, answer: NameAnswer | None) -> str | None:
    """The zone below ``boundary`` whose start of authority came with a no for ``owner`` (RFC 2308 section 2.1)."""
    shown = [canonical(record.owner) for record in (answer.authority if answer else ()) if record.rrtype == "SOA"]
    return next((zone for zone in shown if zone != boundary and under(zone, boundary) and under(owner, zone)), None)


def made_of(value: str, addresses: Iterable[str]) -> bool:
    """Whether an IPv6 address is one of the IPv4 ``addresses`` behind the usual prefix of DNS64, so that no zone holds it.

    A resolver with DNS64 makes such addresses for names that have none of IPv6 (RFC 6147 section 5.1).
    """
    text, version = _read_address(value)
    if version != 6 or ipaddress.IPv6Address(text) not in _TRANSLATION:
        return False
    return str(ipaddress.IPv4Address(ipaddress.IPv6Address(text).packed[-4:])) in addresses_in(addresses, 4)


def stop_making(label: str) -> str:
    """The mend of addresses that a server makes itself."""
    return (f"on {label}: it makes this address of the IPv4 one (DNS64, RFC 6147), and no zone holds it: switch that off for "
            "clients that reach IPv4 by themselves (BIND: dns64)")


def addresses_in(values: Iterable[str], version: int) -> tuple[str, ...]:
    """The addresses of one family among ``values``, canonical, each once, in order."""
    return tuple(dict.fromkeys([text for text, family in map(_read_address, values) if family == version]))


@functools.lru_cache(maxsize=1024)
def _read_address(value: str) -> tuple[str, int]:
    """The canonical text of an address and its version, 0 for text that is none.

    Kept, for every server says much the same of a host.
    """
    try:
        address = ipaddress.ip_address(value)
    except ValueError:
        return "", 0
    return str(address), address.version
