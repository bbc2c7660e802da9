"""A starter plan reads back as what was answered."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.plan import Plan
from verify.planfile import read_plan
from verify.planfile.starter import ROLE_PRESETS, Answers, quoted, starter_plan


def plan_of(folder: Path, answers: Answers) -> Plan:
    path = folder / "site.toml"
    path.write_text(starter_plan(answers), encoding="utf-8")
    return read_plan(path)


def test_every_answer_arrives_in_the_plan(tmp_path: Path) -> None:
    """Nothing is changed on the way."""
    plan = plan_of(tmp_path, Answers(
        title='The "new" site \\ 2', domain="obs.example.net", subnet="198.51.100.0/24", gateway="198.51.100.254",
        name_servers=("198.51.100.53", "[2001:db8::53]:5353"), time_sources=("198.51.100.61", "time2.obs.example.net:1123"),
        hosts=(("quay-a", "198.51.100.11"), ("quay-b", "198.51.100.12")), network="back bone", vlan=30, role="clock",
        profile="lab"))
    assert (plan.title, plan.domain, plan.profile) == ('The "new" site \\ 2', "obs.example.net", "lab")
    assert [server.label for server in plan.name_servers] == ["198.51.100.53", "[2001:db8::53]:5353"]
    assert [source.label for source in plan.time_sources] == ["198.51.100.61", "time2.obs.example.net:1123"]
    (network,) = plan.networks
    assert (network.name, network.subnet, network.gateway, network.vlan) == (
        "back bone", "198.51.100.0/24", "198.51.100.254", 30)
    assert [(host.name, host.addresses, host.network, host.role) for host in plan.hosts] == [
        ("quay-a", ("198.51.100.11",), "back bone", "clock"), ("quay-b", ("198.51.100.12",), "back bone", "clock")]
    assert plan.roles[0].ntp_port == 123


@pytest.mark.parametrize("role", ROLE_PRESETS)
def test_no_answer_at_all_gives_a_plan_for_a_rehearsal(tmp_path: Path, role: str) -> None:
    """Two name servers, four time sources, two hosts, no address twice, and a reserved domain."""
    plan = plan_of(tmp_path, Answers(role=role))
    used = [plan.networks[0].gateway, *(server.host for server in (*plan.name_servers, *plan.time_sources)),
            *(host.addresses[0] for host in plan.hosts)]
    assert (len(plan.name_servers), len(plan.time_sources), len(plan.hosts)) == (2, 4, 2)
    assert len(set(used)) == len(used) == 9
    assert plan.rehearsal
    assert plan.roles[0].open
    assert not set(plan.roles[0].open) & set(plan.roles[0].closed)


def test_what_is_computed_stays_clear_of_what_was_answered(tmp_path: Path) -> None:
    """The first free address of the subnet is the gateway, and the hosts take what is left."""
    plan = plan_of(tmp_path, Answers(subnet="192.0.2.0/29", name_servers=("192.0.2.1",), time_sources=("192.0.2.2",)))
    assert plan.networks[0].gateway == "192.0.2.3"
    assert [host.addresses for host in plan.hosts] == [("192.0.2.4",), ("192.0.2.5",)]


def test_a_wire_of_both_families_is_planned_with_both(tmp_path: Path) -> None:
    """What is not answered is computed for each."""
    plan = plan_of(tmp_path, Answers(subnet="192.0.2.0/24, 2001:db8:2::/64", name_servers=("192.0.2.1",)))
    assert (plan.networks[0].subnets, plan.networks[0].gateways) == (
        ("192.0.2.0/24", "2001:db8:2::/64"), ("192.0.2.2", "2001:db8:2::1"))
    assert [len(host.addresses) for host in plan.hosts] == [2, 2]
    answered = plan_of(tmp_path, Answers(subnet="192.0.2.0/24,2001:db8:2::/64", gateway="192.0.2.254,2001:db8:2::fe",
                                         hosts=(("dome-a", "192.0.2.11, 2001:db8:2::11"),)))
    assert (answered.networks[0].gateways, answered.hosts[0].addresses) == (
        ("192.0.2.254", "2001:db8:2::fe"), ("192.0.2.11", "2001:db8:2::11"))


@pytest.mark.parametrize("subnet", ["192.0.2.0/31", "192.0.2.0/32", "2001:db8::/64", "192.0.2.0 255.255.235.0", "", "x"])
def test_a_subnet_that_is_too_small_or_wrong_still_gives_a_plan(tmp_path: Path, subnet: str) -> None:
    """Lint says what is wrong with it; a plan can be mended, an error message cannot."""
    assert plan_of(tmp_path, Answers(subnet=subnet)).networks[0].subnet_typed == subnet


def test_every_comment_that_offers_a_key_can_be_taken_at_its_word(tmp_path: Path) -> None:
    """With the # taken away the offered lines are part of the format."""
    lines = starter_plan(Answers()).splitlines()
    offered = [line.removeprefix("# ") if line.startswith(("# vlan =", "# mtu =", "# pool =", "# ipv6 =")) else line
               for line in lines]
    assert offered != lines
    path = tmp_path / "site.toml"
    path.write_text("\n".join(offered))
    network = read_plan(path).networks[0]
    assert (network.vlan, network.ipv6, network.pool_typed) == (20, "off", ("FIRST-LAST",))


@given(st.text())
def test_any_text_can_be_quoted(text: str) -> None:
    """What tomllib reads back is the text; a lone surrogate, which no UTF-8 file can hold, becomes a question mark."""
    assert tomllib.loads(f"key = {quoted(text)}")["key"] == text.encode("utf-8", "replace").decode()


@given(st.text(), st.text(), st.text(), st.integers(1, 4094))
def test_any_answer_gives_toml(title: str, domain: str, network: str, vlan: int) -> None:
    """No answer can break out of its line."""
    document = tomllib.loads(starter_plan(Answers(title=title, domain=domain, network=network, vlan=vlan)))
    assert set(document) == {"plan", "names", "time", "networks", "roles", "hosts"}
    assert [table["vlan"] for table in document["networks"].values()] == [vlan]
