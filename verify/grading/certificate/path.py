"""From a server's certificate to a trust anchor (RFC 5280 section 6.1), and where it stops when it does not get there.

``cryptography.x509.verification`` is the judge.  Its rules for the public web are stricter than RFC 5280, so its extension
policy is relaxed to what a sound private authority may leave out, and key types that it never takes are checked by the
rules of RFC 5280 section 6.1.4 here.  Only where it refuses is the path walked step by step, to name the step that fails.

Dates are kept apart: a path counts as sound when there is a moment at which it is; whether that moment is now is for
``certificate.dates``.
"""

from __future__ import annotations

import contextlib
import datetime
import enum
import functools
import itertools
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509 import verification

from shared.safetext import visible
from verify.grading.certificate.extensions import ODD, extension, reading
from verify.grading.certificate.issuing import signed, spelled_otherwise
from verify.grading.certificate.naming import Folded, folded, self_issued
from verify.grading.certificate.rules import (
    LEFT_OUT,
    authority_fault,
    breaches,
    limits_subjects,
    vouches_for_servers,
)
from verify.grading.certificate.ways import Way, accepted_above, trusted_before

#: Longer paths than this are not walked.  Ours: as many certificates as the probe keeps of one chain.
_STEPS_LIMIT = 10
#: Ways up that are looked at, where authorities certified each other.  Ours: such a site has two to four.
_WAYS_LIMIT = 16
#: Moments tried for a path whose dates are wrong today.  Ours: every certificate sent, and a few anchors.
_MOMENTS_LIMIT = 16
_PEM_BEGIN = b"-----BEGIN CERTIFICATE-----"


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep the library's complaints about odd certificates off the terminal; the facts carry them already."""
    with warnings.catch_warnings(action="ignore"):
        yield


class Kind(enum.Enum):
    """How the way from the server's certificate to an anchor ends."""

    TRUSTED = "trusted"
    NO_ANCHORS = "no-anchors"
    UNREADABLE = "unreadable"
    SELF_SIGNED = "self-signed"
    UNKNOWN_ISSUER = "unknown-issuer"
    ISSUER_NOT_SENT = "issuer-not-sent"
    BAD_SIGNATURE = "bad-signature"
    UNVERIFIABLE = "unverifiable"
    NOT_AN_AUTHORITY = "not-an-authority"
    REFUSED = "refused"
    NOT_FOLLOWED = "not-followed"


@dataclass(frozen=True, slots=True)
class Outcome:
    """``path`` begins with the server's certificate and goes as far as it could be followed.

    ``at`` is a moment at which a trusted path is valid: the one asked for where possible, None where there is none at all.
    ``detail`` is part of a sentence of ours: the rule that is broken or not followed, or in which respect a path is unusual.
    ``alike`` says that each issuer is known to be named octet for octet as it names itself; the library follows no other paths.
    """

    kind: Kind
    path: tuple[x509.Certificate, ...] = ()
    at: datetime.datetime | None = None
    detail: str = ""
    alike: bool = False


class Anchors:
    """Trust anchors, made ready once: comparing and hashing a system's hundred and fifty for every host would cost dearly."""

    def __init__(self, certificates: Sequence[x509.Certificate]) -> None:
        self.certificates = tuple(certificates)
        self._known = frozenset(certificates)
        self._encoded = frozenset(map(_der, certificates))
        self.store = verification.Store(list(certificates)) if certificates else None

    def __contains__(self, certificate: x509.Certificate) -> bool:
        return certificate in self._known

    def holds(self, der: bytes) -> bool:
        """Whether one of the anchors has exactly this encoding."""
        return der in self._encoded

    def named(self, name: x509.Name) -> Sequence[x509.Certificate]:
        """The anchors of this name, however it is spelled."""
        return self._by_name.get(folded(name), ())

    @functools.cached_property
    def _by_name(self) -> dict[Folded, list[x509.Certificate]]:
        found: dict[Folded, list[x509.Certificate]] = {}
        for certificate in self.certificates:
            found.setdefault(folded(certificate.subject), []).append(certificate)
        return found


@functools.lru_cache(maxsize=8)
@quiet()
def anchors_of(pem: tuple[bytes, ...]) -> Anchors:
    """The anchors in PEM files that may hold several each; what cannot be read is left out (the plan reader reports it)."""
    blocks = [_PEM_BEGIN + rest for file in pem for rest in file.split(_PEM_BEGIN)[1:]]
    loaded = (_read(x509.load_pem_x509_certificate, block) for block in blocks)
    return Anchors([certificate for certificate in loaded if certificate is not None and _legible(certificate)])


