"""``system.route``, ``system.address`` and ``system.mtu``: how the host itself is set up on its network."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable, Mapping
from shlex import quote

import msgspec

from shared.addresses import family_of
from shared.findings import Finding, Grade
from shared.hostfacts import InterfaceAddress, Route
from shared.plan import Host, Network
from verify.grading.machines import listed
from verify.grading.system.routers import on_one_wire, rules_of, same_hardware, without_link
from verify.grading.system.word import Word

#: What the kernel takes for a route that names no metric (ip-route(8)).
_METRICS = {4: 0, 6: 1024}
_VERSIONS = {4: "IPv4", 6: "IPv6"}
#: The length of the prefix of a wire, for all addresses but those that begin with 000 (RFC 4291 section 2.5.4).
_USUAL_LENGTH_6 = 64
#: Programs that listen to advertisements in the kernel's place, whatever it is set to (systemd 252, NetworkManager 1.42).
_LISTENERS = "# and where such a program listens: IPv6AcceptRA=no (systemd-networkd), ipv6.method disabled (NetworkManager)"
#: The most addresses that get a line to type (our own bound).
_MENDED = 8


def routes_topic(family: int) -> str:
    """What the host is asked about its routes of one IP version (``shared.hostcommands``)."""
    return f"routes over {_VERSIONS[family]}"


def default_routes(word: Word, family: int) -> tuple[Route, ...] | None:
    """The default routes of one IP version, the preferred first; None where the routes are not known."""
    routes = word.facts.routes_4 if family == 4 else word.facts.routes_6
    if routes is None:
        return None
    found = dict.fromkeys(route for route in routes if route.destination == "default")
    return tuple(sorted(found, key=lambda route: metric_of(route, family)))


def metric_of(route: Route, family: int) -> int:
    """A route's metric, said or not."""
    return _METRICS[family] if route.metric is None else route.metric


def grade(word: Word) -> list[Finding]:
    """All findings of this file for one host."""
    network = word.case.plan.network(word.host.network)
    if network is None:
        return []
    return [*_routes(word, network), *_addresses(word, network), *_mtu(word, network)]


def _routes(word: Word, network: Network) -> list[Finding]:
    gateways = word.case.plan.gateways(word.host)
    found = [_route(word, gateway, family_of(gateway)) for gateway in gateways]
    if network.ipv6 == "off" and 6 not in map(family_of, gateways):
        found.append(_no_route_6(word))
    return found


