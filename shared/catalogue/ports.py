"""Checks of TCP ports: open where they must be, closed where they must be."""

from __future__ import annotations

from shared.catalogue.entry import Check, LimitRule

_BASIS = (
    "RFC 9293 section 3.5 (the handshake)",
    "RFC 9293 section 3.10.7.1 (a reset answers for a port where nobody listens)",
    "RFC 1122 section 3.2.2.1 (unreachable codes are hints: believed when they come twice)",
    "RFC 6298 section 2 (a lost SYN is repeated after 1 s: silence is believed after three attempts)",
)

CHECKS = (
    Check(
        name="port.open",
        title="A port that must accept connections does",
        proves="A TCP connection from the runner to the port was established at the first attempt, without a lost packet.",
        not_proves="That the service behind it works, or is the planned one: see the certificate and ssh checks.  That other "
                   "places than the runner's can connect.  Anything about UDP ports, where silence is no answer.",
        basis=_BASIS,
        causes=("refused: the service is stopped, or listens on 127.0.0.1 or another address only",
                "refused: the service was started by hand and not enabled, so that a reboot ended it",
                "silent: the host's own filter, or one on the way, drops the packets",
                "silent: the service has stopped accepting, and its queue is full",
                "rejected: a filter says so, and who sent the ICMP error is the place to ask",
                "open only after a retry: loss on the way, or an accept queue that overflows"),
        mends=("on the host: ss -ltnp; systemctl enable --now UNIT; nft list ruleset",
               "tcpdump on the host tells whether the packets arrive: if so the host drops them, if not the way does"),
        would_prove="a connection from where the runner stands; for UDP, an answer in the protocol that is served there",
        owner="build",
        owners={"turned-back": "network"},
        needs=("host.echo",),
    ),
    Check(
        name="port.closed",
        title="A port that must not accept connections does not",
        proves="The port refused the runner with a reset, or the host's own filter rejected it, or it stayed silent while "
               "the host was surely alive, and lost too few packets for all SYNs to be among them (less likely than one in "
               "twenty, by the upper end of what its losses are good for).",
        not_proves="That the service is not installed, or not reachable from elsewhere: a silent port may be filtered on the "
                   "way.  A port that a router rejects was never asked, and stays unproven.",
        basis=(*_BASIS, "E. B. Wilson 1927, the score interval of a share; one in twenty: common practice, no source"),
        causes=("a service of the default installation was left enabled",
                "a socket unit starts the service again whenever somebody knocks",
                "the filter that should close it is not loaded, or was loaded but not saved"),
        mends=("on the host: ss -ltnp names the process; systemctl disable --now UNIT, its socket unit too",
               "save the filter's rules, so that the next boot has them"),
        would_prove="a runner with no filter between itself and the host, and a way that loses few packets",
        owner="build",
        needs=("host.echo",),
    ),
)

LIMITS: tuple[LimitRule, ...] = ()
