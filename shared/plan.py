"""The plan: what was intended, as frozen data.

The text file is read by ``verify.planfile`` and judged by ``verify.lint``; nothing here opens a file.  Values that
a person typed are kept as typed beside what they mean, so that a mistake can be shown and mended.  Addresses are
canonical text (RFC 5952 for IPv6), names canonical (``shared.hostnames``).
"""

from __future__ import annotations

import fnmatch
import functools
from collections.abc import Mapping

import msgspec

from shared.addresses import family_of
from shared.hostnames import canonical, under

#: Domains that can never be a live site (RFC 2606 sections 2 and 3, RFC 6761 section 6).
RESERVED_DOMAINS = ("test", "example", "invalid", "localhost", "example.com", "example.net", "example.org")


class Place(msgspec.Struct, frozen=True, gc=False):
    """Where in which file something was written, for error messages.  Lines count from 1."""

    file: str = ""
    line: int = 0

    def __str__(self) -> str:
        return f"{self.file}:{self.line}" if self.line else self.file


class Endpoint(msgspec.Struct, frozen=True):
    """A server as planned: an address or a name, and a UDP or TCP port.  ``label`` is how it is shown and referred to."""

    host: str
    port: int
    label: str


@functools.lru_cache(maxsize=256)
def port_label(number: int, transport: str = "tcp") -> str:
    """How a port is named everywhere, "443/tcp": one text for all hosts."""
    return f"{number}/{transport}"


class Port(msgspec.Struct, frozen=True, order=True):
    """A planned port, shown as ``443/tcp``."""

    number: int
    transport: str = "tcp"

    def __str__(self) -> str:
        return port_label(self.number, self.transport)


class Network(msgspec.Struct, frozen=True, kw_only=True):
    """One planned wire: its subnet and gateway, and on a wire of both address families a second subnet and gateway.

    ``subnet_typed`` is what the plan says ("192.0.2.0/24" or "192.0.2.0 255.255.255.0"); ``subnet`` is its canonical
    form, or None where it cannot be read, which lint reports.  The second ones are None where the plan names one, or none.
    ``pool`` holds inclusive ranges as (first, last).
    """

    name: str
    subnet_typed: str
    subnet: str | None
    gateway: str | None = None
    vlan: int | None = None
    mtu: int = 1500
    pool: tuple[tuple[str, str], ...] = ()
    pool_typed: tuple[str, ...] = ()
    ipv6: str = "on"
    place: Place = Place()
    second_subnet_typed: str | None = None
    second_subnet: str | None = None
    second_gateway: str | None = None

    @property
    def subnets(self) -> tuple[str, ...]:
        """The subnets that can be read, in plan order: at most one for each address family."""
        return tuple(subnet for subnet in (self.subnet, self.second_subnet) if subnet)

    @property
    def gateways(self) -> tuple[str, ...]:
        """The gateways as planned, in plan order: at most one for each address family."""
        return tuple(gateway for gateway in (self.gateway, self.second_gateway) if gateway)

    def subnet_of(self, address: str) -> str | None:
        """The subnet that an address of this network belongs in, by its family; None where the plan has none that can be read."""
        return next((subnet for subnet in self.subnets if family_of(subnet) == family_of(address)), None)


class Role(msgspec.Struct, frozen=True, kw_only=True):
    """What a kind of host must offer and must not offer.  ``ntp_port`` is None where the host need not serve time.

    ``services`` are the service units that must run and start at boot; ``access`` is False where the plan's access is not
    for hosts of this role.
    """

    name: str
    open: tuple[Port, ...] = ()
    closed: tuple[Port, ...] = ()
    tls: tuple[Port, ...] = ()
    ssh: tuple[Port, ...] = ()
    http: tuple[Port, ...] = ()
    ntp_port: int | None = None
    place: Place = Place()
    services: tuple[str, ...] = ()
    access: bool = True


