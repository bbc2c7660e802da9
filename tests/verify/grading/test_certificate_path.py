"""Path validation: made-up chains with one fault each."""

from __future__ import annotations

import dataclasses
import datetime
import importlib.resources
import ipaddress
import pathlib
import subprocess
from collections.abc import Callable

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from cryptography.hazmat.primitives.asymmetric.padding import MGF1, PSS, PKCS1v15
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.name import _ASN1Type
from cryptography.x509.oid import AuthorityInformationAccessOID, ExtendedKeyUsageOID, NameOID

from labkit import spoilt
from shared.der import SEQUENCE, elements, only
from verify.grading.certificate.path import Anchors, Kind, anchors_of, called, validate
from verify.laboratory import authority
from verify.laboratory.authority import Credential, Validity

MOMENT = datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC)
VALID = Validity.around(MOMENT)
NAMES = ("dome-a.obs.example.net",)

ROOT = authority.root("Site Root", VALID)
RACK = authority.intermediate(ROOT, "Rack Authority", VALID)
LEAF = authority.leaf(RACK, NAMES, VALID)
ANCHORS = (ROOT.certificate,)
SITE = Anchors(ANCHORS)


def kind(leaf: Credential, *sent: Credential, anchors: tuple[x509.Certificate, ...] = ANCHORS) -> Kind:
    return validate(leaf.der, [each.der for each in sent], Anchors(anchors), MOMENT).kind


def openssl_takes(folder: pathlib.Path, leaf: Credential, *sent: Credential, anchors: tuple[Credential, ...] = (ROOT,)) -> bool:
    """What an outside source says of the same chain."""
    for name, parts in (("leaf", (leaf,)), ("sent", sent or (leaf,)), ("anchors", anchors)):
        (folder / name).write_bytes(b"".join(part.pem for part in parts))
    command = ["openssl", "verify", "-no-CApath", "-no-CAstore", "-purpose", "sslserver", "-attime", str(int(MOMENT.timestamp())),
               "-CAfile", "anchors", "-untrusted", "sent", "leaf"]
    return subprocess.run(command, cwd=folder, capture_output=True, check=False, timeout=20).returncode == 0


def test_sound_chain_is_trusted_at_the_moment_asked_for() -> None:
    """Leaf, intermediate, anchor, every one valid."""
    outcome = validate(LEAF.der, [RACK.der], SITE, MOMENT)
    assert (outcome.kind, outcome.at) == (Kind.TRUSTED, MOMENT)
    assert outcome.path == (LEAF.certificate, RACK.certificate, ROOT.certificate)


@pytest.mark.parametrize("sent", [(RACK, ROOT), (ROOT, RACK), (LEAF, RACK, RACK), (authority.root("Stray", VALID), RACK)])
def test_order_repeats_and_strays_do_not_matter(sent: tuple[Credential, ...]) -> None:
    """RFC 8446 section 4.4.2: be prepared for any order and for certificates that play no part."""
    assert kind(LEAF, *sent) is Kind.TRUSTED


@pytest.mark.parametrize("key", ["p256", "p384", "rsa-2048", "ed25519"])
def test_private_authority_with_any_sound_key_is_trusted(key: str) -> None:
    """RFC 5280 knows no list of key types; the library's rules for the public web must not raise a false alarm."""
    root = authority.root("Root", VALID, key=authority.make_key(key))
    rack = authority.intermediate(root, "Rack", VALID, key=authority.make_key(key))
    leaf = authority.leaf(rack, NAMES, VALID, key=authority.make_key(key), usages=None)
    assert kind(leaf, rack, anchors=(root.certificate,)) is Kind.TRUSTED


@pytest.mark.parametrize("leaf", [
    authority.leaf(RACK, (), VALID), authority.leaf(RACK, NAMES, VALID, usages=None),
    authority.leaf(RACK, NAMES, VALID, usages=(ExtendedKeyUsageOID.CLIENT_AUTH,)),
    authority.leaf(RACK, NAMES, VALID, common_name=""), authority.leaf(RACK, NAMES, VALID, key=authority.make_key("rsa-1024")),
])
def test_what_other_checks_judge_does_not_break_the_path(leaf: Credential) -> None:
    """No name, no usage, a short key: faults of their own, each with a check of its own."""
    assert kind(leaf, RACK) is Kind.TRUSTED


def test_intermediate_as_anchor_is_enough() -> None:
    """RFC 5280 section 6.1: an anchor is whatever the plan says it is."""
    assert kind(LEAF, anchors=(RACK.certificate,)) is Kind.TRUSTED


def test_certificate_that_is_itself_an_anchor_is_trusted() -> None:
    """A plan may name the very certificate."""
    own = authority.leaf(None, NAMES, VALID)
    assert kind(own, anchors=(own.certificate,)) is Kind.TRUSTED


