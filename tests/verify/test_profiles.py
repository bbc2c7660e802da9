"""Which limits are in force, and who set them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from shared import catalogue
from shared.catalogue import LimitRule
from shared.plan import LimitOverride, Place, Plan
from shared.quantities import Sense
from verify.errors import PlanError
from verify.planfile import read_plan
from verify.planfile.profiles import limits_in_force

MakePlan = Callable[..., Plan]

#: Two limits of our own, so that nothing here depends on the catalogue's numbers.
MOST = LimitRule(name="test_delay", unit="s", sense=Sense.AT_MOST, origin="a table",
                 bounds={"lab": (2.0, 20.0), "production": (1.0, 10.0), "strict": (0.5, 5.0)})
LEAST = LimitRule(name="test_bits", unit="bit", sense=Sense.AT_LEAST, origin="a standard",
                  bounds={"lab": (1024, None), "production": (3072, 2048), "strict": (4096, 3072)})


@pytest.fixture(autouse=True)
def _two_limits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(catalogue.LIMITS, MOST.name, MOST)
    monkeypatch.setitem(catalogue.LIMITS, LEAST.name, LEAST)


def override(name: str, caution: float | None, fail: float | None, line: int = 41) -> LimitOverride:
    return LimitOverride(name=name, caution=caution, fail=fail, origin=f"set in site.toml:{line}", place=Place("site.toml", line))


@pytest.mark.parametrize("profile", catalogue.PROFILES)
def test_a_profile_of_the_catalogue_is_taken_whole(make_plan: MakePlan, profile: str) -> None:
    """Whether the plan or the command line names it."""
    assert limits_in_force(make_plan(profile=profile), None) == catalogue.limits_of(profile)
    assert limits_in_force(make_plan(profile="lab"), profile) == catalogue.limits_of(profile)


def test_an_override_replaces_both_bounds_and_says_so(make_plan: MakePlan) -> None:
    """The report shows who set the number."""
    limits = limits_in_force(make_plan(limits=(override("test_delay", 3.0, 4.0),)), None)["test_delay"]
    assert (limits.caution, limits.fail, limits.origin) == (3.0, 4.0, "set in site.toml:41")


@pytest.mark.parametrize(("caution", "fail", "bounds", "origin"), [
    (3.0, None, (3.0, 10.0), "caution set in site.toml:41; fail: a table"),
    (None, 30.0, (1.0, 30.0), "fail set in site.toml:41; caution: a table"),
])
def test_a_partial_override_keeps_the_other_bound(make_plan: MakePlan, caution: float | None, fail: float | None,
                                                  bounds: tuple[float, float], origin: str) -> None:
    """Both origins are told."""
    limits = limits_in_force(make_plan(limits=(override("test_delay", caution, fail),)), None)["test_delay"]
    assert ((limits.caution, limits.fail), limits.origin) == (bounds, origin)


def test_a_bound_that_the_profile_never_gives_needs_no_origin(make_plan: MakePlan) -> None:
    """The lab has no fail for the bits: only the override's origin is left."""
    limits = limits_in_force(make_plan(profile="lab", limits=(override("test_bits", 512, None),)), None)["test_bits"]
    assert (limits.caution, limits.fail, limits.origin) == (512, None, "set in site.toml:41")


@pytest.mark.parametrize(("name", "caution", "fail", "refused"), [
    ("test_delay", 9.9, None, False), ("test_delay", 10.0, None, False), ("test_delay", 10.1, None, True),
    ("test_delay", None, 1.1, False), ("test_delay", None, 1.0, False), ("test_delay", None, 0.9, True),
    ("test_bits", 2049, None, False), ("test_bits", 2048, None, False), ("test_bits", 2047, None, True),
    ("test_bits", None, 3071, False), ("test_bits", None, 3072, False), ("test_bits", None, 3073, True),
    ("test_delay", 5.0, 5.0, False), ("test_delay", 5.1, 5.0, True),
])
def test_a_caution_never_lies_beyond_its_fail(make_plan: MakePlan, name: str, caution: float | None, fail: float | None,
                                              refused: bool) -> None:
    """Beyond is above for what is at most, below for what is at least; equal bounds give no caution, and may."""
    plan = make_plan(limits=(override(name, caution, fail),))
    if refused:
        with pytest.raises(PlanError, match=r"^site\.toml:41: \[limits\] " + name):
            limits_in_force(plan, None)
    else:
        assert limits_in_force(plan, None)[name].origin.startswith(("set in", "caution set in", "fail set in"))


@pytest.mark.parametrize(("name", "caution", "fail", "sentence"), [
    ("test_delay", 12.0, None, ("would fail above 10 s before it could caution above 12 s (the fail is the profile's); set a "
     "caution of at most 10 s, or another fail")),
    ("test_bits", None, 4096, ("would fail below 4096 bit before it could caution below 3072 bit (the caution is the profile's); "
     "set a caution of at least 4096 bit, or another fail")),
])
def test_bounds_in_the_wrong_order_are_said_with_whose_they_are(make_plan: MakePlan, name: str, caution: float | None,
                                                                fail: float | None, sentence: str) -> None:
    """One of the two may not stand in the plan at all."""
    with pytest.raises(PlanError) as caught:
        limits_in_force(make_plan(limits=(override(name, caution, fail),)), None)
    assert caught.value.problems == (f"site.toml:41: [limits] {name} {sentence}",)


