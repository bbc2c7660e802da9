"""A site of real servers: its wiring, its certificates, its machines with what is wrong with them, and runs against it."""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from labkit import servers
from labkit.daemons import Daemons, Server
from labkit.needs import find
from labkit.runs import Run, Running, start
from labkit.spoilt import with_broken_signature, without_intermediates
from labkit.wires import Node, Plug, Wiring
from verify.laboratory.authority import (
    Credential,
    Validity,
    intermediate,
    leaf,
    root,
)

DOMAIN = "obs.example.net"


@dataclass(frozen=True, slots=True)
class Machine:
    """One planned host as it really is; every field beyond its addresses plants a fault.

    ``certificate`` names a kind of ``Authorities.make``, "" for no web server.  ``clock`` is "local" for one that is
    synchronised, "lost" for a chronyd without a source, "" for none; libfaketime moves it by ``moved``.  ``key`` names the
    SSH host key that machines of the same word share; "own" is its own, "" is no SSH server.  ``rules`` are its nft rules.
    ``mischief`` are servers of our own, as (kind, port).  ``astray`` leaves it without its default routes.  A machine that
    is not ``present`` has an address that nobody uses.  ``really`` are the addresses that it has where they are not the
    planned ones, ``web_on`` those that its web server listens on.
    """

    name: str
    addresses: tuple[str, ...]
    fault: str = ""
    certificate: str = "sound"
    old_versions: bool = False
    clock: str = "local"
    moved: str = ""
    key: str = "own"
    rules: str = ""
    mischief: tuple[tuple[str, int], ...] = ()
    astray: bool = False
    present: bool = True
    really: tuple[str, ...] = ()
    web_on: tuple[str, ...] = ()
    web_port: int = 443
    domain: str = DOMAIN

    @property
    def fqdn(self) -> str:
        """The full name, without the final dot."""
        return f"{self.name}.{self.domain}"

    @property
    def owned(self) -> tuple[str, ...]:
        """The addresses that it really has."""
        return self.really or self.addresses

    def node(self, wire: str, prefixes: dict[int, int], gateways: tuple[str, ...]) -> Node:
        """The machine on its wire; ``prefixes`` are the prefix lengths of both IP versions."""
        addresses = tuple(f"{address}/{prefixes[6 if ':' in address else 4]}" for address in self.owned)
        return Node(self.name, (Plug(wire, addresses),), () if self.astray else gateways, rules=self.rules)


class Authorities:
    """The site's own authority with an intermediate, and a stranger's."""

    def __init__(self) -> None:
        now = datetime.datetime.now(datetime.UTC)

        def validity(days_before: float, days_after: float) -> Validity:
            return Validity.around(now, days_before=days_before, days_after=days_after)

        self.anchor = root("Tidewater Observatory Root", validity(300, 3000))
        issuing = intermediate(self.anchor, "Tidewater Observatory Issuing", validity(200, 1500))
        stranger = intermediate(root("Harbour Works Root", validity(300, 3000)), "Harbour Works Issuing", validity(200, 1500))
        self._kinds: dict[str, Callable[[str], Credential]] = {
            "sound": lambda fqdn: leaf(issuing, (fqdn,), validity(2, 363)),
            "self-signed": lambda fqdn: leaf(None, (fqdn,), validity(2, 363)),
            "wrong-name": lambda _fqdn: leaf(issuing, ("new-host-4.obs.example.net",), validity(2, 363)),
            "expiring": lambda fqdn: leaf(issuing, (fqdn,), validity(345, 20)),
            "expired": lambda fqdn: leaf(issuing, (fqdn,), validity(363, -2)),
            "no-intermediate": lambda fqdn: without_intermediates(leaf(issuing, (fqdn,), validity(2, 363))),
            "unknown-issuer": lambda fqdn: leaf(stranger, (fqdn,), validity(2, 363)),
            "broken-signature": lambda fqdn: with_broken_signature(leaf(issuing, (fqdn,), validity(2, 363))),
        }

    def make(self, kind: str, fqdn: str) -> Credential:
        """A credential for one host, of one kind."""
        return self._kinds[kind](fqdn)


class Site:
    """A wired site.  As a context manager it is built on entering; leaving ends every server and takes all wires down."""

    def __init__(self, folder: Path, nodes: Sequence[Node]) -> None:
        self.folder = folder
        self.wiring = Wiring(nodes)
        self.daemons = Daemons(self.wiring, folder)
        self.authorities = Authorities()
        self._keys: dict[str, Path] = {}
        self._numbers = itertools.count(1)
        self._runs: list[Running] = []

    def __enter__(self) -> Site:
        try:
            self.wiring.build()
        except BaseException:
            self.wiring.close()
            raise
        return self

    def __exit__(self, *_exc: object) -> None:
        try:
            for run in self._runs:
                run.end()
            self.daemons.close()
        finally:
            self.wiring.close()

    def servers_of(self, machine: Machine) -> list[Server]:
        """Everything that runs on a machine, ready to be started."""
        if not machine.present:
            return []
        folder, name, found = self.folder / machine.name, machine.name, list[Server]()
        folder.mkdir()
        if machine.certificate:
            credential = self.authorities.make(machine.certificate, machine.fqdn)
            found.append(servers.web_server(name, f"{name} nginx", folder / "nginx", machine.web_on or machine.owned, credential,
                                            old_versions=machine.old_versions, port=machine.web_port))
        if machine.key:
            key = self._key(machine.name if machine.key == "own" else machine.key)
            found.append(servers.shell_server(name, f"{name} sshd", folder / "sshd", machine.owned, key))
        if machine.clock:
            found.append(servers.time_server(name, f"{name} chronyd", folder / "chrony", machine.owned,
                                             synchronised=machine.clock == "local", moved=machine.moved))
        return found + [servers.mischief(name, f"{name} {kind} {port}", kind, machine.owned[0], port)
                        for kind, port in machine.mischief]

    def echoes(self, machine: Machine) -> int:
        """The echo requests that have reached a machine so far, as its own kernel counts them (RFC 2011, icmpInEchos)."""
        names, values = (line.split() for line in self.wiring.run(machine.name, find("cat"), "/proc/net/snmp").splitlines()
                         if line.startswith("Icmp:"))
        return int(values[names.index("InEchos")])

    def write_plan(self, text: str) -> Path:
        """Put a plan into a folder of its own, beside the site's trust anchor, and return its path."""
        folder = self.folder / f"run-{next(self._numbers)}"
        folder.mkdir()
        (folder / "site-ca.pem").write_bytes(self.authorities.anchor.pem)
        plan = folder / "plan.toml"
        plan.write_text(text, encoding="utf-8")
        return plan

    def start(
        self, text: str, *options: str, at: str = "runner", command: str = "verify", under: Sequence[str] = ()
    ) -> Running:
        """Start a run against a plan from one node; its reports go into a folder ``reports`` beside the plan."""
        plan = self.write_plan(text)
        output = plan.parent / "reports"
        arguments = [command, str(plan), "--output", str(output), *options]
        self._runs.append(start(self.wiring, at, arguments, output, under=under))
        return self._runs[-1]

    def verify(self, text: str, *options: str, at: str = "runner", under: Sequence[str] = ()) -> Run:
        """``seatrial verify`` of a plan from one node, to its end."""
        return self.start(text, *options, at=at, under=under).finish()

    def _key(self, name: str) -> Path:
        if name not in self._keys:
            self._keys[name] = servers.write_host_key(self.folder / f"{name}.key")
        return self._keys[name]
