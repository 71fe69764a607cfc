"""One interface, serial or on processes; a worker that dies takes only its own item along."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import FrameError, InputError, RunStoppedError
from pipeline.workers.cluster import ClusterLost, Submitted, WorkerDied, cluster
from pipeline.workers.executors import default_workers, map_unordered


def nothing() -> None:
    """A setup that costs no import."""


def square(item: int) -> int:
    if item < 0:
        raise ValueError(f"{item} is negative")
    return item * item


def leave(item: int) -> int:
    raise SystemExit(item)


def die_on_three(item: int) -> int:
    if item == 3:
        os._exit(1)
    return item


def die_the_first_time(item: tuple[int, str]) -> int:
    number, marker = item
    if number == 1 and not Path(marker).exists():
        Path(marker).touch()
        os._exit(1)
    return number


def process(item: int) -> int:
    return os.getpid()


def slow(item: str) -> str:
    Path(item).touch()
    time.sleep(0.5)
    return item


@pytest.mark.parametrize("workers", [1, 2])
def test_every_item_comes_once_and_errors_are_results(workers: int) -> None:
    items = [3, -1, 4, 5, -9, 2, 6]
    found = dict(map_unordered(square, items, workers, nothing))
    assert sorted(found) == list(range(len(items)))
    for index, item in enumerate(items):
        result = found[index]
        if item < 0:
            assert isinstance(result, ValueError)
            assert str(result) == f"{item} is negative"
        else:
            assert result == item * item


@pytest.mark.parametrize("workers", [1, 2])
def test_nothing_to_do(workers: int) -> None:
    assert list(map_unordered(square, [], workers, nothing)) == []


def test_serial_stays_in_order_and_in_this_process() -> None:
    assert list(map_unordered(process, [1, 2], 1, nothing)) == [(0, os.getpid()), (1, os.getpid())]


def test_a_single_item_runs_in_a_worker_too() -> None:
    # Else the one frame that kills its process, left over from the evening, would kill the second run whole.
    [(index, result)] = map_unordered(die_on_three, [3], 2, nothing)
    assert index == 0
    assert isinstance(result, FrameError)


def test_a_dying_worker_loses_its_own_item_only() -> None:
    items = [0, 1, 2, 3, 4, 5, 6, 7]
    results = list(map_unordered(die_on_three, items, 2, nothing))
    assert sorted(index for index, _ in results) == items
    found = dict(results)
    lost = found.pop(3)
    assert isinstance(lost, FrameError)
    assert "died again" in str(lost)
    assert all(found[i] == i for i in found)


def test_a_worker_that_dies_once_loses_nothing(tmp_path: Path) -> None:
    items = [(n, str(tmp_path / "marker")) for n in range(4)]
    assert dict(map_unordered(die_the_first_time, items, 2, nothing)) == {n: n for n in range(4)}


def test_leaving_the_worker_is_an_error_of_the_item() -> None:
    [(_, result)] = map_unordered(leave, [7], 2, nothing)
    assert isinstance(result, RuntimeError)


def test_stopping_early_begins_nothing_more(tmp_path: Path) -> None:
    items = [str(tmp_path / f"{n:02}") for n in range(40)]
    results = map_unordered(slow, items, 2, nothing)
    next(results)
    results.close()
    begun = len(list(tmp_path.iterdir()))
    assert begun <= 4  # one came, two more may have been at work, one may just have begun
    time.sleep(0.7)
    assert len(list(tmp_path.iterdir())) == begun


def test_few_items_are_taken_at_a_time() -> None:
    taken: list[int] = []

    class Watched(list[int]):
        def __getitem__(self, index):  # type: ignore[no-untyped-def]
            taken.append(index)
            return super().__getitem__(index)

    with ThreadPoolExecutor(2) as pool:
        results = map_unordered(square, Watched(range(50)), Submitted(pool, lambda: 2, nothing))
        for count in range(1, 51):
            next(results)
            assert len(taken) <= count + 4
    assert len(taken) == 50


SCRIPT = """\
import sys, time
from pathlib import Path
from pipeline.workers.executors import map_unordered
from tests.workers.test_executors import nothing, slow
if __name__ == "__main__":
    folder = Path(sys.argv[1])
    try:
        for _ in map_unordered(slow, [str(folder / f"{n:02}") for n in range(100)], 2, nothing):
            pass
    except KeyboardInterrupt:
        print("stopped", flush=True)
