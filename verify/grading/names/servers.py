"""Judges the planned name servers themselves: do they answer, speak for the zones, agree on them, and answer for anything."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from shlex import quote

from shared.evidence import Failure, FailureKind, NameAnswer
from shared.findings import SITE, Finding, Grade
from shared.hostnames import canonical, under
from shared.plan import Endpoint
from shared.quantities import Interval, show_seconds
from shared.zonelines import home_zone
from verify.grading.case import Case, in_words
from verify.grading.names.answers import RUNNER_FAILURES, STALE, Said, extended_errors, listed, reading, zone_around
from verify.grading.names.habits import (
    LOST_ANSWERS,
    LOST_SHARE,
    PLANNED,
    denying,
    dropping,
    edns_dropped,
    remark,
    slow_over_tcp,
    slow_to_all,
    spotty_over_tcp,
    stalling,
    to_ask,
    usual_time,
    without_edns,
)
from verify.grading.names.serials import grade_serials
from verify.grading.names.wildcards import grade_wildcard


def grade_site(case: Case) -> list[Finding]:
    """``name.server``, ``name.wildcard`` and the zones' ``name.servers-agree``, for every planned server."""
    findings: list[Finding] = []
    heard = _heard(case)
    for server in case.plan.name_servers:
        findings.append(_server(case, server, heard[server.label]))
        findings += [_reverse_zone(case, server, answer, heard[server.label]) for answer in _answers(case, server, "zone")]
        findings += grade_wildcard(case, server, _answers(case, server, "wildcard"))
    if len(case.plan.name_servers) > 1:
        # A reverse zone that is served in parts everywhere is a zone nowhere, and has no serial.
        zones = [answer.name for answer in case.evidence.site.names if answer.purpose == "server" or (
            answer.purpose == "zone" and not _served_in_parts(answer, heard.get(answer.server, ())))]
        findings += [grade_serials(case, zone) for zone in dict.fromkeys(map(canonical, zones))]
    return findings


def _heard(case: Case) -> dict[str, list[NameAnswer]]:
    """All that each planned server said about the hosts: a server is judged by that too."""
    heard: dict[str, list[NameAnswer]] = {server.label: [] for server in case.plan.name_servers}
    for host in case.evidence.hosts:
        for answer in host.names:
            if answer.server in heard:
                heard[answer.server].append(answer)
    return heard


def _answers(case: Case, server: Endpoint, purpose: str) -> list[NameAnswer]:
    return [answer for answer in case.evidence.site.names if answer.server == server.label and answer.purpose == purpose]


# --- name.server


def _server(case: Case, server: Endpoint, heard: Sequence[NameAnswer]) -> Finding:
    answers = _answers(case, server, "server")
    # An answer asked over UDP that came over TCP after all was truncated first.
    over_udp = next((answer for answer in answers if answer.transport == "udp" or answer.truncated), None)
    over_tcp = next((answer for answer in answers if answer.transport == "tcp" and not answer.truncated), None)
    if over_udp is None or over_tcp is None:
        return remark(case, server.label, Grade.UNPROVEN, found="it was not asked", symptom="unasked",
                      message=f"{server.label} was not asked over both UDP and TCP: the run ended first, or its plan did not "
                              "name that server yet.")
    failures = [answer.failure for answer in (over_udp, over_tcp) if answer.failure is not None and not answer.rcode]
    if len(failures) == 2:
        return _dead(case, server, over_udp, over_tcp)
    without = edns_dropped(case, server, heard)
    if without is not None and _zone_fault(case, server.label, server, over_udp) is None:
        return without_edns(case, server, over_tcp, without)
    drops = dropping(case, server, over_udp, heard)
    cut = [answer for answer in (*_answers(case, server, "server"), *_answers(case, server, "zone"), *heard)
           if reading(answer).symptom == "truncated"]
    if failures:
        return drops if drops and not cut else _one_transport(case, server, over_udp, over_tcp, cut)
    habit = None
    if reading(over_udp).said in (Said.RECORDS, Said.NO_RECORD):
        habit = denying(case, server, heard) or drops or _other_over_tcp(case, server, over_tcp, heard)
    if over_udp in cut or reading(over_udp).said in (Said.RECORDS, Said.NO_RECORD):
        habit = habit or spotty_over_tcp(case, server, cut)
    speaks = _erring(case, server, heard) or habit or _speaks(case, server, over_udp, heard)
    return slow_over_tcp(case, server, over_tcp) or speaks if speaks.grade is Grade.PASS else speaks


