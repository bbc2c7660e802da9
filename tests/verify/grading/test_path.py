"""host.path-mtu: the planned size, a smaller one that is announced, one that is not, and what could not be tried."""

from __future__ import annotations

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
    PathMtuEvidence,
    PortEvidence,
    PortState,
    SiteEvidence,
    SizeTrial,
    Vantage,
)
from shared.findings import Finding, Grade
from shared.plan import Plan
from verify.grading.case import Case
from verify.grading.path import grade_host

HOST, ROUTER = "192.0.2.11", "192.0.2.1"


def lost(kind: FailureKind = FailureKind.NO_ANSWER, *, sender: str | None = None, mtu: int | None = None) -> Failure:
    return Failure(kind=kind, phase="answer", elapsed_seconds=1.0, sender=sender, mtu=mtu)


def path(*trials: tuple[int, Failure | None], planned: int = 1500, why: Failure | None = None,
         address: str = HOST) -> PathMtuEvidence:
    tried = tuple(SizeTrial(size_octets=size, tries=3 if failed else 1, failure=failed) for size, failed in trials)
    return PathMtuEvidence(address=address, at="", planned_octets=planned, failure=why, trials=tried)


TOO_BIG = lost(FailureKind.TOO_BIG, sender=ROUTER, mtu=1400)
OWN_LIMIT = lost(FailureKind.TOO_BIG, mtu=1500)


@pytest.fixture
def judge(make_plan: Callable[..., Plan]) -> Callable[..., Finding]:
    def run(seen: PathMtuEvidence, **more: object) -> Finding:
        plan, host = make_plan(), HostEvidence(fqdn="dome-a.obs.example.net", paths=(seen,), **more)  # type: ignore[arg-type]
        case = Case(plan=plan, limits=limits_of("production"), evidence=Evidence(
            vantage=Vantage(name="pier-1"), started="", finished="", complete=True, site=SiteEvidence(), hosts=(host,)))
        (finding,) = grade_host(case, plan.hosts[0], host)
        assert (finding.grade in (Grade.FAIL, Grade.CAUTION)) == bool(finding.fix)
        assert finding.subject == seen.address
        return finding

    return run


@pytest.mark.parametrize(("seen", "grade", "symptom", "found"), [
    (path((84, None), (1500, None)), Grade.PASS, "", "1500 octets"),
    (path((84, None), (9000, None), planned=9000), Grade.PASS, "", "9000 octets"),
    (path((84, None), planned=68), Grade.PASS, "", "68 octets"),
    (path((84, None), (1500, TOO_BIG), (1400, None)), Grade.CAUTION, "too-big", f'1400 octets; {ROUTER} says "too big"'),
    (path((84, None), (1500, TOO_BIG), (1400, lost()), (1280, None)), Grade.CAUTION, "too-big",
     f'1280 octets (it speaks of 1400); {ROUTER} says "too big"'),
    (path((84, None), (1500, lost(FailureKind.TOO_BIG, sender=ROUTER)), (1280, None)), Grade.CAUTION, "too-big",
     f'1280 octets; {ROUTER} says "too big"'),
    (path((84, None), (1500, lost()), (1400, None), (1420, lost()), (1402, lost())), Grade.FAIL, "vanishes",
     "1400 octets pass, 1402 do not, and nobody says so"),
    (path((84, None), (1500, lost()), (1200, lost())), Grade.FAIL, "vanishes", "84 octets pass, 1200 do not, and nobody says so"),
    (path((84, None), (1500, lost()), (1499, None)), Grade.FAIL, "vanishes", "1499 octets pass, 1500 do not, and nobody says so"),
    (path((84, None), (9000, OWN_LIMIT), (1500, None), planned=9000), Grade.UNPROVEN, "runner-limit",
     "1500 octets, the most that pier-1 itself sends"),
    (path((84, None)), Grade.UNPROVEN, "", "84 octets"),
    (path(), Grade.UNPROVEN, "", "0 octets"),
])
def test_each_kind_of_path(judge, seen: PathMtuEvidence, grade: Grade, symptom: str, found: str) -> None:
    """Planned and found, side by side."""
    finding = judge(seen)
    assert (finding.grade, finding.symptom, finding.found) == (grade, symptom, found)


@pytest.mark.parametrize(("address", "first", "second"), [(HOST, "-4 -M do -s 1372", "-s 1374"),
                                                          ("2001:db8::11", "-6 -M do -s 1352", "-s 1354")])
def test_the_black_hole_can_be_shown_by_hand(judge, address: str, first: str, second: str) -> None:
    """The lines to type: one that is answered and one that is not; ping does not count its headers."""
    fix = judge(path((104, None), (1500, lost()), (1400, None), (1402, lost()), address=address)).fix
    assert first in fix[0]
    assert second in fix[1]
    assert "1500" in fix[2]


