"""What a host says of itself explains what was seen of it from outside, and nothing else."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest

from shared.evidence import Evidence, SiteEvidence, Vantage
from shared.findings import Finding, Grade, make_ref
from shared.plan import Endpoint, Plan
from verify.grading.ownword import explain

HOST, OTHER = "dome-a.obs.example.net", "dome-b.obs.example.net"


def finding(
    host: str, check: str, symptom: str = "", found: str = "", grade: Grade = Grade.FAIL, subject: str = ""
) -> Finding:
    subject = subject or check
    return Finding(check=check, subject=subject, grade=grade, planned="", found=found, message="",
                   ref=make_ref(host, check, subject), symptom=symptom)


@pytest.fixture
def folded(make_plan: Callable[..., Plan]) -> Callable[..., bool]:
    """Whether a cause explains an effect; ``on_link`` says whether the runner stands on the host's wire."""

    def run(cause: Finding, effect: Finding, *more: Finding, on_link: bool = False, **overrides: object) -> bool:
        evidence = Evidence(vantage=Vantage(name="runner", on_link={"mgmt": on_link}), started="", finished="", complete=True,
                            site=SiteEvidence(), hosts=())
        told = explain(make_plan(**overrides), evidence, [effect, cause, *more])
        assert told[1].because == ()
        return told[0].because == (cause.ref,)

    return run


STOPPED = finding(HOST, "system.clock", "stopped", "chrony.service inactive, enabled at boot, ntpsec.service inactive, disabled")
SERVICE = finding(HOST, "system.service", "inactive", "chrony.service inactive, enabled at boot")
QUIET = finding(HOST, "clock.synchronised", "refused")
NO_SOURCE = finding(HOST, "system.clock", "no-source")
FOLLOWS_NONE = finding(HOST, "system.clock", "none-selected")
SMALL = finding(HOST, "system.mtu", "mtu", "1500 octets")


@pytest.mark.parametrize(("cause", "effect", "expected"), [
    (STOPPED, SERVICE, True), (STOPPED, QUIET, True),
    (STOPPED, finding(HOST, "boot.up", "never", subject="time 192.0.2.11"), True),
    (STOPPED, finding(HOST, "boot.up", "never", subject="22/tcp SSH 192.0.2.11"), False),
    (STOPPED, finding(HOST, "boot.up", "late", subject="time 192.0.2.11"), False),
    (STOPPED, finding(HOST, "clock.synchronised", "unsynchronised"), False),
    (STOPPED, finding(HOST, "system.service", "inactive", "nginx.service inactive, enabled at boot"), False),
    (STOPPED, finding(HOST, "system.service", "inactive"), False),
    (NO_SOURCE, FOLLOWS_NONE, True), (NO_SOURCE, finding(HOST, "clock.synchronised", "unsynchronised"), True),
    (NO_SOURCE, QUIET, False), (finding(HOST, "system.clock", "missing"), FOLLOWS_NONE, False),
])
def test_a_time_service_that_does_not_run_or_asks_nobody_is_told_once(
    folded: Callable[..., bool], cause: Finding, effect: Finding, expected: bool
) -> None:
    """Its mend is the one that the host's own word comes with."""
    assert folded(cause, effect) is expected


@pytest.mark.parametrize(("span", "expected"), [
    ("1500 octets pass, 1555 do not", True), ("1480 octets pass, 1501 do not", True), ("1400 octets pass, 1500 do not", False),
    ("1501 octets pass, 1555 do not", False),
])
def test_large_packets_that_vanish_at_the_hosts_own_size_are_its_setting(
    folded: Callable[..., bool], span: str, expected: bool
) -> None:
    """Where they vanish elsewhere, something else is too small as well."""
    assert folded(SMALL, finding(HOST, "host.path-mtu", "vanishes", f"{span}, and nobody says so")) is expected


