"""Reports to render: an invented site whose hosts carry a fault of every family.

Built from the shared structs directly, so that no report test waits for a grader.  Nothing here is random.
"""

from __future__ import annotations

import dataclasses
import datetime
from typing import Any

import msgspec

from shared.boots import BootEvidence, Moment, Outage, Reading, Sign
from shared.drift import Trend
from shared.evidence import (
    CertificateFacts,
    ClockEvidence,
    ClockSample,
    EchoEvidence,
    Failure,
    FailureKind,
    HostEvidence,
    NameAnswer,
    NameRecord,
    PortEvidence,
    PortState,
    SiteEvidence,
    SshEvidence,
    SshHostKey,
    TlsEvidence,
    Vantage,
    VersionTrial,
)
from shared.findings import SITE, Finding, Grade, Measured, ShownLimits, make_ref, verdict_of
from shared.history import EndingNight, Followed, FollowedEnding, Night, Nights
from shared.quantities import Interval
from shared.run import (
    SCHEMA,
    Cause,
    Counts,
    Coverage,
    HostReport,
    Missing,
    PlanReference,
    Report,
    RunFacts,
    SiteReport,
    Tool,
)

DOMAIN = "obs.example.net"
AT = "2027-03-04T09:12:31.250000Z"
SERVERS = ("192.0.2.53", "192.0.2.54")
SOURCES = ("192.0.2.61", "192.0.2.62", "192.0.2.63", "192.0.2.64")

#: Script tags, quotes, bidirectional and control characters: what a host may put into a banner.
HOSTILE = "<script>alert('x')</script>\"'&amp;<!--]]>{{7*7}}\u202eevil\u2066\x1b[31m\x00\u200b</style><img src=x onerror=y>"

OFFSET = ShownLimits(
    caution=0.1, fail=1.0, name="clock_offset", sense="at most", origin="RFC 5905 section 11.3, the step threshold"
)
LIFE = ShownLimits(
    caution=30 * 86400.0, fail=7 * 86400.0, name="certificate_life", sense="at least", origin="common practice, no source"
)
TRIP = ShownLimits(caution=0.05, fail=0.5, name="echo_round_trip", sense="at most", origin="common practice, no source")
KEY = ShownLimits(caution=2048, fail=2048, name="rsa_bits", sense="at least", origin="NIST SP 800-57 part 1, section 5.6.1")


def finding(host: str, check: str, subject: str, grade: Grade, planned: str, found: str, message: str, **more: Any) -> Finding:
    return Finding(
        check=check,
        subject=subject,
        grade=grade,
        planned=planned,
        found=found,
        message=message,
        ref=make_ref(host, check, subject),
        vantage="pier-1",
        at=AT,
        **{"basis": ("RFC 1035 section 3.2.1",), **more},
    )


