"""A site over IPv6 alone, and hosts of both families beside it: sound ones are proven, and each fault is found and mended."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from labkit.daemons import wait_until
from labkit.kelp import (
    DOMAIN,
    FAULTY,
    FIRST,
    FIRST_PORT,
    GATEWAY,
    REVERSE,
    SECOND,
    SERIAL,
    SHORE_GATEWAY,
    SHORE_GATEWAY_6,
    SOUND,
    WILD,
    WILD_ADDRESS,
    WORKBENCH,
    kelp,
    plan,
)
from labkit.needs import find
from labkit.runs import Run
from labkit.site import Site
from shared.hostnames import reverse_name

pytestmark = [pytest.mark.lab, pytest.mark.timeout(180)]

_FIRST = f"[{FIRST}]:{FIRST_PORT}"
_FRONDS = tuple(machine for machine in SOUND if len(machine.addresses) == 1)
_LOADING_SECONDS = 20.0


def _pointer(last: str, name: str) -> str:
    return f"{reverse_name(f'2001:db8:40::{last}')}. IN PTR {name}.{DOMAIN}."


#: Each fault that was planted: grade, words of its message, lines of its mend as they stand in the report.
_FAULTS = (
    ("holdfast-a", "name.forward", f"{_FIRST} AAAA", "fail", "no AAAA record",
     (f"; add to zone {DOMAIN}", f"holdfast-a.{DOMAIN}. IN AAAA 2001:db8:40::b1")),
    ("holdfast-b", "name.forward", f"{_FIRST} AAAA", "fail", "gives 2001:db8:40::beef",
     (f"; remove from zone {DOMAIN}", f"; holdfast-b.{DOMAIN}. IN AAAA 2001:db8:40::beef")),
    ("holdfast-c", "name.reverse", f"{_FIRST} 2001:db8:40::b3", "fail", "no pointer",
     (f"; add to zone {REVERSE}", _pointer("b3", "holdfast-c"))),
    ("holdfast-d", "name.reverse", f"{_FIRST} 2001:db8:40::b4", "fail", f"new-host-4.{DOMAIN}",
     (f"; add to zone {REVERSE}", _pointer("b4", "holdfast-d"), f"; remove from zone {REVERSE}",
      f"; {_pointer('b4', 'new-host-4')}")),
    ("holdfast-e", "name.forward", f"{_FIRST} A", "fail", "gives 192.0.2.77",
     (f"; remove from zone {DOMAIN}", f"; holdfast-e.{DOMAIN}. IN A 192.0.2.77")),
    ("shore-b", "ssh.host-key", "22/tcp at 2001:db8:40:1::c", "caution", "may be another machine's", ()),
)


@pytest.fixture(scope="module")
def site(laboratory: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    with kelp(tmp_path_factory.mktemp("kelp")) as running:
        yield running


@pytest.fixture(scope="module")
def run_of_all(site: Site) -> Run:
    """Every host of the site."""
    return site.verify(plan((*SOUND, *FAULTY)))


def test_a_sound_site_of_ipv6_alone_is_ready(site: Site) -> None:
    """Name servers, time sources, gateway and hosts, written in several forms (RFC 5952 section 2): all proven."""
    run = site.verify(plan(SOUND))
    assert (run.status, run.report["verdict"], run.stderr) == (0, "ready", ""), run.stdout
    assert {missing["check"] for missing in run.report["coverage"]["missing"]} == {"host.address-conflict", "system.*"}
    proven = {(one["check"], one["subject"]) for one in run.host("frond-a")["findings"]}
    assert proven >= {("host.ipv6", "2001:db8:40::a1"), ("gateway.return-path", GATEWAY), ("name.forward", f"{SECOND} A"),
                      ("name.reverse", f"{_FIRST} 2001:db8:40::a1"), ("clock.offset", "2001:db8:40::a1"),
                      ("host.path-mtu", "2001:db8:40::a1"), ("certificate.name", "443/tcp"), ("ssh.host-key", "22/tcp")}


def test_from_the_hosts_own_wire_only_the_way_out_is_left(site: Site) -> None:
    """Neighbour discovery proves the addresses there; the hosts' gateway is not exercised."""
    run = site.verify(plan(_FRONDS), at="deck")
    assert run.status == 3
    assert {one["ref"] for one in run.findings() if one["grade"] != "pass"} == {
        f"{machine.fqdn}|gateway.return-path|{GATEWAY}" for machine in _FRONDS}
    assert run.finding("frond-a", "host.address-conflict")["grade"] == "pass"


