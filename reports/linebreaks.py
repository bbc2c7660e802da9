"""Where a line of a page may end: never at a hyphen, where a parted name reads as two words, and in a long name after a dot.

Browsers may end a line after any hyphen (Unicode Annex 14, class HY).  A hyphen therefore stands with its two neighbours in an
element in which the style sheets allow no break; a joining character would be copied from a printed page.  A name that is
longer than its line still breaks elsewhere, as ``overflow-wrap`` says.
"""

from __future__ import annotations

import functools
import re

from markupsafe import Markup, escape

#: A few hyphens, and what stands before and behind them, which is no part of a character reference or of an element.
_HYPHEN = re.compile(r"[^\s&;<>]?-{1,3}[^\s&;<>]")
#: A name of more characters than this hardly fits the line of a phone, so it may break after its dots.  Ours.
_SHORT = 30
_LONG = re.compile(r"[\w.-]{31,}")
_DOT = re.compile(r"\.(?=\w)")
_MAY_BREAK = ".<wbr>"


@functools.lru_cache(maxsize=4096)
def unparted(text: str) -> Markup:
    """Text for a page, of which no line ends at a hyphen; long names in it may break after their dots."""
    escaped = str(escape(text))
    return _joined(_LONG.sub(_dotted, escaped) if len(escaped) > _SHORT else escaped)


def at_dots(name: str) -> Markup:
    """One name for a narrow column: it may break after each of its dots."""
    return _joined(_DOT.sub(_MAY_BREAK, str(escape(name))))


def _dotted(name: re.Match[str]) -> str:
    return _DOT.sub(_MAY_BREAK, name[0])


def _joined(escaped: str) -> Markup:
    # What is put in is our own and the rest is escaped already.
    return Markup(_HYPHEN.sub(r"<i>\g<0></i>", escaped) if "-" in escaped else escaped)  # noqa: S704
