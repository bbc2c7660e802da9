"""Zone lines: the right record under the right zone, in text that a real name server loads."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from shared.plan import Endpoint, Host, Network, Plan
from shared.zonelines import (
    Line,
    Zone,
    address_line,
    authority_of,
    boundary_zone,
    classless_zone,
    forward_lines,
    home_zone,
    master_file,
    pointer_line,
    reverse_lines,
    under_comment,
    update_script,
    zone_of,
    zones_of,
)

MakePlan = Callable[..., Plan]
NIBBLES_OF_RFC_3596 = "b.a.9.8.7.6.5.0.4.0.0.0.3.0.0.0.2.0.0.0.1.0.0.0.0.0.0.0.1.2.3.4.ip6.arpa"


def host(fqdn: str, *addresses: str, network: str = "mgmt") -> Host:
    return Host(name=fqdn.partition(".")[0], fqdn=fqdn, addresses=addresses, addresses_typed=addresses, network=network,
                role="node")


def net(name: str, subnet: str | None) -> Network:
    return Network(name=name, subnet_typed=subnet or "?", subnet=subnet)


# --- single lines


@pytest.mark.parametrize(("address", "owner"), [
    ("10.2.0.52", "52.0.2.10.in-addr.arpa"),
    ("10.2.0.22", "22.0.2.10.in-addr.arpa"),
    ("26.0.0.103", "103.0.0.26.in-addr.arpa"),
    ("4321:0:1:2:3:4:567:89ab", NIBBLES_OF_RFC_3596),
])
def test_pointers_have_the_owners_of_the_rfcs(address: str, owner: str) -> None:
    """RFC 1035 section 3.5 and RFC 3596 section 2.5, their own examples."""
    assert pointer_line(address, "MILNET-GW.ISI.EDU.") == Line(owner, "PTR", "milnet-gw.isi.edu.")


def test_an_address_has_the_record_of_its_family() -> None:
    """A (RFC 1035 section 3.4.1) and AAAA (RFC 3596 section 2.2), addresses in canonical form."""
    lines = forward_lines(host("dome-a.obs.example.net", "192.0.2.11", "2001:DB8:0:0::11"))
    assert [line.absolute() for line in lines] == [
        "dome-a.obs.example.net. IN A 192.0.2.11", "dome-a.obs.example.net. IN AAAA 2001:db8::11"]


def test_what_is_no_address_has_no_line() -> None:
    """A name in the place of an address is a mistake of the caller."""
    with pytest.raises(ValueError, match="dome-b"):
        address_line("dome-a.obs.example.net", "dome-b")


# --- zones


@pytest.mark.parametrize(("address", "subnet", "zone"), [
    ("127.0.0.11", "127.0.0.0/8", "127.in-addr.arpa"),
    ("10.1.2.3", "10.0.0.0/9", "1.10.in-addr.arpa"),
    ("10.1.2.3", "10.1.0.0/16", "1.10.in-addr.arpa"),
    ("10.1.2.3", "10.1.0.0/17", "2.1.10.in-addr.arpa"),
    ("10.1.2.3", "10.1.0.0/20", "2.1.10.in-addr.arpa"),
    ("192.0.2.11", "192.0.2.0/24", "2.0.192.in-addr.arpa"),
    ("192.0.2.11", "192.0.2.0/25", "2.0.192.in-addr.arpa"),
    ("192.0.2.11", "192.0.2.11/32", "2.0.192.in-addr.arpa"),
    ("192.0.2.11", None, "2.0.192.in-addr.arpa"),
    ("192.0.2.11", "198.51.0.0/16", "2.0.192.in-addr.arpa"),
    ("2001:db8::11", "2001:db8::/32", "8.b.d.0.1.0.0.2.ip6.arpa"),
    ("2001:db8::11", "2001:db8::/33", "0.8.b.d.0.1.0.0.2.ip6.arpa"),
    ("2001:db8:0:7::11", "2001:db8:0:7::/64", "7.0.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa"),
    ("2001:db8:0:7::11", None, "7.0.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa"),
    ("2001:db8:0:7::11", "192.0.2.0/24", "7.0.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa"),
    ("2001:db8::1", "2001:db8::/127", "0." * 23 + "8.b.d.0.1.0.0.2.ip6.arpa"),
])
def test_reverse_zones_end_at_label_boundaries(address: str, subnet: str | None, zone: str) -> None:
    """Octets (RFC 1035 section 3.5) and nibbles (RFC 3596 section 2.5); without a fitting subnet, /24 and /64."""
    assert boundary_zone(address, subnet) == zone


@pytest.mark.parametrize(("address", "subnet", "zone"), [
    ("192.0.2.1", "192.0.2.0/25", "0-25.2.0.192.in-addr.arpa"),
    ("192.0.2.129", "192.0.2.128/26", "128-26.2.0.192.in-addr.arpa"),
    ("192.0.2.193", "192.0.2.192/26", "192-26.2.0.192.in-addr.arpa"),
    ("192.0.2.7", "192.0.2.6/31", "6-31.2.0.192.in-addr.arpa"),
    ("192.0.2.7", "192.0.2.7/32", None),
    ("192.0.2.7", "192.0.2.0/24", None),
    ("192.0.2.7", None, None),
    ("2001:db8::7", "2001:db8::/125", None),
])
def test_classless_zones_are_those_of_rfc_2317(address: str, subnet: str | None, zone: str | None) -> None:
    """The RFC's three example networks (section 4), with the hyphen that it advises in the place of the slash."""
    assert classless_zone(address, subnet) == zone
    assert reverse_lines(address, "dome-a.obs.example.net", subnet)[0][0] == (zone or boundary_zone(address, subnet))


