"""What the page shows and in which order."""

from __future__ import annotations

from types import ModuleType

import msgspec
import pytest

from reports import view
from reports.findingview import Shower
from reports.html import to_html
from reports.marks import OWNERS
from shared.catalogue import CHECKS, Check
from shared.findings import Grade, Verdict
from shared.run import Cause, Coverage, Missing


def test_causes_stand_in_the_order_of_the_report_with_who_must_act(sample: ModuleType, checks: dict[str, Check]) -> None:
    """The order is the report's; the owner is the catalogue's; no cause is left out."""
    page = view.build(sample.tidewater(), checks)
    assert [(cause.number, cause.owner, cause.members[0].check) for cause in page.causes] == [
        (1, "Host build", "host.echo"),
        (2, "Time sources", "clock.source"),
        (3, "Name servers", "name.servers-agree"),
        (4, "Host build", "clock.offset"),
        (5, "Certificates", "certificate.dates"),
        (6, "Host build", "port.closed"),
        (7, "Certificates", "certificate.protocol"),
    ]
    assert [(owner.label, owner.numbers) for owner in page.owners] == [
        ("Host build", (1, 4, 6)),
        ("Time sources", (2,)),
        ("Name servers", (3,)),
        ("Certificates", (5, 7)),
    ]


def test_the_catalogue_names_exactly_those_who_are_shown_as_acting() -> None:
    """A waiver is a matter of whoever keeps the plan, and not of whoever installs a host."""
    assert {who for check in CHECKS.values() for who in (check.owner, *check.owners.values())} == OWNERS.keys()
    assert OWNERS[CHECKS["plan.waiver"].owner] == "The plan"


@pytest.mark.parametrize(("check", "symptom", "label"), [
    ("host.ipv6", "unplanned", "Name servers"), ("host.ipv6", "silent", "Host build"),
    ("host.ipv6", "plan-contradicts", "The plan"),
    ("host.echo", "no-way", "Network"), ("host.echo", "silent", "Host build"),
    ("port.open", "turned-back", "Network"), ("port.open", "rejected", "Host build"), ("port.open", "refused", "Host build"),
    ("ssh.host-key", "dns-disagrees", "Name servers"), ("ssh.host-key", "dns-stale", "Name servers"),
    ("ssh.host-key", "", "Host build"), ("certificate.peers", "", "Host build"), ("no.check", "silent", "Host build"),
])
def test_who_must_act_is_whoever_can_type_the_mend(
    sample: ModuleType, check: str, symptom: str, label: str
) -> None:
    """A record in a zone, a rule on a router and a line of the plan are not mended by whoever installs the host."""
    (host,) = sample.drafts(["dome-a"])
    found = msgspec.structs.replace(host.put(check, "x", Grade.FAIL, "", "", "m"), symptom=symptom)
    assert Shower(None, CHECKS, {}).owner(found) == label


def test_what_a_cause_explains_is_folded_under_it(sample: ModuleType, checks: dict[str, Check]) -> None:
    """The count is the report's own, and each effect leads to its place."""
    report = sample.tidewater()
    page = view.build(report, checks)
    assert [cause.explains for cause in page.causes] == [cause.explains for cause in report.causes]
    assert {effect.link.text for effect in page.causes[2].effects} == {
        f"dome-{letter}.obs.example.net: name.forward 192.0.2.54" for letter in "bcg"
    }
    assert all(effect.link.target for cause in page.causes for effect in cause.effects)


def test_an_effect_of_an_effect_belongs_to_the_first_cause(sample: ModuleType, checks: dict[str, Check]) -> None:
    """A chain of reasons is followed to its end, and a circle of reasons ends too."""
    hosts = sample.drafts(["dome-a"])
    root = sample.plant_telnet(hosts[0])
    middle = hosts[0].put("ssh.identity", "22/tcp", Grade.UNPROVEN, "", "", "m", because=(root.ref,))
    end = hosts[0].put("ssh.algorithms", "22/tcp", Grade.UNPROVEN, "", "", "m", because=(middle.ref,))
    hosts[0].put(
        "port.open",
        "22/tcp",
        Grade.UNPROVEN,
        "",
        "",
        "m",
        because=(end.ref, "h|port.open|gone", "dome-a.obs.example.net|port.open|22/tcp"),
    )
    page = view.build(sample.assemble([], hosts, [root]), checks)
    assert page.causes[0].explains == 3


