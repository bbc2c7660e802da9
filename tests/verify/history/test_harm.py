"""What a kill, a full disk and a damaged file do to the history: no earlier run is lost, and it is said in one sentence."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from reports.jsonfile import to_json
from shared.plan import Plan
from shared.run import Report
from verify.history import queries
from verify.history.body import pack_snapshot, snapshot_of
from verify.history.engine import set_aside
from verify.history.errors import DamagedError, HistoryError
from verify.history.keeping import keep_run
from verify.history.store import Store

ROOT = Path(__file__).parents[3]
MakeRun = Callable[..., Report]
MakePlan = Callable[..., Plan]


def kept(place: Path) -> list[str]:
    """The ids of the runs in a history, each of which is read whole; SQLite must find nothing wrong with the file."""
    with sqlite3.connect(place) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    connection.close()
    with Store.open(str(place)) as store:
        runs = queries.runs(store)
        assert [queries.load(store, run).report.run.id for run in runs] == [run.id for run in runs]
        return [run.id for run in runs]


def keep(place: Path, report: Report, plan: Plan) -> str | None:
    """Store a run; what is said of it, or None where nothing is."""
    return keep_run(report, plan, checks=(), store=str(place)).said or None


STOPPED_IN_THE_MIDDLE = """\
import sys, time
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from reports.jsonfile import from_json
from verify.history import store
from verify.history.body import unpack_snapshot

whole = getattr(store, sys.argv[5])

def stopped(*arguments):
    result = whole(*arguments)
    print("in the middle", flush=True)
    time.sleep(50)
    return result

setattr(store, sys.argv[5], stopped)
with store.Store.open(sys.argv[2]) as history:
    history.keep(from_json(Path(sys.argv[3]).read_bytes()), unpack_snapshot(Path(sys.argv[4]).read_bytes()).plan)
"""


@pytest.mark.parametrize("step", ["_insert_run", "_insert_octets", "_insert_points"])
def test_a_run_killed_while_it_is_stored_loses_no_earlier_one(
    place: Path, tmp_path: Path, make_run: MakeRun, make_plan: MakePlan, step: str
) -> None:
    """Killed after each step of writing: the earlier run is whole, of the killed one there is nothing, the next is stored."""
    assert keep(place, make_run(0), make_plan()) is None
    (tmp_path / "run.json").write_bytes(to_json(make_run(1)))
    (tmp_path / "plan").write_bytes(pack_snapshot(snapshot_of(make_plan()))[1])
    writer = subprocess.Popen([sys.executable, "-c", STOPPED_IN_THE_MIDDLE, str(ROOT), str(place), str(tmp_path / "run.json"),
                               str(tmp_path / "plan"), step], stdout=subprocess.PIPE)
    assert writer.stdout is not None
    assert writer.stdout.readline() == b"in the middle\n"
    os.kill(writer.pid, signal.SIGKILL)
    writer.communicate(timeout=10)
    assert writer.returncode == -signal.SIGKILL
    assert kept(place) == [make_run(0).run.id]
    assert keep(place, make_run(2), make_plan()) is None
    assert kept(place) == [make_run(2).run.id, make_run(0).run.id]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of one megabyte."""
    folder = tmp_path / "disk"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "seatrial-test", str(folder)], check=True)
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def free(folder: Path) -> int:
    room = os.statvfs(folder)
    return room.f_bavail * room.f_frsize


@pytest.mark.lab
def test_a_full_disk_loses_no_earlier_run_and_is_said(small_disk: Path, make_run: MakeRun, make_plan: MakePlan) -> None:
    """One sentence, for every further run the same; with room again, the next run is stored."""
    place = small_disk / "history.sqlite"
    assert keep(place, make_run(0), make_plan()) is None
    (small_disk / "ballast").write_bytes(b"\0" * (free(small_disk) - 120_000))
    said = None
    stored = 1
    for night in range(1, 28):
        said = keep(place, make_run(night), make_plan())
        if said:
            break
        stored += 1
    assert said is not None, "the disk never filled"
    assert "is not in the history" in said
    assert "\n" not in said
    assert "disk" in said
    assert keep(place, make_run(28), make_plan()) is not None
    (small_disk / "ballast").unlink()
    assert kept(place) == [make_run(night).run.id for night in reversed(range(stored))]
    assert keep(place, make_run(29), make_plan()) is None
    assert kept(place)[0] == make_run(29).run.id


