"""host.address-conflict and host.mac: one owner, two, several of one host, routers in between, and identities that take turns."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import msgspec
import pytest

from shared.catalogue import limits_of
from shared.evidence import (
    EchoEvidence,
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    Identity,
    Owner,
    OwnersEvidence,
    SiteEvidence,
    SshEvidence,
    SshHostKey,
    SystemEvidence,
    Vantage,
)
from shared.findings import SITE, Finding, Grade
from shared.hostfacts import HostFacts, Link
from shared.plan import Plan
from verify.grading.case import Case
from verify.grading.owners import Wire, beyond_reach, grade_host, grade_site, taking_turns

A, B = "dome-a.obs.example.net", "dome-b.obs.example.net"
A_4, B_4, A_6, GATEWAY = "192.0.2.11", "192.0.2.12", "2001:db8::11", "192.0.2.1"
ONE, TWO, THREE = "00:00:5e:00:53:11", "00:00:5e:00:53:12", "00:00:5e:00:53:13"
VIRTUAL = "00:00:5e:00:01:07"
MakePlan = Callable[..., Plan]


def owned(address: str, *macs: str, why: Failure | None = None) -> OwnersEvidence:
    return OwnersEvidence(address=address, at="", interface="eth0", asked=3, failure=why,
                          owners=tuple(Owner(mac=mac, answers=3) for mac in macs))


def failure(kind: FailureKind, phase: str) -> Failure:
    return Failure(kind=kind, phase=phase, elapsed_seconds=0.0, detail="packets to it go through 198.51.100.1")


OFF_LINK = failure(FailureKind.NO_ROUTE, "off-link")


def of_host(*macs: str) -> SystemEvidence:
    """The host's own word on its interfaces."""
    return SystemEvidence(address=A_4, port="22/tcp", user="look", at="", elapsed_seconds=0.1,
                          facts=HostFacts(links=tuple(Link(interface=f"eth{n}", mac=mac) for n, mac in enumerate(macs))))


def ssh(*prints: str) -> SshEvidence:
    return SshEvidence(address=A_4, port="22/tcp", at="", elapsed_seconds=0.1,
                       host_keys=tuple(SshHostKey(key_type="ssh-ed25519", bits=256, fingerprint=one, blob=b"") for one in prints))


def met(fingerprint: str, kind: str = "ssh-ed25519", port: str = "22/tcp") -> Identity:
    return Identity(address=A_4, port=port, at="", kind=kind, fingerprint=fingerprint)


@pytest.fixture
def judge(make_plan: MakePlan) -> Callable[..., dict[str, Finding]]:
    """Judges dome-a, and gives its findings by check; for several addresses the last one's."""

    def run(*seen: OwnersEvidence, mac: str | None = None, b_mac: str | None = None, of_b: tuple[OwnersEvidence, ...] = (),
            gateways: tuple[OwnersEvidence, ...] = (), **more: object) -> dict[str, Finding]:
        plan = make_plan()
        first = msgspec.structs.replace(plan.hosts[0], mac=mac, addresses=(A_4, A_6))
        plan = msgspec.structs.replace(plan, hosts=(first, msgspec.structs.replace(plan.hosts[1], mac=b_mac)))
        host = HostEvidence(fqdn=A, owners=seen, **more)  # type: ignore[arg-type]
        case = Case(plan=plan, limits=limits_of("production"), evidence=Evidence(
            vantage=Vantage(name="pier-1"), started="", finished="", complete=True, site=SiteEvidence(owners=gateways),
            hosts=(host, HostEvidence(fqdn=B, owners=of_b))))
        findings = grade_host(case, Wire(case), first, host)
        for finding in findings:
            assert (finding.grade in (Grade.FAIL, Grade.CAUTION)) == bool(finding.fix), finding
        return {finding.check: finding for finding in findings}

    return run


CONFLICT, MAC = "host.address-conflict", "host.mac"


@pytest.mark.parametrize("address", [A_4, A_6])
def test_one_owner_passes(judge, address: str) -> None:
    """Named by its hardware address; and no other host has it."""
    found = judge(owned(address, ONE))
    assert {check: (one.grade, one.found) for check, one in found.items()} == {
        CONFLICT: (Grade.PASS, ONE), MAC: (Grade.PASS, ONE)}


