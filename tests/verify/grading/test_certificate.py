"""The certificate family on whole evidence: each fault gives its finding, and a sound host shows none."""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Callable
from typing import Any

import msgspec
import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from labkit import spoilt
from probes.x509facts import facts
from shared import catalogue
from shared.evidence import (
    CertificateFacts,
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    PortEvidence,
    PortState,
    SiteEvidence,
    TlsEvidence,
    Vantage,
    VersionTrial,
)
from shared.findings import Finding, Grade
from shared.plan import Plan
from shared.quantities import Interval
from verify.grading.case import Case
from verify.grading.certificate import grade_fleet, grade_host, trust
from verify.grading.certificate.dates import scaled
from verify.grading.certificate.path import Kind, Outcome
from verify.grading.certificate.sight import doors, look
from verify.laboratory import authority
from verify.laboratory.authority import Credential, Validity

MOMENT = datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC)
VALID = Validity.around(MOMENT, days_before=10, days_after=365)
DAY = 86400
A, B = "dome-a.obs.example.net", "dome-b.obs.example.net"

ROOT = authority.root("Site Root", VALID)
RACK = authority.intermediate(ROOT, "Rack Authority", VALID)
SOUND = authority.leaf(RACK, (A,), VALID)
AGREED = Interval(-0.01, 0.01)
GOOD_VERSIONS = (("TLS 1.3", "accepted"), ("TLS 1.2", "accepted"), ("TLS 1.1", "refused"), ("TLS 1.0", "refused"))


ANY_USAGE = ExtendedKeyUsageOID.ANY_EXTENDED_KEY_USAGE


def stamp(moment: datetime.datetime) -> str:
    return f"{moment:%Y-%m-%dT%H:%M:%S.%f}Z"


def trials(*outcomes: tuple[str, str]) -> tuple[VersionTrial, ...]:
    return tuple(VersionTrial(version=version, outcome=outcome, detail="as tried") for version, outcome in outcomes)


def tls(*chain: Credential | CertificateFacts, address: str = "192.0.2.11", **fields: Any) -> TlsEvidence:
    sent = tuple(each if isinstance(each, CertificateFacts) else facts(each.der) for each in chain)
    default: dict[str, Any] = {
        "address": address, "port": "443/tcp", "server_name": A, "at": stamp(MOMENT), "elapsed_seconds": 0.01, "chain": sent,
        "protocol": "TLS 1.3", "cipher": "TLS_AES_256_GCM_SHA384", "versions": trials(*GOOD_VERSIONS)}
    return TlsEvidence(**(default | fields))


def port(state: PortState = PortState.OPEN, address: str = "192.0.2.11") -> PortEvidence:
    return PortEvidence(address=address, port="443/tcp", state=state, at=stamp(MOMENT), elapsed_seconds=0.001, attempts=1)


@pytest.fixture
def make_case(make_plan: Callable[..., Plan]) -> Callable[..., Case]:
    def build(*hosts: HostEvidence, agreed: Interval | None = AGREED, profile: str = "production", **plan: Any) -> Case:
        fields = {"anchors": ("site-ca.pem",), "anchors_pem": (ROOT.pem,)} | plan
        evidence = Evidence(vantage=Vantage(name="runner"), started=stamp(MOMENT), finished=stamp(MOMENT), complete=True,
                            site=SiteEvidence(), hosts=hosts)
        return Case(plan=make_plan(**fields), limits=catalogue.limits_of(profile), evidence=evidence, agreed=agreed)

    return build


@pytest.fixture
def judge(make_case: Callable[..., Case]) -> Callable[..., dict[str, Finding]]:
    """Grade dome-a by one handshake; the findings by check."""

    def run(seen: TlsEvidence, *others: HostEvidence, **options: Any) -> dict[str, Finding]:
        host = HostEvidence(fqdn=A, ports=(port(),), tls=(seen,))
        case = make_case(host, *others, **options)
        found = grade_host(case, case.plan.hosts[0], host)
        assert {finding.subject for finding in found} == {"443/tcp"}
        return {finding.check: finding for finding in found}

    return run


Judge = Callable[..., dict[str, Finding]]


def only_fault(found: dict[str, Finding]) -> Finding:
    """The one finding that is no pass; every other check must have passed."""
    faults = [finding for finding in found.values() if finding.grade is not Grade.PASS]
    assert len(faults) == 1, [(finding.check, finding.grade, finding.message) for finding in faults]
    if faults[0].grade in (Grade.FAIL, Grade.CAUTION):
        assert faults[0].fix
    assert faults[0].message.endswith((".", ")")) or ":" in faults[0].message
    return faults[0]


def test_sound_host_shows_no_fault(judge: Judge) -> None:
    """Every check of the family passes, each with words and its basis."""
    found = judge(tls(SOUND, RACK))
    assert set(found) == set(catalogue.matching("certificate.*")) - {"certificate.shared-key", "certificate.peers"}
    assert {finding.grade for finding in found.values()} == {Grade.PASS}
    assert all(finding.message and finding.basis and not finding.fix for finding in found.values())


@pytest.mark.parametrize("check", sorted(set(catalogue.matching("certificate.*")) - {"certificate.protocol"}))
def test_every_check_of_a_certificate_says_that_one_of_several_is_looked_at(check: str) -> None:
    """A server with an ECDSA and an RSA certificate shows one of them (RFC 8446 section 4.4.2.2): the other is not proven."""
    assert "several certificates" in catalogue.CHECKS[check].not_proves


