"""Facts read from certificates: odd, broken and hostile ones included, checked against published vectors."""

from __future__ import annotations

import base64
import datetime
import importlib.resources
import ipaddress
import pathlib
import re

import pytest
from cryptography import x509
from hypothesis import given
from hypothesis import strategies as st

from labkit import spoilt
from probes.x509facts import NAMES_LIMIT, facts
from shared import der
from shared.evidence import CertificateFacts
from verify.laboratory import authority
from verify.laboratory.authority import Validity

VECTORS = pathlib.Path(str(importlib.resources.files("cryptography_vectors"))) / "x509"
MOMENT = datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC)
VALID = Validity.around(MOMENT)


def octets(name: str) -> bytes:
    data = (VECTORS / name).read_bytes()
    match = re.search(rb"-----BEGIN CERTIFICATE-----(.+?)-----END", data, re.DOTALL)
    return base64.b64decode(match.group(1)) if match else data


def read(name: str) -> CertificateFacts:
    return facts(octets(name))


def test_sound_certificate_is_read_whole() -> None:
    """An expired public certificate with its SHA-256 signature and two names (cryptography-vectors, cryptography.io.pem)."""
    seen = read("cryptography.io.pem")
    assert seen.names == (("dns", "www.cryptography.io"), ("dns", "cryptography.io"))
    assert (seen.not_before, seen.not_after) == ("2014-10-15T12:09:32Z", "2018-11-16T01:15:03Z")
    assert (seen.key_type, seen.key_bits, seen.signature_hash) == ("RSA", 4096, "sha256")
    assert seen.server_usage
    assert not seen.is_authority
    assert seen.self_signed is False
    assert not seen.parse_error


@pytest.mark.parametrize(("name", "expected"), [
    ("custom/no_sans.pem", {"names": ()}),
    ("custom/san_ipaddr.pem", {"names": (("ip", "127.0.0.1"), ("ip", "ff::"))}),
    ("wildcard_san.pem", {"names": tuple(("dns", name) for name in (
        "*.langui.sh", "langui.sh", "*.saseliminator.com", "saseliminator.com"))}),
    ("custom/san_empty_hostname.pem", {"names": (("dns", ""),)}),
    ("custom/utf8_common_name.pem", {"common_name": "We heart UTF8!™"}),
    ("custom/empty-eku.pem", {"server_usage": False}),
    # RFC 5280 section 4.2.1.12: without the extension the key may be used for anything.
    ("custom/basic_constraints_not_critical.pem", {"server_usage": True}),
    ("custom/ca/ca.pem", {"is_authority": True, "self_signed": True, "key_type": "EC secp256r1", "key_bits": 256}),
    ("v1_cert.pem", {"key_bits": 512, "signature_hash": "md5", "self_signed": False}),
    ("verisign_md2_root.pem", {"key_bits": 1024, "signature_hash": "md2"}),
    ("ee-pss-sha1-cert.pem", {"signature_hash": "sha1"}),
    ("accvraiz1.pem", {"self_issued": True, "self_signed": True, "signature_hash": "sha1", "is_authority": True}),
    ("custom/bad_country.pem", {"self_signed": True, "signature_hash": "sha512"}),
    ("custom/dsa_selfsigned_ca.pem", {"key_type": "DSA", "self_signed": True}),
    ("ed25519/root-ed25519.pem", {"key_type": "Ed25519", "signature_hash": "", "self_signed": True}),
    ("ed448/root-ed448.pem", {"key_type": "Ed448", "self_signed": True}),
    ("custom/all_supported_names.pem", {"parse_error": ""}),
])
def test_odd_certificates_keep_what_can_be_read(name: str, expected: dict[str, object]) -> None:
    """One row an oddity (cryptography-vectors, x509 and x509/custom)."""
    seen = read(name)
    assert not seen.parse_error
    for field, value in expected.items():
        assert getattr(seen, field) == value


