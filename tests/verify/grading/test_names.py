"""What the name graders conclude: one fault, one finding, the lines that mend it, and no alarm for what is sound."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import dns.name
import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.pasting import HOSTILE_WORDS, escapes
from shared import catalogue
from shared.evidence import Evidence, Failure, FailureKind, HostEvidence, NameAnswer, NameRecord, SiteEvidence, Vantage
from shared.findings import SITE, Finding, Grade
from shared.hostnames import reverse_name
from shared.plan import Endpoint, Host, Network, Plan
from verify.asking import names as asking
from verify.grading import names
from verify.grading.case import Case

ONE, TWO, THREE = "192.0.2.53", "192.0.2.54", "192.0.2.55"
ZONE, REVERSE = "obs.example.net", "2.0.192.in-addr.arpa"
NAME, ADDRESS = "dome-a.obs.example.net", "192.0.2.11"
SIBLING = f"zq7f3k.{ZONE}"
SILENT = Failure(kind=FailureKind.NO_ANSWER, phase="answer", elapsed_seconds=6.0, detail="no answer in time")

Key = tuple[str, str, str]
MakePlan = Callable[..., Plan]


def soa(zone: str, serial: int = 2026112501, ttl: int = 3600, minimum: int = 3600) -> NameRecord:
    return NameRecord(zone, "SOA", ttl, f"ns1.{ZONE}. hostmaster.{ZONE}. {serial} 7200 900 1209600 {minimum}")


def record(owner: str, rrtype: str, value: str) -> NameRecord:
    return NameRecord(owner, rrtype, 3600, value)


def answer(server: str, name: str, rrtype: str, *records: NameRecord, purpose: str = "forward", **how: Any) -> NameAnswer:
    """An authoritative answer with these records; without any, a NODATA with the zone's start of authority."""
    zone = REVERSE if name.endswith("arpa") else ZONE
    blank = NameAnswer(server=server, name=name, rrtype=rrtype, purpose=purpose, transport="udp", at="2026-11-25T09:00:00Z",
                       elapsed_seconds=0.002, rcode="NOERROR", authoritative=True, answers=records,
                       authority=() if records else (soa(zone),))
    return msgspec.structs.replace(blank, **how)


def lost(server: str, name: str, rrtype: str, failure: Failure = SILENT, **how: Any) -> NameAnswer:
    """No answer at all."""
    return answer(server, name, rrtype, rcode="", authoritative=False, authority=(), failure=failure, **how)


def error(server: str, name: str, rrtype: str, rcode: str, **how: Any) -> NameAnswer:
    """An answer with an error and nothing else."""
    return answer(server, name, rrtype, rcode=rcode, authoritative=False, authority=(), **how)


def no_name(server: str, name: str, rrtype: str, **how: Any) -> NameAnswer:
    return answer(server, name, rrtype, rcode="NXDOMAIN", **how)


