"""What RFC 5280 asks of the certificates of a path, one by one, and which of them one breaks."""

from __future__ import annotations

import contextlib
import functools
import ipaddress
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, ExtensionOID, NameOID

from shared.der import BIT_STRING, elements, sound
from shared.safetext import visible
from verify.grading.certificate.extensions import ODD, Reading, extension, reading
from verify.grading.certificate.naming import lies_below, self_issued

#: The extended key usages that let a certificate serve TLS (RFC 5280 section 4.2.1.12).
_SERVER_USAGES = frozenset({ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.ANY_EXTENDED_KEY_USAGE})

#: Policies (RFC 5280 sections 4.2.1.4, 4.2.1.11 and 4.2.1.14) and where revocation lists are to be had (4.2.1.13): common
#: clients take them when critical, and neither plays a part here, as the catalogue says.
LEFT_OUT = (x509.CertificatePolicies, x509.PolicyConstraints, x509.InhibitAnyPolicy, x509.CRLDistributionPoints)
_KNOWN = frozenset(kind.oid for kind in (
    *LEFT_OUT, x509.BasicConstraints, x509.KeyUsage, x509.ExtendedKeyUsage, x509.SubjectAlternativeName, x509.NameConstraints,
    x509.SubjectKeyIdentifier, x509.AuthorityKeyIdentifier))

#: The extension nsCertType, and its bit for a TLS server.
_NETSCAPE_TYPE, _NETSCAPE_SERVER = x509.ObjectIdentifier("2.16.840.1.113730.1.1"), 0x40

#: The digests that TLS has names for among its signatures (RFC 8446 section 4.2.3; RFC 5246 section 7.4.1.4.1 for SHA-224).
_TLS_DIGESTS = frozenset({"sha224", "sha256", "sha384", "sha512"})


@dataclass(frozen=True, slots=True)
class Breach:
    """A rule that a path breaks; where it is not ``sure``, one that is not followed here.  ``text`` is part of a sentence."""

    text: str
    sure: bool


def authority_fault(issuer: x509.Certificate, *, intermediates_below: int) -> str:
    """Why a certificate may not issue the one below it; empty where it may.

    RFC 5280 section 6.1.4 (k) to (n).  That an authority's extended key usage limits what it issues is not in that
    section: it is common practice among TLS clients, no source.
    """
    if any(unread.decisive for unread in reading(issuer).unread):
        return ""  # ``breaches`` says which cannot be read
    constraints = extension(issuer, x509.BasicConstraints)
    usage = extension(issuer, x509.KeyUsage)
    if constraints is None or not constraints.ca:
        return "it is not marked as an authority (basicConstraints, RFC 5280 section 4.2.1.9)"
    if usage is not None and not usage.key_cert_sign:
        return "its key usage does not allow signing certificates (RFC 5280 section 4.2.1.3)"
    if not vouches_for_servers(extension(issuer, x509.ExtendedKeyUsage)):
        return ("its extended key usage does not name TLS servers, and clients hold what it issues to that "
                "(RFC 5280 section 4.2.1.12)")
    if constraints.path_length is not None and intermediates_below > constraints.path_length:
        return (f"it allows {constraints.path_length} authorities below it and has {intermediates_below} "
                "(path length, RFC 5280 section 4.2.1.9)")
    return ""


def vouches_for_servers(usages: x509.ExtendedKeyUsage | None) -> bool:
    """Whether an authority may vouch for TLS servers: it limits its usage not at all, or names them."""
    return usages is None or not _SERVER_USAGES.isdisjoint(usages)


def names_any_usage_alone(certificate: x509.Certificate) -> bool:
    """Whether an extended key usage has the special value for any usage in the place of the one for servers."""
    usages = extension(certificate, x509.ExtendedKeyUsage)
    return usages is not None and ExtendedKeyUsageOID.SERVER_AUTH not in usages and vouches_for_servers(usages)


def key_serves_tls(certificate: x509.Certificate) -> bool:
    """Whether the key usage, where there is one, allows any of what a TLS server does with its key.

    That is signing, decrypting a secret, or agreeing on one (RFC 5280 section 4.2.1.3; RFC 5246 section 7.4.2).
    """
    usage = extension(certificate, x509.KeyUsage)
    return usage is None or usage.digital_signature or usage.key_encipherment or usage.key_agreement


