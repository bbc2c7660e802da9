"""The text of a starter plan: commented, complete, and ready to be read back by ``read_plan``.

Nothing is asked or written here; whoever calls brings the answers and keeps the text.
"""

from __future__ import annotations

import ipaddress
import json
from collections.abc import Iterable, Iterator

import msgspec

from verify.planfile.values import subnet_of


class RolePreset(msgspec.Struct, frozen=True, kw_only=True):
    """A kind of host to begin with: what it is, and the lines of its table, each with its comment."""

    comment: str
    lines: tuple[tuple[str, str], ...]


_SSH = ('ssh = ["22/tcp"]', "speaks SSH: its identity is examined")
_TLS = ('tls = ["443/tcp"]', "speaks TLS: its certificate is examined")
# FTP, Telnet and VNC: old ways in that no fresh host should offer.  Common practice, no source.
_CLOSED = ('closed = ["21/tcp", "23/tcp", "5900/tcp"]', "must not accept")

#: The roles that a starter plan can begin with.
ROLE_PRESETS = {
    "node": RolePreset(comment="A machine that is administered over SSH and shows pages over HTTPS.", lines=(
        ('open = ["22/tcp", "443/tcp"]', "must accept"), _CLOSED, _TLS, _SSH,
        ("ntp = false", "true: must itself answer NTP"))),
    "shell": RolePreset(comment="A machine that is administered over SSH and offers nothing else.", lines=(
        ('open = ["22/tcp"]', "must accept"),
        ('closed = ["23/tcp", "80/tcp", "443/tcp"]', "must not accept"), _SSH,
        ("ntp = false", "true: must itself answer NTP"))),
    "clock": RolePreset(comment="A time server that is administered over SSH.", lines=(
        ('open = ["22/tcp"]', "must accept"), _CLOSED, _SSH, ("ntp = true", "must itself answer NTP"))),
}


class Answers(msgspec.Struct, frozen=True, kw_only=True):
    """What a starter plan is made of.

    Every answer has a default of the rehearsal kind: names of RFC 2606, addresses of RFC 5737.  What is left None or empty
    is computed from ``subnet``: the gateway is its first address, servers and hosts follow.  ``hosts`` are (name, address).
    A subnet, a gateway and a host's address may be one for each address family, with a comma between.
    """

    title: str = "New site"
    domain: str = "obs.example.net"
    subnet: str = "192.0.2.0/24"
    gateway: str | None = None
    name_servers: tuple[str, ...] = ()
    time_sources: tuple[str, ...] = ()
    hosts: tuple[tuple[str, str], ...] = ()
    network: str = "mgmt"
    vlan: int | None = None
    role: str = "node"
    profile: str = "production"


