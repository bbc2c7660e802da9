"""A history that is named by a URL: which URLs there are, and how one is shown."""

from __future__ import annotations

from sqlalchemy import URL
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError

from verify.history.errors import HistoryError

#: The drivers that are known here, and the URLs that stand for one without naming it (PostgreSQL manual, section 34.1.1.2).
_DRIVERS = ("sqlite", "sqlite+pysqlite", "postgresql+psycopg")
_SHORT = ("postgresql", "postgres")
_EXAMPLE = "give a file, or a URL such as postgresql+psycopg://user@host/database"


def read_url(typed: str) -> URL:
    """The URL that ``--store`` names.  Raises HistoryError, which never says what was typed: a password may stand anywhere."""
    try:
        url = make_url(typed)
        typed.encode()
    except (ArgumentError, ValueError):
        raise unreadable() from None
    if url.drivername in _SHORT:
        url = url.set(drivername="postgresql+psycopg")
    if url.drivername not in _DRIVERS:
        raise HistoryError(f'--store cannot be used: no history can be kept in "{url.drivername}"; {_EXAMPLE}')
    # An SQLite file may have any name; elsewhere what stands before this sign may be the half of a password.
    if url.get_backend_name() != "sqlite" and "@" in f"{url.host}{url.database}":
        raise HistoryError("--store cannot be used: there are two @ in the URL; write the one in the user or password as %40")
    return url


def unreadable() -> HistoryError:
    """What to say of a URL that means nothing."""
    return HistoryError(f"--store cannot be used: the URL cannot be read; {_EXAMPLE}; write what means something in a URL and "
                        "stands in a password as %40 for @, %2F for /, %3A for :")


def without_secrets(url: URL) -> str:
    """The URL as it may be shown."""
    return url.difference_update_query(_secret_options(url)).render_as_string(hide_password=True)


def fit_to_be_kept(typed: str) -> str:
    """A URL as it was typed, less what nobody is to read later; of one that cannot be read, nothing at all."""
    try:
        url = read_url(typed)
    except HistoryError:
        return "URL"
    return without_secrets(url) if holds_secret(url) else typed


def holds_secret(url: URL) -> bool:
    """Whether a password stands in the URL."""
    return url.password is not None or bool(_secret_options(url))


def _secret_options(url: URL) -> list[str]:
    """The options that carry one: password, sslpassword, oauth_client_secret (PostgreSQL manual, section 34.1.2)."""
    return [name for name in url.query if "password" in name or "secret" in name]
