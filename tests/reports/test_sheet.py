"""The build sheet: everything to type, nothing invented, one host a side, and text that cannot break out of its line."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from html.parser import HTMLParser

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.sheet import WIDTH, to_html, to_text
from reports.sheetview import LONGEST_NOTE, MOST_MARGIN_NOTES, MarginNote, Row, SheetsView, build
from shared.plan import Endpoint, Network, Plan, Port

MakePlan = Callable[..., Plan]
NETWORK = Network(name="mgmt", subnet_typed="192.0.2.0/24", subnet="192.0.2.0/24", gateway="192.0.2.1", vlan=20, ipv6="off")


def sheets(plan: Plan, *notes: MarginNote) -> SheetsView:
    return build(plan, plan.hosts, notes, printed="25 November 2026")


def rows(view: SheetsView, number: int = 0) -> dict[str, Row]:
    """The rows of one sheet by label; where a label comes twice, by label and value."""
    found: dict[str, Row] = {}
    for section in view.sheets[number].sections:
        for row in section.rows:
            found[f"{row.label} {row.value}" if row.label in ("must be on", "leave off") else row.label] = row
    return found


def with_host(plan: Plan, **fields: object) -> Plan:
    return msgspec.structs.replace(plan, hosts=(msgspec.structs.replace(plan.hosts[0], **fields),))


class Reader(HTMLParser):
    """The text of a page, what it would load and run, and how often each tag stands in it."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.text, self.loads = "", list[str]()
        self.tags: dict[str, int] = {}
        self.feed(page)
        self.text = " ".join(self.text.split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] = self.tags.get(tag, 0) + 1
        self.loads += [f"{tag} {name}" for name, _ in attrs if name in ("src", "href", "srcset", "action", "style")
                       or name.startswith("on")]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_a_sheet_holds_everything_that_is_typed(make_plan: MakePlan) -> None:
    """The contract's list: address, mask in both notations, gateway, VLAN, MTU, servers in order, names, time."""
    found = rows(sheets(make_plan(networks=(NETWORK,))))
    assert {label: (row.value, row.hint) for label, row in found.items() if "on" not in label.split()} == {
        "address": ("192.0.2.11", ""),
        "mask": ("255.255.255.0", "which is /24"),
        "gateway": ("192.0.2.1", ""),
        "VLAN": ("20", ""),
        "MTU": ("1500", "octets"),
        "IPv6": ("off", "no address, no answer, no AAAA record"),
        "full host name": ("dome-a.obs.example.net", ""),
        "domain suffix": ("obs.example.net", ""),
        "first name server": ("192.0.2.53", ""),
        "second name server": ("192.0.2.54", ""),
        "time source 1": ("192.0.2.61", ""), "time source 2": ("192.0.2.62", ""),
        "time source 3": ("192.0.2.63", ""), "time source 4": ("192.0.2.64", ""),
        "time service": ("on", "running now, and started at every boot"),
        "leave off 23/tcp": ("23/tcp", "telnet"),
        "request for": ("DNS:dome-a.obs.example.net", "as subject alternative name"),
        "installed": ("", "date; with its chain, on 443/tcp"),
        "hardware address": ("", ""),
        "SSH host key": ("", "SHA256: as its console shows it"),
    }
    assert [(row.value, row.hint) for label, row in found.items() if label.startswith("must be on")] == [
        ("22/tcp", "ssh, speaks SSH"), ("443/tcp", "https, speaks TLS"), ("123/udp", "ntp, answers NTP")]


@pytest.mark.parametrize(("prefix", "mask"), [(8, "255.0.0.0"), (20, "255.255.240.0"), (25, "255.255.255.128"),
                                              (31, "255.255.255.254")])
def test_the_mask_is_that_of_the_network(make_plan: MakePlan, prefix: int, mask: str) -> None:
    """The whole table of RFC 1878 is tested where masks are computed (tests/shared/test_addresses.py)."""
    network = msgspec.structs.replace(NETWORK, subnet=f"10.0.0.0/{prefix}")
    row = rows(sheets(with_host(make_plan(networks=(network,)), addresses=("10.0.0.1",))))["mask"]
    assert (row.value, row.hint) == (mask, f"which is /{prefix}")