@pytest.mark.parametrize(("name", "kept", "said"), [
    ("san_edipartyname.der", "ediPartyName", ""),
    ("san_x400address.der", "x400Address", ""),
    ("utf8-dnsname.pem", None, "outside ASCII"),
    ("custom/malformed-san.pem", "otherName", ""),
])
def test_names_that_a_strict_parser_gives_up_on(name: str, kept: str | None, said: str) -> None:
    """The certificate library loses every extension for one of these; here the rest is still read."""
    seen = read(name)
    assert seen.key_bits > 0
    assert said in seen.names_error
    assert bool(seen.names_error) == bool(said)
    if kept:
        assert ("other", kept) in seen.names


def test_one_odd_name_does_not_lose_the_others() -> None:
    """A good name before and after an address of five octets is kept (RFC 5280 section 4.2.1.6 allows 4 or 16)."""
    good = x509.DNSName("dome-a.obs.example.net")
    leaf = authority.leaf(None, (), VALID, alternative_names=(good, x509.IPAddress(ipaddress.ip_address("192.0.2.11")), good))
    assert facts(leaf.der).names == (("dns", good.value), ("ip", "192.0.2.11"), ("dns", good.value))
    # The tag of the address becomes one that no name has; lengths stay as they are.
    odd = facts(leaf.der.replace(b"\x87\x04\xc0\x00\x02\x0b", b"\x8c\x04\xc0\x00\x02\x0b"))
    assert [name for name in odd.names if name[0] == "dns"] == [("dns", good.value)] * 2
    assert "unknown kind" in odd.names_error
    assert odd.common_name == "host"


@pytest.mark.parametrize("name", ["badasn1time.pem", "custom/invalid_version.pem", "custom/dsa_null_alg_params.pem",
                                  "custom/long-form-name-attribute.pem"])
def test_what_cannot_be_parsed_says_so_and_keeps_its_octets(name: str) -> None:
    """A certificate that the library refuses is evidence with its fingerprint, not a crash."""
    seen = read(name)
    assert seen.parse_error
    assert seen.der == octets(name)
    assert seen.sha256
    assert not seen.names


def test_curve_that_the_library_does_not_know_is_told_by_its_number() -> None:
    """RFC 5480 section 2.1.1 names a curve by an identifier; prime192v2 of X9.62 is in no register of TLS."""
    sound = authority.leaf(None, ("dome-a.obs.example.net",), VALID).der
    seen = facts(sound.replace(bytes.fromhex("2a8648ce3d030107"), bytes.fromhex("2a8648ce3d030102")))
    assert (seen.key_type, seen.key_bits, seen.parse_error) == ("EC 1.2.840.10045.3.1.2", 0, "")
    assert seen.names


def test_complaints_are_kept_as_oddities() -> None:
    """A serial number that is not positive is read, and the parser's complaint is kept (RFC 5280 section 4.1.2.2)."""
    seen = read("custom/negative_serial.pem")
    assert seen.serial.startswith("-")
    assert any("serial number" in oddity for oddity in seen.oddities)


def test_certificate_without_expiry() -> None:
    """RFC 5280 section 4.1.2.5: 99991231235959Z."""
    no_expiry = datetime.datetime(9999, 12, 31, 23, 59, 59, tzinfo=datetime.UTC)
    leaf = authority.leaf(None, ("dome-a.obs.example.net",), Validity(MOMENT, no_expiry))
    assert facts(leaf.der).not_after == "9999-12-31T23:59:59Z"


def test_self_issued_is_not_self_signed() -> None:
    """RFC 5280 section 3.2: the names alone do not make it so."""
    other = authority.root("dome-a", VALID)
    twin = authority.intermediate(other, "dome-a", VALID)
    seen = facts(twin.der)
    assert seen.self_issued
    assert seen.self_signed is False


