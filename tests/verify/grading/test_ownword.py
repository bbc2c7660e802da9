"""What a host says of itself explains what was seen of it from outside, and nothing else."""

from __future__ import annotations

import pytest

from shared.findings import Finding, Grade, make_ref
from verify.grading.ownword import explain

HOST, OTHER = "dome-a.obs.example.net", "dome-b.obs.example.net"


def finding(host: str, check: str, symptom: str = "", found: str = "", grade: Grade = Grade.FAIL) -> Finding:
    return Finding(check=check, subject=check, grade=grade, planned="", found=found, message="", ref=make_ref(host, check, check),
                   symptom=symptom)


def folded(cause: Finding, effect: Finding) -> bool:
    told = explain([effect, cause])
    assert told[1].because == ()
    return told[0].because == (cause.ref,)


STOPPED = finding(HOST, "system.clock", "stopped", "chrony.service inactive, enabled at boot, ntpsec.service inactive, disabled")
SERVICE = finding(HOST, "system.service", "inactive", "chrony.service inactive, enabled at boot")
QUIET = finding(HOST, "clock.synchronised", "refused")
NO_SOURCE = finding(HOST, "system.clock", "no-source")
FOLLOWS_NONE = finding(HOST, "system.clock", "none-selected")
SMALL = finding(HOST, "system.mtu", "mtu", "1500 octets")


@pytest.mark.parametrize(("cause", "effect", "expected"), [
    (STOPPED, SERVICE, True), (STOPPED, QUIET, True),
    (STOPPED, finding(HOST, "clock.synchronised", "unsynchronised"), False),
    (STOPPED, finding(HOST, "system.service", "inactive", "nginx.service inactive, enabled at boot"), False),
    (STOPPED, finding(HOST, "system.service", "inactive"), False),
    (NO_SOURCE, FOLLOWS_NONE, True), (NO_SOURCE, finding(HOST, "clock.synchronised", "unsynchronised"), True),
    (NO_SOURCE, QUIET, False), (finding(HOST, "system.clock", "missing"), FOLLOWS_NONE, False),
])
def test_a_time_service_that_does_not_run_or_asks_nobody_is_told_once(cause: Finding, effect: Finding, expected: bool) -> None:
    """Its mend is the one that the host's own word comes with."""
    assert folded(cause, effect) is expected


@pytest.mark.parametrize(("span", "expected"), [
    ("1500 octets pass, 1555 do not", True), ("1480 octets pass, 1501 do not", True), ("1400 octets pass, 1500 do not", False),
    ("1501 octets pass, 1555 do not", False),
])
def test_large_packets_that_vanish_at_the_hosts_own_size_are_its_setting(span: str, expected: bool) -> None:
    """Where they vanish elsewhere, something else is too small as well."""
    assert folded(SMALL, finding(HOST, "host.path-mtu", "vanishes", f"{span}, and nobody says so")) is expected


def test_only_a_proven_fail_explains_and_only_at_its_own_host() -> None:
    """Another host's service, and one that is only said to be late, explain nothing."""
    assert not folded(STOPPED, finding(OTHER, "clock.synchronised", "refused"))
    assert not folded(finding(HOST, "system.clock", "stopped", grade=Grade.UNPROVEN), QUIET)
    assert not folded(STOPPED, finding(HOST, "clock.synchronised", "refused", grade=Grade.UNPROVEN))


@pytest.mark.parametrize(("cause", "expected"), [(STOPPED, True), (finding(HOST, "system.clock", "none"), True), (SMALL, False),
                                                 (finding(HOST, "system.clock", "several"), False)])
def test_a_service_that_does_not_run_cannot_be_asked_for_its_sources(cause: Finding, expected: bool) -> None:
    """What it follows waits for it to run."""
    assert folded(cause, finding(HOST, "system.clock", grade=Grade.UNPROVEN)) is expected
