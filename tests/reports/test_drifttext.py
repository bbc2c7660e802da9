"""The comparison as text: what else changed first, what got worse at length, nothing cut unsaid."""

from __future__ import annotations

import msgspec
import pytest

from reports.drifttext import MOST_OTHER, MOST_WORSE, drift_text
from reports.historytext import host_text, runs_text
from shared.drift import Crossing, Drift, Kind, Move, RunName, Trend, ValueChange
from shared.findings import Grade
from shared.history import EndingNight, Followed, FollowedEnding, Night, RunRecord
from shared.quantities import Interval

HOST = "dome-a.obs.example.net"


def move(kind: Kind, subject: str = "23/tcp", **more: object) -> Move:
    usual: dict[str, object] = {
        "kind": kind, "ref": f"{HOST}|port.closed|{subject}", "host": HOST, "check": "port.closed", "subject": subject,
        "before": Grade.PASS, "after": Grade.FAIL, "was": "refused", "now": "open", "message": "It is open.",
        "fix": ("systemctl disable --now inetd",)}
    return msgspec.convert(usual | more, Move)


def drift(**parts: object) -> Drift:
    made = Drift(baseline=RunName(id="20270301T091224Z-7f3a", started="2027-03-01T09:12:24Z", verdict="ready"),
                 run=RunName(id="20270304T091224Z-7f3a", started="2027-03-04T09:12:24Z", verdict="not-ready"),
                 accepted="2027-03-01 by m.tar", unchanged=211)
    return msgspec.structs.replace(made, **parts)


TREND = Trend(host=HOST, what="clock offset", subject="192.0.2.11", unit="s", nights=30, since="2027-02-01", latest=0.078,
              per_day=Interval(0.0019, 0.0021), crossings=(Crossing(grade=Grade.CAUTION, limit=0.1, earliest="2027-03-14",
                                                                    latest="2027-03-17"),))


def test_the_whole_of_a_small_comparison() -> None:
    """As it is printed."""
    text = drift_text(drift(
        context=("The plan has changed since the baseline (SHA-256 aaaa then, bbbb now).",), hosts_added=("dome-b",),
        moves=(move(Kind.NEW_FAIL, explains=1), move(Kind.NEWLY_UNPROVEN, "9/tcp", folded_under=f"{HOST}|port.closed|23/tcp"),
               move(Kind.MENDED, "80/tcp", before=Grade.FAIL, after=Grade.PASS, was="open", now="refused")),
        values=(ValueChange(host=HOST, what="host key ssh-ed25519", subject="22/tcp at 192.0.2.11", was="SHA256:one",
                            now="SHA256:two", note="the host was installed anew, or another host answers here"),),
        trends=(TREND,)), files=["out/tidewater.json"])
    assert text == """\
◆ NOT READY  run 20270304T091224Z-7f3a
Compared with the baseline 20270301T091224Z-7f3a, which was ready, accepted
  2027-03-01 by m.tar.
1 new failure, 1 newly unproven, 1 mended, 1 value changed, 211 good as before.

First of all
  The plan has changed since the baseline (SHA-256 aaaa then, bbbb now).
  Hosts added since the baseline: dome-b.

New failures: 1
  ◆ dome-a.obs.example.net  port.closed 23/tcp  (pass → fail, explains 1)
      It is open.
      at the baseline: refused
      | systemctl disable --now inetd

Newly unproven: 1, 1 of them explained by another finding shown here

Changed, with the same grade: 1
  dome-a.obs.example.net  host key ssh-ed25519 22/tcp at 192.0.2.11
      SHA256:one then, SHA256:two now
      the host was installed anew, or another host answers here

Mended: 1
  ● dome-a.obs.example.net  port.closed 80/tcp  (fail → pass; open then, refused
    now)

Within 90 days, if nothing changes
  dome-a.obs.example.net  clock offset 192.0.2.11: 78 ms now; 2 ms ± 100 µs a
    day over 30 nights since 2027-02-01; caution limit 100 ms between 2027-03-14
    and 2027-03-17

out/tidewater.json"""


@pytest.mark.parametrize(("day", "told"), [("2027-06-02", True), ("2027-06-03", False)])
def test_only_limits_that_are_near_are_told(day: str, told: bool) -> None:
    """90 days after the run of 2027-03-04 is 2027-06-02; later ones are counted where any is told."""
    later = msgspec.structs.replace(TREND, crossings=(Crossing(grade=Grade.FAIL, limit=1.0, earliest=day, latest=day),))
    assert ("Within 90 days" in drift_text(drift(trends=(later,)))) == told
    assert ("… and 1 limit to be crossed later" in drift_text(drift(trends=(TREND, later)))) == (not told)


