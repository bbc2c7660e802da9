"""Hosts on other machines: found without looking at every pair, and the same as by looking at every pair."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from verify.grading.machines import Machines, listed

HOLDERS = st.lists(st.tuples(st.sampled_from("abcde"), st.sampled_from("1234")), max_size=8)


@given(HOLDERS, st.tuples(st.sampled_from("abcdef"), st.sampled_from("12345")))
def test_others_are_those_that_a_comparison_of_every_pair_finds(holders: list[tuple[str, str]], own: tuple[str, str]) -> None:
    """Another host at another address, in the order given, each once."""
    machines = Machines(holders)
    wanted = dict.fromkeys(host for host, _ in holders
                           if any(other == host and host != own[0] and address != own[1] for other, address in holders))
    assert list(machines.beside(*own)) == list(wanted)
    assert machines.count_beside(*own) == len(wanted)


def test_the_first_eight_are_listed_and_the_rest_counted() -> None:
    """At the limit all are named; one more and it is counted."""
    assert listed(iter("abcdefgh"), 8) == "a, b, c, d, e, f, g, h"
    assert listed(iter("abcdefghi"), 9) == "a, b, c, d, e, f, g, h and 1 more"
    assert listed(iter(""), 0) == ""
