"""What makes two runs runs of one plan.

A plan is known by what it says of itself: its domain and its title.  A file that was moved or renamed, or is run from
another folder or machine, so keeps its history and its baseline.  A plan whose title or domain, but not both, was edited is
still known by where it lies, and takes its history along.  Either is said by ``drift``; neither is ever guessed silently.
Two files with one domain and one title are one plan to the history: whoever copies a plan to make another gives it another
title.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, insert, select, update

from shared.plan import Plan
from verify.history import tables
from verify.history.records import PlanRecord


def path_of(plan: Plan) -> str:
    """Where a plan's file lies, whatever folder the command was run in."""
    return str(Path(plan.file).absolute())


def recognise(connection: Connection, plan: Plan) -> PlanRecord | None:
    """The plan as the history knows it, by its domain and title or else by its path; None for one never run."""
    columns = tables.plan.c
    same_domain, same_title = columns.domain == plan.domain, columns.title == plan.title
    for condition in (same_domain & same_title, (columns.path == path_of(plan)) & (same_domain | same_title)):
        # Of two plans that lay at one path, the one that came there last.
        row = connection.execute(select(tables.plan).where(condition).order_by(columns.id.desc()).limit(1)).one_or_none()
        if row is not None:
            return PlanRecord(row.id, row.domain, row.title, row.path)
    return None


def claim(connection: Connection, plan: Plan) -> PlanRecord:
    """The plan's record, made or brought up to date: called when one of its runs is stored."""
    values = {"domain": plan.domain, "title": plan.title, "path": path_of(plan)}
    known = recognise(connection, plan)
    if known is None:
        made = connection.execute(insert(tables.plan).values(**values)).inserted_primary_key
        assert made is not None
        return PlanRecord(int(made[0]), **values)
    connection.execute(update(tables.plan).where(tables.plan.c.id == known.id).values(**values))
    return PlanRecord(known.id, **values)


def moves(known: PlanRecord, plan: Plan) -> list[str]:
    """What to say of how a plan was recognised; nothing where it lies where it lay and is called what it was called."""
    said = []
    if (known.domain, known.title) != (plan.domain, plan.title):
        said.append(f'The plan was "{known.title}" ({known.domain}) when it was last stored; it is recognised by its path.')
    if known.path != path_of(plan):
        said.append(f"The plan lay at {known.path} when it was last stored; it is recognised by its domain and title.")
    return said
