"""Work in this process, in worker processes or on a cluster, through one function."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol, TypeVar

from pipeline.workers.cluster import cluster
from pipeline.workers.limits import workers_that_fit
from pipeline.workers.memory import keep_memory
from pipeline.workers.processes import Processes, Setup

T = TypeVar("T")
R = TypeVar("R")


class Executor(Protocol):
    """Where the work is done."""

    @property
    def count(self) -> int:
        """How many items are in work at a time."""

    def map(
        self, function: Callable[[T], R], items: Sequence[T], size: Callable[[T], float] | None = None
    ) -> Iterator[tuple[int, R | Exception]]:
        """As map_unordered."""


Workers = int | Executor


def parallel(workers: Workers) -> int:
    """How many items are in work at a time."""
    return max(1, workers if isinstance(workers, int) else workers.count)


def default_workers() -> int:
    """Cores that this process may use, or fewer where there is no memory for so many frames at once."""
    if hasattr(os, "sched_getaffinity"):
        return workers_that_fit(max(1, len(os.sched_getaffinity(0))))
    return workers_that_fit(os.cpu_count() or 1)


def worker_setup() -> None:
    """One thread a process: frames are the unit of parallel work, and threads inside one would fight. And memory that
    is kept from frame to frame."""
    import cv2

    cv2.setNumThreads(1)
    keep_memory()


@dataclass(frozen=True)
class WorkChoice:
    """Where a command was asked to do its work.

    processes  0 for as many as fit; frame_limit  seconds for one frame, None to go by the rate
    cluster    address of a dask scheduler to use in their place, None for none
    """

    processes: int = 0
    frame_limit: float | None = None
    cluster: str | None = None

    @property
    def count(self) -> int:
        """Of processes."""
        return self.processes or default_workers()

    def open(self) -> AbstractContextManager[Executor]:
        """The workers, for the time of the command. Raises InputError where the cluster cannot be reached."""
        if self.cluster:
            return cluster(self.cluster, worker_setup, self.frame_limit)
        return Processes(self.count, worker_setup, self.frame_limit)


def map_unordered(
    function: Callable[[T], R],
    items: Sequence[T],
    workers: Workers,
    initializer: Setup = worker_setup,
    size: Callable[[T], float] | None = None,
) -> Generator[tuple[int, R | Exception], None, None]:
    """Yield (index, result or the exception it raised) as they come. Few items are taken at a time.

    workers  where the work is done; a number of processes start here and end with the iterator, and 1 is this process
    initializer  called in each of these at its start; an Executor has its own
    size     of an item that is one frame, in any unit: its time limit is in proportion; None where items are no frames

    `function`, `items` and results must pickle, except in this process. An item whose worker dies, or is ended because
    it takes too long, is tried again after all others, and in the end gets a FrameError; no other item is touched. When
    the iterator is closed, or at Ctrl-C, what is in work is ended and nothing more begins.

    Raises RunStoppedError where no worker can be started, or the cluster is lost.
    """
    if not isinstance(workers, int):
        yield from workers.map(function, items, size)
    elif workers > 1:
        with Processes(workers, initializer) as own:
            yield from own.map(function, items, size)
    else:
        initializer()
        for index, item in enumerate(items):
            try:
                yield index, function(item)
            except Exception as error:
                yield index, error
