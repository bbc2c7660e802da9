"""Replaces addresses and names by labels, the same value by the same label everywhere, so that a run can be shown to others.

What is replaced is known beforehand: every address and name that the plan, the evidence or the runner holds, the names in
certificates and what a host calls itself among them.  These are then found again inside sentences, mends and commands.  What a
check, a grade, a limit or a question of the site's own is called stays, and so do the reasons that people typed, less the names
in them.  Text of a host's own making, such as a banner, may spell a name in a way that no program finds; whoever shares a report
reads it first.
"""

from __future__ import annotations

import enum
import ipaddress
import re
from collections import Counter
from collections.abc import Collection, Iterator
from typing import Any

import msgspec

from reports.nameswithin import attributes, names_in, other_files, places
from shared import catalogue
from shared.evidence import CertificateFacts, SshHostKey
from shared.findings import SITE
from shared.hostnames import canonical
from shared.plan import Plan, Role
from shared.run import Report, RunFacts

#: What can be replaced.
KINDS = ("addresses", "names")

#: Fields that hold words of ours, never a site's.
_OURS = frozenset({
    "schema", "id", "verdict", "grade", "check", "kind", "state", "reading", "rrtype", "purpose", "transport", "method", "basis",
    "origin", "sense", "unit", "symptom", "profile", "would_prove", "protocol", "cipher", "key_type", "signature",
    "signature_hash", "stamped_by", "speaks", "sha256", "key_sha256", "phase", "rcode", "at", "after", "began",
    "ended", "started", "finished", "not_before", "not_after", "until", "privileges", "version", "versions"})
#: What reads as an IPv4 address, an IPv6 address (also one that ends as IPv4), or a hardware address.
_IPV4 = r"\d{1,3}(?:\.\d{1,3}){3}(?!\w|\.\d)"
_IPV6 = r"[0-9A-Fa-f]{0,4}(?::[0-9A-Fa-f]{0,4}){2,7}(?!\w|:[0-9A-Fa-f:])"
#: A word with a colon that stands before an IPv6 address and can be no part of it ("IP:2001:db8::1").
_MARK = r"(?:(?![0-9A-Fa-f]{0,4}:)\w+:)*?"
_ADDRESS = re.compile(rf"(?<![\w.:])(?P<mark>{_MARK})(?:(?:[0-9A-Fa-f]{{0,4}}:){{2,7}}{_IPV4}|{_IPV6})|(?<![\w.]){_IPV4}")
_MAC = re.compile(r"(?<![\w:-])[0-9A-Fa-f]{2}(?:([:-])[0-9A-Fa-f]{2})(?:\1[0-9A-Fa-f]{2}){4}(?![\w:-])")
#: A word that can be a name: labels with dots between; underscores and stars as zones and certificates have them.
_WORD = re.compile(r"[^\W_][\w*-]*(?:\.[\w*-]+)*|\*(?:\.[\w*-]+)+|_[\w*-]+(?:\.[\w*-]+)+")
#: Below this first octet four numbers with dots are a section of an RFC as often as an address, so only those that the plan
#: or the evidence holds are taken for one; no section begins with more.
_SURELY_AN_ADDRESS = 10
_REVERSE = (".in-addr.arpa", ".ip6.arpa")
#: Names that everybody has, which tell nothing.
_EVERYBODYS = frozenset({"", SITE, "root", "localhost", "known_hosts", "ssh_known_hosts"})
#: Where a phrase may begin, and what follows where a name goes on.
_FIRST_WORD, _GOES_ON = re.compile(r"(?<![\w.-])\w+"), re.compile(r"[\w-]|\.\w")
#: The endings of the files that our mends call by a host's name.
_ENDINGS = frozenset({"key", "csr", "pem"})
#: What stands before a role's name in sentences, mends and references.  Roles are often called by words of ours ("node"), so that
#: only there, and where nothing else stands, a word is taken for one.
_ROLE_MARK = r"(?<![\w.-])(?:role |roles\.|services of |plan\.role\||role = \")"


