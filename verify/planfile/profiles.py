"""Which limits are in force: those of a profile, then what a profile file sets, then what the plan sets.

Each limit keeps the origin of its numbers, so that a report shows who set what.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

from shared import catalogue
from shared.plan import LimitOverride, Place, Plan
from shared.quantities import Limits, QuantityError, Sense, parse_quantity, show_value
from verify.errors import PlanError, Problems, did_you_mean, nearest
from verify.planfile.lines import KeyPath, Lines
from verify.planfile.rawplan import LimitTable, ProfileFile
from verify.planfile.tables import Source, example_in, fill, in_words, parse_toml
from verify.planfile.textfile import decode_utf8, read_bounded

#: How a quantity of each base unit is typed, with an example, for the sentence that asks for one.
_TYPED = {
    "s": 'a number and a unit (us, ms, s, min, h, d) in quotes, such as "100 ms"',
    "ratio": 'a number and a unit (%, ppm) in quotes, such as "15 %"',
    "bit": 'a number of bits in quotes, such as "2048 bits"',
    "count": "a bare number, such as 3",
}


class Profile(msgspec.Struct, frozen=True, kw_only=True):
    """A named set of limits: one of the catalogue's, or a file that overrides some limits of one."""

    name: str
    base: str
    overrides: tuple[LimitOverride, ...] = ()


def limits_in_force(plan: Plan, profile: str | None) -> dict[str, Limits]:
    """Every limit of the catalogue, as the profile and then the plan's ``[limits]`` have it, in base units.

    ``profile`` is what the command line asks for: a name, or a file relative to the working directory; None takes the
    plan's own, whose file is relative to the plan.  An override that sets one bound keeps the other.  Raises PlanError for a
    profile that cannot be used and for a caution that would come after its fail.
    """
    chosen = own_profile(plan) if profile is None else resolve_profile_name(profile, Path(), "--profile")
    return combined(chosen, plan.limits)


def combined(chosen: Profile, plan_limits: tuple[LimitOverride, ...]) -> dict[str, Limits]:
    """The limits of a profile with the plan's overrides.  Raises PlanError for a caution that would come after its fail."""
    limits = catalogue.limits_of(chosen.base)
    problems = Problems()
    for override in (*chosen.overrides, *plan_limits):
        if override.name in limits:
            limits[override.name] = _overridden(limits[override.name], override)
            _check_order(limits[override.name], override, problems)
    problems.raise_if_any()
    return limits


def own_profile(plan: Plan, named_at: Place | None = None) -> Profile:
    """The profile that the plan names, at ``named_at`` if that is known.  Raises PlanError."""
    return resolve_profile_name(plan.profile, Path(plan.file).parent, f"{named_at or plan.file}: [plan] profile")


def resolve_profile_name(name: str, folder: Path, named_at: str) -> Profile:
    """The profile of that name, or of the file of that name in ``folder``.

    What ends in ``.toml`` or holds a slash is a file.  Raises PlanError, its sentence begun with who names
    the profile, ``named_at``: "--profile".
    """
    if name in catalogue.PROFILES:
        return Profile(name=name, base=name)
    if name.endswith(".toml") or "/" in name:
        return read_profile(folder / name, named_at)
    close = nearest(name, catalogue.PROFILES)
    mend = f'did you mean "{close}"?' if close else (
        f"known are {', '.join(catalogue.PROFILES)}, and any file whose name ends in .toml")
    raise PlanError(f'{named_at} is "{name[:60]}", and there is no such profile; {mend}')


