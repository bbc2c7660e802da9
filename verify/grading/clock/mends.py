"""What to type to mend a clock: lines for the time services that Debian ships, with the measured offset in them."""

from __future__ import annotations

from collections.abc import Sequence
from shlex import quote

from shared.evidence import ClockEvidence
from shared.plan import Endpoint
from shared.quantities import show_seconds

#: RFC 5905 section 11.3: a daemon slews up to here, steps beyond after 900 s of seeing it, and gives up at the other.
STEP_SECONDS = 0.125
STEPOUT_SECONDS = 900
PANIC_SECONDS = 1000.0
#: RFC 5905 appendix A.1.1, MAXFREQ: the greatest rate at which a clock is slewed.
_SLEW_RATE = 500e-6


def ahead(seconds: float) -> str:
    """"7 s ahead of" or "7 s behind"."""
    return f"{show_seconds(abs(seconds))} {'ahead of' if seconds >= 0 else 'behind'}"


def for_clock(name: str, offset_seconds: float, sources: Sequence[Endpoint]) -> tuple[str, ...]:
    """How to set and keep the clock of ``name``, which is ``offset_seconds`` ahead of the agreed time."""
    return (
        f"The clock of {name} is {ahead(offset_seconds)} the agreed time.  {_what_a_daemon_does(abs(offset_seconds))}",
        *see_what_it_follows(name),
        *follow_the_plan(sources),
        f"Then step the clock of {name} once.  chrony: chronyc makestep",
        "  ntpsec: systemctl stop ntpsec && ntpd -g -q && systemctl start ntpsec",
        "  systemd-timesyncd: timedatectl set-ntp true && systemctl restart systemd-timesyncd",
        "Write it to the hardware clock, in UTC, so that the next boot starts right: hwclock --systohc --utc",
    )


def see_what_it_follows(name: str) -> tuple[str, ...]:
    """How to see which time service runs on ``name`` and what it follows."""
    return (
        f"On {name}, see that exactly one time service runs: systemctl status chrony ntpsec openntpd systemd-timesyncd",
        ("See what it follows.  chrony: chronyc -n sources; ntpsec: ntpq -pn; openntpd: ntpctl -s all (as root); "
         "systemd-timesyncd: timedatectl timesync-status"),
    )


def follow_the_plan(sources: Sequence[Endpoint]) -> tuple[str, ...]:
    """The lines of configuration that follow the planned sources; none where there are none to follow."""
    if not sources:
        return ()
    lines = [f"  {server_line(source)}" for source in sources]
    plain = " ".join(source.host for source in sources)
    return ("Planned sources, for /etc/chrony/chrony.conf (or /etc/ntpsec/ntp.conf, which knows no port):", *lines,
            f"  for /etc/systemd/timesyncd.conf: NTP={plain}")


def server_line(source: Endpoint) -> str:
    """The line that makes chrony ask one planned source: chrony.conf(5) has the port as an option of its own."""
    return f"server {source.host} iburst" + (f" port {source.port}" if source.port != 123 else "")


def only_these(unit: str, sources: Sequence[Endpoint]) -> tuple[str, ...]:
    """How to have one time service, called by its unit, ask the planned sources and no others."""
    plain = [source.host for source in sources]
    if unit.startswith("systemd-timesyncd"):
        return ("# in /etc/systemd/timesyncd.conf, under [Time]; it knows no port, and takes others from leases (UseNTP=no):",
                f"NTP={' '.join(plain)}", f"systemctl restart {quote(unit)}")
    if unit.startswith("openntpd"):
        return ("# in /etc/openntpd/ntpd.conf, which knows no port, no other servers than:",
                *(f"server {host}" for host in plain), f"systemctl restart {quote(unit)}")
    if unit.startswith("ntp"):
        return ("# in /etc/ntpsec/ntp.conf (of older packages /etc/ntp.conf), which knows no port, no other servers than:",
                *(f"server {host} iburst" for host in plain), f"systemctl restart {quote(unit)}")
    if unit.startswith("chrony"):
        return ("# in /etc/chrony/chrony.conf (elsewhere /etc/chrony.conf) and what it includes, no other sources than:",
                *map(server_line, sources), f"systemctl restart {quote(unit)}")
    return ("# in the settings of the time service (/etc/chrony/chrony.conf; ntpsec's know no port), no other sources than:",
            *map(server_line, sources))


def see_names(unit: str) -> tuple[str, ...]:
    """How to see on the host which sources its time service, called by its unit, has by name and cannot find."""
    look = "ntpq -wpn" if unit.startswith("ntp") else "chronyc -N sources -a"
    return (f"{look}    # on the host; these are its sources by the names that it has for them",
            "getent ahosts NAME    # must print an address for each of them: else mend the host's resolver first")


def why_none_selected(unit: str) -> tuple[str, ...]:
    """How to see on the host why its time service, called by its unit, follows no source."""
    if unit.startswith("systemd-timesyncd"):
        return ("timedatectl timesync-status    # on the host; without a packet count no server was heard",
                f"journalctl -b -u {quote(unit)}    # which servers it asked, and which did not answer in time")
    if unit.startswith("openntpd"):
        return ("ntpctl -s all    # on the host, as root",)
    if unit.startswith("ntp"):
        return ("ntpq -pn    # on the host; reach 0 was not heard, x is a falseticker",)
    return ("chronyc -n sources    # on the host; ? was not heard, x is a falseticker, ~ varies too much",
            "chronyc -n ntpdata    # which test an answer failed")


