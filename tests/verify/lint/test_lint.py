"""Lint as a whole: a sound plan is clean, every finding has its form, and no plan makes it fall over."""

from __future__ import annotations

import re

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared import catalogue
from shared.addresses import AddressError, parse_address, parse_subnet
from shared.findings import Grade
from shared.hostnames import name_fault
from shared.plan import Endpoint, Host, LeftOut, Network, Place, Plan, Port, Role, Waiver

#: The names that the plan family must have.
_PROMISED = ("plan.mask", "plan.gateway", "plan.address", "plan.duplicate", "plan.host-name", "plan.suffix", "plan.name-servers",
             "plan.time-sources")


def test_a_sound_plan_has_nothing_wrong(make_plan, look):
    """No fail, no caution, nothing unproven, nothing that stops; and every promised check was really made."""
    seen = look(make_plan())
    assert seen.wrong == []
    assert seen.lint.stops == ()
    assert {finding.check for finding in seen.findings} >= set(_PROMISED)


def test_every_host_and_network_has_its_passes(make_plan, look):
    """A pass is written where a check was made, so that coverage can be counted."""
    seen = look(make_plan())
    for name in ("dome-a", "dome-b"):
        checks = {found.check for found in seen.findings if found.ref.startswith(f"{name}.obs.example.net|")}
        assert checks == {"plan.reference", "plan.gateway", "plan.address", "plan.duplicate", "plan.host-name", "plan.suffix"}
    assert {found.check for found in seen.findings if found.subject == "mgmt"} == {
        "plan.mask", "plan.network", "plan.gateway", "plan.mtu"}


def test_every_finding_has_the_catalogue_s_basis_and_the_plan_as_its_vantage(make_plan, look):
    """Nothing was sent, and it says so."""
    for finding in look(make_plan()).findings:
        assert finding.vantage == "the plan"
        assert finding.basis == catalogue.find(finding.check).basis


def test_a_message_begins_with_the_place(make_plan, look, host):
    """File and line of what is wrong, so that an editor can jump there."""
    seen = look(make_plan(hosts=(host(address="192.0.2.255"),)))
    assert seen.the("plan.address", Grade.FAIL).message.startswith("tidewater.toml:40: ")


def test_a_plan_without_places_names_its_file(make_plan, look, host):
    """A plan built by a program has no lines, and its messages still begin with what is known."""
    seen = look(make_plan(hosts=(host(place=Place()),)))
    assert all(found.message.startswith("tidewater.toml") for found in seen.findings)


def test_three_faults_are_three_findings(make_plan, look, host, network):
    """One mistake does not hide the next."""
    plan = make_plan(networks=(network(gateway="192.0.3.1"),), hosts=(host(name="dome_c"), host(address="192.0.2.255")),
                     time_sources=())
    assert {("plan.gateway", Grade.FAIL), ("plan.host-name", Grade.FAIL), ("plan.address", Grade.FAIL),
            ("plan.time-sources", Grade.FAIL)} <= set(look(plan).wrong)


@pytest.mark.parametrize("domain", ["obs.example.net", "site.test", "example", "OBS.EXAMPLE.ORG.", "lab.localhost", "a.invalid"])
def test_in_a_rehearsal_documentation_benchmarking_and_loopback_pass(make_plan, look, host, network, domain):
    """Under a reserved domain the site cannot be live; the message says why such an address passes."""
    for subnet, address, gateway in (
            ("127.0.0.0/8", "127.0.0.11", "127.0.0.1"), ("198.18.0.0/15", "198.18.0.11", "198.18.0.1"),
            ("2001:db8::/64", "2001:db8::11", "2001:db8::1"), ("192.0.2.0/24", "192.0.2.11", "192.0.2.1")):
        plan = make_plan(domain=domain, networks=(network(subnet, gateway=gateway),),
                         hosts=(host(name="dome-a." + domain.rstrip(".").lower(), address=address),))
        seen = look(plan)
        assert seen.wrong == [], seen.wrong
        assert "as one expects under the reserved domain" in seen.the("plan.address", Grade.PASS).message


@pytest.mark.parametrize(("subnet", "address", "gateway", "grade"), [
    ("192.0.2.0/24", "192.0.2.11", "192.0.2.1", Grade.CAUTION),
    ("198.18.0.0/15", "198.18.0.11", "198.18.0.1", Grade.CAUTION),
    ("2001:db8::/64", "2001:db8::11", "2001:db8::1", Grade.CAUTION),
    ("3fff::/64", "3fff::11", "3fff::1", Grade.CAUTION),
    ("127.0.0.0/8", "127.0.0.11", "127.0.0.1", Grade.FAIL),
])
def test_in_a_live_plan_they_do_not(make_plan, look, host, network, subnet, address, gateway, grade):
    """Documentation and benchmarking are cautions, loopback a fail, for the host and for its gateway."""
    plan = make_plan(domain="obs.home.arpa", networks=(network(subnet, gateway=gateway),),
                     hosts=(host(name="dome-a.obs.home.arpa", address=address),))
    assert look(plan).the("plan.address", grade)
    assert look(plan).the("plan.gateway", grade)