def _dead(case: Case, server: Endpoint, over_udp: NameAnswer, over_tcp: NameAnswer) -> Finding:
    """Nothing over either transport."""
    assert over_udp.failure is not None
    assert over_tcp.failure is not None
    found = f"UDP: {in_words(over_udp.failure)}; TCP: {in_words(over_tcp.failure)}"
    where = case.evidence.vantage.name
    if {over_udp.failure.kind, over_tcp.failure.kind} <= RUNNER_FAILURES:
        return remark(case, server.label, Grade.UNPROVEN, found=found, symptom="untried", at=over_udp.at,
                      message=f"{server.label} could not be asked from {where}: {in_words(over_udp.failure)}.")
    return remark(
        case, server.label, Grade.FAIL, found=found, symptom="silent", at=over_udp.at,
        message=f"The name server {server.label} gave no usable answer, seen from {where}. {found}. A client that asks it first "
                "waits for its time-out at every look-up.",
        fix=(*_answer_from(server, over_udp.failure),
             f"start the name service on {server.host}, port {server.port}, or correct the address under [names] servers",
             f"let UDP and TCP port {server.port} through to {server.host}",
             f"try: dig @{server.host} -p {server.port} {home_zone(case.plan)}. SOA"))


def _one_transport(
    case: Case, server: Endpoint, over_udp: NameAnswer, over_tcp: NameAnswer, cut: Sequence[NameAnswer]
) -> Finding:
    """Clients begin over UDP, so its loss is a fault; the loss of TCP is one where an answer was too long for UDP (``cut``)."""
    lost, works = ("TCP", "UDP") if over_udp.failure is None or over_udp.rcode else ("UDP", "TCP")
    failed, grade = (over_udp, Grade.FAIL) if lost == "UDP" else (over_tcp, Grade.FAIL if cut else Grade.CAUTION)
    assert failed.failure is not None
    harm = ("clients take no answer from an address that they did not ask (RFC 5452 section 9.1)" if failed.failure.answered_from
            else "clients ask over UDP first and wait for nothing" if lost == "UDP"
            else "answers too long for UDP never arrive, and other servers cannot copy zones from it (RFC 7766 section 5)")
    if cut and lost == "TCP":
        harm += (f". {len(cut)} of its answers about this plan came cut short and could not be had over TCP, the first to "
                 f"{cut[0].rrtype} of {canonical(cut[0].name)}")
    if failed.failure.kind in RUNNER_FAILURES:
        grade = Grade.UNPROVEN
    taken = lost == "TCP" and _took_connection(failed.failure)
    why = (f"it takes the connection, and {show_seconds(failed.failure.elapsed_seconds)} later had not answered" if taken
           else in_words(failed.failure))
    return remark(
        case, server.label, grade, found=f"answers over {works}; {lost}: {why}", at=failed.at, symptom=f"no-{lost.lower()}",
        message=f"{server.label} answers over {works} and not over {lost} ({why}), seen from {case.evidence.vantage.name}: "
                f"{harm}.",
        fix=_answer_from(server, failed.failure) or _let_through(server, lost, home_zone(case.plan), taken=taken))


def _took_connection(failure: Failure) -> bool:
    """Whether a TCP server let us connect and then said nothing: then no filter keeps clients from its port."""
    return failure.kind is FailureKind.NO_ANSWER and failure.phase in ("receive", "answer")


