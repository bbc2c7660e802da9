"""Addresses, masks and subnets as text, against the published tables and the slips of real plans."""

from __future__ import annotations

import contextlib
import ipaddress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.addresses import (
    AddressError,
    canonical_address,
    family_of_mask,
    first_host,
    host_fault,
    last_host,
    mask_of,
    parse_address,
    parse_mask,
    parse_prefix,
    parse_range,
    parse_subnet,
    show_address,
    show_subnet,
    split_port,
    split_subnet,
    subnet_of,
    usable_hosts,
    with_canonical_addresses,
    without_mask,
)

_SIZES = {"K": 1024, "M": 1024 * 1024}


def test_masks_are_those_of_the_published_table(vectors):
    """RFC 1878, main table: prefix, mask and number of addresses agree for every row."""
    rows = vectors("rfc1878_masks")
    assert [int(row["prefix"]) for row in rows] == list(range(1, 33))
    for row in rows:
        prefix = int(row["prefix"])
        number, _, unit = row["addresses"].partition(" ")
        assert mask_of(prefix) == row["mask"]
        assert parse_mask(row["mask"]) == prefix
        assert subnet_of(parse_address("192.0.2.0"), prefix).num_addresses == int(number) * _SIZES.get(unit, 1)


def test_subnets_are_those_of_the_published_table(vectors):
    """RFC 1878 Table 1-2: network, first and last host, broadcast and number of hosts agree for every row."""
    rows = vectors("rfc1878_subnets")
    assert len(rows) == 21
    for row in rows:
        subnet = parse_subnet(f"192.0.2.{row['network']} {row['mask']}")
        assert show_address(first_host(subnet)) == f"192.0.2.{row['first']}"
        assert show_address(last_host(subnet)) == f"192.0.2.{row['last']}"
        assert show_address(subnet.broadcast_address) == f"192.0.2.{row['broadcast']}"
        assert usable_hosts(subnet) == int(row["hosts"])


def test_ipv6_text_is_that_of_the_published_examples(vectors):
    """RFC 5952 section 4 and RFC 4291 section 2.2: every legal form is read, and shown in its canonical one."""
    for row in vectors("ipv6_text"):
        shown = canonical_address(row["input"])
        assert row["canonical"] in ("", shown)
        assert canonical_address(shown) == shown


def test_addresses_are_those_of_the_json_schema_test_suite(vectors):
    """What a general test suite for the two formats takes for an address, and nothing else, is one here."""
    for row in vectors("ip_text"):
        if row["legal"] == "yes":
            assert parse_address(row["text"]).version == int(row["version"])
        else:
            with pytest.raises(AddressError):
                parse_address(row["text"])


def test_mapped_addresses_keep_their_dotted_end():
    """RFC 5952 section 5; Python 3.11 itself prints ::ffff:c000:201, which is why this is our own."""
    assert str(ipaddress.ip_address("::ffff:192.0.2.1")) in ("::ffff:c000:201", "::ffff:192.0.2.1")
    assert canonical_address("::FFFF:c000:0201") == "::ffff:192.0.2.1"


@pytest.mark.parametrize(("text", "address"), [
    ("192.0.2.5/24", "192.0.2.5"), ("192.0.2.5 / 24", "192.0.2.5"), ("192.0.2.5/", "192.0.2.5"), ("192.0.2.5/x", "192.0.2.5"),
    ("192.0.2.5/255.255.255.0", "192.0.2.5"), ("192.0.2.5 255.255.255.0", "192.0.2.5"), ("192.0.2.5\t255.255.255.0", "192.0.2.5"),
    ("2001:DB8::5/64", "2001:db8::5"), ("::/0", "::"),
    ("192.0.2.5", None), (" 192.0.2.5 ", None), ("192.0.2.5 3", None), ("192.0.2.5 0.0.0.255", None), ("192.0.2/24", None),
    ("2001:db8::1%1/64", None), ("dome-a/24", None), ("/24", None), ("255.255.255.0", None), ("", None), ("/", None),
])
def test_an_address_in_front_of_its_mask_is_found(text, address):
    """Typed as an interface's; a host mask, half an address, a space in an address and a bare address are none."""
    found = without_mask(text)
    assert (found and show_address(found)) == address
    if address:
        with pytest.raises(AddressError, match=f"a mask or prefix length does not belong behind {address} here"):
            parse_address(text)


