"""Grading SSH from outside: identity, algorithms, host keys against limit and zone, and keys that two hosts share."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared import catalogue
from shared.evidence import (
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    NameAnswer,
    NameRecord,
    PortEvidence,
    PortState,
    SiteEvidence,
    SshEvidence,
    SshHostKey,
    SshKeyFailure,
    Vantage,
)
from shared.findings import Finding, Grade
from shared.plan import Host, Plan
from verify.grading import ssh
from verify.grading.case import Case
from verify.grading.ssh import algorithms, keys

AT = "2026-11-25T10:00:00.000000Z"
#: The keys of RFC 7479 section 2 and RFC 6594 sections 5.1 and 5.3.
ED25519_BLOB = base64.b64decode("AAAAC3NzaC1lZDI1NTE5AAAAIGPKSUTyz1HwHReFVvD5obVsALAgJRNarH4TRpNePnAS")
ECDSA_BLOB = base64.b64decode(
    "AAAAE2VjZHNhLXNoYTItbmlzdHAyNTYAAAAIbmlzdHAyNTYAAABBBAD+9COUiX7WYgcvIOdI8+djdoFDVUTxNrcog8sSYdbIzeG+bYdsssvcyy/nRfVhXC5Q"
    "BCk8IThqs7D4/lFxX5g=")
RSA_BLOB = base64.b64decode(
    "AAAAB3NzaC1yc2EAAAADAQABAAABAQDCUR4JOhxTinzq7QO3bQXW4jmPCCulFsnh8Yi7MKwpMnd96+T7uV7nEwy+6+GWYu98IxFJByIjFXX/a6BXDp3878"
    "wezH1DZ2tND/tu/eudz6ErpTFYmnVLyEDARYSzVBNQuIK1UDqvvB6KffJcyt78FpwW27euGkqEkam7GaurPRAgwXehDB/gMwRtXVRZ+13zYWkAmAY+5OAW"
    "VmdXuQVm5kjlvcNzto2H3m3nqJtD4J9L1lKPuSVVqwJr4/6hibXJkQEvWpUvdOAUw3frKpNwa932fXFk3ke4rsDjQ/W8GyleMtK3Tx8tE4z1wuowXtYe6B"
    "a8q3LAPs/m2S4pUscx")


def key(key_type: str = "ssh-ed25519", bits: int = 256, blob: bytes = ED25519_BLOB) -> SshHostKey:
    digest = base64.b64encode(hashlib.sha256(blob).digest()).decode().rstrip("=")
    return SshHostKey(key_type=key_type, bits=bits, fingerprint=f"SHA256:{digest}", blob=blob)


def rsa_key(bits: int) -> SshHostKey:
    return key("ssh-rsa", bits, b"an rsa key")


def failure(kind: FailureKind, phase: str = "identification", detail: str = "", elapsed: float = 6.0) -> Failure:
    return Failure(kind=kind, phase=phase, elapsed_seconds=elapsed, detail=detail)


SOUND = SshEvidence(
    address="192.0.2.11", port="22/tcp", at=AT, elapsed_seconds=0.01, identification="SSH-2.0-tidewater",
    kex_algorithms=("curve25519-sha256", "diffie-hellman-group14-sha256"), host_key_algorithms=("ssh-ed25519", "rsa-sha2-512"),
    ciphers=("aes256-gcm@openssh.com", "aes128-ctr"), macs=("hmac-sha2-256",), host_keys=(key(), rsa_key(3072)),
    markers=("kex-strict-s-v00@openssh.com",))
#: Nothing heard: what a probe brings that never got an identification.
MUTE = SshEvidence(address="192.0.2.11", port="22/tcp", at=AT, elapsed_seconds=6.0)


def changed(base: SshEvidence, **fields: Any) -> SshEvidence:
    return msgspec.structs.replace(base, **fields)


def tried(state: PortState, address: str = "192.0.2.11") -> PortEvidence:
    return PortEvidence(address=address, port="22/tcp", state=state, at=AT, elapsed_seconds=0.1, attempts=1)


def host_evidence(name: str = "dome-a", ssh: tuple[SshEvidence, ...] = (SOUND,), **fields: Any) -> HostEvidence:
    ports = fields.pop("ports", tuple(tried(PortState.OPEN, seen.address) for seen in ssh))
    return HostEvidence(fqdn=f"{name}.obs.example.net", ssh=ssh, ports=ports, **fields)


MakeCase = Callable[..., Case]


@pytest.fixture
def make_case(make_plan: Callable[..., Plan]) -> MakeCase:
    """``make_case(*host_evidence, profile=..., **plan overrides)``."""

    def build(*hosts: HostEvidence, profile: str = "production", **overrides: Any) -> Case:
        evidence = Evidence(vantage=Vantage(name="runner-1"), started=AT, finished=AT, complete=True, site=SiteEvidence(),
                            hosts=hosts)
        return Case(plan=make_plan(**overrides), limits=catalogue.limits_of(profile), evidence=evidence)

    return build


@pytest.fixture
def graded(make_case: MakeCase) -> Callable[..., dict[str, Finding]]:
    """``graded(ssh evidence, ...) -> {check: finding}`` for dome-a, after the rules that hold for every finding."""

    def build(seen: SshEvidence | None = SOUND, *, profile: str = "production", **fields: Any) -> dict[str, Finding]:
        evidence = host_evidence(ssh=(seen,) if seen else (), **fields)
        case = make_case(evidence, profile=profile)
        findings = ssh.grade_host(case, case.plan.hosts[0], evidence)
        for finding in findings:
            well_formed(finding)
        assert [finding.check for finding in findings] == ["ssh.identity", "ssh.algorithms", "ssh.host-key"]
        return {finding.check: finding for finding in findings}

    return build


Graded = Callable[..., dict[str, Finding]]


def well_formed(finding: Finding) -> None:
    """What holds for every finding: words, a mend for every fault, a symptom for everything but a pass."""
    assert finding.planned
    assert finding.found
    assert finding.message.endswith(".")
    assert finding.basis
    assert bool(finding.fix) or finding.grade in (Grade.PASS, Grade.UNPROVEN)
    assert bool(finding.symptom) == (finding.grade is not Grade.PASS)


def test_a_sound_server_passes_every_check(graded: Graded) -> None:
    """Nothing is said against a server with nothing wrong."""
    findings = graded()
    assert {finding.grade for finding in findings.values()} == {Grade.PASS}
    assert {finding.subject for finding in findings.values()} == {"22/tcp"}
    assert findings["ssh.identity"].found == "SSH-2.0-tidewater"
    assert key().fingerprint in findings["ssh.host-key"].found


# Identity


@pytest.mark.parametrize(
    ("identification", "grade"),
    [
        ("SSH-2.0-x", Grade.PASS),
        ("SSH-2.0-x a comment", Grade.PASS),
        ("SSH-2.0-" + "x" * 245, Grade.PASS),
        ("SSH-2.0-" + "x" * 246, Grade.CAUTION),
        ("SSH-2.0-a\0b", Grade.CAUTION),
        ("SSH-2.0-\u202e", Grade.CAUTION),
        ("SSH-2.0-\\xff", Grade.CAUTION),
        ("SSH-1.99-x", Grade.CAUTION),
        ("SSH-1.5-x", Grade.FAIL),
        ("SSH-1.3-x", Grade.FAIL),
        ("SSH-3.0-x", Grade.FAIL),
        ("SSH-2.00-x", Grade.FAIL),
        ("SSH", Grade.FAIL),
    ],
)
def test_an_identification_is_graded_by_version_and_form(graded: Graded, identification: str, grade: Grade) -> None:
    """RFC 4253 sections 4.2 and 5.1; 253 characters and the line end make 255 octets."""
    finding = graded(changed(SOUND, identification=identification))["ssh.identity"]
    assert (finding.grade, finding.found) == (grade, identification)


@pytest.mark.parametrize(
    ("preamble", "kind", "grade", "symptom", "words"),
    [
        (("HTTP/1.1 400 Bad Request", ""), FailureKind.CLOSED, Grade.FAIL, "other-protocol", 'says "HTTP/1.1 400 Bad Request"'),
        (("", "220 mail"), FailureKind.NO_ANSWER, Grade.FAIL, "other-protocol", 'says "220 mail"'),
        (("x" * 255,), FailureKind.MALFORMED, Grade.FAIL, "other-protocol", "x" * 79 + "…"),
        ((), FailureKind.NO_ANSWER, Grade.FAIL, "silent-after-accept", "says nothing for 6 s"),
        (("",), FailureKind.NO_ANSWER, Grade.FAIL, "silent-after-accept", "says nothing for 6 s"),
        ((), FailureKind.CLOSED, Grade.UNPROVEN, "closed-after-accept", "under load"),
        ((), FailureKind.RESET, Grade.UNPROVEN, "closed-after-accept", "the connection was reset"),
        (("Exceeded MaxStartups",), FailureKind.CLOSED, Grade.UNPROVEN, "turned-away", "turned the runner away"),
        (("Not allowed at this time",), FailureKind.CLOSED, Grade.UNPROVEN, "turned-away", "turned the runner away"),
    ],
)
def test_what_is_no_ssh_server_is_told_apart(
    graded: Graded, preamble: tuple[str, ...], kind: FailureKind, grade: Grade, symptom: str, words: str
) -> None:
    """Another protocol and silence are faults; being turned away says nothing of the host's build."""
    findings = graded(changed(MUTE, preamble=preamble, failure=failure(kind)))
    identity = findings["ssh.identity"]
    assert (identity.grade, identity.symptom) == (grade, symptom)
    assert words in identity.message
    assert "runner-1" in identity.message
    for check in ("ssh.algorithms", "ssh.host-key"):
        assert (findings[check].grade, findings[check].symptom) == (Grade.UNPROVEN, "no-ssh")


