"""A new plan: from options, from questions, sound or not written."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from shared.findings import Grade
from verify.__main__ import main
from verify.lint import lint
from verify.newplan import draft, faults_of, host_of
from verify.planfile import plan_of, read_plan
from verify.planfile.starter import ROLE_PRESETS, Answers
from verify.trial import today

ROOT = Path(__file__).parent.parent.parent
PLAN = Path("site.toml")
NewPlan = Callable[..., Result]


@pytest.fixture
def new_plan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> NewPlan:
    """``new_plan(*arguments, typed=None)``: the command in an empty folder; ``typed`` is what a person at a terminal types."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments: str, typed: str | None = None) -> Result:
        if typed is not None:
            monkeypatch.setattr("verify.commands.new_plan._on_a_terminal", lambda: True)
        return CliRunner().invoke(main, ["new-plan", *arguments], input=typed)

    return run


def grades(text: str) -> set[Grade]:
    return {finding.grade for finding in lint(plan_of(text.encode(), PLAN), today=today()).findings}


@pytest.mark.parametrize("role", ROLE_PRESETS)
def test_no_answer_at_all_gives_a_plan_that_lints_clean(new_plan: NewPlan, role: str) -> None:
    """On standard output, with nothing beside it and nothing to consider."""
    done = new_plan("--role", role)
    assert (done.exit_code, done.stderr) == (0, "")
    assert grades(done.stdout) == {Grade.PASS}


def test_a_wire_of_both_families_is_answered_with_a_comma_between(new_plan: NewPlan) -> None:
    """And lints clean, whether its hosts are named or computed."""
    for hosts in ((), ("--host", "quay-a=192.0.2.11, 2001:db8:2::11")):
        done = new_plan("--subnet", "192.0.2.0/24, 2001:db8:2::/64", *hosts)
        assert (done.exit_code, done.stderr) == (0, "")
        assert grades(done.stdout) == {Grade.PASS}
        assert {len(host.addresses) for host in plan_of(done.stdout.encode(), PLAN).hosts} == {2}
    wrong = new_plan("--subnet", "192.0.2.0/24, 2001:db8:2::/64", "--host", "quay-a=192.0.2.11, 2001:db8:3::11")
    assert wrong.exit_code == 2
    assert "--host: quay-a.obs.example.net: 2001:db8:3::11 is not in 2001:db8:2::/64" in wrong.stderr


def test_one_of_each_family_may_be_given_by_the_same_option_twice(new_plan: NewPlan) -> None:
    """The first was dropped without a word."""
    done = new_plan("--subnet", "192.0.2.0/24", "--subnet", "2001:db8:2::/64", "--gateway", "192.0.2.1",
                    "--gateway", "2001:db8:2::1", "--name-server", "198.51.100.53", "--name-server", "198.51.100.54",
                    "--name-server", "198.51.100.55")
    (network,) = plan_of(done.stdout.encode(), PLAN).networks
    assert (network.subnets, network.gateways) == (("192.0.2.0/24", "2001:db8:2::/64"), ("192.0.2.1", "2001:db8:2::1"))
    assert '"198.51.100.55"] # each is asked directly' in done.stdout


def test_answers_on_the_command_line_arrive(new_plan: NewPlan, tmp_path: Path) -> None:
    """Every option; what is given after a host still is what the host is judged by."""
    done = new_plan("site.toml", "--host", "quay-a=198.51.100.11", "--host", " quay-b = 198.51.100.12 ", "--title", "Quay \"2\"",
                    "--domain", "obs.example.org", "--subnet", "198.51.100.0 255.255.255.0", "--gateway", "198.51.100.254",
                    "--vlan", "30", "--name-server", "198.51.100.53", "--name-server", "198.51.100.54:5353", "--network", "quay",
                    "--time-source", "time2.obs.example.org", "--role", "shell", "--profile", "lab")
    assert (done.exit_code, done.stdout) == (0, "site.toml: a plan; see what it says, then: seatrial lint site.toml\n")
    assert done.stderr.startswith("to consider: the plan has 1 time source")
    plan = read_plan(tmp_path / "site.toml")
    assert (plan.title, plan.domain, plan.profile, plan.networks[0].name, plan.networks[0].vlan) == (
        'Quay "2"', "obs.example.org", "lab", "quay", 30)
    assert [(host.fqdn, host.addresses, host.role) for host in plan.hosts] == [
        ("quay-a.obs.example.org", ("198.51.100.11",), "shell"), ("quay-b.obs.example.org", ("198.51.100.12",), "shell")]
    assert [server.label for server in plan.name_servers] == ["198.51.100.53", "198.51.100.54:5353"]


