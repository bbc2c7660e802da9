"""``plan.mask``, ``plan.network``, ``plan.gateway``, ``plan.vlan``, ``plan.mtu``, ``plan.pool``: the networks of a plan."""

from __future__ import annotations

from ipaddress import IPv4Address

import pytest

from shared.findings import Grade


@pytest.mark.parametrize(("typed", "says", "fix"), [
    ("192.0.2.0 255.255.235.0", "255.255.255.0 is one digit away (3 for 5)", 'subnet = "192.0.2.0 255.255.255.0"'),
    ("192.0.2.0/255.255.255.00", "255.255.255.0 is one digit away (0 doubled)", 'subnet = "192.0.2.0 255.255.255.0"'),
    ("192.0.2.0 255.255.255", "255.255.255.0 is one octet away (0 dropped)", 'subnet = "192.0.2.0 255.255.255.0"'),
    ("192.0.2.0 0.0.0.255", "host mask, the wrong way round; the mask is 255.255.255.0", 'subnet = "192.0.2.0 255.255.255.0"'),
    ("192.0.2.0 255.255.0.255", "one bits do not stand together", 'subnet = "192.0.2.0 255.255.255.0"'),
    ("192.0.2.0/42", "/24 is one swap away (42 for 24)", 'subnet = "192.0.2.0/24"'),
    ("192.0.2.0/244", "/24 is one digit away (4 doubled)", 'subnet = "192.0.2.0/24"'),
    ("192.0.2.0/16", "begins inside its subnet", 'subnet = "192.0.2.0/24"'),
    ("192.0.2.11/24", "the subnet is 192.0.2.0/24", 'subnet = "192.0.2.0/24"'),
    ("192.0.2/24", "3 numbers where four belong", 'subnet = "192.0.2.0/24"'),
    ("192.0.2.0", "not a subnet", 'subnet = "192.0.2.0/24"'),
    ("192.0.2.0/024", "not a prefix length", 'subnet = "192.0.2.0/24"'),
    ("rack two", "is not an address", 'subnet = "192.0.2.0/24"'),
])
def test_a_subnet_that_cannot_be_read_stops_and_is_mended(make_plan, look, network, typed, says, fix):
    """The nearest valid value is computed, from the slip or from what is planned there."""
    seen = look(make_plan(networks=(network(typed),)))
    finding = seen.the("plan.mask", Grade.FAIL)
    assert says in finding.message
    assert finding.fix[0] == fix
    assert seen.lint.stops == (finding.ref,)


def test_what_hangs_on_an_unreadable_subnet_is_unproven_because_of_it(make_plan, look, network):
    """Gateway, addresses, masks and ranges are not called right, and not called wrong."""
    hosts = make_plan().hosts
    seen = look(make_plan(networks=(network("192.0.2.0/33", pool_typed=("192.0.2.100-192.0.2.199",)),), hosts=hosts))
    unproven = [finding for finding in seen.findings if finding.grade is Grade.UNPROVEN]
    assert {finding.check for finding in unproven} == {"plan.gateway", "plan.address", "plan.pool"}
    assert {finding.because for finding in unproven} == {(seen.the("plan.mask", Grade.FAIL).ref,)}


@pytest.mark.parametrize(("typed", "grade", "says"), [
    ("192.0.2.0/24", Grade.PASS, "254 hosts"),
    ("192.0.2.0 255.255.255.0", Grade.PASS, "mask 255.255.255.0"),
    ("192.0.2.0/30", Grade.PASS, "2 hosts, 192.0.2.1 to 192.0.2.2"),
    ("192.0.2.0/31", Grade.PASS, "2 hosts, 192.0.2.0 to 192.0.2.1"),       # RFC 3021 section 2.1
    ("192.0.2.0/32", Grade.PASS, "one host"),
    ("0.0.0.0/0", Grade.FAIL, "all zeros"),                                # RFC 1812 section 10.2.2
    ("127.0.0.0/8", Grade.PASS, "hosts"),                                  # the sound plan is a rehearsal
    ("224.0.0.0/24", Grade.FAIL, "multicast"),
    ("169.254.0.0/16", Grade.FAIL, "link-local"),
    ("240.0.0.0/4", Grade.FAIL, "future use"),
    ("128.0.0.0/1", Grade.FAIL, "future use"),
    ("2001:db8::/64", Grade.PASS, "hosts"),
    ("2001:db8::/127", Grade.PASS, "2 hosts"),                             # RFC 6164 section 6
    ("2001:db8::/128", Grade.PASS, "one host"),
    ("2001:db8::/63", Grade.CAUTION, "not a /64"),                         # RFC 4291 section 2.5.1
    ("2001:db8::/65", Grade.CAUTION, "not a /64"),
    ("2001:db8::/126", Grade.CAUTION, "not a /64"),
])
def test_subnets_that_can_be_read(make_plan, look, network, typed, grade, says):
    """Which lengths make sense: /31 and /32 do, IPv6 wires are /64."""
    seen = look(make_plan(networks=(network(typed, gateway=None),), hosts=()))
    assert says in seen.the("plan.mask", grade).message


