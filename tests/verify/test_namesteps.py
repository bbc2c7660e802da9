"""Answers held against the plan, record by record: every kind of answer, and what must never be called missing."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest

from shared.evidence import Evidence, Failure, FailureKind, HostEvidence, NameAnswer, NameRecord, SiteEvidence, Vantage
from shared.hostnames import reverse_name
from shared.namesteps import Action, NameSteps
from shared.plan import Network, Plan
from verify.namesteps import classless_questions, name_steps

MakePlan = Callable[..., Plan]
HOST, ADDRESS, OTHER = "dome-a.obs.example.net", "192.0.2.11", "192.0.2.54"
REVERSE = reverse_name(ADDRESS)
SILENCE = Failure(kind=FailureKind.NO_ANSWER, phase="answer", elapsed_seconds=6.0)


def record(owner: str, rrtype: str, value: str) -> NameRecord:
    return NameRecord(owner, rrtype, 3600, value)


def answer(name: str, rrtype: str, *records: NameRecord, server: str = "192.0.2.53", rcode: str = "", purpose: str = "forward",
           failure: Failure | None = None) -> NameAnswer:
    return NameAnswer(server=server, name=name, rrtype=rrtype, purpose=purpose, transport="udp", at="", elapsed_seconds=0.001,
                      rcode="" if failure else rcode or "NOERROR", authoritative=not failure, answers=records, failure=failure)


def right(server: str = "192.0.2.53") -> list[NameAnswer]:
    """What a server says that has everything as planned."""
    return [answer(HOST, "A", record(HOST, "A", ADDRESS), server=server), answer(HOST, "AAAA", server=server),
            answer(REVERSE, "PTR", record(REVERSE, "PTR", f"{HOST}."), server=server)]


def steps(make_plan: MakePlan, answers: list[NameAnswer], *, servers: int = 1, subnet: str = "192.0.2.0/24",
          site: tuple[NameAnswer, ...] = ()) -> NameSteps:
    plan = make_plan(hosts=make_plan().hosts[:1], name_servers=make_plan().name_servers[:servers],
                     networks=(Network(name="mgmt", subnet_typed=subnet, subnet=subnet),))
    return name_steps(plan, Evidence(vantage=Vantage(name="bench"), started="", finished="", complete=True,
                                     site=SiteEvidence(names=site), hosts=(HostEvidence(fqdn=HOST, names=tuple(answers)),)))


def told(found: NameSteps) -> list[str]:
    """Each step in one line: action, zone, record."""
    return [f"{step.action} {step.zone}: {step.line.absolute()}" for step in found.steps]


KEEP_A = f"keep obs.example.net: {HOST}. IN A {ADDRESS}"
KEEP_PTR = f"keep 2.0.192.in-addr.arpa: {REVERSE}. IN PTR {HOST}."
ADD_A, ADD_PTR = KEEP_A.replace("keep", "add", 1), KEEP_PTR.replace("keep", "add", 1)


@pytest.mark.parametrize(("change", "expected"), [
    ({}, [KEEP_A, KEEP_PTR]),
    ({0: answer(HOST, "A", rcode="NXDOMAIN")}, [ADD_A, KEEP_PTR]),
    ({0: answer(HOST, "A")}, [ADD_A, KEEP_PTR]),
    ({0: answer(HOST, "A", record(HOST, "A", "192.0.2.99"))},
     [ADD_A, f"remove obs.example.net: {HOST}. IN A 192.0.2.99", KEEP_PTR]),
    ({0: answer(HOST, "A", record(HOST, "A", ADDRESS), record(HOST, "A", "192.0.2.99"))},
     [KEEP_A, f"remove obs.example.net: {HOST}. IN A 192.0.2.99", KEEP_PTR]),
    ({1: answer(HOST, "AAAA", record(HOST, "AAAA", "2001:db8::99"))},
     [KEEP_A, f"remove obs.example.net: {HOST}. IN AAAA 2001:db8::99", KEEP_PTR]),
    ({0: answer(HOST, "A", record(HOST, "CNAME", "www.obs.example.net."), record("www.obs.example.net", "A", ADDRESS))},
     [f"remove obs.example.net: {HOST}. IN CNAME www.obs.example.net.", ADD_A, KEEP_PTR]),
    ({0: answer(HOST, "A", record(HOST, "CNAME", f"{HOST}."))},
     [f"remove obs.example.net: {HOST}. IN CNAME {HOST}.", ADD_A, KEEP_PTR]),
    ({2: answer(REVERSE, "PTR", rcode="NXDOMAIN")}, [KEEP_A, ADD_PTR]),
    ({2: answer(REVERSE, "PTR", record(REVERSE, "PTR", "old.obs.example.net."))},
     [KEEP_A, ADD_PTR, f"remove 2.0.192.in-addr.arpa: {REVERSE}. IN PTR old.obs.example.net."]),
    ({2: answer(REVERSE, "PTR", record(REVERSE, "PTR", "OLD.obs.example.net."), record(REVERSE, "PTR", f"{HOST.upper()}."))},
     [KEEP_A, KEEP_PTR, f"remove 2.0.192.in-addr.arpa: {REVERSE}. IN PTR old.obs.example.net."]),
])
def test_every_definite_answer_has_its_steps(make_plan: MakePlan, change: dict[int, NameAnswer], expected: list[str]) -> None:
    """Yes, no, wrong, too much, alias, alias to itself: what puts it right."""
    answers = [change.get(place, one) for place, one in enumerate(right())]
    found = steps(make_plan, answers)
    assert sorted(told(found)) == sorted(expected)
    assert found.unseen == ()


def test_a_pointer_goes_into_the_zone_that_the_no_has_shown(make_plan: MakePlan) -> None:
    """A /16 may be served by its /24 zones; the one at the plan's boundary is then none."""
    start = record("2.0.192.in-addr.arpa", "SOA", "ns1.obs.example.net. h.obs.example.net. 1 7200 900 1209600 3600")
    missing = msgspec.structs.replace(answer(REVERSE, "PTR", rcode="NXDOMAIN"), authority=(start,))
    assert told(steps(make_plan, [*right()[:2], missing], subnet="192.0.0.0/16")) == [KEEP_A, ADD_PTR]


