"""Chains that are sound by RFC 5280 and that OpenSSL refuses: a caution each, and none where it takes them."""

from __future__ import annotations

import dataclasses
import datetime
import pathlib
import subprocess
from collections.abc import Callable

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.x509.oid import ExtendedKeyUsageOID

from probes.x509facts import facts
from shared import catalogue
from shared.evidence import Evidence, HostEvidence, SiteEvidence, TlsEvidence, Vantage
from shared.findings import Finding, Grade
from shared.plan import Plan
from shared.quantities import Interval
from verify.grading.case import Case
from verify.grading.certificate import grade_host
from verify.laboratory import authority
from verify.laboratory.authority import Credential, Validity

MOMENT = datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC)
VALID = Validity.around(MOMENT)
PAST = Validity.around(MOMENT, days_before=100, days_after=-1)
NAMES = ("dome-a.obs.example.net",)

ROOT = authority.root("Site Root", VALID)
STRANGER = authority.root("Stranger", VALID)
RACK = authority.intermediate(ROOT, "Rack", VALID)
LEAF = authority.leaf(RACK, NAMES, VALID)

Trust = Callable[..., Finding]


@pytest.fixture
def trust(make_plan: Callable[..., Plan], tmp_path: pathlib.Path) -> Trust:
    """The finding of ``certificate.trust`` about a chain; a pass is one where OpenSSL takes the chain, and only there.

    But for what only OpenSSL's strict checks ask for.
    """

    def judge(*chain: Credential, anchors: tuple[Credential, ...] = (ROOT,)) -> Finding:
        seen = TlsEvidence(address="192.0.2.11", port="443/tcp", server_name=NAMES[0], at="2026-11-02T09:00:00.000000Z",
                           elapsed_seconds=0.01, chain=tuple(facts(each.der) for each in chain))
        host = HostEvidence(fqdn=NAMES[0], tls=(seen,))
        evidence = Evidence(vantage=Vantage(name="runner"), started=seen.at, finished=seen.at, complete=True, site=SiteEvidence(),
                            hosts=(host,))
        plan = make_plan(anchors=("site-ca.pem",), anchors_pem=tuple(each.pem for each in anchors))
        case = Case(plan=plan, limits=catalogue.limits_of("production"), evidence=evidence, agreed=Interval(-0.01, 0.01))
        found = next(each for each in grade_host(case, plan.hosts[0], host) if each.check == "certificate.trust")
        assert openssl_takes(tmp_path, *chain, anchors=anchors) is (found.symptom in ("", "issued-against-rules"))
        assert bool(found.fix) is (found.grade is not Grade.PASS)
        return found

    return judge


def openssl_takes(folder: pathlib.Path, leaf: Credential, *sent: Credential, anchors: tuple[Credential, ...]) -> bool:
    for name, parts in (("leaf", (leaf,)), ("sent", sent or (leaf,)), ("anchors", anchors)):
        (folder / name).write_bytes(b"".join(part.pem for part in parts))
    command = ["openssl", "verify", "-no-CApath", "-no-CAstore", "-purpose", "sslserver", "-attime", str(int(MOMENT.timestamp())),
               "-CAfile", "anchors", "-untrusted", "sent", "leaf"]
    return subprocess.run(command, cwd=folder, capture_output=True, check=False, timeout=20).returncode == 0


def another_rack(issuer: Credential = ROOT, validity: Validity = VALID, **fields: object) -> Credential:
    return authority.intermediate(issuer, "Rack", validity, key=RACK.key, **fields)  # type: ignore[arg-type]


FOR_CLIENTS = (x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH]), False)


@pytest.mark.parametrize(("other", "symptom"), [
    (another_rack(STRANGER), "other-way-first"),
    (another_rack(extensions=(FOR_CLIENTS,)), "other-way-first"),
    (another_rack(permitted=("other.example.net",)), "other-way-first"),
    (another_rack(is_authority=False), "other-way-first"),
    (another_rack(validity=PAST), ""),
    (another_rack(), ""),
    (authority.intermediate(ROOT, "Rack", VALID), ""),
    (authority.intermediate(STRANGER, "Site Root", VALID, key=ROOT.key), ""),
    (STRANGER, ""), (ROOT, ""), (LEAF, ""),
])
def test_certificate_that_leads_nowhere_served_before_the_one_that_leads_up(
    trust: Trust, other: Credential, symptom: str
) -> None:
    """Only before, and only where programs would follow it."""
    found = trust(LEAF, other, RACK)
    assert (found.grade, found.symptom) == (Grade.CAUTION if symptom else Grade.PASS, symptom)
    assert trust(LEAF, RACK, other).grade is Grade.PASS
    if symptom:
        assert RACK.certificate.fingerprint(hashes.SHA256()).hex() in "\n".join(found.fix)


