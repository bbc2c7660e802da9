"""``plan.gateway``: the gateway is a host address of its own wire, and of no planned host."""

from __future__ import annotations

from dataclasses import dataclass

from shared.addresses import (
    Address,
    AddressError,
    Subnet,
    family_of,
    host_fault,
    mask_of,
    parse_address,
    show_address,
    show_subnet,
    subnet_of,
    without_mask,
)
from shared.findings import SITE, Grade
from shared.plan import Network, Place
from shared.slips import likely_slip
from shared.special_addresses import means_one_wire
from verify.lint.book import Book
from verify.lint.special import judge
from verify.lint.survey import Sited, Survey, as_typed, read_address, subject_of

#: How many bits shorter a mask may become before "the mask is too narrow" stops being the likelier explanation
#: (common practice, no source).
_WIDENED = 4
#: The prefix of the subnet that is offered around a gateway: the commonest of IPv4 (common practice, no source), and that of an
#: IPv6 wire (RFC 4291 section 2.5.4).
_USUAL_PREFIX = {4: 24, 6: 64}


@dataclass(frozen=True, slots=True)
class _Claim:
    """A gateway as typed somewhere: whose finding it is, where it stands, and which network it is for.

    ``beside`` holds all gateways that are typed there, this one among them.
    """

    owner: str
    subject: str
    place: Place
    network: str
    typed: str
    whose: str
    beside: tuple[str | None, ...]

    def line(self, mend: str) -> str:
        """The line of the plan with this mend in the place of the gateway."""
        return f"gateway = {as_typed(tuple(mend if one == self.typed else one for one in self.beside))}"


def check(survey: Survey, book: Book) -> None:
    """Each network's gateway, then what the host rows say of theirs."""
    for network in survey.plan.networks:
        beside = (network.gateway, network.second_gateway)
        for place, typed in enumerate(beside):
            if typed is not None:
                _judge(_Claim(SITE, subject_of(network, typed, first=not place), network.place, network.name, typed,
                              f"network {network.name}", beside), survey, book)
    for row in survey.rows:
        _row(row, survey, book)


def _judge(claim: _Claim, survey: Survey, book: Book) -> None:
    typed, subnet = claim.typed, survey.subnet(claim.network, family_of(claim.typed))
    try:
        gateway = parse_address(typed)
    except AddressError as error:
        mend, near = _meant(claim, subnet, survey)
        book.fail(claim.owner, "plan.gateway", claim.subject, claim.place, planned="an address", found=typed or "nothing",
                  message=f"{claim.whose}: the gateway cannot be read: {error}{near}", fix=_fix(claim, mend))
        return
    if subnet is None:
        book.unproven(claim.owner, "plan.gateway", claim.subject, claim.place, planned="a host address of the subnet",
                      message=f"{claim.whose}: the gateway {typed} could not be compared, as the subnet cannot be read",
                      because=survey.why_not_read(claim.network))
        return
    if gateway.version != subnet.version and None not in claim.beside:
        wire = None if _link_local(gateway) else show_subnet(subnet_of(gateway, _USUAL_PREFIX[gateway.version]))
        book.fail(claim.owner, "plan.gateway", claim.subject, claim.place, planned="a host address of a subnet", found=typed,
                  message=f"{claim.whose}: the gateway {typed} is of IPv{gateway.version}, of which the network has no subnet",
                  fix=(f"subnet = {as_typed((show_subnet(subnet), wire or f'its IPv{gateway.version} subnet'))}",))
        return
    planned = f"a host address of {show_subnet(subnet)}"
    fault = _fault(gateway, subnet, survey)
    grade, aside = judge(gateway, survey.plan)
    if fault:
        mend = survey.offer_gateway(claim.network, typed)
        near = likely_slip(typed, mend) if gateway not in subnet else ""
        book.fail(claim.owner, "plan.gateway", claim.subject, claim.place, planned=planned, found=typed,
                  message=f"{claim.whose}: the gateway {typed} {fault}{near}", fix=(*_fix(claim, mend), *_wider(gateway, subnet)))
    elif grade is Grade.CAUTION:
        book.caution(claim.owner, "plan.gateway", claim.subject, claim.place, planned=planned, found=typed,
                     message=f"{claim.whose}: the gateway {typed} {aside}",
                     fix=("number the network from the addresses that the site was given",))
    else:
        inside = f"lies in {show_subnet(subnet)}"
        where = "is a link-local address, as IPv6 gateways often are" if _link_local(gateway) else inside
        book.passed(claim.owner, "plan.gateway", claim.subject, claim.place, planned=planned, found=typed,
                    message=f"{claim.whose}: the gateway {typed} {where} and is no planned host's")


