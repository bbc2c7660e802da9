"""``seatrial await`` in front of hosts that really go: servers ended, link down, and back in their own order, or not."""

from __future__ import annotations

import dataclasses
import signal
import subprocess
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from labkit import servers
from labkit.daemons import wait_until
from labkit.needs import find
from labkit.runs import Run
from labkit.site import DOMAIN, Machine, Site
from labkit.wires import Node, Plug
from labkit.zones import Zone
from shared.hostnames import reverse_name

pytestmark = [pytest.mark.lab, pytest.mark.timeout(240)]

SERVICES = "192.0.2.53"
SOURCES = ("192.0.2.61", "192.0.2.62", "192.0.2.63", "192.0.2.64")
#: Quick rounds, so that a reboot of two seconds is many rounds long.
_ROUNDS = ("--every", "0.4 s", "--steady", "1 s", "--grace", "4 s", "--question-timeout")
QUICK = (*_ROUNDS, "2")
#: For watches in which a host is logged in to, which takes its time where the cores are busy.
PATIENT = (*_ROUNDS, "15")

HOSTS = tuple(Machine(f"quay-{letter}", (f"192.0.2.{11 + place}",)) for place, letter in enumerate("abcdef"))
SOUND, SLOW, GONE, OTHER_KEY, NO_TIME, STAYS = HOSTS
#: A host that can be asked itself.  Namespaces share their kernel, so its boot identifier never changes, whatever its wire does.
ASKED = Machine("quay-g", ("192.0.2.17",), certificate="", clock="")


def nodes() -> list[Node]:
    return [
        Node("runner", (Plug("deck", ("192.0.2.200/24",)),)),
        Node("services", (Plug("deck", tuple(f"{address}/24" for address in (SERVICES, *SOURCES))),)),
        *(host.node("deck", {4: 24}, ()) for host in (*HOSTS, ASKED)),
    ]


def zones() -> tuple[Zone, Zone]:
    forward = Zone(DOMAIN, 2026112501, (f"ns1.{DOMAIN}. A {SERVICES}",
                                        *(f"{host.fqdn}. A {host.addresses[0]}" for host in HOSTS)))
    backward = Zone("2.0.192.in-addr.arpa", 2026112501,
                    tuple(f"{reverse_name(host.addresses[0])}. PTR {host.fqdn}." for host in HOSTS))
    return forward, backward


def plan(hosts: Sequence[Machine], *, ports: str = '"22/tcp", "443/tcp"', extra: str = "") -> str:
    rows = "\n".join(f'[[hosts]]\nname = "{host.name}"\naddress = "{host.addresses[0]}"\nnetwork = "mgmt"\nrole = "node"\n'
                     for host in hosts)
    quoted = ", ".join(f'"{source}"' for source in SOURCES)
    return f"""\
[plan]
title = "Tidewater Observatory, quay"
domain = "{DOMAIN}"
profile = "production"
[names]
servers = ["{SERVICES}"]
[time]
sources = [{quoted}]
[trust]
anchors = ["site-ca.pem"]
[networks.mgmt]
subnet = "192.0.2.0/24"
gateway = "{SERVICES}"
[roles.node]
open = [{ports}]
tls = [{'"443/tcp"' if "443" in ports else ""}]
ssh = ["22/tcp"]
ntp = {"true" if "443" in ports else "false"}
{extra}
{rows}"""


