"""The history as a place to put runs and to ask for them.

Every change is one transaction: a run is stored whole or not at all, whatever ends the process in between.
"""

from __future__ import annotations

import itertools
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

import msgspec
from sqlalchemy import Connection, Engine, Select, Table, delete, exists, func, insert, inspect, select, update

from shared.history import RunRecord
from shared.plan import Plan
from shared.run import Report
from shared.safetext import without_surrogates
from verify.history import body, migrations, tables
from verify.history.engine import explained, open_engine, reading, shown, writing
from verify.history.errors import DamagedError, HistoryError, UnknownRunError
from verify.history.identity import claim
from verify.history.place import is_url, place_of
from verify.history.records import Pruned, now
from verify.history.rows import DATES, Ending, Point, endings, points

#: Values in one IN (...): well below the 32766 of SQLite (sqlite.org/limits.html, item 9).
_CHUNK = 5000

_T = TypeVar("_T")
SeriesKey = tuple[str, str, str, str]


class Store:
    """An open history.  ``engine`` is for ``queries`` alone."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine

    @classmethod
    def open(cls, typed: str | None = None, *, create: bool = False) -> Store:
        """Open the history that ``--store`` names, bringing it to the present layout.

        ``create`` makes one where there is none.  Raises HistoryError, or DamagedError where the file is damaged.
        """
        place = place_of(typed)
        if not is_url(place):
            if create:
                _make_folder(Path(place).parent)
            elif not _is_there(Path(place)):
                raise _nothing_yet(place)
        store = cls(open_engine(place))
        try:
            store._bring_up_to_date(create=create)
        except BaseException as error:
            store.close()
            if isinstance(error, DamagedError) and not create and not is_url(place):
                raise DamagedError(f"{error}; name the right file with --store, or put a copy of it back. The next run that is "
                                   "stored would move this file aside and begin anew") from error
            raise
        return store

    def __enter__(self) -> Store:
        return self

    def __exit__(self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    @property
    def place(self) -> str:
        """Where this history is, fit to be shown."""
        return shown(self.engine)

    def _bring_up_to_date(self, *, create: bool) -> None:
        with reading(self.engine) as connection:
            found = _version(connection, self.place)
        if found is None and not create:
            raise _nothing_yet(self.place)
        if found == tables.VERSION:
            return
        while found != tables.VERSION:
            with writing(self.engine) as connection:
                # Asked again inside: another run may have been here first.
                found = _version(connection, self.place)
                if found is None:
                    tables.metadata.create_all(connection)
                    connection.execute(insert(tables.version).values(number=tables.VERSION))
                    found = tables.VERSION
                elif found < tables.VERSION:
                    migrations.step_from(connection, found)
                    found += 1

    def keep(self, report: Report, plan: Plan, checks: tuple[str, ...] = ()) -> None:
        """Store a run with the plan it was graded from.  ``checks`` are the patterns asked for.  Raises HistoryError."""
        try:
            content, octets = body.pack(report)
        except UnicodeEncodeError:
            report = msgspec.convert(without_surrogates(report), Report)
            content, octets = body.pack(report)
        try:
            digest, plan_content = body.pack_snapshot(body.snapshot_of(plan))
        except UnicodeEncodeError as error:
            raise HistoryError(f"the path of the plan is no text ({plan.file!a}); rename it") from error
        with writing(self.engine) as connection:
            known = claim(connection, plan)
            snapshot = _snapshot(connection, digest, plan_content)
            number = _insert_run(connection, report, plan, known.id, snapshot, checks)
            connection.execute(insert(tables.body).values(run=number, content=content))
            _insert_octets(connection, octets, number)
            _insert_points(connection, known.id, number, points(report), endings(report))

    def accept(self, run: RunRecord, *, operator: str, reason: str) -> None:
        """Make a run the baseline of its plan.  Whether it may be one is for the caller.  Raises HistoryError."""
        with writing(self.engine) as connection:
            if connection.execute(select(tables.run.c.number).where(tables.run.c.number == run.number)).one_or_none() is None:
                raise taken_out(run, self.place)
            connection.execute(insert(tables.baseline).values(
                plan=run.plan, run=run.number, accepted=now(), operator=operator, reason=reason))

    def prune(self, *, stored_before: str | None, keep_runs: int, plan: int | None = None) -> Pruned:
        """Take out runs that no rule keeps: stored since ``stored_before``, among a plan's newest ``keep_runs``, or accepted.

        ``stored_before`` None keeps none by its age; ``plan`` confines it to one plan.  Raises HistoryError.
        """
        with writing(self.engine) as connection:
            accepted = set(connection.execute(select(tables.baseline.c.run)).scalars())
            going, kept, kept_accepted = [], 0, 0
            for number, stored, rank in connection.execute(_ranked(plan)):
                old = stored_before is None or stored < stored_before
                if old and rank > keep_runs and number not in accepted:
                    going.append(number)
                else:
                    kept += 1
                    kept_accepted += number in accepted
            _remove(connection, going)
        if going and self.engine.dialect.name == "sqlite":
            self._give_space_back()
        return Pruned(removed=len(going), kept=kept, kept_baselines=kept_accepted)

    def _give_space_back(self) -> None:
        """SQLite keeps emptied pages in its file until it is told to write it anew."""
        with explained(self.engine), self.engine.connect() as connection:
            raw = connection.connection.dbapi_connection
            assert raw is not None
            # Outside any transaction, which only the driver can do.
            raw.execute("VACUUM")


def _nothing_yet(place: str) -> HistoryError:
    return HistoryError(f'there is no history at "{place}" yet; "seatrial verify PLAN" stores its run there')


def _is_there(place: Path) -> bool:
    try:
        return place.exists()
    except OSError as error:
        # A folder on the way that this user may not enter: nobody knows what is there.
        raise HistoryError(f'the history "{place}" cannot be used: {error.strerror}') from error


def _make_folder(folder: Path) -> None:
    try:
        # What probes saw of a site is nobody else's business.
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise HistoryError(f'the folder "{folder}" for the history cannot be made: {error.strerror}') from error


def _version(connection: Connection, place: str) -> int | None:
    """The version of the layout, None for an empty database.  Raises HistoryError for one that is not ours to change."""
    names = set(inspect(connection).get_table_names())
    if not names:
        return None
    if not {"version", "run", "body"} <= names:
        raise HistoryError(f'"{place}" is a database of something else, not a history; give another with --store')
    number = connection.execute(select(tables.version.c.number)).scalar_one_or_none()
    if number is None:
        raise DamagedError(f'the history "{place}" is damaged (it does not say its version)')
    if number > tables.VERSION:
        raise HistoryError(f'the history "{place}" was written by a newer seatrial (version {number} of its layout; this one '
                           f"knows {tables.VERSION}); use that one, or give another with --store")
    return int(number)


def _snapshot(connection: Connection, digest: bytes, content: bytes) -> int:
    """The id of a plan as it was read, stored if this is its first run."""
    found = connection.execute(select(tables.snapshot.c.id).where(tables.snapshot.c.digest == digest)).scalar_one_or_none()
    if found is not None:
        return int(found)
    made = connection.execute(insert(tables.snapshot).values(digest=digest, content=content)).inserted_primary_key
    assert made is not None
    return int(made[0])


def _insert_run(connection: Connection, report: Report, plan: Plan, known: int, snapshot: int, checks: tuple[str, ...]) -> int:
    facts, counts = report.run, report.counts
    made = connection.execute(insert(tables.run).values(
        id=facts.id, plan=known, snapshot=snapshot, kind=facts.kind, started=facts.started, finished=facts.finished, stored=now(),
        complete=facts.complete, part=bool(checks) or len(report.hosts) < len(plan.hosts), verdict=report.verdict.value,
        passed=counts.passed, caution=counts.caution, fail=counts.fail, unproven=counts.unproven, waived=counts.waived,
        hosts=len(report.hosts), tool=f"{facts.tool.name} {facts.tool.version}", vantage=facts.vantage.name,
        profile=facts.profile, operator=facts.operator, reason=facts.reason, ticket=facts.ticket, checks="\n".join(checks),
    )).inserted_primary_key
    assert made is not None
    return int(made[0])


def _insert_octets(connection: Connection, octets: dict[bytes, bytes], number: int) -> None:
    column = tables.octets.c.digest
    known: set[bytes] = set()
    for some in chunks(list(octets)):
        known.update(connection.execute(select(column).where(column.in_(some))).scalars())
        connection.execute(update(tables.octets).where(column.in_(some)).values(seen=number))
    _insert_all(connection, tables.octets, ({"digest": digest, "content": content, "seen": number}
                                            for digest, content in octets.items() if digest not in known))


def _insert_all(connection: Connection, table: Table, rows: Iterable[dict[str, Any]]) -> None:
    """Insert rows a piece at a time: whole, those of a large fleet are the most that its run takes of memory."""
    left = iter(rows)
    while some := list(itertools.islice(left, _CHUNK)):
        connection.execute(insert(table), some)


def _insert_points(connection: Connection, plan: int, number: int, found: list[Point], ends: list[Ending]) -> None:
    series = _series(connection, plan)
    wanted = dict.fromkeys([*map(_series_of, found), *((end.host, DATES, end.subject, "s") for end in ends)])
    new = [key for key in wanted if key not in series]
    if new:
        _insert_all(connection, tables.series, (
            {"plan": plan, "host": host, "check_name": check, "subject": subject, "unit": unit}
            for host, check, subject, unit in new))
        series = _series(connection, plan)
    _insert_all(connection, tables.point, (
        {"series": series[_series_of(point)], "run": number, "grade": point.grade, "value": point.value,
         "uncertainty": point.uncertainty} for point in found))
    _insert_all(connection, tables.certificate, (
        {"series": series[end.host, DATES, end.subject, "s"], "run": number, "not_after": end.not_after_unix}
        for end in ends))


def _series_of(point: Point) -> SeriesKey:
    return point.host, point.check, point.subject, point.unit


def _series(connection: Connection, plan: int) -> dict[SeriesKey, int]:
    columns = tables.series.c
    rows = connection.execute(select(columns.host, columns.check_name, columns.subject, columns.unit, columns.id)
                              .where(columns.plan == plan))
    # A host has a series a check, and the driver makes its name anew for each.
    return {(sys.intern(host), sys.intern(check), sys.intern(subject), sys.intern(unit)): number
            for host, check, subject, unit, number in rows}


def _ranked(plan: int | None) -> Select[Any]:
    """Every run with its place among its plan's runs, the newest first."""
    columns = tables.run.c
    rank = func.row_number().over(partition_by=columns.plan, order_by=columns.number.desc())
    query = select(columns.number, columns.stored, rank)
    return query if plan is None else query.where(columns.plan == plan)


