"""Reading a plan: one TOML file, and the files that it names, into ``shared.plan.Plan``.

Only what has no meaning at all is refused here, all of it at once.  Whatever can be read but is wrong or unwise - a mask,
an address, a name, a network that does not exist - is kept as typed for lint, which knows the mend.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from shared import catalogue
from shared.addresses import family_of, family_of_mask
from shared.hostnames import canonical, qualify
from shared.plan import Endpoint, Host, LeftOut, LimitOverride, Network, Place, Plan, Port, Role, Waiver
from verify.errors import PlanError, Problems, did_you_mean, nearest
from verify.planfile.access import read_access, read_questions, service_faults
from verify.planfile.hostrows import Sheet, read_rows
from verify.planfile.lines import KeyPath, Lines
from verify.planfile.profiles import combined, own_profile, read_limits
from verify.planfile.rawplan import (
    HostTable,
    LeaveOutTable,
    NamesTable,
    NetworkTable,
    PlanTable,
    QuestionTable,
    RoleTable,
    TimeTable,
    TrustTable,
    WaiverTable,
)
from verify.planfile.tables import Source, fill, heading, in_words, parse_toml
from verify.planfile.textfile import decode_utf8, read_bounded
from verify.planfile.values import (
    ValueFaultError,
    address_of,
    mac_of,
    name_server_of,
    pair_of,
    port_of,
    range_of,
    subnet_of,
    time_source_of,
)

_SECTIONS = ("plan", "names", "time", "trust", "networks", "roles", "hosts", "waivers", "leave_out", "limits", "access",
             "questions")
#: VLAN and MTU are lint's to judge; a number of more digits than this is no number of anything here.  Our own bound.
_NUMBER_LIMIT = 10**9

_Table = TypeVar("_Table", bound=msgspec.Struct)


def read_plan(path: Path) -> Plan:
    """Read a plan with its hosts' spreadsheet, its trust anchors and its profile.

    Files that the plan names are relative to the plan.  ``Plan.sha256`` is the digest of the plan file's bytes or, with
    ``hosts_from``, of the plan's bytes followed by the sheet's: what ``cat site.toml hosts.csv | sha256sum`` prints.
    Without ``[trust]``, ``anchors`` is empty and means the system's store.

    Raises PlanError with everything that has no meaning, in the order of the lines; a syntax error is reported alone.
    """
    return plan_of(read_bounded(path), path)


def files_of(plan: Plan) -> list[str]:
    """The paths of the files that a plan was read from, those that it names among them: what is relative, to the plan."""
    access = (plan.access.key, plan.access.known_hosts) if plan.access else ()
    named = [str(Path(plan.file).parent / name) for name in (*plan.anchors, *access) if name]
    return list(dict.fromkeys((plan.file, *(host.place.file for host in plan.hosts if host.place.file), *named)))


def plan_of(content: bytes, path: Path) -> Plan:
    """The plan that a file with this ``content`` at ``path`` would be, as ``read_plan`` says.  Raises PlanError."""
    shown = str(path)
    text = decode_utf8(content, shown)
    document = parse_toml(text, shown)
    source = Source(shown, Lines(text), Problems())
    plan = _Reader(path, document, source).read(content)
    source.problems.raise_if_any()
    assert plan is not None, "whatever kept the plan from being read has been reported"
    return plan


class _Reader:
    """One reading of one plan: each method reads one section and notes its problems."""

    def __init__(self, path: Path, document: dict[str, Any], source: Source) -> None:
        self._path = path
        self._document = document
        self._source = source

    def read(self, content: bytes) -> Plan | None:
        self._check_sections()
        head = self._head()
        domain = canonical(head.domain) if head else ""
        sheet = self._sheet(head)
        anchors = self._anchors()
        plan = Plan(
            file=self._source.file,
            sha256=hashlib.sha256(content + (sheet.content if sheet else b"")).hexdigest(),
            title=head.title if head else "",
            domain=domain,
            profile=head.profile if head else "",
            name_servers=self._name_servers(),
            time_sources=self._time_sources(domain),
            anchors=tuple(anchors),
            anchors_pem=tuple(anchors.values()),
            networks=self._networks(),
            roles=self._roles(),
            hosts=self._hosts(head, domain, sheet),
            waivers=self._waivers(),
            left_out=self._left_out(),
            limits=self._limits(),
            domain_place=self._source.place("plan", "domain"),
            names_place=self._source.place("names", "servers"),
            time_place=self._source.place("time", "sources"),
            remarks=sheet.remarks if sheet else (),
            access=read_access(self._document["access"], self._source, self._path) if "access" in self._document else None,
            questions=read_questions(self._listed(QuestionTable, "questions"), self._source),
        )
        if head is None:
            return None
        self._check_profile(plan)
        return plan

    def _check_sections(self) -> None:
        """Whether every table is one of a plan's, and [plan] is there."""
        unknown = [key for key in self._document if key not in _SECTIONS]
        stray = [key for key in unknown if key in PlanTable.__struct_fields__]
        for key in unknown:
            if key not in stray:
                kind = "table" if isinstance(self._document[key], dict | list) else "key"
                self._source.problem((key,), f'a plan has no {kind} "{key}" of its own; {did_you_mean(key, _SECTIONS)}')
        if stray:
            verb = "stands" if len(stray) == 1 else "stand"
            mend = "move it below the line [plan]" if "plan" in self._document else "put a line [plan] before it"
            self._source.problem((stray[0],), f"{' and '.join(stray)} {verb} above every table; {mend}")
        elif "plan" not in self._document and not any(nearest(key, _SECTIONS) == "plan" for key in unknown):
            self._source.problem((), "the plan lacks its first table; begin the file with [plan], a title and a domain")

    def _head(self) -> PlanTable | None:
        return self._optional(PlanTable, "plan")

    def _check_profile(self, plan: Plan) -> None:
        """The plan's own limits must fit its own profile; another one may be asked for later."""
        place = self._source.place("plan", "profile")
        try:
            combined(own_profile(plan, place), plan.limits)
        except PlanError as error:
            self._source.problems.adopt(place, error)

    def _name_servers(self) -> tuple[Endpoint, ...]:
        table = self._optional(NamesTable, "names")
        return self._endpoints(table.servers if table else [], ("names", "servers"))

    def _time_sources(self, domain: str) -> tuple[Endpoint, ...]:
        table = self._optional(TimeTable, "time")
        return self._endpoints(table.sources if table else [], ("time", "sources"), domain)

    def _endpoints(self, typed: list[str], path: KeyPath, domain: str | None = None) -> tuple[Endpoint, ...]:
        """Name servers, or with a ``domain`` time sources."""
        endpoints = []
        for index, text in enumerate(typed):
            try:
                endpoints.append(name_server_of(text) if domain is None else time_source_of(text, domain))
            except ValueFaultError as fault:
                self._fault((*path, index), text, fault)
        return tuple(endpoints)

    def _anchors(self) -> dict[str, bytes]:
        """The anchor files by name, each with its PEM bytes."""
        table = self._optional(TrustTable, "trust")
        if table is None:
            return {}
        if self._document["trust"].get("anchors") == []:
            self._source.problem(("trust", "anchors"), "[trust] anchors names no file; name a PEM file, or take the table "
                                                       "[trust] out to trust what this system trusts")
        anchors = {}
        for index, name in enumerate(table.anchors):
            place = self._source.place("trust", "anchors", index)
            try:
                anchors[name] = read_bounded(self._path.parent / name, f"{place}: [trust] anchors")
            except PlanError as error:
                self._source.problems.adopt(place, error)
                continue
            fault = _anchor_fault(anchors[name], name)
            if fault:
                self._source.problems.add(place, f'[trust] anchors names "{name}", which {fault}')
        return anchors

    def _networks(self) -> tuple[Network, ...]:
        networks = []
        for name, table in self._named(NetworkTable, "networks"):
            path = ("networks", name)
            self._check_number(table.vlan, (*path, "vlan"))
            self._check_number(table.mtu, (*path, "mtu"))
            if table.ipv6 not in ("on", "off"):
                self._source.problem((*path, "ipv6"), f'{heading(path)} ipv6 must be "on" or "off"; it is "{table.ipv6[:40]}"')
            ranges = [range_of(text) for text in table.pool]
            subnet, second = self._pair(table.subnet, (*path, "subnet"))
            gateway, second_gateway = self._pair(table.gateway, (*path, "gateway"))
            networks.append(Network(
                name=name, subnet_typed=subnet or "", subnet=subnet_of(subnet or ""), gateway=_gateway(gateway),
                vlan=table.vlan, mtu=table.mtu, pool=tuple(ends for ends in ranges if ends), pool_typed=tuple(table.pool),
                ipv6=table.ipv6, place=self._source.place(*path), second_subnet_typed=second,
                second_subnet=subnet_of(second) if second else None, second_gateway=_gateway(second_gateway)))
        return tuple(networks)

    def _roles(self) -> tuple[Role, ...]:
        roles = []
        for name, table in self._named(RoleTable, "roles"):
            path = ("roles", name)
            ports = {key: self._ports(getattr(table, key), (*path, key)) for key in ("open", "closed", "tls", "ssh", "http")}
            for place, sentence in service_faults(table.services):
                self._source.problem((*path, "services", place), f"{heading(path)} services {sentence}")
            roles.append(Role(name=name, **ports, ntp_port=self._ntp_port(table.ntp, (*path, "ntp")),
                              services=tuple(dict.fromkeys(table.services)), access=table.access,
                              place=self._source.place(*path)))
        return tuple(roles)

    def _ports(self, typed: list[str], path: KeyPath) -> tuple[Port, ...]:
        ports = []
        for index, text in enumerate(typed):
            try:
                port = port_of(text)
            except ValueFaultError as fault:
                self._fault((*path, index), text, fault)
                continue
            if port.transport == "tcp":
                ports.append(port)
            else:
                # Silence over UDP proves nothing, so a planned UDP port could never be more than unproven.
                self._source.problem((*path, index), f'{_key(path)} "{text[:40]}" is a UDP port, and silence over UDP proves '
                                                     "nothing; name TCP ports here, and write ntp = true for a time server")
        return tuple(dict.fromkeys(ports))

    def _ntp_port(self, typed: bool | str, path: KeyPath) -> int | None:
        if isinstance(typed, bool):
            return 123 if typed else None
        try:
            port = port_of(typed)
        except ValueFaultError as fault:
            self._fault(path, typed, fault)
            return None
        if port.transport != "udp":
            self._source.problem(path, f'{_key(path)} "{typed[:40]}" is not a UDP port, and time is served over UDP; '
                                       f'write "{port.number}/udp"')
        return port.number

    def _sheet(self, head: PlanTable | None) -> Sheet | None:
        if head is None or head.hosts_from is None:
            return None
        place = self._source.place("plan", "hosts_from")
        try:
            return read_rows(self._path.parent / head.hosts_from, f"{place}: [plan] hosts_from")
        except PlanError as error:
            self._source.problems.adopt(place, error)
            return None

    def _hosts(self, head: PlanTable | None, domain: str, sheet: Sheet | None) -> tuple[Host, ...]:
        """The hosts of the plan, then those of its sheet."""
        hosts = []
        for index, table in self._listed(HostTable, "hosts"):
            path = ("hosts", index)
            self._check_number(table.vlan, (*path, "vlan"))
            if table.address == []:
                self._source.problem((*path, "address"), f"{heading(path)} address is an empty list; name one address at least")
            hosts.append(_host(table, domain, self._source.place(*path), self._pair(table.mask, (*path, "mask"), family_of_mask),
                               self._pair(table.gateway, (*path, "gateway"))))
        if sheet is not None:
            # Where a cell of it holds two, they are one for each family.
            hosts.extend(_host(row.host, domain, Place(sheet.file, row.row), pair_of(row.host.mask, family_of_mask),
                               pair_of(row.host.gateway, family_of)) for row in sheet.rows)
        if not self._document.get("hosts") and head is not None and head.hosts_from is None:
            self._source.problem(("hosts",), "the plan names no host; add a table [[hosts]] with name, address, network and "
                                             'role for each, or hosts_from = "hosts.csv" under [plan]')
        return tuple(hosts)

    def _waivers(self) -> tuple[Waiver, ...]:
        waivers = []
        for index, table in self._listed(WaiverTable, "waivers"):
            self._check_reason(table.reason, ("waivers", index))
            waivers.append(Waiver(check=table.check, host=table.host, reason=table.reason, until=table.until.isoformat(),
                                  subject=table.subject, place=self._source.place("waivers", index)))
        return tuple(waivers)

    def _left_out(self) -> tuple[LeftOut, ...]:
        left_out = []
        for index, table in self._listed(LeaveOutTable, "leave_out"):
            self._check_pattern(table.check, ("leave_out", index))
            self._check_reason(table.reason, ("leave_out", index))
            left_out.append(LeftOut(check=table.check, reason=table.reason, place=self._source.place("leave_out", index)))
        return tuple(left_out)

    def _limits(self) -> tuple[LimitOverride, ...]:
        return read_limits(self._document.get("limits", {}), self._source)

    def _optional(self, kind: type[_Table], key: str) -> _Table | None:
        """A table that a plan may do without."""
        return fill(kind, self._document[key], self._source, (key,)) if key in self._document else None

    def _named(self, kind: type[_Table], key: str) -> Iterable[tuple[str, _Table]]:
        """The tables ``[key.NAME]``."""
        tables = self._document.get(key, {})
        if not isinstance(tables, dict):
            self._source.problem((key,), f"{key} must be tables with names of their own, not {in_words(tables)}; write "
                                         f"[{key}.NAME] above each")
            return
        for name, value in tables.items():
            table = fill(kind, value, self._source, (key, name))
            if table is not None:
                yield name, table

    def _listed(self, kind: type[_Table], key: str) -> Iterable[tuple[int, _Table]]:
        """The tables ``[[key]]``."""
        tables = self._document.get(key, [])
        if not isinstance(tables, list):
            self._source.problem((key,), f"{key} must be a list of tables, not {in_words(tables)}; write [[{key}]], in double "
                                         "brackets, above each")
            return
        for index, value in enumerate(tables):
            table = fill(kind, value, self._source, (key, index))
            if table is not None:
                yield index, table

    def _pair(self, typed: str | int | list[str] | list[str | int] | None, path: KeyPath,
              family: Callable[[str], int] = family_of) -> tuple[str | None, str | None]:
        """The values of a key that takes one, or a list of one for each address family."""
        try:
            return pair_of(typed, family)
        except ValueFaultError as fault:
            self._source.problem(path, f"{_key(path)} {fault}")
            return None, None

    def _fault(self, path: KeyPath, typed: str, fault: ValueFaultError) -> None:
        self._source.problem(path, f'{_key(path)} "{typed[:60]}" {fault}')

    def _check_number(self, number: int | None, path: KeyPath) -> None:
        if number is not None and abs(number) >= _NUMBER_LIMIT:
            self._source.problem(path, f"{_key(path)} must be a number of at most nine digits; it is {in_words(number)}")

    def _check_reason(self, reason: str, path: KeyPath) -> None:
        if not reason.strip():
            self._source.problem((*path, "reason"), f"{heading(path)} reason is empty; say why, for whoever reads the report")

    def _check_pattern(self, pattern: str, path: KeyPath) -> None:
        """A pattern that selects no check would silently leave nothing out."""
        if not catalogue.matching(pattern):
            self._source.problem((*path, "check"), f'{heading(path)} check "{pattern[:60]}" is no check that there is; '
                                                   f"{_nearest_check(pattern)}")


