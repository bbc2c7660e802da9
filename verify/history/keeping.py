"""Putting a finished run into the history, whatever state the history is in.

A run that cannot be stored is still a run: its reports are written and its exit status is what was found.
"""

from __future__ import annotations

import msgspec

from shared.plan import Plan
from shared.run import Report
from verify.history.engine import set_aside
from verify.history.errors import DamagedError, HistoryError
from verify.history.place import is_url, place_of
from verify.history.store import Store


class Kept(msgspec.Struct, frozen=True):
    """Whether a run is in the history, and what to say on standard error: one sentence, or nothing where all went well."""

    stored: bool
    said: str = ""


def keep_run(report: Report, plan: Plan, *, checks: tuple[str, ...], store: str | None, reported: bool = True) -> Kept:
    """Store a run; whatever goes wrong is said and never raised.

    ``checks`` are the patterns of the checks asked for, none for all; ``store`` is what ``--store`` says; ``reported`` whether
    there are reports of the run.  A damaged file is moved aside, never deleted, and a new history begun.
    """
    try:
        _keep(report, plan, checks, store)
    except DamagedError as damage:
        return _begin_anew(report, plan, checks, store, damage, reported)
    except HistoryError as error:
        return _lost(report, error, reported)
    except Exception as error:  # noqa: BLE001 -- a bug of the history's own must not take the run's exit status with it
        return Kept(False, f"a fault of seatrial itself, please report it: {_not_there(report, reported)}: "
                           f"{error!r}")
    return Kept(True)


def _keep(report: Report, plan: Plan, checks: tuple[str, ...], store: str | None) -> None:
    with Store.open(store, create=True) as history:
        history.keep(report, plan, checks)


def _begin_anew(report: Report, plan: Plan, checks: tuple[str, ...], store: str | None, damage: DamagedError,
                reported: bool) -> Kept:
    place = place_of(store)
    if is_url(place):
        return _lost(report, damage, reported)
    try:
        kept = set_aside(place)
        _keep(report, plan, checks, store)
    except HistoryError as error:
        return _lost(report, error, reported)
    if kept is None:
        return Kept(True, f"{damage}; another run has put it right, and this run is stored")
    return Kept(True, f'{damage}: it is kept as "{kept}", and this run begins a new history, which has no baseline yet')


def _lost(report: Report, error: HistoryError, reported: bool) -> Kept:
    return Kept(False, f"{_not_there(report, reported)}: {error}")


def _not_there(report: Report, reported: bool) -> str:
    return f"run {report.run.id} is not in the history" + (", its reports are all there is of it" if reported else "")
