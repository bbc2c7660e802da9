"""Checks of a reboot that was watched: did the host go down, was it a new boot, and what came back when."""

from __future__ import annotations

from shared.catalogue.entry import Check, LimitRule
from shared.quantities import Sense

_WATCHED = ("common practice, no source (a round of questions every five seconds, each with three attempts)",)

CHECKS = (
    Check(
        name="boot.down",
        title="The host went down",
        proves="No sign of life came from any address of the host, neither an echo nor an answer of any planned port, in at "
               "least one whole round of questions.",
        not_proves="That it rebooted: a cut cable, a moved switch port or a filter looks the same from outside, and boot.new "
                   "weighs that.  Where no silence was seen the check is unproven and no fail, since a fast host can go and "
                   "come back between two rounds; it fails only where the host itself says that the old boot is still running.",
        basis=("RFC 1122 section 3.2.2.6 (every host answers echo)", *_WATCHED),
        causes=("the reboot was ordered on another host, or not at all",
                "the watch was started after the reboot",
                "only the services were restarted",
                "something in front of the host answers in its place"),
        mends=("start seatrial await first, then order the reboot",
               "where the host is back already, say since when: --since \"10 min\""),
        would_prove="the watch started before the reboot, or the host's boot identifier over SSH before and after",
        owner="build",
    ),
    Check(
        name="boot.new",
        title="A new boot is running",
        proves="The boot identifier that the host gives over SSH differs from the one before, or the boot began after the reboot "
               "was ordered.  Where the host cannot be asked, a silence that was observed stands for it, and the finding "
               "says that this is the weaker proof.  It is none, and the check unproven, where other watched hosts fell silent "
               "and came back in the same moments, or where a router stands between the runner and the host: one that is down "
               "does that too.  A service that is seen starting, or a watched host of the same network that answered all the "
               "while, rules it out.",
        not_proves="With a silence only, that the machine restarted: its wire may have been cut for as long.  With either, "
                   "that it restarted from the intended disk or kernel.",
        basis=("common practice, no source (a boot identifier is made anew at every start: /proc/sys/kernel/random/boot_id)",),
        causes=("the reboot was ordered and did not happen: what answers is the boot from before the change",
                "a service was restarted instead of the host"),
        mends=("order the reboot again and watch it: systemctl reboot",
               "on the host: who -b; cat /proc/sys/kernel/random/boot_id"),
        would_prove="access over SSH in the plan, so that the host's boot identifier can be read before and after; without it, "
                    "reboots one after another while the other hosts are watched, or a runner on the host's own wire",
        owner="build",
    ),
    Check(
        name="boot.up",
        title="Each planned service came back, and soon",
        proves="The sign of life was seen again after the last silence; the time it took counts from the host's first sign of "
               "any kind, as an interval, since between two rounds nobody looked.",
        not_proves="That the service works: the certificate, SSH and clock checks that follow look closer.  Where only its port "
                   "is planned, an accepting port is all that is asked for.",
        basis=("common practice, no source (five minutes)", *_WATCHED),
        causes=("the service was started by hand and not enabled, so that the reboot ended it",
                "the service starts before the address is there, fails, and is not started again",
                "a disk that is checked or mounted late holds the service up",
                "the filter's rules were loaded by hand and others came back with the boot",
                "the host did not come back at all: it waits at its console, or boots from another disk"),
        mends=("on the host: systemctl --failed; systemctl is-enabled UNIT; journalctl -b -u UNIT",
               "order the unit after the network has addresses: After=network-online.target, Wants=network-online.target",
               "where nothing answers, look at the console"),
        would_prove="a watch that lasts until the host has settled (--timeout), from a runner that can reach it",
        owner="build",
        needs=("boot.down",),
        limits=("boot_service_delay",),
    ),
    Check(
        name="boot.settled",
        title="The host settled",
        proves="All planned ports answered in three rounds in a row and for thirty seconds (or as the options say), so none of "
               "them was a service that starts and dies.",
        not_proves="That nothing fails later, or that the time service has chosen a source by then: it has five minutes more.  "
                   "Where all ports came back, stayed, and the watch ended too soon after, it is unproven.",
        basis=("common practice, no source (three rounds, thirty seconds)",),
        causes=("one planned port never came back: see boot.up",
                "a service starts, fails and is started again, over and over",
                "the host went down again: it may be rebooting in a circle"),
        mends=("on the host: systemctl --failed; journalctl -b -p err",),
        would_prove="a longer watch (--timeout)",
        owner="build",
        needs=("boot.up",),
    ),
    Check(
        name="boot.identity",
        title="The same machine came back",
        proves="An SSH host key that was proven before the silence was proven again after it.  Asked only where keys were seen "
               "both before and after.",
        not_proves="That nothing else changed; and two machines cloned from one image hold the same keys (ssh.shared-key).",
        basis=("RFC 4253 section 8 (the server signs the exchange hash with its host key)",
               "RFC 4251 section 4.1 (a host key identifies a host)"),
        causes=("the host was installed anew, or booted from another disk",
                "another machine took the address while this one was down",
                "its keys are made anew at every boot: they lie on a disk that is not kept"),
        mends=("on the console: ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub, and compare",
               "find who else holds the address: arping -D -I INTERFACE -c 3 ADDRESS on its wire"),
        would_prove="a watch that begins before the host goes down, and a host that offers a key type in common",
        owner="build",
    ),
)

LIMITS = (
    LimitRule(
        name="boot_service_delay", unit="s", sense=Sense.AT_MOST,
        bounds={"lab": (600.0, None), "production": (300.0, None), "strict": (120.0, 300.0)},
        origin="from the host's first sign of life: five minutes, the grace after a boot, common practice, no source; other "
               "profiles around it",
    ),
)
