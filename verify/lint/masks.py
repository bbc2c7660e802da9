"""``plan.mask``: every subnet and mask can be read in one way only, and the host rows agree with their network."""

from __future__ import annotations

from collections.abc import Callable

from shared.addresses import (
    Address,
    AddressError,
    Subnet,
    family_of,
    family_of_mask,
    first_host,
    host_fault,
    last_host,
    mask_of,
    parse_mask,
    parse_prefix,
    parse_subnet,
    show_address,
    show_subnet,
    split_subnet,
    subnet_of,
    usable_hosts,
)
from shared.findings import SITE
from shared.plan import Network
from shared.slips import likely_slip, nearest, nearest_mask
from verify.lint.book import Book
from verify.lint.special import barred
from verify.lint.survey import Half, Sited, Survey, as_typed, read_address

#: RFC 4291 section 2.5.1 and RFC 7421: 64 bits of interface identifier; RFC 6164 section 6: /127 between two routers;
#: a /128 is one address and makes no claim about a wire.
_IPV6_USUAL = (64, 127, 128)


def check(survey: Survey, book: Book) -> None:
    """The networks' subnets, then the masks that host rows carry."""
    for network in survey.plan.networks:
        for half in survey.halves[network.name]:
            _network(network, half, survey, book)
    for row in survey.rows:
        for typed in (row.host.mask, row.host.second_mask):
            if typed is not None:
                _row(row, typed, survey, book)


def _network(network: Network, half: Half, survey: Survey, book: Book) -> None:
    try:
        subnet = parse_subnet(half.typed)
    except AddressError as error:
        _unreadable(network, half, str(error), survey, book)
        return
    subject, shown = half.subject, show_subnet(subnet)
    if subnet.prefixlen == 0:
        book.fail(SITE, "plan.mask", subject, network.place, planned="a subnet", found=shown,
                  message=f"network {network.name}: a mask of all zeros makes every address in the world local",
                  fix=("type the subnet of the router's interface on this wire",))
    elif aside := barred(subnet, survey.plan):
        book.fail(SITE, "plan.mask", subject, network.place, planned="a subnet that hosts may be in", found=shown,
                  message=f"network {network.name}: {shown} holds addresses of a block that {aside}",
                  fix=("number the network from the addresses that the site was given",))
    elif subnet.version == 6 and network.ipv6 == "off" and network.second_subnet_typed is not None:
        rest = as_typed(tuple(other.typed for other in survey.halves[network.name] if other is not half))
        book.fail(SITE, "plan.mask", subject, network.place, planned="no IPv6", found=shown,
                  message=f"network {network.name}: {shown} is an IPv6 subnet, and the network has IPv6 off",
                  fix=(f"subnet = {rest}", 'or plan ipv6 = "on"'))
    elif subnet.version == 6 and subnet.prefixlen not in _IPV6_USUAL:
        book.caution(SITE, "plan.mask", subject, network.place, planned="a /64", found=shown,
                     message=f"network {network.name}: {shown} is not a /64, which IPv6 interface identifiers are made for",
                     fix=_usual(network, half, subnet, survey))
    else:
        book.passed(SITE, "plan.mask", subject, network.place, planned="a subnet", found=shown,
                    message=f"network {network.name}: {_in_words(subnet)}")


def _line(network: Network, half: Half, mend: str, survey: Survey) -> str:
    """The line of the plan with this mend in the place of what is typed of one subnet."""
    return f"subnet = {as_typed(tuple(mend if one is half else one.typed for one in survey.halves[network.name]))}"


