"""The accessibility checker finds nothing."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files

import pytest
from playwright.sync_api import Page

pytestmark = pytest.mark.browser
#: The checker itself (axe-core, MPL-2.0), as the package from PyPI carries it; its wrapper is not used.
AXE = files("axe_playwright_python") / "axe.min.js"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("which", ["tidewater", "three", "sound", "hostile", "rebooted", "nights"])
def test_axe_has_no_violation_to_tell(show: Callable[..., Page], which: str, width: int, scheme: str) -> None:
    """Every rule of WCAG 2.2 A and AA that it knows, and its best practices, with everything unfolded."""
    page = show(which, width=width, color_scheme=scheme, bypass_csp=True)
    page.evaluate("() => document.querySelectorAll('details').forEach((box) => { box.open = true; })")
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("() => axe.run(document, { resultTypes: ['violations'] })")
    assert [(rule["id"], [node["html"][:120] for node in rule["nodes"][:3]]) for rule in found["violations"]] == []
    assert len(found["passes"]) > 20