class World:
    """Sound answers of every planned server about the site and dome-a, to be spoiled one by one."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.site: dict[tuple[str, str, str], NameAnswer] = {}
        self.host: dict[Key, NameAnswer] = {}
        self.planned: Host = plan.hosts[0]
        for server in (endpoint.label for endpoint in plan.name_servers):
            self.put_site(answer(server, ZONE, "SOA", soa(ZONE), purpose="server"))
            self.put_site(answer(server, ZONE, "SOA", soa(ZONE), purpose="server", transport="tcp"))
            self.put_site(answer(server, REVERSE, "SOA", soa(REVERSE), purpose="zone"))
            self.put_site(*(no_name(server, SIBLING, rrtype, purpose="wildcard") for rrtype in ("A", "AAAA")))
            self.put(answer(server, NAME, "A", record(NAME, "A", ADDRESS)))
            self.put(answer(server, NAME, "AAAA"))
            self.put(answer(server, reverse_name(ADDRESS), "PTR", record(reverse_name(ADDRESS), "PTR", f"{NAME}.")))

    def put_site(self, *answers: NameAnswer) -> World:
        for one in answers:
            # As the graders tell them apart: over TCP without truncation was asked over TCP.
            asked = "tcp" if one.transport == "tcp" and not one.truncated else "udp"
            self.site[(one.server, f"{one.name} {one.rrtype}", asked)] = one
        return self

    def put(self, *answers: NameAnswer) -> World:
        for one in answers:
            self.host[(one.server, one.name, one.rrtype)] = one
        return self

    def case(self) -> Case:
        seen = HostEvidence(fqdn=NAME, names=tuple(self.host.values()))
        evidence = Evidence(vantage=Vantage(name="bench"), started="", finished="", complete=True,
                            site=SiteEvidence(names=tuple(self.site.values())), hosts=(seen,))
        return Case(plan=self.plan, limits=catalogue.limits_of("production"), evidence=evidence)

    def findings(self) -> dict[str, Finding]:
        """Every finding of the site and of dome-a by "check subject"; refs must be unique."""
        case = self.case()
        found = [*names.grade_site(case), *names.grade_host(case, self.planned, case.evidence.hosts[0])]
        assert len({finding.ref for finding in found}) == len(found), "a ref names one finding"
        for finding in found:
            assert_well_formed(finding)
        return {f"{finding.check} {finding.subject}": finding for finding in found}

    def grades(self) -> dict[str, tuple[Grade, str]]:
        """The findings that are no pass: grade and symptom."""
        return {key: (finding.grade, finding.symptom) for key, finding in self.findings().items()
                if finding.grade is not Grade.PASS}


def assert_well_formed(finding: Finding) -> None:
    """What every finding owes its reader."""
    assert finding.planned
    assert finding.found
    assert finding.message.endswith((".", "s"))
    assert finding.basis
    assert bool(finding.fix) == (finding.grade in (Grade.CAUTION, Grade.FAIL)), finding
    assert all(finding.fix)
    assert bool(finding.symptom) == (finding.grade is not Grade.PASS) or finding.measured
    assert finding.ref.startswith((f"{SITE}|", f"{NAME}|"))


@pytest.fixture
def world(make_plan: MakePlan) -> World:
    return World(make_plan())


FAIL, CAUTION, UNPROVEN = Grade.FAIL, Grade.CAUTION, Grade.UNPROVEN


def test_a_sound_site_has_no_fault(world: World) -> None:
    """Every check of the family is there, and all of them pass."""
    findings = world.findings()
    assert {finding.grade for finding in findings.values()} == {Grade.PASS}
    assert {finding.check for finding in findings.values()} == {name for name in catalogue.CHECKS if name.startswith("name.")}
    assert len(findings) == 2 * (1 + 1 + 1) + 2 + 2 * (2 + 1 + 1) + 1 + 1


def test_the_questions_asked_are_the_answers_graded(world: World) -> None:
    """What the itinerary asks is what a sound world answers: neither side has a question the other does not know."""
    asked = {(question.server.label, question.name, question.rrtype, question.transport, question.purpose)
             for question in (*asking.site_questions(world.plan, "zq7f3k"), *asking.host_questions(world.plan, world.planned))
             if question.purpose != "sshfp"}  # read by the graders of ssh
    given_ = {(one.server, one.name, one.rrtype, one.transport, one.purpose) for one in world.site.values()}
    given_ |= {(one.server, one.name, one.rrtype, one.transport, "reverse" if one.rrtype == "PTR" else one.purpose)
               for one in world.host.values()}
    assert asked == given_


def test_case_and_final_dots_are_no_difference(world: World) -> None:
    """RFC 4343; RFC 1035 section 2.3.1."""
    world.put(answer(ONE, NAME, "A", record(NAME.upper(), "A", ADDRESS)),
              answer(ONE, reverse_name(ADDRESS), "PTR", record(reverse_name(ADDRESS).upper(), "PTR", f"{NAME.upper()}.")))
    assert world.grades() == {}


def test_a_resolver_is_as_good_as_an_authoritative_server(world: World) -> None:
    """The planned servers may be resolvers: no AA, but RA."""
    for table in (world.site, world.host):
        for key, one in table.items():
            table[key] = msgspec.structs.replace(one, authoritative=False, recursion_available=True)
    assert world.grades() == {}


def test_a_classless_pointer_is_sound(world: World) -> None:
    """RFC 2317: the alias in the reverse tree is the way to the pointer, not a fault."""
    owner, behind = reverse_name(ADDRESS), f"11.0-25.{REVERSE}"
    world.put(*(answer(server, owner, "PTR", record(owner, "CNAME", f"{behind}."), record(behind, "PTR", f"{NAME}."))
                for server in (ONE, TWO)))
    assert world.grades() == {}


# --- name.server


def server_answers(*transports: str, **how: Any) -> Callable[[World], World]:
    """Changes what the first server said to the start-of-authority question over these transports."""
    return lambda world: world.put_site(
        *(msgspec.structs.replace(world.site[(ONE, f"{ZONE} SOA", transport)], **how) for transport in transports))


def every_answer(seconds: float, **change: Any) -> Callable[[World], World]:
    """The first server takes so long for each answer over UDP."""
    def spoil(world: World) -> World:
        for told in (world.site, world.host):
            for key, one in list(told.items()):  # type: ignore[attr-defined]
                if one.server == ONE and one.transport == "udp":
                    told[key] = msgspec.structs.replace(one, elapsed_seconds=seconds, **change)
        return world

    return spoil


both, udp_alone, tcp_alone = (partial(server_answers, *transports) for transports in (("udp", "tcp"), ("udp",), ("tcp",)))


NOTHING = {"rcode": "", "answers": (), "authority": (), "authoritative": False}


def failing(kind: FailureKind) -> dict[str, object]:
    return {**NOTHING, "failure": msgspec.structs.replace(SILENT, kind=kind)}


@pytest.mark.parametrize(("spoil", "grade", "symptom"), [
    (both(**failing(FailureKind.NO_ANSWER)), FAIL, "silent"),
    (both(**failing(FailureKind.REFUSED)), FAIL, "silent"),
    (both(**failing(FailureKind.UNREACHABLE)), FAIL, "silent"),
    (both(**failing(FailureKind.MISMATCHED)), FAIL, "silent"),
    (both(**failing(FailureKind.NO_ROUTE)), UNPROVEN, "untried"),
    (both(**failing(FailureKind.INTERRUPTED)), UNPROVEN, "untried"),
    (udp_alone(**failing(FailureKind.NO_ANSWER)), FAIL, "drops"),
    (udp_alone(**failing(FailureKind.REFUSED)), FAIL, "no-udp"),
    (tcp_alone(**failing(FailureKind.NO_ANSWER)), CAUTION, "no-tcp"),
    (tcp_alone(**failing(FailureKind.REFUSED)), CAUTION, "no-tcp"),
    (tcp_alone(**failing(FailureKind.LOCAL_LIMIT)), UNPROVEN, "no-tcp"),
    (both(**{**failing(FailureKind.MALFORMED), "rcode": "NOERROR"}), FAIL, "unreadable"),
    (both(**{**NOTHING, "rcode": "SERVFAIL"}), FAIL, "server-failure"),
    (both(**{**NOTHING, "rcode": "REFUSED"}), FAIL, "refuses"),
    (both(**{**NOTHING, "rcode": "NOTAUTH"}), FAIL, "refuses"),
    (both(**{**NOTHING, "rcode": "13"}), FAIL, "error"),
    (both(**{**NOTHING, "rcode": "NOERROR", "authority": (record("example.net", "NS", "a.example."),)}), FAIL, "lame"),
    (both(answers=(), rcode="NXDOMAIN", authority=(soa("example.net"),)), FAIL, "no-name"),
    (udp_alone(tries=2, elapsed_seconds=2.01), CAUTION, "lossy"),
    (every_answer(0.101), CAUTION, "slow"),
    (every_answer(1.001), FAIL, "slow"),
])
def test_a_bad_server_is_told_by_kind(world: World, spoil: Callable[[World], World], grade: Grade, symptom: str) -> None:
    """Silent, half deaf, not loaded, not allowed, not its zone, slow: different faults with different mends."""
    findings = spoil(world).findings()
    assert (findings[f"name.server {ONE}"].grade, findings[f"name.server {ONE}"].symptom) == (grade, symptom)
    assert findings[f"name.server {TWO}"].grade is Grade.PASS


def test_a_server_failure_may_be_a_failed_validation(world: World) -> None:
    """RFC 4035 section 5.5: the sentence leaves it open, and the line with +cd tells."""
    both(**{**NOTHING, "rcode": "SERVFAIL"})(world)
    finding = world.findings()[f"name.server {ONE}"]
    assert "validate" in finding.message
    assert finding.fix[1].startswith(f"try: dig +cd @{ONE} -p 53 {ZONE}. SOA")


@pytest.mark.parametrize(("seconds", "grade"), [
    (0.0999, Grade.PASS), (0.1, Grade.PASS), (0.1001, CAUTION), (0.9999, CAUTION), (1.0, CAUTION), (1.0001, FAIL)])
def test_answer_time_at_its_limits(world: World, seconds: float, grade: Grade) -> None:
    """Equal is still inside; the production profile says 100 ms and 1 s."""
    finding = every_answer(seconds)(world).findings()[f"name.server {ONE}"]
    assert finding.grade is grade
    assert finding.limits is not None
    assert finding.limits.name == "name_answer_time"


REFUSED = msgspec.structs.replace(SILENT, kind=FailureKind.REFUSED, phase="connect", detail="Connection refused")


def cut(server: str, name: str, rrtype: str, kind: FailureKind = FailureKind.REFUSED) -> NameAnswer:
    """An answer that came truncated over UDP, and could not be had over TCP."""
    return answer(server, name, rrtype, truncated=True, authority=(), failure=msgspec.structs.replace(REFUSED, kind=kind))


def test_without_tcp_an_answer_that_was_cut_short_is_a_fault(world: World) -> None:
    """RFC 7766 section 5: what does not fit UDP is nowhere to be had, so it is more than a caution."""
    tcp_alone(**NOTHING, failure=REFUSED)(world)
    assert world.grades() == {f"name.server {ONE}": (CAUTION, "no-tcp")}
    world.put(cut(ONE, NAME, "A"))
    findings = world.findings()
    server, forward = findings[f"name.server {ONE}"], findings[f"name.forward {ONE} A"]
    assert (server.grade, server.symptom) == (FAIL, "no-tcp")
    assert f"1 of its answers about this plan came cut short and could not be had over TCP, the first to A of {NAME}" in (
        server.message)
    assert (forward.grade, forward.symptom) == (UNPROVEN, "truncated")
    assert "truncated over UDP, and over TCP: connection refused" in forward.message


def test_tcp_that_loses_several_cut_answers_and_brings_one_is_a_fault(world: World) -> None:
    """RFC 7766 section 5: a filter that limits connections lets the first question by, and is the cause of all that is lost."""
    world.put(cut(ONE, NAME, "A", FailureKind.NO_ANSWER))
    assert world.findings()[f"name.server {ONE}"].grade is Grade.PASS
    world.put(cut(ONE, POINTER, "PTR", FailureKind.NO_ANSWER))
    finding = world.findings()[f"name.server {ONE}"]
    assert (finding.grade, finding.symptom) == (FAIL, "no-tcp")
    assert "2 of its answers about this plan came cut short over UDP and could not be had over TCP" in finding.message


def test_a_start_of_authority_lost_over_tcp_now_and_then_is_told_as_that(world: World) -> None:
    """It was the second connection that brought it; what the server speaks for is not known for want of TCP alone."""
    world.put(cut(ONE, NAME, "A", FailureKind.NO_ANSWER))
    world.put_site(msgspec.structs.replace(cut(ONE, ZONE, "SOA"), purpose="server"))
    finding = world.findings()[f"name.server {ONE}"]
    assert (finding.grade, finding.symptom) == (FAIL, "no-tcp")


@pytest.mark.parametrize(("seconds", "grade"), [(2.0, Grade.PASS), (2.01, CAUTION), (4.5, CAUTION)])
def test_a_late_answer_over_tcp_is_slow_and_not_missing(world: World, seconds: float, grade: Grade) -> None:
    """It came: there is nothing to let through."""
    finding = tcp_alone(elapsed_seconds=seconds)(world).findings()[f"name.server {ONE}"]
    assert (finding.grade, "over TCP after" in finding.found) == (grade, grade is CAUTION)
    assert not any("let TCP" in line for line in finding.fix)


@pytest.mark.parametrize(("phase", "open_port"), [("connect", False), ("receive", True), ("answer", True)])
def test_a_connection_that_was_taken_and_left_unanswered_needs_no_filter_opened(
        world: World, phase: str, open_port: bool) -> None:
    """The port is open: what is wrong is behind it."""
    tcp_alone(**NOTHING, failure=msgspec.structs.replace(SILENT, phase=phase))(world)
    finding = world.findings()[f"name.server {ONE}"]
    assert (finding.grade, finding.symptom) == (CAUTION, "no-tcp")
    assert ("it takes the connection, and 6 s later had not answered" in finding.message) is open_port
    assert finding.fix[0].startswith("let TCP port 53 through") is not open_port


@pytest.mark.parametrize(("how", "words"), [
    ({**NOTHING, "rcode": "REFUSED"}, "REFUSED"), ({**NOTHING, "rcode": "SERVFAIL"}, "SERVFAIL"),
    ({**NOTHING, "rcode": "NXDOMAIN", "authority": (soa("example.net"),)}, "NXDOMAIN"),
    ({**NOTHING, "rcode": "NOERROR"}, "a bare referral"),
    ({**NOTHING, "rcode": "NOERROR", "failure": msgspec.structs.replace(SILENT, kind=FailureKind.MALFORMED)}, "cannot be read"),
])
def test_a_server_that_says_no_over_tcp_alone_does_not_pass(world: World, how: dict[str, Any], words: str) -> None:
    """RFC 7766 section 5: an answer that is no use over TCP is as good as none."""
    tcp_alone(**how)(world)
    finding = world.findings()[f"name.server {ONE}"]
    assert (finding.grade, finding.symptom) == (CAUTION, "no-tcp")
    assert words in finding.message
    assert finding.fix[-1] == f"try: dig +tcp @{ONE} -p 53 {ZONE}. SOA"


def test_a_server_that_says_no_over_tcp_alone_fails_where_that_lost_an_answer(world: World) -> None:
    """It was too long for UDP."""
    tcp_alone(**{**NOTHING, "rcode": "REFUSED"})(world)
    world.put(error(ONE, NAME, "A", "REFUSED", truncated=True, transport="tcp"))
    finding = world.findings()[f"name.server {ONE}"]
    assert (finding.grade, finding.symptom) == (FAIL, "no-tcp")
    assert "1 of its answers about this plan were too long for UDP" in finding.message


def test_errors_over_tcp_are_to_be_tried_over_tcp(world: World) -> None:
    """The line without would show a sound server."""
    tcp_alone(**{**NOTHING, "rcode": "SERVFAIL"})(world)
    world.put(error(ONE, NAME, "A", "SERVFAIL"))
    finding = world.findings()[f"name.server {ONE}"]
    assert finding.symptom == "errs"
    assert f"dig +tcp @{ONE} -p 53 {ZONE}. SOA | grep status" in finding.fix[1]


def test_a_server_deaf_to_edns_that_lost_the_zone_is_told_the_loss(world: World) -> None:
    """The larger fault."""
    world = deaf_to_edns(both(**{**NOTHING, "rcode": "REFUSED"})(world))
    assert world.grades()[f"name.server {ONE}"] == (FAIL, "refuses")


def test_a_start_of_authority_that_was_cut_short_is_no_loss_of_udp(world: World) -> None:
    """It is TCP that failed, twice; over UDP something came."""
    tcp_alone(**NOTHING, failure=REFUSED)(world)
    world.put_site(msgspec.structs.replace(cut(ONE, ZONE, "SOA"), purpose="server"))
    finding = world.findings()[f"name.server {ONE}"]
    assert (finding.grade, finding.symptom) == (FAIL, "no-tcp")
    assert f"{ONE} answers over UDP and not over TCP" in finding.message


@pytest.mark.parametrize("spoil", [udp_alone, both])
def test_an_answer_from_an_address_that_nobody_asked_has_its_own_mend(world: World, spoil: Callable[..., Any]) -> None:
    """RFC 2181 section 4.1: the packets pass, so there is no filter to open."""
    spoil(**{**NOTHING, "failure": msgspec.structs.replace(SILENT, answered_from="192.0.2.99 port 53")})(world)
    finding = world.findings()[f"name.server {ONE}"]
    assert "the answer came from 192.0.2.99 port 53 instead" in finding.message
    assert finding.fix[0] == (
        f"on {ONE}: bind the name service to {ONE}, so that it answers from there (RFC 2181 section 4.1)")
    assert spoil is both or not any("through" in line for line in finding.fix)


def deaf_to_edns(world: World, *, but: str = "") -> World:
    """Every answer of the first server over UDP came to the packet without EDNS, but that to the type ``but``."""
    for told in (world.site, world.host):
        for key, one in list(told.items()):  # type: ignore[attr-defined]
            if one.server == ONE and one.transport == "udp" and one.rrtype != but:
                told[key] = msgspec.structs.replace(one, tries=3, elapsed_seconds=4.002, edns_unanswered=True)
    return world


def test_a_server_that_says_nothing_to_edns_is_told_so(world: World) -> None:
    """RFC 6891 section 7: it has to say FORMERR; what it says without is judged as ever."""
    world = deaf_to_edns(world)
    assert world.grades() == {f"name.server {ONE}": (FAIL, "no-edns")}
    finding = world.findings()[f"name.server {ONE}"]
    assert "all of its 7 answers over UDP came to the packet without" in finding.message
    assert "Over TCP" not in finding.message
    tcp_alone(**NOTHING, failure=REFUSED)(world)
    assert "Over TCP it could not be asked: connection refused" in world.findings()[f"name.server {ONE}"].message


def test_one_answer_with_edns_makes_the_others_losses(world: World) -> None:
    """Two packets of three were lost, and the third happens to be the one without."""
    assert deaf_to_edns(world, but="PTR").grades() == {f"name.server {ONE}": (CAUTION, "lossy")}


def test_a_single_answer_without_edns_is_a_loss(world: World) -> None:
    """Of so little, nothing is made."""
    for told in (world.site, world.host):
        for key in [key for key, one in told.items() if one.server == ONE and one.transport == "udp" and one.purpose != "server"]:  # type: ignore[attr-defined]
            del told[key]  # type: ignore[arg-type]
    assert deaf_to_edns(world).grades()[f"name.server {ONE}"] == (CAUTION, "lossy")


def denying(plan: Plan, denied: int) -> list[Finding]:
    """The findings on the servers where the first denies ``denied`` of three hosts for want of AAAA."""
    hosts = [msgspec.structs.replace(plan.hosts[0], name=f"dome-{letter}", fqdn=f"dome-{letter}.{ZONE}") for letter in "abc"]
    world = World(msgspec.structs.replace(plan, hosts=tuple(hosts)))
    seen = tuple(HostEvidence(fqdn=host.fqdn, names=(
        answer(ONE, host.fqdn, "A", record(host.fqdn, "A", ADDRESS)),
        (no_name if number < denied else answer)(ONE, host.fqdn, "AAAA"))) for number, host in enumerate(hosts))
    case = world.case()
    evidence = msgspec.structs.replace(case.evidence, hosts=seen)
    return names.grade_site(Case(plan=world.plan, limits=case.limits, evidence=evidence))


@pytest.mark.parametrize(("denied", "grade"), [(0, Grade.PASS), (1, Grade.PASS), (2, FAIL), (3, FAIL)])
def test_a_server_that_denies_several_names_for_want_of_one_type_has_one_fault(
        make_plan: MakePlan, denied: int, grade: Grade) -> None:
    """One name may be a record's own fault; several are the server's (RFC 4074 section 4.2)."""
    server = next(one for one in denying(make_plan(), denied) if (one.check, one.subject) == ("name.server", ONE))
    assert server.grade is grade
    if grade is FAIL:
        assert (server.symptom, server.found) == ("denies-names", f"{denied} names denied that have addresses")
        assert server.fix[-1] == f"try: dig @{ONE} -p 53 {NAME}. AAAA    # status must be NOERROR"


def silent_about(world: World, *places: tuple[str, str]) -> World:
    """The first server leaves these questions, by name and type, without any answer over UDP."""
    for name, rrtype in places:
        told = world.site if (ONE, f"{name} {rrtype}", "udp") in world.site else world.host
        key = (ONE, f"{name} {rrtype}", "udp") if told is world.site else (ONE, name, rrtype)
        told[key] = msgspec.structs.replace(told[key], **NOTHING, failure=SILENT, tries=3)
    return world


def test_a_server_that_answers_some_questions_and_not_the_first_is_not_deaf(world: World) -> None:
    """Half of the packets get lost, and all three about the domain: UDP passes, so there is no filter to open."""
    finding = silent_about(world, (ZONE, "SOA")).findings()[f"name.server {ONE}"]
    assert (finding.grade, finding.symptom, finding.found) == (FAIL, "drops", "1 of 7 questions without an answer")
    assert finding.fix[0] == f"look for loss on the way: ping -c 20 {ONE}"
    assert not any("through" in line for line in finding.fix)


def test_a_server_that_drops_questions_of_one_type_is_told_so(world: World) -> None:
    """RFC 4074 section 4.1: it ignores AAAA."""
    finding = silent_about(world, (NAME, "AAAA"), (SIBLING, "AAAA")).findings()[f"name.server {ONE}"]
    assert (finding.grade, finding.symptom) == (FAIL, "drops")
    assert "none about AAAA records got one" in finding.message
    assert "RFC 4074 section 4.1" in finding.fix[0]
    assert f"dig +notcp @{ONE} -p 53 {SIBLING}. AAAA" in finding.fix[-1]


@pytest.mark.parametrize(("late", "grade"), [((), Grade.PASS), (("PTR",), Grade.PASS), (("PTR", "AAAA"), CAUTION)])
def test_losses_are_told_also_where_the_domain_itself_was_heard_at_once(
        world: World, late: tuple[str, ...], grade: Grade) -> None:
    """One packet in five is lost: the start of authority may come through all the same."""
    for key, one in list(world.host.items()):
        if one.server == ONE and one.rrtype in late:
            world.host[key] = msgspec.structs.replace(one, tries=2, elapsed_seconds=2.01)
    finding = world.findings()[f"name.server {ONE}"]
    assert finding.grade is grade
    assert grade is Grade.PASS or finding.found == "2 of 7 answers to a second packet or a third"


@pytest.mark.parametrize(("others", "grade"), [(0, CAUTION), (13, CAUTION), (14, Grade.PASS), (400, Grade.PASS)])
def test_one_packet_lost_at_a_large_site_is_no_caution_whichever_it_was(world: World, others: int, grade: Grade) -> None:
    """Of seven answers one is many; of twenty-one and more it is chance, also where it was about the domain itself."""
    udp_alone(tries=2, elapsed_seconds=2.01)(world)
    quick = world.host[(ONE, NAME, "A")]
    for number in range(others):
        world.host[(ONE, NAME, f"A {number}")] = quick
    assert world.findings()[f"name.server {ONE}"].grade is grade


def test_a_slow_server_of_which_some_answers_came_to_the_second_packet_is_slow(world: World) -> None:
    """Some take more than 2 s, others less: the fail is not hidden by a caution."""
    every_answer(1.6)(world)
    for key, one in list(world.host.items()):
        if one.server == ONE:
            world.host[key] = msgspec.structs.replace(one, tries=2, elapsed_seconds=2.2)
    assert world.grades()[f"name.server {ONE}"] == (FAIL, "slow")


def test_a_server_that_lost_the_zone_and_drops_questions_is_told_the_loss(world: World) -> None:
    """The larger fault."""
    silent_about(both(**{**NOTHING, "rcode": "REFUSED"})(world), (NAME, "AAAA"), (SIBLING, "AAAA"))
    assert world.grades()[f"name.server {ONE}"] == (FAIL, "refuses")


@pytest.mark.parametrize("places", [((SIBLING, "A"), (SIBLING, "AAAA")), ((NAME, "A"),)])
def test_one_name_without_an_answer_makes_no_dropping_server(world: World, places: tuple[tuple[str, str], ...]) -> None:
    """Three packets may get lost."""
    assert f"name.server {ONE}" not in silent_about(world, *places).grades()


def test_questions_that_the_runner_could_not_put_are_not_dropped(world: World) -> None:
    """Interrupted, or out of sockets."""
    for name in (NAME, POINTER):
        for rrtype in ("A", "AAAA", "PTR"):
            if (ONE, name, rrtype) in world.host:
                world.put(lost(ONE, name, rrtype, msgspec.structs.replace(SILENT, kind=FailureKind.INTERRUPTED)))
    assert f"name.server {ONE}" not in world.grades()


@pytest.mark.parametrize(("seconds", "grade"), [(2.09, FAIL), (2.5, FAIL), (4.5, FAIL)])
def test_a_server_that_answers_everything_late_is_slow_and_not_lossy(world: World, seconds: float, grade: Grade) -> None:
    """Slower than a second packet is due: an answer to the first looks like one to the second."""
    every_answer(seconds, tries=2)(world)
    finding = world.findings()[f"name.server {ONE}"]
    assert (finding.grade, finding.symptom) == (grade, "slow")


@pytest.mark.parametrize(("late", "grade", "found"), [
    ((), Grade.PASS, "2 ms"), (("PTR",), Grade.PASS, "2 ms"), (("SOA",), CAUTION, "2 of 7 answers late"),
    (("A", "AAAA", "SOA"), FAIL, "1.5 s")])
def test_one_late_answer_among_many_makes_no_slow_server(world: World, late: tuple[str, ...], grade: Grade, found: str) -> None:
    """It looked away for a moment, or had to fetch the zone itself: hosts that ask it are served.  Several are worth a look."""
    for told in (world.site, world.host):
        for key, one in list(told.items()):  # type: ignore[attr-defined]
            if one.server == ONE and one.transport == "udp" and one.rrtype in late:
                told[key] = msgspec.structs.replace(one, elapsed_seconds=1.5)
    finding = world.findings()[f"name.server {ONE}"]
    assert (finding.grade, finding.found) == (grade, found)


def test_silence_over_udp_may_be_for_edns_alone(world: World) -> None:
    """Our questions carry it; the line to try tells whether one without is answered."""
    silent_about(world, *((key[1], key[2]) for key in list(world.host) if key[0] == ONE))
    silent_about(world, (REVERSE, "SOA"), (ZONE, "SOA"), (SIBLING, "A"), (SIBLING, "AAAA"))
    assert any("+notcp +noedns" in line for line in world.findings()[f"name.server {ONE}"].fix)


def test_what_the_runner_itself_could_not_fetch_over_tcp_is_no_fault_of_the_server(world: World) -> None:
    """Out of sockets: the answer was cut, and nobody knows more."""
    world.put(cut(ONE, NAME, "A", FailureKind.LOCAL_LIMIT))
    assert world.grades()[f"name.forward {ONE} A"] == (UNPROVEN, "untried")
    assert f"name.server {ONE}" not in world.grades()


def test_a_truncated_answer_fetched_over_tcp_is_an_answer_over_udp(world: World) -> None:
    """It was asked over UDP, and the cut answer came over UDP."""
    udp_alone(transport="tcp", truncated=True)(world)
    assert world.grades() == {}


def test_the_zone_may_be_part_of_a_larger_one(world: World) -> None:
    """NODATA with the start of authority of example.net: the domain's names live there, and the lines say so."""
    for server in (ONE, TWO):
        for transport in ("udp", "tcp"):
            world.put_site(answer(server, ZONE, "SOA", authority=(soa("example.net"),), purpose="server", transport=transport))
        world.put(no_name(server, NAME, "A", authority=(soa("example.net"),)))
    world.put_site(*(no_name(server, SIBLING, rrtype, authority=(soa("example.net"),), purpose="wildcard")
                     for server in (ONE, TWO) for rrtype in ("A", "AAAA")))
    world.put(*(answer(server, NAME, "AAAA", authority=(soa("example.net"),)) for server in (ONE, TWO)))
    findings = world.findings()
    assert findings[f"name.server {ONE}"].grade is Grade.PASS
    assert findings[f"name.forward {ONE} A"].fix[0] == "; add to zone example.net"