@dataclasses.dataclass(slots=True)
class Draft:
    """One host while its findings are being written: everything passes until a fault is planted."""

    name: str
    address: str
    findings: dict[tuple[str, str], Finding] = dataclasses.field(default_factory=dict)
    offset_seconds: float = 0.00021
    silent: bool = False
    not_before: str = "2026-11-01T00:00:00Z"
    not_after: str = "2027-12-01T00:00:00Z"
    banner: str = "SSH-2.0-OpenSSH_9.2"

    @property
    def fqdn(self) -> str:
        return f"{self.name}.{DOMAIN}"

    def put(self, check: str, subject: str, grade: Grade, planned: str, found: str, message: str, **more: Any) -> Finding:
        new = finding(self.fqdn, check, subject, grade, planned, found, message, **more)
        self.findings[check, subject] = new
        return new

    def sound(self) -> None:
        ok = Grade.PASS
        for server in SERVERS:
            self.put("name.forward", server, ok, self.address, self.address, f"{server} has the planned address")
            self.put("name.reverse", server, ok, self.fqdn, self.fqdn, f"{server} has the planned name for {self.address}")
        self.put("name.agreement", self.fqdn, ok, "forward and reverse agree", "they agree", "The loop closes.")
        self.put("gateway.return-path", "192.0.2.1", ok, "an answer from outside the subnet", "answered", "An answer came back.")
        self.put(
            "host.echo",
            self.address,
            ok,
            "answers",
            "5 of 5, median 0.31 ms",
            "The host answers echo.",
            measured=Measured(0.00031, 0.00004, "s"),
            limits=TRIP,
        )
        self.put(
            "clock.offset",
            f"{self.address}:123",
            ok,
            "with the agreed sources",
            "210 µs ± 80 µs",
            "The clock is 210 µs ± 80 µs ahead of the agreed time.",
            measured=Measured(self.offset_seconds, 0.00008, "s"),
            limits=OFFSET,
        )
        self.put(
            "clock.synchronised", f"{self.address}:123", ok, "synchronised", "leap 0, stratum 3", "It says it is synchronised."
        )
        for check, planned, found in (
            ("certificate.trust", "a path to the plan's anchors", "a path to Tidewater Site CA"),
            ("certificate.name", self.fqdn, self.fqdn),
            ("certificate.signature", "SHA-256 or better", "ecdsa with SHA-256"),
            ("certificate.protocol", "1.2 and 1.3, nothing older", "1.3, 1.2"),
        ):
            self.put(check, "443/tcp", ok, planned, found, "As planned.")
        self.put(
            "certificate.key",
            "443/tcp",
            ok,
            "at least 2048 bit",
            "RSA 3072 bit",
            "The key is long enough.",
            measured=Measured(3072, 0, "bit"),
            limits=KEY,
        )
        self.put(
            "certificate.dates",
            "443/tcp",
            ok,
            "valid for at least 30 d more",
            "until 2027-12-01",
            "The certificate is valid.",
            measured=Measured(272 * 86400.0, 0.5, "s"),
            limits=LIFE,
        )
        for port in ("22/tcp", "443/tcp"):
            self.put("port.open", port, ok, "open", "open", f"{port} accepts connections.")
        for port in ("23/tcp", "5900/tcp"):
            self.put("port.closed", port, ok, "not open", "refused", f"{port} refuses connections.")
        self.put("ssh.identity", "22/tcp", ok, "an SSH server", "SSH-2.0-OpenSSH_9.2", "An SSH server answers.")
        self.put("ssh.algorithms", "22/tcp", ok, "nothing withdrawn", "nothing withdrawn", "Only current algorithms are offered.")

    def report(self) -> HostReport:
        findings = tuple(self.findings.values())
        return HostReport(
            name=self.fqdn,
            address=self.address,
            addresses=(self.address,),
            network="mgmt",
            role="node",
            verdict=verdict_of({f.grade for f in findings}),
            findings=findings,
            evidence=self._evidence(),
        )

    def _evidence(self) -> HostEvidence:
        silence = Failure(kind=FailureKind.NO_ANSWER, phase="connect", elapsed_seconds=2.0)
        names = tuple(
            NameAnswer(
                server=server,
                name=self.fqdn,
                rrtype="A",
                purpose="forward",
                transport="udp",
                at=AT,
                elapsed_seconds=0.0007,
                rcode="NOERROR",
                authoritative=True,
                answers=(NameRecord(self.fqdn, "A", 3600, self.address),),
            )
            for server in SERVERS
        )
        if self.silent:
            return HostEvidence(
                fqdn=self.fqdn,
                names=names,
                echoes=(
                    EchoEvidence(address=self.address, method="icmp", at=AT, round_trips_seconds=(None,) * 5, failure=silence),
                ),
                ports=tuple(
                    PortEvidence(
                        address=self.address,
                        port=port,
                        state=PortState.SILENT,
                        at=AT,
                        elapsed_seconds=6.0,
                        attempts=3,
                        failure=silence,
                    )
                    for port in ("22/tcp", "443/tcp", "23/tcp")
                ),
            )
        sample = ClockSample(
            at=AT,
            offset_seconds=self.offset_seconds,
            delay_seconds=0.00016,
            leap=0,
            version=4,
            stratum=3,
            precision_seconds=2.0**-23,
            root_delay_seconds=0.001,
            root_dispersion_seconds=0.002,
            reference_id="192.0.2.61",
            reference_age_seconds=31.0,
            stamped_by="kernel",
        )
        certificate = CertificateFacts(
            der=b"0\x82" * 300,
            sha256="5b" * 32,
            subject=f"CN={self.fqdn}",
            issuer="CN=Tidewater Site CA",
            common_name=self.fqdn,
            serial="4711",
            not_before=self.not_before,
            not_after=self.not_after,
            names=(("dns", self.fqdn),),
            key_type="RSA",
            key_bits=3072,
            key_sha256="a1" * 32,
            signature="ecdsa-with-SHA256",
            signature_hash="SHA-256",
        )
        return HostEvidence(
            fqdn=self.fqdn,
            names=names,
            echoes=(
                EchoEvidence(
                    address=self.address,
                    method="icmp",
                    at=AT,
                    warm_up_seconds=0.0011,
                    round_trips_seconds=(0.0003, 0.00031, 0.00035, 0.00029, 0.00031),
                    hop_limit=64,
                ),
            ),
            clocks=(ClockEvidence(server=self.fqdn, address=self.address, port=123, at=AT, samples=(sample,) * 4, asked=4),),
            ports=tuple(
                PortEvidence(address=self.address, port=port, state=state, at=AT, elapsed_seconds=0.0004, attempts=1)
                for port, state in (("22/tcp", PortState.OPEN), ("443/tcp", PortState.OPEN), ("23/tcp", PortState.REFUSED))
            ),
            tls=(
                TlsEvidence(
                    address=self.address,
                    port="443/tcp",
                    server_name=self.fqdn,
                    at=AT,
                    elapsed_seconds=0.004,
                    protocol="TLSv1.3",
                    cipher="TLS_AES_256_GCM_SHA384",
                    chain=(certificate,),
                    versions=(
                        VersionTrial(version="TLSv1.3", outcome="accepted"),
                        VersionTrial(version="TLSv1.0", outcome="refused", detail="protocol_version"),
                    ),
                ),
            ),
            ssh=(
                SshEvidence(
                    address=self.address,
                    port="22/tcp",
                    at=AT,
                    elapsed_seconds=0.003,
                    identification=self.banner,
                    kex_algorithms=("curve25519-sha256",),
                    ciphers=("chacha20-poly1305@openssh.com",),
                    host_keys=(SshHostKey(key_type="ssh-ed25519", bits=256, fingerprint="SHA256:" + "Qm9v" * 10, blob=b"key"),),
                ),
            ),
        )


