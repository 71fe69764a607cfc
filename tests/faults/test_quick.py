"""The quick form of the harness."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.faults.harness import KINDS


@pytest.mark.long
@pytest.mark.parametrize("name", KINDS)
def test_faults_of_a_kind_in_their_quick_form(name: str) -> None:
    """A process of its own: cases fork, end processes, and replace calls of the system."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults", "--quick", "--only", name],
        cwd=Path(__file__).resolve().parents[2], capture_output=True, text=True, timeout=900,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-6000:]