def _der(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(Encoding.DER)


def fingerprint(certificate: x509.Certificate) -> str:
    """The SHA-256 of a certificate, in hexadecimal digits."""
    return certificate.fingerprint(hashes.SHA256()).hex()


@functools.lru_cache(maxsize=256)
@quiet()
def load(der: bytes) -> x509.Certificate | None:
    """A certificate that can be followed, or None.  A site's intermediates are sent by all of its hosts."""
    certificate = _read(x509.load_der_x509_certificate, der)
    return certificate if certificate is not None and _legible(certificate) else None


@functools.lru_cache(maxsize=1024)
@quiet()
def called(certificate: x509.Certificate, *, issuer: bool = False) -> str:
    """How a certificate, or its issuer, is named in a sentence; on one line, since it also stands in comments to paste."""
    try:
        return visible((certificate.issuer if issuer else certificate.subject).rfc4514_string()[:256]) or "(no name)"
    except ODD:
        return "(a name that cannot be read)"


@quiet()
def validate(
    leaf: bytes, sent: Sequence[bytes], anchors: Anchors, moment: datetime.datetime | None
) -> Outcome:
    """Follow ``leaf`` through ``sent``, in any order, to one of ``anchors``.  Never raises.

    ``moment`` is the time to validate at, or None where no time is agreed on.  Whether a self-signed certificate is so
    is told by its signature, not by its names (RFC 5280 section 3.2).
    """
    trusted = trusted_before(leaf, tuple(sent), anchors)
    for way in trusted:
        if moment is not None and way.begin <= moment <= way.end:
            return Outcome(Kind.TRUSTED, way.path, moment, alike=way.alike)
    outcome = _follow(leaf, sent, anchors, moment)
    if outcome.kind is Kind.TRUSTED and outcome.at == moment and not outcome.detail:
        trusted.append(Way(outcome.path, outcome.alike))
    return outcome


def _follow(leaf: bytes, sent: Sequence[bytes], anchors: Anchors, moment: datetime.datetime | None) -> Outcome:
    certificate = load(leaf)
    if certificate is None:
        return Outcome(Kind.UNREADABLE)
    if anchors.holds(leaf):
        return Outcome(Kind.TRUSTED, (certificate,), moment, "it is itself one of the anchors")
    if anchors.store is None:
        return Outcome(Kind.NO_ANCHORS, (certificate,))
    others = tuple(dict.fromkeys(other for other in map(load, sent) if other is not None and other != certificate))
    for at in _moments(certificate, others, anchors, moment):
        path = _accepted(certificate, others, anchors, anchors.store, at)
        if path and not _passed_over(path):
            return Outcome(Kind.TRUSTED, path, at, alike=True)
    return _diagnose(certificate, others, anchors, moment)


def _read(read: Callable[[bytes], x509.Certificate], data: bytes) -> x509.Certificate | None:
    try:
        return read(data)
    except ODD:
        return None


def _legible(certificate: x509.Certificate) -> bool:
    """Whether what a walk goes by can be read; the library reads names and dates only when asked, and knows no year 0."""
    try:
        return None not in (certificate.subject, certificate.issuer, certificate.not_valid_before_utc,
                            certificate.not_valid_after_utc)
    except ODD:
        return False


def _moments(
    leaf: x509.Certificate, others: tuple[x509.Certificate, ...], anchors: Anchors,
    moment: datetime.datetime | None,
) -> Iterator[datetime.datetime]:
    """When to validate: the moment asked for, then every beginning of a validity, the latest first.

    If the certificates of a path are ever valid together, they are at the latest of their beginnings.
    """
    if moment is not None:
        yield moment
    relevant = [leaf, *others, *(anchor for each in (leaf, *others) for anchor in anchors.named(each.issuer))]
    beginnings = sorted({certificate.not_valid_before_utc for certificate in relevant}, reverse=True)
    yield from beginnings[:_MOMENTS_LIMIT]


def _accepted(
    leaf: x509.Certificate, others: tuple[x509.Certificate, ...], anchors: Anchors, store: verification.Store,
    at: datetime.datetime,
) -> tuple[x509.Certificate, ...]:
    """The path the library accepts at a moment, or none; what lies above the issuer of many hosts is verified for the first.

    All that the library asks of the upper part is the same for each of them, but for dates and for limits on names, which reach
    down to the leaf.  Where two certificates have one name there may be another way, and it is looked for each time.
    """
    ways = accepted_above(others, anchors)
    for above in ways:
        if above.begin <= at <= above.end:
            path, _ = _judge(leaf, (), verification.Store([above.path[0]]), at)
            if path:
                return (leaf, *above.path)
    path, _ = _judge(leaf, others, store, at)
    if path[1:] and all(len({*anchors.named(each.subject), *_named_alike(others, each.subject)}) == 1
                        and extension(each, x509.NameConstraints) is None for each in path[1:]):
        ways.append(Way(path[1:], alike=True))
    return path


def _judge(
    leaf: x509.Certificate, others: tuple[x509.Certificate, ...], store: verification.Store, at: datetime.datetime
) -> tuple[tuple[x509.Certificate, ...], str]:
    """The path the library accepts at a moment, or none and why it refuses.

    Its verifier for clients is used, since the one for servers would judge the name in the same breath; what kind of
    usage the certificate allows is judged elsewhere.
    """
    authorities, leaves = _policies()
    try:
        builder = verification.PolicyBuilder().store(store).time(at).max_chain_depth(_STEPS_LIMIT)
        builder = builder.extension_policies(ca_policy=authorities, ee_policy=leaves)
        return tuple(builder.build_client_verifier().verify(leaf, list(others)).chain), ""
    except (verification.VerificationError, *ODD) as error:
        return (), str(error)


@functools.cache
def _policies() -> tuple[verification.ExtensionPolicy, verification.ExtensionPolicy]:
    """What is asked of the extensions of an authority (RFC 5280 sections 4.2.1.3, 4.2.1.9, 4.2.1.12), and of a leaf: nothing."""
    anything = verification.ExtensionPolicy.permit_all()
    agnostic = verification.Criticality.AGNOSTIC
    authorities = anything.require_present(x509.BasicConstraints, agnostic, None)
    for kind in LEFT_OUT:
        with contextlib.suppress(ValueError):  # before version 49 the library takes none: such a path is then not followed
            authorities = authorities.may_be_present(kind, agnostic, None)
            anything = anything.may_be_present(kind, agnostic, None)
    authorities = authorities.may_be_present(x509.ExtendedKeyUsage, agnostic, _may_vouch_for_servers)
    return authorities.may_be_present(x509.KeyUsage, agnostic, _may_sign_certificates), anything


def _may_sign_certificates(_policy: verification.Policy, _issuer: x509.Certificate, usage: x509.KeyUsage | None) -> None:
    if usage is not None and not usage.key_cert_sign:
        raise ValueError("keyUsage does not allow signing certificates")


def _may_vouch_for_servers(_policy: verification.Policy, _issuer: x509.Certificate, usages: x509.ExtendedKeyUsage | None) -> None:
    if not vouches_for_servers(usages):
        raise ValueError("extendedKeyUsage does not name TLS servers")


def _diagnose(
    leaf: x509.Certificate, others: tuple[x509.Certificate, ...], anchors: Anchors,
    moment: datetime.datetime | None,
) -> Outcome:
    """Walk up from the leaf by names and signatures, each way there is: the best of their ends, or the step that fails."""
    walk = _ends((leaf,), others, anchors, moment)
    ends = list(itertools.islice(walk, _WAYS_LIMIT))
    if next(walk, None) is not None:
        ends.append(Outcome(Kind.NOT_FOLLOWED, (leaf,), None, f"more than {_WAYS_LIMIT} ways lead up from it, and no more are "
                                                              "followed here"))
    return max(ends, key=lambda end: _worth(end, moment))  # the first of equals


def _ends(
    path: tuple[x509.Certificate, ...], others: tuple[x509.Certificate, ...], anchors: Anchors,
    moment: datetime.datetime | None,
) -> Iterator[Outcome]:
    """How each way up from the last certificate of ``path`` ends; several where authorities certified each other."""
    current = path[-1]
    if len(path) > _STEPS_LIMIT:
        yield Outcome(Kind.NOT_FOLLOWED, path, None, f"it has more than {_STEPS_LIMIT} steps and is followed no further here")
    elif current in anchors:
        yield _constrained(path, moment)
    else:
        above = dict.fromkeys((*anchors.named(current.issuer), *_named_alike(others, current.issuer)))
        tried = [(issuer, signed(current, issuer)) for issuer in above if issuer not in path]
        issuers = [issuer for issuer, holds in tried if holds]
        if not issuers:
            yield Outcome(_dead_end(current, [holds for _, holds in tried], is_leaf=len(path) == 1), path)
        for issuer in issuers:
            yield from _ends((*path, issuer), others, anchors, moment)


def _worth(end: Outcome, moment: datetime.datetime | None) -> tuple[int, bool, bool]:
    """Which of several counts: a sound one, if possible now; one that may be sound; a broken rule on the way to an anchor."""
    kinds = (Kind.NOT_AN_AUTHORITY, Kind.REFUSED), (Kind.UNVERIFIABLE, Kind.NOT_FOLLOWED), (Kind.TRUSTED,)
    rank = next((rank for rank, kind in enumerate(kinds, start=1) if end.kind in kind), 0)
    return rank, end.at is not None and end.at == moment, end.at is not None


def _named_alike(certificates: Sequence[x509.Certificate], name: x509.Name) -> Iterator[x509.Certificate]:
    wanted = folded(name)
    return (certificate for certificate in certificates if folded(certificate.subject) == wanted)


def _dead_end(current: x509.Certificate, signatures: list[bool | None], *, is_leaf: bool) -> Kind:
    if False in signatures:
        return Kind.BAD_SIGNATURE
    if None in signatures:
        return Kind.UNVERIFIABLE
    if folded(current.issuer) != folded(current.subject):
        return Kind.ISSUER_NOT_SENT
    if signed(current, current) is False:
        return Kind.BAD_SIGNATURE
    return Kind.SELF_SIGNED if is_leaf else Kind.UNKNOWN_ISSUER


def _constrained(path: tuple[x509.Certificate, ...], moment: datetime.datetime | None) -> Outcome:
    """Every signature holds up to an anchor and the library refuses all the same: say which rule it is about.

    What it says itself is never shown: it is a developer's text, and often of a rule for the public web.
    """
    # RFC 5280 section 6.1 takes an anchor for its name and key; what its extensions say counts because common clients heed
    # them, and a root of version 1 has none.
    anchor = path[-1]
    bare = anchor.version is x509.Version.v1 and anchor.issuer == anchor.subject
    for place, issuer in enumerate(path[1:-1] if bare else path[1:], start=1):
        fault = authority_fault(issuer, intermediates_below=sum(not self_issued(each) for each in path[1:place]))
        if fault:
            return Outcome(Kind.NOT_AN_AUTHORITY, path[: place + 1], None, fault)
    found = sorted(breaches(path, called), key=lambda breach: not breach.sure)
    if found:
        return Outcome(Kind.REFUSED if found[0].sure else Kind.NOT_FOLLOWED, path, None, found[0].text)
    begin = max(certificate.not_valid_before_utc for certificate in path)
    end = min(certificate.not_valid_after_utc for certificate in path)
    if begin > end:
        # As when an authority was renewed after the leaf had expired.  ``certificate.dates`` cannot but fail then.
        return Outcome(Kind.TRUSTED, path, None, "there is no moment at which all its certificates are valid")
    at = moment if moment is not None and begin <= moment <= end else begin
    if bare:
        return Outcome(Kind.TRUSTED, path, at, "the anchor is of version 1 and cannot say that it is an authority, nor need it")
    if _left_to_us(path):
        return Outcome(Kind.TRUSTED, path, at)
    accepted, refusal = _judge(path[0], path[1:-1], verification.Store([anchor]), at)
    if accepted:  # another way than the one that it went by itself
        return Outcome(Kind.TRUSTED, path, at, alike=True)
    taken = next((what for rule, what in _TAKEN.items() if rule in refusal), None)
    if taken is None:
        return Outcome(Kind.NOT_FOLLOWED, path, None, "it breaks none of the rules that are followed here, and the library that "
                                                      "judges paths here refuses it for another one")
    return Outcome(Kind.TRUSTED, path, at, taken)


def _passed_over(path: tuple[x509.Certificate, ...]) -> bool:
    """Whether a path that the library accepts may break a rule that it does not look at."""
    return limits_subjects(path) or any(reading(each).unread for each in path) or any(
        breach.sure for breach in breaches(path, called))


def _left_to_us(path: tuple[x509.Certificate, ...]) -> bool:
    """Whether the library judges no such path, so that the rules kept here are all that is asked of it.

    It looks no further where names differ in an octet, holds no subject to the limits on it, and counts an authority's
    certificate for its own next key against the path length, which RFC 5280 section 6.1.4 (l) does not.
    """
    return spelled_otherwise(path) is not None or limits_subjects(path) or any(map(self_issued, path[1:-1]))


_PUBLIC_WEB = "a key or a signature in it is of a kind that public web authorities may not use"
#: What the library says where it refuses what clients take, and what that is.  For the kind or size of a key, or the algorithm
#: of a signature that it has just verified, it goes by rules for the public web: ``certificate.key`` and
#: ``certificate.signature`` judge those.  How a date is written binds authorities; whoever reads it takes both ways.  So does a
#: serial number, which users SHOULD be prepared to find negative (RFC 5280 section 4.1.2.2); ``strict`` says what is odd in it.
#: Only who signs others needs version 3 (RFC 5280 section 6.1.4 (k)), and that is asked of each of these before.
_TAKEN = {
    "Forbidden public key algorithm": _PUBLIC_WEB,
    "RSA key is too weak": _PUBLIC_WEB,
    "Forbidden signature algorithm": _PUBLIC_WEB,
    "serial": "a serial number in it is none that RFC 5280 section 4.1.2.2 allows",
    "must be an X509v3 certificate": "the server's own certificate is of version 1, which cannot name what it is for",
    "must be UtcTime": "a date in it is written in the way that is meant for 2050 and after (RFC 5280 section 4.1.2.5)",
}
