"""What is PostgreSQL's own about a history: the options of its connections, how transactions begin, and its errors in words.

References are to the PostgreSQL manual.  The driver is psycopg (https://www.psycopg.org), which is imported by SQLAlchemy alone.
"""

from __future__ import annotations

import contextlib
import os
import shlex
import socket
import threading
from typing import Any

from sqlalchemy import URL, Connection
from sqlalchemy.exc import DBAPIError

from shared.safetext import visible
from verify.history.address import holds_secret

#: What a connection is opened with, unless the URL says otherwise (section 34.1.2).  A server that says nothing more for about
#: half a minute is taken for lost, where the operating system alone would wait for a quarter of an hour: a run's page is
#: written after it is stored.  Our own bounds.
OPTIONS: dict[str, Any] = {"connect_timeout": 10, "keepalives_idle": 10, "keepalives_interval": 5, "keepalives_count": 4,
                           "tcp_user_timeout": 30_000, "fallback_application_name": "seatrial", "client_encoding": "utf8"}
#: How long the server may leave one question unanswered, in seconds: half a minute that it may let a writer wait for others
#: (``engine.BUSY_SECONDS``), and as long again for its own work, which is well under a second.  Our own bound.
ANSWER_SECONDS = 60.0
#: The advisory lock that writers of one database queue for (section 13.3.5): "seatrial" in ASCII.
_QUEUE = 0x7365617472_69616C


def begin(connection: Connection, *, writing: bool, patience_seconds: int) -> None:
    """The first words of a transaction: a reader sees one moment of the history, and writers wait for each other.

    The level is said in either case, for a server may have another as its own: a writer that has waited must see what the one
    before it wrote (section 13.2.1), and a reader must not see half of what is being taken out (13.2.2).
    """
    if not writing:
        connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        return
    connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL READ COMMITTED")
    connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{patience_seconds}s'")
    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_QUEUE})")


def watch(connection: Any, _record: Any) -> None:
    """Hang up on a server that leaves a new connection's question unanswered for ``ANSWER_SECONDS``.

    Where its process is frozen, or its disk hangs, the kernel of its machine goes on acknowledging packets: nothing in
    ``OPTIONS`` ends that wait, and the driver has no bound of its own.
    """
    wait = connection.wait

    def bounded(*arguments: Any, **options: Any) -> Any:
        descriptor, given_up = connection.fileno(), threading.Event()

        def give_up() -> None:
            given_up.set()
            # It may have been closed in this very moment.
            with contextlib.suppress(OSError), socket.socket(fileno=os.dup(descriptor)) as line:
                line.shutdown(socket.SHUT_RDWR)

        timer = threading.Timer(ANSWER_SECONDS, give_up)
        timer.daemon = True
        timer.start()
        try:
            return wait(*arguments, **options)
        except Exception as error:
            if given_up.is_set():
                raise type(error)(f"no answer in {ANSWER_SECONDS:g} s; look at its load and its disks") from error
            raise
        finally:
            timer.cancel()

    connection.wait = bounded


def in_words(error: Exception, url: URL, busy: str) -> str:
    """What a server, or the driver, says is wrong, and the mend.  ``busy`` is what is said of a history that others keep busy."""
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    first = (str(cause) or repr(cause)).splitlines()[0].strip()
    said = visible(first.removeprefix("connection failed: ").removeprefix("connection is bad: "))
    state = getattr(cause, "sqlstate", None)
    if isinstance(error, DBAPIError) and error.connection_invalidated:
        return f"the connection to its server was lost ({said})"
    if state is None and isinstance(error, DBAPIError):
        return f"there is no connection to its server ({said}); {_way_in(said, url)}"
    # Appendix A, PostgreSQL Error Codes.
    known = {
        "25006": "its server takes no writes now, as a standby or in read-only mode; give --store the URL of the one that does",
        "42501": f"{said}; whoever owns the database may allow it: {_rights(said, url)}",
        "3F000": f"{said}; make the schema that search_path names",
        "53100": "the disk of its server is full",
        "54000": f"{said}; the title, the domain or the path of the plan is too long for an index of PostgreSQL, so shorten it",
        "55P03": busy,
        "22P05": f"{said}; the database must be one of UTF-8: createdb --encoding UTF8 --template template0 NAME",
    }
    return known.get(state or "", said)


def _way_in(said: str, url: URL) -> str:
    """The mend where no connection came about; such an error has no code, only a text, which may be in any language."""
    if "password" in said:
        where = ", and leave it out of the URL, where it is wrong" if holds_secret(url) else ""
        return f"give the right password in ~/.pgpass or in the variable PGPASSWORD{where}"
    if "database" in said and "does not exist" in said:
        owner = ("--owner", url.username) if url.username else ()
        return "make the database: " + shlex.join(
            ("createdb", "--encoding", "UTF8", "--template", "template0", *owner, url.database or "NAME"))
    return "is the server running, does it let this user in from here (pg_hba.conf), and is the URL right?"


def _rights(said: str, url: URL) -> str:
    user = '"' + (url.username or "USER").replace('"', '""') + '"'
    schema = "public" if not url.query.get("options") else "NAME"
    if "for schema" in said:
        return f"GRANT USAGE, CREATE ON SCHEMA {schema} TO {user}"
    return (f"GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA {schema} TO {user}; "
            f"GRANT USAGE ON ALL SEQUENCES IN SCHEMA {schema} TO {user}")
