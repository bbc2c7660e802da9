"""How long a host took to reboot before, from runs that really were stored."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from shared import catalogue
from shared.boots import BootEvidence, Outage
from shared.evidence import Evidence, HostEvidence, SiteEvidence, Vantage
from shared.plan import Plan
from verify.assembly import Request, assemble
from verify.history.store import Store
from verify.reboots.earlier import earlier_boots, took_seconds, with_earlier
from verify.reboots.reboot import Watched

AT = "2027-03-04T09:12:{:02}.000000Z"
FQDN = "dome-a.obs.example.net"


def boot(ready: int, *, answered: str = AT.format(0)) -> BootEvidence:
    return BootEvidence(began=AT.format(0), ended=AT.format(59), rounds=9, round_seconds=5, steady_rounds=3, steady_seconds=30,
                        why="settled", outages=(Outage(answered=answered, silent=AT.format(5), back=AT.format(9)),),
                        ready=AT.format(ready), settled=AT.format(59))


def keep(place: Path, plan: Plan, seen: BootEvidence | None, run_id: str, kind: str = "await") -> None:
    evidence = Evidence(vantage=Vantage(name="pier-1"), started=AT.format(0), finished=AT.format(59), complete=True,
                        site=SiteEvidence(), hosts=(HostEvidence(fqdn=FQDN, boot=seen),))
    report = assemble(plan, evidence, catalogue.limits_of("production"), Request(run_id=run_id, kind=kind),
                      today=datetime.date(2027, 3, 4))
    with Store.open(str(place), create=True) as history:
        history.keep(report, plan, ())


def test_the_latest_come_first_and_only_watched_reboots_count(make_plan: Callable[..., Plan], tmp_path: Path) -> None:
    """Runs without a watch, and watches in which the beginning was not seen, say nothing."""
    place, plan = tmp_path / "history.sqlite", make_plan()
    keep(place, plan, boot(25), "20270301T000000Z-0001")
    keep(place, plan, boot(35), "20270302T000000Z-0002")
    keep(place, plan, None, "20270303T000000Z-0003", kind="verify")
    keep(place, plan, boot(45, answered=""), "20270304T000000Z-0004")
    assert earlier_boots(plan, str(place)) == {FQDN: (30.0, 20.0)}
    assert earlier_boots(make_plan(title="Another site", domain="dock.example.net"), str(place)) == {}


def test_only_the_last_ten_are_looked_through(make_plan: Callable[..., Plan], tmp_path: Path) -> None:
    place, plan = tmp_path / "history.sqlite", make_plan()
    for number in range(12):
        keep(place, plan, boot(10 + number), f"20270301T0000{number:02}Z-0001")
    assert earlier_boots(plan, str(place)) == {FQDN: tuple(float(seconds) for seconds in range(16, 6, -1))}


@pytest.mark.parametrize("content", [None, b"", b"not a database at all, and longer than a page header would be" * 20])
def test_without_a_history_nothing_is_known(make_plan: Callable[..., Plan], tmp_path: Path, content: bytes | None) -> None:
    """Missing, empty or damaged: the watch goes on without."""
    if content is not None:
        (tmp_path / "history.sqlite").write_bytes(content)
    assert earlier_boots(make_plan(), str(tmp_path / "history.sqlite")) == {}


@pytest.mark.parametrize("seen", [
    None, msgspec.structs.replace(boot(25), ready=""), msgspec.structs.replace(boot(25), outages=()), boot(25, answered=""),
    msgspec.structs.replace(boot(25), ready="soon"), boot(3), msgspec.structs.replace(boot(25), ready="2027-03-04T09:12:25"),
])
def test_a_reboot_without_a_beginning_or_an_end_took_no_known_time(seen: BootEvidence | None) -> None:
    assert took_seconds(seen) is None


def test_each_host_gets_its_own(make_plan: Callable[..., Plan]) -> None:
    """A host without any keeps none."""
    watched = Watched(boots={FQDN: boot(25), "dome-b.obs.example.net": boot(25)}, crashes={}, complete=True)
    told = with_earlier(watched, {FQDN: (20.0,)})
    assert [seen.earlier_seconds for seen in told.boots.values()] == [(20.0,), ()]
