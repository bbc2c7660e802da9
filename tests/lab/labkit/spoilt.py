"""Certificates spoilt after they were made, as no authority would issue them."""

from __future__ import annotations

from dataclasses import replace

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding, rsa

from verify.laboratory.authority import Credential, Key

# The object identifiers sha256WithRSAEncryption and sha1WithRSAEncryption (RFC 8017 appendix A.2.4), encoded.
_SHA256_WITH_RSA = bytes.fromhex("2a864886f70d01010b")
_SHA1_WITH_RSA = bytes.fromhex("2a864886f70d010105")


def with_broken_signature(credential: Credential) -> Credential:
    """The same certificate with the last bit of its signature turned: it still parses and no longer verifies."""
    der = credential.der
    broken = x509.load_der_x509_certificate(der[:-1] + bytes([der[-1] ^ 1]))
    return replace(credential, certificate=broken)


def with_sha1_signature(credential: Credential, signer: Key) -> Credential:
    """The same certificate signed again by ``signer`` with SHA-1, as no library of today will.  RSA keys only.

    Both object identifiers have the same length, so the encoded certificate is changed in place.  Raises ValueError
    where the certificate was not signed by an RSA key.
    """
    signed = credential.certificate.tbs_certificate_bytes
    if not isinstance(signer, rsa.RSAPrivateKey) or _SHA256_WITH_RSA not in signed:
        raise ValueError("only an RSA signature can be made with SHA-1 here")
    weak = signed.replace(_SHA256_WITH_RSA, _SHA1_WITH_RSA, 1)
    signature = signer.sign(weak, padding.PKCS1v15(), hashes.SHA1())
    der = credential.der.replace(signed, weak).replace(_SHA256_WITH_RSA, _SHA1_WITH_RSA)
    return replace(credential, certificate=x509.load_der_x509_certificate(der[: -len(signature)] + signature))


def without_intermediates(credential: Credential) -> Credential:
    """The same credential whose ``chain`` is the leaf alone, as a server sends it where the chain file was forgotten."""
    return replace(credential, issuers=credential.issuers[-1:])
