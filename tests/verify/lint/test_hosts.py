"""``plan.address``, ``plan.mac``, ``plan.duplicate``, ``plan.reference`` and ``plan.role``: the rows of a plan."""

from __future__ import annotations

import msgspec
import pytest

from shared import catalogue
from shared.findings import Grade
from shared.plan import Place, Port
from verify.lint import survey


@pytest.mark.parametrize(("address", "says", "fix"), [
    ("192.0.2.0", "is the network address of 192.0.2.0/24", 'address = "192.0.2.2"'),
    ("192.0.2.255", "is the broadcast address of 192.0.2.0/24", 'address = "192.0.2.2"'),
    ("192.0.3.13", "is not in 192.0.2.0/24", 'address = "192.0.2.13"'),
    ("192.0.3.1", "is not in 192.0.2.0/24", 'address = "192.0.2.2"'),      # the same host part is the gateway's
    ("0.0.0.0", "is set aside for \"this network\"", 'address = "192.0.2.2"'),
    ("169.254.7.7", "is set aside for link-local", 'address = "192.0.2.7"'),
    ("224.0.0.5", "is set aside for multicast", 'address = "192.0.2.5"'),
    ("240.0.0.5", "is set aside for future use", 'address = "192.0.2.5"'),
    ("255.255.255.255", "is set aside for limited broadcast", 'address = "192.0.2.2"'),
    ("192.0.0.170", "is set aside for NAT64 and DNS64 discovery", 'address = "192.0.2.170"'),
    ("::", "is set aside for the unspecified address", 'address = "192.0.2.2"'),
    ("::ffff:192.0.2.13", "is set aside for IPv4-mapped", 'address = "192.0.2.13"'),
    ("fe80::13", "is set aside for link-local", 'address = "192.0.2.2"'),
    ("ff02::1", "is set aside for multicast", 'address = "192.0.2.2"'),
])
def test_an_address_no_host_may_have_fails_and_is_mended(make_plan, look, host, address, says, fix):
    """The edges of the subnet, another network, and what the registries set aside (RFC 6890)."""
    seen = look(make_plan(hosts=(host(address=address),)))
    finding = seen.the("plan.address", Grade.FAIL)
    assert says in finding.message
    assert finding.fix[0] == fix
    assert seen.lint.stops == ()


@pytest.mark.parametrize(("typed", "says", "fix"), [
    ("192.0.2.256", "256 is over 255; 192.0.2.25, which is free, is one digit away (6 too many)", 'address = "192.0.2.25"'),
    ("192.0.2.013", "leading zero", 'address = "192.0.2.13"'),
    ("192.0.2.133.", "", 'address = "192.0.2.133"'),
    ("192.0.2.", "", 'address = "192.0.2.2"'),
    ("192.0.213", "3 numbers where four belong", 'address = "192.0.2.'),
    ("l92.0.2.13", "", 'address = "192.0.2.13"'),
    (" 192.0.2.13", "space around it", 'address = "192.0.2.13"'),
    ("192.0.2.13/24", "does not belong behind 192.0.2.13 here", 'address = "192.0.2.13"'),
    ("dome-c", "four numbers", 'address = "192.0.2.2"'),
    ("", "it is empty", 'address = "192.0.2.2"'),
])
def test_a_host_without_a_readable_address_stops(make_plan, look, host, typed, says, fix):
    """It cannot be probed; the nearest free address is offered."""
    seen = look(make_plan(hosts=(host(address=typed),)))
    finding = seen.the("plan.address", Grade.FAIL)
    assert says in finding.message
    assert finding.fix[0].startswith(fix)
    assert seen.lint.stops == (finding.ref,)