@pytest.mark.parametrize("state", [PortState.REFUSED, PortState.SILENT, PortState.REJECTED, PortState.UNTRIED])
def test_a_port_that_is_not_open_leaves_every_check_unproven(graded: Graded, state: PortState) -> None:
    """The symptom is the port's state, for the cause analysis to fold."""
    for finding in graded(None, ports=(tried(state),)).values():
        assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, state)
        assert "runner-1" in finding.message
    for check in ("ssh.identity", "ssh.algorithms", "ssh.host-key", "ssh.shared-key"):
        assert "port.open" in catalogue.find(check).needs


@pytest.mark.parametrize("ports", [(), (tried(PortState.OPEN),)])
def test_a_port_that_was_not_asked_is_unproven_and_never_a_pass(graded: Graded, ports: tuple[PortEvidence, ...]) -> None:
    """An interrupted run, or a probe that crashed."""
    for finding in graded(None, ports=ports).values():
        assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, "not-asked")


def test_an_identity_without_an_offer_stands_alone(graded: Graded) -> None:
    """The name was given, the lists were not: the first passes, the rest is unproven with the reason."""
    findings = graded(changed(MUTE, identification="SSH-2.0-x", failure=failure(FailureKind.CLOSED, "algorithms")))
    assert findings["ssh.identity"].grade is Grade.PASS
    assert findings["ssh.host-key"].grade is Grade.UNPROVEN
    assert "the connection was closed" in findings["ssh.algorithms"].message


