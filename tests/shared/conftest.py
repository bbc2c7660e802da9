"""Reads the published cases under tests/vectors."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

_VECTORS = Path(__file__).parent.parent / "vectors"


@pytest.fixture(scope="session")
def vectors() -> Callable[[str], list[dict[str, str]]]:
    """``vectors("rfc1878_masks")``: the rows of a table of published cases, which is never empty."""

    def read(name: str) -> list[dict[str, str]]:
        with (_VECTORS / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
        assert rows, f"{name}.csv holds no cases"
        return rows

    return read