def _route(word: Word, gateway: str, family: int) -> Finding:
    """``system.route``: one default route, through the planned gateway."""
    planned, topic, name = f"one default route, via {gateway}", routes_topic(family), word.host.fqdn
    subject = _VERSIONS[family]
    defaults = default_routes(word, family)
    if defaults is None:
        return word.unread("system.route", subject, topic, planned=planned)

    def finding(grade_: Grade, found: str, message: str, symptom: str = "", fix: tuple[str, ...] = ()) -> Finding:
        return word.finding("system.route", subject, grade_, planned=planned, found=found, message=message, symptom=symptom,
                            fix=fix, topic=topic)

    rules = rules_of(word, family)
    if not defaults and rules:
        return finding(Grade.UNPROVEN, f"no default route in the main table; rules: {rules}", f"{name} has no {subject} default "
                       f"route in its main table, and rules that choose others, which are not read: {rules}.", "rules")
    if not defaults:
        return finding(Grade.FAIL, "no default route", f"{name} has no {subject} default route: it reaches its own network "
                       "and nothing beyond.", "no-route", _set_route(word, gateway, family))
    first, *others = defaults
    found = "; ".join(_told(route) for route in defaults)
    if not all(route.gateway or route.interface for route in defaults):
        return finding(Grade.UNPROVEN, found, f"{name} has a default route of several ways, and its ip command does not show "
                       f"which: {found}.", "ways-unknown")
    if first.gateway == gateway and without_link(word, first):
        return finding(Grade.FAIL, f"{found}; no link", f"The default route of {name} goes through the planned gateway, out of "
                       f"{first.interface}, which has no link: nothing leaves by it.", "no-link",
                       (f"ip link show dev {quote(first.interface)}    # on the host; NO-CARRIER: the cable, or its far end",
                        "# is it the interface with the cable to that network?"))
    if not others:
        return _ruled(word, _only(word, gateway, first, finding), rules, finding, family)
    rivals = [route for route in others if metric_of(route, family) == metric_of(first, family)]
    if first.gateway == gateway and not rivals:
        return finding(Grade.CAUTION, found, f"{name} prefers its planned gateway, and has {_further(len(others))} besides "
                       f"({'; '.join(_told(route) for route in others)}): should the first go, its packets leave another way.",
                       "second-route", _drop(others, family))
    wrong = [route for route in defaults if route.gateway != gateway] or others
    # The kernel takes no single way out of an IPv4 route of several; the whole is replaced (seen with Linux 6.18).
    whole = next((route for route in defaults if route.shared), None) if family == 4 else None
    wrong = [route for route in wrong if route is not whole and not (whole and route.shared)]
    unset = all(route.gateway != gateway for route in defaults)
    return finding(Grade.FAIL, found, f"{name} has {len(defaults)} {subject} default routes, and not the planned gateway alone "
                   "decides where its packets go.", "second-route",
                   (*(_set_route(word, gateway, family, whole) if whole or unset else ()), *_drop(wrong, family)))


def _only(word: Word, gateway: str, route: Route, finding: Callable[..., Finding]) -> Finding:
    name, family = word.host.fqdn, family_of(gateway)
    if route.gateway == gateway:
        if route.origin == "dhcp":
            return finding(Grade.CAUTION, _told(route), f"The default route of {name} goes through the planned gateway, but it "
                           "was leased and not set: it lasts as long as the lease.", "leased",
                           (f"# in the network settings of {name}: a static address with gateway {gateway}, and no DHCP",))
        return finding(Grade.PASS, _told(route), f"The only default route of {name} goes through {gateway}.")
    if mac := same_hardware(word, route, gateway):
        return finding(Grade.PASS, _told(route), f"The only default route of {name} goes through {route.gateway}, which is the "
                       f"same interface as {gateway}: {mac}.")
    if on_one_wire(route):
        return finding(Grade.UNPROVEN, _told(route), f"The only default route of {name} goes through {route.gateway}, an "
                       "address of its wire alone (RFC 4291 section 2.5.6), which does not say whether that router is "
                       f"{gateway}.",
                       "link-local")
    way = f"through {route.gateway}" if route.gateway else f"straight out of {route.interface}, through no gateway"
    return finding(Grade.FAIL, _told(route), f"The default route of {name} goes {way}; planned is {gateway}.", "wrong-gateway",
                   _set_route(word, gateway, family, route))


def _ruled(word: Word, only: Finding, rules: str, finding: Callable[..., Finding], family: int) -> Finding:
    """The finding for a right route, less sure where rules may choose another table than the one it stands in."""
    if only.grade is not Grade.PASS or not rules:
        return only
    return finding(Grade.CAUTION, f"{only.found}; rules: {rules}", f"{only.message[:-1]}, in the main table; and these rules of "
                   f"{word.host.fqdn} may send packets by another: {rules}.", "rules",
                   (f"{_ip(family)} rule show    # on the host; then, of each table that is named:",
                    f"{_ip(family)} route show table TABLE",
                    "# and take out the rules that nothing needs, where they are set, or waive this check for the host"))


