"""What only shows across hosts: a certificate that a peer's clock refuses.

Keys and hardware addresses that two hosts share are judged where keys and addresses are (``grading.certificate.shared``,
``grading.ssh.keys``, ``grading.owners``), and clocks that are apart with the clocks.
"""

from __future__ import annotations

import bisect
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

import msgspec

from shared.evidence import CertificateFacts, HostEvidence
from shared.findings import Finding, Grade
from shared.quantities import Interval, show_seconds
from verify.grading.case import Case
from verify.grading.certificate.sight import Door, doors, unix
from verify.grading.clock.hosts import lead_of
from verify.grading.clock.reading import unix_seconds
from verify.grading.clock.witnesses import Account

#: The most peers named in one finding.  Ours.
_SHOWN = 8
#: The most clocks looked at closely for one certificate and each way of being off; beyond, the farthest off stand for the rest.
_LOOKED_AT = 64


def grade_fleet(case: Case, found: Sequence[Finding]) -> list[Finding]:
    """``certificate.peers`` for each TLS port, by the clock of each other host that could be read.

    Nothing where no peer's clock was read, or where the certificate is out of its dates for everyone.  The cause of what peers
    refuse is their clocks, where what was ``found`` proves these to be off.
    """
    off: dict[str, list[str]] = defaultdict(list)
    for finding in found:
        if finding.check == "clock.offset" and finding.grade is Grade.FAIL:
            off[finding.host].append(finding.ref)
    asked = {seen.fqdn: seen for seen in case.evidence.hosts}
    clocks = _Clocks({seen.fqdn: lead for seen in case.evidence.hosts if (lead := lead_of(seen)) is not None},
                     [tls.at for seen in case.evidence.hosts for tls in seen.tls])
    findings = []
    for host in case.plan.hosts:
        for door in doors(case, host) if host.fqdn in asked else ():
            at, leaf = _leaf(door, asked[host.fqdn])
            if leaf is None or _bad_for_everyone(case, leaf, at):
                continue
            peers = clocks.count_beside(host.fqdn)
            if peers:
                views, more = clocks.doubtful(host.fqdn, at, unix(leaf.not_before), unix(leaf.not_after))
                findings.append(_grade(case, door, leaf, views, more, peers, at, off))
    return findings


class _Clocks:
    """The hosts' clocks, laid out so that those by which a certificate may be out of its dates are found without asking all.

    Over ten thousand hosts the pairs of a clock and a certificate are a hundred million.  Nearly all are plainly in order; or,
    where a whole site came up in the wrong year, plainly not.
    """

    def __init__(self, leads: dict[str, Account], moments: Iterable[str]) -> None:
        self._leads = leads
        self._order = {name: index for index, name in enumerate(leads)}
        ends = sorted(moments, key=unix_seconds)
        # A lead is the less known the farther off the moment: at the first and the last moment together it is at its widest,
        # and at its own moment, as it stands in the account, at its narrowest.
        both = {name: [lead.lead_at(at) for at in (ends[0], ends[-1])] for name, lead in leads.items()} if ends else {}
        self._wide = {name: Interval(min(lead.lo for lead in two), max(lead.hi for lead in two)) for name, two in both.items()}
        self._lowest = sorted((lead.lo, name) for name, lead in self._wide.items())
        self._highest = sorted((lead.hi, name) for name, lead in self._wide.items())
        narrow = {name: lead.interval for name, lead in leads.items() if lead.interval is not None}
        self._behind = sorted((lead.hi, name) for name, lead in narrow.items())
        self._ahead = sorted((lead.lo, name) for name, lead in narrow.items())

    def count_beside(self, host: str) -> int:
        """How many clocks there are besides that of ``host``."""
        return len(self._leads) - (host in self._leads)

    def doubtful(self, host: str, at: str, begin: float, end: float) -> tuple[dict[str, Interval], int]:
        """What others' clocks showed ``at`` that moment that may not have been between ``begin`` and ``end``, in plan order.

        And how many such clocks there are beside these at most: of many, those that are farthest off are looked at, surely and
        possibly.  So where any surely was not, one that surely was not is among them.
        """
        now = unix_seconds(at)
        # A margin of a second, so that rounding never leaves one out: who is named too many is looked at closely anyway.
        first, last = (begin - now + 1.0, ""), (end - now - 1.0, "")
        early, late = bisect.bisect_left(self._lowest, first), bisect.bisect_left(self._highest, last)
        surely_early, surely_late = bisect.bisect_left(self._behind, first), bisect.bisect_left(self._ahead, last)
        # One more than are looked at, for the host itself may be among them.
        most = _LOOKED_AT + 1
        near = (*self._behind[:min(surely_early, most)], *self._ahead[max(surely_late, len(self._ahead) - most):],
                *self._lowest[:min(early, most)], *self._highest[max(late, len(self._highest) - most):])
        names = sorted({name for _, name in near} - {host}, key=self._order.__getitem__)
        views = {name: _shifted(at, self._leads[name].lead_at(at)) for name in names}
        possibly_late = len(self._highest) - late
        if max(early, possibly_late) <= most:
            return views, 0
        own = self._wide.get(host)
        of_its_own = (own.lo < first[0]) + (own.hi >= last[0]) if own else 0
        return views, max(0, early + possibly_late - of_its_own - len(views))


