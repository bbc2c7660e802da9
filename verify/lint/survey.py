"""The plan read once for all checks: what its addresses, subnets and pools mean, and which addresses are still free."""

from __future__ import annotations

import datetime
import functools
import ipaddress
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from shared.addresses import (
    Address,
    AddressError,
    Subnet,
    family_of,
    first_host,
    host_fault,
    last_host,
    parse_address,
    parse_range,
    parse_subnet,
    show_address,
    subnet_of,
    without_mask,
)
from shared.findings import SITE, make_ref
from shared.plan import Host, Network, Plan
from shared.slips import nearest
from verify.lint.special import barred

#: An inclusive range of addresses: its first and its last.
Span = tuple[Address, Address]

#: A mistyped address is compared with the free ones of a subnet of up to this many, a /24; in a wider one the nearest
#: spelling says little and takes long to find (common practice, no source).
_COMPARED = 256
#: Below this an IPv6 address is an IPv4 one in the deprecated form (RFC 4291 section 2.5.5.1).
_COMPATIBLE = 1 << 32
#: What looks like a digit or a dot, or lies where it does on a keyboard of another country (common practice, no source).
_LOOK_ALIKE = str.maketrans("OolI,", "0011.")


#: The prefix of an IPv6 wire (RFC 4291 section 2.5.4), and how many other hosts must share one before a host that stands
#: outside it looks like a slip (common practice, no source).
_WIRE_6, _COMPANIONS = 64, 2


@dataclass(frozen=True, slots=True)
class Half:
    """One of the one or two subnets of a network: what its finding is about, what was typed, and what that means."""

    subject: str
    typed: str
    subnet: Subnet | None


@dataclass(frozen=True, slots=True)
class Sited:
    """One host row, by its number in the plan, with its network and what its addresses mean (None where unreadable)."""

    index: int
    host: Host
    network: Network | None
    halves: tuple[Half, ...]
    addresses: tuple[tuple[str, Address | None], ...]

    def subnet_for(self, family: int | None) -> Subnet | None:
        """What addresses of this IP version are held against, as ``Survey.subnet`` says."""
        return _subnet_for(self.halves, family)

    def with_address(self, mend: str, wrong: str) -> str:
        """The line of the row with ``mend`` in the place of the address ``wrong``."""
        meant = read_address(wrong) or wrong
        kept = tuple(mend if (address or text) == meant else text for text, address in self.addresses)
        return f"address = {as_typed(kept if mend in kept else (mend,))}"