def _no_route_6(word: Word) -> Finding:
    planned, topic = "no IPv6 default route", routes_topic(6)
    defaults = default_routes(word, 6)
    if defaults is None:
        return word.unread("system.route", "IPv6", topic, planned=planned)
    if not defaults:
        return word.finding("system.route", "IPv6", Grade.PASS, planned=planned, found="none", topic=topic,
                            message=f"{word.host.fqdn} has no IPv6 default route, as planned.")
    return word.finding(
        "system.route", "IPv6", Grade.FAIL, planned=planned, found="; ".join(map(_told, defaults)), topic=topic,
        symptom="stray-route", fix=_drop(defaults, 6),
        message=f"{word.host.fqdn} has an IPv6 default route although the plan has IPv6 off: a router on its wire advertises "
        "one, or it was left set.")


def _told(route: Route) -> str:
    without = "through no gateway" if route.interface else "by ways that are not shown"
    return " ".join(filter(None, (
        f"via {route.gateway}" if route.gateway else without,
        f"dev {route.interface}" if route.interface else "",
        f"metric {route.metric}" if route.metric is not None else "",
        f"proto {route.origin}" if route.origin else "")))


def _further(count: int) -> str:
    return "one more default route" if count == 1 else f"{count} more default routes"


def _ip(family: int) -> str:
    return "ip -6" if family == 6 else "ip"


def _set_route(word: Word, gateway: str, family: int, instead_of: Route | None = None) -> tuple[str, ...]:
    """Set the default route, in the place of another: ip replaces only one of the same metric (ip-route(8))."""
    carried = word.planned_address(family)
    interface = f" dev {quote(carried.interface)}" if carried and carried.interface else ""
    metric = f" metric {instead_of.metric}" if instead_of and instead_of.metric is not None else ""
    line = f"{_ip(family)} route replace default via {gateway}{interface}{metric}"
    return (f"{line}    # as root on {word.host.fqdn}, until it restarts",
            f"# and in its network settings, so that it lasts: gateway {gateway}")


def _drop(routes: tuple[Route, ...] | list[Route], family: int) -> tuple[str, ...]:
    lines = []
    if not routes:
        return ()
    for route in routes:
        other = bool(route.gateway) and family_of(route.gateway) != family
        words = ["ip -4 route del default" if other else f"{_ip(family)} route del default",
                 f"via {'inet6 ' if other else ''}{route.gateway}" if route.gateway else "",
                 f"dev {quote(route.interface)}" if route.interface else "",
                 f"metric {route.metric}" if route.metric is not None else ""]
        lines.append(" ".join(filter(None, words)))
    return (*lines,
            "# and take away where it comes from: a second interface with a gateway, a DHCP client, an advertising router")


# --- addresses


def _addresses(word: Word, network: Network) -> list[Finding]:
    """``system.address``: the planned ones, static and with the planned mask, and no others."""
    planned = "the planned addresses and no others, none of them leased"
    if word.facts.addresses is None:
        return [word.unread("system.address", "addresses", "addresses", planned=planned)]
    carried = {address.address: address for address in word.facts.addresses}
    own = [_address(word, network, address, carried.get(address)) for address in word.host.addresses]
    others = _others(word, network)
    # Each that stands in the place of a missing one is told there, and goes with its mend.
    missing = {network.subnet_of(one.subject): one.ref for one in own if one.symptom == "missing"}
    refs = [missing.get(_subnet_around(network, address)) for address in _extra(word)]
    because = tuple(dict.fromkeys(filter(None, refs))) if all(refs) else ()
    return [*own, msgspec.structs.replace(others, because=because)]


def _extra(word: Word) -> list[InterfaceAddress]:
    """The addresses that the host carries beside the planned ones and those that every host has."""
    return [address for address in word.facts.addresses or () if address.address not in word.host.addresses and _counts(address)]


def _subnet_around(network: Network, address: InterfaceAddress) -> str | None:
    subnet = network.subnet_of(address.address)
    inside = subnet is not None and ipaddress.ip_address(address.address) in ipaddress.ip_network(subnet)
    return subnet if inside else None


