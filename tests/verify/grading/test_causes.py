"""Which findings are folded under which, and which may never be."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest

from shared.evidence import Evidence, SiteEvidence, Vantage
from shared.findings import SITE, Finding, Grade, Measured, make_ref
from shared.plan import Plan
from verify.grading.causes import explain

HOST, OTHER = "dome-a.obs.example.net", "dome-b.obs.example.net"


def finding(host: str, check: str, subject: str, grade: Grade, symptom: str = "", found: str = "") -> Finding:
    return Finding(check=check, subject=subject, grade=grade, planned="", found=found, message=f"{check} of {host}",
                   ref=make_ref(host, check, subject), symptom=symptom)


@pytest.fixture
def because(make_plan: Callable[..., Plan]) -> Callable[..., dict[str, tuple[str, ...]]]:
    """Explains findings and gives, for each, the checks of its causes, by ``host|check|subject``."""

    def run(*findings: Finding, on_link: bool | None = None) -> dict[str, tuple[str, ...]]:
        vantage = Vantage(name="runner", on_link={} if on_link is None else {"mgmt": on_link})
        evidence = Evidence(vantage=vantage, started="", finished="", complete=True, site=SiteEvidence(), hosts=())
        explained = explain(make_plan(), evidence, list(findings))
        assert [one.ref for one in explained] == [one.ref for one in findings]
        return {one.ref: one.because for one in explained}

    return run


MAC, OTHER_MAC = "02:00:00:00:00:11", "02:00:00:00:00:12"
DEAD_HOST = finding(HOST, "host.echo", "192.0.2.11", Grade.FAIL, "silent")
CLOSED_DOOR = finding(HOST, "port.open", "443/tcp", Grade.FAIL, "refused")
NO_TLS = finding(HOST, "certificate.trust", "443/tcp", Grade.UNPROVEN, "refused")
DEAD_SERVER = finding(SITE, "name.server", "192.0.2.53", Grade.FAIL, "silent")
LIVE_SERVER = finding(SITE, "name.server", "192.0.2.54", Grade.PASS)
NO_TIME = finding(HOST, "certificate.dates", "443/tcp", Grade.UNPROVEN, "no-agreed-time")


def sources(*grades: Grade) -> list[Finding]:
    return [finding(SITE, "clock.source", f"192.0.2.{61 + index}", grade, "silent" if grade is Grade.FAIL else "")
            for index, grade in enumerate(grades)]


def test_a_dead_host_explains_its_ports_and_what_is_behind_them(because) -> None:
    """Ports and certificates of a dead host point at the host, across the port that was never proven shut."""
    door = finding(HOST, "port.open", "443/tcp", Grade.UNPROVEN, "silent")
    told = because(DEAD_HOST, door, NO_TLS)
    assert told[door.ref] == told[NO_TLS.ref] == (DEAD_HOST.ref,)


def test_a_host_that_no_packet_reaches_explains_the_same(because) -> None:
    """Nothing was heard of it either, whoever is to blame."""
    no_way = msgspec.structs.replace(DEAD_HOST, symptom="no-way")
    door = finding(HOST, "port.open", "443/tcp", Grade.UNPROVEN, "silent")
    told = because(no_way, door, NO_TLS)
    assert told[door.ref] == told[NO_TLS.ref] == (no_way.ref,)


@pytest.mark.parametrize(("subject", "folded"), [
    ("23/tcp", True), ("23/tcp at 192.0.2.11", True), ("23/tcp at 2001:db8::11", False)])
def test_a_host_that_loses_echoes_explains_a_silence_that_may_be_loss(because, subject: str, *, folded: bool) -> None:
    """Of a port that should be closed, at that address; a silence that has no part in the losses stays."""
    loss = finding(HOST, "host.echo", "192.0.2.11", Grade.FAIL, "loss")
    port, silent = (finding(HOST, "port.closed", subject, Grade.UNPROVEN, symptom) for symptom in ("lossy", "silent"))
    assert because(loss, port)[port.ref] == ((loss.ref,) if folded else ())
    assert because(loss, silent)[silent.ref] == ()


def test_a_closed_port_explains_its_certificate_but_not_another_ports(because) -> None:
    """The nearest proven cause is named, and only for the same port."""
    elsewhere = finding(HOST, "certificate.trust", "8443/tcp", Grade.UNPROVEN, "refused")
    told = because(CLOSED_DOOR, NO_TLS, elsewhere)
    assert told[NO_TLS.ref] == (CLOSED_DOOR.ref,)
    assert told[elsewhere.ref] == ()


def test_what_a_peer_refuses_has_nothing_to_do_with_old_versions_or_the_hosts_own_clock(because) -> None:
    """These are other faults of the same door and host, and predict no wrong date."""
    refused = finding(HOST, "certificate.peers", "443/tcp", Grade.FAIL, "refused-by-peer", f"refused by {OTHER}")
    told = because(finding(HOST, "certificate.protocol", "443/tcp", Grade.FAIL, "old-version"),
                   finding(HOST, "clock.synchronised", "192.0.2.11", Grade.FAIL, "unsynchronised"), refused)
    assert told[refused.ref] == ()


def test_one_hosts_death_is_not_anothers_excuse(because) -> None:
    """Causes stay with their host."""
    door = finding(OTHER, "port.open", "443/tcp", Grade.UNPROVEN, "silent")
    assert because(DEAD_HOST, door)[door.ref] == ()


@pytest.mark.parametrize("grade", [Grade.PASS, Grade.CAUTION, Grade.UNPROVEN, Grade.WAIVED])
def test_only_a_proven_fail_explains(because, grade: Grade) -> None:
    """What is itself unproven, or no fault, is never a cause."""
    door = finding(HOST, "port.open", "443/tcp", grade, "refused")
    assert because(door, NO_TLS)[NO_TLS.ref] == ()


def test_a_fail_of_its_own_is_never_folded(because) -> None:
    """A certificate that was seen and is bad stays a cause of its own, dead host or not."""
    seen = finding(HOST, "certificate.trust", "443/tcp", Grade.FAIL, "self-signed")
    assert because(CLOSED_DOOR, seen)[seen.ref] == ()


def test_a_dead_name_server_explains_only_questions_put_to_it(because) -> None:
    """The other server's silence about a name is a matter of its own."""
    dead = finding(HOST, "name.forward", "192.0.2.53 A", Grade.UNPROVEN, "silent")
    live = finding(HOST, "name.forward", "192.0.2.54 A", Grade.UNPROVEN, "server-failure")
    told = because(DEAD_SERVER, LIVE_SERVER, dead, live)
    assert told[dead.ref] == (DEAD_SERVER.ref,)
    assert told[live.ref] == ()