_TEXTS = st.lists(st.text(max_size=70), max_size=4).map(tuple)


@given(seen=st.builds(
    SshEvidence, address=st.just("192.0.2.11"), port=st.just("22/tcp"), at=st.just(AT), elapsed_seconds=st.just(0.1),
    identification=st.text(max_size=300), preamble=_TEXTS, kex_algorithms=_TEXTS, host_key_algorithms=_TEXTS, ciphers=_TEXTS,
    macs=_TEXTS, host_keys=st.lists(st.builds(key, st.text(), st.integers(0, 20_000), st.binary()), max_size=3).map(tuple),
    failure=st.none() | st.builds(failure, st.sampled_from(FailureKind)),
    key_failures=st.lists(st.builds(SshKeyFailure, key_type=st.text(), failure=st.builds(failure, st.sampled_from(FailureKind))),
                          max_size=3).map(tuple)))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_evidence_is_graded_and_no_grade_lacks_its_words(graded: Graded, seen: SshEvidence) -> None:
    """Totality: whatever a host says of itself, the three findings are well formed."""
    graded(seen)


# Algorithms


@pytest.mark.parametrize(
    ("field", "name", "grade"),
    [
        ("kex_algorithms", "rsa1024-sha1", Grade.FAIL),
        ("kex_algorithms", "diffie-hellman-group1-sha1", Grade.CAUTION),
        ("kex_algorithms", "diffie-hellman-group-exchange-sha1", Grade.CAUTION),
        ("kex_algorithms", "gss-gex-sha1-toWM5Slw5Ew8Mqkay+al2g==", Grade.CAUTION),
        ("kex_algorithms", "gss-group1-sha1-x", Grade.CAUTION),
        ("kex_algorithms", "gss-group14-sha1-x", Grade.CAUTION),
        ("kex_algorithms", "diffie-hellman-group14-sha1", Grade.PASS),
        ("kex_algorithms", "gss-group14-sha256-x", Grade.PASS),
        ("kex_algorithms", "ecdh-sha2-nistp521", Grade.PASS),
        ("host_key_algorithms", "ssh-dss", Grade.FAIL),
        ("host_key_algorithms", "ssh-dss-cert-v01@openssh.com", Grade.FAIL),
        ("host_key_algorithms", "ssh-rsa", Grade.CAUTION),
        ("host_key_algorithms", "ssh-rsa-cert-v01@openssh.com", Grade.CAUTION),
        ("host_key_algorithms", "rsa-sha2-256", Grade.PASS),
        ("ciphers", "none", Grade.FAIL),
        ("ciphers", "arcfour", Grade.FAIL),
        ("ciphers", "arcfour256", Grade.FAIL),
        ("ciphers", "des-cbc", Grade.FAIL),
        ("ciphers", "3des-cbc", Grade.CAUTION),
        ("ciphers", "aes256-cbc", Grade.CAUTION),
        ("ciphers", "rijndael-cbc@lysator.liu.se", Grade.CAUTION),
        ("ciphers", "chacha20-poly1305@openssh.com", Grade.PASS),
        ("macs", "none", Grade.FAIL),
        ("macs", "hmac-md5-96", Grade.CAUTION),
        ("macs", "hmac-md5-etm@openssh.com", Grade.CAUTION),
        ("macs", "hmac-sha1", Grade.PASS),
    ],
)
def test_one_weak_name_among_good_ones_is_named_with_its_rule_and_mend(
    graded: Graded, field: str, name: str, grade: Grade
) -> None:
    """RFC 9142 section 4, RFC 8332 section 1, RFC 8758, RFC 4253 section 6.3; block chaining by common practice."""
    finding = graded(changed(SOUND, **{field: (*getattr(SOUND, field), name)}))["ssh.algorithms"]
    assert finding.grade is grade
    if grade is Grade.PASS:
        assert "Not judged" not in finding.message
    else:
        assert finding.found == name
        assert "RFC" in finding.message or "NIST" in finding.message or "common practice, no source" in finding.message
        directives = {"kex_algorithms": "KexAlgorithms", "host_key_algorithms": "HostKeyAlgorithms", "ciphers": "Ciphers",
                      "macs": "MACs"}
        assert f"{directives[field]} {','.join(getattr(SOUND, field))}" in finding.fix
        assert any("sshd -t" in line for line in finding.fix)


def test_three_weak_lists_give_three_directives_and_the_worst_grade(graded: Graded) -> None:
    """Every fault is told, not only the first."""
    finding = graded(changed(SOUND, kex_algorithms=(*SOUND.kex_algorithms, "diffie-hellman-group1-sha1"),
                             ciphers=(*SOUND.ciphers, "arcfour"), macs=(*SOUND.macs, "hmac-md5")))["ssh.algorithms"]
    assert finding.grade is Grade.FAIL
    assert finding.found == "diffie-hellman-group1-sha1, arcfour, hmac-md5"
    assert {line.split()[0] for line in finding.fix} >= {"KexAlgorithms", "Ciphers", "MACs"}
    assert "HostKeyAlgorithms" not in " ".join(finding.fix)