def _address(word: Word, network: Network, address: str, carried: InterfaceAddress | None) -> Finding:
    name = word.host.fqdn
    planned_in = network.subnet_of(address)
    subnet = ipaddress.ip_network(planned_in) if planned_in else None
    dotted = f" ({subnet.netmask})" if subnet and subnet.version == 4 else ""
    length = subnet.prefixlen if subnet else None
    planned = f"{address}/{length}, static" if length is not None else f"{address}, static"

    def finding(grade_: Grade, found: str, message: str, symptom: str = "", fix: tuple[str, ...] = ()) -> Finding:
        return word.finding("system.address", address, grade_, planned=planned, found=found, message=message, symptom=symptom,
                            fix=fix, topic="addresses")

    if carried is None:
        instead = [other for other in _extra(word) if planned_in and _subnet_around(network, other) == planned_in]
        told = ", ".join(f"{other.address}/{other.prefix_length} on {other.interface}{', on loan' if other.dynamic else ''}"
                         for other in instead[:_MENDED])
        loan = ", which is on loan" if instead and instead[0].dynamic else ""
        place = f" in the place of {instead[0].address}{loan}" if len(instead) == 1 else ""
        why = (f"; in its place it has {told}." if instead else
               ": the host was reached by another address or through a device that translates addresses.")
        return finding(Grade.FAIL, told or "on no interface", f"No interface of {name} carries {address}{why}", "missing",
                       (f"# in the network settings of {name}: {planned.removesuffix(', static')}{dotted}{place}",
                        f"ip -br address    # on the host, after a restart: it must show {planned.removesuffix(', static')}"))
    found = f"{address}/{carried.prefix_length} on {carried.interface}"
    if "dadfailed" in carried.flags:
        return finding(Grade.FAIL, f"{found}, a duplicate", f"{name} found that {address} is already in use on its wire and does "
                       "not use it (RFC 4862 section 5.4).", "duplicate",
                       (f"# find the other owner: ip neigh show {address}    # on another host of the wire",))
    if "tentative" in carried.flags and "optimistic" not in carried.flags:
        return finding(Grade.UNPROVEN, f"{found}, tentative", f"{name} does not use {address} yet: it still asks its wire for a "
                       "second whether another machine has it, or its link is down (RFC 4862 section 5.4).", "tentative")
    if length is not None and carried.prefix_length != length:
        hidden = _hidden(word, carried, length)
        return finding(Grade.FAIL, found, f"{name} carries {address} with the mask /{carried.prefix_length}; planned is "
                       f"/{length}. {_effect_of(carried, length)}{hidden}", "mask-hides" if hidden else "mask",
                       (f"# in the network settings of {name}: {address}/{length}{dotted}",
                        f"ip address show dev {quote(carried.interface)}    # must show {address}/{length}"))
    if carried.dynamic:
        left = f", {carried.valid_seconds} s left" if carried.valid_seconds is not None else ""
        return finding(Grade.FAIL, f"{found}, leased{left}", f"{name} has {address} only on loan: it was leased or advertised, "
                       "and another machine may have it next.", "leased",
                       (f"# in the network settings of {name}: {planned} in the place of DHCP",))
    if carried.dynamic is None:
        with_mask = " with the planned mask" if length is not None else ""
        return finding(Grade.UNPROVEN, found, f"{name} carries {address}{with_mask}, but its system does not say "
                       "whether it is leased.", "origin-unknown")
    if length is None and family_of(address) == 6 and carried.prefix_length != _USUAL_LENGTH_6 and carried.interface != "lo":
        return finding(Grade.CAUTION, found, f"{name} carries {address} with the mask /{carried.prefix_length}. The plan has no "
                       "IPv6 subnet for its network, and that of a wire is a /64 (RFC 4291 section 2.5.4): with another mask the "
                       "host takes some addresses for neighbours that are not, or the other way round.", "mask",
                       (f"# in the network settings of {name}, where the wire is a /64: {address}/{_USUAL_LENGTH_6}",
                        f'# or accept it: [[waivers]] with check = "system.address", host = "{word.host.name}", a reason, a day'))
    mask = "the planned mask" if length is not None else f"the mask /{carried.prefix_length}, for which the plan has none,"
    return finding(Grade.PASS, found, f"{name} carries {address} on {carried.interface}, with {mask} and for good.")


