"""Whole runs that log in: real OpenSSH servers in namespaces, with their own routes, names, boot ids and service managers.

    runner 198.51.100.10 --- router --- 192.0.2.11 and up (the hosts) and 192.0.2.200 (deck, on their own wire)

What a namespace shares with its machine is covered for each host: files of /etc and /proc by mounts of its own, the host
name by a UTS namespace.  systemctl and chronyc are small scripts that print what the real ones print.
"""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from labkit.daemons import Listening, Server
from labkit.needs import find
from labkit.runs import Run
from labkit.servers import write_host_key
from labkit.site import DOMAIN, Site
from labkit.wires import Node, Plug

pytestmark = pytest.mark.lab

GATEWAY = "192.0.2.1"
#: Planted where a person might leave a secret; it must never be seen again.
PLANTED = "hunter2-of-the-tide"
_BOOT_ID = "/proc/sys/kernel/random/boot_id"


@dataclass(frozen=True, slots=True)
class Told:
    """One host: what it says of itself, and what is wrong with that.  ``twin`` names the host it was copied from."""

    name: str
    address: str
    resolver: str = "nameserver 192.0.2.53\nnameserver 192.0.2.54\nsearch obs.example.net\n"
    behind: str = ""
    chrony: tuple[str, str] = ("active", "enabled")
    sources: str = "^,*,192.0.2.61,2,6,377,20,0,0,0\n"
    forced: str = ""
    twin: str = ""
    route: tuple[str, ...] = ()
    key: str = "known"


HOSTS = (
    Told("dome-a", "192.0.2.11"),
    Told("dome-b", "192.0.2.12", route=("default", "via", "192.0.2.254", "metric", "50")),
    Told("dome-c", "192.0.2.13", forced="exec env -i PATH={applets} {applets}/sh -c \"$SSH_ORIGINAL_COMMAND\""),
    Told("dome-d", "192.0.2.14", resolver="nameserver 127.0.0.53\nsearch obs.example.net\n",
         behind="nameserver 192.0.2.54\nnameserver 192.0.2.53\n"),
    Told("dome-e", "192.0.2.15", chrony=("inactive", "disabled"), sources=""),
    Told("dome-f", "192.0.2.16", twin="dome-a"),
    Told("dome-g", "192.0.2.17", key="unknown"),
    Told("dome-h", "192.0.2.18", key="changed"),
    Told("dome-i", "192.0.2.19", forced="sleep 600"),
    Told("dome-j", "192.0.2.20", forced="yes tide"),
    Told("dome-k", "192.0.2.21", forced="/usr/sbin/nologin"),
    Told("dome-l", "192.0.2.22", key="unknown"),
)


