"""The JSON report keeps everything, says nothing that JSON cannot, and its reader is total."""

from __future__ import annotations

import json
from types import ModuleType

import jsonschema
import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.jsonfile import ReportFileError, from_json, json_pieces, to_json
from reports.schema import report_schema, schema_text
from shared.evidence import CertificateFacts, TlsEvidence
from shared.times import read_time

SAMPLES = ("small", "three", "sound", "tidewater", "hostile", "rebooted")


def _validator() -> jsonschema.Draft202012Validator:
    # The format keyword is an annotation by default (JSON Schema 2020-12, 7.2.1): here it is asserted.
    formats = jsonschema.FormatChecker()
    formats.checks("date-time")(lambda text: not isinstance(text, str) or read_time(text) is not None)
    return jsonschema.Draft202012Validator(report_schema(), format_checker=formats)


@pytest.mark.parametrize("name", SAMPLES)
def test_reading_back_gives_an_equal_report(sample: ModuleType, name: str) -> None:
    """Nothing is lost or changed on the way through the file."""
    report = getattr(sample, name)()
    assert from_json(to_json(report)) == report


@pytest.mark.parametrize("name", SAMPLES)
def test_a_report_in_pieces_is_laid_out_like_one_written_at_once(sample: ModuleType, name: str) -> None:
    """Host by host or not, the file is the same to the octet; also with no hosts at all."""
    whole = getattr(sample, name)()
    for report in (whole, msgspec.structs.replace(whole, hosts=())):
        at_once = msgspec.json.format(msgspec.json.encode(report, order="deterministic"), indent=2) + b"\n"
        assert to_json(report) == at_once
        assert json.loads(at_once) == json.loads(json.dumps(msgspec.to_builtins(report)))
    assert len(list(json_pieces(whole))) == len(whole.hosts) + 2


@pytest.mark.parametrize("name", SAMPLES)
def test_every_report_validates_against_the_shipped_schema(sample: ModuleType, name: str) -> None:
    """The schema describes what is really written."""
    assert [error.message for error in _validator().iter_errors(json.loads(to_json(getattr(sample, name)())))] == []


def test_the_shipped_schema_is_fresh(request: pytest.FixtureRequest) -> None:
    """The file is what ``python -m reports.schema`` prints today."""
    shipped = (request.config.rootpath / "reports" / "seatrial-report-1.schema.json").read_text(encoding="utf-8")
    assert shipped == schema_text()


def test_the_schema_is_itself_valid() -> None:
    """It is a 2020-12 schema."""
    jsonschema.Draft202012Validator.check_schema(report_schema())


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("schema",), "seatrial-report/2"),
        (("verdict",), "fine"),
        (("counts", "pass"), -1),
        (("counts", "fail"), "1"),
        (("run", "started"), "4 March 2027"),
        (("run", "started"), "2027-03-04T09:12:24+01:00"),
        (("run", "started"), "2027-13-04T09:12:24Z"),
        (("run", "finished"), "later"),
        (("run", "plan", "sha256"), "3FD8"),
        (("hosts", 0, "findings", 0, "grade"), "skipped"),
        (("hosts", 0, "findings", 0, "at"), "09:12"),
        (("hosts", 0, "findings", 0, "check"), "Name Forward"),
        (("hosts", 0, "findings", 0, "fix"), "one line"),
    ],
)
def test_the_schema_refuses_what_is_wrong(sample: ModuleType, path: tuple[str | int, ...], value: object) -> None:
    """A wrong word, type, range or time is an error, so the validation above is not vacuous."""
    report = json.loads(to_json(sample.small()))
    place = report
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    assert list(_validator().iter_errors(report))


