"""Network namespaces joined by wires, built from data.

A wire is a bridge in a namespace of its own; every node hangs on one or more wires by veth pairs.  Nothing is made in the
namespace that the tests run in, and the names bear the process id, so that two test runs never meet.
"""

from __future__ import annotations

import os
import re
import secrets
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from labkit.needs import find

_PREFIX = "seatrial-lab"
#: The longest that setting up or taking down a namespace may take, in seconds; it takes some milliseconds.
_PATIENCE_SECONDS = 30.0
_NETNS = Path("/run/netns")


@dataclass(frozen=True, slots=True)
class Plug:
    """One interface of a node: the wire it hangs on and its addresses with their prefix, "192.0.2.1/24"."""

    wire: str
    addresses: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Node:
    """One machine of the laboratory.

    ``gateways`` are its default routes, ``routes`` further ones as (subnet, gateway).  ``rules`` is an nft ruleset,
    ``settings`` are sysctl assignments.
    """

    name: str
    plugs: tuple[Plug, ...]
    gateways: tuple[str, ...] = ()
    routes: tuple[tuple[str, str], ...] = ()
    forwards: bool = False
    rules: str = ""
    settings: tuple[str, ...] = ()


class Wiring:
    """The namespaces of some nodes, from ``build`` until ``close``."""

    def __init__(self, nodes: Sequence[Node]) -> None:
        self.nodes = tuple(nodes)
        self._stem = f"{_PREFIX}-{os.getpid()}-{secrets.token_hex(3)}"
        self._switch = self.namespace("switch")

    def namespace(self, node: str) -> str:
        """The name of a node's network namespace."""
        return f"{self._stem}-{node}"

    def inside(self, node: str, *command: str) -> list[str]:
        """The command line that runs ``command`` on a node."""
        return [find("ip"), "netns", "exec", self.namespace(node), *command]

    def run(self, node: str, *command: str, stdin: str | None = None) -> str:
        """Run a short command on a node and return what it printed.  Raises CalledProcessError."""
        return _run(self.inside(node, *command), stdin)

    def build(self) -> None:
        """Make every namespace, wire, address, route and rule."""
        sweep()
        _batch([], [f"netns add {self.namespace(name)}" for name in ("switch", *(node.name for node in self.nodes))])
        for node in self.nodes:
            self._settle(node)
        wires = dict.fromkeys(plug.wire for node in self.nodes for plug in node.plugs)
        _batch(["-n", self._switch], [line for wire in wires for line in (
            f"link add {wire} type bridge mcast_snooping 0", f"link set {wire} up")])
        port = 0
        for node in self.nodes:
            for number, plug in enumerate(node.plugs):
                own_end = f"eth{number} netns {self.namespace(node.name)}"
                _batch([], [f"link add {own_end} type veth peer name port{port} netns {self._switch}"])
                _batch(["-n", self._switch], [f"link set port{port} master {plug.wire}", f"link set port{port} up"])
                port += 1
            _batch(["-n", self.namespace(node.name)], _addressing(node))
            if node.rules:
                self.run(node.name, find("nft"), "-f", "-", stdin=node.rules)

    def close(self) -> None:
        """Take every namespace down; whatever is in them goes with them."""
        for name in ("switch", *(node.name for node in self.nodes)):
            _delete(self.namespace(name))

    def _settle(self, node: Node) -> None:
        """Settings that must be there before the first address is.

        Without looking for duplicates addresses can be used at once.  The kernel's limits on the rate of ICMP errors are
        lifted, as several runs ask the same router for the same errors within seconds.
        """
        forwarding = ("net.ipv4.ip_forward=1", "net.ipv6.conf.all.forwarding=1") if node.forwards else ()
        self.run(node.name, find("sysctl"), "-qw", "net.ipv6.conf.all.accept_dad=0", "net.ipv6.conf.default.accept_dad=0",
                 "net.ipv4.icmp_ratelimit=0", "net.ipv6.icmp.ratelimit=0", *forwarding, *node.settings)


def sweep() -> None:
    """Take down the namespaces of test runs that were killed before they could."""
    for namespace in _NETNS.iterdir() if _NETNS.exists() else ():
        owner = re.match(rf"{_PREFIX}-(\d+)-", namespace.name)
        if owner is not None and not Path("/proc", owner[1]).exists():
            _delete(namespace.name)


def _addressing(node: Node) -> list[str]:
    lines = ["link set lo up"]
    for number, plug in enumerate(node.plugs):
        lines += [f"address add {address} dev eth{number}{' nodad' if ':' in address else ''}" for address in plug.addresses]
        lines.append(f"link set eth{number} up")
    lines += [f"route add default via {gateway}" for gateway in node.gateways]
    return lines + [f"route add {subnet} via {gateway}" for subnet, gateway in node.routes]


def _batch(options: list[str], lines: list[str]) -> None:
    _run([find("ip"), *options, "-batch", "-"], "\n".join(lines) + "\n")


def _delete(namespace: str) -> None:
    subprocess.run([find("ip"), "netns", "delete", namespace], capture_output=True, check=False, timeout=_PATIENCE_SECONDS)


def _run(command: list[str], stdin: str | None = None) -> str:
    done = subprocess.run(command, input=stdin, capture_output=True, text=True, check=False, timeout=_PATIENCE_SECONDS)
    assert done.returncode == 0, f"{' '.join(command)}\n{stdin or ''}\n{done.stdout}{done.stderr}"
    return done.stdout
