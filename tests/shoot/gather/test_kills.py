"""Every call that changes a disk, each in turn: killed there, or refused by the system. Never a false yes."""

from __future__ import annotations

import errno
import subprocess
import sys
from pathlib import Path

import pytest

from tests.shoot.gather.refused import sweep

ROOT = Path(__file__).resolve().parents[3]
linux = pytest.mark.skipif(sys.platform != "linux", reason="uses what Linux has")


@linux
@pytest.mark.parametrize("links", [True, False], ids=["hard links", "no hard links"])
def test_a_kill_at_any_moment_leaves_no_half_file_and_the_next_gather_goes_on(tmp_path: Path, links: bool) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.shoot.gather.killed", str(tmp_path), *([] if links else ["no-links"])],
        cwd=ROOT, capture_output=True, text=True, timeout=240,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert int(done.stdout.rpartition(":")[2]) > 50


@linux
@pytest.mark.parametrize("onward", [False, True], ids=["once", "from then on"])
@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC, errno.ENOENT])
def test_whatever_the_system_refuses_there_is_no_false_yes(tmp_path: Path, number: int, onward: bool) -> None:
    faults, tried = sweep(tmp_path, number, onward, step=8)
    assert faults == [] and tried > 60
