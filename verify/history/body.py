"""One run as compact bytes, and back.

A run is its report - findings, evidence, facts - with what it was graded from: the plan as it was read.  Most of a run is
the same sentences and field names over and over, host after host.  One host is longer than the 32 KiB that deflate looks
back on (RFC 1951 section 2), so the .xz format is used: a run of 200 hosts comes to 0.3 MB and not to 1.7.  What no
compression can take out, certificates and public keys, is the same every night: each is stored once and stands in the run as
its SHA-256.

What is compressed is a row of MessagePack's bin 32 (msgpack spec, "bin format family"): the report without its hosts, then
each host.  So a run is written and read a host at a time, and never lies in memory as one piece, which for 10,000 hosts is
350 MB.  Runs of the history's layouts 1 and 2 are one piece, and are read as such.
"""

from __future__ import annotations

import hashlib
import itertools
import lzma
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import msgspec

from shared.evidence import HostEvidence
from shared.findings import Finding
from shared.plan import Plan
from shared.run import HostReport, Report
from verify.history.errors import DamagedError

#: The quickest.  Preset 1 takes a third more time for four percent of the size, 6 twenty times the time for no more than that
#: (measured on runs of 200 and 1,000 hosts).
_PRESET = 0
#: The first octet of a bin 32, the octets before its content, and how much is unpacked at once: a few dozen hosts.
_BIN_32, _HEAD, _PIECE = b"\xc6", 5, 1 << 20


class PlanFile(msgspec.Struct, frozen=True):
    """One file that a plan was read from, by the name it went under."""

    name: str
    content: bytes


class Snapshot(msgspec.Struct, frozen=True, kw_only=True):
    """A plan as it was when a run was made: read, with its trust anchors, and as the files themselves.

    ``files`` is empty where the files had changed between being read and being stored; the plan itself is always there.
    """

    plan: Plan
    files: tuple[PlanFile, ...] = ()


def snapshot_of(plan: Plan) -> Snapshot:
    """The plan with its own file and its sheet, where these still are what was read (``Plan.sha256``)."""
    names = dict.fromkeys([plan.file, *(host.place.file for host in plan.hosts if host.place.file)])
    try:
        files = tuple(PlanFile(name, Path(name).read_bytes()) for name in names)
    except (OSError, ValueError):
        return Snapshot(plan=plan)
    unchanged = hashlib.sha256(b"".join(file.content for file in files)).hexdigest() == plan.sha256
    return Snapshot(plan=plan, files=files if unchanged else ())


def pack_snapshot(snapshot: Snapshot) -> tuple[bytes, bytes]:
    """A snapshot's digest, by which it is stored once for all its runs, and its bytes."""
    plain = msgspec.msgpack.encode(snapshot)
    return hashlib.sha256(plain).digest(), lzma.compress(plain, preset=_PRESET)


def unpack_snapshot(content: bytes) -> Snapshot:
    """Raises DamagedError for bytes that ``pack_snapshot`` did not write."""
    try:
        return msgspec.msgpack.decode(lzma.decompress(content), type=Snapshot)
    except (lzma.LZMAError, msgspec.DecodeError) as error:
        raise DamagedError(f"a stored run cannot be read: {error}") from error


def pack(report: Report) -> tuple[bytes, dict[bytes, bytes]]:
    """A report's bytes, and the octets that were taken out of it by their digests.

    Raises UnicodeEncodeError for a report with text that UTF-8 cannot hold.
    """
    octets: dict[bytes, bytes] = {}

    def taken_out(content: bytes) -> bytes:
        digest = hashlib.sha256(content).digest()
        octets[digest] = content
        return digest

    compressor = lzma.LZMACompressor(preset=_PRESET)
    pieces = [compressor.compress(piece) for piece in _encoded(report, taken_out)]
    return b"".join([*pieces, compressor.flush()]), octets


def _encoded(report: Report, changed: Callable[[bytes], bytes]) -> Iterator[bytes]:
    yield _framed(msgspec.msgpack.encode(msgspec.structs.replace(report, hosts=())))
    for host in report.hosts:
        yield _framed(msgspec.msgpack.encode(_host_with_octets(host, changed)))


def _framed(encoded: bytes) -> bytes:
    return _BIN_32 + len(encoded).to_bytes(4, "big") + encoded


def restored(report: Report, octets: Mapping[bytes, bytes]) -> Report:
    """A lean report with its octets put back: what was packed.  Raises DamagedError where some of them are missing."""
    try:
        return _with_octets(report, octets.__getitem__)
    except KeyError as error:
        raise DamagedError("a stored run lacks a certificate or a key that was stored beside it") from error


