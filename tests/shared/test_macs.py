"""Hardware addresses as text, and what their bits say."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.macs import MacError, is_documentation, is_group, is_local, is_virtual_router, parse_mac


@pytest.mark.parametrize("text", ["00:00:5e:00:53:0a", "00-00-5E-00-53-0A", "0000.5e00.530a", "00005E00530A"])
def test_every_common_form_is_read(text):
    """Colons, hyphens, three dotted groups, or bare: one canonical form."""
    assert parse_mac(text) == "00:00:5e:00:53:0a"


@pytest.mark.parametrize("text", [
    "", "00:00:5e:00:53", "00:00:5e:00:53:0a:01", "00:00:5e-00:53:0a", "0:0:5e:0:53:a", "00:00:5e:00:53:0g", "00 00 5e 00 53 0a",
    "00:00:5e:00:53:0a\n", "００:00:5e:00:53:0a", "00:00:5K:00:53:0a", "0000:5e00:530a"])
def test_what_is_no_mac_is_refused(text):
    """Too short, too long, mixed separators, other characters."""
    with pytest.raises(MacError):
        parse_mac(text)


@given(st.text())
def test_the_reader_is_total(text):
    """For any text a MAC address or the one declared error."""
    with contextlib.suppress(MacError):
        assert len(parse_mac(text)) == 17


@pytest.mark.parametrize(("mac", "group", "local", "documentation", "router"), [
    ("00:00:5e:00:53:00", False, False, True, False),      # RFC 9542 section 2.1.2: the first for documentation
    ("00:00:5e:00:53:ff", False, False, True, False),      # and the last
    ("00:00:5e:00:54:00", False, False, False, False),
    ("01:00:5e:90:10:00", True, False, False, False),      # multicast for documentation
    ("02:00:00:00:00:01", False, True, False, False),
    ("ff:ff:ff:ff:ff:ff", True, True, False, False),
    ("00:00:5e:00:01:07", False, False, False, True),      # RFC 9568 section 7.3: virtual router 7, IPv4
    ("00:00:5e:00:02:07", False, False, False, True),      # and IPv6
])
def test_what_the_bits_say(mac, group, local, documentation, router):
    """The group bit is 0x01 and the local bit 0x02 of the first octet (RFC 9542 section 2.1)."""
    assert (is_group(mac), is_local(mac), is_documentation(mac), is_virtual_router(mac)) == (group, local, documentation, router)