def drafts(names: list[str]) -> list[Draft]:
    made = [Draft(name, f"192.0.{2 + (index + 11) // 250}.{(index + 11) % 250}") for index, name in enumerate(names)]
    for draft in made:
        draft.sound()
    return made


def site_sound() -> list[Finding]:
    ok = Grade.PASS
    found = [
        finding(SITE, "plan.mask", "mgmt", ok, "192.0.2.0/24", "192.0.2.0/24", "The mask is contiguous."),
        finding(SITE, "plan.gateway", "mgmt", ok, "inside 192.0.2.0/24", "192.0.2.1", "The gateway lies in its subnet."),
    ]
    found += [
        finding(SITE, "name.server", server, ok, "answers over UDP and TCP", "answers", "It answers.") for server in SERVERS
    ]
    found.append(
        finding(
            SITE,
            "gateway.echo",
            "192.0.2.1",
            ok,
            "answers",
            "5 of 5, median 0.22 ms",
            "The gateway answers.",
            measured=Measured(0.00022, 0.00003, "s"),
            limits=TRIP,
        )
    )
    for index, source in enumerate(SOURCES):
        found.append(
            finding(
                SITE,
                "clock.source",
                source,
                ok,
                "a true source",
                f"{index * 40} µs ± 90 µs, stratum 2",
                "The source agrees with the others.",
                measured=Measured(index * 4e-5, 9e-5, "s"),
                limits=OFFSET,
            )
        )
    found.append(
        finding(
            SITE,
            "clock.runner",
            "pier-1",
            ok,
            "with the agreed sources",
            "60 µs ± 90 µs",
            "The runner's clock is 60 µs ± 90 µs ahead of the agreed time.",
            measured=Measured(6e-5, 9e-5, "s"),
            limits=OFFSET,
        )
    )
    return found


def sources_seen(site: list[Finding]) -> tuple[ClockEvidence, ...]:
    """The exchanges behind the findings on sources, as a runner saw them that is 60 µs ahead of the agreed time."""
    return tuple(
        ClockEvidence(
            server=judged.subject, address=judged.subject, port=123, at=AT, asked=4,
            samples=(ClockSample(
                at=AT, offset_seconds=judged.measured.value - 6e-5, delay_seconds=4e-5, leap=0, version=4, stratum=2,
                precision_seconds=1e-6, root_delay_seconds=0.001, root_dispersion_seconds=0.002, reference_id="192.0.2.254",
                reference_age_seconds=31.0, stamped_by="kernel"),) * 4)
        for judged in site if judged.check == "clock.source" and judged.measured is not None)