def test_a_list_with_nothing_good_left_is_a_fail_and_the_mend_gives_one(graded: Graded) -> None:
    """A caution each, and together a server that no current client can use."""
    finding = graded(changed(SOUND, kex_algorithms=("diffie-hellman-group1-sha1",), host_key_algorithms=("ssh-rsa",),
                             ciphers=("aes128-cbc", "3des-cbc")))["ssh.algorithms"]
    assert finding.grade is Grade.FAIL
    assert "nothing better for key exchange" in finding.message
    assert f"KexAlgorithms {algorithms.KEY_EXCHANGE.advised}" in finding.fix
    assert any(line.startswith("ssh-keygen -A") for line in finding.fix)


@pytest.mark.parametrize(
    "kind", [algorithms.KEY_EXCHANGE, algorithms.HOST_KEY, algorithms.CIPHER, algorithms.MAC])
def test_what_a_mend_advises_is_good_by_the_same_tables(kind: algorithms.Kind) -> None:
    """The rule applied to the host is applied to us."""
    assert all(algorithms.is_good(kind, name) for name in kind.advised.split(","))


def test_a_name_that_is_not_known_is_listed_and_not_judged(graded: Graded) -> None:
    """Unknown is neither good nor bad: shown, and never put into a mend."""
    strange = "$(reboot);x@obs.example.net"
    finding = graded(changed(SOUND, ciphers=(*SOUND.ciphers, strange)))["ssh.algorithms"]
    assert finding.grade is Grade.PASS
    assert f"Not judged, because they are not known here: {strange}" in finding.message
    weak = graded(changed(SOUND, ciphers=(*SOUND.ciphers, strange, "arcfour", "ok;rm -ctr", "`x`-ctr")))["ssh.algorithms"]
    assert weak.grade is Grade.FAIL
    assert not any(char in line for line in weak.fix for char in "$`" if line.startswith("Ciphers"))
    assert "Ciphers aes256-gcm@openssh.com,aes128-ctr" in weak.fix


def test_a_flood_of_weak_names_is_counted_not_listed(graded: Graded) -> None:
    """Two hundred names make one readable sentence."""
    flood = tuple(f"gss-group1-sha1-{number}" for number in range(200))
    finding = graded(changed(SOUND, kex_algorithms=flood))["ssh.algorithms"]
    assert "and 192 more" in finding.message
    assert len(finding.message) < 1500


# Host keys


@pytest.mark.parametrize(
    ("profile", "bits", "grade"),
    [
        ("lab", 1023, Grade.FAIL), ("lab", 1024, Grade.CAUTION), ("lab", 2047, Grade.CAUTION), ("lab", 2048, Grade.PASS),
        ("production", 1024, Grade.FAIL), ("production", 2047, Grade.FAIL), ("production", 2048, Grade.PASS),
        ("production", 2049, Grade.PASS),
        ("strict", 2047, Grade.FAIL), ("strict", 2048, Grade.CAUTION), ("strict", 3071, Grade.CAUTION),
        ("strict", 3072, Grade.PASS), ("strict", 3073, Grade.PASS),
    ],
)
def test_an_rsa_key_is_graded_by_its_length(graded: Graded, profile: str, bits: int, grade: Grade) -> None:
    """The boundary table of ssh_rsa_bits."""
    finding = graded(changed(SOUND, host_keys=(key(), rsa_key(bits))), profile=profile)["ssh.host-key"]
    assert finding.grade is grade
    assert finding.measured is not None
    assert finding.limits is not None
    assert (finding.measured.value, finding.limits.name) == (bits, "ssh_rsa_bits")


def test_a_server_without_an_rsa_key_has_no_length_to_measure(graded: Graded) -> None:
    """Ed25519 and ECDSA have one length each."""
    finding = graded(changed(SOUND, host_keys=(key(),)))["ssh.host-key"]
    assert (finding.grade, finding.measured, finding.limits) == (Grade.PASS, None, None)


def test_a_signature_that_does_not_verify_is_a_fail(graded: Graded) -> None:
    """The server showed a key that it does not hold."""
    missed = SshKeyFailure(key_type="ssh-rsa", failure=failure(FailureKind.MISMATCHED, "signature"))
    finding = graded(changed(SOUND, host_keys=(key(),), key_failures=(missed,)))["ssh.host-key"]
    assert (finding.grade, finding.symptom) == (Grade.FAIL, "not-held")


@pytest.mark.parametrize(("methods", "faultless"), [
    (("sntrup761x25519-sha512@openssh.com",), True), (("diffie-hellman-group18-sha512",), True),
    (("diffie-hellman-group1-sha1",), False), (("rsa1024-sha1", "made-up"), False)])
def test_without_an_exchange_in_common_no_key_is_proven_and_the_reason_is_told_once(
        graded: Graded, methods: tuple[str, ...], faultless: bool) -> None:
    """Young exchanges and old ones alike; only the young are no fault."""
    why = msgspec.structs.replace(failure(FailureKind.OTHER, "negotiation"), detail="no key exchange method is spoken here")
    missed = tuple(SshKeyFailure(key_type=kind, failure=why) for kind in ("ssh-ed25519", "ssh-rsa"))
    finding = graded(changed(SOUND, host_keys=(), key_failures=missed, kex_algorithms=methods))["ssh.host-key"]
    assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, "key-unproven")
    assert finding.message.count("no key exchange method is spoken here") == 1
    assert "ssh-ed25519, ssh-rsa" in finding.message
    assert ("no fault of the server" in finding.message) is faultless


