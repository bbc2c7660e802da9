"""Ways up to an anchor that were accepted for one host, kept for the others: most hosts of a site have one issuer."""

from __future__ import annotations

import functools
from collections.abc import Hashable

from cryptography import x509


class Way:
    """A path that was accepted, and from when to when all of its certificates are valid: dates are all that time decides."""

    def __init__(self, path: tuple[x509.Certificate, ...], alike: bool) -> None:
        self.path, self.alike = path, alike
        self.begin = max(certificate.not_valid_before_utc for certificate in path)
        self.end = min(certificate.not_valid_after_utc for certificate in path)


@functools.lru_cache(maxsize=1024)
def trusted_before(_leaf: bytes, _sent: tuple[bytes, ...], _anchors: Hashable) -> list[Way]:
    """The paths found for a chain so far, to be added to: many hosts may show the same one."""
    return []


@functools.lru_cache(maxsize=256)
def accepted_above(_sent: tuple[x509.Certificate, ...], _anchors: Hashable) -> list[Way]:
    """The ways found so far that lead up from one of the certificates sent, to be added to: many hosts may send these."""
    return []