class Telling:
    """The site, its hosts' files, and the plan with access to them."""

    def __init__(self, folder: Path, site: Site) -> None:
        self.folder, self.site = folder, site
        self.user_key = write_host_key(folder / "trial.key")
        public = subprocess.run(["ssh-keygen", "-yf", self.user_key], check=True, capture_output=True, text=True).stdout
        (folder / "authorized").write_text(public)
        (folder / "applets").mkdir()
        subprocess.run(["busybox", "--install", "-s", folder / "applets"], check=True)
        known = [self._prepare(host) for host in HOSTS]
        (folder / "known_hosts").write_text("".join(known))
        site.daemons.start([self._server(host) for host in HOSTS])
        for host in HOSTS:
            if host.route:
                site.wiring.run(host.name, find("ip"), "route", "add", *host.route)

    def _prepare(self, host: Told) -> str:
        """The host's own files, and the line of known hosts about it."""
        own = self.folder / host.name
        (own / "bin").mkdir(parents=True)
        (own / "resolve").mkdir()
        identity = HOSTS.index(next((other for other in HOSTS if other.name == host.twin), host))
        (own / "machine-id").write_text(f"{identity + 1:032x}\n")
        (own / "boot_id").write_text(f"00000000-0000-4000-8000-{HOSTS.index(host) + 1:012x}\n")
        (own / "resolv.conf").write_text(host.resolver)
        (own / "hosts").write_text(f"127.0.0.1 localhost\n{host.address} {host.name}.{DOMAIN} {host.name}\n")
        if host.behind:
            (own / "resolve" / "resolv.conf").write_text(host.behind)
        active, enabled = host.chrony
        _script(own / "bin" / "systemctl", f"""\
case "$*" in
  *--state=failed*) exit 0;;
  *" ssh"*) printf 'Id=ssh.service\\nLoadState=loaded\\nActiveState=active\\nUnitFileState=enabled\\n';;
  *) printf 'Id=chrony.service\\nLoadState=loaded\\nActiveState={active}\\nUnitFileState={enabled}\\n';;
esac
""")
        _script(own / "bin" / "chronyc", f"printf '%s' '{host.sources}'\n" if host.sources else "exit 1\n")
        key = write_host_key(own / "host.key")
        shown = write_host_key(own / "other.key") if host.key == "changed" else key
        public = subprocess.run(["ssh-keygen", "-yf", shown], check=True, capture_output=True, text=True).stdout
        return "" if host.key == "unknown" else f"{host.name}.{DOMAIN} {public}"

    def _server(self, host: Told) -> Server:
        own = self.folder / host.name
        forced = [f"ForceCommand {host.forced.format(applets=self.folder / 'applets')}"] if host.forced else []
        (own / "sshd_config").write_text("\n".join([
            f"ListenAddress {host.address}", f"HostKey {own}/host.key", "PidFile none", "UsePAM no", "StrictModes no",
            "PermitRootLogin prohibit-password", "PasswordAuthentication no", f"AuthorizedKeysFile {self.folder}/authorized",
            f"SetEnv PATH={own}/bin:/usr/bin:/bin:/sbin", *forced, ""]))
        covered = {"machine-id": "/etc/machine-id", "boot_id": _BOOT_ID, "resolv.conf": "/etc/resolv.conf", "hosts": "/etc/hosts"}
        mounts = [f"mount --bind {own}/{file} {place}" for file, place in covered.items()]
        if host.behind:
            mounts += ["mount -t tmpfs none /run/systemd", "mkdir /run/systemd/resolve",
                       f"cp {own}/resolve/resolv.conf /run/systemd/resolve/"]
        start = " && ".join([f"hostname {host.name}", *mounts, f"exec {find('sshd')} -D -e -f {own}/sshd_config"])
        return Server(host.name, f"{host.name} sshd", (find("unshare"), "-u", "-m", "/bin/sh", "-c", start),
                      (Listening("tcp", host.address, 22),), environment=(("TIDE_PLANTED", PLANTED),))

    def plan(self, *, key: str = "", more: str = "") -> str:
        hosts = "".join(f'[[hosts]]\nname = "{host.name}"\naddress = "{host.address}"\nnetwork = "obs"\nrole = "node"\n'
                        for host in HOSTS)
        return f"""\
[plan]
title = "Tidewater Observatory"
domain = "{DOMAIN}"
[names]
servers = ["192.0.2.53", "192.0.2.54"]
[time]
sources = ["192.0.2.61"]
[networks.obs]
subnet = "192.0.2.0/24"
gateway = "{GATEWAY}"
[roles.node]
open = ["22/tcp"]
ssh = ["22/tcp"]
services = ["ssh"]
[access]
user = "root"
key = "{key or self.user_key}"
known_hosts = "{self.folder}/known_hosts"
[[questions]]
name = "kernel"
command = "uname -s"
expect = "Linux"
{more}{hosts}"""

    def verify(self, text: str, at: str = "runner") -> Run:
        return self.site.verify(text, "--only", "system.*", "--only", "gateway.return-path", "--timeout", "5", "--no-store",
                                at=at)


def _script(path: Path, text: str) -> None:
    path.write_text(f"#!/bin/sh\n{text}")
    path.chmod(0o755)


@pytest.fixture(scope="module")
def telling(laboratory: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Telling]:
    Path("/run/sshd").mkdir(exist_ok=True)
    folder = tmp_path_factory.mktemp("telling")
    nodes = [
        Node("runner", (Plug("front", ("198.51.100.10/24",)),), gateways=("198.51.100.1",)),
        Node("router", (Plug("front", ("198.51.100.1/24",)), Plug("obs", (f"{GATEWAY}/24",))), forwards=True),
        Node("deck", (Plug("obs", ("192.0.2.200/24",)),)),
        *(Node(host.name, (Plug("obs", (f"{host.address}/24",)),), gateways=(GATEWAY,)) for host in HOSTS),
    ]
    with Site(folder, nodes) as site:
        yield Telling(folder, site)


@pytest.fixture(scope="module")
def run(telling: Telling) -> Run:
    """One run from behind the router, over every host at once."""
    return telling.verify(telling.plan())


@pytest.fixture(scope="module")
def deck_run(telling: Telling) -> Run:
    """The same from the hosts' own wire."""
    return telling.verify(telling.plan(), at="deck")


def system_troubles(run: Run, name: str) -> dict[tuple[str, str], str]:
    """What is no pass and not explained, less the identities, which have tests of their own."""
    return {key: grade for key, grade in run.troubles(name, explained=False).items()
            if key[0].startswith("system.") and key[0] != "system.shared-identity"}


