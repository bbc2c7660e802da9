"""What RFC 5280 asks of the certificates of a path, one by one, and which of them one breaks."""

from __future__ import annotations

from typing import TypeVar

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.x509.oid import ExtendedKeyUsageOID

#: What the library raises for certificates that are merely odd.
ODD = (ValueError, TypeError, OverflowError, UnsupportedAlgorithm, x509.InvalidVersion, x509.ExtensionNotFound,
       x509.DuplicateExtension, x509.UnsupportedGeneralNameType)

#: The extended key usages that let a certificate serve TLS (RFC 5280 section 4.2.1.12).
_SERVER_USAGES = frozenset({ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.ANY_EXTENDED_KEY_USAGE})

T = TypeVar("T", bound=x509.ExtensionType)


def authority_fault(issuer: x509.Certificate, *, intermediates_below: int) -> str:
    """Why a certificate may not issue the one below it; empty where it may.

    RFC 5280 section 6.1.4 (k) to (n).  That an authority's extended key usage limits what it issues is not in that
    section: it is common practice among TLS clients, no source.
    """
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


def key_serves_tls(certificate: x509.Certificate) -> bool:
    """Whether the key usage, where there is one, allows any of what a TLS server does with its key.

    That is signing, decrypting a secret, or agreeing on one (RFC 5280 section 4.2.1.3; RFC 5246 section 7.4.2).
    """
    usage = extension(certificate, x509.KeyUsage)
    return usage is None or usage.digital_signature or usage.key_encipherment or usage.key_agreement


def extension(certificate: x509.Certificate, kind: type[T]) -> T | None:
    """An extension of a certificate; None where it has none that can be read."""
    try:
        return certificate.extensions.get_extension_for_class(kind).value
    except ODD:
        return None