def test_two_owners_of_an_ipv4_address_of_whom_nothing_is_known_are_a_caution(judge) -> None:
    """Two machines, or two interfaces of one: what would tell is said."""
    found = judge(owned(A_4, ONE, TWO))[CONFLICT]
    assert (found.grade, found.symptom) == (Grade.CAUTION, "two-owners")
    assert any("at the console of dome-a.obs.example.net (ip -br link)" in line for line in found.fix)


def test_of_two_owners_none_is_taken_for_the_host(judge) -> None:
    """The one heard first may be the stranger: it is neither passed nor offered for the plan, until something is known."""
    found = judge(owned(A_4, TWO, ONE))
    assert found[MAC].grade is Grade.UNPROVEN
    assert not any(f'mac = "{mac}"' in line for mac in (ONE, TWO) for line in found[CONFLICT].fix)
    assert not any(f'mac = "{mac}"' in line for mac in (ONE, TWO) for line in judge(owned(A_4, TWO, ONE), mac=THREE)[MAC].fix)
    assert judge(owned(A_4, TWO, ONE), mac=ONE)[MAC].grade is Grade.PASS
    assert judge(owned(A_4, TWO, ONE), system=of_host(ONE, TWO))[MAC].grade is Grade.PASS


@pytest.mark.parametrize(("known", "grade", "word"), [
    ({"mac": ONE}, Grade.FAIL, "gives dome-a.obs.example.net only"),
    ({"b_mac": TWO}, Grade.FAIL, f"{TWO} is that of {B}"),
    ({"of_b": (owned(B_4, TWO),)}, Grade.FAIL, f"{TWO} is that of {B}"),
    ({"system": of_host(ONE)}, Grade.FAIL, "By its own word"),
    ({"system": of_host(ONE, TWO)}, Grade.PASS, "all interfaces of"),
    ({"system": of_host(ONE, TWO, THREE), "mac": ONE}, Grade.PASS, "all interfaces of"),
    ({"system": of_host(THREE)}, Grade.FAIL, "By its own word"),
    ({"system": of_host()}, Grade.CAUTION, "nothing seen tells which"),
    ({"of_b": (owned(B_4, ONE, TWO),)}, Grade.CAUTION, "nothing seen tells which"),   # one machine with both addresses
])
def test_what_is_known_decides_about_two(judge, known: dict[str, object], grade: Grade, word: str) -> None:
    """The plan, another host's address, and the host's own list of its interfaces, each settles it."""
    found = judge(owned(A_4, ONE, TWO), **known)[CONFLICT]
    assert found.grade is grade
    assert word in found.message
    assert ONE in found.found
    assert TWO in found.found


def test_two_owners_of_an_ipv6_address_are_a_conflict(judge) -> None:
    """An interface answers only for addresses that are its own (RFC 4861 section 7.2.3)."""
    assert judge(owned(A_6, ONE, TWO))[CONFLICT].grade is Grade.FAIL


def test_three_owners_are_all_named(judge) -> None:
    """Every one of them is to be found at the switch."""
    found = judge(owned(A_4, ONE, TWO, THREE), mac=ONE)[CONFLICT]
    assert all(any(f"look up {mac}" in line for line in found.fix) for mac in (ONE, TWO, THREE))


@pytest.mark.parametrize(("router", "gateways", "word"), [
    (TWO, (owned(GATEWAY, TWO),), f"the gateway {GATEWAY}"), (VIRTUAL, (), "RFC 9568"),
])
def test_a_router_that_answers_too_is_no_second_host(judge, router: str, gateways: tuple[OwnersEvidence, ...], word: str) -> None:
    """Beside the host, or in its place: answering in the name of others is worth ending, and no conflict."""
    for macs in ((ONE, router), (router,)):
        found = judge(owned(A_4, *macs), gateways=gateways)[CONFLICT]
        assert (found.grade, found.symptom) == (Grade.CAUTION, "proxy")
        assert word in found.message


@pytest.mark.parametrize(("hop_limit", "grade"), [
    (64, Grade.PASS), (255, Grade.PASS), (63, Grade.CAUTION), (None, Grade.CAUTION)])