@pytest.mark.parametrize("nothing", [
    answer(HOST, "A", failure=SILENCE), answer(HOST, "A", rcode="SERVFAIL"), answer(HOST, "A", rcode="REFUSED"),
    answer(HOST, "A", failure=msgspec.structs.replace(SILENCE, kind=FailureKind.NO_ROUTE)),
    msgspec.structs.replace(answer(HOST, "A"), authoritative=False),
    msgspec.structs.replace(answer(HOST, "A", rcode="NXDOMAIN"), explanation="EDE 15 (Blocked)"),
])
def test_what_says_nothing_is_never_missing(make_plan: MakePlan, nothing: NameAnswer) -> None:
    """Silence, errors, no route, a bare referral, a no by a policy of the server's own."""
    found = steps(make_plan, [nothing, *right()[1:]])
    assert told(found) == [KEEP_PTR]
    assert [(one.server, [line.absolute() for line in one.lines]) for one in found.unseen] == [
        ("192.0.2.53", [f"{HOST}. IN A {ADDRESS}"])]


def test_a_question_that_was_never_asked_is_not_seen(make_plan: MakePlan) -> None:
    """An interrupted run."""
    found = steps(make_plan, [])
    assert found.steps == ()
    assert {one.why for one in found.unseen} == {"it was not asked"}


def test_a_wildcard_hides_the_record(make_plan: MakePlan) -> None:
    """RFC 4592: the same answer for a random name proves no record, right or wrong; another answer does."""
    def sibling(address: str) -> tuple[NameAnswer]:
        name = "zq7f3k.obs.example.net"
        return (answer(name, "A", record(name, "A", address), purpose="wildcard"),)

    hidden = steps(make_plan, right(), site=sibling(ADDRESS))
    assert told(hidden) == [KEEP_PTR]
    assert "random name" in hidden.unseen[0].why
    assert told(steps(make_plan, right(), site=sibling("192.0.2.99"))) == [KEEP_A, KEEP_PTR]


@pytest.mark.parametrize("records", [(("A", "192.0.2.99"),), (("CNAME", "any.obs.example.net."),)])
def test_what_a_wildcard_gives_is_not_removed_from_the_host(make_plan: MakePlan, records: tuple[tuple[str, str], ...]) -> None:
    """The host has no record of its own to remove; the one that the plan wants is added beside the wildcard."""
    name = "zq7f3k.obs.example.net"
    wild = answer(name, "A", *(record(name, *one) for one in records), purpose="wildcard")
    seen = answer(HOST, "A", *(record(HOST, *one) for one in records))
    assert told(steps(make_plan, [seen, *right()[1:]], site=(wild,))) == [ADD_A, KEEP_PTR]