@pytest.mark.parametrize(("typed", "subnet", "ending", "fix"), [
    ("192.0.2.5/24", "192.0.2.0/24", "behind 192.0.2.5 here", "192.0.2.5"),
    ("192.0.2.5 255.255.255.0", "192.0.2.0/24", "behind 192.0.2.5 here", "192.0.2.5"),
    ("2001:db8::5/64", "2001:db8::/64", "behind 2001:db8::5 here", "2001:db8::5"),
    ("192.0.2.11/24", "192.0.2.0/24", "here, and 192.0.2.11 is no free host address of network mgmt", "192.0.2.2"),
    ("192.0.3.5/24", "192.0.2.0/24", "here, and 192.0.3.5 is no free host address of network mgmt", "192.0.2.5"),
])
def test_an_address_with_its_mask_is_mended_by_the_address(make_plan, look, host, network, typed, subnet, ending, fix):
    """Never by another machine's, which its prefix length happens to spell; where it is not to be had, the message says so."""
    gateway = "2001:db8::1" if ":" in subnet else "192.0.2.1"
    rows = (host("dome-a", "192.0.2.11"), host(address=typed))
    finding = look(make_plan(networks=(network(subnet, gateway=gateway),), hosts=rows)).the("plan.address", Grade.FAIL)
    assert finding.message.endswith(ending)
    assert finding.fix == (f'address = "{fix}"',)


@pytest.mark.parametrize(("typed", "subnet", "fix"), [
    ("::ffff:192.0.2.5", "192.0.2.0/24", "192.0.2.5"),
    ("::FFFF:C000:205", "192.0.2.0/24", "192.0.2.5"),
    ("::ffff:192.0.3.5", "192.0.2.0/24", "192.0.2.5"),      # the host part is right
    ("::ffff:192.0.2.11", "192.0.2.0/24", "192.0.2.2"),     # another host's
    ("2001:db8::5%eth0", "2001:db8::/64", "2001:db8::5"),
    ("fe80::5%eth0", "2001:db8::/64", "2001:db8::5"),
])
def test_an_address_in_a_form_of_one_machine_is_mended_by_the_address(make_plan, look, host, network, typed, subnet, fix):
    """IPv4 as a program with IPv6 sockets prints it, and IPv6 with the interface it was copied from."""
    gateway = "2001:db8::1" if ":" in subnet else "192.0.2.1"
    rows = (host("dome-a", "192.0.2.11"), host(address=typed))
    finding = look(make_plan(networks=(network(subnet, gateway=gateway),), hosts=rows)).the("plan.address", Grade.FAIL)
    assert finding.fix == (f'address = "{fix}"',)


@pytest.mark.parametrize(("typed", "fix"), [
    ("fe80::13", "take fe80::13 out of the row"),
    ("::ffff:192.0.2.13", "take ::ffff:192.0.2.13 out of the row"),
    ("2001:db8::g", "take 2001:db8::g out of the row"),
    ("2001:db8::5/64", "write 2001:db8::5 in the place of 2001:db8::5/64"),
    ("192.0.3.13", 'address = ["192.0.2.12", "192.0.2.13"]'),
    ("192.0.2:20", 'address = ["192.0.2.12", "192.0.2.20"]'),
])
def test_a_second_address_is_not_mended_by_one_of_the_networks_family(make_plan, look, host, typed, fix):
    """The host has one of these already, and would have two."""
    row = host(addresses_typed=("192.0.2.12", typed))
    assert look(make_plan(hosts=(row,))).the("plan.address", Grade.FAIL).fix[0] == fix


def _dual(host, *sixes: str):
    """Hosts of both families in an IPv4 network, as many as there are IPv6 addresses; several of one stand behind a comma."""
    return tuple(host(f"dome-{number}", addresses_typed=(f"192.0.2.{number}", *six.split(",")))
                 for number, six in enumerate(sixes, start=20))


@pytest.mark.parametrize(("typed", "says", "fix"), [
    ("2001:db9:40::c", "; 2001:db8:40::c is one digit away (9 for 8)", "write 2001:db8:40::c in the place of 2001:db9:40::c"),
    ("2001:db8:41::c", "one digit away (1 for 0)", "write 2001:db8:40::c in the place of 2001:db8:41::c"),
    ("201:db8:40::c", "one digit away (0 left out)", "write 2001:db8:40::c in the place of 201:db8:40::c"),
    ("2001:db8:40:c::", "is not in 2001:db8:40::/64", "or, where it is right"),
    ("fd00:1::9", "is not in 2001:db8:40::/64", "write 2001:db8:40::9 in the place of fd00:1::9"),
    ("2001:db8:41::a", "is not in 2001:db8:40::/64", "or, where it is right"),       # the same host part is another host's
])
def test_an_ipv6_address_outside_what_the_other_hosts_share_is_a_caution(make_plan, look, host, typed, says, fix):
    """The plan has no IPv6 subnet for their network, so a mistyped prefix shows by its neighbours only."""
    seen = look(make_plan(hosts=_dual(host, "2001:db8:40::a", "2001:db8:40::b", typed)))
    finding = seen.the("plan.address", Grade.CAUTION)
    assert finding.subject == typed
    assert says in finding.message
    assert finding.fix[0].startswith(fix)


