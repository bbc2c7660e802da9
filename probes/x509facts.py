"""From the octets of a certificate to ``CertificateFacts``, whatever the octets are.

Certificates are hostile input and often merely odd: what the library refuses becomes ``parse_error``, what it complains
of becomes an oddity, and one odd name never loses the rest.
"""

from __future__ import annotations

import datetime
import functools
import hashlib
import ipaddress
import sys
import warnings

from cryptography import x509
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed448, ed25519, padding, rsa
from cryptography.x509.oid import NameOID, PublicKeyAlgorithmOID, SignatureAlgorithmOID

from shared import der
from shared.evidence import CertificateFacts, bounded

#: The most alternative names kept of one certificate.  Ours: a hundred times what a host needs.
NAMES_LIMIT = 1000
#: The longest name there is has 253 characters (RFC 1035 section 2.3.4); longer text in its place is kept as a sample.
_NAME_TEXT_LIMIT = 256
#: Certificates are parsed once each.  A fleet shares its intermediates, so a small memory is enough to keep them.
_REMEMBERED = 256

# Object identifiers as encoded (RFC 5280 sections 4.2.1.6, 4.2.1.9, 4.2.1.12).
_ALTERNATIVE_NAMES = bytes.fromhex("551d11")
_BASIC_CONSTRAINTS = bytes.fromhex("551d13")
_EXTENDED_KEY_USAGE = bytes.fromhex("551d25")
_ANY_USAGE = bytes.fromhex("551d2500")
_SERVER_USAGE = bytes.fromhex("2b06010505070301")

# The choices of a GeneralName by tag (RFC 5280 section 4.2.1.6).
_TEXT_NAMES = {0x81: "email", 0x82: "dns", 0x86: "uri"}
_ADDRESS_NAME = 0x87
_OTHER_NAMES = {0xA0: "otherName", 0xA3: "x400Address", 0xA4: "directoryName", 0xA5: "ediPartyName", 0x88: "registeredID"}

_SIGNATURES = {value.dotted_string: name for name, value in vars(SignatureAlgorithmOID).items()
               if isinstance(value, x509.ObjectIdentifier)}
#: Digests so old that the library does not know their signatures (RFC 8017 appendix A.2.4; RFC 1319, 1320, 1321).
_OLD_DIGESTS = {"1.2.840.113549.1.1.2": "md2", "1.2.840.113549.1.1.3": "md4", "1.2.840.113549.2.2": "md2",
                "1.2.840.113549.2.4": "md4", "1.2.840.113549.2.5": "md5"}

#: What the library raises for a certificate it cannot read, by its documentation and by trial over its own test vectors.
_UNREADABLE = (ValueError, TypeError, OverflowError, UnsupportedAlgorithm, x509.InvalidVersion)


def facts(certificate: bytes) -> CertificateFacts:
    """What can be read from one DER certificate.  Never raises: what is no certificate has its ``parse_error`` set."""
    return _facts(bytes(certificate))


@functools.lru_cache(maxsize=_REMEMBERED)
def _facts(data: bytes) -> CertificateFacts:
    fingerprint = sys.intern(hashlib.sha256(data).hexdigest())
    with warnings.catch_warnings(record=True) as complaints:
        warnings.simplefilter("always")
        try:
            certificate = x509.load_der_x509_certificate(data)
            outline = der.outline(data)
            return _read(certificate, outline, data, fingerprint, complaints)
        except _UNREADABLE as error:
            return CertificateFacts(der=data, sha256=fingerprint, parse_error=_said(error))