FAULTS: list[tuple[str, TlsEvidence, str, Grade, str]] = [
    ("self-signed", tls(authority.leaf(None, (A,), VALID)), "certificate.trust", Grade.FAIL, "self-signed"),
    ("whole chain of a stranger", tls(authority.leaf(other := authority.root("Stranger", VALID), (A,), VALID), other),
     "certificate.trust", Grade.FAIL, "unknown-issuer"),
    ("issuer not sent", tls(SOUND), "certificate.trust", Grade.FAIL, "issuer-not-sent"),
    ("damaged signature", tls(spoilt.with_broken_signature(SOUND), RACK), "certificate.trust", Grade.FAIL, "bad-signature"),
    ("for clients only", tls(authority.leaf(RACK, (A,), VALID, usages=(ExtendedKeyUsageOID.CLIENT_AUTH,)), RACK),
     "certificate.trust", Grade.FAIL, "usage"),
    ("authority for clients only",
     tls(authority.leaf(limited := authority.intermediate(ROOT, "Limited", VALID, extensions=(
         (x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH]), False),)), (A,), VALID), limited),
     "certificate.trust", Grade.FAIL, "not-an-authority"),
    ("name outside of its authority's", tls(authority.leaf(
        narrow := authority.intermediate(ROOT, "Narrow", VALID, permitted=("other.example.net",)), (A,), VALID), narrow),
     "certificate.trust", Grade.FAIL, "refused"),
    ("constraint that is not followed", tls(authority.leaf(
        dotted := authority.intermediate(ROOT, "Dotted", VALID, permitted=(".obs.example.net",)), (A,), VALID), dotted),
     "certificate.trust", Grade.UNPROVEN, "not-followed"),
    ("for any usage in the place of servers", tls(authority.leaf(RACK, (A,), VALID, usages=(ANY_USAGE,)), RACK),
     "certificate.trust", Grade.CAUTION, "any-usage"),
    ("authority for any usage in the place of servers",
     tls(authority.leaf(anything := authority.intermediate(
         ROOT, "Anything", VALID, extensions=((x509.ExtendedKeyUsage([ANY_USAGE]), False),)), (A,), VALID), anything),
     "certificate.trust", Grade.CAUTION, "any-usage"),
    ("leaf is an authority", tls(authority.leaf(RACK, (A,), VALID, is_authority=True), RACK), "certificate.trust", Grade.CAUTION,
     "leaf-is-authority"),
    ("old name", tls(authority.leaf(RACK, ("localhost",), VALID), RACK), "certificate.name", Grade.FAIL, "other-name"),
    ("short name", tls(authority.leaf(RACK, ("dome-a",), VALID), RACK), "certificate.name", Grade.FAIL, "other-name"),
    ("common name only", tls(authority.leaf(RACK, (), VALID, common_name=A), RACK), "certificate.name", Grade.FAIL,
     "no-alternative-name"),
    ("expired", tls(authority.leaf(RACK, (A,), Validity.around(MOMENT, days_before=9, days_after=-1)), RACK),
     "certificate.dates", Grade.FAIL, "expired"),
    ("from the future", tls(authority.leaf(RACK, (A,), Validity.around(MOMENT, days_before=-1, days_after=300)), RACK),
     "certificate.dates", Grade.FAIL, "not-yet-valid"),
    ("expired intermediate",
     tls(authority.leaf(gone := authority.intermediate(ROOT, "Gone", Validity.around(MOMENT, days_before=9, days_after=-1)), (A,),
                        VALID), gone), "certificate.dates", Grade.FAIL, "expired"),
    ("ends soon", tls(authority.leaf(RACK, (A,), Validity.around(MOMENT, days_before=300, days_after=20)), RACK),
     "certificate.dates", Grade.CAUTION, "expires-soon"),
    ("short key", tls(authority.leaf(RACK, (A,), VALID, key=authority.make_key("rsa-1024")), RACK), "certificate.key", Grade.FAIL,
     "short-key"),
    ("short curve", tls(authority.leaf(RACK, (A,), VALID, key=authority.make_key("p192")), RACK), "certificate.key", Grade.FAIL,
     "old-curve"),
    ("curve of TLS no more", tls(authority.leaf(RACK, (A,), VALID, key=ec.generate_private_key(ec.SECP224R1())), RACK),
     "certificate.key", Grade.FAIL, "old-curve"),
    ("curve that TLS never had in use", tls(authority.leaf(RACK, (A,), VALID, key=ec.generate_private_key(ec.SECP256K1())), RACK),
     "certificate.key", Grade.FAIL, "old-curve"),
    ("curve without a name here", tls(msgspec.structs.replace(facts(SOUND.der), key_type="EC 1.3.132.0.17", key_bits=0), RACK),
     "certificate.key", Grade.FAIL, "old-curve"),
    ("curve that few clients offer", tls(authority.leaf(RACK, (A,), VALID, key=ec.generate_private_key(ec.BrainpoolP256R1())),
                                         RACK), "certificate.key", Grade.CAUTION, "rare-curve"),
    ("curve of no register", tls(msgspec.structs.replace(facts(SOUND.der), key_type="EC 1.2.840.10045.3.1.2", key_bits=0), RACK),
     "certificate.key", Grade.UNPROVEN, "unknown-key"),
    ("ten others", tls(SOUND, *[RACK] * 10), "certificate.trust", Grade.CAUTION, "many-certificates"),
    ("more than are kept", tls(SOUND, chain_left_out=1), "certificate.trust", Grade.UNPROVEN, "many-certificates"),
    ("too many, of which the first do", tls(SOUND, RACK, chain_left_out=31), "certificate.trust", Grade.CAUTION,
     "many-certificates"),
    ("signed by itself, and more than are kept", tls(authority.leaf(None, (A,), VALID), chain_left_out=1), "certificate.trust",
     Grade.FAIL, "self-signed"),
    ("read in the clear", tls(SOUND, RACK, protocol="", cipher="", clear_hello="TLS 1.2", failure=Failure(
        kind=FailureKind.TLS_ALERT, phase="handshake", elapsed_seconds=0.1, detail="handshake_failure (40)")),
     "certificate.protocol", Grade.UNPROVEN, "no-tls"),
    ("old versions", tls(SOUND, RACK, versions=trials(*GOOD_VERSIONS[:3], ("TLS 1.0", "accepted"))), "certificate.protocol",
     Grade.FAIL, "old-version"),
    ("nothing new", tls(SOUND, RACK, protocol="TLS 1.1",
                        versions=trials(("TLS 1.3", "refused"), ("TLS 1.2", "refused"), ("TLS 1.1", "accepted"))),
     "certificate.protocol", Grade.FAIL, "old-version"),
    ("version unknown", tls(SOUND, RACK, versions=trials(*GOOD_VERSIONS[:2], ("TLS 1.1", "unknown"), ("TLS 1.0", "refused"))),
     "certificate.protocol", Grade.UNPROVEN, "version-unknown"),
    ("nothing tried", tls(SOUND, RACK, versions=()), "certificate.protocol", Grade.UNPROVEN, "version-unknown"),
    ("no encryption", tls(SOUND, RACK, cipher="ECDHE-RSA-NULL-SHA"), "certificate.protocol", Grade.FAIL, "weak-cipher"),
]