def _effect_of(carried: InterfaceAddress, length: int) -> str:
    if carried.prefix_length < length:
        return "So it looks for addresses beyond its own network on its wire, and its answers do not get to them."
    return "So it takes hosts of its own network for distant ones, and sends to them through its gateway."


def _hidden(word: Word, carried: InterfaceAddress, length: int) -> str:
    """The runner, where a mask that takes in too much makes a neighbour of it that it is not."""
    if carried.prefix_length > length:
        return ""
    vantage = word.case.evidence.vantage
    taken = ipaddress.ip_network(f"{carried.address}/{carried.prefix_length}", strict=False)
    right = ipaddress.ip_network(f"{carried.address}/{length}", strict=False)
    inside = [address for address in map(ipaddress.ip_address, vantage.addresses) if address in taken and address not in right]
    return f" {vantage.name} is one of these, at {inside[0]}." if inside else ""


def _others(word: Word, network: Network) -> Finding:
    name = word.host.fqdn
    extra = _extra(word)
    planned = "no other address"
    if not extra:
        return word.finding("system.address", "others", Grade.PASS, planned=planned, found="none", topic="addresses",
                            message=f"{name} carries no address beyond the planned ones and those that every host has.")
    told = listed((f"{address.address}/{address.prefix_length} on {address.interface}{', leased' if address.dynamic else ''}"
                   for address in extra), len(extra))
    stray = network.ipv6 == "off" and any(":" in address.address for address in extra)
    why = ", though the plan has IPv6 off" if stray else ""
    advertised = _unadvertised(extra[:_MENDED])
    leases = dict.fromkeys(address.interface for address in extra if ":" not in address.address and address.dynamic)
    owned = word.case.plan.by_address
    theirs = [address for address in extra if address.address in owned]
    if theirs == extra and all(_may_be_its_own(word, address, owned[address.address]) for address in extra):
        return _of_other_rows(word, extra, owned, planned=planned, told=told)
    whose = listed((f"{address.address} is that of {owned[address.address].fqdn}" for address in theirs), len(theirs))
    quarrel = f"  {whose}: two hosts with one address lose each other's packets (RFC 5227 section 1)." if theirs else ""
    return word.finding(
        "system.address", "others", Grade.FAIL if stray or theirs else Grade.CAUTION, planned=planned, found=told,
        topic="addresses", symptom="another-hosts" if theirs else "unplanned",
        message=f"{name} also carries addresses that its row does not name{why}: {told}.{quarrel}",
        fix=(*advertised, *_dropped(extra),
             *([_LISTENERS] if advertised else []),
             *([f"# leased: turn DHCP off on {', '.join(map(quote, leases))}"] if leases else []),
             "# and take them out of its network settings" + ("" if stray or theirs else ", or add them to its row in the plan")))


def _may_be_its_own(word: Word, carried: InterfaceAddress, other: Host) -> bool:
    """Whether another row may be this machine's in another network: it is set there as planned, on an interface of its own."""
    network = word.case.plan.network(other.network)
    subnet = network.subnet_of(carried.address) if network and other.network != word.host.network else None
    own = {address.interface for address in word.facts.addresses or () if address.address in word.host.addresses}
    return (subnet is not None and carried.interface not in own
            and ipaddress.ip_network(subnet).prefixlen == carried.prefix_length)