@pytest.mark.parametrize(("arguments", "sentence"), [
    (["--subnet", "192.0.2.0 255.255.235.0"],
     ('--subnet: network mgmt: "255.255.235.0" is not a mask: its one bits do not stand together at the left; 255.255.255.0 is '
      "one digit away (3 for 5)")),
    (["--subnet", "192.0.2.0"], '--subnet: network mgmt: "192.0.2.0" is not a subnet; write it as "192.0.2.0/24" or '),
    (["--gateway", "192.0.3.1"], "--gateway: network mgmt: the gateway 192.0.3.1 is not in 192.0.2.0/24; hosts "),
    (["--gateway", "192.0.2.0"], "--gateway: network mgmt: the gateway 192.0.2.0 is the network address of 192.0.2.0/24"),
    (["--vlan", "4095"], "--vlan: network mgmt: 4095 is no VLAN of a wire; 1 to 4094 are"),
    (["--domain", "obs_2.example.net"], '--domain: the domain "obs_2.example.net" cannot be used: the label "obs_2" holds an '),
    (["--name-server", "ns1.obs.example.net"], '--name-server: the name server "ns1.obs.example.net" cannot be asked: a name '),
    (["--name-server", "192.0.2.53:99999"], '--name-server: [names] servers "192.0.2.53:99999" has the port "99999"; a port is '),
    (["--time-source", "time_2"], '--time-source: the time source "time_2.obs.example.net" cannot be asked: the label "time_2" '),
    (["--host", "dome-a"], '--host: "dome-a" is not a host; write its name and its address, such as dome-a=192.0.2.11'),
    (["--host", "dome-a=192.0.2.255"], "--host: dome-a.obs.example.net: 192.0.2.255 is the broadcast address of 192.0.2.0/24"),
    (["--host", "dome_a=192.0.2.11"], '--host: the host name "dome_a" is not legal: the label "dome_a" holds an underscore; '),
    (["--host", "dome-a=192.0.2.11", "--host", "dome-b=192.0.2.11"],
     "--host: the address 192.0.2.11 of dome-a.obs.example.net is also claimed by dome-b"),
    (["--gateway", "192.0.2.1", "--host", "dome-a=192.0.2.1"],
     "--host: network mgmt: the gateway 192.0.2.1 is also the address of dome-a.obs.example.net"),
    (["--profile", "strictest"],
     '--profile: [plan] profile is "strictest", and there is no such profile; did you mean "strict"?'),
])
def test_a_wrong_answer_is_said_as_lint_says_it_and_nothing_is_written(
    new_plan: NewPlan, tmp_path: Path, arguments: list[str], sentence: str,
) -> None:
    """With the option it was given by; standard output stays empty, exit status 2."""
    done = new_plan("site.toml", *arguments)
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr.splitlines()[0].startswith(sentence), done.stderr
    assert list(tmp_path.iterdir()) == []


def test_every_wrong_answer_is_said_at_once(new_plan: NewPlan) -> None:
    """Whatever the order in which they were given."""
    done = new_plan("--host", "a", "--vlan", "0", "--subnet", "192.0.2.0/33")
    assert [line.partition(":")[0] for line in done.stderr.splitlines()] == ["--subnet", "--vlan", "--host"]


def test_a_subnet_too_small_for_the_defaults_is_refused(new_plan: NewPlan, tmp_path: Path) -> None:
    """Each answer is sound; the plan would not be, and says why."""
    done = new_plan("site.toml", "--subnet", "192.0.2.0/30")
    assert done.exit_code == 2
    assert done.stderr.startswith("no plan was written, for it would not be sound:\n")
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_never_overwritten_unasked(new_plan: NewPlan, tmp_path: Path) -> None:
    """Before any question; --force is the asking."""
    (tmp_path / "site.toml").write_text("mine")
    done = new_plan("site.toml", typed="")
    assert (done.exit_code, done.stderr) == (
        2, '"site.toml" is there already; choose another name, or write over it with --force\n')
    assert (tmp_path / "site.toml").read_text() == "mine"
    assert new_plan("site.toml", "--force", "--title", "new").exit_code == 0
    assert read_plan(tmp_path / "site.toml").title == "new"