def _other_over_tcp(case: Case, server: Endpoint, over_tcp: NameAnswer, heard: Sequence[NameAnswer]) -> Finding | None:
    """The finding where a server that speaks for the plan's domain over UDP says something else over TCP.

    Whoever answers over TCP is then not the same, or has other rules.  A fault where an answer was lost by it, as without TCP.
    """
    read = reading(over_tcp)
    if read.said in (Said.RECORDS, Said.NO_RECORD):
        return None
    zone = canonical(over_tcp.name)
    lost = [answer for answer in heard if answer.truncated and answer.transport == "tcp" and not reading(answer).definite]
    harm = f", and {len(lost)} of its answers about this plan were too long for UDP and lost by it" if lost else ""
    return remark(
        case, server.label, Grade.FAIL if lost else Grade.CAUTION, found=f"speaks for {zone} over UDP; over TCP: {read.words}",
        symptom="no-tcp", at=over_tcp.at,
        message=f"{server.label} speaks for {zone} over UDP and not over TCP ({read.words}), seen from "
                f"{case.evidence.vantage.name}: who asks again for an answer too long for UDP gets that instead{harm}.",
        fix=(f"on {server.label}: have it answer over TCP as over UDP: see its access rules, and what takes TCP in its place",
             f"try: dig +tcp @{server.host} -p {server.port} {zone}. SOA"))


def _let_through(server: Endpoint, lost: str, zone: str, *, taken: bool) -> tuple[str, ...]:
    """How one transport is had back.  Our questions carry EDNS, and a device on the way may drop just these.

    Where a connection was ``taken`` the port is open already.
    """
    through = f"let {lost} port {server.port} through to {server.host}, and have the server listen on it"
    if taken:
        through = (f"on {server.label}: see what holds up its answers over TCP: too many clients at once (BIND: rndc status; "
                   f"tcp-clients), something that takes port {server.port} in its place, or a filter that lets no more than the "
                   "handshake by")
    if lost == "TCP":
        return through, f"try: dig +tcp @{server.host} -p {server.port} {zone}. SOA"
    dropped = "then questions with EDNS (RFC 6891) are dropped, by the server or on the way: update what drops them"
    return (through, f"try: dig +notcp @{server.host} -p {server.port} {zone}. SOA",
            f"dig +notcp +noedns @{server.host} -p {server.port} {zone}. SOA    # only this one answered? {dropped}")


def _answer_from(server: Endpoint, failure: Failure) -> tuple[str, ...]:
    """The mend where answers come, but from an address that nobody asked: clients throw them away (RFC 5452 section 9.1)."""
    if not failure.answered_from:
        return ()
    return (f"on {server.label}: bind the name service to {server.host}, so that it answers from there (RFC 2181 section 4.1)",
            f"or mend what translates the address on the way to {failure.answered_from}")


#: Names that a server has to answer with an error before it is the server that errs, and not one record: common practice, no
#: source.
_ERRING_NAMES = 2


def _erring(case: Case, server: Endpoint, heard: Sequence[NameAnswer]) -> Finding | None:
    """The finding where a server answers some questions of its zones and fails others: it speaks for them, but not always.

    A zone out of which no usable answer came at all is left to ``_zone_fault``, and so is what was said of a reverse zone
    itself, for it may be none.
    """
    said = [answer for answer in (*case.evidence.site.names, *heard) if answer.server == server.label]
    zones = {canonical(answer.name) for answer in said if answer.purpose in ("server", "zone")}
    if not any(map(_is_error, said)):
        return None
    by_zone: dict[str, list[NameAnswer]] = {}
    for answer in said:
        by_zone.setdefault(_zone_around(canonical(answer.name), zones), []).append(answer)
    by_zone.pop("", None)
    spoken = [answers for answers in by_zone.values() if any(reading(answer).definite for answer in answers)]
    errors = [answer for answers in spoken for answer in answers if _is_error(answer) and answer.purpose != "zone"]
    if len({canonical(answer.name) for answer in errors}) < _ERRING_NAMES:
        return None
    first, count = errors[0], sum(answer.failure is None for answers in spoken for answer in answers)
    kinds = listed(list(dict.fromkeys(reading(answer).words for answer in errors)))
    tcp = "+tcp " if first.transport == "tcp" else ""
    again = f"dig {tcp}{to_ask(server, first)} | grep status"
    return remark(
        case, server.label, Grade.FAIL, found=f"{len(errors)} errors in {count} answers", symptom="errs", at=first.at,
        message=f"{server.label} speaks for zones of this plan, but {len(errors)} of its {count} answers about them were errors "
                f"({kinds}), the first to {first.rrtype} of {canonical(first.name)}.",
        fix=(f"on {server.label}: read its log of this time: overload, sources that it reaches now and then, or bad records",
             f"try: for n in 1 2 3 4 5 6; do {again}; done    # each must say NOERROR or NXDOMAIN"))


