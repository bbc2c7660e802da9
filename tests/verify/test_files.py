"""Files appear whole or not at all, and nothing is left lying beside them."""

from __future__ import annotations

import errno
import os
import subprocess
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from verify import files
from verify.errors import UsageError
from verify.files import prove_apart, prove_files, prove_writable, write_all, write_whole


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_file_is_written_whole_and_readable_as_the_umask_allows(tmp_path: Path) -> None:
    """A draft is private; the report is not."""
    before = os.umask(0o022)
    try:
        write_whole(tmp_path / "report.html", b"all of it")
    finally:
        os.umask(before)
    assert (tmp_path / "report.html").read_bytes() == b"all of it"
    assert (tmp_path / "report.html").stat().st_mode & 0o777 == 0o644
    assert names(tmp_path) == ["report.html"]


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "No space left on device"), OSError(errno.EIO, "Input/output error")])
def test_a_full_disk_leaves_the_old_files_and_no_draft(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError) -> None:
    """The second of three files does not fit: none of the three changes, and the sentence names it."""
    write_all({tmp_path / name: b"old" for name in "abc"})

    def fail(self: Path, mode: int) -> None:
        if len(names(tmp_path)) == 5:
            raise error

    monkeypatch.setattr(Path, "chmod", fail)
    with pytest.raises(UsageError, match=f'cannot write "{tmp_path}/b": {error.strerror}'):
        write_all({tmp_path / name: b"new" for name in "abc"})
    assert names(tmp_path) == ["a", "b", "c"]
    assert {path.read_bytes() for path in tmp_path.iterdir()} == {b"old"}


def test_a_report_that_cannot_be_made_to_its_end_leaves_the_old_file_and_no_draft(tmp_path: Path) -> None:
    """A file made piece by piece takes its place only when the last piece is there."""
    file = tmp_path / "report.json"
    file.write_bytes(b"old")

    def pieces() -> Iterator[bytes]:
        yield b"new"
        raise ValueError("no more")

    with pytest.raises(ValueError, match="no more"):
        write_whole(file, pieces())
    assert file.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [file]
    write_whole(file, iter((b"ne", b"w")))
    assert file.read_bytes() == b"new"


def test_an_interrupt_leaves_no_draft(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C between two drafts."""
    def interrupt(self: Path, mode: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "chmod", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_all({tmp_path / "a": b"new", tmp_path / "b": b"new"})
    assert names(tmp_path) == []


def test_a_folder_that_is_none_is_said(tmp_path: Path) -> None:
    """A file stands where a folder is wanted: one sentence, for the proof and for the writing itself."""
    (tmp_path / "taken").write_text("")
    with pytest.raises(UsageError, match=r"cannot write reports in .*taken/in.*: Not a directory; choose another folder"):
        prove_writable(tmp_path / "taken" / "in")
    with pytest.raises(UsageError, match=r"cannot write the plan in .*; look elsewhere"):
        prove_writable(tmp_path / "taken", "the plan", "look elsewhere")
    with pytest.raises(UsageError, match=r"cannot write .*: Not a directory"):
        write_whole(tmp_path / "taken" / "file", b"")
    assert names(tmp_path) == ["taken"]


def test_proving_a_folder_leaves_nothing_in_it(tmp_path: Path) -> None:
    """It is made where it is missing."""
    prove_writable(tmp_path / "new" / "folder")
    assert names(tmp_path / "new" / "folder") == []


def test_a_pipe_is_written_into_and_never_replaced(tmp_path: Path) -> None:
    """So is a device: a draft in the place of /dev/null would take it from the whole machine."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        write_all({pipe: b"piped", tmp_path / "file": b"filed"})
        assert os.read(reader, 100) == b"piped"
    finally:
        os.close(reader)
    assert pipe.is_fifo()
    assert (tmp_path / "file").read_bytes() == b"filed"


def test_a_link_is_followed_and_stays_a_link(tmp_path: Path) -> None:
    """The file that it leads to is the one that changes."""
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "report").write_text("old")
    (tmp_path / "latest").symlink_to(tmp_path / "kept" / "report")
    write_whole(tmp_path / "latest", b"new")
    assert (tmp_path / "latest").is_symlink()
    assert (tmp_path / "kept" / "report").read_text() == "new"


