"""SSH seen from outside, graded: who answers on the planned ports, what it offers, and which keys it holds."""

from __future__ import annotations

from collections.abc import Iterator

from shared.evidence import HostEvidence, PortEvidence, PortState, SshEvidence
from shared.findings import Finding, Grade
from shared.plan import Host
from verify.grading.case import Case, in_words
from verify.grading.ssh import algorithms, identity, keys
from verify.grading.ssh.keys import Holder

#: What is planned, as said where there was nobody to ask.
_PLANNED = {
    "ssh.identity": "SSH 2.0",
    "ssh.algorithms": "no algorithm that is ruled out or discouraged",
    "ssh.host-key": "host keys that the server proves to hold",
}
_STATES = {
    PortState.REFUSED: "refuses connections",
    PortState.SILENT: "does not answer",
    PortState.REJECTED: "cannot be reached",
    PortState.UNTRIED: "could not be tried",
}


def grade_host(case: Case, host: Host, evidence: HostEvidence) -> list[Finding]:
    """``ssh.identity``, ``ssh.algorithms`` and ``ssh.host-key`` for every address and planned SSH port of one host."""
    return [finding for address, port, subject in _doors(case, host)
            for finding in _grade_door(case, host, evidence, address, port, subject)]


def grade_fleet(case: Case) -> list[Finding]:
    """``ssh.shared-key`` for every SSH server of every host that was asked."""
    asked = {evidence.fqdn: evidence for evidence in case.evidence.hosts}
    holders = [
        Holder(host.fqdn, address, subject, seen or SshEvidence(address=address, port=port, at="", elapsed_seconds=0.0))
        for host in case.plan.hosts if host.fqdn in asked
        for address, port, subject in _doors(case, host)
        for seen in (_seen(asked[host.fqdn], address, port),)
    ]
    return keys.grade_shared(case, holders)


def _doors(case: Case, host: Host) -> Iterator[tuple[str, str, str]]:
    """Every (address, port, subject) behind which the plan has an SSH server."""
    role = case.plan.role(host.role)
    for port in role.ssh if role else ():
        for address in host.addresses:
            yield address, str(port), f"{port} at {address}" if len(host.addresses) > 1 else str(port)


def _seen(evidence: HostEvidence, address: str, port: str) -> SshEvidence | None:
    return next((seen for seen in evidence.ssh if (seen.address, seen.port) == (address, port)), None)


def _grade_door(case: Case, host: Host, evidence: HostEvidence, address: str, port: str, subject: str) -> list[Finding]:
    state = next((tried for tried in evidence.ports if (tried.address, tried.port) == (address, port)), None)
    seen = _seen(evidence, address, port)
    if state is not None and state.state is not PortState.OPEN:
        return _unasked(case, host, subject, _closed_words(case, state), str(state.state), state.at)
    if seen is None:
        return _unasked(case, host, subject, f"Port {port} on {address} was not asked in this run.", "not-asked", "")
    spoken = identity.grade(case, host.fqdn, subject, seen)
    if not seen.host_key_algorithms and not seen.kex_algorithms:
        return [spoken, *(_nothing_to_judge(case, host, check, subject, seen) for check in ("ssh.algorithms", "ssh.host-key"))]
    return [spoken, algorithms.grade(case, host.fqdn, subject, seen),
            keys.grade(case, host.fqdn, subject, seen, evidence.names, _before(host, evidence, address, port))]


def _before(host: Host, evidence: HostEvidence, address: str, port: str) -> Iterator[SshEvidence]:
    """The servers on the same port at the host's addresses that the plan has before this one."""
    earlier = host.addresses[:host.addresses.index(address)]
    return (seen for one in earlier if (seen := _seen(evidence, one, port)) is not None)


def _closed_words(case: Case, state: PortEvidence) -> str:
    why = f" ({in_words(state.failure)})" if state.failure else ""
    where = f"Port {state.port} on {state.address}, seen from {case.evidence.vantage.name},"
    return f"{where} {_STATES[state.state]}{why}, so there was nobody to ask."


def _unasked(case: Case, host: Host, subject: str, message: str, symptom: str, at: str) -> list[Finding]:
    return [case.finding(host.fqdn, check, subject, Grade.UNPROVEN, planned=_PLANNED[check], found="nobody to ask",
                         message=message, symptom=symptom, at=at) for check in _PLANNED]


def _nothing_to_judge(case: Case, host: Host, check: str, subject: str, seen: SshEvidence) -> Finding:
    why = in_words(seen.failure) if seen.failure else "it speaks only an older version of SSH"
    return case.finding(host.fqdn, check, subject, Grade.UNPROVEN, planned=_PLANNED[check], found="no offer of algorithms",
                        message=f"The server on {seen.port} of {seen.address} made no offer of algorithms: {why}.",
                        symptom="no-ssh", at=seen.at)
