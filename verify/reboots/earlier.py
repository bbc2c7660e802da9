"""How long the hosts of a plan took to reboot before, by the runs that the history holds."""

from __future__ import annotations

import msgspec

from shared.boots import BootEvidence
from shared.plan import Plan
from shared.times import read_time
from verify.history import queries
from verify.history.errors import HistoryError
from verify.history.store import Store
from verify.reboots.reboot import Watched

#: The most earlier watches that are looked through: what a host did years ago says little.  Ours.
_MOST = 10


def earlier_boots(plan: Plan, store: str | None) -> dict[str, tuple[float, ...]]:
    """Seconds from silent to ready of each host's earlier reboots, the latest first; empty where no history can be read."""
    found: dict[str, list[float]] = {}
    try:
        with Store.open(store) as history:
            known = queries.known_plan(history, plan)
            runs = [run for run in queries.runs(history, plan=known.id) if run.kind == "await"] if known else []
            for run in runs[:_MOST]:
                for host in queries.lean_report(history, run).hosts:
                    took = took_seconds(host.evidence.boot)
                    if took is not None:
                        found.setdefault(host.name, []).append(took)
    except HistoryError:
        # That it cannot be read is said when this run is to be stored in it.
        return {}
    return {name: tuple(seconds) for name, seconds in found.items()}


def took_seconds(boot: BootEvidence | None) -> float | None:
    """How long one reboot took; None where its beginning or its end was not seen."""
    if boot is None or not boot.ready or not boot.outages or not boot.outages[-1].answered:
        return None
    ready, silent = read_time(boot.ready), read_time(boot.outages[-1].silent)
    if ready is None or silent is None:
        return None
    seconds = (ready - silent).total_seconds()
    return seconds if seconds >= 0 else None


def with_earlier(watched: Watched, earlier: dict[str, tuple[float, ...]]) -> Watched:
    """What was watched, with each host's earlier reboots beside it."""
    return msgspec.structs.replace(watched, boots={
        name: msgspec.structs.replace(boot, earlier_seconds=earlier.get(name, ())) for name, boot in watched.boots.items()})
