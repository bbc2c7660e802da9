"""The JSON report: a run written out whole, and read back as it was.

UTF-8 without a byte order mark (RFC 8259 section 8.1), no NaN and no infinity (section 6), fields in the order of
``shared.run``, which is the order of the contract.  Reading back what was written gives an equal report.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import msgspec

from shared.run import SCHEMA, HostReport, Report
from shared.safetext import without_surrogates


class ReportFileError(ValueError):
    """The bytes are not a report of this format.  Whoever chose the file is at fault; the message says what was expected."""


def to_json(report: Report) -> bytes:
    """The report as the bytes of its JSON file, ending in a line end.

    Lone surrogates, which UTF-8 cannot hold, become question marks.  Raises ValueError where a number is not finite:
    that is a bug of whoever computed it, and never written as something else.
    """
    return b"".join(json_pieces(report))


def json_pieces(report: Report) -> Iterator[bytes]:
    """The same bytes a host at a time, since those of a large fleet fill many times the memory of the report itself."""
    without_hosts = msgspec.json.format(_encoded(msgspec.structs.replace(report, hosts=())), indent=2)
    if not report.hosts:
        yield without_hosts + b"\n"
        return
    yield without_hosts.removesuffix(_NO_HOSTS)
    before = b'"hosts": ['
    for host in report.hosts:
        # Laid out as the only one of a report, to stand as far in as all of them do.
        alone = msgspec.json.format(b'{"hosts":[' + _encoded(host) + b"]}", indent=2)
        yield before + alone[len(_HOSTS_BEGIN):-len(_HOSTS_END)]
        before = b","
    yield _HOSTS_END + b"\n"


#: How a report ends that has none, for ``hosts`` is its last field; and what stands around the hosts of one that has.
_NO_HOSTS, _HOSTS_BEGIN, _HOSTS_END = b'"hosts": []\n}', b'{\n  "hosts": [', b"\n  ]\n}"


def _encoded(part: Report | HostReport) -> bytes:
    return msgspec.json.encode(part, order="deterministic") if _is_plain(part) else msgspec.json.encode(without_surrogates(part))


def _is_plain(part: Report | HostReport) -> bool:
    """Whether all of it can stand in JSON as it is.

    The encoder writes what is no finite number as null without a word.  In MessagePack, which costs little to write, such a
    number keeps its mark; octets of text that look like one cost a closer look and nothing else.
    """
    try:
        return _NOT_FINITE.search(msgspec.msgpack.encode(part)) is None
    except UnicodeEncodeError:
        return False


#: The mark of a 64-bit float, and an exponent of nothing but ones: an infinity or no number (IEEE 754-2019 section 3.4).
_NOT_FINITE = re.compile(rb"\xcb[\x7f\xff][\xf0-\xff]")


def from_json(data: bytes) -> Report:
    """The report that ``to_json`` wrote.

    Fields this version does not know are passed over, since fields may be added under one format name.
    Raises ReportFileError for anything that is not a report.
    """
    try:
        report = msgspec.json.decode(data, type=Report)
    except msgspec.ValidationError as error:
        raise ReportFileError(f"not a {SCHEMA}: {error}") from error
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise ReportFileError(f"not JSON: {error}") from error
    if report.schema != SCHEMA:
        raise ReportFileError(f'the file says it is "{report.schema[:80]}"; this program reads {SCHEMA}')
    return report
