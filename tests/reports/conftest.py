"""The reports that the tests of this folder render."""

from __future__ import annotations

import pytest

from shared.catalogue import Check


def _check(name: str, title: str, owner: str) -> Check:
    return Check(name=name, title=title, proves="", not_proves="", basis=(), causes=(), mends=(), owner=owner,
                 would_prove="an answer from the host")


@pytest.fixture(scope="session")
def checks() -> dict[str, Check]:
    """A small catalogue that stands still, so that golden files change only with the renderer."""
    entries = (_check("name.servers-agree", "The name servers agree", "names"), _check("clock.source", "The time source", "time"),
               _check("clock.offset", "The host's clock", "build"), _check("clock.synchronised", "The clock is kept", "build"),
               _check("certificate.protocol", "TLS versions", "certificates"), _check("host.echo", "The host answers", "build"),
               _check("port.closed", "Ports that must be closed", "build"), _check("certificate.dates", "Dates", "certificates"))
    return {entry.name: entry for entry in entries}
