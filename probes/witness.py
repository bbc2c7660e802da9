"""Finds out what the clock says of a host that serves no time: ICMP time stamps, and the Date of its HTTP answers.

A host that serves time is asked for it (``probes.clock``) and not bothered with this.
"""

from __future__ import annotations

import asyncio

from probes import httpdate, icmptime
from probes.seam import Network
from shared.evidence import ClockWitness
from shared.questions import WitnessQuestion


async def ask_clock(network: Network, question: WitnessQuestion) -> tuple[ClockWitness, ...]:
    """Ask every witness of one address: ICMP time stamps first, then each HTTP port, all ports at once.

    Time stamps are finer than any Date but know no day.  Where they came, a few Dates are enough to tell the day and to
    notice a contradiction; only where they did not is the Date's second hunted.  ICMP for IPv6 has no time stamps (RFC
    4443).  Never raises.
    """
    stamps = () if ":" in question.address else (await icmptime.ask(network, question.address),)
    requests = httpdate.FEWEST_REQUESTS if any(witness.samples for witness in stamps) else httpdate.REQUESTS
    async with asyncio.TaskGroup() as group:
        hunts = [group.create_task(httpdate.hunt(network, question, port, speaks, requests=requests))
                 for port, speaks in question.ports]
    return (*stamps, *(task.result() for task in hunts))