"""


@pytest.mark.skipif(os.name == "nt", reason="sends a POSIX signal")
def test_control_c_ends_the_workers_in_peace(tmp_path: Path) -> None:
    import signal

    script = tmp_path / "script.py"
    script.write_text(SCRIPT, encoding="utf-8")
    (tmp_path / "begun").mkdir()
    root = str(Path(__file__).parents[2])
    child = subprocess.Popen(
        [sys.executable, str(script), str(tmp_path / "begun")],
        env=os.environ | {"PYTHONPATH": root}, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
    )  # fmt: skip
    try:
        deadline = time.monotonic() + 60
        while len(list((tmp_path / "begun").iterdir())) < 3 and time.monotonic() < deadline:
            time.sleep(0.05)
        os.killpg(child.pid, signal.SIGINT)  # a terminal sends it to the parent and the workers alike
        out, err = child.communicate(timeout=60)
    finally:
        child.kill()
    assert (out, err) == ("stopped\n", "")
    assert len(list((tmp_path / "begun").iterdir())) < 20


def test_default_workers() -> None:
    assert 1 <= default_workers() <= (os.cpu_count() or 1)


def test_cluster_without_its_package_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"evencourt\[cluster\]"), cluster("tcp://127.0.0.1:8786", nothing):
        pass


# Dask imports with warnings of its own.
@pytest.mark.long
@pytest.mark.filterwarnings("default")
def test_cluster() -> None:
    distributed = pytest.importorskip("distributed", reason="the extra evencourt[cluster] is not installed")
    # Each worker that dies takes all its tasks along at once: those that are innocent must be told from the one.
    strict = {"distributed.scheduler.allowed-failures": 0}
    import dask

    with (
        dask.config.set(strict),
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as local,
    ):
        with cluster(local.scheduler_address, nothing) as executor:
            found = dict(map_unordered(square, [3, -1, 4], executor))
            assert (found[0], found[2]) == (9, 16)
            assert isinstance(found[1], ValueError)
            found = dict(map_unordered(die_on_three, [0, 1, 2, 3, 4, 5], executor))
            assert isinstance(found.pop(3), FrameError)
            assert found == {n: n for n in (0, 1, 2, 4, 5)}
        address = local.scheduler_address
    with pytest.raises(InputError, match="no dask scheduler answers"), cluster(address, nothing):
        pass


class Blaming(Executor):
    """An executor on which 3 kills its worker each time, and took 4 along the first time."""

    def __init__(self) -> None:
        self.asked: list[int] = []

    def submit(self, fn, /, *args, **kwargs):  # type: ignore[no-untyped-def]
        [item] = args
        future: Future[int] = Future()
        if item == 3 or (item == 4 and 4 not in self.asked):
            future.set_exception(WorkerDied("its worker died"))
        else:
            future.set_result(fn(item))
        self.asked.append(item)
        return future


def test_a_neighbour_of_one_that_kills_its_worker_is_tried_again_alone() -> None:
    executor = Blaming()
    found = dict(map_unordered(square, [1, 3, 4, 5], Submitted(executor, lambda: 2, nothing)))
    assert isinstance(found.pop(1), FrameError)
    assert found == {0: 1, 2: 16, 3: 25}
    assert executor.asked.count(3) == 2


class Lost(Executor):
    """An executor whose second task finds no scheduler."""

    def submit(self, fn, /, *args, **kwargs):  # type: ignore[no-untyped-def]
        future: Future[int] = Future()
        if args == (2,):
            future.set_exception(ClusterLost("connection closed"))
        else:
            future.set_result(fn(*args))
        return future


def no_scheduler() -> int:
    raise ConnectionResetError("connection closed")


@pytest.mark.parametrize(("executor", "threads"), [(Lost(), lambda: 2), (Blaming(), no_scheduler)])
def test_a_cluster_that_is_lost_ends_the_run_in_words_and_fails_no_frame(executor: Executor, threads: Any) -> None:
    place = Submitted(executor, threads, nothing, place="tcp://10.0.0.1:8786")
    found = []
    with pytest.raises(RunStoppedError, match=r"tcp://10.0.0.1:8786: the dask scheduler is gone"):
        found += map_unordered(square, [1, 2, 1], place)
    assert not [result for _, result in found if isinstance(result, Exception)]


def test_an_item_that_takes_too_long_on_a_cluster_is_given_up() -> None:
    class Slow(Executor):
        def submit(self, fn, /, *args, **kwargs):  # type: ignore[no-untyped-def]
            future: Future[int] = Future()
            if args != (3,):
                future.set_result(fn(*args))
            return future

    place = Submitted(Slow(), lambda: 1, nothing, frame_limit=0.2)
    found = dict(map_unordered(square, [1, 3, 2], place, size=float))
    assert (found[0], found[2]) == (1, 4) and "took longer" in str(found[1])
