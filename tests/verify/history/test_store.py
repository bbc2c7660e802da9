"""Runs go into the history whole, come out as they were, and are found by what a person types."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from sqlalchemy import func, select

from shared.history import RunRecord
from shared.plan import Plan
from shared.run import Report
from verify.history import identity, queries, tables
from verify.history.body import snapshot_of
from verify.history.engine import reading
from verify.history.errors import HistoryError, UnknownRunError
from verify.history.store import Store

ROOT = Path(__file__).parents[3]
MakeRun = Callable[..., Report]
MakePlan = Callable[..., Plan]


def count(store: Store, table: str) -> int:
    with reading(store.engine) as connection:
        return int(connection.execute(select(func.count()).select_from(tables.metadata.tables[table])).scalar_one())


def ids(store: Store) -> list[str]:
    return [run.id for run in queries.runs(store)]


def test_a_run_comes_back_as_it_was(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """Findings, evidence to the last octet, facts, plan, and the checks that were asked for."""
    store.keep(make_run(), make_plan(), checks=("name.*", "clock.offset"))
    found = queries.load(store, queries.find(store, "last"))
    assert found.report == make_run()
    assert any(link.der for host in found.report.hosts for tls in host.evidence.tls for link in tls.chain)
    assert found.snapshot.plan == make_plan()
    assert found.checks == ("name.*", "clock.offset")


def test_text_that_utf8_cannot_hold_costs_one_character(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """A lone surrogate in a banner becomes a question mark, as in the JSON report, and the run is stored."""
    store.keep(make_run(operator="m.tar \ud800"), make_plan())
    assert queries.find(store, "last").id == make_run().run.id
    assert queries.load(store, queries.find(store, "last")).report.run.operator == "m.tar ?"


def test_a_plan_under_a_path_that_is_no_text_is_told(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """A file name may be any octets; the history holds text."""
    with pytest.raises(HistoryError, match="rename it"):
        store.keep(make_run(), make_plan(file="plan-\udcff.toml"))
    assert ids(store) == []


def test_what_is_the_same_every_night_is_stored_once(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """The plan, every certificate and every key."""
    for night in range(3):
        store.keep(make_run(night), make_plan())
    assert count(store, "run") == 3
    assert count(store, "snapshot") == 1
    certificates = {link.der for host in make_run().hosts for tls in host.evidence.tls for link in tls.chain}
    keys = {key.blob for host in make_run().hosts for ssh in host.evidence.ssh for key in ssh.host_keys}
    assert count(store, "octets") == len(certificates | keys)


def test_the_files_of_a_plan_are_kept_while_they_are_what_was_read(tmp_path: Path, make_plan: MakePlan) -> None:
    """The plan's file and its sheet; not where one of them changed since."""
    plan_file, sheet = tmp_path / "tidewater.toml", tmp_path / "hosts.csv"
    plan_file.write_bytes(b"[plan]\n")
    sheet.write_bytes(b"name,address\n")
    digest = hashlib.sha256(b"[plan]\nname,address\n").hexdigest()
    hosts = tuple(msgspec.structs.replace(host, place=msgspec.structs.replace(host.place, file=str(sheet)))
                  for host in make_plan().hosts)
    plan = make_plan(file=str(plan_file), sha256=digest, hosts=hosts, anchors=("ca.pem",), anchors_pem=(b"PEM",))
    kept = snapshot_of(plan)
    assert [(Path(file.name).name, file.content) for file in kept.files] == [
        ("tidewater.toml", b"[plan]\n"), ("hosts.csv", b"name,address\n")]
    assert kept.plan.anchors_pem == (b"PEM",)
    sheet.write_bytes(b"name,address\nchanged\n")
    assert snapshot_of(plan).files == ()
    assert snapshot_of(plan).plan == plan


@pytest.mark.parametrize(("typed", "night"), [
    ("20270302T091224Z-7f3a", 1), ("20270302", 1), ("20270303T0", 2), ("last", 2),
])
def test_a_run_is_found_by_its_id_its_beginning_or_last(
    store: Store, make_run: MakeRun, make_plan: MakePlan, typed: str, night: int
) -> None:
    """A beginning is enough where only one run has it."""
    for each in range(3):
        store.keep(make_run(each), make_plan())
    assert queries.find(store, typed).id == make_run(night).run.id


