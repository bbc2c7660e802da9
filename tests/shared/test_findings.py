"""Findings: whose each is, and the chain of what explains one."""

from __future__ import annotations

from shared.findings import SITE, Finding, Grade, explanations, make_ref


def _finding(host: str, check: str, *because: Finding) -> Finding:
    return Finding(check=check, subject="s", grade=Grade.FAIL, planned="", found="", message="", ref=make_ref(host, check, "s"),
                   because=tuple(cause.ref for cause in because))


def _chain(finding: Finding, *known: Finding) -> list[str]:
    return [cause.check for cause in explanations(finding, {one.ref: one for one in (finding, *known)})]


def test_a_finding_says_whose_it_is() -> None:
    """The host is the first part of the ref, whatever the subject holds."""
    assert _finding("dome-a.example.net", "host.echo").host == "dome-a.example.net"
    assert _finding(SITE, "name.server").host == SITE


def test_the_nearest_explanation_comes_first_and_each_once() -> None:
    """Two ways that lead to one cause name it once, behind both."""
    root = _finding(SITE, "gateway.echo")
    one, other = _finding("h", "host.echo", root), _finding("h", "port.open", root)
    assert _chain(_finding("h", "ssh.identity", one, other), root, one, other) == ["host.echo", "port.open", "gateway.echo"]


def test_what_nothing_explains_has_no_chain() -> None:
    assert _chain(_finding("h", "host.echo")) == []


def test_findings_that_explain_each_other_end() -> None:
    """A circle, which grading never makes but a file may hold, leads nowhere twice and never back to the start."""
    one = _finding("h", "host.echo", _finding("h", "port.open"))
    other = _finding("h", "port.open", one)
    assert _chain(one, other) == ["port.open"]


def test_a_cause_that_is_not_there_is_passed_over() -> None:
    assert _chain(_finding("h", "host.echo", _finding("h", "port.open"))) == []
