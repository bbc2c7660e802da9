"""Redaction: nothing that names a place is left, the same value has the same label everywhere, and the rest still reads."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from types import ModuleType
from typing import Any

import msgspec
import pytest

from reports.html import to_html
from reports.jsonfile import from_json, to_json
from reports.redact import Redaction, redact
from reports.ticket import ticket_text
from shared.evidence import CertificateFacts, NameAnswer, NameRecord, SystemEvidence, TlsEvidence
from shared.hostfacts import HostFacts, Resolver, TimeSource
from shared.plan import Access, Host, Network, Plan, Role, Waiver
from shared.run import Report

BOTH = ("addresses", "names")


@pytest.fixture(scope="session")
def plan_of(make_plan: Callable[..., Plan]) -> Callable[[Report], Plan]:
    """A plan whose hosts are those of a sample report."""
    def build(report: Report) -> Plan:
        hosts = tuple(Host(name=host.name.partition(".")[0], fqdn=host.name, addresses=host.addresses,
                           addresses_typed=host.addresses, network="mgmt", role="node") for host in report.hosts)
        return make_plan(hosts=hosts, title=report.run.plan.title, file=report.run.plan.file)
    return build


@pytest.fixture(scope="session")
def redaction(make_plan: Callable[..., Plan], sample: ModuleType) -> Callable[..., Redaction]:
    """``redaction(kinds=BOTH, **plan)``: the labels for the small sample report and a sound plan."""
    def build(kinds: tuple[str, ...] = BOTH, **changes: Any) -> Redaction:
        return Redaction(sample.small(), make_plan(**changes), kinds)
    return build


def _page(report: Report) -> str:
    """The page without the elements within names, which would hide a name from a search."""
    return re.sub(r"</?i>|<wbr>", "", to_html(report))


@pytest.mark.parametrize("name", ["small", "three", "tidewater", "hostile"])
def test_no_address_and_no_name_is_left_anywhere(sample: ModuleType, plan_of: Callable[[Report], Plan], name: str) -> None:
    """Not in the JSON, the page, the ticket text or the plan: neither an address of the site, nor its domain, hosts or people."""
    report = getattr(sample, name)()
    plan = plan_of(report)
    redacted, redacted_plan = redact(report, plan, BOTH)
    whole = "\n".join([to_json(redacted).decode(), _page(redacted), ticket_text(redacted),
                       msgspec.json.encode(redacted_plan).decode()])
    assert re.findall(r"192\.0\.2\.\d+|2001:db8:[0-9a-f:]+", whole) == []
    for secret in ("obs.example.net", report.run.operator, report.run.plan.title, *(host.name for host in report.hosts)):
        assert not secret or secret not in whole, secret


@pytest.mark.parametrize("name", ["small", "three", "tidewater", "hostile"])
def test_everything_else_is_as_it_was(sample: ModuleType, plan_of: Callable[[Report], Plan], name: str) -> None:
    """Checks, grades, verdicts, counts, limits, measures, times and the shape of the report stay."""
    report = getattr(sample, name)()
    redacted, _plan = redact(report, plan_of(report), BOTH)
    assert (redacted.verdict, redacted.counts, redacted.run.limits, redacted.run.id) == (
        report.verdict, report.counts, report.run.limits, report.run.id)
    assert [(one.check, one.grade, one.measured, one.limits, one.basis, one.at) for one in redacted.findings()] == [
        (one.check, one.grade, one.measured, one.limits, one.basis, one.at) for one in report.findings()]
    assert from_json(to_json(redacted)) is not None


@pytest.mark.parametrize("name", ["three", "tidewater"])
def test_references_still_lead_somewhere(sample: ModuleType, plan_of: Callable[[Report], Plan], name: str) -> None:
    """Every cause and every because names a finding of the redacted report, and refs stay unique."""
    report = getattr(sample, name)()
    redacted, _plan = redact(report, plan_of(report), BOTH)
    refs = [finding.ref for finding in redacted.findings()]
    assert len(set(refs)) == len({finding.ref for finding in report.findings()})
    assert {cause.finding for cause in redacted.causes} <= set(refs)
    before = {ref for finding in report.findings() for ref in finding.because} - {one.ref for one in report.findings()}
    after = {ref for finding in redacted.findings() for ref in finding.because} - set(refs)
    assert len(after) == len(before)


def test_the_octets_of_certificates_and_keys_are_left_out(sample: ModuleType, plan_of: Callable[[Report], Plan]) -> None:
    """They hold names; what was read of them stays, fingerprints too."""
    report = sample.three()
    redacted, redacted_plan = redact(report, plan_of(report), BOTH)
    links = [link for host in redacted.hosts for tls in host.evidence.tls for link in tls.chain]
    keys = [key for host in redacted.hosts for ssh in host.evidence.ssh for key in ssh.host_keys]
    assert links
    assert keys
    assert {link.der for link in links} == {b""}
    assert {key.blob for key in keys} == {b""}
    assert all(key.fingerprint for key in keys)
    assert redacted_plan.anchors_pem == ()


@pytest.mark.parametrize(("text", "shown"), [
    ("dome-a.obs.example.net", "host-01.domain-01"),
    ("dome-b", "host-02"),
    ("DOME-A.Obs.Example.NET.", "host-01.domain-01."),
    ("*.obs.example.net", "*.domain-01"),
    ("on dome-a: systemctl restart chrony", "on host-01: systemctl restart chrony"),
    ("dome-a.obs.example.net|port.open|443/tcp", "host-01.domain-01|port.open|443/tcp"),
    ("new-host-4.obs.example.net", "name-01.domain-01"),
    ("dome-ab and undome-a are nobody", "dome-ab and undome-a are nobody"),
    ("CN=dome-a.obs.example.net,O=Works", "CN=host-01.domain-01,O=Works"),
])
def test_names_in_any_spelling_and_place(redaction: Callable[..., Redaction], text: str, shown: str) -> None:
    """Short and full names of one host bear one number; a name below the domain that nobody planned still shows where it is."""
    assert redaction(("names",)).text(text) == shown


@pytest.mark.parametrize(("text", "pattern"), [
    ("192.0.2.11", r"address-\d\d"),
    ("192.0.2.11:53 and [2001:db8::1]:53", r"address-\d\d:53 and \[address-\d\d\]:53"),
    ("192.0.2.0/24", r"address-\d\d/24"),
    ("192.0.2.0 255.255.255.0", r"address-\d\d 255\.255\.255\.0"),
    ("192.0.2.100-192.0.2.199", r"address-\d\d-address-\d\d"),
    ("It is 192.0.2.11.", r"It is address-\d\d\."),
    ("11.2.0.192.in-addr.arpa. IN PTR", r"reverse-name-\d\d\. IN PTR"),
    ("::ffff:192.0.2.11", r"address-\d\d"),
    ("2001:DB8:0:0::1", r"address-\d\d"),
    ("on 2001:db8::53: add the zone", r"on address-\d\d: add the zone"),
    ("(2001:db8::) 2001:db8:::", r"\(address-\d\d\) address-\d\d:"),
    ("at 2001:db8::11. And fe80::1%eth0: silent", r"at address-\d\d\. And address-\d\d%eth0: silent"),
    ("2001:db8::53:port and 2001:db8::53.5353", r"address-\d\d:port and address-\d\d\.5353"),
    ("IP:192.0.2.11,IP:2001:db8::11", r"IP:address-\d\d,IP:address-\d\d"),
    ("addr:192.0.2.11 add:192.0.2.11 node:2001:db8::1", r"addr:address-\d\d add:address-\d\d node:address-\d\d"),
    ("src:ip6:2001:db8::1, 64:ff9b::192.0.2.33", r"src:ip6:address-\d\d, address-\d\d"),
    ("ends:4.2.1.10 at 12:34:56: no", r"ends:4\.2\.1\.10 at 12:34:56: no"),
    ("SHA1:da:39:a3:ee:5e:6b:4b:0d:32:55:bf:ef:95:60:18:90", r"SHA1:da:39:a3:ee:5e:6b:4b:0d:32:55:bf:ef:95:60:18:90"),
    ("std::add(one::two)", r"std::add\(one::two\)"),
    ("00:00:5E:00:53:01 answered", r"hardware-\d\d answered"),
    ("RFC 5280 sections 4.2.1.3 and 4.2.1.10", r"RFC 5280 sections 4\.2\.1\.3 and 4\.2\.1\.10"),
    ("at 10:43:57 on 2026-11-25T10:43:57Z", r"at 10:43:57 on 2026-11-25T10:43:57Z"),
    ("version 1.2.3.4.5, 300.1.2.3", r"version 1\.2\.3\.4\.5, 300\.1\.2\.3"),
    ("listens on 0.0.0.0", r"listens on 0\.0\.0\.0"),
])
def test_addresses_in_any_spelling_and_nothing_that_only_looks_like_one(
    redaction: Callable[..., Redaction], text: str, pattern: str
) -> None:
    """Families, ports, prefixes, ranges, reverse names and hardware addresses; not masks, times, sections or versions."""
    assert re.fullmatch(pattern, redaction(("addresses",)).text(text))


@pytest.mark.parametrize("text", ["a:" * 2000, "x:" * 2000, "1" * 4000, "a" * 4000 + ":", "::" * 2000, "ffff:" * 800 + "192.0.2.",
                                  "z:ffff:" * 600])
def test_text_that_is_all_but_an_address_takes_no_time(redaction: Callable[..., Redaction], text: str) -> None:
    """A host chooses its banner, and must not choose how long its report takes."""
    labels = redaction()
    began = time.process_time()
    labels.text(text)
    assert time.process_time() - began < 1


def test_the_same_value_has_the_same_label_whatever_its_spelling(redaction: Callable[..., Redaction]) -> None:
    """And different values have different ones."""
    labels = redaction()
    assert labels.text("2001:db8::1") == labels.text("2001:0DB8:0000::0001") != labels.text("2001:db8::2")
    assert labels.text("00-00-5e-00-53-01") == labels.text("00:00:5E:00:53:01")


def test_one_kind_leaves_the_other(redaction: Callable[..., Redaction]) -> None:
    """Only addresses, or only names."""
    assert redaction(("names",)).text("dome-a at 192.0.2.11") == "host-01 at 192.0.2.11"
    assert re.fullmatch(r"dome-a at address-\d\d", redaction(("addresses",)).text("dome-a at 192.0.2.11"))


def test_the_plans_path_is_never_shown(redaction: Callable[..., Redaction]) -> None:
    """Folders name people and sites."""
    text = "/home/kbrandt/tidewater/rack2.toml:6: the plan has one name server"
    assert redaction(("addresses",), file="/home/kbrandt/tidewater/rack2.toml").text(text).startswith("rack2.toml:6:")
    assert redaction(BOTH, file="/home/kbrandt/tidewater/rack2.toml").text(text).startswith("plan-01.toml:6:")


@pytest.mark.parametrize("kinds", [(), ("passwords",), ("addresses", "everything")])
def test_unknown_kinds_are_refused(sample: ModuleType, make_plan: Callable[..., Plan], kinds: tuple[str, ...]) -> None:
    with pytest.raises(ValueError, match="addresses and names"):
        redact(sample.small(), make_plan(), kinds)


@pytest.fixture
def learnt(make_plan: Callable[..., Plan], sample: ModuleType) -> Redaction:
    """The labels of a site with networks, files, certificates and a login that all bear names."""
    report = sample.small()
    link = CertificateFacts(
        der=b"", sha256="a1" * 32, subject="CN=dome-a.obs.example.net,OU=Pier\\, south,O=Tidewater Observatory,C=ZZ",
        issuer="CN=Tidewater Observatory Issuing,O=TO", common_name="dome-a.obs.example.net",
        names=(("dns", "pier7"), ("email", "kbrandt@mail.example"), ("uri", "https://intranet.example/ca"), ("ip", "192.0.2.11")))
    facts = HostFacts(host_name="installer", full_name="installer.corp.example",
                      resolver=Resolver(servers=("192.0.2.53",), search=("lan.example",), source="/etc/resolv.conf"),
                      time_sources=(TimeSource(address="time.vendor.example", selected=True),))
    first, *others = report.hosts
    seen = msgspec.structs.replace(
        first.evidence, tls=(TlsEvidence(address="192.0.2.11", port="443/tcp", server_name="", at="", elapsed_seconds=0.1,
                                         chain=(link,)),),
        system=SystemEvidence(address="192.0.2.11", port="22/tcp", user="root", at="", elapsed_seconds=0.1, facts=facts))
    report = msgspec.structs.replace(report, hosts=(msgspec.structs.replace(first, evidence=seen), *others))
    networks = tuple(Network(name=name, subnet_typed="192.0.2.0/24", subnet="192.0.2.0/24") for name in ("mgmt", "dome", "20"))
    return Redaction(report, make_plan(
        networks=networks, anchors=("certs/tidewater-ca.pem",),
        access=Access(user="root", key="ssh/uk", known_hosts="ssh/known_hosts")), BOTH)


@pytest.mark.parametrize(("text", "pattern"), [
    ("network mgmt: an MTU", r"network network-\d\d: an MTU"),
    ("site|plan.mtu|mgmt", r"site\|plan\.mtu\|network-\d\d"),
    ("dome and dome-a.obs.example.net", r"network-\d\d and host-01\.domain-01"),
    ("VLAN 20 of network 20", r"VLAN 20 of network 20"),
    ("it calls itself installer, in full installer.corp.example.", r"it calls itself name-\d\d, in full name-\d\d\."),
    ("search lan.example; time.vendor.example is selected", r"search name-\d\d; name-\d\d is selected"),
    ("CN=Tidewater Observatory Issuing,O=TO", r"CN=holder-\d\d,O=holder-\d\d"),
    ("leads to CN=Tidewater Observatory Issuing,O=TO.", r"leads to CN=holder-\d\d,O=holder-\d\d\."),
    ("The key of Tidewater Observatory is weak", r"The key of holder-\d\d is weak"),
    ("OU=Pier\\, south,O=Tidewater Observatory,C=ZZ", r"OU=holder-\d\d,O=holder-\d\d,C=ZZ"),
    ("TO do: nothing", r"TO do: nothing"),
    ("pier7, kbrandt@mail.example, mail.example", r"name-\d\d, person-\d\d, name-\d\d"),
    ("https://intranet.example/ca and intranet.example", r"name-\d\d and name-\d\d"),
    ("one of the plan's anchors (certs/tidewater-ca.pem)", r"one of the plan's anchors \(anchor-\d\d\.pem\)"),
    ("plan.toml:19: the file ssh/uk holds a key", r"plan\.toml:19: the file key-\d\d holds a key"),
    ("ssh/known_hosts has no key for dome-a", r"known_hosts has no key for host-01"),
    ("The root distance is known; a site of its own", r"The root distance is known; a site of its own"),
])
def test_names_that_are_evidence_are_known_wherever_they_stand(learnt: Redaction, text: str, pattern: str) -> None:
    """Of networks and files, of whoever holds or issued a certificate, and of what a host says of itself."""
    assert re.fullmatch(pattern, learnt.text(text))


@pytest.mark.parametrize(("user", "text", "shown"), [
    ("kbrandt", "kbrandt was let in; ~kbrandt/.ssh/authorized_keys", "person-01 was let in; ~person-01/.ssh/authorized_keys"),
    ("root", "root was let in; the root of the chain", "root was let in; the root of the chain"),
])
def test_who_logs_in_is_known_in_sentences_and_mends(
    make_plan: Callable[..., Plan], sample: ModuleType, user: str, text: str, shown: str
) -> None:
    """An account is often called as its person is; root tells nothing."""
    plan = make_plan(access=Access(user=user, known_hosts="known_hosts"))
    assert Redaction(sample.small(), plan, ("names",)).text(text) == shown


def test_foreign_names_are_known_wherever_they_were_seen(make_plan: Callable[..., Plan], sample: ModuleType) -> None:
    """A name server's own name under another domain, told in a sentence."""
    report = sample.small()
    seen = NameAnswer(server="192.0.2.53", name="obs.example.net", rrtype="NS", purpose="server", transport="udp", at="",
                      elapsed_seconds=0.1, rcode="NOERROR",
                      answers=(NameRecord("obs.example.net", "NS", 300, "ns1.provider.example."),))
    evidence = msgspec.structs.replace(report.site.evidence, names=(seen,))
    report = msgspec.structs.replace(report, site=msgspec.structs.replace(report.site, evidence=evidence))
    assert "example" not in Redaction(report, make_plan(), ("names",)).text("ask ns1.provider.example. for it")