def netscape_type_leaves_servers_out(certificate: x509.Certificate) -> bool:
    """Whether a certificate has the extension nsCertType and the bit for TLS servers is not set in it.

    Its bits are those of a BIT STRING, the second one for servers (from memory; Netscape's own page is gone).
    """
    found = next((one.value for one in reading(certificate).present if one.oid == _NETSCAPE_TYPE), None)
    if not isinstance(found, x509.UnrecognizedExtension) or not sound(found.value, BIT_STRING):
        return False
    bits = next(elements(found.value)).content[1:2]
    return not bits or not bits[0] & _NETSCAPE_SERVER


@functools.lru_cache(maxsize=256)
def curve_written_out(certificate: x509.Certificate) -> bool:
    """Whether the key's curve is given by its parameters in full and not by its name (RFC 5480 section 2.1.1)."""
    try:
        key = certificate.public_key()
    except ODD:
        return False
    if not isinstance(key, ec.EllipticCurvePublicKey):
        return False
    # The library knows such a curve again and encodes it by name: then the encoding by name is not in the certificate.
    by_name = key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    start = 3 if by_name[1] > 0x7F else 2  # behind the outer header, which is an octet longer for the longest keys
    return by_name[start : start + 2 + by_name[start + 1]] not in certificate.tbs_certificate_bytes


def breaches(path: tuple[x509.Certificate, ...], called: Callable[[x509.Certificate], str]) -> Iterator[Breach]:
    """The rules for names, critical extensions, curves and signatures that a path to an anchor breaks; ``called`` names them.

    Kept for an anchor's own extensions too: RFC 5280 section 6.1 leaves them out, and common clients do not.
    """
    for depth, certificate in enumerate(path):
        read = reading(certificate)
        yield from _unreadable(read, called(certificate), is_leaf=depth == 0)
        if certificate.version is x509.Version.v1 and (read.present or read.unread) and depth < len(path) - 1:
            yield Breach(f"{called(certificate)} has extensions and says that it is of version 1, which has none (RFC 5280 "
                         "section 4.1.2.9)", sure=True)
        for one in read.present:
            if one.oid == ExtensionOID.NAME_CONSTRAINTS and isinstance(one.value, x509.NameConstraints):
                below = [each for held in _held_to(path[:depth]) for each in _names_of(held)]
                yield from _names(one.value, called(certificate), below)
            elif one.critical and one.oid not in _KNOWN:
                yield _critical(one.oid, called(certificate))
        if curve_written_out(certificate):
            yield Breach(f"the key of {called(certificate)} has its curve written out and not named, which RFC 5480 "
                         "section 2.1.1 forbids", sure=True)
        if depth < len(path) - 1:
            yield from _digest(certificate, called)


def _unreadable(read: Reading, name: str, *, is_leaf: bool) -> Iterator[Breach]:
    """What is there twice, and what clients go by and cannot read; a client goes by whatever is marked critical.

    The extended key usage of the server's own certificate is judged by what can be read of it, by ``certificate.trust``.
    """
    for twice in read.repeated:
        yield Breach(f"{name} has the extension {visible(twice)} more than once (RFC 5280 section 4.2)", sure=True)
    for unread in read.unread:
        if unread.broken and (unread.critical or unread.decisive):
            yield Breach(f"the extension {visible(unread.name)} of {name} is malformed, and clients that have to process it "
                         "cannot (RFC 5280 section 4.2)", sure=True)
        elif (unread.critical or unread.decisive) and not (is_leaf and unread.name == "extKeyUsage"):
            yield Breach(f"the extension {visible(unread.name)} of {name} cannot be read here", sure=False)


def limits_subjects(path: Sequence[x509.Certificate]) -> bool:
    """Whether an authority of the path limits whom it may issue for by what stands in the subject."""
    limits = [found for found in (extension(issuer, x509.NameConstraints) for issuer in path[1:]) if found is not None]
    return any(isinstance(base, x509.DirectoryName | x509.RFC822Name)
               for found in limits for base in (*(found.permitted_subtrees or ()), *(found.excluded_subtrees or ())))


