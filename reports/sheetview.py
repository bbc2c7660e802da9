"""What a build sheet shows, and in which order: a pure function from a plan to plain data for its two renderers.

A sheet is read by someone who stands at a console and types.  Every value stands alone on its line, as it is typed there;
what the plan does not say is a line to write on, never a guess.
"""

from __future__ import annotations

import ipaddress
import shlex
from collections.abc import Iterable, Sequence

import msgspec

from shared.addresses import family_of, mask_of
from shared.hostnames import canonical, under
from shared.plan import Host, Network, Plan, Port, Role
from shared.zonelines import Zone, zones_of

#: The most characters of a planned note, and the most margin notes, that a sheet has room for; what is left out is counted.
LONGEST_NOTE, MOST_MARGIN_NOTES = 480, 7
#: The most characters of one margin note; a page holds the most there can be of them.
LONGEST_MARGIN_NOTE = 260
#: Lines to write on below the planned notes.
_NOTE_LINES = 3
#: The service names of the IANA registry that a plan is likely to hold (Debian netbase 6.4; rfb and wsmans from memory).
_SERVICES = {
    (21, "tcp"): "ftp", (22, "tcp"): "ssh", (23, "tcp"): "telnet", (25, "tcp"): "smtp", (53, "tcp"): "domain",
    (69, "udp"): "tftp", (80, "tcp"): "http", (111, "tcp"): "sunrpc", (123, "udp"): "ntp", (161, "udp"): "snmp",
    (389, "tcp"): "ldap", (443, "tcp"): "https", (445, "tcp"): "microsoft-ds", (514, "tcp"): "shell", (636, "tcp"): "ldaps",
    (853, "tcp"): "domain-s", (873, "tcp"): "rsync", (2049, "tcp"): "nfs", (3260, "tcp"): "iscsi-target",
    (3389, "tcp"): "ms-wbt-server", (4460, "tcp"): "ntske", (5900, "tcp"): "rfb", (5986, "tcp"): "wsmans",
    (6514, "tcp"): "syslog-tls", (8080, "tcp"): "http-alt",
}
#: With more lines than this a page is set closer; with more than half as many again it runs on to a second one.
_ROOMY_LINES = 24
#: The most characters of a value in a line of a sheet (sheet.html.j2); a longer one goes on below, and its hint after it.
_LONGEST_VALUE = 30
_ORDINALS = ("first", "second", "third")


class MarginNote(msgspec.Struct, frozen=True):
    """Something to know before typing.  ``host`` is the full name it is about, empty for every host; ``kind`` one word."""

    kind: str
    text: str
    host: str = ""


class Row(msgspec.Struct, frozen=True):
    """One thing to set: what it is called, the value as typed, and what else helps to recognise it.

    An empty ``value`` is a line to write on: the plan does not say, or only the console can.
    """

    label: str
    value: str
    hint: str = ""


class Section(msgspec.Struct, frozen=True):
    """Rows that are set in one place.  ``title`` is short: it hangs in the margin."""

    title: str
    rows: tuple[Row, ...]


class SheetView(msgspec.Struct, frozen=True, kw_only=True):
    """One host's page.  ``short`` and ``rest`` are the two parts of the full name; ``dense`` asks for closer rows."""

    number: int
    fqdn: str
    short: str
    rest: str
    facts: str
    sections: tuple[Section, ...]
    dense: bool
    note: str
    note_lines: int
    margin: tuple[MarginNote, ...]
    margin_left_out: int
    command: str


class SheetsView(msgspec.Struct, frozen=True, kw_only=True):
    """All sheets of one printing, and the zone lines that their hosts need.  ``digest`` begins the plan's SHA-256."""

    title: str
    plan: str
    digest: str
    printed: str
    sheets: tuple[SheetView, ...]
    zones: tuple[Zone, ...]


def build(plan: Plan, chosen: Sequence[Host], notes: Iterable[MarginNote], *, printed: str) -> SheetsView:
    """The sheets of the ``chosen`` hosts of a plan, in the order given.

    ``notes`` are lint's cautions and the reader's remarks; each goes into the margin of the hosts it is about.  ``printed``
    is the day, as it is shown.
    """
    kept = tuple(notes)
    return SheetsView(
        title=plan.title, plan=plan.file, digest=plan.sha256[:12], printed=printed,
        sheets=tuple(_sheet(plan, host, number, kept) for number, host in enumerate(chosen, start=1)),
        zones=tuple(zones_of(msgspec.structs.replace(plan, hosts=tuple(chosen)))))


def _sheet(plan: Plan, host: Host, number: int, notes: Sequence[MarginNote]) -> SheetView:
    network, role = plan.network(host.network), plan.role(host.role)
    margin = [msgspec.structs.replace(note, text=_cut(note.text, LONGEST_MARGIN_NOTE))
              for note in notes if note.host in ("", host.fqdn)]
    # What is about this host alone comes before what every sheet says.
    margin.sort(key=lambda note: not note.host)
    short, dot, rest = host.fqdn.partition(".")
    note = " ".join((host.notes or "").split())
    sections = (_address(plan, host, network), _name(plan, host), _time(plan), _services(role), _certificate(host, role),
                _read_off(host, role))
    return SheetView(
        number=number, fqdn=host.fqdn, short=short, rest=dot + rest, facts=f"role {host.role}, network {host.network}",
        sections=tuple(section for section in sections if section.rows),
        dense=sum(_lines(row) for section in sections for row in section.rows) > _ROOMY_LINES, note=_cut(note, LONGEST_NOTE),
        note_lines=_NOTE_LINES if len(note) < LONGEST_NOTE // 2 else 1, margin=tuple(margin[:MOST_MARGIN_NOTES]),
        margin_left_out=max(0, len(margin) - MOST_MARGIN_NOTES),
        command=shlex.join(["seatrial", "verify", plan.file, "--host", host.fqdn]))


