"""What an ICMP error means, by the documents that define its codes."""

from __future__ import annotations

import pytest

from probes.failures import from_icmp
from shared.evidence import FailureKind


@pytest.mark.parametrize(("version", "icmp_type", "code", "kind"), [
    # RFC 1812 section 5.2.7.1: code 0 "if it has no routes to that network", code 1 on the network itself.
    (4, 3, 0, FailureKind.NO_PATH), (4, 3, 1, FailureKind.UNREACHABLE), (4, 3, 6, FailureKind.NO_PATH),
    (4, 3, 3, FailureKind.REFUSED), (4, 3, 4, FailureKind.TOO_BIG), (4, 3, 13, FailureKind.PROHIBITED),
    # RFC 792, "time exceeded": code 0 in transit.
    (4, 11, 0, FailureKind.NO_PATH),
    # RFC 4443 section 3.1: 0 no route, 1 prohibited, 3 address unreachable, 4 port; section 3.3: hop limit exceeded.
    (6, 1, 0, FailureKind.NO_PATH), (6, 1, 1, FailureKind.PROHIBITED), (6, 1, 3, FailureKind.UNREACHABLE),
    (6, 1, 4, FailureKind.REFUSED), (6, 2, 0, FailureKind.TOO_BIG), (6, 3, 0, FailureKind.NO_PATH),
    # A code that nobody has defined is still somebody's word that it does not arrive.
    (4, 3, 200, FailureKind.UNREACHABLE), (6, 1, 200, FailureKind.UNREACHABLE),
])
def test_a_code_means_what_its_document_says(version: int, icmp_type: int, code: int, kind: FailureKind) -> None:
    """A router with no way to a network says nothing of a host on it; one that finds no host there does."""
    failure = from_icmp(version=version, icmp_type=icmp_type, code=code, number=0, sender="192.0.2.1", phase="answer",
                        elapsed_seconds=0.1)
    assert (failure.kind, failure.sender) == (kind, "192.0.2.1")