@pytest.mark.parametrize(("text", "parts"), [
    ("192.0.2.53", ("192.0.2.53", None)), ("192.0.2.53:5353", ("192.0.2.53", "5353")),
    ("ntp.example.net:123", ("ntp.example.net", "123")), ("2001:db8::53", ("2001:db8::53", None)),
    ("2001:db8::53:5353", ("2001:db8::53:5353", None)), ("::1", ("::1", None)),
    ("[2001:db8::53]", ("2001:db8::53", None)), ("[2001:db8::53]:5353", ("2001:db8::53", "5353")),
    # What stands behind the colon is somebody else's to judge, also where it is nothing.
    ("192.0.2.53:", ("192.0.2.53", "")), ("[2001:db8::53]:", ("2001:db8::53", "")), ("192.0.2.53:ssh", ("192.0.2.53", "ssh")),
    # What is neither form stays whole, so that it is no address.
    ("[2001:db8::53]5353", ("[2001:db8::53]5353", None)), ("[2001:db8::53", ("[2001:db8::53", None)), ("", ("", None)),
])
def test_a_port_is_told_from_its_host(text, parts):
    """RFC 3986 section 3.2.2: only the brackets make a group of an IPv6 address a port."""
    assert split_port(text) == parts


@pytest.mark.parametrize(("text", "reason"), [
    ("", "empty"),
    (" 192.0.2.1", "space around"),
    ("192.0.2.1\n", "space around"),
    ("192.0.2", "3 numbers where four belong"),
    ("10.0.258", "3 numbers where four belong"),        # RFC 6943 section 3.1.1: one of three spellings of 10.0.1.2
    ("0xA000102", "four numbers"),                      # the second
    ("012.0x102", "four numbers"),                      # the third
    ("3221225985", "1 number where four belong"),
    ("192.0.2.1.1", "5 numbers where four belong"),
    ("192.0.2.256", "256 is over 255"),
    ("192.0.2.1111", "1111 is over 255"),
    ("192.0.2.011", "leading zero"),
    ("010.0.0.1", "leading zero"),
    ("192,0,2,11", "four numbers"),
    ("192.0.2.1O", "four numbers"),
    ("192.0.2.-1", "four numbers"),
    ("１９２.0.2.1", "four numbers"),                    # digits of another script are no digits here
    ("2001:db8::1::2", "once at most"),
    ("2001:db8", "once at most"),
    ("2001:db8::12345", "once at most"),
    ("[2001:db8::1]", "once at most"),
    ("fe80::1%eth0", "one machine only"),               # RFC 4007 section 11
    ("192.0.2.1/24", "does not belong behind 192.0.2.1 here"),
    ("dome-a", "four numbers"),
])
def test_what_is_no_address_is_refused_with_the_reason(text, reason):
    """One text means one address everywhere, or it is refused (RFC 6943 section 3.1.1, RFC 3986 section 3.2.2)."""
    with pytest.raises(AddressError, match=reason):
        parse_address(text)


@pytest.mark.parametrize(("text", "reason"), [
    ("0.0.0.255", "host mask.*the mask is 255.255.255.0"),
    ("0.0.0.1", "host mask.*the mask is 255.255.255.254"),
    ("127.255.255.255", "host mask.*the mask is 128.0.0.0"),
    ("255.255.0.255", "do not stand together"),
    ("255.255.235.0", "do not stand together"),
    ("255.255.255.1", "do not stand together"),
    ("1.0.0.0", "do not stand together"),
    ("255.255.256.0", "over 255"),
    ("255.255.255", "3 numbers"),
    ("255.255.255.00", "leading zero"),
    ("24", "1 number"),
    ("", "empty"),
])
def test_what_is_no_mask_is_refused_with_the_reason(text, reason):
    """RFC 4632 section 5.1: contiguous; and a host mask is never taken for a mask."""
    with pytest.raises(AddressError, match=reason):
        parse_mask(text)


def test_the_standard_library_would_take_a_host_mask():
    """The trap that parse_mask closes: the library reads 0.0.0.255 as /24 without a word."""
    assert ipaddress.ip_interface("192.0.2.1/0.0.0.255").network.prefixlen == 24
    with pytest.raises(AddressError, match="host mask"):
        parse_subnet("192.0.2.0/0.0.0.255")


@pytest.mark.parametrize(("prefix", "mask"), [(0, "0.0.0.0"), (32, "255.255.255.255")])
def test_the_ends_of_the_mask_table(prefix, mask):
    """No bits and all bits are masks as arithmetic goes; whether a network may have them is lint's question."""
    assert (parse_mask(mask), mask_of(prefix)) == (prefix, mask)


@pytest.mark.parametrize("prefix", [-1, 33])
def test_no_mask_beyond_the_table(prefix):
    """A prefix length outside 0 to 32 has no dotted mask."""
    with pytest.raises(ValueError, match="0 to 32"):
        mask_of(prefix)


@pytest.mark.parametrize(("text", "version", "prefix"), [
    ("24", 4, 24), ("/24", 4, 24), ("255.255.255.0", 4, 24), ("0", 4, 0), ("32", 4, 32), ("64", 6, 64), ("/128", 6, 128)])