def test_agreement_waits_on_name_servers_only_when_none_is_left(because) -> None:
    """What is judged over all servers is explained by dead ones together, not by one of two."""
    agreement = finding(HOST, "name.agreement", "192.0.2.11", Grade.UNPROVEN, "silent")
    both = finding(SITE, "name.server", "192.0.2.54", Grade.FAIL, "silent")
    assert because(DEAD_SERVER, LIVE_SERVER, agreement)[agreement.ref] == ()
    assert because(DEAD_SERVER, both, agreement)[agreement.ref] == (DEAD_SERVER.ref, both.ref)


def test_agreement_waits_on_a_dead_server_where_only_that_one_was_mute(because) -> None:
    """Every answer that is missing is missing because of it."""
    missing = [finding(HOST, "name.forward", "192.0.2.53 A", Grade.UNPROVEN, "silent"),
               finding(HOST, "name.reverse", "192.0.2.53 192.0.2.11", Grade.UNPROVEN, "silent")]
    weighed = [finding(HOST, "name.agreement", "192.0.2.11", Grade.UNPROVEN, "silent"),
               finding(HOST, "name.servers-agree", HOST, Grade.UNPROVEN, "silent")]
    told = because(DEAD_SERVER, LIVE_SERVER, *missing, *weighed)
    assert [told[one.ref] for one in (*missing, *weighed)] == [(DEAD_SERVER.ref,)] * 4


def test_agreement_is_not_explained_while_a_living_server_kept_an_answer_back(because) -> None:
    """One missing answer with a reason of its own breaks the fold."""
    missing = finding(HOST, "name.forward", "192.0.2.53 A", Grade.UNPROVEN, "silent")
    failing = finding(HOST, "name.reverse", "192.0.2.54 192.0.2.11", Grade.UNPROVEN, "server-failure")
    weighed = finding(HOST, "name.agreement", "192.0.2.11", Grade.UNPROVEN, "silent")
    assert because(DEAD_SERVER, LIVE_SERVER, missing, failing, weighed)[weighed.ref] == ()


def test_zones_wait_on_the_server_that_should_have_spoken_for_them(because) -> None:
    """The reverse zone at the dead server, and the comparison of both zones over all servers."""
    zone = "2.0.192.in-addr.arpa"
    reverse = finding(SITE, "name.server", f"192.0.2.53 {zone}", Grade.UNPROVEN, "silent")
    weighed = [finding(SITE, "name.servers-agree", name, Grade.UNPROVEN, "silent") for name in (zone, "obs.example.net")]
    told = because(DEAD_SERVER, LIVE_SERVER, reverse, *weighed)
    assert [told[one.ref] for one in (reverse, *weighed)] == [(DEAD_SERVER.ref,)] * 3


def test_a_zone_that_one_server_does_not_speak_for_explains_its_own_comparison_only(because) -> None:
    """A reverse zone that was never set up says nothing of the forward zone."""
    zone = "2.0.192.in-addr.arpa"
    lame = finding(SITE, "name.server", f"192.0.2.54 {zone}", Grade.FAIL, "refuses")
    of_zone = finding(SITE, "name.servers-agree", zone, Grade.UNPROVEN, "silent")
    of_other = finding(SITE, "name.servers-agree", "obs.example.net", Grade.UNPROVEN, "silent")
    told = because(LIVE_SERVER, lame, of_zone, of_other)
    assert told[of_zone.ref] == (lame.ref,)
    assert told[of_other.ref] == ()
    home = finding(SITE, "name.server", "192.0.2.54", Grade.FAIL, "refuses")
    told = because(LIVE_SERVER, home, of_zone, of_other)
    assert told[of_zone.ref] == ()
    assert told[of_other.ref] == (home.ref,)


NEAR, FAR = "2.0.192.in-addr.arpa", "7.18.198.in-addr.arpa"


@pytest.mark.parametrize(("grade", "symptom"), [(Grade.FAIL, "no-name"), (Grade.UNPROVEN, "refuses")])
def test_a_missing_zone_explains_its_own_pointers_only(because, grade: Grade, symptom: str) -> None:
    """A pointer missing in another zone is a fault of its own, though the same server lacks it."""
    lacks = finding(SITE, "name.server", f"192.0.2.54 {NEAR}", Grade.FAIL, symptom)
    inside = finding(HOST, "name.reverse", "192.0.2.54 192.0.2.11", grade, symptom, "1")
    outside = finding(HOST, "name.reverse", "192.0.2.54 198.18.7.11", grade, symptom, "2")
    forward = finding(HOST, "name.forward", "192.0.2.54 A", grade, symptom)
    told = because(LIVE_SERVER, lacks, inside, outside, forward)
    assert (told[inside.ref], told[outside.ref], told[forward.ref]) == ((lacks.ref,), (), ())


