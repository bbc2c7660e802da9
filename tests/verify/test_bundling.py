"""A bundle proves itself: made from a stored run, changed in any way it is refused, signed it says by whom."""

from __future__ import annotations

import datetime
import hashlib
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest

from reports import bundle
from reports.archive import lay_out, pack_file, unpack
from reports.bundle import BundleError
from reports.html import to_html
from reports.jsonfile import from_json, to_json
from shared import catalogue
from shared.evidence import (
    EchoEvidence,
    Evidence,
    Failure,
    FailureKind,
    HostEvidence,
    PortEvidence,
    PortState,
    SiteEvidence,
    Vantage,
)
from shared.findings import Verdict
from shared.history import RunRecord
from shared.plan import Plan
from verify import bundling, signing
from verify.assembly import Request, assemble
from verify.errors import UsageError
from verify.history.body import PlanFile, Snapshot
from verify.history.records import StoredRun

STARTED, FINISHED = "2027-03-04T09:12:24.000000Z", "2027-03-04T09:12:31.000000Z"
TYPED = b'[plan]\ntitle = "Tidewater Observatory, rack 2"\n'


@pytest.fixture(scope="session")
def stored(make_plan: Callable[..., Plan]) -> StoredRun:
    """A real run of little evidence: one host answers, the other is silent, and nobody asked the servers."""
    plan = make_plan(sha256=hashlib.sha256(TYPED).hexdigest())
    silent = Failure(kind=FailureKind.NO_ANSWER, phase="answer", elapsed_seconds=2.0)
    hosts = tuple(HostEvidence(
        fqdn=host.fqdn,
        echoes=(EchoEvidence(address=host.addresses[0], method="icmp-raw", at=STARTED, failure=None if alive else silent,
                             round_trips_seconds=(0.001,) * 5 if alive else (None,) * 5),),
        ports=(PortEvidence(address=host.addresses[0], port="22/tcp", state=PortState.OPEN if alive else PortState.SILENT,
                            at=STARTED, elapsed_seconds=0.01, attempts=1, failure=None if alive else silent),))
        for host, alive in zip(plan.hosts, (True, False), strict=True))
    evidence = Evidence(vantage=Vantage(name="pier-1", addresses=("192.0.2.200",), on_link={"mgmt": True}), started=STARTED,
                        finished=FINISHED, complete=True, site=SiteEvidence(), hosts=hosts)
    report = assemble(plan, evidence, catalogue.limits_of("production"),
                      Request(run_id="20270304T091224Z-7f3a", kind="verify", operator="k. brandt", ticket="CHG-1042",
                              reviewer="m. osei"), today=datetime.date(2027, 3, 4))
    record = msgspec.convert({name: {int: 1, str: "", bool: False}[kind] for name, kind in _record_fields().items()}, RunRecord)
    return StoredRun(record=record, report=report, checks=(),
                     snapshot=Snapshot(plan=plan, files=(PlanFile("/srv/plans/tidewater.toml", TYPED),)))


def _record_fields() -> dict[str, Any]:
    kinds = {"str": str, "int": int, "bool": bool}
    return {field.name: kinds[field.type.__name__] for field in msgspec.structs.fields(RunRecord)}


