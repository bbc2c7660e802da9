"""The page is a function of the report, holds every finding, fetches nothing, and shows hostile text as text."""

from __future__ import annotations

import base64
import collections
import hashlib
import os
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reports.html import LONGEST_TEXT, to_html
from reports.jsonfile import from_json, to_json
from shared.catalogue import Check
from shared.findings import Grade
from shared.run import Coverage, Missing
from shared.safetext import visible

VOID = {"meta", "br", "link", "input", "img"}
SAMPLES = ("small", "three", "sound", "tidewater", "hostile", "rebooted")


class Parsed(HTMLParser):
    """A page read back: its elements, ids, links, and its text with the script and the style apart."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: collections.Counter[str] = collections.Counter()
        self.ids: list[str] = []
        self.hrefs: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.classes: collections.Counter[str] = collections.Counter()
        self.raw: dict[str, list[str]] = {"script": [], "style": []}
        self.pieces: list[str] = []
        self._within = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        for name, value in attrs:
            self.attributes.append((tag, name, value or ""))
            if name == "id":
                self.ids.append(value or "")
            elif name == "href":
                self.hrefs.append(value or "")
            elif name == "class":
                self.classes.update((value or "").split())
        if tag in self.raw:
            self._within = tag

    def handle_endtag(self, tag: str) -> None:
        if tag == self._within:
            self._within = ""

    def handle_data(self, data: str) -> None:
        (self.raw[self._within] if self._within else self.pieces).append(data)

    @property
    def text(self) -> str:
        return "".join(self.pieces)


@pytest.fixture(scope="module")
def page_of(sample: ModuleType) -> Callable[[str], str]:
    pages: dict[str, str] = {}

    def page(name: str) -> str:
        if name not in pages:
            pages[name] = to_html(getattr(sample, name)())
        return pages[name]

    return page


def test_the_small_page_is_the_golden_one(sample: ModuleType, checks: dict[str, Check]) -> None:
    """The whole file, compared whole; SEATRIAL_GOLDEN=write renews it, and the change is read before it is committed."""
    golden = Path(__file__).with_name("golden") / "small.html"
    page = to_html(sample.small(), checks=checks)
    if os.environ.get("SEATRIAL_GOLDEN") == "write":
        golden.write_text(page, encoding="utf-8")
    assert page == golden.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", SAMPLES)
def test_a_report_read_back_gives_the_same_page(sample: ModuleType, page_of: Callable[[str], str], name: str) -> None:
    """HTML from the JSON file equals HTML from memory."""
    assert to_html(from_json(to_json(getattr(sample, name)()))) == page_of(name)


@pytest.mark.parametrize("name", [*SAMPLES, "fleet"])
def test_ids_are_unique_and_links_lead_somewhere(page_of: Callable[[str], str], name: str) -> None:
    """Every deep link has exactly one target, and no link leaves the page."""
    parsed = Parsed(page_of(name))
    assert [held for held, count in collections.Counter(parsed.ids).items() if count > 1] == []
    assert all(parsed.ids)
    assert {href for href in parsed.hrefs if not href.startswith("#")} == set()
    assert {href[1:] for href in parsed.hrefs} - set(parsed.ids) == set()


@pytest.mark.parametrize("name", [*SAMPLES, "fleet"])
def test_nothing_is_fetched_and_only_what_is_ours_may_run(page_of: Callable[[str], str], name: str) -> None:
    """No element that loads, no style attribute, no event attribute; the policy names the one style and script by hash."""
    page = page_of(name)
    parsed = Parsed(page)
    assert not set(parsed.tags) & {"link", "img", "iframe", "object", "embed", "form", "base", "video", "audio"}
    assert parsed.tags["script"] == parsed.tags["style"] == 1
    assert [
        held for held in parsed.attributes if held[1] in {"src", "style", "srcset", "action"} or held[1].startswith("on")
    ] == []
    policy = next(
        value for tag, name_, value in parsed.attributes if (tag, name_) == ("meta", "content") and "default-src" in value
    )
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    for kind in ("script", "style"):
        digest = base64.b64encode(hashlib.sha256("".join(parsed.raw[kind]).encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in policy
    assert re.findall(r"url\(|@import|https?:", "".join(parsed.raw["style"])) == []


def test_every_finding_of_a_full_page_is_on_it_once(sample: ModuleType, page_of: Callable[[str], str]) -> None:
    """The total of the rows is the total of the report, each finding under an id of its own."""
    report = sample.tidewater()
    parsed = Parsed(page_of("tidewater"))
    shown = [held for held in parsed.ids if held.startswith("f-")]
    assert len(shown) == len(report.findings())
    unsettled = sum(finding.grade is not Grade.PASS for finding in report.findings())
    assert parsed.classes["finding"] == unsettled
    counts = report.counts
    assert (counts.passed, counts.fail + counts.caution + counts.unproven + counts.waived) == (len(shown) - unsettled, unsettled)


def test_a_lean_page_has_every_host_and_every_finding_that_is_no_pass(sample: ModuleType, page_of: Callable[[str], str]) -> None:
    """For many hosts passes are told in brief, but nothing that needs a look is left out."""
    report = sample.fleet()
    parsed = Parsed(page_of("fleet"))
    assert parsed.classes["host"] == len(report.hosts) + 1
    assert parsed.classes["finding"] == sum(finding.grade is not Grade.PASS for finding in report.findings())
    passed = sum(int(count.replace(",", "")) for count in re.findall(r"<summary>([\d,]+) passed</summary>", page_of("fleet")))
    assert passed == report.counts.passed


def test_a_deep_link_stays_the_same_from_run_to_run(sample: ModuleType) -> None:
    """A link pasted into a ticket finds the finding in the next report too, whatever else was found."""
    assert 'id="f-dome-b.obs.example.net-clock.offset-192.0.2.12-123"' in to_html(sample.small())
    assert 'id="f-dome-b.obs.example.net-clock.offset-192.0.2.12-123"' in to_html(sample.tidewater())


def test_the_page_has_a_title_a_language_and_real_headings(page_of: Callable[[str], str]) -> None:
    """WCAG 2.2, 2.4.2, 3.1.1 and 1.3.1."""
    page = page_of("tidewater")
    assert '<html lang="en">' in page
    assert "<title>not ready: Tidewater Observatory, rack 2, 2027-03-04 09:12:24 UTC</title>" in page
    assert Parsed(page).tags["h1"] == 1
    # A header without a scope is the column's, where its row holds no data (HTML section 4.9.12.2).
    outside_heads = re.sub(r"<thead>.*?<tbody>", "", page, flags=re.S)
    assert len(outside_heads) < len(page)
    assert re.search(r"<th(?! scope)", outside_heads) is None


def test_hostile_text_is_shown_as_text(sample: ModuleType, page_of: Callable[[str], str]) -> None:
    """Script tags, quotes, bidirectional and control characters read back as themselves, escaped exactly once."""
    plain, hostile = Parsed(page_of("small")), Parsed(page_of("hostile"))
    assert hostile.tags["script"] == 1
    assert hostile.tags["img"] == 0
    assert set(hostile.tags) - {"ul"} <= set(plain.tags) | set(Parsed(page_of("tidewater")).tags)
    assert hostile.text.count(visible(sample.HOSTILE)) > 20
    assert "49" not in [piece.strip() for piece in hostile.pieces]
    assert [char for char in page_of("hostile") if not char.isprintable() and char != "\n"] == []


@pytest.mark.parametrize(
    "text", ["</title>", "</style>", "</script>", "<!--", "]]>", '"><b>', "'><b>", "&lt;", "{{ 7 }}", "{% raw %}", "\\"]
)
def test_mark_up_in_any_field_stays_text(sample: ModuleType, text: str) -> None:
    """Each of the ways out of a context that a host might try."""
    odd = f"a{text}b"
    parsed = Parsed(to_html(sample.hostile(odd)))
    assert parsed.text.count(odd) > 20
    # A hyphen brings an element of ours with it, so that the plain text has as many, and no mark-up.
    assert parsed.tags == Parsed(to_html(sample.hostile(re.sub(r"[^-]", "x", odd)))).tags


def test_a_text_of_100_kb_is_cut_and_says_so(sample: ModuleType) -> None:
    """The page stays small and the reader knows where the rest is."""
    page = to_html(sample.hostile("x" * 100_000))
    assert "x" * LONGEST_TEXT + "… (100,000 characters; the JSON report holds them all)" in Parsed(page).text
    assert "x" * (LONGEST_TEXT + 1) not in page
    assert len(page.encode()) < 600_000


@pytest.mark.parametrize(("name", "most"), [("tidewater", 300_000), ("fleet", 6_000_000)])
def test_the_page_is_small(page_of: Callable[[str], str], name: str, most: int) -> None:
    """Ten hosts in under 300 KB, a thousand in under 6 MB, so that a ticket takes it."""
    assert len(page_of(name).encode()) < most


def test_raw_octets_of_certificates_are_left_to_the_json(sample: ModuleType, page_of: Callable[[str], str]) -> None:
    """The certificate's bytes would be most of the page and nobody reads them there."""
    der = sample.tidewater().hosts[0].evidence.tls[0].chain[0].der
    assert base64.b64encode(der).decode()[:40] not in page_of("tidewater")


