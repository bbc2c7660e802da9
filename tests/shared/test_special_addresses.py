"""The table of special addresses against RFC 6890 as printed, and against what the standard library believes."""

from __future__ import annotations

import re
from ipaddress import ip_network
from pathlib import Path

import pytest

from shared.addresses import parse_address
from shared.special_addresses import IPV4, IPV6, LATER, OUTSIDE_THE_REGISTRY, Purpose, means_one_wire, special_block

_ROOT = Path(__file__).parents[2]
_SIGN = {True: "T", False: "F", None: "-"}


def _flags(row):
    return "".join(_SIGN[value] for value in (row.source, row.destination, row.forwardable, row.globally_reachable))


def test_every_table_of_rfc_6890_is_here(vectors):
    """Tables 1 to 29: each block with its four columns, or with what the registry says since and why."""
    rows = vectors("rfc6890")
    assert [int(row["table"]) for row in rows] == list(range(1, 30))
    held = {row.block: row for row in (*IPV4, *IPV6)}
    for row in rows:
        block = held[ip_network(row["block"])]
        assert _flags(block) == (row["now"] or row["flags"]), row
        if row["now"]:
            assert row["changed_by"]
            assert not block.origin.startswith("RFC 6890 Table")
        else:
            assert block.origin == f"RFC 6890 Table {row['table']}"


def test_every_other_row_says_that_it_comes_from_memory(vectors):
    """What no document here could be read for is marked, row by row."""
    printed = {ip_network(row["block"]) for row in vectors("rfc6890")}
    later = [row for row in (*IPV4, *IPV6) if row.block not in printed]
    assert len(later) >= 15
    assert {row.origin for row in later} == {LATER}


def test_no_block_is_listed_twice():
    """The most specific block decides, so two rows of one block would hide one another."""
    blocks = [row.block for row in (*IPV4, *IPV6, *OUTSIDE_THE_REGISTRY)]
    assert len(blocks) == len(set(blocks))


@pytest.mark.parametrize(("address", "name"), [
    ("0.0.0.0", '"this network"'), ("0.255.255.255", '"this network"'), ("1.0.0.0", None),
    ("9.255.255.255", None), ("10.0.0.0", "private use"), ("11.0.0.0", None),
    ("100.63.255.255", None), ("100.64.0.0", "shared address space of carriers"), ("100.128.0.0", None),
    ("126.255.255.255", None), ("127.0.0.1", "loopback"), ("128.0.0.0", None),
    ("169.253.255.255", None), ("169.254.0.1", "link-local use"), ("169.255.0.0", None),
    ("172.15.255.255", None), ("172.16.0.0", "private use"), ("172.31.255.255", "private use"), ("172.32.0.0", None),
    ("192.0.0.1", "IPv4 service continuity"), ("192.0.0.8", "IPv4 dummy address"), ("192.0.0.11", "IETF protocol assignments"),
    ("192.0.1.0", None), ("192.0.2.1", "documentation (TEST-NET-1)"), ("192.0.3.0", None),
    ("192.88.99.1", "6to4 relay anycast (deprecated)"), ("192.88.99.2", "6a44 relay anycast"),
    ("192.167.255.255", None), ("192.168.0.0", "private use"), ("192.169.0.0", None),
    ("198.17.255.255", None), ("198.19.255.255", "benchmarking"), ("198.20.0.0", None),
    ("223.255.255.255", None), ("224.0.0.1", "multicast"), ("239.255.255.255", "multicast"),
    ("240.0.0.1", "future use"), ("255.255.255.254", "future use"),
    ("255.255.255.255", "limited broadcast"),
    ("::", "the unspecified address"), ("::1", "loopback"), ("::2", "IPv4-compatible addresses (deprecated)"),
    ("::192.0.2.1", "IPv4-compatible addresses (deprecated)"), ("::1:0:0", None), ("::ffff:192.0.2.1", "IPv4-mapped addresses"),
    ("64:ff9b::1", "IPv4-IPv6 translation"), ("64:ff9b:1::1", "local IPv4-IPv6 translation"),
    ("100::1", "discarding"), ("100:0:0:1::1", "a dummy prefix"), ("100:0:0:2::1", None),
    ("2001::1", "Teredo tunnelling"), ("2001:1::1", "Port Control Protocol anycast"), ("2001:5::1", "IETF protocol assignments"),
    ("2001:2::1", "benchmarking"), ("2001:20::1", "ORCHIDv2"), ("2001:200::1", None),
    ("2001:db7:ffff::1", None), ("2001:db8::1", "documentation"), ("2001:db9::1", None),
    ("2002::1", "6to4"), ("3fff::1", "documentation"), ("3fff:1000::1", None), ("5f00::1", "segment routing identifiers"),
    ("fbff::1", None), ("fc00::1", "a kind of unique local addresses not defined yet, where a site's own begin with fd"),
    ("fd00::1", "unique local (private use)"), ("fe00::1", None), ("fe80::1", "link-local use"),
    ("fec0::1", "site-local use (deprecated)"), ("ff02::1", "multicast"),
])
def test_the_most_specific_block_decides(address, name):
    """On both sides of the edges of the blocks, and where one block lies inside another."""
    block = special_block(parse_address(address))
    assert (block.name if block else None) == name


def test_nothing_here_asks_the_standard_library_what_an_address_is_for():
    """``ipaddress`` calls 3fff::1 global on Python 3.11.7 and 100.64.0.1 neither global nor private: not the registry."""
    sources = [*(_ROOT / "shared").glob("*.py"), *(_ROOT / "verify" / "lint").glob("*.py")]
    assert len(sources) > 15
    for source in sources:
        asked = re.search(r"\.is_(private|global|reserved|loopback|multicast|link_local|unspecified)\b", source.read_text())
        assert not asked, source


def test_purposes_a_plan_is_judged_by():
    """Documentation has five blocks, loopback two, multicast two: one in each family at least."""
    count = {purpose: sum(row.purpose is purpose for row in (*IPV4, *IPV6, *OUTSIDE_THE_REGISTRY)) for purpose in Purpose}
    assert count[Purpose.DOCUMENTATION] == 5
    assert count[Purpose.LOOPBACK] == count[Purpose.MULTICAST] == count[Purpose.LINK_LOCAL] == count[Purpose.BENCHMARKING] == 2
    assert count[Purpose.PRIVATE] == 4


@pytest.mark.parametrize(("text", "wire"), [
    ("fe80::1", True), ("febf::1", True), ("169.254.0.1", True), ("169.254.255.255", True),
    ("fec0::1", False), ("169.253.255.255", False), ("192.0.2.1", False), ("2001:db8::1", False), ("gw.obs.example.net", False),
])
def test_which_addresses_mean_one_wire(text, wire):
    """RFC 4291 section 2.5.6 (fe80::/10) and RFC 3927 section 2.1 (169.254/16), at their edges."""
    assert means_one_wire(text) is wire