@pytest.mark.parametrize(("typed", "planned", "fix"), [
    ("2001:db8:40::/50", "2001:db8:40::a", 'subnet = "2001:db8:40::/64"'),
    ("2001:db8:40::/50", "2001:db8:40:3fff::a", 'subnet = "2001:db8:40:3fff::/64"'),
    ("2001:db8:40::/50", "2001:db8:40:1::", "give each wire a network with a /64 of its own"),    # anycast in the /64
    ("2001:db8:40::/80", "2001:db8:40::a", 'subnet = "2001:db8:40::/64"'),
])
def test_the_usual_length_is_offered_where_it_keeps_what_is_planned(make_plan, look, network, host, typed, planned, fix):
    """Typed as printed, the mend leaves no host outside its network; a link-local gateway lies in none."""
    plan = make_plan(networks=(network(typed, gateway="fe80::1"),), hosts=(host(address=planned),))
    assert look(plan).the("plan.mask", Grade.CAUTION).fix[0] == fix
    if fix.startswith("subnet"):
        mended = make_plan(networks=(network(fix.split('"')[1], gateway="fe80::1"),), hosts=(host(address=planned),))
        assert look(mended).wrong == []


@pytest.mark.parametrize(("more", "fix"), [
    ({"gateway": "2001:db8:40:2::1"}, "give each wire"),
    ({"pool_typed": ("2001:db8:40:1::100-2001:db8:40:2::1ff",)}, "give each wire"),
    ({"pool_typed": ("2001:db8:40:1::100-2001:db8:40:1::1ff",)}, 'subnet = "2001:db8:40:1::/64"'),
])
def test_no_length_is_offered_that_leaves_gateway_or_pool_outside(make_plan, look, network, host, more, fix):
    """They are planned as well as the hosts are."""
    wide = network("2001:db8:40::/50", **{"gateway": None, **more})
    plan = make_plan(networks=(wide,), hosts=(host(address="2001:db8:40:1::a"),))
    assert look(plan).the("plan.mask", Grade.CAUTION).fix[0].startswith(fix)


def test_no_length_is_offered_that_makes_two_networks_overlap(make_plan, look, network, host):
    """Two /80 of one /64 can have their hosts, and cannot both become that /64."""
    both = (network("2001:db8::/80", gateway=None), network("2001:db8::1:0:0:0/80", name="data", gateway=None))
    fixes = [finding.fix[0] for finding in look(make_plan(networks=both, hosts=())).of("plan.mask", Grade.CAUTION)]
    assert fixes == ["give each wire a network with a /64 of its own"] * 2


@pytest.mark.parametrize(("mask", "grade", "says"), [
    ("255.255.255.0", Grade.PASS, "is that of the network"),
    ("24", Grade.PASS, "is that of the network"),
    ("/24", Grade.PASS, "is that of the network"),
    ("255.255.0.0", Grade.FAIL, "has 255.255.255.0 (tidewater.toml:12)"),
    ("25", Grade.FAIL, "has 255.255.255.0"),
    ("255.255.235.0", Grade.FAIL, "255.255.255.0, which the network has, is one digit away (3 for 5)"),
    ("0.0.0.255", Grade.FAIL, "host mask"),
    ("", Grade.FAIL, "not a prefix length"),
])
def test_a_row_s_mask_is_its_network_s(make_plan, look, host, mask, grade, says):
    """A row that disagrees fails with both values, and the mend is the network's."""
    finding = look(make_plan(hosts=(host(mask=mask),)))
    (of_row,) = [found for found in finding.of("plan.mask") if found.ref.startswith("dome-c.")]
    assert of_row.grade is grade
    assert says in of_row.message
    if grade is Grade.FAIL:
        assert of_row.fix == ('mask = "255.255.255.0"',)
        assert of_row.planned == "255.255.255.0"