def _lines(row: Row) -> int:
    """How many lines a row takes on paper."""
    lines = -(-len(row.value) // _LONGEST_VALUE) or 1
    return lines + (1 if lines > 1 and row.hint else 0)


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[:most].rstrip()}… (the rest: see the plan)"


# --- the sections


_NONE_OF_FAMILY = "the plan names none for this family"


def _address(plan: Plan, host: Host, network: Network | None) -> Section:
    rows: list[Row] = []
    for address in host.addresses:
        rows += _address_rows(address, network, len(host.addresses) > 1)
    gateways = plan.gateways(host)
    vlan = host.vlan if host.vlan is not None else network.vlan if network else None
    if len(gateways) > 1:
        rows += [Row(f"IPv{family_of(gateway)} gateway", gateway) for gateway in gateways]
    else:
        rows.append(Row("gateway", *gateways) if gateways else Row("gateway", "", "the plan names none"))
    if gateways:
        others = sorted({*map(family_of, host.addresses)} - {*map(family_of, gateways)})
        rows += [Row(f"IPv{family} gateway", "", _NONE_OF_FAMILY) for family in others]
    rows += [
        Row("VLAN", "" if vlan is None else str(vlan), "the plan names none" if vlan is None else ""),
        Row("MTU", str(network.mtu if network else ""), "octets"),
    ]
    if network and network.ipv6 == "off":
        rows.append(Row("IPv6", "off", "no address, no answer, no AAAA record"))
    return Section("Address", tuple(rows))


def _address_rows(address: str, network: Network | None, several: bool) -> list[Row]:
    parsed = ipaddress.ip_address(address)
    family = f"IPv{parsed.version} " if several or parsed.version == 6 else ""
    planned = network.subnet_of(address) if network else None
    subnet = ipaddress.ip_network(planned) if planned else None
    if subnet is None:
        # A subnet of the other family says nothing of this address's wire.
        length = "prefix length" if parsed.version == 6 else "mask"
        return [Row(f"{family}address", address), Row(f"{family}{length}", "", _NONE_OF_FAMILY)]
    if parsed.version == 6:
        return [Row("IPv6 address", address), Row("IPv6 prefix length", str(subnet.prefixlen), f"of {subnet}")]
    return [Row(f"{family}address", address), Row(f"{family}mask", mask_of(subnet.prefixlen), f"which is /{subnet.prefixlen}")]


def _name(plan: Plan, host: Host) -> Section:
    domain = canonical(plan.domain)
    suffix = domain if domain and under(host.fqdn, domain) else host.fqdn.partition(".")[2]
    servers = [Row(f"{place} name server", server.host, f"port {server.port}" if server.port != 53 else "")
               for place, server in zip(_places(len(plan.name_servers)), plan.name_servers, strict=True)]
    return Section("Name", (Row("full host name", host.fqdn), Row("domain suffix", suffix), *servers))


def _time(plan: Plan) -> Section:
    sources = [Row("time source" if len(plan.time_sources) == 1 else f"time source {number}", source.host,
                   f"port {source.port}" if source.port != 123 else "")
               for number, source in enumerate(plan.time_sources, start=1)]
    return Section("Time", (*sources, Row("time service", "on", "running now, and started at every boot")))


def _places(count: int) -> list[str]:
    return [_ORDINALS[index] if index < len(_ORDINALS) else f"{index + 1}th" for index in range(count)]


def _services(role: Role | None) -> Section:
    if role is None:
        return Section("Services", ())
    on = list(dict.fromkeys((*role.open, *role.tls, *role.ssh, *role.http)))
    rows = [Row("must be on", str(port), _service(port, role)) for port in on if port not in role.closed]
    if role.ntp_port is not None:
        rows.append(Row("must be on", f"{role.ntp_port}/udp", "ntp, answers NTP"))
    rows += [Row("leave off", str(port), _SERVICES.get((port.number, port.transport), "")) for port in role.closed]
    return Section("Services", tuple(rows))


def _service(port: Port, role: Role) -> str:
    spoken = [word for ports, word in ((role.ssh, "speaks SSH"), (role.tls, "speaks TLS"), (role.http, "speaks HTTP"))
              if port in ports]
    name = _SERVICES.get((port.number, port.transport))
    # The registry's name says nothing more where what is spoken carries it.
    return ", ".join([*([name] if name else []), *spoken])


def _certificate(host: Host, role: Role | None) -> Section:
    if role is None or not role.tls:
        return Section("Certificate", ())
    ports = ", ".join(map(str, role.tls))
    return Section("Certificate", (
        Row("request for", f"DNS:{host.fqdn}", "as subject alternative name"),
        Row("installed", "", f"date; with its chain, on {ports}"),
    ))


def _read_off(host: Host, role: Role | None) -> Section:
    """What only the machine can tell, and what later checks are compared with."""
    mac = Row("hardware address", host.mac, "as planned: compare") if host.mac else Row("hardware address", "")
    key = (Row("SSH host key", "", "SHA256: as its console shows it"),) if role and role.ssh else ()
    return Section("Read off", (mac, *key))
