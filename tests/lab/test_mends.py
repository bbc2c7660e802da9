"""The lines that a finding gives to paste, pasted into a real server's zones: the next run finds the fault gone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from labkit.daemons import Daemon, wait_until
from labkit.needs import find
from labkit.runs import Finding
from labkit.site import DOMAIN, Site
from labkit.tidewater import FAULTY, OLDER_SERIAL, REVERSE, SECONDARY, WORKBENCH, plan, stale_zones

pytestmark = [pytest.mark.lab, pytest.mark.timeout(180)]

_MACHINES = tuple(machine for machine in FAULTY if machine.name.startswith("lens-"))
_HEADING = re.compile(r"; (add to|remove from) zone (\S+)")
_LOADING_SECONDS = 20.0


@pytest.fixture
def workbench(tide: Site) -> Iterator[Daemon]:
    """A bind9 of its own with the stale zones, put back afterwards."""
    daemon = tide.daemons["workbench"]
    yield daemon
    for zone in stale_zones():
        _load(tide, daemon, zone.origin, zone.at(_serial_of(tide, zone.origin) + 1).text())


def test_pasting_the_fix_lines_mends_every_name(tide: Site, workbench: Daemon) -> None:
    """A missing pointer, a stale address, a host unknown in both zones and a pointer to an old name, all from one run.

    Only what stands below the headings is used, as a person would paste it; named-checkzone passes the zone before it is
    loaded.
    """
    text = plan(_MACHINES, name_servers=(WORKBENCH, SECONDARY))
    before = tide.verify(text, "--only", "name.*")
    broken = {(owner, one["check"], one["subject"]) for owner in _names() for one in before.host(owner)["findings"]
              if one["subject"].startswith(WORKBENCH) and one["grade"] == "fail"}
    assert broken == {
        ("lens-a", "name.reverse", f"{WORKBENCH} 192.0.2.14"), ("lens-b", "name.forward", f"{WORKBENCH} A"),
        ("lens-c", "name.forward", f"{WORKBENCH} A"), ("lens-c", "name.reverse", f"{WORKBENCH} 192.0.2.16"),
        ("lens-d", "name.reverse", f"{WORKBENCH} 192.0.2.17")}

    added, removed = _lines([before.finding(*key) for key in broken])
    assert set(added) == {DOMAIN, REVERSE}
    assert set(removed) == {DOMAIN, REVERSE}
    for origin in added:
        _load(tide, workbench, origin, _edited(tide, origin, added[origin], removed.get(origin, [])))

    after = tide.verify(text, "--only", "name.*")
    for owner in _names():
        wrong = [one["ref"] for one in after.host(owner)["findings"]
                 if one["subject"].startswith(WORKBENCH) and one["grade"] != "pass"]
        assert wrong == [], after.stdout


def test_the_lines_name_the_record_that_goes(tide: Site, workbench: Daemon) -> None:
    """What is to be removed is really in the zone file, word for word; else the mend would send a person searching."""
    before = tide.verify(plan(_MACHINES, name_servers=(WORKBENCH, SECONDARY)), "--only", "name.*")
    findings = [one for owner in _names() for one in before.host(owner)["findings"]
                if one["subject"].startswith(WORKBENCH) and one["grade"] == "fail"]
    _added, removed = _lines(findings)
    assert sorted(map(len, removed.values())) == [1, 1]
    for origin, lines in removed.items():
        for line in lines:
            assert line in _zone_file(tide, origin).read_text(encoding="ascii").splitlines()


def _names() -> list[str]:
    return [machine.name for machine in _MACHINES]


def _lines(findings: list[Finding]) -> tuple[dict[str, list[str]], dict[str, list[str]]]:
    """The lines to add and to remove, by zone, read from the fix lines as a person reads them.

    Below "add to zone" records stand bare; below "remove from zone" they are comments, so that pasting cannot hurt.
    """
    parts: dict[str, dict[str, list[str]]] = {"add to": {}, "remove from": {}}
    for finding in findings:
        under: list[str] | None = None
        for line in finding["fix"]:
            heading = _HEADING.fullmatch(line)
            if heading:
                under = parts[heading[1]].setdefault(heading[2], [])
            elif under is not None:
                under.append(line.removeprefix("; "))
    return parts["add to"], parts["remove from"]


def _edited(tide: Site, origin: str, added: list[str], removed: list[str]) -> str:
    """The zone file with a raised serial, the lines to remove gone and the lines to add at its end."""
    kept = [line for line in _zone_file(tide, origin).read_text(encoding="ascii").splitlines() if line not in removed]
    serial = _serial_of(tide, origin)
    return "\n".join([*kept, *added, ""]).replace(str(serial), str(serial + 1), 1)


def _serial_of(tide: Site, origin: str) -> int:
    found = re.search(r"SOA \S+ \S+ (\d+)", _zone_file(tide, origin).read_text(encoding="ascii"))
    assert found is not None
    assert int(found[1]) >= OLDER_SERIAL
    return int(found[1])


def _zone_file(tide: Site, origin: str) -> Path:
    return tide.folder / "workbench" / f"{origin}.zone"


def _load(tide: Site, daemon: Daemon, origin: str, text: str) -> None:
    """Check a zone file with bind9's own checker, load it, and wait until the server says that it has."""
    path = _zone_file(tide, origin)
    path.write_text(text, encoding="ascii")
    tide.wiring.run("services", find("named-checkzone"), origin, str(path))
    daemon.reload()
    said = f"zone {origin}/IN: loaded serial {_serial_of(tide, origin)}"
    wait_until(lambda: said in daemon.said, _LOADING_SECONDS, lambda: f"named did not say: {said}\n{daemon.said[-2000:]}")
