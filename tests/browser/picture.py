"""Takes a picture of a report's first screen: ``python tests/browser/picture.py REPORT.html PICTURE.png [light|dark]``."""

from __future__ import annotations

import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

CHROMIUM = "/usr/bin/chromium"
#: The width that the page is drawn for, and a height that shows its first screen.
SIZE = {"width": 1280, "height": 900}


def main(report: str, picture: str, scheme: str = "light") -> None:
    """Open the report in Debian's Chromium and save what a reader sees first."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--headless", "--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport=SIZE, color_scheme="dark" if scheme == "dark" else "light")
        page.goto(Path(report).resolve().as_uri())
        page.screenshot(path=picture)
        browser.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
