"""Host names as text: canonical form, comparison, syntax, and the reverse names of addresses.

No name is ever looked up here.
"""

from __future__ import annotations

import functools
import ipaddress

#: RFC 1035 section 2.3.4: a label holds at most 63 octets.
LABEL_LIMIT = 63
#: RFC 1035 section 2.3.4 allows 255 octets on the wire; less the root's and the first length octet, 253 characters.
NAME_LIMIT = 253
_LETTERS_DIGITS = frozenset("abcdefghijklmnopqrstuvwxyz0123456789")


@functools.lru_cache(maxsize=4096)
def canonical(name: str) -> str:
    """Lower case, without the final dot: the form in which names are compared (RFC 4343, RFC 1035 section 2.3.1).

    Only ASCII letters are folded; DNS knows no other case.
    """
    folded = name.lower() if name.isascii() else "".join(c.lower() if c.isascii() else c for c in name)
    return folded[:-1] if folded.endswith(".") and folded != "." else folded


def same_name(one: str, other: str) -> bool:
    """Whether two names are the same name, ignoring case and the final dot."""
    return canonical(one) == canonical(other)


def qualify(name: str, domain: str) -> str:
    """The fully qualified form of a planned name, canonical: a name with a dot in it is taken as qualified already."""
    bare = canonical(name)
    return bare if "." in bare or not domain else f"{bare}.{canonical(domain)}"


def under(name: str, domain: str) -> bool:
    """Whether ``name`` is ``domain`` or lies below it."""
    name, domain = canonical(name), canonical(domain)
    return name == domain or name.endswith("." + domain)


@functools.lru_cache(maxsize=1024)
def reverse_name(address: str) -> str:
    """The name that holds the PTR of ``address`` (RFC 1035 section 3.5; RFC 3596 section 2.5), without final dot.

    Raises ValueError when ``address`` is not an IP address.
    """
    return ipaddress.ip_address(address).reverse_pointer


def label_fault(label: str) -> str | None:
    """Why ``label`` cannot be a label of a host name, or None (RFC 952 as relaxed by RFC 1123 section 2.1)."""
    if not label:
        return "an empty label (two dots in a row, or a dot at the start)"
    if len(label) > LABEL_LIMIT:
        return f'the label "{label[:20]}..." has {len(label)} characters; {LABEL_LIMIT} is the most'
    folded = canonical(label)
    for char in folded:
        if char not in _LETTERS_DIGITS and char != "-":
            shown = {"_": "an underscore", " ": "a space"}.get(char, f"the character {char!r}")
            return f'the label "{label}" holds {shown}; letters, digits and hyphens only'
    if folded[0] == "-" or folded[-1] == "-":
        return f'the label "{label}" begins or ends with a hyphen'
    if folded[2:4] == "--" and not folded.startswith("xn--"):
        return f'the label "{label}" has hyphens in its third and fourth place, reserved for encoded names'
    return None


def name_fault(name: str) -> str | None:
    """Why ``name`` cannot be a host name, or None when it can.

    Labels by RFC 952 and RFC 1123 section 2.1, lengths by RFC 1035 section 2.3.4, hyphens by RFC 5891
    section 4.2.3.1; the last label of a qualified name is never all digits (RFC 3696 section 2).
    """
    bare = name[:-1] if name.endswith(".") else name
    if not bare:
        return "the name is empty"
    if len(bare) > NAME_LIMIT:
        return f"the name has {len(bare)} characters; {NAME_LIMIT} is the most"
    labels = bare.split(".")
    for label in labels:
        fault = label_fault(label)
        if fault:
            return fault
    if labels[-1].isdigit():
        return f'the last label "{labels[-1]}" is all digits, which reads as part of an address'
    return None


def suggest_name(name: str) -> str:
    """The nearest legal host name: what to type in the place of ``name``."""
    labels = []
    for label in canonical(name).split("."):
        kept = "".join(c if c in _LETTERS_DIGITS else "-" for c in label)[:LABEL_LIMIT].strip("-")
        if kept:
            labels.append(kept)
    return ".".join(labels) or "host"
