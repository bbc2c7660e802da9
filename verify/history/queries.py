"""Asking the history: runs, baselines, and what followed a subject over the nights."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from sqlalchemy import Connection, Select, exists, func, select

from shared.history import EndingNight, Followed, FollowedEnding, Night, RunRecord
from shared.plan import Plan
from shared.run import Report
from verify.errors import nearest
from verify.history import body, tables
from verify.history.engine import reading
from verify.history.errors import UnknownRunError
from verify.history.identity import recognise
from verify.history.records import Baseline, PlanRecord, StoredRun
from verify.history.store import Store, chunks, taken_out

#: The word for the run that was stored last.
LAST = "last"
#: Ids looked through for the nearest to one that is not there: some years of nights.
_NEAR = 2000
#: The most ids named where a prefix fits several.
_NAMED = 4


def runs(store: Store, *, plan: int | None = None) -> list[RunRecord]:
    """The stored runs, the last one stored first.  Raises HistoryError."""
    query = _runs()
    if plan is not None:
        query = query.where(tables.run.c.plan == plan)
    with reading(store.engine) as connection:
        return [_record(row) for row in connection.execute(query)]


def find(store: Store, typed: str) -> RunRecord:
    """The run that a person means: an id, the beginning of just one, or "last".

    Raises UnknownRunError for an id that is not there, with the nearest that is, and for a beginning of several.
    """
    column, query = tables.run.c.id, _runs()
    with reading(store.engine) as connection:
        if typed == LAST:
            row = connection.execute(query.limit(1)).one_or_none()
            if row is None:
                raise UnknownRunError(f'the history "{store.place}" holds no run yet')
            return _record(row)
        exact = connection.execute(query.where(column == typed)).one_or_none()
        if exact is not None:
            return _record(exact)
        fitting = connection.execute(query.where(column.startswith(typed, autoescape=True)).limit(_NAMED + 1)).all()
        if typed and len(fitting) == 1:
            return _record(fitting[0])
        known = connection.execute(select(column).order_by(tables.run.c.number.desc()).limit(_NEAR)).scalars().all()
    raise UnknownRunError(_unknown(typed, [row.id for row in fitting] if typed else [], known, store.place))


def _unknown(typed: str, fitting: Sequence[str], known: Sequence[str], place: str) -> str:
    if fitting:
        named = ", ".join(fitting[:_NAMED]) + (" and more" if len(fitting) > _NAMED else "")
        return f'"{typed[:60]}" begins the ids of several runs: {named}; type more of it'
    close = nearest(typed, known)
    mend = f"the nearest is {close}" if close else f"the last one stored is {known[0]}" if known else "it holds none yet"
    return f'the history "{place}" holds no run "{typed[:60]}"; {mend}'


def load(store: Store, record: RunRecord) -> StoredRun:
    """A run whole, as it was when it was stored.  Raises HistoryError."""
    with reading(store.engine) as connection:
        lean = body.lean(_content(connection, record, store.place))
        digests = list(body.octets_in(lean))
        octets = {row.digest: row.content for some in chunks(digests) for row in connection.execute(
            select(tables.octets).where(tables.octets.c.digest.in_(some)))}
        report = body.restored(lean, octets)
        plan = connection.execute(
            select(tables.snapshot.c.content).join(tables.run).where(tables.run.c.number == record.number)).scalar_one()
    return StoredRun(record=record, report=report, snapshot=body.unpack_snapshot(plan),
                     checks=tuple(record.checks.split("\n")) if record.checks else ())


def lean_report(store: Store, record: RunRecord, *, host: str | None = None) -> Report:
    """A run's report without the octets of certificates and keys: all that comparing needs.  Raises HistoryError.

    With ``host`` of all hosts only that one.
    """
    with reading(store.engine) as connection:
        return body.lean(_content(connection, record, store.place), host=host)


def _content(connection: Connection, record: RunRecord, place: str) -> bytes:
    found = connection.execute(select(tables.body.c.content).where(tables.body.c.run == record.number)).scalar_one_or_none()
    if found is None:
        raise taken_out(record, place)
    return bytes(found)


def known_plan(store: Store, plan: Plan) -> PlanRecord | None:
    """The plan as the history knows it (``identity``), None for one never run.  Raises HistoryError."""
    with reading(store.engine) as connection:
        return recognise(connection, plan)


def baseline(store: Store, plan: int) -> Baseline | None:
    """The accepted run of a plan, or None.  Raises HistoryError."""
    columns = tables.baseline.c
    with reading(store.engine) as connection:
        accepted = connection.execute(
            select(tables.baseline).where(columns.plan == plan).order_by(columns.number.desc()).limit(1)).one_or_none()
        if accepted is None:
            return None
        run = connection.execute(_runs().where(tables.run.c.number == accepted.run)).one()
    return Baseline(run=_record(run), accepted=accepted.accepted, operator=accepted.operator, reason=accepted.reason)


def followed(store: Store, plan: int, *, host: str | None = None, check: str | None = None,
             since: int = 0) -> list[Followed]:
    """What was followed of a plan, of one host or one check, in runs numbered from ``since``.  Raises HistoryError."""
    with reading(store.engine) as connection:
        rows = connection.execute(followed_query(plan, host=host, check=check, since=since)).all()
    return [
        Followed(host=key[0], check=key[1], subject=key[2], unit=key[3], nights=tuple(
            Night(number=row.number, run=row.run, started=row.started, grade=row.grade, value=row.value,
                  uncertainty=row.uncertainty)
            for row in nights))
        for key, nights in _grouped(rows, "host", "check_name", "subject", "unit")
    ]


def followed_endings(store: Store, plan: int, *, host: str | None = None, since: int = 0) -> list[FollowedEnding]:
    """When every TLS port's certificates ended, in runs numbered from ``since``.  Raises HistoryError."""
    with reading(store.engine) as connection:
        rows = connection.execute(endings_query(plan, host=host, since=since)).all()
    return [
        FollowedEnding(host=key[0], subject=key[1], nights=tuple(
            EndingNight(number=row.number, run=row.run, started=row.started, not_after_unix=row.not_after) for row in nights))
        for key, nights in _grouped(rows, "host", "subject")
    ]


