"""A history of the previous layout is brought to the present one, and keeps every run."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import inspect, select

from labkit.databases import Database
from shared.plan import Plan
from shared.run import Report
from verify.history import body, migrations, queries, tables
from verify.history.engine import reading, writing
from verify.history.errors import HistoryError
from verify.history.store import Store

MakeRun = Callable[..., Report]
MakePlan = Callable[..., Plan]

#: Version 1 as it was written: the text is history and is never brought up to date.
VERSION_1 = """\
CREATE TABLE version (number INTEGER NOT NULL, PRIMARY KEY (number));
INSERT INTO version VALUES (1);
CREATE TABLE "plan" (id INTEGER NOT NULL, domain TEXT NOT NULL, title TEXT NOT NULL, path TEXT NOT NULL,
    PRIMARY KEY (id), UNIQUE (domain, title));
CREATE INDEX plan_path ON "plan" (path);
CREATE TABLE snapshot (id INTEGER NOT NULL, digest BLOB NOT NULL, content BLOB NOT NULL, PRIMARY KEY (id), UNIQUE (digest));
CREATE TABLE run (number INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL, "plan" INTEGER NOT NULL,
    snapshot INTEGER NOT NULL, kind TEXT NOT NULL, started TEXT NOT NULL, finished TEXT NOT NULL, stored TEXT NOT NULL,
    complete BOOLEAN NOT NULL, part BOOLEAN NOT NULL, verdict TEXT NOT NULL, passed INTEGER NOT NULL, caution INTEGER NOT NULL,
    "fail" INTEGER NOT NULL, unproven INTEGER NOT NULL, waived INTEGER NOT NULL, hosts INTEGER NOT NULL, tool TEXT NOT NULL,
    vantage TEXT NOT NULL, profile TEXT NOT NULL, operator TEXT NOT NULL, reason TEXT NOT NULL, ticket TEXT NOT NULL,
    checks TEXT NOT NULL, UNIQUE (id), FOREIGN KEY("plan") REFERENCES "plan" (id),
    FOREIGN KEY(snapshot) REFERENCES snapshot (id));
CREATE INDEX run_plan ON run ("plan", number);
CREATE INDEX run_snapshot ON run (snapshot);
CREATE TABLE body (run INTEGER NOT NULL, content BLOB NOT NULL, PRIMARY KEY (run), FOREIGN KEY(run) REFERENCES run (number));
CREATE TABLE octets (digest BLOB NOT NULL, content BLOB NOT NULL, seen INTEGER NOT NULL, PRIMARY KEY (digest));
CREATE TABLE baseline (number INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, "plan" INTEGER NOT NULL, run INTEGER NOT NULL,
    accepted TEXT NOT NULL, operator TEXT NOT NULL, reason TEXT NOT NULL, FOREIGN KEY("plan") REFERENCES "plan" (id),
    FOREIGN KEY(run) REFERENCES run (number));
CREATE INDEX baseline_plan ON baseline ("plan", number);
CREATE INDEX baseline_run ON baseline (run);
CREATE TABLE series (id INTEGER NOT NULL, "plan" INTEGER NOT NULL, host TEXT NOT NULL, check_name TEXT NOT NULL,
    subject TEXT NOT NULL, unit TEXT NOT NULL, PRIMARY KEY (id), UNIQUE ("plan", check_name, host, subject, unit),
    FOREIGN KEY("plan") REFERENCES "plan" (id));
CREATE INDEX series_host ON series ("plan", host);
CREATE TABLE point (series INTEGER NOT NULL, run INTEGER NOT NULL, grade TEXT NOT NULL, value FLOAT, uncertainty FLOAT,
    PRIMARY KEY (series, run), FOREIGN KEY(series) REFERENCES series (id),
    FOREIGN KEY(run) REFERENCES run (number)) WITHOUT ROWID;
