"""Real TLS servers on loopback: every window of versions that OpenSSL's own server can show, and nginx end to end."""

from __future__ import annotations

import asyncio
import datetime
import hashlib
import itertools
import os
import signal
import socket
import subprocess
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import ExitStack, asynccontextmanager, contextmanager, suppress
from pathlib import Path
from typing import Any

import msgspec
import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding

from labkit import spoilt
from probes import certificate, identities
from probes.sockets import SocketNetwork
from probes.tlsleaf import shown_in_the_clear
from shared import catalogue
from shared.evidence import Evidence, FailureKind, HostEvidence, SiteEvidence, TlsEvidence, Vantage
from shared.findings import Finding, Grade
from shared.plan import Plan, Port
from shared.quantities import Interval
from shared.questions import Pace, PortQuestion
from verify.grading.case import Case
from verify.grading.certificate import grade_host
from verify.laboratory import authority
from verify.laboratory.authority import Credential, Validity

pytestmark = pytest.mark.lab

NAME = "dome-a.obs.example.net"
# The one place where the machine's own time is wanted: real servers do not care, the certificates must hold for a day.
NOW = datetime.datetime.now(datetime.UTC)
VALID = Validity.around(NOW, days_before=1, days_after=365)
RSA = authority.make_key("rsa-2048")
ROOT = authority.root("Site Root", VALID)
RACK = authority.intermediate(ROOT, "Rack Authority", VALID)
LEAF = authority.leaf(RACK, (NAME,), VALID, key=RSA)

OLD = ("-cipher", "DEFAULT:@SECLEVEL=0")


def write(folder: Path, name: str, credential: Credential) -> tuple[Path, Path]:
    chain, key = folder / f"{name}.pem", folder / f"{name}.key"
    chain.write_bytes(credential.chain_pem)
    key.write_bytes(credential.key_pem)
    return chain, key


