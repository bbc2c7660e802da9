"""Two nightly runs of one plan are kept apart."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from shared.plan import Plan
from verify.errors import UsageError
from verify.history.lock import lock_file, only_one

ROOT = Path(__file__).parents[3]
HOLDER = """\
import sys, time
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from tests.conftest import _SOUND
from verify.history.lock import only_one
with only_one(_SOUND, Path(sys.argv[2])):
    print("held", flush=True)
    time.sleep(50)
"""


def test_the_second_run_of_a_plan_says_who_is_running(tmp_path: Path, make_plan: Callable[..., Plan]) -> None:
    """Another plan is not kept waiting, and a killed run leaves no lock behind."""
    holder = subprocess.Popen([sys.executable, "-c", HOLDER, str(ROOT), str(tmp_path)], stdout=subprocess.PIPE)
    assert holder.stdout is not None
    assert holder.stdout.readline() == b"held\n"
    with pytest.raises(UsageError, match=f"process {holder.pid}"), only_one(make_plan(), tmp_path):
        pytest.fail("two runs held one lock")
    with only_one(make_plan(title="rack 7"), tmp_path):
        assert lock_file(make_plan(title="rack 7"), tmp_path) != lock_file(make_plan(), tmp_path)
    os.kill(holder.pid, signal.SIGKILL)
    holder.communicate(timeout=10)
    with only_one(make_plan(), tmp_path):
        assert lock_file(make_plan(), tmp_path).read_text(encoding="ascii") == f"{os.getpid()}\n"


def test_a_plan_is_locked_wherever_its_file_lies(tmp_path: Path, make_plan: Callable[..., Plan]) -> None:
    """By its domain and title, as it is known to the history."""
    assert lock_file(make_plan(file="/a/plan.toml"), tmp_path) == lock_file(make_plan(file="b.toml"), tmp_path)


def test_where_no_lock_can_be_there_is_no_run(make_plan: Callable[..., Plan]) -> None:
    """One sentence."""
    with pytest.raises(UsageError, match="cannot lock"), only_one(make_plan(), Path("/proc/nowhere")):
        pytest.fail("there is no such folder")
