"""The build sheets printed by a real browser: one host, one side of A4, and everything legible on it."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from playwright.sync_api import Browser

from reports.sheet import to_html
from reports.sheetview import MarginNote, build
from shared.plan import Plan, Port

pytestmark = pytest.mark.browser

MakePlan = Callable[..., Plan]
Print = Callable[[Plan], list[str]]


@pytest.fixture
def print_pages(browser: Browser, tmp_path: Path) -> Print:
    """``print_pages(plan)``: the text of each printed side; anything fetched or complained of fails the test."""

    def run(plan: Plan) -> list[str]:
        notes = [MarginNote("caution", "the plan has 2 time sources; where one is wrong, the rest may not outvote it")]
        page_file, paper = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
        page_file.write_text(to_html(build(plan, plan.hosts, notes, printed="25 November 2026")))
        context = browser.new_context()
        page = context.new_page()
        complaints: list[str] = []
        page.on("console", lambda message: complaints.append(message.text))
        page.on("request", lambda request: complaints.append(request.url) if not request.url.startswith("file:") else None)
        page.goto(f"file://{page_file}")
        page.pdf(path=paper, prefer_css_page_size=True)
        context.close()
        assert complaints == []
        size = subprocess.run(["pdfinfo", paper], capture_output=True, text=True, check=True).stdout
        assert re.search(r"Page size: +59[45][.0-9]* x 84[12]", size), size
        text = subprocess.run(["pdftotext", "-layout", paper, "-"], capture_output=True, text=True, check=True).stdout
        return text.split("\f")[:-1]

    return run


def test_one_host_is_one_side(make_plan: MakePlan, print_pages: Print) -> None:
    """Two hosts, two sides, and one for the name servers; each begins with the host and ends with the plan."""
    first, second, zones = print_pages(make_plan())
    assert "dome-a.obs.example.net" in first
    assert "dome-b.obs.example.net" in second
    assert "dome-b" not in first
    for side in (first, second):
        assert "255.255.255.0" in side
        assert "the plan has 2 time" in side
        assert side.rstrip().splitlines()[-1].split() == [
            "plan", "tidewater.toml", "sha256", "000000000000…", "printed", "25", "November", "2026"]
    assert "$ORIGIN 2.0.192.in-addr.arpa." in zones


def test_a_host_with_much_to_set_is_still_one_side(make_plan: MakePlan, print_pages: Print) -> None:
    """Eight ports on, eight off, four name servers, four time sources, two addresses and a long note."""
    sound = make_plan()
    role = msgspec.structs.replace(sound.roles[0], open=tuple(map(Port, (22, 25, 53, 80, 111, 389, 443, 8080))),
                                   closed=tuple(map(Port, (21, 23, 445, 873, 3389, 5900, 5986))))
    host = msgspec.structs.replace(sound.hosts[0], notes="left of the door, second from the top; " * 9)
    plan = make_plan(roles=(role,), hosts=(host,), name_servers=(*sound.name_servers, *sound.name_servers[:1]))
    assert len(print_pages(plan)) == 2


@pytest.mark.parametrize("ports", range(1, 16))
def test_one_side_holds_a_host_of_any_usual_size(make_plan: MakePlan, print_pages: Print, ports: int) -> None:
    """Row by row from a small host to one whose rows are set closer, and beyond."""
    sound = make_plan()
    role = msgspec.structs.replace(sound.roles[0], open=tuple(map(Port, range(8001, 8001 + ports))), closed=(Port(23),))
    plan = make_plan(roles=(role,), hosts=sound.hosts[:1])
    assert len(print_pages(plan)) == 2


@pytest.mark.parametrize("length", [30, 45, 60, 75, 90, 105])
@pytest.mark.parametrize("hyphens", [True, False])
def test_a_long_name_is_still_one_side(make_plan: MakePlan, print_pages: Print, length: int, hyphens: bool) -> None:
    """It stands on four rows, on several lines of each, which left the foot of the page for a second side."""
    sound = make_plan()
    domain = "instruments.tidewater-observatory.example.net" if length > 50 else "obs.example.net"
    name = ("node-" * 20 if hyphens else "storagecontroller" * 6)[:length - len(domain) - 1].rstrip("-")[:63]
    host = msgspec.structs.replace(sound.hosts[0], name=name, fqdn=f"{name}.{domain}")
    role = msgspec.structs.replace(sound.roles[0], open=tuple(map(Port, (22, 80, 443))), closed=(Port(23),))
    assert len(print_pages(make_plan(roles=(role,), hosts=(host,), domain=domain))) == 2


def test_a_hundred_hosts_are_a_hundred_sides(make_plan: MakePlan, print_pages: Print) -> None:
    """No side is lost and none is left over."""
    host = make_plan().hosts[0]
    hosts = tuple(msgspec.structs.replace(host, name=f"dome-{n}", fqdn=f"dome-{n}.obs.example.net", addresses=(f"192.0.2.{n}",))
                  for n in range(101, 201))
    sides = print_pages(make_plan(hosts=hosts))
    assert [f"dome-{n}.obs.example.net" in side for n, side in zip(range(101, 201), sides, strict=False)] == [True] * 100
    assert "Name records" in sides[100]