@contextmanager
def s_server(folder: Path, credential: Credential, *options: str) -> Iterator[int]:
    """OpenSSL's own test server on a port of the system's choice."""
    leaf, chain = folder / "leaf.pem", folder / "rest.pem"
    leaf.write_bytes(credential.pem)
    chain.write_bytes(credential.chain_pem.removeprefix(credential.pem))
    (folder / "leaf.key").write_bytes(credential.key_pem)
    command = ["openssl", "s_server", "-accept", "127.0.0.1:0", "-cert", str(leaf), "-key", str(folder / "leaf.key"), *options]
    if chain.read_bytes():
        command += ["-cert_chain", str(chain)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as server:
        assert server.stdout is not None
        try:
            port = next((line.rpartition(":")[2] for line in server.stdout if line.startswith("ACCEPT")), "")
            assert port.strip().isdigit(), "the server did not come up"
            yield int(port)
        finally:
            server.terminate()
            server.wait(10)


async def look(port: int, name: str = NAME) -> TlsEvidence:
    async with SocketNetwork(Pace(timeout_seconds=5.0)) as network:
        stream = await network.connect("127.0.0.1", port, timeout_seconds=5.0)
        return await certificate.examine(network, PortQuestion("127.0.0.1", port, "tls", name), stream)


def findings(make_plan: Callable[..., Plan], port: int, evidence: TlsEvidence) -> list[Finding]:
    """What is found of a host that trusts ROOT and was seen on one port."""
    plan = make_plan()
    role = msgspec.structs.replace(plan.roles[0], tls=(Port(port),))
    host = msgspec.structs.replace(plan.hosts[0], addresses=("127.0.0.1",))
    plan = msgspec.structs.replace(plan, roles=(role,), hosts=(host,), anchors=("ca.pem",), anchors_pem=(ROOT.pem,))
    seen = HostEvidence(fqdn=host.fqdn, tls=(evidence,))
    whole: dict[str, Any] = {"started": evidence.at, "finished": evidence.at, "complete": True}
    case = Case(plan=plan, limits=catalogue.limits_of("production"), agreed=Interval(-0.01, 0.01),
                evidence=Evidence(vantage=Vantage(name="runner"), site=SiteEvidence(), hosts=(seen,), **whole))
    return grade_host(case, host, seen)


async def look_again(port: int) -> tuple[list[str], list[str]]:
    """The fingerprint of the first handshake, once a visit, and those that the visits after it met."""
    question = PortQuestion("127.0.0.1", port, "tls", NAME, 2)
    first = await look(port)
    async with SocketNetwork(Pace(timeout_seconds=5.0)) as network:
        met = await identities.revisit(network, question, first)
    return [first.chain[0].sha256] * 2, [one.fingerprint or str(one.failure) for one in met]


@pytest.mark.parametrize("options", [(), ("-tls1_2",), ("-tls1_3",), OLD, ("-tls1_2", "-cipher", "ECDHE-RSA-AES128-GCM-SHA256")])
async def test_visits_meet_the_certificate_of_the_handshake(tmp_path: Path, options: tuple[str, ...]) -> None:
    """In the clear where TLS 1.2 is spoken, by a handshake where it is not: the same certificate, and no second owner."""
    with s_server(tmp_path, LEAF, *options) as port:
        first, met = await look_again(port)
    assert met == first


async def test_server_with_two_certificates_is_no_second_owner(tmp_path: Path) -> None:
    """By TLS 1.3 it shows the one with the ECDSA key, and by TLS 1.2, where its suites allow RSA alone, the other."""
    other = authority.leaf(RACK, (NAME,), VALID, key=authority.make_key("p256"))
    chain, key = write(tmp_path, "other", other)
    with s_server(tmp_path, LEAF, "-dcert", str(chain), "-dkey", str(key), "-cipher", "ECDHE-RSA-AES128-GCM-SHA256") as port:
        first, met = await look_again(port)
        async with SocketNetwork(Pace(timeout_seconds=5.0)) as network:
            stream = await network.connect("127.0.0.1", port, timeout_seconds=5.0)
            in_the_clear = await shown_in_the_clear(network, PortQuestion("127.0.0.1", port, "tls", NAME), stream)
    assert (met, in_the_clear) == (first, hashlib.sha256(LEAF.der).hexdigest())
    assert first[0] == hashlib.sha256(other.der).hexdigest()


@asynccontextmanager
async def turning(first: int, second: int, after: int) -> AsyncIterator[int]:
    """A port that hands so many connections to the first server and all later ones to the second."""
    count, carrying = itertools.count(), set[asyncio.Task[object]]()

    async def carry(source: asyncio.StreamReader, sink: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError):
            while data := await source.read(1 << 16):
                sink.write(data)
        sink.close()
        with suppress(ConnectionError):
            await sink.wait_closed()

    async def hand_on(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        onward, back = await asyncio.open_connection("127.0.0.1", first if next(count) < after else second)
        carrying.update((asyncio.create_task(carry(reader, back)), asyncio.create_task(carry(onward, writer))))

    async with await asyncio.start_server(hand_on, "127.0.0.1", 0) as relay:
        yield relay.sockets[0].getsockname()[1]
        await asyncio.wait(carrying, timeout=10)


@pytest.mark.parametrize(("after", "strangers"), [(4, 2), (5, 1), (6, 0)])
async def test_another_server_behind_the_same_address_is_met(tmp_path: Path, after: int, strangers: int) -> None:
    """The handshake and three trials meet the one; the visits meet the other as soon as it is there, by their certificates."""
    other = authority.leaf(RACK, (NAME,), VALID, key=authority.make_key("p256"))
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    with s_server(tmp_path / "one", LEAF) as one, s_server(tmp_path / "two", other) as two:
        async with turning(one, two, after) as port:
            first, met = await look_again(port)
    assert first[0] == hashlib.sha256(LEAF.der).hexdigest()
    assert met == [first[0]] * (2 - strangers) + [hashlib.sha256(other.der).hexdigest()] * strangers


def told(evidence: TlsEvidence) -> str:
    """The outcomes from TLS 1.3 down to 1.0, a letter each."""
    return "".join(trial.outcome[0] for trial in evidence.versions)


@pytest.mark.parametrize(("options", "protocol", "expected"), [
    ((), "TLS 1.3", "aarr"),
    (("-tls1_3",), "TLS 1.3", "arrr"),
    (("-tls1_2",), "TLS 1.2", "rarr"),
    (("-tls1_1", *OLD), "TLS 1.1", "rrar"),
    (("-tls1", *OLD), "TLS 1.0", "rrra"),
    (("-min_protocol", "TLSv1", *OLD), "TLS 1.3", "aaaa"),
    (("-min_protocol", "TLSv1.1", *OLD), "TLS 1.3", "aaar"),
    (("-min_protocol", "TLSv1", "-max_protocol", "TLSv1.2", *OLD), "TLS 1.2", "raaa"),
    (("-min_protocol", "TLSv1", "-no_tls1_1", *OLD), "TLS 1.3", "aara"),
    (("-min_protocol", "TLSv1", "-no_tls1_2", "-no_tls1_1", *OLD), "TLS 1.3", "arra"),
])
async def test_version_windows_of_a_real_server(tmp_path: Path, options: tuple[str, ...], protocol: str, expected: str) -> None:
    """What the server was told to accept is what is found, and nothing else."""
    with s_server(tmp_path, LEAF, *options) as port:
        evidence = await look(port)
    assert evidence.failure is None
    assert (evidence.protocol, told(evidence)) == (protocol, expected)
    assert [link.der for link in evidence.chain] == [LEAF.der, RACK.der]


async def test_server_that_wants_a_client_certificate(tmp_path: Path) -> None:
    """Under TLS 1.2 the handshake ends with an alert, after the server has shown its own certificate."""
    with s_server(tmp_path, LEAF, "-tls1_2", "-Verify", "1") as port:
        evidence = await look(port)
    assert evidence.failure is not None
    assert evidence.failure.kind is FailureKind.TLS_ALERT
    assert "handshake_failure (40)" in evidence.failure.detail
    assert [link.der for link in evidence.chain] == [LEAF.der, RACK.der]


@pytest.mark.parametrize("key", ["rsa-1024", "p384", "ed25519"])
async def test_any_kind_of_key_can_be_looked_at(tmp_path: Path, key: str) -> None:
    """A weak certificate is fetched all the same: a look that refuses it would be a false green."""
    weak = authority.leaf(None, (NAME,), VALID, key=authority.make_key(key))
    with s_server(tmp_path, weak, *OLD) as port:
        evidence = await look(port)
    assert [link.der for link in evidence.chain] == [weak.der]


def openssl_client(port: int) -> str:
    """What OpenSSL's own client complains of at a server."""
    return subprocess.run(["openssl", "s_client", "-connect", f"127.0.0.1:{port}"], input="", capture_output=True, check=False,
                          text=True, timeout=20).stderr


@pytest.mark.parametrize(("curve", "fault"), [
    (ec.SECP192R1(), (Grade.FAIL, "old-curve")), (ec.SECP224R1(), (Grade.FAIL, "old-curve")),
    (ec.SECP256K1(), (Grade.FAIL, "old-curve")), (ec.BrainpoolP256R1(), (Grade.CAUTION, "rare-curve")),
])
async def test_certificate_with_a_key_on_a_curve_that_is_not_offered(
    tmp_path: Path, make_plan: Callable[..., Plan], curve: ec.EllipticCurve, fault: tuple[Grade, str]
) -> None:
    """The handshake fails for the curve and not for the version; the certificate is seen in the clear, and its key is judged."""
    odd = authority.leaf(RACK, (NAME,), VALID, key=ec.generate_private_key(curve))
    with s_server(tmp_path, odd, *OLD, "-min_protocol", "TLSv1.2") as port:
        evidence = await look(port)
        client_complains = openssl_client(port)
    assert "alert handshake failure" in client_complains
    assert evidence.failure is not None
    assert evidence.failure.kind is FailureKind.TLS_ALERT
    assert {trial.version: trial.outcome for trial in evidence.versions}["TLS 1.2"] == "accepted"
    assert ([link.der for link in evidence.chain], evidence.clear_hello) == ([odd.der, RACK.der], "TLS 1.2")
    faults = {finding.check: (finding.grade, finding.symptom) for finding in findings(make_plan, port, evidence)
              if finding.grade is not Grade.PASS}
    assert faults == {"certificate.key": fault, "certificate.protocol": (Grade.UNPROVEN, "no-tls")}


STRAYS = tuple(authority.root(f"Stray {number}", VALID).certificate for number in range(31))


@pytest.mark.parametrize(("strays", "left_out", "grade"), [
    (8, 0, Grade.PASS), (9, 0, Grade.CAUTION), (30, 0, Grade.CAUTION), (31, 1, Grade.UNPROVEN),
])
async def test_issuer_behind_many_that_play_no_part(
    tmp_path: Path, make_plan: Callable[..., Plan], strays: int, left_out: int, grade: Grade
) -> None:
    """Every client takes ten certificates, 32 are looked at, and what may be among the rest is not said to be missing."""
    sent = (*STRAYS[:strays], RACK.certificate)
    (tmp_path / "crowd.pem").write_bytes(b"".join(each.public_bytes(Encoding.PEM) for each in sent))
    with s_server(tmp_path, spoilt.without_intermediates(LEAF), "-cert_chain", str(tmp_path / "crowd.pem")) as port:
        evidence = await look(port)
    assert (len(evidence.chain), evidence.chain_left_out) == (strays + 2 - left_out, left_out)
    trust = next(finding for finding in findings(make_plan, port, evidence) if finding.check == "certificate.trust")
    assert (trust.grade, trust.symptom) == (grade, "" if grade is Grade.PASS else "many-certificates")


# --- nginx: one process, one port a fault

EXPIRED = Validity.around(NOW, days_before=30, days_after=-2)
FUTURE = Validity.around(NOW, days_before=-2, days_after=300)

#: The certificate shown, settings, and the fault that is expected (check and symptom), or none.
SITES: dict[str, tuple[Credential, str, tuple[str, str] | None]] = {
    "sound": (LEAF, "", None),
    "sound over tls 1.2": (LEAF, "ssl_protocols TLSv1.2;", None),
    "self-signed": (authority.leaf(None, (NAME,), VALID), "", ("certificate.trust", "self-signed")),
    "chain cut short": (spoilt.without_intermediates(LEAF), "", ("certificate.trust", "issuer-not-sent")),
    "wrong name": (authority.leaf(RACK, ("localhost",), VALID), "", ("certificate.name", "other-name")),
    "name not known": (LEAF, "ssl_reject_handshake on;", ("certificate.name", "name-not-known")),
    "expired": (authority.leaf(RACK, (NAME,), EXPIRED), "", ("certificate.dates", "expired")),
    "from the future": (authority.leaf(RACK, (NAME,), FUTURE), "", ("certificate.dates", "not-yet-valid")),
    "old versions": (LEAF, "ssl_protocols TLSv1 TLSv1.1 TLSv1.2; ssl_ciphers DEFAULT:@SECLEVEL=0;",
                     ("certificate.protocol", "old-version")),
    "plain text": (LEAF, "off", ("certificate.protocol", "not-tls")),
}


def free_ports(count: int) -> list[int]:
    with ExitStack() as stack:
        taken = [stack.enter_context(socket.create_server(("127.0.0.1", 0))) for _ in range(count)]
        return [each.getsockname()[1] for each in taken]


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, int]]:
    """An nginx with every site of the table; the port of each."""
    folder = tmp_path_factory.mktemp("nginx")
    ports = dict(zip(SITES, free_ports(len(SITES)), strict=True))
    servers = []
    for number, (title, (credential, settings, _)) in enumerate(SITES.items()):
        chain, key = write(folder, str(number), credential)
        tls = "" if settings == "off" else f"ssl_certificate {chain}; ssl_certificate_key {key}; {settings}"
        servers.append(f"server {{ listen 127.0.0.1:{ports[title]}{' ssl' if tls else ''}; {tls} return 204; }}")
    config = folder / "nginx.conf"
    config.write_text(
        f"master_process off; pid {folder}/pid; error_log {folder}/error.log;\n"
        f"events {{ worker_connections 256; }}\nhttp {{ access_log off; "
        + "".join(f"{kind}_temp_path {folder}/{kind};" for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi"))
        + "\n" + "\n".join(servers) + "\n}\n")
    # nginx listens before it leaves the foreground, so that no waiting is needed.
    subprocess.run(["nginx", "-c", str(config), "-e", f"{folder}/error.log"], check=True, capture_output=True, timeout=20)
    pid = int((folder / "pid").read_text())
    try:
        yield ports
    finally:
        os.kill(pid, signal.SIGTERM)


@pytest.mark.parametrize("title", SITES)
async def test_nginx_sites_give_the_planted_fault_and_no_other(
    sites: dict[str, int], make_plan: Callable[..., Plan], title: str
) -> None:
    """From a real handshake to findings: a sound site shows none, a fault shows once."""
    evidence = await look(sites[title])
    found = findings(make_plan, sites[title], evidence)
    faults = {(finding.check, finding.symptom) for finding in found if finding.grade is Grade.FAIL}
    expected = SITES[title][2]
    assert faults == ({expected} if expected else set())
    if title.startswith("sound"):
        assert {finding.grade for finding in found} == {Grade.PASS}