@pytest.mark.parametrize("sixes", [
    ("2001:db8:40::a", "2001:db8:41::b", "2001:db8:42::c"),                             # nobody shares anything
    ("2001:db8:40::a", "2001:db8:41::b"),                                               # one neighbour is no custom
    ("2001:db8:40::a", "2001:db8:40::b", "2001:db8:41::c", "2001:db8:41::d"),           # two wires, or one with two prefixes
    ("2001:db8:40::a,fd00:1::a", "2001:db8:40::b,fd00:1::b", "2001:db8:40::c,fd00:2::c"),   # its other address is there
])
def test_ipv6_addresses_that_follow_no_custom_are_left_alone(make_plan, look, host, sixes):
    assert not [finding for finding in look(make_plan(hosts=_dual(host, *sixes))).lint.findings
                if finding.check == "plan.address" and finding.grade is not Grade.PASS]


def test_a_host_without_any_address_stops(make_plan, look, host):
    """Nothing to ask."""
    seen = look(make_plan(hosts=(host(addresses=(), addresses_typed=()),)))
    assert seen.lint.stops == (seen.the("plan.address", Grade.FAIL).ref,)


def test_one_readable_address_is_enough_to_go_on(make_plan, look, host):
    """The unreadable second one is a fail, and does not stop."""
    seen = look(make_plan(hosts=(host(addresses_typed=("192.0.2.13", "192.0.2.x")),)))
    assert seen.the("plan.address", Grade.FAIL).subject == "192.0.2.x"
    assert seen.lint.stops == ()


@pytest.mark.parametrize("address", ["10.1.2.3", "172.16.0.9", "192.168.7.7", "8.8.8.8", "fd00::7", "2a00::7"])
def test_ordinary_and_private_addresses_pass_in_a_live_plan(make_plan, look, host, network, address):
    """RFC 1918 and RFC 4193 are what sites are numbered from; public addresses are theirs who have them."""
    from shared.addresses import parse_address, show_subnet, subnet_of

    subnet = show_subnet(subnet_of(parse_address(address), 64 if ":" in address else 24))
    plan = make_plan(domain="obs.home.arpa", networks=(network(subnet, gateway=None),), hosts=(host(address=address),))
    assert look(plan).the("plan.address", Grade.PASS)


@pytest.mark.parametrize(("address", "says"), [
    ("100.64.0.7", "shared address space"), ("192.88.99.7", "6to4 relay"), ("192.31.196.7", "AS112"), ("2002::7", "6to4"),
    ("2001::7", "Teredo"), ("100::7", "discard"), ("fec0::7", "site-local")])
def test_addresses_with_another_use_are_cautions(make_plan, look, host, network, address, says):
    """Legal on the wire, and set aside for something else."""
    plan = make_plan(domain="obs.home.arpa", networks=(network("10.0.0.0/24", gateway=None, name="other"),),
                     hosts=(host(address=address),))
    assert says in look(plan).the("plan.address", Grade.CAUTION).message


def test_an_address_of_another_planned_network_says_so(make_plan, look, host, network):
    """Perhaps the row's network is the slip, not its address."""
    plan = make_plan(networks=(network(), network("198.51.100.0/24", name="data", gateway="198.51.100.1")),
                     hosts=(host(address="198.51.100.13"),))
    assert look(plan).the("plan.address", Grade.FAIL).fix == (
        'address = "192.0.2.13"', 'or, if the address is right: network = "data"')


def test_a_machine_in_two_networks_is_told_to_take_two_rows(make_plan, look, host, network):
    """The other network as the row's own would put its first address out of place, and lint would send its reader in a circle."""
    networks = (network(), network("198.51.100.0/24", name="data", gateway="198.51.100.1"))
    rows = (host(addresses_typed=("192.0.2.13", "198.51.100.13")),)
    finding = look(make_plan(networks=networks, hosts=rows)).the("plan.address", Grade.FAIL)
    assert finding.subject == "198.51.100.13"
    assert finding.fix[-2:] == (
        "or, where it is of a second interface: take it out here, and give it a row of its own:",
        'name = "ANOTHER-NAME", address = "198.51.100.13", network = "data", and a role')