def lean(content: bytes, *, host: str | None = None) -> Report:
    """The report with digests in the place of certificates' and keys' octets: all that comparing and listing need.

    With ``host`` of all hosts only that one.  Raises DamagedError.
    """
    pieces = _pieces(content)
    try:
        first = next(pieces)
        if not first.startswith(_BIN_32):
            whole = msgspec.msgpack.decode(b"".join((first, *pieces)), type=Report)
            return msgspec.structs.replace(whole, hosts=_only(whole.hosts, host))
        frames = _frames(first, pieces)
        head = msgspec.msgpack.decode(next(frames), type=Report)
        # Read to the end in any case, where the check sum of the whole is.
        wanted = (frame for frame in frames if host in (None, msgspec.msgpack.decode(frame, type=_Named).name))
        alike = _Alike()
        return msgspec.structs.replace(head, hosts=tuple(
            alike.host(msgspec.msgpack.decode(frame, type=HostReport)) for frame in wanted))
    except (lzma.LZMAError, msgspec.DecodeError, StopIteration) as error:
        raise DamagedError(f"a stored run cannot be read: {error}") from error


class _Named(msgspec.Struct):
    """As much of a host as tells which one it is."""

    name: str


def _only(hosts: tuple[HostReport, ...], name: str | None) -> tuple[HostReport, ...]:
    return hosts if name is None else tuple(host for host in hosts if host.name == name)


def _pieces(content: bytes) -> Iterator[bytes]:
    """What was compressed, a piece at a time.  Raises LZMAError for what is damaged or cut short."""
    unpacker, left = lzma.LZMADecompressor(), content
    while not unpacker.eof:
        piece = unpacker.decompress(left, _PIECE)
        if not piece and not unpacker.eof:
            raise lzma.LZMAError("it is cut short")
        left = b""
        if piece:
            yield piece


def _frames(first: bytes, pieces: Iterator[bytes]) -> Iterator[bytes]:
    """The content of each bin 32 in a row of them.  Raises LZMAError where the last is cut short."""
    buffer = bytearray(first)
    for piece in itertools.chain(pieces, (b"",)):
        buffer += piece
        while len(buffer) >= _HEAD and len(buffer) >= (end := _HEAD + int.from_bytes(buffer[1:_HEAD], "big")):
            yield bytes(buffer[_HEAD:end])
            del buffer[:end]
    if buffer:
        raise lzma.LZMAError("it is cut short")


class _Alike:
    """Holds once what a run says of many hosts in the same words: half of all that a large fleet's findings are."""

    def __init__(self) -> None:
        self._known: dict[Any, Any] = {}

    def host(self, host: HostReport) -> HostReport:
        """The same host, with what was said before held only once."""
        return msgspec.structs.replace(host, findings=tuple(map(self._finding, host.findings)))

    def _finding(self, finding: Finding) -> Finding:
        one = self._known.setdefault
        return msgspec.structs.replace(
            finding, check=one(finding.check, finding.check), planned=one(finding.planned, finding.planned),
            found=one(finding.found, finding.found), limits=one(finding.limits, finding.limits),
            basis=one(finding.basis, finding.basis), vantage=one(finding.vantage, finding.vantage),
            at=one(finding.at, finding.at))


def octets_in(report: Report) -> set[bytes]:
    """The digests that stand in a lean report for the octets taken out of it."""
    digests: set[bytes] = set()

    def noted(digest: bytes) -> bytes:
        digests.add(digest)
        return digest

    _with_octets(report, noted)
    return digests


def _with_octets(report: Report, changed: Callable[[bytes], bytes]) -> Report:
    """The report with every certificate's and key's octets put through ``changed``; none at all stays none."""
    hosts = tuple(_host_with_octets(host, changed) for host in report.hosts)
    return msgspec.structs.replace(report, hosts=hosts)


def _host_with_octets(host: HostReport, changed: Callable[[bytes], bytes]) -> HostReport:
    seen: HostEvidence = host.evidence
    if not seen.tls and not seen.ssh:
        return host
    tls = tuple(msgspec.structs.replace(one, chain=tuple(
        msgspec.structs.replace(link, der=changed(link.der)) if link.der else link for link in one.chain)) for one in seen.tls)
    ssh = tuple(msgspec.structs.replace(one, host_keys=tuple(
        msgspec.structs.replace(key, blob=changed(key.blob)) if key.blob else key for key in one.host_keys))
        for one in seen.ssh)
    return msgspec.structs.replace(host, evidence=msgspec.structs.replace(seen, tls=tls, ssh=ssh))
