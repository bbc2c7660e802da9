"""``certificate.shared-key``: no two hosts hold the same private key by accident."""

from __future__ import annotations

from dataclasses import dataclass

from shared.evidence import CertificateFacts, TlsEvidence
from shared.findings import Finding, Grade
from verify.grading.case import Case
from verify.grading.certificate.name import covers
from verify.grading.certificate.sight import Door, doors, request_lines

_PLANNED = "a key and a serial number that no other host of the plan has"

#: The most hosts listed in one finding.  Ours: the rest have findings of their own.
_SHOWN = 8


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
        self._by_key: dict[str, list[_Holder]] = {}
        self._by_serial: dict[tuple[str, str], list[_Holder]] = {}
        self._meant: dict[str, bool] = {}
        for holder, leaf in known:
            self._by_key.setdefault(leaf.key_sha256, []).append(holder)
            self._by_serial.setdefault((leaf.issuer, leaf.serial), []).append(holder)

    def twins(self, holder: _Holder, leaf: CertificateFacts) -> list[str]:
        """The other hosts with the same key."""
        return _others(holder, self._by_key[leaf.key_sha256])

    def namesakes(self, holder: _Holder, leaf: CertificateFacts) -> list[str]:
        """The other hosts whose certificate has the same issuer and serial number."""
        return _others(holder, self._by_serial[(leaf.issuer, leaf.serial)])

    def meant(self, leaf: CertificateFacts) -> bool:
        """Whether a shared certificate names every host that holds its key."""
        if leaf.sha256 not in self._meant:
            names = {other.fqdn for other in self._by_key[leaf.key_sha256]}
            self._meant[leaf.sha256] = all(covers(leaf, name) for name in names)
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
        return _shared(case, holder, _listed(twins), meant=fleet.meant(leaf))
    namesakes = _listed(fleet.namesakes(holder, leaf))
    if namesakes:
        return _write(
            case, holder, Grade.CAUTION, f"serial number also on {namesakes}", "The certificate has its issuer and serial number "
            f"in common with another one, on {namesakes}; they must be unique, and some browsers refuse the second they meet "
            "(RFC 5280 section 4.1.2.2).", "same-serial",
            ("# have one of them issued again by an authority that keeps count:", *request_lines(holder.door.host)))
    return _write(case, holder, Grade.PASS, "a key of its own",
                  f"The key of {holder.fqdn} is no other host's, of {fleet.hosts_known} hosts compared.")


def _others(holder: _Holder, group: list[_Holder]) -> list[str]:
    """The others of a group on other machines: two plan entries for one address are ``plan.duplicate``'s to judge."""
    return sorted({other.fqdn for other in group
                   if other.fqdn != holder.fqdn and other.door.address != holder.door.address})


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return ", ".join(names[:_SHOWN]) + more


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
