"""A process ends with the one that started it. `tests/workers/test_processes.py` tries it on workers."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import pipeline.formats

pytestmark = pytest.mark.skipif(os.name == "nt", reason="Windows does not say that a parent is gone")
DECODER = Path(pipeline.formats.__file__).with_name("heif_process.py")


def test_a_process_whose_parent_is_gone_before_it_looks() -> None:
    code = "import time; from pipeline.lifetime import end_with; end_with(1); time.sleep(60)"
    done = subprocess.run([sys.executable, "-c", code], cwd=DECODER.parents[2], timeout=30, check=False)
    assert done.returncode == 1


@pytest.mark.parametrize(("parent", "status", "says"), [(os.getpid, 0, b'{"error":'), (lambda: 1, 1, b"")])
def test_the_decoder_of_heif_is_one(parent: Callable[[], int], status: int, says: bytes) -> None:
    command = [sys.executable, "-P", str(DECODER), os.devnull, "1", str(1 << 30), str(parent())]
    done = subprocess.run(command, timeout=30, check=False, capture_output=True)
    assert done.returncode == status and done.stdout.startswith(says) and bool(done.stdout) == bool(says)