class Redaction:
    """The labels of one report.  The same value gives the same label, however often it is asked for."""

    def __init__(self, report: Report, plan: Plan, kinds: Collection[str]) -> None:
        self._labels: dict[tuple[str, str], str] = {}
        self._counts: Counter[str] = Counter()
        self._texts: dict[str, str] = {}
        self._names: dict[str, str] = {}
        #: Texts of any characters by their first word, and how long those are that begin with it.
        self._phrases: dict[str, dict[str, str]] = {}
        self._lengths: dict[str, set[int]] = {}
        self._domain = canonical(plan.domain)
        self._by_addresses, self._by_names = "addresses" in kinds, "names" in kinds
        self._roles = [role.name for role in plan.roles] if self._by_names else []
        either = "|".join(map(re.escape, sorted(self._roles, key=len, reverse=True))) or r"(?!)"
        self._role_in_text = re.compile(rf"({_ROLE_MARK})({either})(?![\w-])")
        self._role_alone = re.compile(rf"({either})((?: \d+/(?:tcp|udp))?)")
        # Where files lie names people and sites, so a path goes whatever else is asked for.
        self._files = {plan.file: self._file(plan.file, "plan")}
        for place in places(plan):
            self._files.setdefault(place, self._file(place, "sheet"))
        for path, kind in other_files(plan, report.run.profile):
            if path.startswith("/"):
                self._files.setdefault(path, self._file(path, kind))
            else:
                self._phrase(path, self._file(path, kind))
        # Where a limit comes from is said by a file's name without its folders.
        for path, kind in ((plan.file, "plan"), (plan.profile, "profile"), (report.run.profile, "profile")):
            if "." in (bare := path.rpartition("/")[2]):
                self._phrase(bare, self._file(path, kind))
        if self._by_addresses:
            self._learn_addresses(report, plan)
        if self._by_names:
            self._learn_names(report, plan)

    def report(self, report: Report) -> Report:
        """The report with labels.  Octets of certificates and keys are left out, as they hold names and addresses."""
        redacted: Report = self._walk(report)
        facts = redacted.run
        if self._by_names:
            facts = self._without_people(facts)
        # The command line names files and people.
        return msgspec.structs.replace(redacted, run=msgspec.structs.replace(
            facts, command="left out" if facts.command else ""))

    def plan(self, plan: Plan) -> Plan:
        """The plan with labels, without its trust anchors and without how its hosts are logged in to."""
        redacted: Plan = self._walk(plan)
        return msgspec.structs.replace(redacted, anchors_pem=(), anchors=(), access=None)

    def text(self, text: str) -> str:
        """One text with labels, found once: what many hosts share is most of what there is."""
        known = self._texts.get(text)
        if known is None:
            known = self._texts[text] = self._in_text(text)
        return known

    def _in_text(self, text: str) -> str:
        for path, label in self._files.items():
            if path:
                text = text.replace(path, label)
        text = self._role_in_text.sub(lambda match: match[1] + self._label("role", match[2]), self._without_phrases(text))
        if self._by_addresses:
            text = _MAC.sub(self._mac_found, text)
            text = _ADDRESS.sub(self._address_found, text)
        return _WORD.sub(self._word_found, text)

    # --- what there is to replace

    def _learn_addresses(self, report: Report, plan: Plan) -> None:
        """Every address in the plan and the evidence, in their order, so that labels count as a reader meets them."""
        texts = dict.fromkeys(text for root in (plan, report.hosts, report.site, report.run.vantage) for text in _texts_of(root))
        # Many hosts share most of their texts, and most of their addresses; each is looked at once.
        found = dict.fromkeys(match for text in texts for match in _addresses_in(text))
        for address in found:
            if not _is_mask(address):
                self._label("address", address)

    def _learn_names(self, report: Report, plan: Plan) -> None:
        """Hosts by their number in the plan, the domain, the runner, and every other name that was seen."""
        for host in plan.hosts:
            label = self._label("host", host.fqdn)
            for spelling in (host.name, host.fqdn.partition(".")[0]):
                self._names.setdefault(canonical(spelling), label)
            within = host.fqdn.endswith(f".{self._domain}")
            self._names[host.fqdn] = f"{label}.{self._label('domain', self._domain)}" if within else label
        if self._domain:
            self._names[self._domain] = self._label("domain", self._domain)
        if report.run.vantage.name:
            self._names.setdefault(canonical(report.run.vantage.name), self._label("runner", report.run.vantage.name))
        for name in names_in(report, plan):
            bare = canonical(name).removeprefix("*.")
            if bare and "." in bare and not bare.endswith(_REVERSE) and _canonical_address(bare) is None:
                self._name(bare)
        for pattern in (*(waiver.host for waiver in plan.waivers), *(question.host for question in plan.questions)):
            # What begins with a star begins as anything may.
            if pattern[:1].isalnum() and len(pattern) > 1:
                self._learn_word(pattern, "pattern")
        if plan.access is not None:
            self._learn_word(plan.access.user, "person")
        for network in plan.networks:
            self._learn_word(network.name, "network")
        for seen in report.hosts:
            if seen.evidence.system is not None:
                self._learn_word(seen.evidence.system.facts.host_name, "name")
            for link in (link for tls in seen.evidence.tls for link in tls.chain):
                self._learn_certificate(link)

    def _learn_word(self, name: str, kind: str) -> None:
        """A name without dots, which is taken for one wherever it stands, as a host's is; a mere number is none."""
        if name in _EVERYBODYS or canonical(name) in self._names or re.search(r"[^\W\d]", name) is None:
            return
        if _WORD.fullmatch(name):
            self._names[canonical(name)] = self._label(kind, name)
        else:
            self._phrase(name, self._label(kind, name))

    def _learn_certificate(self, facts: CertificateFacts) -> None:
        """Who holds and who issued it, attribute by attribute, and its other names that are no host's."""
        for kind, value in facts.names:
            if kind in ("email", "uri"):
                self._phrase(value, self._label("person" if kind == "email" else "name", value))
            elif kind == "dns":
                self._learn_word(value, "name")
        for kind, value in [("CN", facts.common_name), *attributes(facts.subject), *attributes(facts.issuer)]:
            bare = canonical(value).removeprefix("*.")
            if value in _EVERYBODYS or self._name(bare, learn=False) or _canonical_address(value) is not None:
                continue
            label = self._label("holder", value)
            # So short a text may be a word of ours, and is only known for what it is behind its type.
            self._phrase(*((value, label) if len(value) > 2 else (f"{kind}={value}", f"{kind}={label}")))

    # --- the labels

    def _label(self, kind: str, value: str) -> str:
        known = self._labels.get((kind, value))
        if known is None:
            self._counts[kind] += 1
            known = self._labels[kind, value] = f"{kind}-{self._counts[kind]:02}"
        return known

    def _address_found(self, match: re.Match[str]) -> str:
        before, address, after = _address_in(match)
        if address is None or _is_mask(address):
            return match[0]
        sure = ":" in address or int(address.partition(".")[0]) >= _SURELY_AN_ADDRESS
        known = sure or ("address", address) in self._labels
        return f"{before}{self._label('address', address)}{after}" if known else match[0]

    def _mac_found(self, match: re.Match[str]) -> str:
        return self._label("hardware", match[0].lower().replace("-", ":"))

    def _phrase(self, phrase: str, label: str) -> None:
        """Learn a text of any characters."""
        first = re.search(r"\w+", phrase)
        if first and phrase not in _EVERYBODYS:
            phrase = phrase[first.start():]
            self._phrases.setdefault(first[0], {}).setdefault(phrase, label)
            self._lengths.setdefault(first[0], set()).add(len(phrase))

    def _without_phrases(self, text: str) -> str:
        """The text with the longest known phrase at each word by its label; none begins or ends within a name."""
        shown, at = [], 0
        for word in _FIRST_WORD.finditer(text) if self._phrases else ():
            begun = self._phrases.get(word[0])
            if begun is None or word.start() < at:
                continue
            for length in sorted(self._lengths[word[0]], reverse=True):
                end = word.start() + length
                label = begun.get(text[word.start():end])
                if label is not None and _GOES_ON.match(text, end) is None:
                    shown += [text[at:word.start()], label]
                    at = end
                    break
        return "".join((*shown, text[at:]))

    def _word_found(self, match: re.Match[str]) -> str:
        bare = canonical(match[0])
        if bare.endswith(_REVERSE):
            return self._label("reverse-name", bare) if self._by_addresses else match[0]
        if not self._by_names:
            return match[0]
        star = "*." if bare.startswith("*.") else ""
        known = self._name(bare.removeprefix("*."), learn=False)
        if known is None:
            stem, dot, ending = bare.rpartition(".")
            known = f"{self._names[stem]}{dot}{ending}" if ending in _ENDINGS and stem in self._names else None
        return f"{star}{known}" if known else match[0]

    def _name(self, name: str, *, learn: bool = True) -> str | None:
        """The label of a name: as learnt, or below the domain one that shows so; else a new one where it is to be learnt."""
        known = self._names.get(name)
        if known is None and self._domain and name.endswith(f".{self._domain}"):
            known = self._names[name] = f"{self._label('name', name)}.{self._label('domain', self._domain)}"
        if known is None and learn:
            known = self._names[name] = self._label("name", name)
        return known

    # --- the walk

    def _walk(self, value: Any, field: str = "") -> Any:
        if isinstance(value, str):
            if field == "user" and value and self._by_names:
                return self._label("person", value)
            if field == "profile":
                return value if value in catalogue.PROFILES else self._file(value, "profile")
            if field == "origin":
                # The words of the catalogue, or where a person set the limit.
                return self.text(value) if "set in " in value else value
            if field in ("role", "subject", "subjects", "found") and value and self._by_names:
                value = self._role(value, surely=field == "role")
            # An enumeration's words are ours.
            return value if field in _OURS or isinstance(value, enum.Enum) else self.text(value)
        if isinstance(value, Role) and self._by_names:
            value = msgspec.structs.replace(value, name=self._label("role", value.name))
        if isinstance(value, (CertificateFacts, SshHostKey)):
            emptied = {"der": b""} if isinstance(value, CertificateFacts) else {"blob": b""}
            value = msgspec.structs.replace(value, **emptied)
        if isinstance(value, msgspec.Struct):
            changed = {name: new for name in value.__struct_fields__
                       if (new := self._walk(old := getattr(value, name), name)) is not old}
            return msgspec.structs.replace(value, **changed) if changed else value
        if isinstance(value, tuple):
            return tuple(self._walk(held, field) for held in value)
        if isinstance(value, list):
            return [self._walk(held, field) for held in value]
        if isinstance(value, dict):
            return {self.text(key) if isinstance(key, str) else key: self._walk(held, field) for key, held in value.items()}
        return value

    def _role(self, value: str, *, surely: bool) -> str:
        """The label of a role, or of a pattern of several, where its name stands alone or before a port; else the text."""
        if surely:
            return self._label("role", value) if re.search(r"\w", value) else value
        match = self._role_alone.fullmatch(value)
        return self._label("role", match[1]) + match[2] if match and canonical(match[1]) not in self._names else value

    def _without_people(self, facts: RunFacts) -> RunFacts:
        """The people of a run by labels; the site's title is a name too."""
        def person(name: str) -> str:
            return self._label("person", name) if name else ""

        title = self._label("site", facts.plan.title) if facts.plan.title else ""
        return msgspec.structs.replace(facts, operator=person(facts.operator), reviewer=person(facts.reviewer),
                                       plan=msgspec.structs.replace(facts.plan, title=title))

    def _file(self, path: str, kind: str) -> str:
        """A file without its folders, and where names go by a label, as its name often is the site's."""
        bare = path.rpartition("/")[2]
        if not self._by_names or bare in _EVERYBODYS:
            return bare
        return self._label(kind, path) + (bare[bare.rfind("."):] if "." in bare else "")


