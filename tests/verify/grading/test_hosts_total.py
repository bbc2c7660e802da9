"""No evidence, however odd, makes the graders of gateways, hosts and ports raise, or pass without proof."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.catalogue import PROFILES, limits_of
from shared.evidence import (
    EchoEvidence,
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    NameAnswer,
    NameRecord,
    PortEvidence,
    PortState,
    SiteEvidence,
    Vantage,
)
from shared.findings import Grade
from shared.plan import Plan
from verify.grading import gateway, hosts, ports
from verify.grading.case import Case

ADDRESSES = ("192.0.2.11", "2001:db8::11")
SENDERS = (None, "192.0.2.1", *ADDRESSES)

failures = st.none() | st.builds(
    Failure, kind=st.sampled_from(FailureKind), phase=st.sampled_from(["connect", "neighbour"]), elapsed_seconds=st.just(1.0),
    detail=st.text(max_size=5), sender=st.sampled_from(SENDERS))
trips = st.lists(st.none() | st.floats(0, 3), max_size=5).map(tuple)
echoes = st.builds(EchoEvidence, address=st.sampled_from([*ADDRESSES, "192.0.2.1"]), method=st.just("icmp-raw"), at=st.just(""),
                   warm_up_seconds=st.none() | st.floats(0, 3), round_trips_seconds=trips, failure=failures)
knocks = st.builds(PortEvidence, address=st.sampled_from(ADDRESSES), port=st.sampled_from(["22/tcp", "443/tcp", "23/tcp"]),
                   state=st.sampled_from(PortState), at=st.just(""), elapsed_seconds=st.floats(0, 9),
                   attempts=st.integers(1, 3), failure=failures)
records = st.builds(NameRecord, owner=st.text(max_size=5), rrtype=st.sampled_from(["A", "AAAA"]), ttl_seconds=st.just(300),
                    value=st.text(min_size=1, max_size=9) | st.just("2001:db8::66"))
answers = st.builds(NameAnswer, server=st.just("192.0.2.53"), name=st.just("dome-a.obs.example.net"), rrtype=st.just("AAAA"),
                    purpose=st.just("forward"), transport=st.just("udp"), at=st.just(""), elapsed_seconds=st.just(0.0),
                    rcode=st.sampled_from(["NOERROR", "NXDOMAIN", "SERVFAIL", "3841"]), failure=failures,
                    answers=st.lists(records, max_size=2).map(tuple))


@settings(max_examples=300)
@given(echo=st.lists(echoes, max_size=3), knock=st.lists(knocks, max_size=4), names=st.lists(answers, max_size=2),
       on_link=st.sampled_from([{}, {"mgmt": True}, {"mgmt": False}]), profile=st.sampled_from(PROFILES),
       ipv6=st.sampled_from(["on", "off"]))
def test_graders_are_total(
    make_plan: Callable[..., Plan], echo: list[EchoEvidence], knock: list[PortEvidence], names: list[NameAnswer],
    on_link: dict[str, bool], profile: str, ipv6: str,
) -> None:
    """Every finding has its own ref and its texts, every fail and caution a mend; a host nobody asked passes nothing."""
    plan = make_plan()
    host = msgspec.structs.replace(plan.hosts[0], addresses=ADDRESSES)
    plan = msgspec.structs.replace(plan, hosts=(host,), networks=(msgspec.structs.replace(plan.networks[0], ipv6=ipv6),))
    seen = HostEvidence(fqdn=host.fqdn, echoes=tuple(echo), ports=tuple(knock), names=tuple(names))
    case = Case(plan=plan, limits=limits_of(profile), evidence=Evidence(
        vantage=Vantage(name="pier-1", on_link=on_link), started="", finished="", complete=True,
        site=SiteEvidence(gateways=tuple(echo)), hosts=(seen,)))
    found = [*gateway.grade_site(case), *gateway.grade_host(case, host, seen), *hosts.grade_host(case, host, seen),
             *ports.grade_host(case, host, seen)]
    assert len({finding.ref for finding in found}) == len(found)
    for finding in found:
        assert finding.planned
        assert finding.found
        assert finding.message
        assert bool(finding.fix) is (finding.grade in (Grade.CAUTION, Grade.FAIL))
    if not echo and not knock:
        assert {finding.grade for finding in found if finding.check != "host.ipv6"} == {Grade.UNPROVEN}
