"""``system.login``: whether the plan's access works, and why not where it does not."""

from __future__ import annotations

import base64
import shlex
from dataclasses import dataclass

import msgspec

from shared.evidence import Failure, FailureKind, HostEvidence, SshHostKey, SystemEvidence
from shared.findings import SITE, Finding, Grade, make_ref
from shared.knownhosts import DEFAULT_PORT, KnownHosts, entry_name, keys_of, parse
from shared.plan import Access, Host
from shared.quantities import show_seconds
from verify.grading.case import Case, in_words
from verify.grading.system.word import vantage

#: The phase of a failure that comes after a login which worked.
_AFTERWARDS = "commands"
_SILENCE = (FailureKind.NO_ANSWER, FailureKind.KERNEL_TIMEOUT)
_UNHEARD = (*_SILENCE, FailureKind.CLOSED, FailureKind.RESET)
#: What asks for an answer in each phase of a login.
_AWAITED = {"connect": "the connection", "key exchange": "the key exchange", "login": "the login", "shell": "the first command"}
_NO_ANSWER_TO = "no answer to "
#: How many commands that did not end in time are named, and how much of each.
_NAMED, _SAID_CHARACTERS = 2, 60
#: How OpenSSH names its host key files by their type (sshd_config(5), HostKey).
_KEY_FILES = {"ssh-ed25519": "ed25519", "ssh-rsa": "rsa", "ecdsa-sha2-nistp256": "ecdsa", "ecdsa-sha2-nistp384": "ecdsa",
              "ecdsa-sha2-nistp521": "ecdsa"}


def worked(seen: SystemEvidence | None) -> bool:
    """Whether there was a login, and a shell that runs commands."""
    return seen is not None and (seen.failure is None or seen.failure.phase == _AFTERWARDS)


def overdue(seen: SystemEvidence) -> bool:
    """Whether a visit that began well ended early because too much of it was waited for in vain."""
    return seen.failure is not None and seen.failure.phase == _AFTERWARDS and seen.failure.kind in _SILENCE


def would_prove(finding: Finding) -> str:
    """What would settle a login that was not answered in time; empty for any other finding."""
    if (finding.check, finding.symptom) != ("system.login", "late"):
        return ""
    awaited, _in, seconds = finding.found.removeprefix(_NO_ANSWER_TO).rpartition(" in ")
    return f"more than {seconds} for {awaited}: --timeout (of await --question-timeout), or less load there"


def grade(case: Case, host: Host, evidence: HostEvidence) -> Finding:
    """The one finding about the login to a host that the plan gives access to."""
    access, port = case.plan.access, case.plan.login_port(host)
    assert access is not None
    subject = f"{port}/tcp"
    planned = f"a login as {access.user} to a known host key"
    seen = evidence.system
    if seen is None:
        return case.finding(host.fqdn, "system.login", subject, Grade.UNPROVEN, planned=planned, found="not tried",
                            message=f"No login to {host.fqdn} was tried.")
    if len(host.addresses) > 1 and seen.address:
        subject += f" at {seen.address}"
    if overdue(seen):
        return case.finding(
            host.fqdn, "system.login", subject, Grade.CAUTION, planned=planned, found=f"let in; {_hung(seen)}",
            message=f"{access.user} was let in at {seen.address} with the planned key, but {_hung(seen)}, and the rest was not "
                    "asked. Perhaps the host is busy, or what such a command looks at hangs.",
            fix=_busy(host), symptom="late", vantage=vantage(host), at=seen.at)
    if worked(seen):
        early = f"  It ended early: {in_words(seen.failure)}." if seen.failure else ""
        return case.finding(
            host.fqdn, "system.login", subject, Grade.PASS, planned=planned, found=f"{len(seen.commands)} commands answered",
            message=f"{access.user} was let in at {seen.address} with the planned key, and the shell runs commands.{early}",
            vantage=vantage(host), at=seen.at)
    assert seen.failure is not None
    judged = _why_not(case, host, access, seen, seen.failure)
    finding = case.finding(
        host.fqdn, "system.login", subject, judged.grade, planned=planned, found=_found(seen, seen.failure),
        message=judged.message, fix=judged.fix, symptom=judged.symptom or _symptom(seen, seen.failure), at=seen.at)
    return msgspec.structs.replace(finding, because=judged.because)