@pytest.mark.parametrize("kind", [kind for kind in FailureKind if kind is not FailureKind.MISMATCHED])
def test_a_key_that_could_not_be_had_makes_the_check_unproven(graded: Graded, kind: FailureKind) -> None:
    """One proven key does not stand for another that was offered."""
    missed = SshKeyFailure(key_type="ssh-rsa", failure=failure(kind, "key exchange"))
    finding = graded(changed(SOUND, host_keys=(key(),), key_failures=(missed,)))["ssh.host-key"]
    assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, "key-unproven")
    assert key().fingerprint in finding.found


def test_no_key_at_all_is_unproven(graded: Graded) -> None:
    """Only types that are not asked for are offered."""
    finding = graded(changed(SOUND, host_key_algorithms=("ssh-ed448",), host_keys=()))["ssh.host-key"]
    assert (finding.grade, finding.found) == (Grade.UNPROVEN, "no key was proven")


# The zone's fingerprints


def sshfp(*values: str, name: str = "DOME-A.obs.example.net.", server: str = "192.0.2.53") -> NameAnswer:
    return NameAnswer(server=server, name=name, rrtype="SSHFP", purpose="fingerprint", transport="udp", at=AT,
                      elapsed_seconds=0.01, rcode="NOERROR",
                      answers=tuple(NameRecord(owner=name, rrtype="SSHFP", ttl_seconds=300, value=value) for value in values))


@pytest.mark.parametrize(
    ("value", "of"),
    [
        ("4 2 a87f1b687ac0e57d2a081a2f282672334d90ed316d2b818ca9580ea384d92401", key()),
        ("3 1 c64607a28c5300fec1180b6e417b922943cffcdd", key("ecdsa-sha2-nistp256", 256, ECDSA_BLOB)),
        ("3 2 821eb6c1c98d9cc827ab7f456304c0f14785b7008d9e8646a8519de80849afc7", key("ecdsa-sha2-nistp256", 256, ECDSA_BLOB)),
        ("1 1 dd465c09cfa51fb45020cc83316fff21b9ec74ac", key("ssh-rsa", 2048, RSA_BLOB)),
        ("1 2 b049f950d1397b8fee6a61e4d14a9acdc4721e084eff5460bbed80cfaa2ce2cb", key("ssh-rsa", 2048, RSA_BLOB)),
    ],
)
def test_the_published_records_are_made_and_agreed_with(graded: Graded, value: str, of: SshHostKey) -> None:
    """RFC 7479 section 2 and RFC 6594 sections 5.1 and 5.3; case and spaces of the hex do not matter (RFC 4255 section 3.2)."""
    record = keys.read_fingerprint(value)
    assert record is not None
    assert keys.fingerprint_record(of, record.digest_type) == record
    assert str(record) == value
    assert keys.read_fingerprint(f"{value[:20].upper()} {value[20:]}") == record
    finding = graded(changed(SOUND, host_keys=(of,)), names=(sshfp(value),))["ssh.host-key"]
    assert finding.grade is Grade.PASS
    assert "agree" in finding.message


@pytest.mark.parametrize("value", ["", "4", "4 2", "4 2 xyz", "-4 2 aa", "4 x aa", "²  2 aa", "99999999999 2 aa", "4 2 ａ"])
def test_what_is_no_fingerprint_record_is_passed_over(graded: Graded, value: str) -> None:
    """A record that cannot be read neither agrees nor disagrees."""
    assert keys.read_fingerprint(value) is None
    assert graded(names=(sshfp(value),))["ssh.host-key"].grade is Grade.PASS


@given(st.text())
def test_any_text_is_read_as_a_record_or_not_at_all(value: str) -> None:
    """Totality."""
    record = keys.read_fingerprint(value)
    assert record is None or keys.read_fingerprint(str(record)) == record


def test_a_record_of_another_key_is_a_fail_with_the_lines_to_change(graded: Graded) -> None:
    """A zone that still speaks of the earlier installation."""
    stale = f"4 2 {'0' * 64}"
    finding = graded(names=(sshfp(stale),))["ssh.host-key"]
    assert (finding.grade, finding.symptom) == (Grade.FAIL, "dns-disagrees")
    assert "192.0.2.53" in finding.message
    wanted = "dome-a.obs.example.net. IN SSHFP 4 2 a87f1b687ac0e57d2a081a2f282672334d90ed316d2b818ca9580ea384d92401"
    assert wanted in finding.fix
    assert f"; dome-a.obs.example.net. IN SSHFP {stale}" in finding.fix


RIGHT_SHA256 = "4 2 a87f1b687ac0e57d2a081a2f282672334d90ed316d2b818ca9580ea384d92401"
RIGHT_SHA1 = f"4 1 {hashlib.sha1(ED25519_BLOB, usedforsecurity=False).hexdigest()}"
STALE_SHA256, STALE_SHA1 = f"4 2 {'0' * 64}", f"4 1 {'0' * 40}"


