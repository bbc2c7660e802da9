"""The extensions of a certificate (RFC 5280 section 4.2), each by itself where the library gives up on all of them for one."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TypeVar

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.serialization import Encoding

from shared import der

#: What the library raises for certificates that are merely odd.
ODD = (ValueError, TypeError, OverflowError, UnsupportedAlgorithm, x509.InvalidVersion, x509.ExtensionNotFound,
       x509.DuplicateExtension, x509.UnsupportedGeneralNameType)

#: What a path is judged by: what RFC 5280 section 4.2 has every client recognize, policies aside, and the list of revocation
#: lists, which clients with OpenSSL read with these.  By name and by the tag that the value begins with.
_DECISIVE = {
    x509.SubjectKeyIdentifier.oid.dotted_string: ("subjectKeyIdentifier", der.OCTET_STRING),
    x509.KeyUsage.oid.dotted_string: ("keyUsage", der.BIT_STRING),
    x509.SubjectAlternativeName.oid.dotted_string: ("subjectAltName", der.SEQUENCE),
    x509.BasicConstraints.oid.dotted_string: ("basicConstraints", der.SEQUENCE),
    x509.NameConstraints.oid.dotted_string: ("nameConstraints", der.SEQUENCE),
    x509.CRLDistributionPoints.oid.dotted_string: ("cRLDistributionPoints", der.SEQUENCE),
    x509.AuthorityKeyIdentifier.oid.dotted_string: ("authorityKeyIdentifier", der.SEQUENCE),
    x509.ExtendedKeyUsage.oid.dotted_string: ("extKeyUsage", der.SEQUENCE),
}
#: Others that clients read though they need not: those written in Go refuse a certificate in which one is broken.
_OTHERS = {
    x509.AuthorityInformationAccess.oid.dotted_string: ("authorityInfoAccess", der.SEQUENCE),
    x509.CertificatePolicies.oid.dotted_string: ("certificatePolicies", der.SEQUENCE),
}
_KNOWN = {**_DECISIVE, **_OTHERS}
_BASIC_CONSTRAINTS = x509.BasicConstraints.oid.dotted_string
#: cA written out as FALSE, its default: DER leaves a default out (X.690 section 11.5), and clients read it all the same.
_WRITTEN_OUT = bytes.fromhex("3003010100")

T = TypeVar("T", bound=x509.ExtensionType)


@dataclass(frozen=True, slots=True)
class Unread:
    """An extension that the library cannot read.  ``broken``: nor can anybody; ``decisive``: clients go by it."""

    name: str
    critical: bool
    decisive: bool
    broken: bool


@dataclass(frozen=True, slots=True)
class Reading:
    """The extensions that can be read, those that cannot, and the names of those that are there more than once."""

    present: tuple[x509.Extension[x509.ExtensionType], ...]
    unread: tuple[Unread, ...] = ()
    repeated: tuple[str, ...] = ()


def reading(certificate: x509.Certificate) -> Reading:
    """What there is to be read of a certificate's extensions.  Never raises."""
    try:
        return Reading(tuple(certificate.extensions))
    except ODD:
        return _one_by_one(certificate)


def extension(certificate: x509.Certificate, kind: type[T]) -> T | None:
    """An extension of a certificate; None where it has none that can be read."""
    return next((one.value for one in reading(certificate).present if isinstance(one.value, kind)), None)


@functools.lru_cache(maxsize=256)
def _one_by_one(certificate: x509.Certificate) -> Reading:
    try:
        listed = list(der.extensions_alone(certificate.public_bytes(Encoding.DER)))
    except (der.DerError, *ODD):
        return Reading((), (Unread("(no name)", critical=True, decisive=True, broken=True),))
    present: list[x509.Extension[x509.ExtensionType]] = []
    unread: list[Unread] = []
    for one in listed:
        try:
            present += x509.load_der_x509_certificate(one.alone).extensions
        except ODD:
            if one.identifier == _BASIC_CONSTRAINTS and one.value == _WRITTEN_OUT:
                value = x509.BasicConstraints(ca=False, path_length=None)
                present.append(x509.Extension(value.oid, one.critical, value))
            else:
                unread.append(_unread(one))
    identifiers = [one.identifier for one in listed]
    return Reading(tuple(present), tuple(unread), tuple(dict.fromkeys(
        _called(one) for one in identifiers if identifiers.count(one) > 1)))


def _unread(one: der.Extension) -> Unread:
    _, tag = _KNOWN.get(one.identifier, ("", one.value[0] if one.value else 0))
    return Unread(_called(one.identifier), one.critical, one.identifier in _DECISIVE, not der.sound(one.value, tag))


def _called(identifier: str) -> str:
    name, _ = _KNOWN.get(identifier, (identifier[:64], 0))
    return name
