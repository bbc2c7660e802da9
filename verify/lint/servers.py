"""``plan.name-servers`` and ``plan.time-sources``: enough of them, different ones, at addresses that a server may have."""

from __future__ import annotations

import fnmatch
import itertools

from shared.addresses import Address, host_fault, show_address, without_mask
from shared.findings import SITE, Grade
from shared.hostnames import canonical, name_fault, suggest_name
from shared.plan import Endpoint, Place
from shared.slips import likely_slip, nearest
from verify.lint.book import Book
from verify.lint.special import judge
from verify.lint.survey import Survey, read_address

#: RFC 2182 section 5 and RFC 1912 section 2.8.
_NAME_SERVERS_LEAST = 2
#: resolv.conf(5): the common resolver reads three "nameserver" lines (MAXNS) and ignores the rest.
_NAME_SERVERS_READ = 3
#: A mistyped address is compared with those of subnets of up to this many, a /24 (common practice, no source).
_COMPARED = 256
#: RFC 8633 section 3.2.
_TIME_SOURCES_LEAST = 4


def check(survey: Survey, book: Book) -> None:
    """How many there are, then each of them."""
    plan = survey.plan
    names, times = _distinct(plan.name_servers), _distinct(plan.time_sources)
    _count_name_servers(names, survey, book)
    for server in names:
        _endpoint("plan.name-servers", "name server", server, plan.names_place, survey, book)
    _count_time_sources(times, survey, book)
    for source in times:
        _endpoint("plan.time-sources", "time source", source, plan.time_place, survey, book)
    _repeated("plan.name-servers", "name server", plan.name_servers, plan.names_place, book)
    _repeated("plan.time-sources", "time source", plan.time_sources, plan.time_place, book)


def _key(endpoint: Endpoint) -> tuple[Address | str, int]:
    """What makes two endpoints the same: one address in several spellings is one server."""
    return read_address(endpoint.host) or endpoint.host.lower().rstrip("."), endpoint.port


def _distinct(endpoints: tuple[Endpoint, ...]) -> list[Endpoint]:
    return list({_key(endpoint): endpoint for endpoint in reversed(endpoints)}.values())[::-1]


def _repeated(check: str, what: str, endpoints: tuple[Endpoint, ...], place: Place, book: Book) -> None:
    seen: set[tuple[Address | str, int]] = set()
    for endpoint in endpoints:
        if _key(endpoint) in seen:
            book.caution(SITE, check, f"{endpoint.label} again", place, planned="each once", found="listed twice",
                         message=f"the {what} {endpoint.label} is listed twice and counts once",
                         fix=(f"write {endpoint.label} once",))
        seen.add(_key(endpoint))


def _names_are_needed(survey: Survey) -> bool:
    """Whether the run would ask for names: it does unless the plan leaves them out, and to find a time source by name."""
    left_out = any(fnmatch.fnmatchcase("name.forward", left.check) for left in survey.plan.left_out)
    return not left_out or any(read_address(source.host) is None for source in survey.plan.time_sources)


def _nothing_to_ask(survey: Survey) -> bool:
    """Whether names are needed and no planned name server has a readable address."""
    return _names_are_needed(survey) and all(read_address(server.host) is None for server in survey.plan.name_servers)


def _count_name_servers(servers: list[Endpoint], survey: Survey, book: Book) -> None:
    place, found = survey.plan.names_place, _listed(servers)
    planned = f"{_NAME_SERVERS_LEAST} or {_NAME_SERVERS_READ}"
    if not servers:
        book.fail(SITE, "plan.name-servers", "name servers", place, planned=planned, found="none",
                  message="the plan has no name servers, so no name can be checked",
                  fix=("[names]", 'servers = ["FIRST ADDRESS", "SECOND ADDRESS"]'), stop=_names_are_needed(survey))
    elif len(servers) < _NAME_SERVERS_LEAST:
        book.caution(SITE, "plan.name-servers", "name servers", place, planned=planned, found=found,
                     message="the plan has one name server: while it is down, nothing at the site has names",
                     fix=(f"servers = [{_quoted(servers)}, \"ADDRESS OF A SECOND ONE\"]",))
    elif len(servers) > _NAME_SERVERS_READ:
        unread = ", ".join(server.label for server in servers[_NAME_SERVERS_READ:])
        book.caution(SITE, "plan.name-servers", "name servers", place, planned=planned, found=found,
                     message=f"the plan has {len(servers)} name servers; the common resolver reads the first "
                             f"{_NAME_SERVERS_READ} and never asks {unread}",
                     fix=(f"servers = [{_quoted(servers[:_NAME_SERVERS_READ])}]",))
    else:
        book.passed(SITE, "plan.name-servers", "name servers", place, planned=planned, found=found,
                    message=f"the plan has {len(servers)} name servers")