def _meant(claim: _Claim, subnet: Subnet | None, survey: Survey) -> tuple[str | None, str]:
    """The gateway that unreadable text was probably meant to be, and the end of the sentence that says why.

    One typed with a mask is taken at its word even where it is planned for something else: a router often serves names or
    time too, and where it is a host's, that is a finding of its own.
    """
    bare = without_mask(claim.typed)
    outside = _outside(bare, subnet) if bare and subnet else None
    if bare and not outside:
        survey.taken.add(bare)
        return show_address(bare), ""
    mend = survey.offer_gateway(claim.network, claim.typed)
    return mend, f", and {show_address(bare)} {outside}" if bare else likely_slip(claim.typed, mend)


def _outside(gateway: Address, subnet: Subnet) -> str | None:
    """Why ``gateway`` is no host address of the wire, or None; a link-local one is on any IPv6 wire."""
    return None if _link_local(gateway) and subnet.version == 6 else host_fault(gateway, subnet)


def _fault(gateway: Address, subnet: Subnet, survey: Survey) -> str | None:
    """Why ``gateway`` cannot be the gateway of ``subnet``, or None."""
    outside = _outside(gateway, subnet)
    if outside:
        return f"{outside}; hosts there cannot reach it, so everything remote fails" if gateway not in subnet else outside
    grade, aside = judge(gateway, survey.plan)
    if grade is Grade.FAIL and not _link_local(gateway):
        return aside
    owner = survey.owners.get(gateway)
    return f"is also the address of {owner.host.fqdn} ({owner.host.place})" if owner else None


def _link_local(address: Address) -> bool:
    return address.version == 6 and means_one_wire(str(address))


def _fix(claim: _Claim, mend: str | None) -> tuple[str, ...]:
    return (claim.line(mend),) if mend else ("gateway = the address of the router's interface on this wire",)


def _wider(gateway: Address, subnet: Subnet) -> tuple[str, ...]:
    """The mask that would bring the gateway in, where that is only a few bits away."""
    if gateway in subnet or gateway.version != subnet.version:
        return ()
    for prefix in range(subnet.prefixlen - 1, max(0, subnet.prefixlen - _WIDENED - 1), -1):
        wider = subnet_of(subnet.network_address, prefix)
        if gateway in wider:
            mask = f" ({mask_of(prefix)})" if wider.version == 4 else ""
            return (f'or, if the gateway is right, the mask is too narrow: subnet = "{show_subnet(wider)}"{mask}',)
    return ()


def _row(row: Sited, survey: Survey, book: Book) -> None:
    """A row without a gateway of its own uses its network's, and must not have that very address."""
    host, network = row.host, row.network
    if network is None:
        return
    beside = (host.gateway, host.second_gateway)
    own = [typed for typed in beside if typed is not None]
    for typed in own:
        claim = _Claim(host.fqdn, typed, host.place, host.network, typed, host.fqdn, beside)
        planned = _planned_for(typed, network)
        if planned is None:
            _judge(claim, survey, book)
        elif not _same(typed, planned):
            book.fail(host.fqdn, "plan.gateway", typed, host.place, planned=planned, found=typed or "nothing",
                      message=f"{host.fqdn} has the gateway {typed} and its network {host.network} has {planned} "
                              f"({network.place}){likely_slip(typed, planned)}",
                      # An unreadable gateway of the network has a finding and a mend of its own; it is no mend of this.
                      fix=(claim.line(planned) if read_address(planned)
                           else f"first mend the gateway of network {host.network} ({network.place})",))
        elif gateway := read_address(planned):
            _own_address(row, gateway, planned, survey, book)
    for planned in survey.plan.gateways(host):
        if family_of(planned) not in {family_of(typed) for typed in own} and (gateway := read_address(planned)):
            _own_address(row, gateway, planned, survey, book)


def _planned_for(typed: str, network: Network) -> str | None:
    """The gateway of the network that a row's own one is held against: that of its family; in a network of one, the only one."""
    if network.second_subnet_typed is None and network.second_gateway is None:
        return network.gateway
    return next((gateway for gateway in network.gateways if family_of(gateway) == family_of(typed)), None)


def _own_address(row: Sited, gateway: Address, typed: str, survey: Survey, book: Book) -> None:
    host = row.host
    if any(address == gateway for _, address in row.addresses):
        offer = survey.offer(row, typed)
        book.fail(host.fqdn, "plan.gateway", typed, host.place, planned="the gateway's address is another's", found=typed,
                  message=f"{host.fqdn} has the address of its own gateway, {typed}, and would take the wire's traffic",
                  fix=(row.with_address(offer, typed),) if offer else ("give the host an address of its own",))
    else:
        book.passed(host.fqdn, "plan.gateway", typed, host.place, planned="the gateway's address is another's",
                    found=typed, message=f"{host.fqdn} uses the gateway {typed}, which is not its own address")


def _same(one: str, other: str) -> bool:
    """Whether two texts write the same address, or are the same unreadable text."""
    first, second = read_address(one), read_address(other)
    return one == other if first is None or second is None else first == second
