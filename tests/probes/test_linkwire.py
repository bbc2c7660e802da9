"""ARP and neighbour discovery on the wire, held against an independent packet library and against any octets."""

from __future__ import annotations

import ipaddress

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet6 import ICMPv6ND_NA, ICMPv6ND_NS, ICMPv6NDOptDstLLAddr, ICMPv6NDOptSrcLLAddr, IPv6
from scapy.layers.l2 import ARP, Dot1Q, Ether

from probes.linkwire import Claim, pack_probe, pack_solicitation, read_claim

OURS, THEIRS = "00:00:5e:00:53:01", "00:00:5e:00:53:11"
HOST, HOST_6, OUR_6 = "192.0.2.11", "2001:db8::11", "2001:db8::200"


def arp(**fields: object) -> bytes:
    """An ARP reply of the host's, with some of its fields replaced."""
    packet = ARP(op=2, hwsrc=THEIRS, psrc=HOST, hwdst=OURS, pdst="0.0.0.0")
    for name, value in fields.items():
        setattr(packet, name, value)
    return bytes(Ether(src=THEIRS, dst=OURS) / packet)


def advertisement(*options: object, hops: int = 255, solicited: int = 1, target: str = HOST_6) -> bytes:
    """A neighbour advertisement of the host's."""
    packet = Ether(src=THEIRS, dst=OURS) / IPv6(src=target, dst=OUR_6, hlim=hops) / ICMPv6ND_NA(tgt=target, S=solicited, R=0, O=1)
    for option in options:
        packet = packet / option
    return bytes(packet)


def test_a_probe_is_what_the_standard_and_another_library_make_of_it() -> None:
    """Broadcast, a request, sender 0.0.0.0, target hardware address zero (RFC 5227 section 2.1.1)."""
    wanted = ARP(op=1, hwsrc=OURS, psrc="0.0.0.0", hwdst="00:00:00:00:00:00", pdst=HOST)
    assert pack_probe(OURS, HOST) == bytes(Ether(src=OURS, dst="ff:ff:ff:ff:ff:ff") / wanted)


def test_a_solicitation_is_what_another_library_makes_of_it() -> None:
    """To the solicited-node group, hop limit 255, our own two addresses, the checksum right (RFC 4861 section 4.3)."""
    wanted = (Ether(src=OURS, dst="33:33:ff:00:00:11") / IPv6(src=OUR_6, dst="ff02::1:ff00:11", hlim=255)
              / ICMPv6ND_NS(tgt=HOST_6) / ICMPv6NDOptSrcLLAddr(lladdr=OURS))
    assert pack_solicitation(OURS, OUR_6, HOST_6) == bytes(wanted)


def test_a_solicitation_goes_to_the_group_that_the_standard_derives() -> None:
    """The example of RFC 4291 section 2.7.1; the group's hardware address is 33:33 and its last 32 bits (RFC 2464 section 7)."""
    frame = pack_solicitation(OURS, OUR_6, "4037::01:800:200E:8C6C")
    assert frame[:6] == bytes.fromhex("3333ff0e8c6c")
    assert frame[38:54] == ipaddress.ip_address("FF02::1:FF0E:8C6C").packed


@pytest.mark.parametrize(("frame", "claim"), [
    (arp(), Claim(HOST, THEIRS, True)),
    (arp() + bytes(18), Claim(HOST, THEIRS, True)),                           # padded to the least size of a frame
    (arp(op=1, pdst="192.0.2.1"), Claim(HOST, THEIRS, False)),                # it asks for somebody, and says who it is
    (arp(op=1, pdst=HOST), Claim(HOST, THEIRS, False)),                       # an announcement (RFC 5227 section 2.3)
    (advertisement(ICMPv6NDOptDstLLAddr(lladdr=THEIRS)), Claim(HOST_6, THEIRS, True)),
    (advertisement(), Claim(HOST_6, THEIRS, True)),                           # no option: the frame's own sender
    (advertisement(ICMPv6NDOptDstLLAddr(lladdr=THEIRS), solicited=0), Claim(HOST_6, THEIRS, False)),
    (advertisement(ICMPv6NDOptSrcLLAddr(lladdr=OURS), ICMPv6NDOptDstLLAddr(lladdr=THEIRS)), Claim(HOST_6, THEIRS, True)),
])
def test_a_claim_is_read(frame: bytes, claim: Claim) -> None:
    """Answers, announcements and requests claim their sender's address, advertisements their target's."""
    assert read_claim(frame) == claim


@pytest.mark.parametrize("frame", [
    arp(op=1, psrc="0.0.0.0", pdst=HOST),          # somebody else's probe: switches send them, to see who is there
    arp(op=3),                                     # reverse ARP (RFC 903)
    arp(hwtype=6), arp(ptype=0x86DD), arp(hwsrc="00:00:00:00:00:00"), arp(hwsrc="ff:ff:ff:ff:ff:ff"),
    arp(hwsrc="01:00:5e:00:00:01"),
    arp()[:41],
    bytes(Ether(src=THEIRS, dst=OURS) / Dot1Q(vlan=20) / ARP(op=2, hwsrc=THEIRS, psrc=HOST)),   # of another VLAN
    advertisement(hops=254),                       # it came through a router (RFC 4861 section 7.1.2)
    advertisement()[:60],
    advertisement()[:-1] + b"\xff",                # the checksum is wrong
    advertisement(ICMPv6NDOptDstLLAddr(lladdr="33:33:00:00:00:01")),
    pack_probe(OURS, HOST), pack_solicitation(OURS, OUR_6, HOST_6),
])
def test_what_claims_nothing_is_no_claim(frame: bytes) -> None:
    """Probes, other protocols, group addresses, packets cut short, damaged or from beyond a router."""
    assert read_claim(frame) is None


@given(st.binary(max_size=200), st.sampled_from([b"", arp()[:14], advertisement()[:14], arp()[:22], advertisement()[:54]]))
def test_any_octets_are_read_without_harm(octets: bytes, start: bytes) -> None:
    """A claim or None, never an error; and what is claimed has the form of an address."""
    claim = read_claim(start + octets)
    assert claim is None or (len(claim.mac) == 17 and claim.address)


def test_an_option_of_length_zero_ends_the_reading() -> None:
    """RFC 4861 section 4.6: such a packet is void; it must not be read for ever."""
    from probes.linkwire import _target_link

    assert _target_link(bytes([1, 0, 0, 0, 0, 0, 0, 0, 2, 1, 0, 0, 0x5E, 0, 0x53, 1])) is None
