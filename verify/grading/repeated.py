"""One fault that is told several times: each telling but the first is an effect of the first.

A machine with two addresses is asked everything at both, a zone is read at every server, and a key is held by twins.
"""

from __future__ import annotations

from collections import defaultdict

import msgspec

from shared.findings import Finding, Grade

#: Symptoms of having heard nothing at all from whom was asked.
SILENT = frozenset({"silent", "no-answer", "no-way"})

_ASKED_AT_EVERY_SERVER = frozenset({"name.forward", "name.reverse", "name.alias"})
_TOLD_BY_TWINS = frozenset({"ssh.shared-key", "certificate.shared-key", "host.mac"})
_ASKED_AT_EVERY_ADDRESS = frozenset({
    "certificate.trust", "certificate.name", "certificate.dates", "certificate.key", "certificate.signature",
    "certificate.protocol", "ssh.identity", "ssh.algorithms", "ssh.host-key", "clock.synchronised"})


def point_at_aliases(findings: list[Finding]) -> list[Finding]:
    """A pointer to an alias is put right where the alias is, at the same server."""
    aliases = {(finding.host, finding.subject): finding.ref for finding in findings
               if finding.check == "name.alias" and finding.grade in (Grade.CAUTION, Grade.FAIL)}
    if not aliases:
        return findings
    return [msgspec.structs.replace(finding, because=(aliases[alias],)) if finding.symptom == "pointer-to-alias"
            and (alias := (finding.host, first_word(finding))) in aliases else finding for finding in findings]


def told_once_of_a_machine(findings: list[Finding]) -> list[Finding]:
    """What is wrong with a machine at its first address explains the same at its others.

    Where nothing answers at any address there is one machine to look at, and one clock where all show the same offset.
    """
    told: dict[tuple[str, str], list[Finding]] = defaultdict(list)
    for finding in findings:
        if finding.check in ("host.echo", "clock.offset"):
            told[finding.check, finding.host].append(finding)
    first = {one.ref: group[0].ref for group in told.values() for one in group[1:]
             if all(map(_is_dead, group)) or _is_one_clock(group[0], one)}
    return [msgspec.structs.replace(finding, because=(first[finding.ref],)) if finding.ref in first else finding
            for finding in findings]


def _is_dead(echo: Finding) -> bool:
    return is_silence(echo) and echo.symptom == "silent" and not echo.because


def _is_one_clock(first: Finding, other: Finding) -> bool:
    """Whether two offsets that are wrong agree within their uncertainties."""
    if first.measured is None or other.measured is None or first.because or other.because:
        return False
    apart = abs(first.measured.value - other.measured.value)
    wrong = first.grade is other.grade and first.grade in (Grade.FAIL, Grade.CAUTION) and first.check == "clock.offset"
    return wrong and apart <= first.measured.uncertainty + other.measured.uncertainty


def told_before(finding: Finding, told: dict[tuple[str, ...], str]) -> Finding:
    """The same fault told again is an effect of its first telling, as a caution about a record is.

    So are one zone read at every server, one key held by twins, and one service asked at every address of its host.
    ``told`` collects what has been told so far, in the order of the findings.
    """
    wrong = finding.grade is Grade.FAIL or (finding.grade is Grade.CAUTION and finding.check in _ASKED_AT_EVERY_SERVER)
    if not wrong or finding.because:
        return finding
    if finding.check in _ASKED_AT_EVERY_SERVER:
        _server, _space, record = finding.subject.partition(" ")
        first = told.setdefault((finding.check, finding.host, record, finding.symptom, finding.found, finding.grade), finding.ref)
    elif finding.check in _ASKED_AT_EVERY_ADDRESS:
        service = "" if is_address(first_word(finding)) else first_word(finding)
        first = told.setdefault((finding.check, finding.host, service, finding.symptom, finding.found), finding.ref)
    elif finding.check in _TOLD_BY_TWINS or finding.symptom == "one-machine":
        # What is found names the twins, and its words are few where the tellings before may be thousands.
        twins = (told.get((finding.check, word)) for word in words_found(finding))
        # The host itself may have told it of another of its addresses; which one is astray shows at both.
        again = "apart" if finding.symptom == "apart" else finding.found
        first = next(filter(None, twins), told.setdefault((finding.check, finding.host, again), finding.ref))
        told.setdefault((finding.check, finding.host), finding.ref)
    else:
        return finding
    return finding if first == finding.ref else msgspec.structs.replace(finding, because=(first,))


def first_word(finding: Finding) -> str:
    """What a subject begins with: a server, a service or an address."""
    return finding.subject.partition(" ")[0]


def words_found(finding: Finding) -> list[str]:
    """What was found in words, hosts and hardware addresses among them."""
    return finding.found.replace(",", " ").split()


def is_address(word: str) -> bool:
    """Whether a word of a subject is an address and no name, port or zone."""
    return ":" in word or (word.count(".") == 3 and word.replace(".", "").isdigit())


def is_silence(finding: Finding) -> bool:
    """Whether a finding is a proven silence."""
    return finding.grade is Grade.FAIL and finding.symptom in SILENT