@pytest.mark.parametrize(("seen", "check", "grade", "symptom"), [row[1:] for row in FAULTS], ids=[row[0] for row in FAULTS])
def test_one_fault_is_one_finding(judge: Judge, seen: TlsEvidence, check: str, grade: Grade, symptom: str) -> None:
    """Each fault shows under its own check, and nothing else is blamed."""
    fault = only_fault(judge(seen))
    assert (fault.check, fault.grade, fault.symptom) == (check, grade, symptom)


def test_any_usage_beside_servers_is_sound(judge: Judge) -> None:
    """As RFC 5280 section 4.2.1.12 wants it written."""
    leaf = authority.leaf(RACK, (A,), VALID, usages=(ANY_USAGE, authority.SERVER_USAGE))
    assert {finding.grade for finding in judge(tls(leaf, RACK)).values()} == {Grade.PASS}


def test_three_faults_are_three_findings(judge: Judge) -> None:
    """Self-signed, for localhost, expired: as an old image has it."""
    old = authority.leaf(None, ("localhost",), Validity.around(MOMENT, days_before=900, days_after=-100))
    failed = {check for check, finding in judge(tls(old)).items() if finding.grade is Grade.FAIL}
    assert failed == {"certificate.trust", "certificate.name", "certificate.dates"}


def test_sha1_is_a_weak_signature_and_proves_no_trust(judge: Judge) -> None:
    """RFC 9155: the signature fails, and trust is unproven rather than lost."""
    key = authority.make_key("rsa-2048")
    root = authority.root("Old", VALID, key=key)
    weak = spoilt.with_sha1_signature(authority.leaf(root, (A,), VALID), key)
    found = judge(tls(weak), anchors_pem=(root.pem,))
    assert found["certificate.signature"].grade is Grade.FAIL
    assert (found["certificate.trust"].grade, found["certificate.trust"].symptom) == (Grade.UNPROVEN, "weak-signature")


def test_sha1_on_an_anchor_or_root_is_no_fault(judge: Judge) -> None:
    """RFC 5280 section 6.1: the anchor's own signature plays no part, even where the server sends it."""
    key = authority.make_key("rsa-2048")
    root = spoilt.with_sha1_signature(authority.root("Old", VALID, key=key), key)
    assert {finding.grade for finding in judge(tls(authority.leaf(root, (A,), VALID), root),
                                               anchors_pem=(root.pem,)).values()} == {Grade.PASS}


def test_stray_expired_certificate_beside_the_path_is_no_fault(judge: Judge) -> None:
    """What plays no part in the path is not judged: a false alarm otherwise, as with expired cross-signed roots."""
    stray = authority.intermediate(authority.root("X", VALID), "Stray", Validity.around(MOMENT, days_before=9, days_after=-3))
    assert {finding.grade for finding in judge(tls(SOUND, RACK, stray)).values()} == {Grade.PASS}


def test_missing_intermediate_is_proven_by_another_host_and_printed_to_paste(judge: Judge) -> None:
    """dome-b sends the intermediate that dome-a leaves out: the fix holds it as PEM."""
    twin = HostEvidence(fqdn=B, tls=(tls(authority.leaf(RACK, (B,), VALID), RACK, address="192.0.2.12"),))
    trust = only_fault(judge(tls(SOUND), twin))
    assert trust.symptom == "missing-intermediate"
    assert B in trust.message
    assert RACK.pem.decode().strip() in "\n".join(trust.fix)


def test_self_signed_certificate_named_in_the_plan_is_trusted(judge: Judge) -> None:
    """The plan may take the installer's certificate for an anchor."""
    own = authority.leaf(None, (A,), VALID)
    assert {finding.grade for finding in judge(tls(own), anchors_pem=(own.pem,)).values()} == {Grade.PASS}


def test_mend_that_names_an_anchor_keeps_those_that_count_so_far(judge: Judge) -> None:
    """An anchor in the plan takes the place of the runner's own trust store, for every host."""
    own = authority.leaf(None, (A,), VALID)
    for chain in ((own,), (authority.leaf(other := authority.root("Stranger", VALID), (A,), VALID), other)):
        beside = [line for line in judge(tls(*chain))["certificate.trust"].fix if "[trust]" in line]
        assert beside[0].startswith("# [trust] anchors = [..., ")
        alone = judge(tls(*chain), anchors=())["certificate.trust"].fix
        assert not any("[...," in line for line in alone)
        assert "the runner's own trust store" in "\n".join(alone)


def test_expired_anchor_fails_trust(judge: Judge) -> None:
    """The chain is sound and the anchor is past its date, which most programs refuse."""
    root = authority.root("Past", Validity.around(MOMENT, days_before=900, days_after=-1))
    found = judge(tls(authority.leaf(root, (A,), VALID)), anchors_pem=(root.pem,))
    assert (found["certificate.trust"].grade, found["certificate.trust"].symptom) == (Grade.FAIL, "anchor-expired")