@pytest.mark.parametrize(("one", "other", "overlap"), [
    ("192.0.2.0/25", "192.0.2.128/25", False), ("192.0.2.0/24", "192.0.2.128/25", True), ("192.0.2.128/25", "192.0.2.0/24", True),
    ("192.0.2.0/24", "192.0.2.0/24", True), ("192.0.2.0/24", "192.0.3.0/24", False), ("192.0.2.0/24", "2001:db8::/64", False)])
def test_networks_have_ranges_of_their_own(make_plan, look, network, one, other, overlap):
    """An overlap is a fail that names both networks."""
    seen = look(make_plan(networks=(network(one, gateway=None), network(other, gateway=None, name="data")), hosts=()))
    if overlap:
        message = seen.the("plan.network", Grade.FAIL).message
        assert one in message
        assert other in message
    else:
        assert len(seen.of("plan.network", Grade.PASS)) == 2


@pytest.mark.parametrize(("subnet", "gateway", "says", "fix"), [
    ("192.0.2.0/24", "192.0.3.1", "is not in 192.0.2.0/24", 'gateway = "192.0.2.1"'),
    ("192.0.2.0/24", "192.0.3.77", "is not in 192.0.2.0/24", 'gateway = "192.0.2.77"'),
    ("192.0.2.0/24", "192.0.2.0", "is the network address", 'gateway = "192.0.2.1"'),
    ("192.0.2.0/24", "192.0.2.255", "is the broadcast address", 'gateway = "192.0.2.1"'),
    ("192.0.2.0/24", "192.0.2.11", "is also the address of dome-a.obs.example.net (tidewater.toml:24)", 'gateway = "192.0.2.1"'),
    ("192.0.2.0/24", "192.0.2", "3 numbers where four belong", 'gateway = "192.0.2.1"'),
    ("192.0.2.0/24", "192.0.2.01", "leading zero", 'gateway = "192.0.2.1"'),
    ("192.0.2.0/24", "2001:db8::1", "is not in", 'gateway = "192.0.2.1"'),
    ("192.0.2.0/24", "fe80::1", "is not in", 'gateway = "192.0.2.1"'),
    ("192.0.2.0/24", "router", "is not an address", 'gateway = "192.0.2.1"'),
    ("192.0.2.0/24", "192.0.2.7/24", "does not belong behind 192.0.2.7 here", 'gateway = "192.0.2.7"'),
    ("192.0.2.0/24", "192.0.2.7 255.255.255.0", "does not belong behind 192.0.2.7 here", 'gateway = "192.0.2.7"'),
    ("192.0.2.0/24", "192.0.2.53/24", "does not belong behind 192.0.2.53 here", 'gateway = "192.0.2.53"'),   # a name server too
    ("192.0.2.0/24", "192.0.3.1/24", "here, and 192.0.3.1 is not in 192.0.2.0/24", 'gateway = "192.0.2.1"'),
    ("192.0.2.0/24", "2001:db8::1/64", "here, and 2001:db8::1 is not in 192.0.2.0/24", 'gateway = "192.0.2.1"'),
    ("2001:db8::/64", "2001:db8::7/64", "does not belong behind 2001:db8::7 here", 'gateway = "2001:db8::7"'),
    ("2001:db8::/64", "fe80::1/64", "does not belong behind fe80::1 here", 'gateway = "fe80::1"'),
    ("2001:db8::/64", "2001:db8::", "subnet-router anycast", 'gateway = "2001:db8::1"'),
    ("2001:db8::/64", "2001:db8:1::1", "is not in", 'gateway = "2001:db8::1"'),
])
def test_a_gateway_that_cannot_be_used_is_mended(make_plan, look, network, subnet, gateway, says, fix):
    """Outside, at the edge, a host's own, unreadable: each with the address that was probably meant."""
    finding = next(found for found in look(make_plan(networks=(network(subnet, gateway=gateway),))).of("plan.gateway", Grade.FAIL)
                   if found.subject == "mgmt")
    assert says in finding.message
    assert finding.fix[0] == fix


