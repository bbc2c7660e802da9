"""``plan.host-name``, ``plan.suffix``, ``plan.name-servers``, ``plan.time-sources`` and ``plan.waiver``."""

from __future__ import annotations

import csv
import datetime
from pathlib import Path

import pytest

from shared.findings import Grade
from shared.hostnames import name_fault
from shared.plan import Endpoint, LeftOut, Place, Waiver

_NAMES = Path(__file__).parents[2] / "vectors" / "host_names.csv"


def _published() -> list[dict[str, str]]:
    with _NAMES.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def test_the_published_names_are_there():
    """So that the test below cannot pass on nothing."""
    legal = [row["legal"] for row in _published()]
    assert (legal.count("yes"), legal.count("no")) == (9, 14)


@pytest.mark.parametrize("row", _published(), ids=lambda row: row["name"][:30])
def test_host_names_are_judged_as_published(make_plan, look, host, row):
    """RFC 952, 1035, 1123, 1912, 5891 and the JSON Schema suite: legal passes or is a caution, illegal fails and stops."""
    seen = look(make_plan(hosts=(host(name=row["name"]),)))
    if row["legal"] == "yes":
        assert seen.of("plan.host-name", Grade.FAIL) == [], row["source"]
        assert len(seen.of("plan.host-name")) == 1
    else:
        finding = seen.the("plan.host-name", Grade.FAIL)
        assert finding.ref in seen.lint.stops
        assert name_fault(finding.fix[0].split('"')[1]) is None


@pytest.mark.parametrize("name", ["DOME-A", "Dome-C", "observatory-dome-controller-17", "a", "x" * 63, "3com", "dome-c."])
def test_no_false_alarm_over_case_or_length(make_plan, look, host, name):
    """Names are the same in any case, and sixteen letters and more are legal."""
    assert look(make_plan(hosts=(host(name=name),))).the("plan.host-name", Grade.PASS)


@pytest.mark.parametrize(("name", "says", "fix"), [
    ("dome_c", "an underscore", 'name = "dome-c"'),
    ("dome c", "a space", 'name = "dome-c"'),
    ("-dome", "begins or ends with a hyphen", 'name = "dome"'),
    ("dome-", "begins or ends with a hyphen", 'name = "dome"'),
    ("x" * 64, "63 is the most", f'name = "{"x" * 63}"'),
    ("ab--cd", "third and fourth place", 'name = "ab-cd"'),
    ("192.0.2.13", "all digits", 'name = "host-192-0-2-13"'),
    ("", "empty", 'name = "host"'),
    ("___", "an underscore", 'name = "host"'),
])
def test_an_illegal_name_is_mended(make_plan, look, host, name, says, fix):
    """The nearest legal name, ready to type."""
    finding = look(make_plan(hosts=(host(name=name),))).the("plan.host-name", Grade.FAIL)
    assert says in finding.message
    assert finding.fix == (fix,)


@pytest.mark.parametrize(("length", "grade"), [(253, Grade.PASS), (254, Grade.FAIL)])
def test_the_whole_name_has_253_characters_at_most(make_plan, look, host, length, grade):
    """RFC 1035 section 2.3.4, at the bound and one above."""
    labels = ".".join(["x" * 61] * 4)
    name = labels + "." + "y" * (length - len(labels) - 1)
    assert len(name) == length
    assert look(make_plan(hosts=(host(name=name),))).the("plan.host-name", grade)


@pytest.mark.parametrize("name", ["411", "1776", "0x1f", "0xe", "0"])
def test_names_that_read_as_numbers_are_cautions(make_plan, look, host, name):
    """Legal by RFC 1123, and read as an address by many programs (RFC 1912 section 2.1)."""
    assert look(make_plan(hosts=(host(name=name),))).the("plan.host-name", Grade.CAUTION)


