"""Just enough DER (X.690) to find the parts of a certificate that a strict parser would give up on whole.

The certificate library refuses every extension where one of them is odd.  A server with one odd alternative name is
still judged by the others, so its names are read here, one at a time (RFC 5280 sections 4.1 and 4.2.1.6).
"""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

#: Tags (X.690 section 8.1.2): universal ones, and the context-specific ones of a certificate (RFC 5280 section 4.1).
BOOLEAN, INTEGER, BIT_STRING, OCTET_STRING, OBJECT_IDENTIFIER, SEQUENCE = 0x01, 0x02, 0x03, 0x04, 0x06, 0x30
_VERSION, _EXTENSIONS = 0xA0, 0xA3
#: Primitive types that have one octet of content at least (X.690 sections 8.2.1, 8.3.1, 8.6.2.2 and 8.19.2).
_NEVER_EMPTY = frozenset((BOOLEAN, INTEGER, BIT_STRING, OBJECT_IDENTIFIER))
_CONSTRUCTED = 0x20
#: How deep what is encoded is followed.  Ours: the deepest extension in use has about ten levels.
_DEPTH_LIMIT = 32


class DerError(ValueError):
    """The octets are not DER, or not of the expected structure.  Whoever made the certificate is at fault."""


class Element(msgspec.Struct, frozen=True):
    """One element: its tag octet, its content, and the whole of it as encoded."""

    tag: int
    content: bytes
    whole: bytes


class Outline(msgspec.Struct, frozen=True):
    """Where the parts of a certificate are, as encoded: names, public key, and (object identifier, value) of extensions."""

    issuer: bytes
    subject: bytes
    public_key: bytes
    extensions: tuple[tuple[bytes, bytes], ...]


def elements(data: bytes) -> Iterator[Element]:
    """The elements that ``data`` is a sequence of.  Raises DerError, at the first one that cannot be read."""
    position = 0
    while position < len(data):
        element = _element_at(data, position)
        yield element
        position += len(element.whole)


def only(data: bytes, tag: int) -> bytes:
    """The content of the one element that ``data`` holds.  Raises DerError where it is anything else."""
    found = list(elements(data))
    if len(found) != 1 or found[0].tag != tag:
        raise DerError(f"expected one element with tag {tag:#04x}")
    return found[0].content


def outline(certificate: bytes) -> Outline:
    """The outline of a certificate (RFC 5280 section 4.1).  Raises DerError."""
    parts = list(elements(only(certificate, SEQUENCE)))
    if not parts or parts[0].tag != SEQUENCE:
        raise DerError("no certificate body")
    body = [element for element in elements(parts[0].content) if element.tag != _VERSION]
    if len(body) < 6:
        raise DerError("the certificate body is too short")
    _serial, _algorithm, issuer, _validity, subject, public_key, *rest = body
    wrapped = next((element.content for element in rest if element.tag == _EXTENSIONS), None)
    listed = list(elements(only(wrapped, SEQUENCE))) if wrapped is not None else []
    return Outline(issuer.whole, subject.whole, public_key.whole, tuple(_extension(element.content) for element in listed))


class Extension(msgspec.Struct, frozen=True):
    """One extension as encoded, and the certificate that would have no other; its signature does not hold any more."""

    identifier: str
    critical: bool
    value: bytes
    alone: bytes


def extensions_alone(certificate: bytes) -> Iterator[Extension]:
    """Each extension of a certificate by itself, for a parser that gives up on all of them for one.  Raises DerError."""
    body, *signature = elements(only(certificate, SEQUENCE))
    parts = list(elements(body.content))
    wrapped = next((part for part in parts if part.tag == _EXTENSIONS), None)
    for listed in elements(only(wrapped.content, SEQUENCE)) if wrapped is not None else ():
        identifier, value = _extension(listed.content)
        critical = any(part.tag == BOOLEAN and any(part.content) for part in elements(listed.content))
        single = _encoded(_EXTENSIONS, _encoded(SEQUENCE, listed.whole))
        changed = (single if part.tag == _EXTENSIONS else part.whole for part in parts)
        alone = _encoded(SEQUENCE, _encoded(SEQUENCE, *changed), *(part.whole for part in signature))
        yield Extension(dotted(identifier), critical, value, alone)


def dotted(identifier: bytes) -> str:
    """An object identifier in digits, from its content (X.690 section 8.19).  Raises DerError."""
    arcs, arc = [], 0
    for octet in identifier:
        arc = arc << 7 | octet & 0x7F
        if octet < 0x80:
            arcs.append(arc)
            arc = 0
    if not arcs or identifier[-1] >= 0x80:
        raise DerError("an object identifier that is cut short")
    first = min(arcs[0] // 40, 2)
    return ".".join(map(str, (first, arcs[0] - 40 * first, *arcs[1:])))


def sound(data: bytes, tag: int) -> bool:
    """Whether ``data`` begins with an element of this tag, and all within it, at any depth, is whole.

    What DER forbids and other rules of encoding allow, such as a length in more octets than it needs, counts as sound.
    """
    try:
        first = next(elements(data), None)
        return first is not None and first.tag == tag and _whole(first.whole, _DEPTH_LIMIT)
    except DerError:
        return False


def _whole(data: bytes, depth: int) -> bool:
    return all(_whole(each.content, depth - 1) if each.tag & _CONSTRUCTED and depth else
               bool(each.content) or each.tag not in _NEVER_EMPTY for each in elements(data))


def _encoded(tag: int, *parts: bytes) -> bytes:
    content = b"".join(parts)
    octets = len(content).to_bytes((len(content).bit_length() + 7) // 8, "big")
    length = bytes((len(content),)) if len(content) < 0x80 else bytes((0x80 | len(octets),)) + octets
    return bytes((tag,)) + length + content


def _extension(content: bytes) -> tuple[bytes, bytes]:
    parts = [element for element in elements(content) if element.tag != BOOLEAN]
    if [element.tag for element in parts] != [OBJECT_IDENTIFIER, OCTET_STRING]:
        raise DerError("an extension is not an identifier with a value")
    return parts[0].content, parts[1].content


def _element_at(data: bytes, position: int) -> Element:
    if position + 2 > len(data):
        raise DerError("an element is cut short")
    tag, length = data[position], data[position + 1]
    if tag & 0x1F == 0x1F:
        raise DerError("a tag number above 30")
    start = position + 2
    if length >= 0x80:
        octets = length & 0x7F
        # Four length octets already count to 4 GiB; none at all is the indefinite form, which DER does not have.
        if not 1 <= octets <= 4 or start + octets > len(data):
            raise DerError("a length that DER does not allow")
        length = int.from_bytes(data[start : start + octets], "big")
        start += octets
    end = start + length
    if end > len(data):
        raise DerError("an element is longer than what holds it")
    return Element(tag, data[start:end], data[position:end])
