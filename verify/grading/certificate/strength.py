"""``certificate.key``, ``certificate.signature`` and ``certificate.protocol``: nothing that is known to be breakable."""

from __future__ import annotations

from collections.abc import Iterator

from shared.evidence import CertificateFacts, TlsEvidence
from shared.findings import Finding, Grade, Measured
from shared.quantities import Interval, Limits
from shared.safetext import visible
from verify.grading.case import GRADE_OF, in_words
from verify.grading.certificate.sight import Remark, Sight, request_lines, title, worth_saying

#: RFC 9155 sections 2 to 4 (SHA-1 and MD5 MUST NOT), RFC 9325 section 4.5 for certificates; MD2 and MD4: RFC 6149 and 6150.
BROKEN_DIGESTS = frozenset({"md2", "md4", "md5", "sha1"})
#: Signature algorithms with a digest of their own (RFC 8032).
_NO_DIGEST = frozenset({"ED25519", "ED448"})
#: The curves of NIST for signatures in TLS (RFC 8446 section 4.2.3), and how the names and numbers of those begin that appendix
#: B.3.1.4 calls obsolete: all others of RFC 4492, which are of one collection (SEC 2) with these.
_CURVES = frozenset({"secp256r1", "secp384r1", "secp521r1"})
_OBSOLETE_CURVES = ("secp", "sect", "1.3.132.0.")
#: RFC 8996 sections 4 and 5; RFC 7568 section 3.
_OLD_VERSIONS = ("TLS 1.1", "TLS 1.0", "SSL 3.0")
_GOOD_VERSIONS = ("TLS 1.3", "TLS 1.2")
#: RFC 9325 section 4.1 and RFC 7465 section 2: no encryption, RC4, export strength.  Parts of OpenSSL's suite names.
_BROKEN_CIPHERS = ("NULL", "RC4", "EXP")

#: What a trial's detail says where the server names the version as its reason (RFC 8446 section 6.2).
_VERSION_ALERT = "protocol_version (70)"

_VERSION_LINES = (
    "# in the server's TLS settings allow TLS 1.2 and 1.3 only, then reload it; the usual web servers write this as",
    "ssl_protocols TLSv1.2 TLSv1.3;       # nginx, in every server block or in http",
    "SSLProtocol -all +TLSv1.2 +TLSv1.3   # Apache httpd",
)


def grade_key(sight: Sight) -> Finding:
    """Judge the public keys of the server's certificate and of the authorities it sends."""
    readable = [link for link in sight.links if not link.parse_error]
    if not readable:
        return _unreadable(sight, "certificate.key", "keys that are long enough")
    rsa, curves = sight.case.limits["certificate_rsa_bits"], sight.case.limits["certificate_curve_bits"]
    remarks = [_key(sight, link, rsa, curves) for link in readable]
    leaf = readable[0]
    limits = None if _on_obsolete_curve(leaf) else _limits_for(leaf, rsa, curves)
    return sight.finding(
        "certificate.key", worth_saying(remarks), planned=f"RSA {rsa.show()}; elliptic curves {curves.show()}",
        found=", ".join(_shown_key(link) for link in readable),
        measured=Measured(leaf.key_bits, 0.0, "bit") if limits and leaf.key_bits else None, limits=limits)


def _limits_for(link: CertificateFacts, rsa: Limits, curves: Limits) -> Limits | None:
    if link.key_type == "RSA":
        return rsa
    return curves if link.key_type.startswith(("EC ", "Ed")) else None


def _shown_key(link: CertificateFacts) -> str:
    return f"{link.key_type} {link.key_bits} bit" if link.key_bits else link.key_type


def _on_obsolete_curve(link: CertificateFacts) -> bool:
    kind, _, curve = link.key_type.partition(" ")
    return kind == "EC" and curve.startswith(_OBSOLETE_CURVES) and curve not in _CURVES