@pytest.mark.parametrize(
    "answers",
    [
        (),
        (sshfp(),),
        (sshfp(f"4 2 {'0' * 64}", name="dome-b.obs.example.net"),),
        (sshfp(f"3 2 {'0' * 64}"),),
        (sshfp(f"4 9 {'0' * 64}"),),
        (sshfp(RIGHT_SHA256, f"4 9 {'0' * 64}"),),
        (sshfp(RIGHT_SHA256, f"3 2 {'0' * 64}"),),
        (sshfp(RIGHT_SHA256, RIGHT_SHA1),),
        (sshfp(RIGHT_SHA256, RIGHT_SHA256.upper()),),
        (sshfp(RIGHT_SHA1),),
        (msgspec.structs.replace(sshfp(), rcode="SERVFAIL"),),
    ],
)
def test_absent_foreign_unknown_and_repeated_records_are_no_fault(graded: Graded, answers: tuple[NameAnswer, ...]) -> None:
    """RFC 4255 makes no host publish, and lets a zone publish a key with several digests."""
    assert graded(names=answers)["ssh.host-key"].grade is Grade.PASS


@pytest.mark.parametrize("published", [(RIGHT_SHA1, STALE_SHA256), (STALE_SHA256, RIGHT_SHA1, STALE_SHA1)])
def test_a_right_sha_1_record_does_not_save_a_key_that_sha_256_does_not_match(graded: Graded, published: tuple[str, ...]) -> None:
    """RFC 6594 section 4.1: the key is rejected rather than tested by SHA-1; what is right stays in the zone."""
    finding = graded(names=(sshfp(*published),))["ssh.host-key"]
    assert (finding.grade, finding.symptom) == (Grade.FAIL, "dns-disagrees")
    assert "Its SHA-1 record is of the key that the host holds" in finding.message
    assert f"dome-a.obs.example.net. IN SSHFP {RIGHT_SHA256}" in finding.fix
    assert f"; dome-a.obs.example.net. IN SSHFP {STALE_SHA256}" in finding.fix
    assert f"; dome-a.obs.example.net. IN SSHFP {RIGHT_SHA1}" not in finding.fix
    assert "agree" not in finding.message


@pytest.mark.parametrize(
    ("published", "stale"),
    [
        ((RIGHT_SHA256, STALE_SHA256), [STALE_SHA256]),
        ((STALE_SHA1, RIGHT_SHA256), [STALE_SHA1]),
        ((RIGHT_SHA1, STALE_SHA1), [STALE_SHA1]),
        ((STALE_SHA1, RIGHT_SHA256, STALE_SHA256, RIGHT_SHA1), [STALE_SHA1, STALE_SHA256]),
    ],
)
def test_a_stale_record_beside_the_right_one_is_a_caution_that_names_it(
        graded: Graded, published: tuple[str, ...], stale: list[str]) -> None:
    """RFC 4255 section 2.1 is content with one match; OpenSSH's client (9.2) wants every record of the algorithm to match."""
    finding = graded(names=(sshfp(*published),))["ssh.host-key"]
    assert (finding.grade, finding.symptom) == (Grade.CAUTION, "dns-stale")
    assert "192.0.2.53" in finding.message
    assert [line for line in finding.fix if "SSHFP" in line] == [f"; dome-a.obs.example.net. IN SSHFP {each}" for each in stale]
    assert "agree" not in finding.message


#: A server that holds two ECDSA keys, of which one was asked for.
TWO_CURVES = changed(SOUND, host_keys=(key("ecdsa-sha2-nistp256", 256, ECDSA_BLOB),),
                     host_key_algorithms=("ecdsa-sha2-nistp521", "ecdsa-sha2-nistp256",
                                          "ecdsa-sha2-nistp521-cert-v01@openssh.com"))


def test_an_ecdsa_key_that_was_not_asked_for_is_named(graded: Graded) -> None:
    """One ECDSA key is proven; the pass says of which others nothing is known, and says nothing where there is no other."""
    finding = graded(TWO_CURVES)["ssh.host-key"]
    assert finding.grade is Grade.PASS
    assert "It also offers ecdsa-sha2-nistp521: " in finding.message
    for alone in (changed(TWO_CURVES, host_key_algorithms=("ecdsa-sha2-nistp256",)), SOUND,
                  changed(SOUND, host_key_algorithms=("ssh-ed25519", "ecdsa-sha2-nistp256"))):
        assert "also offers" not in graded(alone)["ssh.host-key"].message


@pytest.mark.parametrize(
    ("seen", "grade", "symptom"),
    [
        (TWO_CURVES, Grade.UNPROVEN, "key-unproven"),
        (changed(TWO_CURVES, host_key_algorithms=("ecdsa-sha2-nistp256",)), Grade.FAIL, "dns-disagrees"),
    ],
)
def test_an_ecdsa_record_may_be_of_the_other_ecdsa_key(graded: Graded, seen: SshEvidence, grade: Grade, symptom: str) -> None:
    """RFC 6594 section 3: one algorithm number stands for every curve, so only a server with one ECDSA key is contradicted."""
    finding = graded(seen, names=(sshfp(f"3 2 {'0' * 64}"),))["ssh.host-key"]
    assert (finding.grade, finding.symptom) == (grade, symptom)
    assert ("ecdsa-sha2-nistp521" in finding.message) is (grade is Grade.UNPROVEN)


def test_one_stale_name_server_of_two_is_named(graded: Graded) -> None:
    """Each server's answer is held against the key by itself."""
    good = sshfp("4 2 a87f1b687ac0e57d2a081a2f282672334d90ed316d2b818ca9580ea384d92401")
    finding = graded(names=(good, sshfp(f"4 2 {'0' * 64}", server="192.0.2.54")))["ssh.host-key"]
    assert finding.grade is Grade.FAIL
    assert "192.0.2.54" in finding.message
    assert "192.0.2.53" not in finding.message


