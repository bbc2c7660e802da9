"""Sound hosts on real servers: no alarm of any kind, from either side of the router."""

from __future__ import annotations

import pytest

from labkit.runs import Run
from labkit.tidewater import GATEWAY, SOUND, TRUE_SOURCES

pytestmark = [pytest.mark.lab, pytest.mark.timeout(180)]

#: What every sound host must have been proven of, by subject, whatever else is.
_PROVEN = {
    ("host.echo", "{address}"), ("gateway.return-path", GATEWAY), ("port.open", "22/tcp"), ("port.open", "443/tcp"),
    ("port.closed", "23/tcp"), ("port.closed", "5900/tcp"), ("clock.offset", "{address}"), ("clock.synchronised", "{address}"),
    ("name.forward", "203.0.113.53 A"), ("name.forward", "203.0.113.54 A"), ("name.reverse", "203.0.113.53 {address}"),
    ("name.reverse", "203.0.113.54 {address}"), ("name.agreement", "{address}"), ("name.servers-agree", "{fqdn}"),
    ("certificate.trust", "443/tcp"), ("certificate.name", "443/tcp"), ("certificate.dates", "443/tcp"),
    ("certificate.key", "443/tcp"), ("certificate.signature", "443/tcp"), ("certificate.protocol", "443/tcp"),
    ("certificate.shared-key", "443/tcp"), ("ssh.identity", "22/tcp"), ("ssh.algorithms", "22/tcp"),
    ("ssh.host-key", "22/tcp"), ("ssh.shared-key", "22/tcp"), ("host.ipv6", "{fqdn}"), ("host.path-mtu", "{address}"),
    ("certificate.peers", "443/tcp"),
}


def test_sound_hosts_behind_a_router_are_ready(sound_run: Run) -> None:
    """Verdict ready, exit status 0, and not one finding that is no pass; what needs their own wire or word is listed."""
    assert (sound_run.status, sound_run.report["verdict"]) == (0, "ready"), sound_run.stdout
    assert {one["ref"]: one["grade"] for one in sound_run.findings() if one["grade"] != "pass"} == {}
    assert sound_run.causes() == []
    missing = {entry["check"]: entry for entry in sound_run.report["coverage"]["missing"]}
    assert set(missing) == {"host.address-conflict", "system.*"}
    assert len(missing["host.address-conflict"]["subjects"]) == len(SOUND)
    assert "go through 198.51.100.1" in missing["host.address-conflict"]["why"]
    assert "the plan gives no access" in missing["system.*"]["why"]
    assert sound_run.stderr == ""


@pytest.mark.parametrize("machine", SOUND, ids=lambda machine: machine.name)
def test_everything_is_proven_of_a_sound_host(sound_run: Run, machine) -> None:
    """Ready means that each check was made, not that it was left out."""
    proven = {(one["check"], one["subject"]) for one in sound_run.host(machine.name)["findings"] if one["grade"] == "pass"}
    wanted = {(check, subject.format(address=machine.addresses[0], fqdn=machine.fqdn)) for check, subject in _PROVEN}
    assert wanted - proven == set()


def test_everything_is_proven_of_the_sites_own_servers(sound_run: Run) -> None:
    """Name servers, time sources, gateway, and the runner's own clock."""
    proven = {(one["check"], one["subject"]) for one in sound_run.site}
    assert proven >= {("name.server", "203.0.113.53"), ("name.server", "203.0.113.54"), ("gateway.echo", GATEWAY),
                      ("clock.runner", "runner"), ("clock.sources-agree", "time sources"),
                      *(("clock.source", source) for source in TRUE_SOURCES)}


def test_a_runner_on_the_hosts_own_wire_cannot_prove_their_way_out(deck_run: Run) -> None:
    """Exactly gateway.return-path is unproven, for every host, and everything else passes."""
    assert (deck_run.status, deck_run.report["verdict"]) == (3, "unproven"), deck_run.stdout
    assert {one["ref"] for one in deck_run.findings() if one["grade"] != "pass"} == {
        f"{machine.fqdn}|gateway.return-path|{GATEWAY}" for machine in SOUND}
    for machine in SOUND:
        for check in ("host.address-conflict", "host.mac"):
            assert deck_run.finding(machine.name, check, machine.addresses[0])["grade"] == "pass"
        finding = deck_run.finding(machine.name, "gateway.return-path")
        assert finding["grade"] == "unproven"
        assert "same wire" in finding["message"]
    missing = {entry["check"]: entry for entry in deck_run.report["coverage"]["missing"]}
    assert set(missing) == {"gateway.return-path", "system.*"}
    assert "runner outside" in missing["gateway.return-path"]["would_prove"]


def test_the_vantage_says_on_which_wire_the_runner_stood(sound_run: Run, deck_run: Run) -> None:
    """The same plan from two places: off the hosts' subnet, and on it."""
    off, on = (run.report["run"]["vantage"] for run in (sound_run, deck_run))
    assert (off["on_link"], on["on_link"]) == ({"mgmt": False}, {"mgmt": True})
    assert "198.51.100.10" in off["addresses"]
    assert "192.0.2.200" in on["addresses"]


@pytest.mark.parametrize("machine", SOUND, ids=lambda machine: machine.name)
def test_every_visit_to_a_sound_host_meets_the_same_certificate(sound_run: Run, machine) -> None:
    """Two visits beside the examination, and nobody takes turns."""
    evidence = sound_run.host(machine.name)["evidence"]
    (examined,) = evidence["tls"]
    assert [visit["fingerprint"] for visit in evidence["identities"]] == [examined["chain"][0]["sha256"]] * 2
