"""``plan.host-name`` and ``plan.suffix``: names that everything accepts, under a domain that name servers can serve."""

from __future__ import annotations

import re

from shared.evidence import bounded
from shared.findings import SITE
from shared.hostnames import canonical, label_fault, name_fault, suggest_name, under
from shared.plan import Host
from shared.slips import nearest
from verify.lint.book import Book
from verify.lint.survey import Survey

#: RFC 1912 section 2.1 and RFC 6943 section 3.1.1: a bare number, decimal or hexadecimal, is read as an address.
_READS_AS_NUMBER = re.compile(r"(?:[0-9]+|0x[0-9a-f]+)\Z")
#: RFC 6761 section 6.3: the name of every machine for itself.  Installers leave it in place.
_EVERYBODY = "localhost"
#: How much of a host's name is repeated: every legal one whole (RFC 1035 section 2.3.4), and no ten thousand characters.
_SHOWN = 253


def check(survey: Survey, book: Book) -> None:
    """The domain, then every host's name and suffix."""
    _domain(survey, book)
    for row in survey.rows:
        _host_name(row.host, survey, book)
        _suffix(row.host, survey, book)


def _domain(survey: Survey, book: Book) -> None:
    plan = survey.plan
    domain = canonical(plan.domain)
    fault = name_fault(domain) if domain else "the domain is empty, so short names stay short"
    if fault is None and under(domain, "alt"):
        fault = "names under alt. are not DNS names, and no name server has them (RFC 9476 section 2)"
    if fault:
        mend = f'domain = "{_legal(domain)}"' if domain else "domain = the zone that the site's name servers serve"
        fix = _RENAME if under(domain, "alt") else (mend,)
        # A host below an unusable domain has no name that can be asked for.
        stop = any(under(host.fqdn, domain) if domain else "." not in host.fqdn for host in plan.hosts)
        book.fail(SITE, "plan.suffix", "domain", plan.domain_place, planned="a domain that name servers can serve",
                  found=plan.domain or "nothing", message=f'the domain "{plan.domain}" cannot be used: {fault}', fix=fix,
                  stop=stop)
    elif under(domain, "local"):
        book.caution(SITE, "plan.suffix", "domain", plan.domain_place, planned="a domain that name servers can serve",
                     found=plan.domain,
                     message=f"the domain {plan.domain} lies under local., whose names many systems ask by multicast and not of "
                             "the name servers (RFC 6762 section 3)", fix=_RENAME)
    else:
        book.passed(SITE, "plan.suffix", "domain", plan.domain_place, planned="a domain that name servers can serve",
                    found=plan.domain, message=f"the domain {plan.domain} is one that name servers can serve")


def _host_name(host: Host, survey: Survey, book: Book) -> None:
    fault = _fault(host, survey)
    short = canonical(host.name).partition(".")[0]
    if fault:
        book.fail(host.fqdn, "plan.host-name", host.name or "name", host.place, planned="a legal host name",
                  found=host.name or "nothing", message=f'the host name "{bounded(host.name, _SHOWN)}" is not legal: {fault}',
                  fix=(f'name = "{_legal(host.name)}"',), stop=True)
    elif short == _EVERYBODY:
        book.fail(host.fqdn, "plan.host-name", host.name, host.place, planned="a name of the host's own", found=host.name,
                  message=f"the host name {host.name} is what every machine calls itself, often left by an installer",
                  fix=("name = the name this host is to have",))
    elif _READS_AS_NUMBER.match(short):
        book.caution(host.fqdn, "plan.host-name", host.name, host.place, planned="a name that is not a number", found=host.name,
                     message=f"the short host name {short} is legal, and many programs read it as an address",
                     fix=(f'name = "host-{host.name}"',))
    else:
        book.passed(host.fqdn, "plan.host-name", host.name, host.place, planned="a legal host name", found=host.name,
                    message=f"the host name {host.name} is legal everywhere")


def _fault(host: Host, survey: Survey) -> str | None:
    """Why the host's name is not legal.  A short name is one label; the domain completes it.

    An unusable domain is one finding of its own, not one for every host below it.
    """
    short = host.name and "." not in host.name
    typed = label_fault(host.name) if short else name_fault(host.name)
    return typed or (None if name_fault(survey.plan.domain) else name_fault(host.fqdn))


def _legal(name: str) -> str:
    """A legal name as near to ``name`` as can be made."""
    near = suggest_name(name)
    plain = "host-" + re.sub(r"[^a-z0-9]+", "-", near)[:40].strip("-")
    return next(candidate for candidate in (near, re.sub(r"-{2,}", "-", near), plain) if name_fault(candidate) is None)


def _suffix(host: Host, survey: Survey, book: Book) -> None:
    domain = canonical(survey.plan.domain)
    if not domain:
        return
    if under(host.fqdn, domain):
        book.passed(host.fqdn, "plan.suffix", host.fqdn, host.place, planned=f"under {domain}", found=host.fqdn,
                    message=f"{host.fqdn} lies under the plan's domain")
        return
    multicast = " and under local., which is asked by multicast" if under(host.fqdn, "local") else ""
    short = _legal(host.fqdn.partition(".")[0])
    book.caution(host.fqdn, "plan.suffix", host.fqdn, host.place, planned=f"under {domain}", found=host.fqdn,
                 message=f"{host.fqdn} lies outside the plan's domain {domain}{multicast}{_slipped(host.fqdn, domain)}",
                 fix=(f'name = "{short}"', f"which becomes {short}.{domain}; or waive this if the name is meant"))


def _slipped(name: str, domain: str) -> str:
    """How a sentence about a name outside the domain ends where its own suffix is a slip away from it."""
    slip = nearest(name.partition(".")[2], [domain])
    return f", from which its own is {slip.words}" if slip else ""


_RENAME = ("rename the zone while that is still possible: a subdomain of a domain you own, or home.arpa",)