def _held_to(below: Sequence[x509.Certificate]) -> Iterator[x509.Certificate]:
    """Those of a path that limits above them are for: not an authority's certificate for itself (section 6.1.3 (b) and (c))."""
    return (certificate for depth, certificate in enumerate(below) if depth == 0 or not self_issued(certificate))


def _names_of(certificate: x509.Certificate) -> Iterator[x509.GeneralName]:
    """The alternative names; the subject, where it is not empty, as a directory name, and mail addresses in it."""
    yield from extension(certificate, x509.SubjectAlternativeName) or ()
    if certificate.subject.rdns:
        yield x509.DirectoryName(certificate.subject)
    for mail in certificate.subject.get_attributes_for_oid(NameOID.EMAIL_ADDRESS):
        with contextlib.suppress(ValueError):  # outside ASCII, and so no mail address
            yield x509.RFC822Name(str(mail.value))


def _critical(oid: x509.ObjectIdentifier, name: str) -> Breach:
    if oid == ExtensionOID.POLICY_MAPPINGS:
        return Breach(f"{name} maps policies (RFC 5280 section 4.2.1.5), which are not followed here", sure=False)
    return Breach(f"the extension {visible(oid.dotted_string[:64])} of {name} is marked critical, and clients that do not know "
                  "it must refuse (RFC 5280 section 4.2)", sure=True)


def _digest(certificate: x509.Certificate, called: Callable[[x509.Certificate], str]) -> Iterator[Breach]:
    """SHA-1 and older do not get this far, Ed25519 and Ed448 have none; SHA-3 is in neither list of TLS."""
    try:
        digest = certificate.signature_hash_algorithm
    except ODD:
        digest = None
    if digest is not None and digest.name not in _TLS_DIGESTS:
        yield Breach(f"{called(certificate)} is signed with {digest.name}, for which TLS has no name "
                     "(RFC 8446 section 4.2.3)", sure=False)


def _names(constraints: x509.NameConstraints, issuer: str, names: list[x509.GeneralName]) -> Iterator[Breach]:
    """RFC 5280 section 4.2.1.10, for DNS names, addresses and directory names."""
    permitted, excluded = constraints.permitted_subtrees or [], constraints.excluded_subtrees or []
    unsure: list[x509.GeneralName] = []
    for name in names:
        inside = [_within(name, base) for base in permitted if type(base) is type(name)]
        banned = [_within(name, base) for base in excluded]
        if True in banned or (inside and not any(one is not False for one in inside)):
            yield Breach(f"{issuer} may not issue for {visible(_shown(name)[:256])} (name constraints, "
                         "RFC 5280 section 4.2.1.10)", sure=True)
        unsure += [base for base in (*permitted, *excluded) if _within(name, base) is None]
    for base in unsure[:1]:
        kind = "begin with a dot, which has no defined meaning for DNS names" if isinstance(base, x509.DNSName) else (
            "are of a kind that is not followed here")
        yield Breach(f"name constraints of {issuer} {kind} (RFC 5280 section 4.2.1.10)", sure=False)


def _shown(name: x509.GeneralName) -> str:
    return name.value.rfc4514_string() if isinstance(name, x509.DirectoryName) else str(name.value)


def _within(name: x509.GeneralName, base: x509.GeneralName) -> bool | None:
    """Whether a name lies in a subtree; None for kinds and ways of writing that are not followed here."""
    if type(name) is not type(base):
        return False
    if isinstance(name, x509.DNSName) and isinstance(base, x509.DNSName) and not base.value.startswith("."):
        inner, outer = name.value.lower(), base.value.lower()
        return not outer or inner == outer or inner.endswith(f".{outer}")
    if isinstance(name, x509.DirectoryName) and isinstance(base, x509.DirectoryName):
        return lies_below(name.value, base.value)
    if isinstance(base.value, ipaddress.IPv4Network | ipaddress.IPv6Network):
        return name.value in base.value
    return None