def test_a_partial_run_says_so_at_once(sample: ModuleType) -> None:
    """A reader of an interrupted run is not left to find out."""
    report = sample.small()
    partial = msgspec.structs.replace(report, run=msgspec.structs.replace(report.run, complete=False))
    assert "A partial run." in to_html(partial)
    assert "A partial run." not in to_html(report)


def test_a_report_of_nothing_can_be_shown(sample: ModuleType) -> None:
    """A run that was stopped before the first answer is still a report."""
    report = sample.sound()
    empty = msgspec.structs.replace(
        report,
        hosts=(),
        site=sample.SiteReport(findings=(), evidence=sample.SiteEvidence()),
        counts=sample.Counts(),
        coverage=sample.Coverage(planned=0, proven=0),
        verdict="unproven",
    )
    assert "Not proven ready." in Parsed(to_html(from_json(to_json(empty)))).text


def test_every_grade_has_a_word_and_a_shape_wherever_it_has_a_colour(page_of: Callable[[str], str]) -> None:
    """WCAG 1.4.1: every mark in the page is followed by its word, shown or spoken."""
    page = page_of("tidewater")
    words = {"f": "fail|not ready", "c": "caution|ready, with cautions", "u": "unproven", "w": "waived", "p": "pass|ready"}
    marks = re.findall(r'<svg class="m (\w)" aria-hidden="true"><use href="#m-(\w)"/></svg>(?=(.{0,60}))', page, re.S)
    assert len(marks) > 100
    for key, shape, after in marks:
        assert key == shape
        assert re.match(rf"\s*(<b>\d+</b>\s*|<span( class=\"v\")?>)?\s*({words[key]}|Not ready for)", after), after
    drawn_by_the_style = re.findall(r'<td class="y">(.{0,11})', page)
    assert len(drawn_by_the_style) > 50
    assert set(drawn_by_the_style) == {"<i>pass</i>"}


