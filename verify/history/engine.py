"""Opening the database behind a history, and saying in one sentence what is wrong with it."""

from __future__ import annotations

import contextlib
import datetime
import fcntl
import os
import sqlite3
import urllib.parse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sqlalchemy
from sqlalchemy import Connection, Engine, event
from sqlalchemy.exc import ArgumentError, DBAPIError, SQLAlchemyError

from verify.history import postgresql
from verify.history.address import read_url, unreadable, without_secrets
from verify.history.errors import DamagedError, HistoryError
from verify.history.place import is_url

#: How long one run waits for another that is writing.  Writing takes well under a second; our own bound.
BUSY_SECONDS = 30
#: SQLite's primary result codes (sqlite.org/rescode.html), in the low octet of the extended ones.
_BUSY, _LOCKED, _READONLY, _IOERR, _CORRUPT, _FULL, _CANTOPEN, _NOTADB = 5, 6, 8, 10, 11, 13, 14, 26


def open_engine(place: str) -> Engine:
    """An engine for a file or a URL; nothing is opened yet.  Raises HistoryError for a URL that cannot be used."""
    if not is_url(place):
        # What SQLAlchemy would do with a path in a URL depends on its characters; a path of its own does not.
        url = sqlalchemy.URL.create("sqlite", database=place)
        if _read_only(place) and not _log_of(place):
            # Where nobody can write, SQLite needs no log beside the file, which it could not make (sqlite.org/wal.html, on
            # databases that can only be read).
            uri = f"file:{urllib.parse.quote(os.fsencode(place))}?immutable=1"
            engine = sqlalchemy.create_engine(url, poolclass=sqlalchemy.NullPool, creator=lambda: sqlite3.connect(uri, uri=True))
        else:
            engine = sqlalchemy.create_engine(url, poolclass=sqlalchemy.NullPool)
    else:
        engine = _engine_of(read_url(place))
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    else:
        # Ahead of the dialect's own first questions.
        event.listen(engine, "connect", postgresql.watch, insert=True)
        event.listen(engine, "begin", _begin_postgresql)
    return engine


def _engine_of(url: sqlalchemy.URL) -> Engine:
    try:
        if url.get_backend_name() == "sqlite":
            return sqlalchemy.create_engine(url, poolclass=sqlalchemy.NullPool)
        # One connection for all that a command asks: making one takes longer than most answers.
        return sqlalchemy.create_engine(url, connect_args={
            name: value for name, value in postgresql.OPTIONS.items() if name not in url.query})
    except ArgumentError:
        raise unreadable() from None
    except ImportError as error:
        # The driver itself, or the library of PostgreSQL's that it calls.
        raise HistoryError("--store cannot be used: a history on a PostgreSQL server needs the driver psycopg, which is not "
                           "there; pip install 'psycopg[binary]'") from error


def _read_only(place: str) -> bool:
    """Whether a file lies on a file system that is mounted for reading only."""
    try:
        return bool(os.statvfs(place).f_flag & os.ST_RDONLY)
    except OSError:
        return False


def _log_of(place: str) -> bool:
    """Whether changes wait in the log beside the file, which whoever reads the file alone would not see."""
    try:
        return Path(f"{place}-wal").stat().st_size > 0
    except OSError:
        return False


def shown(engine: Engine) -> str:
    """The place of a history as it may be shown: a password in its URL is not."""
    if engine.dialect.name == "sqlite":
        return str(engine.url.database)
    return without_secrets(engine.url)


def _prepare_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    """The manners of every connection: wait for others, keep to foreign keys, and be durable when a commit returns.

    Write-ahead logging lets runs be listed while one is being stored.  ``synchronous`` FULL costs one fsync a run and
    keeps a stored run through a power cut.
    """
    # Transactions are begun by us alone (``_begin_sqlite``), schema changes included.
    connection.isolation_level = None
    connection.execute(f"PRAGMA busy_timeout = {BUSY_SECONDS * 1000}")
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")
    # On a file that may not be written, what can be read is read as it is.
    with contextlib.suppress(sqlite3.OperationalError):
        connection.execute("PRAGMA journal_mode = WAL")


def _begin_sqlite(connection: Connection) -> None:
    # A writer takes its place in the queue at once: a read that turns into a write cannot wait for others.
    connection.exec_driver_sql("BEGIN IMMEDIATE" if _writes(connection) else "BEGIN")