@pytest.mark.parametrize(("subnet", "gateway"), [
    ("192.0.2.0/24", "192.0.2.1"), ("192.0.2.0/24", "192.0.2.254"), ("192.0.2.0/31", "192.0.2.0"), ("192.0.2.0/31", "192.0.2.1"),
    ("192.0.2.1/32", "192.0.2.1"), ("2001:db8::/64", "2001:db8::1"), ("2001:db8::/127", "2001:db8::"),
    ("2001:db8::/64", "fe80::1")])
def test_gateways_that_can_be_used(make_plan, look, network, subnet, gateway):
    """First, last, either end of a point-to-point link, and for IPv6 a link-local address."""
    seen = look(make_plan(networks=(network(subnet, gateway=gateway),), hosts=()))
    assert seen.the("plan.gateway", Grade.PASS)


def test_a_mask_that_is_too_narrow_is_offered_as_the_other_explanation(make_plan, look, network):
    """192.0.3.1 would be right in a /23."""
    finding = look(make_plan(networks=(network(gateway="192.0.3.1"),))).the("plan.gateway", Grade.FAIL)
    assert finding.fix[1] == ('or, if the gateway is right, the mask is too narrow: subnet = "192.0.2.0/23" (255.255.254.0)')


def test_a_far_gateway_says_nothing_about_the_mask(make_plan, look, network):
    """No mask is offered that would swallow half of the world."""
    assert len(look(make_plan(networks=(network(gateway="10.0.0.1"),))).the("plan.gateway", Grade.FAIL).fix) == 1


def test_a_gateway_mend_is_not_a_planned_address(make_plan, look, network, host):
    """Where the first host address is taken the last is offered, and then the first free one."""
    one = look(make_plan(networks=(network(gateway="192.0.2.255"),), hosts=(host(address="192.0.2.1"),)))
    assert one.the("plan.gateway", Grade.FAIL).fix == ('gateway = "192.0.2.254"',)
    two = look(make_plan(networks=(network(gateway="192.0.2.255"),), hosts=(host(address="192.0.2.1"),
                                                                           host("dome-d", address="192.0.2.254"))))
    assert two.the("plan.gateway", Grade.FAIL).fix == ('gateway = "192.0.2.2"',)


def test_a_gateway_typed_with_its_mask_is_not_offered_to_a_host(make_plan, look, network, host):
    """Mending both as told leaves no host with the gateway's address."""
    seen = look(make_plan(networks=(network(gateway="192.0.2.1/24"),), hosts=(host(address="192.0.2.0"),)))
    assert seen.the("plan.gateway", Grade.FAIL).fix == ('gateway = "192.0.2.1"',)
    assert seen.the("plan.address", Grade.FAIL).fix == ('address = "192.0.2.2"',)


def test_a_network_without_a_gateway_is_no_mistake(make_plan, look, network):
    """A storage network may lead nowhere."""
    seen = look(make_plan(networks=(network(gateway=None),)))
    assert seen.wrong == []
    assert seen.of("plan.gateway") == []


@pytest.mark.parametrize(("gateway", "grade", "says"), [
    ("192.0.2.1", Grade.PASS, "is not its own address"),
    ("192.0.2.2", Grade.FAIL, "its network mgmt has 192.0.2.1 (tidewater.toml:12)"),
    ("192.0.2.01", Grade.FAIL, "its network mgmt has 192.0.2.1"),
    ("", Grade.FAIL, "its network mgmt has 192.0.2.1"),
])
def test_a_row_s_gateway_is_its_network_s(make_plan, look, host, gateway, grade, says):
    """A row that disagrees fails with both values."""
    (finding,) = [found for found in look(make_plan(hosts=(host(gateway=gateway),))).of("plan.gateway")
                  if found.ref.startswith("dome-c.")]
    assert (finding.grade, says in finding.message) == (grade, True)


def test_a_row_s_gateway_is_judged_alone_where_its_network_names_none(make_plan, look, host, network):
    """It must still lie on the host's own wire."""
    plan = make_plan(networks=(network(gateway=None),), hosts=(host(gateway="192.0.3.1"),))
    assert look(plan).the("plan.gateway", Grade.FAIL).fix[0] == 'gateway = "192.0.2.1"'