@pytest.mark.parametrize(("typed", "words"), [
    ("202703", "begins the ids of several runs"),
    ("20270302T091224Z-7f3b", "the nearest is 20270302T091224Z-7f3a"),
    ("first", "the last one stored is 20270303T091224Z-7f3a"),
    ("", "holds no run"),
    ("%", "holds no run"),
    ("2027030_", "holds no run"),
])
def test_what_names_no_run_gets_the_nearest(
    store: Store, make_run: MakeRun, make_plan: MakePlan, typed: str, words: str
) -> None:
    """And wildcards of the database mean nothing."""
    for each in range(3):
        store.keep(make_run(each), make_plan())
    with pytest.raises(UnknownRunError, match="run") as caught:
        queries.find(store, typed)
    assert words in str(caught.value)


def test_an_empty_history_has_no_last_run(store: Store) -> None:
    """It says so."""
    with pytest.raises(UnknownRunError, match="holds no run yet"):
        queries.find(store, "last")


def test_there_is_nothing_to_read_before_the_first_run(anywhere: str, place: Path) -> None:
    """A command that only reads makes no file and no table: the second says so too."""
    for _time in range(2):
        with pytest.raises(HistoryError, match="there is no history"):
            Store.open(anywhere)
    assert not place.exists()


def test_the_history_of_a_site_is_its_owners_business(tmp_path: Path) -> None:
    """The folder that is made for it is private."""
    with Store.open(str(tmp_path / "state" / "history.sqlite"), create=True):
        assert (tmp_path / "state").stat().st_mode & 0o077 == 0