class Quay:
    """The hosts, and what is done to them."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.servers = {host.name: site.servers_of(host) for host in HOSTS}
        self._boots = 0

    def begin(self) -> None:
        """Start every server there is."""
        started = [servers.name_server("services", "names", self.site.folder / "names", (SERVICES,), zones())]
        started += [servers.time_server("services", f"source {source}", self.site.folder / f"source-{source}", (source,))
                    for source in SOURCES]
        self.site.daemons.start([*started, *(server for host in HOSTS for server in self.servers[host.name])])

    def admit(self, host: Machine) -> str:
        """Start an SSH server on a host that lets root in with a key; the plan's lines for that."""
        folder = self.site.folder
        host_key, key = servers.write_host_key(folder / "asked-host.key"), servers.write_host_key(folder / "asked.key")
        public, login = (subprocess.run([find("ssh-keygen"), "-y", "-f", str(path)], capture_output=True, text=True, check=True,
                                        timeout=30).stdout for path in (host_key, key))
        # Slow, as fresh hosts are: a command takes longer than a sign of life may in these quick rounds.
        slowly = r'command="sleep 0.8; exec sh -c \"$SSH_ORIGINAL_COMMAND\""'
        (folder / "authorized").write_text(f"{slowly} {login}", encoding="ascii")
        (folder / "known_hosts").write_text(f"{host.addresses[0]} {public}", encoding="ascii")
        self.site.daemons.start([servers.shell_server(
            host.name, f"{host.name} sshd", folder / "asked", host.addresses, host_key,
            options=(f"AuthorizedKeysFile {folder}/authorized", "PermitRootLogin prohibit-password", "StrictModes no"))])
        return f'[access]\nuser = "root"\nkey = "{key}"\nknown_hosts = "{folder}/known_hosts"\n'

    def down(self, host: Machine) -> None:
        """Services first, as at a shutdown, then the link."""
        for server in self.servers[host.name]:
            self.site.daemons[server.title].end()
        for server in self.servers[host.name]:
            self.site.daemons[server.title].bury()
        self.link(host, "down")

    def link(self, host: Machine, state: str) -> None:
        self.site.wiring.run(host.name, find("ip"), "link", "set", "eth0", state)

    def start(self, host: Machine, *kinds: str) -> None:
        """Start servers of a host again ("nginx", "sshd", "chronyd"), in this order."""
        self._boots += 1
        for kind in kinds:
            place = next(place for place, server in enumerate(self.servers[host.name]) if f" {kind}" in server.title)
            again = dataclasses.replace(self.servers[host.name][place], title=f"{host.name} {kind} boot {self._boots}")
            self.servers[host.name][place] = again
            self.site.daemons.start([again])

    def new_key(self, host: Machine) -> None:
        """Another machine's host key, in the place of this one's."""
        place = next(place for place, server in enumerate(self.servers[host.name]) if " sshd" in server.title)
        folder = self.site.folder / f"{host.name}-other"
        key = servers.write_host_key(self.site.folder / f"{host.name}-other.key")
        self.servers[host.name][place] = servers.shell_server(host.name, f"{host.name} sshd other", folder, host.addresses, key)


@pytest.fixture(scope="module")
def quay(laboratory: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Quay]:
    with Site(tmp_path_factory.mktemp("quay"), nodes()) as site:
        built = Quay(site)
        built.begin()
        yield built


@pytest.fixture(scope="module")
def rebooted(quay: Quay, tmp_path_factory: pytest.TempPathFactory) -> Run:
    """One watch over six hosts: rebooted, slow, gone, another machine, without its time service, and not rebooted at all."""
    store = tmp_path_factory.mktemp("store") / "history.sqlite"
    running = quay.site.start(plan(HOSTS), *QUICK, "--timeout", "25 s", "--store", str(store), "--ticket", "CHG-1042",
                              "--reviewer", "second pair of eyes", command="await")
    _wait_for_rounds(quay, *HOSTS)
    for host in (SOUND, SLOW, GONE, OTHER_KEY, NO_TIME):
        quay.down(host)
    time.sleep(3)  # a silence of some rounds
    for host in (SOUND, SLOW, OTHER_KEY, NO_TIME):
        quay.link(host, "up")
    quay.new_key(OTHER_KEY)
    quay.start(SOUND, "sshd", "nginx", "chronyd")
    quay.start(OTHER_KEY, "sshd", "nginx", "chronyd")
    quay.start(NO_TIME, "nginx", "sshd")
    quay.start(SLOW, "chronyd", "nginx")
    time.sleep(2.0)  # the slow one's SSH server comes last, and late
    quay.start(SLOW, "sshd")
    return running.finish()


