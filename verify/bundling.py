"""Makes a bundle of a stored run, and proves one that somebody hands over: offline, with nothing but the file."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Collection
from importlib import metadata
from pathlib import Path

import msgspec

from reports import bundle
from reports.bundle import Bundle, BundleFacts
from reports.redact import KINDS, redact
from reports.ticket import ticket_text
from shared.findings import Finding
from shared.safetext import visible
from shared.times import read_time
from verify import signing
from verify.assembly import Request, assemble, judging_day
from verify.comparing.regrading import limits_then
from verify.errors import UsageError
from verify.history.records import StoredRun
from verify.selection import choose_checks
from verify.version import VERSION

#: The libraries whose words a report depends on.
_LIBRARIES = ("cryptography", "dnspython", "jinja2", "msgspec", "ntplib", "paramiko", "service-identity")


class Made(msgspec.Struct, frozen=True, kw_only=True):
    """A bundle's octets, and the text for the ticket with the manifest's hash in it."""

    content: bytes
    text: str


class Proof(msgspec.Struct, frozen=True):
    """One thing about a bundle that ``held``, did not, or (None) could not be judged, in a sentence."""

    held: bool | None
    said: str


def read_kinds(typed: str | None) -> tuple[str, ...]:
    """What ``--redact`` names, in our own order; nothing for None.  Raises UsageError."""
    if typed is None:
        return ()
    wanted = {word.strip() for word in typed.split(",")}
    if not wanted <= set(KINDS):
        raise UsageError(f"--redact {typed}: what can be redacted is {' and '.join(KINDS)}, as in --redact {','.join(KINDS)}")
    return tuple(kind for kind in KINDS if kind in wanted)


def make(stored: StoredRun, *, kinds: Collection[str] = (), key: Path | None = None) -> Made:
    """The bundle of a stored run, redacted and signed where asked.  Raises UsageError."""
    report, plan, files = stored.report, stored.snapshot.plan, stored.snapshot.files
    if kinds:
        report, plan = redact(report, plan, kinds)
        files = ()
    facts = BundleFacts(run=report.run.id, checks=stored.checks, redacted=tuple(kinds), versions=versions())
    members = bundle.members(report, plan, [(file.name, file.content) for file in files], facts)
    manifest = bundle.manifest({member.name: member.sha256 for member in members})
    signature = signing.sign(manifest, key) if key else None
    try:
        content = bundle.write(members, manifest, signature)
    except ValueError as error:
        raise UsageError(f"the run is too large for a bundle: {error}") from error
    return Made(content=content, text=ticket_text(report, bundle_sha256=hashlib.sha256(manifest).hexdigest()))


def versions() -> dict[str, str]:
    """What the bundle is made with, by name: seatrial, the language, the libraries."""
    found = {"seatrial": VERSION, "python": platform.python_version()}
    for library in _LIBRARIES:
        try:
            found[library] = metadata.version(library)
        except metadata.PackageNotFoundError:
            found[library] = "not known"
    return found


def prove(data: bytes, signers: Path | None) -> list[Proof]:
    """Everything that can be proven of a bundle, one sentence each.

    Raises BundleError where it is none or was changed, UsageError where the file of allowed signers cannot be used.
    """
    read = bundle.read(data)
    facts = read.report.run
    shown = f"run {visible(facts.id)} of {visible(facts.plan.title)}, {visible(facts.started)}"
    proofs = [
        Proof(True, f"{read.count} files, each as its SHA-256 in the manifest says; {shown}"),
        Proof(True, f"the manifest's own SHA-256 is {read.manifest_sha256}"),
        Proof(True, f"the report is a {read.report.schema}, and its evidence is the bundle's evidence"),
        _signature(read, signers), _plan(read), *_words(read), _grades(read)]
    if read.facts.redacted:
        what = " and ".join(visible(kind) for kind in read.facts.redacted)
        proofs.append(Proof(True, f"redacted: {what} are labels; the hashes are of the redacted form"))
    return proofs


def _signature(read: Bundle, signers: Path | None) -> Proof:
    if read.signature is None and signers is None:
        return Proof(True, "it is not signed: whoever keeps the manifest's SHA-256 elsewhere can compare it")
    if read.signature is None:
        return Proof(False, "it is not signed, so none of the allowed signers vouches for it")
    if signers is None:
        return Proof(None, "it is signed, and by whom was not judged: give --signers FILE, one line a signer (NAME TYPE KEY)")
    try:
        signer = signing.verify(read.manifest, read.signature, signers, read_time(read.report.run.finished))
    except signing.SignatureError as error:
        return Proof(False, visible(str(error)))
    said = f"signed by {visible(signer.principal)} with {visible(signer.key)}"
    if not signer.claimed:
        return Proof(True, f"{said}, which the signers' file allows on {signer.allowed_on}, the day of this check")
    return Proof(None, f"{said}, which the signers' file does not allow today, but on {signer.allowed_on}, the day of the run. "
                       "That day is what the bundle says, and a signature has no time of its own: that it was made in time is "
                       "proven by whoever kept the manifest's SHA-256 then, as the ticket does")


def _plan(read: Bundle) -> Proof:
    """The plan as read is the one that the report names, and the typed files are what was read."""
    if read.plan.sha256 != read.report.run.plan.sha256:
        return Proof(False, "the plan in the bundle is not the one that the report was held against: their SHA-256 differ")
    typed = [name for name in read.files if name.startswith("plan/")]
    if not typed:
        return Proof(True, "the plan is the one that the report names; its files as typed are not in the bundle")
    typed.sort(key=lambda name: int(number) if (number := name[5:].partition("-")[0]).isdecimal() else 0)
    whole = b"".join(read.files[name] for name in typed)
    if hashlib.sha256(whole).hexdigest() != read.plan.sha256:
        return Proof(False, "the plan's files in the bundle are not what was read when the run was made")
    return Proof(True, "the plan's files are those that were read when the run was made")


def _words(read: Bundle) -> list[Proof]:
    """The page and the texts, which people read, say what the report says.  Other versions said it in other words."""
    if read.facts.versions != versions():
        return []
    try:
        odd = bundle.otherwise(read)
    except Exception as error:  # noqa: BLE001 -- as for the grades
        return [Proof(None, f"the page and the texts could not be made again: {visible(repr(error))[:300]}")]
    if odd:
        return [Proof(False, f"not what seatrial makes of the report in the bundle: {', '.join(odd)}")]
    return [Proof(True, "the page and the texts are what seatrial makes of the report")]


def _grades(read: Bundle) -> Proof:
    """The evidence graded again, under the limits and the plan of the run, gives what the report says."""
    if read.facts.redacted:
        return Proof(None, "the verdict was not derived again: nothing can be graded from labels")
    stored, facts = read.report, read.report.run
    try:
        again = assemble(read.plan, stored.evidence(), limits_then(stored), Request(run_id=facts.id, kind=facts.kind),
                         today=judging_day(facts.finished), checks=choose_checks(read.facts.checks))
    except Exception as error:  # noqa: BLE001 -- whoever made the bundle may have written any plan; it must not end the proof
        return Proof(None, f"the verdict could not be derived again: {visible(repr(error))[:300]}")
    differ = _differing(stored.findings(), again.findings())
    if again.verdict is stored.verdict and not differ:
        return Proof(True, f"the evidence graded again gives the same verdict, {stored.verdict}, and the same grades for all "
                           f"{len(stored.findings())} findings")
    how = (f"the evidence graded again gives {again.verdict}, and the report says {stored.verdict}"
           if again.verdict is not stored.verdict else "the verdict is the same")
    said = f"{how}; {len(differ)} findings differ in grade, the first of them {visible(differ[0])}" if differ else how
    if facts.tool.version != VERSION:
        return Proof(None, f"{said}; it was graded by version {visible(facts.tool.version)}, and this is {VERSION}")
    return Proof(False, said)


def _differing(one: list[Finding], other: list[Finding]) -> list[str]:
    """The refs whose grades differ, or that only one side has, in order."""
    was, now = ({finding.ref: finding.grade for finding in side} for side in (one, other))
    return [ref for ref in dict.fromkeys((*was, *now)) if was.get(ref) is not now.get(ref)]
