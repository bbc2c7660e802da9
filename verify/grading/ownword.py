"""What a host says of itself explains what was seen of it from outside: one stopped time service is one thing to mend.

Only a proven fail explains, and only what it predicts.  The host's own word comes with the exact mend; what is seen from outside
can say no more than where to look.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable

import msgspec

from shared.findings import Finding, Grade

#: Symptoms of a time service that gave no answer at all, as one that does not run does.
_NO_ANSWER = frozenset({"silent", "refused", "no-answer"})
_VANISHES = re.compile(r"([0-9]{1,6}) octets pass, ([0-9]{1,6}) do not")


def explain(findings: list[Finding]) -> list[Finding]:
    """The findings, with ``because`` set where the host's own word predicts what was seen, or says the same again."""
    said: dict[str, list[Finding]] = defaultdict(list)
    for finding in findings:
        if finding.check in ("system.clock", "system.mtu") and finding.grade is Grade.FAIL and not finding.because:
            said[finding.host].append(finding)
    if not said:
        return findings
    return [msgspec.structs.replace(finding, because=(cause.ref,)) if (cause := _cause(finding, said.get(finding.host, ())))
            else finding for finding in findings]


def _cause(effect: Finding, said: Iterable[Finding]) -> Finding | None:
    if effect.because or effect.grade not in (Grade.FAIL, Grade.UNPROVEN):
        return None
    return next((cause for cause in said if cause is not effect and _predicts(cause, effect)), None)


def _predicts(cause: Finding, effect: Finding) -> bool:
    if effect.grade is Grade.UNPROVEN:
        # Nobody is there to be asked for its sources.
        return cause.symptom in ("stopped", "none") and effect.check == "system.clock"
    if cause.check == "system.mtu":
        return effect.check == "host.path-mtu" and effect.symptom == "vanishes" and _at_the_host(cause, effect)
    if cause.symptom in ("stopped", "none"):
        # What is found of the one service is a part of what is found of all time services.
        again = effect.check == "system.service" and bool(effect.found) and effect.found in cause.found
        return again or (effect.check == "clock.synchronised" and effect.symptom in _NO_ANSWER)
    if cause.symptom == "no-source":
        return ((effect.check == "system.clock" and effect.symptom == "none-selected")
                or (effect.check == "clock.synchronised" and effect.symptom == "unsynchronised"))
    return False


def _at_the_host(cause: Finding, effect: Finding) -> bool:
    """Whether packets vanish just where the host's own interface ends."""
    span = _VANISHES.search(effect.found)
    own = cause.found.partition(" ")[0]
    return span is not None and own.isdigit() and int(span[1]) <= int(own) < int(span[2])
