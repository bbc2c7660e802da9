"""Checks of certificates and of TLS as a client meets them."""

from __future__ import annotations

from shared.catalogue.entry import Check, LimitRule
from shared.quantities import Sense

_DAY = 86400.0

#: Said of every check that looks at a certificate: a server picks one by what the client offers (RFC 8446 section 4.4.2.2).
_ONE_OF_SEVERAL = ("  Where a server has several certificates, for keys of different types, only the one is looked at that it "
                   "shows to a client which takes them all; a client that takes RSA alone may meet another.")

CHECKS = (
    Check(
        name="certificate.protocol",
        title="Only current TLS versions are accepted",
        proves="The planned port speaks TLS, accepts TLS 1.2 or 1.3, and refused TLS 1.1 and 1.0 when each was the newest "
        "version offered, with old cipher suites offered beside it so that the refusal is about the version.",
        not_proves="That every cipher suite the server would take is a good one: only the one it chose is looked at.  An alert "
        "or an orderly close counts as a refusal; silence or a reset proves nothing, since something on the way may "
        "have caused it.  SSL 2.0 and 3.0 are not offered.",
        basis=("RFC 8996 sections 4 and 5 (TLS 1.0 and 1.1 MUST NOT be used)",
               "RFC 9325 section 3.1.1 (TLS 1.2 MUST be supported, 1.3 SHOULD; a server with 1.3 alone passes here)",
               "RFC 9325 section 4.1 (suites without encryption, with RC4 or of export strength MUST NOT be used)",
               "NIST SP 800-52 revision 2 (TLS 1.2 required, support for 1.3 by 2024)"),
        causes=("the server's configuration still lists old versions, or was copied from an older installation",
                "the program itself is old",
                "plain HTTP, or another protocol, listens on the port: TLS was never turned on",
                "a rule in front of the server resets connections that it takes for scans"),
        mends=("allow TLS 1.2 and 1.3 only in the server's TLS settings, and reload it",
               "where something else answers, see on the host what listens: ss -ltnp",
               "where another port was meant, correct the role's tls list in the plan"),
        would_prove="a handshake that ends, and an alert or a ServerHello in answer to each version",
        owner="certificates",
        needs=("port.open",),
    ),
    Check(
        name="certificate.trust",
        title="The chain leads to a trusted authority",
        proves="The certificates that the server sends form a path to one of the plan's anchors (to the runner's own trust store "
        "where the plan names none): every signature holds, every issuer may issue, name constraints are kept, the "
        "certificate and the authorities above it are meant for servers, and the anchor is within its own dates by the "
        "agreed time.",
        not_proves="Anything about dates below the anchor, which certificate.dates judges: a sound chain whose certificate "
        "expired passes here and fails there, so that one fault is one finding.  Where no time is agreed on, nothing about "
        "the anchor's dates either.  Nor that nothing was revoked: no list is fetched and no responder asked.  Nor that "
        "certificate policies are kept, also where they are marked critical.  Nor that other machines trust the same anchors "
        "as the plan." + _ONE_OF_SEVERAL,
        basis=("RFC 5280 section 6.1 (path validation; policies and revocation are not part of it here)",
               "RFC 5280 section 7.1 (names are compared without case, spaces in excess and encoding)",
               "RFC 5280 section 3.2 (self-signed is told by the signature, not by the names)",
               "RFC 5280 sections 4.2.1.3, 4.2.1.9, 4.2.1.10 and 4.2.1.12 (key usage, authority, name constraints, server usage)",
               "RFC 5480 section 2.1.1 (a key's curve is named, not written out)",
               "RFC 8446 section 4.4.2 (the server sends its intermediates, not the anchor)",
               "common practice, no source (an anchor outside its own dates is refused; RFC 5280 section 6.1 leaves them out)",
               "RFC 5280 section 4.2 (no extension twice; what clients have to process and cannot read fails)",
               "RFC 5280 sections 4.1.2.2, 4.2.1.1 to 4.2.1.3, 4.2.1.6 and 4.2.1.9 (for strict clients only: a caution)",
               "common practice, no source (what OpenSSL refuses beyond RFC 5280, as by key identifier or order, is a caution)"),
        causes=("the installer's self-signed certificate is still in place",
                "the certificate file holds the server's own certificate and not the intermediate above it",
                "the site's authority was made anew under the same name, and the host or the plan still has the old one",
                "an authority was made anew with its old key, and what it issued points at its old certificate",
                "authorities certified each other, and the server sends the certificate that leads nowhere first",
                "the plan lists the wrong anchor",
                "a program of the site's own makes certificates and leaves out what RFC 5280 asks for, or writes it wrongly",
                "the machine that made the site's root had its clock ahead, or the root has expired"),
        mends=("have the certificate issued by the site's authority, for the planned name",
               "append the intermediate to the certificate file, below the server's own certificate",
               "add the authority's root certificate to [trust] anchors, after comparing its fingerprint"),
        would_prove="a chain signed with algorithms that are still verified, name constraints for DNS names (no dot in front), "
        "addresses and directory names alone, an anchor in the plan, and an agreed time with less uncertainty where the anchor's "
        "dates are near",
        owner="certificates",
        needs=("port.open", "certificate.protocol"),
    ),
    Check(
        name="certificate.name",
        title="The certificate is made out to the planned name",
        proves="One of the certificate's DNS names is the host's planned, fully qualified name, or a wildcard that covers it.",
        not_proves="That the name resolves to this host (name.forward), or that the certificate also covers the short name or "
        "the address: clients that use those will be refused, and the plan asks for neither." + _ONE_OF_SEVERAL,
        basis=("RFC 9525 section 2 (names come from the subject alternative names; the common name MUST NOT be used)",
               "RFC 9525 section 6.3 (label by label, case ignored; a wildcard is the whole left-most label and stands for one)",
               "RFC 9525 section 6.4 (an address is matched with address entries, never with a DNS name)",
               "RFC 6066 section 3 (the planned name is what the handshake asks for)"),
        causes=("the host was renamed after its certificate was made, which still says localhost or the old name",
                "the request had the name as common name only",
                "an address was written where a DNS name belongs",
                "several sites share the port, and the server does not know this name and shows its default certificate",
                "or it knows none by this name and ends the handshake over it"),
        mends=("ask for a certificate with the planned name among its subject alternative names",
               "where several sites share the port, add the planned name to the right one's server names"),
        would_prove="a certificate that can be read",
        owner="certificates",
        needs=("port.open", "certificate.protocol"),
    ),
    Check(
        name="certificate.dates",
        title="Valid now, and for long enough",
        proves="At the time agreed among the plan's time sources, the server's certificate and every intermediate on its path "
        "are within their dates, both ends included, and none of them ends soon.",
        not_proves="That a client with a wrong clock will agree, or that anybody will renew it in time.  The runner's own clock "
        "plays no part: where no time is agreed on, this is unproven." + _ONE_OF_SEVERAL,
        basis=("RFC 5280 section 4.1.2.5 (validity includes both ends; 99991231235959Z means no defined expiry)",
               "RFC 5280 section 6.1.3 (a) (2) (every certificate of the path is valid now)",
               "RFC 8739 section 3.3 (short-lived certificates are renewed at half their life)",
               "common practice, no source (30 days and 7 days; a third and a tenth of a shorter life)"),
        causes=("renewal by hand was forgotten, or its automation stopped",
                "the certificate was renewed and the server was not reloaded",
                "the machine that made it had its clock ahead: not yet valid; or far behind: born in the past, expired early",
                "the server still sends an expired intermediate"),
        mends=("renew the certificate, install it, and reload the server",
               "where it is not valid yet, set the clock that made it right, and make it again",
               "replace an expired intermediate in the certificate file"),
        would_prove="an agreed time (see clock.sources-agree), with less uncertainty where the end is near",
        owner="certificates",
        needs=("port.open", "certificate.protocol", "clock.sources-agree"),
        limits=("certificate_life_left",),
    ),
    Check(
        name="certificate.peers",
        title="Every other host's clock accepts it too",
        proves="By the clock of each other host of the plan, as measured in this run with its uncertainty, the server's "
        "certificate is within its dates.",
        not_proves="Anything of machines that the plan does not name, or of hosts whose clock could not be read.  That the dates "
        "are right: certificate.dates judges them by the agreed time, and what fails there is not repeated here."
        + _ONE_OF_SEVERAL,
        basis=("RFC 5280 section 4.1.2.5 (validity includes both ends)",
               "RFC 5280 section 6.1.3 (a) (2) (whoever validates asks the own clock)",
               "RFC 5905 section 8 (how far another clock is ahead, with its bound)"),
        causes=("a freshly made certificate, and a peer whose clock is behind: not yet valid there",
                "a peer whose clock is far ahead: expired there",
                "hosts that join a cluster before their time service has settled"),
        mends=("mend the peer's clock: see its clock.offset",
               "or wait as long as the finding says, and let the peer try again"),
        would_prove="a reading of the peers' clocks (NTP, or another witness), precise enough where an end is near",
        owner="build",
        needs=("port.open", "certificate.protocol", "clock.offset"),
    ),
    Check(
        name="certificate.key",
        title="Keys are long enough",
        proves="The server's key and those of the authorities it sends are of a known type and of sufficient size.",
        not_proves="That the keys were made with good randomness or are kept well; a handshake that ends shows that the server "
        "holds its own, and where none did the key is only read from what it shows in the clear.  An anchor's key is not judged: "
        "it is the plan's choice." + _ONE_OF_SEVERAL,
        basis=("RFC 9325 section 4.5 (RSA of at least 2048 bits, curves of at least 224)",
               "NIST SP 800-57 part 1 section 5.6.1 (2048 is worth 112 bits, 3072 is worth 128; curves half their size)",
               "RFC 8446 section 4.2.3 (DSA is gone) and appendix B.3.1.4 (curves that TLS has given up)",
               "common practice, no source (a server's key on a curve of RFC 7027 is a caution: few clients offer these)"),
        causes=("an old request or an installer with old defaults made the key",
                "the key was made for another use, on a curve that TLS does not use"),
        mends=("make a new key (P-256, or RSA of 3072 bits) and have a certificate issued for it",),
        would_prove="a certificate whose key type is known",
        owner="certificates",
        needs=("port.open", "certificate.protocol"),
        limits=("certificate_rsa_bits", "certificate_curve_bits"),
    ),
    Check(
        name="certificate.signature",
        title="Signatures are made with SHA-256 or better",
        proves="No certificate the server answers for is signed with SHA-1, MD5 or older digests.",
        not_proves="That the signatures verify: certificate.trust does.  An anchor's signature plays no part and is not judged, "
        "nor that of a self-signed root sent along (RFC 8446 section 4.4.2.2)." + _ONE_OF_SEVERAL,
        basis=("RFC 9155 sections 1 to 5 (MD5 and SHA-1 MUST NOT be used for signatures)",
               "RFC 9325 section 4.5 (SHA-256 or better in certificates)",
               "RFC 5280 section 6.1 (an anchor is not part of the path)"),
        causes=("the authority's own settings are old: they decide the digest, whatever the request says",
                "the installer's self-signed certificate was made by an old program"),
        mends=("set the authority to SHA-256 and have the certificate issued again",),
        would_prove="a certificate signed with a known algorithm",
        owner="certificates",
        needs=("port.open", "certificate.protocol"),
    ),
    Check(
        name="certificate.shared-key",
        title="No two hosts share a private key",
        proves="The public key in the certificate, and its issuer and serial number, are found on no other host of this run.",
        not_proves="That no machine outside the plan holds the same key, or that hosts which were not reached do not."
        + _ONE_OF_SEVERAL,
        basis=("RFC 5280 section 4.1.2.2 (issuer and serial number identify one certificate)",
               "common practice, no source (one key a host; a key that the certificate's names allow on several is a caution)"),
        causes=("the hosts were cloned from one image after the key was made in it",
                "one certificate is used for several hosts on purpose, by wildcard or by listing them",
                "an installer gives its certificates fixed serial numbers"),
        mends=("make a new key on every clone and have a certificate issued for it",
               "clean images of keys before they are copied"),
        would_prove="a certificate seen on at least two hosts",
        owner="build",
        needs=("port.open", "certificate.protocol"),
    ),
)

LIMITS = (
    LimitRule(
        name="certificate_life_left",
        unit="s",
        sense=Sense.AT_LEAST,
        bounds={"lab": (7 * _DAY, 1 * _DAY), "production": (30 * _DAY, 7 * _DAY), "strict": (45 * _DAY, 14 * _DAY)},
        origin="common practice, no source: 30 and 7 days, other profiles around them; of a short-lived certificate never "
        "more than a third and a tenth of its own life",
    ),
    LimitRule(
        name="certificate_rsa_bits",
        unit="bit",
        sense=Sense.AT_LEAST,
        bounds={"lab": (2048, 2048), "production": (2048, 2048), "strict": (3072, 2048)},
        origin="RFC 9325 section 4.5 (at least 2048); NIST SP 800-57 part 1 section 5.6.1 (3072 is worth 128 bits)",
    ),
    LimitRule(
        name="certificate_curve_bits",
        unit="bit",
        sense=Sense.AT_LEAST,
        bounds={"lab": (224, 224), "production": (256, 224), "strict": (256, 224)},
        origin="RFC 9325 section 4.5 (at least 224); NIST SP 800-57 part 1 section 5.6.1 (256 is worth 128 bits)",
    ),
)