def serve_time(name: str, port: int) -> tuple[str, ...]:
    """How to let ``name`` answer NTP."""
    return (
        *see_what_it_follows(name),
        f"See that it listens: ss -lnup 'sport = :{port}'",
        # With *, openntpd 1:6.2p3-4.2+b1 that was started before the network served at the loopback addresses alone.
        ("openntpd serves only where it is told to: a line listen on ADDRESS in /etc/openntpd/ntpd.conf (* means the addresses "
         "that there are when it starts).  systemd-timesyncd serves nobody: it takes another service in its place"),
        _ALLOW,
        f"Let UDP port {port} through the host's own packet filter: nft list ruleset",
    )


_ALLOW = ("Let it answer the runner's network.  chrony: a line allow SUBNET in /etc/chrony/chrony.conf; "
          "ntpsec: no restrict ... ignore for it in /etc/ntpsec/ntp.conf")


def after_kiss(name: str, *, refused: bool) -> tuple[str, ...]:
    """How to have ``name`` give the time where it answers and gives none: by a rule, or since it has none to give."""
    return (*see_what_it_follows(name), *((_ALLOW,) if refused else ()))


#: How to plan that a host does not answer NTP.
SERVES_NONE = "If the host is not meant to serve time, write ntp = false in its role"


def for_garbled_answers(name: str, address: str, port: int) -> tuple[str, ...]:
    """How to find out who answers ``name``'s NTP port with what is no answer to a client: the packets pass both ways."""
    where = address or name
    return (
        (f"On {name}, see what answers at UDP port {port}, which must be the time service and nothing else: ss -lnup 'sport = "
         f":{port}'"),
        (f"Is it the time service?  Then ask it from its own network, to see whether a device on the way answers in its place or "
         f"rewrites NTP: chronyd -Q -t 5 'server {where} port {port} iburst'"),
    )


def for_silent_source(label: str, address: str, port: int) -> tuple[str, ...]:
    """How to find out why a source does not answer, or to do without it."""
    where = address or label
    return (
        (f"Ask it from a host too, to tell a dead source from a filter near the runner: chronyd -Q -t 5 'server {where} "
        f"port {port} iburst'"),
        f"On {label}, see that the time service runs and listens: systemctl status chrony ntpsec; ss -lnup 'sport = :{port}'",
        f"Let UDP port {port} through to {where} and back",
        leave_out(label),
    )


def leave_out(label: str) -> str:
    """What to do with a source that is gone for good."""
    return f'If it is no longer meant to be used, take "{label}" out of sources in the plan\'s [time] table and of every host'


def for_nameless_source(label: str, name: str) -> tuple[str, ...]:
    """How to let a source be found whose name has no address."""
    return (
        f"Is {name} its name?  Then add an address record for it to its zone, raise the zone's serial and load it",
        "If it has another name, write that into sources of the plan's [time] table and into the time service of every host",
        leave_out(label),
    )


def for_unfit_source(label: str) -> tuple[str, ...]:
    """How to mend a source that answers but cannot be followed."""
    return (
        f"On {label}, see what it follows.  chrony: chronyc -n sources; ntpsec: ntpq -pn; mend the first line not reached",
        f'Until then take "{label}" out of sources in the plan\'s [time] table and of every host',
    )


def for_refusing_source(label: str) -> tuple[str, ...]:
    """How to have a source serve those that it refuses by a rule."""
    return (
        (f"On {label}, let it answer the runner's and the hosts' networks.  chrony: a line allow SUBNET in "
         "/etc/chrony/chrony.conf, and no deny for it; ntpsec: no restrict ... noserve for it in /etc/ntpsec/ntp.conf"),
        f'Or take "{label}" out of sources in the plan\'s [time] table and of every host, if it is not meant to serve them',
    )


def answer_from(name: str, seen: ClockEvidence) -> tuple[str, ...]:
    """The mend where answers come, but from an address that nobody asked: clients throw them away (RFC 5905 section 9.2)."""
    if seen.failure is None or not seen.failure.answered_from:
        return ()
    return (
        f"Mend what translates the address on the way to {seen.failure.answered_from}",
        (f"Or, on {name}, have the time service answer from {seen.address}.  chrony, where it serves at no other address: a line "
         f"bindaddress {seen.address} in /etc/chrony/chrony.conf; ntpsec: a line interface listen {seen.address} in "
         "/etc/ntpsec/ntp.conf"),
    )


def _what_a_daemon_does(size_seconds: float) -> str:
    if size_seconds > PANIC_SECONDS:
        return (f"A time service that follows RFC 5905 section 11.3 refuses to correct more than {PANIC_SECONDS:g} s and "
                "stops: the clock must be set once by hand.")
    if size_seconds > STEP_SECONDS:
        return (f"A time service that hears its sources would step a clock by this much (RFC 5905 section 11.3: beyond "
                f"{STEP_SECONDS:g} s, after {STEPOUT_SECONDS} s): either it was started less than that ago, or it hears none.")
    return ("A time service that hears its sources slews this away by itself, in "
            f"{show_seconds(size_seconds / _SLEW_RATE)} at the greatest rate of RFC 5905.")
