"""The HTML report: one self-contained file, drawn from the view of a report (``reports.view``).

The templates are autoescaped, and every piece of text in them goes through ``_shown`` once: what would not show as
itself is written out, and what is too long to be read is cut and says so.  The style and the script are named by their
hash in the file's own Content-Security-Policy; nothing else may run and nothing may be fetched.
"""

from __future__ import annotations

import base64
import functools
import hashlib
from collections.abc import Iterator, Mapping

import jinja2
from markupsafe import Markup

from reports import linebreaks, palette, view
from shared import catalogue
from shared.catalogue import Check
from shared.history import NO_NIGHTS, Nights
from shared.run import Report
from shared.safetext import visible

#: The most characters of one text shown; the JSON report holds all of them.  About a screen of text.
LONGEST_TEXT = 2000
#: Parts of a template drawn before they are handed on together: some tens of kilobytes.
_PARTS_A_PIECE = 1000


def to_html(report: Report, *, checks: Mapping[str, Check] = catalogue.CHECKS, nights: Nights = NO_NIGHTS) -> str:
    """The page of a report, whole.

    ``checks`` is the catalogue its titles and owners are read from.  ``nights`` is what earlier runs saw; where given, the
    page shows it as pictures.
    """
    return "".join(html_pieces(report, checks=checks, nights=nights))


def html_pieces(report: Report, *, checks: Mapping[str, Check] = catalogue.CHECKS,
                nights: Nights = NO_NIGHTS) -> Iterator[str]:
    """The same page piece by piece, as it is drawn."""
    environment = _environment()
    style = environment.get_template("style.css.j2").render(light=palette.LIGHT, dark=palette.DARK)
    script = environment.get_template("script.js").render()
    stream = environment.get_template("page.html.j2").stream(
        page=view.build(report, checks, nights), style=Markup(style), script=Markup(script),  # noqa: S704  (our own files)
        policy=_policy(style, script))
    stream.enable_buffering(_PARTS_A_PIECE)
    return iter(stream)


def still_page(template: str, **shown: object) -> str:
    """A page in the same style that runs no script, from another template."""
    environment = _environment()
    style = environment.get_template("style.css.j2").render(light=palette.LIGHT, dark=palette.DARK)
    policy = f"default-src 'none'; style-src {_hash(style)}; base-uri 'none'; form-action 'none'"
    return environment.get_template(template).render(style=Markup(style), policy=policy, **shown)  # noqa: S704  (our own file)


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(loader=jinja2.PackageLoader("reports"), autoescape=True, finalize=_shown, trim_blocks=True,
                              lstrip_blocks=True, undefined=jinja2.StrictUndefined, keep_trailing_newline=False)
    environment.globals["newline"] = Markup("\n")
    environment.filters["unparted"] = lambda text: linebreaks.unparted(str(_shown(text)))
    environment.filters["at_dots"] = lambda name: linebreaks.at_dots(str(_shown(name)))
    return environment


def _shown(value: object) -> object:
    """Text as it may be shown; mark-up that a template made, and numbers, as they are."""
    if isinstance(value, Markup) or not isinstance(value, str):
        return value
    if len(value) > LONGEST_TEXT:
        value = f"{value[:LONGEST_TEXT]}… ({len(value):,} characters; the JSON report holds them all)"
    return visible(value)


def _policy(style: str, script: str) -> str:
    """Nothing may be fetched, sent or framed; only this style and this script apply (Content Security Policy Level 3)."""
    return (f"default-src 'none'; style-src {_hash(style)}; script-src {_hash(script)}; base-uri 'none'; form-action 'none'; "
            "require-trusted-types-for 'script'")


def _hash(text: str) -> str:
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return f"'sha256-{digest}'"
