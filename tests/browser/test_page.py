"""The page in a real browser: at every width, with and without scripts, by keyboard, on paper."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page

pytestmark = pytest.mark.browser
WIDTHS = [360, 820, 1440]


def shown_hosts(page: Page) -> int:
    return page.locator(".host:visible:not(#site)").count()


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("which", ["tidewater", "three", "sound", "hostile", "rebooted", "nights"])
def test_nothing_runs_off_to_the_side(show: Callable[..., Page], which: str, width: int) -> None:
    """WCAG 2.2, 1.4.10: phone, tablet and desk, with everything unfolded."""
    page = show(which, width=width)
    page.evaluate("() => document.querySelectorAll('details').forEach((box) => { box.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (1440, 900)])
def test_the_first_screen_answers_the_four_questions(show: Callable[..., Page], width: int, height: int) -> None:
    """Ready or not; who must do what; what was not proven; what was tested, when, from where, against which plan."""
    page = show("tidewater", width=width, height=height)
    for text in (
        "Not ready for its next stage.", "7 things to mend", "Name servers", "443/tcp on dome-h.obs.example.net still accepts",
        "205 of 231 planned checks", "Waits for no. 1", "2027-03-04 09:12:24 UTC, 14 s", "pier-1, 198.51.100.7",
        "SHA-256 3fd83fd83fd8",
    ):
        box = page.get_by_text(text).first.bounding_box()
        assert box is not None, text
        assert box["y"] + box["height"] <= height, text


@pytest.mark.parametrize("media", ["screen", "print"])
@pytest.mark.parametrize("number", ["9", "15", "128"])
def test_the_number_of_a_mend_stands_on_one_line_beside_its_text(show: Callable[..., Page], media: str, number: str) -> None:
    """From the tenth on its digits stood one below the other, where the serif at hand is a wide one."""
    page = show("tidewater", width=1280)
    page.emulate_media(media=media)  # type: ignore[arg-type]
    shown = page.locator("#mend-4 .number")
    shown.evaluate("(one, text) => { one.textContent = text; }", number)
    lines = shown.evaluate("(one) => { const all = document.createRange(); all.selectNodeContents(one);"
                           " return [...all.getClientRects()].map((line) => [line.top, line.right]); }")
    text = page.locator("#mend-4 h3").bounding_box()
    assert text is not None
    assert len({top for top, _ in lines}) == 1
    assert lines[0][1] < text["x"]


@pytest.mark.parametrize("width", [390, 1280])
def test_how_many_hosts_more_need_the_same_is_never_cut(show: Callable[..., Page], width: int) -> None:
    """"rack00-node03 and 3…" was read as three more, where there were thirty-seven."""
    page = show("fleet", width=width)
    counts = page.locator(".index .owner .soft span:not(.place)")
    assert counts.count() > 1
    for place in counts.all():
        assert re.fullmatch(r"and [0-9,]+ more", place.inner_text())
        assert place.evaluate("(one) => { const all = one.getBoundingClientRect(), room = one.closest('.owner')"
                              ".getBoundingClientRect(); return all.right <= room.right + 1 && all.bottom <= room.bottom + 1; }")
    assert page.locator(".index .place", has_text="rack00-node03").first.evaluate("(one) => one.scrollWidth <= one.clientWidth")


def test_without_scripts_everything_can_be_read(show: Callable[..., Page]) -> None:
    """Ticket previews strip scripts: mends stand there as text, folds open, and no dead control is left over."""
    page = show("tidewater", java_script_enabled=False)
    assert page.get_by_text("chronyc -a makestep").first.is_visible()
    assert page.locator("button, input").count() == 0
    fold = page.locator("details.fold", has_text="Explains 15 other findings").first
    fold.locator("summary").click()
    assert fold.get_by_text("dome-d.obs.example.net: port.open 22/tcp").is_visible()
    page.locator("#fleet").get_by_role("link", name="dome-c", exact=True).click()
    assert page.url.endswith("#h-dome-c.obs.example.net")


def test_search_leaves_the_hosts_that_hold_every_word(show: Callable[..., Page]) -> None:
    """In the matrix and below it, and the count is said."""
    page = show("tidewater")
    assert shown_hosts(page) == 10
    page.get_by_role("searchbox", name="Search hosts and findings").fill("telnet-free 192.0.2.17")
    page.get_by_text("0 of 10 hosts shown").wait_for()
    page.get_by_role("searchbox").fill("192.0.2.17 port.closed")
    page.get_by_text("1 of 10 hosts shown").wait_for()
    assert page.locator(".host:visible h3").all_inner_texts() == ["dome-g"]
    assert page.locator(".matrix tbody tr:visible").count() == 1
    page.get_by_role("searchbox").fill("")
    page.get_by_text("10 hosts", exact=True).wait_for()


def test_filters_add_up(show: Callable[..., Page]) -> None:
    """Each verdict's button tells whether it is pressed; several pressed show their union."""
    page = show("tidewater")
    ready = page.get_by_role("button", name="ready", exact=True)
    unproven = page.get_by_role("button", name="unproven", exact=True)
    ready.click()
    assert ready.get_attribute("aria-pressed") == "true"
    assert shown_hosts(page) == 2
    unproven.click()
    assert shown_hosts(page) == 3
    ready.click()
    unproven.click()
    assert shown_hosts(page) == 10


