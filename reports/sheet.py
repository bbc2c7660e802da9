"""The build sheets as a page to print (one host an A4 side, black on white) and as plain text (one host a form).

Both are drawn from ``reports.sheetview``.  The HTML file stands alone: it fetches nothing, runs nothing and says so in
its own Content-Security-Policy.
"""

from __future__ import annotations

import base64
import functools
import hashlib
import textwrap

import jinja2
from markupsafe import Markup

from reports import linebreaks
from reports.sheetview import Row, Section, SheetsView, SheetView
from shared.safetext import visible
from shared.zonelines import master_file

#: A line of the text form, in characters: what every printer and every terminal has.
WIDTH = 78
_BOXES = "[ ]  [ ]"
_LABEL, _VALUE_END = 22, WIDTH - len(_BOXES) - 2
_RULED = "." * 28
#: Room for what the plan does not say, wide enough for a fingerprint's 43 characters (SHA-256 in base64, unpadded).
_BLANK = "." * (_VALUE_END - _LABEL)


def to_html(view: SheetsView) -> str:
    """The page of all sheets, whole."""
    environment = _environment()
    style = environment.get_template("sheet.css.j2").render()
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return environment.get_template("sheet.html.j2").render(
        page=view, style=Markup(style), zone_text=master_file,  # noqa: S704  (our own file)
        policy=f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'")


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(loader=jinja2.PackageLoader("reports"), autoescape=True, finalize=_shown,
                                     trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined)
    environment.globals["newline"] = Markup("\n")
    environment.filters["unparted"] = lambda text: linebreaks.unparted(visible(text))
    environment.filters["at_dots"] = lambda name: linebreaks.at_dots(visible(name))
    return environment


def _shown(value: object) -> object:
    """Text as it may be shown; mark-up that a template made, and numbers, as they are."""
    return visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value


# --- plain text


def to_text(view: SheetsView) -> str:
    """All sheets, a form feed between two, and the zone lines after the last."""
    pages = [_page(view, sheet) for sheet in view.sheets]
    if view.zones:
        pages.append(_zones(view))
    return "\f".join("\n".join(line.rstrip() for line in page) + "\n" for page in pages)


def _page(view: SheetsView, sheet: SheetView) -> list[str]:
    lines = [*_head(view, f"sheet {sheet.number} of {len(view.sheets)}"), visible(sheet.fqdn), visible(sheet.facts),
             *_margin(sheet), f"{'set  back':>{WIDTH}}"]
    for section in sheet.sections:
        lines += [*_section(section), ""]
    lines += ["NOTES", *_folded(sheet.note, "  "), *["  " + "." * (WIDTH - 2)] * sheet.note_lines]
    lines += ["", "SIGNED", f"  set by        {_RULED}  on {'.' * 26}", f"  read back by  {_RULED}  on {'.' * 26}", "",
              "  after the reboot:", *_command(sheet.command), f"  run {'.' * 32}  verdict {'.' * 29}"]
    return lines


def _head(view: SheetsView, what: str) -> list[str]:
    left = "seatrial build sheet"
    title = textwrap.shorten(visible(view.title), WIDTH, placeholder="…")
    return [f"{left}{what:>{WIDTH - len(left)}}", title,
            visible(f"plan {view.plan}, sha256 {view.digest}, printed {view.printed}"), "=" * WIDTH]


def _section(section: Section) -> list[str]:
    lines = [section.title.upper()]
    for row in section.rows:
        lines += _row(row)
    return lines


def _row(row: Row) -> list[str]:
    """The value on the label's line with the boxes; what does not fit beside it goes below."""
    label = f"  {row.label:<{_LABEL - 2}}"
    value, hint = visible(row.value) or _BLANK, visible(row.hint)
    beside = f"{label}{value}  {hint}" if hint else f"{label}{value}"
    if len(beside) <= _VALUE_END:
        return [f"{beside:<{_VALUE_END}}  {_BOXES}"]
    # A value is never folded: it would be typed with the gap in it.
    first = f"{label}{value}"
    lines = [f"{first:<{_VALUE_END}}  {_BOXES}"] if len(first) <= _VALUE_END else [first, f"{'':<{_VALUE_END}}  {_BOXES}"]
    return [*lines, *_folded(hint, " " * _LABEL)] if hint else lines


def _margin(sheet: SheetView) -> list[str]:
    lines = ["", "BEFORE YOU TYPE"] if sheet.margin else []
    for note in sheet.margin:
        lines += textwrap.wrap(visible(f"{note.kind}: {note.text}"), WIDTH - 2, initial_indent="  ", subsequent_indent="    ",
                               break_on_hyphens=False)
    if sheet.margin_left_out:
        lines.append(f"  and {sheet.margin_left_out} more: seatrial lint")
    return lines


def _command(command: str) -> list[str]:
    return [f"    {visible(command)}"]


def _folded(text: str, indent: str) -> list[str]:
    return textwrap.wrap(visible(text), WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)


def _zones(view: SheetsView) -> list[str]:
    lines = [*_head(view, "for the name servers"), "The records that these hosts need, by zone (RFC 1035 section 5).", ""]
    for zone in view.zones:
        lines += [*map(visible, master_file(zone).splitlines()), ""]
    return lines