@pytest.mark.parametrize(("grade", "symptom"), [(Grade.FAIL, "no-name"), (Grade.UNPROVEN, "server-failure")])
def test_a_missing_domain_explains_no_pointer(because, grade: Grade, symptom: str) -> None:
    """Forward and reverse are two zones: the one that is lost holds the names alone."""
    lost = finding(SITE, "name.server", "192.0.2.53", Grade.FAIL, symptom)
    name = finding(HOST, "name.forward", "192.0.2.53 A", grade, symptom)
    pointer = finding(HOST, "name.reverse", "192.0.2.53 192.0.2.11", grade, symptom)
    told = because(lost, LIVE_SERVER, name, pointer)
    assert (told[name.ref], told[pointer.ref]) == ((lost.ref,), ())


def test_a_reverse_zone_that_is_served_is_no_name_server_left(because) -> None:
    """The one server has lost the plan's domain: that it still speaks for a reverse zone gives nobody a name."""
    lost = finding(SITE, "name.server", "192.0.2.53", Grade.FAIL, "server-failure")
    serves = finding(SITE, "name.server", f"192.0.2.53 {NEAR}", Grade.PASS)
    waits = finding(HOST, "host.ipv6", HOST, Grade.UNPROVEN)
    assert because(lost, serves, waits)[waits.ref] == (lost.ref,)
    assert because(lost, serves, LIVE_SERVER, waits)[waits.ref] == ()


def test_a_server_without_udp_explains_its_reverse_zones(because) -> None:
    """Every question begins over UDP, those about reverse zones too."""
    deaf = finding(SITE, "name.server", "192.0.2.53", Grade.FAIL, "no-udp")
    zones = [finding(SITE, "name.server", f"192.0.2.53 {zone}", Grade.UNPROVEN, "silent") for zone in (NEAR, FAR)]
    told = because(deaf, LIVE_SERVER, *zones)
    assert [told[zone.ref] for zone in zones] == [(deaf.ref,)] * 2


def test_a_server_without_tcp_explains_what_was_cut_short_and_no_more(because) -> None:
    """An error that came whole has a reason of its own."""
    no_tcp = finding(SITE, "name.server", "192.0.2.53", Grade.FAIL, "no-tcp")
    cut = finding(HOST, "name.forward", "192.0.2.53 A", Grade.UNPROVEN, "truncated")
    pointer = finding(HOST, "name.reverse", "192.0.2.53 192.0.2.11", Grade.UNPROVEN, "server-failure")
    zone = finding(SITE, "name.server", f"192.0.2.53 {NEAR}", Grade.UNPROVEN, "truncated")
    weighed = finding(HOST, "name.servers-agree", HOST, Grade.UNPROVEN, "silent")
    compared = finding(SITE, "name.servers-agree", NEAR, Grade.UNPROVEN, "silent")
    told = because(no_tcp, LIVE_SERVER, cut, zone, weighed, compared)
    assert told[cut.ref] == told[weighed.ref] == told[zone.ref] == told[compared.ref] == (no_tcp.ref,)
    assert because(no_tcp, LIVE_SERVER, pointer)[pointer.ref] == ()


def test_two_servers_without_tcp_each_explain_their_own_cut_answers(because) -> None:
    """The mend of one brings the answers of that one; what is asked of no server by name waits on both."""
    no_tcp = [finding(SITE, "name.server", server, Grade.FAIL, "no-tcp") for server in ("192.0.2.53", "192.0.2.54")]
    cut = [finding(HOST, "name.forward", f"{server.subject} A", Grade.UNPROVEN, "truncated") for server in no_tcp]
    stray = finding(HOST, "host.ipv6", HOST, Grade.UNPROVEN)
    told = because(*no_tcp, *cut, stray)
    assert [told[one.ref] for one in cut] == [(one.ref,) for one in no_tcp]
    assert told[stray.ref] == (no_tcp[0].ref, no_tcp[1].ref)


def test_a_slow_server_explains_its_silence_and_nothing_that_it_said(because) -> None:
    """It answers: an error of it, or an answer cut short, has a reason of its own, and its serial was seen."""
    slow = finding(SITE, "name.server", "192.0.2.53", Grade.FAIL, "slow")
    late, cut = (finding(HOST, "name.forward", f"192.0.2.53 {rrtype}", Grade.UNPROVEN, symptom)
                 for rrtype, symptom in (("A", "silent"), ("AAAA", "truncated")))
    zone = finding(SITE, "name.server", f"192.0.2.53 {NEAR}", Grade.UNPROVEN, "silent")
    mute = finding(SITE, "name.server", "192.0.2.54", Grade.FAIL, "silent")
    compared = finding(SITE, "name.servers-agree", "obs.example.net", Grade.UNPROVEN, "silent")
    stray = finding(HOST, "host.ipv6", HOST, Grade.UNPROVEN)
    told = because(slow, mute, late, cut, zone, compared, stray)
    assert [told[one.ref] for one in (late, cut, zone, compared, stray)] == [(slow.ref,), (), (slow.ref,), (mute.ref,), ()]