OTHER = authority.root("Another Authority", VALID)
TWIN = authority.root("Site Root", VALID)
NO_AUTHORITY = authority.intermediate(ROOT, "Not An Authority", VALID, is_authority=False)
SHORT = authority.intermediate(ROOT, "Short", VALID, path_length=0)
BELOW_SHORT = authority.intermediate(SHORT, "Below", VALID)
NARROW = authority.intermediate(ROOT, "Narrow", VALID, permitted=("other.example.net",))
ED_ROOT = authority.root("Ed", VALID, key=authority.make_key("ed25519"))
ED_SHORT = authority.intermediate(ED_ROOT, "Ed Short", VALID, key=authority.make_key("ed25519"), path_length=0)
ED_BELOW = authority.intermediate(ED_SHORT, "Ed Below", VALID, key=authority.make_key("ed25519"))
ED_NARROW = authority.intermediate(ED_ROOT, "Ed Narrow", VALID, key=authority.make_key("ed25519"),
                                   permitted=("other.example.net",))
RSA_KEY = rsa.generate_private_key(65537, 2048)
RSA_ROOT = authority.root("Old", VALID, key=RSA_KEY)


@pytest.mark.parametrize(("leaf", "sent", "anchors", "expected"), [
    (authority.leaf(None, NAMES, VALID), (), ANCHORS, Kind.SELF_SIGNED),
    (authority.leaf(None, NAMES, VALID, is_authority=True), (), ANCHORS, Kind.SELF_SIGNED),
    (authority.leaf(OTHER, NAMES, VALID), (OTHER,), ANCHORS, Kind.UNKNOWN_ISSUER),
    (authority.leaf(OTHER, NAMES, VALID), (), ANCHORS, Kind.ISSUER_NOT_SENT),
    (LEAF, (), ANCHORS, Kind.ISSUER_NOT_SENT),
    (LEAF, (OTHER,), ANCHORS, Kind.ISSUER_NOT_SENT),
    (spoilt.with_broken_signature(LEAF), (RACK,), ANCHORS, Kind.BAD_SIGNATURE),
    (LEAF, (spoilt.with_broken_signature(RACK),), ANCHORS, Kind.BAD_SIGNATURE),
    (LEAF, (RACK,), (TWIN.certificate,), Kind.BAD_SIGNATURE),
    (authority.leaf(NO_AUTHORITY, NAMES, VALID), (NO_AUTHORITY,), ANCHORS, Kind.NOT_AN_AUTHORITY),
    (authority.leaf(BELOW_SHORT, NAMES, VALID), (BELOW_SHORT, SHORT), ANCHORS, Kind.NOT_AN_AUTHORITY),
    (authority.leaf(NARROW, NAMES, VALID), (NARROW,), ANCHORS, Kind.REFUSED),
    (authority.leaf(ED_BELOW, NAMES, VALID), (ED_BELOW, ED_SHORT), (ED_ROOT.certificate,), Kind.NOT_AN_AUTHORITY),
    (authority.leaf(ED_NARROW, NAMES, VALID), (ED_NARROW,), (ED_ROOT.certificate,), Kind.REFUSED),
    (spoilt.with_sha1_signature(authority.leaf(RSA_ROOT, NAMES, VALID), RSA_KEY), (), (RSA_ROOT.certificate,),
     Kind.UNVERIFIABLE),
    (LEAF, (RACK,), (), Kind.NO_ANCHORS),
])
def test_each_fault_has_its_name(
    leaf: Credential, sent: tuple[Credential, ...], anchors: tuple[x509.Certificate, ...], expected: Kind
) -> None:
    """One fault a row."""
    assert kind(leaf, *sent, anchors=anchors) is expected


def with_usages(issuer: Credential, *usages: x509.ObjectIdentifier, key: authority.Key | None = None) -> Credential:
    return authority.intermediate(issuer, "Limited", VALID, key=key, extensions=((x509.ExtendedKeyUsage(usages), False),))


@pytest.mark.parametrize(("usages", "openssl_takes_it", "expected"), [
    ((authority.SERVER_USAGE,), True, Kind.TRUSTED),
    ((ExtendedKeyUsageOID.CLIENT_AUTH, authority.SERVER_USAGE), True, Kind.TRUSTED),
    ((ExtendedKeyUsageOID.CLIENT_AUTH,), False, Kind.NOT_AN_AUTHORITY),
    ((ExtendedKeyUsageOID.ANY_EXTENDED_KEY_USAGE,), False, Kind.TRUSTED),  # others take it: a caution of certificate.trust
    ((ExtendedKeyUsageOID.CODE_SIGNING,), False, Kind.NOT_AN_AUTHORITY),
])
@pytest.mark.parametrize("keys", ["p256", "ed25519"])
def test_extended_key_usage_of_an_authority_limits_what_it_issues(
    tmp_path: pathlib.Path, usages: tuple[x509.ObjectIdentifier, ...], openssl_takes_it: bool, expected: Kind, keys: str
) -> None:
    """As "openssl verify -purpose sslserver" has it, for keys that the library takes and for those that it does not."""
    root = authority.root("Root", VALID, key=authority.make_key(keys))
    limited = with_usages(root, *usages, key=authority.make_key(keys))
    leaf = authority.leaf(limited, NAMES, VALID)
    assert kind(leaf, limited, anchors=(root.certificate,)) is expected
    assert openssl_takes(tmp_path, leaf, limited, anchors=(root,)) is openssl_takes_it


def test_extended_key_usage_limits_an_anchor_too() -> None:
    """An authority for clients alone vouches for no server, also where the plan trusts it."""
    limited = with_usages(ROOT, ExtendedKeyUsageOID.CLIENT_AUTH)
    assert kind(authority.leaf(limited, NAMES, VALID), anchors=(limited.certificate,)) is Kind.NOT_AN_AUTHORITY


