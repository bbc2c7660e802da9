"""Whether one certificate issued another: by its name, however that is spelled, and by its key."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed448, ed25519, padding, rsa
from cryptography.x509.oid import SignatureAlgorithmOID

from verify.grading.certificate.extensions import ODD, extension
from verify.grading.certificate.naming import folded

#: The digests that a signature is verified with.  RFC 9155 sections 2 to 4 rule out SHA-1 and MD5.
_DIGESTS = (hashes.SHA224, hashes.SHA256, hashes.SHA384, hashes.SHA512, hashes.SHA3_224, hashes.SHA3_256, hashes.SHA3_384,
            hashes.SHA3_512)


def spelled_otherwise(path: Sequence[x509.Certificate]) -> x509.Certificate | None:
    """The first certificate of a path whose issuer's name is not octet for octet as that issuer's own certificate has it."""
    return next((certificate for certificate, issuer in itertools.pairwise(path)
                 if not _equal(certificate.issuer, issuer.subject)), None)


def identified_otherwise(certificate: x509.Certificate, issuer: x509.Certificate) -> bool:
    """Whether the authority key identifier of a certificate is of another one than ``issuer`` (RFC 5280 section 4.2.1.1)."""
    named = extension(certificate, x509.AuthorityKeyIdentifier)
    if named is None:
        return False
    own = extension(issuer, x509.SubjectKeyIdentifier)
    above = [name.value for name in named.authority_cert_issuer or () if isinstance(name, x509.DirectoryName)]
    return ((named.key_identifier is not None and own is not None and named.key_identifier != own.digest)
            or named.authority_cert_serial_number not in (None, issuer.serial_number)
            or (bool(above) and folded(above[0]) != folded(issuer.issuer)))


def _equal(one: x509.Name, other: x509.Name) -> bool:
    try:
        return one.public_bytes() == other.public_bytes()
    except ODD:
        return one == other


def signed(certificate: x509.Certificate, issuer: x509.Certificate) -> bool | None:
    """Whether the issuer's key verifies the signature; None where the library does not know or take the algorithm."""
    try:
        if spelled_otherwise((certificate, issuer)):
            return _verified(certificate, issuer)
        certificate.verify_directly_issued_by(issuer)
    except InvalidSignature:
        return False
    except ODD:
        return False if _other_kind_of_key(certificate, issuer) else None
    return True


def _verified(certificate: x509.Certificate, issuer: x509.Certificate) -> bool | None:
    """By the key alone, since the library's own way asks for names that are equal in every octet."""
    key, digest = issuer.public_key(), certificate.signature_hash_algorithm
    parameters = certificate.signature_algorithm_parameters
    signature, content = certificate.signature, certificate.tbs_certificate_bytes
    if _other_kind_of_key(certificate, issuer):
        return False
    if isinstance(key, ed25519.Ed25519PublicKey | ed448.Ed448PublicKey):
        key.verify(signature, content)
    elif not isinstance(digest, _DIGESTS):
        return None
    elif isinstance(key, rsa.RSAPublicKey) and isinstance(parameters, padding.PKCS1v15 | padding.PSS):
        key.verify(signature, content, parameters, digest)
    elif isinstance(key, ec.EllipticCurvePublicKey) and isinstance(parameters, ec.ECDSA):
        key.verify(signature, content, parameters)
    else:
        return None
    return True


def _other_kind_of_key(certificate: x509.Certificate, issuer: x509.Certificate) -> bool:
    """Whether the signature was made with another kind of key than the issuer has; False where either is not known."""
    try:
        key, parameters = issuer.public_key(), certificate.signature_algorithm_parameters
    except ODD:
        return False
    algorithm = certificate.signature_algorithm_oid
    made_with = next((kind for kind, is_it in (
        (rsa.RSAPublicKey, isinstance(parameters, padding.PKCS1v15 | padding.PSS)),
        (ec.EllipticCurvePublicKey, isinstance(parameters, ec.ECDSA)),
        (ed25519.Ed25519PublicKey, algorithm == SignatureAlgorithmOID.ED25519),
        (ed448.Ed448PublicKey, algorithm == SignatureAlgorithmOID.ED448)) if is_it), None)
    return made_with is not None and not isinstance(key, made_with)
