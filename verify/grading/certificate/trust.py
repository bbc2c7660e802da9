"""``certificate.trust``: does the server's chain lead to an anchor that the plan trusts, and if not, what is missing."""

from __future__ import annotations

from collections.abc import Iterator

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import AuthorityInformationAccessOID

from shared.evidence import CertificateFacts
from shared.findings import Finding, Grade
from shared.quantities import show_seconds
from shared.safetext import visible
from verify.grading.certificate.clients import stumbling_blocks
from verify.grading.certificate.path import Kind, Outcome, anchors_of, called, fingerprint, load, quiet, validate
from verify.grading.certificate.rules import key_serves_tls
from verify.grading.certificate.sight import Remark, Sight, request_lines
from verify.grading.certificate.strength import BROKEN_DIGESTS

#: The most certificates of other hosts tried as the missing one.  Ours: a site has a handful of intermediates.
_CANDIDATES_LIMIT = 16
#: How the library says that a default is written out, as some programs do with "critical" where it is FALSE.
_WRITTEN_OUT = "EncodedDefault"


@quiet()
def grade(sight: Sight) -> Finding:
    """Judge the chain, dates aside: those are ``certificate.dates``'s, but for the anchor's own."""
    names = sight.case.plan.anchors
    whose = f"one of the plan's anchors ({', '.join(names)})" if names else "an authority in the runner's own trust store"
    remarks = [_end_not_seen(sight) or _SAY[sight.outcome.kind](sight, sight.outcome)]
    if sight.outcome.kind is Kind.TRUSTED:
        remarks += [*_outdated_anchor(sight), *_unfit_leaf(sight), *stumbling_blocks(sight)]
    return sight.finding("certificate.trust", remarks, planned=f"a chain that leads to {whose}", found=_found(sight.outcome))


#: How a chain that is not trusted ends, said of the last certificate that was reached.
_ENDS = {
    Kind.NO_ANCHORS: ", with no anchor to compare with",
    Kind.SELF_SIGNED: ", signed by itself",
    Kind.UNKNOWN_ISSUER: ", which is not trusted",
    Kind.ISSUER_NOT_SENT: ", whose issuer was not sent",
    Kind.BAD_SIGNATURE: ", whose signature does not verify",
    Kind.UNVERIFIABLE: ", whose signature proves nothing",
    Kind.NOT_AN_AUTHORITY: ", which may not issue",
    Kind.REFUSED: ", and a rule is broken on the way",
    Kind.NOT_FOLLOWED: ", with a rule that is not followed here",
}


def _found(outcome: Outcome) -> str:
    if not outcome.path:
        return "a certificate that cannot be read"
    steps = " ← ".join(called(certificate) for certificate in outcome.path)
    return f"{steps}{_ENDS.get(outcome.kind, '')}"


def _end_not_seen(sight: Sight) -> Remark | None:
    """Where the chain goes on, or may go on, in certificates that are not kept or that our library alone does not read."""
    if sight.outcome.kind not in (Kind.UNREADABLE, Kind.ISSUER_NOT_SENT, Kind.UNKNOWN_ISSUER, Kind.BAD_SIGNATURE):
        return None
    kept = sight.tls.chain[:1] if sight.outcome.kind is Kind.UNREADABLE else sight.tls.chain
    if any(_WRITTEN_OUT in link.parse_error for link in kept):
        return Remark(Grade.UNPROVEN, "A certificate that the server sends has a default value written out, which DER forbids "
                                      "(X.690 section 11.5). It is not read here for that, and common clients do read it.",
                      "default-written-out")
    if kept == sight.tls.chain and sight.tls.chain_left_out:
        return Remark(Grade.UNPROVEN, f"The server sends {len(kept) + sight.tls.chain_left_out} certificates, and only the first "
                                      f"{len(kept)} are looked at; by these no anchor is reached.", "many-certificates")
    return None