def plant_stale_server(site: list[Finding], hosts: list[Draft]) -> Finding:
    """The second name server holds an old zone: one cause, an effect at every host it gives an old address for."""
    cause = finding(
        SITE,
        "name.servers-agree",
        "192.0.2.54",
        Grade.FAIL,
        "the same zone on every server",
        "serial 2027021500, one behind 2027030401",
        "192.0.2.54 serves an older copy of obs.example.net than 192.0.2.53, so what a client is told depends on which "
        "server it asks.",
        symptom="stale",
        fix=(
            "ask the keeper of 192.0.2.54 to transfer the zone again:",
            "rndc retransfer obs.example.net",
            "then compare: dig @192.0.2.54 obs.example.net SOA +short",
        ),
        basis=("RFC 1982 section 3.2", "RFC 1034 section 4.3.5"),
    )
    site.append(cause)
    for host in hosts:
        host.put(
            "name.forward",
            "192.0.2.54",
            Grade.FAIL,
            host.address,
            "192.0.2.211",
            f"192.0.2.54 gives {host.fqdn} the address 192.0.2.211; the plan says {host.address}.",
            symptom="other-address",
            because=(cause.ref,),
            fix=(f"{host.name} 3600 IN A {host.address}",),
        )
    return cause


def plant_silence(host: Draft) -> Finding:
    """Nothing answers at the address: every other question about the host is without an answer because of it."""
    host.silent = True
    cause = host.put(
        "host.echo",
        host.address,
        Grade.FAIL,
        "answers",
        "no answer to 5 echoes, nor on any planned port",
        f"Nothing answers at {host.address}: five echoes and every planned port stayed silent, seen from pier-1.",
        symptom="silent",
        fix=(
            "check at the console that the interface is up and has the planned address:",
            f"ip address show | grep {host.address}",
            "and that its switch port carries VLAN 20",
        ),
    )
    for (check, subject), old in list(host.findings.items()):
        if check.split(".")[0] in {"clock", "certificate", "ssh", "port", "gateway"}:
            host.put(
                check,
                subject,
                Grade.UNPROVEN,
                old.planned,
                "no answer",
                f"{subject} could not be judged, as nothing answers at {host.address}.",
                because=(cause.ref,),
                symptom="silent",
            )
    return cause


def plant_clock(host: Draft, offset: float, shown: str) -> Finding:
    host.offset_seconds = offset
    return host.put(
        "clock.offset",
        f"{host.address}:123",
        Grade.FAIL,
        "with the agreed sources, at most 100 ms",
        f"{shown} ± 80 µs",
        f"The clock of {host.fqdn} is {shown} ahead of the agreed time; at most 100 ms, fail beyond 1 s.",
        measured=Measured(offset, 0.00008, "s"),
        limits=OFFSET,
        symptom="offset",
        fix=("chronyc -a makestep", "then see that it holds: chronyc tracking"),
        basis=("RFC 5905 section 8",),
    )


def plant_expired(host: Draft) -> Finding:
    host.not_after = "2027-02-12T00:00:00Z"
    return host.put(
        "certificate.dates",
        "443/tcp",
        Grade.FAIL,
        "valid for at least 30 d more",
        "expired 2027-02-12",
        f"The certificate of {host.fqdn} on 443/tcp expired 20 d before the agreed time.",
        measured=Measured(-20 * 86400.0, 0.5, "s"),
        limits=LIFE,
        symptom="expired",
        fix=("ask the site CA for a new certificate with these names:", f"DNS:{host.fqdn}"),
        basis=("RFC 5280 section 4.1.2.5",),
    )


def plant_telnet(host: Draft) -> Finding:
    return host.put(
        "port.closed",
        "23/tcp",
        Grade.FAIL,
        "not open",
        "open",
        f"23/tcp on {host.fqdn} accepts connections; the role says that it must not. Seen from pier-1.",
        symptom="open",
        fix=("systemctl disable --now inetd", "then see that nothing listens: ss -ltn 'sport = :23'"),
        basis=("common practice, no source",),
    )