@pytest.mark.parametrize(("kind", "symptom"), [
    (FailureKind.NO_PRIVILEGE, "untried"), (FailureKind.NO_ROUTE, "untried"), (FailureKind.LOCAL_LIMIT, "untried"),
    (FailureKind.NO_ANSWER, "silent"), (FailureKind.UNREACHABLE, "silent"),
])
def test_what_could_not_be_tried_is_unproven(judge, kind: FailureKind, symptom: str) -> None:
    """The runner's limits are told from a dead host's silence."""
    silent = EchoEvidence(address=HOST, method="icmp-raw", at="", round_trips_seconds=(None,), failure=lost())
    finding = judge(path(why=lost(kind)), echoes=(silent,))
    assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, symptom)


@pytest.mark.parametrize("kind", [FailureKind.LOCAL_LIMIT, FailureKind.NO_PRIVILEGE, FailureKind.PROHIBITED,
                                  FailureKind.UNREACHABLE, FailureKind.OTHER])
def test_what_met_something_else_than_its_size_is_no_black_hole(judge, kind: FailureKind) -> None:
    """The runner ran short of buffers, or somebody turned the packet back: nothing is known of the size."""
    finding = judge(path((84, None), (1500, lost(kind)), (1400, lost(kind)), (1200, lost())))
    assert (finding.grade, finding.symptom) == (Grade.UNPROVEN, "untried")


@pytest.mark.parametrize(("tries", "grade"), [(1, Grade.UNPROVEN), (2, Grade.UNPROVEN), (3, Grade.FAIL), (4, Grade.FAIL)])
def test_it_takes_three_losses_to_call_it_a_black_hole(judge, tries: int, grade: Grade) -> None:
    """RFC 8899 section 5.1.2, MAX_PROBES; a short time-out may leave room for fewer."""
    seen = path((84, None))
    once = SizeTrial(size_octets=1500, tries=tries, failure=lost())
    assert judge(msgspec.structs.replace(seen, trials=(*seen.trials, once))).grade is grade


def test_a_bound_that_met_something_else_does_not_count(judge) -> None:
    """The lower size was not lost; it could not be sent."""
    seen = path((84, None), (1500, lost()), (1402, lost(FailureKind.LOCAL_LIMIT)), (1420, lost()), (1400, None))
    assert "1400 octets pass, 1420 do not" in judge(seen).found


def test_a_host_that_lives_without_echo_is_quiet(judge) -> None:
    """Its death would explain the silence; its filter does not, and what would help is said."""
    silent = EchoEvidence(address=HOST, method="icmp-raw", at="", round_trips_seconds=(None,), failure=lost())
    port = PortEvidence(address=HOST, port="22/tcp", state=PortState.OPEN, at="", elapsed_seconds=0.1, attempts=1)
    finding = judge(path(why=lost()), echoes=(silent,), ports=(port,))
    assert finding.symptom == "quiet"
    assert "let through" in finding.message


def small(*, lost_of_20: int) -> EchoEvidence:
    """The small echoes of host.echo, sent meanwhile."""
    trips = (None,) * lost_of_20 + (0.001,) * (20 - lost_of_20)
    return EchoEvidence(address=HOST, method="icmp-raw", at="", round_trips_seconds=trips)


@pytest.mark.parametrize(("lost_small", "grade"), [
    (0, Grade.FAIL), (1, Grade.FAIL), (5, Grade.FAIL), (8, Grade.FAIL), (9, Grade.UNPROVEN), (12, Grade.UNPROVEN),
    (20, Grade.UNPROVEN)])
def test_where_small_echoes_are_lost_too_it_is_not_for_their_size(judge, lost_small: int, grade: Grade) -> None:
    """A host that limits echoes lost the large ones with the others; a black hole on a path of some loss is one all the same."""
    seen = path((84, None), (1404, None), (1406, lost()))
    seen = msgspec.structs.replace(seen, trials=(*seen.trials, SizeTrial(size_octets=1500, tries=7, failure=lost())))
    finding = judge(seen, echoes=(small(lost_of_20=lost_small),))
    assert finding.grade is grade
    assert grade is Grade.FAIL or (finding.symptom, finding.found) == ("lossy", f"{lost_small} of 22 smaller echoes lost too")


def test_losses_at_another_address_of_the_host_explain_no_black_hole(judge) -> None:
    """Each address has its own way."""
    elsewhere = msgspec.structs.replace(small(lost_of_20=20), address="192.0.2.12")
    assert judge(path((84, None), (1400, None), (1500, lost())), echoes=(elsewhere,)).grade is Grade.FAIL


def test_smaller_sizes_that_were_lost_in_the_search_count_too(judge) -> None:
    """1200 and 1280 lost and 1400 not: no link is like that."""
    finding = judge(path((84, None), (1200, lost()), (1280, lost()), (1400, None), (1500, lost())))
    assert (finding.grade, finding.found) == (Grade.UNPROVEN, "6 of 8 smaller echoes lost too")
