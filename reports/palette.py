"""The colours, light and dark.

Blue for what holds, burnt orange for what does not, amber between; what is unproven has no colour, only ink and an open
shape.  The tests hold every pair against WCAG 2.2 (1.4.3: text 4.5:1; 1.4.11: graphics 3:1) and hold the grades apart
for the three kinds of colour-vision deficiency.
"""

from __future__ import annotations

import msgspec


class Palette(msgspec.Struct, frozen=True, kw_only=True):
    """One scheme.  ``paper`` and ``card`` are grounds, ``ink``, ``soft`` and ``link`` text; the grades colour shapes only."""

    paper: str
    card: str
    ink: str
    soft: str
    link: str
    line: str
    hair: str
    passed: str
    caution: str
    fail: str
    unproven: str
    waived: str


LIGHT = Palette(paper="#f8f6f0", card="#fffdf8", ink="#16233a", soft="#4b566b", link="#1c5586", line="#868a94", hair="#dcd8cc",
                passed="#1a63a3", caution="#b87800", fail="#9c2c06", unproven="#16233a", waived="#858a93")
DARK = Palette(paper="#0f1826", card="#162132", ink="#ece8dd", soft="#aab4c5", link="#93c5f2", line="#737e90", hair="#2a374b",
               passed="#4f9be8", caution="#f5cc5c", fail="#ff7346", unproven="#ece8dd", waived="#99a1ae")
