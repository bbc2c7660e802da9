"""What is graded as it was and yet is not what it was."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from shared.drift import ValueChange
from shared.evidence import (
    CertificateFacts,
    Failure,
    FailureKind,
    HostEvidence,
    NameAnswer,
    NameRecord,
    Owner,
    OwnersEvidence,
    PortEvidence,
    PortState,
    SshEvidence,
    SshHostKey,
    SshKeyFailure,
    TlsEvidence,
    VersionTrial,
)
from shared.findings import Finding, Grade, Measured, Verdict, make_ref
from shared.run import HostReport
from verify.comparing.values_moved import host_changes

AT = "2027-03-04T09:12:31Z"
NAME, ADDRESS = "dome-a.obs.example.net", "192.0.2.11"
LOST = Failure(kind=FailureKind.NO_ANSWER, phase="connect", elapsed_seconds=2.0)


def host(*findings: Finding, addresses: tuple[str, ...] = (ADDRESS,), role: str = "node", **evidence: Any) -> HostReport:
    return HostReport(name=NAME, address=addresses[0], addresses=addresses, network="mgmt", role=role, verdict=Verdict.READY,
                      findings=findings, evidence=HostEvidence(fqdn=NAME, **evidence))


def changes(before: HostReport, after: HostReport) -> list[ValueChange]:
    return list(host_changes(before, after))


CERTIFICATE = CertificateFacts(der=b"", sha256="a1" * 32, issuer="CN=Tidewater Site CA", not_after="2027-06-01T00:00:00Z",
                               names=(("dns", NAME),), key_type="RSA", key_bits=3072)


def tls(failure: Failure | None = None, **facts: Any) -> HostReport:
    link = msgspec.structs.replace(CERTIFICATE, **facts)
    return host(tls=(TlsEvidence(address=ADDRESS, port="443/tcp", server_name=NAME, at=AT, elapsed_seconds=0.1,
                                 chain=() if failure else (link,), failure=failure),))


NEW: dict[str, Any] = {"sha256": "b2" * 32, "not_after": "2027-09-01T00:00:00Z"}


def test_a_renewed_certificate_is_expected() -> None:
    """The same issuer, names and kind of key, and a later end."""
    [change] = changes(tls(), tls(**NEW))
    assert (change.what, change.expected) == ("certificate", True)
    assert "renewed by the same issuer" in change.note


@pytest.mark.parametrize(("facts", "words"), [
    ({"issuer": "CN=dome-a"}, "issuer CN=Tidewater Site CA then, CN=dome-a now"),
    ({"names": (("dns", "dome-b.obs.example.net"),)}, "for other names"),
    ({"key_bits": 2048}, "key RSA 3072 then, RSA 2048 now"),
    ({"key_type": "EC", "key_bits": 256}, "EC 256 now"),
    ({"not_after": "2027-06-01T00:00:00Z"}, "ends no later"),
    ({"not_after": "2027-05-01T00:00:00Z"}, "ends no later"),
])
def test_another_certificate_is_not(facts: dict[str, Any], words: str) -> None:
    """And what of it is other is said."""
    [change] = changes(tls(), tls(**{**NEW, **facts}))
    assert not change.expected
    assert words in change.note


def test_a_certificate_that_was_not_seen_is_no_change() -> None:
    """Before or after: that is graded."""
    assert changes(tls(failure=LOST), tls()) == changes(tls(), tls(failure=LOST)) == []


@pytest.mark.parametrize(("was", "now", "count"), [
    ("accepted", "refused", 1), ("refused", "accepted", 1), ("accepted", "accepted", 0), ("unknown", "accepted", 0),
    ("accepted", "unknown", 0),
])
def test_a_protocol_version_that_is_accepted_otherwise(was: str, now: str, count: int) -> None:
    """Where both times it could be told."""
    def speaking(outcome: str) -> HostReport:
        return host(tls=(TlsEvidence(address=ADDRESS, port="443/tcp", server_name=NAME, at=AT, elapsed_seconds=0.1,
                                     chain=(CERTIFICATE,), versions=(VersionTrial(version="TLSv1.1", outcome=outcome),)),))

    assert len(changes(speaking(was), speaking(now))) == count


def key(kind: str, print_: str) -> SshHostKey:
    return SshHostKey(key_type=kind, bits=256, fingerprint=f"SHA256:{print_}", blob=b"")


def ssh(*keys: SshHostKey, unread: str = "", banner: str = "SSH-2.0-one", failure: Failure | None = None) -> HostReport:
    failed = (SshKeyFailure(key_type=unread, failure=LOST),) if unread else ()
    return host(ssh=(SshEvidence(address=ADDRESS, port="22/tcp", at=AT, elapsed_seconds=0.1, identification=banner,
                                 host_keys=keys, key_failures=failed, failure=failure),))


def test_another_host_key_is_told_with_both_fingerprints() -> None:
    """And what it may mean."""
    [change] = changes(ssh(key("ssh-ed25519", "one")), ssh(key("ssh-ed25519", "two")))
    assert (change.what, change.was, change.now) == ("host key ssh-ed25519", "SHA256:one", "SHA256:two")
    assert "installed anew" in change.note


def test_a_key_type_that_came_or_went_is_told() -> None:
    """Each by itself."""
    found = changes(ssh(key("ssh-ed25519", "one")), ssh(key("ssh-rsa", "two")))
    assert [(change.what, change.was, change.now) for change in found] == [
        ("host key ssh-ed25519", "SHA256:one", "none"), ("host key ssh-rsa", "none", "SHA256:two")]


def test_a_key_that_could_not_be_read_has_not_gone() -> None:
    """On either side."""
    whole, half = ssh(key("ssh-ed25519", "one")), ssh(unread="ssh-ed25519")
    assert changes(whole, half) == changes(half, whole) == []
    assert changes(whole, ssh(failure=LOST, banner="")) == []


def test_another_ssh_server_is_told() -> None:
    """An upgrade nobody announced shows here first."""
    [change] = changes(ssh(), ssh(banner="SSH-2.0-two"))
    assert (change.what, change.was, change.now) == ("SSH server", "SSH-2.0-one", "SSH-2.0-two")


def answer(*values: str, rrtype: str = "A", rcode: str = "NOERROR", purpose: str = "forward", failure: Failure | None = None,
           name: str = NAME, ttl: int = 3600) -> HostReport:
    records = tuple(NameRecord(name, rrtype, ttl, value) for value in values)
    return host(names=(NameAnswer(server="192.0.2.53", name=name, rrtype=rrtype, purpose=purpose, transport="udp", at=AT,
                                  elapsed_seconds=0.001, rcode=rcode, answers=records, failure=failure),))


@pytest.mark.parametrize(("before", "after"), [
    (answer("192.0.2.11"), answer("192.0.2.12")),
    (answer("192.0.2.11"), answer("192.0.2.11", "192.0.2.12")),
    (answer("192.0.2.11"), answer(rcode="NXDOMAIN")),
    (answer(), answer("192.0.2.11")),
])
def test_another_answer_is_told(before: HostReport, after: HostReport) -> None:
    """Other records, more, fewer, none."""
    [change] = changes(before, after)
    assert change.what == "answer A"
    assert change.was != change.now


@pytest.mark.parametrize(("before", "after"), [
    (answer("192.0.2.11", ttl=3600), answer("192.0.2.11", ttl=12)),
    (answer("192.0.2.11", "192.0.2.12"), answer("192.0.2.12", "192.0.2.11")),
    (answer("DOME-A.obs.example.net.", rrtype="PTR"), answer("dome-a.OBS.example.net.", rrtype="PTR")),
    (answer("192.0.2.11"), answer(failure=LOST)),
    (answer("192.0.2.11"), answer(rcode="SERVFAIL")),
    (answer(rcode="NXDOMAIN", purpose="wildcard"), answer("192.0.2.99", purpose="wildcard")),
    (answer("192.0.2.11", name="a.example.net"), answer("192.0.2.12", name="b.example.net")),
])
def test_the_same_answer_in_other_words_is_none(before: HostReport, after: HostReport) -> None:
    """Time to live, order, case; nor is what was not answered, or the label that is drawn anew for every wildcard question."""
    assert changes(before, after) == []


@pytest.mark.parametrize(("was", "now", "count"), [
    (PortState.REFUSED, PortState.SILENT, 1), (PortState.REFUSED, PortState.OPEN, 1), (PortState.OPEN, PortState.OPEN, 0),
    (PortState.UNTRIED, PortState.OPEN, 0), (PortState.OPEN, PortState.UNTRIED, 0),
])
def test_a_port_in_another_state(was: PortState, now: PortState, count: int) -> None:
    """Where it was tried both times."""
    def trying(state: PortState) -> HostReport:
        return host(ports=(PortEvidence(address=ADDRESS, port="23/tcp", state=state, at=AT, elapsed_seconds=0.1, attempts=1),))

    assert len(changes(trying(was), trying(now))) == count


def judged(seen: HostReport, check: str, subject: str, grade: Grade) -> HostReport:
    return msgspec.structs.replace(seen, findings=(Finding(
        check=check, subject=subject, grade=grade, planned="", found="", message="", ref=make_ref(NAME, check, subject)),))


POINTER = "11.2.0.192.in-addr.arpa"


@pytest.mark.parametrize(("before", "after", "check", "subject"), [
    (host(ports=(PortEvidence(address=ADDRESS, port="22/tcp", state=PortState.OPEN, at=AT, elapsed_seconds=0.1, attempts=1),)),
     host(ports=(PortEvidence(address=ADDRESS, port="22/tcp", state=PortState.SILENT, at=AT, elapsed_seconds=0.1, attempts=1),)),
     "port.open", "22/tcp"),
    (answer("192.0.2.11"), answer(rcode="NXDOMAIN"), "name.forward", "192.0.2.53 A"),
    (answer("dome-a.obs.example.net.", rrtype="PTR", name=POINTER), answer("dome-b.obs.example.net.", rrtype="PTR", name=POINTER),
     "name.reverse", "192.0.2.53 192.0.2.11"),
])
def test_what_changed_its_grade_is_told_with_its_grade_alone(
    before: HostReport, after: HostReport, check: str, subject: str
) -> None:
    """Under the same grade it is a change of value; under another it is told among what got worse or was mended."""
    was = judged(before, check, subject, Grade.PASS)
    assert len(changes(was, judged(after, check, subject, Grade.PASS))) == 1
    assert changes(was, judged(after, check, subject, Grade.FAIL)) == []


def measured(check: str, value: float, uncertainty: float, grade: Grade = Grade.PASS, unit: str = "s") -> HostReport:
    return host(Finding(check=check, subject=ADDRESS, grade=grade, planned="", found="", message="",
                        ref=make_ref(NAME, check, ADDRESS), measured=Measured(value, uncertainty, unit)))


@pytest.mark.parametrize(("check", "was", "now", "uncertainty", "count"), [
    # The clock's dead band is 20 ms: just below, just above.
    ("clock.offset", 0.0, 0.019, 0.001, 0), ("clock.offset", 0.0, 0.021, 0.001, 1), ("clock.offset", 0.0, -0.021, 0.001, 1),
    # Both uncertainties together: intervals that touch are not apart.
    ("clock.offset", 0.0, 0.05, 0.026, 0), ("clock.offset", 0.0, 0.05, 0.024, 1),
    # A round trip's is 1 ms or half of it.
    ("host.echo", 0.0002, 0.0011, 0.00001, 0), ("host.echo", 0.0002, 0.0013, 0.00001, 1),
    ("host.echo", 0.010, 0.0149, 0.0001, 0), ("host.echo", 0.010, 0.0151, 0.0001, 1),
    # The root distance of a time source is a bound of its error, and comes and goes with the source's own questions.
    ("clock.source", 0.0117, 0.0401, 0.0, 0), ("clock.synchronised", 0.0117, 0.0401, 0.0, 0),
    # The runner's clock and the spread of the hosts' are values as an offset is.
    ("clock.runner", 0.0, 0.021, 0.001, 1), ("clock.skew", 0.0, 0.021, 0.001, 1),
    # The life of a certificate shrinks every night and is followed as the certificate.
    ("certificate.dates", 8640000.0, 8553600.0, 1.0, 0),
])
def test_a_measured_value_moves_beyond_its_noise_or_not_at_all(
    check: str, was: float, now: float, uncertainty: float, count: int
) -> None:
    """Beyond both uncertainties and beyond the dead band."""
    assert len(changes(measured(check, was, uncertainty), measured(check, now, uncertainty))) == count


@pytest.mark.parametrize(("was", "now", "grade", "count"), [
    (0.0, 0.05, Grade.PASS, 0), (0.05, 0.0, Grade.PASS, 0), (0.1, 0.2, Grade.CAUTION, 0), (0.25, 0.45, Grade.FAIL, 0),
    (0.25, 0.5, Grade.FAIL, 1), (0.75, 0.3, Grade.FAIL, 1), (0.0, 0.25, Grade.PASS, 1)])
def test_a_share_of_lost_echoes_moves_by_more_than_chance_or_not_at_all(was: float, now: float, grade: Grade, count: int) -> None:
    """A fifth at most is chance; a share has no milliseconds."""
    assert len(changes(measured("host.echo", was, 0.0, grade, "ratio"), measured("host.echo", now, 0.0, grade, "ratio"))) == count


def test_a_value_whose_grade_moved_is_told_there() -> None:
    """Nor is one compared that decided nothing."""
    assert changes(measured("clock.offset", 0, 0.001), measured("clock.offset", 5, 0.001, Grade.FAIL)) == []
    assert changes(measured("clock.offset", 0, 0.001, Grade.UNPROVEN), measured("clock.offset", 5, 0.001, Grade.UNPROVEN)) == []


def owned(*macs: str, failure: Failure | None = None) -> HostReport:
    return host(owners=(OwnersEvidence(address=ADDRESS, at=AT, owners=tuple(Owner(mac=mac, answers=1) for mac in macs),
                                       failure=failure),))


def test_another_hardware_address_is_told() -> None:
    """Another machine answers, or another card; a virtual router's address says so (RFC 9568 section 7.3)."""
    [change] = changes(owned("02:00:5e:10:00:01"), owned("02:00:5e:10:00:02"))
    assert (change.what, change.note) == ("hardware address", "")
    for routers in ("00:00:5e:00:01:07", "00:00:5e:00:02:07"):
        [change] = changes(owned("02:00:5e:10:00:01"), owned(routers))
        assert "virtual router" in change.note
    assert changes(owned("02:00:5e:10:00:01"), owned(failure=LOST)) == changes(owned(), owned("02:00:5e:10:00:01")) == []


