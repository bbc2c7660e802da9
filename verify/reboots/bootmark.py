"""Asks a host over SSH which boot it is running, where the plan gives access: before a reboot, and after it."""

from __future__ import annotations

import datetime

from probes.hostword import LoginPool
from probes.seam import Network
from shared.boots import BootMark
from shared.evidence import SystemEvidence
from shared.plan import Host, Plan
from verify.asking import systems

#: The check whose questions bring the boot identifier and the uptime.
_UPTIME = "system.uptime"


async def ask(logins: LoginPool, network: Network, plan: Plan, host: Host) -> BootMark | None:
    """The present boot of a host; None where the plan gives no access, or the host did not say."""
    for question in systems.host_questions(plan, host, systems.known_hosts(plan), (_UPTIME,)):
        return mark_of((await logins.ask(network, question)).system)
    return None


def mark_of(system: SystemEvidence | None) -> BootMark | None:
    """The boot that a host told of; when it began is the runner's time less the host's uptime."""
    if system is None or not (system.facts.boot_id or system.facts.uptime_seconds is not None):
        return None
    return BootMark(at=system.at, boot_id=system.facts.boot_id, booted=_before(system.at, system.facts.uptime_seconds))


def _before(at: str, seconds: float | None) -> str:
    """RFC 3339 text of ``seconds`` before ``at``; empty where either is not known or makes no date."""
    if seconds is None:
        return ""
    try:
        began = datetime.datetime.fromisoformat(at) - datetime.timedelta(seconds=seconds)
    except (ValueError, OverflowError):
        return ""
    return f"{began.astimezone(datetime.UTC):%Y-%m-%dT%H:%M:%S.%fZ}"