@pytest.fixture(scope="module")
def access(quay: Quay) -> str:
    """The plan's lines that let one host be asked itself."""
    return quay.admit(ASKED)


def boot(run: Run, host: Machine) -> dict[str, str]:
    """The grades of a host's boot findings, by check and subject."""
    return {f"{one['check']} {one['subject']}": one["grade"] for one in run.host(host.name)["findings"]
            if one["check"].startswith("boot.")}


def test_a_rebooted_host_went_came_back_and_settled(rebooted: Run) -> None:
    """Every boot finding passes, with the host key compared, and the verification after it finds nothing wrong."""
    address = SOUND.addresses[0]
    assert boot(rebooted, SOUND) == {
        "boot.down reboot": "pass", "boot.new reboot": "pass", f"boot.up echo {address}": "pass", "boot.up 22/tcp": "pass",
        "boot.up 443/tcp": "pass", f"boot.up time {address}": "pass", "boot.settled reboot": "pass",
        "boot.identity 22/tcp": "pass"}
    assert "weaker" in rebooted.finding(SOUND.name, "boot.new")["message"]
    assert rebooted.report["run"]["kind"] == "await"
    assert rebooted.report["run"]["reviewer"] == "second pair of eyes"


def test_the_timeline_holds_when_each_sign_went_and_came(rebooted: Run) -> None:
    """Moments are in order, each with the time before which the sign was otherwise, and the silence lies between."""
    evidence = rebooted.host(SOUND.name)["evidence"]["boot"]
    stamps = [moment["at"] for moment in evidence["moments"]]
    assert len(stamps) >= 12
    (outage,) = evidence["outages"]
    assert outage["answered"] < outage["silent"] <= outage["still"] < outage["back"] <= evidence["settled"]
    for moment in evidence["moments"]:
        assert moment["after"] < moment["at"]
    assert evidence["why"] == "settled"


def test_a_service_that_comes_last_is_seen_to_come_last(rebooted: Run) -> None:
    """The slow host's SSH server, started two seconds after its web server, is back later than it."""
    moments = rebooted.host(SLOW.name)["evidence"]["boot"]["moments"]
    back = {name: max(moment["at"] for moment in moments if moment["sign"]["name"] == name and moment["reading"] == "up")
            for name in ("22/tcp", "443/tcp")}
    assert back["22/tcp"] > back["443/tcp"]
    finding = rebooted.finding(SLOW.name, "boot.up", "22/tcp")
    assert finding["grade"] == "pass"
    assert finding["measured"]["value"] + finding["measured"]["uncertainty"] > 1.5


def test_a_host_that_never_returns_is_one_cause_and_keeps_no_other_waiting(rebooted: Run) -> None:
    """It is the cause of its own silence; the watch of the sound host ended long before the time-out."""
    address = GONE.addresses[0]
    assert boot(rebooted, GONE) == {"boot.down reboot": "pass", "boot.new reboot": "unproven", f"boot.up {address}": "fail",
                                    "boot.settled reboot": "fail"}
    cause = f"{GONE.fqdn}|boot.up|{address}"
    assert [one for one in rebooted.causes() if one.startswith(GONE.fqdn)] == [cause]
    assert rebooted.finding(GONE.name, "host.echo")["because"] == [cause]
    assert rebooted.host(GONE.name)["evidence"]["boot"]["why"] == "time-out"
    assert rebooted.host(SOUND.name)["evidence"]["boot"]["ended"] < rebooted.host(GONE.name)["evidence"]["boot"]["ended"]


def test_another_machine_at_the_address_is_found_by_its_host_key(rebooted: Run) -> None:
    """The key before against the key after, both fingerprints shown."""
    finding = rebooted.finding(OTHER_KEY.name, "boot.identity")
    assert finding["grade"] == "fail"
    assert finding["planned"] != finding["found"]
    assert "SHA256:" in finding["planned"]
    assert "SHA256:" in finding["found"]


