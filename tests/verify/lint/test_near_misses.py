"""What was typed one slip away from what was meant is said so, wherever it can be typed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from shared.findings import Finding, Grade
from shared.plan import Endpoint, Plan
from shared.slips import likely_slip

MakePlan = Callable[..., Plan]
#: Fields of a host row or of the network, in the plan or in a spreadsheet: both give the same structs.
Fields = dict[str, Any]


@pytest.mark.parametrize(("fields", "check", "ending"), [
    ({"mask": "255.255.235.0"}, "plan.mask", "255.255.255.0, which the network has, is one digit away (3 for 5)"),
    ({"mask": "255.255.2555.0"}, "plan.mask", "255.255.255.0, which the network has, is one digit away (5 doubled)"),
    ({"mask": "255.255.0"}, "plan.mask", "255.255.255.0, which the network has, is one octet away (255 dropped)"),
    ({"mask": "mgmt"}, "plan.mask", "without leading zeros; the network has 255.255.255.0"),
    ({"mask": "255.255.254.0"}, "plan.mask", "; 255.255.255.0 is one digit away (4 for 5)"),
    ({"gateway": "192.0.2.11"}, "plan.gateway", "; 192.0.2.1 is one digit away (1 doubled)"),
    ({"gateway": "192.0.2.l"}, "plan.gateway", "; 192.0.2.1 is one digit away (l for 1)"),
    ({"addresses_typed": ("192.0.3.13",), "addresses": ("192.0.3.13",)}, "plan.address",
     "; 192.0.2.13 is one digit away (3 for 2)"),
    ({"addresses_typed": ("192.0.2.2O",), "addresses": ()}, "plan.address",
     "; 192.0.2.20, which is free, is one digit away (O for 0)"),
    ({"addresses_typed": ("192.0.2,20",), "addresses": ()}, "plan.address",
     "; 192.0.2.20, which is free, is one character away (, for .)"),
    ({"network": "mgnt"}, "plan.reference", '; did you mean "mgmt", one letter away (n for m)?'),
    ({"role": "noed"}, "plan.reference", '; did you mean "node", one swap away (ed for de)?'),
])
def test_a_slip_in_a_host_row_is_named(
    make_plan: MakePlan, host: Any, look: Any, fields: Fields, check: str, ending: str,
) -> None:
    """A digit doubled, an O for a 0, an l for a 1: the message ends in what was meant."""
    plan = make_plan(hosts=(*make_plan().hosts, host(**fields)))
    fails = look(plan).of(check, Grade.FAIL)
    assert [fail.message.endswith(ending) for fail in fails] == [True], [fail.message for fail in fails]


@pytest.mark.parametrize(("fields", "check", "ending"), [
    ({"subnet_typed": "192.0.2.0 255.255.235.0", "subnet": None}, "plan.mask", "; 255.255.255.0 is one digit away (3 for 5)"),
    ({"subnet_typed": "192.0.2.0 255.255.0", "subnet": None}, "plan.mask", "; 255.255.255.0 is one octet away (255 dropped)"),
    ({"subnet_typed": "192.0.2.0/244", "subnet": None}, "plan.mask", "; /24 is one digit away (4 doubled)"),
    ({"gateway": "192.0.3.1"}, "plan.gateway", "; 192.0.2.1 is one digit away (3 for 2)"),
    ({"gateway": "192.0.2.256"}, "plan.gateway", "; 192.0.2.25 is one digit away (6 too many)"),
    ({"gateway": "192.02.1"}, "plan.gateway", "; 192.0.2.1 is one character away (. left out)"),
])
def test_a_slip_in_a_network_is_named(make_plan: MakePlan, look: Any, fields: Fields, check: str, ending: str) -> None:
    """The mask, the prefix length and the gateway of the network itself."""
    plan = make_plan(networks=(msgspec.structs.replace(make_plan().networks[0], **fields),))
    (fail,) = [fail for fail in look(plan).of(check, Grade.FAIL) if fail.ref.startswith("site|")]
    assert fail.message.endswith(ending), fail.message


@pytest.mark.parametrize(("typed", "ending"), [
    ("192.0.2.533", "; 192.0.2.53 is one digit away (3 doubled)"),
    ("192.0.2.5.4", "; 192.0.2.54 is one character away (. too many)"),
    ("192.0..53", "; 192.0.2.53 is one digit away (2 left out)"),
    ("10.0.0.300", 'the last label "300" is all digits, which reads as part of an address'),
])
def test_a_slip_in_a_servers_address_is_named(make_plan: MakePlan, look: Any, typed: str, ending: str) -> None:
    """Planned addresses first, then those of the planned subnets, the ones that begin alike before the others."""
    servers = (Endpoint(typed, 53, typed), Endpoint("192.0.2.54", 53, "192.0.2.54"))
    fail: Finding = look(make_plan(name_servers=servers)).the("plan.name-servers", Grade.FAIL)
    assert fail.message.endswith(ending), fail.message


@pytest.mark.parametrize("kind", ["name_servers", "time_sources"])
@pytest.mark.parametrize(("typed", "address"), [("192.0.2.53/24", "192.0.2.53"), ("2001:db8::53/64", "2001:db8::53")])
def test_a_server_typed_with_its_mask_is_mended_by_its_address(
    make_plan: MakePlan, look: Any, kind: str, typed: str, address: str,
) -> None:
    """And not by a name that could be made of it."""
    fail: Finding = look(make_plan(**{kind: (Endpoint(typed, 53, typed),)})).the(f"plan.{kind.replace('_', '-')}", Grade.FAIL)
    assert fail.message.endswith(f"cannot be asked: a mask or prefix length does not belong behind {address} here")
    assert fail.fix == (f"write {address} in the place of {typed}",)


@pytest.mark.parametrize(("name", "grade", "ending"), [
    ("time2.obs.exmaple.net", Grade.CAUTION, "from which its own is one swap away (ma for am)"),
    ("time2.obs.example.ne", Grade.CAUTION, "from which its own is one letter away (t left out)"),
    ("time2.obs.example.net", Grade.PASS, "to be asked of the planned name servers"),
    ("time2.example.org", Grade.PASS, "to be asked of the planned name servers"),
])
def test_a_time_source_just_outside_the_domain_is_a_likely_slip(
    make_plan: MakePlan, look: Any, name: str, grade: Grade, ending: str,
) -> None:
    """Another domain is nobody's mistake; one that differs by a letter or two most likely is."""
    sources = (Endpoint(name, 123, name), *make_plan().time_sources[1:])
    found = look(make_plan(time_sources=sources)).of("plan.time-sources", grade)
    assert [one.message.endswith(ending) for one in found if one.subject == name] == [True], [one.message for one in found]