def test_a_server_that_errs_explains_its_errors_and_no_silence(because) -> None:
    """The questions that failed, the zone whose start of authority failed, and what is weighed over them."""
    errs = finding(SITE, "name.server", "192.0.2.53", Grade.FAIL, "errs")
    zone = finding(SITE, "name.server", f"192.0.2.53 {NEAR}", Grade.UNPROVEN, "server-failure")
    failed = [finding(HOST, "name.forward", "192.0.2.53 A", Grade.UNPROVEN, "server-failure"),
              finding(HOST, "name.reverse", "192.0.2.53 192.0.2.11", Grade.UNPROVEN, "server-failure")]
    weighed = [finding(HOST, "name.agreement", "192.0.2.11", Grade.UNPROVEN, "silent"),
               finding(SITE, "name.servers-agree", NEAR, Grade.UNPROVEN, "silent")]
    silent = finding(OTHER, "name.forward", "192.0.2.53 A", Grade.UNPROVEN, "silent")
    told = because(errs, LIVE_SERVER, zone, *failed, *weighed, silent)
    assert [told[one.ref] for one in (zone, *failed, *weighed)] == [(errs.ref,)] * 5
    assert told[silent.ref] == ()


def test_a_server_that_denies_names_explains_each_denial_and_nothing_else(because) -> None:
    """Two hundred hosts have one cause then; a name that is missing, another server's denial, and silence are their own."""
    denies = finding(SITE, "name.server", "192.0.2.53", Grade.FAIL, "denies-names")
    denied = [finding(host, "name.forward", "192.0.2.53 AAAA", Grade.FAIL, "denies-name", host) for host in (HOST, OTHER)]
    others = [finding(HOST, "name.forward", "192.0.2.53 A", Grade.FAIL, "no-name"),
              finding(HOST, "name.forward", "192.0.2.54 AAAA", Grade.FAIL, "denies-name", "other"),
              finding(HOST, "name.reverse", "192.0.2.53 192.0.2.11", Grade.UNPROVEN, "silent"),
              finding(HOST, "host.ipv6", HOST, Grade.UNPROVEN)]
    told = because(denies, *denied, *others)
    assert [told[one.ref] for one in denied] == [(denies.ref,)] * 2
    assert [told[one.ref] for one in others] == [()] * 4


@pytest.mark.parametrize("symptom", ["no-edns", "drops"])
def test_a_server_that_drops_questions_explains_its_silence_and_still_serves(because, symptom: str) -> None:
    """What it did answer counts."""
    deaf = finding(SITE, "name.server", "192.0.2.53", Grade.FAIL, symptom)
    zone = finding(SITE, "name.server", f"192.0.2.53 {NEAR}", Grade.UNPROVEN, "silent")
    silent = finding(HOST, "name.forward", "192.0.2.53 A", Grade.UNPROVEN, "silent")
    failed = finding(HOST, "name.reverse", "192.0.2.53 192.0.2.11", Grade.UNPROVEN, "server-failure")
    waits = finding(HOST, "host.ipv6", HOST, Grade.UNPROVEN)
    told = because(deaf, zone, silent, failed, waits)
    assert (told[silent.ref], told[zone.ref], told[failed.ref], told[waits.ref]) == ((deaf.ref,), (deaf.ref,), (), ())


def test_dates_wait_on_time_sources_only_when_all_are_dead(because) -> None:
    """One source that answers breaks the fold: then something else kept the time from being agreed on."""
    dead = sources(Grade.FAIL, Grade.FAIL)
    assert because(*dead, NO_TIME)[NO_TIME.ref] == tuple(one.ref for one in dead)
    assert because(*sources(Grade.FAIL, Grade.PASS), NO_TIME)[NO_TIME.ref] == ()


def test_dead_time_sources_do_not_explain_a_silent_time_service_of_the_host(because) -> None:
    """The fold needs the symptom that the cause predicts: no agreed time, not no answer."""
    silent = finding(HOST, "clock.offset", "192.0.2.11", Grade.UNPROVEN, "silent")
    assert because(*sources(Grade.FAIL, Grade.FAIL), silent)[silent.ref] == ()


def test_a_bad_protocol_version_does_not_explain_dates_without_an_agreed_time(because) -> None:
    """A port that speaks TLS, if an old version too, is no reason for a date that cannot be judged."""
    old = finding(HOST, "certificate.protocol", "443/tcp", Grade.FAIL, "old-version")
    assert because(old, NO_TIME)[NO_TIME.ref] == ()


def test_an_unkept_clock_explains_its_offset_and_the_offset_the_skew(because) -> None:
    """Unsynchronised, therefore off, therefore apart from the others."""
    unkept = finding(HOST, "clock.synchronised", "192.0.2.11", Grade.FAIL, "unsynchronised")
    off = finding(HOST, "clock.offset", "192.0.2.11", Grade.FAIL, "offset")
    skew = finding(SITE, "clock.skew", "hosts", Grade.FAIL, "outlier")
    told = because(skew, unkept, off)
    assert told[off.ref] == (unkept.ref,)
    assert told[skew.ref] == (off.ref,)


def test_a_time_service_that_gives_no_time_explains_the_offset_that_could_not_be_read(because) -> None:
    """For the same reason and at the same address only."""
    withheld = finding(HOST, "clock.synchronised", "192.0.2.11", Grade.FAIL, "refused")
    unread = finding(HOST, "clock.offset", "192.0.2.11", Grade.UNPROVEN, "refused")
    elsewhere = finding(HOST, "clock.offset", "192.0.2.12", Grade.UNPROVEN, "refused")
    unjudged = finding(HOST, "clock.offset", "192.0.2.11", Grade.UNPROVEN, "no-agreed-time")
    assert because(withheld, unread)[unread.ref] == (withheld.ref,)
    assert because(withheld, elsewhere)[elsewhere.ref] == ()
    assert because(withheld, unjudged)[unjudged.ref] == ()