def _of_other_rows(
    word: Word, extra: list[InterfaceAddress], owned: Mapping[str, Host], *, planned: str, told: str
) -> Finding:
    """A row has addresses of one network, so a machine in two has two rows; that they are one machine no plan says."""
    whose = listed((owned[address.address].fqdn for address in extra), len(extra))
    theirs = "these rows are" if len(extra) > 1 else "this row is"
    return word.finding(
        "system.address", "others", Grade.CAUTION, planned=planned, found=told, topic="addresses", symptom="other-rows",
        message=f"{word.host.fqdn} carries what is planned for {whose}, in another network and on an interface of its own: "
                f"{told}. Nothing is wrong where {theirs} this same machine's; two machines with one address lose each "
                "other's packets (RFC 5227 section 1).",
        fix=("# one machine: accept it in the plan: [[waivers]] with",
             f'#   check = "system.address", subject = "others", host = "{word.host.name}", a reason, a day',
             "# two machines: on this one, and in its network settings too:", *_dropped(extra)))


def _dropped(extra: list[InterfaceAddress]) -> tuple[str, ...]:
    return tuple(f"ip address del {one.address}/{one.prefix_length} dev {quote(one.interface)}    # as root, until it restarts"
                 for one in extra[:_MENDED])


def _unadvertised(extra: list[InterfaceAddress]) -> tuple[str, ...]:
    """An address made from a router's advertisement comes back with the next one (RFC 4862 section 5.5.3)."""
    made = dict.fromkeys(address.interface for address in extra if ":" in address.address and address.dynamic)
    # With slashes, for a dot may be part of an interface's name (sysctl(8)).
    lines = (quote(f"net/ipv6/conf/{interface}/autoconf=0") for interface in made)
    return tuple(f"sysctl -w {line}    # first, or the next advertisement brings it back" for line in lines)


def _counts(address: InterfaceAddress) -> bool:
    """Whether an address that is not planned is worth a word: not those of the loopback, nor IPv6's own of each wire."""
    parsed = ipaddress.ip_address(address.address)
    return not parsed.is_loopback and not (parsed.version == 6 and parsed.is_link_local)


# --- packet size


def _mtu(word: Word, network: Network) -> list[Finding]:
    """``system.mtu``: the interfaces that carry the planned addresses take packets of the planned size."""
    planned = f"{network.mtu} octets"
    if word.facts.links is None:
        return [word.unread("system.mtu", "interface", "interfaces", planned=planned)]
    if word.facts.addresses is None:
        return [word.unread("system.mtu", "interface", "addresses", planned=planned)]
    carried = {address.address: address.interface for address in word.facts.addresses}
    interfaces = dict.fromkeys(carried[address] for address in word.host.addresses if carried.get(address))
    sizes = {link.interface: link.mtu for link in word.facts.links}
    return [_size(word, interface, sizes.get(interface), network.mtu) for interface in interfaces]


def _size(word: Word, interface: str, mtu: int | None, wanted: int) -> Finding:
    planned = f"{wanted} octets"
    if mtu is None:
        return word.unread("system.mtu", interface, "interfaces", planned=planned)
    if mtu == wanted:
        return word.finding("system.mtu", interface, Grade.PASS, planned=planned, found=planned, topic="interfaces",
                            message=f"{interface} of {word.host.fqdn} is set to packets of at most {mtu} octets, as planned.")
    effect = ("it sends larger packets than its network is planned to carry" if mtu > wanted
              else "it cannot take the packets that its neighbours may send")
    return word.finding(
        "system.mtu", interface, Grade.FAIL, planned=planned, found=f"{mtu} octets", topic="interfaces", symptom="mtu",
        message=f"{interface} of {word.host.fqdn} is set to packets of at most {mtu} octets; planned are {wanted}, so {effect}.",
        fix=(f"ip link set dev {quote(interface)} mtu {wanted}    # as root on {word.host.fqdn}, until it restarts",
             f"# and in its network settings, so that it lasts: mtu {wanted}"))
