"""The command line in front of real servers: what it prints, writes, and ends with."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from labkit.daemons import wait_until
from labkit.runs import ROOT, Run
from labkit.site import Site
from labkit.tidewater import FAULTY, GATEWAY, NOBODY, SOUND, TRUE_SOURCES, plan

pytestmark = [pytest.mark.lab, pytest.mark.timeout(180)]

SCHEMA = json.loads((ROOT / "reports" / "seatrial-report-1.schema.json").read_text(encoding="utf-8"))


def machines(*names: str):
    return tuple(machine for machine in (*SOUND, *FAULTY) if machine.name in names)


def checks_of(run: Run) -> set[str]:
    return {one["check"] for one in run.findings()}


@pytest.mark.parametrize("run", ["sound_run", "deck_run", "faulty_run"])
def test_every_report_validates_against_the_shipped_schema(request: pytest.FixtureRequest, run: str) -> None:
    """JSON Schema 2020-12, formats included."""
    report = request.getfixturevalue(run).report
    jsonschema.Draft202012Validator(SCHEMA, format_checker=jsonschema.FormatChecker()).validate(report)


def test_both_reports_are_written_and_named_on_standard_output(sound_run: Run) -> None:
    """One JSON and one HTML file in the output folder, and the summary says where."""
    written = sorted(path.suffix for path in sound_run.output.iterdir())
    assert written == [".html", ".json"]
    for path in sound_run.output.iterdir():
        assert path.name in "".join(sound_run.stdout.split())
    assert "READY" in sound_run.stdout


def test_json_on_standard_output_is_one_document_and_nothing_else(tide: Site) -> None:
    """``--json -``: parsed whole, valid, and the summary stays away."""
    run = tide.verify(plan(machines("dome-a", "pier-f")), "--json", "-", "--html", "/dev/null")
    report = json.loads(run.stdout)
    jsonschema.Draft202012Validator(SCHEMA).validate(report)
    assert (run.status, report["verdict"], len(report["hosts"])) == (1, "not-ready", 2)
    assert run.stderr == ""


def test_quiet_prints_causes_only_and_nothing_where_there_are_none(tide: Site) -> None:
    """A sound host prints nothing at all, a faulty one its cause."""
    sound = tide.verify(plan(machines("dome-a", "dome-b")), "--quiet")
    assert (sound.status, sound.stdout, sound.stderr) == (0, "", "")
    faulty = tide.verify(plan(machines("dome-a", "pier-f")), "--quiet", "--only", "port.*")
    assert faulty.status == 1
    assert "pier-f" in faulty.stdout
    assert "dome-a" not in faulty.stdout


def test_only_asks_and_grades_what_was_chosen(tide: Site) -> None:
    """A family by its star and one check by its name; of a faulty host the other faults are not seen."""
    run = tide.verify(plan(machines("dome-a", "dome-b", "vault-a")), "--only", "port.*", "--only", "host.echo")
    assert (run.status, run.report["verdict"]) == (0, "ready")
    assert checks_of(run) == {"port.open", "port.closed", "host.echo"}
    assert [host["evidence"]["clocks"] for host in run.report["hosts"]] == [[], [], []]


def test_only_names_asks_no_host_anything(tide: Site) -> None:
    """Names are the name servers' business: no echo, no port, no clock of a host is tried."""
    run = tide.verify(plan(machines("dome-a", "lens-a")), "--only", "name.*")
    assert {check.partition(".")[0] for check in checks_of(run)} == {"name"}
    assert run.status == 1
    for host in run.report["hosts"]:
        assert (host["evidence"]["echoes"], host["evidence"]["ports"], host["evidence"]["clocks"]) == ([], [], [])


def test_host_chooses_by_name_and_by_star(tide: Site) -> None:
    """Others are not visited and not in the report; full names work as short ones do."""
    text = plan((*SOUND, *machines("pier-f")))
    run = tide.verify(text, "--host", "dome-[ab]", "--host", "pier-f.obs.example.net", "--only", "port.*")
    assert [host["name"] for host in run.report["hosts"]] == [
        "dome-a.obs.example.net", "dome-b.obs.example.net", "pier-f.obs.example.net"]
    assert run.status == 1