def _usual(network: Network, half: Half, subnet: Subnet, survey: Survey) -> tuple[str, ...]:
    """The /64 that keeps everything planned in an IPv6 subnet of another length, and no other network; else in words."""
    ends = [end for span in survey.pools.get(network.name, ()) for end in span]
    inside = [address for address in (*_addresses_of(network, survey), *ends) if address in subnet]
    wanted = subnet_of(inside[0] if inside else subnet.network_address, 64)
    others = [other for name in survey.halves if name != network.name for other in survey.subnets_of(name)
              if other.version == subnet.version]
    if all(host_fault(address, wanted) is None for address in inside) and not any(map(wanted.overlaps, others)):
        return (_line(network, half, show_subnet(wanted), survey),)
    return ("give each wire a network with a /64 of its own",
            'or accept it: [[waivers]] with check = "plan.mask", host = "site", a reason and a day')


def _unreadable(network: Network, half: Half, error: str, survey: Survey, book: Book) -> None:
    mends = _mends(network, half, survey)
    fix = [_line(network, half, mend, survey) for mend, _ in mends] or ["type the subnet of the router's interface on this wire"]
    fix[1:] = [f"or, if the mask is right: {line}" for line in fix[1:]]
    how = "".join(f"; {how}" for _, how in mends[:1] if how and how.split()[0] not in error.split())
    book.fail(SITE, "plan.mask", half.subject, network.place, planned="a subnet", found=half.typed or "nothing",
              message=f"network {network.name}: {error}{how}", fix=tuple(fix), stop=half.subnet is None)


def _in_words(subnet: Subnet) -> str:
    mask = f" has the mask {mask_of(subnet.prefixlen)} and" if subnet.version == 4 else ""
    span = f"{show_address(first_host(subnet))} to {show_address(last_host(subnet))}"
    count = usable_hosts(subnet)
    holds = f"one host, {show_address(first_host(subnet))}" if count == 1 else f"{count} hosts, {span}"
    return f"{show_subnet(subnet)}{mask} holds {holds}"


def _mends(network: Network, half: Half, survey: Survey) -> list[tuple[str, str]]:
    """The subnets that were probably meant, the likelier first, as they would be typed, each with how it was found."""
    known = _addresses_of(network, survey)
    if network.second_subnet_typed is not None:
        known = [address for address in known if address.version == family_of(half.typed)]
    try:
        address_part, mask_part = split_subnet(half.typed)
    except AddressError:
        address_part, mask_part = half.typed.strip(), ""
    typed = read_address(address_part)
    base = typed or next(iter(known), None)
    if base is None:
        return []
    fits = _fitting(base, typed is not None, known)
    try:
        prefix = parse_prefix(mask_part, base.version)
    except AddressError:
        prefix, how = _nearest_prefix(base, mask_part, fits)
        return [(_typed_like(subnet_of(base, prefix), mask_part), how)]
    by_mask = (_typed_like(subnet_of(base, prefix), mask_part), "")
    if base.version == 4 and base.packed[-1] == 0 and typed:
        # An address that ends in zero was meant as a subnet's first: there the mask is likelier to be the slip.
        likely, how = _likeliest(fits)
        return [(_typed_like(subnet_of(base, likely), mask_part), how), by_mask]
    return [by_mask]


def _fitting(base: Address, is_first: bool, known: list[Address]) -> Callable[[int], bool]:
    """Whether a prefix length gives a subnet that begins at ``base`` (if ``is_first``) and holds what is planned there."""
    same_family = [address for address in known if address.version == base.version]

    def fits(prefix: int) -> bool:
        subnet = subnet_of(base, prefix)
        return (subnet.network_address == base or not is_first) and all(address in subnet for address in same_family)

    return fits


def _nearest_prefix(base: Address, mask_part: str, fits: Callable[[int], bool]) -> tuple[int, str]:
    """The IPv4 prefix length or mask nearest to what was typed; for IPv6 the usual one."""
    if base.version == 6:
        return 64, "an IPv6 wire is a /64"
    if "." in mask_part:
        prefix, how = nearest_mask(mask_part, fits)
        return prefix, f"{mask_of(prefix)} is {how}"
    lengths = [str(prefix) for prefix in _by_likelihood(fits)]
    slip = nearest(mask_part, lengths, limit=1) if mask_part else None
    return (int(slip.meant), f"/{slip.meant} is {slip.words}") if slip else _likeliest(fits)