def _trusted(sight: Sight, outcome: Outcome) -> Remark:
    detail = f"; {outcome.detail}" if outcome.detail else ""
    dates = "" if sight.when is not None else " Dates were left aside, as no time is agreed on."
    return Remark(Grade.PASS, f"The chain leads from the server's certificate to {called(outcome.path[-1])}, "
                              f"and every signature in it holds{detail}.{dates}")


def _no_anchors(_sight: Sight, _outcome: Outcome) -> Remark:
    return Remark(Grade.UNPROVEN, "There is no trust anchor to judge the chain by: the plan names none, and the runner's own "
                                  "trust store could not be read.", "no-anchors")


def _unreadable(sight: Sight, _outcome: Outcome) -> Remark:
    return Remark(Grade.FAIL, f"The certificate that the server sends cannot be read: "
                              f"{sight.leaf.parse_error or 'its names cannot be decoded'}.", "unreadable",
                  ("# the file the server sends is damaged or badly made: have a new certificate issued",
                   *request_lines(sight.door.host)))


def _self_signed(sight: Sight, _outcome: Outcome) -> Remark:
    told = "is signed by its own key" if sight.leaf.self_signed else "names itself as its issuer"
    return Remark(
        Grade.FAIL, f"The certificate {told}, as the one an installer leaves behind: nobody vouches for it.", "self-signed",
        (*request_lines(sight.door.host),
         "# or, where this very certificate is meant to stay: save it as PEM and name the file in the plan",
         *_anchor_lines(sight, f"{sight.door.host.name}.pem", sight.leaf.sha256)))


def _unknown_issuer(sight: Sight, outcome: Outcome) -> Remark:
    top = called(outcome.path[-1])
    return Remark(
        Grade.FAIL, f"The server sends a whole chain, and it ends at {top}, an authority that the plan does not trust.",
        "unknown-issuer",
        ("# have the certificate issued by the site's own authority instead",
         f"# or, if {top} is right: check its fingerprint with whoever runs it, save it as PEM, and add it to the plan",
         *_anchor_lines(sight, "authority.pem", fingerprint(outcome.path[-1]))))


def _anchor_lines(sight: Sight, file: str, sha256: str) -> tuple[str, ...]:
    """What to write into the plan for one more anchor; where it named none, the runner's own trust store counts no more."""
    if sight.case.plan.anchors:
        return (f'# [trust] anchors = [..., "{file}"]  with SHA-256 fingerprint {sha256}',)
    return (f'# [trust] anchors = ["{file}"]  with SHA-256 fingerprint {sha256}',
            "# the plan names no anchor so far: name all others that its hosts need beside it, as the runner's own trust store",
            "# counts for none of them any more")


def _issuer_not_sent(sight: Sight, outcome: Outcome) -> Remark:
    last = outcome.path[-1]
    issuer = called(last, issuer=True)
    whose = "its own certificate" if len(outcome.path) == 1 else f"the chain up to {called(last)}"
    found = _missing_link(sight, last)
    if found is not None:
        host, link = found
        return Remark(
            Grade.FAIL, f"The server sends {whose} and leaves out the intermediate {issuer}, which leads to a trusted anchor; "
                        f"{host} sends it.", "missing-intermediate",
            ("# append this intermediate to the certificate file that the server sends, below its own certificate, and reload:",
             *link.public_bytes(Encoding.PEM).decode("ascii").split("\n")[:-1]))
    where = _issuer_address(last)
    return Remark(
        Grade.FAIL, f"The server sends {whose}, issued by {issuer}, which it does not send and the plan does not trust: either "
                    "an intermediate is missing from the server's certificate file, or this authority is not the site's.",
        "issuer-not-sent",
        (f"# append the certificate of {issuer} (PEM) to the certificate file that the server sends, below its own, and reload",
         *((f"# its authority says it is to be had at {where}",) if where else ()),
         f"# or, if {issuer} is itself the site's authority: add its certificate to [trust] anchors in the plan"))