def _is_error(answer: NameAnswer) -> bool:
    """Whether a server failed to say yes or no.  To refuse is no failure, and a circle of aliases is none of the server's."""
    return (answer.failure is None and answer.rcode not in ("NOERROR", "NXDOMAIN")
            and reading(answer).symptom in ("server-failure", "error"))


def _zone_around(name: str, zones: Collection[str]) -> str:
    """The smallest of ``zones`` that ``name`` lies in; empty where it lies in none."""
    while name and name not in zones:
        name = name.partition(".")[2]
    return name


def _said(case: Case, server: Endpoint, answer: NameAnswer, heard: Sequence[NameAnswer]) -> list[NameAnswer]:
    """All that a server answered about this plan: about the zones, about a name that nobody planned, and about the hosts."""
    asked = (*_answers(case, server, "wildcard"), *_answers(case, server, "zone"), answer, *heard)
    return [one for one in asked if one.rcode]


def _lossy(case: Case, server: Endpoint, answer: NameAnswer, heard: Sequence[NameAnswer]) -> Finding | None:
    """The finding where a good share of all answers came to a second packet only.

    One is enough where it was about the domain itself and there are so few answers that it is such a share.
    """
    said = _said(case, server, answer, heard)
    late = [one for one in said if one.tries > 1]
    if len(late) < LOST_SHARE * len(said) or (answer.tries == 1 and len(late) < LOST_ANSWERS):
        return None
    return remark(
        case, server.label, Grade.CAUTION, found=f"{len(late)} of {len(said)} answers to a second packet or a third",
        symptom="lossy", at=answer.at,
        message=f"{server.label} gave {len(late)} of its {len(said)} answers about this plan only after the question was sent "
                "again: packets are lost on the way, or the server drops some.",
        fix=(f"look for loss on the way: ping -c 20 {server.host}", f"look for rate limits or a full queue on {server.label}"))


def _speaks(case: Case, server: Endpoint, answer: NameAnswer, heard: Sequence[NameAnswer]) -> Finding:
    """The server answers; whether it speaks for the plan's domain, and in time."""
    fault = _zone_fault(case, server.label, server, answer)
    if fault is not None:
        return fault
    limits = case.limits["name_answer_time"]
    # The stamp before sending and the kernel's receive stamp bracket the answer time to some microseconds; no limit is
    # near that.
    said = _said(case, server, answer, heard)
    seconds, count = usual_time(answer, said)
    of = f" (the median of {count})" if count > 1 else ""
    timely = case.measured_finding(
        SITE, "name.server", server.label, Interval(seconds, seconds), limits, planned=PLANNED, at=answer.at, symptom="slow",
        quantity=f"{server.label} answers over UDP and TCP; its answer time{of}",
        fix=(f"look at the load of {server.label} and at the way to it: ping -c 20 {server.host}",))
    if timely.grade is Grade.FAIL and (count > 1 or answer.tries == 1 or slow_to_all(case, server, heard)):
        return timely
    lossy = _lossy(case, server, answer, heard)
    if lossy is not None:
        return lossy
    stalls = stalling(case, server, said, limits.fail)
    if stalls is not None:
        return stalls
    stale = [one for one in (answer, *heard) if STALE & extended_errors(one)]
    return _stale(case, server, stale, len(heard) + 1) if stale and timely.grade is Grade.PASS else timely