def test_a_host_planned_otherwise_is_told() -> None:
    """Its address and its role."""
    found = changes(host(), host(addresses=("192.0.2.12",), role="relay"))
    assert [change.what for change in found] == ["planned address", "role"]


@pytest.mark.parametrize(("was", "now", "count"), [
    (2027030401, 2027030400, 1), (2027030400, 2027030401, 0), (2027030401, 2027030401, 0),
    # RFC 1982 section 3.2: the circle's end is followed by its beginning.
    (4294967295, 3, 0), (3, 4294967295, 1),
])
def test_a_zone_that_went_back_is_told(was: int, now: int, count: int) -> None:
    """By serial number arithmetic."""
    from verify.comparing.values_moved import _serials

    def zone(serial: int) -> tuple[NameAnswer, ...]:
        value = f"ns1.obs.example.net. hostmaster.obs.example.net. {serial} 3600 900 604800 300"
        return answer(value, rrtype="SOA", name="obs.example.net", purpose="zone").evidence.names

    assert len(list(_serials(zone(was), zone(now)))) == count
    assert changes(host(names=zone(was)), host(names=zone(now))) == [], "every edit of a zone gives it a new serial"
    dead = tuple(msgspec.structs.replace(one, answers=(), failure=LOST) for one in zone(now))
    assert list(_serials(zone(was), dead)) == list(_serials(dead, zone(now))) == []
