"""The summary fits the screen, leads with causes, and shows hostile text as text."""

from __future__ import annotations

import os
import re
import unicodedata
from pathlib import Path
from types import ModuleType

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.terminal import summary
from shared.catalogue import Check

SAMPLES = ("small", "three", "sound", "tidewater", "hostile", "fleet")
PAINT = re.compile(r"\x1b\[[0-9;]*m")


#: A line of a mend that is not a comment: it may be one to type, which is never parted.
MEND = re.compile(r" {5}\| (?![#;] )")


def folded(text: str) -> list[str]:
    """The lines that must fit the terminal."""
    return [line for line in text.splitlines() if not MEND.match(line)]


def columns(text: str) -> int:
    return sum(2 if unicodedata.east_asian_width(char) in "WF" else 1 for char in text if not unicodedata.combining(char))


def test_the_summary_is_the_golden_one(sample: ModuleType, checks: dict[str, Check]) -> None:
    """The whole text; SEATRIAL_GOLDEN=write renews it."""
    golden = Path(__file__).with_name("golden") / "tidewater.txt"
    text = summary(sample.tidewater(), files=("reports/run.html", "reports/run.json"), checks=checks)
    if os.environ.get("SEATRIAL_GOLDEN") == "write":
        golden.write_text(text + "\n", encoding="utf-8")
    assert text + "\n" == golden.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", SAMPLES)
@pytest.mark.parametrize("width", [40, 60, 80, 100])
def test_no_line_is_wider_than_asked(sample: ModuleType, name: str, width: int) -> None:
    """Wide characters count for two columns; what is to be typed is not parted."""
    assert max(map(columns, folded(summary(getattr(sample, name)(), width=width)))) <= width


def test_wide_letters_are_counted_as_wide(sample: ModuleType) -> None:
    """A title in a script of wide characters still fits."""
    assert max(map(columns, folded(summary(sample.hostile("北斗七星" * 60))))) <= 80


@pytest.mark.parametrize("name", SAMPLES)
def test_the_summary_is_about_one_screen(sample: ModuleType, name: str) -> None:
    """A thousand hosts take no more room than ten: about fifty lines."""
    assert len(summary(getattr(sample, name)()).splitlines()) <= 53


def test_the_verdict_comes_first_then_causes_then_hosts_then_what_is_unproven_then_the_files(sample: ModuleType) -> None:
    """The order of reading."""
    text = summary(sample.tidewater(), files=("where/run.html",))
    marks = ["NOT READY", "To mend, in order", " 1 ◆ ", "Hosts under", "Not proven: ", "where/run.html"]
    places = [text.index(mark) for mark in marks]
    assert places == sorted(places)
    assert text.startswith("◆ NOT READY  Tidewater Observatory, rack 2\n")


def test_what_lies_beyond_the_vantage_is_not_counted_as_unproven(sample: ModuleType) -> None:
    """Everything asked was proven, and something can only be asked from elsewhere: no heading of "0 of" over a list."""
    report = sample.tidewater()
    coverage = report.coverage
    text = summary(msgspec.structs.replace(report, coverage=msgspec.structs.replace(coverage, proven=coverage.planned)), width=80)
    assert f"Proven: all {coverage.planned}; beyond what can be seen from here" in text
    assert "Not proven: 0" not in text


def test_what_does_not_fit_is_counted(sample: ModuleType) -> None:
    """The hosts of each verdict are counted, and those named and those not named add up to them."""
    hosts = summary(sample.fleet()).partition("\nHosts")[2].partition("\nNot proven")[0]
    blocks = re.findall(r"^ [◆○▲●] ([\d,]+) [^:]+:(.*(?:\n   .*)*)", hosts, re.M)
    assert sum(int(count.replace(",", "")) for count, _ in blocks) == 1000
    for count, told in blocks:
        more = re.search(r"and ([\d,]+) more$", told)
        named = len(re.findall(r"\brack\d\d-node\d\d\b", told))
        assert named + int(more.group(1).replace(",", "") if more else 0) == int(count.replace(",", ""))
    assert len(blocks) > 1


