"""A real browser, Debian's Chromium, and the pages it is shown."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from reports.html import to_html
from shared.history import Nights

HERE = Path(__file__).parent
CHROMIUM = "/usr/bin/chromium"
#: A browser that asks nobody anything; root, as which the tests run, cannot have the sandbox.
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """``pages(name)``: the file of a sample report's page; "nights" is one with earlier nights drawn on it."""
    name = "seatrial_report_sample_for_browser"
    spec = importlib.util.spec_from_file_location(name, HERE.parent / "reports" / "sample.py")
    assert spec is not None
    assert spec.loader is not None
    sample = importlib.util.module_from_spec(spec)
    sys.modules[name] = sample
    spec.loader.exec_module(sample)
    folder = tmp_path_factory.mktemp("pages")

    def page(which: str) -> Path:
        path = folder / f"{which}.html"
        if not path.exists():
            report = getattr(sample, "tidewater" if which == "nights" else which)()
            nights = sample.nights(report) if which == "nights" else Nights()
            path.write_text(to_html(report, nights=nights), encoding="utf-8")
        return path

    return page


# Of a module and not of the session: while it runs, it holds an event loop in the tests' own thread, where then no test
# of ours could start one.
@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield running
        running.close()


@pytest.fixture
def show(browser: Browser, pages: Callable[[str], Path]) -> Iterator[Callable[..., Page]]:
    """``show(name, width=1280, height=800, anchor="", **context)``: the page, open; any error it logs fails the test."""
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def open_page(which: str, *, width: int = 1280, height: int = 800, anchor: str = "", **options: object) -> Page:
        context = browser.new_context(viewport={"width": width, "height": height}, **options)  # type: ignore[arg-type]
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: complaints.append(message.text) if message.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("request", lambda request: complaints.append(request.url) if not request.url.startswith("file:") else None)
        page.goto(f"file://{pages(which)}{anchor}")
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert complaints == []