def oldest_of_last(store: Store, plan: int, count: int, *, until: int | None = None) -> int:
    """The number of the earliest of a plan's last ``count`` runs; 0 where there are fewer.  Raises HistoryError.

    With ``until`` of those up to and with the run of that number.
    """
    columns = tables.run.c
    query = select(columns.number).where(columns.plan == plan).order_by(columns.number.desc()).offset(count - 1).limit(1)
    if until is not None:
        query = query.where(columns.number <= until)
    with reading(store.engine) as connection:
        number = connection.execute(query).scalar_one_or_none()
    return int(number or 0)


def hosts_of(store: Store, plan: int | None = None) -> list[str]:
    """Every host that the history has followed.  Raises HistoryError."""
    query = select(tables.series.c.host).distinct().where(tables.series.c.check_name == "")
    with reading(store.engine) as connection:
        return sorted(connection.execute(query if plan is None else query.where(tables.series.c.plan == plan)).scalars())


def plans(store: Store) -> list[PlanRecord]:
    """Every plan that the history knows.  Raises HistoryError."""
    with reading(store.engine) as connection:
        return [PlanRecord(row.id, row.domain, row.title, row.path)
                for row in connection.execute(select(tables.plan).order_by(tables.plan.c.id))]


def followed_query(plan: int, *, host: str | None, check: str | None, since: int) -> Select[Any]:
    """The query behind ``followed``."""
    series, point, run = tables.series.c, tables.point.c, tables.run.c
    query = (select(series.host, series.check_name, series.subject, series.unit, run.number, run.id.label("run"), run.started,
                    point.grade, point.value, point.uncertainty)
             .join_from(tables.series, tables.point, series.id == point.series).join(tables.run, run.number == point.run)
             .where(series.plan == plan, point.run >= since).order_by(series.host, series.check_name, series.subject, series.unit,
                                                                      point.run))
    if host is not None:
        query = query.where(series.host == host)
    return query if check is None else query.where(series.check_name == check)


def endings_query(plan: int, *, host: str | None, since: int) -> Select[Any]:
    """The query behind ``followed_endings``."""
    series, ending, run = tables.series.c, tables.certificate.c, tables.run.c
    query = (select(series.host, series.subject, run.number, run.id.label("run"), run.started, ending.not_after)
             .join_from(tables.series, tables.certificate, series.id == ending.series).join(tables.run, run.number == ending.run)
             .where(series.plan == plan, ending.run >= since).order_by(series.host, series.subject, ending.run))
    return query if host is None else query.where(series.host == host)


def _grouped(rows: Sequence[Any], *names: str) -> Iterator[tuple[tuple[str, ...], list[Any]]]:
    for key, group in groupby(rows, key=lambda row: tuple(getattr(row, name) for name in names)):
        yield key, list(group)


def _runs() -> Select[Any]:
    """Every run with its plan's title and whether it is that plan's baseline, the last one stored first."""
    accepted = tables.baseline.c
    newest = (select(func.max(accepted.number)).where(accepted.plan == tables.run.c.plan)
              .correlate(tables.run).scalar_subquery())
    is_baseline = exists().where(accepted.run == tables.run.c.number, accepted.number == newest).label("baseline")
    return (select(tables.run, tables.plan.c.title, is_baseline).join(tables.plan, tables.plan.c.id == tables.run.c.plan)
            .order_by(tables.run.c.number.desc()))


def _record(row: Any) -> RunRecord:
    return RunRecord(**{name: getattr(row, name) for name in RunRecord.__struct_fields__})
