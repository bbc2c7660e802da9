"""The host keys that a site vouches for: a ``known_hosts`` file in OpenSSH's form (sshd(8), SSH_KNOWN_HOSTS FILE FORMAT).

Text in, plain data out.  A line that cannot be read is noted and never in the way of the others.  Lines of certificate
authorities are not used here.
"""

from __future__ import annotations

import base64
import binascii
import functools
import hashlib
import hmac
import re
from collections.abc import Iterable, Mapping, Sequence

import msgspec

from shared.addresses import with_canonical_addresses

#: The port that a name without a port stands for (RFC 4253 section 4.1).
DEFAULT_PORT = 22
_REVOKED, _AUTHORITY = "@revoked", "@cert-authority"
#: What makes patterns of names, or hides them.
_PATTERN = re.compile(r"[*?!|]")


class KnownKey(msgspec.Struct, frozen=True):
    """A key that is known for a host under ``name``; ``revoked`` where it is known never to be accepted."""

    name: str
    key_type: str
    blob: bytes
    revoked: bool = False


class KnownLine(msgspec.Struct, frozen=True):
    """One line of the file: whom it is about, as written but for the form of IPv6 addresses, and the key."""

    number: int
    marker: str
    patterns: str
    key_type: str
    blob: bytes


class KnownHosts(msgspec.Struct, frozen=True, dict=True):
    """A whole file.  ``unreadable`` and ``authorities`` hold the numbers of the lines that are not used."""

    lines: tuple[KnownLine, ...]
    unreadable: tuple[int, ...] = ()
    authorities: tuple[int, ...] = ()

    @functools.cached_property
    def by_blob(self) -> Mapping[bytes, Sequence[KnownLine]]:
        """The lines by the key that they hold."""
        lines: dict[bytes, list[KnownLine]] = {}
        for line in self.lines:
            lines.setdefault(line.blob, []).append(line)
        return lines

    def may_speak_of(self, name: str, port: int) -> Iterable[KnownLine]:
        """The lines that may be about a host, in their order: most name their hosts word by word, and are found by the name."""
        plain, others = self._places
        return (self.lines[place] for place in sorted({*plain.get(entry_name(name.lower(), port), ()), *others}))

    @property
    def hosts(self) -> tuple[str, ...] | None:
        """The names and addresses that the lines are about, without ports; None where a pattern or a hash may be about any."""
        plain, others = self._places
        return None if others else tuple(dict.fromkeys(name.removeprefix("[").partition("]")[0] for name in plain))

    @functools.cached_property
    def _places(self) -> tuple[Mapping[str, Sequence[int]], Sequence[int]]:
        """Where the lines stand that name a host word by word, by that name, and where those whose patterns must be tried."""
        plain: dict[str, list[int]] = {}
        others = []
        for place, line in enumerate(self.lines):
            if _PATTERN.search(line.patterns):
                others.append(place)
            else:
                for name in line.patterns.lower().split(","):
                    plain.setdefault(name, []).append(place)
        return plain, others


# A site's file is the same for each of its hosts.
@functools.lru_cache(maxsize=2)
def parse(text: str) -> KnownHosts:
    """Read a file.  Raises nothing for any text."""
    lines, unreadable, authorities = [], [], []
    for number, line in enumerate(text.splitlines(), start=1):
        words = line.split()
        if not words or words[0].startswith("#"):
            continue
        marker = words.pop(0) if words[0].startswith("@") else ""
        blob = _blob(words)
        if marker == _AUTHORITY:
            authorities.append(number)
        elif blob is None or marker not in ("", _REVOKED):
            unreadable.append(number)
        else:
            lines.append(KnownLine(number, marker, with_canonical_addresses(words[0]), words[1], blob))
    return KnownHosts(tuple(lines), tuple(unreadable), tuple(authorities))


def _blob(words: list[str]) -> bytes | None:
    """The key of a line: its third word, whose first string names the type of the second (RFC 4253 section 6.6)."""
    if len(words) < 3:
        return None
    try:
        blob = base64.b64decode(words[2], validate=True)
        named = words[1].encode("ascii")
    except (binascii.Error, ValueError):
        return None
    return blob if blob.startswith(len(named).to_bytes(4, "big") + named) else None


def keys_of(known: KnownHosts, names: Iterable[str], port: int) -> tuple[KnownKey, ...]:
    """Every key that the file has for a host that is called by any of ``names`` (or addresses) at ``port``."""
    return tuple(KnownKey(name, line.key_type, line.blob, line.marker == _REVOKED)
                 for name in dict.fromkeys(names) for line in known.may_speak_of(name, port)
                 if _speaks_of(line.patterns, name, port))


def entry_name(name: str, port: int) -> str:
    """How the file writes a host: NAME, or [NAME]:PORT for any port but 22."""
    return name if port == DEFAULT_PORT else f"[{name}]:{port}"


def _speaks_of(patterns: str, name: str, port: int) -> bool:
    wanted = entry_name(name.lower(), port)
    if patterns.startswith("|"):
        return _hashed_matches(patterns, wanted)
    listed = [pattern.lower() for pattern in patterns.split(",")]
    if any(pattern.startswith("!") and _matches(pattern[1:], wanted) for pattern in listed):
        return False
    return any(_matches(pattern, wanted) for pattern in listed)


def _matches(pattern: str, name: str) -> bool:
    """``*`` stands for anything and ``?`` for one character; brackets are brackets."""
    if "*" not in pattern and "?" not in pattern:
        return pattern == name
    # Runs of * say no more than one, and make a regular expression slow.
    parts = re.split(r"([*?])", re.sub(r"\*+", "*", pattern))
    wild = {"*": ".*", "?": "."}
    return re.fullmatch("".join(wild.get(part, re.escape(part)) for part in parts), name) is not None


def _hashed_matches(written: str, name: str) -> bool:
    """|1|SALT|HASH: HMAC-SHA1 of the name under the salt, both in base64."""
    parts = written.split("|")
    if len(parts) != 4 or parts[1] != "1":
        return False
    try:
        salt, digest = base64.b64decode(parts[2], validate=True), base64.b64decode(parts[3], validate=True)
    except (binascii.Error, ValueError):
        return False
    return hmac.compare_digest(hmac.new(salt, name.encode(), hashlib.sha1).digest(), digest)


def judge(known: Iterable[KnownKey], key_type: str, blob: bytes) -> str:
    """What is known of a key that a host showed: "known", "unknown", "changed" or "revoked".

    It is changed where any name of the host has a key of the same type and not this one, even if another name has it: one
    of the two entries is about another machine.
    """
    known = tuple(known)
    if any(key.revoked and key.blob == blob for key in known):
        return "revoked"
    good = [key for key in known if not key.revoked and key.key_type == key_type]
    for name in {key.name for key in good}:
        if not any(key.blob == blob for key in good if key.name == name):
            return "changed"
    return "known" if good else "unknown"
