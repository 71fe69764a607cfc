"""Workers that die, hang, stop or answer nonsense: exactly their own item fails, in words, and nobody is left."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import FrameError, RunStoppedError
from pipeline.workers.limits import MemoryShare
from pipeline.workers.processes import Processes
from tests.faults.kills import alive, below
from tests.workers.tasks import do, fail, nothing, process, same, vanish

pytestmark = pytest.mark.skipif(os.name == "nt", reason="sends POSIX signals")
ROOT = Path(__file__).resolve().parents[2]


def outcome(what: str, path: Path, **limits: Any) -> Any:
    """What becomes of one item among good ones, which must all come back."""
    items = [("good", ""), (what, str(path)), ("good", ""), ("fine", "")]
    with Processes(2, nothing, warming=0, **limits) as workers:
        found = dict(workers.map(do, items, size=lambda item: 1.0))
        [again] = workers.map(same, [5])  # the set is as good as new
    assert again == (0, 5)
    assert (found[0], found[2], found[3]) == ("good", "good", "fine")
    return found[1]


@pytest.mark.parametrize("what", ["crash", "exit", "abort"])
def test_an_item_that_ends_its_worker_is_named_alone(what: str, tmp_path: Path) -> None:
    result = outcome(what, tmp_path / "a")
    assert isinstance(result, FrameError) and "died again" in str(result)


@pytest.mark.parametrize("what", ["killed twice", "crash once"])
def test_a_worker_that_is_killed_from_outside_costs_nothing(what: str, tmp_path: Path) -> None:
    assert outcome(what, tmp_path / "a") == what


def test_what_hangs_is_ended_with_its_children_and_named(tmp_path: Path) -> None:
    start = time.monotonic()
    result = outcome("hang with a child", tmp_path / "a", frame_limit=1.0)
    assert isinstance(result, FrameError) and "took longer than 1 s" in str(result) and "--frame-limit" in str(result)
    assert time.monotonic() - start < 30
    assert not alive(int((tmp_path / "a").read_text()))


def test_the_first_frame_of_a_worker_has_time_to_load_libraries(tmp_path: Path) -> None:
    items = [("slow start", str(tmp_path / "a"))]
    with Processes(1, nothing, frame_limit=0.5) as workers:
        assert list(workers.map(do, items, size=lambda item: 1.0)) == [(0, "slow start")]
    assert (tmp_path / "a").read_text() == "x"  # at the first try


def test_a_worker_that_was_stopped_is_replaced(tmp_path: Path) -> None:
    assert outcome("stop once", tmp_path / "a", frame_limit=1.0) == "stop once"


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ("raise", "no"),
        ("leave", "SystemExit: 7"),
        ("stubborn", "Stubborn: a"),
        ("function", "cannot be handed on"),
        ("large", "too large"),
        ("unreadable", "cannot be read back"),
    ],
)
def test_what_cannot_be_handed_on_fails_in_words(what: str, said: str, tmp_path: Path) -> None:
    result = outcome(what, tmp_path / "a")
    assert isinstance(result, Exception) and said in str(result)


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux limits what a process may write to")
def test_an_item_that_wants_more_memory_than_a_worker_may_have(tmp_path: Path) -> None:
    little = 500 << 20
    assert isinstance(outcome("memory", tmp_path / "a", memory=MemoryShare(little, little)), MemoryError)
    assert outcome("memory", tmp_path / "a", memory=MemoryShare(little, 2 * little)) == 600 << 20  # alone
    assert outcome("memory", tmp_path / "a", memory=MemoryShare(little)) == 600 << 20
    assert outcome("memory", tmp_path / "a") == 600 << 20


def test_what_libraries_print_comes_neither_between_the_answers_nor_on_the_terminal(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert outcome("noise", tmp_path / "a") == "noise"
    assert capfd.readouterr() == ("", "")


def test_an_item_that_cannot_be_handed_out_fails_alone() -> None:
    items: list[Any] = [1, threading.Lock(), 3]
    with Processes(2, nothing) as workers:
        found = dict(workers.map(same, items))
    assert (found[0], found[2]) == (1, 3) and isinstance(found[1], ValueError)


def test_workers_are_kept_from_one_phase_to_the_next() -> None:
    with Processes(2, nothing) as workers:
        first = {result for _, result in workers.map(process, range(20))}
        second = {result for _, result in workers.map(process, range(20))}
    assert first == second and len(first) == 2 and os.getpid() not in first
    assert not any(alive(int(pid)) for pid in first if isinstance(pid, int))


@pytest.mark.parametrize(("setup", "said"), [(fail, "no such library"), (vanish, "3")])
def test_workers_that_cannot_start_end_the_run_in_words(setup: Any, said: str) -> None:
    with Processes(2, setup) as workers, pytest.raises(RunStoppedError, match=said):
        list(workers.map(same, [1, 2]))


def test_no_process_to_be_had_ends_the_run_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*arguments: object, **named: object) -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(subprocess, "Popen", refuse)
    with Processes(2, nothing) as workers, pytest.raises(RunStoppedError, match="Resource temporarily"):
        list(workers.map(same, [1, 2]))


def test_left_in_the_middle_ends_what_is_in_work(tmp_path: Path) -> None:
    items = [("wait", str(tmp_path / f"{n}")) for n in range(40)]
    with Processes(2, nothing) as workers:
        results = workers.map(do, items)
        next(results)
        results.close()
        begun = len(list(tmp_path.iterdir()))
        time.sleep(0.7)
        assert len(list(tmp_path.iterdir())) == begun <= 4
        assert dict(workers.map(same, [1, 2])) == {0: 1, 1: 2}


PARENT = """\
import sys
from pipeline.workers.limits import MemoryShare
from pipeline.workers.processes import Processes
from tests.workers import tasks
with Processes(2, tasks.nothing) as workers:
    list(workers.map(getattr(tasks, sys.argv[1]), sys.argv[2:]))
"""


@pytest.mark.parametrize(
    ("where", "how"),
    [
        ("in_python", signal.SIGKILL),
        ("in_python", signal.SIGTERM),
        ("in_python", signal.SIGSEGV),
        pytest.param(
            "in_c_code", signal.SIGKILL, marks=pytest.mark.skipif(sys.platform != "linux", reason="only Linux kills it")
        ),
    ],
)
def test_workers_end_within_five_seconds_when_their_parent_dies(
    where: str, how: signal.Signals, tmp_path: Path
) -> None:
    started = [tmp_path / "a", tmp_path / "b"]
    with subprocess.Popen(
        [sys.executable, "-c", PARENT, where, *map(str, started)], cwd=ROOT, stderr=subprocess.DEVNULL
    ) as one:
        try:
            while not all(p.exists() and p.read_text() for p in started) and one.poll() is None:
                time.sleep(0.05)
            workers = below(one.pid)
            assert len(workers) == 2
            one.send_signal(how)
            one.wait(10)
        finally:
            one.kill()
    deadline = time.monotonic() + 5
    while (left := [pid for pid in workers if alive(pid)]) and time.monotonic() < deadline:
        time.sleep(0.05)
    for pid in left:
        os.kill(pid, signal.SIGKILL)
    assert left == []