@pytest.mark.parametrize("name", ["localhost", "LOCALHOST", "localhost.obs.example.net"])
def test_localhost_is_no_host_s_name(make_plan, look, host, name):
    """What an installer leaves behind."""
    assert look(make_plan(hosts=(host(name=name),))).the("plan.host-name", Grade.FAIL)


@pytest.mark.parametrize(("domain", "grade", "says"), [
    ("obs.example.net", Grade.PASS, "can serve"),
    ("OBS.EXAMPLE.NET.", Grade.PASS, "can serve"),
    ("site.home.arpa", Grade.PASS, "can serve"),
    ("local", Grade.CAUTION, "multicast"),
    ("tide.local", Grade.CAUTION, "multicast"),
    ("tide.LOCAL.", Grade.CAUTION, "multicast"),
    ("notlocal", Grade.PASS, "can serve"),
    ("tide.alt", Grade.FAIL, "not DNS names"),
    ("tide_water.example", Grade.FAIL, "underscore"),
    ("192.0.2", Grade.FAIL, "all digits"),
    ("", Grade.FAIL, "empty"),
])
def test_the_domain(make_plan, look, domain, grade, says):
    """RFC 6762 section 3 for local., RFC 9476 for alt., and the syntax of any name."""
    seen = look(make_plan(domain=domain, hosts=()))
    assert says in seen.the("plan.suffix", grade).message


@pytest.mark.parametrize("domain", ["alt", "tide.alt", "tide_water.alt"])
def test_a_domain_under_alt_is_mended_by_another_zone(make_plan, look, domain):
    """No spelling of it is one that name servers can serve (RFC 9476 section 2)."""
    assert look(make_plan(domain=domain, hosts=())).the("plan.suffix", Grade.FAIL).fix == (
        "rename the zone while that is still possible: a subdomain of a domain you own, or home.arpa",)


def test_an_unusable_domain_is_one_finding_and_stops(make_plan, look, host):
    """Not an illegal name for every host below it."""
    row = host(fqdn="dome-c.tide_water.example")
    seen = look(make_plan(domain="tide_water.example", hosts=(row,)))
    assert seen.lint.stops == (seen.the("plan.suffix", Grade.FAIL).ref,)
    assert seen.the("plan.host-name", Grade.PASS)
    assert seen.the("plan.suffix", Grade.FAIL).fix == ('domain = "tide-water.example"',)


def test_a_name_outside_the_domain_is_a_caution(make_plan, look, host):
    """It may be meant; then it is waived."""
    finding = look(make_plan(hosts=(host(name="dome-c.lab.example.net"),))).the("plan.suffix", Grade.CAUTION)
    assert "lies outside the plan's domain obs.example.net" in finding.message
    assert finding.fix[0] == 'name = "dome-c"'


def test_a_name_that_only_ends_like_the_domain_is_outside(make_plan, look, host):
    """xobs.example.net is another domain."""
    assert look(make_plan(hosts=(host(name="dome-c.xobs.example.net"),))).the("plan.suffix", Grade.CAUTION)


def _servers(*hosts: str, port: int = 53) -> tuple[Endpoint, ...]:
    return tuple(Endpoint(host, port, host) for host in hosts)


@pytest.mark.parametrize(("count", "grade"), [
    (0, Grade.FAIL), (1, Grade.CAUTION), (2, Grade.PASS), (3, Grade.PASS), (4, Grade.CAUTION), (5, Grade.CAUTION)])
def test_how_many_name_servers(make_plan, look, count, grade):
    """At least two (RFC 2182 section 5); the common resolver reads three."""
    seen = look(make_plan(name_servers=_servers(*(f"192.0.2.{53 + index}" for index in range(count)))))
    assert next(found for found in seen.of("plan.name-servers") if found.subject == "name servers").grade is grade


@pytest.mark.parametrize(("count", "grade"), [
    (0, Grade.FAIL), (1, Grade.CAUTION), (2, Grade.CAUTION), (3, Grade.CAUTION), (4, Grade.PASS), (7, Grade.PASS)])