def test_a_server_that_was_never_asked_is_unproven(world: World) -> None:
    """An interrupted run proves nothing about what it did not reach."""
    world.site.clear()
    world.host.clear()
    grades = world.grades()
    assert set(grades.values()) == {(UNPROVEN, "unasked"), (UNPROVEN, "silent")}
    assert all(grade is UNPROVEN for grade, _symptom in grades.values())
    assert f"name.server {ONE}" in grades
    assert f"name.forward {ONE} A" in grades


@pytest.mark.parametrize(("rcode", "symptom"), [("REFUSED", "refuses"), ("SERVFAIL", "server-failure")])
def test_a_reverse_zone_that_is_not_served_is_its_own_fault(world: World, rcode: str, symptom: str) -> None:
    """Forward and reverse zones often have different owners; the missing one is named once, not once a host."""
    world.put_site(error(ONE, REVERSE, "SOA", rcode, purpose="zone"))
    world.put(error(ONE, reverse_name(ADDRESS), "PTR", rcode))
    assert world.grades() == {
        f"name.server {ONE} {REVERSE}": (FAIL, symptom),
        f"name.servers-agree {REVERSE}": (UNPROVEN, "silent"),
        f"name.reverse {ONE} {ADDRESS}": (UNPROVEN, symptom),
        f"name.agreement {ADDRESS}": (UNPROVEN, "silent"),
        f"name.servers-agree {NAME}": (UNPROVEN, "silent"),
    }


WIDE, FAR = "0.192.in-addr.arpa", Network(name="mgmt", subnet_typed="192.0.0.0/16", subnet="192.0.0.0/16")


@pytest.fixture
def wide(make_plan: MakePlan) -> World:
    """A /16 that both servers serve by the /24 zone that its host lies in: there is no zone at the plan's boundary."""
    world = World(make_plan(networks=(FAR,)))
    for server in (ONE, TWO):
        del world.site[server, f"{REVERSE} SOA", "udp"]
        world.put_site(error(server, WIDE, "SOA", "REFUSED", purpose="zone"))
    return world


@pytest.mark.parametrize("how", [
    {"rcode": "REFUSED"}, {"rcode": "SERVFAIL"}, {"rcode": "NOERROR", "authority": (record("0.192.in-addr.arpa", "NS", "a."),)}])
def test_a_wide_network_served_by_smaller_zones_is_sound(wide: World, how: dict[str, Any]) -> None:
    """Every pointer asked for is answered, so nothing is missing; and a zone that nobody has has no serial to compare."""
    wide.put_site(*(msgspec.structs.replace(error(server, WIDE, "SOA", "", purpose="zone"), **how) for server in (ONE, TWO)))
    assert wide.grades() == {}
    assert f"name.servers-agree {WIDE}" not in wide.findings()


