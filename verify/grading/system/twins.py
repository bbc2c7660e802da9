"""``system.shared-identity``: what belongs to one machine alone and two hosts of the plan have."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator

from shared.findings import Finding, Grade
from verify.grading.machines import listed
from verify.grading.system.word import Word

_BOOT, _MACHINE, _HARDWARE = "boot id", "machine id", "hardware address"
_TOPICS = {_BOOT: "boot", _MACHINE: "machine", _HARDWARE: "interfaces"}
_NO_MAC = "00:00:00:00:00:00"


def grade(words: list[Word]) -> list[Finding]:
    """Three findings a host; none where fewer than two were asked, for then there is nothing to compare."""
    if len(words) < 2:
        return []
    holders: dict[tuple[str, str], list[Word]] = defaultdict(list)
    for word in words:
        for kind, value in _identity(word):
            holders[kind, value].append(word)
    known = {kind: {other.host.fqdn for (held, _), those in holders.items() if held == kind for other in those}
             for kind in _TOPICS}
    return [_compared(word, kind, holders, known[kind]) for word in words for kind in _TOPICS]


def _identity(word: Word) -> Iterator[tuple[str, str]]:
    if word.facts.boot_id:
        yield _BOOT, word.facts.boot_id
    if word.facts.machine_id:
        yield _MACHINE, word.facts.machine_id
    for mac in macs(word):
        yield _HARDWARE, mac


def macs(word: Word) -> list[str]:
    """The hardware addresses of the interfaces that carry the host's planned addresses.

    Those of bridges and containers inside a host are made up by rule, and the same on many.
    """
    carrying = {address.interface for address in word.facts.addresses or () if address.address in word.host.addresses}
    return list(dict.fromkeys(link.mac for link in word.facts.links or ()
                              if link.interface in carrying and link.mac and link.mac != _NO_MAC))


def _compared(word: Word, kind: str, holders: dict[tuple[str, str], list[Word]], known: Collection[str]) -> Finding:
    """``known`` names the hosts of which some ``kind`` is known."""
    name, planned = word.host.fqdn, f"a {kind} that no other host has"
    own = [(held, value) for held, value in _identity(word) if held == kind]
    others = len(known) - (name in known)
    if not own or not others:
        whose = f"its own {kind} is not known" if not own else f"no other host's {kind} is known"
        return word.finding("system.shared-identity", kind, Grade.UNPROVEN, planned=planned, found="not compared",
                            topic=_TOPICS[kind], symptom="unread",
                            message=f"The {kind} of {name} could not be compared with those of other hosts: {whose}.")
    # Two plan entries for one address are one machine asked twice, which is the plan's mistake and plan.duplicate's to say.
    sharing = [other for identity in own for other in holders[identity]
               if other.host.fqdn != name and other.seen.address != word.seen.address]
    twins = list(dict.fromkeys(other.host.fqdn for other in sharing))
    if not twins:
        count = f"{others} other host{'' if others == 1 else 's'}"
        return word.finding("system.shared-identity", kind, Grade.PASS, planned=planned, found=f"not that of {count}",
                            topic=_TOPICS[kind], message=f"The {kind} of {name} is none of those of {count} that were asked.")
    if kind == _BOOT and all(_is_same_machine(word, other) for other in sharing):
        return word.finding(
            "system.shared-identity", kind, Grade.FAIL, planned=planned, found=f"the same as on {', '.join(twins)}",
            topic=_TOPICS[kind], symptom="one-machine", message=f"{name} and {', '.join(twins)} are one running system with the "
            "addresses of each: one machine, which the plan counts as several.",
            fix=("# one machine in several networks: only one of its rows is to be logged in to; in the role of the others:",
                 "access = false    # and no ssh, for it has one host key"))
    told = listed(twins, len(twins))
    return word.finding("system.shared-identity", kind, Grade.FAIL, planned=planned, found=f"the same as on {told}",
                        topic=_TOPICS[kind], symptom="shared", message=f"{name} has the same {kind} as {told}: {_MEANS[kind]}.",
                        fix=_MENDS[kind])


def _is_same_machine(word: Word, other: Word) -> bool:
    """Whether two rows of different networks are one machine: it carries what is planned for either, whichever was asked."""
    def carries(one: Word, another: Word) -> bool:
        return set(another.host.addresses) <= {address.address for address in one.facts.addresses or ()}

    return word.host.network != other.host.network and carries(word, other) and carries(other, word)


_MEANS = {
    _BOOT: "they are one running system, reached by two names, or two containers on one machine",
    _MACHINE: "they were copied from one image, and whatever tells hosts apart by it takes them for one",
    _HARDWARE: "one wire cannot tell them apart, and their connections will break in turn",
}
_MENDS = {
    _BOOT: ("cat /proc/sys/kernel/random/boot_id    # at the console of each: are these two machines?",
            "# two machines: a device on the way leads both addresses to one of them; compare host keys and hardware addresses"),
    _MACHINE: ("# as root at the console of each but one, and in the image for all that come after:",
               "rm -f /etc/machine-id /var/lib/dbus/machine-id && systemd-machine-id-setup", "reboot"),
    _HARDWARE: ("# in the settings of one of the machines, virtual or not: a hardware address of its own",
                "ip -br link    # on each: what they have now"),
}
