"""Whether a default route leads to the planned gateway: by its address, or by the hardware behind a link-local one.

And what else decides whether packets go there: the link of its interface, and rules that choose another table.
"""

from __future__ import annotations

import ipaddress

from shared.hostfacts import Route
from verify.grading.system.word import Word


def on_one_wire(route: Route) -> bool:
    """Whether the next router of a route is named by a link-local address, as advertised ones are (RFC 4861 section 4.2)."""
    return bool(route.gateway) and ipaddress.ip_address(route.gateway).is_link_local


def without_link(word: Word, route: Route) -> bool:
    """Whether the interface of a route has no link, by which nothing leaves although the route stays."""
    return any(link.interface == route.interface and link.carrier is False for link in word.facts.links or ())


def rules_of(word: Word, family: int) -> str:
    """The host's rules that may send packets past its main table, in its words; empty where it has none or did not say."""
    rules = (word.facts.rules_4 if family == 4 else word.facts.rules_6) or ()
    return "; ".join(rules[:4]) + (f" and {len(rules) - 4} more" if len(rules) > 4 else "")


def same_hardware(word: Word, route: Route, gateway: str) -> str:
    """The hardware address that both the link-local next router of a route and ``gateway`` have; empty where none is known.

    The first the host knows by its neighbours, the second too, or else a runner on the same wire: alone it must claim it.
    """
    if not on_one_wire(route):
        return ""
    behind = {one.mac for one in word.facts.neighbours or () if one.mac and one.address == route.gateway
              and route.interface in ("", one.interface)}
    known = {one.mac for one in word.facts.neighbours or () if one.mac and one.address == gateway}
    for seen in word.case.evidence.site.owners:
        if seen.address == gateway and seen.failure is None:
            known |= {owner.mac for owner in seen.owners}
    return next(iter(behind)) if len(behind) == 1 and behind == known else ""