def test_a_wide_network_with_a_pointer_that_is_refused_too_is_a_fault(wide: World) -> None:
    """Then the server does not speak for all that the plan has there."""
    wide.put(error(ONE, reverse_name(ADDRESS), "PTR", "REFUSED"))
    finding = wide.findings()[f"name.server {ONE} {WIDE}"]
    assert (finding.grade, finding.symptom) == (FAIL, "refuses")
    assert "or the smaller zones in which the hosts' pointers lie" in finding.fix[0]
    assert f"name.server {TWO} {WIDE}" not in wide.grades()


def test_no_pointer_asked_for_proves_no_smaller_zone(wide: World) -> None:
    """An interrupted run came to no host: the refusal is all that was seen."""
    wide.host.clear()
    assert wide.grades()[f"name.server {ONE} {WIDE}"] == (FAIL, "refuses")


def test_a_missing_pointer_goes_into_the_zone_that_the_server_has(wide: World) -> None:
    """Its no carries that zone's start of authority; the plan's boundary is no zone there."""
    wide.put(*(no_name(server, reverse_name(ADDRESS), "PTR") for server in (ONE, TWO)))
    findings = wide.findings()
    line = f"11.{REVERSE}. IN PTR {NAME}."
    assert findings[f"name.reverse {ONE} {ADDRESS}"].fix == (f"; add to zone {REVERSE}", line)
    assert findings[f"name.agreement {ADDRESS}"].fix[-2:] == (f"; add to zone {REVERSE}", line)


EMPTY = "8.b.d.0.1.0.0.2.ip6.arpa"
V6, WIDER, BOUNDARY_V6 = "2001:db8:40::19", "0.4.0.0.8.b.d.0.1.0.0.2.ip6.arpa", "0.0.0.0.0.4.0.0.8.b.d.0.1.0.0.2.ip6.arpa"
POINTER_V6 = f"{reverse_name(V6)}. IN PTR {NAME}."


@pytest.fixture
def within_48(make_plan: MakePlan) -> World:
    """A second address, of a /64 without a zone of its own: it lies in that of its /48, and has no pointer yet."""
    world = World(make_plan())
    world.planned = msgspec.structs.replace(world.planned, addresses=(ADDRESS, V6))
    world.plan = msgspec.structs.replace(world.plan, hosts=(world.planned,))
    for server in (ONE, TWO):
        world.put_site(answer(server, BOUNDARY_V6, "SOA", authority=(soa(WIDER),), purpose="zone"))
        world.put(answer(server, NAME, "AAAA", record(NAME, "AAAA", V6)),
                  no_name(server, reverse_name(V6), "PTR", authority=(soa(WIDER),)))
    return world


def test_a_missing_pointer_goes_into_the_wider_zone_that_the_server_has(within_48: World) -> None:
    """The server's own no carries the start of authority of the /48, which has no zone cut at the /64 (RFC 2308 section 2.1)."""
    findings = within_48.findings()
    assert findings[f"name.reverse {ONE} {V6}"].fix == (f"; add to zone {WIDER}", POINTER_V6)
    assert findings[f"name.agreement {V6}"].fix[-2:] == (f"; add to zone {WIDER}", POINTER_V6)


@pytest.mark.parametrize("how", [
    {"authoritative": False},
    {"authority": (record(EMPTY, "SOA", f"{EMPTY}. . 0 28800 7200 604800 86400"),)},    # as bind9 9.18 says it
    {"authority": (record(EMPTY, "SOA", "localhost. nobody.invalid. 1 3600 1200 604800 10800"),)},
    {"authority": (record(EMPTY, "SOA", f"{EMPTY.upper()}. nobody.invalid. 1 3600 1200 604800 10800"),)},
])
def test_no_pointer_goes_into_a_zone_that_a_server_makes_up_or_repeats(within_48: World, how: dict[str, Any]) -> None:
    """An empty zone for addresses that nobody serves is its own primary (RFC 6303 section 3); a resolver repeats."""
    for server in (ONE, TWO):
        within_48.put_site(no_name(server, BOUNDARY_V6, "SOA", purpose="zone", **{"authority": (soa(WIDER),), **how}))
        within_48.put(no_name(server, reverse_name(V6), "PTR", **{"authority": (soa(WIDER),), **how}))
    findings = within_48.findings()
    assert findings[f"name.reverse {ONE} {V6}"].fix == (f"; add to zone {BOUNDARY_V6}", POINTER_V6)
    assert findings[f"name.server {ONE} {BOUNDARY_V6}"].fix[0] == (
        f"on {ONE}: set up the zone {BOUNDARY_V6} with the lines of the build sheet")


def test_a_zone_of_the_boundary_at_another_server_keeps_the_pointers_out_of_the_wider_one(within_48: World) -> None:
    """Somebody has the /64: a server that answers from the /48 has no copy of it yet."""
    within_48.put_site(answer(TWO, BOUNDARY_V6, "SOA", soa(BOUNDARY_V6), purpose="zone"))
    assert within_48.findings()[f"name.reverse {ONE} {V6}"].fix == (f"; add to zone {BOUNDARY_V6}", POINTER_V6)


def test_a_64_without_any_pointer_is_mended_in_the_zone_of_its_48(within_48: World) -> None:
    """Its first host: no name of it exists yet, and there need not be a zone of its own."""
    within_48.put_site(*(no_name(server, BOUNDARY_V6, "SOA", purpose="zone", authority=(soa(WIDER),)) for server in (ONE, TWO)))
    finding = within_48.findings()[f"name.server {ONE} {BOUNDARY_V6}"]
    assert (finding.grade, finding.symptom) == (FAIL, "no-name")
    assert f"add the pointers to {WIDER}" in finding.fix[0]


def test_a_denied_zone_with_pointers_below_it_is_a_contradiction(wide: World) -> None:
    """As a resolver tells it that serves 10.in-addr.arpa empty by itself (RFC 6303) beside somebody's own /24 zone."""
    wide.put_site(*(no_name(server, WIDE, "SOA", purpose="zone", authority=(soa("192.in-addr.arpa", 0),))
                    for server in (ONE, TWO)))
    finding = wide.findings()[f"name.server {ONE} {WIDE}"]
    assert (finding.grade, finding.symptom) == (CAUTION, "denies-zone")
    wide.put(no_name(ONE, reverse_name(ADDRESS), "PTR", authority=(soa("192.in-addr.arpa", 0),)))
    assert wide.grades()[f"name.server {ONE} {WIDE}"] == (FAIL, "no-name")


POINTER = reverse_name(ADDRESS)


@pytest.mark.parametrize(("spoiled", "errs"), [
    ((error(ONE, NAME, "A", "SERVFAIL"), error(ONE, NAME, "AAAA", "SERVFAIL")), False),
    ((error(ONE, NAME, "A", "SERVFAIL"), error(ONE, POINTER, "PTR", "SERVFAIL")), True),
    ((error(ONE, NAME, "A", "NOTIMP"), error(ONE, SIBLING, "A", "SERVFAIL", purpose="wildcard")), True),
    ((error(ONE, NAME, "A", "REFUSED"), error(ONE, POINTER, "PTR", "REFUSED")), False),
    ((error(ONE, NAME, "A", "SERVFAIL"), error(ONE, ZONE, "SOA", "SERVFAIL", purpose="server", transport="tcp")), True),
    ((error(ONE, NAME, "A", "SERVFAIL"), error(ONE, "dome-a.elsewhere.example", "A", "SERVFAIL", purpose="confirm")), False),
    ((error(ONE, NAME, "A", "SERVFAIL"), lost(ONE, POINTER, "PTR")), False),
])
def test_a_server_that_fails_some_questions_of_its_zones_errs(world: World, spoiled: tuple[NameAnswer, ...], errs: bool) -> None:
    """Two names that fail are the server's; one may be that record's own, and of other zones it may know nothing."""
    for one in spoiled:
        (world.put if one.purpose in ("forward", "confirm") else world.put_site)(one)
    assert (world.grades().get(f"name.server {ONE}") == (FAIL, "errs")) is errs
    assert f"name.server {TWO}" not in world.grades()


def test_the_errors_of_a_server_are_counted(world: World) -> None:
    """How many of how many, of which kind, and the first to ask again."""
    world.put(error(ONE, NAME, "A", "SERVFAIL"), error(ONE, POINTER, "PTR", "SERVFAIL"))
    finding = world.findings()[f"name.server {ONE}"]
    assert finding.found == "2 errors in 8 answers"
    assert "SERVFAIL" in finding.message
    assert f"dig @{ONE} -p 53 {NAME}. A | grep status" in finding.fix[1]


def test_a_usual_reverse_zone_that_failed_is_not_taken_for_a_wide_one(world: World) -> None:
    """Nothing lies below a /24 but its own pointers: that its start of authority failed is left open."""
    world.put_site(error(ONE, REVERSE, "SOA", "SERVFAIL", purpose="zone"))
    assert world.grades()[f"name.server {ONE} {REVERSE}"] == (UNPROVEN, "server-failure")


def test_a_reverse_zone_that_failed_once_and_answers_below_is_not_called_missing(world: World) -> None:
    """Its start of authority failed, some pointers came and some did not: that is not a zone that is not there."""
    second = msgspec.structs.replace(world.planned, addresses=(ADDRESS, "192.0.2.12"))
    world.put_site(error(ONE, REVERSE, "SOA", "SERVFAIL", purpose="zone"))
    world.put(error(ONE, reverse_name("192.0.2.12"), "PTR", "SERVFAIL"))
    world.plan, world.planned = msgspec.structs.replace(world.plan, hosts=(second,)), second
    assert world.grades()[f"name.server {ONE} {REVERSE}"] == (UNPROVEN, "server-failure")


# --- extended errors (RFC 8914), in words only as in old runs, or with their codes


STALE = "EDE 3 (Stale Answer): stale data served"


def test_what_a_server_says_beside_its_answer_is_told(world: World) -> None:
    """Beside a record, beside a no; a pass stays one."""
    world.put(answer(ONE, NAME, "A", record(NAME, "A", ADDRESS), explanation="EDE 0 (Other): spare"),
              answer(ONE, NAME, "AAAA", explanation="EDE 0 (Other): spare"))
    findings = world.findings()
    assert world.grades() == {}
    for rrtype in ("A", "AAAA"):
        assert findings[f"name.forward {ONE} {rrtype}"].message.endswith("Told beside it: EDE 0 (Other): spare.")


@pytest.mark.parametrize("explanation", [STALE, "EDE 19 (Stale NXDOMAIN Answer)", f"EDE 22 (No Reachable Authority); {STALE}"])
def test_answers_that_the_server_calls_old_are_a_caution(world: World, explanation: str) -> None:
    """They are as planned, or were when they were new: told once, at the server."""
    for rrtype in ("A", "AAAA"):
        world.host[ONE, NAME, rrtype] = msgspec.structs.replace(world.host[ONE, NAME, rrtype], explanation=explanation)
    finding = world.findings()[f"name.server {ONE}"]
    assert world.grades() == {f"name.server {ONE}": (CAUTION, "stale")}
    assert finding.found == "2 of 4 answers out of date"
    assert f"{explanation}, to A of {NAME}" in finding.message


@pytest.mark.parametrize("explanation", ["EDE 23 (Network Error): EDE 3", "EDE", "EDE x", "EDE 33", "asked on for x: EDE 3"])
def test_other_words_beside_an_answer_are_no_old_answer(world: World, explanation: str) -> None:
    """Only the code counts, whatever text the server sends with it."""
    world.put(answer(ONE, NAME, "A", record(NAME, "A", ADDRESS), explanation=explanation))
    assert world.grades() == {}


