"""Where a chain is sound by RFC 5280 and common clients refuse it all the same: cautions of ``certificate.trust``."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from shared.findings import Grade
from verify.grading.certificate.issuing import identified_otherwise, signed, spelled_otherwise
from verify.grading.certificate.path import Anchors, Kind, anchors_of, called, fingerprint, load, validate
from verify.grading.certificate.rules import names_any_usage_alone, netscape_type_leaves_servers_out
from verify.grading.certificate.sight import Remark, Sight, request_lines
from verify.grading.certificate.strict import shortcomings

#: How many certificates programs take, the server's own included (jdk.tls.client.maxInboundCertificateChainLength; GnuTLS's
#: default for its verification depth), as seen with Java 17 and GnuTLS 3.7.
_JAVA_TAKES, _GNUTLS_TAKES = 10, 16


def stumbling_blocks(sight: Sight) -> Iterator[Remark]:
    """What is odd about the path of a chain that is trusted; nothing about most."""
    yield from _any_usage(sight)
    yield from _netscape_type(sight)
    yield from _spelling(sight)
    anchors = anchors_of(sight.case.plan.anchors_pem)
    sent = [certificate for certificate in (load(facts.der) for facts in sight.tls.chain[1:]) if certificate is not None]
    yield from _identifiers(sight, sent, anchors)
    yield from _order(sight, sent, anchors)
    yield from _many(sight)
    yield from _strict(sight)


def _any_usage(sight: Sight) -> Iterator[Remark]:
    """RFC 5280 section 4.2.1.12 lets a client that looks for a usage refuse a certificate with anyExtendedKeyUsage in its place.

    OpenSSL 3.0 does, in every certificate of a path; GnuTLS 3.7 does in an authority and not in the server's own; Java does not.
    """
    odd = next((certificate for certificate in sight.outcome.path if names_any_usage_alone(certificate)), None)
    if odd is None:
        return
    whose = "The certificate" if odd is sight.outcome.path[0] else f"The authority {called(odd)}"
    yield Remark(
        Grade.CAUTION, f"{whose} has anyExtendedKeyUsage and not serverAuth in its extended key usage: clients may refuse that "
                       "(RFC 5280 section 4.2.1.12), and those with OpenSSL do.", "any-usage",
        ("# ask for a certificate with the extended key usage serverAuth:", *request_lines(sight.door.host))
        if odd is sight.outcome.path[0] else
        (f"# have {called(odd)} issued again, with serverAuth in its extended key usage or with no such extension",))


def _netscape_type(sight: Sight) -> Iterator[Remark]:
    """An extension older than the extended key usage, which no RFC knows.

    OpenSSL 3.0 and Java 17 go by it where it is there; GnuTLS 3.7 and Go 1.19 do not.
    """
    if netscape_type_leaves_servers_out(sight.outcome.path[0]):
        yield Remark(
            Grade.CAUTION, "The certificate has the old extension nsCertType, and it does not name TLS servers: no RFC knows it, "
                           "and programs that do, those with OpenSSL and Java among them, refuse the certificate.",
            "netscape-type",
            ("# ask for a certificate without nsCertType; the authority's own settings put it there:",
             *request_lines(sight.door.host)))


def _many(sight: Sight) -> Iterator[Remark]:
    """Java takes ten certificates and GnuTLS sixteen, where they are not told otherwise; OpenSSL 3.0 and Go 1.19 count none.

    RFC 8446 section 4.4.2 has each certificate that is sent certify the one before it.
    """
    sent = len(sight.tls.chain) + sight.tls.chain_left_out
    if sent > _JAVA_TAKES:
        above = [called(certificate) for certificate in sight.outcome.path[1:-1]]
        yield Remark(
            Grade.CAUTION, f"The server sends {sent} certificates: programs with Java refuse more than {_JAVA_TAKES}, and those "
                           f"with GnuTLS more than {_GNUTLS_TAKES}, unless they are told otherwise.", "many-certificates",
            ("# leave in the certificate file that the server sends its own certificate, and in this order",
             *(f"#   {name}" for name in above or ["nothing else"]), "# take all others out, and reload the server"))


def _strict(sight: Sight) -> Iterator[Remark]:
    """All that is wanting in the first certificate of a path in which something is."""
    found = list(shortcomings(sight.outcome.path))
    if not found:
        return
    odd, own = found[0].certificate, sight.outcome.path[0]
    wanting = [one for one in found if one.certificate is odd]
    who = ", and ".join(dict.fromkeys(one.refused_by for one in wanting))
    others = len({one.certificate for one in found}) - 1
    more = f" Something is wanting in {others} more of the chain." if others else ""
    yield Remark(
        Grade.CAUTION, f"{'The certificate' if odd is own else called(odd)} {', and '.join(one.text for one in wanting)}: {who} "
                       f"refuse it for that.{more}", "issued-against-rules",
        ("# have the certificate issued again as these sections ask; the authority's own settings decide:",
         *request_lines(sight.door.host)) if odd is own else
        (f"# have {called(odd)} made again, with the same name and key, as these sections ask: what it issued stays good;",
         "# where it is not the site's own, have the certificate issued by another authority"))


def _spelling(sight: Sight) -> Iterator[Remark]:
    """RFC 5280 section 7.1 compares names without case and encoding; section 4.1.2.6 (from memory) has both written alike."""
    path = sight.outcome.path
    odd = None if sight.outcome.alike else spelled_otherwise(path)
    if odd is None:
        return
    above = path[path.index(odd) + 1]
    written, own = called(odd, issuer=True), called(above)
    how = f"{written}, and that one's own certificate says {own}" if written != own else (
        "in another encoding than that one's own certificate does")
    yield Remark(
        Grade.CAUTION, f"{called(odd)} names its issuer {how}: the same name (RFC 5280 section 7.1), but programs that compare "
                       "names octet for octet find no issuer.", "issuer-spelled-otherwise",
        (f"# have {called(odd)} issued again, with the issuer's name copied from the issuer's own certificate",))


def _identifiers(sight: Sight, sent: list[x509.Certificate], anchors: Anchors) -> Iterator[Remark]:
    """An authority that was made anew with its old key, and certificates that still point at the old one.

    RFC 5280 section 6.1 does not ask for key identifiers.  OpenSSL 3.0 takes no issuer whose identifier, name above or serial
    number is another than the one pointed at; GnuTLS 3.7 heeds the identifier alone; Java none of them.
    """
    for certificate, issuer in itertools.pairwise(sight.outcome.path):
        if not identified_otherwise(certificate, issuer):
            continue
        others = (*anchors.named(issuer.subject), *(other for other in sent if other.subject == issuer.subject))
        if all(identified_otherwise(certificate, other) for other in others if signed(certificate, other)):
            yield Remark(
                Grade.CAUTION, f"The key of {called(issuer)} signed {called(certificate)}, whose authority key identifier is "
                               "that of another certificate, as where an authority was made anew with its old key: "
                               "RFC 5280 section 6.1 does not ask for it, but programs that go by it, those with OpenSSL among "
                               "them, find no issuer.",
                "issuer-identified-otherwise",
                (f"# have {called(certificate)} issued again by the authority as it is now",
                 f"# or put the certificate that it points at in the place of that of {called(issuer)}",
                 f"# with SHA-256 fingerprint {fingerprint(issuer)}"))
            return


def _order(sight: Sight, sent: list[x509.Certificate], anchors: Anchors) -> Iterator[Remark]:
    """Authorities that certified each other, and the certificate that leads nowhere met before the one that leads up.

    RFC 8446 section 4.4.2 wants clients to be prepared for any order.  OpenSSL 3.0 takes an anchor that fits, whatever its dates,
    and of those sent the first that fits and is within its dates; it never goes back to another one.
    """
    at = sight.outcome.at
    if not sent or at is None:
        return
    for certificate, issuer in itertools.pairwise(sight.outcome.path):
        if issuer in anchors:
            return
        trusted = [anchor for anchor in anchors.named(issuer.subject) if not identified_otherwise(certificate, anchor)]
        if trusted:
            yield Remark(
                Grade.CAUTION, f"Among the anchors is another certificate of {called(issuer)}, by which the chain is not sound "
                               "now, and programs that take an anchor before what is sent, those with OpenSSL among them, stop "
                               "there.",
                "unfit-anchor-first",
                (f"# take the certificate of {called(trusted[0])}, valid until {trusted[0].not_valid_after_utc.isoformat()},",
                 f"# with SHA-256 fingerprint {fingerprint(trusted[0])} out of [trust] anchors and out of the stores of clients"))
            return
        if len(sent) < 2:
            continue
        fitting = [other for other in sent if other.subject == issuer.subject and not identified_otherwise(certificate, other)
                   and other.not_valid_before_utc <= at <= other.not_valid_after_utc]
        if len(fitting) < 2 or fitting[0] == issuer:
            continue
        rest = [other.public_bytes(Encoding.DER) for other in sent if other not in fitting[1:]]
        way = validate(sight.leaf.der, rest, anchors, at)
        if way.kind is not Kind.TRUSTED or way.at != at:
            yield Remark(
                Grade.CAUTION, f"The server sends another certificate of {called(issuer)} before the one that leads to the "
                               "anchor, and programs that try the first alone, those with OpenSSL among them, find no anchor.",
                "other-way-first",
                (f"# in the certificate file that the server sends, put the certificate of {called(issuer)}",
                 f"# with SHA-256 fingerprint {fingerprint(issuer)} before every other of that name, and reload the server"))
            return
