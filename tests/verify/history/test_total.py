"""Whatever a run holds, it can be stored, compared and shown."""

from __future__ import annotations

import itertools
import lzma
from collections.abc import Callable
from types import ModuleType

import msgspec
import pytest

from reports.drifttext import drift_text
from shared.plan import Plan
from shared.run import Report
from verify.comparing.drift import compare
from verify.history import body, queries
from verify.history.errors import DamagedError
from verify.history.store import Store

SITES = ("tidewater", "sound", "small", "three", "hostile")


@pytest.mark.parametrize("site", SITES)
def test_any_run_comes_back_as_it_was(store: Store, sample: ModuleType, make_plan: Callable[..., Plan], site: str) -> None:
    """Also one whose every text is hostile."""
    report: Report = getattr(sample, site)()
    store.keep(report, make_plan())
    assert queries.load(store, queries.find(store, "last")).report == report
    assert queries.find(store, report.run.id).id == report.run.id.replace("\0", "\ufffd")
    for host in report.hosts:
        assert queries.followed(store, 1, host=host.name), host.name


@pytest.mark.parametrize(("before", "after"), list(itertools.product(SITES, SITES)))
def test_any_two_runs_can_be_compared(sample: ModuleType, before: str, after: str) -> None:
    """Each finding of the later run is unchanged or has moved; what is shown stays within its lines."""
    one, other = getattr(sample, before)(), getattr(sample, after)()
    drift = compare(one, other)
    assert drift.unchanged + drift.good_anew + sum(move.after is not None for move in drift.moves) == len(other.findings())
    text = drift_text(drift, width=80)
    assert all(line.isprintable() for line in text.splitlines())
    # The sound site is the small one mended, which is not for the worse.
    assert drift.worse == (before != after and (before, after) != ("small", "sound"))


@pytest.mark.parametrize("harm", [b"", b"\xfd7zXZ\x00", b"nonsense" * 9])
def test_a_stored_run_that_cannot_be_read_is_called_damaged(harm: bytes) -> None:
    """One declared error for any octets."""
    with pytest.raises(DamagedError):
        body.lean(harm)
    with pytest.raises(DamagedError):
        body.unpack_snapshot(harm)


def test_a_run_of_another_shape_is_called_damaged(sample: ModuleType) -> None:
    """Compressed and decoded, and yet no report; and a report whose certificates are gone."""
    with pytest.raises(DamagedError):
        body.lean(lzma.compress(msgspec.msgpack.encode({"schema": 1})))
    content, _octets = body.pack(sample.tidewater())
    with pytest.raises(DamagedError, match="lacks a certificate"):
        body.restored(body.lean(content), {})


def test_a_field_that_a_newer_seatrial_added_is_passed_over(sample: ModuleType, in_one_piece: Callable[..., bytes]) -> None:
    """Runs outlive versions, in both directions."""
    content, _octets = body.pack(sample.sound())
    assert body.lean(in_one_piece(content, weather="fog")).run.id == sample.sound().run.id


@pytest.mark.parametrize("site", SITES)
def test_a_run_stored_in_one_piece_is_read_as_one_stored_host_by_host(
    sample: ModuleType, in_one_piece: Callable[..., bytes], site: str
) -> None:
    """Whole, and one host of it."""
    report = getattr(sample, site)()
    content, octets = body.pack(report)
    old = in_one_piece(content)
    assert body.restored(body.lean(old), octets) == body.restored(body.lean(content), octets) == report
    for host in (*(host.name for host in report.hosts), "nobody"):
        of_one = body.lean(content, host=host)
        assert of_one == body.lean(old, host=host)
        assert [one.name for one in of_one.hosts] == [one.name for one in report.hosts if one.name == host]


def test_a_stored_run_that_lost_its_end_is_called_damaged(sample: ModuleType) -> None:
    """Wherever it was cut, before or after it was compressed; also where only its first host is asked for."""
    report = sample.tidewater()
    content, _octets = body.pack(report)
    plain = lzma.decompress(content)
    first = report.hosts[0].name
    cut = [content[:length] for length in range(0, len(content), 97)]
    cut += [lzma.compress(plain[:length], preset=0) for length in range(1, len(plain), 4999)]
    for harm in cut:
        with pytest.raises(DamagedError):
            body.lean(harm)
        with pytest.raises(DamagedError):
            body.lean(harm, host=first)

