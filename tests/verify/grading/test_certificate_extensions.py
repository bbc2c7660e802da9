"""Certificates with an extension that is malformed, there twice, odd or wanting, each judged by ``openssl verify`` as well."""

from __future__ import annotations

import datetime
import pathlib
import subprocess
from collections.abc import Callable

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtensionOID

from probes.x509facts import facts
from shared import catalogue
from shared.der import SEQUENCE, elements, only
from shared.evidence import Evidence, HostEvidence, SiteEvidence, TlsEvidence, Vantage
from shared.findings import Finding, Grade
from shared.plan import Plan
from shared.quantities import Interval
from verify.grading.case import Case
from verify.grading.certificate import grade_host
from verify.grading.certificate.extensions import reading
from verify.grading.certificate.rules import extension
from verify.laboratory import authority
from verify.laboratory.authority import Validity

MOMENT = datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC)
VALID = Validity.around(MOMENT)
NAME = "dome-a.obs.example.net"
KEY, RACK_KEY, ROOT_KEY = (ec.generate_private_key(ec.SECP256R1()) for _ in range(3))

SKI, AKI, SAN = (ExtensionOID.SUBJECT_KEY_IDENTIFIER, ExtensionOID.AUTHORITY_KEY_IDENTIFIER,
                 ExtensionOID.SUBJECT_ALTERNATIVE_NAME)
BASIC, USAGE, EXTENDED = ExtensionOID.BASIC_CONSTRAINTS, ExtensionOID.KEY_USAGE, ExtensionOID.EXTENDED_KEY_USAGE
ACCESS, POLICIES, LISTS = (ExtensionOID.AUTHORITY_INFORMATION_ACCESS, ExtensionOID.CERTIFICATE_POLICIES,
                           ExtensionOID.CRL_DISTRIBUTION_POINTS)
CONSTRAINTS = ExtensionOID.NAME_CONSTRAINTS
NETSCAPE, UNKNOWN = x509.ObjectIdentifier("2.16.840.1.113730.1.1"), x509.ObjectIdentifier("1.3.6.1.4.1.32473.1")

#: Takes the place of the usual extension of its kind: its value as octets and whether it is critical; None leaves it out.
Planted = dict[x509.ObjectIdentifier, tuple[str, bool] | None]


def made(
    subject: str, issuer: str, key: ec.EllipticCurvePrivateKey, signer: ec.EllipticCurvePrivateKey, planted: Planted,
    *, is_authority: bool = False,
) -> bytes:
    """A sound certificate but for what is planted in it."""
    usual: list[tuple[x509.ExtensionType, bool]] = [
        (x509.BasicConstraints(is_authority, None), True),
        (x509.KeyUsage(not is_authority, False, False, False, False, is_authority, is_authority, False, False), True),
        (x509.SubjectKeyIdentifier.from_public_key(key.public_key()), False),
        (x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()), False),
    ]
    if not is_authority:
        usual += [(x509.SubjectAlternativeName([x509.DNSName(NAME)]), False),
                  (x509.ExtendedKeyUsage([authority.SERVER_USAGE]), False)]
    builder = (x509.CertificateBuilder().subject_name(named(subject)).issuer_name(named(issuer)).public_key(key.public_key())
               .serial_number(4711).not_valid_before(VALID.not_before).not_valid_after(VALID.not_after))
    for value, critical in usual:
        if value.oid not in planted:
            builder = builder.add_extension(value, critical)
    for oid, odd in planted.items():
        if odd is not None:
            builder = builder.add_extension(x509.UnrecognizedExtension(oid, bytes.fromhex(odd[0])), odd[1])
    return builder.sign(signer, hashes.SHA256()).public_bytes(serialization.Encoding.DER)


def named(title: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, title)] if title else [])


def root(planted: Planted | None = None) -> bytes:
    return made("Root", "Root", ROOT_KEY, ROOT_KEY, planted or {}, is_authority=True)


def rack(planted: Planted | None = None) -> bytes:
    return made("Rack", "Root", RACK_KEY, ROOT_KEY, planted or {}, is_authority=True)


def leaf(planted: Planted | None = None, subject: str = NAME) -> bytes:
    return made(subject, "Rack", KEY, RACK_KEY, planted or {})