def _count_time_sources(sources: list[Endpoint], survey: Survey, book: Book) -> None:
    place, found = survey.plan.time_place, _listed(sources)
    planned = f"{_TIME_SOURCES_LEAST} or more"
    lacking = _TIME_SOURCES_LEAST - len(sources)
    more = ", ".join(['"ANOTHER SOURCE"'] * lacking)
    if not sources:
        book.fail(SITE, "plan.time-sources", "time sources", place, planned=planned, found="none",
                  message="the plan has no time sources, so no clock and no certificate date can be judged",
                  fix=("[time]", f"sources = [{more}]"))
    elif lacking > 0:
        one = len(sources) == 1
        why = ("one wrong source would be believed" if one
               else "where one is wrong or away, the rest may not be able to outvote it")
        book.caution(SITE, "plan.time-sources", "time sources", place, planned=planned, found=found,
                     message=f"the plan has {len(sources)} time source{'' if one else 's'}; {why} (RFC 8633 section 3.2 asks for "
                             f"{_TIME_SOURCES_LEAST})",
                     fix=(f"sources = [{_quoted(sources)}, {more}]",
                          'or accept it: [[waivers]] with check = "plan.time-sources", host = "site", a reason and a day'))
    else:
        book.passed(SITE, "plan.time-sources", "time sources", place, planned=planned, found=found,
                    message=f"the plan has {len(sources)} time sources")


def _endpoint(check: str, what: str, endpoint: Endpoint, place: Place, survey: Survey, book: Book) -> None:
    address = read_address(endpoint.host)
    planned = "an address" if check == "plan.name-servers" else "an address or a name"
    if address is None:
        fault = _name_fault(endpoint.host, allowed=check == "plan.time-sources")
        if fault is None:
            _legal_name(check, what, endpoint, place, survey, book)
        else:
            meant = _meant(endpoint.host, survey)
            named = check == "plan.time-sources"
            mend = meant or (f'"{suggest_name(endpoint.host)}"' if named else "its address")
            book.fail(SITE, check, endpoint.label or what, place, planned=planned, found=endpoint.host or "nothing",
                      message=f'the {what} "{endpoint.label}" cannot be asked: {fault}{likely_slip(endpoint.host, meant)}',
                      fix=(f"write {mend} in the place of {endpoint.label or 'the empty text'}",),
                      stop=check == "plan.name-servers" and _nothing_to_ask(survey))
        return
    fault = _misplaced(address, survey)
    grade, aside = judge(address, survey.plan)
    if grade is Grade.FAIL or fault:
        book.fail(SITE, check, endpoint.label, place, planned=planned, found=endpoint.label,
                  message=f"the {what} {endpoint.label} {aside if grade is Grade.FAIL else fault}",
                  fix=(f"write the address that the {what} really has",))
    elif grade is Grade.CAUTION:
        book.caution(SITE, check, endpoint.label, place, planned=planned, found=endpoint.label,
                     message=f"the {what} {endpoint.label} {aside}", fix=(f"write the address that the {what} really has",))
    else:
        book.passed(SITE, check, endpoint.label, place, planned=planned, found=endpoint.label,
                    message=f"the {what} {endpoint.label} " + (aside or "has an address that a server may have"))


def _legal_name(check: str, what: str, endpoint: Endpoint, place: Place, survey: Survey, book: Book) -> None:
    """A server by name, outside the plan's domain by no more than a slip: most likely it was meant to lie in it."""
    domain = canonical(survey.plan.domain)
    slip = nearest(endpoint.host.partition(".")[2], [domain]) if domain else None
    if slip is None:
        book.passed(SITE, check, endpoint.label, place, planned="an address or a name", found=endpoint.label,
                    message=f"the {what} {endpoint.label} is a legal name, to be asked of the planned name servers")
        return
    meant = f"{endpoint.host.partition('.')[0]}.{domain}"
    book.caution(SITE, check, endpoint.label, place, planned="an address or a name", found=endpoint.label,
                 message=f"the {what} {endpoint.label} lies outside the plan's domain {domain}, from which its own is "
                         f"{slip.words}",
                 fix=(f"write {meant} in the place of {endpoint.host}, unless it is meant",))


def _meant(host: str, survey: Survey) -> str | None:
    """The address that text with only digits and dots was probably meant to be: a planned one, or one of a planned subnet.

    An address with a mask behind it is that address.  Of several as near, the one that begins alike the longest: a slip in
    the last digits is the commonest (common practice, no source).
    """
    bare = without_mask(host)
    if bare is not None:
        return show_address(bare)
    if not host.replace(".", "").isdigit():
        return None
    planned = sorted(show_address(address) for address in survey.taken)
    others = [show_address(address) for subnet in survey.all_subnets if subnet.num_addresses <= _COMPARED
              for address in subnet if host_fault(address, subnet) is None]
    slip = nearest(host, [*planned, *sorted(others, key=lambda address: _alike(address, host), reverse=True)])
    return slip.meant if slip else None


def _alike(one: str, other: str) -> int:
    """With how many characters both begin."""
    return sum(1 for _ in itertools.takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False)))


def _name_fault(host: str, *, allowed: bool) -> str | None:
    """Why text that is no address cannot stand for a server: it is no legal name, or only an address would do."""
    bare = without_mask(host)
    if bare is not None:
        return f"a mask or prefix length does not belong behind {show_address(bare)} here"
    fault = name_fault(host)
    if fault or allowed:
        return fault
    return "a name server is planned by its address, as nothing can look its name up"


def _misplaced(address: Address, survey: Survey) -> str | None:
    """Why a server cannot have this address in the planned network it lies in, or None."""
    faults = (host_fault(address, subnet) for subnet in survey.all_subnets if address in subnet)
    return next((fault for fault in faults if fault), None)


def _listed(endpoints: list[Endpoint]) -> str:
    return ", ".join(endpoint.label for endpoint in endpoints)


def _quoted(endpoints: list[Endpoint]) -> str:
    return ", ".join(f'"{endpoint.label}"' for endpoint in endpoints)
