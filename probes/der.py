"""Just enough DER (X.690) to find the parts of a certificate that a strict parser would give up on whole.

The certificate library refuses every extension where one of them is odd.  A server with one odd alternative name is
still judged by the others, so its names are read here, one at a time (RFC 5280 sections 4.1 and 4.2.1.6).
"""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

#: Tags (X.690 section 8.1.2): universal ones, and the context-specific ones of a certificate (RFC 5280 section 4.1).
BOOLEAN, OCTET_STRING, OBJECT_IDENTIFIER, SEQUENCE = 0x01, 0x04, 0x06, 0x30
_VERSION, _EXTENSIONS = 0xA0, 0xA3


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