def changed(certificate: bytes, old: str, new: str) -> bytes:
    """The same certificate with octets of its body exchanged for as many others."""
    body, _, _ = elements(only(certificate, SEQUENCE))
    assert len(old) == len(new)
    assert bytes.fromhex(old) in body.content
    return signed(body.content.replace(bytes.fromhex(old), bytes.fromhex(new)))


def numbered(serial: str, planted: Planted | None = None) -> bytes:
    """A certificate with this serial number, in octets."""
    body, _, _ = elements(only(leaf(planted), SEQUENCE))
    version, _, *rest = elements(body.content)
    return signed(version.whole + element(0x02, bytes.fromhex(serial)) + b"".join(part.whole for part in rest))


def without_version() -> bytes:
    """A certificate that leaves the version out, which says that it is 1 (RFC 5280 section 4.1)."""
    body, _, _ = elements(only(leaf(), SEQUENCE))
    return signed(b"".join(part.whole for part in list(elements(body.content))[1:]))


def signed(content: bytes) -> bytes:
    """A certificate of this body, signed by the rack's authority."""
    body = element(SEQUENCE, content)
    signature = RACK_KEY.sign(body, ec.ECDSA(hashes.SHA256()))
    return element(SEQUENCE, body + bytes.fromhex("300a06082a8648ce3d040302") + element(0x03, b"\x00" + signature))