def test_verdicts_are_chosen_from_only_where_hosts_differ(show: Callable[..., Page]) -> None:
    """A button of a verdict that only the site has showed no host at all, and one that all hosts have showed them all."""
    page = show("alike")
    page.locator(".tools", has_text="100 hosts").wait_for()
    assert page.locator(".tools button").count() == 0
    assert show("three").locator(".tools button").all_inner_texts() == ["not ready", "ready"]


def test_a_link_leads_to_its_place_while_hosts_are_filtered(show: Callable[..., Page]) -> None:
    """What it points at was filtered out: then all hosts are shown again, and the buttons say so."""
    page = show("tidewater")
    ready = page.get_by_role("button", name="ready", exact=True)
    ready.click()
    page.get_by_role("searchbox").fill("dome-a")
    page.get_by_text("1 of 10 hosts shown").wait_for()
    page.evaluate("location.hash = 'f-dome-d.obs.example.net-port.open-22-tcp'")
    finding = page.locator('[id="f-dome-d.obs.example.net-port.open-22-tcp"]')
    finding.wait_for(state="visible")
    assert finding.evaluate("(element) => element.getBoundingClientRect().top") < 800
    assert shown_hosts(page) == 10
    assert ready.get_attribute("aria-pressed") == "false"


def test_paper_has_every_host_whatever_was_filtered(show: Callable[..., Page]) -> None:
    """A ticket with a host missing would be read as a host without fault; what is lean on paper stays so."""
    page = show("tidewater")
    page.get_by_role("button", name="ready", exact=True).click()
    assert shown_hosts(page) == 2
    page.emulate_media(media="print")
    assert shown_hosts(page) == 10
    large = show("fleet")
    large.get_by_role("button", name="not ready", exact=True).click()
    large.emulate_media(media="print")
    assert large.locator("article.host[data-v=f]:visible").count() > 0
    assert large.locator("article.host[data-v=p]:visible").count() == 0


def test_a_mend_is_copied_whole(show: Callable[..., Page]) -> None:
    """One click, the exact lines, and a word that it was done."""
    page = show("tidewater", permissions=["clipboard-read", "clipboard-write"])
    page.locator("#mend-4").get_by_role("button", name="Copy this mend").click()
    page.locator("#mend-4 button", has_text="Copied").wait_for()
    assert page.evaluate("navigator.clipboard.readText()") == "chronyc -a makestep\nthen see that it holds: chronyc tracking"


def test_all_mends_of_one_owner_are_copied_together(show: Callable[..., Page]) -> None:
    """What the keeper of the certificates is sent: their causes and mends, and nobody else's."""
    page = show("tidewater", permissions=["clipboard-read", "clipboard-write"])
    page.get_by_role("button", name="Copy all mends for Certificates").click()
    page.locator(".owner-row button", has_text="Copied").wait_for()
    text = page.evaluate("navigator.clipboard.readText()")
    assert "DNS:dome-e.obs.example.net" in text
    assert "ssl_protocols TLSv1.2 TLSv1.3;" in text
    assert "chronyc" not in text