@pytest.mark.parametrize(("codes", "explanation", "grades"), [
    ((), STALE, {}), ((0,), f"EDE 0 (Other): x; {STALE}", {}),
    ((0, 3), "EDE 0 (Other): ...", {f"name.server {ONE}": (CAUTION, "stale")}),
])
def test_codes_that_are_kept_apart_count_and_no_words(
    world: World, codes: tuple[int, ...], explanation: str, grades: dict[str, tuple[Grade, str]]
) -> None:
    """A server chooses its words, and a long text is cut."""
    world.host[ONE, NAME, "A"] = msgspec.structs.replace(
        world.host[ONE, NAME, "A"], explanation=explanation, extended_errors=codes)
    assert world.grades() == grades


@pytest.mark.parametrize("code", [15, 16, 17])
def test_a_name_that_a_policy_withholds_is_not_added_to_the_zone(world: World, code: int) -> None:
    """The zone may hold it: it is the server's policy that says no."""
    owner = reverse_name(ADDRESS)
    world.put(no_name(ONE, NAME, "A", explanation=f"EDE {code} (Blocked): by policy"),
              no_name(ONE, owner, "PTR", explanation=f"EDE {code} (Blocked): by policy"))
    findings = world.findings()
    for key, name in ((f"name.forward {ONE} A", NAME), (f"name.reverse {ONE} {ADDRESS}", owner)):
        assert (findings[key].grade, findings[key].symptom) == (FAIL, "blocked")
        assert "by policy" in findings[key].message
        assert findings[key].fix[0] == f"on {ONE}: let {name} through the policy by which it says it withholds the name"
        assert not any("add to zone" in line for line in findings[key].fix)


def test_a_no_with_another_reason_is_still_the_zones(world: World) -> None:
    """An extended error that is no policy leaves the missing record missing."""
    finding = world.put(no_name(ONE, NAME, "A", explanation="EDE 0 (Other)")).findings()[f"name.forward {ONE} A"]
    assert (finding.symptom, f"{NAME}. IN A {ADDRESS}" in finding.fix) == ("no-name", True)


# --- name.forward


def other(*values: str, rrtype: str = "A") -> Callable[[str], NameAnswer]:
    return lambda server: answer(server, NAME, rrtype, *(record(NAME, rrtype, value) for value in values))


@pytest.mark.parametrize(("spoil", "grade", "symptom", "fix"), [
    (other("192.0.2.99"), FAIL, "wrong-address",
     ("; add to zone obs.example.net", f"{NAME}. IN A {ADDRESS}", "; remove from zone obs.example.net",
      f"; {NAME}. IN A 192.0.2.99")),
    (other(ADDRESS, "192.0.2.99"), FAIL, "extra-address", ("; remove from zone obs.example.net", f"; {NAME}. IN A 192.0.2.99")),
    (other(), FAIL, "no-record", ("; add to zone obs.example.net", f"{NAME}. IN A {ADDRESS}")),
    (lambda server: no_name(server, NAME, "A"), FAIL, "no-name", ("; add to zone obs.example.net", f"{NAME}. IN A {ADDRESS}")),
    (other("2001:db8::99", rrtype="AAAA"), FAIL, "unplanned-address",
     ("; remove from zone obs.example.net", f"; {NAME}. IN AAAA 2001:db8::99")),
    (lambda server: error(server, NAME, "A", "SERVFAIL"), UNPROVEN, "server-failure", ()),
    (lambda server: error(server, NAME, "A", "REFUSED"), UNPROVEN, "refuses", ()),
    (lambda server: error(server, NAME, "A", "NOERROR"), UNPROVEN, "lame", ()),
    (lambda server: lost(server, NAME, "A"), UNPROVEN, "silent", ()),
    (lambda server: lost(server, NAME, "A", msgspec.structs.replace(SILENT, kind=FailureKind.MALFORMED)), UNPROVEN, "silent", ()),
])
def test_forward_faults_and_their_lines(
    world: World, spoil: Callable[[str], NameAnswer], grade: Grade, symptom: str, fix: tuple[str, ...]
) -> None:
    """At both servers alike, so that no server is an example for the other."""
    spoiled = spoil(ONE)
    findings = world.put(spoiled, spoil(TWO)).findings()
    finding = findings[f"name.forward {ONE} {spoiled.rrtype}"]
    assert (finding.grade, finding.symptom, finding.fix) == (grade, symptom, fix)


def test_the_order_of_a_set_of_records_makes_no_second_fault(world: World) -> None:
    """Servers turn the set at every answer, and its order means nothing (RFC 1034 section 3.6): both tell one fault alike."""
    extra, name = ("192.0.2.100", "192.0.2.99"), reverse_name(ADDRESS)
    names = [record(name, "PTR", value) for value in (f"{NAME}.", "b.obs.example.net.", "c.obs.example.net.")]
    findings = world.put(other(*extra, ADDRESS)(ONE), other(ADDRESS, *reversed(extra))(TWO), answer(ONE, name, "PTR", *names),
                         answer(TWO, name, "PTR", *reversed(names))).findings()
    for subject in ("name.forward {} A", f"name.reverse {{}} {ADDRESS}"):
        first, second = (findings[subject.format(server)] for server in (ONE, TWO))
        assert first.found == second.found
        assert first.message.replace(ONE, TWO) == second.message
    assert findings[f"name.forward {ONE} A"].found == f"{ADDRESS}, 192.0.2.100, 192.0.2.99"


def test_a_missing_one_of_two_addresses(make_plan: MakePlan) -> None:
    """The other one is right and stays."""
    plan = make_plan()
    two = msgspec.structs.replace(plan.hosts[0], addresses=(ADDRESS, "192.0.2.12"))
    world = World(msgspec.structs.replace(plan, hosts=(two,)))
    finding = world.findings()[f"name.forward {ONE} A"]
    assert (finding.symptom, finding.fix[-1]) == ("missing-address", f"{NAME}. IN A 192.0.2.12")


def test_one_stale_server_shows_as_one(world: World) -> None:
    """The server that is right passes; the lines of the other begin with the shorter way."""
    for zone, stale in ((ZONE, soa(ZONE, 2026112401)), (REVERSE, soa(REVERSE))):
        world.put_site(answer(TWO, zone, "SOA", stale, purpose="server" if zone == ZONE else "zone"))
    world.put(answer(TWO, NAME, "A", record(NAME, "A", "192.0.2.99")))
    findings = world.findings()
    assert {key for key, finding in findings.items() if finding.grade is not Grade.PASS} == {
        f"name.servers-agree {ZONE}", f"name.forward {TWO} A", f"name.agreement {ADDRESS}", f"name.servers-agree {NAME}"}
    fix = findings[f"name.forward {TWO} A"].fix
    assert fix[0] == f"; {ONE} already answers as planned: does {TWO} have an old copy of {ZONE}?"
    assert "rndc retransfer obs.example.net" in fix[1]
    agree = findings[f"name.servers-agree {NAME}"]
    assert f"The odd one out: {TWO}." in agree.message
    assert f"behind: {TWO}" in agree.message


def test_a_server_with_the_same_serial_and_another_record_has_no_old_copy(world: World) -> None:
    """Nothing that is fetched anew would mend it."""
    world.put(answer(TWO, NAME, "A", record(NAME, "A", "192.0.2.99")))
    fix = world.findings()[f"name.forward {TWO} A"].fix
    assert fix[0] == f"; {ONE} already answers as planned: {TWO} has {ZONE} by no older serial, so raise that with the change"
    assert not any("retransfer" in line for line in fix)


def test_a_pointer_that_differs_is_mended_in_its_own_zone(world: World) -> None:
    """The serials told are the reverse zone's; as they are equal, there is nothing to fetch, and the zones are compared."""
    world.put(points(f"{NAME}.", "old.obs.example.net.")(TWO))
    finding = world.findings()[f"name.servers-agree {NAME}"]
    assert f"Serials of {REVERSE}: {ONE} 2026112501, {TWO} 2026112501." in finding.message
    assert ZONE not in finding.message.partition("The odd one out")[2]
    owner = reverse_name(ADDRESS)
    assert finding.fix == (
        f"compare the zone {REVERSE} at all servers, correct it where it is wrong, raise its serial and load it",
        f"dig @{ONE} -p 53 {owner}. PTR", f"dig @{TWO} -p 53 {owner}. PTR")


def test_a_reverse_zone_that_is_behind_is_fetched_and_the_forward_zone_is_not(world: World) -> None:
    """Only the zone whose serial is older has anything to fetch."""
    world.put_site(answer(TWO, REVERSE, "SOA", soa(REVERSE, 2026112401), purpose="zone"))
    world.put(points()(TWO), other("192.0.2.99")(TWO))
    fix = world.findings()[f"name.servers-agree {NAME}"].fix
    assert [line for line in fix if "retransfer" in line] == [
        f"on {TWO}: fetch {REVERSE} anew from its primary (BIND: rndc retransfer {REVERSE}), and see why it did not by itself"]
    assert f"compare the zone {ZONE} at all servers, correct it where it is wrong, raise its serial and load it" in fix


def test_a_remembered_no_is_flushed_by_its_own_name(world: World) -> None:
    """The no was about the pointer."""
    owner = reverse_name(ADDRESS)
    world.put(answer(TWO, owner, "PTR", rcode="NXDOMAIN", authoritative=False, recursion_available=True,
                     authority=(soa(REVERSE, ttl=240),)))
    finding = world.findings()[f"name.servers-agree {NAME}"]
    assert (finding.symptom, finding.fix) == (
        "cached-no", (f"wait 4 min and verify again, or flush the cache of {TWO} (BIND: rndc flushname {owner})",))


def test_ipv6_switched_off_is_the_business_of_another_check(make_plan: MakePlan) -> None:
    """With ipv6 = "off" an AAAA is judged by host.ipv6, once."""
    plan = make_plan()
    off = msgspec.structs.replace(plan.networks[0], ipv6="off")
    world = World(msgspec.structs.replace(plan, networks=(off,)))
    world.put(*(other("2001:db8::99", rrtype="AAAA")(server) for server in (ONE, TWO)))
    assert world.grades() == {}


@pytest.mark.parametrize("ipv6", ["on", "off"])
def test_a_name_denied_for_want_of_one_type_is_a_fault(make_plan: MakePlan, ipv6: str) -> None:
    """RFC 4074 section 4.2: NXDOMAIN for AAAA denies the name, A record and all; also where IPv6 is no matter of the plan's."""
    plan = make_plan()
    world = World(msgspec.structs.replace(plan, networks=(msgspec.structs.replace(plan.networks[0], ipv6=ipv6),)))
    world.put(no_name(ONE, NAME, "AAAA"))
    finding = world.findings()[f"name.forward {ONE} AAAA"]
    assert (finding.grade, finding.symptom) == (FAIL, "denies-name")
    assert finding.fix[-1] == f"try: dig @{ONE} -p 53 {NAME}. AAAA    # status must be NOERROR"
    assert world.grades() == {f"name.forward {ONE} AAAA": (FAIL, "denies-name")}


def test_a_name_denied_for_every_type_is_only_missing(world: World) -> None:
    """The A record is missing, which is one fault; that there is no AAAA record either is as planned."""
    world.put(no_name(ONE, NAME, "A"), no_name(ONE, NAME, "AAAA"))
    grades = world.grades()
    assert grades[f"name.forward {ONE} A"] == (FAIL, "no-name")
    assert f"name.forward {ONE} AAAA" not in grades