def test_a_second_family_is_not_judged_by_the_first_one_s_subnet(make_plan, look, host):
    """Where a network has one subnet, the host's IPv6 address beside it is none of its business, and the handbook says so."""
    assert look(make_plan(hosts=(host(addresses_typed=("192.0.2.13", "2001:db8::13")),))).wrong == []
    words = "by its IPv4 subnet alone, an IPv6 address is compared with the /64 that other hosts there share"
    assert words in catalogue.find("plan.address").not_proves


def test_no_ipv6_where_it_is_off(make_plan, look, host, network):
    """A planned IPv6 address contradicts its network."""
    row = host(addresses_typed=("192.0.2.13", "2001:db8::13"))
    finding = look(make_plan(networks=(network(ipv6="off"),), hosts=(row,))).the("plan.address", Grade.FAIL)
    assert "has IPv6 off" in finding.message
    assert finding.subject == "2001:db8::13"


def test_where_the_network_is_full_nothing_is_invented(make_plan, look, host, network):
    """A /30 of two hosts has no third address to offer."""
    rows = (host("dome-a", "192.0.2.2"), host("dome-b", "192.0.2.3"))
    seen = look(make_plan(networks=(network("192.0.2.0/30", gateway="192.0.2.1"),), hosts=rows))
    assert seen.the("plan.address", Grade.FAIL).fix == ("address = a free host address of the network",)


def test_two_rows_are_not_offered_the_same_address(make_plan, look, host):
    """Mending both as told leaves no new duplicate."""
    rows = (host("dome-c", "192.0.2.255"), host("dome-d", "192.0.2.0"))
    fixes = [finding.fix for finding in look(make_plan(hosts=rows)).of("plan.address", Grade.FAIL)]
    assert fixes == [('address = "192.0.2.2"',), ('address = "192.0.2.3"',)]


@pytest.mark.parametrize(("mac", "grade", "says"), [
    ("02:00:00:00:00:07", Grade.PASS, "assigned on site"),
    ("00-00-5E-00-53-07", Grade.PASS, "may be one interface's own"),
    ("01:00:5e:00:00:07", Grade.FAIL, "group bit"),
    ("ff:ff:ff:ff:ff:ff", Grade.FAIL, "every machine's or none's"),
    ("00:00:00:00:00:00", Grade.FAIL, "every machine's or none's"),
    ("00:00:5e:00:01:07", Grade.FAIL, "a pair of routers"),
    ("02:00:00:00:00", Grade.FAIL, "not a MAC address"),
])
def test_hardware_addresses(make_plan, look, host, mac, grade, says):
    """Readable, and one interface's own (RFC 9542 section 2.1)."""
    assert says in look(make_plan(hosts=(host(mac=mac),))).the("plan.mac", grade).message


def test_a_documentation_mac_is_a_caution_in_a_live_plan(make_plan, look, host):
    """It was copied from a handbook."""
    plan = make_plan(domain="obs.home.arpa", hosts=(host(mac="00:00:5e:00:53:07"),))
    assert look(plan).the("plan.mac", Grade.CAUTION)


@pytest.mark.parametrize(("first", "second", "value", "stops"), [
    ({"address": "192.0.2.13"}, {"address": "192.0.2.13"}, "192.0.2.13", False),
    ({"name": "dome-c"}, {"name": "DOME-C"}, "dome-c.obs.example.net", True),
    ({"mac": "02:00:00:00:00:07"}, {"mac": "0200.0000.0007"}, "02:00:00:00:00:07", False),
    ({"address": "2001:db8::a"}, {"address": "2001:DB8:0:0::A"}, "2001:db8::a", False),
])
def test_what_two_rows_claim_fails_in_both(make_plan, look, host, first, second, value, stops):
    """Whatever the spelling; each row names the other and its place.  Two rows of one name cannot be told apart."""
    one = host(**({"name": "dome-c", "address": "192.0.2.13"} | first))
    other = host(**({"name": "dome-d", "address": "192.0.2.14", "place": Place("tidewater.toml", 46)} | second))
    seen = look(make_plan(hosts=(one, other)))
    findings = seen.of("plan.duplicate", Grade.FAIL)
    assert [value in finding.message for finding in findings] == [True, True]
    assert "tidewater.toml:46" in findings[0].message
    assert "tidewater.toml:40" in findings[1].message
    assert findings[0].fix == ("keep it here and change it at tidewater.toml:46",)
    assert bool(seen.lint.stops) is stops


