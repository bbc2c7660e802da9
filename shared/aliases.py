"""Following aliases (CNAME records) through an answer that is already here.

Both the probe, which may have to ask on, and the graders read a chain in this one way.
"""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from shared.evidence import NameRecord
from shared.hostnames import canonical

#: The most aliases followed from one name.  RFC 1034 section 3.6.2 wants chains followed and loops reported, and gives no
#: number: common practice, no source.
ALIAS_LIMIT = 8
#: The most names of one reverse answer that are looked up forward; RFC 8601 section 3 wants a bound and names ten.
NAMES_FOLLOWED = 10


class Chain(msgspec.Struct, frozen=True):
    """Where a name leads.

    ``names`` begins with the name asked for and ends with the last one reached, all canonical.  ``endless`` says that the
    aliases lead in a circle, or on beyond ``ALIAS_LIMIT``.
    """

    names: tuple[str, ...]
    endless: bool = False

    @property
    def end(self) -> str:
        """The last name reached: the owner of the records in question, if there are any."""
        return self.names[-1]

    @property
    def aliased(self) -> bool:
        """Whether the name asked for is an alias."""
        return len(self.names) > 1


def follow(records: Iterable[NameRecord], name: str) -> Chain:
    """Follow the aliases among ``records`` from ``name`` (RFC 1034 section 3.6.2)."""
    targets = {canonical(record.owner): canonical(record.value) for record in records if record.rrtype == "CNAME"}
    names = [canonical(name)]
    while (target := targets.get(names[-1])) is not None:
        if target in names or len(names) > ALIAS_LIMIT:
            return Chain(tuple(names), endless=True)
        names.append(target)
    return Chain(tuple(names))


def values_at(records: Iterable[NameRecord], name: str, rrtype: str) -> tuple[str, ...]:
    """The values of one type at the end of the alias chain that begins at ``name``, in the order of the answer."""
    kept = tuple(records)
    return values_behind(kept, follow(kept, name), rrtype)


def values_behind(records: Iterable[NameRecord], chain: Chain, rrtype: str) -> tuple[str, ...]:
    """The values of one type at the end of a chain that was followed already, in the order of the answer."""
    if chain.endless:
        return ()
    return tuple([record.value for record in records if record.rrtype == rrtype and canonical(record.owner) == chain.end])