def test_a_host_of_ipv6_alone_may_have_its_name_denied_for_want_of_an_ipv4_address(make_plan: MakePlan) -> None:
    """The other way round it is the same fault."""
    plan = make_plan()
    six = msgspec.structs.replace(plan.hosts[0], addresses=("2001:db8:0:7::11",))
    world = World(msgspec.structs.replace(plan, hosts=(six,)))
    world.put(other("2001:db8:0:7::11", rrtype="AAAA")(ONE), no_name(ONE, NAME, "A"))
    assert world.grades()[f"name.forward {ONE} A"] == (FAIL, "denies-name")


def test_the_planned_address_out_of_a_wildcard_proves_nothing(world: World) -> None:
    """The random name has the same address: the host may have no record at all."""
    world.put_site(answer(ONE, SIBLING, "A", record(SIBLING, "A", ADDRESS), purpose="wildcard"))
    assert world.grades() == {f"name.wildcard {ONE}": (CAUTION, "wildcard"), f"name.forward {ONE} A": (UNPROVEN, "wildcard")}


SIX = "2001:db8:0:7::11"


@pytest.fixture
def six_alone(make_plan: MakePlan) -> World:
    """A host with an IPv6 address only, right at both servers."""
    plan = make_plan()
    world = World(msgspec.structs.replace(plan, hosts=(msgspec.structs.replace(plan.hosts[0], addresses=(SIX,)),)))
    for server in (ONE, TWO):
        world.put(other()(server), other(SIX, rrtype="AAAA")(server),
                  answer(server, reverse_name(SIX), "PTR", record(reverse_name(SIX), "PTR", f"{NAME}.")))
    return world


def wild_six(value: str) -> NameAnswer:
    return answer(ONE, SIBLING, "AAAA", record(SIBLING, "AAAA", value), purpose="wildcard")


def test_a_wildcard_of_ipv6_addresses_alone_is_one(six_alone: World) -> None:
    """Asked for A records the random name exists without any (RFC 4592 section 2.2.1), which looks like no wildcard."""
    assert six_alone.grades() == {}
    six_alone.put_site(answer(ONE, SIBLING, "A", purpose="wildcard"), wild_six(SIX))
    assert six_alone.grades() == {
        f"name.wildcard {ONE}": (CAUTION, "wildcard"), f"name.forward {ONE} AAAA": (UNPROVEN, "wildcard")}
    assert six_alone.findings()[f"name.wildcard {ONE}"].fix[-1] == f"; *.{ZONE}. IN AAAA {SIX}"


def test_a_wildcard_of_both_families_goes_with_both_its_records(world: World) -> None:
    world.put_site(wild("A", "192.0.2.50"), wild_six("2001:db8::50"))
    finding = world.findings()[f"name.wildcard {ONE}"]
    assert finding.found == "192.0.2.50; 2001:db8::50"
    assert finding.fix[1:] == (f"; *.{ZONE}. IN A 192.0.2.50", f"; *.{ZONE}. IN AAAA 2001:db8::50")


def test_half_an_answer_about_a_random_name_is_no_pass(world: World) -> None:
    """One family was seen to have no wildcard, the other was not seen."""
    world.put_site(lost(ONE, SIBLING, "AAAA", purpose="wildcard"))
    assert world.grades()[f"name.wildcard {ONE}"] == (UNPROVEN, "silent")


def test_an_unplanned_address_out_of_a_wildcard_is_mended_at_the_wildcard(world: World) -> None:
    """There is no record at the host's name that could be removed."""
    world.put_site(wild_six("2001:db8::50")).put(other("2001:db8::50", rrtype="AAAA")(ONE))
    finding = world.findings()[f"name.forward {ONE} AAAA"]
    assert (finding.grade, finding.symptom) == (FAIL, "unplanned-address")
    assert finding.fix == ("; the zone's wildcard gives this address: see the lines of name.wildcard",)


@pytest.mark.parametrize(("value", "made"), [
    ("64:ff9b::c000:20b", True), ("64:FF9B:0:0:0:0:192.0.2.11", True), ("64:ff9b::c000:20c", False),
    ("64:ff9b:0:0:1::c000:20b", False), ("2001:db8::c000:20b", False)])
def test_an_address_that_a_server_makes_by_dns64_is_in_no_zone(world: World, value: str, made: bool) -> None:
    """RFC 6052 section 2.1 and RFC 6147: the usual prefix before the host's own IPv4 address, and nothing else."""
    finding = world.put(other(value, rrtype="AAAA")(ONE)).findings()[f"name.forward {ONE} AAAA"]
    assert (finding.grade, finding.symptom) == (FAIL, "unplanned-address")
    assert ("behind the prefix of DNS64" in finding.message) is made
    assert ("switch that off" in finding.fix[0]) is made
    assert any("IN AAAA" in line for line in finding.fix) is not made


def wild(rrtype: str, value: str, *beside: NameRecord) -> NameAnswer:
    """The first server's answer for the random name."""
    return answer(ONE, SIBLING, "A", record(SIBLING, rrtype, value), *beside, purpose="wildcard")


def test_a_host_that_a_wildcard_alias_leads_to_has_its_own_address(world: World) -> None:
    """RFC 4592: an address that came without any alias is the name's own, whatever the wildcard leads to."""
    world.put_site(wild("CNAME", f"{NAME}.", record(NAME, "A", ADDRESS)))
    assert world.grades() == {f"name.wildcard {ONE}": (CAUTION, "wildcard")}


@pytest.mark.parametrize(("sibling", "seen"), [
    (wild("A", "192.0.2.50"), answer(ONE, NAME, "A", record(NAME, "A", "192.0.2.50"))),
    (wild("CNAME", "any.obs.example.net.", record("any.obs.example.net", "A", "192.0.2.50")),
     answer(ONE, NAME, "A", record(NAME, "CNAME", "any.obs.example.net."), record("any.obs.example.net", "A", "192.0.2.50"))),
])
def test_what_a_wildcard_gives_is_not_removed_from_the_host(world: World, sibling: NameAnswer, seen: NameAnswer) -> None:
    """The host's record is merely missing: one fault, one line to add, and nothing to remove that is not there."""
    world.put_site(sibling).put(seen)
    finding = world.findings()[f"name.forward {ONE} A"]
    assert (finding.grade, finding.symptom) == (FAIL, "wrong-address")
    assert "It comes from a wildcard" in finding.message
    assert f"{NAME}. IN A {ADDRESS}" in finding.fix
    assert not any("192.0.2.50" in line or "CNAME" in line for line in finding.fix)
    grades = world.grades()
    assert f"name.reverse {ONE} {ADDRESS}" not in grades
    assert grades.get(f"name.alias {ONE}") in (None, (UNPROVEN, "wildcard"))


def test_an_alias_of_the_hosts_own_beside_a_wildcard_is_its_fault(world: World) -> None:
    """It leads elsewhere than the wildcard does."""
    world.put_site(wild("CNAME", "any.obs.example.net.")).put(through("host1.example.net", ADDRESS)(ONE))
    grades = world.grades()
    assert grades[f"name.alias {ONE}"] == (CAUTION, "alias")
    assert grades[f"name.reverse {ONE} {ADDRESS}"] == (CAUTION, "pointer-to-alias")


def test_an_alias_is_never_removed_without_its_address_in_its_place(world: World) -> None:
    """An unplanned IPv6 address behind the alias: whoever only took the alias away would leave the host without any."""
    host1 = "host1.example.net"
    world.put(through(host1, ADDRESS)(ONE),
              answer(ONE, NAME, "AAAA", record(NAME, "CNAME", f"{host1}."), record(host1, "AAAA", "2001:db8::99")))
    findings = world.findings()
    assert "arrives at others beside the planned ones" in findings[f"name.alias {ONE}"].message
    assert findings[f"name.forward {ONE} AAAA"].symptom == "unplanned-address"
    assert findings[f"name.forward {ONE} AAAA"].fix == findings[f"name.alias {ONE}"].fix == (
        "; add to zone obs.example.net", f"{NAME}. IN A {ADDRESS}",
        "; remove from zone obs.example.net", f"; {NAME}. IN CNAME {host1}.")


def test_a_resolver_that_remembers_a_no_says_for_how_long(world: World) -> None:
    """RFC 2308 section 5: the lesser of the SOA's own TTL and its last field."""
    remembered = answer(TWO, NAME, "A", rcode="NXDOMAIN", authoritative=False, recursion_available=True,
                        authority=(soa(ZONE, ttl=240, minimum=3600),))
    findings = world.put(remembered).findings()
    assert "4 min" in findings[f"name.forward {TWO} A"].message
    agree = findings[f"name.servers-agree {NAME}"]
    assert (agree.grade, agree.symptom) == (CAUTION, "cached-no")
    assert agree.fix == (f"wait 4 min and verify again, or flush the cache of {TWO} (BIND: rndc flushname {NAME})",)


def through(target: str, *addresses: str) -> Callable[[str], NameAnswer]:
    return lambda server: answer(server, NAME, "A", record(NAME, "CNAME", f"{target}."),
                                 *(record(target, "A", address) for address in addresses))


def test_an_alias_to_the_planned_address_is_a_caution(world: World) -> None:
    """Clients arrive, so forward passes; but the plan wants a record, and the pointer may not name an alias."""
    world.put(through("host1.example.net", ADDRESS)(ONE))
    assert world.grades() == {f"name.alias {ONE}": (CAUTION, "alias"),
                              f"name.reverse {ONE} {ADDRESS}": (CAUTION, "pointer-to-alias")}
    assert world.findings()[f"name.alias {ONE}"].fix == (
        "; add to zone obs.example.net", f"{NAME}. IN A {ADDRESS}",
        "; remove from zone obs.example.net", f"; {NAME}. IN CNAME host1.example.net.")


@pytest.mark.parametrize(("spoil", "forward"), [
    (through("host1.example.net", "192.0.2.99"), "wrong-address"),
    (through("host1.example.net"), "alias-elsewhere"),
    (through(NAME), "endless-alias"),
    (lambda server: msgspec.structs.replace(through(NAME)(server), rcode="SERVFAIL"), "endless-alias"),
    (lambda server: msgspec.structs.replace(through("gone.obs.example.net")(server), rcode="NXDOMAIN",
                                            authority=(soa(ZONE),)), "no-name"),
])
def test_an_alias_to_nowhere_or_elsewhere_fails(world: World, spoil: Callable[[str], NameAnswer], forward: str) -> None:
    """Elsewhere, out of the server's sight, in a circle (also as BIND tells it, by SERVFAIL), into nothing."""
    world.put(spoil(ONE))
    grades = world.grades()
    assert grades[f"name.alias {ONE}"] == (FAIL, "alias")
    assert grades[f"name.forward {ONE} A"] == (FAIL, forward)
    fix = world.findings()[f"name.forward {ONE} A"].fix
    assert f"{NAME}. IN A {ADDRESS}" in fix
    assert any(line.startswith(f"; {NAME}. IN CNAME ") for line in fix)


# --- name.reverse


def points(*targets: str) -> Callable[[str], NameAnswer]:
    owner = reverse_name(ADDRESS)
    return lambda server: answer(server, owner, "PTR", *(record(owner, "PTR", target) for target in targets))