def test_a_classless_pointer_comes_with_the_alias_that_leads_to_it() -> None:
    """RFC 2317 section 4: 129 in the parent is an alias for 129 in the subzone, which points to host1.B.domain."""
    assert reverse_lines("192.0.2.129", "host1.b.domain", "192.0.2.128/26") == (
        ("128-26.2.0.192.in-addr.arpa", Line("129.128-26.2.0.192.in-addr.arpa", "PTR", "host1.b.domain.")),
        ("2.0.192.in-addr.arpa", Line("129.2.0.192.in-addr.arpa", "CNAME", "129.128-26.2.0.192.in-addr.arpa.")))


@pytest.mark.parametrize(("name", "domain", "zone"), [
    ("dome-a.obs.example.net", "obs.example.net", "obs.example.net"),
    ("a.b.obs.example.net", "OBS.example.net.", "obs.example.net"),
    ("obs.example.net", "obs.example.net", "obs.example.net"),
    ("dome-a.lab.example.org", "obs.example.net", "lab.example.org"),
    ("xobs.example.net", "obs.example.net", "example.net"),
    ("dome-a", "", "dome-a"),
])
def test_a_name_belongs_to_the_domain_or_to_what_is_behind_its_first_label(name: str, domain: str, zone: str) -> None:
    """A suffix is whole labels, not letters."""
    assert zone_of(name, domain) == zone


# --- a whole plan


def three_networks(make_plan: MakePlan) -> Plan:
    """A /24 with a /64, two classless subnets, a host outside the domain, and a name server that is a planned host."""
    return make_plan(
        networks=(net("mgmt", "192.0.2.0/24"), net("left", "198.51.100.0/25"), net("right", "198.51.100.128/26"),
                  net("six", "2001:db8:0:7::/64"), net("typo", None)),
        hosts=(host("ns1.obs.example.net", "192.0.2.53"), host("dome-a.obs.example.net", "192.0.2.11", "2001:db8:0:7::11"),
               host("mast-a.obs.example.net", "198.51.100.11", network="left"),
               host("mast-b.obs.example.net", "198.51.100.140", network="right"),
               host("far.lab.example.org", "2001:db8:0:7::99", network="six"),
               host("lost.obs.example.net", "203.0.113.9", network="typo")))


def test_every_line_of_a_plan_stands_under_its_zone(make_plan: MakePlan) -> None:
    """Forward zones first; the classless parent has aliases only, and says whose it is."""
    zones = {zone.origin: zone for zone in zones_of(three_networks(make_plan))}
    assert list(zones) == [
        "obs.example.net", "lab.example.org", "2.0.192.in-addr.arpa", "7.0.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa",
        "0-25.100.51.198.in-addr.arpa", "100.51.198.in-addr.arpa", "128-26.100.51.198.in-addr.arpa",
        "113.0.203.in-addr.arpa"]
    parent = zones["100.51.198.in-addr.arpa"]
    assert {line.rrtype for line in parent.lines} == {"CNAME"}
    assert parent.subzones == ("0-25.100.51.198.in-addr.arpa", "128-26.100.51.198.in-addr.arpa")
    assert "RFC 2317" in parent.note
    assert [zone.note for zone in zones.values() if zone is not parent] == [""] * 7
    assert len(zones["obs.example.net"].lines) == 6


def test_both_reverse_zones_of_a_wire_of_both_families_end_at_its_own_masks(make_plan: MakePlan) -> None:
    """A /25 by RFC 2317, a /60 at its nibble; where no IPv6 subnet is planned, at the /64."""
    wire = msgspec.structs.replace(net("mgmt", "192.0.2.0/25"), second_subnet_typed="2001:db8:0:70::/60",
                                   second_subnet="2001:db8:0:70::/60")
    dual = host("dome-a.obs.example.net", "192.0.2.11", "2001:db8:0:77::11")
    origins = [zone.origin for zone in zones_of(make_plan(networks=(wire,), hosts=(dual,)))]
    assert origins == ["obs.example.net", "0-25.2.0.192.in-addr.arpa", "2.0.192.in-addr.arpa",
                       "7.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa"]
    half = [zone.origin for zone in zones_of(make_plan(networks=(net("mgmt", "192.0.2.0/25"),), hosts=(dual,)))]
    assert half[-1] == "7.7.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa"


def test_the_servers_of_a_zone_have_names(make_plan: MakePlan) -> None:
    """A planned host's own name where it is one; else the first free ns number."""
    authority = authority_of(three_networks(make_plan))
    assert authority.servers == (("ns1.obs.example.net", ("192.0.2.53",)), ("ns2.obs.example.net", ("192.0.2.54",)))


