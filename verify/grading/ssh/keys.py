"""Host keys: long enough, really held, in agreement with the zone, and no other host's."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from shared.evidence import FailureKind, NameAnswer, SshEvidence, SshHostKey, SshKeyFailure
from shared.findings import Finding, Grade, Measured
from shared.hostnames import same_name
from shared.quantities import Interval
from verify.grading.case import GRADE_OF, Case, in_words
from verify.grading.machines import Machines, listed
from verify.grading.ssh.algorithms import KEY_EXCHANGE, is_good
from verify.grading.ssh.apart import strangers, which_is_whose

#: SSHFP algorithm numbers: RFC 4255 section 3.1.1 (RSA), RFC 6594 section 3 (ECDSA), RFC 7479 section 2 (Ed25519).
_ALGORITHMS = {"ssh-rsa": 1, "ecdsa-sha2-nistp256": 3, "ecdsa-sha2-nistp384": 3, "ecdsa-sha2-nistp521": 3, "ssh-ed25519": 4}
_ECDSA = 3
#: SSHFP digest types: RFC 4255 section 3.1.2 (SHA-1), RFC 6594 section 3 (SHA-256).
_DIGESTS = {1: "sha1", 2: "sha256"}
_SHA_256 = 2
#: From the worst to the best; what is unproven outranks a caution as it does in a verdict.
_ORDER = (Grade.FAIL, Grade.UNPROVEN, Grade.CAUTION, Grade.PASS)

_RESTART = "systemctl restart ssh    # the unit is called sshd on some systems"


@dataclass(frozen=True, slots=True)
class _Remark:
    """One thing said about the keys of one server, with the mend."""

    grade: Grade
    text: str
    symptom: str = ""
    fix: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """One SSHFP record (RFC 4255 section 3.1): algorithm and digest type by number, the digest as lower-case hex."""

    algorithm: int
    digest_type: int
    digest: str

    def __str__(self) -> str:
        return f"{self.algorithm} {self.digest_type} {self.digest}"


def fingerprint_record(key: SshHostKey, digest_type: int = _SHA_256) -> Fingerprint | None:
    """The SSHFP record that belongs to a key, or None for a key type or digest type without a number here."""
    algorithm, digest = _ALGORITHMS.get(key.key_type), _DIGESTS.get(digest_type)
    if algorithm is None or digest is None:
        return None
    return Fingerprint(algorithm, digest_type, hashlib.new(digest, key.blob, usedforsecurity=False).hexdigest())


def read_fingerprint(value: str) -> Fingerprint | None:
    """An SSHFP record from its presentation form (RFC 4255 section 3.2), or None where it is not one."""
    fields = value.split()
    if len(fields) < 3 or not all(field.isascii() and field.isdigit() and len(field) <= 3 for field in fields[:2]):
        return None
    digest = "".join(fields[2:]).lower()
    if not digest or any(char not in "0123456789abcdef" for char in digest):
        return None
    return Fingerprint(int(fields[0]), int(fields[1]), digest)


def grade(
    case: Case, host: str, subject: str, seen: SshEvidence, names: Iterable[NameAnswer], before: Iterable[SshEvidence] = ()
) -> Finding:
    """``ssh.host-key``: everything there is to say of one server's keys, under the worst of its grades.

    ``before`` are the servers at the addresses of the host that come earlier in the plan.
    """
    remarks = [*_held(seen), *_long_enough(case, host, seen), *_agrees(host, seen, names), *_one_machine(host, seen, before)]
    worst = next(grade for grade in _ORDER if grade is Grade.PASS or any(remark.grade is grade for remark in remarks))
    limits = case.limits["ssh_rsa_bits"]
    rsa = _rsa(seen)
    return case.finding(
        host, "ssh.host-key", subject, worst,
        planned=f"host keys that the server proves to hold; RSA {limits.show()}",
        found="; ".join(map(_shown, seen.host_keys)) or "no key was proven",
        message=" ".join(remark.text for remark in remarks),
        fix=tuple(line for remark in remarks if remark.grade is not Grade.PASS for line in remark.fix),
        symptom=next((remark.symptom for remark in remarks if remark.grade is worst), ""),
        measured=Measured(rsa.bits, 0.0, "bit") if rsa else None, limits=limits if rsa else None, at=seen.at)


def _shown(key: SshHostKey) -> str:
    return f"{key.key_type} {key.bits} bit {key.fingerprint}"


def _rsa(seen: SshEvidence) -> SshHostKey | None:
    return next((key for key in seen.host_keys if key.key_type == "ssh-rsa"), None)


def _held(seen: SshEvidence) -> list[_Remark]:
    """The keys that were proven to be held (RFC 4253 section 8), and those that were not."""
    remarks = []
    if seen.host_keys:
        types = ", ".join(key.key_type for key in seen.host_keys)
        remarks.append(_Remark(Grade.PASS, f"The server proved by a signature that it holds the private key of: {types}."))
    if unasked := _unasked_ecdsa(seen):
        remarks.append(_Remark(Grade.PASS, f"It also offers {', '.join(unasked)}: one ECDSA key is asked for, so nothing is "
                                           "proven of any other."))
    unspoken = [missed for missed in seen.key_failures if missed.failure.phase == "negotiation"]
    if unspoken:
        remarks.append(_unspoken(seen, unspoken))
    for missed in seen.key_failures:
        if missed in unspoken:
            continue
        if missed.failure.kind is FailureKind.MISMATCHED and missed.failure.phase == "signature":
            remarks.append(_Remark(
                Grade.FAIL, f"The server showed a key of type {missed.key_type} and its signature does not verify with it: it "
                "does not hold what it shows, or something on the way meddles.", "not-held",
                ("ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub    # at the console of the host: compare with what is shown",
                 "# where the files are right, look for a device between the runner and the host that answers for it")))
        else:
            remarks.append(_Remark(Grade.UNPROVEN, f"A key of type {missed.key_type} is offered and was not proven to be held: "
                                   f"{in_words(missed.failure)}.", "key-unproven"))
    if not remarks:
        remarks.append(_Remark(Grade.UNPROVEN, "The server offers no host key of a type that is asked for here (Ed25519, ECDSA, "
                               "RSA), so none was proven.", "key-unproven"))
    return remarks


def _unspoken(seen: SshEvidence, missed: Sequence[SshKeyFailure]) -> _Remark:
    """No exchange in common, and so no proof: whose fault that is depends on what the server has instead."""
    types = ", ".join(one.key_type for one in missed)
    fault = (" That is no fault of the server." if any(is_good(KEY_EXCHANGE, name) for name in seen.kex_algorithms) else "")
    return _Remark(
        Grade.UNPROVEN, f"Keys of the types {types} are offered, and none was proven to be held, because "
        f"{missed[0].failure.detail}.{fault} A client that speaks one can read them: "
        f"ssh-keyscan -p {seen.port.partition('/')[0]} {seen.address}.", "key-unproven")


def _unasked_ecdsa(seen: SshEvidence) -> list[str]:
    """The ECDSA key types that are offered beside the one that was proven: of each family of keys one is asked for."""
    proven = {key.key_type for key in seen.host_keys if _ALGORITHMS.get(key.key_type) == _ECDSA}
    return [name for name in dict.fromkeys(seen.host_key_algorithms)
            if proven and _ALGORITHMS.get(name) == _ECDSA and name not in proven]


def _long_enough(case: Case, host: str, seen: SshEvidence) -> list[_Remark]:
    """RSA keys vary in length; Ed25519 and the curves of ECDSA are long enough by their nature."""
    rsa = _rsa(seen)
    if rsa is None:
        return []
    limits = case.limits["ssh_rsa_bits"]
    grade_ = GRADE_OF[limits.decide(Interval(rsa.bits, rsa.bits))]
    if grade_ is Grade.PASS:
        return []
    return [_Remark(
        grade_, f"Its RSA host key has {rsa.bits} bits; the limit is {limits.show()}.", "short-key",
        ("# as root, at the console of the host: a new RSA key in the place of the short one",
         "rm /etc/ssh/ssh_host_rsa_key /etc/ssh/ssh_host_rsa_key.pub",
         "ssh-keygen -t rsa -b 3072 -N '' -f /etc/ssh/ssh_host_rsa_key", _RESTART,
         f"ssh-keygen -R {host}    # wherever the old key was accepted"))]


def _agrees(host: str, seen: SshEvidence, names: Iterable[NameAnswer]) -> list[_Remark]:
    """Whether the zone's SSHFP records, where it has any, speak of these keys (RFC 4255 section 2).

    RFC 4255 section 2.1 is content with one record that matches; RFC 6594 section 4.1 has a key rejected that a SHA-256 record
    does not match, whatever SHA-1 says (both from memory).  A record of another key beside the right one is a change of keys
    under way by the first, and yet a caution: OpenSSH's client (seen with 9.2) refuses the key unless every record of its
    algorithm matches, those with SHA-1 as well.
    """
    agreed: dict[str, None] = {}
    remarks = []
    for answer in names:
        if answer.rrtype != "SSHFP" or not same_name(answer.name, host):
            continue
        published = [record for each in answer.answers if each.rrtype == "SSHFP" and (record := read_fingerprint(each.value))]
        for key in seen.host_keys:
            speaking = dict.fromkeys(record for record in published
                                     if record.algorithm == _ALGORITHMS.get(key.key_type) and record.digest_type in _DIGESTS)
            right = [record for record in speaking if record == fingerprint_record(key, record.digest_type)]
            strange = [record for record in speaking if record not in right]
            deciding = _SHA_256 if any(record.digest_type == _SHA_256 for record in speaking) else None
            if any(deciding in (None, record.digest_type) for record in right):
                if strange:
                    remarks.append(_one_too_many(host, key, strange, answer.server))
                else:
                    agreed[key.key_type] = None
            elif strange and _ALGORITHMS[key.key_type] == _ECDSA and (unasked := _unasked_ecdsa(seen)):
                # The number is that of every curve: RFC 6594 section 3.
                remarks.append(_Remark(
                    Grade.UNPROVEN, f"The name server {answer.server} publishes ECDSA records for {host} that the "
                    f"{key.key_type} key that was proven does not match: they may be of {', '.join(unasked)}, which was not "
                    "asked for.", "key-unproven"))
            elif strange:
                remarks.append(_disagreement(host, key, strange, answer.server, outvoted=bool(right)))
    if agreed:
        remarks.append(_Remark(Grade.PASS, f"The zone's SSHFP records agree with: {', '.join(agreed)}."))
    return remarks


def _disagreement(host: str, key: SshHostKey, strange: list[Fingerprint], server: str, *, outvoted: bool) -> _Remark:
    right = (" Its SHA-1 record is of the key that the host holds, but a client has to reject a key that the SHA-256 records do "
             "not match (RFC 6594 section 4.1)." if outvoted else "")
    return _Remark(
        Grade.FAIL,
        f"The name server {server} publishes another {key.key_type} key for {host} than the host holds: the records are of an "
        f"earlier installation, or this is not the host they speak of.{right}",
        "dns-disagrees",
        (f"; first, at the console of the host, \"ssh-keygen -r {host}.\" must print the line to add", "; in the zone, add:",
         f"{host}. IN SSHFP {fingerprint_record(key)}", "; and remove:", *_to_remove(host, strange)))


def _one_too_many(host: str, key: SshHostKey, strange: list[Fingerprint], server: str) -> _Remark:
    return _Remark(
        Grade.CAUTION,
        f"The name server {server} publishes the {key.key_type} key that {host} holds, and beside it "
        f"{'a record' if len(strange) == 1 else f'{len(strange)} records'} of the same algorithm that this key does not match: "
        "one that matches is enough by RFC 4255 section 2.1, but OpenSSH's client refuses the key unless all of them do.",
        "dns-stale",
        (f"; in the zone, as soon as no SSH server of {host} holds the other key any more, remove:", *_to_remove(host, strange)))


def _to_remove(host: str, records: list[Fingerprint]) -> tuple[str, ...]:
    return tuple(f"; {host}. IN SSHFP {record}" for record in records)


def _one_machine(host: str, seen: SshEvidence, before: Iterable[SshEvidence]) -> list[_Remark]:
    """Whether an earlier address of the host showed the same keys (common practice, no source)."""
    met = strangers(seen, before)
    if met is None:
        return []
    other, own, theirs = met
    return [_Remark(
        Grade.CAUTION,
        f"At {seen.address} the {own.key_type} key is {own.fingerprint}, and at {other.address}, on the same port, it is "
        f"{theirs.fingerprint}: one of the two addresses may be another machine's. Two SSH servers on one machine would look "
        "the same.", "other-machine", which_is_whose(host, other.address, seen.address))]


@dataclass(frozen=True, slots=True)
class Holder:
    """Who showed a key, and where."""

    host: str
    address: str
    subject: str
    seen: SshEvidence


def grade_shared(case: Case, holders: list[Holder]) -> list[Finding]:
    """``ssh.shared-key``: a host key that two hosts of the plan hold (common practice, no source).

    A site with one SSH host has nothing to compare and gets no finding.
    """
    if len({holder.host for holder in holders}) < 2:
        return []
    fleet = _Fleet([holder for holder in holders if holder.seen.host_keys])
    return [_shared(case, holder, fleet) for holder in holders]


class _Fleet:
    """Whose keys are known, and who holds which."""

    def __init__(self, known: list[Holder]) -> None:
        self.known = _machines(known)
        holders: dict[bytes, list[Holder]] = {}
        for holder in known:
            for key in holder.seen.host_keys:
                holders.setdefault(key.blob, []).append(holder)
        self.by_key = {blob: _machines(group) for blob, group in holders.items()}
        self._of_host: dict[str, list[SshEvidence]] = {}
        for holder in known:
            self._of_host.setdefault(holder.host, []).append(holder.seen)

    def elsewhere(self, host: str, at: SshEvidence | None = None) -> str:
        """Another of its addresses (than ``at``), where the host's keys differ from address to address; else empty."""
        seen = self._of_host.get(host, [])
        met = next(filter(None, (strangers(one, seen) for one in ([at] if at else seen))), None) if len(seen) > 1 else None
        return met[0].address if met else ""


