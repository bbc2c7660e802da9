"""Text that somebody else controls, made safe to look at and to store.

A banner or a certificate can hold characters that move the cursor, turn the reading direction round or show nothing at
all (Unicode Technical Report 36, section 3).  Every renderer passes such text through ``visible`` once, last of all.
Escaping for HTML is another matter and stays with the template engine.
"""

from __future__ import annotations

import json
from typing import Any

import msgspec

#: Characters that count as printable and yet show nothing: the combining grapheme joiner, the Hangul fillers, the Khmer
#: inherent vowels, the blank Braille cell (Unicode 15.1, Default_Ignorable_Code_Point; the Braille cell is blank by design).
_BLANK = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u2800\u3164\uffa0")
#: The variation selectors (same property): they change the character before them or nothing.
_SELECTORS = frozenset(map(chr, (*range(0x180B, 0x1810), *range(0xFE00, 0xFE10), *range(0xE0100, 0xE01F0))))
_HIDDEN = _BLANK | _SELECTORS


def visible(text: str) -> str:
    """``text`` with every character that does not show as itself written out, such as ``<U+202E>``.

    Written out are control and format characters (line ends and bidirectional marks among them), lone surrogates,
    private and unassigned code points, every space but U+0020, and what shows nothing.  What is left prints on one line,
    in its stored order as far as the letters allow.  Applying it twice changes nothing more.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(char if _shows(char) else f"<U+{ord(char):04X}>" for char in text)


def without_surrogates(value: object) -> Any:
    """A struct as plain data, in the order of its fields, with a question mark for every lone surrogate: UTF-8 holds none.

    Raises ValueError for a number that is not finite.
    """
    text = json.dumps(msgspec.to_builtins(value, order="deterministic"), ensure_ascii=False, allow_nan=False)
    return msgspec.json.decode(text.encode("utf-8", "replace"))


def _shows(char: str) -> bool:
    # str.isprintable is false for the categories Cc, Cf, Cs, Co, Cn, Zl, Zp, and for Zs other than the space.
    return char.isprintable() and char not in _HIDDEN