def test_duplicates_are_found_across_networks(make_plan, look, host, network):
    """The same address in two networks is still one address."""
    plan = make_plan(networks=(network(), network("198.51.100.0/24", name="data", gateway=None)),
                     hosts=(host("dome-c", "192.0.2.13"), host("dome-d", "192.0.2.13", network="data")))
    assert len(look(plan).of("plan.duplicate", Grade.FAIL)) == 2


def test_the_later_row_is_offered_a_free_address(make_plan, look, host):
    """Three rows claim one address: the first keeps it, the others get one each."""
    rows = tuple(host(f"dome-{letter}", "192.0.2.13") for letter in "cde")
    fixes = [finding.fix[0] for finding in look(make_plan(hosts=rows)).of("plan.duplicate", Grade.FAIL)]
    assert fixes[1:] == ['address = "192.0.2.2"', 'address = "192.0.2.3"']


@pytest.mark.parametrize("first", [(), ("192.0.2.13",)])
def test_a_duplicate_is_not_mended_by_the_other_family(make_plan, look, host, first):
    """The network of a host's IPv6 address may be planned by its IPv4 subnet only; that has no address to take its place."""
    rows = (host(addresses_typed=("2001:db8::13",)), host("dome-d", addresses_typed=(*first, "2001:db8::13")))
    _, second = look(make_plan(hosts=rows)).of("plan.duplicate", Grade.FAIL)
    assert second.fix == ("address = an IPv6 address that no other row has",)


def test_the_next_offer_is_found_without_beginning_again(make_plan, look, host, network, monkeypatch):
    """One address pasted down a sheet of any length: each free address is looked at once, and each row gets one of its own."""
    looked: list[object] = []
    in_pool = survey.Survey.in_pool
    monkeypatch.setattr(survey.Survey, "in_pool", lambda *asked: (looked.append(asked), in_pool(*asked))[1])
    rows = tuple(host(f"dome-{number}", "10.0.0.9") for number in range(400))
    plan = make_plan(domain="obs.home.arpa", networks=(network("10.0.0.0/16", gateway=None),), hosts=rows)
    fixes = [finding.fix[0] for finding in look(plan).of("plan.duplicate", Grade.FAIL)]
    assert fixes[1:9] == [f'address = "10.0.0.{number}"' for number in range(1, 9)]
    assert fixes[-1] == 'address = "10.0.1.144"'
    assert len(set(fixes)) == len(rows)
    assert len(looked) < 4 * len(rows)


@pytest.mark.parametrize(("count", "ending"), [
    (6, "dome-1 (sheet:1), dome-2 (sheet:2), dome-3 (sheet:3), dome-4 (sheet:4), dome-5 (sheet:5)"),
    (7, "dome-1 (sheet:1), dome-2 (sheet:2), dome-3 (sheet:3), dome-4 (sheet:4), dome-5 (sheet:5) and 1 more"),
])
def test_five_rivals_are_named_and_the_rest_counted(make_plan, look, host, count, ending):
    """Of the first row and of the last: never the row itself, whichever it is."""
    rows = tuple(host(f"dome-{number}", f"192.0.2.{number + 11}", mac="02:00:00:00:00:07", place=Place("sheet", number))
                 for number in range(count))
    first, *_, last = look(make_plan(hosts=rows)).of("plan.duplicate", Grade.FAIL)
    assert first.message.endswith(f"is also claimed by {ending}")
    assert "is also claimed by dome-0 (sheet), dome-1 (sheet:1), dome-2 (sheet:2)" in last.message
    assert (f"dome-{count - 1} (" in last.message, last.found) == (False, f"claimed by {count} rows")


def test_a_row_that_lists_a_rivals_address_twice_is_one_row(make_plan, look, host):
    """It is one rival, and is named once."""
    rows = (host(addresses_typed=("192.0.2.13", "192.0.2.13")), host("dome-d", "192.0.2.13"))
    first, second = look(make_plan(hosts=rows)).of("plan.duplicate", Grade.FAIL)
    assert (first.found, second.found) == ("claimed by 2 rows", "claimed by 2 rows")
    assert second.message.endswith("is also claimed by dome-c (tidewater.toml:40)")