def _machines(group: list[Holder]) -> Machines:
    return Machines((holder.host, holder.address) for holder in group)


def _shared(case: Case, holder: Holder, fleet: _Fleet) -> Finding:
    where = (holder.host, holder.address)
    compared = fleet.known.count_beside(*where)
    planned = "host keys that no other host of the plan has"
    if not holder.seen.host_keys or not compared:
        whose = "its own host keys are not known" if not holder.seen.host_keys else "no other host's keys are known"
        return case.finding(holder.host, "ssh.shared-key", holder.subject, Grade.UNPROVEN, planned=planned, found="not compared",
                            message=f"The host keys of {holder.host} could not be compared with those of other hosts: {whose}.",
                            symptom="key-unproven", at=holder.seen.at)
    held = [(key, fleet.by_key[key.blob]) for key in dict.fromkeys(holder.seen.host_keys)]
    common = [(key, group) for key, group in held if group.count_beside(*where)]
    if not common:
        return case.finding(holder.host, "ssh.shared-key", holder.subject, Grade.PASS, planned=planned,
                            found=f"no key in common with {compared} other {_hosts(compared)}",
                            message=f"The host keys of {holder.host} are none of those of the {compared} other "
                            f"{_hosts(compared)} whose keys were proven.", at=holder.seen.at)
    twins = dict.fromkeys(twin for _, group in common for twin in group.beside(*where))
    told = listed(twins, len(twins))
    message, fix = _why_common(holder, fleet, twins, told)
    apart = bool(fleet.elsewhere(holder.host)) or all(map(fleet.elsewhere, twins))
    row_of = case.plan.by_fqdn
    if all(row_of[twin].network != row_of[holder.host].network for twin in twins):
        message += " Or they are one machine in two networks, with a row in each."
        fix = (f"# if {holder.host} and {told} are one machine: plan ssh in the role of one of its rows only; if not,", *fix)
    named = "; ".join(f"{listed(group.beside(*where), group.count_beside(*where))} ({_shown(key)})" for key, group in common)
    return case.finding(
        holder.host, "ssh.shared-key", holder.subject, Grade.FAIL, planned=planned, found=f"the same as on {named}",
        message=message, fix=fix, symptom="apart" if apart else "shared-key", at=holder.seen.at)