def test_every_promised_field_is_there(sample: ModuleType) -> None:
    """The names the contract promises, read from the file and not from our own types."""
    report = json.loads(to_json(sample.tidewater()))
    assert {"schema", "verdict", "counts", "coverage", "causes", "run", "site", "hosts"} <= set(report)
    assert set(report["counts"]) == {"pass", "caution", "fail", "unproven", "waived"}
    assert {"planned", "proven", "missing"} <= set(report["coverage"])
    assert {
        "id",
        "kind",
        "started",
        "finished",
        "complete",
        "tool",
        "vantage",
        "operator",
        "reason",
        "ticket",
        "profile",
        "limits",
        "plan",
    } <= set(report["run"])
    assert {"title", "file", "sha256"} <= set(report["run"]["plan"])
    assert {"name", "address", "network", "role", "verdict", "findings", "evidence"} <= set(report["hosts"][0])
    assert {
        "check",
        "subject",
        "grade",
        "planned",
        "found",
        "measured",
        "limits",
        "message",
        "fix",
        "because",
        "basis",
        "vantage",
        "at",
    } <= set(report["hosts"][0]["findings"][0])


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
def test_a_number_that_is_not_finite_is_refused(sample: ModuleType, number: float) -> None:
    """RFC 8259 section 6 has no NaN; writing null instead would hide a bug."""
    report = sample.small()
    finding = msgspec.structs.replace(report.site.findings[0], measured=sample.Measured(number, 0.0, "s"))
    broken = msgspec.structs.replace(report, site=msgspec.structs.replace(report.site, findings=(finding,)))
    with pytest.raises(ValueError, match="JSON compliant"):
        to_json(broken)


def test_the_file_is_plain_utf_8_in_a_stable_order(sample: ModuleType) -> None:
    """No byte order mark (RFC 8259 section 8.1), the same bytes every time, and a line end at the end."""
    first, second = to_json(sample.tidewater()), to_json(sample.tidewater())
    assert first == second
    assert not first.startswith(b"\xef\xbb\xbf")
    assert first.endswith(b"}\n")
    assert first.decode("utf-8").splitlines()[1] == '  "schema": "seatrial-report/1",'


def test_a_lone_surrogate_does_not_lose_the_report(sample: ModuleType) -> None:
    """Text that UTF-8 cannot hold is replaced, and the file can still be read."""
    assert from_json(to_json(sample.hostile("a\ud800b"))).run.ticket == "a?b"
    assert to_json(sample.hostile("a\ud800b")) == to_json(sample.hostile("a?b"))


def test_octets_that_look_like_an_infinite_number_are_octets(sample: ModuleType) -> None:
    """What a host sends as a certificate may hold any octets, those of a float's mark among them."""
    report = sample.small()
    marks = bytes.fromhex("cb7ff0000000000000 cbfff8000000000000")
    tls = TlsEvidence(address="192.0.2.1", port="443/tcp", server_name="", at=report.run.started, elapsed_seconds=0.1,
                      chain=(CertificateFacts(der=marks, sha256="00", parse_error="no certificate"),))
    first = report.hosts[0]
    host = msgspec.structs.replace(first, evidence=msgspec.structs.replace(first.evidence, tls=(tls,)))
    report = msgspec.structs.replace(report, hosts=(host, *report.hosts[1:]))
    assert from_json(to_json(report)) == report
    assert to_json(report) == msgspec.json.format(msgspec.json.encode(report, order="deterministic"), indent=2) + b"\n"


def test_fields_of_a_later_version_are_passed_over(sample: ModuleType) -> None:
    """Fields may be added under one format name."""
    report = json.loads(to_json(sample.small()))
    report["tide"] = "high"
    assert from_json(json.dumps(report).encode()) == sample.small()


@pytest.mark.parametrize("data", [b"", b"{}", b"[]", b"null", b"{", b"\xff", b'{"schema": "seatrial-report/1"}', b"[" * 100_000])
def test_what_is_no_report_raises_the_one_declared_error(data: bytes) -> None:
    """Empty, broken, foreign or endlessly nested files are all the same kind of mistake."""
    with pytest.raises(ReportFileError):
        from_json(data)


def test_another_format_name_is_named(sample: ModuleType) -> None:
    """The message says what the file claims to be and what was expected."""
    with pytest.raises(ReportFileError, match=r'"seatrial-report/9".*seatrial-report/1'):
        from_json(to_json(sample.small()).replace(b"seatrial-report/1", b"seatrial-report/9"))


@given(st.binary(max_size=200))
def test_the_reader_is_total(data: bytes) -> None:
    """For any bytes at all: a report, or the declared error."""
    with pytest.raises(ReportFileError):
        from_json(data)
