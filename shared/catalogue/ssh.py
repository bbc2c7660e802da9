"""Checks of SSH as it is seen from outside, before any login."""

from __future__ import annotations

from shared.catalogue.entry import Check, LimitRule
from shared.quantities import Sense

CHECKS = (
    Check(
        name="ssh.identity",
        title="The planned port speaks SSH 2.0",
        proves="Whatever listens on the planned port says by its identification string that it is an SSH server of version 2.0.",
        not_proves="That anybody can log in, or that the program is the one its string names: the string is only what the server "
        "chooses to say of itself.",
        basis=("RFC 4253 section 4.2 (identification string, at most 255 octets, no NUL; lines may come before it)",
               "RFC 4253 section 5.1 (1.99 is a server that also speaks version 1)"),
        causes=("another program listens on the port, often a web server or a forwarding rule that points elsewhere",
                "the SSH server is being started, or is stuck, and the system takes connections in its name",
                "the server is at its limit of callers that are not logged in (MaxStartups), or penalises the runner's address",
                "a rule on the host or on the way admits only certain addresses and hangs up on the rest"),
        mends=("see on the host which program listens: ss -ltnp",
               "start the SSH server and see to it that it starts at boot: systemctl enable --now ssh",
               "where the runner was turned away, wait a minute and verify again, or let its address in"),
        would_prove="a second try when the server is less busy, or one from an address that it lets in",
        owner="build",
        needs=("port.open",),
    ),
    Check(
        name="ssh.algorithms",
        title="No weak algorithm is offered",
        proves="Among the names that the server offers for key exchange, host keys, ciphers and message authentication there is "
        "none that a standard rules out or discourages.",
        not_proves="That a client will choose the best of what is offered, that the moduli of a group exchange are long enough, "
        "or anything about names that are not known here: these are listed and not judged.",
        basis=("RFC 9142 section 4, table 12 (key exchange: MUST NOT is a fail, SHOULD NOT a caution)",
               "RFC 8332 section 1 (ssh-rsa signs with SHA-1, a caution; ssh-dss is disallowed, a fail)",
               "RFC 8758 (arcfour MUST NOT, a fail)",
               "RFC 4251 section 9.3.1 and RFC 4253 section 6.3 (the cipher none is for debugging only, a fail)",
               "RFC 4253 section 6.4 (message authentication none, a fail)",
               "NIST SP 800-57 part 1 section 5.6.1 (a key of 56 bits is far below 112, a fail)",
               "common practice, no source (block chaining ciphers and HMAC-MD5, a caution)"),
        causes=("the configuration was copied from an older installation, or widened once for one old client",
                "the server program itself is old"),
        mends=("in /etc/ssh/sshd_config, set KexAlgorithms, HostKeyAlgorithms, Ciphers and MACs without the weak names",
               "or take these lines out, where the defaults of the installed version are good",
               "test and reload: sshd -t && systemctl reload ssh"),
        would_prove="a connection that lasts until the server has made its offer",
        owner="build",
        needs=("port.open", "ssh.identity"),
    ),
    Check(
        name="ssh.host-key",
        title="The host keys are held, long enough, and those the zone names",
        proves="The server signed a fresh key exchange with one key of each type it offers (Ed25519, ECDSA, RSA), so it holds "
        "their private keys; the RSA key is long enough; and SSHFP records of their algorithms, where the zone has any, are all "
        "of these keys.  No two addresses of the host show different ones.",
        not_proves="That these are the keys the host was given: compare the fingerprints once with the host's console "
        "(ssh-keygen -lf).  That SSHFP records are absent is no fault, and without DNSSEC they are no proof to a client "
        "(RFC 4255 section 2.4).  Key types that are not asked for, such as certificates, are not proven, "
        "and of several ECDSA keys one is: the message names the others.",
        basis=("RFC 4253 section 8 (the server signs the exchange hash)",
               "RFC 8731 section 3, RFC 5656 section 4, RFC 8268 section 3 (the key exchange methods used)",
               "draft-ietf-sshm-mlkem-hybrid-kex (mlkem768x25519-sha256, where nothing else is offered; from memory)",
               "RFC 8332 section 3, RFC 5656 section 3.1.2, RFC 8709 section 6 (the signatures)",
               "NIST SP 800-57 part 1 section 5.6.1 (RSA 2048 is worth 112 bits, 3072 is worth 128)",
               "RFC 4255 section 2 (SSHFP), RFC 6594 section 3 (ECDSA, SHA-256), RFC 7479 section 2 (Ed25519)",
               "RFC 6594 section 4.1 (a key that no SHA-256 record matches is rejected, whatever SHA-1 says; from memory)",
               "common practice, no source (one machine has one set of host keys)",
               "common practice, no source (a record of another key beside the right one: OpenSSH's client wants all to match)"),
        causes=("the host was installed again and the zone still has the SSHFP records of the earlier installation",
                "the new record was added and the old one was left in the zone",
                "a short key was carried over from an old system",
                "another machine answers at the planned address, or at one of them: it was there first (RFC 4862 section 5.4.5)",
                "only key exchange methods that are not spoken here are offered (old ones, group exchange, sntrup761)"),
        mends=("print the right records on the host and put them into its zone: ssh-keygen -r NAME.",
               "make a new RSA key of 3072 bits, or do without one: Ed25519 is enough for current clients",
               "tell every place that has the old key to forget it: ssh-keygen -R NAME"),
        would_prove="a key exchange method that both sides speak, and a server with room for one connection a key type",
        owner="build",
        owners={"dns-disagrees": "names", "dns-stale": "names"},
        needs=("port.open", "ssh.identity"),
        limits=("ssh_rsa_bits",),
    ),
    Check(
        name="ssh.shared-key",
        title="No two hosts hold the same host key",
        proves="No host key of this host was also proven to be held by another host of the plan that was asked in this run.",
        not_proves="That no machine outside the plan has it, nor anything about hosts whose keys could not be had: the finding "
        "says how many were compared.  Of a host with several ECDSA keys one is known.",
        basis=("common practice, no source (a shared key is the mark of a copied image)",
               "RFC 4251 section 4.1 lets hosts share a key on purpose: where that is meant, waive the finding with the reason"),
        causes=("both hosts were copied from one image that already had host keys",
                "the keys were restored from the backup of another host"),
        mends=("make new keys on every one of them, not on all but one: the image has the key of every copy",
               "take the host keys out of the image, so that each copy makes its own at the first boot",
               "look for other twins from the same image: machine id, random seed, certificates"),
        would_prove="the host keys of at least two hosts of the plan in one run",
        owner="build",
        needs=("port.open", "ssh.identity"),
    ),
)

LIMITS = (
    LimitRule(
        name="ssh_rsa_bits",
        unit="bit",
        sense=Sense.AT_LEAST,
        bounds={"lab": (2048, 1024), "production": (2048, 2048), "strict": (3072, 2048)},
        origin="NIST SP 800-57 part 1 section 5.6.1: RSA 2048 is worth 112 bits and 3072 is worth 128; below 112 disallowed "
        "(also RFC 9142 section 1.2); the caution of the lab profile is ours",
    ),
)
