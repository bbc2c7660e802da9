"""Judges what a name server says of a random name that nobody planned: does the zone answer for anything (RFC 4592)."""

from __future__ import annotations

from collections.abc import Sequence

from shared.evidence import NameAnswer
from shared.findings import SITE, Finding, Grade
from shared.hostnames import canonical
from shared.plan import Endpoint
from shared.zonelines import Line, under_comment
from verify.grading.case import Case
from verify.grading.names.answers import Reading, Said, reading


def grade_wildcard(case: Case, server: Endpoint, answers: Sequence[NameAnswer]) -> list[Finding]:
    """``name.wildcard``: one finding on what the server said of the random name, of both families; none where it was not asked.

    A wildcard holds for the types that it has (RFC 4592 section 2.2.1), so a zone may answer any name with AAAA records alone.
    """
    if not answers:
        return []
    reads = [reading(answer) for answer in answers]
    caught = [number for number, read in enumerate(reads) if _has_wildcard(read)]
    unseen = [number for number, read in enumerate(reads) if not read.definite]
    shown = (caught or unseen or [0])[0]
    answer, read, name = answers[shown], reads[shown], canonical(answers[shown].name)
    found, grade, symptom = read.words, Grade.PASS, ""
    fix: tuple[str, ...] = ()
    message = f"{server.label} gives no address for {name}, a name that nobody planned."
    if caught:
        found = "; ".join(dict.fromkeys(reads[number].words for number in caught))
        grade, symptom = Grade.CAUTION, "wildcard"
        zone = name.partition(".")[2]
        lines = [line for number in caught for line in _wildcard_lines(zone, answers[number].rrtype, reads[number])]
        fix = under_comment(zone, (), tuple(dict.fromkeys(lines)))
        message = (f"{server.label} answers for {name}, a random name that nobody planned: {found}. So an answer for a host's "
                   "name does not prove that the host has a record, and a mistyped name leads to a wrong machine.")
    elif unseen:
        grade, symptom = Grade.UNPROVEN, read.symptom
        message = f"Whether {server.label} answers for names that nobody planned could not be seen: {read.words}."
    return [case.finding(SITE, "name.wildcard", server.label, grade, planned="no address for a name that nobody planned",
                         found=found, message=message, symptom=symptom, fix=fix, at=answer.at)]


def _has_wildcard(read: Reading) -> bool:
    """Whether the answer for the random name was a record, or an alias to anywhere."""
    return read.said in (Said.RECORDS, Said.OPEN_END, Said.ENDLESS) or read.chain.aliased


def _wildcard_lines(zone: str, rrtype: str, read: Reading) -> list[Line]:
    if read.chain.aliased:
        return [Line(f"*.{zone}", "CNAME", f"{read.chain.names[1]}.")]
    return [Line(f"*.{zone}", rrtype, value) for value in read.values]
