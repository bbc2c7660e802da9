"""One TLS port as it was seen: what every check of its certificate reads, and how each writes its finding."""

from __future__ import annotations

import datetime
import functools
from collections.abc import Sequence
from dataclasses import dataclass

from shared.evidence import CertificateFacts, HostEvidence, PortEvidence, TlsEvidence
from shared.findings import Finding, Grade, Measured
from shared.plan import Host
from shared.quantities import Interval, Limits
from shared.safetext import visible
from verify.grading.case import Case
from verify.grading.certificate.path import Kind, Outcome, anchors_of, load, validate

#: From the worst to the best; what is unproven outranks a caution as it does in a verdict.
_ORDER = (Grade.FAIL, Grade.UNPROVEN, Grade.CAUTION, Grade.PASS)


@dataclass(frozen=True, slots=True)
class Door:
    """One planned TLS port of one host at one address; ``subject`` names it in findings."""

    host: Host
    address: str
    port: str
    subject: str

    def seen(self, evidence: HostEvidence) -> TlsEvidence | None:
        """What its handshake brought, if there was one."""
        return next((tls for tls in evidence.tls if (tls.address, tls.port) == (self.address, self.port)), None)

    def tried(self, evidence: HostEvidence) -> PortEvidence | None:
        """What its TCP port answered, if it was tried."""
        return next((port for port in evidence.ports if (port.address, port.port) == (self.address, self.port)), None)


def doors(case: Case, host: Host) -> list[Door]:
    """Every TLS port the plan gives a host, at each of its addresses."""
    role = case.plan.role(host.role)
    several = len(host.addresses) > 1
    return [Door(host, address, str(port), f"{port} at {address}" if several else str(port))
            for port in (role.tls if role else ()) for address in host.addresses]


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing said about a port's certificates, its grade, and the mend."""

    grade: Grade
    text: str
    symptom: str = ""
    fix: tuple[str, ...] = ()


@dataclass(frozen=True)
class Sight:
    """A TLS port whose certificate was seen.  ``outcome`` is where its chain leads."""

    case: Case
    door: Door
    tls: TlsEvidence
    outcome: Outcome

    @property
    def leaf(self) -> CertificateFacts:
        """The server's own certificate."""
        return self.tls.chain[0]

    @property
    def when(self) -> Interval | None:
        """The true time of the handshake by the agreed time, as Unix seconds; None where no time is agreed on."""
        if self.case.agreed is None:
            return None
        runner = unix(self.tls.at)
        return Interval(runner + self.case.agreed.lo, runner + self.case.agreed.hi)

    @functools.cached_property
    def links(self) -> tuple[CertificateFacts, ...]:
        """The certificates that the server answers for, its own first.

        Those on the path to the anchor where there is one, else all that were sent.  Anchors and roots are left out:
        their own dates and signatures play no part in a path (RFC 5280 section 6.1; RFC 8446 section 4.4.2.2).
        """
        trusted = self.outcome.kind is Kind.TRUSTED
        above = (link for link in dict.fromkeys(self.tls.chain[1:])
                 if link != self.leaf and not link.self_signed and not self.is_anchor(link)
                 and (not trusted or load(link.der) in self.outcome.path))
        return (self.leaf, *above)

    def is_anchor(self, link: CertificateFacts) -> bool:
        """Whether this very certificate is one of the anchors."""
        return anchors_of(self.case.plan.anchors_pem).holds(link.der)

    def finding(
        self, check: str, remarks: Sequence[Remark], *, planned: str, found: str, measured: Measured | None = None,
        limits: Limits | None = None,
    ) -> Finding:
        """Everything there is to say for one check, under the worst of its grades.  ``remarks`` is not empty."""
        told = sorted(remarks, key=lambda remark: _ORDER.index(remark.grade))
        worst = told[0].grade
        return self.case.finding(
            self.door.host.fqdn, check, self.door.subject, worst, planned=planned, found=found,
            message=" ".join(remark.text for remark in told),
            fix=tuple(dict.fromkeys(line for remark in told if remark.grade is not Grade.PASS for line in remark.fix))
            if worst in (Grade.FAIL, Grade.CAUTION) else (),
            symptom=told[0].symptom, measured=measured, limits=limits, at=self.tls.at)


def worth_saying(remarks: Sequence[Remark]) -> list[Remark]:
    """The remarks that are no pass; all of them where all are."""
    return [remark for remark in remarks if remark.grade is not Grade.PASS] or list(remarks)


def look(case: Case, door: Door, tls: TlsEvidence) -> Sight:
    """Put what was seen together with where its chain leads.  ``tls.chain`` is not empty."""
    moment = None
    if case.agreed is not None:
        moment = datetime.datetime.fromtimestamp(unix(tls.at) + case.agreed.value, datetime.UTC).replace(microsecond=0)
    leaf, *others = tls.chain
    outcome = validate(leaf.der, [other.der for other in others], anchors_of(case.plan.anchors_pem), moment)
    return Sight(case, door, tls, outcome)


@functools.lru_cache(maxsize=4096)
def unix(stamp: str) -> float:
    """Unix seconds of an RFC 3339 UTC stamp as evidence has it."""
    return datetime.datetime.fromisoformat(stamp).timestamp()


def request_lines(host: Host) -> tuple[str, ...]:
    """How to ask an authority for a certificate of this host: the name list, and one way to write the request.

    Several findings print these lines: the key in use is left alone, and a key that was just made is not made again.
    """
    # RFC 5280 appendix A.1: a common name has 64 characters at most.  It plays no part in matching (RFC 9525 section 2).
    common = host.fqdn if len(host.fqdn) <= 64 else host.name[:64]
    key = f"{host.name}.new.key"
    request = f'openssl req -new -key {key} -subj "/CN={common}" -addext "subjectAltName=DNS:{host.fqdn}"'
    return (f"# ask the site's authority for a certificate with the subject alternative name DNS:{host.fqdn},",
            "# by the request that these lines make, and install it together with the new key:",
            f"[ -e {key} ] || openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out {key}",
            f"{request} -out {host.name}.new.csr")


def title(facts: CertificateFacts) -> str:
    """How a certificate is named in a sentence: its common name, its subject, or its fingerprint."""
    return visible(facts.common_name or facts.subject) or f"the certificate with fingerprint {facts.sha256[:16]}"
