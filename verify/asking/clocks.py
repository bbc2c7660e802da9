"""Whom to ask for the time: every planned source, and every host that must serve time itself."""

from __future__ import annotations

from shared.plan import Endpoint, Host, Plan
from shared.questions import ClockQuestion

#: Exchanges with one server: enough to pick the one that was delayed least (RFC 5905 section 10), few enough to bother
#: nobody (RFC 4330 section 10 asks clients to be frugal; four in a burst is common practice, no source).
EXCHANGES = 4


def site_questions(plan: Plan) -> tuple[ClockQuestion, ...]:
    """One question a planned time source, in plan order.  A source planned by name is resolved by whoever asks."""
    return tuple(ClockQuestion(source, EXCHANGES) for source in plan.time_sources)


def host_questions(plan: Plan, host: Host) -> tuple[ClockQuestion, ...]:
    """One question an address of a host whose role says that it serves time; none for other hosts."""
    role = plan.role(host.role)
    if role is None or role.ntp_port is None:
        return ()
    return tuple(ClockQuestion(Endpoint(address, role.ntp_port, address), EXCHANGES) for address in host.addresses)