def _remove(connection: Connection, numbers: list[int]) -> None:
    """Take runs out, and what no run that is left refers to."""
    # One at a time: a year of a large site in one question is more than a server answers in the time that it is waited for.
    for number in numbers:
        for table in (tables.point, tables.certificate, tables.body):
            connection.execute(delete(table).where(table.c.run == number))
        connection.execute(delete(tables.run).where(tables.run.c.number == number))
    connection.execute(delete(tables.snapshot).where(~exists().where(tables.run.c.snapshot == tables.snapshot.c.id)))
    connection.execute(delete(tables.series).where(
        ~exists().where(tables.point.c.series == tables.series.c.id),
        ~exists().where(tables.certificate.c.series == tables.series.c.id)))
    # Octets last seen before the oldest run that is left belong to none that is.
    oldest = connection.execute(select(func.min(tables.run.c.number))).scalar_one()
    connection.execute(delete(tables.octets).where(tables.octets.c.seen < (oldest or 0)) if oldest else delete(tables.octets))


def taken_out(run: RunRecord, place: str) -> UnknownRunError:
    """What to say of a run that was found a moment ago and is gone."""
    return UnknownRunError(f'run {run.id} has just been taken out of the history "{place}" by a pruning; "seatrial history" '
                           "lists what is left")


def chunks(items: list[_T]) -> Iterator[list[_T]]:
    """The items in lists short enough for one statement."""
    for start in range(0, len(items), _CHUNK):
        yield items[start:start + _CHUNK]
