"""The names and files that a run and its plan hold: what ``redact`` has to know before it looks for them in sentences."""

from __future__ import annotations

import re
from collections.abc import Iterator

from shared import catalogue
from shared.evidence import CertificateFacts, NameRecord
from shared.plan import Plan
from shared.run import Report

#: One attribute of a distinguished name as RFC 4514 section 2 writes it; the country stays.
_ATTRIBUTE = re.compile(r"(?:^|[,+])((?!C=)[A-Za-z0-9.-]+)=((?:[^,+\\]|\\.)+)", re.DOTALL)
#: The host of a locator (RFC 3986 section 3.2), where it is a name.
_URI_HOST = re.compile(r"[^/]*//(?:[^/@]*@)?([^/:?#\[\]@]+)")


def places(plan: Plan) -> list[str]:
    """The files that parts of the plan were written in."""
    return list(dict.fromkeys(host.place.file for host in plan.hosts if host.place.file))


def other_files(plan: Plan, profile: str) -> Iterator[tuple[str, str]]:
    """The other files that the plan or the command line names, each with what it is."""
    yield from ((path, "profile") for path in (plan.profile, profile) if path not in catalogue.PROFILES)
    yield from ((path, "anchor") for path in plan.anchors)
    if plan.access is not None:
        yield from ((plan.access.key, "key"), (plan.access.known_hosts, "known-hosts"))


def attributes(name: str) -> list[tuple[str, str]]:
    """The attributes of a distinguished name, as (type, value), the values as they are written in it."""
    return [(match[1], match[2]) for match in _ATTRIBUTE.finditer(name)]


def names_in(report: Report, plan: Plan) -> Iterator[str]:
    """Names of the plan, of answers and of certificates, planned or not."""
    yield from (endpoint.host for endpoint in (*plan.name_servers, *plan.time_sources))
    answers = [*report.site.evidence.names, *(answer for host in report.hosts for answer in host.evidence.names)]
    for answer in answers:
        yield answer.name
        for record in (*answer.answers, *answer.authority):
            yield from _names_of_record(record)
    for host in report.hosts:
        yield host.name
        for tls in host.evidence.tls:
            yield tls.server_name
            for link in tls.chain:
                yield from (value for kind, value in link.names if kind == "dns")
                yield from _hosts_of_names(link)
                yield link.common_name
        if host.evidence.system is not None:
            facts = host.evidence.system.facts
            yield from (facts.host_name, facts.full_name, *(facts.resolver.search if facts.resolver else ()))
            yield from (source.address for source in facts.time_sources or ())


def _hosts_of_names(facts: CertificateFacts) -> Iterator[str]:
    """The hosts of e-mail addresses and of locators in a certificate (RFC 5280 section 4.2.1.6)."""
    for kind, value in facts.names:
        if kind == "email":
            yield value.rpartition("@")[2]
        elif kind == "uri" and (host := _URI_HOST.match(value)):
            yield host[1]


def _names_of_record(record: NameRecord) -> Iterator[str]:
    """The owner, and the value's words where the type holds names (RFC 1035 section 3.3); text of other types is left."""
    yield record.owner
    if record.rrtype in ("CNAME", "PTR", "NS", "SOA", "MX", "SRV", "DNAME"):
        yield from (word for word in record.value.split() if not word.isdigit())
