"""Hardware (MAC) addresses as text, and what their bits say (RFC 9542 section 2.1, which replaces RFC 7042)."""

from __future__ import annotations

import re

_FORMS = (
    re.compile(r"[0-9a-f]{2}([:-])(?:[0-9a-f]{2}\1){4}[0-9a-f]{2}\Z", re.ASCII),
    re.compile(r"[0-9a-f]{4}\.[0-9a-f]{4}\.[0-9a-f]{4}\Z", re.ASCII),
    re.compile(r"[0-9a-f]{12}\Z", re.ASCII),
)
#: RFC 9542 section 2.1.2: 00-00-5E-00-53-00 to -FF are for documentation.
_DOCUMENTATION = "00:00:5e:00:53:"
#: RFC 9568 section 7.3: a virtual router's address ends in its number, IPv4 and IPv6.
_VIRTUAL_ROUTER = ("00:00:5e:00:01:", "00:00:5e:00:02:")


class MacError(ValueError):
    """The text is not a MAC address.  The message says which forms are read."""


def parse_mac(text: str) -> str:
    """The canonical form, lower case with colons, of six octets typed with colons, hyphens, three dotted groups or bare.

    Raises MacError.
    """
    folded = text.lower() if text.isascii() else text
    if not any(form.match(folded) for form in _FORMS):
        raise MacError(f'"{text[:40]}" is not a MAC address; write six octets in hexadecimal, such as 02:00:5e:10:00:01')
    digits = re.sub(r"[^0-9a-f]", "", folded)
    return ":".join(digits[start : start + 2] for start in range(0, 12, 2))


def is_group(mac: str) -> bool:
    """Whether the group bit (0x01 of the first octet) is set: multicast or broadcast, so never an interface's own."""
    return bool(int(mac[:2], 16) & 0x01)


def is_local(mac: str) -> bool:
    """Whether the local bit (0x02 of the first octet) is set: assigned on site, as virtual interfaces often are."""
    return bool(int(mac[:2], 16) & 0x02)


def is_documentation(mac: str) -> bool:
    """Whether the address is set aside for documentation."""
    return mac.startswith(_DOCUMENTATION)


def is_virtual_router(mac: str) -> bool:
    """Whether the address belongs to a pair of routers rather than to one interface."""
    return mac.startswith(_VIRTUAL_ROUTER)