def test_how_many_time_sources(make_plan, look, count, grade):
    """Four (RFC 8633 section 3.2); fewer is a caution that a site may accept, none is a fail."""
    seen = look(make_plan(time_sources=_servers(*(f"192.0.2.{61 + index}" for index in range(count)), port=123)))
    assert next(found for found in seen.of("plan.time-sources") if found.subject == "time sources").grade is grade
    assert seen.lint.stops == ()


def test_the_mend_keeps_what_is_there(make_plan, look):
    """The first three name servers of four; the three sources and one more."""
    seen = look(make_plan(name_servers=_servers("192.0.2.53", "192.0.2.54", "192.0.2.55", "192.0.2.56"),
                          time_sources=_servers("192.0.2.61", "192.0.2.62", "192.0.2.63", port=123)))
    assert seen.the("plan.name-servers", Grade.CAUTION).fix == ('servers = ["192.0.2.53", "192.0.2.54", "192.0.2.55"]',)
    assert "never asks 192.0.2.56" in seen.the("plan.name-servers", Grade.CAUTION).message
    assert seen.the("plan.time-sources", Grade.CAUTION).fix[0] == (
        'sources = ["192.0.2.61", "192.0.2.62", "192.0.2.63", "ANOTHER SOURCE"]')


def test_a_server_listed_twice_counts_once(make_plan, look):
    """In whatever spelling; the list is one server long."""
    seen = look(make_plan(name_servers=(*_servers("2001:db8::53"), *_servers("2001:DB8:0::53"))))
    assert {finding.subject for finding in seen.of("plan.name-servers", Grade.CAUTION)} == {
        "name servers", "2001:DB8:0::53 again"}


def test_one_address_with_two_ports_is_two_servers(make_plan, look):
    """As in a laboratory on the loopback range."""
    servers = (Endpoint("127.0.0.1", 5301, "127.0.0.1:5301"), Endpoint("127.0.0.1", 5302, "127.0.0.1:5302"))
    assert look(make_plan(name_servers=servers)).wrong == []


@pytest.mark.parametrize(("hosts", "stops"), [((), True), (("ns1.obs.example.net",), True), (("192.0.2",), True),
                                              (("ns1.obs.example.net", "192.0.2.53"), False)])
def test_without_a_readable_name_server_probing_stops(make_plan, look, hosts, stops):
    """Names cannot be asked for; one readable server is enough to go on."""
    seen = look(make_plan(name_servers=_servers(*hosts)))
    assert seen.of("plan.name-servers", Grade.FAIL)
    assert bool(seen.lint.stops) is stops


def test_where_names_are_left_out_no_name_server_is_needed(make_plan, look):
    """It is still said, and does not stop; unless a time source must be looked up by name."""
    plan = make_plan(name_servers=(), left_out=(LeftOut(check="name.*", reason="no name servers before phase 2"),))
    assert look(plan).the("plan.name-servers", Grade.FAIL)
    named = make_plan(name_servers=(), left_out=plan.left_out, time_sources=_servers("time1.obs.example.net", port=123))
    assert look(named).lint.stops == (look(named).the("plan.name-servers", Grade.FAIL).ref,)


@pytest.mark.parametrize(("server", "says"), [
    ("192.0.2.255", "is the broadcast address"), ("192.0.2.0", "is the network address"), ("224.0.1.1", "multicast"),
    ("169.254.1.1", "link-local"), ("0.0.0.0", '"this network"'), ("time_1.obs.example.net", "underscore"),
    ("192.0.2.500", "all digits"), ("", "the name is empty")])
def test_where_no_server_can_be(make_plan, look, server, says):
    """An address that is no host's, or a name that is none."""
    seen = look(make_plan(time_sources=(*make_plan().time_sources, *_servers(server, port=123))))
    assert says in seen.the("plan.time-sources", Grade.FAIL).message


