"""Two runs on one page: every move is shown once, then beside now, and what is left out is counted."""

from __future__ import annotations

import re
from types import ModuleType

import msgspec
import pytest

from reports.beforeafter import BeforeAfter, build, to_html
from shared.drift import Drift, Kind, Move, RunName, ValueChange
from shared.findings import Grade
from shared.safetext import visible


def move(
    kind: Kind, number: int = 0, before: Grade | None = Grade.PASS, after: Grade | None = Grade.FAIL, **more: object
) -> Move:
    return Move(kind=kind, ref=f"dome-a|port.open|{number}/tcp", host="dome-a.obs.example.net", check="port.open",
                subject=f"{number}/tcp", before=before, after=after, was="open", now="refused", message="The port refuses.",
                fix=("systemctl enable --now sshd",), **more)  # type: ignore[arg-type]


def drift(*moves: Move, **more: object) -> Drift:
    name = RunName(id="run", started="2027-03-04T09:12:24Z", verdict="ready")
    return Drift(baseline=name, run=name, moves=moves, unchanged=7, **more)  # type: ignore[arg-type]


def page(sample: ModuleType, found: Drift) -> BeforeAfter:
    return build(sample.sound(), sample.three(), found)


def test_worse_comes_first_and_mended_carries_no_mend(sample: ModuleType) -> None:
    """Parts in the order in which a reviewer asks; empty ones are not there."""
    made = page(sample, drift(move(Kind.MENDED, 1, Grade.FAIL, Grade.PASS), move(Kind.NEW_FAIL, 2), move(Kind.STILL_OPEN, 3)))
    assert [part.title for part in made.parts] == ["Worse than before", "Mended", "Still open"]
    assert [part.rows[0].fix for part in made.parts] == [("systemctl enable --now sshd",), (), ("systemctl enable --now sshd",)]


@pytest.mark.parametrize(("moves", "words"), [
    ((), "nothing got worse"),
    ((move(Kind.NEW_FAIL),), "1 check got worse"),
    ((move(Kind.NEW_FAIL), move(Kind.NEW_CAUTION, 1), move(Kind.NEWLY_UNPROVEN, 2)), "3 checks got worse"),
    ((move(Kind.STILL_OPEN),), "nothing got worse"),
])
def test_the_headline_says_the_verdict_now_and_what_got_worse(
    sample: ModuleType, moves: tuple[Move, ...], words: str
) -> None:
    made = page(sample, drift(*moves))
    assert made.headline.startswith("Not ready now; ")
    assert words in made.headline


def test_effects_are_told_with_their_cause(sample: ModuleType) -> None:
    """What only follows from another move has no row of its own."""
    cause = move(Kind.NEW_FAIL, 1, explains=2)
    effects = [move(Kind.NEW_FAIL, number, folded_under=cause.ref) for number in (2, 3)]
    (part,) = page(sample, drift(cause, *effects)).parts
    assert len(part.rows) == 1
    assert "2 others follow from it" in part.rows[0].said


def test_what_is_too_much_is_counted(sample: ModuleType) -> None:
    """Two hundred rows, and how many more there are."""
    (part,) = page(sample, drift(*(move(Kind.NEW_FAIL, number, symptom=f"kind {number}") for number in range(250)))).parts
    assert (len(part.rows), part.more) == (200, 50)


def test_values_that_changed_stand_unexpected_first(sample: ModuleType) -> None:
    """A renewed certificate is good care and comes after a host key that changed."""
    renewed = ValueChange(host="dome-a", what="certificate", subject="443/tcp", was="a", now="b", expected=True)
    changed = ValueChange(host="dome-a", what="host key", subject="22/tcp", was="a", now="b")
    (part,) = page(sample, drift(values=(renewed, changed))).parts
    assert [row.check for row in part.rows] == ["host key", "certificate"]


def test_the_page_holds_both_runs_and_every_row_in_words(sample: ModuleType) -> None:
    """Ids, verdicts and facts of both sides; grades as words; no script at all."""
    made = page(sample, drift(move(Kind.NEW_FAIL), context=("The plan has changed.",), hosts_added=("dome-z",)))
    html = to_html(made)
    for text in ("Before", "After", sample.sound().run.id, "The plan has changed.", "dome-z", "The port refuses.", "refused"):
        assert text in re.sub(r"</?i>", "", html)
    assert "<script" not in html
    assert re.search(r"</svg> pass</span>\s+open", html)
    assert re.search(r"</svg> fail</span>\s+refused", html)


def test_hostile_text_is_shown_as_text(sample: ModuleType) -> None:
    """In every field of a move and of both runs."""
    bad = sample.HOSTILE
    made = build(sample.hostile(), sample.hostile(), drift(msgspec.structs.replace(
        move(Kind.NEW_FAIL), host=bad, subject=bad, was=bad, now=bad, message=bad, fix=(bad,)), context=(bad,)))
    html = to_html(made)
    assert "<script" not in html
    assert "<img" not in html
    assert "\u202e" not in html
    assert visible("\u202e").replace("<", "&lt;").replace(">", "&gt;") in html


def test_what_happened_to_many_hosts_is_one_row(sample: ModuleType) -> None:
    """A fleet that lost a port is one thing to read; every host is counted and the first are named."""
    lost = [msgspec.structs.replace(move(Kind.NEW_FAIL, 22, symptom="refused", explains=1), host=f"dome-{number}",
                                    ref=f"dome-{number}|port.open|22/tcp") for number in range(300)]
    renewed = [ValueChange(host=f"dome-{number}", what="certificate", subject="443/tcp", was="one", now="other",
                           note=f"renewed until {number}", expected=True) for number in range(300)]
    worse, values = page(sample, drift(*lost, values=tuple(renewed))).parts
    assert [len(worse.rows), worse.more, len(values.rows), values.more] == [1, 0, 1, 0]
    named = ", ".join(f"dome-{number}" for number in range(1, 9))
    assert worse.rows[0].said == f"The port refuses. And 299 more alike: {named} and 291 more. 300 others follow from them."
    assert values.rows[0].said == f"renewed until 0. This is part of good care. And 299 more alike: {named} and 291 more."