def plant_old_tls(host: Draft) -> Finding:
    return host.put(
        "certificate.protocol",
        "443/tcp",
        Grade.CAUTION,
        "1.2 and 1.3, nothing older",
        "1.3, 1.2, 1.0",
        f"443/tcp on {host.fqdn} still accepts TLS 1.0.",
        symptom="old-version",
        fix=("ssl_protocols TLSv1.2 TLSv1.3;",),
        basis=("RFC 8996 section 4",),
    )


def plant_waived_trust(host: Draft) -> Finding:
    return host.put(
        "certificate.trust",
        "443/tcp",
        Grade.WAIVED,
        "a path to the plan's anchors",
        "self-signed",
        f"The certificate of {host.fqdn} on 443/tcp is signed by its own key.",
        symptom="self-signed",
        waiver="site CA is installed in phase 2; until 2027-05-31",
    )


def plant_straddle(host: Draft) -> Finding:
    host.offset_seconds = 0.09
    return host.put(
        "clock.offset",
        f"{host.address}:123",
        Grade.UNPROVEN,
        "with the agreed sources, at most 100 ms",
        "90 ms ± 30 ms",
        "clock offset is 90 ms ± 30 ms; at most 100 ms, fail beyond 1 s: the interval straddles a limit; an uncertainty "
        "below 10 ms would decide it",
        measured=Measured(0.09, 0.03, "s"),
        limits=OFFSET,
    )


def assemble(site: list[Finding], hosts: list[Draft], causes: list[Finding], **run: Any) -> Report:
    """Lay everything out as the contract says; totals are counted from the findings."""
    reports = tuple(host.report() for host in hosts)
    findings = [*site, *(f for host in reports for f in host.findings)]
    grades = [f.grade for f in findings]
    counts = Counts(
        passed=grades.count(Grade.PASS),
        caution=grades.count(Grade.CAUTION),
        fail=grades.count(Grade.FAIL),
        unproven=grades.count(Grade.UNPROVEN),
        waived=grades.count(Grade.WAIVED),
    )
    explains = {cause.ref: sum(cause.ref in f.because for f in findings) for cause in causes}
    unproven: dict[tuple[str, str], list[Finding]] = {}
    for f in findings:
        if f.grade is Grade.UNPROVEN:
            why = "because of " + "; ".join(f.because) if f.because else f.message
            unproven.setdefault((f.check, why), []).append(f)
    missing = tuple(
        Missing(
            check=check,
            subjects=tuple(f"{f.ref.split('|')[0]} {f.subject}" for f in found),
            why=why,
            would_prove="an answer from the host, or the same question asked of it over SSH",
        )
        for (check, why), found in unproven.items()
    )
    missing += (
        Missing(
            check="system.route",
            subjects=("every host",),
            why="The plan names no login, so no host was asked about itself.",
            would_prove="a read-only SSH login in the plan",
        ),
    )
    facts: dict[str, Any] = {
        "id": "20270304T091224Z-7f3a",
        "kind": "verify",
        "started": "2027-03-04T09:12:24Z",
        "finished": "2027-03-04T09:12:38Z",
        "complete": True,
        "tool": Tool(name="seatrial", version="0.1.0"),
        "vantage": Vantage(name="pier-1", addresses=("198.51.100.7",), privileges=("icmp-datagram",), on_link={"mgmt": False}),
        "operator": "m.tar",
        "reason": "hand-over of rack 2",
        "ticket": "CHG-1042",
        "profile": "production",
        "limits": (OFFSET, LIFE, TRIP, KEY),
        "command": "seatrial verify tidewater.toml --ticket CHG-1042",
        "plan": PlanReference(title="Tidewater Observatory, rack 2", file="tidewater.toml", sha256="3fd8" * 16),
    } | run
    return Report(
        schema=SCHEMA,
        verdict=verdict_of(set(grades)),
        counts=counts,
        coverage=Coverage(planned=len(findings) + len(hosts), proven=len(findings) - counts.unproven, missing=missing),
        causes=tuple(Cause(finding=cause.ref, explains=explains[cause.ref]) for cause in causes),
        run=RunFacts(**facts),
        site=SiteReport(findings=tuple(site), evidence=SiteEvidence(clocks=sources_seen(site))),
        hosts=reports,
    )


