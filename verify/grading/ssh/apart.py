"""Whether one host is one machine at all its addresses, as far as its host keys tell.

An address that another machine took first is lost to the host that was planned for it (RFC 4862 section 5.4.5), and every
check of that address then passes on the other machine.  A host key is one machine's, so two keys of one type at two
addresses of one host say that there may be two; they prove it not, for one machine can run two SSH servers.
"""

from __future__ import annotations

from collections.abc import Iterable

from shared.evidence import SshEvidence, SshHostKey


def strangers(seen: SshEvidence, others: Iterable[SshEvidence]) -> tuple[SshEvidence, SshHostKey, SshHostKey] | None:
    """The first of ``others`` that holds another key of a type that ``seen`` holds too, with both keys, that of ``seen`` first.

    It is one on the same port at another address, and without any key of ``seen``; None where there is none.
    """
    own = {key.key_type: key for key in seen.host_keys}
    for other in others:
        if other.address == seen.address or other.port != seen.port or set(other.host_keys) & set(seen.host_keys):
            continue
        for key in other.host_keys:
            if key.key_type in own:
                return other, own[key.key_type], key
    return None


def which_is_whose(host: str, one: str, other: str) -> tuple[str, ...]:
    """How to see which of two addresses is another machine's."""
    return (f"at the console of {host}: ip address    # it must show {one} and {other}, neither with dadfailed",
            "ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub    # the address that shows another key is another machine's",
            "find that machine and take the address from it; then have the host configure its own anew, and verify again")