def test_a_host_that_is_the_gateways_machine_is_told_from_one_behind_it(judge, hop_limit: int | None, grade: Grade) -> None:
    """What a router passed on has lost a hop."""
    echo = EchoEvidence(address=A_4, method="icmp-raw", at="", round_trips_seconds=(0.001,), hop_limit=hop_limit)
    assert judge(owned(A_4, TWO), gateways=(owned(GATEWAY, TWO),), echoes=(echo,))[CONFLICT].grade is grade


@pytest.mark.parametrize(("mac", "grade", "symptom"), [("", Grade.CAUTION, "router-mac"), (TWO, Grade.PASS, "")])
def test_a_routers_hardware_address_is_nobody_elses(judge, mac: str, grade: Grade, symptom: str) -> None:
    """A router that answers for a host, or holds its address, is not that host, unless the plan says that it is."""
    for limit in (63, 64):
        echo = EchoEvidence(address=A_4, method="icmp-raw", at="", round_trips_seconds=(0.001,), hop_limit=limit)
        found = judge(owned(A_4, TWO), gateways=(owned(GATEWAY, TWO),), echoes=(echo,), mac=mac)[MAC]
        assert (found.grade, found.symptom) == (grade, symptom)
    assert judge(owned(A_4, ONE, TWO), gateways=(owned(GATEWAY, TWO),))[MAC].grade is Grade.PASS


def test_nobody_is_unproven(judge) -> None:
    """A silent host's matter, and host.mac has nothing to say."""
    found = judge(owned(A_4))
    assert (set(found), found[CONFLICT].grade, found[CONFLICT].symptom) == ({CONFLICT}, Grade.UNPROVEN, "silent")


def test_a_missing_privilege_is_unproven_and_another_wire_no_finding(judge) -> None:
    """On the wire it could have been asked; from another place nobody could."""
    found = judge(owned(A_4, why=failure(FailureKind.NO_PRIVILEGE, "open")))
    assert {check: one.grade for check, one in found.items()} == {CONFLICT: Grade.UNPROVEN}
    assert judge(owned(A_4, why=OFF_LINK)) == {}
    assert judge(owned(A_4, why=failure(FailureKind.NO_ROUTE, "own"))) == {}
    assert judge() == {}


def test_identities_that_take_turns_are_two_owners_from_anywhere(judge) -> None:
    """Two keys of one type on one port; both are named, the wire seen or not."""
    for seen in ((), (owned(A_4, why=OFF_LINK),), (owned(A_4, ONE),), (owned(A_4, ONE, TWO),)):
        found = judge(*seen, ssh=(ssh("SHA256:one"),), identities=(met("SHA256:two"), met("SHA256:one")))[CONFLICT]
        assert (found.grade, found.symptom) == (Grade.FAIL, "two-owners")
        assert "SHA256:one and SHA256:two" in found.message


@pytest.mark.parametrize("identities", [
    (met("SHA256:one"), met("SHA256:one")),                        # the same every time
    (met("SHA256:two", kind="ecdsa-sha2-nistp256"),),              # a key of another type is no other host
    (met("SHA256:two", port="2222/tcp"),),                         # nor is another port's
    (met(""),),                                                    # a visit that failed
])
def test_what_is_no_taking_turns(identities: tuple[Identity, ...]) -> None:
    """Only different answers to the same question tell."""
    assert taking_turns(HostEvidence(fqdn=A, ssh=(ssh("SHA256:one"),), identities=identities), A_4) is None


def test_beyond_reach_says_where_and_why(make_plan: MakePlan) -> None:
    """Addresses whose wire the runner does not share, but not one that was seen to have two owners."""
    turning = HostEvidence(fqdn=B, owners=(owned(A_4, why=OFF_LINK),), identities=(met("SHA256:one"), met("SHA256:two")))
    asked = HostEvidence(fqdn=B, owners=(owned(B_4, ONE), owned(A_6, why=failure(FailureKind.NO_PRIVILEGE, "open"))))
    evidence = Evidence(vantage=Vantage(name="pier-1"), started="", finished="", complete=True, site=SiteEvidence(),
                        hosts=(HostEvidence(fqdn=A, owners=(owned(A_4, why=OFF_LINK),)), turning, asked))
    assert beyond_reach(evidence) == {f"{A} {A_4}": "packets to it go through 198.51.100.1"}