def dns(*names: str) -> list[x509.GeneralName]:
    return [x509.DNSName(name) for name in names]


def address(text: str) -> x509.GeneralName:
    return x509.IPAddress(ipaddress.ip_network(text) if "/" in text else ipaddress.ip_address(text))


LEAF_NAME = x509.DirectoryName(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, NAMES[0])]))
SHOUTED_NAME = x509.DirectoryName(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, NAMES[0].upper())]))
OTHER_NAME = x509.DirectoryName(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "other")]))


@pytest.mark.parametrize(("permitted", "excluded", "openssl_takes_it", "expected"), [
    (dns("obs.example.net"), None, True, Kind.TRUSTED),
    (dns(NAMES[0]), None, True, Kind.TRUSTED),
    (dns("OBS.example.net"), None, True, Kind.TRUSTED),
    (dns("other.example.net", "example.net"), None, True, Kind.TRUSTED),
    (dns("bs.example.net"), None, False, Kind.REFUSED),
    (dns(f"x.{NAMES[0]}"), None, False, Kind.REFUSED),
    (None, dns("other.example.net"), True, Kind.TRUSTED),
    (None, dns("example.net"), False, Kind.REFUSED),
    (dns("example.net"), dns("obs.example.net"), False, Kind.REFUSED),
    ([*dns("example.net"), address("192.0.2.0/24")], None, True, Kind.TRUSTED),
    ([*dns("example.net"), address("198.51.100.0/24")], None, False, Kind.REFUSED),
    (None, [address("192.0.2.0/24")], False, Kind.REFUSED),
    (None, [address("2001:db8::/32")], True, Kind.TRUSTED),
    (dns(".obs.example.net"), None, True, Kind.NOT_FOLLOWED),
    (dns(".other.example.net"), None, False, Kind.NOT_FOLLOWED),
    ([LEAF_NAME, *dns("obs.example.net")], None, True, Kind.TRUSTED),
    ([SHOUTED_NAME], None, True, Kind.TRUSTED),
    ([OTHER_NAME], None, False, Kind.REFUSED),
    ([LEAF_NAME, *dns("other.example.net")], None, False, Kind.REFUSED),
    (None, [LEAF_NAME], False, Kind.REFUSED),
    (None, [SHOUTED_NAME], False, Kind.REFUSED),
    (None, [OTHER_NAME], True, Kind.TRUSTED),
    ([x509.RFC822Name("example.net")], None, True, Kind.TRUSTED),
    ([x509.UniformResourceIdentifier("example.net")], None, True, Kind.TRUSTED),
])
@pytest.mark.parametrize("critical", [True, False])
@pytest.mark.parametrize("keys", ["p256", "ed25519"])
def test_name_constraints(
    tmp_path: pathlib.Path, permitted: list[x509.GeneralName] | None, excluded: list[x509.GeneralName] | None,
    openssl_takes_it: bool, expected: Kind, critical: bool, keys: str,
) -> None:
    """RFC 5280 section 4.2.1.10, by the library's judgement and by ours; what neither follows is no fault of the server's."""
    root = authority.root("Root", VALID, key=authority.make_key(keys))
    narrow = authority.intermediate(root, "Narrow", VALID, key=authority.make_key(keys),
                                    extensions=((x509.NameConstraints(permitted, excluded), critical),))
    leaf = authority.leaf(narrow, (*NAMES, "192.0.2.11"), VALID)
    assert kind(leaf, narrow, anchors=(root.certificate,)) is expected
    assert openssl_takes(tmp_path, leaf, narrow, anchors=(root,)) is openssl_takes_it


ORGANIZATION = x509.NameAttribute(NameOID.ORGANIZATION_NAME, "Tidewater Observatory")


@pytest.mark.parametrize(("parts", "openssl_takes_it", "expected"), [
    ([ORGANIZATION], True, Kind.TRUSTED),
    ([x509.NameAttribute(NameOID.ORGANIZATION_NAME, "Tidewater")], False, Kind.REFUSED),
    ([x509.NameAttribute(NameOID.COMMON_NAME, NAMES[0])], False, Kind.REFUSED),
    ([ORGANIZATION, x509.NameAttribute(NameOID.COMMON_NAME, NAMES[0])], False, Kind.REFUSED),
])
def test_directory_names_are_limited_by_their_first_parts_and_for_authorities_too(
    tmp_path: pathlib.Path, parts: list[x509.NameAttribute], openssl_takes_it: bool, expected: Kind
) -> None:
    """RFC 5280 section 4.2.1.10: whole parts from the top, of every subject below the one that limits."""
    limits = x509.NameConstraints([x509.DirectoryName(x509.Name(parts))], None)
    narrow = authority.intermediate(ROOT, "Narrow", VALID, extensions=((limits, False),))
    below = authority.intermediate(narrow, "Below", VALID)
    nameless = authority.leaf(below, NAMES, VALID, common_name="")
    assert kind(nameless, below, narrow) is expected
    assert openssl_takes(tmp_path, nameless, below, narrow) is openssl_takes_it


