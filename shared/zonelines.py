"""The zone-file lines that a plan needs, under the zones they belong to.

Pure text: nothing here asks a server or sends an update.  The fix lines of the name checks and the build sheet both come
from this file.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Sequence
from ipaddress import IPv4Network, IPv6Network

import msgspec

from shared.hostnames import canonical, reverse_name, under
from shared.plan import Endpoint, Host, Plan

#: The time to live of new records, in seconds.  An hour lets a mistake be mended within the hour: common practice, no source.
TTL_SECONDS = 3600
#: Refresh, retry and expire of a new zone, in seconds: refresh between 20 minutes and 12 hours, retry a fraction of it,
#: expire two to four weeks (RFC 1912 section 2.2).
REFRESH_SECONDS, RETRY_SECONDS, EXPIRE_SECONDS = 7200, 900, 1209600
#: How long a resolver may remember that a name does not exist, in seconds; one to three hours work well (RFC 2308 section 5).
NEGATIVE_SECONDS = 3600
#: Updates of one message of an update script; even with names of full length they stay below the 65535 octets of a
#: message (RFC 1035 section 4.2.2).
UPDATES_A_MESSAGE = 100
#: Where the plan does not tell the subnet of an address: the octet boundary that classful delegation left behind (RFC 2317
#: section 2), and the size of a subnet whose hosts have 64-bit interface identifiers (RFC 4291 section 2.5.4).
_USUAL_PREFIX = {4: 24, 6: 64}
#: The bits of one label of a reverse name: an octet (RFC 1035 section 3.5), a nibble (RFC 3596 section 2.5).
_LABEL_BITS = {4: 8, 6: 4}


class Line(msgspec.Struct, frozen=True, order=True):
    """One record.  ``owner`` is absolute without final dot; ``value`` is in presentation form, names in it end in a dot."""

    owner: str
    rrtype: str
    value: str

    def absolute(self) -> str:
        """The line with its whole owner name: right whatever ``$ORIGIN`` is where it is pasted."""
        return f"{self.owner}. IN {self.rrtype} {self.value}"

    def relative(self, origin: str) -> str:
        """The line as it stands below ``$ORIGIN origin.``; the origin itself is ``@`` (RFC 1035 section 5.1)."""
        if self.owner == origin:
            owner = "@"
        else:
            owner = self.owner.removesuffix(f".{origin}") if under(self.owner, origin) else f"{self.owner}."
        return f"{owner:<24} IN {self.rrtype:<5} {self.value}"


class Zone(msgspec.Struct, frozen=True, kw_only=True):
    """The lines of one zone.

    ``note`` says who has to take them, where that may not be whoever runs the plan's servers; ``subzones`` are the RFC 2317
    zones that its aliases lead into.
    """

    origin: str
    lines: tuple[Line, ...]
    note: str = ""
    subzones: tuple[str, ...] = ()


class Authority(msgspec.Struct, frozen=True):
    """The name servers of complete zones: (name, addresses), the primary first, and the mailbox in SOA form."""

    servers: tuple[tuple[str, tuple[str, ...]], ...]
    contact: str


# --- single records and the zones they belong to


def address_line(name: str, address: str) -> Line:
    """The A or AAAA record of one address.  Raises ValueError when ``address`` is not an IP address."""
    parsed = ipaddress.ip_address(address)
    return Line(canonical(name), "A" if parsed.version == 4 else "AAAA", str(parsed))


def pointer_line(address: str, name: str, owner: str | None = None) -> Line:
    """The PTR record of one address, at its reverse name or, behind a classless delegation, at ``owner``."""
    target = canonical(name)
    return Line(canonical(owner or reverse_name(address)), "PTR", target if target == "." else f"{target}.")


def forward_lines(host: Host) -> tuple[Line, ...]:
    """One address record for each planned address."""
    return tuple(address_line(host.fqdn, address) for address in host.addresses)


def zone_of(name: str, domain: str) -> str:
    """The zone that holds ``name``: the plan's domain, or, for a name outside it, everything behind its first label."""
    name, domain = canonical(name), canonical(domain)
    if domain and under(name, domain):
        return domain
    return name.partition(".")[2] or name