def test_many_causes_of_one_kind_are_told_together(sample: ModuleType, checks: dict[str, Check]) -> None:
    """Thirty hosts with one fault are one thing to do, and the mend names every one of them."""
    report = sample.fleet(300)
    page = view.build(report, checks)
    together = next(cause for cause in page.causes if cause.members[0].check == "port.closed")
    assert len(together.members) == sum(cause.finding.split("|")[1] == "port.closed" for cause in report.causes) > 4
    assert all(f"# {member.host} {member.subject}" in together.fix for member in together.members)
    assert together.fix.count("systemctl disable --now inetd") == 1
    assert sum(cause.count for cause in page.causes) == len(report.causes)


def test_of_very_many_of_one_kind_the_later_ones_are_pointed_at(sample: ModuleType, checks: dict[str, Check]) -> None:
    """Nine hundred sentences that differ in a name help nobody; every one of them is still reached, and still mended."""
    report = sample.fleet(1500)
    cause = max(view.build(report, checks).causes, key=lambda cause: cause.count)
    kind = cause.members[0].check
    assert len(cause.members) == 40 < cause.count == len(cause.members) + len(cause.farther)
    reached = {view_.slug for view_ in cause.members} | {link.target for link in cause.farther}
    assert len(reached) == cause.count == sum(one.finding.split("|")[1] == kind for one in report.causes)
    assert all(link.target and f"# {link.text} " in cause.fix for link in cause.farther)


def test_of_hosts_that_are_alike_paper_has_the_first(sample: ModuleType, checks: dict[str, Check]) -> None:
    """Three hundred wholly broken hosts took hundreds of pages; the others are named, and few or unlike ones are printed each."""
    names = [f"node{number}" for number in range(300)]
    hosts = sample.drafts(names)
    causes = [sample.plant_telnet(host) for host in hosts]
    causes += [sample.plant_clock(host, 37.2, "37.2 s") for host in hosts[:3]]
    page = view.build(sample.assemble(sample.site_sound(), hosts, causes), checks)
    shown = [host for host in page.hosts if not host.unprinted and host.slug != "site"]
    assert [(host.short, host.alike) for host in shown] == [
        ("node0", ()), ("node1", ()), ("node2", ()), ("node3", tuple(names[4:]))]
    sound = view.build(sample.assemble(sample.site_sound(), sample.drafts(names[:9]), []), checks)
    assert not any(host.unprinted or host.alike for host in sound.hosts)


def test_of_mends_of_one_kind_paper_has_the_first_and_counts_the_rest(sample: ModuleType, checks: dict[str, Check]) -> None:
    """The lines that are printed are whole mends, and what is printed and what is not are all of them."""
    hosts = sample.drafts([f"node{number}" for number in range(30)])
    own = [host.put("clock.offset", "123/udp", Grade.FAIL, "", "", "It is off.", symptom="offset", fix=(f"set {at}", "second"))
           for at, host in enumerate(hosts)]
    cause, = view.build(sample.assemble([], hosts, own), checks).causes
    printed = cause.fix.split("\n")[:cause.printed]
    assert printed[-1] == "second"
    assert printed.count("second") + cause.unprinted == 30
    assert 10 < cause.printed <= 16
    same = [host.put("clock.offset", "123/udp", Grade.FAIL, "", "", "It is off.", symptom="offset", fix=("one", "mend"))
            for host in hosts]
    cause, = view.build(sample.assemble([], hosts, same), checks).causes
    assert (cause.printed, cause.unprinted) == (16, 17)
    single, = view.build(sample.assemble([], hosts, same[:1]), checks).causes
    assert (single.printed, single.unprinted, single.fix) == (2, 0, "one\nmend")