def test_all_bounds_in_the_wrong_order_are_said_at_once(make_plan: MakePlan) -> None:
    """In the order of their lines."""
    plan = make_plan(limits=(override("test_bits", 1, None, 43), override("test_delay", 99.0, None, 42)))
    with pytest.raises(PlanError) as caught:
        limits_in_force(plan, None)
    assert [problem.partition(" ")[0] for problem in caught.value.problems] == ["site.toml:42:", "site.toml:43:"]


OURS = """\
base = "strict"

[limits]
test_delay = { caution = "750 ms" }
test_bits = { caution = "8192 bits", fail = "4096 bits" }
"""


def test_a_profile_file_named_by_the_plan_lies_beside_it(write_plan: Callable[..., Path]) -> None:
    """Its numbers come first, then the plan's."""
    path = write_plan(('"production"', '"ours.toml"'), ("[limits]", '[limits]\ntest_delay = { fail = "6 s" }\n#'))
    (path.parent / "ours.toml").write_text(OURS)
    limits = limits_in_force(read_plan(path), None)
    delay, bits = limits["test_delay"], limits["test_bits"]
    assert (delay.caution, delay.fail) == (0.75, 6.0)
    assert delay.origin == "fail set in tidewater.toml:40; caution: caution set in ours.toml:4; fail: a table"
    assert (bits.caution, bits.fail, bits.origin) == (8192, 4096, "set in ours.toml:5")
    others = {name for name in limits if name not in ("test_delay", "test_bits", "clock_offset")}
    assert {name: limits[name] for name in others} == {name: catalogue.limits_of("strict")[name] for name in others}


def test_a_profile_file_named_on_the_command_line_lies_in_the_working_directory(
        make_plan: MakePlan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not beside the plan, which may be anywhere."""
    (tmp_path / "ours.toml").write_text(OURS)
    monkeypatch.chdir(tmp_path)
    assert limits_in_force(make_plan(file="elsewhere/site.toml"), "ours.toml")["test_delay"].caution == 0.75


@pytest.mark.parametrize(("profile", "sentence"), [
    ("strikt", '--profile is "strikt", and there is no such profile; did you mean "strict"?'),
    ("zz", ('--profile is "zz", and there is no such profile; known are lab, production, strict, and any file whose name ends '
     "in .toml")),
    ("none.toml", '--profile names the file "none.toml", which does not exist; check the path'),
])
def test_a_profile_that_is_not_there_is_refused_in_one_sentence(
        make_plan: MakePlan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, profile: str, sentence: str) -> None:
    """With the nearest one that is."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(PlanError) as caught:
        limits_in_force(make_plan(), profile)
    assert caught.value.problems == (sentence,)


@pytest.mark.parametrize(("old", "new", "problems"), [
    ('base = "strict"', 'base = "strikt"', ['1: base is "strikt", and there is no such profile; did you mean "strict"?']),
    ('base = "strict"', "", ['1: the file lacks "base"; add base = "production"']),
    ('base = "strict"', "base = 1",
     ['1: the file base must be the name of a profile in quotes, such as "production"; it is the number 1']),
    ('base = "strict"', 'bass = "strict"', ['1: the file has no key "bass"; did you mean "base"?']),
    ("[limits]", "[limit]", ['3: the file has no table "limit"; did you mean "limits"?']),
    ('base = "strict"', 'base = "strict"\ntest_bits = 1', ["2: test_bits is a limit; write it below a line [limits]"]),
    ("test_delay", "test_dalay", ['4: [limits] has no limit "test_dalay"; did you mean "test_delay"?']),
    ("[limits]", "[[limits]]", ["3: limits must be a table, not a list; write its lines below a line [limits]"]),
    ('"750 ms"', '"1 day"', [("4: [limits] test_delay caution must be zero or more, written as a number and a unit "
                             '(us, ms, s, min, h, d) in quotes, such as "100 ms"; it is the text "1 day"')]),
    ('"8192 bits"', "-1", [("5: [limits] test_bits caution must be zero or more, written as a number of bits in quotes, such as "
                           '"2048 bits"; it is the number -1')]),
    ("caution =", "cuation =", ['4: [limits.test_delay] has no key "cuation"; did you mean "caution"?']),
])
def test_a_profile_file_with_a_fault_is_refused(make_plan: MakePlan, tmp_path: Path, old: str, new: str,
                                                problems: list[str]) -> None:
    """With its own file and line."""
    path = tmp_path / "ours.toml"
    path.write_text(OURS.replace(old, new, 1))
    with pytest.raises(PlanError) as caught:
        limits_in_force(make_plan(), str(path))
    assert list(caught.value.problems) == [f"{path}:{problem}" for problem in problems]


def test_bounds_of_a_profile_file_in_the_wrong_order_are_refused_at_its_line(make_plan: MakePlan, tmp_path: Path) -> None:
    """The fault lies in that file, not in the plan."""
    path = tmp_path / "ours.toml"
    path.write_text(OURS.replace("750 ms", "6 s"))
    with pytest.raises(PlanError) as caught:
        limits_in_force(make_plan(), str(path))
    assert caught.value.problems[0].startswith(f"{path}:4: [limits] test_delay would fail above 5 s before")
