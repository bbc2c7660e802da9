"""Networks of both address families: each half is judged by its own rules, and what is right in one is no mend in the other."""

from __future__ import annotations

import msgspec
import pytest

from shared.findings import Grade
from shared.plan import Network, Place

BOTH = Network(name="mgmt", subnet_typed="192.0.2.0/24", subnet="192.0.2.0/24", gateway="192.0.2.1",
               second_subnet_typed="2001:db8:2::/64", second_subnet="2001:db8:2::/64", second_gateway="2001:db8:2::1",
               place=Place("tidewater.toml", 12))


@pytest.fixture
def dual(make_plan, host, look):
    """``dual(network fields, host fields)``: the lint of a host of both families in a network of both."""

    def build(network: dict[str, object] | None = None, **fields: object):
        row = {"addresses_typed": ("192.0.2.13", "2001:db8:2::13"), "addresses": ("192.0.2.13", "2001:db8:2::13"), **fields}
        wire = msgspec.structs.replace(BOTH, **(network or {}))
        return look(make_plan(networks=(wire,), hosts=(*make_plan().hosts, host(**row))))

    return build


def test_both_halves_are_judged_and_a_sound_network_passes(dual):
    """The subject of the first half is the network, as where there is only one; that of the second says its family."""
    seen = dual(mask="255.255.255.0", second_mask="64", gateway="192.0.2.1", second_gateway="2001:DB8:2:0::1")
    assert seen.wrong == []
    assert [found.subject for found in seen.of("plan.mask")] == ["mgmt", "mgmt IPv6", "255.255.255.0", "64"]
    assert [found.subject for found in seen.of("plan.gateway")][:2] == ["mgmt", "mgmt IPv6"]
    assert seen.of("plan.network")[0].found == "192.0.2.0/24 and 2001:db8:2::/64"


@pytest.mark.parametrize(("network", "check", "subject", "fix"), [
    ({"second_subnet_typed": "2001:db8:2::/129", "second_subnet": None}, "plan.mask", "mgmt IPv6",
     'subnet = ["192.0.2.0/24", "2001:db8:2::/64"]'),
    ({"subnet_typed": "192.0.2.0 255.255.235.0", "subnet": None}, "plan.mask", "mgmt",
     'subnet = ["192.0.2.0 255.255.255.0", "2001:db8:2::/64"]'),
    ({"second_gateway": "2001:db8:3::1"}, "plan.gateway", "mgmt IPv6", 'gateway = ["192.0.2.1", "2001:db8:2::1"]'),
    ({"gateway": "192.0.3.1"}, "plan.gateway", "mgmt", 'gateway = ["192.0.2.1", "2001:db8:2::1"]'),
    ({"second_gateway": "2001:db8:2::g"}, "plan.gateway", "mgmt IPv6", 'gateway = ["192.0.2.1", "2001:db8:2::1"]'),
    ({"ipv6": "off"}, "plan.mask", "mgmt IPv6", 'subnet = "192.0.2.0/24"'),
])
def test_a_fault_of_one_half_is_mended_in_its_place(dual, network, check, subject, fix):
    found = dual(network).of(check, Grade.FAIL)[0]
    assert (found.subject, found.fix[0]) == (subject, fix)


def test_a_half_that_cannot_be_read_leaves_its_own_addresses_unproven(dual):
    seen = dual({"second_subnet_typed": "2001:db8:2::/129", "second_subnet": None})
    unread = seen.of("plan.mask", Grade.FAIL)[0].ref
    left = [(found.check, found.subject, found.because) for found in seen.findings if found.grade is Grade.UNPROVEN]
    assert left == [("plan.gateway", "mgmt IPv6", (unread,)), ("plan.address", "2001:db8:2::13", (unread,))]


@pytest.mark.parametrize("beside", [{}, {"second_subnet_typed": "2001:db8:2::/60", "second_subnet": "2001:db8:2::/60"}])
def test_an_ipv6_half_is_a_64(dual, beside):
    assert [found.fix[0] for found in dual(beside).of("plan.mask", Grade.CAUTION)] == (
        ['subnet = ["192.0.2.0/24", "2001:db8:2::/64"]'] if beside else [])


@pytest.mark.parametrize(("row", "check", "fix"), [
    ({"addresses_typed": ("192.0.2.13", "2001:db8:3::13")}, "plan.address", 'address = ["192.0.2.13", "2001:db8:2::13"]'),
    ({"addresses_typed": ("192.0.3.13", "2001:db8:2::13")}, "plan.address", 'address = ["192.0.2.13", "2001:db8:2::13"]'),
    ({"addresses_typed": ("192.0.2.13", "2001:db8:2::")}, "plan.address", 'address = ["192.0.2.13", "2001:db8:2::2"]'),
    ({"mask": "255.255.255.0", "second_mask": "48"}, "plan.mask", 'mask = ["255.255.255.0", "/64"]'),
    ({"mask": "/48"}, "plan.mask", 'mask = "/64"'),
    ({"mask": "255.255.0.0"}, "plan.mask", 'mask = "255.255.255.0"'),
    ({"gateway": "192.0.2.1", "second_gateway": "2001:db8:2::2"}, "plan.gateway", 'gateway = ["192.0.2.1", "2001:db8:2::1"]'),
    ({"gateway": "2001:db8:2::2"}, "plan.gateway", 'gateway = "2001:db8:2::1"'),
])
def test_a_row_is_held_against_the_half_of_its_family(dual, row, check, fix):
    """Its addresses, masks and gateways, and what is right beside a mistake stays as it is."""
    assert dual(None, **row).of(check, Grade.FAIL)[0].fix[0] == fix


