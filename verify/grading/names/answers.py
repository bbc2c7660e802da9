"""What one answer of a name server amounts to, before any plan is held against it."""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass, replace

from shared.aliases import Chain, follow, values_behind
from shared.evidence import FailureKind, NameAnswer, NameRecord
from shared.hostnames import canonical, same_name, under
from verify.grading.case import in_words


class Said(enum.StrEnum):
    """The kinds of answer.  Only the first four say anything about the name."""

    RECORDS = "records"
    NO_RECORD = "no-record"
    NO_NAME = "no-name"
    ENDLESS = "endless-alias"
    OPEN_END = "alias-elsewhere"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Reading:
    """One answer, read.

    ``values`` are those of the wanted type at the end of the aliases.  ``words`` say what was seen; ``symptom`` is one word
    for it.  ``beside`` is what the server said about a usable answer (RFC 8914), or the probe.
    """

    said: Said
    values: tuple[str, ...]
    chain: Chain
    symptom: str
    words: str
    beside: str = ""

    @property
    def definite(self) -> bool:
        """Whether the server said yes or no (RFC 8601 section 2.7.3 calls the rest a temporary error)."""
        return self.said in (Said.RECORDS, Said.NO_RECORD, Said.NO_NAME, Said.ENDLESS)


#: The most values that one sentence lists; a server may send hundreds.  Common practice, no source.
LISTED = 8
#: Failures of the runner, which say nothing about the server.
RUNNER_FAILURES = frozenset((FailureKind.NO_ROUTE, FailureKind.NO_PRIVILEGE, FailureKind.LOCAL_LIMIT, FailureKind.INTERRUPTED,
                             FailureKind.NOT_RESOLVED, FailureKind.OTHER))
#: Extended errors (RFC 8914 sections 4.4 and 4.20): the answer, or the no, is one that the server should have renewed.
STALE = frozenset((3, 19))
#: Sections 4.16 to 4.18: blocked, censored, filtered.  The server says no by a policy, whatever the zone holds.
BLOCKED = frozenset((15, 16, 17))
_RCODES = {
    "SERVFAIL": ("server-failure", "SERVFAIL: the server could not load its zone, reach its own sources or validate what it got"),
    "REFUSED": ("refuses", "REFUSED: the server does not serve this zone, or not to this runner"),
    "NOTAUTH": ("refuses", "NOTAUTH: the server does not serve this zone"),
}


def reading(answer: NameAnswer | None) -> Reading:
    """Read one answer: yes, no, or nothing usable and why.  None is an answer that was never asked for."""
    if answer is None:
        return _nothing(Chain(("",)), "unasked", "it was not asked")
    chain = follow(answer.answers, answer.name)
    if chain.endless:
        return Reading(Said.ENDLESS, (), chain, "endless-alias", f"aliases without end: {' > '.join(chain.names)}")
    if answer.failure is not None:
        untried = answer.failure.kind in RUNNER_FAILURES
        if _was_cut(answer):
            return _nothing(chain, "untried" if untried else "truncated",
                            f"truncated over UDP, and over TCP: {in_words(answer.failure)}")
        return _nothing(chain, "untried" if untried else "silent", in_words(answer.failure))
    if answer.rcode not in ("NOERROR", "NXDOMAIN"):
        symptom, words = _RCODES.get(answer.rcode, ("error", f"the error {answer.rcode}"))
        return _nothing(chain, symptom, f"{words} ({answer.explanation})" if answer.explanation else words)
    values = values_behind(answer.answers, chain, answer.rrtype)
    if values:
        return Reading(Said.RECORDS, values, chain, "", listed([value or "an empty value" for value in values]),
                       answer.explanation)
    return _with_explanation(_no(answer, chain), answer) if answer.explanation else _no(answer, chain)


def extended_errors(answer: NameAnswer) -> frozenset[int]:
    """The codes of the extended errors (RFC 8914) that came with an answer.

    Runs of before they were kept apart have them only in words, as the probe writes them: "EDE 3 (...): ...".
    """
    if answer.extended_errors is not None:
        return frozenset(answer.extended_errors)
    words = (part.split(maxsplit=2) for part in answer.explanation.split("; ") if part.startswith("EDE "))
    return frozenset(int(parts[1]) for parts in words if len(parts) > 1 and parts[1].isascii() and parts[1].isdigit())


