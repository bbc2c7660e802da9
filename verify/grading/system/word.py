"""One host's own word: what it said, how findings of it are written, and why something it was asked is not known."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import msgspec

from shared.evidence import CommandAnswer, FailureKind, SystemEvidence
from shared.findings import Finding, Grade, Measured
from shared.hostcommands import NO_SUCH_COMMAND
from shared.hostfacts import HostFacts, InterfaceAddress
from shared.plan import Host
from shared.quantities import show_seconds
from verify.grading.case import Case, in_words

#: How many commands an explanation names, and how much of what they said.
_NAMED, _SAID_CHARACTERS = 4, 80


@dataclass(frozen=True, slots=True)
class Word:
    """What one host said of itself after a login that worked; ``cut_short`` is its finding where that ended early."""

    case: Case
    host: Host
    seen: SystemEvidence
    cut_short: str = ""

    @property
    def facts(self) -> HostFacts:
        """What could be read of it."""
        return self.seen.facts

    def finding(
        self, check: str, subject: str, grade: Grade, *, planned: str, found: str, message: str, topic: str = "",
        symptom: str = "", fix: tuple[str, ...] = (), measured: Measured | None = None,
    ) -> Finding:
        """Write one finding, seen from the host itself when it answered about ``topic``."""
        answers = self.answers((topic,))
        finding = self.case.finding(self.host.fqdn, check, subject, grade, planned=planned, found=found, message=message,
                                    symptom=symptom, fix=fix, measured=measured, vantage=vantage(self.host),
                                    at=answers[-1].at if answers else self.seen.at)
        waits = self.cut_short and symptom == "unread" and (not answers or any(answer.failure for answer in answers))
        return msgspec.structs.replace(finding, because=(self.cut_short,)) if waits else finding

    def unread(self, check: str, subject: str, topic: str, *, planned: str) -> Finding:
        """The finding for what could not be read."""
        why = self.why_unread((topic,))
        return self.finding(check, subject, Grade.UNPROVEN, planned=planned, found="not known", topic=topic, symptom="unread",
                            message=f"What {self.host.fqdn} says of its {topic} is not known: {why}.")

    def answers(self, topics: Iterable[str]) -> list[CommandAnswer]:
        """The commands that were run for any of these topics."""
        wanted = set(topics)
        return [answer for answer in self.seen.commands if answer.topic in wanted]

    def why_unread(self, topics: Iterable[str]) -> str:
        """Why nothing is known about these topics: each command that was tried, and what came of it."""
        tried = self.answers(topics)
        if not tried:
            return in_words(self.seen.failure) if self.seen.failure else "it was not asked"
        return "; ".join(f'"{answer.command[:_SAID_CHARACTERS]}" {_outcome(answer)}' for answer in tried[-_NAMED:])

    def planned_address(self, family: int) -> InterfaceAddress | None:
        """The first planned address of an IP version that an interface of the host carries."""
        carried = {address.address: address for address in self.facts.addresses or ()}
        return next((carried[address] for address in self.host.addresses
                     if address in carried and (6 if ":" in address else 4) == family), None)


def vantage(host: Host) -> str:
    """Where the host's own word is spoken."""
    return f"{host.fqdn} itself over SSH"


def _outcome(answer: CommandAnswer) -> str:
    if answer.failure and answer.failure.kind is FailureKind.NO_ANSWER:
        return f"did not end in {show_seconds(round(answer.failure.elapsed_seconds, 1))}"
    if answer.failure:
        return in_words(answer.failure)
    if answer.status in NO_SUCH_COMMAND:
        return "is not there or may not be run"
    if answer.status is None:
        return "printed more than is read" if answer.cut else "ended without an exit status"
    if answer.status:
        said = " ".join((answer.errors or answer.output).split())[:_SAID_CHARACTERS]
        return f"ended with exit status {answer.status}" + (f" ({said})" if said else "")
    said = " ".join(answer.output.split())[:_SAID_CHARACTERS]
    return f'printed what cannot be read ("{said}")' if said else "printed nothing that can be read"