def test_way_that_leads_to_an_anchor_that_has_expired_served_first(trust: Trust) -> None:
    """It was sound once, and programs that follow it find it expired."""
    gone = authority.root("Gone", PAST)
    other = another_rack(gone)
    assert trust(LEAF, other, RACK, anchors=(ROOT, gone)).symptom == "other-way-first"
    assert trust(LEAF, RACK, other, anchors=(ROOT, gone)).grade is Grade.PASS


def test_root_past_its_date_among_the_anchors_hides_the_certificate_that_another_root_gave_it(trust: Trust) -> None:
    """An anchor is taken before what is sent, also where it has expired."""
    gone = authority.root("Gone", PAST)
    renewed = authority.intermediate(ROOT, "Gone", VALID, key=gone.key)
    leaf = authority.leaf(gone, NAMES, VALID)
    assert trust(leaf, renewed, anchors=(ROOT, gone)).symptom == "unfit-anchor-first"
    assert trust(leaf, renewed, anchors=(ROOT,)).grade is Grade.PASS


def test_order_matters_on_every_step(trust: Trust) -> None:
    """The second authority of two is crossed."""
    low = authority.intermediate(RACK, "Low", VALID)
    leaf, other = authority.leaf(low, NAMES, VALID), another_rack(STRANGER)
    for sent in ((low, other, RACK), (other, RACK, low), (other, low, RACK)):
        assert trust(leaf, *sent).symptom == "other-way-first"
    for sent in ((low, RACK, other), (RACK, low, other), (RACK, other, low)):
        assert trust(leaf, *sent).grade is Grade.PASS


def pointing(
    issuer: Credential, identifier: x509.AuthorityKeyIdentifier | None, sound: Credential | None = None
) -> Credential:
    """A leaf, or the certificate that is given, with an authority key identifier of our choice."""
    sound = sound or authority.leaf(issuer, NAMES, VALID)
    certificate = sound.certificate
    kept = [one for one in certificate.extensions if not isinstance(one.value, x509.AuthorityKeyIdentifier)]
    builder = x509.CertificateBuilder(certificate.issuer, certificate.subject, sound.key.public_key(), 7, VALID.not_before,
                                      VALID.not_after, kept)
    if identifier is not None:
        builder = builder.add_extension(identifier, critical=False)
    return dataclasses.replace(sound, certificate=builder.sign(issuer.key, hashes.SHA256()))


KEY_ID = x509.AuthorityKeyIdentifier.from_issuer_public_key(RACK.key.public_key()).key_identifier
SERIAL = RACK.certificate.serial_number
ABOVE, BESIDE = ([x509.DirectoryName(each.certificate.subject)] for each in (ROOT, STRANGER))


@pytest.mark.parametrize(("identifier", "symptom"), [
    (None, "issued-against-rules"),
    (x509.AuthorityKeyIdentifier(KEY_ID, None, None), ""),
    (x509.AuthorityKeyIdentifier(KEY_ID, ABOVE, SERIAL), ""),
    (x509.AuthorityKeyIdentifier(b"another", None, None), "issuer-identified-otherwise"),
    (x509.AuthorityKeyIdentifier(KEY_ID, ABOVE, SERIAL + 1), "issuer-identified-otherwise"),
    (x509.AuthorityKeyIdentifier(None, ABOVE, SERIAL + 1), "issuer-identified-otherwise"),
    (x509.AuthorityKeyIdentifier(KEY_ID, BESIDE, SERIAL), "issuer-identified-otherwise"),
])
def test_authority_key_identifier_that_points_at_another_certificate(
    trust: Trust, identifier: x509.AuthorityKeyIdentifier | None, symptom: str
) -> None:
    """RFC 5280 section 4.2.1.1, by key and by the issuer's own issuer and serial number."""
    found = trust(pointing(RACK, identifier), RACK)
    assert (found.grade, found.symptom) == (Grade.CAUTION if symptom else Grade.PASS, symptom)


@pytest.mark.filterwarnings("error")
def test_what_the_library_complains_of_stays_off_the_terminal(trust: Trust) -> None:
    """A serial number of 0, in a certificate that plays no part."""
    odd = pointing(ROOT, x509.AuthorityKeyIdentifier(None, ABOVE, 0), another_rack())
    assert trust(LEAF, RACK, odd).grade is Grade.PASS


def test_root_made_anew_with_its_old_key_and_a_certificate_that_names_the_old_one(trust: Trust) -> None:
    """As "authorityKeyIdentifier = issuer:always" has it; with the old root beside the new one among the anchors all is well."""
    renewed = authority.root("Site Root", VALID, key=ROOT.key)
    key_id = x509.AuthorityKeyIdentifier.from_issuer_public_key(ROOT.key.public_key()).key_identifier
    leaf = pointing(ROOT, x509.AuthorityKeyIdentifier(key_id, ABOVE, ROOT.certificate.serial_number))
    assert trust(leaf, anchors=(renewed,)).symptom == "issuer-identified-otherwise"
    assert trust(leaf, anchors=(ROOT,)).grade is Grade.PASS
    assert trust(leaf, anchors=(renewed, ROOT)).grade is trust(leaf, anchors=(ROOT, renewed)).grade is Grade.PASS