@pytest.mark.parametrize(("spoil", "grade", "symptom", "fix"), [
    (points(), FAIL, "no-record", (f"; add to zone {REVERSE}", f"11.{REVERSE}. IN PTR {NAME}.")),
    (lambda server: no_name(server, reverse_name(ADDRESS), "PTR"), FAIL, "no-name",
     (f"; add to zone {REVERSE}", f"11.{REVERSE}. IN PTR {NAME}.")),
    (points("stale.obs.example.net."), FAIL, "wrong-name",
     (f"; add to zone {REVERSE}", f"11.{REVERSE}. IN PTR {NAME}.",
      f"; remove from zone {REVERSE}", f"; 11.{REVERSE}. IN PTR stale.obs.example.net.")),
    (points(f"{NAME}.", "stale.obs.example.net."), CAUTION, "several-names",
     (f"; remove from zone {REVERSE}", f"; 11.{REVERSE}. IN PTR stale.obs.example.net.")),
    (lambda server: error(server, reverse_name(ADDRESS), "PTR", "SERVFAIL"), UNPROVEN, "server-failure", ()),
    (lambda server: lost(server, reverse_name(ADDRESS), "PTR"), UNPROVEN, "silent", ()),
])
def test_reverse_faults_and_their_lines(
    world: World, spoil: Callable[[str], NameAnswer], grade: Grade, symptom: str, fix: tuple[str, ...]
) -> None:
    """Missing, another's, one too many; and a server failure is no verdict (RFC 8601 section 2.7.3)."""
    finding = world.put(spoil(ONE), spoil(TWO)).findings()[f"name.reverse {ONE} {ADDRESS}"]
    assert (finding.grade, finding.symptom, finding.fix) == (grade, symptom, fix)


@pytest.mark.parametrize("appended", [REVERSE, f"0-25.{REVERSE}"])
def test_a_missing_final_dot_is_named(world: World, appended: str) -> None:
    """The commonest slip in a reverse zone: the zone's name behind the host's."""
    finding = world.put(points(f"{NAME}.{appended}.")(ONE)).findings()[f"name.reverse {ONE} {ADDRESS}"]
    assert "final dot is missing" in finding.message


def test_a_pointer_to_somebody_elses_alias_says_so(world: World) -> None:
    """RFC 2181 section 10.2; the confirming look-up showed the alias."""
    www = "www.obs.example.net"
    confirmed = answer(ONE, www, "A", record(www, "CNAME", f"{NAME}."), record(NAME, "A", ADDRESS), purpose="confirm")
    findings = world.put(points(f"{www}.")(ONE), confirmed).findings()
    finding = findings[f"name.reverse {ONE} {ADDRESS}"]
    assert (finding.grade, finding.symptom) == (FAIL, "wrong-name")
    assert "www.obs.example.net is an alias" in finding.message
    assert findings[f"name.agreement {ADDRESS}"].grade is Grade.PASS


def test_a_missing_classless_pointer_goes_where_the_alias_leads(world: World) -> None:
    """The alias in the parent is there: only the pointer behind it is missing."""
    owner, behind = reverse_name(ADDRESS), f"11.0-25.{REVERSE}"
    world.put(*(answer(server, owner, "PTR", record(owner, "CNAME", f"{behind}."), rcode="NXDOMAIN",
                       authority=(soa(f"0-25.{REVERSE}"),)) for server in (ONE, TWO)))
    findings = world.findings()
    assert findings[f"name.reverse {ONE} {ADDRESS}"].fix == (f"; add to zone 0-25.{REVERSE}", f"{behind}. IN PTR {NAME}.")


def test_the_lines_that_close_the_loop_go_where_the_alias_leads(world: World) -> None:
    """Whatever the subzone is called: an alias of our own beside the one that is there could not be loaded."""
    owner, behind = reverse_name(ADDRESS), f"11.0/25.{REVERSE}"
    world.put(*(answer(server, owner, "PTR", record(owner, "CNAME", f"{behind}."), rcode="NXDOMAIN",
                       authority=(soa(f"0/25.{REVERSE}"),)) for server in (ONE, TWO)))
    fix = world.findings()[f"name.agreement {ADDRESS}"].fix
    assert (f"; add to zone 0/25.{REVERSE}", f"{behind}. IN PTR {NAME}.") == fix[-2:]
    assert not any("CNAME" in line for line in fix)


def test_in_a_classless_subnet_that_nobody_serves_both_lines_are_given(make_plan: MakePlan) -> None:
    """Pointer for the subzone, alias for the parent's owner (RFC 2317 section 4)."""
    plan = make_plan(networks=(Network(name="mgmt", subnet_typed="192.0.2.0/25", subnet="192.0.2.0/25"),))
    world = World(plan)
    for server in (ONE, TWO):
        world.put_site(no_name(server, REVERSE, "SOA", purpose="zone"))
        world.put(no_name(server, reverse_name(ADDRESS), "PTR"))
    assert world.findings()[f"name.reverse {ONE} {ADDRESS}"].fix == (
        f"; add to zone 0-25.{REVERSE}", f"11.0-25.{REVERSE}. IN PTR {NAME}.",
        f"; add to zone {REVERSE}", f"11.{REVERSE}. IN CNAME 11.0-25.{REVERSE}.")


def test_an_ipv6_address_has_its_pointer_in_the_nibble_tree(make_plan: MakePlan) -> None:
    """RFC 3596 section 2.5, in the zone of the /64."""
    plan = make_plan()
    six = msgspec.structs.replace(plan.hosts[0], addresses=("2001:db8:0:7::11",))
    world = World(msgspec.structs.replace(plan, hosts=(six,)))
    owner = reverse_name("2001:db8:0:7::11")
    world.put(*(no_name(server, owner, "PTR", authority=()) for server in (ONE, TWO)))
    fix = world.findings()[f"name.reverse {ONE} 2001:db8:0:7::11"].fix
    assert fix == ("; add to zone 7.0.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa", f"{owner}. IN PTR {NAME}.")


@pytest.mark.parametrize("value", ["", "0", "192.0.2.300"])
def test_a_record_that_holds_no_address_is_no_address(world: World, value: str) -> None:
    """It fails with a symptom of its own and shows what was there."""
    finding = world.put(answer(ONE, NAME, "A", record(NAME, "A", value))).findings()[f"name.forward {ONE} A"]
    assert (finding.grade, finding.symptom) == (FAIL, "no-address")
    assert (value or "an empty value") in finding.found


# --- name.agreement: the four outcomes of RFC 8601 section 2.7.3


@pytest.mark.parametrize(("spoiled", "grade", "symptom", "words"), [
    ((points()(ONE),), FAIL, "open-loop", "there is no pointer"),
    ((points("stale.obs.example.net.")(ONE), answer(ONE, "stale.obs.example.net", "A", purpose="confirm")),
     FAIL, "open-loop", "stale.obs.example.net leads to no address"),
    ((points("stale.obs.example.net.")(ONE), no_name(ONE, "stale.obs.example.net", "A", purpose="confirm")),
     FAIL, "open-loop", "stale.obs.example.net leads to no address"),
    ((points("stale.obs.example.net.")(ONE),
      answer(ONE, "stale.obs.example.net", "A", record("stale.obs.example.net", "A", "192.0.2.99"), purpose="confirm")),
     FAIL, "open-loop", "stale.obs.example.net leads to 192.0.2.99"),
    ((points("stale.obs.example.net.")(ONE),), UNPROVEN, "silent", "could not be looked up"),
    ((error(ONE, NAME, "A", "SERVFAIL"),), UNPROVEN, "silent", "SERVFAIL"),
    ((lost(ONE, reverse_name(ADDRESS), "PTR"),), UNPROVEN, "silent", "the pointer could not be seen"),
    ((points("stale.obs.example.net.", f"{NAME}.")(ONE),), Grade.PASS, "", "leads back"),
])
def test_the_loop_is_judged_as_rfc_8601_does(
    world: World, spoiled: tuple[NameAnswer, ...], grade: Grade, symptom: str, words: str
) -> None:
    """pass, fail and permerror are verdicts; a temporary error is none, even beside a server that says yes."""
    finding = world.put(*spoiled).findings()[f"name.agreement {ADDRESS}"]
    assert (finding.grade, finding.symptom) == (grade, symptom)
    assert words in finding.message


def test_a_known_fault_outweighs_an_unknown(world: World) -> None:
    """One server is silent, the other denies: that is a fail."""
    world.put(lost(ONE, reverse_name(ADDRESS), "PTR"), points()(TWO))
    assert world.findings()[f"name.agreement {ADDRESS}"].grade is FAIL


@pytest.mark.parametrize(("theirs", "grade", "words"), [
    (2026112501, Grade.PASS, "the same version"),
    (2026112400, CAUTION, f"{TWO} is behind"),
    (2026112502, CAUTION, f"{ONE} is behind"),
    ((2026112501 + 2**31) % 2**32, CAUTION, "undefined"),
    ((2026112501 + 2**31 + 1) % 2**32, CAUTION, f"{TWO} is behind"),
])
def test_zone_serials_are_compared_on_the_circle(world: World, theirs: int, grade: Grade, words: str) -> None:
    """RFC 1982 section 3.2."""
    world.put_site(answer(TWO, ZONE, "SOA", soa(ZONE, theirs), purpose="server"),
                   answer(TWO, ZONE, "SOA", soa(ZONE, theirs), purpose="server", transport="tcp"))
    finding = world.findings()[f"name.servers-agree {ZONE}"]
    assert finding.grade is grade
    assert words in finding.message


@pytest.mark.parametrize("rcode", ["NXDOMAIN", "NOERROR"])
def test_serials_of_different_zones_are_not_compared(world: World, rcode: str) -> None:
    """The second server answers out of the empty zone around it that it has by itself (RFC 6303): that one's serial is 0."""
    world.put_site(answer(TWO, REVERSE, "SOA", rcode=rcode, authority=(soa("192.in-addr.arpa", 0),), purpose="zone"))
    finding = world.findings()[f"name.servers-agree {REVERSE}"]
    assert (finding.grade, finding.symptom, finding.found) == (UNPROVEN, "silent", f"{ONE}: 2026112501")
    assert f"{TWO} (which answers out of 192.in-addr.arpa)" in finding.message


def test_the_serial_of_the_zone_around_is_compared_where_all_answer_out_of_it(world: World) -> None:
    """The lines then name that zone, for there is no smaller one to fetch."""
    for server, serial in ((ONE, 5), (TWO, 4)):
        for transport in ("udp", "tcp"):
            world.put_site(answer(server, ZONE, "SOA", authority=(soa("example.net", serial),), purpose="server",
                                  transport=transport))
    finding = world.findings()[f"name.servers-agree {ZONE}"]
    assert (finding.grade, finding.symptom) == (CAUTION, "serials-differ")
    assert len(finding.fix) == 1
    assert "rndc retransfer example.net" in finding.fix[0]


def test_the_odd_one_of_three_is_named(make_plan: MakePlan) -> None:
    """Nobody is as planned; two say the same, one does not."""
    servers = tuple(Endpoint(host, 53, host) for host in (ONE, TWO, THREE))
    world = World(make_plan(name_servers=servers))
    world.put(*(other("192.0.2.98")(server) for server in (ONE, TWO)), other("192.0.2.99")(THREE))
    assert f"The odd one out: {THREE}." in world.findings()[f"name.servers-agree {NAME}"].message


def test_of_two_wrong_servers_neither_is_the_odd_one(world: World) -> None:
    """Nothing favours either."""
    world.put(other("192.0.2.98")(ONE), other("192.0.2.99")(TWO))
    assert "None of them stands out." in world.findings()[f"name.servers-agree {NAME}"].message


def test_order_and_time_to_live_are_no_difference(make_plan: MakePlan) -> None:
    """RFC 1034 section 3.6: the order of records means nothing."""
    plan = make_plan()
    two = msgspec.structs.replace(plan.hosts[0], addresses=(ADDRESS, "192.0.2.12"))
    world = World(msgspec.structs.replace(plan, hosts=(two,)))
    world.put(other(ADDRESS, "192.0.2.12")(ONE),
              answer(TWO, NAME, "A", NameRecord(NAME, "A", 5, "192.0.2.12"), NameRecord(NAME, "A", 7, ADDRESS)))
    second = reverse_name("192.0.2.12")
    world.put(*(answer(server, second, "PTR", record(second, "PTR", f"{NAME}.")) for server in (ONE, TWO)))
    assert world.grades() == {}