def _key(sight: Sight, link: CertificateFacts, rsa: Limits, curves: Limits) -> Remark:
    whose = "The server's key" if link is sight.leaf else f"The key of the intermediate {title(link)}"
    if link is sight.leaf and _on_obsolete_curve(link):
        return Remark(Grade.FAIL, f"{whose} is {_shown_key(link)}, on a curve that TLS has given up (RFC 8446 appendix B.3.1.4): "
                                  "clients do not offer it, and no handshake comes about.", "old-curve", _new_key(sight, link))
    limits = _limits_for(link, rsa, curves)
    if limits is not None and link.key_bits:
        grade = GRADE_OF[limits.decide(Interval(link.key_bits, link.key_bits))]
        text = f"{whose} is {_shown_key(link)}; {limits.show()}."
        if grade is not Grade.PASS:
            return Remark(grade, text, "short-key", _new_key(sight, link))
        if link is sight.leaf and link.key_type.startswith("EC brainpool"):
            return Remark(Grade.CAUTION, f"{whose} is {_shown_key(link)}, on a curve that most clients do not offer unless they "
                                         "are told to (RFC 7027; RFC 8734): with those no handshake comes about.", "rare-curve",
                          _new_key(sight, link))
        return Remark(grade, text)
    if link.key_type == "DSA":
        return Remark(Grade.FAIL, f"{whose} is {_shown_key(link)}, a type that TLS 1.3 does not know any more "
                                  "(RFC 8446 section 4.2.3).", "old-key", _new_key(sight, link))
    return Remark(Grade.UNPROVEN, f"{whose} is of type {visible(link.key_type)}, which is not known here.", "unknown-key")


def _new_key(sight: Sight, link: CertificateFacts) -> tuple[str, ...]:
    if link is sight.leaf:
        return ("# make a new key on the host and have a certificate issued for it:", *request_lines(sight.door.host))
    return (f"# tell whoever runs {title(link)}: its key is too weak; have the certificate issued by its successor",)


def grade_signature(sight: Sight) -> Finding:
    """Judge the digests that the signatures in the chain are made with; an anchor's own signature plays no part."""
    readable = [link for link in sight.links if not link.parse_error]
    if not readable:
        return _unreadable(sight, "certificate.signature", "signatures with SHA-256 or better")
    remarks = [_signature(sight, link) for link in readable]
    return sight.finding("certificate.signature", worth_saying(remarks), planned="signatures with SHA-256 or better",
                         found=", ".join(link.signature for link in readable))


def _signature(sight: Sight, link: CertificateFacts) -> Remark:
    whose = "The server's certificate" if link is sight.leaf else f"The intermediate {title(link)}"
    if sight.is_anchor(link):
        return Remark(Grade.PASS, f"{whose} is itself an anchor, so its signature plays no part.")
    if link.signature_hash in BROKEN_DIGESTS:
        digest = {"sha1": "SHA-1"}.get(link.signature_hash, link.signature_hash.upper())
        return Remark(Grade.FAIL, f"{whose} is signed with {digest}, for which forged certificates can be made "
                                  "(RFC 9155 section 1).", "weak-signature",
                      ("# have it issued again with SHA-256; the authority's own setting decides, not the request",
                       *(request_lines(sight.door.host) if link is sight.leaf else ())))
    if link.signature_hash or link.signature in _NO_DIGEST:
        return Remark(Grade.PASS, f"{whose} is signed with {link.signature}.")
    return Remark(Grade.UNPROVEN, f"{whose} is signed with {visible(link.signature)}, which is not known here.",
                  "unknown-signature")


def _unreadable(sight: Sight, check: str, planned: str) -> Finding:
    remark = Remark(Grade.UNPROVEN, "The certificate cannot be read, so there is nothing to judge.", "unreadable")
    return sight.finding(check, [remark], planned=planned, found="a certificate that cannot be read")