def _found(seen: SystemEvidence, failure: Failure) -> str:
    if failure.phase == "host key" and seen.host_key:
        return f"{seen.key_standing} host key: {seen.host_key.key_type} {seen.host_key.fingerprint}"
    return f"{_NO_ANSWER_TO}{_AWAITED[failure.phase]} in {_seconds(failure)}" if _is_late(failure) else in_words(failure)


def _symptom(seen: SystemEvidence, failure: Failure) -> str:
    if failure.phase == "host key":
        return f"{seen.key_standing}-host-key"
    return "late" if _is_late(failure) else "no-login"


def _is_late(failure: Failure) -> bool:
    return failure.kind in _SILENCE and failure.phase in _AWAITED


def _seconds(failure: Failure) -> str:
    return show_seconds(round(failure.elapsed_seconds, 1))


def _hung(seen: SystemEvidence) -> str:
    """Which commands did not end, and after how long nobody waited any more; or that all together took too long."""
    assert seen.failure is not None
    hung = [f'"{answer.command[:_SAID_CHARACTERS]}" did not end in {_seconds(answer.failure)}' for answer in seen.commands
            if answer.failure and answer.failure.kind in _SILENCE]
    return " and ".join(hung[:_NAMED]) or seen.failure.detail


def _busy(host: Host) -> tuple[str, ...]:
    return (f"uptime; ps -eo pid,stat,time,args --sort=-time | head    # on {host.fqdn}: is it busy, and with what?",
            "# or verify again with a longer --timeout (of await: --question-timeout)")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Judged:
    """What there is to say of a login that did not work, and the findings that explain it."""

    grade: Grade
    message: str
    fix: tuple[str, ...] = ()
    because: tuple[str, ...] = ()
    symptom: str = ""


def _why_not(case: Case, host: Host, access: Access, seen: SystemEvidence, failure: Failure) -> _Judged:
    where = case.evidence.vantage.name
    if failure.phase == "host key" and seen.host_key:
        return _stranger(case, host, access, seen, seen.host_key)
    if failure.phase == "key":
        return _Judged(
            grade=Grade.UNPROVEN, message=f"{where} has no key to log in to {host.fqdn} with: {failure.detail}.",
            because=(make_ref(SITE, "plan.access", "key"),) if access.key_fault else ())
    if failure.phase == "login" and failure.kind not in _UNHEARD:
        return _Judged(
            grade=Grade.FAIL, message=f"{host.fqdn} did not let {where} in as {access.user}: {failure.detail}.",
            fix=_let_in(host, access))
    if failure.phase == "shell" and failure.kind not in _UNHEARD:
        return _Judged(
            grade=Grade.FAIL, message=f"{access.user} is let in to {host.fqdn}, but {failure.detail}.",
            fix=(f"getent passwd {access.user}    # on {host.fqdn}: the last field must be a shell, not nologin",
                 f"sshd -T -C user={access.user} | grep -i forcecommand    # as root; must be none"))
    if _is_late(failure):
        typed = ", or its shell waits for something to be typed" if failure.phase == "shell" else ""
        return _Judged(grade=Grade.UNPROVEN, fix=_busy(host),
                       message=f"{where} could not log in to {host.fqdn}: {_AWAITED[failure.phase]} got no answer in "
                               f"{_seconds(failure)}. Perhaps the host is busy{typed}.")
    return _Judged(grade=Grade.UNPROVEN,
                   message=f"{where} could not log in to {host.fqdn} (at: {failure.phase}): {in_words(failure)}.")


def _let_in(host: Host, access: Access) -> tuple[str, ...]:
    show = f"ssh-keygen -yf {access.key}" if access.key else "ssh-add -L"
    return (f"{show}    # on the runner: prints the public key",
            f"# on {host.fqdn}: add that line to ~{access.user}/.ssh/authorized_keys, which only {access.user} may write:",
            f"chmod go-w ~{access.user} ~{access.user}/.ssh ~{access.user}/.ssh/authorized_keys")