def test_prefix_lengths_in_every_form(text, version, prefix):
    """A prefix length is a number, with or without its slash, or a dotted mask."""
    assert parse_prefix(text, version) == prefix


@pytest.mark.parametrize(("text", "version"), [
    ("33", 4), ("129", 6), ("024", 4), ("-1", 4), ("+24", 4), ("2 4", 4), ("", 4), ("/", 6), ("//24", 4), ("²", 4),
    ("9" * 5000, 4), ("255.255.255.0", 6)])
def test_what_is_no_prefix_length_is_refused(text, version):
    """Out of range, signed, with leading zeros, of endless length, or a dotted mask for IPv6."""
    with pytest.raises(AddressError):
        parse_prefix(text, version)


@pytest.mark.parametrize(("text", "shown"), [
    ("192.0.2.0/24", "192.0.2.0/24"),
    ("192.0.2.0 255.255.255.0", "192.0.2.0/24"),
    ("192.0.2.0/255.255.255.0", "192.0.2.0/24"),
    ("  192.0.2.0   255.255.255.0 ", "192.0.2.0/24"),
    ("192.0.2.0/31", "192.0.2.0/31"),
    ("2001:DB8:0::/64", "2001:db8::/64"),
    ("2001:0DB8:0000:CD30:0000:0000:0000:0000/60", "2001:db8:0:cd30::/60"),   # RFC 4291 section 2.3
    ("2001:0DB8::CD30:0:0:0:0/60", "2001:db8:0:cd30::/60"),                   # RFC 4291 section 2.3
    ("2001:0DB8:0:CD30::/60", "2001:db8:0:cd30::/60"),                        # RFC 4291 section 2.3
])
def test_subnets_in_every_form(text, shown):
    """Slash and prefix length, or address and mask as typed at a console."""
    assert show_subnet(parse_subnet(text)) == shown


@pytest.mark.parametrize(("text", "reason"), [
    ("192.0.2.0", "not a subnet"),
    ("192.0.2.0/24/24", "not a subnet"),
    ("192.0.2.0/24 255.255.255.0", "not a subnet"),
    ("", "not a subnet"),
    ("192.0.2.11/24", "the subnet is 192.0.2.0/24"),
    ("192.0.2.64/25", "the subnet is 192.0.2.0/25"),
    ("192.0.2.0/33", "prefix length"),
    ("192.0.2.0 255.0.255.0", "do not stand together"),
    ("2001:db8::/255.255.255.0", "prefix length"),
    ("2001:0DB8:0:CD3/60", "once at most"),         # RFC 4291 section 2.3: may drop leading zeros, not trailing ones
    ("2001:0DB8::CD30/60", "begins inside"),        # RFC 4291 section 2.3: expands to another address
    ("2001:0DB8::CD3/60", "begins inside"),         # RFC 4291 section 2.3
])
def test_what_is_no_subnet_is_refused_with_the_reason(text, reason):
    """Among them the three illegal examples of RFC 4291 section 2.3."""
    with pytest.raises(AddressError, match=reason):
        parse_subnet(text)


def test_the_subnet_around_an_address():
    """RFC 4291 section 2.3: the node address 2001:0DB8:0:CD30:123:4567:89AB:CDEF/60 lies in 2001:db8:0:cd30::/60."""
    assert show_subnet(subnet_of(parse_address("2001:0DB8:0:CD30:123:4567:89AB:CDEF"), 60)) == "2001:db8:0:cd30::/60"


def test_the_parts_of_a_subnet_are_split_unread():
    """So that a mend can keep the part that is right."""
    assert split_subnet("192.0.2.0 255.255.235.0") == ("192.0.2.0", "255.255.235.0")


@pytest.mark.parametrize(("text", "hosts"), [
    ("192.0.2.0/24", 254), ("192.0.2.0/30", 2), ("192.0.2.0/31", 2), ("192.0.2.0/32", 1), ("0.0.0.0/0", 2**32 - 2),
    ("2001:db8::/64", 2**64 - 1), ("2001:db8::/126", 3), ("2001:db8::/127", 2), ("2001:db8::/128", 1)])
def test_usable_hosts(text, hosts):
    """RFC 1122 section 3.2.1.3; RFC 3021 section 2.1 for /31; RFC 4291 section 2.6.1 and RFC 6164 section 6 for IPv6."""
    assert usable_hosts(parse_subnet(text)) == hosts


