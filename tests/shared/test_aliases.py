"""Alias chains inside an answer."""

from __future__ import annotations

import pytest

from shared.aliases import ALIAS_LIMIT, Chain, follow, values_at
from shared.evidence import NameRecord


def alias(owner: str, target: str) -> NameRecord:
    return NameRecord(owner, "CNAME", 60, target)


def test_the_alias_of_rfc_1034_leads_to_its_address() -> None:
    """RFC 1034 section 3.6.2: USC-ISIC.ARPA is an alias of C.ISI.EDU, which has the address."""
    records = [NameRecord("C.ISI.EDU", "A", 60, "10.0.0.52"), alias("USC-ISIC.ARPA", "C.ISI.EDU.")]
    assert follow(records, "usc-isic.arpa.") == Chain(("usc-isic.arpa", "c.isi.edu"))
    assert values_at(records, "USC-ISIC.ARPA", "A") == ("10.0.0.52",)


def test_records_beside_the_chain_are_not_its_end() -> None:
    """An address of another name proves nothing, nor does one at the alias itself."""
    records = [alias("a.example", "b.example."), NameRecord("a.example", "A", 60, "192.0.2.1"),
               NameRecord("c.example", "A", 60, "192.0.2.3")]
    assert values_at(records, "a.example", "A") == ()


@pytest.mark.parametrize("records", [
    [alias("a.example", "A.EXAMPLE.")],
    [alias("a.example", "b.example."), alias("b.example", "a.example.")],
    [alias("a.example", "b.example."), alias("b.example", "c.example."), alias("c.example", "b.example.")],
])
def test_a_circle_is_told(records: list[NameRecord]) -> None:
    """RFC 1034 section 3.6.2: loops are an error."""
    assert follow(records, "a.example").endless
    assert values_at([*records, NameRecord("b.example", "A", 60, "192.0.2.1")], "a.example", "A") == ()


@pytest.mark.parametrize(("hops", "endless"), [(ALIAS_LIMIT - 1, False), (ALIAS_LIMIT, False), (ALIAS_LIMIT + 1, True)])
def test_the_guard_stands_at_its_limit(hops: int, endless: bool) -> None:
    """Eight aliases are followed, the ninth is not."""
    records = [alias(f"n{place}.example", f"n{place + 1}.example.") for place in range(hops)]
    assert follow(records, "n0.example").endless is endless