def test_strict_makes_a_caution_count(tide: Site) -> None:
    """A certificate that ends in 20 days: ready with cautions is 0, and 1 under --strict."""
    text, options = plan(machines("dome-a", "vault-c")), ("--only", "certificate.*")
    lenient, strict = tide.verify(text, *options), tide.verify(text, *options, "--strict")
    assert [run.report["verdict"] for run in (lenient, strict)] == ["ready-with-cautions"] * 2
    assert (lenient.status, strict.status) == (0, 1)


def test_a_waived_fault_counts_no_more(tide: Site) -> None:
    """The plan accepts it until a day; the report says so and the run is ready with cautions."""
    waiver = ('[[waivers]]\ncheck = "certificate.trust"\nhost = "vault-*"\nreason = "site CA is installed in phase 2"\n'
              "until = 2099-01-31\n")
    run = tide.verify(plan(machines("dome-a", "vault-a"), extra=waiver), "--only", "certificate.*")
    assert (run.status, run.report["verdict"]) == (0, "ready-with-cautions")
    finding = run.finding("vault-a", "certificate.trust")
    assert finding["grade"] == "waived"
    assert "phase 2" in finding["waiver"]


@pytest.mark.parametrize("source", [NOBODY, "time9.obs.example.net"])
def test_a_time_source_that_is_not_there_is_a_fail_and_the_rest_agree_without_it(tide: Site, source: str) -> None:
    """Three of four answer: the hosts are judged all the same, only the source fails, also where its name does not exist."""
    run = tide.verify(plan(machines("dome-a", "dome-b"), time_sources=(*TRUE_SOURCES[:3], source)), "--only", "clock.*",
                      "--timeout", "2")
    assert run.troubles("site") == {("clock.source", source): "fail"}
    assert run.troubles("dome-a") == {}


def test_no_time_source_at_all_leaves_clocks_and_dates_unproven(tide: Site) -> None:
    """No fail of any host: its dates and its offset wait on the dead sources, which are the causes."""
    run = tide.verify(plan(machines("dome-a"), time_sources=(NOBODY, "203.0.113.98", "203.0.113.97", "203.0.113.96")),
                      "--timeout", "2")
    assert run.status == 1
    assert run.troubles("dome-a", explained=False) == {}
    assert run.troubles("dome-a") == {("clock.offset", "192.0.2.11"): "unproven", ("certificate.dates", "443/tcp"): "unproven"}
    assert len(run.causes()) == 4


def test_a_dead_name_server_is_one_cause(tide: Site) -> None:
    """What was asked of it is unproven because of it; what the other says stands."""
    run = tide.verify(plan(machines("dome-a", "dome-b"), name_servers=("203.0.113.53", NOBODY)), "--only", "name.*",
                      "--timeout", "2")
    assert run.causes() == [f"site|name.server|{NOBODY}"]
    assert [run.troubles(owner, explained=False) for owner in ("site", "dome-a", "dome-b")] == [
        {("name.server", NOBODY): "fail"}, {}, {}]
    for name in ("dome-a", "dome-b"):
        assert run.finding(name, "name.forward", "203.0.113.53 A")["grade"] == "pass"
        waiting = run.finding(name, "name.forward", f"{NOBODY} A")
        assert (waiting["grade"], waiting["because"]) == ("unproven", [f"site|name.server|{NOBODY}"])


@pytest.mark.parametrize(("stop", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 130)])
def test_an_interrupt_leaves_a_partial_report_and_130(tide: Site, stop: signal.Signals, status: int) -> None:
    """Stopped while a silent host is still waited for: both reports are written, and they say that they are partial."""
    (first, *_) = SOUND
    before = tide.echoes(first)
    running = tide.start(plan((*SOUND, *machines("pier-g"))), "--timeout", "50")
    wait_until(lambda: tide.echoes(first) > before, 30, lambda: "the run never began to probe")
    running.process.send_signal(stop)
    run = running.finish()
    assert run.status == status, run.stderr
    assert run.seconds < 45
    assert run.report["run"]["complete"] is False
    assert run.report["verdict"] in ("unproven", "not-ready")
    assert "Traceback" not in run.stderr
    assert sorted(path.suffix for path in run.output.iterdir()) == [".html", ".json"]
    assert not run.host("pier-g")["evidence"]["complete"]
    jsonschema.Draft202012Validator(SCHEMA).validate(run.report)


