"""Which algorithms an SSH server should not offer, by what rule, and the configuration that leaves them out."""

from __future__ import annotations

import fnmatch
import functools
import re
from dataclasses import dataclass

from shared.evidence import SshEvidence
from shared.findings import Finding, Grade
from verify.grading.case import Case
from verify.grading.machines import listed

PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Rule:
    """One pattern of names that is not to be offered: how bad, why, and who says so."""

    pattern: str
    grade: Grade
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class Kind:
    """One list of algorithms: what it is called, the directive that sets it, and what is good and bad in it.  There are four.

    ``good`` holds the names that a mend may keep, ``advised`` what it sets where nothing good is offered.
    """

    title: str
    directive: str
    rules: tuple[Rule, ...]
    good: tuple[str, ...]
    advised: str


_RULE_9142 = "RFC 9142 section 4"
_SHA1_SIGNATURE = "signs with SHA-1: RFC 8332 section 1"

#: RFC 9142 section 4, table 12; names with an @ are the servers' own and equal or better by common practice.  So are the
#: post-quantum hybrids, which are younger than the table: drafts of the IETF's working group on SSH (from memory).
KEY_EXCHANGE = Kind(
    title="key exchange", directive="KexAlgorithms",
    rules=(
        Rule("rsa1024-sha1", Grade.FAIL, f"1024-bit RSA and SHA-1, MUST NOT: {_RULE_9142}"),
        Rule("diffie-hellman-group1-sha1", Grade.CAUTION, f"1024-bit group and SHA-1, SHOULD NOT: {_RULE_9142}"),
        Rule("diffie-hellman-group-exchange-sha1", Grade.CAUTION, f"SHA-1, SHOULD NOT: {_RULE_9142}"),
        Rule("gss-gex-sha1-*", Grade.CAUTION, f"SHA-1, SHOULD NOT: {_RULE_9142}"),
        Rule("gss-group1-sha1-*", Grade.CAUTION, f"1024-bit group and SHA-1, SHOULD NOT: {_RULE_9142}"),
        Rule("gss-group14-sha1-*", Grade.CAUTION, f"SHA-1, SHOULD NOT: {_RULE_9142}"),
    ),
    good=("mlkem768x25519-sha256", "mlkem768nistp256-sha256", "mlkem1024nistp384-sha384", "sntrup761x25519-sha512",
          "sntrup761x25519-sha512@openssh.com", "curve25519-sha256", "curve25519-sha256@libssh.org", "curve448-sha512",
          "ecdh-sha2-*", "ecmqv-sha2", "diffie-hellman-group14-sha1", "diffie-hellman-group14-sha256",
          "diffie-hellman-group15-sha512", "diffie-hellman-group16-sha512", "diffie-hellman-group17-sha512",
          "diffie-hellman-group18-sha512", "diffie-hellman-group-exchange-sha256", "rsa2048-sha256",
          "gss-group1[4-8]-sha256-*", "gss-group1[4-8]-sha512-*", "gss-nistp*-sha*-*", "gss-curve25519-sha256-*",
          "gss-curve448-sha512-*"),
    advised="curve25519-sha256,ecdh-sha2-nistp256,diffie-hellman-group16-sha512,diffie-hellman-group14-sha256",
)

HOST_KEY = Kind(
    title="host key", directive="HostKeyAlgorithms",
    rules=(
        Rule("ssh-dss*", Grade.FAIL, "1024-bit DSA and SHA-1, disallowed: RFC 8332 section 1"),
        Rule("x509v3-ssh-dss", Grade.FAIL, "1024-bit DSA and SHA-1, disallowed: RFC 8332 section 1"),
        Rule("ssh-rsa", Grade.CAUTION, _SHA1_SIGNATURE),
        Rule("ssh-rsa-cert-v0[01]@openssh.com", Grade.CAUTION, _SHA1_SIGNATURE),
        Rule("x509v3-ssh-rsa", Grade.CAUTION, _SHA1_SIGNATURE),
    ),
    good=("ssh-ed25519", "ssh-ed448", "rsa-sha2-256", "rsa-sha2-512", "ecdsa-sha2-*", "rsa-sha2-*-cert-v01@openssh.com",
          "ssh-ed25519-cert-v01@openssh.com", "sk-ssh-ed25519*@openssh.com", "sk-ecdsa-sha2-*@openssh.com",
          "x509v3-rsa2048-sha256", "x509v3-ecdsa-sha2-*"),
    advised="ssh-ed25519,rsa-sha2-512,rsa-sha2-256",
)

CIPHER = Kind(
    title="cipher", directive="Ciphers",
    rules=(
        Rule("none", Grade.FAIL, "sends everything in clear, meant for debugging only: RFC 4251 section 9.3.1"),
        Rule("arcfour*", Grade.FAIL, "RC4, MUST NOT: RFC 8758"),
        Rule("des-cbc*", Grade.FAIL, "56-bit key, below the 112 bits of NIST SP 800-57 part 1 section 5.6.1"),
        Rule("*-cbc", Grade.CAUTION, f"block chaining: {PRACTICE}"),
        Rule("*-cbc@*", Grade.CAUTION, f"block chaining: {PRACTICE}"),
    ),
    good=("chacha20-poly1305", "chacha20-poly1305@openssh.com", "aes*-gcm@openssh.com", "aes*-gcm", "AEAD_AES_*_GCM", "*-ctr"),
    advised="aes256-gcm@openssh.com,aes128-gcm@openssh.com,aes256-ctr,aes128-ctr",
)