@pytest.mark.parametrize(("begins", "ends", "uncertainty", "grade", "symptom"), [
    (-900 * DAY, -1, 0.5, Grade.FAIL, "anchor-expired"),
    (-900 * DAY, -1, 1.0, Grade.UNPROVEN, "anchor-edge"),
    (-900 * DAY, 0, 0.0, Grade.PASS, ""),
    (-900 * DAY, 0, 0.5, Grade.UNPROVEN, "anchor-edge"),
    (-1, 900 * DAY, 0.5, Grade.PASS, ""),
    (0, 900 * DAY, 0.0, Grade.PASS, ""),
    (0, 900 * DAY, 0.5, Grade.UNPROVEN, "anchor-edge"),
    (1, 900 * DAY, 1.0, Grade.UNPROVEN, "anchor-edge"),
    (1, 900 * DAY, 0.5, Grade.FAIL, "anchor-not-yet-valid"),
    (2 * DAY, 900 * DAY, 0.5, Grade.FAIL, "anchor-not-yet-valid"),
])
def test_anchor_is_held_to_its_own_dates(
    judge: Judge, begins: int, ends: int, uncertainty: float, grade: Grade, symptom: str
) -> None:
    """Both ends belong to it (RFC 5280 section 4.1.2.5); a root made by a clock that was ahead is refused until its day."""
    dates = Validity(*(MOMENT + datetime.timedelta(seconds=seconds) for seconds in (begins, ends)))
    root = authority.root("Ahead", dates)
    found = judge(tls(authority.leaf(root, (A,), VALID)), anchors_pem=(root.pem,), agreed=Interval(-uncertainty, uncertainty))
    trust = found.pop("certificate.trust")
    assert (trust.grade, trust.symptom, bool(trust.fix)) == (grade, symptom, grade is Grade.FAIL)
    assert {finding.grade for finding in found.values()} == {Grade.PASS}


def test_anchor_from_the_future_is_not_judged_without_an_agreed_time(judge: Judge) -> None:
    """The runner's own clock decides nothing, and the finding says that dates were left aside."""
    root = authority.root("Ahead", Validity.around(MOMENT, days_before=-2))
    trust = judge(tls(authority.leaf(root, (A,), VALID)), anchors_pem=(root.pem,), agreed=None)["certificate.trust"]
    assert trust.grade is Grade.PASS
    assert "Dates were left aside" in trust.message


def usage_of_key(*allowed: str) -> x509.KeyUsage:
    kinds = ("digital_signature", "content_commitment", "key_encipherment", "data_encipherment", "key_agreement",
             "key_cert_sign", "crl_sign", "encipher_only", "decipher_only")
    return x509.KeyUsage(**{kind: kind in allowed for kind in kinds})


@pytest.mark.parametrize(("allowed", "grade"), [
    (("digital_signature",), Grade.PASS), (("key_encipherment",), Grade.PASS), (("key_agreement",), Grade.PASS),
    (("key_agreement", "digital_signature"), Grade.PASS),
    (("key_cert_sign", "crl_sign"), Grade.FAIL), (("crl_sign",), Grade.FAIL), (("content_commitment",), Grade.FAIL),
    (("data_encipherment",), Grade.FAIL),
])
def test_key_usage_must_allow_something_that_servers_do(judge: Judge, allowed: tuple[str, ...], grade: Grade) -> None:
    """RFC 5280 section 4.2.1.3: signing, key encipherment or key agreement; as with openssl's purpose sslserver."""
    leaf = authority.leaf(RACK, (A,), VALID, key_usage=usage_of_key(*allowed))
    trust = judge(tls(leaf, RACK))["certificate.trust"]
    assert (trust.grade, trust.symptom, bool(trust.fix)) == (grade, "usage" if grade is Grade.FAIL else "", grade is Grade.FAIL)


def test_issuer_spelled_otherwise_is_a_caution_that_shows_both(judge: Judge) -> None:
    """RFC 5280 section 7.1 calls it the same name; programs that compare octets do not."""
    shouted = authority.intermediate(ROOT, "RACK AUTHORITY", VALID, key=RACK.key)
    fault = only_fault(judge(tls(authority.leaf(shouted, (A,), VALID), RACK)))
    assert (fault.check, fault.grade, fault.symptom) == ("certificate.trust", Grade.CAUTION, "issuer-spelled-otherwise")
    assert "RACK AUTHORITY" in fault.message
    assert "Rack Authority" in fault.message


@pytest.mark.parametrize(("signature", "digest", "symptom", "words"), [
    ("RSA_WITH_SHA1", "sha1", "weak-signature", "RFC 9155"),
    ("1.2.643.2.2.3", "", "unknown-signature", "cannot be verified here"),
])
def test_signature_that_is_not_verified_says_why(
    make_case: Callable[..., Case], signature: str, digest: str, symptom: str, words: str
) -> None:
    """RFC 9155 is about SHA-1 and MD5, and is blamed for nothing else."""
    leaf = msgspec.structs.replace(facts(SOUND.der), signature=signature, signature_hash=digest)
    host = HostEvidence(fqdn=A, ports=(port(),), tls=(tls(leaf, RACK),))
    case = make_case(host)
    sight = look(case, doors(case, case.plan.hosts[0])[0], host.tls[0])
    path = (SOUND.certificate,)
    finding = trust.grade(dataclasses.replace(sight, outcome=Outcome(Kind.UNVERIFIABLE, path)))
    assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, symptom)
    assert words in finding.message
    assert ("RFC 9155" in finding.message) == (symptom == "weak-signature")


def test_no_anchors_leaves_trust_unproven(judge: Judge) -> None:
    """Nothing to judge by is not a pass."""
    fault = only_fault(judge(tls(SOUND, RACK), anchors=(), anchors_pem=()))
    assert (fault.check, fault.grade, fault.symptom) == ("certificate.trust", Grade.UNPROVEN, "no-anchors")


def test_no_agreed_time_leaves_dates_unproven_and_trust_judged(judge: Judge) -> None:
    """Dates are judged by the agreed time only; the path is judged all the same."""
    fault = only_fault(judge(tls(SOUND, RACK), agreed=None))
    assert (fault.check, fault.grade, fault.symptom) == ("certificate.dates", Grade.UNPROVEN, "no-agreed-time")


def test_runner_clock_that_is_wrong_changes_nothing(judge: Judge) -> None:
    """The runner believes it is ten years later; the agreed time knows better."""
    late = tls(SOUND, RACK, at=stamp(MOMENT + datetime.timedelta(days=3650)))
    assert {finding.grade for finding in judge(late, agreed=Interval(-3650 * DAY - 0.01, -3650 * DAY + 0.01)).values()} == {
        Grade.PASS}