def test_authority_under_limits_may_certify_its_own_next_key(tmp_path: pathlib.Path) -> None:
    """RFC 5280 section 6.1.3 (b): what is self-issued goes free, the server's own certificate excepted."""
    limits = x509.NameConstraints([x509.DirectoryName(x509.Name([]))], [x509.DirectoryName(x509.Name([
        ORGANIZATION, x509.NameAttribute(NameOID.COMMON_NAME, "Narrow")]))])
    narrow = authority.intermediate(ROOT, "Narrow", VALID, extensions=((limits, False),))
    renewed = authority.intermediate(narrow, "Narrow", VALID)
    for leaf in (authority.leaf(renewed, NAMES, VALID), authority.leaf(narrow, NAMES, VALID)):
        assert kind(leaf, renewed, narrow) is Kind.TRUSTED
        assert openssl_takes(tmp_path, leaf, renewed, narrow)


@pytest.mark.parametrize("keys", ["p256", "ed25519"])
def test_authority_that_certifies_its_own_next_key_adds_no_step(tmp_path: pathlib.Path, keys: str) -> None:
    """RFC 5280 section 6.1.4 (l): a path length of 0 allows it, and another authority below it not."""
    root = authority.root("Root", VALID, key=authority.make_key(keys))
    old = authority.intermediate(root, "Rack", VALID, key=authority.make_key(keys), path_length=0)
    new = authority.intermediate(old, "Rack", VALID, key=authority.make_key(keys))
    other = authority.intermediate(new, "Other", VALID, key=authority.make_key(keys))
    sound, broken = authority.leaf(new, NAMES, VALID), authority.leaf(other, NAMES, VALID)
    assert kind(sound, new, old, anchors=(root.certificate,)) is Kind.TRUSTED
    assert openssl_takes(tmp_path, sound, new, old, anchors=(root,))
    assert kind(broken, other, new, old, anchors=(root.certificate,)) is Kind.NOT_AN_AUTHORITY
    assert not openssl_takes(tmp_path, broken, other, new, old, anchors=(root,))


def test_rules_hold_where_an_authority_has_certified_its_own_next_key() -> None:
    """The library does not judge such a path, so every rule is ours to keep."""
    for broken, expected in ((authority.intermediate(SHORT, "Short", VALID, is_authority=False), Kind.NOT_AN_AUTHORITY),
                             (authority.intermediate(SHORT, "Short", VALID, permitted=("other.example.net",)), Kind.REFUSED)):
        assert kind(authority.leaf(broken, NAMES, VALID), broken, SHORT) is expected


def test_constraint_on_addresses_of_resources_is_not_followed_where_there_is_one() -> None:
    """Only then; a constraint on names that nobody has constrains nothing."""
    limited = x509.NameConstraints([x509.UniformResourceIdentifier(".example.net")], None)
    narrow = authority.intermediate(ROOT, "Narrow", VALID, extensions=((limited, True),))
    names = (x509.DNSName(NAMES[0]), x509.UniformResourceIdentifier("https://dome-a.obs.example.net/"))
    assert kind(authority.leaf(narrow, NAMES, VALID, alternative_names=names), narrow) is Kind.NOT_FOLLOWED


POLICY = x509.CertificatePolicies([x509.PolicyInformation(x509.ObjectIdentifier("1.3.6.1.4.1.32473.1"), None)])
MAPPINGS = x509.UnrecognizedExtension(x509.ObjectIdentifier("2.5.29.33"), bytes.fromhex("3010300e06052b0600fd5906052b0600fd5a"))
PRIVATE = x509.UnrecognizedExtension(x509.ObjectIdentifier("1.3.6.1.4.1.32473.2"), b"\x05\x00")
LISTS = x509.CRLDistributionPoints([x509.DistributionPoint(
    [x509.UniformResourceIdentifier("http://lists.example.net/x.crl")], None, None, None)])


ACCESS = x509.AuthorityInformationAccess([x509.AccessDescription(
    AuthorityInformationAccessOID.CA_ISSUERS, x509.UniformResourceIdentifier("http://authority.example.net/x.cer"))])


@pytest.mark.parametrize(("extension", "openssl_takes_it", "expected"), [
    (POLICY, True, Kind.TRUSTED), (x509.PolicyConstraints(0, None), True, Kind.TRUSTED),
    (x509.InhibitAnyPolicy(0), True, Kind.TRUSTED), (LISTS, True, Kind.TRUSTED),
    (MAPPINGS, True, Kind.NOT_FOLLOWED), (PRIVATE, False, Kind.REFUSED),
    (x509.IssuerAlternativeName(dns("authority.example.net")), False, Kind.REFUSED), (ACCESS, False, Kind.REFUSED),
])
@pytest.mark.parametrize("keys", ["p256", "ed25519"])
def test_critical_extensions_of_an_authority(
    tmp_path: pathlib.Path, extension: x509.ExtensionType, openssl_takes_it: bool, expected: Kind, keys: str
) -> None:
    """Policies are left out and no fault; what no client knows must be refused (RFC 5280 section 4.2)."""
    root = authority.root("Root", VALID, key=authority.make_key(keys))
    marked = authority.intermediate(root, "Marked", VALID, key=authority.make_key(keys), extensions=((extension, True),))
    leaf = authority.leaf(marked, NAMES, VALID)
    assert kind(leaf, marked, anchors=(root.certificate,)) is expected
    assert openssl_takes(tmp_path, leaf, marked, anchors=(root,)) is openssl_takes_it