def _stranger(case: Case, host: Host, access: Access, seen: SystemEvidence, key: SshHostKey) -> _Judged:
    """A host key that the plan does not vouch for: nothing was sent to it, not even a user name."""
    port = case.plan.login_port(host) or DEFAULT_PORT
    name = entry_name(host.fqdn, port)
    line = f"{name} {key.key_type} {base64.b64encode(key.blob).decode()}"
    compare = (f"# at the console of {host.fqdn}; it must print {key.fingerprint}:", f"ssh-keygen -lf {_key_file(key)}")
    answers = f"What answers {case.evidence.vantage.name} at {seen.address}"
    if seen.key_standing == "revoked":
        return _Judged(
            grade=Grade.FAIL, message=f"{answers} shows a key that {access.known_hosts} marks as revoked, so nobody logged in.",
            fix=(*compare, "# and make new host keys for it: this one must not be used any more"))
    if other := _holder(case, host, access, key):
        return _Judged(
            grade=Grade.FAIL, symptom="another-hosts-key",
            message=f"{answers} shows the {key.key_type} key that {access.known_hosts} has for {other}: that host has this "
            f"address, or {host.fqdn} has its key.  Nobody logged in.",
            fix=(f"# at the consoles of {host.fqdn} and {other}: which of them has {seen.address}?", "ip -br address",
                 f"# if it is {other}: type the planned addresses at both.  If not, the key was copied; on {host.fqdn}:",
                 "rm /etc/ssh/ssh_host_*_key /etc/ssh/ssh_host_*_key.pub", "ssh-keygen -A", "systemctl restart ssh    # or sshd"))
    if seen.key_standing == "changed":
        return _Judged(
            grade=Grade.FAIL,
            message=f"{answers} shows another {key.key_type} key than {access.known_hosts} has for {host.fqdn}: it was installed "
            "anew, or it is not that host.  Nobody logged in.",
            fix=(*compare, "# if it does, and only then:",
                 *(f"ssh-keygen -f {shlex.quote(access.known_hosts)} -R {shlex.quote(entry_name(one, port))}"
                   for one in _entries(host, access, port)),
                 f"# and add to {access.known_hosts}:", line))
    if access.known_hosts_fault:
        return _Judged(
            grade=Grade.UNPROVEN, because=(make_ref(SITE, "plan.access", "known hosts"),),
            message=f"The file {access.known_hosts} {access.known_hosts_fault}.  Without it no host is known, so nobody logged "
            f"in to {host.fqdn}.")
    return _Judged(
        grade=Grade.FAIL, message=f"{access.known_hosts} has no {key.key_type} key for {host.fqdn}, so nobody logged in to it.",
        fix=(*compare, f"# if it does, and only then, add to {access.known_hosts}:", line))


def _holder(case: Case, host: Host, access: Access, key: SshHostKey) -> str:
    """The other host of the plan, if just one, that the file has this key for under its own name."""
    # Few lines have the key, where a plan may have thousands of hosts.
    having = parse(access.known_hosts_text).by_blob.get(key.blob, ())
    lines = KnownHosts(tuple(line for line in having if not line.marker))
    named = (case.plan.hosts if lines.hosts is None
             else [case.plan.by_fqdn[name] for name in lines.hosts if name in case.plan.by_fqdn])
    held = (other.fqdn for other in named if other is not host
            and keys_of(lines, (other.fqdn,), case.plan.login_port(other) or DEFAULT_PORT))
    first, second = next(held, ""), next(held, "")
    return "" if second else first


def _entries(host: Host, access: Access, port: int) -> list[str]:
    """The names and addresses under which the file has keys of the host: all of them must go with the old key."""
    names = (host.fqdn, host.fqdn.partition(".")[0], *host.addresses)
    return list(dict.fromkeys(key.name for key in keys_of(parse(access.known_hosts_text), names, port))) or [host.fqdn]


def _key_file(key: SshHostKey) -> str:
    return f"/etc/ssh/ssh_host_{_KEY_FILES.get(key.key_type, '*')}_key.pub"