def test_a_name_is_never_parted_at_its_hyphens(sample: ModuleType) -> None:
    """It is copied from here: at no width does a line of the first cause's message end within the host's name."""
    report = sample.small()
    name = "dome-north-tower.obs.example.net"
    [host] = [host for host in report.hosts if any(finding.ref == report.causes[0].finding for finding in host.findings)]
    findings = tuple(msgspec.structs.replace(one, message=f"Nothing at all listens any more on {name}.")
                     if one.ref == report.causes[0].finding else one for one in host.findings)
    changed = msgspec.structs.replace(report, hosts=tuple(
        msgspec.structs.replace(one, findings=findings) if one is host else one for one in report.hosts))
    for width in range(40, 81):
        assert name in summary(changed, width=width), width


def test_long_names_that_differ_at_their_ends_can_be_told_apart(sample: ModuleType) -> None:
    """Numbered hosts: cut at the end they were all one."""
    report = sample.three()
    hosts = tuple(msgspec.structs.replace(host, name=f"a-machine-in-the-third-row-of-the-hall-{number:02d}.obs.example.net")
                  for number, host in enumerate(report.hosts))
    text = summary(msgspec.structs.replace(report, hosts=hosts))
    assert all(re.search(f"a-machine-in-…of-the-hall-{number:02d}[ ;\n]", text)
               for number in range(3)), text


def test_a_partial_run_says_what_it_leaves_open(sample: ModuleType) -> None:
    """On every width of terminal."""
    report = sample.small()
    partial = msgspec.structs.replace(report, run=msgspec.structs.replace(report.run, complete=False))
    for width in (40, 60, 80):
        text = summary(partial, width=width)
        assert "A partial run: it was interrupted, and what it did not reach is unproven." in " ".join(text.split())
        assert max(map(len, folded(text))) <= width


def test_no_cause_is_left_out_silently(sample: ModuleType) -> None:
    """The first ones stand with their mends, each of the others has a line, and past a screen they are counted."""
    text = summary(sample.tidewater()).partition("\n\nHosts")[0]
    assert [int(number) for number in re.findall(r"^ ?(\d+) [◆▲○]", text, re.M)] == [1, 2, 3, 4, 5, 6, 7]
    report = sample.fleet()
    told = [finding for finding in report.findings() if finding.ref in {cause.finding for cause in report.causes}]
    apart = [msgspec.structs.replace(finding, symptom=f"own-{number}") for number, finding in enumerate(told)]
    by_ref = {finding.ref: finding for finding in apart}
    hosts = tuple(msgspec.structs.replace(host, findings=tuple(by_ref.get(one.ref, one) for one in host.findings))
                  for host in report.hosts)
    many = summary(msgspec.structs.replace(report, hosts=hosts)).partition("\n\nHosts")[0]
    shown = re.findall(r"^ ?(\d+) [◆▲○]", many, re.M)
    more = re.search(r"… and ([\d,]+) more in the report$", many)
    assert more is not None
    assert len(shown) == 16
    assert 16 + int(more.group(1)) == len(report.causes)


@pytest.mark.parametrize("name", SAMPLES)
def test_colour_changes_no_word(sample: ModuleType, name: str) -> None:
    """Without its paint the coloured summary is the plain one."""
    report = getattr(sample, name)()
    coloured = summary(report, colour=True)
    assert [line.rstrip() for line in PAINT.sub("", coloured).splitlines()] == summary(report).splitlines()
    assert coloured != summary(report)


@pytest.mark.parametrize("colour", [False, True])
def test_hostile_text_moves_no_cursor(sample: ModuleType, colour: bool) -> None:
    """Escape, bidirectional and control characters come out written, not acting."""
    text = PAINT.sub("", summary(sample.hostile(), colour=colour, files=(sample.HOSTILE,)))
    assert "<U+202E>" in text
    assert "<U+001B>[31m" in text
    assert [char for char in text if not char.isprintable() and char != "\n"] == []


@given(text=st.text(max_size=300))
def test_any_text_fits_and_prints(sample: ModuleType, text: str) -> None:
    """Whatever a host says, the summary stays within its columns and prints."""
    lines = summary(sample.hostile(text)).split("\n")
    assert max(columns(line) for line in lines if not MEND.match(line)) <= 80
    assert all(line.isprintable() and len(line) < 500 for line in lines)


def test_a_long_path_is_never_cut(sample: ModuleType) -> None:
    """It is there to be copied."""
    path = "/srv/" + "tide/" * 40 + "run.html"
    assert path in summary(sample.sound(), files=(path,)).splitlines()


