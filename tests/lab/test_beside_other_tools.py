"""The same servers, asked by independent programs: what they say and what the report says agree."""

from __future__ import annotations

import base64
import hashlib
import re
import subprocess
from concurrent.futures import ThreadPoolExecutor

import pytest

from labkit.needs import find
from labkit.runs import Run
from labkit.site import Site
from labkit.tidewater import FALSE_SOURCE, FAULTY, PRIMARY, SOUND, STALE
from shared.hostnames import reverse_name

pytestmark = [pytest.mark.lab, pytest.mark.timeout(180)]

#: Chrony's client asks at another moment and, on a machine as busy as this, is some hundredths of a second vague (common
#: practice, no source).
CLIENTS_AGREE_SECONDS = 0.1

_BY_NAME = {machine.name: machine for machine in (*SOUND, *FAULTY)}
_LENSES = ("dome-a", "lens-a", "lens-b", "lens-c", "lens-d")
_WITH_TLS = tuple(name for name, machine in _BY_NAME.items()
                  if machine.certificate and machine.present and not machine.astray and name not in ("pier-a", "pier-b"))
_WITH_SSH = tuple(name for name, machine in _BY_NAME.items() if machine.present and not machine.astray)


def ask(tide: Site, *command: str, stdin: str = "") -> subprocess.CompletedProcess[str]:
    """Run a program where the runner stands."""
    return subprocess.run(tide.wiring.inside("runner", find(command[0]), *command[1:]), input=stdin, capture_output=True,
                          text=True, check=False, timeout=30)


# --- dig


@pytest.mark.parametrize("server", [PRIMARY, STALE])
@pytest.mark.parametrize("name", _LENSES)
def test_dig_reads_the_same_records(tide: Site, faulty_run: Run, name: str, server: str) -> None:
    """Addresses and pointers, of both servers, where they are right and where they are wrong."""
    machine = _BY_NAME[name]
    for question, rrtype in ((machine.fqdn, "A"), (machine.fqdn, "AAAA"), (reverse_name(machine.addresses[0]), "PTR")):
        (answer,) = [one for one in faulty_run.host(name)["evidence"]["names"]
                     if (one["server"], one["name"], one["rrtype"]) == (server, question, rrtype)]
        said = ask(tide, "dig", f"@{server}", "+norecurse", "+noall", "+comments", "+answer", question, rrtype).stdout
        ours = {(record["rrtype"], record["value"]) for record in answer["answers"]}
        theirs = {(fields[3], fields[4]) for line in said.splitlines()
                  if line and not line.startswith(";") and len(fields := line.split()) == 5}
        assert ours == theirs
        assert f"status: {answer['rcode']}" in said
        assert ("flags: qr aa" in said) == answer["authoritative"]


@pytest.mark.parametrize("server", [PRIMARY, STALE])
def test_dig_reads_the_same_serial(tide: Site, faulty_run: Run, server: str) -> None:
    """Of the forward zone, over TCP too."""
    said = ask(tide, "dig", f"@{server}", "+short", "+tcp", "obs.example.net", "SOA").stdout.split()
    assert f"{server}: {said[2]}" in faulty_run.finding("site", "name.servers-agree", "obs.example.net")["found"]


# --- chrony


@pytest.fixture(scope="module")
def offsets_by_chrony(tide: Site) -> dict[str, float]:
    """What chrony's own client says, asked side by side: how far this machine's clock is from the server's, in seconds."""
    addresses = (_BY_NAME["dome-a"].addresses[0], _BY_NAME["relay-b"].addresses[0], FALSE_SOURCE)
    with ThreadPoolExecutor(len(addresses)) as pool:
        said = pool.map(lambda address: ask(
            tide, "chronyd", "-Q", "-u", "root", "-t", "8", "-f", "/dev/null", f"server {address} iburst",
            f"pidfile {tide.folder}/client-{address}.pid"), addresses)
    found = [re.search(r"System clock wrong by (-?[\d.]+) seconds", one.stdout + one.stderr) for one in said]
    return {address: float(match[1]) for address, match in zip(addresses, found, strict=True) if match is not None}


@pytest.mark.parametrize("name", ["dome-a", "relay-b"])
def test_chronys_client_reads_the_same_offset_of_a_host(
        offsets_by_chrony: dict[str, float], faulty_run: Run, name: str) -> None:
    """A right clock, and one an hour behind."""
    measured = faulty_run.finding(name, "clock.offset")["measured"]
    assert measured["value"] == pytest.approx(offsets_by_chrony[_BY_NAME[name].addresses[0]], abs=CLIENTS_AGREE_SECONDS)


def test_chronys_client_reads_the_same_offset_of_the_false_source(
        offsets_by_chrony: dict[str, float], faulty_run: Run) -> None:
    """Seven seconds ahead, by both."""
    measured = faulty_run.finding("site", "clock.sources-agree", FALSE_SOURCE)["measured"]
    assert measured["value"] == pytest.approx(offsets_by_chrony[FALSE_SOURCE], abs=CLIENTS_AGREE_SECONDS)


@pytest.mark.parametrize("name", ["dome-a", "relay-a", "relay-b"])
def test_chronyc_says_the_same_of_leap_and_stratum(tide: Site, faulty_run: Run, name: str) -> None:
    """Asked over the host's own command socket: what the host believes of itself is what we read off its packets."""
    said = ask(tide, "chronyc", "-h", f"{tide.folder}/{name}/chrony/chronyd.sock", "-c", "tracking").stdout.strip().split(",")
    (clock,) = faulty_run.host(name)["evidence"]["clocks"]
    sample = clock["samples"][-1]
    assert int(said[2]) == sample["stratum"]
    assert (said[-1] == "Not synchronised") == (sample["leap"] == 3)
    synchronised = faulty_run.finding(name, "clock.synchronised")["grade"] == "pass"
    assert synchronised == (said[-1] == "Normal")