def starter_plan(answers: Answers) -> str:
    """The text of a plan with these answers, a comment beside whatever is not plain.

    Answers are written as they are; whether they are right is for lint to judge.  Raises KeyError for a role that is not in
    ``ROLE_PRESETS``.
    """
    preset = ROLE_PRESETS[answers.role]
    free = _Free(answers)
    gateway = answers.gateway or ", ".join(free.take_each())
    # Two name servers, so that one may fail (RFC 2182 section 5 asks for more than one); four time sources, so that
    # a false one is found and outvoted (RFC 8633 section 3.2).
    servers = answers.name_servers or tuple(free.take() for _ in range(2))
    sources = answers.time_sources or tuple(free.take() for _ in range(4))
    hosts = answers.hosts or tuple((name, ", ".join(free.take_each())) for name in ("dome-a", "dome-b"))
    lines = [
        "# What is intended for this site.  Check it with: seatrial lint THIS-FILE",
        "",
        "[plan]",
        f"title = {quoted(answers.title)}",
        _remarked(f"domain = {quoted(answers.domain)}", "suffix of every short host name"),
        _remarked(f"profile = {quoted(answers.profile)}", "the limits: lab, production, strict, or a file of yours"),
        _remarked('# hosts_from = "hosts.csv"', "further hosts, from a sheet: name, address, network, role"),
        "",
        "[names]",
        _remarked(f"servers = {_list(servers)}", "each is asked directly"),
        "",
        "[time]",
        "# With four sources a wrong one is found and outvoted.",
        f"sources = {_list(sources)}",
        "",
        "# [trust]",
        _remarked('# anchors = ["site-ca.pem"]', "beside this file; without [trust], what this system trusts"),
        "",
        f"[networks.{quoted_key(answers.network)}]",
        *([] if "," in answers.subnet else ['# A wire with IPv4 and IPv6 has lists: subnet = ["FIRST", "SECOND"], and gateway.']),
        f"subnet = {_one_or_list(answers.subnet)}",
        f"gateway = {_one_or_list(gateway)}",
        _remarked(f"vlan = {answers.vlan}" if answers.vlan is not None else "# vlan = 20", "printed on the build sheet"),
        "# mtu = 1500",
        _remarked('# pool = ["FIRST-LAST"]', "handed out dynamically: no host may sit there"),
        _remarked('# ipv6 = "off"', "no AAAA record and no answer over IPv6"),
        "",
        f"# {preset.comment}",
        f"[roles.{answers.role}]",
        *(_remarked(line, comment) for line, comment in preset.lines),
        "",
        '# One table a host.  A host with IPv4 and IPv6 has a list: address = ["FIRST", "SECOND"]',
        *(line for name, address in hosts for line in _host(name, address, answers)),
        "# A fault that is known and accepted for now; from the day after, it counts again:",
        "# [[waivers]]",
        '# check = "certificate.trust"',
        '# host = "dome-*"',
        '# reason = "site CA is installed in phase 2"',
        "# until = 2027-01-31",
    ]
    return "\n".join(lines) + "\n"


def quoted(text: str) -> str:
    """``text`` as a TOML basic string (TOML 1.0.0, "String")."""
    # JSON's escapes are TOML's, but for DEL, which TOML wants escaped, and lone surrogates, which no UTF-8 file can hold.
    sound = text.encode("utf-8", "replace").decode()
    return json.dumps(sound, ensure_ascii=False).replace("\x7f", "\\u007f")


def quoted_key(name: str) -> str:
    """``name`` as a TOML key: bare where it may be."""
    bare = name.isascii() and name.replace("-", "").replace("_", "").isalnum()
    return name if bare else quoted(name)


def _remarked(line: str, comment: str) -> str:
    """The line with its comment in the column where they all stand."""
    return f"{line:<43} # {comment}"


def parts_of(answer: str) -> list[str]:
    """The values of an answer that holds one for each address family, with a comma between."""
    return [part.strip() for part in answer.split(",")]


def _one_or_list(answer: str) -> str:
    return _list(parts_of(answer)) if "," in answer else quoted(answer)


def _list(texts: Iterable[str]) -> str:
    return f"[{', '.join(quoted(text) for text in texts)}]"


def _host(name: str, address: str, answers: Answers) -> list[str]:
    return ["[[hosts]]", f"name = {quoted(name)}", f"address = {_one_or_list(address)}", f"network = {quoted(answers.network)}",
            f"role = {quoted(answers.role)}", ""]


class _Free:
    """Hands out the addresses of the subnets that no answer has taken, from the first; none left, the first again."""

    def __init__(self, answers: Answers) -> None:
        given = [answers.gateway or "", *(address for _, address in answers.hosts)]
        taken = {*answers.name_servers, *answers.time_sources, *(part for text in given for part in parts_of(text))}
        # Where a subnet itself is mistyped, lint says so; the other lines still need an address.
        networks = [ipaddress.ip_network(subnet_of(part) or "192.0.2.0/24") for part in parts_of(answers.subnet)]
        self._each = [(str(network[0]), self._free_of(network, taken)) for network in networks]

    @staticmethod
    def _free_of(network: ipaddress.IPv4Network | ipaddress.IPv6Network, taken: set[str]) -> Iterator[str]:
        return (str(address) for address in network.hosts() if str(address) not in taken)

    def take_each(self) -> list[str]:
        """The next free address of each subnet."""
        return [next(addresses, first) for first, addresses in self._each]

    def take(self) -> str:
        """The next free address of the first subnet."""
        first, addresses = self._each[0]
        return next(addresses, first)