def test_a_folder_in_the_place_of_a_file_is_said(tmp_path: Path) -> None:
    """And nothing is put into it."""
    (tmp_path / "report").mkdir()
    with pytest.raises(UsageError, match=r"cannot write .*report.*: Is a directory"):
        write_whole(tmp_path / "report", b"")
    assert names(tmp_path / "report") == []


def test_a_folder_named_for_a_file_is_said_before_any_work(tmp_path: Path) -> None:
    """With the option that names it; a file that is there already will be replaced, and one that is not made."""
    (tmp_path / "old").write_text("")
    prove_files({"--json": tmp_path / "old", "--html": tmp_path / "new" / "page", "--text": None})
    with pytest.raises(UsageError, match=f'--html "{tmp_path}" is a folder; name a file in it'):
        prove_files({"--json": tmp_path / "old", "--html": tmp_path})


@pytest.mark.parametrize("second", ["report", "./report", "latest"])
def test_two_options_that_name_one_file_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, second: str) -> None:
    """However it is spelt, also through a link: the one would write over the other."""
    monkeypatch.chdir(tmp_path)
    Path("latest").symlink_to("report")
    with pytest.raises(UsageError, match="--json and --html both name the file"):
        prove_files({"--json": Path("report"), "--html": Path(second)})
    prove_files({"--json": Path("report"), "--html": Path("page")})


@pytest.mark.parametrize("target", ["plan.toml", "./plan.toml", "latest", "runs.sqlite"])
def test_a_report_takes_no_place_of_what_is_read_or_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, target: str) -> None:
    """A plan that its own report has written over is lost."""
    monkeypatch.chdir(tmp_path)
    Path("latest").symlink_to("plan.toml")
    with pytest.raises(UsageError, match=r"--json .* would write over a file that this run reads or keeps"):
        prove_apart({"--html": None, "--json": Path(target)}, ("plan.toml", "", "runs.sqlite"))
    prove_apart({"--html": None, "--json": Path("report.json")}, ("plan.toml", "", "runs.sqlite"))


@pytest.mark.timeout(20)
def test_a_pipe_that_nobody_reads_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Opening it would never end; what else was to be written is."""
    monkeypatch.setattr(files, "READER_SECONDS", 0.2)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(UsageError, match="nobody has read from this pipe"):
        write_all({tmp_path / "pipe": b"piped", tmp_path / "file": b"filed"})
    assert (tmp_path / "file").read_bytes() == b"filed"


@pytest.mark.timeout(20)
def test_a_reader_may_come_late_and_read_slowly(tmp_path: Path) -> None:
    """More than a pipe holds is written as it is read."""
    pipe, content = tmp_path / "pipe", b"piped" * 50_000
    os.mkfifo(pipe)
    with subprocess.Popen(["/bin/sh", "-c", 'sleep 0.3; exec cat "$0"', str(pipe)], stdout=subprocess.PIPE) as reader:
        with ThreadPoolExecutor(1) as aside:
            written = aside.submit(write_all, {pipe: content})
            assert reader.communicate(timeout=15)[0] == content
        written.result()


def test_two_options_may_name_one_device(tmp_path: Path) -> None:
    """What goes into it is gone either way."""
    (tmp_path / "nothing").symlink_to(os.devnull)
    prove_files({"--json": tmp_path / "nothing", "--html": tmp_path / "nothing"})


def test_a_link_that_leads_to_itself_is_said(tmp_path: Path) -> None:
    """As what cannot be written, in the system's words."""
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(UsageError, match=r"cannot write .*loop.*symbolic links"):
        prove_files({"--json": tmp_path / "loop"})