CREATE INDEX point_run ON point (run);
"""
RUN = """INSERT INTO run VALUES (?, ?, 1, 1, 'verify', ?, ?, '2027-03-01T09:13:00Z', 1, 0, 'not-ready', 1, 2, 3, 4, 5, 10,
    'seatrial 0.1.0', 'pier-1', 'production', 'm.tar', '', '', '')"""


@pytest.fixture
def old(place: Path, make_run: MakeRun, make_plan: MakePlan, in_one_piece: Callable[..., bytes]) -> Path:
    """A store of version 1 with three runs, of which the second can no longer be read."""
    digest, snapshot = body.pack_snapshot(body.snapshot_of(make_plan()))
    connection = sqlite3.connect(place)
    connection.executescript(VERSION_1)
    connection.execute("INSERT INTO plan VALUES (1, 'obs.example.net', 'Tidewater Observatory, rack 2', '/plans/tidewater.toml')")
    connection.execute("INSERT INTO snapshot VALUES (1, ?, ?)", (digest, snapshot))
    for number in (1, 2, 3):
        report = make_run(number - 1)
        content, octets = body.pack(report)
        connection.execute(RUN, (number, report.run.id, report.run.started, report.run.finished))
        connection.execute("INSERT INTO body VALUES (?, ?)", (number, b"lost" if number == 2 else in_one_piece(content)))
        connection.executemany("INSERT OR IGNORE INTO octets VALUES (?, ?, 3)", octets.items())
    connection.execute("INSERT INTO series VALUES (7, 1, 'dome-a.obs.example.net', 'certificate.dates', '443/tcp', 's')")
    connection.execute("INSERT INTO point VALUES (7, 1, 'pass', 23500800.0, 0.5)")
    connection.execute("INSERT INTO baseline VALUES (1, 1, 1, '2027-03-01T10:00:00Z', 'm.tar', '')")
    connection.commit()
    connection.close()
    return place


def layout(place: Path) -> dict[str, Any]:
    """Every table with its columns, their types, keys and indexes, however their SQL is spelled."""
    connection = sqlite3.connect(place)
    names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
    found = {name: (connection.execute(f"PRAGMA table_info({name!r})").fetchall(),
                    sorted(row[1:] for row in connection.execute(f"PRAGMA foreign_key_list({name!r})")),
                    sorted((row[1], row[2], connection.execute(f"PRAGMA index_info({row[1]!r})").fetchall())
                           for row in connection.execute(f"PRAGMA index_list({name!r})")),
                    [row[4:] for row in connection.execute("PRAGMA table_list") if row[1] == name]) for name in names}
    connection.close()
    return found


def test_the_previous_layout_is_brought_up_to_date(old: Path, make_run: MakeRun) -> None:
    """Every run is there, whole where it can be read; the baseline stands; certificates are followed from the first run."""
    with Store.open(str(old)) as store:
        runs = queries.runs(store)
        assert [run.id for run in runs] == [make_run(night).run.id for night in (2, 1, 0)]
        assert queries.load(store, runs[0]).report == make_run(2)
        assert [run.baseline for run in runs] == [False, False, True]
        [followed] = queries.followed_endings(store, 1, host="dome-a.obs.example.net")
        # 2027-12-01T00:00:00Z, as the sample's certificates say.
        assert [(night.number, night.not_after_unix) for night in followed.nights] == [(1, 1827619200), (3, 1827619200)]


def test_an_old_store_ends_up_laid_out_as_a_new_one(old: Path, tmp_path: Path) -> None:
    """Column for column and index for index."""
    Store.open(str(old)).close()
    Store.open(str(tmp_path / "new.sqlite"), create=True).close()
    assert layout(old) == layout(tmp_path / "new.sqlite")
    assert len(layout(old)) > len(tables.metadata.tables) - 1


def test_a_step_that_fails_leaves_the_store_as_it_was(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Version and layout; the next attempt goes through."""
    before = layout(old)

    def failing(connection: Any) -> None:
        whole(connection)
        connection.exec_driver_sql("SELECT * FROM elsewhere")

    whole = migrations.STEPS[1]
    with monkeypatch.context() as patch:
        patch.setitem(migrations.STEPS, 1, failing)
        with pytest.raises(HistoryError, match="no such table"):
            Store.open(str(old))
    assert layout(old) == before
    connection = sqlite3.connect(old)
    assert connection.execute("SELECT number FROM version").fetchall() == [(1,)]
    connection.close()
    with Store.open(str(old)) as store:
        assert len(queries.runs(store)) == 3


@pytest.fixture
def old_on_a_server(server: Database, make_run: MakeRun, make_plan: MakePlan, in_one_piece: Callable[..., bytes]) -> str:
    """The URL of a store that is laid out as version 1 was, which on a server differs by one table and by how runs lie."""
    url = server.new_schema()
    with Store.open(url, create=True) as store:
        for night in range(3):
            store.keep(make_run(night), make_plan())
        with writing(store.engine) as connection:
            connection.exec_driver_sql("DROP TABLE certificate")
            connection.execute(tables.version.update().values(number=1))
            for number, content in connection.execute(select(tables.body.c.run, tables.body.c.content)).all():
                whole = b"lost" if number == 2 else in_one_piece(content)
                connection.execute(tables.body.update().where(tables.body.c.run == number).values(content=whole))
    return url


def test_a_store_on_a_server_is_brought_up_to_date_by_one_of_several_that_come_together(
    old_on_a_server: str, server: Database, make_run: MakeRun
) -> None:
    """As a file is; and it then is laid out as a new one."""
    with ThreadPoolExecutor(4) as pool:
        for opened in [pool.submit(Store.open, old_on_a_server) for _ in range(4)]:
            opened.result(40).close()
    with Store.open(old_on_a_server) as store:
        runs = queries.runs(store)
        assert queries.load(store, runs[0]).report == make_run(2)
        [followed] = queries.followed_endings(store, 1, host="dome-a.obs.example.net")
        assert [(night.number, night.not_after_unix) for night in followed.nights] == [(1, 1827619200), (3, 1827619200)]
        migrated = layout_on_a_server(store)
    with Store.open(server.new_schema(), create=True) as store:
        assert layout_on_a_server(store) == migrated


def layout_on_a_server(store: Store) -> dict[str, Any]:
    """Every table with its columns, keys and indexes."""
    with reading(store.engine) as connection:
        seen = inspect(connection)
        return {name: (sorted((column["name"], str(column["type"]), column["nullable"]) for column in seen.get_columns(name)),
                       seen.get_pk_constraint(name), seen.get_foreign_keys(name), seen.get_unique_constraints(name),
                       sorted((str(index["name"]), index["column_names"]) for index in seen.get_indexes(name)))
                for name in seen.get_table_names()}


def test_every_earlier_version_has_a_step() -> None:
    """From the first to the one before the present."""
    assert sorted(migrations.STEPS) == list(range(1, tables.VERSION))