def test_lines_to_paste_are_never_broken() -> None:
    """A command on two lines is two commands."""
    command = "openssl req -new -key dome-a.key -subj /CN=dome-a.obs.example.net -out dome-a.obs.example.net.csr"
    text = drift_text(drift(moves=(move(Kind.NEW_FAIL, fix=(f"{command}\nsecond",)),)), width=60)
    assert f"      | {command}\n      | second" in text


def test_quiet_says_nothing_where_nothing_got_worse() -> None:
    """A night without news sends no mail."""
    mended = move(Kind.MENDED, before=Grade.FAIL, after=Grade.PASS)
    assert drift_text(drift(moves=(mended,), trends=(TREND,)), quiet=True) == ""
    assert drift_text(drift(moves=(mended, move(Kind.NEW_FAIL))), quiet=True).startswith("New failures: 1")


def test_quiet_says_that_a_night_was_interrupted() -> None:
    """That nothing got worse is not known then."""
    text = drift_text(drift(moves=(), values=(), context=("The run was interrupted.",), complete=False), quiet=True)
    assert "The run was interrupted." in text


def test_quiet_still_says_which_plan_it_was_where_something_did() -> None:
    """What may explain it comes first."""
    text = drift_text(drift(moves=(move(Kind.NEW_FAIL),), context=("The plan has changed.",)), quiet=True)
    assert text.index("The plan has changed.") < text.index("New failures")


@pytest.mark.parametrize(("kind", "most"), [(Kind.NEW_FAIL, MOST_WORSE), (Kind.STILL_OPEN, MOST_OTHER)])
def test_what_is_left_out_is_counted(kind: Kind, most: int) -> None:
    """Nothing is dropped unsaid."""
    moves = tuple(move(kind, f"{port}/tcp", symptom=f"of a kind of its own, {port}") for port in range(most + 7))
    text = drift_text(drift(moves=moves))
    assert f"{most + 7}" in text
    assert "… and 7 more" in text


def test_where_more_is_to_be_seen_is_said_where_anything_was_only_counted() -> None:
    """The reports of a run do not hold what was mended since another; the command that shows it stands on a line of its own."""
    mended = tuple(move(Kind.MENDED, f"{port}/tcp", before=Grade.FAIL, after=Grade.PASS) for port in range(MOST_OTHER + 1))
    command = "seatrial report --before A --after B --html FILE"
    assert drift_text(drift(moves=mended), whole=command).endswith(f"\n\nMore of what is only counted here:\n  {command}")
    assert command not in drift_text(drift(moves=mended[:-1]), whole=command)


def test_what_happened_to_many_hosts_is_told_once_and_the_others_are_named() -> None:
    """A name server that forgot a zone is one thing to read, not a thousand; what differs is told by itself."""
    names = [f"dome-{number}.obs.example.net" for number in range(1000)]
    gone = [move(Kind.NEW_FAIL, "A", host=name, ref=f"{name}|name.forward|A", check="name.forward", symptom="no-name",
                 message=f"No server knows {name}.", explains=2) for name in names]
    text = drift_text(drift(moves=(*gone, move(Kind.NEW_FAIL))))
    assert text.count("No server knows") == 1
    assert "New failures: 1,001" in text
    assert "dome-0.obs.example.net  name.forward A  (pass → fail, explains 2,000)" in text
    assert " ".join(text.split()).count(
        f"and 999 more alike: {', '.join(names[1:9])} and 991 more") == 1
    assert "port.closed 23/tcp" in text
    assert max(map(len, text.splitlines())) <= 80


def test_three_alike_are_told_each() -> None:
    """Naming the others would save nobody anything."""
    text = drift_text(drift(moves=tuple(move(Kind.NEW_FAIL, f"{port}/tcp") for port in (21, 22, 23))))
    assert text.count("It is open.") == 3
    assert "alike" not in text


def test_a_fleet_whose_certificates_were_renewed_is_one_line_and_measured_values_are_each_told() -> None:
    """Care that was expected is soon read; of a value that moved each reader wants to know by how much."""
    renewed = tuple(ValueChange(host=f"dome-{number}", what="certificate", subject="443/tcp", was="one", now="other",
                                note=f"renewed until 2027-09-21T19:41:{number:02}Z", expected=True) for number in range(50))
    keys = tuple(ValueChange(host=f"pier-{number}", what="host key ssh-ed25519", subject="22/tcp", was="one", now=f"k{number}",
                             note="the host was installed anew, or another host answers here") for number in range(9))
    clocks = tuple(ValueChange(host=f"mast-{number}", what="clock.offset", subject="", was="1 ms", now=f"{number} ms")
                   for number in range(20, 30))
    text = drift_text(drift(values=(*renewed, *keys, *clocks)))
    assert text.count("renewed until") == 1
    assert "and 49 more alike: dome-1, dome-2" in text
    assert text.count("the host was installed anew") == 1
    assert "and 8 more alike: pier-1, pier-2, pier-3, pier-4, pier-5, pier-6, pier-7, pier-8" in " ".join(text.split())
    assert all(f"1 ms then, {number} ms now" in text for number in range(20, 30))


