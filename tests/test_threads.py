"""Libraries of linear algebra keep to one thread; asked by threadpoolctl of the libraries themselves."""

from __future__ import annotations

import os
import subprocess
import sys
from multiprocessing import cpu_count

import pytest

from pipeline.threads import ONE_THREAD
from pipeline.workers.processes import Processes

pytestmark = pytest.mark.skipif(cpu_count() < 2, reason="one core has one thread anyway")


@pytest.fixture(autouse=True)
def _told_otherwise(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ONE_THREAD:
        monkeypatch.setenv(name, "2")
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)


def test_a_worker_is_told_so() -> None:
    """Asked by functions that import nothing of tests, which would tell it too."""
    with Processes(1, os.getpid) as workers:
        assert dict(workers.map(os.getenv, [*ONE_THREAD])) == {0: "1", 1: "1"}


def test_a_command_has_one() -> None:
    """In place of what the command does: how many there are when it begins."""
    code = (
        "import os; from tests.workers.tasks import threads; from pipeline.cli import app, entry\n"
        f"os.environ.update(dict.fromkeys({[*ONE_THREAD]}, '2'))\n"  # which importing from tests has set
        "app.main = lambda: print(threads(0)); entry.main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stdout == "{1}\n", done.stderr