def test_only_addresses_leave_those_names_and_take_the_folders(make_plan: Callable[..., Plan], sample: ModuleType) -> None:
    """Where files lie names people and sites whatever is asked for."""
    labels = Redaction(sample.small(), make_plan(anchors=("/home/kbrandt/ca.pem",)), ("addresses",))
    assert labels.text("mgmt, /home/kbrandt/ca.pem") == "mgmt, ca.pem"


@pytest.mark.parametrize(("text", "shown"), [
    ("openssl req -new -key dome-a.key -out dome-a.csr", "openssl req -new -key host-01.key -out host-01.csr"),
    ('# [trust] anchors = ["dome-b.obs.example.net.pem"]', '# [trust] anchors = ["host-02.domain-01.pem"]'),
    ("dome-a.service, key.pem and undome-a.key", "dome-a.service, key.pem and undome-a.key"),
])
def test_the_files_that_mends_call_by_a_host_are_known(redaction: Callable[..., Redaction], text: str, shown: str) -> None:
    """As the mends of certificate checks do."""
    assert redaction(("names",)).text(text) == shown


@pytest.mark.parametrize(("text", "shown"), [
    ("plan.toml:3: the role node names no SSH port", "plan.toml:3: the role role-02 names no SSH port"),
    ('ssh = ["22/tcp"]    # in [roles.pier-keeper]; or there: access = false',
     'ssh = ["22/tcp"]    # in [roles.role-01]; or there: access = false'),
    ("site|plan.role|pier-keeper 22/tcp", "site|plan.role|role-01 22/tcp"),
    ("services of pier-keeper", "services of role-01"),
    ("a node of a cluster; the role nodes", "a node of a cluster; the role nodes"),
    ("ntp = true in its role", "ntp = true in its role"),
])
def test_roles_are_known_where_they_are_named(redaction: Callable[..., Redaction], text: str, shown: str) -> None:
    """A role is often called by a word of ours, which stays a word everywhere else."""
    labels = redaction(BOTH, roles=(Role(name="pier-keeper"), Role(name="node")))
    assert (labels.text("role pier-keeper"), labels.text(text)) == ("role role-01", shown)


