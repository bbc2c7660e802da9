"""Which hosts and checks a command line picks."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest

from shared import catalogue
from shared.plan import Plan
from verify.errors import UsageError
from verify.selection import choose_checks, choose_hosts


@pytest.mark.parametrize(("patterns", "names"), [
    ((), ["dome-a", "dome-b"]),
    (("dome-a",), ["dome-a"]),
    (("DOME-A.obs.example.net.",), ["dome-a"]),
    (("dome-*",), ["dome-a", "dome-b"]),
    (("*-b", "dome-a"), ["dome-a", "dome-b"]),
])
def test_hosts_are_named_short_long_or_by_pattern_and_come_in_plan_order(
    make_plan: Callable[..., Plan], patterns: tuple[str, ...], names: list[str]
) -> None:
    """However they are named, the plan's order stands."""
    assert [host.name for host in choose_hosts(make_plan(), patterns)] == names


@pytest.mark.parametrize("pattern", ["2001:DB8:0:0::11", "2001:0db8::0011", "2001:db8::11", "2001:DB8::*1", "192.0.2.11"])
def test_a_host_may_be_named_by_its_address_in_any_form(make_plan: Callable[..., Plan], pattern: str) -> None:
    """RFC 4291 section 2.2 has many for one address."""
    plan = make_plan()
    dual = msgspec.structs.replace(plan.hosts[0], addresses=("192.0.2.11", "2001:db8::11"))
    assert [host.name for host in choose_hosts(make_plan(hosts=(dual, plan.hosts[1])), (pattern,))] == ["dome-a"]


@pytest.mark.parametrize("pattern", ["dome-c", "", "dome", "obs.example.net"])
def test_a_host_that_is_not_planned_is_said(make_plan: Callable[..., Plan], pattern: str) -> None:
    """A name that picks nothing is a mistake, not an empty run."""
    with pytest.raises(UsageError, match="plans no host of that name"):
        choose_hosts(make_plan(), ("dome-a", pattern))


def test_the_nearest_host_is_offered(make_plan: Callable[..., Plan]) -> None:
    """A slip of the finger is answered with the name that was meant."""
    with pytest.raises(UsageError, match='did you mean "dome-a"'):
        choose_hosts(make_plan(), ("domea",))


def test_checks_are_picked_by_name_or_family() -> None:
    """A family is its name and a star; none picked is all."""
    assert choose_checks(()) == frozenset(catalogue.CHECKS)
    assert choose_checks(("name.forward",)) == {"name.forward"}
    assert {name.partition(".")[0] for name in choose_checks(("name.*", "clock.offset"))} == {"name", "clock"}


@pytest.mark.parametrize("pattern", ["name", "name.forwards", "x.*", ""])
def test_a_check_that_is_not_there_is_said(pattern: str) -> None:
    """With the nearest one there is, or where to find them all."""
    with pytest.raises(UsageError, match=r"there is no such check(; did you mean|; \"seatrial explain\")"):
        choose_checks((pattern,))