def test_of_many_hosts_passes_are_told_in_brief(sample: ModuleType, checks: dict[str, Check]) -> None:
    """Every check that passed is named, with what it was about where that is not the host itself."""
    report = sample.fleet(300)
    page = view.build(report, checks)
    host = report.hosts[0]
    brief = next(shown for shown in page.hosts if shown.name == host.name).in_brief
    passed = [finding for finding in host.findings if finding.grade is Grade.PASS]
    assert {check for group in brief for check in group.checks} == {finding.check for finding in passed}
    told = {(check, subject) for group in brief for check in group.checks for subject in group.subjects}
    assert told == {(finding.check, finding.subject) for finding in passed if finding.subject not in (host.name, *host.addresses)}


def test_nothing_open_is_left_off_the_first_page(sample: ModuleType, checks: dict[str, Check]) -> None:
    """A fail that the report names neither as a cause nor as an effect is shown all the same."""
    report = sample.tidewater()
    fewer = msgspec.structs.replace(report, causes=report.causes[1:])
    page = view.build(fewer, checks)
    assert [other.check for other in page.others] == ["host.echo"]
    assert view.build(report, checks).others == ()


def test_what_waits_for_a_cause_is_kept_apart_from_what_needs_another_look(sample: ModuleType, checks: dict[str, Check]) -> None:
    """Fifteen questions to a dead host are one thing to know, and it names the cause."""
    page = view.build(sample.tidewater(), checks)
    assert [(missing.headline, missing.count) for missing in page.missing] == [
        ("The host's clock", 1),
        ("system.route", 1),
        ("Waits for no. 1", 15),
    ]
    assert page.missing[-1].because[0].target == "f-dome-d.obs.example.net-host.echo-192.0.2.14"


def test_a_reason_that_only_looks_like_a_ref_is_a_sentence(sample: ModuleType, checks: dict[str, Check]) -> None:
    """Only refs that are in the report are followed."""
    missing = Missing(check="system.route", subjects=("every host",), why="because of h|x.y|z", would_prove="a login")
    report = msgspec.structs.replace(sample.small(), coverage=Coverage(planned=2, proven=1, missing=(missing,)))
    assert view.build(report, checks).missing[0].reasons == ("because of h|x.y|z",)


@pytest.mark.parametrize(
    ("name", "headline", "lede"),
    [
        (
            "tidewater",
            "Not ready for its next stage.",
            "7 things to mend, in order; 18 other findings follow from them. 4 of 10 hosts are ready.",
        ),
        (
            "small",
            "Not ready for its next stage.",
            "1 thing to mend; 1 other finding follows from it. 1 of 2 hosts is ready.",
        ),
        ("three", "Not ready for its next stage.", "2 things to mend, in order. 1 of 3 hosts is ready."),
        ("sound", "Ready for its next stage.", "Everything asked was found as planned. 2 of 2 hosts are ready."),
    ],
)
def test_the_first_sentence_says_what_is_the_matter(
    sample: ModuleType, checks: dict[str, Check], name: str, headline: str, lede: str
) -> None:
    """Whether it is ready, how much is to be done, what that settles, how many hosts are ready: in plain English."""
    report = getattr(sample, name)()
    if name == "small":
        report = msgspec.structs.replace(report, causes=report.causes)
    page = view.build(report, checks)
    assert (page.headline, page.lede) == (headline, lede)


def test_what_many_hosts_share_is_said_before_anybody_looks_at_a_host(sample: ModuleType, checks: dict[str, Check]) -> None:
    """The first sentence of host.shared-loss, while it is open."""
    report = sample.tidewater()
    shared = sample.finding("site", "host.shared-loss", "hosts", Grade.CAUTION, "none", "9 hosts", "9 hosts lost packets. Look.")
    for grade, said in ((Grade.CAUTION, True), (Grade.FAIL, True), (Grade.WAIVED, False)):
        findings = (msgspec.structs.replace(shared, grade=grade), *report.site.findings)
        site = msgspec.structs.replace(report.site, findings=findings)
        lede = view.build(msgspec.structs.replace(report, site=site), checks).lede
        assert ("from them. 9 hosts lost packets. 4 of 10" in lede) == said
        assert "Look" not in lede


