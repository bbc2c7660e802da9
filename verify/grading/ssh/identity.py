"""Who answers on a planned SSH port: an SSH server of version 2.0, an older one, something else, or nobody who speaks."""

from __future__ import annotations

from dataclasses import dataclass

from shared.evidence import Failure, FailureKind, SshEvidence
from shared.findings import Finding, Grade
from shared.quantities import show_seconds
from verify.grading.case import Case, in_words
from verify.grading.ssh.algorithms import RELOAD

#: RFC 4253 section 4.2: 255 octets with CR and LF.
LONGEST_IDENTIFICATION = 253
#: What OpenSSH says before it hangs up on a caller it has no room for or holds a grudge against (MaxStartups and
#: PerSourcePenalties of sshd_config).  It is a statement about load or about the runner, not about the host's build.
TURNED_AWAY = ("Exceeded MaxStartups", "Not allowed at this time")
#: How much of another protocol's first line is shown.
_SAID_CHARACTERS = 80
_WAITED_IN_VAIN = (FailureKind.NO_ANSWER, FailureKind.KERNEL_TIMEOUT)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Judged:
    """What there is to say of one identification."""

    grade: Grade
    found: str
    message: str
    symptom: str = ""
    fix: tuple[str, ...] = ()


def grade(case: Case, host: str, subject: str, seen: SshEvidence) -> Finding:
    """``ssh.identity`` (RFC 4253 sections 4.2 and 5.1)."""
    where = f"{seen.port} of {seen.address}, seen from {case.evidence.vantage.name},"
    heard = next((line for line in seen.preamble if line.strip()), "")
    if seen.identification:
        judged = _identified(seen.identification)
    elif heard:
        judged = _something_else(heard, where, seen.port)
    else:
        judged = _nothing_said(seen.failure, where, seen.port)
    return case.finding(host, "ssh.identity", subject, judged.grade, planned="SSH 2.0", found=judged.found,
                        message=judged.message, symptom=judged.symptom, fix=judged.fix, at=seen.at)


def _identified(said: str) -> _Judged:
    parts = said.split("-", 2)
    version = parts[1] if len(parts) > 1 else ""
    if version == "2.0":
        return _spoken_well(said)
    if version == "1.99":
        return _Judged(
            grade=Grade.CAUTION, found=said, symptom="old-version",
            message=f'The server calls itself "{said}": besides SSH 2.0 it still speaks the broken version 1.',
            fix=("# in /etc/ssh/sshd_config, for servers old enough to know the word:", "Protocol 2", *RELOAD))
    return _Judged(
        grade=Grade.FAIL, found=said, symptom="old-version",
        message=f'The server calls itself "{said}"; only version 2.0 is in use, and current clients refuse this one.',
        fix=("# install an SSH server that speaks version 2.0, then look which program listens:", "ss -ltnp"))


def _spoken_well(said: str) -> _Judged:
    faults = []
    if len(said) > LONGEST_IDENTIFICATION:
        faults.append(f"is longer than {LONGEST_IDENTIFICATION} characters")
    if not (said.isascii() and said.isprintable()) or "\\x" in said:
        faults.append("holds characters that are not printable ASCII")
    if not faults:
        return _Judged(grade=Grade.PASS, found=said, message=f'The server speaks SSH 2.0 and calls itself "{said}".')
    return _Judged(
        grade=Grade.CAUTION, found=said, symptom="odd-identification",
        message=f"The server speaks SSH 2.0, but its identification string {' and '.join(faults)}; some clients refuse that.",
        fix=("# in /etc/ssh/sshd_config:", "VersionAddendum none", *RELOAD))


def _something_else(heard: str, where: str, port: str) -> _Judged:
    shown = heard if len(heard) <= _SAID_CHARACTERS else heard[: _SAID_CHARACTERS - 1] + "…"
    if heard.startswith(TURNED_AWAY):
        return _Judged(
            grade=Grade.UNPROVEN, found=f'"{shown}"', symptom="turned-away",
            message=f'The server on {where} turned the runner away ("{shown}"): it has too many callers that are not logged in, '
            "or holds earlier calls against the runner's address.")
    return _Judged(
        grade=Grade.FAIL, found=f'"{shown}"', symptom="other-protocol",
        message=f'What answers on {where} does not speak SSH; it says "{shown}".',
        fix=(_who_listens(port), "# stop that program or move it, or correct the port in the plan's ssh list"))


def _nothing_said(failure: Failure | None, where: str, port: str) -> _Judged:
    if failure is not None and failure.kind in _WAITED_IN_VAIN:
        waited = show_seconds(failure.elapsed_seconds)
        return _Judged(
            grade=Grade.FAIL, found=f"silence for {waited}", symptom="silent-after-accept",
            message=f"What listens on {where} takes the connection and then says nothing for {waited}; an SSH server speaks at "
            "once.",
            fix=(_who_listens(port), "systemctl status ssh    # is it stuck?  (the unit is called sshd on some systems)"))
    why = in_words(failure) if failure is not None else "nothing was said"
    return _Judged(
        grade=Grade.UNPROVEN, found="no identification", symptom="closed-after-accept",
        message=f"What listens on {where} took the connection and ended it without saying who it is ({why}): a server under "
        "load, or a rule that turns the runner's address away, looks like this.")


def _who_listens(port: str) -> str:
    return f"ss -ltnp 'sport = :{port.partition('/')[0]}'    # on the host: which program listens there"
