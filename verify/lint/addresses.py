"""``plan.address``, host rows in a ``plan.pool``, and ``plan.mac``: what each host row claims for itself."""

from __future__ import annotations

from shared.addresses import (
    Address,
    AddressError,
    Subnet,
    first_host,
    host_fault,
    last_host,
    parse_address,
    show_address,
    show_subnet,
    without_mask,
)
from shared.findings import Grade
from shared.macs import MacError, is_documentation, is_group, is_local, is_virtual_router, parse_mac
from shared.slips import likely_slip, nearest
from verify.lint.book import Book
from verify.lint.special import judge
from verify.lint.survey import Sited, Survey, moved_into

_BROADCAST_OR_NOTHING = ("ff:ff:ff:ff:ff:ff", "00:00:00:00:00:00")


def check(survey: Survey, book: Book) -> None:
    """Every address and hardware address of every host row."""
    for row in survey.rows:
        _readable(row, survey, book)
        for typed, address in row.addresses:
            if address is not None:
                _address(row, typed, address, survey, book)
                _pool(row, typed, address, survey, book)
        if row.host.mac is not None:
            _mac(row, row.host.mac, survey, book)


def _readable(row: Sited, survey: Survey, book: Book) -> None:
    """A host none of whose addresses can be read cannot be probed."""
    host = row.host
    none = all(address is None for _, address in row.addresses)
    if not row.addresses:
        book.fail(host.fqdn, "plan.address", "address", host.place, planned="an address", found="nothing",
                  message=f"{host.fqdn} has no address", fix=_fix(row, "", survey), stop=True)
    for typed, address in row.addresses:
        if address is None:
            offer = survey.offer(row, typed)
            near = _near(typed, offer, host.network)
            book.fail(host.fqdn, "plan.address", typed or "address", host.place, planned="an address", found=typed or "nothing",
                      message=f"{host.fqdn}: {_fault_of(typed)}{near}", fix=_fix(row, typed, survey), stop=none)


def _near(typed: str, offer: str | None, network: str) -> str:
    """The end of a sentence about unreadable text: how the offer came about, where there is more to it than being free."""
    bare = without_mask(typed)
    if bare is not None:
        # How many characters another address is from this text says nothing where the mask is what is too many.
        taken = offer not in (None, show_address(bare))
        return f", and {show_address(bare)} is no free host address of network {network}" if taken else ""
    slip = nearest(typed, [offer]) if offer else None
    return f"; {slip.meant}, which is free, is {slip.words}" if slip else ""


def _fault_of(typed: str) -> str:
    try:
        parse_address(typed)
    except AddressError as error:
        return str(error)
    raise AssertionError("an address that can be read has no fault")


def _address(row: Sited, typed: str, address: Address, survey: Survey, book: Book) -> None:
    host, subnet = row.host, row.subnet_for(address.version)
    grade, aside = judge(address, survey.plan)
    off = row.network is not None and row.network.ipv6 == "off" and address.version == 6
    fault = aside if grade is Grade.FAIL else _misplaced(address, subnet)
    unwanted = None if fault or not off else f"is an IPv6 address, and its network {host.network} has IPv6 off"
    planned = _span(subnet) if subnet and subnet.version == address.version else "an address a host may have"
    if fault or unwanted:
        fix = _mend(row, typed, address, survey) if fault else (f"take {typed} out of the row", 'or plan ipv6 = "on"')
        near = likely_slip(typed, survey.offer(row, typed)) if fault and subnet and address not in subnet else ""
        book.fail(host.fqdn, "plan.address", typed, host.place, planned=planned, found=typed,
                  message=f"{host.fqdn}: {typed} {fault or unwanted}{near}", fix=fix)
    elif grade is Grade.CAUTION:
        book.caution(host.fqdn, "plan.address", typed, host.place, planned=planned, found=typed,
                     message=f"{host.fqdn}: {typed} {aside}; a live site has addresses of its own",
                     fix=("number the network from the addresses that the site was given",))
    elif wire := survey.wire_6(row, address):
        meant = moved_into(address, wire)
        free = meant is not None and host_fault(meant, wire) is None and meant not in survey.taken
        offer = (f"write {show_address(meant)} in the place of {typed}",) if meant and free else ()
        book.caution(host.fqdn, "plan.address", typed, host.place, planned=f"an address of {show_subnet(wire)}", found=typed,
                     message=f"{host.fqdn}: {typed} is not in {show_subnet(wire)}, in which other hosts of the network "
                             f"{host.network} have their IPv6 addresses"
                             + likely_slip(typed, show_address(meant) if meant and free else None),
                     fix=(*offer, f"or, where it is right, plan another network for {host.name}, or accept it in [[waivers]]"))
    elif subnet is None:
        book.unproven(host.fqdn, "plan.address", typed, host.place, planned="an address of its network",
                      message=f"{host.fqdn}: {typed} may be a host's; whether it lies in the network {host.network} could not be "
                              "told, as that subnet is not known", because=survey.why_no_subnet(row))
    else:
        inside = f"is a host address of {show_subnet(subnet)}" if address in subnet else "may be a host's"
        book.passed(host.fqdn, "plan.address", typed, host.place, planned=planned, found=typed,
                    message=f"{host.fqdn}: {typed} {inside}" + (f", and {aside}" if aside else ""))