def test_no_role_is_left_in_a_report_or_its_plan(sample: ModuleType, plan_of: Callable[[Report], Plan]) -> None:
    """Neither with the hosts nor in what lint says of the roles themselves."""
    report = sample.tidewater()
    plan = msgspec.structs.replace(plan_of(report), roles=(Role(name="pier-keeper"),), hosts=tuple(
        msgspec.structs.replace(host, role="pier-keeper") for host in plan_of(report).hosts))
    said = msgspec.structs.replace(report.site.findings[0], check="plan.role", subject="pier-keeper", found="pier-keeper",
                                   ref="site|plan.role|pier-keeper", message="the role pier-keeper asks for nothing")
    report = msgspec.structs.replace(
        report, site=msgspec.structs.replace(report.site, findings=(said, *report.site.findings)),
        hosts=tuple(msgspec.structs.replace(host, role="pier-keeper") for host in report.hosts))
    redacted, redacted_plan = redact(report, plan, ("names",))
    whole = to_json(redacted).decode() + _page(redacted) + msgspec.json.encode(redacted_plan).decode()
    assert "pier-keeper" not in whole
    assert {host.role for host in redacted.hosts} == {redacted_plan.roles[0].name} == {"role-01"}
    assert redact(report, plan, ("addresses",))[0].hosts[0].role == "pier-keeper"


