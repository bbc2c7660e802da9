"""An archive has one way to be written, and whatever else is handed over is refused in one sentence."""

from __future__ import annotations

import contextlib
import io
import stat
import struct
import zipfile
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.archive import FILES_LIMIT, ArchiveError, lay_out, pack_file, unpack

FILES = {"report.json": b'{"a": 1}\n' * 50, "plan/1-site.toml": b"[plan]\n", "empty.txt": b"", "summary.txt": b"ready\n"}


def pack(files: dict[str, bytes]) -> bytes:
    """The archive of some files by name."""
    return lay_out([pack_file(name, (content,)) for name, content in files.items()])


def foreign(entries: list[tuple[str | zipfile.ZipInfo, bytes]], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """A zip archive as Python's own library writes it."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", method) as archive:
        for name, content in entries:
            archive.writestr(name, content)
    return buffer.getvalue()


def test_what_is_packed_comes_out_again() -> None:
    """Every file, an empty one too."""
    assert unpack(pack(FILES)) == FILES


def test_what_would_be_refused_is_not_packed() -> None:
    """Two megabytes of one letter shrink a thousandfold, which no report does."""
    with pytest.raises(ValueError, match="so uniform"):
        pack({"a.txt": b"x" * (2 << 20)})


def test_the_same_files_give_the_same_octets_in_any_order() -> None:
    """No clock, no order of insertion, no umask."""
    assert pack(FILES) == pack(dict(reversed(FILES.items())))


def test_an_independent_reader_understands_it() -> None:
    """Python's zipfile tests every checksum and finds the same files, with modes anybody may read."""
    with zipfile.ZipFile(io.BytesIO(pack(FILES))) as archive:
        assert archive.testzip() is None
        assert {name: archive.read(name) for name in archive.namelist()} == FILES
        assert {stat.filemode(info.external_attr >> 16) for info in archive.infolist()} == {"-rw-r--r--"}
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}


@pytest.mark.parametrize("mask", [0x01, 0x80, 0xFF])
def test_every_octet_that_is_changed_is_noticed(mask: int) -> None:
    """One after the other: in names, headers, dates, checksums, contents and the directory."""
    whole = pack(FILES)
    for place in range(len(whole)):
        changed = bytearray(whole)
        changed[place] ^= mask
        try:
            found = unpack(bytes(changed))
        except ArchiveError:
            continue
        # Bits that only fill a deflate stream up to an octet (RFC 1951 section 3.1.1) mean nothing and change nothing.
        assert found == FILES, place


@pytest.mark.parametrize("junk", [b"\x00", b"PK\x05\x06" + b"\x00" * 18, b"GET / HTTP/1.1\r\n"])
def test_nothing_may_stand_before_or_after_it(junk: bytes) -> None:
    """A second archive, or a program, hidden around this one."""
    for whole in (junk + pack(FILES), pack(FILES) + junk):
        with pytest.raises(ArchiveError):
            unpack(whole)


def test_every_cut_is_refused() -> None:
    """A download that broke off."""
    whole = pack(FILES)
    for length in range(len(whole)):
        with pytest.raises(ArchiveError):
            unpack(whole[:length])


@pytest.mark.parametrize("name", [
    "../evil", "a/../../evil", "/etc/passwd", "C:\\evil", "a\\b", "C:evil", "a//b", "a/b/c", ".hidden", "a/.hidden", "-rf",
    "a..b", "name\x00.txt", "name\n", "é.txt", "", "a" * 101, "con\u202etxt", "dir/",
])
def test_unsafe_names_are_refused(name: str) -> None:
    """Ways up, roots, drives, device names of the shell, hidden files, characters that show otherwise."""
    with pytest.raises(ValueError, match="is not a name"):
        pack({name: b""})
    archive = foreign([(name, b"x")]) if name and "\x00" not in name else _entry_named(name)
    with pytest.raises(ArchiveError, match="unsafe name"):
        unpack(archive)


def _entry_named(name: str) -> bytes:
    """An archive of ours with a file name of the same length patched into both headers."""
    encoded = name.encode()
    whole = pack({"x" * max(1, len(encoded)): b"content"})
    return whole.replace(b"x" * max(1, len(encoded)), encoded or b"\x00")


def _link() -> bytes:
    info = zipfile.ZipInfo("summary.txt")
    info.create_system, info.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    return foreign([(info, b"/etc/passwd")])


def _twice() -> bytes:
    whole = foreign([("a.txt", b"one"), ("b.txt", b"two")])
    return whole.replace(b"b.txt", b"a.txt")


def _encrypted() -> bytes:
    whole = bytearray(pack({"a.txt": b"secret"}))
    whole[whole.index(b"PK\x01\x02") + 8] |= 1
    return bytes(whole)


def _announcing(octets: int) -> bytes:
    """An archive whose directory and header announce another size than there is."""
    whole = bytearray(pack({"a.txt": b"x" * 5000}))
    whole[22:26] = whole[whole.index(b"PK\x01\x02") + 24:][:4] = struct.pack("<L", octets)
    place = whole.index(b"PK\x01\x02") + 24
    whole[place:place + 4] = struct.pack("<L", octets)
    return bytes(whole)


@pytest.mark.parametrize(("archive", "words"), [
    (_link, "symbolic link"),
    (_twice, "twice"),
    (_encrypted, "encrypted"),
    (lambda: _announcing(0xFFFFFFFF), "swell"),
    (lambda: _announcing(3 << 20), "swell"),
    (lambda: _announcing(4999), "damaged"),
    (lambda: _announcing(5001), "damaged"),
    (lambda: foreign([("a.txt", b"one")]), "not laid out"),
    (lambda: foreign([("a.txt", b"one")], zipfile.ZIP_STORED), "not laid out"),
    (lambda: foreign([(f"{number}.txt", b"") for number in range(FILES_LIMIT + 1)]), "never has more"),
    (lambda: b"", "no zip archive"),
    (lambda: b"%PDF-1.7 something else entirely, as long as an end record", "no zip archive"),
])
def test_hostile_archives_are_refused_in_one_sentence(archive, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ArchiveError, match=words) as caught:
        unpack(archive())
    assert "\n" not in str(caught.value)


def test_a_bomb_is_never_unpacked() -> None:
    """A gigabyte of zeros in a megabyte: what was announced bounds what is unpacked."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    bomb = b"".join([*(packer.compress(bytes(1 << 20)) for _ in range(64)), packer.flush()])
    small = pack({"a.txt": b"x"})
    inner = small[small.index(b"a.txt") + 5:small.index(b"PK\x01\x02")]
    whole = bytearray(small.replace(inner, bomb))
    for place in (18, whole.index(b"PK\x01\x02") + 20):
        whole[place:place + 4] = struct.pack("<L", len(bomb))
    whole[-6:-2] = struct.pack("<L", whole.index(b"PK\x01\x02"))
    with pytest.raises(ArchiveError, match="not the size"):
        unpack(bytes(whole))


@given(st.binary(max_size=300))
def test_any_octets_are_read_or_refused(data: bytes) -> None:
    """The reader is total."""
    with contextlib.suppress(ArchiveError):
        unpack(data)


@given(st.integers(0, 2000), st.binary(min_size=1, max_size=40))
def test_any_damage_is_read_as_before_or_refused(place: int, damage: bytes) -> None:
    """Octets written over a sound archive."""
    whole = bytearray(pack(FILES))
    place %= len(whole)
    whole[place:place + len(damage)] = damage
    with contextlib.suppress(ArchiveError):
        assert unpack(bytes(whole)) == FILES