@pytest.mark.parametrize(("extension", "expected"), [
    (POLICY, Kind.TRUSTED), (PRIVATE, Kind.REFUSED), (ACCESS, Kind.REFUSED)])
def test_critical_extensions_of_a_leaf(extension: x509.ExtensionType, expected: Kind) -> None:
    """As in an authority."""
    assert kind(authority.leaf(RACK, NAMES, VALID, extensions=((extension, True),)), RACK) is expected


@pytest.mark.parametrize(("digest", "padding", "openssl_takes_it", "expected"), [
    (hashes.SHA256(), PSS(MGF1(hashes.SHA256()), 32), True, Kind.TRUSTED),
    (hashes.SHA256(), PSS(MGF1(hashes.SHA256()), PSS.MAX_LENGTH), True, Kind.TRUSTED),
    (hashes.SHA224(), None, True, Kind.TRUSTED),
    (hashes.SHA512(), None, True, Kind.TRUSTED),
    (hashes.SHA3_256(), None, None, Kind.NOT_FOLLOWED),  # OpenSSL 3.0 refuses it, later ones need not
])
def test_ways_of_signing(
    tmp_path: pathlib.Path, digest: x509.base._AllowedHashTypes, padding: PSS | None, openssl_takes_it: bool | None,
    expected: Kind,
) -> None:
    """What the library refuses for the public web alone is no fault once it is verified; what TLS has no name for is unproven."""
    leaf = authority.leaf(RSA_ROOT, NAMES, VALID)
    builder = x509.CertificateBuilder(leaf.certificate.issuer, leaf.certificate.subject, leaf.key.public_key(), 7,
                                      VALID.not_before, VALID.not_after)
    odd = dataclasses.replace(leaf, certificate=builder.sign(RSA_KEY, digest, rsa_padding=padding))
    outcome = validate(odd.der, [], Anchors((RSA_ROOT.certificate,)), MOMENT)
    assert outcome.kind is expected
    assert "Forbidden" not in outcome.detail
    if openssl_takes_it is not None:
        assert openssl_takes(tmp_path, odd, anchors=(RSA_ROOT,)) is openssl_takes_it


def rewritten(credential: Credential, change: Callable[[list[bytes]], list[bytes]]) -> Credential:
    """The same certificate with the fields of its signed part changed, and signed again with ``RSA_KEY``."""
    def sequence(body: bytes) -> bytes:
        return b"\x30\x82" + len(body).to_bytes(2) + body

    signed = credential.certificate.tbs_certificate_bytes
    changed = sequence(b"".join(change([field.whole for field in elements(only(signed, SEQUENCE))])))
    signature = RSA_KEY.sign(changed, PKCS1v15(), hashes.SHA256())
    der = sequence(changed + credential.der[4 + len(signed) : -len(signature)] + signature)
    return dataclasses.replace(credential, certificate=x509.load_der_x509_certificate(der))


def test_refusal_for_a_reason_that_is_not_told_apart_is_no_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    """A serial number of 25 octets, if it were not known that RFC 5280 section 4.1.2.2 forbids it to authorities alone."""
    long = rewritten(authority.leaf(RSA_ROOT, NAMES, VALID), lambda fields: [fields[0], b"\x02\x19\x01" + bytes(24), *fields[2:]])
    monkeypatch.setattr("verify.grading.certificate.path._TAKEN", {})
    outcome = validate(long.der, [], Anchors((RSA_ROOT.certificate,)), MOMENT)
    assert outcome.kind is Kind.NOT_FOLLOWED
    assert "serial" not in outcome.detail


#: P-256 by its parameters (SEC 2 version 2 section 2.4.2), as "-pkeyopt ec_param_enc:explicit" writes them.
P256_WRITTEN_OUT = bytes.fromhex(
    "3081f7020101302c06072a8648ce3d0101022100ffffffff00000001000000000000000000000000ffffffffffffffffffffffff305b0420ffff"
    "ffff00000001000000000000000000000000fffffffffffffffffffffffc04205ac635d8aa3a93e7b3ebbd55769886bc651d06b0cc53b0f63bce"
    "3c3e27d2604b031500c49d360886e704936a6678e1139d26b7819f7e900441046b17d1f2e12c4247f8bce6e563a440f277037d812deb33a0f4a1"
    "3945d898c2964fe342e2fe1a7f9b8ee7eb4a7c0f9e162bce33576b315ececbb6406837bf51f5022100ffffffff00000000ffffffffffffffffbc"
    "e6faada7179e84f3b9cac2fc632551020101")


def with_curve_written_out(credential: Credential) -> Credential:
    by_name = bytes.fromhex("06082a8648ce3d030107")

    def write_out(key: bytes) -> bytes:
        algorithm, point = list(elements(only(key, SEQUENCE)))
        inner = algorithm.content.replace(by_name, P256_WRITTEN_OUT)
        body = b"\x30\x82" + len(inner).to_bytes(2) + inner + point.whole
        return b"\x30\x82" + len(body).to_bytes(2) + body

    return rewritten(credential, lambda fields: [*fields[:6], write_out(fields[6]), *fields[7:]])


