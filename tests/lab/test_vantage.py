"""What depends on where the runner stands and what it may do: gateways that are silent, and a runner without privilege."""

from __future__ import annotations

import pytest

from labkit.needs import find
from labkit.site import Machine, Site
from labkit.tidewater import FAULTY, SOUND, plan

pytestmark = [pytest.mark.lab, pytest.mark.timeout(180)]

#: An address of the hosts' subnet that no machine has.
_NOBODY = "192.0.2.254"
_TIMEOUT = ("--timeout", "2")


def test_hosts_behind_a_dead_gateway_are_one_cause(tide: Site) -> None:
    """Two hosts that nobody hears behind a gateway that nobody hears: the gateway, and no host is called dead."""
    hosts = tuple(Machine(name, (address,)) for name, address in (("dome-a", "192.0.2.241"), ("dome-b", "192.0.2.242")))
    run = tide.verify(plan(hosts, subnet="192.0.2.128/25", gateway=_NOBODY), "--only", "host.*", "--only", "gateway.*",
                      "--only", "port.*")
    assert run.causes() == [f"site|gateway.echo|{_NOBODY}"]
    assert run.finding("site", "gateway.echo")["grade"] == "fail"
    for host in hosts:
        assert run.troubles(host.name, explained=False) == {}
        assert run.finding(host.name, "host.echo")["grade"] == "unproven"
        assert run.host(host.name)["verdict"] == "unproven"


def test_hosts_that_a_router_has_no_way_to_are_the_routers_to_mend(tide: Site) -> None:
    """The gateway answers echo and says of every host "network unreachable": one mend there, and nobody goes to a console."""
    hosts = tuple(Machine(name, (address,)) for name, address in (("dome-a", "192.0.2.225"), ("dome-b", "192.0.2.226")))
    tide.wiring.run("router", find("nft"), "-f", "-", stdin="""table ip no_way { chain passing {
        type filter hook forward priority 0; ip daddr 192.0.2.224/28 reject with icmp type net-unreachable; }; }""")
    try:
        run = tide.verify(plan(hosts), "--only", "host.*", "--only", "gateway.echo", "--only", "port.*")
    finally:
        tide.wiring.run("router", find("nft"), "delete", "table", "ip", "no_way")
    assert run.causes() == [f"{host.fqdn}|host.echo|{host.addresses[0]}" for host in hosts]
    told = [run.finding(host.name, "host.echo") for host in hosts]
    assert {(one["grade"], one["symptom"], one["found"]) for one in told} == {
        ("fail", "no-way", "no way there (network unreachable), said by 198.51.100.1")}
    assert told[0]["fix"] == told[1]["fix"]
    assert "on 198.51.100.1" in told[0]["fix"][0]


def test_a_gateway_that_stays_silent_while_hosts_answer_through_a_router_is_a_caution(tide: Site) -> None:
    """The contradiction is seen: something forwards, so no host waits on it."""
    run = tide.verify(plan(SOUND, gateway=_NOBODY), *_TIMEOUT, "--only", "host.echo", "--only", "gateway.*")
    assert run.troubles("site") == {("gateway.echo", _NOBODY): "caution"}
    for machine in SOUND:
        assert run.troubles(machine.name) == {}


def test_on_the_gateways_own_wire_it_is_told_that_nobody_has_its_address(tide: Site) -> None:
    """From the hosts' wire the search for the hardware address is the proof."""
    run = tide.verify(plan(SOUND, gateway=_NOBODY), "--only", "gateway.echo", at="deck")
    finding = run.finding("site", "gateway.echo")
    assert (run.status, finding["grade"]) == (1, "fail")
    assert "hardware address" in finding["message"]


def test_a_host_without_a_default_route_is_silent_from_outside_and_sound_from_its_own_wire(tide: Site) -> None:
    """pier-g: the two vantages together tell a missing route from a dead host."""
    lost = tuple(machine for machine in FAULTY if machine.name == "pier-g")
    options = (*_TIMEOUT, "--only", "host.echo", "--only", "port.*", "--only", "gateway.return-path")
    outside, inside = tide.verify(plan(lost), *options), tide.verify(plan(lost), *options, at="deck")
    assert outside.troubles("pier-g", explained=False) == {("host.echo", "192.0.2.47"): "fail"}
    assert inside.troubles("pier-g") == {("gateway.return-path", "192.0.2.1"): "unproven"}


def test_a_runner_that_may_not_send_echoes_says_which_privilege_is_missing(tide: Site) -> None:
    """Without CAP_NET_RAW and outside ping_group_range: every echo is unproven with the privilege by name, the rest passes."""
    chosen = [word for check in ("host.echo", "gateway.*", "port.*", "clock.*", "name.*") for word in ("--only", check)]
    run = tide.verify(plan(SOUND), *chosen, under=(find("setpriv"), "--bounding-set", "-net_raw"))
    assert (run.status, run.report["verdict"]) == (3, "unproven")
    assert run.troubles("site") == {("gateway.echo", "192.0.2.1"): "unproven"}
    assert "ping_group_range" in run.finding("site", "gateway.echo")["message"]
    for machine in SOUND:
        assert run.troubles(machine.name) == {("host.echo", machine.addresses[0]): "unproven"}
        message = run.finding(machine.name, "host.echo")["message"]
        assert "ping_group_range" in message
        assert "alive all the same" in message