def test_what_the_plan_does_not_say_is_a_line_to_write_on(make_plan: MakePlan) -> None:
    """No gateway, no VLAN, an address of a family that the network does not have: nothing is guessed."""
    network = msgspec.structs.replace(NETWORK, gateway=None, vlan=None, ipv6="on")
    found = rows(sheets(with_host(make_plan(networks=(network,)), addresses=("192.0.2.11", "2001:db8::11"))))
    assert [(label, found[label].value) for label in ("gateway", "VLAN", "IPv6 prefix length")] == [
        ("gateway", ""), ("VLAN", ""), ("IPv6 prefix length", "")]
    assert (found["IPv4 mask"].value, found["IPv6 address"].value) == ("255.255.255.0", "2001:db8::11")
    assert "IPv6" not in found


@pytest.mark.parametrize(("subnet", "gateway", "blank"), [
    ("192.0.2.0/24", "192.0.2.1", "IPv6 gateway"), ("2001:db8::/64", "2001:db8::1", "IPv4 gateway"),
])
def test_the_gateway_of_the_other_family_is_a_line_to_write_on(
    make_plan: MakePlan, subnet: str, gateway: str, blank: str
) -> None:
    """A console asks for it as well; a network has one, and a host of one family needs no second."""
    network = Network(name="mgmt", subnet_typed="", subnet=subnet, gateway=gateway)
    both = ("192.0.2.11", "2001:db8::11", "2001:db8::12")
    found = rows(sheets(with_host(make_plan(networks=(network,)), addresses=both)))
    assert (found["gateway"].value, found[blank].value, found[blank].hint) == (gateway, "", "the plan names none for this family")
    alone = tuple(address for address in both if (":" in address) == (":" in gateway))
    assert blank not in rows(sheets(with_host(make_plan(networks=(network,)), addresses=alone)))


def test_both_halves_of_a_wire_of_both_families_are_typed(make_plan: MakePlan) -> None:
    """Each with its mask and its gateway; a host of one family has its own half."""
    network = msgspec.structs.replace(NETWORK, ipv6="on", second_subnet_typed="2001:db8::/60", second_subnet="2001:db8::/60",
                                      second_gateway="fe80::1")
    found = rows(sheets(with_host(make_plan(networks=(network,)), addresses=("192.0.2.11", "2001:db8::11"))))
    assert {label: row.value for label, row in found.items() if label.startswith("IPv")} == {
        "IPv4 address": "192.0.2.11", "IPv4 mask": "255.255.255.0", "IPv4 gateway": "192.0.2.1",
        "IPv6 address": "2001:db8::11", "IPv6 prefix length": "60", "IPv6 gateway": "fe80::1"}
    alone = rows(sheets(make_plan(networks=(network,))))
    assert (alone["gateway"].value, [label for label in alone if label.startswith("IPv6")]) == ("192.0.2.1", [])


def test_an_ipv6_network_has_a_prefix_length(make_plan: MakePlan) -> None:
    """And no dotted mask."""
    network = Network(name="mgmt", subnet_typed="", subnet="2001:db8:0:7::/64", gateway="fe80::1")
    found = rows(sheets(with_host(make_plan(networks=(network,)), addresses=("2001:db8:0:7::11",))))
    assert (found["IPv6 prefix length"].value, found["gateway"].value) == ("64", "fe80::1")
    assert "mask" not in found


def test_what_a_row_of_the_plan_says_outranks_its_network(make_plan: MakePlan) -> None:
    """A row may name the gateway and VLAN that its network leaves open; a planned hardware address is there to compare."""
    network = msgspec.structs.replace(NETWORK, gateway=None, vlan=None)
    plan = with_host(make_plan(networks=(network,)), gateway="192.0.2.254", vlan=30, mac="00:00:5e:00:53:01")
    found = rows(sheets(plan))
    assert (found["gateway"].value, found["VLAN"].value) == ("192.0.2.254", "30")
    assert (found["hardware address"].value, found["hardware address"].hint) == ("00:00:5e:00:53:01", "as planned: compare")