def test_broken_certificate_is_a_fail_of_trust_and_nothing_else_is_guessed(judge: Judge) -> None:
    """What cannot be parsed has no name, date or key to judge."""
    found = judge(tls(facts(b"not a certificate")))
    assert found["certificate.trust"].grade is Grade.FAIL
    judged = {"certificate.trust", "certificate.protocol"}
    assert {finding.grade for check, finding in found.items() if check not in judged} == {Grade.UNPROVEN}


ANY_CHAIN = st.lists(
    st.binary(max_size=40) | st.sampled_from([SOUND.der, RACK.der, ROOT.der])
    | st.integers(0, len(SOUND.der) - 1).map(lambda place: SOUND.der[:place] + b"\x00" + SOUND.der[place + 1 :]), max_size=4)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(ANY_CHAIN, st.sampled_from([None, *FailureKind]), st.booleans())
def test_graders_are_total_and_never_pass_a_chain_they_cannot_read(
    judge: Judge, octets: list[bytes], kind: FailureKind | None, agreed: bool
) -> None:
    """Whatever was sent: six findings, each with words; and trust needs the very certificates."""
    seen = tls(*(facts(each) for each in octets), failure=failure(kind) if kind else None)
    found = judge(seen, agreed=AGREED if agreed else None)
    assert len(found) == 6
    assert all(finding.message and finding.planned and finding.found for finding in found.values())
    if found["certificate.trust"].grade is Grade.PASS:
        assert octets[0] == ROOT.der or (octets[0] in (SOUND.der, RACK.der) and (octets[0] == RACK.der or RACK.der in octets))


# --- dates at their edges: production limits are 30 days and 7 days, of a certificate that lives 400 days.

LIFE = 400 * DAY


@pytest.mark.parametrize(("seconds_left", "uncertainty", "grade", "symptom"), [
    (30 * DAY + 1, 0.0, Grade.PASS, ""),
    (30 * DAY, 0.0, Grade.PASS, ""),
    (30 * DAY - 1, 0.0, Grade.CAUTION, "expires-soon"),
    (30 * DAY, 0.5, Grade.UNPROVEN, "edge"),
    (7 * DAY, 0.0, Grade.CAUTION, "expires-soon"),
    (7 * DAY - 1, 0.0, Grade.FAIL, "expires-soon"),
    (7 * DAY, 0.5, Grade.UNPROVEN, "edge"),
    (0, 0.0, Grade.FAIL, "expires-soon"),
    (0, 0.5, Grade.FAIL, "expires-soon"),
    (-1, 0.5, Grade.FAIL, "expired"),
])
def test_life_left_at_its_limits(judge: Judge, seconds_left: int, uncertainty: float, grade: Grade, symptom: str) -> None:
    """Just below, equal and just above; equal is inside (RFC 5280 section 4.1.2.5 includes both ends)."""
    end = MOMENT + datetime.timedelta(seconds=seconds_left)
    leaf = authority.leaf(RACK, (A,), Validity(end - datetime.timedelta(seconds=LIFE), end))
    dates = judge(tls(leaf, RACK), agreed=Interval(-uncertainty, uncertainty))["certificate.dates"]
    assert (dates.grade, dates.symptom) == (grade, symptom)


@pytest.mark.parametrize(("seconds_until", "uncertainty", "grade", "symptom"), [
    (-1, 0.5, Grade.PASS, ""),
    (0, 0.0, Grade.PASS, ""),
    (0, 0.5, Grade.UNPROVEN, "edge"),
    (1, 0.5, Grade.FAIL, "not-yet-valid"),
    (1, 1.0, Grade.UNPROVEN, "edge"),
    (3600, 0.5, Grade.FAIL, "not-yet-valid"),
])
def test_beginning_of_validity(judge: Judge, seconds_until: int, uncertainty: float, grade: Grade, symptom: str) -> None:
    """A single second too early is too early; where the agreed time cannot tell, it is unproven."""
    begin = MOMENT + datetime.timedelta(seconds=seconds_until)
    leaf = authority.leaf(RACK, (A,), Validity(begin, begin + datetime.timedelta(days=300)))
    dates = judge(tls(leaf, RACK), agreed=Interval(-uncertainty, uncertainty))["certificate.dates"]
    assert (dates.grade, dates.symptom) == (grade, symptom)


@pytest.mark.parametrize(("life_days", "left_days", "grade"), [
    (6, 2.1, Grade.PASS), (6, 1.9, Grade.CAUTION), (6, 0.61, Grade.CAUTION), (6, 0.59, Grade.FAIL),
    (47, 15.7, Grade.PASS), (47, 15.6, Grade.CAUTION), (47, 4.8, Grade.CAUTION), (47, 4.6, Grade.FAIL),
    (90, 30, Grade.PASS), (90, 29.9, Grade.CAUTION),
])
def test_short_lives_are_judged_by_their_own_length(judge: Judge, life_days: float, left_days: float, grade: Grade) -> None:
    """A third and a tenth of the lifetime where that is less than 30 and 7 days."""
    end = MOMENT + datetime.timedelta(days=left_days)
    leaf = authority.leaf(RACK, (A,), Validity(end - datetime.timedelta(days=life_days), end))
    assert judge(tls(leaf, RACK), agreed=Interval(0, 0))["certificate.dates"].grade is grade


def test_scaled_limits_say_so() -> None:
    """The limit shown is the limit applied, with its origin."""
    usual = catalogue.limits_of("production")["certificate_life_left"]
    assert scaled(usual, 400 * DAY) == usual
    short = scaled(usual, 6 * DAY)
    assert (short.caution, short.fail) == (2 * DAY, pytest.approx(0.6 * DAY))
    assert "6 d" in short.origin or "144 h" in short.origin


def test_certificate_without_expiry_passes_without_a_number(judge: Judge) -> None:
    """RFC 5280 section 4.1.2.5: 99991231235959Z is no defined expiry, not millions of days."""
    endless = Validity(MOMENT - datetime.timedelta(days=1), datetime.datetime(9999, 12, 31, 23, 59, 59, tzinfo=datetime.UTC))
    dates = judge(tls(authority.leaf(RACK, (A,), endless), RACK))["certificate.dates"]
    assert dates.grade is Grade.PASS
    assert "no defined expiry" in dates.message