def test_a_time_service_that_was_never_enabled_is_named(rebooted: Run) -> None:
    """The host settles without it, waits out the grace, and the missing service is the cause of what the verification finds."""
    address = NO_TIME.addresses[0]
    finding = rebooted.finding(NO_TIME.name, "boot.up", f"time {address}")
    assert finding["grade"] == "fail"
    assert "answered before the reboot" in finding["message"]
    assert rebooted.finding(NO_TIME.name, "boot.settled")["grade"] == "pass"
    assert rebooted.finding(NO_TIME.name, "clock.synchronised")["because"] == [finding["ref"]]


def test_a_host_that_was_not_rebooted_is_unproven_and_no_fail(rebooted: Run) -> None:
    """From outside nobody can tell a fast reboot from none."""
    assert set(boot(rebooted, STAYS).values()) == {"unproven"}
    assert rebooted.host(STAYS.name)["verdict"] == "unproven"


def test_changes_are_printed_one_a_line_with_their_time(rebooted: Run) -> None:
    """No board where standard error is no terminal."""
    lines = [line for line in rebooted.stderr.splitlines() if SOUND.fqdn in line]
    assert any(line.endswith(f"{SOUND.fqdn}  DOWN") for line in lines)
    assert any(f"{SOUND.fqdn}  SETTLED" in line for line in lines)
    assert all(line[4] == "-" and line[19] == "Z" for line in lines)
    assert "Traceback" not in rebooted.stderr


def test_since_lets_a_host_settle_that_is_back_already(quay: Quay) -> None:
    """No silence is waited for; that it went down stays unproven."""
    run = quay.site.start(plan((SOUND,)), *QUICK, "--timeout", "40 s", "--since", "10 min", "--no-store",
                          command="await").finish()
    assert run.seconds < 30
    assert run.finding(SOUND.name, "boot.settled")["grade"] == "pass"
    assert run.finding(SOUND.name, "boot.down")["grade"] == "unproven"
    assert run.finding(SOUND.name, "boot.up", "22/tcp")["grade"] == "pass"


def _wait_for_rounds(quay: Quay, *hosts: Machine) -> None:
    """Each host has been sent echo requests, one a round: it was asked for its boot before the first of them."""
    before = {host: quay.site.echoes(host) for host in hosts}
    wait_until(lambda: all(quay.site.echoes(host) >= before[host] + 3 for host in hosts), 40, lambda: "the watch never began")


def test_a_cut_wire_is_told_from_a_reboot_by_the_hosts_own_word(quay: Quay, access: str) -> None:
    """The silence was seen and the boot is the old one: asked over SSH before and after, it fails where silence would pass."""
    text = plan((ASKED,), ports='"22/tcp"', extra=access)
    running = quay.site.start(text, *PATIENT, "--timeout", "30 s", "--no-store", "--only", "boot.*", command="await")
    _wait_for_rounds(quay, ASKED)
    quay.link(ASKED, "down")
    time.sleep(4)  # a silence of some rounds
    quay.link(ASKED, "up")
    run = running.finish()
    seen = run.host(ASKED.name)["evidence"]["boot"]
    assert len(seen["outages"]) == 1
    assert seen["before"]["boot_id"] == seen["after"]["boot_id"] != ""
    assert run.finding(ASKED.name, "boot.down")["grade"] == "pass"
    finding = run.finding(ASKED.name, "boot.new")
    assert finding["grade"] == "fail"
    assert "still runs the boot from before" in finding["message"]


