"""What of a run goes into the narrow tables, so that questions about many nights need not open any run."""

from __future__ import annotations

import calendar
import datetime

import msgspec

from shared.evidence import HostEvidence
from shared.findings import SITE, Finding, Grade
from shared.run import HostReport, Report
from verify.history.tables import held

#: The check whose series carries the end of a port's certificates.
DATES = "certificate.dates"
#: The name in ``series.check_name`` of a host's own verdict.
VERDICT = ""


class Point(msgspec.Struct, frozen=True):
    """One night of one series."""

    host: str
    check: str
    subject: str
    unit: str
    grade: str
    value: float | None
    uncertainty: float | None


class Ending(msgspec.Struct, frozen=True):
    """When the certificates of one TLS port end, in seconds since 1970."""

    host: str
    subject: str
    not_after_unix: int


def points(report: Report) -> list[Point]:
    """The verdict on every host, and every finding that measured something or was no pass."""
    found = [_point(SITE, finding) for finding in report.site.findings if _followed(finding)]
    for host in report.hosts:
        found.append(Point(held(host.name), VERDICT, "", "", host.verdict.value, None, None))
        found += [_point(host.name, finding) for finding in host.findings if _followed(finding)]
    # A check is graded once a subject; should one ever come twice, the first stands.
    return list({(point.host, point.check, point.subject, point.unit): point for point in reversed(found)}.values())[::-1]


def _followed(finding: Finding) -> bool:
    return finding.measured is not None or finding.grade is not Grade.PASS


def _point(host: str, finding: Finding) -> Point:
    measured = finding.measured
    return Point(held(host), held(finding.check), held(finding.subject), measured.unit if measured else "", finding.grade.value,
                 measured.value if measured else None, measured.uncertainty if measured else None)


def endings(report: Report) -> list[Ending]:
    """When the certificates of every TLS port end: the first of those that the server sent."""
    return [ending for host in report.hosts for ending in _endings(host)]


def _endings(host: HostReport) -> list[Ending]:
    seen: HostEvidence = host.evidence
    several = len(host.addresses) > 1
    found = {}
    for tls in seen.tls:
        ends = [end for link in tls.chain if not link.parse_error and (end := unix(link.not_after)) is not None]
        if ends:
            subject = f"{tls.port} {tls.address}" if several else tls.port
            found[subject] = Ending(held(host.name), held(subject), min(ends))
    return list(found.values())


def unix(at: str) -> int | None:
    """RFC 3339 UTC text as whole seconds since 1970, or None for text that is no time of day."""
    try:
        return calendar.timegm(datetime.datetime.fromisoformat(at).utctimetuple())
    except ValueError:
        return None
