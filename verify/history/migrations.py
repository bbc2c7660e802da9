"""Brings a store of an earlier version to the present one, one step at a time, each in a transaction of its own.

A step that fails leaves the store as it was before that step, and the version says so.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection, insert, select, text

from verify.history import tables
from verify.history.body import lean
from verify.history.errors import DamagedError
from verify.history.rows import DATES, endings


def _certificates(connection: Connection) -> None:
    """1 to 2: when certificates end gets a table of its own, filled from the runs that are stored."""
    tables.certificate.create(connection)
    known = {(row.plan, row.host, row.subject): row.id for row in connection.execute(
        select(tables.series).where(tables.series.c.check_name == DATES).order_by(tables.series.c.id.desc()))}
    numbers = connection.execute(select(tables.run.c.number, tables.run.c.plan).order_by(tables.run.c.number)).all()
    for number, plan in numbers:
        content = connection.execute(select(tables.body.c.content).where(tables.body.c.run == number)).scalar_one_or_none()
        try:
            found = endings(lean(content)) if content is not None else []
        except DamagedError:
            # One run that cannot be read must not keep all others from being followed.
            continue
        rows = [{"series": known[key], "run": number, "not_after": ending.not_after_unix} for ending in found
                if (key := (plan, ending.host, ending.subject)) in known]
        if rows:
            connection.execute(insert(tables.certificate), rows)


def _hosts_apart(_connection: Connection) -> None:
    """2 to 3: runs are stored a host at a time from here on.  Those that are stored are read as they are, by ``body``."""


#: The step that begins at each version.
STEPS: dict[int, Callable[[Connection], None]] = {1: _certificates, 2: _hosts_apart}


def step_from(connection: Connection, version: int) -> None:
    """Take the one step that begins at ``version``, and note that it was taken."""
    STEPS[version](connection)
    connection.execute(text("UPDATE version SET number = :number"), {"number": version + 1})