def test_first_to_end_of_a_chain_is_measured(judge: Judge) -> None:
    """The intermediate ends before the leaf does."""
    rack = authority.intermediate(ROOT, "Ending", Validity.around(MOMENT, days_before=300, days_after=3))
    dates = only_fault(judge(tls(authority.leaf(rack, (A,), VALID), rack)))
    assert (dates.check, dates.grade) == ("certificate.dates", Grade.FAIL)
    assert "intermediate Ending" in dates.message
    assert "intermediate Ending" in dates.found
    assert dates.measured is not None
    assert dates.measured.value == pytest.approx(3 * DAY, abs=1)


@pytest.mark.parametrize(("bits", "profile", "grade"), [
    (2047, "production", Grade.FAIL), (2048, "production", Grade.PASS), (2049, "production", Grade.PASS),
    (2047, "strict", Grade.FAIL), (2048, "strict", Grade.CAUTION), (3071, "strict", Grade.CAUTION), (3072, "strict", Grade.PASS),
])
def test_rsa_bits_at_their_limits(judge: Judge, bits: int, profile: str, grade: Grade) -> None:
    """RFC 9325 section 4.5: 2048 is enough; the strict profile wants 128 bits' worth."""
    leaf = msgspec.structs.replace(facts(SOUND.der), key_type="RSA", key_bits=bits)
    assert judge(tls(leaf, RACK), profile=profile)["certificate.key"].grade is grade


@pytest.mark.parametrize(("bits", "profile", "grade"), [
    (223, "lab", Grade.FAIL), (224, "lab", Grade.PASS), (223, "production", Grade.FAIL), (224, "production", Grade.CAUTION),
    (255, "production", Grade.CAUTION), (256, "production", Grade.PASS),
])
def test_curve_bits_at_their_limits(judge: Judge, bits: int, profile: str, grade: Grade) -> None:
    """RFC 9325 section 4.5: 224 is enough; 256 is worth 128 bits."""
    leaf = msgspec.structs.replace(facts(SOUND.der), key_type="EC secp256r1", key_bits=bits)
    assert judge(tls(leaf, RACK), profile=profile)["certificate.key"].grade is grade


@pytest.mark.parametrize(("changes", "check", "grade"), [
    ({"key_type": "DSA", "key_bits": 2048}, "certificate.key", Grade.FAIL),
    ({"key_type": "1.2.643.2.2.19", "key_bits": 0}, "certificate.key", Grade.UNPROVEN),
    ({"key_type": "RSA", "key_bits": 0}, "certificate.key", Grade.UNPROVEN),
    ({"signature": "1.2.643.2.2.3", "signature_hash": ""}, "certificate.signature", Grade.UNPROVEN),
    ({"signature": "RSA_WITH_MD5", "signature_hash": "md5"}, "certificate.signature", Grade.FAIL),
    ({"signature": "1.2.840.113549.1.1.2", "signature_hash": "md2"}, "certificate.signature", Grade.FAIL),
    ({"signature": "ED25519", "signature_hash": ""}, "certificate.signature", Grade.PASS),
])
def test_unknown_is_never_a_pass(judge: Judge, changes: dict[str, Any], check: str, grade: Grade) -> None:
    """Key types and algorithms without a name here are unproven; those known to be broken fail."""
    leaf = msgspec.structs.replace(facts(SOUND.der), **changes)
    assert judge(tls(leaf, RACK))[check].grade is grade


@pytest.mark.parametrize(("names", "words"), [
    ((), "no subject alternative name at all"), (("192.0.2.11",), "no DNS name"), (("dome-a",), "short name"),
    (("*.example.net",), "wildcard *.example.net does not cover"), ((A + ".",), "final dot"),
    (("localhost", "old.obs.example.net"), "made out to localhost"),
])
def test_wrong_names_are_explained(judge: Judge, names: tuple[str, ...], words: str) -> None:
    """The commonest mistakes are called by name."""
    leaf = authority.leaf(RACK, names, VALID, common_name="x")
    finding = judge(tls(leaf, RACK))["certificate.name"]
    assert finding.grade is Grade.FAIL
    assert words in finding.message
    assert any(f"DNS:{A}" in line for line in finding.fix)


@pytest.mark.parametrize(("asked", "told"), [(A, True), ("", False)])
def test_name_of_another_site_may_be_the_default(judge: Judge, asked: str, told: bool) -> None:
    """RFC 6066 section 3: a server that has no such name may go on with its default certificate."""
    leaf = authority.leaf(RACK, ("www.example.net",), VALID)
    finding = judge(tls(leaf, RACK, server_name=asked))["certificate.name"]
    assert any("as its default" in line for line in finding.fix) is told


@pytest.mark.parametrize(("names", "other"), [((B,), True), ((B, "www.example.net"), True), (("www.example.net",), False)])
def test_the_certificate_of_another_planned_host_asks_first_whose_address_it_is(
    judge: Judge, names: tuple[str, ...], other: bool
) -> None:
    """Two hosts with exchanged addresses need no new certificates."""
    finding = judge(tls(authority.leaf(RACK, names, VALID), RACK))["certificate.name"]
    assert (finding.symptom == "another-hosts-name") is other
    assert ("another host of the plan" in finding.message) is other
    assert (finding.fix[0] == f"# first, at the consoles of {A} and {B}: which of them has 192.0.2.11?") is other
    assert any(f"DNS:{A}" in line for line in finding.fix)


