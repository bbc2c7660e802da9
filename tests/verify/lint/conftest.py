"""Lint a plan on a fixed day, and look at what it says."""

from __future__ import annotations

import datetime
from collections.abc import Callable

import msgspec
import pytest

from shared.findings import Finding, Grade
from shared.plan import Host, Network, Place, Plan
from verify.lint import Lint, lint

TODAY = datetime.date(2026, 11, 25)


class Look:
    """One plan's lint, asked the ways the tests ask."""

    def __init__(self, plan: Plan) -> None:
        self.lint: Lint = lint(plan, today=TODAY)

    @property
    def findings(self) -> tuple[Finding, ...]:
        return self.lint.findings

    @property
    def wrong(self) -> list[tuple[str, Grade]]:
        """Check and grade of everything that did not pass, in order."""
        return [(finding.check, finding.grade) for finding in self.findings if finding.grade is not Grade.PASS]

    def of(self, check: str, grade: Grade | None = None) -> list[Finding]:
        """The findings of one check, of one grade if asked."""
        return [found for found in self.findings if found.check == check and grade in (None, found.grade)]

    def the(self, check: str, grade: Grade) -> Finding:
        """The only finding of that check and grade."""
        found = self.of(check, grade)
        assert len(found) == 1, [finding.message for finding in found] or self.wrong
        return found[0]


@pytest.fixture(scope="session")
def look() -> Callable[[Plan], Look]:
    """``look(plan)``: the plan linted on 25 November 2026."""
    return Look


@pytest.fixture(scope="session")
def host(make_plan) -> Callable[..., Host]:
    """``host(name="dome-c", address="192.0.2.13", **fields)``: one more host row of the sound plan, on line 40."""

    def build(name: str = "dome-c", address: str = "192.0.2.13", **fields: object) -> Host:
        fqdn = name if "." in name else f"{name}.obs.example.net"
        base = msgspec.structs.replace(make_plan().hosts[0], name=name, fqdn=fqdn.lower(), addresses_typed=(address,),
                                       addresses=(address,), place=Place("tidewater.toml", 40))
        return msgspec.structs.replace(base, **fields)

    return build


@pytest.fixture(scope="session")
def network(make_plan) -> Callable[..., Network]:
    """``network(subnet="192.0.2.0/24", **fields)``: the sound plan's network with some of its fields replaced."""

    def build(subnet: str = "192.0.2.0/24", **fields: object) -> Network:
        return msgspec.structs.replace(make_plan().networks[0], subnet_typed=subnet, subnet=None, **fields)

    return build
