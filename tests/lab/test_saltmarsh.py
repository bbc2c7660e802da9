"""A second site, unlike the first in everything the first might have taught: the right findings, and no false alarm."""

from __future__ import annotations

import pytest

from labkit.runs import Run
from labkit.saltmarsh import BY_NAME, CHILD, FAULTY, FIRST, FIRST_PORT, GATEWAY, REVERSE_6, SECOND, SOUND, plan
from labkit.site import Site

pytestmark = [pytest.mark.lab, pytest.mark.timeout(180)]

_FIRST = f"{FIRST}:{FIRST_PORT}"
_POINTER_OF_BUOY_C = f"8.4.0.0.0.0.0.0.0.0.0.0.0.0.0.0.{REVERSE_6}"

#: Each fault that was planted, with words of its message and a line of its mend.
_FAULTS = (
    ("buoy-b", "name.forward", f"{_FIRST} AAAA", "2001:db8:5:40::dead", "buoy-b.salt.example.org. IN AAAA 2001:db8:5:40::47"),
    ("buoy-c", "name.reverse", f"{_FIRST} 2001:db8:5:40::48", "no pointer",
     f"{_POINTER_OF_BUOY_C}. IN PTR buoy-c.salt.example.org."),
    ("mast-b", "name.reverse", f"{_FIRST} 203.0.113.101", "no pointer", f"101.{CHILD}. IN PTR mast-b.salt.example.org."),
    ("mast-c", "host.echo", "2001:db8:5:40::66", "is up: it answers at 203.0.113.102",
     "ip -6 address    # it must show 2001:db8:5:40::66, neither tentative nor dadfailed"),
    ("mast-d", "port.open", "8443/tcp at 2001:db8:5:40::67", "refuses", "make the service listen on 2001:db8:5:40::67"),
    ("mast-e", "certificate.name", "8443/tcp at 203.0.113.126", "not made out to mast-e.salt.example.org", "DNS:mast-e"),
)


@pytest.fixture(scope="module")
def run_of_all(salt: Site) -> Run:
    """Every host of the site."""
    return salt.verify(plan((*SOUND, *FAULTY)))


def test_the_sound_hosts_are_ready(salt: Site) -> None:
    """Dual-stack, behind a classless delegation, with servers on odd ports and a time source by name: all proven."""
    run = salt.verify(plan(SOUND))
    assert (run.status, run.report["verdict"], run.stderr) == (0, "ready", ""), run.stdout
    assert {one["ref"] for one in run.findings() if one["grade"] != "pass"} == set()
    assert {missing["check"] for missing in run.report["coverage"]["missing"]} == {"host.address-conflict", "system.*"}


def test_both_families_are_proven(run_of_all: Run) -> None:
    """Every check of an address is made of both addresses, and passes."""
    for name, last in (("buoy-a", 70), ("mast-a", 100)):
        findings = run_of_all.host(name)["findings"]
        for address in (f"203.0.113.{last}", f"2001:db8:5:40::{last:x}"):
            proven = {one["check"] for one in findings if address in one["subject"] and one["grade"] == "pass"}
            assert proven >= {"host.echo", "name.reverse", "name.agreement", "port.open", "port.closed", "clock.offset",
                              "clock.synchronised", "ssh.identity", "ssh.host-key"}
            assert (proven >= {"certificate.trust", "certificate.name", "certificate.dates"}) == (name == "mast-a")
        subjects = {one["subject"] for one in findings if one["check"] == "name.forward"}
        assert subjects == {f"{_FIRST} A", f"{_FIRST} AAAA", f"{SECOND} A", f"{SECOND} AAAA"}
        assert run_of_all.finding(name, "gateway.return-path", GATEWAY)["grade"] == "pass"


def test_a_role_without_tls_is_asked_for_no_certificate(run_of_all: Run) -> None:
    """What is not planned is not missing."""
    checks = {one["check"] for one in run_of_all.host("buoy-a")["findings"]}
    assert not any(check.startswith("certificate.") for check in checks)


def test_the_classless_zone_is_followed(run_of_all: Run) -> None:
    """The pointer stands behind an alias of the parent zone, and the message says so."""
    finding = run_of_all.finding("mast-a", "name.reverse", f"{SECOND} 203.0.113.100")
    assert finding["grade"] == "pass"
    assert f"through 100.{CHILD}" in finding["message"]


@pytest.mark.parametrize("source", ["198.51.100.31", "2001:db8:5:53::32", "198.51.100.33:1123", BY_NAME])
def test_sources_by_address_port_and_name_agree(run_of_all: Run, source: str) -> None:
    """The name was resolved by the planned servers, of which the first answers on port 5353 only."""
    assert run_of_all.finding("site", "clock.source", source)["grade"] == "pass"
    (clock,) = [one for one in run_of_all.report["site"]["evidence"]["clocks"] if one["server"] == source]
    assert clock["address"] == {BY_NAME: "198.51.100.34", "198.51.100.33:1123": "198.51.100.33"}.get(source, source)


@pytest.mark.parametrize(("owner", "check", "subject", "says", "mends"), _FAULTS, ids=[fault[0] for fault in _FAULTS])
def test_a_planted_fault_is_found_and_mended(
        run_of_all: Run, owner: str, check: str, subject: str, says: str, mends: str) -> None:
    """Failed, told in its own words, with the line that mends it."""
    finding = run_of_all.finding(owner, check, subject)
    assert finding["grade"] == "fail"
    assert says in finding["message"]
    assert mends in "\n".join(finding["fix"])


@pytest.mark.parametrize("owner", ["site", *(machine.name for machine in (*SOUND, *FAULTY))])
def test_nothing_else_is_found(run_of_all: Run, owner: str) -> None:
    """Exactly the planted faults are causes; whatever else is no pass follows from them."""
    planted = {(check, subject): "fail" for name, check, subject, _says, _mends in _FAULTS if name == owner}
    assert run_of_all.troubles(owner, explained=False) == planted


def test_each_fault_is_one_thing_to_mend(run_of_all: Run) -> None:
    """Six faults, six causes, although most show at two servers or two addresses."""
    assert (run_of_all.status, len(run_of_all.causes())) == (1, len(_FAULTS))
    assert {cause.partition(".")[0] for cause in run_of_all.causes()} == {machine.name for machine in FAULTY}


def test_no_mend_contradicts_the_zones_that_are_there(run_of_all: Run) -> None:
    """Where the alias leads to a zone of another spelling, no finding tells anybody to make a second alias."""
    lines = [line for one in run_of_all.host("mast-b")["findings"] for line in one["fix"]]
    assert lines
    assert not any("CNAME" in line or "64-26" in line for line in lines)
