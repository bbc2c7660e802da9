"""How a name server answers all in all: does it take questions with EDNS, drop some, or deny names for want of one type."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from shlex import quote

from shared.catalogue import find
from shared.evidence import FailureKind, NameAnswer
from shared.findings import SITE, Finding, Grade
from shared.hostnames import canonical
from shared.plan import Endpoint
from shared.quantities import show_seconds
from verify.grading.case import Case, in_words
from verify.grading.names.answers import Said, reading

PLANNED = "answers over UDP and TCP, and speaks for the plan's domain"


def remark(case: Case, subject: str, grade: Grade, *, found: str, message: str, symptom: str = "", at: str = "",
           fix: tuple[str, ...] = (), planned: str = PLANNED) -> Finding:
    """One ``name.server`` finding; an unproven one says what would settle it."""
    if grade is Grade.UNPROVEN:
        message, fix = f"{message} To settle it: {find('name.server').would_prove}.", ()
    return case.finding(SITE, "name.server", subject, grade, planned=planned, found=found, message=message, symptom=symptom,
                        at=at, fix=fix)


def to_ask(server: Endpoint, answer: NameAnswer) -> str:
    """The words for dig to put a question again, fit for a shell: a pointer or an alias may have made up the name."""
    return f"@{server.host} -p {server.port} {quote(f'{canonical(answer.name)}.')} {answer.rrtype}"


def _asked(case: Case, server: Endpoint, heard: Sequence[NameAnswer]) -> list[NameAnswer]:
    """What became of every question to a server, those about the site and those about hosts."""
    return [answer for answer in (*case.evidence.site.names, *heard) if answer.server == server.label]


def _over_udp(answer: NameAnswer) -> bool:
    """Whether a question was put over UDP first, wherever its answer came from in the end."""
    return answer.transport == "udp" or answer.truncated


#: Answers that have to come without EDNS alone before it is EDNS that is dropped, and not two packets by chance: common
#: practice, no source.
_WITHOUT_EDNS = 2


def edns_dropped(case: Case, server: Endpoint, heard: Sequence[NameAnswer]) -> list[NameAnswer] | None:
    """The answers of a server that says nothing to questions with EDNS, or None where one with EDNS was answered too."""
    said = [answer for answer in _asked(case, server, heard) if answer.rcode and _over_udp(answer)]
    without = [answer for answer in said if answer.edns_unanswered]
    return without if len(without) == len(said) >= _WITHOUT_EDNS else None


def without_edns(case: Case, server: Endpoint, over_tcp: NameAnswer, without: Sequence[NameAnswer]) -> Finding:
    """Clients with EDNS, as most resolvers are, wait for nothing (RFC 6891 section 7 wants FORMERR from a server without)."""
    first, tcp = without[0], ""
    if over_tcp.failure is not None and not over_tcp.rcode:
        tcp = f" Over TCP it could not be asked: {in_words(over_tcp.failure)}."
    command = to_ask(server, first)
    return remark(
        case, server.label, Grade.FAIL, found="no answer to questions with EDNS", symptom="no-edns", at=first.at,
        message=f"{server.label} answers questions only where they carry no EDNS (RFC 6891), seen from "
                f"{case.evidence.vantage.name}: all of its {len(without)} answers over UDP came to the packet without, after "
                "silence to those with it. Resolvers and other clients that use EDNS wait for their time-out, or get nothing. A "
                f"server that does not know EDNS has to say FORMERR.{tcp}",
        fix=(f"let UDP packets with EDNS through to {server.label}: look for a firewall on the way that inspects or rewrites DNS",
             f"or update the name service on {server.label}",
             f"try: dig +notcp {command}    # must be answered, as dig +notcp +noedns {command} is"))


#: Names that a server has to leave without any answer, and the share of the questions that it was asked, before it is the server
#: that drops them, and not some packets by chance: common practice, no source.
_DROPPED_NAMES, _DROPPED_SHARE = 2, 0.05


def dropping(case: Case, server: Endpoint, over_udp: NameAnswer, heard: Sequence[NameAnswer]) -> Finding | None:
    """The finding where a server answers some questions over UDP and leaves others without a word, every packet of them.

    Where ``over_udp``, the question about the domain itself, is among these, one is enough: it is not deaf, for it answers
    others.
    """
    asked = list(filter(_over_udp, _asked(case, server, heard)))
    dropped = [answer for answer in asked if not answer.rcode and answer.failure is not None
               and answer.failure.kind is FailureKind.NO_ANSWER and not answer.failure.answered_from]
    if not any(answer.rcode for answer in asked) or not dropped:
        return None
    names, share = {canonical(answer.name) for answer in dropped}, len(dropped) / len(asked)
    if over_udp not in dropped and (len(names) < _DROPPED_NAMES or share < _DROPPED_SHARE):
        return None
    first, types, where = dropped[0], {answer.rrtype for answer in dropped}, case.evidence.vantage.name
    one_type = len(types) == 1 and len(names) > 1 and not any(answer.rcode for answer in asked if answer.rrtype in types)
    only = f", and none about {first.rrtype} records got one" if one_type else ""
    command = f"dig +notcp {to_ask(server, first)}"
    return remark(
        case, server.label, Grade.FAIL, found=f"{len(dropped)} of {len(asked)} questions without an answer", symptom="drops",
        at=first.at,
        message=f"{server.label} answers over UDP, but {len(dropped)} of the {len(asked)} questions to it got no answer to any "
                f"of their packets, seen from {where}, the first to {first.rrtype} of {canonical(first.name)}"
                f"{only}. Clients wait for their time-out there.",
        fix=(*((f"on {server.label}: have whatever answers there answer questions of every type (RFC 4074 section 4.1)",)
               if one_type else (f"look for loss on the way: ping -c 20 {server.host}",
                                 f"look for rate limits, a full queue or a stop of the service on {server.label}")),
             f"try: for n in 1 2 3 4 5 6; do {command} | grep status; done    # each must be answered"))


def slow_to_all(case: Case, server: Endpoint, heard: Sequence[NameAnswer]) -> bool:
    """Whether every answer of a server came later than a second packet to it was due: that is no loss, but its pace."""
    said = [answer for answer in _asked(case, server, heard) if answer.rcode and answer.transport == "udp"]
    return len(said) >= _SLOW_ANSWERS and all(answer.tries > 1 for answer in said)


def usual_time(answer: NameAnswer, said: Sequence[NameAnswer]) -> tuple[float, int]:
    """The median time in seconds of the answers over UDP to a first packet, and how many; that of ``answer`` where none came so.

    One late answer among many is no slow server: it was busy for a moment, or had to ask for that name itself.
    """
    times = [one.elapsed_seconds for one in said if one.rcode and one.tries == 1 and one.transport == "udp"]
    return (statistics.median(times), len(times)) if times else (answer.elapsed_seconds, 1)


def stalling(case: Case, server: Endpoint, said: Sequence[NameAnswer], limit_seconds: float | None) -> Finding | None:
    """The caution where a server is quick in general, but a good share of its answers took more than the limit for a fail."""
    once = [one for one in said if one.rcode and one.tries == 1 and one.transport == "udp"]
    late = [one for one in once if limit_seconds is not None and one.elapsed_seconds > limit_seconds]
    if limit_seconds is None or len(late) < LOST_ANSWERS or len(late) < LOST_SHARE * len(once):
        return None
    command = f"dig +notcp {to_ask(server, late[0])}"
    return remark(
        case, server.label, Grade.CAUTION, found=f"{len(late)} of {len(once)} answers late", symptom="slow", at=late[0].at,
        message=f"{server.label} gave {len(late)} of its {len(once)} answers about this plan only after more than "
                f"{show_seconds(limit_seconds)}, the first to {late[0].rrtype} of {canonical(late[0].name)}: it stalls now and "
                "then, or has to ask for some names elsewhere first.",
        fix=(f"look at the load of {server.label}, and where it asks what it does not know: {command}    # Query time",))


#: Time after which a client that waits for an answer over TCP may have asked elsewhere: the least interval after which it asks
#: again over UDP (RFC 1035 section 4.2.1).  For TCP there is no such figure: common practice, no source.
_TCP_LATE_SECONDS = 2.0


def slow_over_tcp(case: Case, server: Endpoint, over_tcp: NameAnswer) -> Finding | None:
    """The caution where a server is quick over UDP and its answer over TCP took long: it came, so nothing is dropped."""
    if over_tcp.elapsed_seconds <= _TCP_LATE_SECONDS:
        return None
    took = show_seconds(over_tcp.elapsed_seconds)
    return remark(
        case, server.label, Grade.CAUTION, found=f"an answer over TCP after {took}", symptom="slow", at=over_tcp.at,
        message=f"{server.label} answers over TCP, but only {took} after it had taken the connection; over UDP it is not slow. "
                "Answers too long for UDP come as late, and a client may have given up by then.",
        fix=(_see_tcp(server),
             f"try: dig +tcp @{server.host} -p {server.port} {canonical(over_tcp.name)}. SOA    # Query time"))


def _see_tcp(server: Endpoint) -> str:
    return f"on {server.label}: look at how many clients it serves over TCP at once (BIND: rndc status; tcp-clients)"


#: Names whose answers have to be cut short and lost before it is TCP that fails now and then, and not one connection by chance:
#: common practice, no source.
_CUT_NAMES = 2


def spotty_over_tcp(case: Case, server: Endpoint, cut: Sequence[NameAnswer]) -> Finding | None:
    """The finding where a server answers over TCP, and yet several answers cut short over UDP could not be had over it."""
    if len({canonical(answer.name) for answer in cut}) < _CUT_NAMES:
        return None
    first = cut[0]
    assert first.failure is not None
    command = f"dig +tcp {to_ask(server, first)}"
    return remark(
        case, server.label, Grade.FAIL, found=f"{len(cut)} answers cut short over UDP and lost over TCP", symptom="no-tcp",
        at=first.at,
        message=f"{server.label} answers over TCP now and then only, seen from {case.evidence.vantage.name}: {len(cut)} of its "
                f"answers about this plan came cut short over UDP and could not be had over TCP ({in_words(first.failure)}), the "
                f"first to {first.rrtype} of {canonical(first.name)}. Whoever asks has to get them there (RFC 7766 section 5).",
        fix=(f"look for a filter that limits connections to TCP port {server.port} of {server.host}, or drops large packets",
             _see_tcp(server),
             f"try: for n in 1 2 3 4 5 6; do {command} | grep status; done    # each must be answered"))


#: Answers that have to come to a second packet or a third, or late, and their share, before it is no chance: common practice, no
#: source.
LOST_ANSWERS, LOST_SHARE = 2, 0.05


#: Answers that have to come late, all of them, before it is no loss: common practice, no source.
_SLOW_ANSWERS = 4


#: Names that a server has to deny for want of one type before it is the server that denies, and not one record: common
#: practice, no source.
_DENIED_NAMES = 2


def denying(case: Case, server: Endpoint, heard: Sequence[NameAnswer]) -> Finding | None:
    """The finding where a server denies several names that it has addresses for: one fault of its own, and not one a host."""
    forward = [answer for answer in heard if answer.purpose == "forward" and answer.failure is None]
    denied = {canonical(answer.name): answer for answer in forward
              if answer.rcode == "NXDOMAIN" and reading(answer).said is Said.NO_NAME}
    if len(denied) < _DENIED_NAMES:
        return None
    addresses = {canonical(answer.name) for answer in forward if reading(answer).said is Said.RECORDS}
    names = [name for name in denied if name in addresses]
    if len(names) < _DENIED_NAMES:
        return None
    first = denied[names[0]]
    return remark(
        case, server.label, Grade.FAIL, found=f"{len(names)} names denied that have addresses", symptom="denies-names",
        at=first.at,
        message=f"{server.label} gives {len(names)} hosts' names addresses of one family and, asked for the other, says that the "
                f"names do not exist (the first is {names[0]}, asked for {first.rrtype}). That denies them for every type (RFC "
                "4074 section 4.2): a resolver that asks for both may remember the no and give its clients no address at all "
                "(RFC 8020).",
        fix=undeny(server, names[0], first.rrtype))


def undeny(server: Endpoint, name: str, rrtype: str) -> tuple[str, ...]:
    """What to do where a name is denied for want of one type."""
    return (f"on {server.label}: have whatever answers there say NOERROR without records where a name has none of this type",
            f"try: dig @{server.host} -p {server.port} {name}. {rrtype}    # status must be NOERROR")


def unblock(server: Endpoint, name: str, rrtype: str) -> tuple[str, ...]:
    """What to do where a server says no by a policy of its own: the zone may well hold the record."""
    return (f"on {server.label}: let {name} through the policy by which it says it withholds the name",
            f"try: dig @{server.host} -p {server.port} {name}. {rrtype}    # it must come without the extended error (EDE)")