def test_only_a_proven_fail_explains_and_only_at_its_own_host(folded: Callable[..., bool]) -> None:
    """Another host's service, and one that is only said to be late, explain nothing."""
    assert not folded(STOPPED, finding(OTHER, "clock.synchronised", "refused"))
    assert not folded(finding(HOST, "system.clock", "stopped", grade=Grade.UNPROVEN), QUIET)
    assert not folded(STOPPED, finding(HOST, "clock.synchronised", "refused", grade=Grade.UNPROVEN))


@pytest.mark.parametrize(("cause", "expected"), [(STOPPED, True), (finding(HOST, "system.clock", "none"), True), (SMALL, False),
                                                 (finding(HOST, "system.clock", "several"), False)])
def test_a_service_that_does_not_run_cannot_be_asked_for_its_sources(
    folded: Callable[..., bool], cause: Finding, expected: bool
) -> None:
    """What it follows waits for it to run."""
    assert folded(cause, finding(HOST, "system.clock", grade=Grade.UNPROVEN)) is expected


SILENCE = finding(HOST, "host.echo", "silent", subject="192.0.2.11")
SILENCE_6 = finding(HOST, "host.echo", "silent", subject="2001:db8::11")


def address(symptom: str, subject: str = "192.0.2.11") -> Finding:
    return finding(HOST, "system.address", symptom, subject=subject)


def route(symptom: str, subject: str = "IPv4") -> Finding:
    return finding(HOST, "system.route", symptom, subject=subject)


@pytest.mark.parametrize(("cause", "effect", "expected"), [
    (address("missing"), SILENCE, True), (address("duplicate"), SILENCE, True), (address("mask-hides"), SILENCE, True),
    (address("mask"), SILENCE, False), (address("leased"), SILENCE, False), (address("missing"), SILENCE_6, False),
    (address("missing", "2001:db8::11"), SILENCE_6, True),
    (address("missing"), finding(HOST, "host.echo", "loss", subject="192.0.2.11"), False),
    (route("no-route"), SILENCE, True), (route("wrong-gateway"), SILENCE, True), (route("no-link"), SILENCE, True),
    (route("no-route"), SILENCE_6, False), (route("no-route", "IPv6"), SILENCE_6, True), (route("rules"), SILENCE, False),
])
def test_a_silent_address_is_what_the_host_itself_says_is_wrong_with_it(
    folded: Callable[..., bool], cause: Finding, effect: Finding, expected: bool
) -> None:
    """A host that was asked at its other address knows the digit, the mask or the gateway that was mistyped."""
    assert folded(cause, effect) is expected


UNHEARD = finding(HOST, "system.clock", "none-heard")


@pytest.mark.parametrize(("cause", "effect", "expected"), [
    (route("no-route"), UNHEARD, True), (route("wrong-gateway"), UNHEARD, True), (route("no-route", "IPv6"), UNHEARD, False),
    (route("no-route"), FOLLOWS_NONE, False), (UNHEARD, finding(HOST, "clock.synchronised", "unsynchronised"), True),
    (UNHEARD, QUIET, False),
])
def test_time_sources_that_are_not_heard_wait_for_the_way_to_them(
    folded: Callable[..., bool], cause: Finding, effect: Finding, expected: bool
) -> None:
    """Where all planned sources have IPv4 addresses elsewhere, their answers come by the default route."""
    there = (Endpoint(host="198.51.100.61", port=123, label="198.51.100.61"),)
    silent = SILENCE_6 if cause.subject == "IPv6" else SILENCE
    assert folded(cause, effect, silent, time_sources=there) is expected
    if cause.check == "system.route":
        assert not folded(cause, effect, silent), "on the host's own wire no route is needed"
        by_name = Endpoint(host="time2.obs.example.net", port=123, label="time2.obs.example.net")
        assert not folded(cause, effect, silent, time_sources=(*there, by_name))