@pytest.mark.parametrize(("place", "sentence"), [
    ("nowhere/site.toml", 'there is no folder "nowhere" to write site.toml in; make it first, or check the path'),
    (".", '"." is a folder; give the name of a file in it, such as site.toml'),
    ("/proc/site.toml", 'cannot write the plan in "/proc": '),
])
def test_a_place_that_cannot_be_written_is_refused_before_any_question(
    new_plan: NewPlan, tmp_path: Path, place: str, sentence: str,
) -> None:
    """One sentence, and no folder is made on the way."""
    done = new_plan(place, typed="")
    assert done.exit_code == 2
    assert done.stderr.startswith(sentence)
    assert len(done.stderr.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


TYPED = ("My site\nobs.example.org\n\n198.51.100.0 255.255.235.0\n198.51.100.0 255.255.255.0\n198.51.100.256\n\ntwenty\n20\n\n"
         "time2.obs.exmaple.org, 198.51.100.62\nnodes\n\nquay_a=198.51.100.20\nquay-a\nquay-a=198.51.100.20\n"
         "quay-a=198.51.100.21\nquay-b=198.51.100.21\n\n")


def test_a_person_is_asked_again_until_each_answer_is_sound(new_plan: NewPlan) -> None:
    """Questions and sentences go to standard error, so that standard output is the plan and nothing else."""
    done = new_plan(typed=TYPED)
    assert done.exit_code == 0
    plan = plan_of(done.stdout.encode(), PLAN)
    assert grades(done.stdout) == {Grade.PASS, Grade.CAUTION}
    assert (plan.title, plan.domain, plan.networks[0].subnet, plan.networks[0].gateway, plan.networks[0].vlan) == (
        "My site", "obs.example.org", "198.51.100.0/24", "198.51.100.1", 20)
    assert [server.label for server in plan.name_servers] == ["198.51.100.2", "198.51.100.3"]
    assert [(host.name, host.addresses[0]) for host in plan.hosts] == [("quay-a", "198.51.100.20"), ("quay-b", "198.51.100.21")]
    said = [line.strip() for line in done.stderr.splitlines() if line.startswith("  ") and " A " not in line]
    assert said == [
        ('network mgmt: "255.255.235.0" is not a mask: its one bits do not stand together at the left; 255.255.255.0 is one '
         "digit away (3 for 5)"),
        ('network mgmt: the gateway cannot be read: "198.51.100.256" is not an address: 256 is over 255; 198.51.100.25 is one '
         "digit away (6 too many)"),
        '"twenty" is not a VLAN; a VLAN is a number from 1 to 4094, or nothing',
        '"nodes" is not one of node, shell, clock',
        'the host name "quay_a" is not legal: the label "quay_a" holds an underscore; letters, digits and hyphens only',
        '"quay-a" is not a host; write its name and its address, such as dome-a=192.0.2.11',
        "the name quay-a.obs.example.org is also claimed by quay-a",
    ]
    assert "from which its own is one swap away (ma for am)" in done.stderr


def test_enter_alone_gives_the_rehearsal(new_plan: NewPlan) -> None:
    """Every question offers an answer, and the answers go together."""
    done = new_plan(typed="\n" * 11)
    assert done.exit_code == 0
    assert grades(done.stdout) == {Grade.PASS}
    assert "dome-a and dome-b stand in the plan as an example" in done.stderr


def test_an_end_in_the_middle_writes_nothing(new_plan: NewPlan, tmp_path: Path) -> None:
    """Ctrl-D or Ctrl-C: exit status 130."""
    done = new_plan("site.toml", typed="My site\nobs.example.org\n")
    assert done.exit_code == 130
    assert done.stderr.endswith("\nno plan was written\n")
    assert list(tmp_path.iterdir()) == []


def test_an_interrupted_write_leaves_nothing(new_plan: NewPlan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither half a plan nor a draft of one."""
    def interrupt(self: Path, mode: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "chmod", interrupt)
    done = new_plan("site.toml")
    assert done.exit_code == 130
    assert list(tmp_path.iterdir()) == []


def test_on_a_real_terminal_it_asks(tmp_path: Path) -> None:
    """The program itself behind a pseudo-terminal: questions appear there, and the plan in the file."""
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "verify", "new-plan", "site.toml"]
    with subprocess.Popen(command, cwd=tmp_path, stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
                          env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "dumb"}) as asking:
        os.close(slave)
        os.write(master, b"Pier\n" + b"\n" * 10)
        seen, deadline = b"", time.monotonic() + 30
        while time.monotonic() < deadline:
            try:
                piece = os.read(master, 4096)
            except OSError:  # the other side has closed: the program has ended
                break
            if not piece:
                break
            seen += piece
        assert asking.wait(20) == 0, seen.decode()
    os.close(master)
    assert b"Title of the site [New site]:" in seen
    assert read_plan(tmp_path / "site.toml").title == "Pier"


@pytest.mark.parametrize("text", ["", "dome-a", "=192.0.2.11", "dome-a=", " = "])
def test_what_is_no_host_is_refused_with_an_example(text: str) -> None:
    """Both parts have to be there."""
    with pytest.raises(ValueError, match=r"such as dome-a=192\.0\.2\.11"):
        host_of(text)


def test_a_fault_is_told_of_the_answer_that_made_it() -> None:
    """A question is judged by its own checks; what is wrong elsewhere is no fault of its answer."""
    answers = Answers(subnet="192.0.2.0/33", vlan=20)
    assert faults_of("vlan", answers, PLAN, today=today()) == ()
    assert len(faults_of("subnet", answers, PLAN, today=today())) == 1
    assert draft(answers, PLAN, today=today()).faults != ()