def _bad_signature(sight: Sight, outcome: Outcome) -> Remark:
    last = outcome.path[-1]
    return Remark(
        Grade.FAIL, f"The signature on {called(last)} does not verify with the key of {called(last, issuer=True)}: either "
                    "another authority of the same name issued it, for instance before that one was made anew, or the "
                    "certificate was damaged.", "bad-signature",
        ("# compare the fingerprints of the issuer's certificate on the server and in the plan, and replace the older one",
         "# if they agree, have the certificate issued again:", *request_lines(sight.door.host)))


def _unverifiable(sight: Sight, outcome: Outcome) -> Remark:
    last = next((link for link in sight.tls.chain if link.der == outcome.path[-1].public_bytes(Encoding.DER)), sight.leaf)
    made = f"The signature on {called(outcome.path[-1])} was made with {visible(last.signature) or 'an unknown algorithm'}, "
    if last.signature_hash in BROKEN_DIGESTS:
        return Remark(Grade.UNPROVEN, f"{made}which is not verified any more, so it proves nothing (RFC 9155 section 1).",
                      "weak-signature")
    return Remark(Grade.UNPROVEN, f"{made}and cannot be verified here with the key of {called(outcome.path[-1], issuer=True)}, "
                                  "so it proves nothing.", "unknown-signature")


def _not_an_authority(_sight: Sight, outcome: Outcome) -> Remark:
    return Remark(
        Grade.FAIL, f"The chain passes through {called(outcome.path[-1])}, which may not issue the certificate below it: "
                    f"{outcome.detail}.", "not-an-authority",
        (f"# have {called(outcome.path[-2])} issued by a certificate that may sign others (CA:TRUE, keyCertSign, path length,",
         "# and either no extended key usage or one that has serverAuth)"))


def _refused(sight: Sight, outcome: Outcome) -> Remark:
    return Remark(
        Grade.FAIL, f"The chain breaks a rule, though every signature in it holds: {outcome.detail}.", "refused",
        ("# show this rule to whoever runs the authority, and have the certificate, or the intermediate, issued again",
         *request_lines(sight.door.host)))


def _not_followed(_sight: Sight, outcome: Outcome) -> Remark:
    return Remark(Grade.UNPROVEN, "Every signature in the chain holds as far as it was followed, and whether clients accept it "
                                  f"is not known from here: {outcome.detail}.", "not-followed")


_SAY = {Kind.TRUSTED: _trusted, Kind.NO_ANCHORS: _no_anchors, Kind.UNREADABLE: _unreadable, Kind.SELF_SIGNED: _self_signed,
        Kind.UNKNOWN_ISSUER: _unknown_issuer, Kind.ISSUER_NOT_SENT: _issuer_not_sent, Kind.BAD_SIGNATURE: _bad_signature,
        Kind.UNVERIFIABLE: _unverifiable, Kind.NOT_AN_AUTHORITY: _not_an_authority, Kind.REFUSED: _refused,
        Kind.NOT_FOLLOWED: _not_followed}