def test_a_lost_way_out_is_no_excuse_where_answers_do_not_take_it(folded: Callable[..., bool]) -> None:
    """A runner on the host's own wire is answered without a gateway; and what answers another address gets out."""
    assert not folded(route("no-route"), SILENCE, on_link=True)
    assert not folded(route("no-route"), SILENCE, finding(HOST, "host.echo", grade=Grade.PASS, subject="192.0.2.12"))
    assert folded(address("missing"), SILENCE, on_link=True)


def test_another_hosts_key_explains_another_hosts_certificate(folded: Callable[..., bool]) -> None:
    """Addresses that were exchanged are one thing to mend, and no matter of certificates."""
    login = finding(HOST, "system.login", "another-hosts-key")
    assert folded(login, finding(HOST, "certificate.name", "another-hosts-name"))
    assert not folded(login, finding(HOST, "certificate.name", "other-name"))
    assert not folded(finding(HOST, "system.login", "changed-host-key"), finding(HOST, "certificate.name", "another-hosts-name"))


@pytest.mark.parametrize(("effect", "expected"), [
    (finding(HOST, "certificate.name", "another-hosts-name"), True), (finding(HOST, "certificate.name", "other-name"), False),
    (finding(HOST, "certificate.shared-key", "cloned"), True),
    (finding(HOST, "ssh.host-key", "other-machine", grade=Grade.CAUTION), True),
    (finding(OTHER, "certificate.shared-key", "cloned"), False),
])
def test_an_address_on_another_hosts_machine_explains_what_that_one_shows(
    folded: Callable[..., bool], effect: Finding, expected: bool
) -> None:
    """A key that was copied explains none of it: each copy is to be replaced."""
    assert folded(finding(HOST, "ssh.shared-key", "apart"), effect) is expected
    assert not folded(finding(HOST, "ssh.shared-key", "shared-key"), effect)


def test_a_full_name_made_of_a_wrong_host_name_is_told_once(folded: Callable[..., bool]) -> None:
    """One word was mistyped."""
    cause = finding(HOST, "system.name", "other-name", "doem-a", subject="host name")
    assert folded(cause, finding(HOST, "system.name", "other-name", "doem-a.obs.example.net", subject="full name"))
    assert not folded(cause, finding(HOST, "system.name", "other-name", "dome-a.osb.example.net", subject="full name"))


ONE_MACHINE = finding(HOST, "system.shared-identity", "one-machine", f"the same as on {OTHER}", subject="boot id")


@pytest.mark.parametrize(("effect", "expected"), [
    (finding(HOST, "system.shared-identity", "shared", subject="machine id"), True),
    (finding(HOST, "ssh.shared-key", "shared-key"), True),
    (finding(HOST, "system.address", "other-rows", subject="others", grade=Grade.CAUTION), True),
    (finding(HOST, "system.address", "unplanned", subject="others", grade=Grade.CAUTION), False),
    (finding(HOST, "system.route", "stray-route", subject="IPv6"), True),
    (finding(HOST, "system.route", "no-route", subject="IPv4"), False),
    (finding(HOST, "system.name", "other-name", "dome-b", subject="host name"), True),
    (finding(HOST, "system.name", "other-name", "doem-a", subject="host name"), False),
])
def test_two_rows_of_one_machine_are_told_once(folded: Callable[..., bool], effect: Finding, expected: bool) -> None:
    """What both rows share, or have too much, is mended in the plan and not at the machine."""
    assert folded(ONE_MACHINE, effect) is expected


def test_the_second_row_of_one_machine_explains_its_own_too(make_plan: Callable[..., Plan]) -> None:
    """Its boot is told with the first row's, and stays what the rest of it comes from."""
    told = msgspec.structs.replace(ONE_MACHINE, because=("the first row's",))
    evidence = Evidence(vantage=Vantage(name="runner"), started="", finished="", complete=True, site=SiteEvidence(), hosts=())
    shared = finding(HOST, "system.shared-identity", "shared", subject="machine id")
    assert [one.because for one in explain(make_plan(), evidence, [told, shared])] == [told.because, (told.ref,)]
