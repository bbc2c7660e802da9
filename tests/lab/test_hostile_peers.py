"""Peers that misbehave: what they do is evidence of its own kind, nobody else suffers, and nothing of theirs gets through."""

from __future__ import annotations

import pytest

from labkit.runs import Run
from labkit.site import Site
from labkit.tidewater import HOSTILE, HOSTILE_SERVERS, PRIMARY, SECONDARY, SOUND, TRUE_SOURCES, plan

pytestmark = [pytest.mark.lab, pytest.mark.timeout(180)]

_TIMEOUT = ("--timeout", "2")
_NAME_SERVERS = {kind: address for kind, address, _port in HOSTILE_SERVERS if kind.startswith("names-")}
_TIME_SERVERS = {kind: address for kind, address, _port in HOSTILE_SERVERS if kind.startswith("time-")}


@pytest.fixture(scope="module")
def hosts_run(tide: Site) -> Run:
    """Sound and hostile hosts beside each other, with sound servers."""
    return tide.verify(plan((*SOUND, *HOSTILE)), *_TIMEOUT)


@pytest.fixture(scope="module")
def servers_run(tide: Site) -> Run:
    """Sound hosts, with hostile name servers and time sources beside sound ones."""
    return tide.verify(plan(SOUND, name_servers=(PRIMARY, SECONDARY, *_NAME_SERVERS.values()),
                            time_sources=(*TRUE_SOURCES, *_TIME_SERVERS.values())), *_TIMEOUT)


def test_hostile_hosts_cost_the_others_nothing(hosts_run: Run) -> None:
    """Every sound host is ready, the site too, and the run ends about one time-out after a sound one."""
    for owner in ("site", *(machine.name for machine in SOUND)):
        assert hosts_run.troubles(owner) == {}
    assert {hosts_run.host(machine.name)["verdict"] for machine in SOUND} == {"ready"}
    assert hosts_run.seconds < 12
    assert hosts_run.stderr == ""


@pytest.mark.parametrize(("name", "kinds"), [
    ("reef-a", {"malformed"}),
    ("reef-b", {"reset"}),
    ("reef-g", {"no-answer"}),
    ("reef-h", {"malformed"}),
])
def test_a_port_without_a_handshake_is_evidence_of_its_kind(hosts_run: Run, name: str, kinds: set[str]) -> None:
    """Plain text, a reset, silence, a flood: no certificate, and the reason is kept."""
    (tls,) = hosts_run.host(name)["evidence"]["tls"]
    assert tls["chain"] == []
    assert tls["failure"]["kind"] in kinds, tls["failure"]
    grades = {check: hosts_run.finding(name, f"certificate.{check}", "443/tcp")["grade"]
              for check in ("protocol", "trust", "name", "dates", "key", "signature", "shared-key")}
    assert grades.pop("protocol") in ("fail", "unproven")
    assert set(grades.values()) == {"unproven"}
    assert hosts_run.finding(name, "port.open", "443/tcp")["grade"] == "pass"


def test_a_certificate_that_is_no_der_is_seen_and_fails(hosts_run: Run) -> None:
    """No handshake comes about; what the server shows in the clear is kept, and no client can read it."""
    (tls,) = hosts_run.host("reef-c")["evidence"]["tls"]
    assert (tls["failure"]["kind"], tls["clear_hello"]) == ("malformed", "TLS 1.2")
    assert [bool(link["parse_error"]) for link in tls["chain"]] == [True]
    grades = {check: hosts_run.finding("reef-c", f"certificate.{check}", "443/tcp")["grade"]
              for check in ("protocol", "trust", "name", "dates", "key", "signature", "shared-key")}
    assert grades.pop("trust") == "fail"
    assert set(grades.values()) == {"unproven"}


@pytest.mark.parametrize(("name", "shown"), [("reef-a", "HTTP/1.1 400 Bad Request"), ("reef-h", "SSH-2.0-AAAA")])
def test_a_tls_port_that_speaks_something_else_is_told_what(hosts_run: Run, name: str, shown: str) -> None:
    """A fail with the peer's own first words, and everything behind it folded under it."""
    finding = hosts_run.finding(name, "certificate.protocol", "443/tcp")
    assert finding["grade"] == "fail"
    assert shown in finding["message"]
    assert hosts_run.troubles(name, explained=False) == {("certificate.protocol", "443/tcp"): "fail"}


@pytest.mark.parametrize(("name", "words"), [
    ("reef-d", "does not speak SSH"), ("reef-e", "does not speak SSH"), ("reef-f", "says nothing")])
def test_a_flood_or_silence_in_the_place_of_a_banner_is_one_fault(hosts_run: Run, name: str, words: str) -> None:
    """A megabyte without a line end, a megabyte of lines, and not a word: one fail each, the rest folded under it."""
    assert hosts_run.troubles(name, explained=False) == {("ssh.identity", "22/tcp"): "fail"}
    assert words in hosts_run.finding(name, "ssh.identity")["message"]


