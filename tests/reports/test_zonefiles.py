"""Zone files and update scripts of a whole plan, read by BIND's own checker."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from reports.zonefiles import partial_update, whole_update, zone_files
from shared.plan import Host, Network, Plan
from shared.zonelines import Line

MakePlan = Callable[..., Plan]


def plan_in(make_plan: MakePlan, subnet: str, *addresses: str) -> Plan:
    network = Network(name="mgmt", subnet_typed=subnet, subnet=subnet)
    hosts = tuple(Host(name=f"host{number}", fqdn=f"host{number}.obs.example.net", addresses=(address,),
                       addresses_typed=(address,), network="mgmt", role="node")
                  for number, address in enumerate(addresses, start=1))
    return make_plan(networks=(network,), hosts=hosts)


@pytest.mark.parametrize(("subnet", "address", "zones"), [
    # RFC 2317 section 4, its three networks, with the hyphen it advises.
    ("192.0.2.0/25", "192.0.2.1", {"0-25.2.0.192.in-addr.arpa", "2.0.192.in-addr.arpa"}),
    ("192.0.2.128/26", "192.0.2.129", {"128-26.2.0.192.in-addr.arpa", "2.0.192.in-addr.arpa"}),
    ("192.0.2.192/26", "192.0.2.193", {"192-26.2.0.192.in-addr.arpa", "2.0.192.in-addr.arpa"}),
    ("192.0.2.6/31", "192.0.2.7", {"6-31.2.0.192.in-addr.arpa", "2.0.192.in-addr.arpa"}),
    ("10.0.0.0/8", "10.2.0.52", {"10.in-addr.arpa"}),
    ("10.2.0.0/20", "10.2.7.52", {"7.2.10.in-addr.arpa"}),
    # RFC 3596 section 2.5, its address, in a network of 64 bits and in one that ends on another nibble.
    ("4321:0:1:2::/64", "4321:0:1:2:3:4:567:89ab", {"2.0.0.0.1.0.0.0.0.0.0.0.1.2.3.4.ip6.arpa"}),
    ("4321::/44", "4321:0:1:2:3:4:567:89ab", {"0.0.0.0.0.0.0.1.2.3.4.ip6.arpa"}),
])
def test_every_zone_is_complete_and_loads(
    make_plan: MakePlan, tmp_path: Path, subnet: str, address: str, zones: set[str],
) -> None:
    """named-checkzone, which also refuses records outside the zone and aliases beside other records."""
    files = zone_files(plan_in(make_plan, subnet, address), serial=2026112542)
    assert {file.origin for file in files} == {*zones, "obs.example.net"}
    for file in files:
        assert file.name == f"{file.origin}.zone"
        path = tmp_path / file.name
        path.write_text(file.text)
        done = subprocess.run(["named-checkzone", "-i", "local", file.origin, path], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout
        assert "loaded serial 2026112542" in done.stdout


def test_the_pointer_of_rfc_3596_is_in_its_zone(make_plan: MakePlan) -> None:
    """Section 2.5: the nibbles below the /64, lowest first."""
    (_, reverse) = zone_files(plan_in(make_plan, "4321:0:1:2::/64", "4321:0:1:2:3:4:567:89ab"), serial=1)
    assert "b.a.9.8.7.6.5.0.4.0.0.0.3.0.0.0 IN PTR   host1.obs.example.net." in reverse.text


def test_a_file_says_what_it_must_not_replace(make_plan: MakePlan) -> None:
    """A complete zone loaded over one in use would take every other name away: the first thing in the file."""
    text = zone_files(make_plan(), serial=1)[0].text
    assert text.startswith("; from the plan tidewater.toml, sha256 000000000000\n"
                           "; A complete zone, for a server that does not hold it yet")
    assert all(line.startswith((";", "$")) for line in text.splitlines()[:7])


def test_a_plans_file_name_cannot_break_out_of_its_comment(make_plan: MakePlan) -> None:
    """A file may be called anything."""
    plan = make_plan(file="x\nevil IN A 192.0.2.66")
    assert not [line for file in zone_files(plan, serial=1) for line in file.text.splitlines() if line.startswith("evil")]
    assert not [line for line in whole_update(plan).splitlines() if line.startswith("evil")]


def test_no_zone_is_complete_without_a_name_server(make_plan: MakePlan) -> None:
    """Its NS records would be invented."""
    with pytest.raises(ValueError, match="no name server"):
        zone_files(make_plan(name_servers=()), serial=1)


def test_an_update_names_its_server_its_zones_and_every_record(make_plan: MakePlan) -> None:
    """One message a zone, each ended by "send", after a comment that says it was not sent."""
    plan = msgspec.structs.replace(make_plan(), hosts=make_plan().hosts[:1])
    lines = whole_update(plan).splitlines()
    assert lines[0].startswith("; Nothing has been sent.  Send it with: nsupdate")
    assert [line for line in lines if line and not line.startswith(";")] == [
        "server 192.0.2.53 53", "zone obs.example.net.", "update add dome-a.obs.example.net. 3600 A 192.0.2.11", "send",
        "server 192.0.2.53 53", "zone 2.0.192.in-addr.arpa.",
        "update add 11.2.0.192.in-addr.arpa. 3600 PTR dome-a.obs.example.net.", "send"]


def test_a_partial_update_removes_before_it_adds(make_plan: MakePlan) -> None:
    """An alias has to go before an address can come (RFC 2136 section 3.4.2.2)."""
    name = "dome-a.obs.example.net"
    changes = {"obs.example.net": ((Line(name, "A", "192.0.2.11"),), (Line(name, "CNAME", "old.obs.example.net."),))}
    lines = [line for line in partial_update(make_plan(), changes).splitlines() if line.startswith("update")]
    assert lines == [f"update delete {name}. CNAME old.obs.example.net.", f"update add {name}. 3600 A 192.0.2.11"]
