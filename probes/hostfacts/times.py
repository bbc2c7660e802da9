"""The host's clock, for how long it runs, and the sources of its time service."""

from __future__ import annotations

import math
import re

from probes.hostfacts.routes import address_of
from shared.hostfacts import MOST, TimeSource

_CLOCK = re.compile(r"(\d{1,11})(?:\.(\d{9}))?(?:\.%?N)?")
_UPTIME = re.compile(r"(\d{1,12}(?:\.\d{1,9})?) \d")
#: As systemd prints times in UTC and spans of time (systemd.time(7)); of the latter only those that a poll interval may have.
_HEARD_AT = re.compile(r"DestinationTimestamp=\w{3} ([0-9]{4}-[0-9]{2}-[0-9]{2}) ([0-9]{2}:[0-9]{2}:[0-9]{2}) UTC")
_SPAN = re.compile(r"([0-9]{1,6})(h|min|s|ms|us)")
_UNITS = {"h": 3600.0, "min": 60.0, "s": 1.0, "ms": 1e-3, "us": 1e-6}
#: chronyc(1): the marks of a source that is selected, and those of the modes of a source: server, peer, reference clock.
_CHOSEN = "*"
_MODES = frozenset("^=#")
#: What stands in the place of the address of a source that is known by name only so far (chronyc(1), sources -a).
_NAMELESS = re.compile(r"ID#[0-9]{10}")
#: How ntpq shows a source whose name it has no address for, in the place of the reference identifier (NTPsec 1.2).
_LOOKED_FOR = (".DNS", ".NTS")
#: ntpq's table of peers: its columns, and the characters of the first where ntpq may cut it (NTPsec 1.2; others from memory).
_PEER_COLUMNS, _PEER_CUT = 10, 15


def clock(text: str) -> tuple[int, int] | None:
    """Seconds since 1970 as ``date`` prints them: (the reading, its resolution), both in nanoseconds.

    BusyBox may know no %N and print it as it stands; then the reading is of whole seconds.
    """
    said = _CLOCK.fullmatch(text.strip())
    if said is None:
        return None
    return int(said[1]) * 10**9 + int(said[2] or 0), 1 if said[2] else 10**9


def uptime(text: str) -> float | None:
    """The first number of /proc/uptime, in seconds (proc(5))."""
    said = _UPTIME.match(text.strip())
    seconds = float(said[1]) if said else math.nan
    return seconds if math.isfinite(seconds) else None


def chrony_sources(text: str) -> tuple[TimeSource, ...] | None:
    """The output of ``chronyc -n -c sources -a``: MODE,STATE,ADDRESS,STRATUM,POLL,REACH and more.  Empty: it has none.

    An older chronyc knows no -a, and leaves out the sources that have no address yet.
    """
    found = []
    for line in text.splitlines():
        parts = line.split(",")
        if len(parts) >= 6 and parts[0] in _MODES:
            address = "" if _NAMELESS.fullmatch(parts[2]) else _named(parts[2])
            found.append(TimeSource(address=address, selected=parts[1] == _CHOSEN, reachable=_reached(parts[5]),
                                    state=parts[1][:8]))
    return tuple(found[:MOST]) if found or not text.strip() else None


def ntpq_peers(text: str) -> tuple[TimeSource, ...] | None:
    """The output of ``ntpq -wpn``: a mark, then ten columns, of which the first is the address and the seventh the reach.

    An address too long for its column stands on a line of its own, and the other columns on the next (ntpq(1), -w).
    """
    rows = _ntpq_rows(text)
    if rows is None:
        return None
    return tuple(TimeSource(address="" if _sought(columns) else _named(columns[0]), selected=mark in "*o",
                            reachable=_reached(columns[6]), state=mark.strip())
                 for mark, columns in rows if columns[1] != ".POOL.")[:MOST]


def _sought(columns: list[str]) -> bool:
    """Whether a source is known by name only: a name of a reference clock, such as SHM(0), is all that this one has."""
    return columns[1].startswith(_LOOKED_FOR) and address_of(columns[0]) is None


def ntpq_cut_peers(text: str) -> tuple[TimeSource, ...] | None:
    """The output of ``ntpq -pn``, for an ntpq so old that it has no -w; None where the end of an address may be missing.

    It cuts the first column to 15 characters: enough for every IPv4 address, and not for IPv6, where the stump may look whole.
    """
    rows = _ntpq_rows(text)
    if rows is None or any(":" in columns[0] and len(columns[0]) >= _PEER_CUT for _mark, columns in rows):
        return None
    return ntpq_peers(text)


def _ntpq_rows(text: str) -> list[tuple[str, list[str]]] | None:
    """The marks and columns of ntpq's table of peers, or None where there is no such table."""
    rows, seen, alone = [], False, ""
    for line in text.splitlines():
        columns = line[1:].split()
        seen = seen or columns[:2] == ["remote", "refid"] or line.split()[:2] == ["remote", "refid"]
        if alone and len(columns) == _PEER_COLUMNS - 1:
            rows.append((alone[0], [alone[1:].strip(), *columns]))
        elif seen and len(columns) == _PEER_COLUMNS and columns[0] != "remote":
            rows.append((line[0], columns))
        alone = line if seen and len(columns) == 1 and "=" not in line else ""
    return rows if seen else None


def timesync(text: str) -> tuple[TimeSource, ...] | None:
    """The output of ``timedatectl show-timesync``: the servers it may ask, and the message it last heard (``NTPMessage``).

    That message stays, also when it is another server that is asked now and does not answer, or one that has no address yet.
    """
    held = dict(line.partition("=")[::2] for line in text.splitlines() if "=" in line)
    if not held.keys() & {"ServerName", "ServerAddress", "SystemNTPServers", "LinkNTPServers", "FallbackNTPServers"}:
        return None
    name, address = held.get("ServerName", ""), held.get("ServerAddress", "")
    heard = bool(address) and "Leap=" in held.get("NTPMessage", "")
    at = _HEARD_AT.search(held.get("NTPMessage", ""))
    current = TimeSource(address=_named(address or name), selected=heard, reachable=heard,
                         heard_at=f"{at[1]}T{at[2]}Z" if at and heard else "",
                         poll_seconds=_seconds(held.get("PollIntervalUSec", "")))
    found = [current] if address or name else []
    others = dict.fromkeys(" ".join(held.get(f"{kind}NTPServers", "") for kind in ("System", "Runtime", "Link")).split())
    found += [TimeSource(address=_named(other), selected=False) for other in others if other not in (name, address)]
    return tuple(found[:MOST])


def _seconds(span: str) -> float | None:
    """A time span as systemd prints it, such as "34min 8s"; None for what is none."""
    parts = span.split()
    read = [_SPAN.fullmatch(part) for part in parts]
    return sum(int(part[1]) * _UNITS[part[2]] for part in read if part) if parts and all(read) else None


def _named(text: str) -> str:
    """An address in its canonical form; what is none, such as a name, as it stands."""
    return address_of(text) or text[:253]


def _reached(octal: str) -> bool | None:
    """The reach register (RFC 5905 section 9.2): eight bits, shown in octal, one a poll that was answered."""
    return int(octal, 8) != 0 if re.fullmatch(r"[0-7]{1,3}", octal) else None