def test_copying_works_where_the_clipboard_is_refused(show: Callable[..., Page]) -> None:
    """In a frame or an old browser the text is selected and copied the older way, or the button says that it was not."""
    page = show("tidewater")
    page.evaluate("""() => Object.defineProperty(navigator, "clipboard",
                                                 { value: { writeText: () => Promise.reject(new Error("no")) } })""")
    page.locator("#mend-4").get_by_role("button", name="Copy this mend").click()
    page.locator("#mend-4 button").filter(has_text=re.compile("^(Copied|Not copied)")).wait_for()


def test_the_page_can_be_used_by_keyboard_alone(show: Callable[..., Page]) -> None:
    """WCAG 2.2, 2.1.1, 2.4.1 and 2.4.7: skip link first, every control reached, the focus always to be seen."""
    page = show("three")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to what must be done"
    page.keyboard.press("Enter")
    assert page.url.endswith("#order")
    reached: set[str] = set()
    for _ in range(120):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.tagName"))
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert page.evaluate("document.activeElement === document.body") or outline != "none"
    assert {"A", "BUTTON", "INPUT", "SUMMARY", "PRE"} <= reached


def test_a_fold_opens_by_keyboard_and_by_a_deep_link(show: Callable[..., Page]) -> None:
    """A link to a finding that is folded away unfolds it."""
    page = show("tidewater", anchor="#f-dome-d.obs.example.net-port.open-22-tcp")
    finding = page.locator('[id="f-dome-d.obs.example.net-port.open-22-tcp"]')
    finding.wait_for(state="visible")
    assert finding.evaluate("(element) => element.getBoundingClientRect().top") < 800
    summary = page.locator("#h-dome-a\\.obs\\.example\\.net summary").first
    summary.focus()
    page.keyboard.press("Enter")
    assert page.locator("#h-dome-a\\.obs\\.example\\.net table.held").is_visible()


def test_the_matrix_sorts_by_what_needs_a_look_and_back(show: Callable[..., Page]) -> None:
    """A second press restores the order of the plan."""
    page = show("tidewater")
    names = page.locator(".matrix tbody th")
    planned = names.all_inner_texts()
    column = page.locator(".matrix thead").get_by_role("button", name="ports")
    column.click()
    assert names.all_inner_texts()[:2] == ["dome-g", "dome-d"]
    assert page.locator('.matrix th[aria-sort="ascending"]').count() == 1
    column.click()
    assert names.all_inner_texts() == planned


def test_every_picture_has_a_name(show: Callable[..., Page]) -> None:
    """WCAG 2.2, 1.1.1: a picture is hidden from readers or says what it shows."""
    page = show("fleet")
    pictures = page.locator("svg")
    unnamed = pictures.evaluate_all(
        "(all) => all.filter((one) => !one.closest('[aria-hidden=true]') && !one.getAttribute('aria-label')).length")
    assert pictures.count() > 1000
    assert unnamed == 0


def test_a_thousand_hosts_open_in_two_seconds(show: Callable[..., Page]) -> None:
    """Parsed, styled, scripted and painted, measured by the browser itself."""
    page = show("fleet")
    page.wait_for_function("performance.getEntriesByType('navigation')[0].loadEventEnd > 0")
    assert page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd") < 2000
    page.get_by_role("searchbox").fill("rack07-node11")
    page.get_by_text("1 of 1,000 hosts shown").wait_for()


def test_a_square_of_the_carpet_leads_to_its_host(show: Callable[..., Page]) -> None:
    """Pointing names the host; pressing goes there."""
    page = show("fleet", width=1280, height=1000)
    carpet = page.locator(".carpet").first
    picture = carpet.locator("svg")
    picture.scroll_into_view_if_needed()
    box = picture.bounding_box()
    assert box is not None
    side = box["width"] / 50
    at = {"x": side * 3.5, "y": side * 2.5}
    picture.hover(position=at)
    assert carpet.locator(".soft").inner_text() == "rack02-node23"
    picture.click(position=at)
    page.wait_for_url("**#h-rack02-node23.obs.example.net")


def _printed(page: Page, folder: Path) -> list[str]:
    file = folder / "page.pdf"
    page.pdf(path=str(file), prefer_css_page_size=True, print_background=False)
    text = subprocess.run(["pdftotext", "-layout", str(file), "-"], check=True, capture_output=True, text=True).stdout
    return text.split("\f")


