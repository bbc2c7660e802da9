"""Checks of the gateway: does it answer, and does the host really use it."""

from __future__ import annotations

from shared.catalogue.entry import Check, LimitRule

CHECKS = (
    Check(
        name="gateway.echo",
        title="The planned gateway answers",
        proves="Something at the planned gateway address answers ICMP echo from where the runner stands, and the loss and the "
               "median round trip of one short burst are inside their limits.",
        not_proves="That the hosts use this gateway, or that it forwards anything: see gateway.return-path.  A router of "
                   "another network answers for all its addresses, so from outside a wrong VLAN may not show.  A link-local "
                   "gateway is not asked at all: its address means something else on every wire.",
        basis=("RFC 792 (echo)", "RFC 1812 section 4.3.3.6 (a router answers echo)",
               "RFC 1122 section 3.3.1.4 (one short burst, never a loop)",
               "RFC 2681 sections 2.4 and 4.2 (a lost echo has no round trip; the median)"),
        causes=("the gateway address in the plan has a mistyped digit",
                "the gateway is set not to answer echo, which is common and no fault",
                "the VLAN of the runner or of the gateway port is not the planned one"),
        mends=("compare the plan's gateway with the router's own interface address",
               "where the gateway ignores echo on purpose, leave the check out in the plan with that reason"),
        would_prove="a gateway that answers echo and an ICMP socket for this user (net.ipv4.ping_group_range, or CAP_NET_RAW), "
                    "or a host's own neighbour table over SSH",
        owner="network",
        needs=("host.address-conflict",),
        limits=("echo_loss", "echo_round_trip"),
    ),
    Check(
        name="gateway.return-path",
        title="The host's own use of its gateway",
        proves="An answer more than a reset came back from the host to a runner outside the host's subnet, and its echo "
               "replies, where there were any, had passed a router, so the host has a working way out.  Or, where the plan "
               "gives access to the host: its own route table sends through the planned gateway alone, and its neighbour table "
               "does not say that the gateway was looked for in vain.",
        not_proves="That the way out is the planned gateway where several routers could carry the answer, or where a router "
                   "answers ARP for the runner's address (RFC 1027).  A runner on the same wire as the host proves nothing of "
                   "it: its packets do not pass the gateway, and where a hop that is missing shows that they do, that is a "
                   "caution.  The host's own tables do not prove that the gateway forwards.",
        basis=("RFC 1122 section 3.3.1.1 (local or remote is decided with the mask; remote goes to the gateway)",),
        causes=("the host has no default route, or one through a wrong gateway: local works, remote does not",
                "the mask is too wide, so the host looks for the runner on its own wire",
                "a caution, from the host's own wire: the mask is too narrow, so the host sends to neighbours through a router"),
        mends=("set the host's default route to the planned gateway and its mask to the planned one",
               "on the host: ip route get RUNNER-ADDRESS    # must say via the planned gateway"),
        would_prove="a runner outside the host's subnet, or the host's own route table over SSH",
        owner="build",
        needs=("host.echo", "system.route"),
    ),
)

#: The limits of echoes are shared with host.echo and live in ``shared.catalogue.hosts``.
LIMITS: tuple[LimitRule, ...] = ()