def test_an_unsynchronised_clock_does_not_explain_an_offset_that_could_not_be_read(because) -> None:
    """It answered, so something else kept the offset from being read."""
    unkept = finding(HOST, "clock.synchronised", "192.0.2.11", Grade.FAIL, "unsynchronised")
    unread = finding(HOST, "clock.offset", "192.0.2.11", Grade.UNPROVEN, "silent")
    assert because(unkept, unread)[unread.ref] == ()


def test_a_dead_host_explains_its_unproven_way_out(because) -> None:
    """Whose subject is the gateway's address; that of the other IP version is another matter."""
    way_out = finding(HOST, "gateway.return-path", "192.0.2.1", Grade.UNPROVEN, "silent")
    other = finding(HOST, "gateway.return-path", "2001:db8::1", Grade.UNPROVEN, "silent")
    told = because(DEAD_HOST, way_out, other)
    assert told[way_out.ref] == (DEAD_HOST.ref,)
    assert told[other.ref] == ()


def test_the_same_record_missing_at_every_server_is_one_cause(because) -> None:
    """The first telling is the cause; a different fault at another server is told for itself."""
    first = finding(HOST, "name.reverse", "192.0.2.53 192.0.2.11", Grade.FAIL, "no-name", "NXDOMAIN")
    again = finding(HOST, "name.reverse", "192.0.2.54 192.0.2.11", Grade.FAIL, "no-name", "NXDOMAIN")
    other = finding(HOST, "name.reverse", "192.0.2.55 192.0.2.11", Grade.FAIL, "wrong-name", "old.obs.example.net")
    told = because(first, again, other)
    assert told == {first.ref: (), again.ref: (first.ref,), other.ref: ()}


def test_one_service_that_is_wrong_at_both_addresses_of_its_host_is_one_cause(because) -> None:
    """The certificate is told once; another certificate at the other address, or another port's, is told for itself."""
    four = finding(HOST, "certificate.name", "443/tcp at 192.0.2.11", Grade.FAIL, "other-name", "DNS name old")
    six = finding(HOST, "certificate.name", "443/tcp at 2001:db8::11", Grade.FAIL, "other-name", "DNS name old")
    other = finding(HOST, "certificate.name", "443/tcp at 2001:db8::12", Grade.FAIL, "other-name", "DNS name older")
    port = finding(HOST, "certificate.name", "8443/tcp at 192.0.2.11", Grade.FAIL, "other-name", "DNS name old")
    neighbour = finding(OTHER, "certificate.name", "443/tcp at 192.0.2.12", Grade.FAIL, "other-name", "DNS name old")
    told = because(four, six, other, port, neighbour)
    assert told == {four.ref: (), six.ref: (four.ref,), other.ref: (), port.ref: (), neighbour.ref: ()}


def test_a_clock_that_is_not_kept_is_told_at_one_address(because) -> None:
    """A host has one clock, however many addresses."""
    four = finding(HOST, "clock.synchronised", "192.0.2.11", Grade.FAIL, "unsynchronised", "stratum 0")
    six = finding(HOST, "clock.synchronised", "2001:db8::11", Grade.FAIL, "unsynchronised", "stratum 0")
    assert because(four, six) == {four.ref: (), six.ref: (four.ref,)}


def test_a_silent_ipv6_address_is_one_cause(because) -> None:
    """host.ipv6 repeats the silence; an AAAA record that nobody planned is a fault of its own, dead address or not."""
    dead = finding(HOST, "host.echo", "2001:db8::11", Grade.FAIL, "silent")
    silent = finding(HOST, "host.ipv6", "2001:db8::11", Grade.FAIL, "silent")
    unplanned = finding(HOST, "host.ipv6", HOST, Grade.FAIL, "unplanned")
    told = because(dead, silent, unplanned)
    assert told == {dead.ref: (), silent.ref: (dead.ref,), unplanned.ref: ()}


def test_twins_share_one_cause(because) -> None:
    """A key on two hosts is one fault, told first by the first of them."""
    one = finding(HOST, "ssh.shared-key", "22/tcp", Grade.FAIL, "shared-key", f"the same as on {OTHER}")
    two = finding(OTHER, "ssh.shared-key", "22/tcp", Grade.FAIL, "shared-key", f"the same as on {HOST}")
    assert because(one, two) == {one.ref: (), two.ref: (one.ref,)}


def test_exchanged_addresses_share_one_cause(because) -> None:
    """Both addresses of both hosts show it, under keys that differ."""
    found = [finding(host, "ssh.shared-key", subject, Grade.FAIL, "apart", f"the same as on {twin} ({key})")
             for host, twin, last in ((HOST, OTHER, 11), (OTHER, HOST, 12))
             for subject, key in ((f"22/tcp at 192.0.2.{last}", "one"), (f"22/tcp at 2001:db8::{last}", "two"))]
    told = because(*found)
    assert [told[one.ref] for one in found] == [(), *[(found[0].ref,)] * 3]


def test_two_rows_of_one_machine_share_one_cause(because) -> None:
    """The plan is mended once; what was copied from host to host is mended at each."""
    for symptom, folded in (("one-machine", True), ("shared", False)):
        one, two = (finding(host, "system.shared-identity", "boot id", Grade.FAIL, symptom, f"the same as on {twin}")
                    for host, twin in ((HOST, OTHER), (OTHER, HOST)))
        assert because(one, two) == {one.ref: (), two.ref: (one.ref,) if folded else ()}


