"""The laboratory of real servers, built once for all tests of this folder, and the runs that many of them read."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from labkit import needs, saltmarsh
from labkit.runs import Run
from labkit.site import Site
from labkit.tidewater import FALSE_SOURCE, FAULTY, PRIMARY, SOUND, STALE, TRUE_SOURCES, plan, tidewater


@pytest.fixture(scope="session")
def laboratory() -> None:
    """Root, and every tool of the laboratory; without them the tests are skipped or, in CI, fail."""
    needs.require()


@pytest.fixture(scope="session")
def tide(laboratory: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Tidewater Observatory: every machine and server of ``labkit.tidewater``, running."""
    with tidewater(tmp_path_factory.mktemp("tidewater")) as site:
        yield site


@pytest.fixture(scope="session")
def sound_run(tide: Site) -> Run:
    """The sound hosts, seen from behind the router."""
    return tide.verify(plan(SOUND))


@pytest.fixture(scope="session")
def deck_run(tide: Site) -> Run:
    """The sound hosts, seen from their own wire."""
    return tide.verify(plan(SOUND), at="deck")


@pytest.fixture(scope="session")
def faulty_run(tide: Site) -> Run:
    """Every host, sound or faulty, with one stale name server and one false time source, seen from behind the router."""
    return tide.verify(plan((*SOUND, *FAULTY), name_servers=(PRIMARY, STALE), time_sources=(*TRUE_SOURCES[:3], FALSE_SOURCE)))


@pytest.fixture(scope="session")
def salt(laboratory: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Saltmarsh Field Station: every machine and server of ``labkit.saltmarsh``, running."""
    with saltmarsh.saltmarsh(tmp_path_factory.mktemp("saltmarsh")) as site:
        yield site