def test_the_page_says_what_a_pass_proves_and_what_it_does_not(sample: ModuleType) -> None:
    """Every check that was made, with its basis, so that no reader takes a pass for more than it is."""
    report = sample.three()
    parsed = Parsed(to_html(report))
    made = {finding.check for finding in report.findings()}
    assert {held[2:] for held in parsed.ids if held.startswith("c-")} == made
    assert "It does not prove:" in parsed.text


def test_each_mend_of_a_cause_is_on_the_page_once(sample: ModuleType) -> None:
    """At its host the page points to the number instead, so that nobody mends twice or compares two copies."""
    text = Parsed(to_html(sample.tidewater())).text
    assert text.count("chronyc -a makestep") == 1
    assert "The mend is no. 4 above." in text


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(max_size=120))
def test_any_text_at_all_gives_a_sound_page(sample: ModuleType, text: str) -> None:
    """Whatever a host says: no element of its making, no id twice, no link to nowhere, nothing that does not print."""
    page = to_html(sample.hostile(text))
    parsed = Parsed(page)
    assert parsed.tags["script"] == parsed.tags["style"] == 1
    assert len(set(parsed.ids)) == len(parsed.ids)
    assert {href[1:] for href in parsed.hrefs} <= set(parsed.ids)
    assert all(line.isprintable() for line in page.split("\n"))


def test_what_was_found_as_planned_says_so_in_its_own_column(page_of: Callable[[str], str]) -> None:
    """An empty column under "Found" was read as nothing found."""
    page = page_of("tidewater")
    assert "<td>192.0.2.11<td>as planned" in page
    assert "colspan" not in page


def test_where_all_is_proven_no_heading_says_otherwise(page_of: Callable[[str], str]) -> None:
    """Beside the first screen's "Proven" the list below was headed "Not proven"."""
    assert "Not proven<" not in page_of("sound")
    assert page_of("sound").count(">Proven<") == 2
    assert page_of("tidewater").count(">Not proven<") == 2


@pytest.mark.parametrize(("kinds", "words"), [(9, "and 1 more kind<"), (10, "and 2 more kinds<")])
def test_kinds_left_off_the_first_screen_are_counted(sample: ModuleType, kinds: int, words: str) -> None:
    """Eight are named there."""
    missing = tuple(Missing(check=f"system.{number}", subjects=("every host",), why="not asked", would_prove="a login")
                    for number in range(kinds))
    report = msgspec.structs.replace(sample.small(), coverage=Coverage(planned=20, proven=1, missing=missing))
    assert words in to_html(report)