def test_of_a_flood_only_a_little_is_kept(hosts_run: Run) -> None:
    """A megabyte came; the whole report of the host stays below what its sound neighbour's weighs, times two."""
    for name in ("reef-d", "reef-e", "reef-h"):
        evidence = hosts_run.host(name)["evidence"]
        texts = [text for seen in (*evidence["ssh"], *evidence["tls"]) for text in _texts(seen)]
        assert max(map(len, texts)) <= 1024
        assert sum(map(len, texts)) < 50_000


def _texts(value: object) -> list[str]:
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict):
        value = list(value.values())
    return [text for part in value for text in _texts(part)] if isinstance(value, list) else []


def test_no_control_character_of_a_host_reaches_the_terminal_or_the_page(hosts_run: Run) -> None:
    """The flood begins with an escape sequence and holds markup: both are shown as what they are."""
    (page,) = hosts_run.output.glob("*.html")
    text = page.read_text(encoding="utf-8")
    for shown in (hosts_run.stdout, text):
        assert "\x1b" not in shown
    assert "<b>dome</b>" not in text
    assert "&lt;b&gt;dome&lt;/b&gt;" in text


@pytest.mark.parametrize(("name", "kind", "code", "words"), [
    ("reef-i", "mismatched", "", "belong to no question"), ("reef-j", None, "DENY", "DENY")])
def test_a_time_service_that_lies_gives_no_offset(hosts_run: Run, name: str, kind: str | None, code: str, words: str) -> None:
    """A wrong originate stamp and a kiss of death compute to offsets near zero; neither is taken for one."""
    (clock,) = hosts_run.host(name)["evidence"]["clocks"]
    assert clock["samples"] == []
    assert (clock["failure"] and clock["failure"]["kind"], clock["kiss_code"]) == (kind, code)
    address = hosts_run.host(name)["address"]
    assert hosts_run.troubles(name, explained=False) == {("clock.synchronised", address): "fail"}
    assert words in hosts_run.finding(name, "clock.synchronised")["message"]
    assert hosts_run.finding(name, "clock.offset")["measured"] is None


def test_hostile_servers_do_not_touch_what_sound_ones_say(servers_run: Run) -> None:
    """Every finding of a sound host that waits on no hostile server passes; not one of them fails."""
    hostile = (*_NAME_SERVERS.values(), *_TIME_SERVERS.values())
    for machine in SOUND:
        findings = servers_run.host(machine.name)["findings"]
        assert {one["ref"] for one in findings if one["grade"] == "fail"} == set()
        assert servers_run.troubles(machine.name, explained=False) == {}
        unproven = [one for one in findings if one["grade"] == "unproven"]
        assert {one["check"] for one in unproven} <= {
            "name.forward", "name.reverse", "name.alias", "name.agreement", "name.servers-agree"}
        for one in unproven:
            assert any(address in one["subject"] or address in one["message"] for address in hostile)


@pytest.mark.parametrize("kind", ["time-wrong-origin", "time-kiss", "time-garbage"])
def test_a_hostile_time_source_fails_and_has_no_vote(servers_run: Run, kind: str) -> None:
    """The four sound sources agree without it, and the runner is judged by them."""
    assert servers_run.finding("site", "clock.source", _TIME_SERVERS[kind])["grade"] == "fail"
    assert servers_run.finding("site", "clock.sources-agree", "time sources")["grade"] == "pass"
    assert servers_run.finding("site", "clock.runner")["grade"] == "pass"


def test_a_kiss_code_is_named(servers_run: Run) -> None:
    """DENY is not silence."""
    assert "DENY" in servers_run.finding("site", "clock.source", _TIME_SERVERS["time-kiss"])["message"]


@pytest.mark.parametrize(("kind", "failures"), [
    ("names-garbage", {"mismatched", "malformed"}),
    ("names-other-id", {"mismatched"}),
    ("names-other-question", {"mismatched"}),
    ("names-endless-name", {"malformed"}),
])
def test_a_name_server_that_answers_nonsense_has_said_nothing(servers_run: Run, kind: str, failures: set[str]) -> None:
    """Garbage, another id, another question, a name without end: no answer is taken from it, over UDP, and none is a yes."""
    address = _NAME_SERVERS[kind]
    answers = [answer for host in servers_run.report["hosts"] for answer in host["evidence"]["names"]
               if answer["server"] == address]
    assert len(answers) >= 9
    assert {answer["failure"]["kind"] for answer in answers if answer["transport"] == "udp"} <= failures
    assert all(answer["failure"] is not None for answer in answers)
    assert not any("192.0.2.99" in str(answer["answers"]) for answer in answers)
    assert servers_run.finding("site", "name.server", address)["grade"] == "fail"
    for machine in SOUND:
        assert servers_run.finding(machine.name, "name.forward", f"{address} A")["grade"] == "unproven"