def test_one_host_is_spoken_of_as_one(sample: ModuleType, checks: dict[str, Check]) -> None:
    """Also where it is not ready."""
    report = sample.small()
    faulty = next(host for host in report.hosts if host.verdict is Verdict.NOT_READY)
    page = view.build(msgspec.structs.replace(report, hosts=(faulty,)), checks)
    assert page.lede.endswith("0 of 1 host is ready.")


def test_every_host_has_a_cell_for_every_family(sample: ModuleType, checks: dict[str, Check]) -> None:
    """The matrix is complete: the worst grade of each family, and where to read about it."""
    fleet = view.build(sample.tidewater(), checks).fleet
    assert fleet.headings == ("plan", "names", "gateway", "host", "clock", "certificate", "ports", "SSH")
    assert all(len(row.cells) == len(fleet.headings) for row in fleet.rows)
    dark = next(row for row in fleet.rows if row.name == "dome-d")
    assert [(cell.mark.key, cell.count) if cell else None for cell in dark.cells] == [
        None,
        ("p", 5),
        ("u", 1),
        ("f", 1),
        ("u", 2),
        ("u", 6),
        ("u", 4),
        ("u", 2),
    ]
    assert all(cell.target for row in fleet.rows for cell in row.cells if cell and cell.mark.key != "p")


def test_a_fleet_of_a_thousand_shows_every_host_in_every_carpet(sample: ModuleType, checks: dict[str, Check]) -> None:
    """No host is without its square, and hosts without a row are counted where the rows end."""
    report = sample.fleet()
    fleet = view.build(report, checks).fleet
    for carpet in fleet.carpets:
        assert sum(weave.path.count("M") for weave in carpet.weaves) == 1000
    assert len(fleet.rows) - 1 + len(fleet.quiet) == 1000
    assert len(fleet.quiet) == sum(host.verdict is Verdict.READY for host in report.hosts)


def test_a_cause_that_is_not_in_the_report_is_passed_over(sample: ModuleType, checks: dict[str, Check]) -> None:
    """A report of another version may name what we cannot show; the rest is shown."""
    report = sample.small()
    odd = msgspec.structs.replace(report, causes=(Cause(finding="nowhere|x.y|z", explains=3), *report.causes))
    assert len(view.build(odd, checks).causes) == 1


def test_two_findings_never_share_a_name(sample: ModuleType, checks: dict[str, Check]) -> None:
    """Subjects that differ only in signs that a name cannot hold are numbered."""
    hosts = sample.drafts(["dome-a"])
    for subject in ("a/b", "a b", "A-B", "🜨", "🜩"):
        hosts[0].put("name.alias", subject, Grade.CAUTION, "", "", "m")
    page = view.build(sample.assemble([], hosts, []), checks)
    slugs = [finding.slug for finding in page.hosts[0].open]
    assert len(set(slugs)) == 5
    assert all(slugs)


def test_how_much_was_proven_is_said_without_contradiction(sample: ModuleType, checks: dict[str, Check]) -> None:
    """"62 of 62 were proven" stood under "Not proven", where only what could not be asked at all was missing."""
    report = sample.sound()
    missing = sample.tidewater().coverage.missing[-1:]
    for coverage, words in (
        (Coverage(planned=60, proven=60), "All 60 planned checks were proven, one way or the other."),
        (Coverage(planned=60, proven=60, missing=missing),
         "All 60 planned checks were proven, one way or the other. Here stands what could not be asked at all."),
        (Coverage(planned=60, proven=59), "59 of 60 planned checks were proven, one way or the other."),
        (Coverage(planned=0, proven=0), "0 of 0 planned checks were proven, one way or the other."),
    ):
        assert view.build(msgspec.structs.replace(report, coverage=coverage), checks).proven == words


def test_a_run_that_proved_too_little_says_that_nothing_failed(sample: ModuleType, checks: dict[str, Check]) -> None:
    """"0 of 1 host is ready." was all, beside "Nobody: nothing was found that needs a mend"."""
    host, = sample.drafts(["dome-a"])
    sample.plant_straddle(host)
    report = sample.assemble(sample.site_sound(), [host], [])
    assert view.build(report, checks).lede == "Nothing failed, and not everything could be judged. 0 of 1 host is ready."
    assert "what is missing is proof" in to_html(report)