def test_a_host_name_just_outside_the_domain_is_a_likely_slip(make_plan: MakePlan, host: Any, look: Any) -> None:
    """The suffix typed with a letter missing."""
    plan = make_plan(hosts=(*make_plan().hosts, host("dome-c.obs.exmple.net")))
    assert look(plan).the("plan.suffix", Grade.CAUTION).message.endswith(
        "lies outside the plan's domain obs.example.net, from which its own is one letter away (a left out)")


def test_a_rows_mask_is_judged_even_where_its_network_has_none(make_plan: MakePlan, host: Any, look: Any) -> None:
    """What is no mask at all is one without comparing; a sound mask there is compared with nothing."""
    network = msgspec.structs.replace(make_plan().networks[0], subnet_typed="?", subnet=None)
    rows = (host(mask="255.255.235.0"), host("dome-d", "192.0.2.14", mask="255.255.255.0"))
    findings = {found.ref.partition(".")[0]: found for found in look(make_plan(networks=(network,), hosts=rows)).of("plan.mask")}
    assert findings["dome-c"].grade is Grade.FAIL
    assert findings["dome-c"].message.endswith("; 255.255.255.0 is one digit away (3 for 5)")
    assert findings["dome-d"].grade is Grade.UNPROVEN


@pytest.mark.parametrize(("wrong", "meant", "said"), [
    ("192.0.3.1", "192.0.2.1", "; 192.0.2.1 is one digit away (3 for 2)"),
    ("192.0.2.1", "192.0.2.1", ""),
    ("10.9.8.7", "192.0.2.1", ""),
    ("192.0.3.1", None, ""),
])
def test_only_a_likely_slip_is_said(wrong: str, meant: str | None, said: str) -> None:
    """Nothing is guessed beyond two slips of a finger."""
    assert likely_slip(wrong, meant) == said