@pytest.mark.parametrize(("mac", "grade", "symptom"), [
    (ONE, Grade.PASS, ""), (TWO, Grade.FAIL, "other-mac"), (ONE.upper().replace(":", "-"), Grade.PASS, ""),
    ("nonsense", Grade.PASS, ""),                                  # lint says what is wrong with it
])
def test_the_planned_hardware_address(judge, mac: str, grade: Grade, symptom: str) -> None:
    """However it is written."""
    found = judge(owned(A_4, ONE), mac=mac)[MAC]
    assert (found.grade, found.symptom) == (grade, symptom)


def test_a_swap_names_whose_hardware_address_answers(judge) -> None:
    """Two addresses typed at each other's console."""
    found = judge(owned(A_4, TWO), mac=ONE, b_mac=TWO, of_b=(owned(B_4, ONE),))[MAC]
    assert f"{TWO} is that of {B}" in found.message


def test_one_machine_at_two_hosts_addresses(judge) -> None:
    """Neither address has two owners, yet it is one machine, or a clone."""
    found = judge(owned(A_4, ONE), of_b=(owned(B_4, ONE),))
    assert (found[CONFLICT].grade, found[MAC].grade, found[MAC].symptom) == (Grade.PASS, Grade.FAIL, "shared-mac")
    assert B in found[MAC].found


def test_a_router_that_answers_for_a_whole_site_is_told_in_few_words(make_plan: MakePlan) -> None:
    """Each host is at one hardware address: the first are named, which the other findings follow from, and the rest counted."""
    first = make_plan().hosts[0]
    rows = tuple(msgspec.structs.replace(first, name=f"h{n}", fqdn=f"h{n}.example.net", addresses=(f"192.0.2.{n}",))
                 for n in range(250, 150, -1))
    hosts = tuple(HostEvidence(fqdn=row.fqdn, owners=(owned(row.addresses[0], ONE),)) for row in rows)
    case = Case(plan=make_plan(hosts=rows), limits=limits_of("production"), evidence=Evidence(
        vantage=Vantage(name="pier-1"), started="", finished="", complete=True, site=SiteEvidence(), hosts=hosts))
    found = [one for row, seen in zip(rows, hosts, strict=True) for one in grade_host(case, Wire(case), row, seen)
             if one.symptom == "shared-mac"]
    assert len(found) == 100
    assert max(len(one.message) for one in found) < 500
    assert all("h250.example.net" in one.found for one in found[1:])
    assert "and 91 more" in found[-1].found


@pytest.mark.parametrize(("macs", "grade"), [((VIRTUAL,), Grade.PASS), ((ONE,), Grade.PASS), ((ONE, TWO), Grade.FAIL)])
def test_the_gateways_address(make_plan: MakePlan, macs: tuple[str, ...], grade: Grade) -> None:
    """A pair of routers shares one hardware address (RFC 9568 section 7.3); two hardware addresses are two machines."""
    case = Case(plan=make_plan(), limits=limits_of("production"), evidence=Evidence(
        vantage=Vantage(name="pier-1"), started="", finished="", complete=True, hosts=(),
        site=SiteEvidence(owners=(owned(GATEWAY, *macs), owned("192.0.2.2", why=OFF_LINK)))))
    (finding,) = grade_site(case)
    assert (finding.ref, finding.grade) == (f"{SITE}|{CONFLICT}|{GATEWAY}", grade)


def test_any_evidence_is_judged(judge) -> None:
    """Every mixture of owners, routers, plans, words and turns gives findings and never an error."""
    count = 0
    for macs, mac, system, gateway, turns in itertools.product(
            ((), (ONE,), (ONE, TWO), (VIRTUAL, ONE, TWO)), (None, ONE, THREE, "?"),
            (None, of_host(), of_host(ONE), of_host(ONE, TWO)),
            ((), (owned(GATEWAY, ONE),)), ((), (met("SHA256:one"), met("SHA256:two")))):
        for address in (A_4, A_6):
            found = judge(owned(address, *macs), mac=mac, system=system, gateways=gateway, identities=turns)
            assert found
            count += 1
    assert count == 512