def test_a_sound_host_says_so_itself(run: Run) -> None:
    """Every question is answered, the site's own too, and by the real tools of the machine."""
    assert system_troubles(run, "dome-a") == {}
    assert run.finding("dome-a", "system.question", "kernel")["grade"] == "pass"
    assert run.finding("dome-a", "system.name", "full name")["found"] == "dome-a.obs.example.net"
    evidence = run.host("dome-a")["evidence"]
    assert evidence["system"]["facts"]["routes_4"][0]["gateway"] == GATEWAY
    assert not evidence["crashes"]


@pytest.mark.parametrize("name", ["dome-a", "dome-c"])
def test_the_way_out_is_proven_from_the_wire_itself(deck_run: Run, name: str) -> None:
    """A runner on the same wire proves nothing by its own packets; the host's tables do."""
    found = deck_run.finding(name, "gateway.return-path")
    assert (found["grade"], found["vantage"]) == ("pass", f"{name}.{DOMAIN} itself over SSH")


def test_a_second_default_route_is_found(run: Run) -> None:
    found = run.finding("dome-b", "system.route", "IPv4")
    assert (found["grade"], found["symptom"]) == ("caution", "second-route")
    assert "192.0.2.254" in found["found"]
    assert "ip route del default via 192.0.2.254 dev eth0 metric 50" in found["fix"]


def test_busybox_alone_tells_all_but_its_services(run: Run) -> None:
    """What has no command there is unproven, and says which were tried."""
    assert set(system_troubles(run, "dome-c")) == {
        ("system.clock", "service"), ("system.clock", "sources"), ("system.clock", "selected"), ("system.service", "ssh"),
        ("system.service", "failed units")}
    assert set(system_troubles(run, "dome-c").values()) == {"unproven"}
    assert '"systemctl show' in run.finding("dome-c", "system.service", "ssh")["message"]


def test_the_servers_behind_a_local_forwarder_are_found(run: Run) -> None:
    """They are the planned ones in another order."""
    found = run.finding("dome-d", "system.resolver", "servers")
    assert (found["grade"], found["found"]) == ("caution", "192.0.2.54, 192.0.2.53 behind 127.0.0.53")
    assert system_troubles(run, "dome-d") == {("system.resolver", "servers"): "caution"}


def test_a_stopped_time_service_is_found(run: Run) -> None:
    assert run.finding("dome-e", "system.clock", "service")["symptom"] == "stopped"


def test_a_copy_betrays_itself_beside_its_original(run: Run) -> None:
    """One machine id on two hosts; their boot ids and hardware addresses are their own."""
    for name, other in (("dome-a", "dome-f"), ("dome-f", "dome-a")):
        found = run.finding(name, "system.shared-identity", "machine id")
        assert (found["grade"], found["found"]) == ("fail", f"the same as on {other}.{DOMAIN}")
        assert run.finding(name, "system.shared-identity", "boot id")["grade"] == "pass"
        assert run.finding(name, "system.shared-identity", "hardware address")["grade"] == "pass"
    assert run.finding("dome-b", "system.shared-identity", "machine id")["grade"] == "pass"


@pytest.mark.parametrize(("name", "symptom"), [("dome-g", "unknown-host-key"), ("dome-h", "changed-host-key")])
def test_a_stranger_is_not_logged_in_to(run: Run, telling: Telling, name: str, symptom: str) -> None:
    """The finding leads, everything else waits on it, and the server never heard a user name."""
    found = run.finding(name, "system.login")
    assert (found["grade"], found["symptom"]) == ("fail", symptom)
    assert found["ref"] in run.causes()
    assert system_troubles(run, name) == {("system.login", "22/tcp"): "fail"}
    assert "publickey" not in telling.site.daemons[f"{name} sshd"].said
    assert "Accepted publickey" in telling.site.daemons["dome-a sshd"].said


@pytest.mark.parametrize(("name", "grade"), [("dome-i", "unproven"), ("dome-j", "fail"), ("dome-k", "fail")])
def test_odd_shells_harm_nobody_else(run: Run, name: str, grade: str) -> None:
    """One hangs, one floods, one lets nobody work: each is said, bounded, and the run is whole."""
    assert run.finding(name, "system.login")["grade"] == grade
    assert run.report["run"]["complete"]
    assert run.seconds < 50
    assert len(json.dumps(run.host(name))) < 60_000