def test_refs_stay_unique_where_rows_claim_the_same(make_plan, look, host):
    """Even the same row three times gives every finding a name of its own."""
    findings = look(make_plan(hosts=(host(), host(), host()))).findings
    assert len({finding.ref for finding in findings}) == len(findings)


# What follows holds for any plan.  Texts are drawn from what people type wrongly, from grammar and from noise.

_TYPED = st.one_of(
    st.text(max_size=12),
    st.from_regex(r"[0-9]{1,3}\.[0-9]{1,3}\.[0-9]{1,3}\.[0-9]{1,3}", fullmatch=True),
    st.sampled_from([
        "192.0.2.0/24", "192.0.2.0 255.255.235.0", "192.0.2.0 0.0.0.255", "2001:db8::/64", "0.0.0.0/0", "192.0.2.1", "::",
        "192.0.2.255", "192.0.2.011", "fe80::1", "dome-a", "dome_b", "255.255.255.0", "/24", "192.0.2.8/29",
        "192.0.2.10-192.0.2.14", "192.0.2.14-192.0.2.10", "0x1f", "localhost", "plan.*", "2026-12-01"]),
    st.ip_addresses().map(str),
)
_NAMES = st.one_of(st.sampled_from(["mgmt", "data"]), _TYPED)
_PLACES = st.builds(Place, st.sampled_from(["", "tidewater.toml"]), st.integers(0, 50))
_SMALL = st.one_of(st.none(), st.integers(-1, 70000))
_PORTS = st.lists(st.builds(Port, st.integers(-1, 70000)), max_size=3).map(tuple)
_TEXTS = st.lists(_TYPED, max_size=3).map(tuple)
_PLANS = st.builds(
    Plan, file=_TYPED, sha256=st.just(""), title=_TYPED, domain=st.one_of(st.just("obs.example.net"), _TYPED), profile=_TYPED,
    name_servers=st.lists(st.builds(Endpoint, _TYPED, st.integers(0, 65535), _TYPED), max_size=5).map(tuple),
    time_sources=st.lists(st.builds(Endpoint, _TYPED, st.integers(0, 65535), _TYPED), max_size=5).map(tuple),
    anchors=st.just(()), anchors_pem=st.just(()),
    networks=st.lists(st.builds(
        Network, name=_NAMES, subnet_typed=_TYPED, subnet=st.one_of(st.none(), _TYPED), gateway=st.one_of(st.none(), _TYPED),
        vlan=_SMALL, mtu=st.integers(-1, 70000), pool=st.just(()), pool_typed=_TEXTS, ipv6=st.sampled_from(["on", "off"]),
        place=_PLACES), max_size=3).map(tuple),
    roles=st.lists(st.builds(Role, name=_NAMES, open=_PORTS, closed=_PORTS, tls=_PORTS, ssh=_PORTS, place=_PLACES),
                   max_size=2).map(tuple),
    hosts=st.lists(st.builds(
        Host, name=_TYPED, fqdn=_TYPED, addresses=_TEXTS, addresses_typed=_TEXTS, network=_NAMES, role=_NAMES,
        mask=st.one_of(st.none(), _TYPED), gateway=st.one_of(st.none(), _TYPED), vlan=_SMALL, mac=st.one_of(st.none(), _TYPED),
        place=_PLACES), max_size=4).map(tuple),
    waivers=st.lists(st.builds(Waiver, check=_TYPED, host=_TYPED, reason=_TYPED, until=_TYPED, place=_PLACES),
                     max_size=2).map(tuple),
    left_out=st.lists(st.builds(LeftOut, check=_TYPED, reason=_TYPED, place=_PLACES), max_size=2).map(tuple),
    domain_place=_PLACES, names_place=_PLACES, time_place=_PLACES)


@given(plan=_PLANS)
def test_lint_is_total(look, plan):
    """For any plan at all: no exception, unique refs, a fix for every fail and caution, a cause for everything unproven."""
    seen = look(plan)
    refs = [finding.ref for finding in seen.findings]
    assert len(set(refs)) == len(refs)
    assert set(seen.lint.stops) <= {found.ref for found in seen.findings if found.grade is Grade.FAIL}
    for finding in seen.findings:
        assert finding.check in catalogue.CHECKS
        assert finding.planned
        assert finding.message
        if finding.grade in (Grade.FAIL, Grade.CAUTION):
            assert finding.fix
            assert all(finding.fix)
        if finding.grade is Grade.UNPROVEN:
            assert set(finding.because) <= set(refs)
            assert finding.because


@given(plan=_PLANS)
def test_lint_is_pure(look, plan):
    """The same plan on the same day gives the same findings in the same order."""
    assert look(plan).lint == look(plan).lint