@pytest.mark.lab
def test_a_history_on_a_disk_that_can_only_be_read_is_read(small_disk: Path, make_run: MakeRun, make_plan: MakePlan) -> None:
    """A copy that was put away, or a disk mounted after a fault: its runs are listed and loaded, and no other is stored."""
    place = small_disk / "a #1 %41?.sqlite"
    assert keep(place, make_run(0), make_plan()) is None
    before = place.read_bytes()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with Store.open(str(place)) as store:
        [run] = queries.runs(store)
        assert queries.load(store, run).report.run.id == make_run(0).run.id
        with pytest.raises(HistoryError, match=r"its file system is mounted for reading only$"):
            store.accept(run, operator="m.tar", reason="")
    said = keep(place, make_run(1), make_plan())
    assert said is not None
    assert said.endswith("its file system is mounted for reading only")
    assert place.read_bytes() == before


@pytest.mark.lab
def test_runs_that_wait_in_a_log_are_not_passed_over(small_disk: Path, make_run: MakeRun, make_plan: MakePlan) -> None:
    """The file alone would be an older history than there is, so nothing is shown of it, and the mend is said."""
    place = small_disk / "history.sqlite"
    assert keep(place, make_run(0), make_plan()) is None
    (small_disk / "history.sqlite-wal").write_bytes(b"\0" * 100)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(HistoryError, match="runs wait in the log beside it"):
        Store.open(str(place))


@pytest.mark.lab
def test_a_disk_without_a_single_free_octet_is_said_too(small_disk: Path, make_run: MakeRun, make_plan: MakePlan) -> None:
    """There not even an empty history can be made."""
    (small_disk / "ballast").write_bytes(b"\0" * free(small_disk))
    said = keep(small_disk / "history.sqlite", make_run(), make_plan())
    assert said is not None
    assert "is not in the history" in said


def garbled(place: Path) -> None:
    place.write_bytes(b"this was never a history" * 1000)


def beheaded(place: Path) -> None:
    content = bytearray(place.read_bytes())
    content[:100] = b"\xff" * 100
    place.write_bytes(content)