class Host(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One freshly built machine in the plan.

    ``mask``, ``gateway`` and ``vlan`` are what its own row says, if anything; the second ones are of the other family.
    """

    name: str
    fqdn: str
    addresses: tuple[str, ...]
    addresses_typed: tuple[str, ...]
    network: str
    role: str
    mask: str | None = None
    gateway: str | None = None
    vlan: int | None = None
    mac: str | None = None
    notes: str | None = None
    place: Place = Place()
    second_mask: str | None = None
    second_gateway: str | None = None

    @property
    def gateways(self) -> tuple[str, ...]:
        """The gateways of its own row, if any."""
        return tuple(gateway for gateway in (self.gateway, self.second_gateway) if gateway)


class Waiver(msgspec.Struct, frozen=True, kw_only=True):
    """A fail or caution accepted in the plan until a day (inclusive, UTC).  ``check`` and ``host`` may hold ``*``."""

    check: str
    host: str
    reason: str
    until: str
    subject: str = "*"
    place: Place = Place()


class LeftOut(msgspec.Struct, frozen=True, kw_only=True):
    """A check the plan leaves out for everyone, with the reason; it is listed under what was not proven."""

    check: str
    reason: str
    place: Place = Place()


class LimitOverride(msgspec.Struct, frozen=True, kw_only=True):
    """A limit the plan or a profile file sets by name, in the limit's base unit."""

    name: str
    caution: float | None
    fail: float | None
    origin: str
    place: Place = Place()


class Access(msgspec.Struct, frozen=True, kw_only=True):
    """How the hosts may be logged in to, to ask them about themselves.

    ``key`` is the path of a private key file, empty where the keys of an agent are used (``agent``).  ``known_hosts`` is the
    file as planned, ``known_hosts_text`` what it holds.  ``port`` is None where the first SSH port of the host's role is
    meant.  ``key_fault`` and ``known_hosts_fault`` end a sentence about the file where it could not be used; lint says them.
    What a private key file holds is never kept, nor is there any place for a password.
    """

    user: str
    known_hosts: str
    known_hosts_text: str = ""
    key: str = ""
    agent: bool = False
    port: int | None = None
    key_fault: str = ""
    known_hosts_fault: str = ""
    place: Place = Place()


class OwnQuestion(msgspec.Struct, frozen=True, kw_only=True):
    """A question of the site's own to its hosts: a command that changes nothing, and what it must print.

    Either ``expect`` is the whole output, or ``matches`` a regular expression that is found in one of its lines.  ``role``
    and ``host`` are patterns that may hold ``*``.
    """

    name: str
    command: str
    expect: str | None = None
    matches: str | None = None
    role: str = "*"
    host: str = "*"
    place: Place = Place()


class Plan(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """A whole site as intended.  ``remarks`` says what had to be assumed in reading it, in sentences for its author."""

    file: str
    sha256: str
    title: str
    domain: str
    profile: str
    name_servers: tuple[Endpoint, ...]
    time_sources: tuple[Endpoint, ...]
    anchors: tuple[str, ...]
    anchors_pem: tuple[bytes, ...]
    networks: tuple[Network, ...]
    roles: tuple[Role, ...]
    hosts: tuple[Host, ...]
    waivers: tuple[Waiver, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    limits: tuple[LimitOverride, ...] = ()
    domain_place: Place = Place()
    names_place: Place = Place()
    time_place: Place = Place()
    remarks: tuple[str, ...] = ()
    access: Access | None = None
    questions: tuple[OwnQuestion, ...] = ()

    @functools.cached_property
    def by_fqdn(self) -> Mapping[str, Host]:
        """The hosts by fully qualified name; made once, for some questions are asked for each of thousands."""
        return {host.fqdn: host for host in self.hosts}

    @functools.cached_property
    def by_address(self) -> Mapping[str, Host]:
        """The hosts by each of their addresses."""
        return {address: host for host in self.hosts for address in host.addresses}

    def network(self, name: str) -> Network | None:
        """The network of that name, or None."""
        return next((network for network in self.networks if network.name == name), None)

    def role(self, name: str) -> Role | None:
        """The role of that name, or None."""
        return next((role for role in self.roles if role.name == name), None)

    def gateways(self, host: Host) -> tuple[str, ...]:
        """The gateways of a host: those of its own row, and for a family that has none there that of its network.

        Of two, only those of a family that the host has an address of.
        """
        network, own = self.network(host.network), host.gateways
        if network is None:
            return own
        said = {family_of(gateway) for gateway in own}
        planned = (*own, *(gateway for gateway in network.gateways if family_of(gateway) not in said))
        families = {family_of(address) for address in host.addresses}
        return planned if len(planned) < 2 else tuple(gateway for gateway in planned if family_of(gateway) in families)

    def gateway_of(self, host: Host, address: str) -> str | None:
        """The gateway of a host for one of its addresses; None where the plan has none of that family."""
        return next((gateway for gateway in self.gateways(host) if family_of(gateway) == family_of(address)), None)

    def login_port(self, host: Host) -> int | None:
        """The port to log in to a host at, or None where no login to it is planned."""
        role = self.role(host.role)
        if self.access is None or role is None or not role.access:
            return None
        return self.access.port or next((port.number for port in role.ssh), None)

    def questions_for(self, host: Host) -> tuple[OwnQuestion, ...]:
        """The site's own questions that are meant for a host."""
        names = {host.fqdn, canonical(host.name), host.fqdn.partition(".")[0]}
        return tuple(question for question in self.questions if fnmatch.fnmatchcase(host.role, question.role)
                     and any(fnmatch.fnmatchcase(name, question.host) for name in names))

    @property
    def rehearsal(self) -> bool:
        """Whether the domain is reserved and so cannot be a live site (RFC 2606, RFC 6761).

        In a rehearsal, documentation and loopback addresses are what one expects, not a mistake.
        """
        return any(under(canonical(self.domain), reserved) for reserved in RESERVED_DOMAINS)