@pytest.mark.parametrize(("owner", "check", "subject", "grade", "says", "mends"), _FAULTS, ids=[fault[0] for fault in _FAULTS])
def test_a_planted_fault_is_found_and_mended(
        run_of_all: Run, owner: str, check: str, subject: str, grade: str, says: str, mends: tuple[str, ...]) -> None:
    """Its grade, its own words, and the lines under the zone that really holds them."""
    finding = run_of_all.finding(owner, check, subject)
    assert finding["grade"] == grade
    assert says in finding["message"]
    assert tuple(finding["fix"])[:len(mends)] == mends


@pytest.mark.parametrize("owner", ["site", *(machine.name for machine in (*SOUND, *FAULTY))])
def test_nothing_else_is_found(run_of_all: Run, owner: str) -> None:
    """One fault is one thing to mend, in whatever order each server gives the records of a set (RFC 1034 section 3.6)."""
    planted = {(check, subject): grade for name, check, subject, grade, _says, _mends in _FAULTS if name == owner}
    assert run_of_all.troubles(owner, explained=False) == planted


def test_pasting_the_lines_mends_the_zones(site: Site) -> None:
    """Every line of every name finding, into the zone of its heading: named-checkzone passes it, and the next run is clean."""
    text = plan((*SOUND, *FAULTY), name_servers=(WORKBENCH,))
    added: dict[str, list[str]] = {}
    removed: dict[str, list[str]] = {}
    before = site.verify(text, "--only", "name.*")
    for finding in before.findings():
        under: list[str] = []
        for line in finding["fix"] if finding["check"] in ("name.forward", "name.reverse") else ():
            heading = re.fullmatch(r"; (add to|remove from) zone (\S+)", line)
            if heading:
                under = (added if heading[1] == "add to" else removed).setdefault(heading[2], [])
            else:
                under.append(line.removeprefix("; "))
    assert set(added) | set(removed) == {DOMAIN, REVERSE}
    for origin in {**added, **removed}:
        _edit(site, origin, added.get(origin, []), removed.get(origin, []))
    after = site.verify(text, "--only", "name.*")
    assert (before.status, {one["ref"] for one in after.findings() if one["grade"] != "pass"}) == (1, set())


def _edit(site: Site, origin: str, added: list[str], removed: list[str]) -> None:
    """Change one zone of the workbench, check it, load it, and wait until the server has it."""
    path = Path(site.folder, "workbench", f"{origin}.zone")
    gone = {line.replace("2001:db8:40::beef", "2001:DB8:40:0:0:0:0:BEEF") for line in removed}
    lines = path.read_text(encoding="ascii").splitlines()
    assert gone <= set(lines)
    text = "\n".join([*(line for line in lines if line not in gone), *added, ""])
    path.write_text(text.replace(str(SERIAL), str(SERIAL + 1), 1), encoding="ascii")
    site.wiring.run("services", find("named-checkzone"), origin, str(path))
    daemon, said = site.daemons["workbench"], f"zone {origin}/IN: loaded serial {SERIAL + 1}"
    daemon.reload()
    wait_until(lambda: said in daemon.said, _LOADING_SECONDS, lambda: f"named did not say: {said}\n{daemon.said[-2000:]}")


def test_a_wildcard_of_ipv6_addresses_is_no_record_of_a_host(site: Site) -> None:
    """frond-a has no record there, and gets its own address out of the wildcard all the same."""
    run = site.verify(plan(_FRONDS, name_servers=(WILD,)), "--only", "name.*")
    wildcard = run.finding("site", "name.wildcard", WILD)
    assert wildcard["grade"] == "caution"
    assert wildcard["fix"] == [f"; remove from zone {DOMAIN}", f"; *.{DOMAIN}. IN AAAA {WILD_ADDRESS}"]
    assert run.finding("frond-a", "name.forward", f"{WILD} AAAA")["grade"] == "unproven"
    assert run.finding("frond-b", "name.forward", f"{WILD} AAAA")["grade"] == "pass"


