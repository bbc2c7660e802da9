"""What to ask: the questions a plan turns into, as frozen data that can be sent to another process.

``verify.itinerary`` writes questions, the probes answer them.  A question names exactly one thing to look at.
"""

from __future__ import annotations

import msgspec

from shared.knownhosts import KnownKey
from shared.plan import Endpoint, port_label


class NameQuestion(msgspec.Struct, frozen=True, gc=False):
    """Ask one name server for one name and type.

    ``purpose`` says why: server, zone, wildcard, forward, reverse, sshfp, or confirm (a name that a
    reverse answer gave).
    """

    server: Endpoint
    name: str
    rrtype: str
    purpose: str
    transport: str = "udp"


class EchoQuestion(msgspec.Struct, frozen=True, gc=False):
    """Send one warm-up echo and then ``count`` counted ones."""

    address: str
    count: int


class ClockQuestion(msgspec.Struct, frozen=True, gc=False):
    """Hold ``exchanges`` NTP exchanges with one server.  ``server.host`` may be a name, resolved by the planned servers."""

    server: Endpoint
    exchanges: int


class WitnessQuestion(msgspec.Struct, frozen=True, gc=False):
    """Find out what the clock says at an address of a host that serves no time.

    ``ports`` holds the TCP ports that speak HTTP, as (number, "http" or "tls"); ``server_name`` is the name to ask for there.
    """

    address: str
    ports: tuple[tuple[int, str], ...]
    server_name: str


class OwnersQuestion(msgspec.Struct, frozen=True, gc=False):
    """Find every machine that claims an address on the runner's own wire."""

    address: str


class PathQuestion(msgspec.Struct, frozen=True, gc=False):
    """Find out whether packets of ``octets``, the IP header counted, pass whole to an address; or else which size does."""

    address: str
    octets: int


class PortQuestion(msgspec.Struct, frozen=True, gc=False):
    """Try one TCP port.  ``speaks`` is what the plan says is behind it: "tls", "ssh", "" for nothing said.

    ``visits`` is how many further connections to make, just long enough to see who is there (``evidence.Identity``).
    """

    address: str
    port: int
    speaks: str
    server_name: str
    visits: int = 0

    @property
    def label(self) -> str:
        """The port as evidence names it: "443/tcp"."""
        return port_label(self.port)


class SystemQuestion(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Log in to a host, at the first of ``addresses`` that takes the connection, and ask it about itself.

    ``known`` are the host keys that the plan vouches for.  ``key`` is the path of the private key on the runner, empty where
    an agent is to sign.  ``topics`` names what to find out (``shared.hostcommands``), ``own`` holds the site's own questions
    as (name, command), ``services`` the planned units.
    """

    fqdn: str
    addresses: tuple[str, ...]
    port: int
    user: str
    known: tuple[KnownKey, ...]
    key: str = ""
    topics: tuple[str, ...] = ()
    services: tuple[str, ...] = ()
    own: tuple[tuple[str, str], ...] = ()


class HostQuestions(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Everything to ask about one host."""

    fqdn: str
    names: tuple[NameQuestion, ...] = ()
    echoes: tuple[EchoQuestion, ...] = ()
    clocks: tuple[ClockQuestion, ...] = ()
    ports: tuple[PortQuestion, ...] = ()
    witnesses: tuple[WitnessQuestion, ...] = ()
    systems: tuple[SystemQuestion, ...] = ()
    owners: tuple[OwnersQuestion, ...] = ()
    paths: tuple[PathQuestion, ...] = ()


class SiteQuestions(msgspec.Struct, frozen=True, kw_only=True):
    """Everything to ask once for the whole site: its name servers, time sources and gateways."""

    names: tuple[NameQuestion, ...] = ()
    gateways: tuple[EchoQuestion, ...] = ()
    clocks: tuple[ClockQuestion, ...] = ()
    owners: tuple[OwnersQuestion, ...] = ()


class Pace(msgspec.Struct, frozen=True, kw_only=True):
    """How gently to ask.

    ``timeout_seconds`` covers one whole question with its retries; ``packets_per_second`` bounds what is sent in all;
    ``hosts`` bounds the hosts visited at once, ``connections`` the sockets open at once (a silent port holds one but
    costs nothing else), ``handshakes`` those in a TLS or SSH handshake.  ``server_questions`` bounds the questions that one name
    server has in hand: with Linux's usual receive buffer a server that is looking away loses the 257th (measured).
    ``agent`` names the tool and the ticket to whoever reads the other side's log.
    """

    timeout_seconds: float = 6.0
    packets_per_second: float = 1000.0
    hosts: int = 1000
    connections: int = 4000
    handshakes: int = 64
    server_questions: int = 200
    echo_spacing_seconds: float = 0.2
    clock_spacing_seconds: float = 0.5
    agent: str = "seatrial"


class Itinerary(msgspec.Struct, frozen=True, kw_only=True):
    """A whole run's questions, or a slice of them: what a worker needs and all it needs.

    ``networks`` holds (name, subnet, an address in it) for telling which networks the worker stands in itself.
    ``name_servers`` are the planned ones, for the time sources that are planned by name.
    """

    networks: tuple[tuple[str, str, str], ...]
    name_servers: tuple[Endpoint, ...]
    site: SiteQuestions
    hosts: tuple[HostQuestions, ...]
    pace: Pace
