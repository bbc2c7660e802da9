"""``certificate.name``: is the certificate made out to the planned name (RFC 9525)."""

from __future__ import annotations

import functools

from service_identity import hazmat
from service_identity.exceptions import CertificateError

from shared.addresses import is_address
from shared.evidence import CertificateFacts
from shared.findings import Finding, Grade
from shared.hostnames import canonical, same_name
from shared.safetext import visible
from verify.grading.certificate.sight import Remark, Sight, request_lines

#: The most names shown of one certificate.  Ours: what fits on a line or two.
_SHOWN = 8
_LEGAL = frozenset("abcdefghijklmnopqrstuvwxyz0123456789-_.*")


@functools.lru_cache(maxsize=1024)
def matches(name: str, reference: str) -> bool:
    """Whether a certificate's DNS name covers ``reference``, a host name (RFC 9525 sections 6.2 and 6.3).

    Total: a name that is no host name, or whose wildcard is anything but the whole left-most label, covers nothing.
    """
    # The library takes spaces and octets outside ASCII for part of a name; they are never part of a host's (RFC 1123).
    wanted = canonical(reference)
    if not name or name.endswith(".") or not set(canonical(name)) | set(wanted) <= _LEGAL:
        return False
    try:
        reference_id, pattern = hazmat.DNS_ID(wanted), hazmat.DNSPattern.from_bytes(name.encode("ascii"))
        if name.startswith("*."):
            # The library lets no wildcard stand for an A-label ("xn--…"); RFC 9525 section 6.3 has no such exception.
            first, _, rest = wanted.partition(".")
            return bool(first) and rest == canonical(name).removeprefix("*.")
        return bool(reference_id.verify(pattern))
    except (CertificateError, ValueError, IndexError):
        return False


def covers(facts: CertificateFacts, reference: str) -> bool:
    """Whether one of the certificate's alternative names covers the host name.  The common name never does (section 2)."""
    return any(kind == "dns" and matches(value, reference) for kind, value in facts.names)


def grade(sight: Sight) -> Finding:
    """Judge the names of the server's certificate against the planned one."""
    leaf, wanted = sight.leaf, sight.door.host.fqdn
    if leaf.parse_error:
        remark = Remark(Grade.UNPROVEN, "The certificate cannot be read, so its names are not known.", "unreadable")
    elif covers(leaf, wanted):
        odd = f" Another name in it is odd: {visible(leaf.names_error)}." if leaf.names_error else ""
        remark = Remark(Grade.PASS, f"The certificate is made out to {wanted}.{odd}")
    else:
        other = _other_host(sight)
        whose = f" That is another host of the plan: it has this address, or {wanted} has its certificate." if other else ""
        remark = Remark(Grade.FAIL, f"The certificate is not made out to {wanted}: {_why(leaf, wanted)}.{whose}",
                        "another-hosts-name" if other else _symptom(leaf), _fix(sight, other))
    return sight.finding("certificate.name", [remark], planned=f"DNS name {wanted}", found=_found(leaf))


def _other_host(sight: Sight) -> str:
    """The only other host of the plan whose very name the certificate has; "" where there is none, or more than one."""
    named = {canonical(value) for kind, value in sight.leaf.names if kind == "dns"}
    others = [name for name in named if name in sight.case.plan.by_fqdn]
    return others[0] if len(others) == 1 else ""


def _fix(sight: Sight, other: str) -> tuple[str, ...]:
    wanted = sight.door.host.fqdn
    first = (f"# first, at the consoles of {wanted} and {other}: which of them has {sight.door.address}?",
             "ip -br address",
             f"# if it is {other}: type the planned addresses at both and leave the certificates alone; if not,") if other else ()
    asked = (f"# or, where the server has one for {wanted} and showed this one as its default: add {wanted}",
             "# to the server names of the site that has it, and reload the server") if sight.tls.server_name else ()
    return (*first, *request_lines(sight.door.host), *asked)


def _found(leaf: CertificateFacts) -> str:
    if leaf.parse_error:
        return "a certificate that cannot be read"
    shown = [f"{'DNS' if kind == 'dns' else kind} name {visible(value)}" if kind != "ip" else f"address {value}"
             for kind, value in leaf.names[:_SHOWN]]
    more = f" and {len(leaf.names) - _SHOWN} more" if len(leaf.names) > _SHOWN else ""
    return ", ".join(shown) + more or "no subject alternative name"


def _symptom(leaf: CertificateFacts) -> str:
    return "other-name" if leaf.names else "no-alternative-name"


def _why(leaf: CertificateFacts, wanted: str) -> str:
    """In which way the names miss, the commonest mistakes by name."""
    odd = f"; and a part of its names cannot be read ({visible(leaf.names_error)})" if leaf.names_error else ""
    if not leaf.names:
        if matches(leaf.common_name, wanted):
            return ("it has that name only as its common name, and names are read from the subject alternative names alone "
                    f"(RFC 9525 section 2){odd}")
        return f"it has no subject alternative name at all{odd}"
    names = [value for kind, value in leaf.names if kind == "dns"]
    if not names:
        return f"it has no DNS name, only other kinds{odd}"
    if any(same_name(value, wanted) for value in names):
        return f"the name in it is written with a final dot, which a certificate's name does not have{odd}"
    if any(same_name(value, wanted.partition(".")[0]) for value in names):
        return f"it has the short name only{odd}"
    addresses = [visible(value) for value in names if is_address(value)]
    if addresses:
        return (f"it has the address {addresses[0]} where a DNS name belongs; addresses go into the address field, and count "
                f"for nothing here (RFC 9525 section 6.4){odd}")
    stars = [visible(value) for value in names if "*" in value]
    domain = canonical(wanted).partition(".")[2]
    if "." not in domain and any(canonical(value) == f"*.{domain}" for value in names):
        return (f"its wildcard *.{domain} has one label after the star, and most programs take no wildcard for a whole top-level "
                f"domain (common practice, no source){odd}")
    if stars:
        return f"its wildcard {stars[0]} does not cover it: a wildcard stands for one whole label (RFC 9525 section 6.3){odd}"
    return f"it is made out to {', '.join(map(visible, names[:_SHOWN]))}{odd}"
