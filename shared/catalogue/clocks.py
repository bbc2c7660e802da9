"""Checks of clocks: the time sources, the runner that judges, and the hosts."""

from __future__ import annotations

from shared.catalogue.entry import Check, LimitRule
from shared.quantities import Sense

CHECKS = (
    Check(
        name="clock.source",
        title="Each planned time source is fit to be followed",
        proves="The source answers the runner over NTP, calls itself synchronised, and its root distance, the most it can be "
               "from true time if every server above it is honest, is inside the limit; so is what its clock may have gone "
               "off at 15 parts per million since it was last set.",
        not_proves="That its time is right: an honest header may stand over a wrong clock, which is what clock.sources-agree "
                   "is for.  That the hosts reach it: a filter may treat them otherwise than the runner.",
        basis=("RFC 5905 section 7.3 (leap indicator, stratum)", "RFC 5905 section 7.4 (kiss codes)",
               "RFC 5905 appendix A.5.5.2 and A.5.5.3 (root distance, fitness)",
               "RFC 5905 appendix A.5.6.1 (the dispersion grows with the time since the clock was set)"),
        causes=("the time service on the source is stopped, or listens on another address",
                "a filter between the runner and the source drops UDP port 123, one way or both",
                "the source has lost its own upstream servers and says so with leap 3 or stratum 0",
                "the source limits the rate of its clients, or serves only certain networks",
                "something else than a time service answers on its port, or a device on the way rewrites NTP",
                "it is planned by a name that is misspelt, or has no address record"),
        mends=("start the time service on the source and let UDP port 123 through, both ways",
               "on the source, see what it follows (chronyc -n sources; ntpq -pn) and mend that first",
               "take a source out of the plan's [time] sources where it is no longer meant to be used"),
        would_prove="an answer to an NTP question from where the runner stands",
        owner="time",
        needs=("name.server",),
        limits=("clock_source_distance",),
    ),
    Check(
        name="clock.sources-agree",
        title="The time sources agree with each other",
        proves="A majority of the usable sources is consistent with one time, no source is proven wrong, and the majority lies "
               "within the allowed spread.",
        not_proves="That the majority is right: sources that follow one common server are wrong together.",
        basis=("RFC 5905 section 11.2.1 (selection algorithm, falsetickers)",
               "RFC 8633 section 3.2 (four sources: one may fail and one may lie)",
               "RFC 8633 section 3.7.1 (smeared and unsmeared sources must not be mixed)"),
        causes=("one source was set by hand, or free-runs on its own oscillator",
                "some sources smear leap seconds and others do not: up to a second apart around a leap",
                "two sources only, so that nobody can say which is wrong",
                "two of the sources are one machine under two addresses or names, which has one vote here"),
        mends=("take the source that is proven wrong out of the plan and of the hosts, or mend its upstream",
               "plan four sources that do not follow one another"),
        would_prove="at least three usable sources, so that one wrong one can be told",
        owner="time",
        needs=("clock.source",),
        limits=("clock_sources_spread",),
    ),
    Check(
        name="clock.runner",
        title="The runner's own clock",
        proves="The clock of the machine that judges is within the limit of the time that the sources agree on.",
        not_proves="Anything about the hosts.  Their clocks, and the dates of certificates, are judged against the agreed time "
                   "and not against the runner, so a wrong runner spoils the time stamps of the report and nothing else.",
        basis=("RFC 5905 section 8 (offset and delay)", "RFC 5905 section 11.3 (0.125 s and 1000 s)"),
        causes=("no time service runs on the runner", "the runner is a suspended and resumed virtual machine",
                "the runner follows other sources than the plan's"),
        mends=("let the runner follow the planned sources, then run the verification again",),
        would_prove="one usable planned time source",
        owner="runner",
        needs=("clock.sources-agree",),
        limits=("clock_runner",),
    ),
    Check(
        name="clock.offset",
        title="The host's clock against the agreed time",
        proves="The host's clock is within the limit of the time that the planned sources agree on, whatever the runner's own "
               "clock says.  A host that serves time is asked for it.  Of one that does not, every witness that can be had "
               "from outside is heard, each as an interval, and their intersection is judged: ICMP time stamps, the Date "
               "field of its HTTP answers on up to two planned ports, and its own clock where it was read over SSH.",
        not_proves="That it stays there: see clock.synchronised.  That the agreed time is true: see clock.sources-agree.  By "
                   "Date alone no clock is known better than to a second, since a server may send a Date that is a second "
                   "old; by ICMP time stamps alone no date is known, only the time of day.  A device that answers in the "
                   "host's place is noticed only where it says so (Age, Via) or contradicts another witness.",
        basis=("RFC 5905 section 8 (offset and delay; the truth is within half the delay)",
               "RFC 5905 section 11.3 (a daemon steps beyond 0.125 s and gives up beyond 1000 s)",
               "RFC 9110 section 6.6.1 (Date in every 2xx, 3xx and 4xx answer of a server with a clock)",
               "RFC 9111 section 5.1 (an answer with Age was not made for this request)",
               "RFC 792 page 16 (time stamps in milliseconds since midnight; the high bit marks other values)",
               "RFC 1122 section 3.2.2.8 (a host may answer them; at least 15 updates a second)",
               "RFC 4120 section 1.6 (tickets fail beyond about 5 minutes)",
               "JCGM 106:2012 sections 8.3.2 and 8.3.3 (a limit inside the error bar proves nothing)"),
        causes=("no time service is enabled on the host, or it hears no source",
                "the hardware clock holds local time, so the host boots hours off",
                "the hardware clock's battery is empty, so the host boots years off",
                "the time service gave up because the offset was beyond its panic threshold",
                "unproven for contradiction: a proxy, a load balancer or a second machine answers at the host's address"),
        mends=("enable one time service with the planned sources and set the clock once by hand",
               "write the right time to the hardware clock, in UTC"),
        would_prove="the host's clock read over SSH, an NTP answer from the host (ntp = true in its role), or ICMP time stamps "
                    "(CAP_NET_RAW for the runner, and no filter on the way) together with one HTTP port",
        owner="build",
        needs=("clock.synchronised", "clock.source", "clock.sources-agree"),
        limits=("clock_offset",),
    ),
    Check(
        name="clock.synchronised",
        title="The host's clock is being kept right",
        proves="The host answers NTP, says that it is synchronised and follows something, and its root distance is inside the "
               "limit.  Asked only of hosts whose role says that they serve time.",
        not_proves="That what it follows is a planned source: above stratum 1 the header names only an IPv4 address or a hash, "
                   "and 127.127.1.x is the host's own free-running clock.",
        basis=("RFC 5905 section 7.3 (leap indicator and stratum; stratum 16 travels as 0)",
               "RFC 5905 appendix A.5.5.3 (root distance beyond MAXDIST, 1 s, is unfit)",
               "RFC 5905 appendix A.5.6.1 (the dispersion grows with the time since the clock was set)"),
        causes=("the time service was started a moment ago and has not chosen a source yet",
                "the host hears none of its sources: wrong list, unresolvable name, or a filter on UDP port 123",
                "no time service runs, or it is not allowed to serve"),
        mends=("see what the time service follows (chronyc -n sources; ntpq -pn) and mend the first line that is not reached",),
        would_prove="an NTP answer from the host, or its time service's own report over SSH",
        owner="build",
        needs=("host.echo",),
        limits=("clock_source_distance",),
    ),
    Check(
        name="clock.skew",
        title="The hosts' clocks agree with each other",
        proves="No two of the hosts whose clocks could be read are farther apart than the limit.  This needs no time source: the "
               "runner's own error cancels out.  Hosts whose clocks are known only roughly are compared in a finding of "
               "their own, so that they do not hide what is known of the others.",
        not_proves="That any of them is right, nor anything about hosts whose clocks could not be read.",
        basis=("RFC 5905 section 8 (offset and delay)", "the limit: common practice, no source"),
        causes=("one host does not follow the planned sources",
                "hosts follow different sources that do not agree"),
        mends=("mend the clock.offset of the host that is named the outlier",),
        would_prove="NTP answers from at least two hosts, or their clocks read by other witnesses as finely as the limit",
        owner="build",
        needs=("clock.offset",),
        limits=("clock_skew",),
    ),
)

