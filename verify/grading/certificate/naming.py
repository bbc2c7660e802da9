"""Names of subjects and issuers, compared as RFC 5280 section 7.1 has it: whatever their encoding, case and spaces in excess."""

from __future__ import annotations

import unicodedata

from cryptography import x509

#: A name in the form in which names are compared: its parts in order, each with its attributes.
Folded = tuple[frozenset[tuple[str, str | bytes]], ...]


def folded(name: x509.Name) -> Folded:
    """A name in that form; two names are the same where these are equal."""
    return tuple(frozenset((part.oid.dotted_string, _fold(part.value)) for part in parts) for parts in name.rdns)


def _fold(value: str | bytes) -> str | bytes:
    return " ".join(unicodedata.normalize("NFKC", value).casefold().split()) if isinstance(value, str) else value


def self_issued(certificate: x509.Certificate) -> bool:
    """Whether issuer and subject have one name, as where an authority certifies its own next key (RFC 5280 section 3.2)."""
    return folded(certificate.issuer) == folded(certificate.subject)


def lies_below(name: x509.Name, base: x509.Name) -> bool:
    """Whether a name begins with all the parts of ``base``, so that it lies in that subtree (RFC 5280 section 4.2.1.10)."""
    return folded(name)[: len(base.rdns)] == folded(base)