def _read(
    certificate: x509.Certificate, outline: der.Outline, data: bytes, fingerprint: str,
    complaints: list[warnings.WarningMessage],
) -> CertificateFacts:
    names, names_error = _alternative_names(outline)
    oddities: list[str] = []
    subject, issuer = _name_text(certificate, "subject", oddities), _name_text(certificate, "issuer", oddities)
    common_name = _common_name(certificate)
    key_type, key_bits = _key(certificate, outline, oddities)
    oid = certificate.signature_algorithm_oid.dotted_string
    self_issued = outline.issuer == outline.subject
    is_authority, server_usage = _is_authority(outline), _server_usage(outline)
    self_signed = _signed_by_itself(certificate) if self_issued else False
    oddities += [bounded(str(complaint.message), _NAME_TEXT_LIMIT) for complaint in complaints]
    return CertificateFacts(
        der=data, sha256=fingerprint, subject=subject, issuer=issuer, common_name=common_name,
        serial=f"{certificate.serial_number:x}", not_before=_rfc3339(certificate.not_valid_before_utc),
        not_after=_rfc3339(certificate.not_valid_after_utc), names=names, names_error=names_error,
        key_type=key_type, key_bits=key_bits, key_sha256=hashlib.sha256(outline.public_key).hexdigest(),
        signature=_SIGNATURES.get(oid, oid), signature_hash=_signature_hash(certificate, oid), is_authority=is_authority,
        server_usage=server_usage, self_issued=self_issued, self_signed=self_signed,
        oddities=tuple(dict.fromkeys(oddities)))


def _said(error: Exception) -> str:
    return bounded(str(error) or type(error).__name__, _NAME_TEXT_LIMIT)


def _rfc3339(moment: datetime.datetime) -> str:
    # isoformat, because strftime does not pad years before 1000 on every system.
    return moment.replace(tzinfo=None).isoformat() + "Z"


def _name_text(certificate: x509.Certificate, which: str, oddities: list[str]) -> str:
    try:
        name: x509.Name = getattr(certificate, which)
        return bounded(name.rfc4514_string())
    except _UNREADABLE as error:
        oddities.append(f"the {which} cannot be read: {_said(error)}")
        return ""


def _common_name(certificate: x509.Certificate) -> str:
    try:
        found = certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    except _UNREADABLE:
        return ""
    return bounded(str(found[-1].value), _NAME_TEXT_LIMIT) if found else ""


def _key(certificate: x509.Certificate, outline: der.Outline, oddities: list[str]) -> tuple[str, int]:
    """The type and the size in bits of the public key; the type, or its curve, is an object identifier where it is not known."""
    try:
        key = certificate.public_key()
    except _UNREADABLE as error:
        oddities.append(f"the public key cannot be read: {_said(error)}")
        kind = certificate.public_key_algorithm_oid
        curve = _curve(outline) if kind == PublicKeyAlgorithmOID.EC_PUBLIC_KEY else ""
        return f"EC {curve}" if curve else kind.dotted_string, 0
    if isinstance(key, rsa.RSAPublicKey):
        return "RSA", key.key_size
    if isinstance(key, ec.EllipticCurvePublicKey):
        return f"EC {key.curve.name}", key.curve.key_size
    if isinstance(key, ed25519.Ed25519PublicKey):
        return "Ed25519", 256
    if isinstance(key, ed448.Ed448PublicKey):
        return "Ed448", 448
    if isinstance(key, dsa.DSAPublicKey):
        return "DSA", key.key_size
    return certificate.public_key_algorithm_oid.dotted_string, 0


def _curve(outline: der.Outline) -> str:
    """The object identifier of the curve that a key is on (RFC 5480 section 2.1.1); empty where it has none."""
    try:
        algorithm, _ = der.elements(der.only(outline.public_key, der.SEQUENCE))
        _, parameters = der.elements(algorithm.content)
        return der.dotted(parameters.content)[:_NAME_TEXT_LIMIT] if parameters.tag == der.OBJECT_IDENTIFIER else ""
    except ValueError:
        return ""


def _signature_hash(certificate: x509.Certificate, oid: str) -> str:
    try:
        digest = certificate.signature_hash_algorithm
    except _UNREADABLE:
        return _OLD_DIGESTS.get(oid, "")
    return digest.name if digest else ""