def _with_explanation(read: Reading, answer: NameAnswer) -> Reading:
    """A no, or nothing usable, with the server's own reason; a no that follows from a policy says nothing of the zone."""
    blocked = read.said in (Said.NO_NAME, Said.NO_RECORD) and bool(BLOCKED & extended_errors(answer))
    return replace(read, words=f"{read.words} ({answer.explanation})", beside=answer.explanation,
                   symptom="blocked" if blocked else read.symptom)


def _was_cut(answer: NameAnswer) -> bool:
    """Whether all that came was an answer cut short over UDP, for it could not be had over TCP (RFC 7766 section 5)."""
    return answer.truncated and answer.failure is not None and answer.transport == "udp"


def _no(answer: NameAnswer, chain: Chain) -> Reading:
    """An answer without the wanted record: no such name, no such record, or not this server's to say (RFC 2308 section 2)."""
    through = f" (the alias {chain.names[0]} leads there)" if chain.aliased else ""
    if answer.rcode == "NXDOMAIN":
        return Reading(Said.NO_NAME, (), chain, "no-name", f"NXDOMAIN: no name {chain.end}{through}")
    has_soa = any(record.rrtype == "SOA" for record in answer.authority)
    if chain.aliased and not has_soa:
        return Reading(Said.OPEN_END, (), chain, "alias-elsewhere",
                       f"an alias to {chain.end}, for which this server gives no {answer.rrtype} record")
    if has_soa or answer.authoritative or answer.recursion_available:
        return Reading(Said.NO_RECORD, (), chain, "no-record",
                       f"NODATA: {chain.end} exists without a record of type {answer.rrtype}{through}")
    return _nothing(chain, "lame", "a bare referral: the server does not speak for the zone")


def listed(values: Sequence[str]) -> str:
    """Values for a sentence: the first few, and how many more there are."""
    more = len(values) - LISTED
    return ", ".join(values[:LISTED]) + (f" and {more} more" if more > 0 else "")


def _nothing(chain: Chain, symptom: str, words: str) -> Reading:
    return Reading(Said.NOTHING, (), chain, symptom, words)


def soa_of(answer: NameAnswer) -> NameRecord | None:
    """The SOA record in the answer or, for a no, in its authority section."""
    return next((record for record in (*answer.answers, *answer.authority) if record.rrtype == "SOA"), None)


def zone_around(zone: str, answer: NameAnswer | None) -> str | None:
    """The wider zone that a server has in the place of ``zone``, as its own authoritative no for a name there shows.

    A /48 is often one zone in ip6.arpa, and its /64s have none of their own (RFC 3596 section 2.5).  A zone that is its own
    primary, or that nobody.invalid answers for, is one that servers make up for addresses that nobody serves (RFC 6303
    section 3), and nobody can write into it.
    """
    if answer is None or not answer.authoritative or reading(answer).said not in (Said.NO_NAME, Said.NO_RECORD):
        return None
    soa = soa_of(answer)
    if soa is None or same_name(soa.owner, zone) or not under(zone, soa.owner):
        return None
    primary, mailbox = (*soa.value.split(), "", "")[:2]
    return None if same_name(primary, soa.owner) or same_name(mailbox, "nobody.invalid") else canonical(soa.owner)


def serial_of(soa: NameRecord) -> int | None:
    """The serial of an SOA record, or None where its text holds none."""
    return _soa_number(soa, 2)


def negative_seconds(answer: NameAnswer) -> int | None:
    """How long a resolver may keep this no: the lesser of the SOA's TTL and its last field (RFC 2308 section 5)."""
    soa = next((record for record in answer.authority if record.rrtype == "SOA"), None)
    if soa is None:
        return None
    minimum = _soa_number(soa, 6)
    return soa.ttl_seconds if minimum is None else min(soa.ttl_seconds, minimum)


def is_remembered(answer: NameAnswer) -> bool:
    """Whether an answer may come from a resolver's memory: it resolves for others and does not speak for the zone itself."""
    return answer.recursion_available and not answer.authoritative and answer.failure is None


def _soa_number(soa: NameRecord, place: int) -> int | None:
    fields = soa.value.split()
    return int(fields[place]) if len(fields) == 7 and fields[place].isascii() and fields[place].isdigit() else None