def test_patterns_of_hosts_are_known(redaction: Callable[..., Redaction]) -> None:
    """A waiver's pattern tells how hosts are called; one that begins with a star tells nothing that can be found again."""
    waivers = tuple(Waiver(check="port.*", host=host, reason="", until="2027-01-31")
                    for host in ("dome-*", "*", "*-a", "a", "old-7"))
    labels = redaction(BOTH, waivers=waivers)
    assert labels.text("the waiver of port.* for dome-* ends") == "the waiver of port.* for pattern-01 ends"
    assert labels.text("for old-7: a port is open") == "for pattern-02: a port is open"


def test_a_profile_that_is_a_file_is_known_and_ours_stay(sample: ModuleType, plan_of: Callable[[Report], Plan]) -> None:
    """Its path stands with the run, and its name with every limit that it sets, as the plan's own does."""
    report = sample.three()
    files = ("limits/pier7.toml", "set in pier7.toml:3", "caution set in tidewater.toml:9; fail: common practice, no source")
    limits = tuple(msgspec.structs.replace(limit, origin=origin)
                   for limit, origin in zip(report.run.limits, files[1:], strict=False))
    report = msgspec.structs.replace(report, run=msgspec.structs.replace(report.run, profile=files[0], limits=limits))
    plan = msgspec.structs.replace(plan_of(report), file="/srv/tidewater.toml", profile="strict")
    redacted, redacted_plan = redact(report, plan, BOTH)
    assert (redacted.run.profile, redacted_plan.profile) == ("profile-01.toml", "strict")
    assert [limit.origin for limit in redacted.run.limits] == [
        "set in profile-01.toml:3", "caution set in plan-01.toml:9; fail: common practice, no source"]


def test_both_halves_of_a_wire_are_redacted(sample: ModuleType, plan_of: Callable[[Report], Plan]) -> None:
    """Subnets and gateways, masks and gateways of rows."""
    report = sample.small()
    plan = plan_of(report)
    wire = msgspec.structs.replace(plan.networks[0], second_subnet_typed="2001:DB8:2::/64", second_subnet="2001:db8:2::/64",
                                   second_gateway="2001:db8:2::1")
    row = msgspec.structs.replace(plan.hosts[0], second_gateway="2001:db8:2::1")
    plan = msgspec.structs.replace(plan, networks=(wire,), hosts=(row,))
    told = msgspec.json.encode(Redaction(report, plan, ("addresses", "names")).plan(plan)).decode()
    assert "2001" not in told
    assert "192.0.2" not in told
