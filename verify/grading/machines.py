"""Who holds one thing, a key or a serial number, by host and address: the question that every comparison across hosts asks.

A fleet cloned from one image holds one key ten thousand times over, so nothing here looks at every pair of hosts.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator

#: The most names told in one sentence.  Ours.
_LISTED = 8


class Machines:
    """Hosts at their addresses.  Two plan entries for one address are one machine, and ``plan.duplicate``'s to judge."""

    def __init__(self, holders: Iterable[tuple[str, str]]) -> None:
        self._addresses: dict[str, set[str]] = {}
        self._hosts_at: dict[str, set[str]] = {}
        for host, address in holders:
            self._addresses.setdefault(host, set()).add(address)
            self._hosts_at.setdefault(address, set()).add(host)

    def beside(self, host: str, address: str) -> Iterator[str]:
        """The hosts on other machines than that of ``host`` at ``address``, in the order in which they were given."""
        same = self._on_one_machine(host, address)
        return (other for other in self._addresses if other not in same)

    def count_beside(self, host: str, address: str) -> int:
        """How many ``beside`` yields."""
        return len(self._addresses) - len(self._on_one_machine(host, address))

    def _on_one_machine(self, host: str, address: str) -> set[str]:
        there = self._hosts_at.get(address, set())
        return {other for other in {host, *there} if other in self._addresses
                and (other == host or len(self._addresses[other]) == 1)}


def listed(names: Iterable[str], count: int) -> str:
    """The first few of ``count`` names and how many more there are: the rest have findings of their own."""
    first = list(itertools.islice(names, _LISTED))
    more = f" and {count - _LISTED} more" if count > _LISTED else ""
    return ", ".join(first) + more