def test_twins_of_two_addresses_share_one_cause_too(because) -> None:
    """The first twin tells it once, whatever it has of addresses; what it shares with another host is another fault."""
    one, again, two, apart = (
        finding(host, "ssh.shared-key", subject, Grade.FAIL, "shared-key", f"the same as on {twin}")
        for host, subject, twin in ((HOST, "22/tcp at 192.0.2.11", OTHER), (HOST, "22/tcp at 2001:db8::11", OTHER),
                                    (OTHER, "22/tcp at 192.0.2.12", HOST), (HOST, "2222/tcp", "dome-c.obs.example.net")))
    assert because(one, again, two, apart) == {one.ref: (), again.ref: (one.ref,), two.ref: (one.ref,), apart.ref: ()}


GATEWAY = finding(SITE, "gateway.echo", "192.0.2.1", Grade.FAIL, "silent")


def test_a_host_behind_a_dead_gateway_is_unproven_not_dead(make_plan: Callable[..., Plan]) -> None:
    """From outside, a silent host behind a silent gateway is not proven dead, and loses its mend for the console."""
    evidence = Evidence(vantage=Vantage(name="runner", on_link={"mgmt": False}), started="", finished="", complete=True,
                        site=SiteEvidence(), hosts=())
    explained = {one.ref: one for one in explain(make_plan(), evidence, [GATEWAY, DEAD_HOST])}
    assert explained[DEAD_HOST.ref].grade is Grade.UNPROVEN
    assert explained[DEAD_HOST.ref].because == (GATEWAY.ref,)


@pytest.mark.parametrize("on_link", [True, None])
def test_a_dead_gateway_is_no_excuse_on_the_same_wire(because, on_link: bool | None) -> None:
    """A runner on the hosts' own wire does not need the gateway."""
    assert because(GATEWAY, DEAD_HOST, on_link=on_link)[DEAD_HOST.ref] == ()


def test_a_dead_gateway_is_no_excuse_while_another_host_is_heard_through_it(because) -> None:
    """The contradiction breaks the fold."""
    alive = finding(OTHER, "host.echo", "192.0.2.12", Grade.PASS)
    assert because(GATEWAY, DEAD_HOST, alive, on_link=False)[DEAD_HOST.ref] == ()


CONFLICT = finding(HOST, "host.address-conflict", "192.0.2.11", Grade.FAIL, "two-owners")


@pytest.mark.parametrize("grade", [Grade.FAIL, Grade.CAUTION])
def test_two_owners_explain_echoes_that_are_lost_now_and_then(because, grade: Grade) -> None:
    """Loss at that very address, and nothing else: not silence, not slowness, not another address."""
    loss = finding(HOST, "host.echo", "192.0.2.11", grade, "loss")
    slow = finding(HOST, "host.echo", "192.0.2.11 round trip", grade, "slow")
    elsewhere = finding(HOST, "host.echo", "2001:db8::11", grade, "loss")
    neighbour = finding(OTHER, "host.echo", "192.0.2.11", grade, "loss")
    told = because(CONFLICT, loss, slow, elsewhere, neighbour)
    assert told == {CONFLICT.ref: (), loss.ref: (CONFLICT.ref,), slow.ref: (), elsewhere.ref: (), neighbour.ref: ()}


def test_two_owners_of_the_gateway_explain_its_losses(because) -> None:
    """The same for the whole network's gateway."""
    conflict = finding(SITE, "host.address-conflict", "192.0.2.1", Grade.FAIL, "two-owners")
    loss = finding(SITE, "gateway.echo", "192.0.2.1", Grade.FAIL, "loss")
    assert because(conflict, loss)[loss.ref] == (conflict.ref,)


def quarrel(host: str = HOST, subject: str = "192.0.2.11", grade: Grade = Grade.FAIL, macs: str = f"{MAC} and {OTHER_MAC}"
            ) -> Finding:
    return finding(host, "host.address-conflict", subject, grade, "two-owners", macs)


@pytest.mark.parametrize(("cause", "folded"), [
    pytest.param(quarrel(), True, id="the second machine is the other host"),
    pytest.param(quarrel(SITE, "192.0.2.1"), True, id="it holds the address of the gateway"),
    pytest.param(quarrel(macs=f"02:00:00:00:00:77 and {MAC}"), False, id="the second machine is a third one"),
    pytest.param(quarrel("dome-c.obs.example.net"), False, id="a quarrel with a host that was not named"),
    pytest.param(quarrel(grade=Grade.CAUTION), False, id="a suspicion"),
])
def test_a_machine_that_holds_two_addresses_is_told_where_the_quarrel_is(because, cause: Finding, *, folded: bool) -> None:
    """The hardware address of dome-b is met at dome-a's address too, as the conflict there has said already."""
    met = finding(OTHER, "host.mac", "192.0.2.12", Grade.FAIL, "shared-mac", f"{OTHER_MAC}, also of {HOST}")
    assert because(cause, met)[met.ref] == ((cause.ref,) if folded else ())


def test_whose_hardware_address_is_whose_waits_for_the_quarrel(because) -> None:
    """Of the same address; that of another, and another machine instead of the planned one, are not explained."""
    unknown, elsewhere = (finding(HOST, "host.mac", address, Grade.UNPROVEN, "two-owners", f"{MAC} and {OTHER_MAC}")
                          for address in ("192.0.2.11", "192.0.2.13"))
    another = finding(HOST, "host.mac", "192.0.2.14", Grade.FAIL, "other-mac", OTHER_MAC)
    told = because(quarrel(), unknown, elsewhere, another)
    assert (told[unknown.ref], told[elsewhere.ref], told[another.ref]) == ((quarrel().ref,), (), ())