def test_three_faults_of_the_keys_are_all_told(graded: Graded) -> None:
    """A short key, a key not held and a stale zone, under one finding a server."""
    missed = SshKeyFailure(key_type="ecdsa", failure=failure(FailureKind.MISMATCHED, "signature"))
    finding = graded(changed(SOUND, host_keys=(key(), rsa_key(1024)), key_failures=(missed,)),
                     names=(sshfp(f"4 2 {'0' * 64}"),))["ssh.host-key"]
    assert finding.grade is Grade.FAIL
    for words in ("1024 bits", "does not verify", "publishes another"):
        assert words in finding.message


# Across hosts


def fleet(make_case: MakeCase, *hosts: HostEvidence, **overrides: Any) -> dict[str, Finding]:
    findings = ssh.grade_fleet(make_case(*hosts, **overrides))
    for finding in findings:
        well_formed(finding)
        assert finding.check == "ssh.shared-key"
    return {finding.ref.partition(".")[0]: finding for finding in findings}


OTHER = changed(SOUND, address="192.0.2.12", host_keys=(key(blob=b"another key"),))
TWIN = changed(SOUND, address="192.0.2.12")


def test_hosts_with_keys_of_their_own_pass(make_case: MakeCase) -> None:
    """Each finding says with how many hosts it was compared."""
    findings = fleet(make_case, host_evidence(), host_evidence("dome-b", (OTHER,)))
    assert [finding.grade for finding in findings.values()] == [Grade.PASS, Grade.PASS]
    assert "1 other host" in findings["dome-a"].found


@pytest.mark.parametrize("keys", [(key(),), (rsa_key(3072),), (key(), rsa_key(3072))])
def test_twins_are_a_fail_on_both_hosts_naming_each_other(make_case: MakeCase, keys: tuple[SshHostKey, ...]) -> None:
    """A copied image: one key in common is enough, and both hosts get new ones."""
    findings = fleet(make_case, host_evidence(), host_evidence("dome-b", (changed(TWIN, host_keys=keys),)))
    assert [finding.grade for finding in findings.values()] == [Grade.FAIL, Grade.FAIL]
    assert "dome-b.obs.example.net" in findings["dome-a"].message
    assert "dome-a.obs.example.net" in findings["dome-b"].message
    assert {"ssh-keygen -A", "ssh-keygen -R dome-a.obs.example.net", "ssh-keygen -R 192.0.2.11"} <= set(findings["dome-a"].fix)
    assert all(each.fingerprint in findings["dome-a"].found for each in keys)


def test_addresses_that_were_exchanged_are_looked_at_together(make_case: MakeCase, make_plan: Callable[..., Plan]) -> None:
    """One family of two hosts: each finding names both addresses of its host, and none twice."""
    first, second = make_plan().hosts
    hosts = (msgspec.structs.replace(first, addresses=("192.0.2.11", "2001:db8::11")),
             msgspec.structs.replace(second, addresses=("192.0.2.12", "2001:db8::12")))
    one, two = SOUND.host_keys, OTHER.host_keys
    sights = {name: tuple(changed(SOUND, address=address, host_keys=keys) for address, keys in shown) for name, shown in (
        ("dome-a", (("192.0.2.11", two), ("2001:db8::11", one))), ("dome-b", (("192.0.2.12", one), ("2001:db8::12", two))))}
    found = ssh.grade_fleet(make_case(*(host_evidence(name, seen) for name, seen in sights.items()), hosts=hosts))
    assert [finding.symptom for finding in found] == ["apart"] * 4
    for finding, last in zip(found, (11, 11, 12, 12), strict=True):
        assert finding.fix[0].count(f"192.0.2.{last}") == finding.fix[0].count(f"2001:db8::{last}") == 1


@pytest.mark.parametrize("network", ["mgmt", "storage"])
def test_rows_of_two_networks_may_be_one_machine(make_case: MakeCase, make_plan: Callable[..., Plan], network: str) -> None:
    """Then there is no copy, and no new key to be made."""
    first, second = make_plan().hosts
    hosts = (first, msgspec.structs.replace(second, network=network))
    found = fleet(make_case, host_evidence(), host_evidence("dome-b", (TWIN,)), hosts=hosts)["dome-a"]
    assert ("one machine in two networks" in found.message) is (network == "storage")
    assert found.fix[0].startswith("# if dome-a.obs.example.net and dome-b.obs") is (network == "storage")
    assert "ssh-keygen -A" in found.fix


def test_three_copies_each_name_the_other_two(make_case: MakeCase, make_plan: Callable[..., Plan]) -> None:
    """Every twin is named."""
    third = msgspec.structs.replace(make_plan().hosts[1], name="dome-c", fqdn="dome-c.obs.example.net", addresses=("192.0.2.13",))
    findings = fleet(make_case, host_evidence(), host_evidence("dome-b", (TWIN,)),
                     host_evidence("dome-c", (changed(SOUND, address="192.0.2.13"),)), hosts=(*make_plan().hosts, third))
    assert len(findings) == 3
    for name, finding in findings.items():
        assert {other for other in ("dome-a", "dome-b", "dome-c") if f"{other}." in finding.found} == {
            "dome-a", "dome-b", "dome-c"} - {name}


@pytest.mark.parametrize("missing", [(), (changed(MUTE, address="192.0.2.12", failure=failure(FailureKind.CLOSED)),)])
def test_a_host_whose_keys_are_not_known_is_unproven_and_so_is_its_only_peer(
    make_case: MakeCase, missing: tuple[SshEvidence, ...]
) -> None:
    """Nothing was compared, so nothing passes."""
    findings = fleet(make_case, host_evidence(), host_evidence("dome-b", missing))
    assert [finding.grade for finding in findings.values()] == [Grade.UNPROVEN, Grade.UNPROVEN]