def protocol_remarks(tls: TlsEvidence) -> list[Remark]:
    """What the handshake and the trials say of versions; empty where they say nothing."""
    return [*_old_versions(tls), *_new_versions(tls), *_cipher(tls)]


def shown_versions(tls: TlsEvidence) -> str:
    """Every version and what became of it, in a line."""
    return ", ".join(f"{trial.version} {trial.outcome}" for trial in tls.versions) or "nothing known of versions"


def _old_versions(tls: TlsEvidence) -> Iterator[Remark]:
    accepted = [trial for trial in tls.versions if trial.version in _OLD_VERSIONS and trial.outcome == "accepted"]
    if accepted:
        listed = " and ".join(trial.version for trial in accepted)
        yield Remark(Grade.FAIL, f"The server still accepts {listed}, which must not be used (RFC 8996 sections 4 and 5).",
                     "old-version", _VERSION_LINES)
    for trial in tls.versions:
        if trial.version in _OLD_VERSIONS and trial.outcome == "unknown":
            yield Remark(Grade.UNPROVEN, f"Whether {trial.version} is still accepted could not be told: {visible(trial.detail)}.",
                         "version-unknown")


def _new_versions(tls: TlsEvidence) -> Iterator[Remark]:
    outcomes = {trial.version: trial.outcome for trial in tls.versions if trial.version in _GOOD_VERSIONS}
    accepted = [version for version in _GOOD_VERSIONS if outcomes.get(version) == "accepted"]
    if accepted:
        refused = [trial.version for trial in tls.versions if trial.version in _OLD_VERSIONS and trial.outcome == "refused"]
        without = f" and refuses {' and '.join(refused)}" if refused else ""
        yield Remark(Grade.PASS, f"The server accepts {' and '.join(accepted)}{without}.")
    elif all(outcomes.get(version) == "refused" for version in _GOOD_VERSIONS) and _about_the_version(tls):
        yield Remark(Grade.FAIL, "The server accepts neither TLS 1.2 nor TLS 1.3; at least TLS 1.2 is required "
                                 "(RFC 9325 section 3.1.1).", "no-new-version", _VERSION_LINES)
    else:
        yield Remark(Grade.UNPROVEN, "Whether the server accepts TLS 1.2 or TLS 1.3 could not be told.", "version-unknown")


def _about_the_version(tls: TlsEvidence) -> bool:
    """Whether a refusal of all new versions is about versions: the server took an old one, or said so each time.

    Other alerts may be about the name asked for, or about anything else.
    """
    return any(trial.outcome == "accepted" for trial in tls.versions) or all(
        _VERSION_ALERT in trial.detail for trial in tls.versions)


def _cipher(tls: TlsEvidence) -> Iterator[Remark]:
    if any(part in _BROKEN_CIPHERS for part in tls.cipher.split("-")):
        yield Remark(Grade.FAIL, f"Among suites that protect, the server chose {tls.cipher}, which does not "
                                 "(RFC 9325 section 4.1).", "weak-cipher",
                     ("# take NULL, export and RC4 suites out of the server's cipher list; its default list is good",))


def grade_protocol(sight: Sight) -> Finding:
    """Judge the versions the server accepts, where its certificate was seen."""
    remarks = protocol_remarks(sight.tls)
    if sight.tls.failure is not None and sight.tls.clear_hello:
        remarks.append(Remark(
            Grade.UNPROVEN, f"No handshake came about: {in_words(sight.tls.failure)}. The certificate was read from the answer "
                            f"to a bare {sight.tls.clear_hello} hello, which offers every suite and curve there is; that the "
                            "server holds its key was not seen.", "no-tls"))
    elif sight.tls.failure is not None:
        remarks.append(Remark(Grade.PASS, "The certificate came, and then the handshake did not end: "
                                          f"{in_words(sight.tls.failure)}."))
    return sight.finding("certificate.protocol", remarks, planned="TLS 1.2 or 1.3, and nothing older",
                         found=shown_versions(sight.tls))