def home_zone(plan: Plan) -> str:
    """The zone of the plan's own names: its domain, or else that of its first host; empty where there is neither."""
    if plan.domain:
        return canonical(plan.domain)
    return zone_of(plan.hosts[0].fqdn, "") if plan.hosts else ""


def boundary_zone(address: str, subnet: str | None) -> str:
    """The reverse zone of an address at a label boundary (RFC 1035 section 3.5, RFC 3596 section 2.5).

    A subnet that ends inside a label is served by one zone for each value of that label: a /20 by its sixteen /24 zones.
    A subnet longer than the last boundary shares the zone there: a /25 that of the /24 around it.
    """
    parsed = ipaddress.ip_address(address)
    bits = _LABEL_BITS[parsed.version]
    labels = min(-(-_network(address, subnet).prefixlen // bits), parsed.max_prefixlen // bits - 1)
    parts = parsed.reverse_pointer.split(".")
    return ".".join(parts[parsed.max_prefixlen // bits - max(1, labels):])


def classless_zone(address: str, subnet: str | None) -> str | None:
    """The RFC 2317 zone for a subnet of /25 to /31, or None where a boundary zone does.

    The form is the section 4 one with its slash replaced by a hyphen, as that section advises: ``128-26.2.0.192.in-addr.arpa``.
    """
    network = _network(address, subnet)
    if network.version != 4 or not 24 < network.prefixlen < 32:
        return None
    first = network.network_address.packed[-1]
    return f"{first}-{network.prefixlen}.{boundary_zone(address, subnet)}"


def reverse_lines(address: str, name: str, subnet: str | None) -> tuple[tuple[str, Line], ...]:
    """What makes ``address`` point to ``name``, as (zone, line): the PTR record and, by RFC 2317, the alias that leads to it."""
    classless = classless_zone(address, subnet)
    if classless is None:
        return ((boundary_zone(address, subnet), pointer_line(address, name)),)
    owner = f"{reverse_name(address).partition('.')[0]}.{classless}"
    alias = Line(reverse_name(address), "CNAME", f"{owner}.")
    return ((classless, pointer_line(address, name, owner)), (boundary_zone(address, subnet), alias))


def _network(address: str, subnet: str | None) -> IPv4Network | IPv6Network:
    """The subnet of an address where the plan tells it, or else the usual one."""
    parsed = ipaddress.ip_address(address)
    if subnet is not None:
        network = ipaddress.ip_network(subnet)
        if parsed in network:
            return network
    return ipaddress.ip_network((parsed, _USUAL_PREFIX[parsed.version]), strict=False)


# --- the whole plan


def zones_of(plan: Plan) -> list[Zone]:
    """Every line the whole plan needs, by zone: forward zones first, each zone's lines in plan order."""
    lines: dict[str, list[Line]] = {}
    subzones: dict[str, list[str]] = {}
    for host in plan.hosts:
        lines.setdefault(zone_of(host.fqdn, plan.domain), []).extend(forward_lines(host))
    for host in plan.hosts:
        for address in host.addresses:
            subnet = subnet_of(plan, host, address)
            for zone, line in reverse_lines(address, host.fqdn, subnet):
                lines.setdefault(zone, []).append(line)
            classless = classless_zone(address, subnet)
            if classless:
                subzones.setdefault(boundary_zone(address, subnet), []).append(classless)
    note = "holds the aliases of a classless delegation (RFC 2317 section 4), for whoever runs this zone"
    return [Zone(origin=origin, lines=tuple(dict.fromkeys(kept)), note=note if origin in subzones else "",
                 subzones=tuple(dict.fromkeys(subzones.get(origin, ()))))
            for origin, kept in lines.items()]


def subnet_of(plan: Plan, host: Host, address: str) -> str | None:
    """The subnet that an address of a host belongs in, or None where the plan has none of its family that can be read."""
    network = plan.network(host.network)
    return network.subnet_of(address) if network else None


def authority_of(plan: Plan) -> Authority:
    """The plan's name servers under their names: those of hosts with their addresses, or else ns1, ns2 ... of the domain.

    Raises ValueError when the plan has no name server, for then it has no complete zone.
    """
    if not plan.name_servers:
        raise ValueError("the plan has no name server, so no zone can be completed")
    by_address = {address: host.fqdn for host in plan.hosts for address in host.addresses}
    taken = {host.fqdn for host in plan.hosts}
    zone = home_zone(plan)
    servers: dict[str, list[str]] = {}
    number = 0
    for endpoint in plan.name_servers:
        name = by_address.get(endpoint.host)
        while name is None:
            number += 1
            name = f"ns{number}.{zone}" if f"ns{number}.{zone}" not in taken else None
        servers.setdefault(name, []).append(endpoint.host)
    return Authority(tuple((name, tuple(addresses)) for name, addresses in servers.items()), f"hostmaster.{zone}")


# --- text


def under_comment(zone: str, add: Iterable[Line], remove: Iterable[Line] = ()) -> tuple[str, ...]:
    """Fix lines for one zone.  What to remove is commented out, so that pasting the whole never adds it."""
    fix: list[str] = []
    for heading, prefix, lines in (("add to", "", add), ("remove from", "; ", remove)):
        texts = [prefix + line.absolute() for line in lines]
        if texts:
            fix += [f"; {heading} zone {zone}", *texts]
    return tuple(fix)


def master_file(zone: Zone, authority: Authority | None = None, *, serial: int = 1) -> str:
    """The zone as RFC 1035 section 5 text: its lines to be included or, given an ``authority``, a complete zone.

    A complete zone begins with SOA and NS records, has the addresses of the name servers inside it, and delegates its
    subzones to the same servers.
    """
    text = [f"; zone {zone.origin}" + (f": {zone.note}" if zone.note else ""), f"$ORIGIN {zone.origin}.", f"$TTL {TTL_SECONDS}"]
    lines = list(zone.lines)
    if authority is not None:
        lines = list(dict.fromkeys([*_apex(zone, authority, serial), *lines]))
    text += [line.relative(zone.origin) for line in lines]
    return "\n".join(text) + "\n"


def _apex(zone: Zone, authority: Authority, serial: int) -> list[Line]:
    timers = f"{serial} {REFRESH_SECONDS} {RETRY_SECONDS} {EXPIRE_SECONDS} {NEGATIVE_SECONDS}"
    lines = [Line(zone.origin, "SOA", f"{authority.servers[0][0]}. {authority.contact}. {timers}")]
    lines += [Line(cut, "NS", f"{name}.") for cut in (zone.origin, *zone.subzones) for name, _ in authority.servers]
    lines += [address_line(name, address) for name, addresses in authority.servers if under(name, zone.origin)
              for address in addresses]
    return lines


def update_script(zone: Zone, *, remove: Sequence[Line] = (), server: Endpoint | None = None) -> str:
    """The lines as input for a dynamic update client (RFC 2136), removals first; printed, never sent.

    A record that is there already is not added twice (RFC 2136 section 3.4.2.2).
    """
    updates = [f"update delete {line.owner}. {line.rrtype} {line.value}" for line in remove]
    updates += [f"update add {line.owner}. {TTL_SECONDS} {line.rrtype} {line.value}" for line in zone.lines]
    head = [f"server {server.host} {server.port}"] if server else []
    text = [f"; dynamic update (RFC 2136) of zone {zone.origin}" + (f": {zone.note}" if zone.note else ""), *head]
    for start in range(0, len(updates), UPDATES_A_MESSAGE):
        text += [f"zone {zone.origin}.", *updates[start : start + UPDATES_A_MESSAGE], "send"]
    return "\n".join(text) + "\n"