def test_self_issued_with_a_damaged_signature_is_not_self_signed() -> None:
    """RFC 5280 section 3.2: the signature must verify with the certificate's own key."""
    sound = authority.leaf(None, ("localhost",), VALID)
    assert facts(sound.der).self_signed is True
    assert facts(spoilt.with_broken_signature(sound).der).self_signed is False


def test_old_self_signed_certificate_is_told_although_its_digest_is_no_longer_verified() -> None:
    """The library no longer checks SHA-1 on certificates; what an old installer made is self-signed all the same."""
    key = authority.make_key("rsa-2048")
    old = spoilt.with_sha1_signature(authority.leaf(None, ("localhost",), VALID, key=key), key)
    assert facts(old.der).self_signed is True
    assert facts(old.der).signature_hash == "sha1"


def test_number_of_names_is_bounded() -> None:
    """A certificate with ever so many names is cut, and says so."""
    names = tuple(x509.DNSName(f"n{count}.obs.example.net") for count in range(NAMES_LIMIT + 1))
    seen = facts(authority.leaf(None, (), VALID, alternative_names=names).der)
    assert len(seen.names) == NAMES_LIMIT
    assert str(NAMES_LIMIT) in seen.names_error


def test_long_name_is_cut_with_an_ellipsis() -> None:
    """Host-controlled text is bounded."""
    seen = facts(authority.leaf(None, (), VALID, alternative_names=(x509.DNSName("a" * 5000),)).der)
    assert len(seen.names[0][1]) <= 256
    assert seen.names[0][1].endswith("…")


def all_vectors() -> list[bytes]:
    found = []
    for path in sorted(VECTORS.rglob("*")):
        if path.suffix in (".pem", ".der", ".crt") and "crl" not in path.name:
            data = path.read_bytes()
            found.append(octets(str(path.relative_to(VECTORS))) if b"BEGIN CERT" in data else data)
    return found


def test_every_published_certificate_is_read_without_an_error_and_as_the_library_reads_it() -> None:
    """Hundreds of certificates (cryptography-vectors): nothing is raised, and names and flags agree with the strict parser."""
    compared = 0
    for data in all_vectors():
        seen = facts(data)
        if seen.parse_error:
            continue
        try:
            extensions = x509.load_der_x509_certificate(data).extensions
        except Exception:  # noqa: BLE001 -- what the strict parser makes of it is not the point here
            continue
        constraints = [e.value.ca for e in extensions if isinstance(e.value, x509.BasicConstraints)]
        assert seen.is_authority == any(constraints)
        names = [e.value for e in extensions if isinstance(e.value, x509.SubjectAlternativeName)]
        expected = [name.value for name in names[0] if isinstance(name, x509.DNSName)] if names else []
        assert [value for kind, value in seen.names if kind == "dns" and "\\x" not in value] == [
            value for value in expected if value.isascii()]
        compared += 1
    assert compared > 400


@given(st.binary(max_size=600))
def test_facts_are_total_on_any_octets(data: bytes) -> None:
    """Whatever the octets are, facts come back and hold them."""
    seen = facts(data)
    assert seen.der == data


SOUND = authority.leaf(authority.root("Site", VALID), ("dome-a.obs.example.net", "192.0.2.11"), VALID).der


@given(st.integers(0, len(SOUND) - 1), st.integers(0, 255))
def test_facts_are_total_on_damaged_certificates(place: int, value: int) -> None:
    """A certificate with one octet changed is read or refused, never a crash; a certificate cut short is refused."""
    assert facts(SOUND[:place] + bytes((value,)) + SOUND[place + 1 :]).sha256
    assert facts(SOUND[:place]).parse_error


@given(st.binary(max_size=300))
def test_der_reader_raises_only_its_own_error(data: bytes) -> None:
    """The reader returns elements that add up to the data, or raises DerError."""
    try:
        found = list(der.elements(data))
    except der.DerError:
        return
    assert b"".join(element.whole for element in found) == data
