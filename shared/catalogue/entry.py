"""The form every entry of the catalogue fills in."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from shared.quantities import Limits, Sense

#: The profiles that every limit has bounds for, from the most lenient to the strictest.
PROFILES = ("lab", "production", "strict")


class Check(msgspec.Struct, frozen=True, kw_only=True):
    """One check: what a pass proves, what it does not, on what published basis, and what to do about the rest.

    ``needs`` names the checks whose failure leaves this one without evidence.  ``limits`` names the limits it is graded
    with (``LimitRule.name``).  ``basis`` cites a document with its section, or says "common practice, no source".
    ``would_prove`` says what would settle the check where it came out unproven.  ``owner`` is who mends it: "names",
    "network", "time", "certificates", "build" (whoever installs the host), "runner" or "plan" (whoever keeps it); ``owners``
    names the symptoms that somebody else has to mend.
    """

    name: str
    title: str
    proves: str
    not_proves: str
    basis: tuple[str, ...]
    causes: tuple[str, ...]
    mends: tuple[str, ...]
    would_prove: str
    owner: str
    owners: Mapping[str, str] = {}
    needs: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()

    @property
    def family(self) -> str:
        """The part of the name before the dot."""
        return self.name.partition(".")[0]

    def mended_by(self, symptom: str) -> str:
        """Who mends a finding of this check that shows ``symptom``."""
        return self.owners.get(symptom, self.owner)


class LimitRule(msgspec.Struct, frozen=True, kw_only=True):
    """One limit with its bounds in every profile.

    ``bounds`` maps a profile to (caution, fail) in the base unit of ``unit`` ("s", "ratio", "bit", "count"); None means
    that this grade is never given.  ``origin`` is shown wherever the limit is.
    """

    name: str
    unit: str
    sense: Sense
    bounds: dict[str, tuple[float | None, float | None]]
    origin: str

    def under(self, profile: str) -> Limits:
        """The limits of one profile.  Raises KeyError for a profile that is not in ``PROFILES``."""
        caution, fail = self.bounds[profile]
        return Limits(name=self.name, unit=self.unit, sense=self.sense, caution=caution, fail=fail, origin=self.origin)
