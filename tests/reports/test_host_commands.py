"""Every command that is run on a host can be read beforehand and afterwards."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from reports.evidencetables import commands
from reports.handbook import page
from shared import catalogue
from shared.evidence import CommandAnswer, Failure, FailureKind, SystemEvidence
from shared.hostcommands import TOPICS, commands_for
from verify.__main__ import main

AT = "2026-11-25T10:00:00.000000Z"


@pytest.mark.parametrize("topic", TOPICS, ids=lambda topic: topic.name)
def test_explain_shows_every_command_on_the_page_of_each_check_that_needs_it(topic) -> None:
    """Wrapped to the width of a terminal, and otherwise word by word."""
    for check in topic.checks:
        assert check in catalogue.CHECKS
        words = " ".join(page(check).split())
        for one in topic.alternatives:
            assert " ".join(one.command.split()) in words
    assert max(map(len, page(topic.checks[0]).splitlines())) <= 78


def test_a_check_without_a_login_shows_no_commands() -> None:
    assert commands_for("name.forward") == ()
    assert "Commands run on the host" not in page("name.forward")


def test_the_help_says_when_anybody_logs_in_and_where_the_commands_stand() -> None:
    told = " ".join(CliRunner().invoke(main, ["verify", "--help"]).output.split())
    assert "only where the plan has a table [access]" in told
    assert "seatrial explain 'system.*'" in told


def test_the_report_shows_each_command_with_its_output_and_exit_status() -> None:
    """Also the ones that were not there, that hung, and that printed too much."""
    hung = Failure(kind=FailureKind.NO_ANSWER, phase="command", elapsed_seconds=6.0, detail="the command did not end in time")
    seen = SystemEvidence(address="192.0.2.11", port="22/tcp", user="trial", at=AT, elapsed_seconds=1.0, commands=(
        CommandAnswer(topic="boot", command="cat /x", at=AT, elapsed_seconds=0.1, status=0, output="abc\n"),
        CommandAnswer(topic="services", command="systemctl", at=AT, elapsed_seconds=0.1, status=127, errors="not found\n"),
        CommandAnswer(topic="question slow", command="sleep", at=AT, elapsed_seconds=6.0, failure=hung),
        CommandAnswer(topic="question long", command="yes", at=AT, elapsed_seconds=0.1, output="y\n" * 4000, cut=True)))
    rows = commands(seen).rows
    assert rows[0][:3] == ("boot", "cat /x", "0")
    assert rows[0][4] == "abc"
    assert (rows[1][2], rows[1][5]) == ("127", "not found")
    assert rows[2][2] == "none"
    assert "did not end in time" in rows[2][5]
    assert len(rows[3][4]) <= 400
    assert "more than is kept" in rows[3][5]
    assert commands(None).rows == ()