class Survey:
    """The plan as lint reads it.  Keeps note of the addresses it has offered, so that no two mends collide."""

    def __init__(self, plan: Plan, today: datetime.date) -> None:
        self.plan = plan
        self.today = today
        self.halves = {network.name: _halves(network) for network in plan.networks}
        self.pools = {network.name: [span for _, span in ranges_of(network) if span] for network in plan.networks}
        self.rows = [self._sited(index, host) for index, host in enumerate(plan.hosts)]
        #: The host rows by their addresses; of several that claim one, the first.
        self.owners = {address: row for row in reversed(self.rows) for _, address in row.addresses if address}
        self.taken = set(self._planned())
        self._offered: dict[tuple[int | str, Address | str], str | None] = {}
        #: Below this every host address of a subnet is taken, and stays so: the next search for a free one goes on here.
        self._free_from: dict[tuple[str, Subnet], int] = {}

    def _sited(self, index: int, host: Host) -> Sited:
        typed = host.addresses_typed or host.addresses
        return Sited(index=index, host=host, network=self.plan.network(host.network), halves=self.halves.get(host.network, ()),
                     addresses=tuple((text, read_address(text)) for text in typed))

    @property
    def all_subnets(self) -> list[Subnet]:
        """Every planned subnet that can be read."""
        return [half.subnet for halves in self.halves.values() for half in halves if half.subnet]

    def subnets_of(self, network: str) -> list[Subnet]:
        """The subnets of a network that can be read."""
        return [half.subnet for half in self.halves.get(network, ()) if half.subnet]

    def subnet(self, network: str, family: int | None) -> Subnet | None:
        """What an address of this IP version is held against in a network: the subnet of that version, or the only one there is.

        None where that cannot be read.  For None, where the version is not known, the first one.
        """
        return _subnet_for(self.halves.get(network, ()), family)

    def why_not_read(self, network: str) -> str:
        """The ref of the finding that says why a subnet of a network is not known."""
        halves = self.halves.get(network, ())
        return make_ref(SITE, "plan.mask", next((half.subject for half in halves if half.subnet is None), network))

    def _planned(self) -> Iterator[Address]:
        texts = [gateway for network in self.plan.networks for gateway in network.gateways]
        texts += [server.host for server in (*self.plan.name_servers, *self.plan.time_sources)]
        yield from (address for text in texts if text and (address := read_address(text)))
        yield from (address for row in self.rows for _, address in row.addresses if address)

    def why_no_subnet(self, row: Sited) -> str:
        """The ref of the finding that says why nothing is known of the row's subnet."""
        if row.network is None:
            return make_ref(row.host.fqdn, "plan.reference", f"network {row.host.network}")
        return self.why_not_read(row.network.name)

    def wire_6(self, row: Sited, address: Address) -> Subnet | None:
        """The /64 in which an address lies alone while the other hosts of its network share one; None where it does not.

        Of a network that is planned by its IPv4 subnet, the IPv6 one is what its hosts have in common: a wire is a /64
        (RFC 4291 section 2.5.4).  At least two other hosts must share one that this host has no address in.
        """
        subnet = row.subnet_for(6)
        if address.version != 6 or subnet is None or subnet.version == 6:
            return None
        shared = self._wires_6.get(row.host.network, Counter())
        own = {subnet_of(other, _WIRE_6) for _, other in row.addresses if other is not None and other.version == 6}
        usual = [wire for wire, hosts in shared.most_common(1) if hosts >= _COMPANIONS]
        return usual[0] if usual and usual[0] not in own and shared[subnet_of(address, _WIRE_6)] == 1 else None

    @functools.cached_property
    def _wires_6(self) -> dict[str, Counter[Subnet]]:
        """How many hosts of each network have an address in each /64."""
        counted: dict[str, Counter[Subnet]] = {}
        for row in self.rows:
            counted.setdefault(row.host.network, Counter()).update(
                {subnet_of(address, _WIRE_6) for _, address in row.addresses if address is not None and address.version == 6})
        return counted

    def in_pool(self, network: str, address: Address) -> Span | None:
        """The dynamic range of ``network`` that holds ``address``, or None."""
        return next((span for span in self.pools.get(network, ()) if within(address, span)), None)

    def is_free(self, network: str, subnet: Subnet, address: Address) -> bool:
        """Whether a host of ``network`` could be given ``address``: its own, unplanned, in no pool, not yet offered."""
        return host_fault(address, subnet) is None and address not in self.taken and not self.in_pool(network, address)

    def offer(self, row: Sited, wrong: str) -> str | None:
        """A free address for a host row to take in the place of ``wrong``, or None where its network has none.

        The nearest in spelling or with the same host part if that is free, else the first free one.  The same question gets
        the same answer, and no two questions share one.  None as well for a second address of a family that the network has no
        subnet of: it has none to offer in its place.
        """
        if self.is_second_family(row, wrong):
            return None
        return self._offer(row.index, row.host.network, wrong, ())

    def is_second_family(self, row: Sited, typed: str) -> bool:
        """Whether ``typed`` is of a family that the row's network has no subnet of and stands beside an address that it has."""
        subnet, family = row.subnet_for(_family(typed)), _family(typed)
        return (subnet is not None and family not in (None, subnet.version)
                and any(address.version == subnet.version for _, address in row.addresses if address))

    def offer_gateway(self, network: str, wrong: str) -> str | None:
        """The gateway that was probably meant: as for a host, and else the first or the last host address."""
        subnet = self.subnet(network, _family(wrong))
        return self._offer(network, network, wrong, (first_host(subnet), last_host(subnet)) if subnet else ())

    def _offer(self, asker: int | str, network: str, wrong: str, usual: tuple[Address, ...]) -> str | None:
        key = (asker, read_address(wrong) or wrong)
        if key not in self._offered:
            subnet = self.subnet(network, _family(wrong))
            address = self._choose(network, subnet, wrong, usual) if subnet else None
            if address is not None:
                self.taken.add(address)
            self._offered[key] = show_address(address) if address else None
        return self._offered[key]

    def _choose(self, network: str, subnet: Subnet, wrong: str, usual: tuple[Address, ...]) -> Address | None:
        if barred(subnet, self.plan):
            return None
        likely = self._likely(network, subnet, wrong)
        if likely is not None:
            return likely
        free = (address for address in usual if self.is_free(network, subnet, address))
        return next(free, None) or self._first_free(network, subnet)

    def _likely(self, network: str, subnet: Subnet, wrong: str) -> Address | None:
        """The free address that ``wrong`` is a misspelling of, or that has its host part; None where there is none."""
        address = _written(wrong)
        if address is not None:
            moved = moved_into(address, subnet)
            return moved if moved and self.is_free(network, subnet, moved) else None
        alike = read_address(wrong.translate(_LOOK_ALIKE))
        if alike is not None and self.is_free(network, subnet, alike):
            return alike
        if subnet.num_addresses > _COMPARED:
            return None
        free = (show_address(address) for address in subnet if self.is_free(network, subnet, address))
        slip = nearest(wrong, free)
        return parse_address(slip.meant) if slip else None

    def _first_free(self, network: str, subnet: Subnet) -> Address | None:
        """The lowest free address, found by stepping over taken ones and whole pools."""
        candidate, last = self._free_from.get((network, subnet), int(first_host(subnet))), int(last_host(subnet))
        family = type(first_host(subnet))
        while candidate <= last:
            address = family(candidate)
            span = self.in_pool(network, address)
            if span:
                candidate = int(span[1]) + 1
            elif address in self.taken:
                candidate += 1
            else:
                break
        self._free_from[network, subnet] = candidate
        return family(candidate) if candidate <= last else None