# --- openssl

#: The numbers of openssl-verification-options(1) that each planted certificate earns, by check of ours; 0 is fine.
_FINE, _EXPIRED, _BAD_SIGNATURE, _SELF_SIGNED, _NO_ISSUER, _NO_LEAF_ISSUER, _OTHER_NAME = 0, 10, 7, 18, 20, 21, 62
_TOLD = {"certificate.dates": {_EXPIRED}, "certificate.trust": {_BAD_SIGNATURE, _SELF_SIGNED, _NO_ISSUER, _NO_LEAF_ISSUER, 2},
         "certificate.name": {_OTHER_NAME}}


@pytest.mark.parametrize("name", _WITH_TLS)
def test_openssl_verifies_what_we_verify(tide: Site, faulty_run: Run, name: str) -> None:
    """With the plan's anchor and the planned name: it refuses exactly where trust, name or dates fail, for that reason."""
    machine = _BY_NAME[name]
    anchor = tide.folder / "anchor.pem"
    anchor.write_bytes(tide.authorities.anchor.pem)
    said = ask(tide, "openssl", "s_client", "-connect", f"{machine.addresses[0]}:443", "-servername", machine.fqdn,
               "-verify_hostname", machine.fqdn, "-CAfile", str(anchor)).stdout
    code = re.findall(r"Verify return code: (\d+)", said)
    assert code, said
    failed = {check for check in _TOLD if faulty_run.finding(name, check, "443/tcp")["grade"] == "fail"}
    if failed:
        assert int(code[-1]) in set.union(*(_TOLD[check] for check in failed))
    else:
        assert int(code[-1]) == _FINE


@pytest.mark.parametrize("name", ["dome-a", "vault-f"])
@pytest.mark.parametrize(("option", "version"), [("-tls1", "1.0"), ("-tls1_1", "1.1"), ("-tls1_2", "1.2"), ("-tls1_3", "1.3")])
def test_openssl_is_let_in_with_the_same_versions(tide: Site, faulty_run: Run, name: str, option: str, version: str) -> None:
    """At a security level that lets old versions through at all."""
    said = ask(tide, "openssl", "s_client", "-connect", f"{_BY_NAME[name].addresses[0]}:443", option, "-cipher",
               "ALL:@SECLEVEL=0").stdout
    accepted = re.search(r"Cipher is (?!\(NONE\))", said) is not None
    finding = faulty_run.finding(name, "certificate.protocol", "443/tcp")
    assert (f"TLS {version} accepted" in finding["found"]) == accepted
    assert accepted == (name == "vault-f" or version in ("1.2", "1.3"))


@pytest.mark.parametrize("name", ["dome-a", "vault-a", "vault-d"])
def test_openssl_receives_the_same_chain(tide: Site, faulty_run: Run, name: str) -> None:
    """As many certificates, and the same octets."""
    said = ask(tide, "openssl", "s_client", "-connect", f"{_BY_NAME[name].addresses[0]}:443", "-showcerts").stdout
    blocks = re.findall(r"-----BEGIN CERTIFICATE-----(.*?)-----END CERTIFICATE-----", said, re.DOTALL)
    theirs = [hashlib.sha256(base64.b64decode(block)).hexdigest() for block in blocks]
    (tls,) = faulty_run.host(name)["evidence"]["tls"]
    assert [link["sha256"] for link in tls["chain"]] == theirs


# --- ssh-keyscan


@pytest.mark.parametrize("name", _WITH_SSH)
def test_ssh_keyscan_sees_the_same_keys(tide: Site, faulty_run: Run, name: str) -> None:
    """The same blobs, and so the same fingerprints; the twins' are one."""
    said = ask(tide, "ssh-keyscan", "-T", "5", _BY_NAME[name].addresses[0]).stdout
    theirs = {(kind, f"SHA256:{base64.b64encode(hashlib.sha256(base64.b64decode(blob)).digest()).decode().rstrip('=')}")
              for _address, kind, blob in (line.split() for line in said.splitlines() if not line.startswith("#"))}
    (ssh,) = faulty_run.host(name)["evidence"]["ssh"]
    assert {(key["key_type"], key["fingerprint"]) for key in ssh["host_keys"]} == theirs
    assert len(theirs) == 1


# --- ping


@pytest.mark.parametrize("name", ["dome-a", "pier-a", "pier-c", "pier-e", "pier-g"])
def test_ping_hears_the_same_hosts(tide: Site, faulty_run: Run, name: str) -> None:
    """Two that answer, one that drops echoes, one that is not there, one that knows no way back; and the hops left."""
    # The router takes some seconds to find out that nobody has an address; it is waited for where it should say so.
    pace = ("-c", "1", "-W", "5") if name == "pier-e" else ("-c", "3", "-i", "0.2", "-W", "1")
    said = ask(tide, "ping", "-n", *pace, _BY_NAME[name].addresses[0]).stdout
    (burst,) = faulty_run.host(name)["evidence"]["echoes"]
    heard = any(trip is not None for trip in burst["round_trips_seconds"])
    assert heard == (", 0% packet loss" in said)
    assert heard == (name in ("dome-a", "pier-a"))
    hops = {int(left) for left in re.findall(r"ttl=(\d+)", said)}
    assert hops == ({burst["hop_limit"]} if heard else set())
    if name == "pier-e":
        assert "From 198.51.100.1" in said
        assert burst["failure"]["sender"] == "198.51.100.1"