def _extension(outline: der.Outline, identifier: bytes) -> bytes | None:
    return next((value for found, value in outline.extensions if found == identifier), None)


def _is_authority(outline: der.Outline) -> bool:
    """Whether basicConstraints says cA (RFC 5280 section 4.2.1.9)."""
    value = _extension(outline, _BASIC_CONSTRAINTS)
    try:
        inner = list(der.elements(der.only(value, der.SEQUENCE))) if value else []
    except der.DerError:
        return False
    return bool(inner) and inner[0].tag == der.BOOLEAN and any(inner[0].content)


def _server_usage(outline: der.Outline) -> bool:
    """Whether the certificate may serve TLS: no extended key usage, or one that says so (RFC 5280 section 4.2.1.12)."""
    value = _extension(outline, _EXTENDED_KEY_USAGE)
    if value is None:
        return True
    try:
        usages = {element.content for element in der.elements(der.only(value, der.SEQUENCE))}
    except der.DerError:
        return False
    return bool(usages & {_SERVER_USAGE, _ANY_USAGE})


def _alternative_names(outline: der.Outline) -> tuple[tuple[tuple[str, str], ...], str]:
    """The subject alternative names as (kind, value), and what was odd about them."""
    values = [value for found, value in outline.extensions if found == _ALTERNATIVE_NAMES]
    if not values:
        return (), ""
    faults = ["the extension is there more than once"] if len(values) > 1 else []
    names: list[tuple[str, str]] = []
    try:
        for element in der.elements(der.only(values[0], der.SEQUENCE)):
            if len(names) == NAMES_LIMIT:
                faults.append(f"only the first {NAMES_LIMIT} names were read")
                break
            names.append(_general_name(element, faults))
    except der.DerError as error:
        faults.append(str(error))
    return tuple(names), bounded("; ".join(dict.fromkeys(faults)))


def _general_name(element: der.Element, faults: list[str]) -> tuple[str, str]:
    if element.tag in _TEXT_NAMES:
        kind = _TEXT_NAMES[element.tag]
        if not element.content.isascii():
            faults.append(f"a {kind} name holds octets outside ASCII")
        return kind, bounded(element.content.decode("ascii", "backslashreplace"), _NAME_TEXT_LIMIT)
    if element.tag == _ADDRESS_NAME:
        if len(element.content) in (4, 16):
            return "ip", str(ipaddress.ip_address(element.content))
        faults.append(f"an address of {len(element.content)} octets; 4 or 16 are allowed")
        return "other", bounded(element.content.hex(), _NAME_TEXT_LIMIT)
    if element.tag not in _OTHER_NAMES:
        faults.append(f"a name of unknown kind (tag {element.tag:#04x})")
    return "other", _OTHER_NAMES.get(element.tag, f"tag {element.tag:#04x}")


def _signed_by_itself(certificate: x509.Certificate) -> bool | None:
    """Whether the signature verifies with the certificate's own key (RFC 5280 section 3.2); None where it cannot be tried."""
    try:
        key = certificate.public_key()
        parameters = certificate.signature_algorithm_parameters
        digest = certificate.signature_hash_algorithm
        signature, signed = certificate.signature, certificate.tbs_certificate_bytes
        # The key's own method, not the certificate's: that one refuses SHA-1, which old installers still sign with.
        if isinstance(key, rsa.RSAPublicKey) and isinstance(parameters, padding.PKCS1v15 | padding.PSS) and digest:
            key.verify(signature, signed, parameters, digest)
        elif isinstance(key, ec.EllipticCurvePublicKey) and isinstance(parameters, ec.ECDSA):
            key.verify(signature, signed, parameters)
        elif isinstance(key, dsa.DSAPublicKey) and digest:
            key.verify(signature, signed, digest)
        elif isinstance(key, ed25519.Ed25519PublicKey | ed448.Ed448PublicKey):
            key.verify(signature, signed)
        else:
            return None
    except InvalidSignature:
        return False
    except _UNREADABLE:
        return None
    return True