def element(tag: int, content: bytes) -> bytes:
    octets = len(content).to_bytes((len(content).bit_length() + 7) // 8, "big")
    return bytes((tag, *((len(content),) if len(content) < 0x80 else (0x80 | len(octets), *octets)))) + content


def openssl_takes(folder: pathlib.Path, chain: tuple[bytes, ...], anchor: bytes, *options: str) -> bool:
    for name, parts in (("leaf", chain[:1]), ("sent", chain), ("anchors", (anchor,))):
        (folder / name).write_bytes(b"".join(map(pem, parts)))
    command = ["openssl", "verify", "-no-CApath", "-no-CAstore", "-purpose", "sslserver", "-attime", str(int(MOMENT.timestamp())),
               *options, "-CAfile", "anchors", "-untrusted", "sent", "leaf"]
    return subprocess.run(command, cwd=folder, capture_output=True, check=False, timeout=20).returncode == 0


def pem(certificate: bytes) -> bytes:
    return x509.load_der_x509_certificate(certificate).public_bytes(serialization.Encoding.PEM)


Trust = Callable[..., Finding]


@pytest.fixture
def trust(make_plan: Callable[..., Plan]) -> Trust:
    """The finding of ``certificate.trust`` about a chain."""

    def judge(*chain: bytes, anchor: bytes) -> Finding:
        seen = TlsEvidence(address="192.0.2.11", port="443/tcp", server_name=NAME, at="2026-11-02T09:00:00.000000Z",
                           elapsed_seconds=0.01, chain=tuple(map(facts, chain)))
        host = HostEvidence(fqdn=NAME, tls=(seen,))
        evidence = Evidence(vantage=Vantage(name="runner"), started=seen.at, finished=seen.at, complete=True, site=SiteEvidence(),
                            hosts=(host,))
        plan = make_plan(anchors=("site-ca.pem",), anchors_pem=(pem(anchor),))
        case = Case(plan=plan, limits=catalogue.limits_of("production"), evidence=evidence, agreed=Interval(-0.01, 0.01))
        return next(each for each in grade_host(case, plan.hosts[0], host) if each.check == "certificate.trust")

    return judge


ROOT, RACK = root(), rack()
TWICE = "more than once (RFC 5280 section 4.2)"
#: The certificate, what is found, what is said of it, and whether OpenSSL takes it.
SERVERS: dict[str, tuple[bytes, Grade, str, bool]] = {
    "sound": (leaf(), Grade.PASS, "", True),
    "key identifier cut short": (leaf({SKI: ("047f01", False)}), Grade.FAIL, "extension subjectKeyIdentifier of", False),
    "key usage without a bit": (leaf({USAGE: ("0300", True)}), Grade.FAIL, "extension keyUsage of", False),
    "key usage of another type": (leaf({USAGE: ("300003020780", True)}), Grade.FAIL, "extension keyUsage of", False),
    "constraints cut short": (leaf({BASIC: ("300301", True)}), Grade.FAIL, "extension basicConstraints of", False),
    "usage cut short": (leaf({EXTENDED: ("307f", False)}), Grade.FAIL, "extension extKeyUsage of", False),
    "a name cut short": (leaf({SAN: ("3002827f", False)}), Grade.FAIL, "extension subjectAltName of", False),
    "lists of another type": (leaf({LISTS: ("020101", False)}), Grade.FAIL, "extension cRLDistributionPoints of", False),
    "limits on names of another type": (leaf({CONSTRAINTS: ("020101", True)}), Grade.FAIL, "extension nameConstraints of", False),
    "policies, critical, cut short": (leaf({POLICIES: ("300301", True)}), Grade.FAIL, "extension certificatePolicies of", True),
    "known extension twice": (changed(leaf(), "0603551d23", "0603551d0e"), Grade.FAIL, f"subjectKeyIdentifier {TWICE}", False),
    "unknown extension twice": (
        changed(leaf({UNKNOWN: ("0500", False), x509.ObjectIdentifier("1.3.6.1.4.1.32473.2"): ("0500", False)}),
                "06092b0601040181fd5902", "06092b0601040181fd5901"),
        Grade.FAIL, f"1.3.6.1.4.1.32473.1 {TWICE}", True),
    # Programs written in Go refuse these two; no other client that was tried does.
    "access cut short": (leaf({ACCESS: ("300501", False)}), Grade.CAUTION, "malformed extension authorityInfoAccess", True),
    "policies cut short": (leaf({POLICIES: ("300301", False)}), Grade.CAUTION, "malformed extension certificatePolicies", True),
    "a name that is not ASCII": (leaf({SAN: (f"30208206{'dömé'.encode().hex()}8216{NAME.encode().hex()}", False)}), Grade.CAUTION,
                                 "not all ASCII (RFC 5280 section 4.2.1.6)", True),
    # X.690 section 11.5 leaves a default out; every client that was tried takes it.
    "cA FALSE, written out": (leaf({BASIC: ("3003010100", True)}), Grade.PASS, "", True),
    # What our library does not read and is whole: nobody is accused.
    "a party's name": (leaf({SAN: (f"301fa505a1030c01788216{NAME.encode().hex()}", False)}), Grade.UNPROVEN,
                       "extension subjectAltName of", True),
    "unknown and not critical": (leaf({UNKNOWN: ("0500", False)}), Grade.PASS, "", True),
    "version 1 with extensions": (without_version(), Grade.FAIL, "(RFC 5280 section 4.1.2.9)", True),
    "for clients by nsCertType": (leaf({NETSCAPE: ("03020780", False)}), Grade.CAUTION, "nsCertType", False),
    "for servers by nsCertType": (leaf({NETSCAPE: ("03020640", False)}), Grade.PASS, "", True),
    "serial number 0": (numbered("00"), Grade.CAUTION, "is not positive", True),
    "negative serial number": (numbered("8001"), Grade.CAUTION, "is not positive", True),
    "serial number of 20 octets": (numbered("7f" + "ff" * 19), Grade.PASS, "", True),
    "serial number of 21 octets": (numbered("0080" + "00" * 19), Grade.CAUTION, "of more than 20 octets", True),
    "serial number of 30 octets": (numbered("11" * 30), Grade.CAUTION, "of more than 20 octets", True),
}


@pytest.mark.parametrize("title", SERVERS)
def test_a_servers_certificate_with_one_oddity(trust: Trust, tmp_path: pathlib.Path, title: str) -> None:
    """A fail where clients refuse, a caution where some do; the extension is named, and no other is lost over it."""
    certificate, grade, said, taken = SERVERS[title]
    assert openssl_takes(tmp_path, (certificate, RACK), ROOT) is taken
    found = trust(certificate, RACK, anchor=ROOT)
    assert found.grade is grade, found.message
    assert said in found.message
    assert bool(found.fix) is (grade in (Grade.FAIL, Grade.CAUTION))


@pytest.mark.parametrize(("issuer", "anchor", "grade", "said", "taken"), [
    (rack({SKI: ("047f01", False)}), ROOT, Grade.FAIL, "extension subjectKeyIdentifier of CN=Rack is malformed", False),
    (rack({USAGE: ("0300", True)}), ROOT, Grade.FAIL, "extension keyUsage of CN=Rack is malformed", False),
    (rack({BASIC: ("30030101", True)}), ROOT, Grade.FAIL, "extension basicConstraints of CN=Rack is malformed", False),
    (rack({BASIC: ("3003010101", True)}), ROOT, Grade.UNPROVEN, "extension basicConstraints of CN=Rack cannot be read", True),
    (rack({BASIC: ("3003010100", True)}), ROOT, Grade.FAIL, "CN=Rack, which may not issue", False),
    (rack({ACCESS: ("300501", False)}), ROOT, Grade.CAUTION, "CN=Rack has a malformed extension authorityInfoAccess", True),
    (RACK, root({ACCESS: ("300501", False)}), Grade.CAUTION, "CN=Root has a malformed extension authorityInfoAccess", True),
    (RACK, root({SKI: ("047f01", False)}), Grade.FAIL, "extension subjectKeyIdentifier of CN=Root is malformed", False),
])
def test_an_authority_with_one_oddity(
    trust: Trust, tmp_path: pathlib.Path, issuer: bytes, anchor: bytes, grade: Grade, said: str, *, taken: bool
) -> None:
    """The same of those above the server's certificate, the anchor included, as OpenSSL has it too."""
    assert openssl_takes(tmp_path, (leaf(), issuer), anchor) is taken
    found = trust(leaf(), issuer, anchor=anchor)
    assert found.grade is grade, found.message
    assert said in found.message


def test_the_rest_is_read_beside_a_malformed_extension(trust: Trust) -> None:
    """Beside broken policies stand a usage for clients, a key usage with none for servers and another authority's identifier."""
    odd = leaf({POLICIES: ("300301", False), USAGE: ("03020106", True), EXTENDED: ("300a06082b06010505070302", False),
                AKI: ("30058003010203", False)})
    certificate = x509.load_der_x509_certificate(odd)
    usage = extension(certificate, x509.KeyUsage)
    assert usage is not None
    assert usage.key_cert_sign
    assert [(one.name, one.broken, one.decisive) for one in reading(certificate).unread] == [("certificatePolicies", True, False)]
    found = trust(odd, RACK, anchor=ROOT)
    assert found.grade is Grade.FAIL
    for part in ("4.2.1.12", "4.2.1.3", "4.2.1.9", "authority key identifier is that of another", "certificatePolicies"):
        assert part in found.message


#: What is wanting, in the certificate, in the one above it or in the anchor; and the section that asks for it.
WANTING: dict[str, tuple[tuple[bytes, bytes, bytes], str]] = {
    "nothing": ((leaf(), RACK, ROOT), ""),
    "issuer's key in the certificate": ((leaf({AKI: None}), RACK, ROOT), "section 4.2.1.1)"),
    "issuer's key in the authority": ((leaf(), rack({AKI: None}), ROOT), "section 4.2.1.1)"),
    "issuer's key in the root": ((leaf(), RACK, root({AKI: None})), ""),
    "subject, and critical names": ((leaf(subject=""), RACK, ROOT), "section 4.2.1.6)"),
    "subject": ((leaf({SAN: (f"30188216{NAME.encode().hex()}", True)}, subject=""), RACK, ROOT), ""),
    "cA where certificates are signed": ((leaf({USAGE: ("03020284", True)}), RACK, ROOT), "section 4.2.1.9)"),
    "own key in the authority": ((leaf(), rack({SKI: None}), ROOT), "section 4.2.1.2)"),
    "own key in the root": ((leaf(), RACK, root({SKI: None})), "section 4.2.1.2)"),
    "own key in the certificate": ((leaf({SKI: None}), RACK, ROOT), ""),
    "key usage in the authority": ((leaf(), rack({USAGE: None}), ROOT), "section 4.2.1.3)"),
    "key usage in the root": ((leaf(), RACK, root({USAGE: None})), "section 4.2.1.3)"),
    "key usage in the certificate": ((leaf({USAGE: None}), RACK, ROOT), ""),
    "critical constraints in the authority": ((leaf(), rack({BASIC: ("30030101ff", False)}), ROOT), "section 4.2.1.9)"),
    "critical constraints in the root": ((leaf(), RACK, root({BASIC: ("30030101ff", False)})), "section 4.2.1.9)"),
}


@pytest.mark.parametrize("title", WANTING)
def test_what_strict_clients_ask_for_is_a_caution(trust: Trust, tmp_path: pathlib.Path, title: str) -> None:
    """OpenSSL takes all of these, and refuses those that are said to be wanting once it is told to be strict, as Python does."""
    (certificate, issuer, anchor), section = WANTING[title]
    assert openssl_takes(tmp_path, (certificate, issuer), anchor)
    assert openssl_takes(tmp_path, (certificate, issuer), anchor, "-x509_strict") is not bool(section)
    found = trust(certificate, issuer, anchor=anchor)
    assert found.grade is (Grade.CAUTION if section else Grade.PASS), found.message
    assert section in found.message
    assert ("Python 3.13" in found.message) is bool(section)


def test_two_shortcomings_are_told_together_and_others_counted(trust: Trust) -> None:
    """Those of the server's certificate first; of the chain's others only how many there are."""
    found = trust(numbered("11" * 21, {AKI: None}), rack({AKI: None}), anchor=root({SKI: None}))
    assert found.grade is Grade.CAUTION
    assert "4.1.2.2), and has no authority key identifier" in found.message
    assert "in 2 more of the chain" in found.message


def critical_written_out(certificate: bytes) -> bytes:
    """The same certificate, with FALSE written out where its key identifier is not critical."""
    body, _, _ = elements(only(certificate, SEQUENCE))
    *fields, wrapped = elements(body.content)
    listed = [each.content for each in elements(only(wrapped.content, SEQUENCE))]
    odd = [each.replace(bytes.fromhex("0603551d0e04"), bytes.fromhex("0603551d0e01010004")) for each in listed]
    assert odd != listed
    inner = element(SEQUENCE, b"".join(element(SEQUENCE, each) for each in odd))
    return signed(b"".join(field.whole for field in fields) + element(0xA3, inner))


def test_default_that_is_written_out_is_not_taken_for_a_fault(trust: Trust, tmp_path: pathlib.Path) -> None:
    """OpenSSL reads it, as others do, and our library does not: whether the chain holds is not known then."""
    odd = critical_written_out(leaf())
    (tmp_path / "leaf.der").write_bytes(odd)
    for name, part in (("rack", RACK), ("root", ROOT)):
        (tmp_path / name).write_bytes(pem(part))
    command = ["openssl", "verify", "-no-CApath", "-no-CAstore", "-attime", str(int(MOMENT.timestamp())), "-CAfile", "root",
               "-untrusted", "rack", "leaf.der"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True, timeout=20)
    below_it = made(NAME, NAME, KEY, KEY, {})
    for chain in ((odd, RACK), (leaf(), odd), (below_it, odd)):
        found = trust(*chain, anchor=ROOT)
        if chain[0] == below_it:
            assert (found.grade, found.symptom) == (Grade.FAIL, "self-signed")
        else:
            assert (found.grade, found.symptom, found.fix) == (Grade.UNPROVEN, "default-written-out", ())


def test_certificate_of_version_1_is_trusted_and_has_no_names(trust: Trust, tmp_path: pathlib.Path) -> None:
    """RFC 5280 section 6.1.4 (k) asks version 3 of those that sign others alone; ``certificate.name`` fails it for its names."""
    for command in (["req", "-new", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-keyout", "key", "-subj",
                     f"/CN={NAME}", "-out", "request"],
                    ["x509", "-req", "-in", "request", "-CA", "rack", "-CAkey", "rack.key", "-days", "30", "-set_serial", "7",
                     "-out", "leaf"]):
        (tmp_path / "rack").write_bytes(pem(RACK))
        (tmp_path / "rack.key").write_bytes(RACK_KEY.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()))
        subprocess.run(["openssl", *command], cwd=tmp_path, check=True, capture_output=True, timeout=20)
    old = x509.load_pem_x509_certificate((tmp_path / "leaf").read_bytes())
    assert old.version is x509.Version.v1
    found = trust(old.public_bytes(serialization.Encoding.DER), RACK, anchor=ROOT)
    assert found.grade is Grade.PASS, found.message
    assert "version 1" in found.message
