"""DER as far as certificates need it: what is whole, object identifiers in digits, and extensions by themselves."""

from __future__ import annotations

import contextlib
import datetime

import pytest
from cryptography import x509
from hypothesis import given
from hypothesis import strategies as st

from shared import der
from verify.laboratory import authority
from verify.laboratory.authority import Validity

VALID = Validity.around(datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC))
LEAF = authority.leaf(None, ("dome-a.obs.example.net",), VALID)


@pytest.mark.parametrize(("octets", "tag", "whole"), [
    ("0401ff", der.OCTET_STRING, True), ("0400", der.OCTET_STRING, True), ("0402ff", der.OCTET_STRING, False),
    ("0401ff", der.SEQUENCE, False), ("", der.SEQUENCE, False), ("3000", der.SEQUENCE, True),
    ("300304020a", der.SEQUENCE, False), ("300304010a", der.SEQUENCE, True), ("30053003020100", der.SEQUENCE, True),
    ("300430020200", der.SEQUENCE, False), ("0300", der.BIT_STRING, False), ("0100", der.BOOLEAN, False),
    ("0200", der.INTEGER, False), ("0600", der.OBJECT_IDENTIFIER, False), ("03020780", der.BIT_STRING, True),
    # Allowed by other rules of encoding: a length of more octets than it needs, octets behind, TRUE as 1.
    ("0381020780", der.BIT_STRING, True), ("0401ff00", der.OCTET_STRING, True), ("3003010101", der.SEQUENCE, True),
    # What DER does not have and clients do not read: a length that is not given.
    ("308000000000", der.SEQUENCE, False),
])
def test_what_is_whole(octets: str, tag: int, *, whole: bool) -> None:
    """X.690 section 8: an element of the type that is asked for, with all that it holds."""
    assert der.sound(bytes.fromhex(octets), tag) is whole


@pytest.mark.parametrize(("octets", "digits"), [
    ("551d11", "2.5.29.17"), ("2b06010505070301", "1.3.6.1.5.5.7.3.1"), ("2a864886f70d", "1.2.840.113549"), ("883703", "2.999.3"),
])
def test_object_identifiers_in_digits(octets: str, digits: str) -> None:
    """RFC 5280 sections 4.2.1.6 and 4.2.1.12; X.690 section 8.19.5 for the last."""
    assert der.dotted(bytes.fromhex(octets)) == digits


@pytest.mark.parametrize("octets", ["", "55ff"])
def test_an_identifier_that_is_cut_short_has_no_digits(octets: str) -> None:
    """Its last octet has the first bit clear (X.690 section 8.19.2)."""
    with pytest.raises(der.DerError):
        der.dotted(bytes.fromhex(octets))


def test_each_extension_by_itself_is_what_it_was_among_the_others() -> None:
    """In order, with its criticality and value, in a certificate that the library reads."""
    alone = [one for each in der.extensions_alone(LEAF.der) for one in x509.load_der_x509_certificate(each.alone).extensions]
    assert alone == list(LEAF.certificate.extensions)
    assert [(one.identifier, one.critical) for one in der.extensions_alone(LEAF.der)] == [
        (one.oid.dotted_string, one.critical) for one in LEAF.certificate.extensions]


@given(st.binary(max_size=64), st.integers(0, 255))
def test_any_octets_are_whole_or_not(octets: bytes, tag: int) -> None:
    """Nothing is raised."""
    assert der.sound(octets, tag) in (True, False)
    assert der.sound(b"\x30\x80" * 40 + octets, tag) in (True, False)


@given(st.integers(0, len(LEAF.der) - 1), st.integers(0, 255))
def test_a_damaged_certificate_gives_its_extensions_or_the_declared_error(place: int, octet: int) -> None:
    """Whatever octet is another."""
    with contextlib.suppress(der.DerError):
        list(der.extensions_alone(LEAF.der[:place] + bytes((octet,)) + LEAF.der[place + 1 :]))