def read_profile(path: Path, named_at: str | None = None) -> Profile:
    """A profile file: ``base``, the profile it starts from, and a ``[limits]`` table.  Raises PlanError."""
    shown = str(path)
    text = decode_utf8(read_bounded(path, named_at), shown)
    document = parse_toml(text, shown)
    source = Source(shown, Lines(text), Problems())
    overrides = read_limits(document.pop("limits", {}), source)
    for key in [key for key in document if key in catalogue.LIMITS or nearest(key, ("limits",))]:
        del document[key]
        mend = f"{key} is a limit; write it below a line [limits]" if key in catalogue.LIMITS else (
            f'the file has no table "{key}"; did you mean "limits"?')
        source.problem((key,), mend)
    head = fill(ProfileFile, document, source, ())
    base = document.get("base")
    if isinstance(base, str) and base not in catalogue.PROFILES:
        known = did_you_mean(base, catalogue.PROFILES)
        source.problem(("base",), f'base is "{base[:60]}", and there is no such profile; {known}')
    source.problems.raise_if_any()
    assert head is not None, "a table that could not be read has been reported"
    return Profile(name=path.name, base=head.base, overrides=overrides)


def read_limits(table: object, source: Source) -> tuple[LimitOverride, ...]:
    """The overrides of a ``[limits]`` table; what is wrong with it is noted in ``source.problems``."""
    if not isinstance(table, dict):
        source.problem(("limits",), f"limits must be a table, not {in_words(table)}; write its lines below a line [limits]")
        return ()
    overrides = [_read_limit(name, value, source) for name, value in table.items()]
    return tuple(override for override in overrides if override is not None)


def _read_limit(name: str, value: Any, source: Source) -> LimitOverride | None:
    path: KeyPath = ("limits", name)
    if name not in catalogue.LIMITS:
        source.problem(path, f'[limits] has no limit "{name}"; {did_you_mean(name, catalogue.LIMITS)}')
        return None
    unit = catalogue.LIMITS[name].unit
    if not isinstance(value, dict):
        example = example_in(_TYPED[unit])
        source.problem(path, f"[limits] {name} must say for which grade it is; write {name} = {{ fail = {example} }}, "
                             "with caution beside it or in its place")
        return None
    bounds = fill(LimitTable, value, source, path)
    if bounds is None:
        return None
    if not value:
        source.problem(path, f"[limits] {name} sets neither caution nor fail; write one of them, or take the line out")
    place = source.place(*path)
    return LimitOverride(
        name=name, caution=_quantity(bounds.caution, unit, (*path, "caution"), source),
        fail=_quantity(bounds.fail, unit, (*path, "fail"), source),
        origin=f"set in {Place(Path(place.file).name, place.line)}", place=place)


def _quantity(typed: str | float | None, unit: str, path: KeyPath, source: Source) -> float | None:
    if typed is None:
        return None
    try:
        return parse_quantity(str(typed), unit)
    except QuantityError:
        source.problem(path, f"[limits] {path[1]} {path[2]} must be zero or more, written as {_TYPED[unit]}; "
                             f"it is {in_words(typed)}")
        return None


def _overridden(limits: Limits, override: LimitOverride) -> Limits:
    """The limits with the bounds that the override sets; the origin of a bound it leaves alone is kept in words."""
    caution = limits.caution if override.caution is None else override.caution
    fail = limits.fail if override.fail is None else override.fail
    origin = override.origin
    if override.caution is None and limits.caution is not None:
        origin = f"fail {override.origin}; caution: {limits.origin}"
    elif override.fail is None and limits.fail is not None:
        origin = f"caution {override.origin}; fail: {limits.origin}"
    return msgspec.structs.replace(limits, caution=caution, fail=fail, origin=origin)


def _check_order(limits: Limits, override: LimitOverride, problems: Problems) -> None:
    """A caution must come before its fail, or it could never be given."""
    if limits.caution is None or limits.fail is None:
        return
    at_most = limits.sense is Sense.AT_MOST
    if limits.caution <= limits.fail if at_most else limits.caution >= limits.fail:
        return
    caution, fail = show_value(limits.caution, limits.unit), show_value(limits.fail, limits.unit)
    beyond, least = ("above", "at most") if at_most else ("below", "at least")
    inherited = "fail" if override.fail is None else "caution" if override.caution is None else None
    whose = f" (the {inherited} is the profile's)" if inherited else ""
    problems.add(override.place, f"[limits] {limits.name} would fail {beyond} {fail} before it could caution {beyond} "
                                 f"{caution}{whose}; set a caution of {least} {fail}, or another fail")
