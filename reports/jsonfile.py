"""The JSON report: a run written out whole, and read back as it was.

UTF-8 without a byte order mark (RFC 8259 section 8.1), no NaN and no infinity (section 6), fields in the order of
``shared.run``, which is the order of the contract.  Reading back what was written gives an equal report.
"""

from __future__ import annotations

import json

import msgspec

from shared.run import SCHEMA, Report


class ReportFileError(ValueError):
    """The bytes are not a report of this format.  Whoever chose the file is at fault; the message says what was expected."""


def to_json(report: Report) -> bytes:
    """The report as the bytes of its JSON file, ending in a line end.

    Lone surrogates, which UTF-8 cannot hold, become question marks.  Raises ValueError where a number is not finite:
    that is a bug of whoever computed it, and never written as something else.
    """
    plain = msgspec.to_builtins(report, order="deterministic")
    text = json.dumps(plain, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return msgspec.json.format(text.encode("utf-8", "replace"), indent=2) + b"\n"


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