def test_a_suspicion_of_two_owners_explains_nothing(because) -> None:
    """Only what is proven is a cause; and a router that answers too loses nobody's echoes."""
    loss = finding(HOST, "host.echo", "192.0.2.11", Grade.FAIL, "loss")
    for grade, symptom in ((Grade.CAUTION, "two-owners"), (Grade.UNPROVEN, "two-owners"), (Grade.FAIL, "proxy")):
        suspected = finding(HOST, "host.address-conflict", "192.0.2.11", grade, symptom)
        assert because(suspected, loss)[loss.ref] == ()


def test_a_dead_host_explains_what_its_wire_and_path_did_not_say(because) -> None:
    """Nobody claims the address of a host that is off, and no size passes to it."""
    effects = [finding(HOST, check, "192.0.2.11", Grade.UNPROVEN, "silent")
               for check in ("host.address-conflict", "host.path-mtu")]
    told = because(DEAD_HOST, *effects)
    assert [told[effect.ref] for effect in effects] == [(DEAD_HOST.ref,)] * 2


def test_what_hangs_on_a_host_behind_a_dead_gateway_hangs_on_the_gateway(because) -> None:
    """The chain has three links: port, silent host, dead gateway; and none of them is a cause but the last."""
    port = finding(HOST, "port.open", "443/tcp", Grade.UNPROVEN, "silent")
    size = finding(HOST, "host.path-mtu", "192.0.2.11", Grade.UNPROVEN, "silent")
    elsewhere = finding(OTHER, "port.open", "443/tcp", Grade.UNPROVEN, "silent")
    told = because(GATEWAY, DEAD_HOST, port, size, elsewhere, on_link=False)
    assert told[DEAD_HOST.ref] == (GATEWAY.ref,)
    assert told[port.ref] == told[size.ref] == (DEAD_HOST.ref,)
    assert told[elsewhere.ref] == ()


UNRESOLVED = finding(SITE, "clock.source", "time4.obs.example.net", Grade.UNPROVEN, "not-resolved")
SECOND_DEAD = finding(SITE, "name.server", "192.0.2.54", Grade.FAIL, "silent")


def test_dead_name_servers_explain_a_time_source_planned_by_name_and_all_that_waits_for_the_time(because) -> None:
    """No name, no source; no source, no time; no time, no dates."""
    agree = finding(SITE, "clock.sources-agree", "time sources", Grade.UNPROVEN, "too-few")
    told = because(DEAD_SERVER, SECOND_DEAD, UNRESOLVED, agree, NO_TIME)
    both = (DEAD_SERVER.ref, SECOND_DEAD.ref)
    assert told[UNRESOLVED.ref] == told[agree.ref] == told[NO_TIME.ref] == both


def test_a_time_source_planned_by_address_breaks_that_fold(because) -> None:
    """Names are dead, but it answers: time is judged, and what is wrong with it is its own."""
    (answers,) = sources(Grade.PASS)
    apart = finding(SITE, "clock.sources-agree", "time sources", Grade.UNPROVEN, "too-few")
    told = because(DEAD_SERVER, SECOND_DEAD, UNRESOLVED, answers, apart, NO_TIME)
    assert told[UNRESOLVED.ref] == (DEAD_SERVER.ref, SECOND_DEAD.ref)
    assert told[apart.ref] == told[NO_TIME.ref] == ()


def test_one_living_name_server_is_enough_for_the_time(because) -> None:
    """A source that could not be resolved then has a reason of its own."""
    assert because(DEAD_SERVER, LIVE_SERVER, UNRESOLVED)[UNRESOLVED.ref] == ()


def test_dead_name_servers_explain_no_clock_for_another_reason(because) -> None:
    """A host that serves no time, or a source that is silent at its address, has nothing to do with names."""
    unserved = finding(HOST, "clock.offset", "192.0.2.11", Grade.UNPROVEN, "serves-no-time")
    silent = finding(SITE, "clock.source", "192.0.2.53", Grade.UNPROVEN, "silent")
    told = because(DEAD_SERVER, SECOND_DEAD, UNRESOLVED, unserved, silent)
    assert told[unserved.ref] == told[silent.ref] == ()


@pytest.mark.parametrize(("symptom", "folded"), [("changed-host-key", True), ("unknown-host-key", True),
                                                 ("revoked-host-key", False), ("no-login", False)])
def test_a_strange_host_key_waits_for_the_quarrel_about_the_address(because, symptom: str, folded: bool) -> None:
    """While two machines hold an address nobody should be told to trust the key that either shows."""
    quarrel = finding(HOST, "host.address-conflict", "192.0.2.11", Grade.FAIL, "two-owners")
    login = finding(HOST, "system.login", "192.0.2.11", Grade.FAIL, symptom)
    elsewhere = finding(OTHER, "system.login", "192.0.2.12", Grade.FAIL, symptom)
    told = because(quarrel, login, elsewhere)
    assert told[login.ref] == ((quarrel.ref,) if folded else ())
    assert told[elsewhere.ref] == ()


def _behind_two_gateways(plan: Plan, *findings: Finding) -> dict[str, tuple[Grade, tuple[str, ...]]]:
    """Grade and causes by subject, for a runner outside a wire of both families."""
    wire = msgspec.structs.replace(plan.networks[0], second_subnet_typed="2001:db8::/64", second_subnet="2001:db8::/64",
                                   second_gateway="2001:db8::1")
    evidence = Evidence(vantage=Vantage(name="runner", on_link={"mgmt": False}), started="", finished="", complete=True,
                        site=SiteEvidence(), hosts=())
    told = explain(msgspec.structs.replace(plan, networks=(wire,)), evidence, list(findings))
    return {one.subject: (one.grade, one.because) for one in told}


