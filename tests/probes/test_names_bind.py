"""The name probe, the zone lines and the name graders together, against a real BIND on loopback, with dig beside us."""

from __future__ import annotations

import asyncio
import shutil
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence

import msgspec
import pytest

from probes import names as probe
from probes.sockets import SocketNetwork
from shared import catalogue
from shared.aliases import follow
from shared.evidence import Evidence, FailureKind, HostEvidence, NameAnswer, SiteEvidence, Vantage
from shared.findings import Grade
from shared.hostnames import canonical, reverse_name
from shared.plan import Endpoint, Host, Network, Plan
from shared.questions import NameQuestion, Pace
from shared.zonelines import Line, Zone, authority_of, forward_lines, master_file, update_script, zones_of
from verify.asking import names as asking
from verify.grading import names as grading
from verify.grading.case import Case

pytestmark = pytest.mark.lab

#: Records beside the plan's: every shape of answer that the probe has to tell apart.
ODD_LINES = """
loop1 IN CNAME loop2
loop2 IN CNAME loop1
self IN CNAME self
dangle IN CNAME nowhere
away IN CNAME elsewhere.example.org.
www IN CNAME dome-a
*.wild IN A 127.0.0.50
sub IN NS ns.sub
ns.sub IN A 127.0.0.99
long IN TXT {long}
dome-a IN SSHFP 4 2 a87f1b687ac0e57d2a081a2f282672334d90ed316d2b818ca9580ea384d92401
""".format(long="\nlong IN TXT ".join(f'"{str(n) * 200}"' for n in range(6)))

CONFIGURATION = """
options {{ directory "{folder}"; listen-on port {port} {{ 127.0.0.1; }}; listen-on-v6 port {port} {{ ::1; }}; recursion no;
           pid-file none; session-keyfile none; max-udp-size 512; edns-udp-size 512; allow-transfer {{ none; }};
           notify no; check-names primary ignore; }};
controls {{ }};
{zones}
"""


def _host(name: str, *addresses: str, network: str = "mgmt") -> Host:
    return Host(name=name, fqdn=f"{name}.obs.example.net", addresses=addresses, addresses_typed=addresses, network=network,
                role="node")


def _network(name: str, subnet: str) -> Network:
    return Network(name=name, subnet_typed=subnet, subnet=subnet)


