"""``plan.network``, ``plan.vlan``, ``plan.mtu`` and the ranges of ``plan.pool``: networks as wholes."""

from __future__ import annotations

import itertools

from shared.addresses import AddressError, Subnet, host_fault, parse_range, show_address, show_subnet
from shared.findings import SITE
from shared.plan import Network
from verify.lint.book import Book
from verify.lint.survey import Sited, Span, Survey, ranges_of, read_address, within

#: IEEE 802.1Q reserves 0 and 4095; RFC 7348 section 1 counts the 4094 that are left.
_VLANS = range(1, 4095)
#: RFC 791 section 3.2: every module forwards 68 octets whole; a datagram has 65535 at most.
_MTU_LEAST, _MTU_MOST = 68, 65535
#: RFC 791 section 3.1: every host receives 576 octets.
_MTU_USUAL_LEAST = 576
#: RFC 8200 section 5: IPv6 needs links of 1280 octets.
_MTU_IPV6 = 1280
#: The largest packet that common switches carry (common practice, no source).
_MTU_JUMBO = 9216


def check(survey: Survey, book: Book) -> None:
    """Overlaps between networks, then each network's VLAN, MTU and pools, then the VLANs that host rows carry."""
    _overlaps(survey, book)
    for network in survey.plan.networks:
        _network_vlan(network, book)
        _mtu(network, survey, book)
        for text, span in ranges_of(network):
            _pool(network, text, span, survey, book)
    for row in survey.rows:
        _row_vlan(row, book)


def _overlaps(survey: Survey, book: Book) -> None:
    read = [(network, subnet) for network in survey.plan.networks for subnet in survey.subnets_of(network.name)]
    overlapping: set[str] = set()
    told: set[tuple[str, str]] = set()
    for (one, first), (other, second) in itertools.combinations(read, 2):
        if one is not other and _overlap(first, second):
            again = f" IPv{first.version}" if (one.name, other.name) in told else ""
            told.add((one.name, other.name))
            overlapping |= {one.name, other.name}
            book.fail(
                SITE, "plan.network", f"{one.name} and {other.name}{again}", other.place, planned="ranges of their own",
                found=f"{show_subnet(first)} and {show_subnet(second)}",
                message=f"network {other.name} ({show_subnet(second)}) overlaps {one.name} ({show_subnet(first)}, {one.place}): "
                        "hosts of one look for the other's on their own wire",
                fix=(f"give {other.name} a range outside {show_subnet(first)}, or narrow the mask of {one.name}",))
    for network in dict.fromkeys(network for network, _ in read):
        if network.name not in overlapping:
            shown = " and ".join(map(show_subnet, survey.subnets_of(network.name)))
            book.passed(SITE, "plan.network", network.name, network.place, planned="a range of its own",
                        found=shown, message=f"network {network.name} shares no address with another network")


def _overlap(one: Subnet, other: Subnet) -> bool:
    return one.network_address in other or other.network_address in one


def _network_vlan(network: Network, book: Book) -> None:
    if network.vlan is None:
        return
    if network.vlan in _VLANS:
        book.passed(SITE, "plan.vlan", network.name, network.place, planned="1 to 4094", found=str(network.vlan),
                    message=f"network {network.name}: VLAN {network.vlan} can be used on the wire")
    else:
        book.fail(SITE, "plan.vlan", network.name, network.place, planned="1 to 4094", found=str(network.vlan),
                  message=f"network {network.name}: {network.vlan} is no VLAN of a wire; 1 to 4094 are",
                  fix=("set vlan to the number that the switch port has",))


def _row_vlan(row: Sited, book: Book) -> None:
    host, vlan = row.host, row.host.vlan
    planned = row.network.vlan if row.network else None
    if vlan is None:
        return
    if planned is not None and vlan != planned:
        place = row.network.place if row.network else ""
        book.fail(host.fqdn, "plan.vlan", str(vlan), host.place, planned=str(planned), found=str(vlan),
                  message=f"{host.fqdn} has the VLAN {vlan} and its network {host.network} has {planned} ({place})",
                  fix=(f"vlan = {planned}",))
    elif vlan not in _VLANS:
        book.fail(host.fqdn, "plan.vlan", str(vlan), host.place, planned="1 to 4094", found=str(vlan),
                  message=f"{host.fqdn}: {vlan} is no VLAN of a wire; 1 to 4094 are",
                  fix=("set vlan to the number that the switch port has",))
    else:
        book.passed(host.fqdn, "plan.vlan", str(vlan), host.place, planned=str(planned or "1 to 4094"), found=str(vlan),
                    message=f"{host.fqdn} has VLAN {vlan}, which can be used on the wire"
                            + (" and is its network's" if planned else ""))