def _why_common(holder: Holder, fleet: _Fleet, twins: Collection[str], told: str) -> tuple[str, tuple[str, ...]]:
    """What a key in common comes from, and the mend: a copied image, or an address that is on the other's machine."""
    host, address = holder.host, holder.address
    elsewhere = fleet.elsewhere(host, holder.seen)
    if elsewhere:
        why = (f"At {address} {host} shows the same host key as {told}, and its addresses do not all show one key: {address} may "
               f"be an address of the machine of {told}, which then answers in the name of {host}.")
        return why, which_is_whose(host, elsewhere, address)
    if all(map(fleet.elsewhere, twins)):
        why = (f"{host} holds a host key that {told} shows too, at some of its addresses and not at others: the machine of "
               f"{host} may hold an address that is planned for {told}.")
        return why, (f"at the console of {host}: ip address    # it must show no address of {told}",)
    why = (f"{host} holds the same host key as {told}, as hosts copied from one image do: whoever has the key of one can pass "
           "for the other, and a warning of a changed key will not come.")
    return why, _new_keys(holder, told)


def _hosts(count: int) -> str:
    return "host" if count == 1 else "hosts"


def _new_keys(holder: Holder, twins: str) -> tuple[str, ...]:
    return (
        f"# as root, at the console of {holder.host} (and likewise on {twins}: the image has the key of every copy):",
        "rm /etc/ssh/ssh_host_*_key /etc/ssh/ssh_host_*_key.pub",
        "ssh-keygen -A",
        _RESTART,
        "# wherever the old key was accepted:",
        f"ssh-keygen -R {holder.host}",
        f"ssh-keygen -R {holder.address}",
        "# and take the keys out of the image before the next copy is made of it",
    )
