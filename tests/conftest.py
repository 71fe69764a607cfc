"""Shared fixtures: where the reference data is, and a small generated shoot."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import pytest
from filelock import FileLock

from tests.signals import as_in_a_terminal

if TYPE_CHECKING:
    from pipeline.workers.executors import Executor, WorkChoice

FSYNC = os.fsync
SHARED = Path(__file__).resolve().parents[2] / "shared"


@pytest.fixture(scope="session", autouse=True)
def _one_thread() -> None:
    """As in a run's own processes: frames, and here files of tests, are the unit of parallel work."""
    cv2.setNumThreads(1)


@pytest.fixture(scope="session", autouse=True)
def _signals() -> None:
    """Commands that tests start can be stopped, also where the tests themselves run in the background."""
    as_in_a_terminal()


@pytest.fixture(scope="session")
def of_all(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that all processes of pytest-xdist have in common, for what one of them makes for all."""
    own = tmp_path_factory.getbasetemp()
    return own.parent if os.environ.get("PYTEST_XDIST_WORKER") else own


@pytest.fixture(scope="session", autouse=True)
def _own_cache(of_all: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test, nor a command that it starts, fetches anything or touches the cache of the person who runs it."""
    (of_all / "frames").mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as environment:
        environment.setenv("EVENCOURT_OFFLINE", "1")
        environment.delenv("EVENCOURT_MODELS", raising=False)  # what is expected must not depend on it
        environment.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        environment.setenv("EVENCOURT_CACHE", str(of_all / "frames"))
        environment.setenv("EVENCOURT_HALLS", str(tmp_path_factory.mktemp("halls")))
        yield


@pytest.fixture(scope="session", autouse=True)
def _no_wait_for_the_disk() -> Iterator[None]:
    """A run flushes each file that it writes, against a loss of power, which no test makes: what a killed process wrote
    is there without. Tests of what is flushed, and when, put their own in this place."""

    def fsync(opened: int) -> None:
        os.fstat(opened)  # which fails for what is not open, as the real one does

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", fsync)
        yield


@pytest.fixture(scope="session", autouse=True)
def _work_in_this_process() -> Iterator[None]:
    """Where a test calls a command in its own process without --workers, or with one: starting a worker costs a second
    of processor time each time, as many as there are cores. Tests of the workers themselves ask for two."""
    from pipeline.workers.executors import WorkChoice

    real = WorkChoice.open

    def here(self: WorkChoice) -> AbstractContextManager[Executor | int]:
        apart = self.processes > 1 or self.cluster or self.frame_limit is not None
        return real(self) if apart else nullcontext(1)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(WorkChoice, "open", here)
        yield


@pytest.fixture(scope="session")
def shared() -> Callable[[str], Path]:
    """Path below ../shared, or a skip that says what is absent."""

    def find(relative: str) -> Path:
        path = SHARED / relative
        if not path.exists():
            pytest.skip(f"../shared/{relative} is not here")
        return path

    return find


@pytest.fixture(scope="session")
def small_shoot(of_all: Path) -> tuple[Path, dict]:
    """The demonstration shoot at a quarter of its size, and its ground truth; nobody may write to it."""
    from pipeline.fixtures.demo import write_demo

    folder = of_all / "demo" / "shoot"
    with FileLock(of_all / "demo.lock"):
        if not (done := of_all / "demo.done").exists():
            write_demo(folder, width=768, height=512)
            done.touch()
    truth = json.loads((folder.parent / "shoot-truth" / "truth.json").read_text(encoding="utf-8"))
    return folder, truth
