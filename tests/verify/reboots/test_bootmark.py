"""What a host says of its boot, and how that reaches the evidence of a watch."""

from __future__ import annotations

import pytest

from shared.boots import BootEvidence, BootMark
from shared.evidence import Evidence, HostEvidence, SiteEvidence, SystemEvidence, Vantage
from shared.hostfacts import HostFacts
from verify.reboots.awaited import with_boots
from verify.reboots.bootmark import mark_of
from verify.reboots.reboot import Watched

AT = "2027-03-04T09:12:31.000000Z"
ID = "11111111-2222-4333-8444-555555555555"


def system(**facts: object) -> SystemEvidence:
    return SystemEvidence(address="192.0.2.11", port="22/tcp", user="trial", at=AT, elapsed_seconds=0.2,
                          facts=HostFacts(**facts))  # type: ignore[arg-type]


@pytest.mark.parametrize(("said", "mark"), [
    (None, None),
    (system(), None),
    (system(boot_id=ID), BootMark(at=AT, boot_id=ID)),
    (system(uptime_seconds=60.0), BootMark(at=AT, booted="2027-03-04T09:11:31.000000Z")),
    (system(boot_id=ID, uptime_seconds=0.0), BootMark(at=AT, boot_id=ID, booted=AT)),
    (system(boot_id=ID, uptime_seconds=1e18), BootMark(at=AT, boot_id=ID)),
])
def test_a_boot_is_known_by_its_identifier_or_its_age(said: SystemEvidence | None, mark: BootMark | None) -> None:
    """A host that says neither has said nothing, and an age that makes no date is left out."""
    assert mark_of(said) == mark


def boot(after: BootMark | None) -> BootEvidence:
    return BootEvidence(began=AT, ended=AT, rounds=1, round_seconds=5, steady_rounds=3, steady_seconds=30, why="settled",
                        after=after)


@pytest.mark.parametrize(("watched", "expected"), [
    (None, ID), (BootMark(at=AT, boot_id="seen in the watch"), "seen in the watch")])
def test_what_the_verification_learns_stands_in_for_what_the_watch_could_not_ask(watched: BootMark | None, expected: str) -> None:
    """And only then."""
    evidence = Evidence(vantage=Vantage(name="pier-1"), started=AT, finished=AT, complete=True, site=SiteEvidence(),
                        hosts=(HostEvidence(fqdn="dome-a.obs.example.net", system=system(boot_id=ID)),))
    seen = with_boots(evidence, Watched(boots={"dome-a.obs.example.net": boot(watched)}, crashes={}, complete=True))
    (host,) = seen.hosts
    assert host.boot is not None
    assert host.boot.after is not None
    assert host.boot.after.boot_id == expected