def test_curve_that_is_written_out_is_refused(tmp_path: pathlib.Path) -> None:
    """RFC 5480 section 2.1.1: curves are named; in the server's own certificate, above it, and in an anchor."""
    rack = authority.intermediate(RSA_ROOT, "Rack", VALID)
    leaf = authority.leaf(rack, NAMES, VALID)
    odd, odd_rack = with_curve_written_out(authority.leaf(RSA_ROOT, NAMES, VALID)), with_curve_written_out(rack)
    for chain, anchor in (((odd,), RSA_ROOT), ((leaf, odd_rack), RSA_ROOT), ((leaf,), odd_rack)):
        outcome = validate(chain[0].der, [each.der for each in chain[1:]], Anchors([anchor.certificate]), MOMENT)
        assert outcome.kind is Kind.REFUSED
        assert "RFC 5480" in outcome.detail
        assert not openssl_takes(tmp_path, *chain, anchors=(anchor,))


def test_sound_way_beside_one_that_the_library_accepts_and_we_do_not(tmp_path: pathlib.Path) -> None:
    """In either order: a curve written out, and limits on directory names that are broken."""
    rack = authority.intermediate(RSA_ROOT, "Rack", VALID)
    limits = x509.NameConstraints([OTHER_NAME], None)
    leaf = authority.leaf(rack, NAMES, VALID)
    for odd in (with_curve_written_out(rack),
                authority.intermediate(RSA_ROOT, "Rack", VALID, key=rack.key, extensions=((limits, False),))):
        for sent in ((odd, rack), (rack, odd)):
            outcome = validate(leaf.der, [each.der for each in sent], Anchors((RSA_ROOT.certificate,)), MOMENT)
            assert (outcome.kind, outcome.path[1]) == (Kind.TRUSTED, rack.certificate)
        assert openssl_takes(tmp_path, leaf, rack, odd, anchors=(RSA_ROOT,))


@pytest.mark.parametrize("curve", [ec.SECP224R1(), ec.SECP256R1(), ec.SECP384R1(), ec.SECP521R1(), ec.BrainpoolP512R1()])
def test_curve_that_is_named_is_not_taken_for_one_that_is_written_out(curve: ec.EllipticCurve) -> None:
    """Whatever its length."""
    leaf = authority.leaf(ROOT, NAMES, VALID, key=ec.generate_private_key(curve))
    assert kind(leaf) is Kind.TRUSTED


def encoded(tag: int, body: bytes) -> bytes:
    length = len(body).to_bytes(2).lstrip(b"\x00")
    return bytes([tag]) + (length if len(body) < 0x80 else bytes([0x80 + len(length)]) + length) + body


def test_default_that_is_written_all_the_same_leaves_the_path_sound(tmp_path: pathlib.Path) -> None:
    """As some authorities have "cA FALSE": the library cannot show such extensions, and judges the path."""
    def write_in_full(extensions: bytes) -> bytes:
        usual, full = bytes.fromhex("300c0603551d130101ff04023000"), bytes.fromhex("300f0603551d130101ff04053003010100")
        assert usual in extensions
        (inner,) = elements(only(extensions, 0xA3))
        return encoded(0xA3, encoded(SEQUENCE, inner.content.replace(usual, full)))

    odd = rewritten(authority.leaf(RSA_ROOT, NAMES, VALID), lambda fields: [*fields[:7], write_in_full(fields[7])])
    assert kind(odd, anchors=(RSA_ROOT.certificate,)) is Kind.TRUSTED
    assert openssl_takes(tmp_path, odd, anchors=(RSA_ROOT,))


def dated(credential: Credential, begin: bytes, end: bytes) -> Credential:
    """With other dates, each GeneralizedTime as given."""
    dates = b"".join(b"\x18" + bytes([len(date)]) + date for date in (begin, end))
    return rewritten(credential, lambda fields: [*fields[:4], b"\x30" + bytes([len(dates)]) + dates, *fields[5:]])


def test_year_that_the_library_does_not_know_is_unreadable() -> None:
    """Year 0, as GeneralizedTime may have it: the host's own fault, and no end to the report of all others."""
    odd = dated(authority.leaf(RSA_ROOT, NAMES, VALID), b"00000101000000Z", b"20500101000000Z")
    anchors = Anchors((RSA_ROOT.certificate,))
    assert validate(odd.der, [], anchors, MOMENT).kind is validate(odd.der, [], anchors, None).kind is Kind.UNREADABLE
    assert validate(LEAF.der, [odd.der, RACK.der], SITE, MOMENT).kind is Kind.TRUSTED
    assert anchors_of((odd.pem, ROOT.pem)).certificates == (ROOT.certificate,)


def test_date_before_2050_that_is_written_as_one_after_is_no_fault(tmp_path: pathlib.Path) -> None:
    """RFC 5280 section 4.1.2.5 asks UTCTime of authorities, and of clients that they read both."""
    odd = dated(authority.leaf(RSA_ROOT, NAMES, VALID), b"20260101000000Z", b"20300101000000Z")
    outcome = validate(odd.der, [], Anchors((RSA_ROOT.certificate,)), MOMENT)
    assert (outcome.kind, outcome.at) == (Kind.TRUSTED, MOMENT)
    assert "RFC 5280" in outcome.detail
    assert openssl_takes(tmp_path, odd, anchors=(RSA_ROOT,))