@pytest.fixture(scope="module")
def free_port() -> int:
    """A port that is free for UDP and TCP just now."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as udp, socket.socket() as tcp:
        udp.bind(("127.0.0.1", 0))
        tcp.bind(("127.0.0.1", udp.getsockname()[1]))
        return int(udp.getsockname()[1])


@pytest.fixture(scope="module")
def plan(make_plan: Callable[..., Plan], free_port: int) -> Plan:
    """Both families, a classless subnet, and one server under two addresses."""
    servers = (Endpoint("127.0.0.1", free_port, f"127.0.0.1:{free_port}"), Endpoint("::1", free_port, f"[::1]:{free_port}"))
    return make_plan(
        name_servers=servers,
        networks=(_network("mgmt", "192.0.2.0/24"), _network("mast", "198.51.100.0/25"), _network("six", "2001:db8:0:7::/64")),
        hosts=(_host("dome-a", "192.0.2.11", "2001:db8:0:7::11"), _host("mast-a", "198.51.100.11", network="mast")))


@pytest.fixture(scope="module")
def bind(plan: Plan, free_port: int, tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """A named in the foreground with the plan's zones as the build sheet gives them; ended by its pid.  Gives its port."""
    folder = tmp_path_factory.mktemp("bind")
    declared = []
    for zone in zones_of(plan):
        text = master_file(zone, authority_of(plan), serial=2026112501)
        (folder / zone.origin).write_text(text + (ODD_LINES if zone.origin == "obs.example.net" else ""))
        declared.append(f'zone "{zone.origin}" {{ type primary; file "{zone.origin}"; allow-update {{ 127.0.0.1; }}; }};')
    (folder / "broken.example").write_text("this is no zone file\n")
    declared.append('zone "broken.example" { type primary; file "broken.example"; };')
    (folder / "named.conf").write_text(CONFIGURATION.format(folder=folder, port=free_port, zones="\n".join(declared)))
    program = shutil.which("named") or "/usr/sbin/named"
    command = [program, "-g", "-c", str(folder / "named.conf"), "-n", "1"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as server:
        running, log = threading.Event(), list[str]()

        def drain() -> None:
            for line in server.stderr or ():
                log.append(line)
                if line.rstrip().endswith(" running"):
                    running.set()

        reader = threading.Thread(target=drain)
        reader.start()
        try:
            assert running.wait(20), "named did not start:\n" + "".join(log[-20:])
            yield free_port
        finally:
            server.terminate()
            reader.join()


def update(text: str) -> None:
    """Sends a printed update with BIND's own client."""
    subprocess.run(["nsupdate"], input=text, text=True, check=True, timeout=20)


def dig(port: int, name: str, rrtype: str, *options: str) -> tuple[str, set[str], set[tuple[str, ...]]]:
    """What dig says to the same question: rcode, flags, records of the answer section."""
    done = subprocess.run(["dig", "@127.0.0.1", "-p", str(port), f"{name}.", rrtype, "+tries=1", "+time=5", *options], check=True,
                          capture_output=True, text=True, timeout=20)
    status = done.stdout.partition("status: ")[2].partition(",")[0]
    flags = set(done.stdout.partition(";; flags: ")[2].partition(";")[0].split())
    answer = done.stdout.partition(";; ANSWER SECTION:\n")[2].partition("\n\n")[0]
    records: set[tuple[str, ...]] = {
        (canonical(owner), kind, canonical("".join(value).replace('"', "")))
        for owner, _ttl, _class, kind, *value in map(str.split, answer.splitlines())}
    return status, flags, records


def ask(server: Endpoint, name: str, rrtype: str, transport: str) -> NameAnswer:
    async def main() -> NameAnswer:
        async with SocketNetwork(Pace(timeout_seconds=5.0)) as network:
            return await probe.ask(network, NameQuestion(server, name, rrtype, "forward", transport))

    return asyncio.run(main())


@pytest.mark.parametrize(("name", "rrtype"), [
    ("dome-a.obs.example.net", "A"), ("dome-a.obs.example.net", "AAAA"), ("dome-a.obs.example.net", "SSHFP"),
    ("DOME-A.obs.EXAMPLE.net", "A"), ("obs.example.net", "SOA"), ("obs.example.net", "NS"), ("www.obs.example.net", "A"),
    ("nobody.obs.example.net", "A"), ("mast-a.obs.example.net", "AAAA"), ("dangle.obs.example.net", "A"),
    ("loop1.obs.example.net", "A"), ("self.obs.example.net", "A"), ("x.wild.obs.example.net", "A"),
    ("a.sub.obs.example.net", "A"), ("broken.example", "SOA"), ("example.com", "A"), ("away.obs.example.net", "A"),
    (reverse_name("192.0.2.11"), "PTR"), (reverse_name("198.51.100.11"), "PTR"), (reverse_name("2001:db8:0:7::11"), "PTR"),
    ("long.obs.example.net", "TXT"),
])
def test_we_hear_what_dig_hears(bind: int, name: str, rrtype: str) -> None:
    """Records, rcode and the AA and RA flags of every shape of answer, over UDP with truncation and over TCP."""
    for transport in ("udp", "tcp"):
        ours = ask(Endpoint("127.0.0.1", bind, "bind"), name, rrtype, transport)
        status, flags, records = dig(bind, name, rrtype, "+notcp" if transport == "udp" else "+tcp")
        assert ours.failure is None
        assert (ours.rcode, ours.authoritative, ours.recursion_available) == (status, "aa" in flags, "ra" in flags)
        for asked_on in follow(ours.answers, name).names[1:]:
            # Where the answer ended in an alias we asked on; dig does not.
            records |= dig(bind, asked_on, rrtype, "+tcp")[2]
        assert {(canonical(one.owner), one.rrtype, canonical(one.value.replace(" ", "").replace('"', "")))
                for one in ours.answers} == records
        assert ours.truncated is (name.startswith("long") and transport == "udp")


def test_a_refused_port_is_told_from_silence(free_port: int) -> None:
    """Nothing listens at 127.0.0.9: the kernel says so, over UDP by ICMP and over TCP by a reset."""
    for transport in ("udp", "tcp"):
        answer = ask(Endpoint("127.0.0.9", free_port, "nobody"), "obs.example.net", "SOA", transport)
        assert answer.failure is not None
        assert answer.failure.kind is FailureKind.REFUSED


async def ask_host(network: SocketNetwork, questions: Sequence[NameQuestion]) -> tuple[NameAnswer, ...]:
    """All questions about one host and then the look-ups that these call for, as ``verify.runner`` asks them."""
    asked = [await probe.ask(network, question) for question in questions]
    return (*asked, *[await probe.ask(network, question) for question in probe.confirmations(questions, asked)])


async def _look(plan: Plan) -> Case:
    async with SocketNetwork(Pace(timeout_seconds=5.0)) as network:
        site = await ask_host(network, asking.site_questions(plan, "zq7f3k"))
        hosts = [HostEvidence(fqdn=host.fqdn, names=await ask_host(network, asking.host_questions(plan, host)))
                 for host in plan.hosts]
    evidence = Evidence(vantage=Vantage(name="bench"), started="", finished="", complete=True, site=SiteEvidence(names=site),
                        hosts=tuple(hosts))
    return Case(plan=plan, limits=catalogue.limits_of("lab"), evidence=evidence)


def faults(plan: Plan) -> dict[str, str]:
    """Asks and grades a whole plan; the symptom of every finding that is no pass."""
    case = asyncio.run(_look(plan))
    found = grading.grade_site(case)
    for host, seen in zip(case.plan.hosts, case.evidence.hosts, strict=True):
        found += grading.grade_host(case, host, seen)
    assert {finding.check for finding in found} == {name for name in catalogue.CHECKS if name.startswith("name.")}
    return {finding.ref: finding.symptom for finding in found if finding.grade is not Grade.PASS}


def test_a_server_with_the_printed_zones_passes_every_name_check(bind: int, plan: Plan) -> None:
    """The build sheet's zones, served, are what the checks want: both families and a classless subnet."""
    assert faults(plan) == {}


def test_the_printed_update_adds_a_host_and_takes_it_away(bind: int, plan: Plan) -> None:
    """Before the update the new host is missing, after it every check passes, and the removal makes it missing again."""
    grown = msgspec.structs.replace(plan, hosts=(_host("dome-n", "192.0.2.77"),))
    server = plan.name_servers[0]
    missing = faults(grown)
    assert set(missing.values()) == {"no-name", "open-loop"}
    for zone in zones_of(grown):
        update(update_script(zone, server=server))
    assert faults(grown) == {}
    for zone in zones_of(grown):
        update(update_script(Zone(origin=zone.origin, lines=()), remove=zone.lines, server=server))
    assert faults(grown) == missing


def test_one_planted_fault_gives_its_findings_and_no_other(bind: int, plan: Plan) -> None:
    """A stale second address of dome-a: the sound host beside it shows nothing."""
    server = plan.name_servers[0]
    stale = Line(forward_lines(plan.hosts[0])[0].owner, "A", "192.0.2.99")
    update(update_script(Zone(origin="obs.example.net", lines=(stale,)), server=server))
    try:
        assert faults(plan) == {
            f"dome-a.obs.example.net|name.forward|{server.label} A": "extra-address" for server in plan.name_servers}
    finally:
        update(update_script(Zone(origin="obs.example.net", lines=()), remove=(stale,), server=server))