def test_an_output_folder_that_cannot_be_written_is_said_before_the_first_probe(tide: Site) -> None:
    """Exit status 2 and one sentence; no packet was sent, as the counters of the runner's interface show."""
    before = _packets_sent(tide)
    run = tide.verify(plan(SOUND), "--output", "/proc/nowhere")
    assert (run.status, run.stdout) == (2, "")
    assert "/proc/nowhere" in run.stderr
    assert "--output" in run.stderr
    assert len(run.stderr.strip().splitlines()) == 1
    assert _packets_sent(tide) - before < 4, "neighbour upkeep aside nothing may be sent"


def _packets_sent(tide: Site) -> int:
    shown = json.loads(tide.wiring.run("runner", "ip", "-json", "-statistics", "link", "show", "eth0"))
    return int(shown[0]["stats64"]["tx"]["packets"])


@pytest.mark.parametrize(("spoil", "words"), [
    (("[names]", "[naems]"), "names"),
    (('subnet = "192.0.2.0/24"', 'subnet = "192.0.2.0/33"'), "prefix length"),
    (('role = "node"', 'role = "nod"'), "nod"),
    (("site-ca.pem", "plan.toml"), "plan.toml"),
    (("[plan]", "[plan"), "plan.toml"),
])
def test_a_plan_that_cannot_be_used_is_refused_before_the_first_probe(tide: Site, spoil: tuple[str, str], words: str) -> None:
    """Exit status 2, a sentence with the line, and nothing written."""
    text = plan(SOUND)
    assert spoil[0] in text
    run = tide.verify(text.replace(spoil[0], spoil[1], 1))
    assert (run.status, run.stdout) == (2, "")
    assert words in run.stderr
    assert "plan.toml:" in run.stderr
    assert "Traceback" not in run.stderr
    assert not run.output.exists() or list(run.output.iterdir()) == []


def test_an_unknown_host_or_check_is_refused(tide: Site) -> None:
    """With the nearest name that there is."""
    host = tide.verify(plan(SOUND), "--host", "dome-x")
    check = tide.verify(plan(SOUND), "--only", "host.ehco")
    assert (host.status, check.status) == (2, 2)
    assert "dome-" in host.stderr
    assert "host.echo" in check.stderr


def test_every_packet_goes_to_a_planned_address(tide: Site) -> None:
    """The router counts what the runner sends past it by destination: planned hosts, servers and the gateway, nothing else."""
    planned = {"192.0.2.11", "192.0.2.12", "203.0.113.53", "203.0.113.54", *TRUE_SOURCES, GATEWAY}
    tide.wiring.run("runner", "nft", "-f", "-", stdin="""
        table ip census {
          set seen { type ipv4_addr; size 1024; flags dynamic; }
          chain output { type filter hook output priority 0; add @seen { ip daddr }; }
        }""")
    try:
        run = tide.verify(plan(SOUND[:2]))
        listed = json.loads(tide.wiring.run("runner", "nft", "--json", "list", "set", "ip", "census", "seen"))
    finally:
        tide.wiring.run("runner", "nft", "delete", "table", "ip", "census")
    assert run.status == 0
    (seen,) = [entry["set"]["elem"] for entry in listed["nftables"] if "set" in entry]
    assert set(seen) == planned


def test_the_page_of_a_night_draws_the_nights_up_to_it(tide: Site, tmp_path: Path) -> None:
    """The second run of a plan is stored before its page is drawn, so that both stand on it."""
    kept = ("--store", str(tmp_path / "history.sqlite"))
    first = tide.verify(plan(SOUND[:2]), *kept)
    accept = [sys.executable, "-m", "verify", "accept", "last", "--reason", "as it should be", *kept]
    subprocess.run(accept, cwd=ROOT, check=True, capture_output=True)
    second = tide.start(plan(SOUND[:2]), *kept, command="drift").finish()
    pages = [next(run.output.glob("*.html")).read_text(encoding="utf-8") for run in (first, second)]
    assert (first.status, second.status) == (0, 0)
    assert ['id="nights"' in page for page in pages] == [False, True]