@pytest.mark.parametrize(("star", "words"), [
    ("*.lab", "has one label after the star"), ("*.other.lab", "a wildcard stands for one whole label"),
    ("*.example", "a wildcard stands for one whole label"), ("d*.lab", "a wildcard stands for one whole label"),
])
def test_wildcard_that_misses_says_why(
    make_case: Callable[..., Case], make_plan: Callable[..., Plan], star: str, words: str
) -> None:
    """RFC 9525 section 6.3 knows no limit for *.lab, so the sentence does not lean on it."""
    planned = msgspec.structs.replace(make_plan().hosts[0], fqdn="dome-a.lab")
    leaf = msgspec.structs.replace(facts(SOUND.der), names=(("dns", star),))
    host = HostEvidence(fqdn="dome-a.lab", ports=(port(),), tls=(tls(leaf, RACK),))
    found = {finding.check: finding for finding in grade_host(make_case(host, hosts=(planned,)), planned, host)}
    assert found["certificate.name"].grade is Grade.FAIL
    assert words in found["certificate.name"].message
    assert ("RFC 9525" in found["certificate.name"].message) == (star != "*.lab")


def test_address_written_as_dns_name_is_explained(judge: Judge) -> None:
    """RFC 9525 section 6.4."""
    leaf = msgspec.structs.replace(facts(SOUND.der), names=(("dns", "192.0.2.11"),))
    assert "address 192.0.2.11 where a DNS name belongs" in judge(tls(leaf, RACK))["certificate.name"].message


def test_hostile_names_cannot_start_a_line_of_a_fix(judge: Judge) -> None:
    """Whatever stands in a certificate, a line to paste that holds it stays one comment."""
    evil = authority.root("x\nrm -rf /\u202e", VALID)
    found = judge(tls(authority.leaf(evil, (A,), VALID, common_name="a\nb"), evil))
    lines = [line for finding in found.values() for line in finding.fix]
    assert any("rm -rf" in line for line in lines) or "rm -rf" in found["certificate.trust"].message
    assert all("\n" not in line and "\u202e" not in line for line in lines)
    assert all(line.startswith("#") for line in lines if "rm -rf" in line)


# --- what was not seen is never judged

@pytest.mark.parametrize("state", [PortState.REFUSED, PortState.SILENT, PortState.REJECTED, PortState.UNTRIED])
def test_port_that_is_not_open_leaves_all_unproven(make_case: Callable[..., Case], state: PortState) -> None:
    """The symptom is the port's, for the cause to be found."""
    host = HostEvidence(fqdn=A, ports=(port(state),))
    case = make_case(host)
    found = grade_host(case, case.plan.hosts[0], host)
    assert len(found) == 6
    assert {(finding.grade, finding.symptom) for finding in found} == {(Grade.UNPROVEN, str(state))}
    assert all("runner" in finding.message for finding in found)


def test_port_that_was_not_asked_is_unproven(make_case: Callable[..., Case]) -> None:
    """An interrupted run has no evidence of it."""
    host = HostEvidence(fqdn=A)
    case = make_case(host)
    assert {(f.grade, f.symptom) for f in grade_host(case, case.plan.hosts[0], host)} == {(Grade.UNPROVEN, "not-asked")}


def failure(kind: FailureKind, detail: str = "") -> Failure:
    return Failure(kind=kind, phase="handshake", elapsed_seconds=0.1, detail=detail)


def all_refused(detail: str) -> tuple[VersionTrial, ...]:
    return tuple(VersionTrial(version=version, outcome="refused", detail=detail) for version, _ in GOOD_VERSIONS)



@pytest.mark.parametrize(("fields", "grade", "symptom"), [
    ({"failure": failure(FailureKind.MALFORMED), "greeting": "HTTP/1.1 400 Bad Request\r\nServer: x"}, Grade.FAIL, "not-tls"),
    ({"failure": failure(FailureKind.MALFORMED, "the handshake cannot be read")}, Grade.UNPROVEN, "no-tls"),
    ({"failure": failure(FailureKind.NO_ANSWER)}, Grade.FAIL, "silent-after-accept"),
    ({"failure": failure(FailureKind.RESET)}, Grade.UNPROVEN, "no-tls"),
    ({"failure": failure(FailureKind.TLS_ALERT, "handshake_failure (40)"),
      "versions": trials(("TLS 1.3", "refused"), ("TLS 1.2", "unknown"), ("TLS 1.1", "unknown"), ("TLS 1.0", "refused"))},
     Grade.UNPROVEN, "no-tls"),
    ({"failure": failure(FailureKind.TLS_ALERT), "versions": all_refused("alert protocol_version (70)")}, Grade.FAIL,
     "no-new-version"),
    ({"failure": failure(FailureKind.TLS_ALERT), "versions": all_refused("alert unrecognized_name (112)")}, Grade.UNPROVEN,
     "no-tls"),
    ({"failure": failure(FailureKind.RESET),
      "versions": trials(("TLS 1.3", "refused"), ("TLS 1.2", "refused"), ("TLS 1.1", "refused"), ("TLS 1.0", "accepted"))},
     Grade.FAIL, "old-version"),
])
def test_port_without_tls(judge: Judge, fields: dict[str, Any], grade: Grade, symptom: str) -> None:
    """Plain text, old versions and silence fail; what may be of the moment is unproven, and no certificate is guessed."""
    found = judge(tls(**({"protocol": "", "cipher": "", "versions": ()} | fields)))
    protocol = found.pop("certificate.protocol")
    assert (protocol.grade, protocol.symptom) == (grade, symptom)
    assert bool(protocol.fix) == (grade is Grade.FAIL)
    assert {(finding.grade, finding.symptom) for finding in found.values()} == {(Grade.UNPROVEN, "no-tls")}


@pytest.mark.parametrize(("kind", "detail", "asked", "grade", "symptom"), [
    (FailureKind.TLS_ALERT, "unrecognized_name (112)", A, Grade.FAIL, "name-not-known"),
    (FailureKind.TLS_ALERT, "unrecognized_name (112)", "", Grade.UNPROVEN, "no-tls"),
    (FailureKind.TLS_ALERT, "handshake_failure (40)", A, Grade.UNPROVEN, "no-tls"),
    (FailureKind.RESET, "unrecognized_name (112)", A, Grade.UNPROVEN, "no-tls"),
])
def test_server_that_knows_no_such_name_says_so(
    judge: Judge, kind: FailureKind, detail: str, asked: str, grade: Grade, symptom: str
) -> None:
    """RFC 6066 section 3; nobody who asks for the planned name gets further, and the rest is left open."""
    found = judge(tls(server_name=asked, protocol="", cipher="", versions=(), failure=failure(kind, detail)))
    name = found.pop("certificate.name")
    assert (name.grade, name.symptom) == (grade, symptom)
    assert any("server names" in line for line in name.fix) is (grade is Grade.FAIL)
    assert {finding.grade for finding in found.values()} == {Grade.UNPROVEN}