def test_a_loopback_server_is_the_runner_itself(make_plan, look):
    """In a live plan it fails; in a rehearsal it is what one expects."""
    servers = _servers("127.0.0.53", "127.0.0.54")
    live = look(make_plan(domain="obs.home.arpa", name_servers=servers))
    assert len(live.of("plan.name-servers", Grade.FAIL)) == 2
    assert look(make_plan(name_servers=servers)).of("plan.name-servers", Grade.FAIL) == []


def test_a_time_source_may_have_a_name(make_plan, look):
    """It is looked up through the planned name servers."""
    seen = look(make_plan(time_sources=(*make_plan().time_sources[:3], *_servers("time4.obs.example.net", port=123))))
    assert seen.wrong == []


def _waiver(**fields: str) -> Waiver:
    base = {"check": "plan.time-sources", "host": "site", "reason": "two receivers on site", "until": "2027-06-30"}
    return Waiver(**(base | fields), place=Place("tidewater.toml", 50))


@pytest.mark.parametrize(("days", "grade"), [
    (-400, Grade.CAUTION), (-1, Grade.CAUTION), (0, Grade.CAUTION), (1, Grade.CAUTION), (14, Grade.CAUTION), (15, Grade.PASS)])
def test_waivers_end(make_plan, look, days, grade):
    """The last day still counts; two weeks before it the plan says so."""
    until = (datetime.date(2026, 11, 25) + datetime.timedelta(days=days)).isoformat()
    assert look(make_plan(waivers=(_waiver(until=until),))).the("plan.waiver", grade)


def test_an_expired_waiver_says_that_it_accepts_nothing(make_plan, look):
    """So that nobody wonders why the fail is back."""
    finding = look(make_plan(waivers=(_waiver(until="2026-11-24"),))).the("plan.waiver", Grade.CAUTION)
    assert "ended on 2026-11-24 and accepts nothing any more" in finding.message
    assert finding.message.startswith("tidewater.toml:50: ")


@pytest.mark.parametrize(("fields", "grade", "says"), [
    ({"until": "next spring"}, Grade.FAIL, "no day"),
    ({"until": ""}, Grade.FAIL, "no day"),
    ({"check": "plan.time-source"}, Grade.CAUTION, 'there is no check "plan.time-source"'),
    ({"check": "time.*"}, Grade.CAUTION, "there is no check"),
    ({"host": "dome-x"}, Grade.CAUTION, "no such host"),
    ({"host": "dome-*"}, Grade.PASS, "in force"),
    ({"host": "DOME-A"}, Grade.PASS, "in force"),
    ({"host": "dome-a.obs.example.net"}, Grade.PASS, "in force"),
    ({"host": "*"}, Grade.PASS, "in force"),
    ({"host": "site"}, Grade.PASS, "in force"),
    ({"check": "plan.*"}, Grade.PASS, "in force"),
])
def test_waivers_are_about_something(make_plan, look, fields, grade, says):
    """A waiver that can match nothing is a spelling mistake."""
    assert says in look(make_plan(waivers=(_waiver(**fields),))).the("plan.waiver", grade).message


def test_a_misspelled_waiver_is_mended(make_plan, look):
    """The nearest check or host is offered."""
    assert look(make_plan(waivers=(_waiver(check="plan.gatway"),))).the("plan.waiver", Grade.CAUTION).fix == (
        'check = "plan.gateway"',)
    assert look(make_plan(waivers=(_waiver(host="dmoe-a"),))).the("plan.waiver", Grade.CAUTION).fix == ('host = "dome-a"',)


@pytest.mark.parametrize(("check", "grade"), [("plan.mtu", Grade.PASS), ("plan.*", Grade.PASS), ("plan.mut", Grade.CAUTION)])
def test_a_check_left_out_exists(make_plan, look, check, grade):
    """Leaving out what does not exist leaves out nothing."""
    assert look(make_plan(left_out=(LeftOut(check=check, reason="not ours"),))).the("plan.waiver", grade)