def test_quiet_leaves_only_the_causes(sample: ModuleType) -> None:
    """Scripts that ask for quiet get what is to be mended, or nothing at all."""
    assert summary(sample.three(), quiet=True, files=("run.html",)).splitlines()[0] == "To mend, in order"
    assert "run.html" not in summary(sample.three(), quiet=True, files=())
    assert summary(sample.sound(), quiet=True) == ""


POINTER = f"{'.'.join('1' * 32)}.ip6.arpa. IN PTR dome-b.obs.example.net."


def mended(sample: ModuleType, *fix: str) -> list[str]:
    """The lines of the first mend of a report whose first cause has this one."""
    report = sample.three()
    cause = report.causes[0].finding
    hosts = tuple(msgspec.structs.replace(host, findings=tuple(
        msgspec.structs.replace(one, fix=fix) if one.ref == cause else one for one in host.findings)) for host in report.hosts)
    text = summary(msgspec.structs.replace(report, hosts=hosts)).partition("\n 2 ")[0]
    return [line.partition("| ")[2] for line in text.splitlines() if line.startswith("     | ")]


@pytest.mark.parametrize("line", [
    POINTER,
    'openssl req -new -key dome-b.new.key -subj "/CN=dome-b.obs.example.net" -addext "subjectAltName=DNS:dome-b.obs.example.net"',
    "[ -e dome-b.new.key ] || openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out dome-b.new.key",
    "ip -6 route replace default via 2001:db8:1234:5678:9abc:def0:1234:5678 dev eth0 proto static metric 100 src 2001:db8::11",
])
def test_a_line_to_type_is_never_parted(sample: ModuleType, line: str) -> None:
    """Half a record or half a command is another one: the terminal folds it by itself, and it is copied whole."""
    assert mended(sample, "; add to the zone", line) == ["; add to the zone", line]


def test_the_rest_of_a_long_comment_is_a_comment(sample: ModuleType) -> None:
    """It is pasted with the lines around it; a record to be removed is not parted either."""
    said = "# ask the site's authority for a certificate with the subject alternative name DNS:dome-b.obs.example.net"
    assert mended(sample, said, "true") == [
        "# ask the site's authority for a certificate with the subject alternative",
        "#   name DNS:dome-b.obs.example.net", "true"]
    assert mended(sample, f"; {POINTER}") == [f"; {POINTER}"]


def test_a_sentence_and_the_remark_behind_a_command_are_folded(sample: ModuleType) -> None:
    """Nothing is lost by it, and it is read sooner."""
    said = "On dome-b.obs.example.net, see that exactly one time service runs: systemctl status chrony ntpsec"
    assert mended(sample, said) == [
        "On dome-b.obs.example.net, see that exactly one time service runs:", "  systemctl status chrony ntpsec"]
    assert mended(sample, "systemctl list-sockets    # a socket unit that starts it again must be disabled too") == [
        "systemctl list-sockets", "  # a socket unit that starts it again must be disabled too"]


def test_a_line_of_many_screens_is_said_to_be_there(sample: ModuleType) -> None:
    """A host may have made it up."""
    assert mended(sample, "x" * 5000) == ["… a line of 5,000 characters: in the report"]


def test_the_heading_of_many_alike_names_the_check_whole(sample: ModuleType) -> None:
    """"name.… and 299 more like it" said nothing; what each is about stands in the report."""
    text = summary(sample.fleet(300))
    assert re.search(r"^ \d . [A-Z][a-z]+ [a-z]+: rack00-node03, port.closed and \d+ more like it$", text, re.M), text


def test_what_holds_for_all_hosts_of_a_verdict_is_said_once(sample: ModuleType) -> None:
    """"9 fail" stood behind each of as many names as there was room for."""
    hosts = sample.drafts([f"node{number}" for number in range(9)])
    causes = [sample.plant_telnet(host) for host in hosts]
    report = sample.assemble(sample.site_sound(), hosts, causes)
    assert " ◆ 9 not ready, each with 1 fail: node0; node1; node2;" in summary(report)


def test_a_long_name_leaves_room_for_what_is_wrong(sample: ModuleType) -> None:
    """The heading of a cause ended in the middle of the host's name."""
    host, = sample.drafts(["a-machine-in-the-third-row-of-the-hall-under-the-long-dome-02"])
    report = sample.assemble(sample.site_sound(), [host, *sample.drafts(["dome-b"])], [sample.plant_telnet(host)])
    assert "To mend\n 1 ◆ Host build: a-machine-in-…e-long-dome-02, port.closed 23/tcp\n" in summary(report)