@pytest.fixture(scope="session")
def key(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fresh key for signing, with its file of allowed signers beside it."""
    path = tmp_path_factory.mktemp("key") / "id"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", str(path)], check=True, timeout=30)
    public = path.with_suffix(".pub").read_text(encoding="ascii")
    (path.parent / "signers").write_text(f"m.osei@obs.example.net {public}", encoding="ascii")
    return path


def remade(content: bytes, change: Callable[[dict[str, bytes]], None], *, manifest: bool = True) -> bytes:
    """A bundle taken apart, changed, and put together again as a forger would, with a new manifest."""
    files = unpack(content)
    change(files)
    if manifest:
        files[bundle.MANIFEST] = bundle.manifest({name: hashlib.sha256(content).hexdigest() for name, content in files.items()})
    return lay_out([pack_file(name, (content,)) for name, content in files.items()])


def replace(name: str, old: bytes, new: bytes) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        assert old in files[name]
        files[name] = files[name].replace(old, new)
    return change


def said(proofs: list[bundling.Proof], held: bool | None) -> str:
    return " | ".join(proof.said for proof in proofs if proof.held is held)


def test_a_bundle_holds(stored: StoredRun) -> None:
    """Hashes, schema, the plan as typed, and the verdict derived again from the evidence."""
    proofs = bundling.prove(bundling.make(stored).content, None)
    assert [proof.held for proof in proofs] == [True] * 7
    assert "gives the same verdict, not-ready" in said(proofs, True)


def test_the_same_run_gives_the_same_bundle(stored: StoredRun) -> None:
    """Octet for octet, so that two people can compare one hash."""
    assert bundling.make(stored).content == bundling.make(stored).content


def test_everything_a_ticket_wants_is_in_it(stored: StoredRun) -> None:
    """Both reports, the text, the plan as read and as typed, evidence, limits with their origin, and what was not proven."""
    made = bundling.make(stored)
    files = unpack(made.content)
    assert set(files) == {"README.txt", "summary.txt", "report.html", "report.json", "plan.json", "plan/1-tidewater.toml",
                          "evidence.json", "limits.txt", "not-proven.txt", "bundle.json", bundle.MANIFEST}
    assert files["report.json"] == to_json(stored.report)
    assert files["report.html"].decode() == to_html(stored.report)
    assert files["plan/1-tidewater.toml"] == TYPED
    for limit in stored.report.run.limits:
        assert limit.name in files["limits.txt"].decode()
    for missing in stored.report.coverage.missing:
        assert missing.check in files["not-proven.txt"].decode()
    assert b"-----BEGIN PRIVATE" not in made.content


def test_text_that_utf_8_cannot_hold_loses_no_bundle(stored: StoredRun) -> None:
    """A plan's path is what the system says it is: a question mark stands for what is no character in it."""
    odd, plain = (msgspec.structs.replace(stored, snapshot=msgspec.structs.replace(
        stored.snapshot, plan=msgspec.structs.replace(stored.snapshot.plan, file=file))) for file in ("a\ud800b", "a?b"))
    assert bundling.make(odd).content == bundling.make(plain).content


def test_the_ticket_text_ends_with_the_manifests_hash(stored: StoredRun) -> None:
    """It stays under its limit, and it is the hash of the manifest that sha256sum can check."""
    made = bundling.make(stored)
    digest = hashlib.sha256(unpack(made.content)[bundle.MANIFEST]).hexdigest()
    assert digest in made.text
    assert len(made.text) < 4000
    assert max(len(line) for line in made.text.splitlines() if not line.startswith("    ")) <= 72, "lines to paste aside"
    assert "m. osei" in made.text


def test_sha256sum_proves_it_by_hand(stored: StoredRun, tmp_path: Path) -> None:
    """As the README inside says."""
    for name, content in unpack(bundling.make(stored).content).items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(content)
    subprocess.run(["sha256sum", "--check", "--strict", "--quiet", bundle.MANIFEST], cwd=tmp_path, check=True, timeout=30)


def test_one_octet_changed_is_refused(stored: StoredRun) -> None:
    """At five hundred places over the whole file."""
    content = bundling.make(stored).content
    for place in range(0, len(content), max(1, len(content) // 500)):
        changed = bytearray(content)
        changed[place] ^= 0xFF
        with pytest.raises(BundleError):
            bundle.read(bytes(changed))


@pytest.mark.parametrize(("change", "manifest", "words"), [
    (replace("report.json", b'"not-ready"', b'"ready"'), False, "has been changed"),
    (replace("summary.txt", b"Not ready", b"All ready"), False, "has been changed"),
    (lambda files: files.pop("limits.txt"), False, "missing, and listed"),
    (lambda files: files.update({"extra.txt": b"?"}), False, "not in its manifest"),
    (lambda files: files.pop(bundle.MANIFEST), False, "no bundle"),
    (lambda files: files.update({bundle.MANIFEST: b"what is this\n"}), False, "no list of hashes"),
    (lambda files: files.update({bundle.MANIFEST: b"\xff\xfe"}), False, "no list of hashes"),
    (lambda files: files.update({bundle.MANIFEST: files[bundle.MANIFEST] * 2}), False, "no list of hashes"),
    (lambda files: files.pop("report.json"), True, "lacks report.json"),
    (replace("report.json", b"seatrial-report/1", b"seatrial-report/9"), True, "seatrial-report/1"),
    (replace("bundle.json", b"seatrial-bundle/1", b"seatrial-bundle/9"), True, "seatrial-bundle/1"),
    (replace("bundle.json", b"7f3a", b"0000"), True, "its report is of"),
    (replace("evidence.json", b'"open"', b'"silent"'), True, "not the evidence"),
    (lambda files: files.update({"plan.json": b"[" * 100_000}), True, "plan.json"),
    (lambda files: files.update({"report.json": b"{}"}), True, "report.json"),
    (lambda files: files.update({"evidence.json": b"null"}), True, "evidence.json"),
])
def test_what_is_not_as_it_was_made_is_refused_in_one_sentence(
    stored: StoredRun, change: Callable[[dict[str, bytes]], None], manifest: bool, words: str
) -> None:
    """Changed, taken out, put in, or of another kind; with a new manifest or without."""
    with pytest.raises(BundleError, match=words) as caught:
        bundle.read(remade(bundling.make(stored).content, change, manifest=manifest))
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 400


def test_a_verdict_that_the_evidence_does_not_bear_is_found(stored: StoredRun) -> None:
    """A forger who writes "ready", and a new manifest: the evidence graded again says otherwise."""
    forged = remade(bundling.make(stored).content, replace("report.json", b'"verdict": "not-ready",\n  "counts"',
                                                           b'"verdict": "ready",\n  "counts"'))
    assert bundle.read(forged).report.verdict is Verdict.READY
    assert "graded again gives not-ready, and the report says ready" in said(bundling.prove(forged, None), False)


def test_a_finding_that_was_taken_out_is_found(stored: StoredRun) -> None:
    """The report without one of its fails: the evidence still gives it."""
    def change(files: dict[str, bytes]) -> None:
        report = from_json(files["report.json"])
        hosts = tuple(msgspec.structs.replace(host, findings=host.findings[1:]) for host in report.hosts)
        files["report.json"] = to_json(msgspec.structs.replace(report, hosts=hosts))

    assert "differ in grade" in said(bundling.prove(remade(bundling.make(stored).content, change), None), False)


@pytest.mark.parametrize("name", ["report.html", "summary.txt", "README.txt", "limits.txt", "not-proven.txt"])
def test_a_page_or_a_text_that_says_something_else_is_found(stored: StoredRun, name: str) -> None:
    """People read these, and nobody the JSON: a forger may leave the evidence and the grades as they are."""
    def change(files: dict[str, bytes]) -> None:
        files[name] = files[name].replace(b"a", b"o", 1)

    proofs = bundling.prove(remade(bundling.make(stored).content, change), None)
    assert said(proofs, False) == f"not what seatrial makes of the report in the bundle: {name}"
    gone = bundling.prove(remade(bundling.make(stored).content, lambda files: files.__delitem__(name)), None)
    assert said(gone, False) == said(proofs, False)


def test_the_words_of_another_version_are_not_held_against_a_bundle(stored: StoredRun, monkeypatch: pytest.MonkeyPatch) -> None:
    """A page of years ago looks otherwise, and is no forgery for that."""
    content = bundling.make(stored).content
    monkeypatch.setattr(bundling, "versions", lambda: {"seatrial": "99"})
    forged = remade(content, lambda files: files.update({"report.html": b"another page"}))
    assert [proof.held for proof in bundling.prove(forged, None)] == [True] * 6


def test_another_plan_is_found(stored: StoredRun) -> None:
    """The typed plan replaced by an easier one, or the plan as read."""
    typed = remade(bundling.make(stored).content, replace("plan/1-tidewater.toml", b"rack 2", b"rack 3"))
    assert "not what was read" in said(bundling.prove(typed, None), False)
    other = remade(bundling.make(stored).content, replace("plan.json", stored.report.run.plan.sha256.encode(), b"1" * 64))
    assert "not the one that the report was held against" in said(bundling.prove(other, None), False)


def test_a_plan_that_breaks_grading_ends_no_proof(stored: StoredRun) -> None:
    """Whoever makes the hashes anew can write any plan: it is not judged, and nothing falls over."""
    broken = remade(bundling.make(stored).content, replace("plan.json", b'"192.0.2.11"', b'"nowhere"'))
    assert len(bundling.prove(broken, None)) == 7


def test_a_signature_says_who(stored: StoredRun, key: Path) -> None:
    """Made and judged by ssh-keygen."""
    content = bundling.make(stored, key=key).content
    proofs = bundling.prove(content, key.parent / "signers")
    assert [proof.held for proof in proofs] == [True] * 7
    assert "signed by m.osei@obs.example.net with ED25519 key SHA256:" in said(proofs, True)
    assert "give --signers" in said(bundling.prove(content, None), None)


@pytest.mark.parametrize(("finished", "options", "held", "words"), [
    ("2020-03-04T09:12:31.000000Z", 'valid-before="20380101"', True, ", the day of this check"),
    # A key of later years signs a run of 2020 today.
    ("2020-03-04T09:12:31.000000Z", 'valid-after="20250101"', True, ", the day of this check"),
    ("2020-03-04T09:12:31.000000Z", 'valid-before="20210101"', None, "not allow today, but on 2020-03-04, the day of the run"),
    ("2020-03-04T09:12:31.000000Z", 'valid-after="20200101",valid-before="20210101"', None, "in time is proven by whoever kept"),
    ("2022-03-04T09:12:31.000000Z", 'valid-before="20210101"', False, "key has expired"),
    ("2020-03-04T09:12:31.000000Z", 'valid-after="20380101"', False, "key is not yet valid"),
    ("2039-03-04T09:12:31.000000Z", 'valid-after="20380101"', False, "key is not yet valid"),
    ("1969-03-04T09:12:31.000000Z", 'valid-before="20210101"', False, "key has expired"),
    ("0001-01-01T00:00:00.000000Z", 'valid-before="20210101"', False, "key has expired"),
    ("2020-03-04T09:12:31.000000Z", 'namespaces="file",valid-before="20210101"', False, "key has expired"),
])
def test_a_key_that_is_allowed_for_a_while_is_judged_by_a_day_that_is_said(
    stored: StoredRun, key: Path, tmp_path: Path, finished: str, options: str, held: bool | None, words: str
) -> None:
    """By the day of the check; by the day that the bundle claims only what nobody can prove, since its maker wrote that."""
    run = msgspec.structs.replace(stored.report.run, finished=finished)
    earlier = msgspec.structs.replace(stored, report=msgspec.structs.replace(stored.report, run=run))
    signers = tmp_path / "signers"
    signers.write_text(f"m.osei {options} {key.with_suffix('.pub').read_text(encoding='ascii')}", encoding="ascii")
    [proof] = [proof for proof in bundling.prove(bundling.make(earlier, key=key).content, signers) if "signers" in proof.said
               or "signature" in proof.said]
    assert proof.held is held
    assert words in proof.said


def test_a_signature_does_not_hold_for_another_manifest(stored: StoredRun, key: Path) -> None:
    """A forger keeps the signature and makes the hashes anew."""
    forged = remade(bundling.make(stored, key=key).content, replace("summary.txt", b"CHG-1042", b"CHG-9999"))
    assert "does not hold" in said(bundling.prove(forged, key.parent / "signers"), False)


@pytest.mark.parametrize("signature", [
    b"", b"-----BEGIN SSH SIGNATURE-----\nAAAA\n-----END SSH SIGNATURE-----\n", b"x" * 100_000])
def test_what_is_no_signature_does_not_hold(stored: StoredRun, key: Path, signature: bytes) -> None:
    """Empty, garbled, or endless."""
    forged = remade(bundling.make(stored).content, lambda files: files.update({bundle.SIGNATURE: signature}))
    assert said(bundling.prove(forged, key.parent / "signers"), False)


def test_a_stranger_is_no_allowed_signer(stored: StoredRun, key: Path, tmp_path: Path) -> None:
    """And a bundle that nobody signed is vouched for by nobody."""
    signers = tmp_path / "signers"
    signers.write_text("", encoding="ascii")
    assert "nobody" in said(bundling.prove(bundling.make(stored, key=key).content, signers), False)
    assert "not signed" in said(bundling.prove(bundling.make(stored).content, key.parent / "signers"), False)


def test_a_signature_for_another_purpose_is_none(stored: StoredRun, key: Path) -> None:
    """The namespace keeps a signature made for a file, or a commit, from being shown as one of a bundle."""
    manifest = unpack(bundling.make(stored).content)[bundle.MANIFEST]
    made = subprocess.run(["ssh-keygen", "-Y", "sign", "-n", "file", "-f", str(key)], input=manifest, capture_output=True,
                          check=True, timeout=30).stdout
    with pytest.raises(signing.SignatureError):
        signing.verify(manifest, made, key.parent / "signers")


@pytest.mark.parametrize("path", ["nowhere", "signers"])
def test_a_key_that_cannot_sign_is_said(stored: StoredRun, key: Path, path: str) -> None:
    """No such file, or no key in it."""
    with pytest.raises(UsageError, match="--sign"):
        bundling.make(stored, key=key.parent / path)


def test_a_redacted_bundle_says_so_and_is_not_graded_again(stored: StoredRun) -> None:
    """Its hashes hold, of the redacted form; the typed plan is not in it."""
    made = bundling.make(stored, kinds=("addresses", "names"))
    proofs = bundling.prove(made.content, None)
    assert "redacted form" in said(proofs, True)
    assert "labels" in said(proofs, None)
    assert said(proofs, False) == ""
    files = unpack(made.content)
    assert not [name for name in files if name.startswith("plan/")]
    assert "REDACTED" in files["README.txt"].decode()
    whole = b"\n".join(files.values()).decode() + made.text
    for secret in ("192.0.2.", "dome-a", "dome-b", "obs.example.net", "pier-1", "brandt", "osei", "Tidewater", "/srv/plans"):
        assert secret not in whole, secret


@pytest.mark.parametrize(("typed", "kinds"), [
    ("addresses", ("addresses",)), ("names,addresses", ("addresses", "names")), (" names ", ("names",)), (None, ())])
def test_what_to_redact_is_read(typed: str | None, kinds: tuple[str, ...]) -> None:
    assert bundling.read_kinds(typed) == kinds


@pytest.mark.parametrize("typed", ["", "everything", "addresses;names", "addresses,passwords"])
def test_what_cannot_be_redacted_is_refused(typed: str) -> None:
    with pytest.raises(UsageError, match="addresses and names"):
        bundling.read_kinds(typed)