def test_runs_are_in_the_order_they_were_stored(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """A runner's clock that was set back between two nights, or in the middle of one, turns nothing round."""
    store.keep(make_run(5), make_plan())
    store.keep(make_run(6, finished="2027-03-02T09:00:00Z"), make_plan())
    store.keep(make_run(2), make_plan())
    assert ids(store) == [make_run(night).run.id for night in (2, 6, 5)]
    assert queries.find(store, "last").id == make_run(2).run.id


def test_one_id_is_never_stored_twice(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """The first stays as it was."""
    store.keep(make_run(), make_plan())
    with pytest.raises(HistoryError, match=r"(?i)unique constraint"):
        store.keep(make_run(operator="somebody else"), make_plan())
    assert [run.operator for run in queries.runs(store)] == ["m.tar"]


def record(store: Store, night_id: str) -> RunRecord:
    return queries.find(store, night_id)


def test_the_last_acceptance_is_the_baseline(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """One run of a plan at a time, also one accepted for the second time."""
    for night in range(3):
        store.keep(make_run(night), make_plan())
    first, second = record(store, "20270301"), record(store, "20270302")
    assert queries.baseline(store, first.plan) is None
    for accepted in (first, second, first):
        store.accept(accepted, operator="m.tar", reason="rack 2 is handed over")
        assert [run.id for run in queries.runs(store) if run.baseline] == [accepted.id]
    found = queries.baseline(store, first.plan)
    assert found is not None
    assert (found.run.id, found.reason) == (first.id, "rack 2 is handed over")


@pytest.mark.parametrize(("before", "keep_runs", "left"), [
    (None, 1, [0, 4]), (None, 3, [0, 2, 3, 4]), (None, 0, [0]), (None, 9, [0, 1, 2, 3, 4]),
    ("9999-01-01T00:00:00Z", 2, [0, 3, 4]), ("2000-01-01T00:00:00Z", 0, [0, 1, 2, 3, 4]),
])
def test_pruning_leaves_what_any_rule_keeps_and_every_baseline(
    store: Store, make_run: MakeRun, make_plan: MakePlan, before: str | None, keep_runs: int, left: list[int]
) -> None:
    """The first run was accepted once: it stays, whatever the rules say."""
    for night in range(5):
        store.keep(make_run(night), make_plan())
    store.accept(record(store, "20270301"), operator="", reason="")
    done = store.prune(stored_before=before, keep_runs=keep_runs)
    assert ids(store) == [make_run(night).run.id for night in reversed(left)]
    assert (done.removed, done.kept, done.kept_baselines) == (5 - len(left), len(left), 1)
    for run in queries.runs(store):
        assert queries.load(store, run).report.run.id == run.id


def test_pruning_everything_leaves_nothing_behind(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """No octets, points or plans as read that no run refers to."""
    for night in range(3):
        store.keep(make_run(night), make_plan(sha256=str(night) * 64))
    store.prune(stored_before=None, keep_runs=0)
    left = {name: count(store, name) for name in ("run", "body", "snapshot", "octets", "series", "point", "certificate")}
    assert set(left.values()) == {0}, left


def test_pruning_a_file_gives_its_space_back(file_store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """To whoever else needs the disk."""
    for night in range(3):
        file_store.keep(make_run(night), make_plan(sha256=str(night) * 64))
    before = Path(file_store.place).stat().st_size
    file_store.prune(stored_before=None, keep_runs=0)
    assert Path(file_store.place).stat().st_size < before


def test_pruning_one_plan_leaves_the_others(store: Store, make_run: MakeRun, make_plan: MakePlan) -> None:
    """Rules count each plan's runs by themselves."""
    for night in range(4):
        store.keep(make_run(night), make_plan(title=f"rack {night % 2}", file=f"rack{night % 2}.toml"))
    store.prune(stored_before=None, keep_runs=1)
    assert ids(store) == [make_run(3).run.id, make_run(2).run.id]
    store.prune(stored_before=None, keep_runs=0, plan=record(store, "20270304").plan)
    assert ids(store) == [make_run(2).run.id]


@pytest.mark.parametrize(("change", "known", "said"), [
    ({}, True, 0),
    ({"file": "/srv/plans/tidewater.toml"}, True, 1),
    ({"title": "Tidewater Observatory, racks 2 and 3"}, True, 1),
    ({"domain": "new.example.net"}, True, 1),
    ({"title": "rack 7", "domain": "new.example.net"}, False, 0),
    ({"title": "rack 7", "file": "/srv/plans/tidewater.toml"}, False, 0),
])
def test_a_plan_that_moved_or_was_retitled_keeps_its_history_and_it_is_said(
    store: Store, make_run: MakeRun, make_plan: MakePlan, change: dict[str, str], known: bool, said: int
) -> None:
    """By domain and title, or by path and one of them; by path alone it is another plan."""
    store.keep(make_run(), make_plan())
    found = queries.known_plan(store, make_plan(**change))
    assert (found is not None) == known
    if found is not None:
        assert len(identity.moves(found, make_plan(**change))) == said
        store.keep(make_run(1), make_plan(**change))
        assert {run.plan for run in queries.runs(store)} == {found.id}
        again = queries.known_plan(store, make_plan(**change))
        assert again is not None
        assert identity.moves(again, make_plan(**change)) == []


WRITER = """\
import sys
from pathlib import Path
import msgspec
sys.path.insert(0, sys.argv[1])
from verify.history.body import unpack_snapshot
from verify.history.store import Store
from reports.jsonfile import from_json
report = from_json(Path(sys.argv[3]).read_bytes())
plan = unpack_snapshot(Path(sys.argv[4]).read_bytes()).plan
for number in range(5):
    run = msgspec.structs.replace(report.run, id=f"{sys.argv[5]}-{number}")
    with Store.open(sys.argv[2], create=True) as store:
        store.keep(msgspec.structs.replace(report, run=run), plan)
"""


def test_runs_that_end_together_are_all_stored(anywhere: str, tmp_path: Path, make_run: MakeRun, make_plan: MakePlan) -> None:
    """Four processes, none of which finds a history there, store five runs each."""
    from reports.jsonfile import to_json
    from verify.history.body import pack_snapshot

    (tmp_path / "run.json").write_bytes(to_json(make_run()))
    (tmp_path / "plan").write_bytes(pack_snapshot(snapshot_of(make_plan()))[1])
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, str(ROOT), anywhere, str(tmp_path / "run.json"),
                                 str(tmp_path / "plan"), f"writer-{number}"], stderr=subprocess.PIPE) for number in range(4)]
    for writer in writers:
        _, errors = writer.communicate(timeout=50)
        assert writer.returncode == 0, errors.decode()
    with Store.open(anywhere) as store:
        assert sorted(ids(store)) == sorted(f"writer-{writer}-{number}" for writer in range(4) for number in range(5))
        assert count(store, "plan") == count(store, "snapshot") == 1