def test_a_shell_that_hangs_is_told_with_its_time_and_what_to_do(run: Run) -> None:
    """In the finding, and where it is listed what would prove it."""
    login = run.finding("dome-i", "system.login")
    told = re.search(r": (the [a-z ]+) got no answer in ([0-9.]+ s)\. Perhaps the host is busy", login["message"])
    assert told, login["message"]
    (missing,) = [one for one in run.report["coverage"]["missing"] if login["message"] == one["why"]]
    assert missing["would_prove"] == (
        f"more than {told[2]} for {told[1]}: --timeout (of await --question-timeout), or less load there")


def test_the_line_that_a_report_prints_makes_a_stranger_known(telling: Telling, run: Run) -> None:
    """Add it to the known hosts, and the host is asked."""
    line = run.finding("dome-l", "system.login")["fix"][-1]
    known = telling.folder / "known_hosts"
    before = known.read_text()
    try:
        known.write_text(f"{before}{line}\n")
        again = telling.site.verify(telling.plan(), "--only", "system.*", "--host", "dome-l", "--timeout", "5", "--no-store")
    finally:
        known.write_text(before)
    assert again.finding("dome-l", "system.login")["grade"] == "pass"
    assert system_troubles(again, "dome-l") == {}


def test_a_host_of_both_families_is_asked_for_both_halves(telling: Telling) -> None:
    """The planned IPv6 gateway, mask and way out are its own word; then with another gateway and another mask."""
    text = (telling.plan().replace('subnet = "192.0.2.0/24"', 'subnet = ["192.0.2.0/24", "2001:db8:9::/64"]')
            .replace(f'gateway = "{GATEWAY}"', f'gateway = ["{GATEWAY}", "2001:db8:9::1"]')
            .replace('address = "192.0.2.11"', 'address = ["192.0.2.11", "2001:db8:9::11"]'))
    checks = ("--only", "system.route", "--only", "system.address", "--only", "gateway.return-path", "--no-store")
    found = []
    for length, router in (("64", "2001:db8:9::1"), ("48", "2001:db8:9::2")):
        own = ("address", "add", f"2001:db8:9::11/{length}", "dev", "eth0", "nodad")
        telling.site.wiring.run("dome-a", find("ip"), *own)
        try:
            telling.site.wiring.run("dome-a", find("ip"), "-6", "route", "replace", "default", "via", router)
            found.append(telling.site.verify(text, *checks, "--host", "192.0.2.11", "--timeout", "5"))
        finally:
            telling.site.wiring.run("dome-a", find("ip"), "-6", "route", "flush", "default")
            telling.site.wiring.run("dome-a", find("ip"), "address", "del", *own[2:5])
    subjects = [("system.route", "IPv4"), ("system.route", "IPv6"), ("system.address", "192.0.2.11"),
                ("system.address", "2001:db8:9::11"), ("gateway.return-path", GATEWAY), ("gateway.return-path", "2001:db8:9::1")]
    grades = [[run.finding("dome-a", *subject)["grade"] for subject in subjects] for run in found]
    assert grades == [["pass"] * 6, ["pass", "fail", "pass", "fail", "pass", "unproven"]]
    assert found[1].finding("dome-a", "system.route", "IPv6")["fix"][0].startswith(
        "ip -6 route replace default via 2001:db8:9::1 dev eth0")


def test_a_missing_key_is_the_plans_fault_and_stops_only_the_logins(telling: Telling) -> None:
    """Lint's finding leads; nothing is claimed of the hosts."""
    done = telling.verify(telling.plan(key=str(telling.folder / "no.key")))
    assert "site|plan.access|key" in done.causes()
    assert done.finding("dome-a", "system.login")["because"] == ["site|plan.access|key"]
    assert {one["grade"] for one in done.host("dome-a")["findings"] if one["check"].startswith("system.")} == {"unproven"}


def test_nothing_secret_is_in_any_report_or_output(telling: Telling, run: Run) -> None:
    """Neither the private key, nor a machine id, nor the environment of the servers."""
    told = run.stdout + run.stderr + "".join(path.read_text() for path in run.output.iterdir())
    assert "ssh-ed25519" in told
    secrets = [PLANTED, *telling.user_key.read_text().splitlines()[1:-1], f"{1:032x}"]
    assert not [secret for secret in secrets if secret in told]


def test_a_password_in_the_plan_is_refused_and_not_repeated(telling: Telling) -> None:
    done = telling.verify(telling.plan().replace('user = "root"', f'user = "root"\npassword = "{PLANTED}"'))
    assert done.status == 2
    assert "a password is never taken from the plan" in done.stderr
    assert PLANTED not in done.stdout + done.stderr