@given(plan=_PLANS)
def test_mends_can_be_typed(look, plan):
    """A suggested subnet can be read, a suggested name is legal, a suggested address is an address."""
    for finding in look(plan).findings:
        for line in finding.fix:
            for key, value in re.findall(r'(subnet|name|address|gateway) = "([^"]*)"', line):
                if key == "subnet":
                    parse_subnet(value)
                elif key != "name":
                    parse_address(value)
                elif finding.check in ("plan.host-name", "plan.suffix"):
                    assert name_fault(value) is None


_IN_28 = st.integers(0, 17).map(lambda last: f"192.0.2.{last}")


@given(addresses=st.lists(st.one_of(_IN_28, _TYPED), min_size=1, max_size=12), pool=st.lists(st.integers(1, 14), max_size=2),
       gateway=_IN_28)
def test_offered_addresses_are_free_and_inside(make_plan, look, host, network, addresses, pool, gateway):
    """In a subnet of fourteen hosts with all kinds of mistakes.

    What is offered lies inside, outside the pool, is planned nowhere, and is offered to one row only; and where nothing is
    offered, nothing is left.
    """
    ranges = tuple(f"192.0.2.{first}-192.0.2.14" for first in pool)
    hosts = tuple(host(name=f"dome-{index}", address=typed) for index, typed in enumerate(addresses))
    seen = look(make_plan(networks=(network("192.0.2.0/28", gateway=gateway, pool_typed=ranges),), hosts=hosts))
    free = {f"192.0.2.{last}" for last in range(1, min([*pool, 15]))} - {*addresses, gateway}
    offered: dict[str, set[str]] = {}
    for finding in seen.findings:
        owner = finding.ref.partition("|")[0]
        for value in re.findall(r'^(?:address|gateway) = "([^"]*)"', "\n".join(finding.fix)):
            assert value in free
            offered.setdefault(value, set()).add(owner)
        if finding.fix == ("address = a free host address of the network",):
            assert free <= set(offered)
    assert all(len(owners) == 1 for owners in offered.values())


@given(mask=_TYPED)
def test_the_mend_of_a_mask_is_a_subnet(make_plan, look, network, mask):
    """Whatever stands in the place of the mask, what is offered can be read and holds what is planned there."""
    plan = make_plan(networks=(network(f"192.0.2.0 {mask}"),))
    try:
        parse_subnet(f"192.0.2.0 {mask}")
    except AddressError:
        fix = look(plan).the("plan.mask", Grade.FAIL).fix
        assert fix
        for typed in re.findall(r'subnet = "([^"]*)"', "\n".join(fix)):
            assert parse_subnet(typed).version == 4
    else:
        assert look(plan).of("plan.mask")


def test_the_whole_family_is_described():
    """Every check that lint writes is in the catalogue, and the promised names exist."""
    assert set(_PROMISED) <= set(catalogue.matching("plan.*"))
    for name in catalogue.matching("plan.*"):
        entry = catalogue.find(name)
        assert all((entry.title, entry.proves, entry.not_proves, entry.basis, entry.causes, entry.mends, entry.would_prove)), name


def test_a_thousand_hosts_are_linted_in_a_breath(make_plan, look, host, network):
    """Not a timing: the findings of a thousand sound rows are all passes, and each row has its own."""
    hosts = tuple(host(name=f"dome-{number}", address=f"10.0.{number // 250}.{number % 250 + 2}") for number in range(1000))
    seen = look(make_plan(networks=(network("10.0.0.0/16", gateway="10.0.0.1"),), hosts=hosts))
    assert seen.wrong == []
    assert len(seen.of("plan.address", Grade.PASS)) == 1000


def test_structs_are_not_changed(make_plan, look):
    """Lint reads the plan and leaves it as it was."""
    plan = make_plan()
    before = msgspec.json.encode(msgspec.structs.replace(plan, anchors_pem=()))
    look(plan)
    assert msgspec.json.encode(msgspec.structs.replace(plan, anchors_pem=())) == before


def test_a_host_of_a_spreadsheet_is_mended_in_its_cells(make_plan, look, host):
    """Nobody types `role = "node"` into a spreadsheet; what is to be typed into the plan stays as it is."""
    row = host("dome_c", "198.51.100.7", role="noed", mask="255.255.255.240", place=Place("hosts.csv", 7))
    plan = make_plan(hosts=(*make_plan().hosts, row))
    mends = [line for found in look(plan).findings if found.grade is Grade.FAIL for line in found.fix]
    assert 'column "role", row 7: node' in mends
    assert 'column "name", row 7: dome-c' in mends
    assert any(re.fullmatch(r'column "address", row 7: 192[.]0[.]2[.][0-9]+', line) for line in mends), mends
    assert 'column "mask", row 7: 255.255.255.0' in mends
    assert not any(" = " in line for line in mends)
    typed = msgspec.structs.replace(row, place=Place(plan.file, 40))
    mends = [line for found in look(make_plan(hosts=(*make_plan().hosts, typed))).findings
             if found.grade is Grade.FAIL for line in found.fix]
    assert 'role = "node"' in mends
