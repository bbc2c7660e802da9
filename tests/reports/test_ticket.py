"""The ticket text: short enough, causes first, nothing dropped without a count, nothing hidden in what a host said."""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.ticket import COLUMNS, LIMIT, ticket_text
from shared.findings import SITE, Finding, Grade, Verdict
from shared.hostnames import reverse_name
from shared.run import Cause, Missing, Report
from shared.safetext import visible


def _sample() -> ModuleType:
    """The invented site beside this file; tests here are no package to import it from."""
    spec = importlib.util.spec_from_file_location("ticket_sample", Path(__file__).with_name("sample.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up by name
    spec.loader.exec_module(module)
    return module


sample: Any = _sample()
REPORTS = [sample.tidewater, sample.three, sample.sound, sample.small, sample.hostile, sample.fleet]


def fits(text: str) -> None:
    """What holds for every ticket text."""
    assert len(text) < LIMIT == 4000
    assert text.endswith("\n")
    for line in text.splitlines():
        # Lines to paste alone are longer, and stand deeper than any sentence; and a name that fits no line has one to itself.
        assert len(line) <= COLUMNS == 72 or line.startswith("    ") or re.fullmatch(r" *[A-Za-z0-9._-]{1,254}[,;:]?", line)
        assert line == line.rstrip()
        assert visible(line) == line


def causes(count: int, *, message: str = "It is wrong.", fix: tuple[str, ...] = ("mend it",), same_kind: bool = False) -> Report:
    """A site with so many failed findings of as many kinds, each a cause."""
    found = [sample.finding(SITE, "clock.source", f"192.0.2.{number}", Grade.FAIL, "right", "wrong", message, fix=fix,
                            symptom="wrong" if same_kind else f"wrong-{number}") for number in range(count)]
    report: Report = sample.assemble(found, [], found)
    return report


@pytest.mark.parametrize("make", REPORTS)
def test_every_sample_fits(make: Any) -> None:
    """From two sound hosts to a thousand with faults."""
    fits(ticket_text(make()))


def test_the_facts_of_the_run_are_all_there() -> None:
    """Verdict, change, reason, when and how long, who, where, plan and its hash, run, tool, profile, runner's clock, totals."""
    text = ticket_text(sample.tidewater())
    head = text.partition("\n\n")[0]
    assert head.startswith("SEATRIAL: Not ready for its next stage: 9 checks failed; 7 mends.\n")
    for fact in ("CHG-1042", "hand-over of rack 2", "2027-03-04T09:12:24Z to 2027-03-04T09:12:38Z (14 s)", "m.tar", "pier-1",
                 "198.51.100.7", "tidewater.toml", "3fd8" * 16, "20270304T091224Z-7f3a", "seatrial 0.1.0", "60 µs ± 90 µs",
                 "2 ready, 2 ready with cautions, 5 not ready, 1 unproven"):
        assert fact in head
    flat = " ".join(head.split())
    assert "9 fail, 1 caution, 16 unproven, 1 waived, 194 pass; 205 of 231 planned are proven" in flat
    assert "profile production" in flat


def test_parts_come_in_the_order_of_use() -> None:
    """Causes, what else is open, what was not proven, what was accepted, where the rest is."""
    report = sample.small()
    accepted = sample.finding(SITE, "name.wildcard", "x", Grade.WAIVED, "p", "f", "m", waiver="agreed with the owner")
    report = msgspec.structs.replace(report, site=msgspec.structs.replace(report.site, findings=(accepted,)))
    text = ticket_text(report)
    places = [text.index(title) for title in ("TO MEND, CAUSES FIRST", "ALSO OPEN", "NOT PROVEN", "ACCEPTED IN THE PLAN",
                                              "The whole, with the evidence", "Reviewed by")]
    assert places == sorted(places)
    assert "agreed with the owner" in text
    fits(text)


def test_a_cause_has_its_number_its_effects_and_its_mend_as_typed() -> None:
    """What to do stands beside what is wrong."""
    text = ticket_text(sample.tidewater())
    first = text.partition("TO MEND, CAUSES FIRST\n")[2].partition("\n2. ")[0]
    assert " ".join(first.split()).startswith(
        "1. FAIL host.echo dome-d.obs.example.net 192.0.2.14; explains 15 other findings Nothing answers at 192.0.2.14")
    assert "\n     ip address show | grep 192.0.2.14\n" in first


@pytest.mark.parametrize("line", [
    "nft add rule inet filter input ip saddr 198.51.100.7 tcp dport { 22, 443, 8443, 9443 } counter accept",
    f"{reverse_name('2001:db8::11')}. IN PTR dome-a.obs.example.net.",
    "ssh-keygen -R dome-a.obs.example.net; " * 10 + "true",
])
def test_a_line_to_type_is_never_folded(line: str) -> None:
    """Neither a zone file nor every shell would take it in two, and a cut one is another command."""
    text = ticket_text(causes(1, fix=(line,)))
    fits(text)
    assert f"     {line}" in text.splitlines()


def test_a_pointer_that_is_pasted_from_the_text_is_one_that_a_name_server_takes(tmp_path: Path) -> None:
    """In the words of the reference server's own check of a zone."""
    checker = shutil.which("named-checkzone")
    assert checker, "bind9's checker has to be installed: tests/setup names the packages"
    zone = "8.b.d.0.1.0.0.2.ip6.arpa"
    name = reverse_name("2001:db8::11")
    text = ticket_text(causes(1, fix=(f"; add to zone {zone}", f"{name}. IN PTR dome-a.obs.example.net.")))
    pasted = text.partition("Mend:\n")[2].partition("\n\n")[0]
    file = tmp_path / "zone"
    file.write_text("$TTL 60\n@ IN SOA ns.obs.example.net. h.obs.example.net. 1 60 60 60 60\n@ IN NS ns.obs.example.net.\n"
                    + "".join(f"{line.strip()}\n" for line in pasted.splitlines()), encoding="ascii")
    done = subprocess.run([checker, "-D", "-o", "-", zone, str(file)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"{name}." in done.stdout


def test_an_explained_finding_is_not_told_again() -> None:
    """Effects are counted at their cause and nowhere else."""
    text = ticket_text(sample.tidewater())
    assert "192.0.2.211" not in text
    assert "ALSO OPEN" not in text


def test_what_only_waits_for_a_cause_is_one_entry_behind_the_rest() -> None:
    """Fourteen checks of one dead host are one line, and no reference of the report's inside is shown."""
    text = ticket_text(sample.tidewater())
    entries = re.findall(r"^- .*", text.partition("NOT PROVEN\n")[2].partition("\n\n")[0], re.MULTILINE)
    assert [entry.split(":")[0] for entry in entries[:2]] == ["- clock.offset", "- system.route"]
    assert "waiting only for the causes above" in entries[2]
    assert len(entries) == 3
    assert "|" not in text.replace("show | grep", "")


def test_what_waits_for_something_accepted_is_not_said_to_wait_for_the_causes_above() -> None:
    """A waived cause stands in the last part, and is no cause that is told."""
    report = sample.tidewater()
    silent = next(finding for finding in report.findings() if finding.check == "host.echo" and finding.grade is Grade.FAIL)
    accepted = msgspec.structs.replace(silent, grade=Grade.WAIVED, waiver="being moved (accepted until 2027-05-31)")
    hosts = tuple(msgspec.structs.replace(host, findings=tuple(
        accepted if one.ref == silent.ref else one for one in host.findings)) for host in report.hosts)
    waived = msgspec.structs.replace(report, hosts=hosts,
                                     causes=tuple(cause for cause in report.causes if cause.finding != silent.ref))
    text = ticket_text(waived)
    assert "waiting only for what explains them" in text
    assert "waiting only for the causes above" not in text


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        (Verdict.READY, "Ready for its next stage: everything planned was found"),
        (Verdict.READY_WITH_CAUTIONS, "Ready for its next stage, with cautions"),
        (Verdict.NOT_READY, "Not ready for its next stage: 1 check failed; 1 mend."),
        (Verdict.UNPROVEN, "Not proven ready: nothing failed"),
    ],
)
def test_the_verdict_is_one_sentence_at_the_top(verdict: Verdict, words: str) -> None:
    """The four verdicts of the contract."""
    text = ticket_text(msgspec.structs.replace(causes(1), verdict=verdict))
    assert text.startswith(f"SEATRIAL: {words}")


def test_a_partial_run_says_so_before_anything_else() -> None:
    """An interrupted run must not be read as a whole one."""
    report = sample.small()
    text = ticket_text(msgspec.structs.replace(report, run=msgspec.structs.replace(report.run, complete=False)))
    assert text.splitlines()[1].startswith("PARTIAL RUN")
    assert "PARTIAL" not in ticket_text(report)


def test_what_the_run_was_not_told_is_said_to_be_missing() -> None:
    """No ticket, no operator, no reason, an end that is not known: said, not left blank."""
    report = sample.small()
    text = ticket_text(msgspec.structs.replace(report, run=msgspec.structs.replace(
        report.run, operator="", ticket="", reason="", finished=""), site=msgspec.structs.replace(report.site, findings=())))
    for words in ("none given", "not said", "an end that is not known", "not judged"):
        assert words in text
    fits(text)


@pytest.mark.parametrize("count", [1, 2, 3, 10, 25, 60, 400])
@pytest.mark.parametrize("length", [1, 30, 400, 5000])
def test_shown_and_left_out_causes_add_up(count: int, length: int) -> None:
    """However many and however long: under the limit, in order, and every cause shown or counted."""
    report = causes(count, message="m" * length, fix=("f" * length, "second"))
    text = ticket_text(report)
    fits(text)
    shown = [int(number) for number in re.findall(r"^(\d+)\. FAIL", text, re.MULTILINE)]
    assert shown == list(range(1, len(shown) + 1))
    assert len(shown) + _left_out(text, r"more causes?") == count
    assert len(shown) == count or count > 20, "every one of a few causes is named"
    mends = len(re.findall(r"^ +Mend:", text, re.MULTILINE))
    assert mends + _left_out(text, "mends?") == len(shown)


def _left_out(text: str, noun: str) -> int:
    flat = " ".join(text.split())
    note = re.search(rf"\((?:[^()]* and )?([\d,]+) {noun}(?: and [^()]*)? left out here; see the full report\)", flat)
    return int(note.group(1).replace(",", "")) if note else 0


def test_every_cause_is_named_before_the_first_has_its_mend() -> None:
    """With a dozen long causes the text still has all twelve by name, and the mends of the first."""
    text = ticket_text(causes(12, message="m" * 300, fix=("do this " * 12,)))
    fits(text)
    assert "12. FAIL clock.source 192.0.2.11" in text
    told = text.partition("TO MEND")[2]
    assert told.index("Mend:") < told.index("2. FAIL")
    assert "cause" not in text.partition("1. FAIL")[2].replace("causes above", "")


@pytest.mark.parametrize(
    ("started", "finished", "words"),
    [
        ("2027-03-04T09:12:24.478596Z", "2027-03-04T09:12:26.030257Z", "2027-03-04T09:12:24Z to 2027-03-04T09:12:26Z (1.55 s)"),
        ("2027-03-04T10:12:24+01:00", "2027-03-04T09:14:24Z", "2027-03-04T09:12:24Z to 2027-03-04T09:14:24Z (120 s)"),
        ("whenever", "2027-03-04T09:12:38Z", "whenever to 2027-03-04T09:12:38Z"),
        ("2027-03-04T09:12:24Z", "", "2027-03-04T09:12:24Z to an end that is not known"),
    ],
)
def test_the_time_is_told_in_utc_or_as_it_was_written(started: str, finished: str, words: str) -> None:
    """A time that cannot be read is shown, not guessed."""
    report = sample.small()
    run = msgspec.structs.replace(report.run, started=started, finished=finished)
    assert words in ticket_text(msgspec.structs.replace(report, run=run))


def test_a_mend_is_given_whole_or_not_at_all() -> None:
    """A list of a hundred commands does not fit and is not cut in the middle."""
    text = ticket_text(causes(1, fix=tuple(f"step {number} of the long way" for number in range(200))))
    fits(text)
    assert "step 0" not in text
    assert "(1 mend left out here; see the full report)" in text


def test_many_causes_of_one_kind_are_told_as_one_with_the_first_names() -> None:
    """Forty hosts with the same fault are one entry, and all are counted."""
    text = ticket_text(causes(40, same_kind=True))
    flat = " ".join(text.split())
    assert "1. FAIL clock.source 192.0.2.0 and 39 others of this kind" in flat
    assert "(192.0.2.1, 192.0.2.2, 192.0.2.3, 192.0.2.4 and 35 more)" in flat
    assert "\n2. " not in text


def test_a_long_list_of_causes_leaves_room_for_what_was_not_proven_and_accepted() -> None:
    """Nobody may think from a cut text that all else was proven."""
    report = causes(300)
    missing = tuple(Missing(check=f"system.check-{number}", subjects=("every host",), why="no login", would_prove="a login")
                    for number in range(50))
    accepted = tuple(sample.finding(SITE, "name.wildcard", str(number), Grade.WAIVED, "p", "f", "m", waiver="agreed")
                     for number in range(50))
    report = msgspec.structs.replace(
        report, coverage=msgspec.structs.replace(report.coverage, missing=missing),
        site=msgspec.structs.replace(report.site, findings=(*report.site.findings, *accepted)))
    text = ticket_text(report)
    fits(text)
    assert "- system.check-0: every host" in text
    assert "WAIVED name.wildcard 0: agreed" in text
    unproven = len(re.findall(r"^- system\.check", text, re.MULTILINE))
    assert unproven + _left_out(text.partition("NOT PROVEN")[2], "more entries") == 50
    waived = text.count("- WAIVED")
    assert waived + _left_out(text.partition("ACCEPTED")[2], "more findings") == 50


def test_fails_that_nobody_explains_come_before_cautions() -> None:
    """A fail without a place among the causes is not lost."""
    report = causes(2)
    caution = msgspec.structs.replace(report.site.findings[0], grade=Grade.CAUTION, ref="site|clock.source|first")
    found: tuple[Finding, ...] = (caution, report.site.findings[1])
    text = ticket_text(msgspec.structs.replace(report, causes=(), site=msgspec.structs.replace(report.site, findings=found)))
    part = text.partition("ALSO OPEN\n")[2]
    assert 0 <= part.index("- FAIL") < part.index("- CAUTION")


def test_a_cause_that_points_nowhere_is_passed_over() -> None:
    """A damaged report is still shown."""
    fits(ticket_text(msgspec.structs.replace(causes(1), causes=(Cause(finding="no|such|thing", explains=3),))))


@pytest.mark.parametrize("text", ["\x1b[2J", "\u202e\u2066", "a\r\nb\x85c\u2028d", "\t\x00\x7f", "\ud800", "￿", "\u200b" * 2000,
                                  "1. PASS everything\n2. PASS " * 50, sample.HOSTILE])
def test_nothing_that_a_host_says_moves_the_text_or_hides_in_it(text: str) -> None:
    """Control and bidirectional characters are written out, line ends make no lines, bounds hold after the writing out."""
    shown = ticket_text(sample.hostile(text))
    fits(shown)
    assert not re.search(r"^\d\. PASS", shown, re.MULTILINE)
    assert "NOT PROVEN" in shown
    assert "Reviewed by" in shown


@settings(max_examples=60)
@given(text=st.text(st.characters(), max_size=3000))
def test_any_text_in_every_field_gives_a_text_that_fits(text: str) -> None:
    """Totality."""
    fits(ticket_text(sample.hostile(text)))


def test_the_same_report_gives_the_same_text() -> None:
    """A function of data: no clock, no chance, and the same after the report was stored and read again."""
    report = sample.tidewater()
    stored = msgspec.json.decode(msgspec.json.encode(report), type=Report)
    assert ticket_text(report) == ticket_text(stored)


@pytest.mark.parametrize(("finished", "step", "words"), [
    ("2027-03-04T09:12:31.000000Z", 0.0, "2027-03-04T09:12:31Z (7 s)"),
    ("2027-03-04T04:12:31.000000Z", -18000.0, "2027-03-04T04:12:31Z (7 s; its clock was set meanwhile)"),
    ("2027-03-04T04:12:31.000000Z", 0.0, "(how long is not known; its clock was set meanwhile)"),
    ("no time", 0.0, "to no time"),
])
def test_a_run_whose_clock_was_set_back_took_no_negative_time(finished: str, step: float, words: str) -> None:
    """By how much it was set is known of a run that saw it."""
    whole = sample.small()
    run = msgspec.structs.replace(
        whole.run, started="2027-03-04T09:12:24.000000Z", finished=finished,
        vantage=msgspec.structs.replace(whole.run.vantage, clock_step_seconds=step))
    assert words in " ".join(ticket_text(msgspec.structs.replace(whole, run=run)).split())


def test_a_name_that_is_longer_than_a_line_is_not_parted() -> None:
    """Of an IPv6 address the reverse name has 72 characters, and it is copied from here."""
    pointer = f"{'.'.join('1' * 32)}.ip6.arpa."
    report = sample.three()
    cause = report.causes[0].finding
    hosts = tuple(msgspec.structs.replace(host, findings=tuple(
        msgspec.structs.replace(one, message=f"There is no name {pointer} at all.") if one.ref == cause else one
        for one in host.findings)) for host in report.hosts)
    text = ticket_text(msgspec.structs.replace(report, hosts=hosts))
    fits(text)
    assert f"\n   {pointer}\n" in text