def cut_short(place: Path) -> None:
    content = place.read_bytes()
    place.write_bytes(content[: len(content) // 3])


def holed(place: Path) -> None:
    content = bytearray(place.read_bytes())
    content[4096: len(content)] = b"\xa5" * (len(content) - 4096)
    place.write_bytes(content)


@pytest.mark.parametrize("harm", [garbled, beheaded, cut_short, holed])
def test_a_damaged_history_is_kept_aside_and_a_new_one_begun(
    place: Path, make_run: MakeRun, make_plan: MakePlan, harm: Callable[[Path], None]
) -> None:
    """The damage is said with the new name of the old file, which is as it was; the run is stored; the next says nothing."""
    for night in range(3):
        assert keep(place, make_run(night), make_plan()) is None
    harm(place)
    damaged = place.read_bytes()
    said = keep(place, make_run(3), make_plan())
    assert said is not None
    assert "is damaged" in said
    assert "\n" not in said
    [aside] = [path for path in place.parent.iterdir() if ".damaged-" in path.name and not path.name.endswith(("-wal", "-shm"))]
    assert str(aside) in said
    assert aside.read_bytes() == damaged
    assert kept(place) == [make_run(3).run.id]
    assert keep(place, make_run(4), make_plan()) is None


def test_reading_a_damaged_history_changes_nothing(place: Path, make_run: MakeRun, make_plan: MakePlan) -> None:
    """It is said, and the file stays where it is."""
    keep(place, make_run(), make_plan())
    garbled(place)
    with pytest.raises(DamagedError, match=r"is damaged \(.*\); name the right file with --store, or put a copy of it back"):
        Store.open(str(place))
    assert place.read_bytes().startswith(b"this was never a history")


def test_a_sound_history_is_never_moved_aside(place: Path, make_run: MakeRun, make_plan: MakePlan) -> None:
    """Of two runs that find the damage together, the second finds the new file sound."""
    keep(place, make_run(), make_plan())
    assert set_aside(str(place)) is None
    assert kept(place) == [make_run().run.id]


def test_a_database_of_something_else_is_left_alone(place: Path, make_run: MakeRun, make_plan: MakePlan) -> None:
    """It may be somebody's: neither written to nor moved."""
    with sqlite3.connect(place) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    connection.close()
    before = place.read_bytes()
    said = keep(place, make_run(), make_plan())
    assert said is not None
    assert "something else" in said
    assert [row[0] for row in sqlite3.connect(place).execute("SELECT name FROM sqlite_master")] == ["recipes"]
    assert len(place.read_bytes()) == len(before)


def test_a_history_of_a_newer_seatrial_is_left_alone(place: Path, make_run: MakeRun, make_plan: MakePlan) -> None:
    """Its version is said."""
    keep(place, make_run(), make_plan())
    with sqlite3.connect(place) as connection:
        connection.execute("UPDATE version SET number = 99")
    connection.close()
    said = keep(place, make_run(1), make_plan())
    assert said is not None
    assert "newer seatrial (version 99" in said
    assert sqlite3.connect(place).execute("SELECT count(*) FROM run").fetchone() == (1,)


@pytest.mark.parametrize(("typed", "words"), [
    ("/proc/no/history.sqlite", "cannot be made"),
    ("/proc/history.sqlite", "cannot be opened"),
    ("mystery://history", "--store cannot be used"),
    ("://", "--store cannot be used"),
    ("", "cannot be"),
])
def test_a_place_that_cannot_be_one_is_one_sentence(typed: str, words: str, make_run: MakeRun, make_plan: MakePlan) -> None:
    """And the run goes on without."""
    kept = keep_run(make_run(), make_plan(), checks=(), store=typed)
    assert not kept.stored
    assert words in kept.said
    assert "\n" not in kept.said


def test_a_place_that_cannot_be_reached_is_one_sentence(tmp_path: Path) -> None:
    """As in a folder that this user may not enter: nothing is known of it, and least of all that it holds no history."""
    with pytest.raises(HistoryError, match=r"cannot be used: File name too long$"):
        Store.open(str(tmp_path / ("h" * 300)))


@pytest.mark.lab
def test_a_history_of_another_user_is_told_how_to_be_read(tmp_path: Path, make_run: MakeRun, make_plan: MakePlan) -> None:
    """Its log needs a file beside it, which this user cannot make.  Root without its powers over files is such a user."""
    place = tmp_path / "history.sqlite"
    assert keep(place, make_run(0), make_plan()) is None
    place.chmod(0o444)
    tmp_path.chmod(0o555)
    powers = "-dac_override,-dac_read_search,-fowner"
    read = "import sys; from verify.history.store import Store; Store.open(sys.argv[1])"
    done = subprocess.run(["setpriv", f"--bounding-set={powers}", f"--inh-caps={powers}", sys.executable, "-c", read, str(place)],
                          capture_output=True, text=True, check=False, timeout=30)
    assert "may not be written by this user, which even reading needs; to read it, copy it" in done.stderr.splitlines()[-1]


def test_a_password_in_a_url_is_never_said() -> None:
    """What cannot be reached is named without it."""
    with pytest.raises(HistoryError) as caught:
        Store.open("sqlite://m.tar:secret@/x?mode=nonsense", create=True)
    assert "secret" not in str(caught.value)


def test_a_bug_of_the_history_costs_the_run_nothing_else(
    place: Path, make_run: MakeRun, make_plan: MakePlan, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is owned up to, and not raised."""
    def broken(*_arguments: object) -> None:
        raise TypeError("unforeseen")

    monkeypatch.setattr(Store, "keep", broken)
    kept = keep_run(make_run(), make_plan(), checks=(), store=str(place))
    assert not kept.stored
    assert kept.said.startswith("a fault of seatrial itself")
    assert "unforeseen" in kept.said