def test_hosts_that_came_and_went_are_named_as_far_as_one_reads_on() -> None:
    """All of a fleet's names in one sentence are no sentence."""
    text = " ".join(drift_text(drift(hosts_added=tuple(f"dome-{number}" for number in range(500)))).split())
    assert "Hosts added since the baseline: dome-0, dome-1, dome-2, dome-3, dome-4, dome-5, dome-6, dome-7 and 492 more." in text


def test_hostile_text_stays_on_its_line() -> None:
    """Escape sequences and line ends in what a host says are written out."""
    hostile = "\x1b[31m\nNew failures: 0\u202e"
    text = drift_text(drift(moves=(move(Kind.NEW_FAIL, message=hostile, was=hostile, now=hostile),),
                            values=(ValueChange(host=HOST, what="SSH server", subject="", was=hostile, now="x"),)))
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert text.count("\nNew failures") == 1


def run(number: int, **more: object) -> RunRecord:
    usual: dict[str, object] = {
        "number": number, "id": f"2027030{number}T091224Z-7f3a", "plan": 1, "title": "Tidewater Observatory, rack 2",
        "kind": "drift", "started": "2027-03-04T09:12:24Z", "finished": "2027-03-04T09:12:38Z", "stored": "2027-03-04T09:12:39Z",
        "complete": True, "part": False, "verdict": "ready", "passed": 9, "caution": 0, "fail": 0, "unproven": 0, "waived": 0,
        "hosts": 2, "tool": "seatrial 0.1.0", "vantage": "pier-1", "profile": "production", "operator": "m.tar", "reason": "",
        "ticket": "", "checks": ""}
    return msgspec.convert(usual | more, RunRecord)


def test_runs_are_one_line_each_with_what_is_special() -> None:
    """The baseline, a partial run, an interrupted one, a clock that was set back in the middle, a ticket."""
    text = runs_text([run(5, ticket="CHG-1042"), run(4, finished="2027-03-04T09:00:00Z"),
                      run(3, complete=False, verdict="unproven"), run(2, part=True, verdict="not-ready", fail=2, unproven=1),
                      run(1, baseline=True)], "history.sqlite")
    lines = text.splitlines()
    assert lines[0] == "Tidewater Observatory, rack 2"
    assert lines[1].endswith("CHG-1042")
    assert "its clock was set back meanwhile" in lines[2]
    assert "interrupted" in lines[3]
    assert "2 fail, 1 unproven; part, 2 hosts" in lines[4]
    assert lines[5].endswith("BASELINE")
    assert lines[-1] == "5 runs in history.sqlite"


def test_an_empty_history_says_so() -> None:
    """Rather than nothing."""
    assert runs_text([], "history.sqlite") == "history.sqlite holds no run yet"


def test_a_hosts_nights_show_what_was_not_good() -> None:
    """Verdict, offset with its uncertainty, when its certificates end, and the checks that were no pass."""
    nights = [Night(number=number, run=f"run-{number}", started="2027-03-04T09:12:24Z", grade="pass", value=0.001,
                    uncertainty=1e-4) for number in (1, 2)]
    followed = [
        Followed(host=HOST, check="", subject="", unit="", nights=(
            msgspec.structs.replace(nights[0], grade="ready", value=None),
            msgspec.structs.replace(nights[1], grade="not-ready", value=None))),
        Followed(host=HOST, check="clock.offset", subject="192.0.2.11", unit="s", nights=tuple(nights)),
        Followed(host=HOST, check="port.closed", subject="23/tcp", unit="", nights=(
            msgspec.structs.replace(nights[1], grade="fail", value=None),)),
    ]
    ends = [FollowedEnding(host=HOST, subject="443/tcp", nights=(
        EndingNight(number=2, run="run-2", started="", not_after_unix=1827619200),))]
    lines = host_text(HOST, followed, ends, [TREND], width=100).splitlines()
    assert " ".join(lines[2].split()) == "run-2 ◆ not ready 1 ms ± 100 µs 2027-12-01 fail port.closed 23/tcp"
    assert " ".join(lines[3].split()) == "run-1 ● ready 1 ms ± 100 µs -"
    assert "Heading" in lines