def tidewater() -> Report:
    """Ten hosts, a fault of every family, three of them sound."""
    hosts = drafts([f"dome-{letter}" for letter in "abcdefghij"])
    site = site_sound()
    causes = [
        plant_silence(hosts[3]),
        plant_stale_server(site, [hosts[1], hosts[2], hosts[6]]),
        plant_clock(hosts[2], 3600.21, "60 min"),
        plant_expired(hosts[4]),
        plant_telnet(hosts[6]),
        plant_old_tls(hosts[7]),
    ]
    site[:] = [f for f in site if (f.check, f.subject) != ("clock.source", "192.0.2.63")]
    liar = finding(
        SITE,
        "clock.source",
        "192.0.2.63",
        Grade.FAIL,
        "a true source",
        "-12.4 s ± 120 µs, stratum 2",
        "192.0.2.63 is a falseticker: its interval lies 12.4 s behind the three sources that agree.",
        measured=Measured(-12.4, 0.00012, "s"),
        limits=OFFSET,
        symptom="falseticker",
        fix=("take 192.0.2.63 out of service or let its keeper set its clock",),
        basis=("RFC 5905 section 11.2.1",),
    )
    site.append(liar)
    causes.insert(1, liar)
    plant_straddle(hosts[8])
    plant_waived_trust(hosts[9])
    return assemble(site, hosts, causes)


def three() -> Report:
    """Three hosts with two faults: what must fit on one sheet of paper."""
    hosts = drafts(["dome-a", "dome-b", "dome-c"])
    return assemble(site_sound(), hosts, [plant_clock(hosts[1], 37.2, "37.2 s"), plant_expired(hosts[2])])


def sound() -> Report:
    """Two hosts and nothing wrong: the whole of the plan was proven."""
    report = assemble(site_sound(), drafts(["dome-a", "dome-b"]), [])
    return msgspec.structs.replace(report, coverage=Coverage(planned=60, proven=60))


def small() -> Report:
    """One sound host and one faulty one: short enough to be read as a golden file."""
    hosts = drafts(["dome-a", "dome-b"])
    cause = plant_clock(hosts[1], 37.2, "37.2 s")
    hosts[1].put(
        "clock.synchronised",
        f"{hosts[1].address}:123",
        Grade.UNPROVEN,
        "synchronised",
        "not judged",
        "It could not be told.",
        because=(cause.ref,),
    )
    plant_old_tls(hosts[0])
    return assemble(site_sound(), hosts, [cause])


def hostile(text: str = HOSTILE) -> Report:
    """Every field that a host or a person at a keyboard controls holds ``text``."""
    hosts = drafts(["dome-a", "dome-b"])
    hosts[0].banner = text
    bad = hosts[1].put(
        "ssh.identity", text, Grade.FAIL, text, text, text, fix=(text, text), basis=(text,), waiver=text, symptom=text
    )
    hosts[1].put("certificate.name", text, Grade.UNPROVEN, text, text, text, because=(bad.ref, text))
    site = [*site_sound(), finding(SITE, "name.wildcard", text, Grade.WAIVED, text, text, text, waiver=text)]
    report = assemble(
        site,
        hosts,
        [bad],
        operator=text,
        reason=text,
        ticket=text,
        profile=text,
        command=text,
        id=text,
        plan=PlanReference(title=text, file=text, sha256="0" * 64),
        vantage=Vantage(name=text, addresses=(text,), privileges=(text,)),
    )
    odd = msgspec.structs.replace(report.hosts[0], name=text, address=text, addresses=(text,), network=text, role=text)
    return msgspec.structs.replace(report, hosts=(odd, *report.hosts[1:]))


def fleet(size: int = 1000) -> Report:
    """Many hosts, about one in nine faulty, as a rack-by-rack roll-out leaves them."""
    hosts = drafts([f"rack{index // 40:02}-node{index % 40:02}" for index in range(size)])
    site = site_sound()
    causes: list[Finding] = []
    for index, host in enumerate(hosts):
        if index % 97 == 5:
            causes.append(plant_silence(host))
        elif index % 41 == 7:
            causes.append(plant_clock(host, 0.2 + index, f"{index} s"))
        elif index % 29 == 3:
            causes.append(plant_telnet(host))
        elif index % 53 == 2:
            plant_straddle(host)
        elif 400 <= index < 440:
            causes.append(plant_old_tls(host))
    causes.insert(0, plant_stale_server(site, hosts[120:160]))
    return assemble(site, hosts, causes)