def _by_likelihood(fits: Callable[[int], bool]) -> list[int]:
    """The IPv4 prefix lengths, those that fit first, and then by closeness to /24 (common practice, no source)."""
    return sorted(range(1, 33), key=lambda prefix: (not fits(prefix), abs(prefix - 24)))


def _likeliest(fits: Callable[[int], bool]) -> tuple[int, str]:
    prefix = _by_likelihood(fits)[0]
    return prefix, f"/{prefix} holds what is planned there" if fits(prefix) else f"/{prefix} is the commonest"


def _typed_like(subnet: Subnet, mask_part: str) -> str:
    """The subnet with a dotted mask where one was typed."""
    if subnet.version == 4 and "." in mask_part:
        return f"{show_address(subnet.network_address)} {mask_of(subnet.prefixlen)}"
    return show_subnet(subnet)


def _addresses_of(network: Network, survey: Survey) -> list[Address]:
    """What the plan puts into a network: its hosts' readable addresses and its gateway."""
    found = [address for row in survey.rows if row.network is network for _, address in row.addresses if address]
    return [*found, *(gateway for text in network.gateways if (gateway := read_address(text)))]


def _row(row: Sited, typed: str, survey: Survey, book: Book) -> None:
    host, subnet = row.host, row.subnet_for(family_of_mask(typed))
    if subnet is None:
        _row_alone(row, typed, survey, book)
        return
    wanted = subnet.prefixlen
    shown = mask_of(wanted) if subnet.version == 4 else f"/{wanted}"
    fix = (f"mask = {as_typed(tuple(shown if one == typed else one for one in (host.mask, host.second_mask)))}",)
    try:
        prefix = parse_prefix(typed, subnet.version)
    except AddressError as error:
        words = _slip_words(typed, wanted, shown)
        near = f"; {shown}, which the network has, is {words}" if words else f"; the network has {shown}"
        book.fail(host.fqdn, "plan.mask", typed, host.place, planned=shown, found=typed or "nothing",
                  message=f"{host.fqdn}: {error}{near}", fix=fix)
        return
    if prefix == wanted:
        book.passed(host.fqdn, "plan.mask", typed, host.place, planned=shown, found=typed,
                    message=f"the mask {typed} of {host.fqdn} is that of the network {host.network}")
        return
    book.fail(host.fqdn, "plan.mask", typed, host.place, planned=shown, found=typed,
              message=f"{host.fqdn} has the mask {typed} and its network {host.network} has {shown} "
                      f"({row.network.place if row.network else survey.plan.file}){likely_slip(typed, shown)}", fix=fix)


def _slip_words(typed: str, wanted: int, shown: str) -> str | None:
    """How the mask of a row came out of the one its network has, where it is a likely slip; None where it is not."""
    if "." in typed and "." in shown:
        prefix, how = nearest_mask(typed, lambda candidate: candidate == wanted)
        if prefix == wanted and how.endswith(")"):
            return how
    slip = nearest(typed, [shown])
    return slip.words if slip else None


def _row_alone(row: Sited, typed: str, survey: Survey, book: Book) -> None:
    """The mask of a row whose network has no readable subnet: whether it is a mask at all can still be said."""
    host = row.host
    if "." in typed:
        try:
            parse_mask(typed)
        except AddressError as error:
            prefix, how = nearest_mask(typed, lambda _prefix: True)
            turned = "" if mask_of(prefix) in str(error) else f"; {mask_of(prefix)} is {how}"
            book.fail(host.fqdn, "plan.mask", typed, host.place, planned="a mask", found=typed,
                      message=f"{host.fqdn}: {error}{turned}", fix=(f'mask = "{mask_of(prefix)}"',))
            return
    book.unproven(host.fqdn, "plan.mask", typed, host.place, planned="the mask of its network",
                  message=f"the mask {typed} of {host.fqdn} could not be compared, as its network has no readable subnet",
                  because=survey.why_no_subnet(row))
