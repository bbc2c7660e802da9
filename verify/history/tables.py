"""How the history is laid out: version 3.

Runs are kept whole in ``body``; everything else is there to find them and to answer questions about many nights without
opening them.

Version 1 had no ``certificate``; runs stored in versions 1 and 2 lie in one piece (``body``).  ``migrations`` brings a store of
an earlier version here.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Dialect,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
)

VERSION = 3

metadata = MetaData()


def held(text: str) -> str:
    """A text as a column can hold it: PostgreSQL's text has no place for the character NUL (its manual, section 8.3)."""
    return text.replace("\0", "\ufffd")


class Words(TypeDecorator[str]):
    """A column of text.  The run itself, in ``body``, keeps what was there."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:
        """The same in what is stored and in what is asked for."""
        return None if value is None else held(value)


#: One row: the version of this layout.
version = Table("version", metadata, Column("number", Integer, primary_key=True, autoincrement=False))

#: What a plan says of itself is what it is known by; ``path`` is where it lay when it was last run.
plan = Table(
    "plan", metadata,
    Column("id", Integer, primary_key=True),
    Column("domain", Words, nullable=False),
    Column("title", Words, nullable=False),
    Column("path", Words, nullable=False),
    UniqueConstraint("domain", "title"),
    Index("plan_path", "path"),
)

#: A plan as it was read, once for all the runs made with it (``body.pack_snapshot``).
snapshot = Table(
    "snapshot", metadata,
    Column("id", Integer, primary_key=True),
    Column("digest", LargeBinary, nullable=False, unique=True),
    Column("content", LargeBinary, nullable=False),
)

#: ``number`` counts runs in the order they were stored, which no clock can turn round.  ``part`` says that only some hosts
#: or checks were asked for; ``checks`` holds the patterns of the checks, one a line, and nothing for all.
run = Table(
    "run", metadata,
    Column("number", Integer, primary_key=True, autoincrement=True),
    Column("id", Words, nullable=False, unique=True),
    Column("plan", ForeignKey("plan.id"), nullable=False),
    Column("snapshot", ForeignKey("snapshot.id"), nullable=False),
    Column("kind", Words, nullable=False),
    Column("started", Words, nullable=False),
    Column("finished", Words, nullable=False),
    Column("stored", Words, nullable=False),
    Column("complete", Boolean, nullable=False),
    Column("part", Boolean, nullable=False),
    Column("verdict", Words, nullable=False),
    Column("passed", Integer, nullable=False),
    Column("caution", Integer, nullable=False),
    Column("fail", Integer, nullable=False),
    Column("unproven", Integer, nullable=False),
    Column("waived", Integer, nullable=False),
    Column("hosts", Integer, nullable=False),
    Column("tool", Words, nullable=False),
    Column("vantage", Words, nullable=False),
    Column("profile", Words, nullable=False),
    Column("operator", Words, nullable=False),
    Column("reason", Words, nullable=False),
    Column("ticket", Words, nullable=False),
    Column("checks", Words, nullable=False),
    Index("run_plan", "plan", "number"),
    Index("run_snapshot", "snapshot"),
    sqlite_autoincrement=True,
)

#: A run whole (``body.pack``), apart from its row so that listing many runs reads none of them.
body = Table(
    "body", metadata,
    Column("run", ForeignKey("run.number"), primary_key=True, autoincrement=False),
    Column("content", LargeBinary, nullable=False),
)

#: Certificates and public keys by their SHA-256; ``seen`` is the last run that held them.
octets = Table(
    "octets", metadata,
    Column("digest", LargeBinary, primary_key=True),
    Column("content", LargeBinary, nullable=False),
    Column("seen", Integer, nullable=False),
)

#: Every acceptance ever made; the last one of a plan is its baseline.
baseline = Table(
    "baseline", metadata,
    Column("number", Integer, primary_key=True, autoincrement=True),
    Column("plan", ForeignKey("plan.id"), nullable=False),
    Column("run", ForeignKey("run.number"), nullable=False),
    Column("accepted", Words, nullable=False),
    Column("operator", Words, nullable=False),
    Column("reason", Words, nullable=False),
    Index("baseline_plan", "plan", "number"),
    Index("baseline_run", "run"),
    sqlite_autoincrement=True,
)

#: What is followed over the nights: one check of one subject.  An empty ``check_name`` is the verdict on the host itself.
series = Table(
    "series", metadata,
    Column("id", Integer, primary_key=True),
    Column("plan", ForeignKey("plan.id"), nullable=False),
    Column("host", Words, nullable=False),
    Column("check_name", Words, nullable=False),
    Column("subject", Words, nullable=False),
    Column("unit", Words, nullable=False),
    UniqueConstraint("plan", "check_name", "host", "subject", "unit"),
    Index("series_host", "plan", "host"),
)

#: One night of one series: every finding that measured something or was no pass.  That there is no row is no pass.
point = Table(
    "point", metadata,
    Column("series", ForeignKey("series.id"), nullable=False),
    Column("run", ForeignKey("run.number"), nullable=False),
    Column("grade", Words, nullable=False),
    Column("value", Float),
    Column("uncertainty", Float),
    PrimaryKeyConstraint("series", "run"),
    Index("point_run", "run"),
    sqlite_with_rowid=False,
)

#: When the certificates of one TLS port end (the first of them that does), in seconds since 1970.
certificate = Table(
    "certificate", metadata,
    Column("series", ForeignKey("series.id"), nullable=False),
    Column("run", ForeignKey("run.number"), nullable=False),
    Column("not_after", BigInteger, nullable=False),
    PrimaryKeyConstraint("series", "run"),
    Index("certificate_run", "run"),
    sqlite_with_rowid=False,
)