@pytest.mark.parametrize(("address", "subnet", "reason"), [
    ("192.0.2.0", "192.0.2.0/24", "network address"),
    ("192.0.2.1", "192.0.2.0/24", None),
    ("192.0.2.254", "192.0.2.0/24", None),
    ("192.0.2.255", "192.0.2.0/24", "broadcast address"),
    ("192.0.3.0", "192.0.2.0/24", "not in"),
    ("192.0.1.255", "192.0.2.0/24", "not in"),
    ("192.0.2.255", "192.0.2.0/23", None),
    ("192.0.2.0", "192.0.2.0/31", None),
    ("192.0.2.1", "192.0.2.0/31", None),
    ("192.0.2.2", "192.0.2.0/31", "not in"),
    ("192.0.2.7", "192.0.2.7/32", None),
    ("2001:db8::", "2001:db8::/64", "subnet-router anycast"),
    ("2001:db8::1", "2001:db8::/64", None),
    ("2001:db8::ffff:ffff:ffff:ffff", "2001:db8::/64", None),
    ("2001:db8::", "2001:db8::/127", None),
    ("2001:db8::1", "2001:db8::/127", None),
    ("2001:db8::1", "192.0.2.0/24", "not in"),
])
def test_which_addresses_a_host_may_have(address, subnet, reason):
    """The first and last address of a subnet are no host's, except where there are two or fewer."""
    fault = host_fault(parse_address(address), parse_subnet(subnet))
    assert fault is None if reason is None else reason in fault


def test_ranges():
    """A range is inclusive; one address alone is a range of one."""
    assert [show_address(end) for end in parse_range("192.0.2.100 - 192.0.2.199")] == ["192.0.2.100", "192.0.2.199"]
    assert [show_address(end) for end in parse_range("2001:db8::5")] == ["2001:db8::5", "2001:db8::5"]


@pytest.mark.parametrize(("text", "reason"), [
    ("192.0.2.199-192.0.2.100", "ends before it begins"), ("192.0.2.1-2001:db8::1", "the other"), ("192.0.2.100-199", "1 number"),
    ("-", "empty"), ("", "empty"), ("192.0.2.1-192.0.2.2-192.0.2.3", "four numbers")])
def test_what_is_no_range_is_refused_with_the_reason(text, reason):
    """Backwards, across families, or abbreviated."""
    with pytest.raises(AddressError, match=reason):
        parse_range(text)


@given(st.one_of(st.text(), st.from_regex(r"[0-9./:a-f -]{0,40}")))
def test_the_readers_are_total(text):
    """For any text every reader returns a value or raises its one declared error."""
    for read in (parse_address, parse_mask, parse_subnet, parse_range, split_subnet, lambda typed: parse_prefix(typed, 4),
                 lambda typed: parse_prefix(typed, 6)):
        with contextlib.suppress(AddressError):
            read(text)


@given(st.ip_addresses())
def test_showing_and_reading_an_address_are_inverse(address):
    """The canonical text is read back as the same address, and is canonical already."""
    assert parse_address(show_address(address)) == address
    assert canonical_address(show_address(address)) == show_address(address)


@given(st.ip_addresses(), st.integers(0, 128))
def test_showing_and_reading_a_subnet_are_inverse(address, prefix):
    """Whatever subnet lies around an address is shown so that it can be read back, and its hosts lie in it."""
    subnet = subnet_of(address, min(prefix, address.max_prefixlen))
    assert parse_subnet(show_subnet(subnet)) == subnet
    assert host_fault(first_host(subnet), subnet) is None
    assert host_fault(last_host(subnet), subnet) is None


@pytest.mark.parametrize(("text", "canonical"), [
    ("2001:DB8:0:0::1", "2001:db8::1"), ("[2001:0DB8::53]:5353 AAAA", "[2001:db8::53]:5353 AAAA"),
    ("22/tcp at 2001:db8:0:0:0:0:0:b", "22/tcp at 2001:db8::b"), ("::FFFF:192.0.2.1,2001:DB8::1", "::ffff:192.0.2.1,2001:db8::1"),
    ("2001:0DB8:0040::0*", "2001:db8:40::0*"), ("2001:DB8::?0A", "2001:db8::?0a"),
    # What is no address stays as it is.
    ("192.0.2.53:5353", "192.0.2.53:5353"), ("00:00:5E:00:53:01", "00:00:5E:00:53:01"), ("a question: A:B", "a question: A:B"),
    ("SHA256:2001:DB8::1", "SHA256:2001:DB8::1"), ("fe80::1%ETH0", "fe80::1%ETH0"), ("", ""),
])
def test_addresses_in_a_text_are_written_in_one_form(text, canonical):
    """RFC 5952 section 4."""
    assert with_canonical_addresses(text) == canonical


@pytest.mark.parametrize(("mask", "family"), [("255.255.255.0", 4), ("24", 4), ("/32", 4), ("33", 6), ("/64", 6), ("128", 6),
                                              ("", 4), ("9" * 5000, 4), ("x", 4)])
def test_a_mask_shows_its_family(mask, family):
    """No wire of IPv6 has a prefix of up to 32 bits."""
    assert family_of_mask(mask) == family