MAC = Kind(
    title="message authentication", directive="MACs",
    rules=(
        Rule("none", Grade.FAIL, "lets anybody on the path alter what is sent: RFC 4253 section 6.4"),
        Rule("hmac-md5*", Grade.CAUTION, f"MD5: {PRACTICE}"),
    ),
    good=("hmac-sha2-*", "hmac-sha1*", "umac-*", "AEAD_AES_*_GCM"),
    advised="hmac-sha2-256-etm@openssh.com,hmac-sha2-512-etm@openssh.com,hmac-sha2-256,hmac-sha2-512",
)

#: RFC 4251 section 6 and what is safe to paste: a mend holds no name that a host could have made up.
_PLAIN_NAME = re.compile(r"[A-Za-z0-9@._-]{1,64}\Z")
#: How many names one sentence lists before it counts the rest.
_NAMES_SHOWN = 8

#: How to make the server read its configuration again, said once for every mend that changes it.
RELOAD = ("sshd -t && systemctl reload ssh    # the unit is called sshd on some systems",)


def lists_of(seen: SshEvidence) -> tuple[tuple[Kind, tuple[str, ...]], ...]:
    """The four lists of an offer, each with what is known of its kind."""
    return ((KEY_EXCHANGE, seen.kex_algorithms), (HOST_KEY, seen.host_key_algorithms), (CIPHER, seen.ciphers), (MAC, seen.macs))


@functools.lru_cache(maxsize=1024)
def rule_against(kind: Kind, name: str) -> Rule | None:
    """The first rule that speaks against offering ``name``, or None."""
    return next((rule for rule in kind.rules if fnmatch.fnmatchcase(name, rule.pattern)), None)


@functools.lru_cache(maxsize=1024)
def is_good(kind: Kind, name: str) -> bool:
    """Whether ``name`` is known and nothing speaks against it.  A name that is in no table is neither good nor bad."""
    return rule_against(kind, name) is None and any(fnmatch.fnmatchcase(name, pattern) for pattern in kind.good)


def grade(case: Case, host: str, subject: str, seen: SshEvidence) -> Finding:
    """``ssh.algorithms``: what one server offers, held against the rules above.

    MUST NOT and disallowed is a fail, SHOULD NOT and common practice a caution; a list in which nothing good is left is a
    fail, for no current client can use it.
    """
    bad: list[tuple[Kind, str, Rule]] = []
    unknown: list[str] = []
    fix: list[str] = []
    grades = {Grade.PASS}
    exhausted: list[str] = []
    for kind, names in lists_of(seen):
        against = [(kind, name, rule) for name in names if (rule := rule_against(kind, name))]
        strange = [name for name in names if rule_against(kind, name) is None and not is_good(kind, name)]
        bad += against
        unknown += strange
        if against:
            grades |= {rule.grade for _kind, _name, rule in against}
            fix.append(_directive(kind, names))
            if len(against) == len(names):
                grades.add(Grade.FAIL)
                exhausted.append(kind.title)
    worst = next(grade for grade in (Grade.FAIL, Grade.CAUTION, Grade.PASS) if grade in grades)
    return case.finding(
        host, "ssh.algorithms", subject, worst, planned="no algorithm that is ruled out or discouraged",
        found=listed([name for _kind, name, _rule in bad], len(bad)) if bad else "none that is known to be weak",
        message=_message(seen, bad, exhausted, unknown), fix=_fix(fix, exhausted) if fix else (),
        symptom="weak-algorithms" if bad else "", at=seen.at)


def _directive(kind: Kind, names: tuple[str, ...]) -> str:
    kept = [name for name in names if is_good(kind, name) and _PLAIN_NAME.match(name)]
    return f"{kind.directive} {','.join(kept) if kept else kind.advised}"


def _fix(directives: list[str], exhausted: list[str]) -> tuple[str, ...]:
    keys = ("ssh-keygen -A    # makes the key types that are missing",) if HOST_KEY.title in exhausted else ()
    return ("# in /etc/ssh/sshd_config, above any Match block, in the place of the lines of the same name:", *directives,
            "# then, as root:", *keys, *RELOAD)


def _message(seen: SshEvidence, bad: list[tuple[Kind, str, Rule]], exhausted: list[str], unknown: list[str]) -> str:
    if bad:
        shown = "; ".join(f"{name} ({kind.title}: {rule.why})" for kind, name, rule in bad[:_NAMES_SHOWN])
        more = f"; and {len(bad) - _NAMES_SHOWN} more" if len(bad) > _NAMES_SHOWN else ""
        text = f"The server offers what it should not: {shown}{more}."
    else:
        counts = ", ".join(f"{len(names)} for {kind.title}" for kind, names in lists_of(seen))
        text = f"Of the algorithms that the server offers ({counts}) none is known to be weak."
    for title in exhausted:
        text += f" It offers nothing better for {title}, so current clients may not connect at all."
    if unknown:
        text += f" Not judged, because they are not known here: {listed(unknown, len(unknown))}."
    return text