def _mtu(network: Network, survey: Survey, book: Book) -> None:
    least = _MTU_IPV6 if _plans_ipv6(network, survey) else _MTU_LEAST
    size, planned = network.mtu, f"{least} to {_MTU_MOST} octets"
    if not least <= size <= _MTU_MOST:
        why = "IPv6 needs 1280 octets" if least == _MTU_IPV6 and size < least else f"IP allows {_MTU_LEAST} to {_MTU_MOST}"
        book.fail(SITE, "plan.mtu", network.name, network.place, planned=planned, found=str(size),
                  message=f"network {network.name}: an MTU of {size} cannot work; {why}", fix=("mtu = 1500",))
    elif size < _MTU_USUAL_LEAST or size > _MTU_JUMBO:
        why = (f"every host only receives {_MTU_USUAL_LEAST} octets and more" if size < _MTU_USUAL_LEAST
               else f"common switches carry {_MTU_JUMBO} octets at most")
        book.caution(SITE, "plan.mtu", network.name, network.place, planned=planned, found=str(size),
                     message=f"network {network.name}: an MTU of {size} is unusual; {why}", fix=("mtu = 1500",))
    else:
        book.passed(SITE, "plan.mtu", network.name, network.place, planned=planned, found=str(size),
                    message=f"network {network.name}: an MTU of {size} is one that its address families allow")


def _plans_ipv6(network: Network, survey: Survey) -> bool:
    """Whether the plan itself puts IPv6 on the network: by its subnet, or by a host's address."""
    if any(subnet.version == 6 for subnet in survey.subnets_of(network.name)):
        return True
    return any(address is not None and address.version == 6
               for row in survey.rows if row.network is network for _, address in row.addresses)


def _pool(network: Network, text: str, span: Span | None, survey: Survey, book: Book) -> None:
    subnet = survey.subnet(network.name, span[0].version if span else None)
    fault = _range_fault(text) if span is None else None
    if span and subnet:
        fault = _outside(span, subnet) or _shared(network, span, text) or _fixed(network, span, survey)
    if fault:
        book.fail(SITE, "plan.pool", f"{network.name} {text}", network.place, planned="addresses nothing else has", found=text,
                  message=f"network {network.name}: {fault}",
                  fix=('pool = ["FIRST-LAST"] with the range that the address server really hands out',))
    elif subnet is None:
        book.unproven(SITE, "plan.pool", f"{network.name} {text}", network.place, planned="addresses of the subnet",
                      message=f"network {network.name}: the range {text} could not be compared, as the subnet cannot be read",
                      because=survey.why_not_read(network.name))
    else:
        book.passed(SITE, "plan.pool", f"{network.name} {text}", network.place, planned="addresses of the subnet",
                    found=text, message=f"network {network.name}: the dynamic range {text} lies in {show_subnet(subnet)}")


def _range_fault(text: str) -> str:
    try:
        parse_range(text)
    except AddressError as error:
        return str(error)
    raise AssertionError("a range that can be read has no fault")


def _outside(span: Span, subnet: Subnet) -> str | None:
    for address in span:
        fault = host_fault(address, subnet)
        if fault:
            return f"the dynamic range reaches {show_address(address)}, which {fault}"
    return None


def _shared(network: Network, span: Span, text: str) -> str | None:
    """Another range of the same network that begins no later and shares addresses, or None."""
    for other_text, other in ranges_of(network):
        if other is None or other[0].version != span[0].version or other_text == text:
            continue
        if int(other[0]) <= int(span[0]) <= int(other[1]):
            return f"the dynamic range {text} overlaps {other_text}"
    return None


def _fixed(network: Network, span: Span, survey: Survey) -> str | None:
    """What of the site itself sits in the range: a gateway, a name server or a time source.  Hosts have their own finding."""
    fixed = [("the gateway", gateway) for gateway in network.gateways]
    fixed += [("the name server", server.host) for server in survey.plan.name_servers]
    fixed += [("the time source", source.host) for source in survey.plan.time_sources]
    for what, text in fixed:
        address = read_address(text)
        if address and within(address, span):
            return f"{what} {text} sits in the dynamic range, where its address may be handed out to another"
    return None