def _outdated_anchor(sight: Sight) -> Iterator[Remark]:
    """RFC 5280 section 6.1 leaves an anchor's dates out; most programs refuse one outside of them all the same.

    That they do is common practice, no source; that both ends belong to a validity is RFC 5280 section 4.1.2.5.
    """
    anchor, when = sight.outcome.path[-1], sight.when
    if when is None or anchor == sight.outcome.path[0]:
        return
    begin, end = anchor.not_valid_before_utc, anchor.not_valid_after_utc
    if when.lo > end.timestamp():
        yield Remark(Grade.FAIL, f"The anchor {called(anchor)} itself expired at {end.isoformat()}; most "
                                 "programs refuse such a chain.", "anchor-expired",
                     ("# put the authority's current root certificate into [trust] anchors and onto every client",))
    elif when.hi < begin.timestamp():
        away = begin.timestamp() - when.value
        yield Remark(Grade.FAIL, f"The anchor {called(anchor)} itself is not valid before {begin.isoformat()}, which is "
                                 f"{show_seconds(away)} away by the agreed time; most programs refuse such a chain until then.",
                     "anchor-not-yet-valid",
                     ("# a clock that was ahead made it: set that clock right, have it made again with the same name and key,",
                      "# and put the new one into [trust] anchors and onto every client; what it has issued stays good"))
    elif when.hi > end.timestamp() or when.lo < begin.timestamp():
        which = f"expires at {end.isoformat()}" if when.hi > end.timestamp() else f"becomes valid at {begin.isoformat()}"
        yield Remark(Grade.UNPROVEN, f"The anchor {called(anchor)} itself {which}, and the agreed time, known to "
                                     f"± {show_seconds(when.uncertainty)}, does not tell whether that has come.", "anchor-edge")


def _unfit_leaf(sight: Sight) -> Iterator[Remark]:
    """What the certificate itself says it is for."""
    if not sight.leaf.server_usage:
        yield Remark(
            Grade.FAIL, "The certificate's extended key usage does not name TLS servers, so clients refuse it "
                        "(RFC 5280 section 4.2.1.12).", "usage",
            ("# ask for a certificate with the extended key usage serverAuth:", *request_lines(sight.door.host)))
    if not key_serves_tls(sight.outcome.path[0]):
        yield Remark(
            Grade.FAIL, "The certificate's key usage allows none of what a TLS server does with its key, so clients refuse it "
                        "(RFC 5280 section 4.2.1.3).", "usage",
            ("# ask for a certificate with the key usage digitalSignature:", *request_lines(sight.door.host)))
    if sight.leaf.is_authority and len(sight.outcome.path) > 1:
        yield Remark(
            Grade.CAUTION, "The server's own certificate is marked as an authority: whoever holds the host's key could issue "
                           "certificates for other names (RFC 5280 section 4.2.1.9).", "leaf-is-authority",
            ("# ask for a server certificate with CA:FALSE:", *request_lines(sight.door.host)))


def _missing_link(sight: Sight, last: x509.Certificate) -> tuple[str, x509.Certificate] | None:
    """An intermediate that another host of the site sends and that completes this chain, with that host's name."""
    anchors = anchors_of(sight.case.plan.anchors_pem)
    sent = [other.der for other in sight.tls.chain[1:]]
    shown = next((facts for facts in sight.tls.chain if facts.der == last.public_bytes(Encoding.DER)), sight.leaf)
    candidates = {facts.der: host for host, facts in _seen_elsewhere(sight, shown.issuer)}
    for der, host in list(candidates.items())[:_CANDIDATES_LIMIT]:
        if validate(sight.leaf.der, [*sent, der], anchors, None).kind is Kind.TRUSTED:
            link = load(der)
            if link is not None:
                return host, link
    return None


def _seen_elsewhere(sight: Sight, subject: str) -> Iterator[tuple[str, CertificateFacts]]:
    for host in sight.case.evidence.hosts:
        for tls in host.tls:
            for facts in tls.chain[1:]:
                if facts.subject == subject and facts.is_authority:
                    yield host.fqdn, facts


@quiet()
def _issuer_address(certificate: x509.Certificate) -> str:
    """Where the issuer's certificate can be fetched, as the certificate says (RFC 5280 section 4.2.2.1); it is not fetched."""
    try:
        access = certificate.extensions.get_extension_for_class(x509.AuthorityInformationAccess).value
    except (ValueError, TypeError, x509.ExtensionNotFound, x509.DuplicateExtension, x509.UnsupportedGeneralNameType):
        return ""
    for entry in access:
        location = entry.access_location
        if entry.access_method == AuthorityInformationAccessOID.CA_ISSUERS and isinstance(
                location, x509.UniformResourceIdentifier):
            return visible(location.value[:256])
    return ""
