"""A run as one file to put beside a change: every report, the plan, the evidence, and the hash of each.

Pure: the same run, plan and facts give the same octets.  Its manifest is in the form that ``sha256sum --check`` reads;
a signature of the manifest therefore covers everything.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import TypeVar

import msgspec

from reports import bundletexts
from reports.archive import ArchiveError, Entry, lay_out, pack_file, unpack
from reports.html import html_pieces
from reports.jsonfile import ReportFileError, from_json, json_pieces
from reports.ticket import ticket_text
from shared.evidence import Evidence
from shared.plan import Plan
from shared.run import Report
from shared.safetext import without_surrogates

_T = TypeVar("_T")

#: The name of the bundle's format.  Files and fields may be added under this name; none is renamed or taken away.
FORMAT = "seatrial-bundle/1"
MANIFEST, SIGNATURE = "MANIFEST.sha256", "MANIFEST.sha256.sig"
FACTS, REPORT, PLAN, EVIDENCE = "bundle.json", "report.json", "plan.json", "evidence.json"
_LINE = re.compile(r"([0-9a-f]{64})  (\S+)")


class BundleError(ValueError):
    """The file is no bundle, or not as it was made.  One sentence."""


class BundleFacts(msgspec.Struct, frozen=True, kw_only=True):
    """What a bundle says of itself.

    ``checks`` are the patterns of the checks that were asked for, none for all.  ``redacted`` says what was replaced by
    labels.  ``versions`` holds the program that made the bundle and the libraries it used, by name.
    """

    format: str = FORMAT
    run: str
    checks: tuple[str, ...] = ()
    redacted: tuple[str, ...] = ()
    versions: dict[str, str] = {}


class Bundle(msgspec.Struct, frozen=True, kw_only=True):
    """A bundle that was read, every hash of its manifest proven.

    ``count`` is how many files it has; ``files`` are those that are not read into the fields beside it, such as what people read.
    """

    facts: BundleFacts
    report: Report
    plan: Plan
    manifest: bytes
    signature: bytes | None
    count: int
    files: dict[str, bytes]

    @property
    def manifest_sha256(self) -> str:
        """The one number that stands for the whole bundle."""
        return hashlib.sha256(self.manifest).hexdigest()


def members(report: Report, plan: Plan, plan_files: Iterable[tuple[str, bytes]], facts: BundleFacts) -> list[Entry]:
    """The files of a bundle without its manifest, packed one after the other.  ``plan_files`` are the plan as typed, by name."""
    return [pack_file(name, pieces) for name, pieces in _contents(report, plan, plan_files, facts)]


def otherwise(read: Bundle) -> list[str]:
    """The page and the texts of a bundle that are not what this program makes of its report."""
    made = {name: _sha256(pieces) for name, pieces in _words(read.report, read.facts)}
    return [name for name, digest in made.items() if name not in read.files or _sha256((read.files[name],)) != digest]


def _sha256(pieces: Iterable[bytes]) -> str:
    digest = hashlib.sha256()
    for piece in pieces:
        digest.update(piece)
    return digest.hexdigest()


def _contents(
    report: Report, plan: Plan, plan_files: Iterable[tuple[str, bytes]], facts: BundleFacts
) -> Iterator[tuple[str, Iterable[bytes]]]:
    """Each file by its name; those that grow with the hosts piece by piece."""
    yield from _words(report, facts)
    yield REPORT, json_pieces(report)
    yield PLAN, (_json(plan),)
    yield EVIDENCE, (_json(report.evidence()),)
    yield FACTS, (_json(facts),)
    for number, (name, content) in enumerate(plan_files, 1):
        bare = re.sub(r"[^A-Za-z0-9._-]+|\.\.+", "-", name.rpartition("/")[2]).lstrip("-.")[:80]
        yield f"plan/{number}-{bare or 'plan'}", (content,)


def _words(report: Report, facts: BundleFacts) -> Iterator[tuple[str, Iterable[bytes]]]:
    """What people read in a bundle."""
    yield "README.txt", (bundletexts.readme(report, facts.redacted).encode(),)
    yield "summary.txt", (ticket_text(report).encode(),)
    yield "report.html", (piece.encode("utf-8", "replace") for piece in html_pieces(report))
    yield "limits.txt", (bundletexts.limits(report).encode(),)
    yield "not-proven.txt", (bundletexts.not_proven(report).encode("utf-8", "replace"),)


def manifest(digests: Mapping[str, str]) -> bytes:
    """One line a file in the form of sha256sum: its SHA-256 in hexadecimal and its name, in the order of the names."""
    return "".join(f"{digest}  {name}\n" for name, digest in sorted(digests.items())
                   if name not in (MANIFEST, SIGNATURE)).encode()


def write(files: Iterable[Entry], manifest: bytes, signature: bytes | None = None) -> bytes:
    """The bundle as the octets of its file, of its files, their manifest and perhaps a signature of that.

    Raises ValueError for more than a bundle may hold.
    """
    added = {MANIFEST: manifest} if signature is None else {MANIFEST: manifest, SIGNATURE: signature}
    return lay_out([*files, *(pack_file(name, (content,)) for name, content in added.items())])


def read(data: bytes) -> Bundle:
    """A bundle with every hash proven and its report read.  Raises BundleError for anything else."""
    try:
        files = unpack(data)
    except ArchiveError as error:
        raise BundleError(str(error)) from error
    if MANIFEST not in files:
        raise BundleError(f"the archive is no bundle of seatrial's: it has no {MANIFEST}")
    _prove(files)
    lacking = [name for name in (FACTS, REPORT, PLAN, EVIDENCE) if name not in files]
    if lacking:
        raise BundleError(f"the bundle lacks {', '.join(lacking)}")
    count, facts = len(files), _read(files, FACTS, BundleFacts)
    if facts.format != FORMAT:
        raise BundleError(f'the bundle says it is "{facts.format[:80]}"; this program reads {FORMAT}')
    try:
        # The two that grow with the hosts are let go once they are read: of a large fleet they are hundreds of megabytes.
        report = from_json(files.pop(REPORT))
    except ReportFileError as error:
        raise BundleError(f"{REPORT} in the bundle is {error}") from error
    if facts.run != report.run.id:
        raise BundleError(f"the bundle says it is of run {facts.run[:80]}, and its report is of {report.run.id[:80]}")
    if files[EVIDENCE] != _json(report.evidence()) and _read(files, EVIDENCE, Evidence) != report.evidence():
        raise BundleError(f"{EVIDENCE} in the bundle is not the evidence that its report holds")
    del files[EVIDENCE]
    return Bundle(facts=facts, report=report, plan=_read(files, PLAN, Plan), manifest=files[MANIFEST],
                  signature=files.get(SIGNATURE), count=count, files=files)


def _prove(files: Mapping[str, bytes]) -> None:
    """Hold every file against the manifest, and the manifest against the files.  Raises BundleError."""
    try:
        lines = files[MANIFEST].decode("ascii").splitlines()
    except UnicodeDecodeError as error:
        raise BundleError(f"{MANIFEST} in the bundle is no list of hashes") from error
    listed: dict[str, str] = {}
    for line in lines:
        match = _LINE.fullmatch(line)
        if match is None or match[2] in listed:
            raise BundleError(f"{MANIFEST} in the bundle is no list of hashes, one line a file")
        listed[match[2]] = match[1]
    present = {name for name in files if name not in (MANIFEST, SIGNATURE)}
    if present != set(listed):
        odd = min(present ^ set(listed))
        how = "in the bundle and not in" if odd in present else "missing, and listed in"
        raise BundleError(f'"{odd[:80]}" is {how} its manifest')
    for name in sorted(present):
        if hashlib.sha256(files[name]).hexdigest() != listed[name]:
            raise BundleError(f'"{name}" in the bundle has been changed: its SHA-256 is not the one in the manifest')


def _json(value: object) -> bytes:
    try:
        encoded = msgspec.json.encode(value, order="sorted")
    except UnicodeEncodeError:
        encoded = msgspec.json.encode(without_surrogates(value), order="sorted")
    return msgspec.json.format(encoded, indent=2) + b"\n"


def _read(files: Mapping[str, bytes], name: str, kind: type[_T]) -> _T:
    try:
        return msgspec.json.decode(files[name], type=kind)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise BundleError(f"{name} in the bundle cannot be read: {error}") from error