def _begin_postgresql(connection: Connection) -> None:
    postgresql.begin(connection, writing=_writes(connection), patience_seconds=BUSY_SECONDS)


def _writes(connection: Connection) -> bool:
    return bool(connection.get_execution_options().get("writing", False))


@contextlib.contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """A transaction that only reads.  Raises HistoryError."""
    with explained(engine), engine.connect() as connection, connection.begin():
        yield connection


@contextlib.contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that writes: all of it is stored or nothing.  Raises HistoryError."""
    with explained(engine), engine.connect().execution_options(writing=True) as connection, connection.begin():
        yield connection


@contextlib.contextmanager
def explained(engine: Engine) -> Iterator[None]:
    """Turn what the database says into one sentence of ours."""
    try:
        yield
    except UnicodeEncodeError as error:
        # A word or a path of the command line that was no text to begin with.
        raise HistoryError(f'"{error.object[:200]}" is no text, so the history "{shown(engine)}" holds nothing of that name; '
                           "rename the file, or type another name") from error
    except (SQLAlchemyError, sqlite3.Error, OSError) as error:
        raise _in_words(engine, error) from error


def _in_words(engine: Engine, error: Exception) -> HistoryError:
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    place = f'the history "{shown(engine)}"'
    busy = f"another process kept it busy for {BUSY_SECONDS} s"
    if engine.dialect.name == "postgresql":
        return HistoryError(f"{place} cannot be used: {postgresql.in_words(error, engine.url, busy)}")
    code = getattr(cause, "sqlite_errorcode", 0) & 0xFF
    if code in (_CORRUPT, _NOTADB):
        return DamagedError(f"{place} is damaged ({cause})")
    known = {
        _FULL: "the disk is full",
        _BUSY: busy,
        _LOCKED: "another connection keeps it locked",
        # Even a reader makes a file beside one with a log (sqlite.org/wal.html, on databases that can only be read).
        _READONLY: "it or its folder may not be written by this user, which even reading needs; to read it, copy it, with what "
                   "lies beside it under its name, to a folder of your own, and give --store that copy",
        _CANTOPEN: "the file cannot be opened or made; does its folder exist, and may this user write there?",
        _IOERR: f"the disk refuses ({cause}; a full disk may say this too)",
    }
    if engine.dialect.name == "sqlite" and code in (_READONLY, _CANTOPEN) and _read_only(shown(engine)):
        known |= {_READONLY: "its file system is mounted for reading only",
                  _CANTOPEN: "its file system is mounted for reading only, and runs wait in the log beside it, whose name ends "
                             "in -wal; copy both to where this user may write, and give --store that copy"}
    said = (str(cause) or repr(cause)).splitlines()[0]
    return HistoryError(f"{place} cannot be used: {known.get(code, said)}")


def set_aside(place: str) -> Path | None:
    """Rename a damaged SQLite file, with its log, out of the way, and return its new path; None where it proves sound.

    Looked at again under a lock: of two runs that find the damage together, only the first may move the file, or the second
    would move the new history.  Raises HistoryError where it cannot be renamed.
    """
    path = Path(place)
    try:
        guard = os.open(f"{place}.guard", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise HistoryError(f'the damaged history "{place}" cannot be moved aside: {error.strerror}') from error
    try:
        fcntl.flock(guard, fcntl.LOCK_EX)
        if not path.exists() or _sound(path):
            return None
        kept = path.with_name(f"{path.name}.damaged-{datetime.datetime.now(datetime.UTC):%Y%m%dT%H%M%S.%fZ}")
        for ending in ("", "-wal", "-shm"):
            if Path(f"{path}{ending}").exists():
                Path(f"{path}{ending}").rename(f"{kept}{ending}")
    except OSError as error:
        raise HistoryError(f'the damaged history "{place}" cannot be moved aside: {error.strerror}') from error
    else:
        return kept
    finally:
        os.close(guard)


def _sound(path: Path) -> bool:
    """Whether SQLite itself finds nothing wrong with a file's pages."""
    try:
        with contextlib.closing(sqlite3.connect(path)) as connection:
            return bool(connection.execute("PRAGMA quick_check(1)").fetchone() == ("ok",))
    except sqlite3.Error:
        return False