def test_servers_that_differ_are_told_apart(make_plan: MakePlan) -> None:
    """One has the address, the other does not; both have the pointer."""
    lacking = [answer(HOST, "A", server=OTHER), *right(OTHER)[1:]]
    found = steps(make_plan, [*right(), *lacking], servers=2)
    assert {(step.action, step.line.rrtype): step.servers for step in found.steps} == {
        (Action.KEEP, "A"): ("192.0.2.53",), (Action.ADD, "A"): (OTHER,), (Action.KEEP, "PTR"): ("192.0.2.53", OTHER)}


def soa(zone: str) -> NameAnswer:
    return answer(zone, "SOA", record(zone, "SOA", "ns1. hostmaster. 1 2 3 4 5"), purpose="zone")


SUBZONE, PARENT = "0-25.2.0.192.in-addr.arpa", "2.0.192.in-addr.arpa"
PLAIN = f"add {PARENT}: {REVERSE}. IN PTR {HOST}."
CLASSLESS = [f"add {SUBZONE}: 11.{SUBZONE}. IN PTR {HOST}.", f"add {PARENT}: {REVERSE}. IN CNAME 11.{SUBZONE}."]


@pytest.mark.parametrize(("site", "expected"), [
    ((), CLASSLESS), ((soa(PARENT), soa(SUBZONE)), CLASSLESS), ((soa(SUBZONE),), CLASSLESS), ((soa(PARENT),), [PLAIN]),
])
def test_a_missing_pointer_goes_where_a_server_would_look_for_it(
    make_plan: MakePlan, site: tuple[NameAnswer, ...], expected: list[str],
) -> None:
    """RFC 2317 where its zone is served or nothing is; where only the zone around it is served, that will do."""
    answers = [*right()[:2], answer(REVERSE, "PTR", rcode="NXDOMAIN")]
    assert told(steps(make_plan, answers, subnet="192.0.2.0/25", site=site))[1:] == expected


@pytest.mark.parametrize("subnet", ["192.0.2.0/24", "192.0.2.0/25"])
def test_a_missing_pointer_goes_into_the_wider_zone_that_the_server_s_own_no_shows(make_plan: MakePlan, subnet: str) -> None:
    """Nobody has a zone at the boundary, and the server speaks for the /16 around it (RFC 2308 section 2.1)."""
    shown = record("0.192.in-addr.arpa", "SOA", "ns1.obs.example.net. hostmaster.obs.example.net. 1 2 3 4 5")
    no = msgspec.structs.replace(answer(REVERSE, "PTR", rcode="NXDOMAIN"), authority=(shown,))
    assert told(steps(make_plan, [*right()[:2], no], subnet=subnet))[1:] == [
        f"add 0.192.in-addr.arpa: {REVERSE}. IN PTR {HOST}."]


def test_a_pointer_behind_an_alias_is_mended_where_the_alias_leads(make_plan: MakePlan) -> None:
    """RFC 2317 section 4 with the RFC's own slash, which is not the plan's form and works as well."""
    owner = "11.0/25.2.0.192.in-addr.arpa"
    alias = record(REVERSE, "CNAME", f"{owner}.")
    wrong = answer(REVERSE, "PTR", alias, record(owner, "PTR", "old.obs.example.net."))
    zone = "0/25.2.0.192.in-addr.arpa"
    assert told(steps(make_plan, [*right()[:2], wrong], subnet="192.0.2.0/25"))[1:] == [
        f"add {zone}: {owner}. IN PTR {HOST}.", f"remove {zone}: {owner}. IN PTR old.obs.example.net."]
    sound = answer(REVERSE, "PTR", alias, record(owner, "PTR", f"{HOST}."))
    assert told(steps(make_plan, [*right()[:2], sound], subnet="192.0.2.0/25"))[1:] == [f"keep {zone}: {owner}. IN PTR {HOST}."]


def test_reverse_aliases_without_end_are_taken_out(make_plan: MakePlan) -> None:
    """An alias that leads to itself has to go before a pointer can come."""
    loop = answer(REVERSE, "PTR", record(REVERSE, "CNAME", f"{REVERSE}."))
    assert told(steps(make_plan, [*right()[:2], loop]))[1:] == [f"remove {PARENT}: {REVERSE}. IN CNAME {REVERSE}.", ADD_PTR]


def test_each_classless_zone_is_asked_for_once_a_server(make_plan: MakePlan) -> None:
    """And none where every subnet ends at a label."""
    assert classless_questions(make_plan(), make_plan().hosts) == ()
    plan = make_plan(networks=(Network(name="mgmt", subnet_typed="", subnet="192.0.2.0/25"),))
    assert [(one.server.label, one.name, one.rrtype) for one in classless_questions(plan, plan.hosts)] == [
        ("192.0.2.53", SUBZONE, "SOA"), (OTHER, SUBZONE, "SOA")]
