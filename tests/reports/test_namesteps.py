"""The difference as text: what to do, where, and what could not be seen."""

from __future__ import annotations

from reports.namesteps import comments, to_text
from shared.namesteps import Action, NameSteps, Step, Unseen
from shared.zonelines import Line

ZONE = "obs.example.net"
A = Line(f"dome-a.{ZONE}", "A", "192.0.2.11")
STALE = Line(f"dome-a.{ZONE}", "A", "192.0.2.99")
B = Line(f"dome-b.{ZONE}", "A", "192.0.2.12")
BOTH = ("192.0.2.53", "192.0.2.54")


def found(*steps: Step, unseen: tuple[Unseen, ...] = ()) -> NameSteps:
    return NameSteps(servers=BOTH, hosts=2, vantage="bench", at="2026-11-25T10:00:00Z", steps=steps, unseen=unseen)


def test_what_holds_at_every_server_names_none_and_what_differs_names_them() -> None:
    """Additions first, then removals, then what stays."""
    text = to_text(found(Step(Action.KEEP, ZONE, A, BOTH), Step(Action.REMOVE, ZONE, STALE, BOTH[1:]),
                         Step(Action.ADD, ZONE, B, BOTH[1:]), Step(Action.KEEP, ZONE, B, BOTH[:1])))
    assert text.splitlines() == [
        "; asked 192.0.2.53, 192.0.2.54 about 2 hosts, from bench, 2026-11-25T10:00:00Z",
        "",
        "; zone obs.example.net",
        "; 192.0.2.54 lacks what another server has: has it fetched obs.example.net since?",
        "add     dome-b.obs.example.net. IN A 192.0.2.12    ; at 192.0.2.54",
        "remove  dome-a.obs.example.net. IN A 192.0.2.99    ; at 192.0.2.54",
        "keep    dome-a.obs.example.net. IN A 192.0.2.11",
        "keep    dome-b.obs.example.net. IN A 192.0.2.12    ; at 192.0.2.53",
        "",
        "; 1 to add, 1 to remove, 2 to keep",
    ]


def test_what_was_not_seen_comes_first_and_is_counted() -> None:
    """Silence leads, so that nobody reads the rest as the whole."""
    steps = found(unseen=(Unseen("192.0.2.54", "no answer within 6 s", (A, B)), Unseen("192.0.2.53", "REFUSED", (B,))))
    assert to_text(steps).splitlines()[1:3] == [
        "; not seen at 192.0.2.54: no answer within 6 s (2 records, of which nothing is said)",
        "; not seen at 192.0.2.53: REFUSED (1 record, of which nothing is said)"]
    assert to_text(steps).endswith("\n; 0 to add, 0 to remove, 0 to keep; 3 answers not seen\n")
    assert comments(steps) == "\n".join(to_text(steps).splitlines()[1:3]) + "\n"


def test_changes_are_gathered_over_all_servers() -> None:
    """One update goes to the primary, so each record is in it once; what is kept is not in it."""
    steps = found(Step(Action.ADD, ZONE, B, BOTH[1:]), Step(Action.ADD, ZONE, B, BOTH[:1]), Step(Action.KEEP, ZONE, A, BOTH),
                  Step(Action.REMOVE, ZONE, STALE, BOTH[:1]), Step(Action.KEEP, "2.0.192.in-addr.arpa", A, BOTH))
    assert steps.changes() == {ZONE: ((B,), (STALE,))}


def test_what_a_server_says_cannot_move_the_cursor() -> None:
    """A name server controls its explanations and its values."""
    hostile = found(Step(Action.REMOVE, ZONE, Line(f"dome-a.{ZONE}", "CNAME", "x\x1b[2J\n."), BOTH),
                    unseen=(Unseen("192.0.2.54", "no\nkeep  forged", ()),))
    assert "\x1b" not in to_text(hostile)
    assert not [line for line in to_text(hostile).splitlines() if line.startswith("keep")]


def test_a_server_that_is_only_late_is_told_before_anything_is_added_again() -> None:
    """In the update script too; a record that no server has is not late, nor one that was left behind."""
    late = found(Step(Action.KEEP, ZONE, B, BOTH[:1]), Step(Action.ADD, ZONE, B, BOTH[1:]))
    assert comments(late) == (
        "; 192.0.2.54 lacks what another server has: has it fetched obs.example.net since?\n")
    assert comments(found(Step(Action.ADD, ZONE, B, BOTH), Step(Action.REMOVE, ZONE, STALE, BOTH[1:]))) == ""