def test_of_two_hosts_at_the_gateway_the_first_is_named(make_plan, look, host):
    """They have findings of their own for being two."""
    rows = (host("dome-c", "192.0.2.1"), host("dome-d", "192.0.2.1"))
    assert "is also the address of dome-c.obs." in look(make_plan(hosts=rows)).of("plan.gateway", Grade.FAIL)[0].message


def test_the_gateways_of_rows_are_judged_without_looking_at_every_row(make_plan, look, host, network, monkeypatch):
    """A sheet of any length may carry them, where its network names none."""
    rows = tuple(host(f"dome-{number}", f"192.0.2.{number}", gateway="192.0.2.1") for number in range(10, 250))
    compared: list[object] = []
    same = IPv4Address.__eq__
    monkeypatch.setattr(IPv4Address, "__eq__", lambda one, other: (compared.append(one), same(one, other))[1])
    seen = look(make_plan(networks=(network(gateway=None),), hosts=rows))
    assert [finding.grade for finding in seen.of("plan.gateway")] == [Grade.PASS] * len(rows)
    assert len(compared) < 20 * len(rows)


def test_a_host_at_its_gateway_s_address_fails_too(make_plan, look, host):
    """Both the network's finding and the host's say so, each with its own mend."""
    network_finding, host_finding = look(make_plan(hosts=(host(address="192.0.2.1"),))).of("plan.gateway", Grade.FAIL)
    assert network_finding.ref == "site|plan.gateway|mgmt"
    assert host_finding.ref.startswith("dome-c.obs.example.net|")
    assert host_finding.fix == ('address = "192.0.2.2"',)


@pytest.mark.parametrize(("vlan", "grade"), [
    (-1, Grade.FAIL), (0, Grade.FAIL), (1, Grade.PASS), (4094, Grade.PASS), (4095, Grade.FAIL), (4096, Grade.FAIL)])
def test_vlan_numbers(make_plan, look, network, vlan, grade):
    """1 to 4094 (IEEE 802.1Q reserves 0 and 4095)."""
    assert look(make_plan(networks=(network(vlan=vlan),))).the("plan.vlan", grade)


@pytest.mark.parametrize(("planned", "typed", "grade"), [
    (20, 20, Grade.PASS), (20, 200, Grade.FAIL), (None, 20, Grade.PASS), (None, 4095, Grade.FAIL), (20, 0, Grade.FAIL)])
def test_a_row_s_vlan_is_its_network_s(make_plan, look, network, host, planned, typed, grade):
    """A row that disagrees fails with both values."""
    (finding,) = [found for found in look(make_plan(networks=(network(vlan=planned),), hosts=(host(vlan=typed),))).of("plan.vlan")
                  if found.ref.startswith("dome-c.")]
    assert finding.grade is grade
    if planned and grade is Grade.FAIL:
        assert f"has the VLAN {typed} and its network mgmt has {planned}" in finding.message
        assert finding.fix == (f"vlan = {planned}",)


@pytest.mark.parametrize(("subnet", "mtu", "grade"), [
    ("192.0.2.0/24", 67, Grade.FAIL), ("192.0.2.0/24", 68, Grade.CAUTION),            # RFC 791 section 3.2
    ("192.0.2.0/24", 575, Grade.CAUTION), ("192.0.2.0/24", 576, Grade.PASS),          # RFC 791 section 3.1
    ("192.0.2.0/24", 1500, Grade.PASS), ("192.0.2.0/24", 9000, Grade.PASS), ("192.0.2.0/24", 9216, Grade.PASS),
    ("192.0.2.0/24", 9217, Grade.CAUTION), ("192.0.2.0/24", 65535, Grade.CAUTION), ("192.0.2.0/24", 65536, Grade.FAIL),
    ("2001:db8::/64", 1279, Grade.FAIL), ("2001:db8::/64", 1280, Grade.PASS),         # RFC 8200 section 5
])
def test_packet_sizes(make_plan, look, network, subnet, mtu, grade):
    """Just below, at, and just above every bound, in the family whose bound it is."""
    assert look(make_plan(networks=(network(subnet, gateway=None, mtu=mtu),), hosts=())).the("plan.mtu", grade)