def test_the_glance_of_three_hosts_is_one_sheet_of_paper(show: Callable[..., Page], tmp_path: Path) -> None:
    """Verdict, mends, what was not proven, the record, the matrix and the lines to sign on, on one page of A4."""
    sheets = _printed(show("three"), tmp_path)
    # Letter-spaced headings come out of the file with spaces between their letters, so those are looked for without any.
    first, second = (sheet.replace(" ", "").replace("\n", "") for sheet in sheets[:2])
    for text in ("Not ready for its next stage.", "chronyc -a makestep", "DNS:dome-c.obs.example.net", "Would prove it:",
                 "3fd83fd8", "CHG-1042", "THE FLEET", "dome-c", "Reviewed by"):
        assert text.replace(" ", "") in first, text
    assert "THECLOCKS" not in first
    assert second.startswith("THECLOCKS")


def test_many_hosts_that_are_alike_take_few_sheets(show: Callable[..., Page], tmp_path: Path) -> None:
    """Each of a hundred hosts still stands there by its name; the search hides nothing on paper."""
    page = show("alike")
    page.get_by_role("searchbox").fill("node7")
    sheets = _printed(page, tmp_path)
    text = " ".join("\n".join(sheets).split())
    assert len(sheets) <= 6
    assert "100 hosts are alike but for names and values" in text
    assert all(f"node{number}" in text for number in range(100))
    assert "more, on the screen and in the JSON report" in text


def test_every_sheet_of_the_matrix_has_its_headings(show: Callable[..., Page], tmp_path: Path) -> None:
    """From the second sheet on nobody could tell what a column was about."""
    page = show("fleet")
    # Many hosts that are unlike have a row each.
    page.evaluate("() => document.querySelectorAll('tr.unprinted').forEach((row) => row.classList.remove('unprinted'))")
    sheets = [sheet for sheet in _printed(page, tmp_path) if len(re.findall("^ *rack.* not ready", sheet, re.M)) > 20]
    assert len(sheets) > 1
    assert all(re.search("verdict.*certificate.*ports", sheet) for sheet in sheets)


def test_paper_tells_a_cause_once(show: Callable[..., Page]) -> None:
    """What a mend tells whole is told in brief at its host, and on the screen whole at both."""
    page = show("three")
    message = page.locator(".finding.told .message").first
    assert message.is_visible()
    page.emulate_media(media="print")
    assert not message.is_visible()
    assert page.locator(".finding.told h4").first.is_visible()


@pytest.mark.parametrize("width", [360, 820, 1280])
def test_no_line_ends_at_a_hyphen(show: Callable[..., Page], width: int) -> None:
    """"dome-" at the end of a line and "c" at the begin of the next was read as two words; nothing is copied but the name."""
    page = show("tidewater", width=width)
    page.evaluate("() => document.querySelectorAll('details').forEach((box) => { box.open = true; })")
    parted = page.evaluate("""() => {
      const found = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
      for (let node = walk.nextNode(); node; node = walk.nextNode()) {
        for (const one of node.data.matchAll(/-(?=[a-z0-9])/gi)) {
          const line = (at) => { const range = document.createRange(); range.setStart(node, at); range.setEnd(node, at + 1);
                                 return range.getClientRects()[0]; };
          const hyphen = line(one.index), next = line(one.index + 1);
          if (hyphen && next && next.top >= hyphen.bottom) found.push(node.data.slice(one.index - 20, one.index + 20));
        }
      }
      return found;
    }""")
    assert parted == []
    # In a box of columns each element would be a column by itself.
    assert page.evaluate("[...document.querySelectorAll('i')].filter((one) => !one.closest('.y') && getComputedStyle(one).display"
                         " !== 'inline').map((one) => one.parentElement.textContent)") == []
    name = page.locator("#h-dome-c\\.obs\\.example\\.net h3 a")
    assert name.evaluate("(one) => { getSelection().selectAllChildren(one); return getSelection().toString(); }") == "dome-c"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_paper_is_white_whatever_the_screen(show: Callable[..., Page], scheme: str) -> None:
    """Nobody prints a night sky."""
    page = show("three", color_scheme=scheme)
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(22, 35, 58)"


def test_dark_is_dark(show: Callable[..., Page]) -> None:
    """The page follows the reader's own setting."""
    page = show("three", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(15, 24, 38)"