def test_ports_of_servers_are_shown_where_they_are_unusual(make_plan: MakePlan) -> None:
    """And from the fourth on a name server has a number for its place."""
    servers = tuple(Endpoint(f"192.0.2.{last}", 53 if last < 53 else 5353, "") for last in (50, 51, 52, 53))
    found = rows(sheets(make_plan(name_servers=servers, time_sources=(Endpoint("time2.obs.example.net", 1123, ""),))))
    assert (found["third name server"].hint, found["4th name server"].hint) == ("", "port 5353")
    assert (found["time source"].value, found["time source"].hint) == ("time2.obs.example.net", "port 1123")


def test_a_role_without_tls_or_ssh_asks_for_no_certificate_and_no_key(make_plan: MakePlan) -> None:
    """A port that is planned closed is never asked to be on, whatever else is said of it."""
    role = msgspec.structs.replace(make_plan().roles[0], open=(Port(80),), tls=(), ssh=(Port(22),), closed=(Port(22), Port(9)),
                                   ntp_port=None)
    found = rows(sheets(make_plan(roles=(role,))))
    assert "request for" not in found
    assert [label for label in found if label.split()[0] in ("must", "leave")] == [
        "must be on 80/tcp", "leave off 22/tcp", "leave off 9/tcp"]


def test_the_margin_holds_what_is_about_this_host_and_what_is_about_all(make_plan: MakePlan) -> None:
    """A host's own notes first; another host's never; what finds no room is counted."""
    notes = [MarginNote("caution", f"of all, {number}") for number in range(MOST_MARGIN_NOTES)]
    notes += [MarginNote("accepted", "of a", "dome-a.obs.example.net"), MarginNote("caution", "of b", "dome-b.obs.example.net")]
    first, second = sheets(make_plan(), *notes).sheets
    assert [note.text for note in first.margin] == ["of a", *(f"of all, {number}" for number in range(MOST_MARGIN_NOTES - 1))]
    assert first.margin_left_out == second.margin_left_out == 1
    assert second.margin[0].text == "of b"
    assert "of b" not in to_text(sheets(with_host(make_plan()), *notes))


def test_both_forms_hold_every_value(make_plan: MakePlan) -> None:
    """Whatever stands in a row stands on the paper, and so do the notes, the remarks and the way on."""
    plan = with_host(make_plan(), notes="left of the door,\nsecond from the top")
    view = sheets(plan, MarginNote("remark", "hosts.csv is not UTF-8 and was read as Latin-1"))
    page, text = Reader(to_html(view)).text, to_text(view)
    wanted = [value for row in rows(view).values() for value in (row.value, row.hint)]
    wanted += ["left of the door, second from the top", "hosts.csv is not UTF-8 and was read as Latin-1",
               "seatrial verify tidewater.toml --host dome-a.obs.example.net", "sha256", "000000000000", "25 November 2026"]
    assert [value for value in wanted if value not in page] == []
    assert [value for value in wanted if value not in text] == []


def test_every_host_is_a_side_of_its_own_and_the_zone_lines_follow(make_plan: MakePlan) -> None:
    """A form feed between two pages of text, one article a page in HTML."""
    view = sheets(make_plan())
    pages = to_text(view).split("\f")
    assert [page.splitlines()[0].split()[-4:] for page in pages] == [
        ["sheet", "1", "of", "2"], ["sheet", "2", "of", "2"], ["for", "the", "name", "servers"]]
    assert Reader(to_html(view)).tags["article"] == 3
    assert "11                       IN PTR   dome-a.obs.example.net." in pages[2]


def test_an_ordinary_sheet_fits_a_terminal_and_a_sheet_of_paper(make_plan: MakePlan) -> None:
    """78 columns, and 66 lines: a form at six lines to the inch on 11 inches, the shorter of the two usual papers."""
    for page in to_text(sheets(make_plan(networks=(NETWORK,)), MarginNote("caution", "x" * 200))).split("\f"):
        lines = page.splitlines()
        assert max(map(len, lines)) <= WIDTH == 78
        assert len(lines) <= 66