def _leaf(door: Door, seen: HostEvidence) -> tuple[str, CertificateFacts | None]:
    tls = door.seen(seen)
    readable = tls is not None and tls.chain and not tls.chain[0].parse_error
    return (tls.at, tls.chain[0]) if tls is not None and readable else ("", None)


def _shifted(at: str, lead: Interval) -> Interval:
    """What a clock shows that is ahead of the runner's by ``lead`` when the runner's says ``at``."""
    return Interval(unix_seconds(at) + lead.lo, unix_seconds(at) + lead.hi)


def _bad_for_everyone(case: Case, leaf: CertificateFacts, at: str) -> bool:
    """Whether the certificate is out of its dates by the agreed time already."""
    if case.agreed is None:
        return False
    now = _shifted(at, case.agreed)
    return now.hi < unix(leaf.not_before) or now.lo > unix(leaf.not_after)


def _grade(
    case: Case, door: Door, leaf: CertificateFacts, views: dict[str, Interval], more: int, peers: int, at: str,
    off: Mapping[str, list[str]],
) -> Finding:
    """Of ``peers`` other hosts only those in ``views``, and ``more`` like them, could refuse the certificate.

    ``off`` has the refs of the findings that prove a host's clock to be off.
    """
    begin, end = unix(leaf.not_before), unix(leaf.not_after)
    early = {name: begin - view.value for name, view in views.items() if view.hi < begin}
    late = {name: view.value - end for name, view in views.items() if view.lo > end}
    unsure = [name for name, view in views.items()
              if name not in early and name not in late and (view.lo < begin or view.hi > end)]

    def finding(grade: Grade, found: str, message: str, symptom: str = "", fix: tuple[str, ...] = ()) -> Finding:
        return case.finding(door.host.fqdn, "certificate.peers", door.subject, grade, found=found, message=message,
                            symptom=symptom, fix=fix, planned="valid by the clock of every other host", at=at)

    if early or late:
        told = [f"will be refused by {name} for the next {show_seconds(wait)}, by whose clock it is not valid yet"
                for name, wait in _first(early)]
        told += [f"is refused by {name}, by whose clock it expired {show_seconds(since)} ago" for name, since in _first(late)]
        left_out = len(early) + len(late) - len(told)
        rest = (f" So it is with {left_out} more at least, and with {left_out + more} at most." if more
                else f" So it is with {left_out} more." if left_out else "")
        named = [name for name, _ in (*_first(early), *_first(late))]
        others = f" and {'at least ' if more else ''}{left_out} more" if left_out else ""
        refused = finding(Grade.FAIL, f"refused by {', '.join(named)}{others}",
                          f"The certificate of {door.host.fqdn} {'; and it '.join(told)}.{rest}", "refused-by-peer",
                          tuple(f"mend the clock of {name}: see its clock.offset" for name in named[:_SHOWN]))
        return msgspec.structs.replace(refused, because=tuple(ref for name in named for ref in off.get(name, ())))
    if unsure:
        return finding(Grade.UNPROVEN, f"not known for {', '.join(unsure[:_SHOWN])}",
                       f"Whether {', '.join(unsure[:_SHOWN])} would accept the certificate of {door.host.fqdn} is not known: one "
                       f"of its dates, {leaf.not_before} or {leaf.not_after}, lies within the uncertainty of their clocks.",
                       "edge")
    return finding(Grade.PASS, f"valid by the clocks of {peers} other hosts",
                   f"By the clock of each of {peers} other hosts the certificate is within its dates.")


def _first(peers: dict[str, float]) -> list[tuple[str, float]]:
    """The first few, those farthest off before the others."""
    return sorted(peers.items(), key=lambda pair: -pair[1])[:_SHOWN]
