"""Whom to ask about themselves over SSH, and what: nothing without ``[access]`` in the plan."""

from __future__ import annotations

from collections.abc import Collection

from shared.hostcommands import TOPICS
from shared.knownhosts import KnownHosts, keys_of, parse
from shared.plan import Host, Plan
from shared.questions import SystemQuestion


def known_hosts(plan: Plan) -> KnownHosts:
    """The host keys that the plan vouches for, read once for all hosts."""
    return parse(plan.access.known_hosts_text if plan.access else "")


def host_questions(plan: Plan, host: Host, known: KnownHosts, checks: Collection[str]) -> tuple[SystemQuestion, ...]:
    """One login to a host that the plan gives access to, if any of ``checks`` needs one; it asks only what these need."""
    port, access = plan.login_port(host), plan.access
    if access is None or port is None:
        return ()
    topics = tuple(topic.name for topic in TOPICS if not set(checks).isdisjoint(topic.checks))
    own = plan.questions_for(host) if "system.question" in checks else ()
    if not topics and not own and "system.login" not in checks:
        return ()
    role = plan.role(host.role)
    names = (host.fqdn, host.fqdn.partition(".")[0], *host.addresses)
    return (SystemQuestion(
        fqdn=host.fqdn, addresses=host.addresses, port=port, user=access.user, known=keys_of(known, names, port),
        key=access.key, topics=topics, services=role.services if role else (),
        own=tuple((question.name, question.command) for question in own)),)