def test_certificate_is_judged_where_the_handshake_failed_after_it_came(judge: Judge) -> None:
    """A server that wants a client certificate ends the handshake, and has shown its own before that."""
    found = judge(tls(SOUND, RACK, protocol="", failure=failure(FailureKind.TLS_ALERT, "handshake_failure (40)")))
    assert {finding.grade for finding in found.values()} == {Grade.PASS}
    assert "handshake_failure" in found["certificate.protocol"].message


def test_host_with_two_addresses_has_findings_for_each(make_case: Callable[..., Case], make_plan: Callable[..., Plan]) -> None:
    """The subject then says which."""
    planned = msgspec.structs.replace(make_plan().hosts[0], addresses=("192.0.2.11", "2001:db8::11"))
    host = HostEvidence(fqdn=A, ports=(port(), port(PortState.SILENT, "2001:db8::11")), tls=(tls(SOUND, RACK),))
    case = make_case(host, hosts=(planned,))
    found = grade_host(case, planned, host)
    assert {finding.subject for finding in found} == {"443/tcp at 192.0.2.11", "443/tcp at 2001:db8::11"}
    assert {finding.grade for finding in found if finding.subject.endswith("2.11")} == {Grade.PASS}


@pytest.mark.parametrize("wrong", [0, 1])
def test_a_wrong_name_at_one_address_asks_first_whose_address_it_is(
    make_case: Callable[..., Case], make_plan: Callable[..., Plan], wrong: int
) -> None:
    """The right certificate is there already, at the other address; at neither, a new one is asked for at once."""
    addresses = ("192.0.2.11", "2001:db8::11")
    planned = msgspec.structs.replace(make_plan().hosts[0], addresses=addresses)
    strange = authority.leaf(RACK, (B,), VALID)

    def fix_of(*seen: TlsEvidence) -> tuple[str, ...]:
        host = HostEvidence(fqdn=A, ports=tuple(port(address=address) for address in addresses), tls=seen)
        found = {finding.subject: finding for finding in grade_host(make_case(host, hosts=(planned,)), planned, host)
                 if finding.check == "certificate.name"}
        assert found[f"443/tcp at {addresses[wrong]}"].grade is Grade.FAIL
        return found[f"443/tcp at {addresses[wrong]}"].fix

    shown = [tls(strange if index == wrong else SOUND, RACK, address=address) for index, address in enumerate(addresses)]
    fix = fix_of(*shown)
    assert fix[0].startswith("ip address    # at the console")
    assert f"{addresses[wrong]} may be another machine's" in fix[0]
    assert fix[2:] == fix_of(*(tls(strange, RACK, address=address) for address in addresses))


# --- across hosts

def fleet(make_case: Callable[..., Case], one: TlsEvidence | None, other: TlsEvidence | None) -> list[Finding]:
    hosts = [HostEvidence(fqdn=name, tls=(seen,) if seen else ()) for name, seen in ((A, one), (B, other))]
    return grade_fleet(make_case(*hosts))


KEY = authority.make_key()


@pytest.mark.parametrize(("one", "other", "grade", "symptom"), [
    (SOUND, authority.leaf(RACK, (B,), VALID), Grade.PASS, ""),
    (authority.leaf(RACK, (A,), VALID, key=KEY), authority.leaf(RACK, (B,), VALID, key=KEY), Grade.FAIL, "cloned"),
    (SOUND, SOUND, Grade.FAIL, "cloned"),
    (both := authority.leaf(RACK, (A, B), VALID), both, Grade.CAUTION, "shared-on-purpose"),
    (wild := authority.leaf(RACK, ("*.obs.example.net",), VALID), wild, Grade.CAUTION, "shared-on-purpose"),
    (authority.leaf(RACK, (A,), VALID, serial=7), authority.leaf(RACK, (B,), VALID, serial=7), Grade.CAUTION, "same-serial"),
])
def test_keys_across_hosts(
    make_case: Callable[..., Case], one: Credential, other: Credential, grade: Grade, symptom: str
) -> None:
    """A cloned image fails on both hosts; a certificate that names both is a caution."""
    found = fleet(make_case, tls(one), tls(other, address="192.0.2.12"))
    assert [(finding.check, finding.grade, finding.symptom) for finding in found] == [
        ("certificate.shared-key", grade, symptom)] * 2
    assert all(bool(finding.fix) == (grade is not Grade.PASS) for finding in found)


def test_nothing_to_compare_is_unproven(make_case: Callable[..., Case]) -> None:
    """One host's key alone proves nothing, and a host without one even less."""
    found = fleet(make_case, tls(SOUND), None)
    assert [(finding.grade, finding.symptom) for finding in found] == [
        (Grade.UNPROVEN, "nothing-to-compare"), (Grade.UNPROVEN, "no-tls")]


def test_one_address_planned_twice_is_no_clone(make_case: Callable[..., Case], make_plan: Callable[..., Plan]) -> None:
    """The same machine seen twice is the plan's mistake, and plan.duplicate says so."""
    planned = tuple(msgspec.structs.replace(host, addresses=("192.0.2.11",)) for host in make_plan().hosts)
    hosts = (HostEvidence(fqdn=A, tls=(tls(SOUND),)), HostEvidence(fqdn=B, tls=(tls(SOUND),)))
    assert [finding.grade for finding in grade_fleet(make_case(*hosts, hosts=planned))] == [Grade.PASS] * 2


def test_site_with_one_tls_host_has_no_such_finding(make_case: Callable[..., Case]) -> None:
    """Nothing was planned that could be compared."""
    assert grade_fleet(make_case(HostEvidence(fqdn=A, tls=(tls(SOUND),)))) == []
