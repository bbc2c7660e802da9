"""Checks that the host itself is asked for, over SSH, where the plan gives access to it.

``explain`` adds to each page the commands that are run on the host for it (``shared.hostcommands``).
"""

from __future__ import annotations

from shared.catalogue.entry import Check, LimitRule

_LOGIN = ("system.login",)
_ASKED = "a login that works, and a system that has one of the commands which are tried"

CHECKS = (
    Check(
        name="system.login",
        title="The planned login works, and only to a known host key",
        proves="The host showed a key that the plan's known-hosts file has for it, let the planned account in with the "
        "planned key, and its shell runs commands.  The key was compared before a user name was sent.",
        not_proves="That the account may do more than read, or that others can log in.  That nobody else can: a server that "
        "takes passwords too lets the planned key in just as well.",
        basis=("RFC 4251 section 4.1 (a client checks the host key against what it knows)",
               "RFC 4252 section 7 (public key authentication)",
               "RFC 4254 section 6.5 (a session runs one command)"),
        causes=("the host was installed a moment ago, and nobody has put its key into the known-hosts file yet",
                "the host was installed again and made new keys",
                "another machine answers at the address",
                "the account or its authorized_keys is missing, or others may write to it",
                "the account's shell is nologin, or a forced command stands in its way"),
        mends=("compare the fingerprint with the host's console, and only then add the line that the finding prints",
               "install the account and its public key with the rest of the host: ssh-keygen -yf KEYFILE prints it",
               "see why the server said no: journalctl -b -u ssh    # on the host"),
        would_prove="a key that the runner can read, or an agent that holds one, and a server that answers in time",
        owner="build",
        needs=("host.address-conflict", "port.open", "ssh.identity"),
    ),
    Check(
        name="system.route",
        title="One default route, through the planned gateway",
        proves="The host's main table has exactly one default route of the gateway's IP version, and it goes through the planned "
        "gateway, out of an interface that has a link; where the plan has IPv6 off, there is no IPv6 default route.",
        not_proves="Of a network that is planned with an IPv4 gateway, anything about IPv6 unless the plan has it off.  That the "
        "gateway forwards anything, or that the route is still there after the next boot.  Where rules choose among several "
        "tables (ip rule) it says so, and does not follow them.",
        basis=("RFC 1122 section 3.3.1.1 (what is not local goes to a gateway)",
               "RFC 1122 section 3.3.1.2 (a host may know several default gateways; which one is used is then its choice)",
               "RFC 4861 section 6.3.4 (a router advertisement adds a default route)",
               "common practice, no source (a fresh host has one)"),
        causes=("a second interface got a gateway too, by hand or from a DHCP server: answers leave another way than they should",
                "a digit of the gateway was mistyped at the console",
                "the gateway was left out, so that nothing beyond the own network is reached",
                "a router nobody thought of advertises itself on the wire",
                "the cable of the interface with the gateway is out: the kernel keeps the route and nothing leaves"),
        mends=("leave the gateway empty on every interface but one",
               "where a network card must have both DHCP and a static neighbour, let the lease set no route",
               "after a change, and again after a restart: ip route; ip -6 route"),
        would_prove=_ASKED,
        owner="build",
        needs=_LOGIN,
    ),
    Check(
        name="system.address",
        title="The planned addresses, static, with their mask, and no others",
        proves="An interface of the host carries each planned address with the planned mask (an IPv6 address of a network that "
        "is planned by its IPv4 subnet: with a /64), the kernel does not count it as leased, and no interface carries a further "
        "address but those that every host has.",
        not_proves="That it is set to stay: an address typed at the prompt is gone after a restart.  Small DHCP clients set an "
        "address without an end, which then looks static.  Addresses in other network namespaces are not seen.",
        basis=("RFC 1122 section 3.3.1.1 (the mask decides what is local)",
               "RFC 2131 section 3.1 (a leased address ends)",
               "RFC 4291 section 2.5.4 (the prefix of an IPv6 wire has 64 bits)",
               "RFC 4862 sections 5.4 and 5.5 (duplicates, and addresses made from advertisements)",
               "RFC 3927 section 2 (169.254: nobody answered the DHCP client)"),
        causes=("DHCP was left on beside, or in the place of, the planned address",
                "the mask was mistyped, or the installer put in one by class",
                "IPv6 was left on, and a router on the wire advertises",
                "another network card, or a bridge for containers, brought an address of its own"),
        mends=("type the planned address with its mask into the host's network settings, and turn DHCP off there",
               "add addresses that are meant to the host's row in the plan",
               "ip -br address    # on the host, after a restart too"),
        would_prove=_ASKED,
        owner="build",
        needs=_LOGIN,
    ),
    Check(
        name="system.mtu",
        title="The planned packet size is set",
        proves="The interfaces that carry the planned addresses are set to the planned MTU.",
        not_proves="That the switches and the other side carry packets of that size: see host.path-mtu.",
        basis=("RFC 894 and RFC 2464 section 2 (1500 octets on Ethernet)",
               "RFC 791 and RFC 8200 section 5 (the least that a network carries: 68 octets, 1280 with IPv6)",
               "common practice, no source (all hosts of a wire have one size)"),
        causes=("large packets were planned for a storage network and set on some hosts only",
                "a bridge or bond took the smallest size of its members"),
        mends=("set the planned size on the interface, and on the bridge or bond above it too",
               "ip link show    # on the host, after a restart too"),
        would_prove=_ASKED,
        owner="build",
        needs=_LOGIN,
    ),
    Check(
        name="system.resolver",
        title="The host asks the planned name servers",
        proves="The servers that the host asks are the planned ones in their order, also where it asks them through a forwarder "
        "of its own (127.0.0.53 and the like), and the planned domain is the suffix that short names get.",
        not_proves="That these servers answer the host: the runner asks them for itself (name.server).  That every program uses "
        "this setting: some bring their own, and the hosts file may answer first.",
        basis=("RFC 1123 section 6.1.3.2 (a resolver asks the servers it is configured with, over UDP and TCP)",
               "RFC 1123 section 6.1.4.3 (search lists)",
               "resolv.conf(5) (three servers at most; the last search line counts)"),
        causes=("a DHCP client or a network manager writes its own servers over what was typed",
                "the list was typed in another order, or with a wrong digit",
                "the installer was given no domain, so the search list is empty"),
        mends=("set the servers and the suffix where the program that writes /etc/resolv.conf takes them from",
               "resolvectl status    # with systemd-resolved: what is in force, by interface"),
        would_prove="a login that works, and leave to read the file in which the local forwarder keeps its servers",
        owner="build",
        needs=_LOGIN,
    ),
    Check(
        name="system.name",
        title="The host knows its own name",
        proves="The kernel holds the planned name, short or whole; the system's full name is the planned one; and programs that "
        "look it up get the planned address and no loopback address.",
        not_proves="That other hosts get the same answer: see name.forward and name.agreement.",
        basis=("RFC 1123 section 2.1 (host names)",
               "RFC 6761 section 6.3 (localhost names and loopback addresses stay on the host)",
               "common practice, no source (a host's own name leads to an address that others can reach)"),
        causes=("the name was not typed at installation: localhost, or the installer's own",
                "the installer wrote the name beside 127.0.1.1 into /etc/hosts: a daemon that binds to it is reached by nobody",
                "the host was copied from another and kept its name"),
        mends=("hostnamectl set-hostname SHORT-NAME",
               "in /etc/hosts: ADDRESS FULL-NAME SHORT-NAME, and no 127 address beside them"),
        would_prove=_ASKED,
        owner="build",
        needs=_LOGIN,
    ),
    Check(
        name="system.clock",
        title="One time service runs, follows the planned sources, and has chosen one",
        proves="Exactly one of the known time services runs and starts at boot; its sources are the planned ones; it has "
        "selected one of them.",
        not_proves="That the clock is right: clock.offset measures that.  A service that was started a moment ago may not have "
        "selected a source yet; that is a caution for the first quarter of an hour.",
        basis=("RFC 5905 section 11.2 (a client selects among its sources)",
               "RFC 5905 section 9.2 (the reach register)",
               "RFC 8633 section 3.2 (several sources, and the same for all)",
               "common practice, no source (a quarter of an hour to settle)"),
        causes=("the time service is installed and configured, and was never started, or not enabled",
                "two services were left on, such as the distribution's own beside the site's",
                "the sources in its file are still the distribution's",
                "answers from the sources do not come back to the host, whatever the runner hears"),
        mends=("systemctl enable --now chrony; and disable every other one",
               "chronyc -n sources; chronyc -n tracking    # on the host"),
        would_prove="a login that works, a host with systemd, and a time service that can be asked (chronyc, ntpq, timedatectl)",
        owner="build",
        needs=_LOGIN,
    ),
    Check(
        name="system.uptime",
        title="It is known which boot this is",
        proves="For how long the host has been running and the identifier of its boot were read, so that a later run can tell "
        "whether it was restarted in between.",
        not_proves="That the restart that was asked for has happened: that takes a run before and a run after.",
        basis=("random(4) and proc(5) (boot_id is made anew at each boot; uptime counts from it)",),
        causes=("the host runs another kernel than Linux, or /proc is closed to the account",),
        mends=("look at the console: uptime; who -b",),
        would_prove=_ASKED,
        owner="build",
        needs=_LOGIN,
    ),
    Check(
        name="system.service",
        title="The planned services run and start at boot",
        proves="Each service that the role plans is active now and enabled for the next boot; nothing else has failed since the "
        "last one.",
        not_proves="That the service does its work: an open port, a certificate and a served time are checks of their own.",
        basis=("systemctl(1) (active, enabled, failed)",
               "common practice, no source (a service that runs only since somebody started it is gone after a restart)"),
        causes=("started by hand at installation and never enabled",
                "enabled, and failed at boot because the address it binds to came later",
                "the package is not installed, or its unit is called otherwise"),
        mends=("systemctl enable --now UNIT", "journalctl -b -u UNIT    # why it failed",
               "order the unit after network-online.target where it binds to an address"),
        would_prove="a login that works, and a host with systemd",
        owner="build",
        needs=_LOGIN,
    ),
    Check(
        name="system.question",
        title="A question of the site's own has the expected answer",
        proves="The command of the plan's [[questions]] printed what the plan says it must.",
        not_proves="Anything that its author did not ask.  That the command only reads is its author's word.",
        basis=("common practice, no source (the plan's author wrote the question and the answer)",),
        causes=("what the question is about is not as planned",
                "the account may not see it, or the command is called otherwise on this system"),
        mends=("run the command on the host as the planned account, and compare",),
        would_prove="a login that works, and a command that ends in time and prints little",
        owner="build",
        needs=_LOGIN,
    ),
    Check(
        name="system.shared-identity",
        title="No two hosts share what belongs to one machine",
        proves="The boot id, the machine id and the hardware addresses behind the planned addresses are those of no other host "
        "of the plan that was asked in this run.",
        not_proves="That no machine outside the plan has them, nor that initiators and lease identifiers made from them are "
        "distinct.  Machine ids are compared and kept as digests only, for they are confidential.",
        basis=("machine-id(5) (unique to one installation, and not to be shown)",
               "random(4) (the boot id is random at each boot; containers share that of their machine)",
               "RFC 9542 section 2.1 (a hardware address is meant for one interface)"),
        causes=("both were copied from one image that had been started before",
                "both names lead to one machine, or to containers on one machine",
                "a virtual machine was copied with its hardware address"),
        mends=("make a new machine id on each copy and restart; empty /etc/machine-id in the image",
               "give each virtual machine a hardware address of its own",
               "where containers of one machine are meant, waive the boot id with that reason"),
        would_prove="a login to at least two hosts of the plan in one run",
        owner="build",
        needs=_LOGIN,
    ),
)

LIMITS: tuple[LimitRule, ...] = ()