@pytest.mark.parametrize("turned", [False, True])
def test_a_runner_on_the_wire_knows_it_whichever_address_a_row_writes_first(site: Site, turned: bool) -> None:
    """By an address of the network's own subnet; the other family's lies in none that the plan has."""
    shore = dataclasses.replace(SOUND[-1], addresses=SOUND[-1].addresses[::-1] if turned else SOUND[-1].addresses)
    run = site.verify(plan((shore,), half=True), "--only", "gateway.return-path", "--only", "port.open", at="pier")
    assert run.report["run"]["vantage"]["on_link"]["shore"] is True
    assert run.report["run"]["vantage"]["addresses"] == ["2001:db8:40:1::200", "192.0.2.200"]
    assert run.finding("shore-a", "gateway.return-path")["found"] == "runner on the same wire"


def test_a_dead_ipv6_gateway_leaves_the_other_family_proven(site: Site) -> None:
    """The router lost its IPv6 address on the shore: IPv4 passes there, and IPv6 is one cause, the planned gateway's.

    Where only the IPv4 half is planned, nobody knows of that gateway, and it is one cause a host.
    """
    address = ("dev", "eth2", f"{SHORE_GATEWAY_6}/64")
    site.wiring.run("router", find("ip"), "address", "del", *address)
    try:
        run, half = (site.verify(plan((SOUND[-1],), half=half), "--only", "host.*", "--only", "port.*", "--only", "gateway.*")
                     for half in (False, True))
    finally:
        site.wiring.run("router", find("ip"), "address", "add", *address, "nodad")
    silence = f"{SOUND[-1].fqdn}|host.echo|2001:db8:40:1::b"
    assert (run.causes(), half.causes()) == ([f"site|gateway.echo|{SHORE_GATEWAY_6}"], [silence])
    assert run.finding("shore-a", "host.echo", "2001:db8:40:1::b")["because"] == run.causes()
    assert run.finding("shore-a", "gateway.return-path", SHORE_GATEWAY_6)["because"] == [silence]
    for seen in (run, half):
        assert seen.finding("shore-a", "gateway.return-path", SHORE_GATEWAY)["grade"] == "pass"
        assert seen.finding("shore-a", "port.open", "22/tcp at 192.0.2.11")["grade"] == "pass"
        assert seen.finding("shore-a", "host.ipv6")["because"] == [silence]


@pytest.mark.parametrize("half", [False, True])
def test_both_halves_of_a_wire_are_proven_where_both_are_planned(site: Site, half: bool) -> None:
    """Each gateway answers, and each way out; of a half that is not planned nothing is said."""
    run = site.verify(plan((SOUND[-1],), half=half), "--only", "gateway.*", "--only", "plan.*")
    assert run.status == 0, run.stdout
    planned = [SHORE_GATEWAY] if half else [SHORE_GATEWAY, SHORE_GATEWAY_6]
    assert [one["subject"] for one in run.host("shore-a")["findings"] if one["check"] == "gateway.return-path"] == planned
    echoed = {one["subject"].partition(" ")[0] for one in run.site if one["check"] == "gateway.echo"}
    assert echoed == {GATEWAY, *planned}
    assert run.report["run"]["vantage"]["on_link"]["shore"] is False


def test_a_runner_without_ipv6_says_so_once(site: Site) -> None:
    """What waits for it is told under one sentence, and what IPv4 shows stands."""
    run = site.verify(plan((*SOUND, *FAULTY)), at="old-pier")
    assert (run.status, run.causes()) == (3, ["site|host.runner|IPv6"])
    assert run.report["causes"][0]["explains"] == run.report["counts"]["unproven"] - 1
    assert "has no route to any of the 16 planned IPv6 addresses" in run.stdout.replace("\n     ", " ")
    assert run.finding("shore-a", "gateway.return-path", SHORE_GATEWAY)["grade"] == "pass"
    assert {name: run.troubles(name, explained=False) for name in ("site", "frond-a", "shore-a")} == {
        "site": {("host.runner", "IPv6"): "unproven"}, "frond-a": {}, "shore-a": {}}