def test_a_long_name_is_never_folded(make_plan: MakePlan) -> None:
    """It would be typed with the gap in it; its boxes go below."""
    name = f"{'a' * 60}.{'b' * 60}.obs.example.net"
    lines = to_text(sheets(with_host(make_plan(), name=name, fqdn=name))).splitlines()
    at = next(index for index, line in enumerate(lines) if line.startswith("  full host name"))
    assert lines[at].endswith(name)
    assert lines[at + 1].strip() == "[ ]  [ ]"


def test_the_page_stands_alone_in_black_and_white(make_plan: MakePlan) -> None:
    """No script, no style attribute, nothing fetched, its own policy says so, and no colour but greys."""
    page = to_html(sheets(make_plan()))
    read = Reader(page)
    assert read.loads == []
    assert not {"script", "link", "img", "iframe", "object", "form"} & set(read.tags)
    policy = re.search('http-equiv="Content-Security-Policy" content="([^"]*)"', page)
    assert policy is not None
    assert html.unescape(policy.group(1)).startswith("default-src 'none'; style-src 'sha256-")
    style = page.partition("<style>")[2].partition("</style>")[0]
    assert not re.search(r"url\(|@import|rgb|hsl", style)
    for colour in re.findall(r"#([0-9a-f]{3,6})\b", style):
        assert len(set(colour)) == 1, colour


HOSTILE = "</p><script>alert(1)</script> & \" ' {{ 7 * 7 }} \x1b[31m \u202e\u0000\n\f end"


def test_hostile_text_stays_text(make_plan: MakePlan) -> None:
    """From a spreadsheet anything may come: it is shown as it is, once, and cannot end its line or its page."""
    plan = with_host(make_plan(title=HOSTILE, file="a b.toml"), notes=HOSTILE, role=HOSTILE, mac=HOSTILE)
    view = sheets(plan, MarginNote("caution", HOSTILE), MarginNote("remark", HOSTILE))
    read, text = Reader(to_html(view)), to_text(view)
    assert "script" not in read.tags
    assert "{{ 7 * 7 }} <U+001B>[31m <U+202E>" in read.text
    assert text.count("\f") == 1
    assert not re.search("[\x00-\x09\x0b\x0e-\x1f\u202e]", text)
    assert "seatrial verify 'a b.toml' --host dome-a.obs.example.net" in text


@given(st.text(max_size=2 * LONGEST_NOTE), st.text(max_size=400), st.sampled_from(["caution", "accepted", "remark"]))
def test_any_note_can_be_printed(make_plan: MakePlan, planned: str, said: str, kind: str) -> None:
    """Never an error, never another page, never an unbounded one."""
    view = sheets(with_host(make_plan(), notes=planned), MarginNote(kind, said))
    assert to_text(view).count("\f") == 1
    assert Reader(to_html(view)).tags["article"] == 2
    assert len(to_text(view).splitlines()) < 120


def test_the_same_plan_gives_the_same_sheet(make_plan: MakePlan) -> None:
    """No clock, no chance: what was hung on the rack can be printed again."""
    assert to_html(sheets(make_plan())) == to_html(sheets(make_plan()))
    assert to_text(sheets(make_plan())) == to_text(sheets(make_plan()))


def test_a_host_with_much_to_set_is_set_closer(make_plan: MakePlan) -> None:
    """So that it still is one side; the browser test prints it."""
    role = msgspec.structs.replace(make_plan().roles[0], open=tuple(Port(number) for number in range(8000, 8012)))
    assert [sheet.dense for sheet in sheets(make_plan()).sheets] == [False, False]
    assert [sheet.dense for sheet in sheets(make_plan(roles=(role,))).sheets] == [True, True]


def test_hosts_of_another_domain_have_their_own_suffix(make_plan: MakePlan) -> None:
    """The suffix to type is the one that makes the short name whole."""
    plan = with_host(make_plan(), name="six-a.sites.example.net", fqdn="six-a.sites.example.net")
    assert rows(sheets(plan))["domain suffix"].value == "sites.example.net"