def of_version_1(credential: Credential) -> Credential:
    """Without its version and its extensions (RFC 5280 section 4.1)."""
    return rewritten(credential, lambda fields: fields[1:-1])


def test_root_of_version_1_is_an_anchor_like_any_other(tmp_path: pathlib.Path) -> None:
    """RFC 5280 section 6.1 takes an anchor for its name and key, and so do clients; below it nothing may be of version 1."""
    root = of_version_1(RSA_ROOT)
    rack = authority.intermediate(root, "Rack", VALID, key=RSA_KEY)
    leaf, below = authority.leaf(root, NAMES, VALID), authority.leaf(rack, NAMES, VALID)
    assert kind(leaf, anchors=(root.certificate,)) is kind(below, rack, anchors=(root.certificate,)) is Kind.TRUSTED
    assert openssl_takes(tmp_path, leaf, anchors=(root,))
    assert openssl_takes(tmp_path, below, rack, anchors=(root,))
    old = of_version_1(rack)
    assert kind(below, old, anchors=(root.certificate,)) is kind(below, anchors=(old.certificate,)) is Kind.NOT_AN_AUTHORITY
    assert not openssl_takes(tmp_path, below, old, anchors=(root,))


def test_rules_hold_below_a_root_of_version_1(tmp_path: pathlib.Path) -> None:
    """The library does not judge such a path, so every rule is ours to keep."""
    root = of_version_1(RSA_ROOT)
    for broken, expected in ((authority.intermediate(root, "None", VALID, is_authority=False), Kind.NOT_AN_AUTHORITY),
                             (authority.intermediate(root, "Narrow", VALID, permitted=("other.example.net",)), Kind.REFUSED),
                             (with_usages(root, ExtendedKeyUsageOID.CLIENT_AUTH), Kind.NOT_AN_AUTHORITY)):
        leaf = authority.leaf(broken, NAMES, VALID)
        assert kind(leaf, broken, anchors=(root.certificate,)) is expected
        assert not openssl_takes(tmp_path, leaf, broken, anchors=(root,))
    damaged = spoilt.with_broken_signature(authority.leaf(root, NAMES, VALID))
    assert kind(damaged, anchors=(root.certificate,)) is Kind.BAD_SIGNATURE


def test_root_of_version_3_that_is_no_authority_stays_refused(tmp_path: pathlib.Path) -> None:
    """It could have said so, and clients refuse it."""
    root = authority.leaf(None, (), VALID, common_name="Not An Authority", usages=None)
    leaf = authority.leaf(root, NAMES, VALID)
    assert kind(leaf, anchors=(root.certificate,)) is Kind.NOT_AN_AUTHORITY
    assert not openssl_takes(tmp_path, leaf, anchors=(root,))


def test_path_that_is_too_long_for_us_is_no_fault() -> None:
    """The limit is ours."""
    chain = [ROOT]
    for step in range(12):
        chain.append(authority.intermediate(chain[-1], f"Step {step}", VALID))
    assert kind(authority.leaf(chain[-1], NAMES, VALID), *chain[:0:-1]) is Kind.NOT_FOLLOWED


def test_expired_chain_of_keys_that_public_web_authorities_may_not_have() -> None:
    """The dates are the only fault, whatever the library says first."""
    gone = authority.leaf(ED_ROOT, NAMES, Validity.around(MOMENT, days_before=0.5, days_after=-0.1))
    assert kind(gone, anchors=(ED_ROOT.certificate,)) is Kind.TRUSTED


def issued_in_the_name_of(issuer: Credential, title: str, string: _ASN1Type = _ASN1Type.UTF8String) -> Credential:
    """A leaf that names its issuer in another way than the issuer's certificate does; signed by it all the same."""
    organization = x509.NameAttribute(NameOID.ORGANIZATION_NAME, "Tidewater Observatory")
    name = x509.Name([organization, x509.NameAttribute(NameOID.COMMON_NAME, title, string)])
    leaf = authority.leaf(issuer, NAMES, VALID)
    certificate = leaf.certificate
    builder = x509.CertificateBuilder(name, certificate.subject, leaf.key.public_key(), 7, VALID.not_before, VALID.not_after,
                                      list(certificate.extensions))
    digest = None if isinstance(issuer.key, ed25519.Ed25519PrivateKey) else hashes.SHA256()
    return dataclasses.replace(leaf, certificate=builder.sign(issuer.key, digest))