def _stale(case: Case, server: Endpoint, stale: Sequence[NameAnswer], count: int) -> Finding:
    """Answers that a resolver should have renewed and could not (RFC 8767 section 4): right once, and perhaps no more."""
    first = stale[0]
    return remark(
        case, server.label, Grade.CAUTION, found=f"{len(stale)} of {count} answers out of date", symptom="stale", at=first.at,
        message=f"{server.label} says that {len(stale)} of its {count} answers about this plan are out of date "
                f"({first.explanation}, to {first.rrtype} of {canonical(first.name)}): it could not get fresh ones in time, and "
                "gives what it had before (RFC 8767).",
        fix=(f"on {server.label}: read its log for the servers of {quote(canonical(first.name))}, and see that it reaches them",
             f"try: dig {to_ask(server, first)}    # it must come without EDE"))


def _zone_fault(case: Case, subject: str, server: Endpoint, answer: NameAnswer) -> Finding | None:
    """The finding where the server does not speak for the zone asked for; None where it does."""
    read, zone = reading(answer), canonical(answer.name)
    planned = PLANNED if answer.purpose == "server" else f"speaks for {zone}"
    if read.said in (Said.RECORDS, Said.NO_RECORD):
        return None
    if read.said is Said.NO_NAME:
        wider = zone_around(zone, answer) if answer.purpose == "zone" else None
        there = (f"on {server.label}: add the pointers to {wider}, which it has: each name.reverse has its line. Or "
                 f"set up {zone} as a zone of its own with the lines of the build sheet" if wider
                 else f"on {server.label}: set up the zone {zone} with the lines of the build sheet")
        return remark(
            case, subject, Grade.FAIL, planned=planned, found=read.words, symptom="no-name", at=answer.at,
            message=f"{server.label} says that there is no {zone}, which holds for every name below it (RFC 8020). Until the "
                    "zone or its records exist there, every name and address of it is missing at this server.",
            fix=(there, f"if {server.label} is a resolver: tell it which server holds {zone}"))
    if answer.failure is not None and answer.failure.kind is FailureKind.MALFORMED and answer.rcode:
        return remark(
            case, subject, Grade.FAIL, planned=planned, found=read.words, symptom="unreadable", at=answer.at,
            message=f"{server.label} answers about {zone} with a message that breaks the rules of DNS (RFC 1035 section 4): "
                    f"{read.words}. Clients throw such an answer away.",
            fix=(f"see what it sends: dig @{server.host} -p {server.port} {zone}. SOA",
                 f"update the name service on {server.label}, or look for a device on the way that rewrites its answers"))
    if read.symptom in ("silent", "untried", "unasked", "truncated"):
        return remark(case, subject, Grade.UNPROVEN, planned=planned, found=read.words, symptom=read.symptom, at=answer.at,
                      message=f"Whether {server.label} speaks for {zone} could not be seen: {read.words}.")
    # Of a zone that may be served in parts, adding all would deny the parts that others serve.
    parts = " or the smaller zones in which the hosts' pointers lie" if answer.purpose == "zone" and _is_wide(zone) else ""
    add = f"add the zone {zone}{parts}"
    mend = {
        "server-failure": f"on {server.label}: read the server's log for {zone}, check the zone file (named-checkzone {zone} "
                          "FILE), correct it and load it again",
        "refuses": f"on {server.label}: {add}, or allow the clients' networks to ask",
        "lame": f"on {server.label}: {add}, or take the server out of the plan's [names] servers",
    }.get(read.symptom, f"ask whoever runs {server.label} why it says so to: dig @{server.host} -p {server.port} {zone}. SOA")
    fix = (mend, _unvalidated(server, zone)) if read.symptom == "server-failure" else (mend,)
    return remark(case, subject, Grade.FAIL, planned=planned, found=read.words, symptom=read.symptom, at=answer.at, fix=fix,
                  message=f"{server.label} answers, but does not speak for {zone}: {read.words}.")


