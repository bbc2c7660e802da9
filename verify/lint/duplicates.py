"""``plan.duplicate``: no two rows, in any network, claim the same name, address or hardware address."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator

from shared.addresses import parse_address, show_address
from shared.hostnames import canonical
from shared.macs import MacError, parse_mac
from verify.lint.book import Book
from verify.lint.survey import Sited, Survey

#: How many rival rows a message names; a column pasted down a whole sheet has hundreds (common practice, no source).
_NAMED = 5


def check(survey: Survey, book: Book) -> None:
    """Gather every claim by kind and value, then write one finding a row and claim."""
    made = [Counter(_claims(row)) for row in survey.rows]
    claims: dict[tuple[str, str], list[int]] = defaultdict(list)
    for index, own in enumerate(made):
        for claim in own:
            claims[claim].append(index)
    for index, own in enumerate(made):
        for (kind, value), times in own.items():
            _finding(index, kind, value, times, claims[kind, value], survey, book)


def _claims(row: Sited) -> Iterator[tuple[str, str]]:
    yield "name", canonical(row.host.fqdn)
    for _, address in row.addresses:
        if address is not None:
            yield "address", show_address(address)
    if row.host.mac is not None:
        try:
            yield "hardware address", parse_mac(row.host.mac)
        except MacError:
            return


def _finding(index: int, kind: str, value: str, times: int, claimed_by: list[int], survey: Survey, book: Book) -> None:
    host = survey.rows[index].host
    rivals = len(claimed_by) - 1
    if not rivals and times == 1:
        book.passed(host.fqdn, "plan.duplicate", value, host.place, planned="claimed by one row", found="claimed by one row",
                    message=f"the {kind} {value} is claimed by {host.fqdn} alone")
        return
    if not rivals:
        book.caution(host.fqdn, "plan.duplicate", value, host.place, planned="written once", found="written twice in one row",
                     message=f"{host.fqdn} lists the {kind} {value} twice", fix=(f"write {value} once",))
        return
    # Only as many rows are looked at as are named: where a whole sheet claims one value, this is done for every row of it.
    others = [survey.rows[other].host for other in claimed_by[: _NAMED + 1] if other != index][:_NAMED]
    named = ", ".join(f"{other.name} ({other.place})" for other in others)
    named += f" and {rivals - _NAMED} more" if rivals > _NAMED else ""
    book.fail(host.fqdn, "plan.duplicate", value, host.place, planned="claimed by one row",
              found=f"claimed by {len(claimed_by)} rows",
              message=f"the {kind} {value}{'' if value == host.fqdn else f' of {host.fqdn}'} is also claimed by {named}",
              fix=_mend(index, kind, value, claimed_by, survey),
              # Evidence is kept by name: two hosts of one name could not be told apart.
              stop=kind == "name")


def _mend(index: int, kind: str, value: str, claimed_by: list[int], survey: Survey) -> tuple[str, ...]:
    """The first row keeps what it claims; each later one is offered something else."""
    if index == claimed_by[0]:
        later = survey.rows[claimed_by[1]].host
        return (f"keep it here and change it at {later.place}" if later.place.line else f"keep it here and change {later.name}",)
    if kind == "address":
        row, family = survey.rows[index], parse_address(value).version
        subnet = row.subnet_for(family)
        if subnet and family != subnet.version:
            # It may be a host's, and is only claimed twice; the network has none of its family.
            return (f"address = an IPv{family} address that no other row has",)
        offer = survey.offer(row, value)
        return (row.with_address(offer, value),) if offer else ("address = a free host address of the network",)
    if kind == "name":
        return ("name = a name that no other row has",)
    return ("mac = the address that this machine's own interface shows",)