def test_a_plan_without_servers_has_no_complete_zone(make_plan: MakePlan) -> None:
    """Nobody could be named in its NS records."""
    with pytest.raises(ValueError, match="no name server"):
        authority_of(make_plan(name_servers=()))


def test_a_plan_without_a_domain_lives_where_its_first_host_does(make_plan: MakePlan) -> None:
    """And an empty plan nowhere."""
    assert home_zone(make_plan(domain="", hosts=(host("a.lab.example.org", "192.0.2.1"),))) == "lab.example.org"
    assert home_zone(make_plan(domain="", hosts=())) == ""


def test_the_text_of_a_zone() -> None:
    """Owners below the origin are short, the origin is @, anything else is absolute (RFC 1035 section 5.1)."""
    zone = Zone(origin="obs.example.net", note="for the test", lines=(
        Line("dome-a.obs.example.net", "A", "192.0.2.11"), Line("obs.example.net", "NS", "ns1.obs.example.net."),
        Line("x.example.org", "A", "192.0.2.12")))
    assert master_file(zone) == (
        "; zone obs.example.net: for the test\n"
        "$ORIGIN obs.example.net.\n"
        "$TTL 3600\n"
        "dome-a                   IN A     192.0.2.11\n"
        "@                        IN NS    ns1.obs.example.net.\n"
        "x.example.org.           IN A     192.0.2.12\n")


def test_fix_lines_never_add_what_is_to_be_removed() -> None:
    """Removals are comments, so that pasting the whole is safe."""
    new, old = Line("a.example.net", "A", "192.0.2.11"), Line("a.example.net", "A", "192.0.2.99")
    assert under_comment("example.net", (new,), (old,)) == (
        "; add to zone example.net", "a.example.net. IN A 192.0.2.11",
        "; remove from zone example.net", "; a.example.net. IN A 192.0.2.99")
    assert under_comment("example.net", (), ()) == ()


def test_an_update_script_removes_before_it_adds() -> None:
    """RFC 2136 updates, in the order in which they take effect."""
    zone = Zone(origin="obs.example.net", lines=(Line("dome-a.obs.example.net", "A", "192.0.2.11"),))
    script = update_script(zone, remove=(Line("dome-a.obs.example.net", "A", "192.0.2.99"),),
                           server=Endpoint("127.0.0.1", 5353, "lo"))
    assert script == (
        "; dynamic update (RFC 2136) of zone obs.example.net\n"
        "server 127.0.0.1 5353\n"
        "zone obs.example.net.\n"
        "update delete dome-a.obs.example.net. A 192.0.2.99\n"
        "update add dome-a.obs.example.net. 3600 A 192.0.2.11\n"
        "send\n")


@pytest.mark.parametrize(("count", "messages"), [(0, 0), (1, 1), (100, 1), (101, 2)])
def test_a_long_update_is_several_messages(count: int, messages: int) -> None:
    """Each below the largest message (RFC 1035 section 4.2.2), each with its own zone line."""
    zone = Zone(origin="example.net", lines=tuple(Line(f"h{n}.example.net", "A", "192.0.2.1") for n in range(count)))
    lines = update_script(zone).splitlines()
    assert (lines.count("send"), lines.count("zone example.net.")) == (messages, messages)
    assert sum(line.startswith("update add") for line in lines) == count


# --- a real server's own checker


def load(zone: Zone, plan: Plan, folder: Path) -> subprocess.CompletedProcess[str]:
    checker = shutil.which("named-checkzone")
    assert checker, "bind9's checker has to be installed: tests/setup names the packages"
    file = folder / f"{zone.origin}.zone"
    file.write_text(master_file(zone, authority_of(plan), serial=2026112501))
    return subprocess.run([checker, "-i", "local", "-k", "fail", "-r", "fail", "-D", zone.origin, str(file)], check=False,
                          capture_output=True, text=True, timeout=20)


def test_every_complete_zone_loads_in_a_real_server(make_plan: MakePlan, tmp_path: Path) -> None:
    """named-checkzone reads each file, without a warning, and prints back every record of the plan."""
    plan = three_networks(make_plan)
    zones = zones_of(plan)
    assert len(zones) == 8
    for zone in zones:
        done = load(zone, plan, tmp_path)
        assert (done.returncode, done.stderr.lower().count("warning")) == (0, 0), done.stderr
        printed = {tuple(line.split()) for line in done.stdout.splitlines()}
        for line in zone.lines:
            assert (f"{line.owner}.", "3600", "IN", line.rrtype, *line.value.split()) in printed


def test_the_checker_would_notice(make_plan: MakePlan, tmp_path: Path) -> None:
    """An alias beside an address (RFC 1034 section 3.6.2) is refused: the test above can fail."""
    plan = make_plan()
    zone = zones_of(plan)[0]
    bad = Zone(origin=zone.origin, lines=(*zone.lines, Line("dome-a.obs.example.net", "CNAME", "dome-b.obs.example.net.")))
    assert load(bad, plan, tmp_path).returncode != 0