def _misplaced(address: Address, subnet: Subnet | None) -> str | None:
    """Why the address is no host's in its network.  A family that the network has no subnet of is not judged."""
    return host_fault(address, subnet) if subnet and subnet.version == address.version else None


def _span(subnet: Subnet) -> str:
    return f"{show_address(first_host(subnet))} to {show_address(last_host(subnet))}"


def _mend(row: Sited, typed: str, address: Address, survey: Survey) -> tuple[str, ...]:
    """A free address of the row's own network, or the network in which the address would be right."""
    home = next((network.name for network in survey.plan.networks
                 if network is not row.network
                 and any(host_fault(address, subnet) is None for subnet in survey.subnets_of(network.name))), None)
    if home is None:
        return _fix(row, typed, survey)
    if any(_is_at_home(other, row.subnet_for(other.version)) for _, other in row.addresses if other is not None):
        # In the other network the rest of the row would be out of place.
        return (*_fix(row, typed, survey),
                "or, where it is of a second interface: take it out here, and give it a row of its own:",
                f'name = "ANOTHER-NAME", address = "{typed}", network = "{home}", and a role')
    return (*_fix(row, typed, survey), f'or, if the address is right: network = "{home}"')


def _is_at_home(address: Address, subnet: Subnet | None) -> bool:
    return subnet is not None and subnet.version == address.version and host_fault(address, subnet) is None


def _fix(row: Sited, typed: str, survey: Survey) -> tuple[str, ...]:
    bare = without_mask(typed)
    if survey.is_second_family(row, typed):
        return (f"write {show_address(bare)} in the place of {typed}" if bare else f"take {typed} out of the row",)
    offer = survey.offer(row, typed)
    return (row.with_address(offer, typed),) if offer else ("address = a free host address of the network",)


def _pool(row: Sited, typed: str, address: Address, survey: Survey, book: Book) -> None:
    host = row.host
    if not survey.pools.get(host.network):
        return
    span = survey.in_pool(host.network, address)
    if span is None:
        book.passed(host.fqdn, "plan.pool", typed, host.place, planned="outside the dynamic ranges", found=typed,
                    message=f"{host.fqdn}: {typed} is in no dynamic range of the network {host.network}")
        return
    shown = f"{show_address(span[0])}-{show_address(span[1])}"
    book.fail(host.fqdn, "plan.pool", typed, host.place, planned=f"outside {shown}", found=typed,
              message=f"{host.fqdn}: {typed} sits in the dynamic range {shown} of the network {host.network} and may be handed "
                      "out to another machine", fix=_fix(row, typed, survey))


def _mac(row: Sited, typed: str, survey: Survey, book: Book) -> None:
    host = row.host
    planned, fault = "one interface's own address", None
    try:
        mac = parse_mac(typed)
    except MacError as error:
        book.fail(host.fqdn, "plan.mac", typed, host.place, planned=planned, found=typed or "nothing",
                  message=f"{host.fqdn}: {error}", fix=_MAC_FIX)
        return
    if mac in _BROADCAST_OR_NOTHING:
        fault = "is every machine's or none's"
    elif is_group(mac):
        fault = "has the group bit set, so it is a multicast address"
    elif is_virtual_router(mac):
        fault = "belongs to a pair of routers, not to one interface"
    if fault:
        book.fail(host.fqdn, "plan.mac", typed, host.place, planned=planned, found=mac,
                  message=f"{host.fqdn}: {mac} {fault}", fix=_MAC_FIX)
    elif is_documentation(mac) and not survey.plan.rehearsal:
        book.caution(host.fqdn, "plan.mac", typed, host.place, planned=planned, found=mac,
                     message=f"{host.fqdn}: {mac} is set aside for documentation", fix=_MAC_FIX)
    else:
        local = ", assigned on site as virtual interfaces' are" if is_local(mac) else ""
        book.passed(host.fqdn, "plan.mac", typed, host.place, planned=planned, found=mac,
                    message=f"{host.fqdn}: {mac} may be one interface's own{local}")


_MAC_FIX = ("mac = the address that the interface itself or its label shows",)
