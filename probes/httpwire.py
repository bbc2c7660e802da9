"""HTTP/1.1 on the wire, without any socket: write a request, read the head of an answer, read its Date.

Only as much of RFC 9112 as it takes to learn what time a server says it is.  The readers are total: for any octets they
return what they read or raise ``HttpError``.
"""

from __future__ import annotations

import calendar
import re

import msgspec

#: The most octets of one answer's head.  Ours: common servers refuse request heads above 8 KiB, and answer in less.
HEAD_LIMIT = 16 << 10
#: The most header fields of one answer.  Ours: answers have ten to thirty.
FIELDS_LIMIT = 100

_END = re.compile(rb"\r?\n\r?\n")
_STATUS = re.compile(rb"HTTP/(\d)\.(\d) (\d{3})(?: [^\r\n]*)?")
#: RFC 9110 section 5.6.2.
_TOKEN = re.compile(rb"[!#$%&'*+\-.^_`|~0-9A-Za-z]+")

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_TIME = r"(?P<hour>\d\d):(?P<minute>\d\d):(?P<second>\d\d)"
_MONTH = f"(?P<month>{'|'.join(_MONTHS)})"
#: The three forms of RFC 9110 section 5.6.7, all of which a recipient must accept.
_DATES = tuple(re.compile(form, re.ASCII) for form in (
    rf"(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun), (?P<day>\d\d) {_MONTH} (?P<year>\d{{4}}) {_TIME} GMT",
    rf"(?:Mon|Tues|Wednes|Thurs|Fri|Satur|Sun)day, (?P<day>\d\d)-{_MONTH}-(?P<year>\d\d) {_TIME} GMT",
    rf"(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) {_MONTH} (?P<day>[ \d]\d) {_TIME} (?P<year>\d{{4}})",
))


class HttpError(ValueError):
    """The octets are not what was looked for.  The server is at fault, or what answers is no HTTP server."""


class Head(msgspec.Struct, frozen=True, kw_only=True):
    """The status line and header fields of one answer, and what came behind them.

    ``version`` is (1, 1) for HTTP/1.1.  Field names are lower case; values are trimmed, Latin-1, in the order sent.
    """

    version: tuple[int, int]
    status: int
    fields: tuple[tuple[str, str], ...]
    rest: bytes = b""

    def values(self, name: str) -> tuple[str, ...]:
        """Every value of a field, by its lower-case name."""
        return tuple(value for field, value in self.fields if field == name)

    @property
    def persistent(self) -> bool:
        """Whether another request may follow on the connection (RFC 9112 section 9.3)."""
        options = {option.strip().casefold() for value in self.values("connection") for option in value.split(",")}
        if "close" in options:
            return False
        return self.version >= (1, 1) or "keep-alive" in options


def request(method: str, host: str, agent: str) -> bytes:
    """A request for "/" that no cache on the way may answer from memory (RFC 9111 section 5.2.1.4).

    ``host`` and ``agent`` come from the plan and the command line; what cannot stand in a header field is replaced.
    """
    lines = (f"{method} / HTTP/1.1", f"Host: {_field(host)}", f"User-Agent: {_field(agent)}", "Accept: */*",
             "Cache-Control: no-cache", "Connection: keep-alive", "", "")
    return "\r\n".join(lines).encode("ascii")


def _field(text: str) -> str:
    """``text`` as a field value: visible ASCII and spaces (RFC 9110 section 5.5)."""
    return "".join(character if " " <= character <= "~" else "?" for character in text)


def read_head(octets: bytes) -> Head | None:
    """The head of an answer, or None where it is not all there yet.  Raises HttpError."""
    if not octets.startswith(b"HTTP/"[: len(octets)]):
        raise HttpError("what answers does not speak HTTP")
    end = _END.search(octets[: HEAD_LIMIT + 4])
    if end is None:
        if len(octets) > HEAD_LIMIT:
            raise HttpError(f"more than {HEAD_LIMIT} octets of header and no end")
        return None
    status, *lines = octets[: end.start()].replace(b"\r\n", b"\n").split(b"\n")
    match = _STATUS.fullmatch(status)
    if match is None:
        raise HttpError("the status line cannot be read")
    if len(lines) > FIELDS_LIMIT:
        raise HttpError(f"more than {FIELDS_LIMIT} header fields")
    return Head(version=(int(match[1]), int(match[2])), status=int(match[3]), rest=octets[end.end() :],
                fields=tuple(filter(None, map(_read_field, lines))))


def _read_field(line: bytes) -> tuple[str, str] | None:
    """One header field; None for a line that is none, which must not lose the rest."""
    name, colon, value = line.partition(b":")
    if not colon or not _TOKEN.fullmatch(name):
        return None
    return name.decode("ascii").lower(), value.strip(b" \t").decode("latin-1")


def read_date(text: str, *, now_unix_seconds: float) -> int:
    """A date of RFC 9110 section 5.6.7, in any of its three forms, as Unix seconds.  Raises HttpError.

    A year of two digits that seems more than 50 years ahead of now is one of the past.  The name of the day is not
    compared: it says nothing that the date does not.
    """
    match = next(filter(None, (form.fullmatch(text) for form in _DATES)), None)
    if match is None:
        raise HttpError("the Date field is no date of RFC 9110 section 5.6.7")
    year, month, day = int(match["year"]), _MONTHS.index(match["month"]) + 1, int(match["day"])
    hour, minute, second = int(match["hour"]), int(match["minute"]), int(match["second"])
    if len(match["year"]) == 2:
        year = _in_this_century(year, now_unix_seconds)
    # A second of 60 is a leap second (RFC 9110 section 5.6.7), and counts on into the next minute.
    if year == 0 or not 1 <= day <= calendar.monthrange(year, month)[1] or hour > 23 or minute > 59 or second > 60:
        raise HttpError("the Date field names no moment there is")
    return calendar.timegm((year, month, day, hour, minute, second))


def _in_this_century(two_digits: int, now_unix_seconds: float) -> int:
    this_year = 1970 + int(now_unix_seconds // 31_556_952)
    year = this_year - this_year % 100 + two_digits
    return year - 100 if year > this_year + 50 else year
