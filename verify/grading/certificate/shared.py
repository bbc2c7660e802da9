"""``certificate.shared-key``: no two hosts hold the same private key by accident."""

from __future__ import annotations

from dataclasses import dataclass

from shared.evidence import CertificateFacts, TlsEvidence
from shared.findings import Finding, Grade
from verify.grading.case import Case
from verify.grading.certificate.name import covers
from verify.grading.certificate.sight import Door, doors, request_lines
from verify.grading.machines import Machines, listed

_PLANNED = "a key and a serial number that no other host of the plan has"


@dataclass(frozen=True, slots=True)
class _Holder:
    """A TLS port, and the certificate it showed if any could be read."""

    door: Door
    seen: TlsEvidence | None
    leaf: CertificateFacts | None

    @property
    def fqdn(self) -> str:
        return self.door.host.fqdn


def grade_fleet(case: Case) -> list[Finding]:
    """``certificate.shared-key`` for every TLS port of every host that was asked.

    A site with one TLS host has nothing to compare and gets no finding.
    """
    asked = {evidence.fqdn: evidence for evidence in case.evidence.hosts}
    holders = [_holder(door, door.seen(asked[host.fqdn]))
               for host in case.plan.hosts if host.fqdn in asked for door in doors(case, host)]
    if len({holder.fqdn for holder in holders}) < 2:
        return []
    fleet = _Fleet(holders)
    return [_grade(case, holder, fleet) for holder in holders]


class _Fleet:
    """Who holds which key and which serial number."""

    def __init__(self, holders: list[_Holder]) -> None:
        known = [(holder, holder.leaf) for holder in holders if holder.leaf is not None]
        self.hosts_known = len({holder.fqdn for holder, _ in known})
        keys: dict[str, list[_Holder]] = {}
        serials: dict[tuple[str, str], list[_Holder]] = {}
        for holder, leaf in known:
            keys.setdefault(leaf.key_sha256, []).append(holder)
            serials.setdefault((leaf.issuer, leaf.serial), []).append(holder)
        self._by_key = {key: _machines(group) for key, group in keys.items()}
        self._by_serial = {serial: _machines(group) for serial, group in serials.items()}
        self._names = {key: {holder.fqdn for holder in group} for key, group in keys.items()}
        self._meant: dict[str, bool] = {}

    def twins(self, holder: _Holder, leaf: CertificateFacts) -> str:
        """The other hosts with the same key, as listed; empty for none."""
        return _others(holder, self._by_key[leaf.key_sha256])

    def namesakes(self, holder: _Holder, leaf: CertificateFacts) -> str:
        """The other hosts whose certificate has the same issuer and serial number, as listed; empty for none."""
        return _others(holder, self._by_serial[(leaf.issuer, leaf.serial)])

    def meant(self, leaf: CertificateFacts) -> bool:
        """Whether a shared certificate names every host that holds its key."""
        if leaf.sha256 not in self._meant:
            self._meant[leaf.sha256] = all(covers(leaf, name) for name in self._names[leaf.key_sha256])
        return self._meant[leaf.sha256]


def _holder(door: Door, seen: TlsEvidence | None) -> _Holder:
    leaf = seen.chain[0] if seen is not None and seen.chain and not seen.chain[0].parse_error else None
    return _Holder(door, seen, leaf)


def _grade(case: Case, holder: _Holder, fleet: _Fleet) -> Finding:
    leaf = holder.leaf
    if leaf is None:
        return _write(case, holder, Grade.UNPROVEN, "not compared", f"No certificate of {holder.fqdn} was seen on "
                      f"{holder.door.subject}, so its key could not be compared with those of other hosts.", "no-tls")
    if fleet.hosts_known < 2:
        return _write(case, holder, Grade.UNPROVEN, "not compared", f"No other host's certificate was seen, so the key of "
                      f"{holder.fqdn} could not be compared.", "nothing-to-compare")
    twins = fleet.twins(holder, leaf)
    if twins:
        return _shared(case, holder, twins, meant=fleet.meant(leaf))
    namesakes = fleet.namesakes(holder, leaf)
    if namesakes:
        return _write(
            case, holder, Grade.CAUTION, f"serial number also on {namesakes}", "The certificate has its issuer and serial number "
            f"in common with another one, on {namesakes}; they must be unique, and some browsers refuse the second they meet "
            "(RFC 5280 section 4.1.2.2).", "same-serial",
            ("# have one of them issued again by an authority that keeps count:", *request_lines(holder.door.host)))
    return _write(case, holder, Grade.PASS, "a key of its own",
                  f"The key of {holder.fqdn} is no other host's, of {fleet.hosts_known} hosts compared.")


def _machines(group: list[_Holder]) -> Machines:
    return Machines((holder.fqdn, holder.door.address) for holder in group)


def _others(holder: _Holder, group: Machines) -> str:
    where = (holder.fqdn, holder.door.address)
    return listed(group.beside(*where), group.count_beside(*where))


def _shared(case: Case, holder: _Holder, listed: str, *, meant: bool) -> Finding:
    found = f"the same key as {listed}"
    if meant:
        return _write(
            case, holder, Grade.CAUTION, found, f"{holder.fqdn} shares its private key with {listed}, and the certificate names "
            "them all: meant so, by the look of it, but whoever takes the key from one of them can pose as any.",
            "shared-on-purpose",
            ("# where every host can have a certificate of its own, give it one:", *request_lines(holder.door.host)))
    return _write(
        case, holder, Grade.FAIL, found, f"{holder.fqdn} shares its private key with {listed}, and its certificate does not name "
        "them all: they were copied from one image, and whoever holds one of them can pose as the others.", "cloned",
        ("# on every host named here: remove the copied key and certificate, and make new ones on the host itself",
         *request_lines(holder.door.host)))


def _write(
    case: Case, holder: _Holder, grade: Grade, found: str, message: str, symptom: str = "", fix: tuple[str, ...] = ()
) -> Finding:
    return case.finding(holder.fqdn, "certificate.shared-key", holder.door.subject, grade, planned=_PLANNED, found=found,
                        message=message, symptom=symptom, fix=fix, at=holder.seen.at if holder.seen else "")
