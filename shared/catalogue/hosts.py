"""Checks of a host's addresses: does anything live there, how well does it answer, and what does IPv6 do."""

from __future__ import annotations

from shared.catalogue.entry import Check, LimitRule
from shared.quantities import Sense

CHECKS = (
    Check(
        name="host.runner",
        title="The runner has a way over each planned address family",
        proves="Nothing: there is a finding only where the runner had no route to any address of a family that is planned.  It "
               "stands for all that is unproven for that reason, which is told once here.",
        not_proves="Anything of the hosts: what was to be asked over that family is unproven, whatever the other one shows.",
        basis=("common practice, no source (a runner stands where the users of its hosts do)",),
        causes=("the runner's own network has one address family only",
                "the runner's interface has a link-local IPv6 address and no router advertises another",
                "its default route of that family is missing"),
        mends=("run from a machine that has the family", "give the runner an address and a default route of that family"),
        would_prove="a runner with an address and a route of that family",
        owner="runner",
    ),
    Check(
        name="host.echo",
        title="Something lives at the planned address, and answers promptly",
        proves="The address gives a sign of life to the runner: an echo reply, an accepting TCP port or an NTP answer.  Where "
               "echoes are answered, the loss and the median round trip of one short burst are inside their limits.",
        not_proves="That the machine there is the planned one: a host with a stolen or mistyped address answers just as well; "
                   "its host key and certificate tell.  That the path stays as good: the numbers describe one burst of five "
                   "echoes, or of twenty where some of the five were lost.  Where only resets came, that the host lives: a "
                   "firewall can send them in its name.  Where only a port accepts, a proxy in front can accept for a dead "
                   "host.",
        basis=("RFC 1122 section 3.2.2.6 (every host answers echo, with the data it was sent)",
               "RFC 4443 sections 4.1 and 4.2 (echo over IPv6)",
               "RFC 1122 section 3.3.1.4 (one short burst, never a loop)",
               "RFC 2681 sections 2.4 and 4.2 (a lost echo has no round trip; the median)",
               "RFC 9293 section 3.10.7.1 (a reset answers for a port where nobody listens)",
               "RFC 1122 section 3.2.2.1 (unreachable codes are hints, not proof)",
               "RFC 1812 section 5.2.7.1, RFC 4443 section 3.1 (a router with no route to a network, and one with no such host)"),
        causes=("the host is off, or its cable is in another port",
                "the address or mask typed at the console has a wrong digit",
                "the switch port or the host's interface is in another VLAN",
                "the host has no way back to the runner: see gateway.return-path",
                "a router on the way has no route to the host's network, or its link to it is down",
                "a filter on the host or on the way drops everything",
                "loss of echoes and of nothing else: a rule on the host or on the way limits them (a caution)",
                "loss that comes and goes in a rhythm: two machines hold the same address"),
        mends=("at the console: power, link light, ip -br link, ip -br address, ip route",
               "at the switch: compare the port's VLAN with the plan's",
               "for loss: error counters, speed and duplex at both ends of each link"),
        would_prove="an ICMP socket for this user (net.ipv4.ping_group_range, or CAP_NET_RAW), a route to the address, or a "
                    "runner with no filter between",
        owner="build",
        owners={"no-way": "network"},
        needs=("gateway.echo", "host.address-conflict", "host.shared-loss"),
        limits=("echo_loss", "echo_round_trip"),
    ),
    Check(
        name="host.shared-loss",
        title="No losses that many hosts share",
        proves="This is a finding only where losses are shared: of the hosts of a network that answered, five or more, at least "
               "three quarters as many lost packets as would if all had the same share of the losses; and of echoes, and of "
               "questions over TCP and NTP as well, more than the limit was lost, counted over all with an error bar of 95 %.",
        not_proves="Whether the way loses packets or the runner asks faster than a link on it carries: a run at a gentle pace "
                   "tells.  Until then it is a caution; at 100 packets a second or fewer it is a fail where more than the limit "
                   "for a fail is lost.  What such losses explain at a host or a server (a few lost echoes, a port or a time "
                   "service that stayed silent) is unproven, and not held against it; what they do not explain, such as a host "
                   "that loses far more than the others, is.  Where fewer hosts lose packets, each is judged alone.",
        basis=("RFC 7680 section 2.4 (loss is that of a way between two places, at a time)",
               "RFC 2914 section 3 (who sends faster than a link carries makes its losses)",
               "E. B. Wilson 1927, the score interval of a share",
               "five hosts, three quarters, and what is a gentle pace: common practice, no source"),
        causes=("a link on the way is smaller than the runner's pace: a tunnel, a radio link, a policer",
                "the runner's own link, its cable or its network card loses packets",
                "a router or a firewall on the way is overloaded, or limits each sender"),
        mends=("verify again with --limit-rate 100 --concurrency 20: without losses, keep to that pace",
               "otherwise read the error counters at both ends of each link on the way, beginning at the runner"),
        would_prove="a run at a gentle pace, or one from another place",
        owner="network",
        limits=("shared_loss",),
    ),
    Check(
        name="host.address-conflict",
        title="Nobody else uses the host's address",
        proves="From a runner on the same wire: one hardware address, and no second one, claimed the host's address (and the "
               "gateway's) when all of the wire was asked three times and listened to for two seconds more; or several did, and "
               "the host itself says that all are its own.  From anywhere: where fresh connections met different host keys or "
               "certificates in turn, two machines answer.",
        not_proves="That the one that claims it is the planned host: see host.mac, ssh.identity and the certificates.  That no "
                   "machine which is switched off now would claim it later.  From outside the wire nothing passes: that every "
                   "connection met the same host proves little, since the last router remembers one of two owners for minutes.  "
                   "There a conflict is a finding only where it was seen, and the rest is listed as not proven.",
        basis=("RFC 5227 sections 1.1 and 2.1.1 (three ARP probes with sender 0.0.0.0, decided two seconds after the last)",
               "RFC 1122 section 2.3.2.1 (no more than one ARP request a second to one destination)",
               "RFC 4861 sections 7.2.2 and 7.2.3 (neighbour solicitation, answered for an interface's own addresses)",
               "RFC 4862 section 5.4.3 (asked with a source address: otherwise a host just testing its own would give it up)",
               "RFC 1027 (a router that answers ARP in the name of others)"),
        causes=("an old machine kept the address when its successor was built",
                "a template was cloned with its address in it",
                "a dynamic pool hands the address out",
                "two interfaces of one host stand on the same wire, and each answers for both (no conflict, but worth ending)"),
        mends=("on another machine of the wire: arping -D -I INTERFACE -c 3 ADDRESS; find both hardware addresses at the switch",
               "give one of the two another address, and take the address out of every pool",
               "where both are interfaces of one host: sysctl -w net.ipv4.conf.all.arp_ignore=1"),
        would_prove="a runner with CAP_NET_RAW on the same wire; where two hardware addresses were seen, the host's own word "
                    "over SSH ([access] in the plan)",
        owner="network",
        needs=("host.echo",),
    ),
    Check(
        name="host.mac",
        title="The address is at the planned machine's interface, and at no other host's",
        proves="The hardware address that claims the host's address on the wire is the one that the plan gives it (mac), and, "
               "planned or not, it is no other planned host's.",
        not_proves="Anything where the runner is not on the same wire: then there is no such finding.  A hardware address can be "
                   "set by hand, so it is no proof of identity.",
        basis=("RFC 5227 section 2.1.1 (ARP probes)", "RFC 9542 section 2.1 (what the bits of a hardware address say)",
               "RFC 9568 section 7.3 (addresses of virtual routers)"),
        causes=("the cable is in another socket of the same machine",
                "another machine was given the address",
                "a virtual machine was cloned together with its hardware address",
                "one machine holds the addresses of two planned hosts",
                "a router holds the address, or answers for it in the host's name"),
        mends=("on the host: ip -br link; ip -br address",
               "where the machine or its network card was changed on purpose, put the new hardware address into the plan"),
        would_prove="a runner with CAP_NET_RAW on the same wire; where two hardware addresses were seen, the host's own in the "
                    "plan (mac)",
        owner="build",
        needs=("host.address-conflict", "host.echo"),
    ),
    Check(
        name="host.path-mtu",
        title="Packets of the planned size pass",
        proves="A packet of the network's planned MTU, forbidden to be fragmented, reached the host from where the runner "
               "stands, and was answered.",
        not_proves="That answers come back whole: a host may send them in fragments.  That other ways to the host, or the way to "
                   "other places, carry as much.  Above the MTU of the runner's own interface nothing can be tried.",
        basis=("RFC 1191 sections 4 and 7.1 (path MTU discovery, and the sizes to expect)",
               "RFC 8201 section 4 (the same for IPv6; a \"too big\" below 1280 is not believed)",
               "RFC 8899 section 5.1 (probing that needs no ICMP: base size 1200, three probes, one second or more)",
               "RFC 2923 section 2.1 (what a path that swallows large packets does to TCP)"),
        causes=("one link on the way has a smaller MTU, such as a tunnel",
                "one end was set to large frames and the other, or a switch port between, was not",
                "a filter drops \"fragmentation needed\" or \"packet too big\", so that large packets vanish",
                "a filter drops large echoes, and nothing else",
                "a rule limits echoes of every size, so that nothing is known of the large ones (unproven)"),
        mends=("set the MTU of both ends and of every switch port between to the planned one",
               "let ICMP type 3 code 4, and ICMPv6 type 2, through every filter",
               "where the network was never meant to carry so much, correct its mtu in the plan"),
        would_prove="a host that answers echo, an ICMP socket for this user (net.ipv4.ping_group_range, or CAP_NET_RAW), and a "
                    "runner whose own interface carries the planned size",
        owner="network",
        needs=("host.echo",),
    ),
    Check(
        name="host.ipv6",
        title="IPv6 is what the plan says: there, or not there",
        proves="Each planned IPv6 address answers.  Where the plan has none, no planned name server publishes an AAAA record "
               "for the host.",
        not_proves="That the host has no IPv6 address at all: one that nobody published and nobody planned cannot be found "
                   "from outside.",
        basis=("RFC 3596 section 2.1 (the AAAA record)",
               "RFC 6724 section 2.1 (most clients try IPv6 first)",
               "RFC 8305 section 5 (and then wait before they try IPv4)",
               "RFC 4890 section 4 (what of ICMPv6 must not be filtered)"),
        causes=("an AAAA record was registered by the host itself, or is left from its predecessor",
                "the host took a prefix from router advertisements on a network that should have none",
                "IPv6 is disabled on the host, or its planned address failed duplicate address detection",
                "a filter drops ICMPv6, and with it neighbour discovery"),
        mends=("take the AAAA record out of the zone, or add the address to the plan",
               "at the console: ip -6 -br address; ip -6 route; sysctl net.ipv6.conf.all.disable_ipv6"),
        would_prove="a runner with IPv6, and a planned name server that answers for the host's name",
        owner="build",
        owners={"unplanned": "names", "plan-contradicts": "plan"},
        needs=("name.server", "host.echo"),
    ),
)

LIMITS = (
    LimitRule(
        name="echo_loss", unit="ratio", sense=Sense.AT_MOST,
        bounds={"lab": (0.2, 0.5), "production": (0.05, 0.2), "strict": (0.0, 0.0)},
        origin="none expected on a wired path, 20 % too much: common practice, no source; where one of five echoes is lost "
               "twenty are counted, of which one is let pass as chance, four are a caution and five a fail.  lab: four are let "
               "pass.  strict: any fails",
    ),
    LimitRule(
        name="shared_loss", unit="ratio", sense=Sense.AT_MOST,
        bounds={"lab": (0.1, 0.5), "production": (0.025, 0.2), "strict": (0.01, 0.05)},
        origin="half of what one host may lose, for it is counted over many: common practice, no source.  A path that loses one "
               "packet in a hundred either way stays below it but in the strict profile",
    ),
    LimitRule(
        name="echo_round_trip", unit="s", sense=Sense.AT_MOST,
        bounds={"lab": (1.0, None), "production": (0.1, None), "strict": (0.010, 0.1)},
        origin="below 1 ms is usual on a wired local network and beyond 10 ms worth a look there; 100 ms leaves room for a "
               "runner at another site: common practice, no source",
    ),
)