def test_an_ipv6_host_needs_ipv6_s_packet_size(make_plan, look, network, host):
    """On a network whose subnet is IPv4, the host's second address decides."""
    row = host(addresses_typed=("192.0.2.13", "2001:db8::13"))
    assert look(make_plan(networks=(network(mtu=1279),), hosts=(row,))).the("plan.mtu", Grade.FAIL)
    assert look(make_plan(networks=(network(mtu=1279),), hosts=(host(),))).the("plan.mtu", Grade.PASS)


@pytest.mark.parametrize(("ranges", "says"), [
    (("192.0.2.100-192.0.3.10",), "reaches 192.0.3.10, which is not in"),
    (("192.0.2.0-192.0.2.10",), "reaches 192.0.2.0, which is the network address"),
    (("192.0.2.200-192.0.2.255",), "reaches 192.0.2.255, which is the broadcast address"),
    (("192.0.2.199-192.0.2.100",), "ends before it begins"),
    (("192.0.2.100-199",), "not an address"),
    (("all of it",), "not an address"),
    (("2001:db8::1-2001:db8::2",), "is not in"),
    (("192.0.2.1-192.0.2.9",), "the gateway 192.0.2.1 sits in the dynamic range"),
    (("192.0.2.50-192.0.2.55",), "the name server 192.0.2.53 sits in the dynamic range"),
    (("192.0.2.60-192.0.2.61",), "the time source 192.0.2.61 sits in the dynamic range"),
    (("192.0.2.100-192.0.2.150", "192.0.2.150-192.0.2.160"), "192.0.2.150-192.0.2.160 overlaps 192.0.2.100-192.0.2.150"),
])
def test_ranges_that_cannot_be(make_plan, look, network, ranges, says):
    """Unreadable, outside, overlapping, or over something of the site's own."""
    assert says in look(make_plan(networks=(network(pool_typed=ranges),))).the("plan.pool", Grade.FAIL).message


@pytest.mark.parametrize(("address", "grade"), [
    ("192.0.2.99", Grade.PASS), ("192.0.2.100", Grade.FAIL), ("192.0.2.150", Grade.FAIL), ("192.0.2.199", Grade.FAIL),
    ("192.0.2.200", Grade.PASS)])
def test_no_host_sits_in_a_pool(make_plan, look, network, host, address, grade):
    """Just outside and at both ends; the mend is outside the pool and free."""
    plan = make_plan(networks=(network(pool_typed=("192.0.2.100-192.0.2.199",)),), hosts=(host(address=address),))
    (finding,) = [found for found in look(plan).of("plan.pool") if found.ref.startswith("dome-c.")]
    assert finding.grade is grade
    if grade is Grade.FAIL:
        assert finding.fix == ('address = "192.0.2.2"',)


def test_a_pool_of_structs_is_read_as_well(make_plan, look, network, host):
    """A plan built by a program may carry the ranges only as pairs."""
    plan = make_plan(networks=(network(pool=(("192.0.2.10", "192.0.2.19"),)),), hosts=(host(),))
    assert look(plan).the("plan.pool", Grade.FAIL).subject == "192.0.2.13"


def test_nothing_is_offered_from_where_no_host_may_be(make_plan, look, network, host):
    """A network of link-local addresses is the mistake; another address of it would be no mend."""
    seen = look(make_plan(networks=(network("169.254.0.0/16", gateway=None),), hosts=(host(address="169.254.0.7"),)))
    assert seen.the("plan.address", Grade.FAIL).fix == ("address = a free host address of the network",)
    assert seen.the("plan.mask", Grade.FAIL).fix == ("number the network from the addresses that the site was given",)


def test_the_first_free_address_is_found_beyond_pools_and_plans(make_plan, look, network, host):
    """The offer steps over whole pools, even in a network of millions."""
    wide = network("10.0.0.0/8", gateway="10.0.0.1", pool_typed=("10.0.0.2-10.200.0.0",))
    plan = make_plan(domain="obs.home.arpa", networks=(wide,), hosts=(host(address="10.255.255.255"),))
    assert look(plan).the("plan.address", Grade.FAIL).fix == ('address = "10.200.0.1"',)