def _unvalidated(server: Endpoint, zone: str) -> str:
    """A validating resolver says SERVFAIL where DNSSEC fails (RFC 4035 section 5.5), and answers with checking disabled."""
    return (f"try: dig +cd @{server.host} -p {server.port} {zone}. SOA    # an answer now? then DNSSEC validation failed: sign "
            f"the zone anew, mend its DS record, or set the clock of {server.label}")


def _reverse_zone(case: Case, server: Endpoint, answer: NameAnswer, heard: Sequence[NameAnswer]) -> Finding:
    zone = canonical(answer.name)
    subject, read = f"{server.label} {zone}", reading(answer)
    if _served_in_parts(answer, heard):
        return remark(case, subject, Grade.PASS, planned=f"speaks for {zone}", found="every pointer below it", at=answer.at,
                      message=f"{server.label} does not speak for all of {zone} ({read.words}), but answered for every pointer "
                              f"of the plan's hosts there ({len(_pointers(zone, heard))} asked for).")
    if read.said is Said.NO_NAME and any(reading(pointer).said is Said.RECORDS for pointer in _pointers(zone, heard)):
        return remark(
            case, subject, Grade.CAUTION, planned=f"speaks for {zone}", found=read.words, symptom="denies-zone", at=answer.at,
            message=f"{server.label} says that there is no {zone}, and yet gives pointers below it. Whoever believes the first "
                    "asks for none of them: a no holds for every name below (RFC 8020).",
            fix=(f"on {server.label}: set up the zone {zone} (its SOA and NS records will do; the smaller zones stay beside it)",
                 f"try: dig @{server.host} -p {server.port} {zone}. SOA    # status must be NOERROR"))
    if _is_error(answer) and any(reading(pointer).definite for pointer in _pointers(zone, heard)):
        return remark(case, subject, Grade.UNPROVEN, planned=f"speaks for {zone}", found=read.words, symptom=read.symptom,
                      at=answer.at, message=f"Whether {server.label} speaks for {zone} could not be seen: it said {read.words}. "
                                            "Yet it answered for a pointer there.")
    fault = _zone_fault(case, subject, server, answer)
    return fault or remark(case, subject, Grade.PASS, planned=f"speaks for {zone}", found="its start of authority", at=answer.at,
                           message=f"{server.label} speaks for the reverse zone {zone}.")


def _served_in_parts(answer: NameAnswer, heard: Sequence[NameAnswer]) -> bool:
    """Whether a server that has no reverse zone at the plan's boundary answers for all that the plan has there.

    A /16 may well be served by the /24 zones that its hosts lie in (RFC 1034 section 4.2): then nobody has the larger one.
    An authoritative server refuses the larger one or is lame for it, a resolver may fail to find anybody to ask.  One that
    denies it contradicts itself, and is told so.
    """
    zone, symptom = canonical(answer.name), reading(answer).symptom
    if symptom not in ("refuses", "lame") and not (symptom == "server-failure" and _is_wide(zone)):
        return False
    pointers = _pointers(zone, heard)
    return bool(pointers) and all(reading(pointer).said is not Said.NOTHING for pointer in pointers)


def _is_wide(zone: str) -> bool:
    """Whether a reverse zone is wider than the usual one of a /24 or a /64, so that others may serve parts of it."""
    return zone.count(".") < (17 if zone.endswith(".ip6.arpa") else 4)


def _pointers(zone: str, heard: Sequence[NameAnswer]) -> list[NameAnswer]:
    return [answer for answer in heard if answer.rrtype == "PTR" and under(answer.name, zone)]
