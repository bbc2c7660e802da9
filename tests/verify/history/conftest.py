"""Runs to store, and stores to put them in."""

from __future__ import annotations

import lzma
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import msgspec
import pytest

from labkit.databases import Database
from shared.run import Report
from verify.history.store import Store


@pytest.fixture(scope="session")
def in_one_piece() -> Callable[..., bytes]:
    """``in_one_piece(content, **fields)``: a stored run as versions 1 and 2 of the layout have it, one MessagePack map.

    What the present layout has is taken apart by hand: rows of bin 32, the octet c6, a length of 32 bits and so many octets.
    """

    def build(content: bytes, **fields: Any) -> bytes:
        octets, rows = lzma.decompress(content), []
        while octets:
            assert octets[0] == 0xC6
            end = 5 + int.from_bytes(octets[1:5], "big")
            rows.append(msgspec.msgpack.decode(octets[5:end]))
            octets = octets[end:]
        head, *hosts = rows
        return lzma.compress(msgspec.msgpack.encode({**head, "hosts": hosts, **fields}))

    return build


@pytest.fixture(scope="session")
def make_run(sample: ModuleType) -> Callable[..., Report]:
    """``make_run(night, **facts)``: the sample site of ten hosts as it was in that night, with some facts of the run replaced."""
    site: Report = sample.tidewater()

    def build(night: int = 0, **facts: Any) -> Report:
        day = f"2027-03-{night + 1:02}"
        run = msgspec.structs.replace(site.run, **{
            "id": f"202703{night + 1:02}T091224Z-7f3a", "started": f"{day}T09:12:24Z", "finished": f"{day}T09:12:38Z"} | facts)
        return msgspec.structs.replace(site, run=run)

    return build


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """Where a history of the test's own may be."""
    return tmp_path / "history.sqlite"


@pytest.fixture(params=["file", "server"])
def anywhere(request: pytest.FixtureRequest, place: Path) -> str:
    """What ``--store`` may say, where there is no history yet: a file, and a schema on a server."""
    if request.param == "file":
        return str(place)
    server: Database = request.getfixturevalue("server")
    return server.new_schema()


@pytest.fixture
def store(anywhere: str) -> Iterator[Store]:
    """An empty history, in a file and on a server."""
    with Store.open(anywhere, create=True) as opened:
        yield opened


@pytest.fixture
def file_store(place: Path) -> Iterator[Store]:
    """An empty history in a file."""
    with Store.open(str(place), create=True) as opened:
        yield opened