def read_address(text: str) -> Address | None:
    """The address that ``text`` writes, or None."""
    try:
        return parse_address(text)
    except AddressError:
        return None


def _written(text: str) -> Address | None:
    """The address that a person wrote, whatever stands around it; None where there is none.

    Around it may be a mask, a zone (RFC 4007 section 11), or an IPv6 form of an IPv4 address (RFC 4291 section 2.5.5).
    """
    address = read_address(text) or without_mask(text) or read_address(text.partition("%")[0])
    if address is None or address.version == 4:
        return address
    compatible = int(address) >> 24 and int(address) < _COMPATIBLE
    return ipaddress.IPv4Address(int(address)) if compatible else address.ipv4_mapped or address


def read_subnet(text: str) -> Subnet | None:
    """The subnet that ``text`` writes, or None."""
    try:
        return parse_subnet(text)
    except AddressError:
        return None


def _halves(network: Network) -> tuple[Half, ...]:
    """The subnets of a network.  What is typed decides; what the plan's reader made of it helps on where lint is stricter."""
    second = network.second_subnet_typed
    planned = [(network.subnet_typed, network.subnet), *([(second, network.second_subnet)] if second is not None else [])]
    return tuple(Half(subject_of(network, typed, first=not place), typed, read_subnet(typed) or read_subnet(read or ""))
                 for place, (typed, read) in enumerate(planned))


def subject_of(network: Network, typed: str, *, first: bool) -> str:
    """What the finding about a subnet or gateway of a network is about: the network, and of its second one the family too."""
    return network.name if first else f"{network.name} IPv{family_of(typed)}"


def _subnet_for(halves: tuple[Half, ...], family: int | None) -> Subnet | None:
    own = next((half.subnet for half in halves if half.subnet and half.subnet.version == family), None)
    if own is None and (family is None or len(halves) == 1):
        return next((half.subnet for half in halves if half.subnet), None)
    return own


def as_typed(values: tuple[str | None, ...]) -> str:
    """One or two values as they stand in the plan: in quotes, two of them in a list."""
    quoted = [f'"{value}"' for value in values if value is not None]
    return quoted[0] if len(quoted) == 1 else f"[{', '.join(quoted)}]"


def ranges_of(network: Network) -> list[tuple[str, Span | None]]:
    """Each dynamic range of a network as typed and as read (None where it cannot be read)."""
    typed = network.pool_typed or tuple(f"{first}-{last}" for first, last in network.pool)
    ranges: list[tuple[str, Span | None]] = []
    for text in typed:
        try:
            ranges.append((text, parse_range(text)))
        except AddressError:
            ranges.append((text, None))
    return ranges


def _family(text: str) -> int | None:
    """The IP version of the address that a person meant to write, where it can be read or its punctuation shows it."""
    address = read_address(text) or without_mask(text)
    if address is not None:
        return address.version
    return None if (":" in text) == ("." in text) else 6 if ":" in text else 4


def moved_into(address: Address, subnet: Subnet) -> Address | None:
    """The address with the same host part in ``subnet``: what was meant where only the network part is wrong."""
    if address.version != subnet.version:
        return None
    host_part = int(address) & int(subnet.hostmask)
    return subnet.network_address + host_part


def within(address: Address, span: Span) -> bool:
    """Whether ``address`` lies in an inclusive range."""
    first, last = span
    return address.version == first.version and int(first) <= int(address) <= int(last)