def test_an_address_twice_in_one_row_is_a_caution(make_plan, look, host):
    """Harmless, and surely not meant."""
    seen = look(make_plan(hosts=(host(addresses_typed=("192.0.2.13", "192.0.2.13")),)))
    assert seen.the("plan.duplicate", Grade.CAUTION)
    assert seen.of("plan.duplicate", Grade.FAIL) == []


def test_a_short_name_in_two_domains_is_no_duplicate(make_plan, look, host):
    """Only the full name is a name."""
    plan = make_plan(hosts=(host("dome-c"), host("dome-c.lab.example.net", "192.0.2.14")))
    assert look(plan).of("plan.duplicate", Grade.FAIL) == []


@pytest.mark.parametrize(("fields", "says", "fix"), [
    ({"network": "mgnt"}, 'did you mean "mgmt", one letter away (n for m)', 'network = "mgmt"'),
    ({"role": "nodes"}, 'did you mean "node", one letter away (s too many)', 'role = "node"'),
    ({"network": "storage"}, "it has: mgmt", "[networks.storage]"),
    ({"role": ""}, "it has: node", "[roles.NAME]"),
])
def test_a_reference_to_nothing_stops(make_plan, look, host, fields, says, fix):
    """Without the network or the role nobody knows what to ask; the nearest name is offered."""
    seen = look(make_plan(hosts=(host(**fields),)))
    finding = seen.the("plan.reference", Grade.FAIL)
    assert says in finding.message
    assert finding.fix[0] == fix
    assert seen.lint.stops == (finding.ref,)


def test_a_host_of_an_unknown_network_is_unproven_because_of_it(make_plan, look, host):
    """Its address may be a host's; where it belongs is not known."""
    seen = look(make_plan(hosts=(host(network="mgnt", mask="24"),)))
    assert [finding.because for finding in seen.findings if finding.grade is Grade.UNPROVEN] == [
        (seen.the("plan.reference", Grade.FAIL).ref,)] * 2


def test_a_plan_without_hosts_stops(make_plan, look):
    """There is nothing to verify, and nothing proven is not ready."""
    seen = look(make_plan(hosts=()))
    assert seen.lint.stops == (seen.the("plan.reference", Grade.FAIL).ref,)


@pytest.mark.parametrize(("fields", "grade", "says"), [
    ({"closed": (Port(22), Port(23))}, Grade.FAIL, "22/tcp open and closed"),
    ({"open": (Port(0), Port(22), Port(443))}, Grade.FAIL, "0/tcp"),
    ({"open": (Port(65535), Port(22), Port(443))}, Grade.PASS, "nothing that excludes itself"),
    ({"open": (Port(65536), Port(22), Port(443))}, Grade.FAIL, "65536/tcp"),
    ({"open": (Port(22),)}, Grade.CAUTION, "443/tcp and does not plan it open"),
    ({"tls": (Port(22), Port(443)), "ssh": ()}, Grade.PASS, "nothing that excludes itself"),
    ({"tls": (Port(22), Port(443))}, Grade.CAUTION, "SSH and TLS on 22/tcp, and one server speaks only one of them"),
    ({"http": (Port(22),)}, Grade.CAUTION, "SSH and HTTP on 22/tcp"),
    ({"http": (Port(443),)}, Grade.PASS, "nothing that excludes itself"),        # HTTP over TLS
])
def test_roles_do_not_contradict_themselves(make_plan, look, fields, grade, says):
    """Open and closed at once, numbers that are no port's, TLS where nothing need be open."""
    role = msgspec.structs.replace(make_plan().roles[0], **fields)
    assert says in look(make_plan(roles=(role,))).the("plan.role", grade).message


def test_a_port_of_two_protocols_is_mended_in_either_list(make_plan, look):
    """Lint cannot know which of the two is right."""
    role = msgspec.structs.replace(make_plan().roles[0], tls=(Port(22), Port(443)), ssh=(Port(22),))
    assert look(make_plan(roles=(role,))).the("plan.role", Grade.CAUTION).fix == (
        'tls = ["443/tcp"]', "or, if TLS is right there: ssh = []")