def test_since_is_held_against_when_the_boot_began(quay: Quay, access: str) -> None:
    """A host that says it booted long before the order still runs the old boot."""
    uptime = float(Path("/proc/uptime").read_text(encoding="ascii").split()[0])
    run = quay.site.start(plan((ASKED,), ports='"22/tcp"', extra=access), *PATIENT, "--timeout", "30 s", "--no-store", "--only",
                          "boot.*", "--since", f"{uptime / 2:.0f} s", command="await").finish()
    assert (run.finding(ASKED.name, "boot.down")["grade"], run.finding(ASKED.name, "boot.new")["grade"]) == ("fail", "fail")


def test_a_cut_wire_that_silences_every_host_is_no_reboot_of_any(quay: Quay) -> None:
    """All hosts fell silent and came back in the same moments with all their services: nobody rebooted, and nobody is ready."""
    running = quay.site.start(plan((SOUND, STAYS)), *QUICK, "--timeout", "30 s", "--no-store", "--only", "boot.*",
                              command="await")
    _wait_for_rounds(quay, SOUND, STAYS)
    nft = find("nft")
    quay.site.wiring.run("runner", nft, "-f", "-", stdin="table inet cut { chain in { "
                         "type filter hook input priority 0; drop; }; }")
    time.sleep(4)  # a silence of some rounds
    quay.site.wiring.run("runner", nft, "delete", "table", "inet", "cut")
    run = running.finish()
    for host in (SOUND, STAYS):
        assert run.finding(host.name, "boot.down")["grade"] == "pass", "it was silent, whatever silenced it"
        finding = run.finding(host.name, "boot.new")
        assert finding["grade"] == "unproven"
        assert "in the same moments" in finding["message"]
    assert run.status == 3


def test_a_runner_that_stood_still_has_seen_no_absence_of_a_reboot(quay: Quay) -> None:
    """A laptop that was closed, or Ctrl-Z: for as long nobody looked, and the sentence says so."""
    running = quay.site.start(plan((STAYS,)), *QUICK, "--timeout", "14 s", "--no-store", "--only", "boot.*", command="await")
    _wait_for_rounds(quay, STAYS)
    running.process.send_signal(signal.SIGSTOP)
    time.sleep(6)  # many rounds that never are
    running.process.send_signal(signal.SIGCONT)
    run = running.finish()
    begin, end = run.host(STAYS.name)["evidence"]["boot"]["unwatched"]
    assert begin < end
    finding = run.finding(STAYS.name, "boot.down")
    assert finding["grade"] == "unproven"
    assert "A reboot may lie there" in finding["message"]


def test_an_interrupt_reports_what_was_seen(quay: Quay, tmp_path: Path) -> None:
    """Ctrl-C in the watch: status 130, both reports, a partial run with the rounds so far, and nothing else asked."""
    running = quay.site.start(plan((SOUND,)), *QUICK, "--no-store", command="await")
    _wait_for_rounds(quay, SOUND)
    running.process.send_signal(signal.SIGINT)
    run = running.finish()
    assert run.status == 130, run.stderr
    assert run.report["run"]["complete"] is False
    evidence = run.host(SOUND.name)["evidence"]
    assert (evidence["boot"]["why"], evidence["names"]) == ("interrupted", [])
    assert evidence["boot"]["rounds"] >= 1
    assert sorted(path.suffix for path in run.output.iterdir()) == [".html", ".json"]
    assert "Traceback" not in run.stderr


@pytest.mark.parametrize(("option", "value", "words"), [
    ("--since", "tomorrow", "--since tomorrow"),
    ("--since", "2026-01-01T00:00:00", "with its zone"),
    ("--since", "2999-01-01T00:00:00Z", "a time that is past"),
    ("--timeout", "soon", "is not a time to wait"),
    ("--timeout", "-5 s", "is not a time to wait"),
    ("--every", "0 s", "is not a time to wait"),
])
def test_times_that_cannot_be_used_are_refused_before_anything_is_sent(quay: Quay, option: str, value: str, words: str) -> None:
    run = quay.site.start(plan((SOUND,)), option, value, "--no-store", command="await").finish()
    assert run.status == 2
    assert words in " ".join(run.stderr.split())