def _host(table: HostTable, domain: str, place: Place, masks: tuple[str | None, str | None],
          gateways: tuple[str | None, str | None]) -> Host:
    typed = (table.address,) if isinstance(table.address, str) else tuple(table.address)
    addresses = [address_of(text) for text in typed]
    return Host(
        name=table.name, fqdn=qualify(table.name, domain), addresses=tuple(address for address in addresses if address),
        addresses_typed=typed, network=table.network, role=table.role, mask=masks[0], second_mask=masks[1],
        gateway=_gateway(gateways[0]), second_gateway=_gateway(gateways[1]), vlan=table.vlan,
        mac=mac_of(table.mac) if table.mac else None, notes=table.notes, place=place)


def _gateway(typed: str | None) -> str | None:
    """Canonical where it is an address; as typed where it is not."""
    return None if typed is None else address_of(typed) or typed


def _key(path: KeyPath) -> str:
    """A key with its table's header: [roles.node] open.  The place in a list is left out; the line shows it."""
    *table, key = path[:-1] if isinstance(path[-1], int) else path
    return f"{heading(tuple(table))} {key}"


def _nearest_check(pattern: str) -> str:
    close = nearest(pattern, catalogue.CHECKS)
    if close is not None:
        return f'did you mean "{close}"?'
    families = dict.fromkeys(check.family for check in catalogue.CHECKS.values())
    return f"the families of checks are {', '.join(families)}"


def _anchor_fault(content: bytes, name: str) -> str | None:
    """What is wrong with an anchor file and how to mend it, or None where it holds certificates in PEM (RFC 7468)."""
    # Slow to load, and not every plan names anchors.
    from cryptography import x509

    if b"-----BEGIN CERTIFICATE-----" not in content:
        other = re.search(rb"-----BEGIN ([A-Z0-9 ]{1,40})-----", content)
        if other is not None:
            return f"holds a {other.group(1).decode().lower()} and no certificate; name the file of the CA's certificate"
        # RFC 5280 section 4.1: a certificate is a SEQUENCE, which DER begins with 0x30.
        if content.startswith(b"\x30"):
            return f"is in binary form, not PEM; convert it: openssl x509 -inform der -in {name} -out {Path(name).stem}.pem"
        return "is not PEM; a PEM certificate begins with -----BEGIN CERTIFICATE-----"
    try:
        x509.load_pem_x509_certificates(content)
    except ValueError:
        return "holds a certificate that cannot be read; copy the file anew from where it came"
    return None
