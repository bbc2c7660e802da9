"""Plans as they are stored: what older ones lack has its default, and both families of a wire are found by an address."""

from __future__ import annotations

import msgspec

from shared.plan import Place, Plan


def test_a_plan_stored_before_there_were_two_families_is_read_as_it_was(make_plan):
    """Without the fields for a second subnet, gateway and mask."""
    old = msgspec.to_builtins(make_plan())
    for part in (*old["networks"], *old["hosts"]):
        assert [part.pop(field) for field in list(part) if field.startswith("second_")] in ([None] * 3, [None] * 2)
    read = msgspec.msgpack.decode(msgspec.msgpack.encode(old), type=Plan)
    assert read == make_plan()
    assert read.gateways(read.hosts[0]) == ("192.0.2.1",)


def test_an_only_gateway_is_every_hosts(make_plan):
    """Of whatever family it is: of a host whose address is of the other one it is as planned as before."""
    plan = make_plan(hosts=(msgspec.structs.replace(make_plan().hosts[0], addresses=("2001:db8::11",)),))
    assert plan.gateways(plan.hosts[0]) == ("192.0.2.1",)
    assert plan.gateway_of(plan.hosts[0], "2001:db8::11") is None
    assert plan.networks[0].subnet_of("2001:db8::11") is None


def test_a_host_of_no_network_has_what_its_row_says(make_plan):
    host = msgspec.structs.replace(make_plan().hosts[0], network="nowhere", gateway="192.0.2.254", place=Place())
    assert make_plan().gateways(host) == ("192.0.2.254",)
