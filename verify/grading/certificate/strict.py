"""What RFC 5280 asks of whoever issues a certificate, and some clients refuse it without.

Section 6.1 of that RFC, which says what a client must refuse, does not ask for any of it.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from cryptography import x509

from verify.grading.certificate.extensions import Reading, extension, reading
from verify.grading.certificate.naming import self_issued

#: RFC 5280 section 4.1.2.2: a serial number has 20 octets at most, and their first bit is its sign.
_SERIAL_BITS = 20 * 8 - 1

#: Who refuses it: Python sets OpenSSL's strict checks from 3.13 on; Go reads every extension that it knows, as seen with 1.19,
#: and takes no negative number from 1.23 on.
_PYTHON, _GO, _SOME = "programs with Python 3.13 or later", "programs written in Go", "some strict programs"


@dataclass(frozen=True, slots=True)
class Shortcoming:
    """What is wanting in one certificate, and who refuses it for that; both are parts of a sentence."""

    certificate: x509.Certificate
    text: str
    refused_by: str


def shortcomings(path: Sequence[x509.Certificate]) -> Iterator[Shortcoming]:
    """What is wanting in the certificates of a path of two or more, the server's own first.

    The anchor counts, since these clients ask as much of it, but for its serial number: roots with the number 0 are many.
    """
    for depth, certificate in enumerate(path if len(path) > 1 else ()):
        yield from _wanting(certificate, is_server=depth == 0, is_anchor=depth == len(path) - 1)


@functools.lru_cache(maxsize=256)
def _wanting(certificate: x509.Certificate, *, is_server: bool, is_anchor: bool) -> tuple[Shortcoming, ...]:
    """Kept for those that many hosts send."""
    return () if certificate.version is x509.Version.v1 else tuple(_each(certificate, is_server=is_server, is_anchor=is_anchor))


def _each(certificate: x509.Certificate, *, is_server: bool, is_anchor: bool) -> Iterator[Shortcoming]:
    read = reading(certificate)
    if not is_anchor:
        yield from _serial(certificate)
    if not (is_anchor and self_issued(certificate)):
        yield from _authority_key(certificate, read)
    yield from _of_server(certificate, read) if is_server else _of_authority(certificate, read)
    yield from (Shortcoming(certificate, f"has a malformed extension {unread.name} (RFC 5280 section 4.2)", _GO)
                for unread in read.unread if unread.broken and not unread.decisive)


def _serial(certificate: x509.Certificate) -> Iterator[Shortcoming]:
    number = certificate.serial_number
    if number <= 0:
        yield Shortcoming(certificate, "has a serial number that is not positive (RFC 5280 section 4.1.2.2)",
                          _GO if number else _SOME)
    elif number.bit_length() > _SERIAL_BITS:
        yield Shortcoming(certificate, "has a serial number of more than 20 octets (RFC 5280 section 4.1.2.2)", _SOME)


def _authority_key(certificate: x509.Certificate, read: Reading) -> Iterator[Shortcoming]:
    named = extension(certificate, x509.AuthorityKeyIdentifier)
    if (named is None or named.key_identifier is None) and not _unread(read, "authorityKeyIdentifier"):
        yield Shortcoming(certificate, "has no authority key identifier (RFC 5280 section 4.2.1.1)", _PYTHON)


def _of_server(certificate: x509.Certificate, read: Reading) -> Iterator[Shortcoming]:
    names = next((one for one in read.present if isinstance(one.value, x509.SubjectAlternativeName)), None)
    if names is not None and not names.critical and not certificate.subject.rdns:
        yield Shortcoming(certificate, "has no subject, and its alternative names are not marked critical (RFC 5280 section "
                                       "4.2.1.6)", f"{_PYTHON} or with Java")
    texts = (x509.DNSName, x509.RFC822Name, x509.UniformResourceIdentifier)
    listed = extension(certificate, x509.SubjectAlternativeName) or ()
    if any(isinstance(name, texts) and not name.value.isascii() for name in listed):
        yield Shortcoming(certificate, "has an alternative name that is not all ASCII (RFC 5280 section 4.2.1.6)", _GO)
    usage, constraints = extension(certificate, x509.KeyUsage), extension(certificate, x509.BasicConstraints)
    if usage is not None and usage.key_cert_sign and not (constraints is not None and constraints.ca):
        yield Shortcoming(certificate, "may sign certificates by its key usage and is not marked as an authority (RFC 5280 "
                                       "section 4.2.1.9)", _PYTHON)


def _of_authority(certificate: x509.Certificate, read: Reading) -> Iterator[Shortcoming]:
    if any(isinstance(one.value, x509.BasicConstraints) and not one.critical for one in read.present):
        yield Shortcoming(certificate, "is an authority, and that is not marked critical (RFC 5280 section 4.2.1.9)", _PYTHON)
    if extension(certificate, x509.KeyUsage) is None and not _unread(read, "keyUsage"):
        yield Shortcoming(certificate, "is an authority without a key usage (RFC 5280 section 4.2.1.3)", _PYTHON)
    if extension(certificate, x509.SubjectKeyIdentifier) is None and not _unread(read, "subjectKeyIdentifier"):
        yield Shortcoming(certificate, "is an authority without a subject key identifier (RFC 5280 section 4.2.1.2)", _PYTHON)


def _unread(read: Reading, name: str) -> bool:
    return any(one.name == name for one in read.unread)
