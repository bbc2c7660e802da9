"""The JSON Schema (2020-12) of the report, derived from ``shared.run`` so that it cannot say something else.

``python -m reports.schema`` prints it; the file beside this one is that output, and a test holds the two together.
"""

from __future__ import annotations

import json
import sys
from typing import Any

import msgspec

from shared.run import SCHEMA, Report

#: A time of day in RFC 3339 form (section 5.6), always UTC and upper case, with at most nine digits of a second.
_TIME = r"\d{4}-\d{2}-\d{2}T([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d{1,9})?Z"
_TIME_OR_NOTHING = f"^({_TIME})?$"
#: Fields that hold a time of day; an empty one means that nothing was observed at any time.
_TIMES = frozenset({"at", "not_before", "not_after", "finished"})
_ADDED: dict[tuple[str, str], dict[str, Any]] = {
    ("Report", "schema"): {"const": SCHEMA},
    ("RunFacts", "started"): {"format": "date-time", "pattern": f"^{_TIME}$"},
    ("PlanReference", "sha256"): {"pattern": "^([0-9a-f]{64})?$"},
    ("Finding", "check"): {"pattern": r"^[a-z]+\.[a-z0-9-]+$"},
    ("Finding", "ref"): {"minLength": 1},
    ("Cause", "explains"): {"minimum": 0},
    ("Coverage", "planned"): {"minimum": 0},
    ("Coverage", "proven"): {"minimum": 0},
    ("Measured", "uncertainty"): {"minimum": 0},
    **{("Counts", name): {"minimum": 0} for name in ("pass", "caution", "fail", "unproven", "waived")},
}


def report_schema() -> dict[str, Any]:
    """The schema as plain data.  Properties that it does not name are allowed: fields may be added under one format name."""
    derived = msgspec.json.schema(Report)
    for struct, definition in derived["$defs"].items():
        definition["description"] = " ".join(definition.get("description", "").replace("``", "").split())
        for name, field in definition.get("properties", {}).items():
            if name in _TIMES and field.get("type") == "string":
                field["pattern"] = _TIME_OR_NOTHING
            field.update(_ADDED.get((struct, name), {}))
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "seatrial-report-1.schema.json",
        "title": SCHEMA,
        "description": "One run of seatrial: what was planned, what was found, and what that adds up to. Times are RFC 3339 "
                       "UTC; durations and offsets are seconds; octets are base64.",
        **derived,
    }


def schema_text() -> str:
    """The schema as the text of its file."""
    return json.dumps(report_schema(), indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    sys.stdout.write(schema_text())