def test_a_host_with_the_address_of_its_ipv6_gateway_is_found(dual):
    own = ("192.0.2.13", "2001:db8:2::1")
    found = dual(None, addresses_typed=own, addresses=own).of("plan.gateway", Grade.FAIL)
    assert found[-1].fix == ('address = ["192.0.2.13", "2001:db8:2::2"]',)


def test_a_host_of_one_family_has_no_part_in_the_other_half(dual):
    """Nothing is said of a gateway that it cannot use."""
    seen = dual(None, addresses_typed=("192.0.2.13",), addresses=("192.0.2.13",))
    assert seen.wrong == []
    assert [found.subject for found in seen.of("plan.gateway") if found.ref.startswith("dome-c")] == ["192.0.2.1"]


def test_a_gateway_of_a_family_without_a_subnet_asks_for_the_subnet(dual):
    """A list of gateways beside one subnet: what is missing is the other one."""
    seen = dual({"second_subnet_typed": None, "second_subnet": None})
    assert seen.the("plan.gateway", Grade.FAIL).fix == ('subnet = ["192.0.2.0/24", "2001:db8:2::/64"]',)
    assert "of IPv6, of which the network has no subnet" in seen.the("plan.gateway", Grade.FAIL).message


def test_a_link_local_gateway_is_one_beside_an_ipv4_one(dual):
    assert dual({"second_gateway": "fe80::1"}).wrong == []


@pytest.mark.parametrize(("pool", "says"), [
    (("192.0.2.100-192.0.2.199", "2001:db8:2::1000-2001:db8:2::1fff"), None),
    (("2001:db8:3::1000-2001:db8:3::1fff",), "reaches 2001:db8:3::1000, which is not in 2001:db8:2::/64"),
    (("2001:db8:2::1-2001:db8:2::f",), "the gateway 2001:db8:2::1 sits in the dynamic range"),
])
def test_a_range_lies_in_the_half_of_its_family(dual, pool, says):
    found = [one.message for one in dual({"pool_typed": pool}).of("plan.pool", Grade.FAIL) if "mgmt" in one.ref.split("|")[2]]
    assert [says in message for message in found] == ([True] if says else [])


def test_a_host_in_the_ipv6_range_is_moved_out_of_it(dual):
    found = dual({"pool_typed": ("2001:db8:2::10-2001:db8:2::1f",)}).the("plan.pool", Grade.FAIL)
    assert found.fix == ('address = ["192.0.2.13", "2001:db8:2::2"]',)


def test_two_networks_that_overlap_in_both_halves_are_told_of_both(make_plan, look):
    other = msgspec.structs.replace(BOTH, name="stage", gateway=None, second_gateway=None)
    found = look(make_plan(networks=(BOTH, other))).of("plan.network", Grade.FAIL)
    assert [one.subject for one in found] == ["mgmt and stage", "mgmt and stage IPv6"]


def test_the_packet_size_is_held_to_ipv6(dual):
    """RFC 8200 section 5, though no host there has an IPv6 address yet."""
    seen = dual({"mtu": 1000}, addresses_typed=("192.0.2.13",), addresses=("192.0.2.13",))
    assert "IPv6 needs 1280" in seen.the("plan.mtu", Grade.FAIL).message


@pytest.mark.parametrize(("address", "grade", "says"), [
    ("fc00:0:0:7::13", Grade.CAUTION, "(fc00::/8, RFC 4193 section 3.1)"),
    ("fd00:0:0:7::13", Grade.PASS, "is a host address of"),
    ("::192.0.2.20", Grade.FAIL, "IPv4-compatible addresses (deprecated) (::/96, RFC 4291 section 2.5.5.1)"),
])
def test_ipv6_addresses_that_no_host_should_have(make_plan, look, host, address, grade, says):
    """What is not defined yet is to be considered; what nothing supports any more cannot work."""
    wire = "fc00:0:0:7::/64" if address.startswith("fc") else "fd00:0:0:7::/64"
    network = Network(name="mgmt", subnet_typed=wire, subnet=wire, place=BOTH.place)
    rows = (host(addresses_typed=(address,), addresses=(address,)),)
    (found,) = look(make_plan(networks=(network,), hosts=rows)).of("plan.address")
    assert found.grade is grade
    assert says in found.message


def test_an_ipv4_compatible_address_is_mended_to_the_ipv4_one_that_it_writes(make_plan, look, host):
    """RFC 4291 section 2.5.5.1: its last 32 bits are one."""
    row = host(addresses_typed=("::192.0.2.20",), addresses=("::192.0.2.20",))
    assert look(make_plan(hosts=(row,))).the("plan.address", Grade.FAIL).fix == ('address = "192.0.2.20"',)