@pytest.mark.parametrize(("title", "string", "expected"), [
    ("Rack Authority", _ASN1Type.PrintableString, Kind.TRUSTED),
    ("Rack Authority", _ASN1Type.BMPString, Kind.TRUSTED),
    ("RACK authority", _ASN1Type.UTF8String, Kind.TRUSTED),
    ("  Rack   Authority ", _ASN1Type.UTF8String, Kind.TRUSTED),
    ("RackAuthority", _ASN1Type.UTF8String, Kind.ISSUER_NOT_SENT),
    ("Rack Authority 2", _ASN1Type.UTF8String, Kind.ISSUER_NOT_SENT),
])
@pytest.mark.parametrize("keys", ["p256", "rsa-2048", "ed25519"])
def test_names_are_compared_whatever_their_case_and_encoding(
    tmp_path: pathlib.Path, title: str, string: _ASN1Type, expected: Kind, keys: str
) -> None:
    """RFC 5280 section 7.1, as openssl does it."""
    rack = authority.intermediate(ROOT, "Rack Authority", VALID, key=authority.make_key(keys))
    leaf = issued_in_the_name_of(rack, title, string)
    assert kind(leaf, rack) is expected
    assert openssl_takes(tmp_path, leaf, rack) is (expected is Kind.TRUSTED)
    if expected is Kind.TRUSTED:
        assert kind(spoilt.with_broken_signature(leaf), rack) is Kind.BAD_SIGNATURE
        assert kind(leaf, authority.intermediate(ROOT, "Rack Authority", VALID)) is Kind.BAD_SIGNATURE


def test_rules_hold_where_a_name_is_spelled_otherwise() -> None:
    """The library does not judge such a path, so every rule is ours to keep; SHA-1 proves nothing here either."""
    for broken, expected in ((NARROW, Kind.REFUSED), (NO_AUTHORITY, Kind.NOT_AN_AUTHORITY),
                             (with_usages(ROOT, ExtendedKeyUsageOID.CLIENT_AUTH), Kind.NOT_AN_AUTHORITY)):
        title = str(broken.certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)[0].value)
        assert kind(issued_in_the_name_of(broken, title.upper()), broken) is expected
    weak = spoilt.with_sha1_signature(issued_in_the_name_of(RSA_ROOT, "OLD"), RSA_KEY)
    assert kind(weak, anchors=(RSA_ROOT.certificate,)) is Kind.UNVERIFIABLE


@pytest.mark.parametrize("new", ["p256", "rsa-2048", "ed25519"])
@pytest.mark.parametrize("old", ["p256", "rsa-2048", "ed25519"])
def test_authority_made_anew_with_another_kind_of_key(old: str, new: str) -> None:
    """Its old signatures do not verify any more, which is another thing than an algorithm that nobody verifies."""
    before, after = (authority.root("Root", VALID, key=authority.make_key(keys)) for keys in (old, new))
    assert kind(authority.leaf(before, NAMES, VALID), anchors=(after.certificate,)) is Kind.BAD_SIGNATURE


@pytest.mark.parametrize("octets", [b"", b"0", b"\x30\x03\x02\x01\x00", LEAF.der[:-20]])
def test_what_is_no_certificate_is_unreadable(octets: bytes) -> None:
    """Never an exception; and the same octets sent along are passed over."""
    assert validate(octets, [RACK.der], SITE, MOMENT).kind is Kind.UNREADABLE
    assert validate(LEAF.der, [octets, RACK.der], SITE, MOMENT).kind is Kind.TRUSTED


@pytest.mark.parametrize("moment", [MOMENT + datetime.timedelta(days=4000), MOMENT - datetime.timedelta(days=4000), None])
def test_dates_are_left_to_their_own_check(moment: datetime.datetime | None) -> None:
    """A sound chain is sound whatever the time is; ``at`` is then a moment at which it was valid."""
    outcome = validate(LEAF.der, [RACK.der], SITE, moment)
    assert outcome.kind is Kind.TRUSTED
    assert outcome.at is not None
    assert VALID.not_before <= outcome.at <= VALID.not_after


def test_authority_renewed_after_the_leaf_expired_leaves_the_fault_to_the_dates() -> None:
    """No moment lies in the validity of both: the dates fail, and the path, which holds, is not blamed as well."""
    gone = authority.leaf(RACK, NAMES, Validity.around(MOMENT, days_before=300, days_after=-100))
    outcome = validate(gone.der, [RACK.der], SITE, MOMENT)
    assert (outcome.kind, outcome.at) == (Kind.TRUSTED, None)
    assert kind(authority.leaf(NARROW, NAMES, Validity.around(MOMENT, days_before=300, days_after=-100)), NARROW) is Kind.REFUSED
    assert kind(spoilt.with_broken_signature(gone), RACK) is Kind.BAD_SIGNATURE


def test_old_root_and_its_successor_of_one_name_side_by_side() -> None:
    """Where two anchors have one name, the one whose key fits is taken."""
    assert kind(LEAF, RACK, anchors=(TWIN.certificate, ROOT.certificate)) is Kind.TRUSTED


def test_odd_names_leave_the_terminal_alone() -> None:
    """A certificate whose country has eight letters (cryptography-vectors); warnings are errors in these tests."""
    vectors = pathlib.Path(str(importlib.resources.files("cryptography_vectors")))
    odd = (vectors / "x509" / "custom" / "bad_country.pem").read_bytes()
    (anchor,) = anchors_of((odd,)).certificates
    assert "too long" in called(anchor)
    assert validate(anchor.public_bytes(Encoding.DER), [], SITE, MOMENT).kind is Kind.SELF_SIGNED


def test_anchors_are_read_from_files_with_several_and_with_rubbish() -> None:
    """What cannot be read is left out and the rest is kept."""
    file = b"# the site's\n" + ROOT.pem + b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n" + OTHER.pem
    assert anchors_of((file, b"", TWIN.pem)).certificates == (ROOT.certificate, OTHER.certificate, TWIN.certificate)
