"""Whom to send echoes, and which ports to knock on: nothing that the plan does not name."""

from __future__ import annotations

from collections.abc import Iterable

from shared.addresses import is_address
from shared.plan import Host, Plan, Role
from shared.questions import EchoQuestion, PortQuestion
from shared.special_addresses import means_one_wire

#: Echoes in a burst that are counted.  Three to five, common practice, no source; that it is one short burst a run and
#: never a loop is RFC 1122 section 3.3.1.4.
ECHOES = 5


def gateways(plan: Plan) -> list[str]:
    """The planned gateways that can be asked, in plan order, each once however many networks share it.

    Of a link-local one any machine on the runner's own wire may answer.
    """
    planned = addresses_among(gateway for network in plan.networks for gateway in network.gateways)
    return [gateway for gateway in planned if not means_one_wire(gateway)]


def gateway_questions(plan: Plan) -> tuple[EchoQuestion, ...]:
    """One burst for each gateway that can be asked."""
    return tuple(EchoQuestion(gateway, ECHOES) for gateway in gateways(plan))


def echo_questions(host: Host) -> tuple[EchoQuestion, ...]:
    """One burst for each address of the host."""
    return tuple(EchoQuestion(address, ECHOES) for address in addresses_among(host.addresses))


#: Further visits to one port an address, to see whether the same host is there.  Ours: few enough for the limits that an SSH
#: server puts on callers who never log in.
VISITS = 2


def port_questions(plan: Plan, host: Host, *, visits: int = 0) -> tuple[PortQuestion, ...]:
    """One knock on each planned TCP port of each address, whether it must be open or closed.

    The first one that shows who is there, by TLS before SSH, is visited ``visits`` more times.
    UDP ports are not knocked on: silence over UDP proves nothing, so grading calls them unproven.
    """
    role = plan.role(host.role)
    if role is None:
        return ()
    ports = dict.fromkeys(port for port in (*role.tls, *role.ssh, *role.open, *role.http, *role.closed)
                          if port.transport == "tcp")
    telling = next((port for port in (*role.tls, *role.ssh) if port.transport == "tcp"), None)
    return tuple(PortQuestion(address, port.number, _speaks(role, port.number), host.fqdn, visits if port == telling else 0)
                 for address in addresses_among(host.addresses) for port in ports)


def _speaks(role: Role, number: int) -> str:
    if any(port.number == number for port in role.tls):
        return "tls"
    return "ssh" if any(port.number == number for port in role.ssh) else ""


def addresses_among(texts: Iterable[str]) -> list[str]:
    """Those that are addresses, each once; lint reports the rest."""
    return [text for text in dict.fromkeys(texts) if is_address(text)]