def test_a_dead_gateway_excuses_the_silence_of_its_own_family(make_plan: Callable[..., Plan]) -> None:
    """What answers over IPv4 does not come through it, and a silence there has another cause."""
    dead = finding(SITE, "gateway.echo", "2001:db8::1", Grade.FAIL, "silent")
    silent_6 = finding(HOST, "host.echo", "2001:db8::11", Grade.FAIL, "silent")
    heard = finding(HOST, "host.echo", "192.0.2.11", Grade.PASS)
    told = _behind_two_gateways(make_plan(), dead, heard, silent_6)
    assert told["2001:db8::11"] == (Grade.UNPROVEN, (dead.ref,))
    told = _behind_two_gateways(make_plan(), dead, DEAD_HOST, silent_6)
    assert told["192.0.2.11"] == (Grade.FAIL, ())
    assert told["2001:db8::11"] == (Grade.UNPROVEN, (dead.ref,))


def test_a_gateway_through_which_somebody_answers_is_no_excuse(make_plan: Callable[..., Plan]) -> None:
    dead = finding(SITE, "gateway.echo", "2001:db8::1", Grade.FAIL, "silent")
    silent_6 = finding(HOST, "host.echo", "2001:db8::11", Grade.FAIL, "silent")
    through = finding(OTHER, "host.echo", "2001:db8::12", Grade.PASS)
    assert _behind_two_gateways(make_plan(), dead, silent_6, through)["2001:db8::11"] == (Grade.FAIL, ())


@pytest.mark.parametrize(("symptom", "folded"), [("changed-host-key", True), ("unknown-host-key", True), ("no-login", False)])
def test_a_strange_host_key_waits_for_the_copied_key(because, symptom: str, folded: bool) -> None:
    """A key that another host holds too is made anew, and nobody is to put it into the known-hosts file before."""
    first = finding(HOST, "ssh.shared-key", "22/tcp", Grade.FAIL, "shared-key", found=f"the same as on {OTHER}")
    copied = finding(OTHER, "ssh.shared-key", "22/tcp", Grade.FAIL, "shared-key", found=f"the same as on {HOST}")
    login = finding(OTHER, "system.login", "22/tcp", Grade.FAIL, symptom)
    unread = finding(OTHER, "system.mtu", "interface", Grade.UNPROVEN)
    told = because(first, copied, login, unread)
    assert told[login.ref] == ((copied.ref,) if folded else ())
    assert told[copied.ref] == (first.ref,)
    assert told[unread.ref] == (login.ref,)


@pytest.mark.parametrize(("found", "folded"), [("dome-a and old-dome", True), ("dome-a and other-dome", False)])
def test_one_caution_about_a_record_is_told_once_for_all_servers(because, found: str, folded: bool) -> None:
    """The servers copy one zone, which is mended once, whether or not anything fails."""
    first, second = (finding(HOST, "name.reverse", f"192.0.2.{server} 192.0.2.11", Grade.CAUTION, "several", found=words)
                     for server, words in ((53, "dome-a and old-dome"), (54, found)))
    told = because(first, second)
    assert told[first.ref] == ()
    assert told[second.ref] == ((first.ref,) if folded else ())


def test_a_machine_that_is_silent_at_all_its_addresses_is_one_thing_to_mend(because) -> None:
    """Of both IP versions; where it answers at one, or a router says that there is no way to one, each is told."""
    six = finding(HOST, "host.echo", "2001:db8::11", Grade.FAIL, "silent")
    door = finding(HOST, "port.open", "443/tcp at 2001:db8::11", Grade.UNPROVEN, "silent")
    told = because(DEAD_HOST, six, door)
    assert (told[DEAD_HOST.ref], told[six.ref], told[door.ref]) == ((), (DEAD_HOST.ref,), (six.ref,))
    assert because(DEAD_HOST, msgspec.structs.replace(six, symptom="no-way"))[six.ref] == ()
    third = finding(HOST, "host.echo", "2001:db8::12", Grade.PASS)
    assert because(DEAD_HOST, six, third)[six.ref] == ()


def test_a_pointer_to_an_alias_is_told_with_the_alias(because) -> None:
    """The mend of the one is the other's, at the same server and for the same host."""
    alias = finding(HOST, "name.alias", "192.0.2.53", Grade.CAUTION, "alias")
    pointer, elsewhere = (finding(HOST, "name.reverse", f"{server} 192.0.2.11", Grade.CAUTION, "pointer-to-alias")
                          for server in ("192.0.2.53", "192.0.2.54"))
    others = finding(OTHER, "name.reverse", "192.0.2.53 192.0.2.12", Grade.CAUTION, "pointer-to-alias")
    several = finding(HOST, "name.reverse", "192.0.2.53 2001:db8::11", Grade.CAUTION, "several-names")
    told = because(alias, pointer, elsewhere, others, several)
    assert told == {alias.ref: (), pointer.ref: (alias.ref,), elsewhere.ref: (), others.ref: (), several.ref: ()}


@pytest.mark.parametrize(("value", "grade", "folded"), [
    (3600.01, Grade.FAIL, True), (3599.0, Grade.FAIL, False), (3600.01, Grade.CAUTION, False), (3600.01, Grade.PASS, False),
])
def test_one_clock_that_is_wrong_is_told_once(because, value: float, grade: Grade, folded: bool) -> None:
    """It is read at every address of its host; another machine's clock at one of them is another fault."""
    first, other = (msgspec.structs.replace(finding(HOST, "clock.offset", subject, one), measured=Measured(seconds, 0.01, "s"))
                    for subject, one, seconds in (("192.0.2.11", Grade.FAIL, 3600.0), ("2001:db8::11", grade, value)))
    assert because(first, other) == {first.ref: (), other.ref: (first.ref,) if folded else ()}