def alike() -> Report:
    """A hundred hosts with the same two faults."""
    hosts = drafts([f"node{number}" for number in range(100)])
    causes = [plant_expired(host) for host in hosts] + [plant_old_tls(host) for host in hosts]
    return assemble(site_sound(), hosts, causes)


def _at(seconds: float) -> str:
    minute, second = divmod(seconds, 60)
    return f"2027-03-04T{9 + int(minute) // 60:02}:{int(minute) % 60:02}:{second:04.1f}Z"


def boot(silent: float, back: float, ready: float | None, settled: float | None, *, ended: float = 600.0) -> BootEvidence:
    """One watched reboot; times in seconds since nine o'clock.  ``back`` of 0 is a host that did not come back."""
    outage = Outage(answered=_at(silent - 5), silent=_at(silent), still=_at((back or ended) - 5), back=_at(back) if back else "")
    sign = Sign("443/tcp", "192.0.2.11", "tls")
    return BootEvidence(
        began=_at(0),
        ended=_at(ended),
        rounds=int(ended / 5),
        round_seconds=5.0,
        steady_rounds=3,
        steady_seconds=30.0,
        why="settled" if settled else "time-out",
        signs=(sign,),
        outages=(outage,) if silent else (),
        moments=(Moment(at=_at(silent), after=_at(max(0, silent - 5)), sign=sign, reading=Reading.SILENT),),
        ready=_at(ready) if ready else "",
        settled=_at(settled) if settled else "",
    )


def rebooted() -> Report:
    """Five hosts after a reboot: a quick one, two slow ones, one that never settled and one that did not come back."""
    boots = [
        boot(20, 80, 110, 140),
        boot(25, 95, 300, 330),
        boot(22, 240, 280, 310),
        boot(30, 90, None, None),
        boot(28, 0, None, None),
    ]
    report = assemble(site_sound(), drafts([f"dome-{letter}" for letter in "abcde"]), [], kind="await")
    hosts = tuple(
        msgspec.structs.replace(host, evidence=msgspec.structs.replace(host.evidence, boot=seen))
        for host, seen in zip(report.hosts, boots, strict=True)
    )
    return msgspec.structs.replace(report, hosts=hosts)


def nights(report: Report, count: int = 30) -> Nights:
    """Nights before a report: clocks that drift by 1 ms a day towards their value, certificates renewed five nights ago."""
    started = datetime.datetime(2027, 3, 4, 9, 12, 24, tzinfo=datetime.UTC)
    days = [started - datetime.timedelta(days=count - 1 - number) for number in range(count)]
    clocks, endings, trends = [], [], []
    for held in report.findings():
        host = held.ref.partition("|")[0]
        if held.measured is None:
            continue
        if held.check == "clock.offset":
            clocks.append(Followed(host=host, check=held.check, subject=held.subject, unit="s", nights=tuple(
                Night(number=number, run=f"night-{number}", started=day.isoformat(), grade="pass",
                      value=held.measured.value - (count - 1 - number) * 0.001, uncertainty=held.measured.uncertainty)
                for number, day in enumerate(days))))
            trends.append(Trend(host=host, what="clock offset", subject=held.subject, unit="s", nights=count,
                                since=days[0].date().isoformat(), latest=held.measured.value,
                                per_day=Interval(0.0009, 0.0011)))
        if held.check == "certificate.dates":
            end = int(started.timestamp() + held.measured.value)
            endings.append(FollowedEnding(host=host, subject=held.subject, nights=tuple(
                EndingNight(number=number, run=f"night-{number}", started=day.isoformat(),
                            not_after_unix=end - (330 * 86400 if number < count - 5 else 0))
                for number, day in enumerate(days))))
            trends.append(Trend(host=host, what="certificate life", subject=held.subject, unit="s", nights=5,
                                since=days[-5].date().isoformat(), latest=held.measured.value, jumps=1,
                                per_day=Interval(-86400.0, -86400.0), why="renewed 1 time, the latest with 20 d left or more"))
    return Nights(clocks=tuple(clocks), endings=tuple(endings), trends=tuple(trends))
