"""Host names, identifiers and the resolver's settings."""

from __future__ import annotations

import ipaddress
import re

import msgspec

from probes.hostfacts.routes import address_of
from shared.hostfacts import Resolver

#: A host name with its domain is at most 253 characters (RFC 1035 section 2.3.4, less the root).
_NAME_LIMIT = 253
_IDENTIFIER = re.compile(r"[0-9a-f]{32}|[0-9a-f]{8}-(?:[0-9a-f]{4}-){3}[0-9a-f]{12}")
#: resolv.conf(5): glibc reads at most three servers and, since 2.26, any number of suffixes; more of either is bounded here.
_SERVERS_KEPT, _SUFFIXES_KEPT = 16, 32
#: Where programs of the host find a forwarder that dnsmasq was told to keep to itself.
_LOOPBACK = frozenset({"127.0.0.1", "::1"})
#: The characters that are kept of a file's first comment (our own bound).
_WRITER_LIMIT = 120


def word(text: str) -> str | None:
    """The only word of an output, such as a host name."""
    words = text.split()
    return words[0] if len(words) == 1 and len(words[0]) <= _NAME_LIMIT and words[0].isprintable() else None


def identifier(text: str) -> str | None:
    """A boot id or machine id: 128 bits in hexadecimal, with or without dashes (machine-id(5), random(4)); dashes dropped."""
    said = text.strip().lower()
    return said.replace("-", "") if _IDENTIFIER.fullmatch(said) else None


def looked_up(text: str) -> tuple[str, ...] | None:
    """The addresses in the output of ``getent ahosts`` or ``hostname -i``, each once; link-local ones are left out.

    Lines that begin with none are not theirs, such as "Last login ... from ADDRESS".
    """
    lines = [words for line in text.splitlines() if (words := line.split()) and address_of(words[0])]
    found = dict.fromkeys(address for words in lines for said in words if (address := address_of(said)))
    return tuple(address for address in found if not ipaddress.ip_address(address).is_link_local)[:_SERVERS_KEPT] or None


def resolver(text: str) -> Resolver:
    """/etc/resolv.conf.  Without a server there is one all the same: the host itself (resolv.conf(5))."""
    read = upstream(text)
    return read if read.servers else msgspec.structs.replace(read, servers=("127.0.0.1",))


def upstream(text: str) -> Resolver:
    """A file in the form of resolv.conf(5) that a forwarder keeps of the servers that it asks: there may be none."""
    servers: list[str] = []
    writer = next((line.strip("#; \t") for line in text.splitlines() if line.lstrip().startswith(("#", ";"))), "")
    search: tuple[str, ...] = ()
    for line in text.splitlines():
        words = line.split()
        if len(words) < 2 or words[0][0] in "#;":
            continue
        if words[0] == "nameserver" and (address := address_of(words[1])):
            servers.append(address)
        elif words[0] in ("search", "domain"):
            # The last of either counts (resolv.conf(5)).
            suffixes = words[1:] if words[0] == "search" else words[1:2]
            search = tuple(suffix.rstrip(".").lower()[:_NAME_LIMIT] for suffix in suffixes[:_SUFFIXES_KEPT] if suffix != ".")
    return Resolver(servers=tuple(servers[:_SERVERS_KEPT]), search=search, source="", writer=writer[:_WRITER_LIMIT])


def resolvectl(text: str) -> Resolver | None:
    """The output of ``resolvectl dns``: "Link 2 (eth0): ADDRESS ADDRESS" and the like."""
    lines = (line for line in text.splitlines() if line.startswith(("Global:", "Link ")))
    said = (word for line in lines for word in line.partition(": ")[2].split())
    # A server may be written ADDRESS#NAME or ADDRESS%INTERFACE.
    servers = tuple(dict.fromkeys(address for word in said if (address := address_of(word.partition("#")[0]))))
    return Resolver(servers=servers[:_SERVERS_KEPT], search=(), source="") if servers else None


def dnsmasq(text: str) -> Resolver | None:
    """Lines OPTION or OPTION=VALUE of dnsmasq's settings (dnsmasq(8)).  None: they change nothing of where it gets its servers.

    With no-resolv it asks the servers of its own settings alone; those of one domain (server=/DOMAIN/ADDRESS) do not count.
    Servers of its own beside those of a file, another file, or another place to listen: whom it asks is then not known.
    """
    said = [(option.strip(), value.strip()) for option, _, value in (line.partition("=") for line in text.splitlines())]
    general = [address_of(value.partition("#")[0].partition("@")[0]) for option, value in said
               if option == "server" and not value.startswith("/")]
    listens = {place.strip() for option, value in said if option == "listen-address" for place in value.split(",")}
    harmless = {"", "server", *(["listen-address"] if listens & _LOOPBACK else [])}
    held = {option for option, _ in said} - harmless
    if not general and not held:
        return None
    known = tuple(address for address in general if address) if held == {"no-resolv"} and None not in general else None
    return Resolver(servers=known[:_SERVERS_KEPT] if known is not None else None, search=(), source="")


def local_forwarder(front: Resolver) -> str:
    """The address of the forwarder on the host itself that ``front`` points at; empty where it names real servers."""
    local = [server for server in front.servers or () if ipaddress.ip_address(server).is_loopback]
    return local[0] if local and len(local) == len(front.servers or ()) else ""