LIMITS = (
    LimitRule(
        name="clock_offset", unit="s", sense=Sense.AT_MOST,
        bounds={"lab": (1.0, 5.0), "production": (0.1, 1.0), "strict": (0.010, 0.125)},
        origin="production: 100 ms and 1 s, common practice, no source; lab: 1 s and 5 s, common practice, no source; strict: "
               "10 ms, \"a few tens of milliseconds\" being what a client that polls rarely reaches (RFC 5905 section 1), and "
               "125 ms, where a daemon would step the clock (RFC 5905 section 11.3)",
    ),
    LimitRule(
        name="clock_source_distance", unit="s", sense=Sense.AT_MOST,
        bounds={"lab": (3.0, 16.0), "production": (1.0, 3.0), "strict": (1.0, 1.0)},
        origin="1 s: MAXDIST, beyond which a server is unfit (RFC 5905 section 7.2); 3 s: the default of a common daemon "
               "(chrony.conf(5), maxdistance); 16 s: MAXDISP, unsynchronised (RFC 5905 section 7.2)",
    ),
    LimitRule(
        name="clock_sources_spread", unit="s", sense=Sense.AT_MOST,
        bounds={"lab": (1.0, 5.0), "production": (0.1, 1.0), "strict": (0.010, 0.125)},
        origin="as for clock_offset: sources may not differ by more than a host may be off",
    ),
    LimitRule(
        name="clock_runner", unit="s", sense=Sense.AT_MOST,
        bounds={"lab": (1.0, 5.0), "production": (0.1, 1.0), "strict": (0.010, 0.125)},
        origin="as for clock_offset: the judge is held to what it judges by",
    ),
    LimitRule(
        name="clock_skew", unit="s", sense=Sense.AT_MOST,
        bounds={"lab": (1.0, 5.0), "production": (0.1, 1.0), "strict": (0.020, 0.25)},
        origin="lab and production: as for clock_offset, common practice, no source; strict: twice clock_offset, two hosts at "
               "opposite ends of it",
    ),
)
