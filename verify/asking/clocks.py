"""Whom to ask for the time: every planned source, every host that must serve time itself, and of the others what shows it."""

from __future__ import annotations

from shared.plan import Endpoint, Host, Plan
from shared.questions import ClockQuestion, WitnessQuestion
from verify.asking.hosts import addresses_among

#: Exchanges with one server: enough to pick the one that was delayed least (RFC 5905 section 10), few enough to bother
#: nobody (RFC 4330 section 10 asks clients to be frugal; four in a burst is common practice, no source).
EXCHANGES = 4
#: HTTP ports of one address whose Date is read: two can contradict each other, more would only be a bother (common practice,
#: no source).
HTTP_PORTS = 2


def site_questions(plan: Plan) -> tuple[ClockQuestion, ...]:
    """One question a planned time source, in plan order.  A source planned by name is resolved by whoever asks."""
    return tuple(ClockQuestion(source, EXCHANGES) for source in plan.time_sources)


def host_questions(plan: Plan, host: Host) -> tuple[ClockQuestion, ...]:
    """One question an address of a host whose role says that it serves time; none for other hosts."""
    role = plan.role(host.role)
    if role is None or role.ntp_port is None:
        return ()
    return tuple(ClockQuestion(Endpoint(address, role.ntp_port, address), EXCHANGES)
                 for address in addresses_among(host.addresses))


def witness_questions(plan: Plan, host: Host) -> tuple[WitnessQuestion, ...]:
    """One question an address of a host whose role serves no time, naming its first few HTTP ports, plain ones first.

    A host that serves time is asked for it, which is finer than all this, and is not bothered further.
    """
    role = plan.role(host.role)
    if role is None or role.ntp_port is not None:
        return ()
    plain = [port for port in role.http if port not in role.tls]
    # Where there are both, one of each: they are the likeliest to have different servers behind them.
    ports = [(port.number, "http") for port in plain[: HTTP_PORTS - 1 if role.tls else HTTP_PORTS]]
    ports += [(port.number, "tls") for port in role.tls[: HTTP_PORTS - len(ports)]]
    return tuple(WitnessQuestion(address, tuple(ports), host.fqdn) for address in addresses_among(host.addresses))
