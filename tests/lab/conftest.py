"""The laboratory of real servers, built once for all tests of this folder."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from labkit import needs
from labkit.site import Site
from labkit.tidewater import tidewater


@pytest.fixture(scope="session")
def laboratory() -> None:
    """Root, and every tool of the laboratory; without them the tests are skipped or, in CI, fail."""
    needs.require()


@pytest.fixture(scope="session")
def tide(laboratory: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Tidewater Observatory: every machine and server of ``labkit.tidewater``, running."""
    with tidewater(tmp_path_factory.mktemp("tidewater")) as site:
        yield site
