"""The certificate family: every planned TLS port of a host, and keys across hosts.

What a port does not show is never judged: a port that is not open or does not speak TLS leaves every certificate check
unproven, and only ``certificate.protocol`` fails where something else than TLS answers.
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from shared.evidence import FailureKind, HostEvidence, PortEvidence, PortState, TlsEvidence
from shared.findings import Finding, Grade
from shared.plan import Host
from shared.safetext import visible
from verify.grading.case import Case, in_words
from verify.grading.certificate import dates, name, strength, trust
from verify.grading.certificate.sight import Door, Sight, doors, look, request_lines

_JUDGES: dict[str, Callable[[Sight], Finding]] = {
    "certificate.protocol": strength.grade_protocol,
    "certificate.trust": trust.grade,
    "certificate.name": name.grade,
    "certificate.dates": dates.grade,
    "certificate.key": strength.grade_key,
    "certificate.signature": strength.grade_signature,
}
_PLANNED = "a certificate shown over TLS"
_PROTOCOL_PLANNED = "TLS 1.2 or 1.3, and nothing older"
#: How the evidence names the alert of a server that does not know the name it is asked for (RFC 8446 section 6.2).
_NAME_ALERT = "unrecognized_name (112)"
_STATES = {PortState.REFUSED: "refuses connections", PortState.SILENT: "does not answer",
           PortState.REJECTED: "cannot be reached", PortState.UNTRIED: "could not be tried"}


def grade_host(case: Case, host: Host, evidence: HostEvidence) -> list[Finding]:
    """Every certificate check but ``certificate.shared-key``, for each planned TLS port at each address of one host."""
    graded = [(door, _grade_door(case, door, evidence)) for door in doors(case, host)]
    right = {door.port: door.address for door, findings in reversed(graded)
             for finding in findings if finding.check == "certificate.name" and finding.grade is Grade.PASS}
    return [_right_elsewhere(finding, door, right.get(door.port)) for door, findings in graded for finding in findings]


def _right_elsewhere(finding: Finding, door: Door, address: str | None) -> Finding:
    """Where another address of the host shows a certificate of the right name, to ask for a new one is the last thing to do."""
    if finding.check != "certificate.name" or finding.grade is not Grade.FAIL or address is None:
        return finding
    doubt = f"{address} shows the right certificate, so {door.address} may be another machine's"
    first = (f"ip address    # at the console of {door.host.fqdn}: {doubt}",
             "# where the host has both: give its listener there the same certificate; only where that is not to be had:")
    return msgspec.structs.replace(finding, fix=(*first, *finding.fix))


def _grade_door(case: Case, door: Door, evidence: HostEvidence) -> list[Finding]:
    tried, tls = door.tried(evidence), door.seen(evidence)
    if tried is not None and tried.state is not PortState.OPEN:
        return [_unproven(case, door, check, _closed(case, door, tried), str(tried.state), tried.at) for check in _JUDGES]
    if tls is None:
        words = f"Port {door.port} on {door.address} was not asked for its certificate in this run."
        return [_unproven(case, door, check, words, "not-asked", "") for check in _JUDGES]
    if not tls.chain:
        return [_no_certificate(case, door, tls), *(
            _unproven(case, door, check, f"No certificate was seen on {door.subject}: {_what_happened(tls)}.", "no-tls", tls.at)
            if check != "certificate.name" or not _knows_no_such_name(tls) else _name_not_known(case, door, tls)
            for check in _JUDGES if check != "certificate.protocol")]
    sight = look(case, door, tls)
    return [judge(sight) for judge in _JUDGES.values()]


def _unproven(case: Case, door: Door, check: str, message: str, symptom: str, at: str) -> Finding:
    return case.finding(door.host.fqdn, check, door.subject, Grade.UNPROVEN, planned=_PLANNED, found="no certificate seen",
                        message=message, symptom=symptom, at=at)


def _closed(case: Case, door: Door, tried: PortEvidence) -> str:
    why = f" ({in_words(tried.failure)})" if tried.failure else ""
    return (f"Port {door.port} on {door.address} {_STATES[tried.state]} as seen from {case.evidence.vantage.name}{why}, so no "
            "certificate was seen.")


def _what_happened(tls: TlsEvidence) -> str:
    return in_words(tls.failure) if tls.failure else "the server sent none"


def _knows_no_such_name(tls: TlsEvidence) -> bool:
    """Whether the server, asked for a name, ended the handshake over that very name (RFC 6066 section 3)."""
    return (bool(tls.server_name) and tls.failure is not None and tls.failure.kind is FailureKind.TLS_ALERT
            and tls.failure.detail == _NAME_ALERT)


def _name_not_known(case: Case, door: Door, tls: TlsEvidence) -> Finding:
    wanted = door.host.fqdn
    return case.finding(
        door.host.fqdn, "certificate.name", door.subject, Grade.FAIL, planned=f"DNS name {wanted}",
        found=f"alert {_NAME_ALERT}", symptom="name-not-known", at=tls.at,
        message=f"The server on {door.subject} says that it knows no site by the name {visible(tls.server_name)}, and ends the "
                "handshake with whoever asks for it (RFC 6066 section 3).",
        fix=(f"# add {wanted} to the server names of the site that is meant, and reload the server; where it has no certificate",
             "# for that name yet:", *request_lines(door.host)))


def _no_certificate(case: Case, door: Door, tls: TlsEvidence) -> Finding:
    """``certificate.protocol`` where no certificate came.

    A fail where something else than TLS was heard, and where the port took a whole hello and stayed silent: the plan says
    that it speaks TLS.  A reset or an alert may be of the moment, and what our own library cannot read may be its limit, so
    these are unproven.
    """
    if tls.failure is not None and tls.failure.kind is FailureKind.MALFORMED and tls.greeting:
        said = visible(tls.greeting.split("\n")[0].strip()[:80])
        return case.finding(
            door.host.fqdn, "certificate.protocol", door.subject, Grade.FAIL, planned=_PROTOCOL_PLANNED,
            found=f"not TLS: {said}", symptom="not-tls", at=tls.at,
            message=f"What listens on {door.subject} answers a TLS hello with something else than TLS. It begins: {said}",
            fix=(f"ss -ltnp 'sport = :{door.port.partition('/')[0]}'    # at the console of {door.host.fqdn}: what listens there",
                 "# turn TLS on for that listener and give it the certificate and key, then reload it",
                 f'# or, where it is not meant to speak TLS: take "{door.port}" out of the role\'s tls list in the plan'))
    old = [remark for remark in strength.protocol_remarks(tls) if remark.grade is Grade.FAIL]
    if old:
        return case.finding(
            door.host.fqdn, "certificate.protocol", door.subject, Grade.FAIL, planned=_PROTOCOL_PLANNED,
            found=strength.shown_versions(tls), symptom=old[0].symptom, at=tls.at,
            message=" ".join(remark.text for remark in old) + f" The handshake itself did not end: {_what_happened(tls)}.",
            fix=tuple(dict.fromkeys(line for remark in old for line in remark.fix)))
    if tls.failure is not None and tls.failure.kind is FailureKind.NO_ANSWER:
        return case.finding(
            door.host.fqdn, "certificate.protocol", door.subject, Grade.FAIL, planned=_PROTOCOL_PLANNED,
            found=_what_happened(tls), symptom="silent-after-accept", at=tls.at,
            message=f"{door.subject} takes connections but does not speak TLS as planned: {_what_happened(tls)}.",
            fix=(f"ss -ltnp 'sport = :{door.port.partition('/')[0]}'    # at the console of {door.host.fqdn}: what listens there",
                 "# a service that hangs: see its log, restart it, and verify again",
                 f'# or, where it is not meant to speak TLS: take "{door.port}" out of the role\'s tls list in the plan'))
    return case.finding(
        door.host.fqdn, "certificate.protocol", door.subject, Grade.UNPROVEN, planned=_PROTOCOL_PLANNED,
        found=strength.shown_versions(tls), symptom="no-tls", at=tls.at,
        message=f"{door.subject} takes connections, and no TLS handshake came about: {_what_happened(tls)}.")