def redact(report: Report, plan: Plan, kinds: Collection[str]) -> tuple[Report, Plan]:
    """A report and its plan with ``kinds`` ("addresses", "names") replaced by labels, consistently over both.

    Raises ValueError for a kind that is not known.
    """
    unknown = [kind for kind in kinds if kind not in KINDS]
    if unknown or not kinds:
        raise ValueError(f"what can be redacted is {' and '.join(KINDS)}")
    redaction = Redaction(report, plan, kinds)
    redacted_plan = redaction.plan(plan)
    if "names" in kinds:
        redacted_plan = msgspec.structs.replace(redacted_plan, title="site-01" if plan.title else "")
    return redaction.report(report), redacted_plan


def _addresses_in(text: str) -> Iterator[str]:
    """Every address in a text, in order."""
    for match in _ADDRESS.finditer(text):
        _before, address, _after = _address_in(match)
        if address is not None:
            yield address


def _address_in(match: re.Match[str]) -> tuple[str, str | None, str]:
    """What stands before the address, the address or None where there is none, and what stands after it.

    A colon may be the sentence's ("2001:db8::53: no answer"), and numbers before an IPv4 address no part of it.
    """
    mark = match["mark"] or ""
    text = match[0][len(mark):]
    tries = [("", text, "")]
    if text.endswith(":"):
        tries.append(("", text[:-1], ":"))
    elif ":" in text and "." in text:
        head, _, tail = text.rpartition(":")
        tries.append((f"{head}:", tail, ""))
    for before, held, after in tries:
        address = _canonical_address(held)
        if address is not None:
            return mark + before, address, after
    return match[0], None, ""


def _canonical_address(text: str) -> str | None:
    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        return None


def _is_mask(address: str) -> bool:
    """Whether four numbers are a mask, or the address that stands for none: neither tells where anything is."""
    return address.startswith("255.") or address == "0.0.0.0"


def _texts_of(value: object, field: str = "") -> Iterator[str]:
    """Every text of a site's making, in the order of the structs; sentences of ours are left out."""
    if isinstance(value, str):
        if field not in _OURS and field not in ("message", "fix", "found", "planned", "detail", "remarks"):
            yield value
    elif isinstance(value, msgspec.Struct):
        for name in value.__struct_fields__:
            yield from _texts_of(getattr(value, name), name)
    elif isinstance(value, (tuple, list)):
        for held in value:
            yield from _texts_of(held, field)
    elif isinstance(value, dict):
        for key, held in value.items():
            yield from _texts_of(key, field)
            yield from _texts_of(held, field)