def test_one_host_alone_has_nothing_to_compare(make_case: MakeCase) -> None:
    """A run of one host gives no finding rather than a hollow pass."""
    assert fleet(make_case, host_evidence()) == {}


def test_two_addresses_of_one_host_are_not_twins(make_case: MakeCase, make_plan: Callable[..., Plan]) -> None:
    """One machine with two addresses holds one set of keys; each address is a subject of its own."""
    two = msgspec.structs.replace(make_plan().hosts[0], addresses=("192.0.2.11", "2001:db8::11"))
    evidence = host_evidence(ssh=(SOUND, changed(SOUND, address="2001:db8::11")))
    case = make_case(evidence, host_evidence("dome-b", (OTHER,)), hosts=(two, make_plan().hosts[1]))
    findings = ssh.grade_fleet(case)
    assert [(finding.subject, finding.grade) for finding in findings] == [
        ("22/tcp at 192.0.2.11", Grade.PASS), ("22/tcp at 2001:db8::11", Grade.PASS), ("22/tcp", Grade.PASS)]
    assert len({finding.ref for finding in ssh.grade_host(case, two, evidence)}) == 6


SIX = "2001:db8::11"
#: What another machine shows at the second address.
STRANGER = changed(SOUND, address=SIX, host_keys=(key(blob=b"another key"),))


def dual(make_case: MakeCase, make_plan: Callable[..., Plan], second: SshEvidence, *others: HostEvidence) -> Case:
    """dome-a with an address of each family, of which the second is answered as given."""
    two = msgspec.structs.replace(make_plan().hosts[0], addresses=("192.0.2.11", SIX))
    return make_case(host_evidence(ssh=(second, SOUND)), *others, hosts=(two, make_plan().hosts[1]))


def host_keys_of(case: Case) -> dict[str, Finding]:
    """The findings about the host keys of its first host, by subject."""
    return {finding.subject: finding for finding in ssh.grade_host(case, case.plan.hosts[0], case.evidence.hosts[0])
            if finding.check == "ssh.host-key"}


def test_another_key_at_another_address_of_the_host_may_be_another_machine(
    make_case: MakeCase, make_plan: Callable[..., Plan]
) -> None:
    """Whoever took the address first answers there (RFC 4862 section 5.4.5); told once, at the later address of the plan."""
    findings = host_keys_of(dual(make_case, make_plan, STRANGER))
    assert findings["22/tcp at 192.0.2.11"].grade is Grade.PASS
    finding = findings[f"22/tcp at {SIX}"]
    assert (finding.grade, finding.symptom) == (Grade.CAUTION, "other-machine")
    for words in (SIX, "192.0.2.11", key().fingerprint, "another machine's"):
        assert words in finding.message
    assert f"ip address    # it must show 192.0.2.11 and {SIX}" in finding.fix[0]


@pytest.mark.parametrize("second", [
    changed(SOUND, address=SIX, host_keys=(key(),)),                                       # it offers fewer types there
    changed(SOUND, address=SIX, host_keys=(key(), key("ssh-rsa", 3072, b"made anew"))),    # one key in common is one machine
    changed(SOUND, address=SIX, host_keys=(key("ecdsa-sha2-nistp256", 256, ECDSA_BLOB),)),  # no type to compare
    changed(STRANGER, port="2222/tcp"),                                                    # a second server, as planned
])
def test_addresses_that_do_not_contradict_each_other_are_one_machine(
    make_case: MakeCase, make_plan: Callable[..., Plan], second: SshEvidence
) -> None:
    """Only another key of the same type on the same port is a contradiction."""
    findings = host_keys_of(dual(make_case, make_plan, second))
    assert "other-machine" not in {finding.symptom for finding in findings.values()}


def test_an_address_that_another_planned_host_took_is_no_copied_image(
    make_case: MakeCase, make_plan: Callable[..., Plan]
) -> None:
    """dome-b holds an address of dome-a: new host keys would mend nothing."""
    case = dual(make_case, make_plan, STRANGER, host_evidence("dome-b", (OTHER,)))
    findings = {(finding.ref.partition(".")[0], finding.subject): finding for finding in ssh.grade_fleet(case)}
    assert findings["dome-a", "22/tcp at 192.0.2.11"].grade is Grade.PASS
    taken, taker = findings["dome-a", f"22/tcp at {SIX}"], findings["dome-b", "22/tcp"]
    assert {taken.grade, taker.grade} == {Grade.FAIL}
    assert f"{SIX} may be an address of the machine of dome-b.obs.example.net" in taken.message
    assert "may hold an address that is planned for dome-a.obs.example.net" in taker.message
    assert not any("ssh-keygen -A" in line for line in (*taken.fix, *taker.fix))


def test_two_entries_for_one_address_are_the_plans_mistake_and_no_twins(
    make_case: MakeCase, make_plan: Callable[..., Plan]
) -> None:
    """plan.duplicate says it; the machine was seen twice."""
    hosts: tuple[Host, ...] = make_plan().hosts
    same = msgspec.structs.replace(hosts[1], addresses=hosts[0].addresses)
    findings = fleet(make_case, host_evidence(), host_evidence("dome-b", (SOUND,)), hosts=(hosts[0], same))
    assert {finding.grade for finding in findings.values()} == {Grade.UNPROVEN}