def test_a_single_server_has_nobody_to_agree_with(make_plan: MakePlan) -> None:
    """Then the check does not exist, rather than pass."""
    world = World(make_plan(name_servers=(Endpoint(ONE, 53, ONE),)))
    assert not any(key.startswith("name.servers-agree") for key in world.findings())


@pytest.mark.parametrize(("sibling", "grade", "symptom"), [
    (answer(ONE, SIBLING, "A", record(SIBLING, "A", "192.0.2.50"), purpose="wildcard"), CAUTION, "wildcard"),
    (answer(ONE, SIBLING, "A", record(SIBLING, "CNAME", "any.example.net."), purpose="wildcard"), CAUTION, "wildcard"),
    (answer(ONE, SIBLING, "A", purpose="wildcard"), Grade.PASS, ""),
    (error(ONE, SIBLING, "A", "SERVFAIL", purpose="wildcard"), UNPROVEN, "server-failure"),
    (lost(ONE, SIBLING, "A", purpose="wildcard"), UNPROVEN, "silent"),
])
def test_a_name_that_nobody_planned(world: World, sibling: NameAnswer, grade: Grade, symptom: str) -> None:
    """An address or an alias for it is a wildcard (RFC 4592); silence proves nothing."""
    finding = world.put_site(sibling).findings()[f"name.wildcard {ONE}"]
    assert (finding.grade, finding.symptom) == (grade, symptom)
    if finding.found == "192.0.2.50":
        assert finding.fix == ("; remove from zone obs.example.net", "; *.obs.example.net. IN A 192.0.2.50")


SIX = "2001:db8:0:7::11"


@pytest.mark.parametrize(("lines", "fix"), [
    ((("AAAA", SIX),), ("; *.obs.example.net. IN AAAA 2001:db8:0:7::11",)),
    ((("A", "192.0.2.50"), ("AAAA", SIX)), ("; *.obs.example.net. IN A 192.0.2.50",
                                            "; *.obs.example.net. IN AAAA 2001:db8:0:7::11")),
    ((("A", "any.example.net."), ("AAAA", "any.example.net.")), ("; *.obs.example.net. IN CNAME any.example.net.",)),
])
def test_a_wildcard_of_either_family_is_found_and_told_once(
        world: World, lines: tuple[tuple[str, str], ...], fix: tuple[str, ...]) -> None:
    """RFC 4592 section 2.2.1: it answers for the types that it has; an alias answers for both."""
    world.put_site(answer(ONE, SIBLING, "A", purpose="wildcard"))
    for rrtype, value in lines:
        held = record(SIBLING, "CNAME" if value.endswith(".") else rrtype, value)
        world.put_site(answer(ONE, SIBLING, rrtype, held, purpose="wildcard"))
    finding = world.findings()[f"name.wildcard {ONE}"]
    assert (finding.grade, finding.symptom) == (CAUTION, "wildcard")
    assert finding.fix == ("; remove from zone obs.example.net", *fix)


def test_an_ipv6_address_out_of_a_wildcard_proves_nothing(make_plan: MakePlan) -> None:
    """The zone has AAAA records for any name, and none of the host's own."""
    plan = make_plan()
    six = msgspec.structs.replace(plan.hosts[0], addresses=(SIX,))
    world = World(msgspec.structs.replace(plan, hosts=(six,)))
    world.put(answer(ONE, NAME, "A"), answer(ONE, NAME, "AAAA", record(NAME, "AAAA", SIX)))
    assert world.grades().get(f"name.forward {ONE} AAAA") is None
    world.put_site(answer(ONE, SIBLING, "AAAA", record(SIBLING, "AAAA", SIX), purpose="wildcard"))
    assert world.grades()[f"name.forward {ONE} AAAA"] == (UNPROVEN, "wildcard")


@pytest.mark.parametrize("rrtype", ["A", "AAAA"])
def test_half_an_answer_about_a_random_name_proves_no_absence(world: World, rrtype: str) -> None:
    """One family was denied, of the other nothing was heard."""
    world.put_site(no_name(ONE, SIBLING, "AAAA", purpose="wildcard"))
    world.put_site(lost(ONE, SIBLING, rrtype, purpose="wildcard"))
    assert world.grades() == {f"name.wildcard {ONE}": (UNPROVEN, "silent")}


def test_the_planned_name_closes_the_loop_however_many_others_come_first(world: World) -> None:
    """Ten names are followed (RFC 8601 section 3), in whatever order the server gives them; the planned one was asked for."""
    back = reverse_name(ADDRESS)
    others = [record(back, "PTR", f"x{number}.{ZONE}.") for number in range(14)]
    for server in (ONE, TWO):
        world.put(answer(server, back, "PTR", *others, record(back, "PTR", f"{NAME}.")))
    assert world.findings()[f"name.agreement {ADDRESS}"].grade is Grade.PASS


def test_a_pointer_to_the_root_is_named_and_removed_by_a_line_that_loads(world: World) -> None:
    """RFC 1035 section 5.1: the root is one dot."""
    back = reverse_name(ADDRESS)
    world.put(answer(ONE, back, "PTR", record(back, "PTR", ".")))
    finding = world.findings()[f"name.reverse {ONE} {ADDRESS}"]
    assert f"says that {ADDRESS} is the root; planned is" in finding.message
    assert f"; {back}. IN PTR ." in finding.fix


@pytest.mark.parametrize("kept", [{"ttl": 0, "minimum": 3600}, {"ttl": 3600, "minimum": 0}])
def test_a_no_that_nobody_may_keep_is_no_memory(world: World, kept: dict[str, int]) -> None:
    """RFC 2308 section 5: a TTL of zero is not cached, so the server behind the resolver says no, and waiting mends nothing."""
    told = answer(TWO, NAME, "A", rcode="NXDOMAIN", authoritative=False, recursion_available=True, authority=(soa(ZONE, **kept),))
    findings = world.put(told).findings()
    agree = findings[f"name.servers-agree {NAME}"]
    assert (agree.grade, agree.symptom) == (FAIL, "differ")
    assert not any("wait 0" in line for line in agree.fix)
    assert "remember" not in findings[f"name.forward {TWO} A"].message


def test_a_resolver_that_remembers_an_older_serial_is_flushed_and_fetches_nothing(world: World) -> None:
    """RFC 2308 section 5, RFC 1035 section 7.4: it holds no zone, so rndc retransfer would fail there."""
    old = soa(ZONE, serial=2026112500, ttl=240)
    for transport in ("udp", "tcp"):
        world.put_site(answer(TWO, ZONE, "SOA", old, purpose="server", transport=transport, authoritative=False,
                              recursion_available=True))
    world.put(no_name(TWO, NAME, "A", authoritative=False, recursion_available=True))
    flush = (f"on {TWO}: flush what it remembers of {ZONE} (BIND: rndc flushtree {ZONE}), or wait until it forgets, and verify "
             "again")
    findings = world.findings()
    serials, forward = findings[f"name.servers-agree {ZONE}"], findings[f"name.forward {TWO} A"]
    assert (serials.grade, serials.symptom, serials.fix) == (CAUTION, "serials-differ", (flush,))
    assert f"{TWO} does not hold the zone, and may remember this for at most another 4 min." in serials.message
    assert forward.fix[:2] == (f"; {ONE} already answers as planned: does {TWO} remember an older answer?", f"; {flush}")
    assert not any("retransfer" in line for finding in findings.values() for line in finding.fix)


def test_three_faults_are_three_findings(world: World) -> None:
    """A stale address, a forgotten pointer and a wildcard: none hides another."""
    world.put_site(answer(ONE, SIBLING, "A", record(SIBLING, "A", "192.0.2.50"), purpose="wildcard"))
    world.put(other(ADDRESS, "192.0.2.99")(ONE), points()(ONE))
    grades = world.grades()
    assert grades[f"name.wildcard {ONE}"] == (CAUTION, "wildcard")
    assert grades[f"name.forward {ONE} A"] == (FAIL, "extra-address")
    assert grades[f"name.reverse {ONE} {ADDRESS}"] == (FAIL, "no-record")


TEXT = st.text(max_size=12)
RECORDS = st.lists(st.builds(NameRecord, st.sampled_from([NAME, SIBLING, ZONE, reverse_name(ADDRESS), "x"]),
                             st.sampled_from(["A", "AAAA", "CNAME", "PTR", "SOA", "NS", "TXT"]), st.integers(0, 9),
                             TEXT | st.sampled_from([NAME, ADDRESS, "::1", "a b 1 2 3 4 5", "a b x 2 3 4 -5"])), max_size=4)
CHANGES: st.SearchStrategy[Mapping[str, object]] = st.fixed_dictionaries({}, optional={
    "rcode": st.sampled_from(["", "NOERROR", "NXDOMAIN", "SERVFAIL", "13"]), "authoritative": st.booleans(),
    "recursion_available": st.booleans(), "answers": RECORDS.map(tuple), "authority": RECORDS.map(tuple),
    "failure": st.none() | st.builds(Failure, kind=st.sampled_from(FailureKind), phase=TEXT, elapsed_seconds=st.just(1.0)),
    "extended_errors": st.none() | st.lists(st.integers(0, 65535), max_size=2).map(tuple),
    "explanation": TEXT | st.sampled_from([STALE, "EDE 15 (Blocked)", "EDE ", "EDE \u00b2 x"]),
    "elapsed_seconds": st.floats(0, 10), "tries": st.integers(1, 3), "truncated": st.booleans()})


@settings(max_examples=200)
@given(st.data())
def test_no_evidence_makes_the_graders_raise(make_plan: MakePlan, data: st.DataObject) -> None:
    """Graders are total: whatever a server said, there are findings, well formed, and the other server still passes."""
    world = World(make_plan())
    for table in (world.site, world.host):
        for key in list(table):
            if key[0] == ONE and data.draw(st.booleans()):
                table[key] = msgspec.structs.replace(table[key], **data.draw(CHANGES))
    findings = world.findings()
    assert findings[f"name.forward {TWO} A"].grade is Grade.PASS
    assert findings[f"name.reverse {TWO} {ADDRESS}"].grade is Grade.PASS


@pytest.mark.parametrize("word", HOSTILE_WORDS)
@pytest.mark.parametrize(("symptom", "spoil"), [
    ("drops", {**NOTHING, "failure": SILENT, "tries": 3}), ("errs", {"rcode": "SERVFAIL"}), ("slow", {"elapsed_seconds": 5.9}),
    ("stale", {"extended_errors": (3,), "explanation": "EDE 3 (Stale)"}),
    ("no-tcp", {"truncated": True, "failure": SILENT})])
def test_no_name_that_a_server_made_up_gets_out_of_a_line_to_type(
    world: World, word: str, symptom: str, spoil: dict[str, Any], tmp_path: Path
) -> None:
    """A pointer may lead to any name, which is then looked up; RFC 1035 section 5.1 escapes less than a shell takes apart."""
    below = tuple(label.encode() for label in ZONE.split("."))
    for label in (b"a", b"b"):
        made_up = dns.name.Name((label, word.encode(), *below, b"")).to_text(omit_final_dot=True)
        world.put(msgspec.structs.replace(answer(ONE, made_up, "A", purpose="confirm"), **spoil))
    finding = next(one for one in names.grade_site(world.case()) if one.ref == f"{SITE}|name.server|{ONE}")
    assert finding.symptom == symptom
    assert any("made" in line for line in finding.fix)
    assert escapes(finding.fix, tmp_path) == ""
