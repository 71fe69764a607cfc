"""Serial or many processes, one interface."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")


def default_workers() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def worker_setup() -> None:
    """One thread a process: frames are the unit of parallel work, and threads inside one would fight."""
    import cv2

    cv2.setNumThreads(1)


def _start_worker() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to handle
    worker_setup()


def map_unordered(
    function: Callable[[T], R], items: Sequence[T], workers: int
) -> Iterator[tuple[int, R | Exception]]:
    """(index, result or the exception it raised) as they come. At most 2 * workers are in flight.

    A worker that dies takes its pool along: what was in flight is tried once more, one at a time, and
    the item that kills again gets the error.
    """
    if workers <= 1 or len(items) <= 1:
        worker_setup()
        for index, item in enumerate(items):
            try:
                yield index, function(item)
            except Exception as error:
                yield index, error
        return
    waiting = list(range(len(items)))[::-1]
    while waiting:
        in_flight: dict[Future[R], int] = {}
        pool = _pool(min(workers, len(waiting)))
        try:
            while waiting or in_flight:
                while waiting and len(in_flight) < 2 * workers:
                    index = waiting.pop()
                    in_flight[pool.submit(function, items[index])] = index
                for future in wait(in_flight, return_when=FIRST_COMPLETED).done:
                    error = future.exception()
                    if isinstance(error, BrokenProcessPool):
                        raise error
                    index = in_flight.pop(future)
                    yield index, future.result() if error is None else _as_exception(error)
        except BrokenProcessPool:
            for index in sorted(in_flight.values()):
                yield index, _alone(function, items[index])
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _pool(workers: int) -> ProcessPoolExecutor:
    # spawn: the same on the three systems, and no copy of the parent's threads
    return ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), _start_worker)


def _alone(function: Callable[[T], R], item: T) -> R | Exception:
    with _pool(1) as pool:
        try:
            return pool.submit(function, item).result()
        except BrokenProcessPool:
            return RuntimeError("the worker died twice on this frame (out of memory?)")
        except Exception as error:
            return error


def _as_exception(error: BaseException) -> Exception:
    return error if isinstance(error, Exception) else RuntimeError(repr(error))
