"""Work in this process, in many processes or on a cluster, through one function."""

from __future__ import annotations

import ctypes
import importlib
import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    CancelledError,
    Executor,
    Future,
    InvalidStateError,
    ProcessPoolExecutor,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

from pipeline.errors import FrameError, InputError
from pipeline.textfile.messages import install

T = TypeVar("T")
R = TypeVar("R")
Setup = Callable[[], None]

_DIED = (
    "its worker process died, and died again when it was tried once more: the file is damaged or memory ran out; "
    "copy the frame again from the card, or close other programs and run again"
)
# Items that are handed out for each worker: one in work and one waiting, so that none is idle and a large frame is not
# in memory long before its turn. Decides no result, only speed (common practice, no source).
_IN_FLIGHT = 2
_CLUSTER_TIMEOUT = 10  # s, within which a scheduler must answer
_stop: Any = None  # in a worker: a flag, set by the parent to cancel what is queued


def default_workers() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def worker_setup() -> None:
    """One thread a process: frames are the unit of parallel work, and threads inside one would fight."""
    import cv2

    cv2.setNumThreads(1)


def map_unordered(
    function: Callable[[T], R],
    items: Sequence[T],
    workers: int,
    initializer: Setup = worker_setup,
    executor: Executor | None = None,
) -> Iterator[tuple[int, R | Exception]]:
    """Yield (index, result or the exception it raised) as they come. At most _IN_FLIGHT * workers are in flight.

    `function` and `items` must pickle unless workers is 1, which runs in this process; with an `executor` (see
    `cluster`) no local processes are started. A worker that dies breaks its pool: a new pool is started, and what
    was in flight is tried once more, one at a time; an item that kills its worker again gets a FrameError.
    Closing the iterator, or Ctrl-C, cancels what has not begun and waits for what has.
    """
    waiting = deque(range(len(items)))
    if executor is not None:
        in_flight: dict[Future[R], int] = {}
        prepared, died = _Prepared(function, initializer), []
        try:
            for index, result in _flow(executor, prepared, items, waiting, in_flight, _IN_FLIGHT * workers):
                if isinstance(result, _WorkerDied):
                    died.append(index)
                else:
                    yield index, result
            for index in died:  # alone, since a neighbour on the same worker may have killed it
                yield from _flow(executor, prepared, items, deque([index]), in_flight, 1)
        finally:
            for future in in_flight:
                future.cancel()
    elif workers <= 1:
        initializer()
        for index, item in enumerate(items):
            try:
                yield index, function(item)
            except Exception as error:
                yield index, error
    else:
        while waiting:  # once, and once more for each pool that breaks
            in_flight = {}
            try:
                with _pool(min(workers, len(waiting)), initializer) as pool:
                    yield from _flow(pool, _Queued(function), items, waiting, in_flight, _IN_FLIGHT * workers)
            except BrokenProcessPool:
                for index in sorted(in_flight.values()):
                    yield index, _alone(function, items[index], initializer)


def _flow(
    executor: Executor,
    function: Callable[[T], R],
    items: Sequence[T],
    waiting: deque[int],
    in_flight: dict[Future[R], int],
    limit: int,
) -> Iterator[tuple[int, R | Exception]]:
    """Run everything in `waiting`. After BrokenProcessPool, `waiting` and `in_flight` hold what has no result yet."""
    while waiting or in_flight:
        while waiting and len(in_flight) < limit:
            future = executor.submit(function, items[waiting[0]])  # may raise: the item then still waits
            in_flight[future] = waiting.popleft()
        broken: BrokenProcessPool | None = None
        for future in wait(in_flight, return_when=FIRST_COMPLETED).done:
            error = future.exception()
            if isinstance(error, BrokenProcessPool):
                broken = error
                continue
            index = in_flight.pop(future)
            yield index, future.result() if error is None else _as_exception(error)
        if broken is not None:
            raise broken


class _WorkerDied(FrameError):
    """A task of a cluster whose workers died; which of the tasks on them killed them is not known."""


@contextmanager
def _pool(workers: int, initializer: Setup) -> Iterator[ProcessPoolExecutor]:
    # spawn: the same on the three systems, and no copy of the parent's threads
    context = multiprocessing.get_context("spawn")
    # No lock inside: a worker killed while it held one would block the others for ever.
    stop = context.RawValue(ctypes.c_bool, False)
    pool = ProcessPoolExecutor(workers, context, _start_worker, (stop, initializer))
    try:
        yield pool
    finally:
        stop.value = True  # what is in the pool's own queue can no longer be cancelled
        pool.shutdown(wait=True, cancel_futures=True)


def _start_worker(stop: Any, initializer: Setup) -> None:
    global _stop
    _stop = stop
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to handle
    initializer()


class _Queued:
    """`function`, unless the parent has cancelled it in the meantime. Raises CancelledError then."""

    def __init__(self, function: Callable[[Any], Any]) -> None:
        self.function = function

    def __call__(self, item: Any) -> Any:
        if _stop is not None and _stop.value:
            raise CancelledError
        return self.function(item)


class _Prepared:
    """`function` with its setup, for workers that this program does not start. The setup must be cheap."""

    def __init__(self, function: Callable[[Any], Any], initializer: Setup) -> None:
        self.function, self.initializer = function, initializer

    def __call__(self, item: Any) -> Any:
        self.initializer()
        return self.function(item)


def _alone(function: Callable[[T], R], item: T, initializer: Setup) -> R | Exception:
    with _pool(1, initializer) as pool:
        future = pool.submit(function, item)
        error = future.exception()
        if isinstance(error, BrokenProcessPool):
            return FrameError(_DIED)
        return future.result() if error is None else _as_exception(error)


def _as_exception(error: BaseException) -> Exception:
    return error if isinstance(error, Exception) else RuntimeError(repr(error))


class _Cluster(Executor):
    """A dask client as an executor.

    Its own `get_executor` may hand on a wrong TypeError for a healthy task while another task kills workers.
    """

    def __init__(self, client: Any, killed: type[Exception]) -> None:
        self._client, self._killed = client, killed

    def submit(self, fn: Callable[..., R], /, *args: Any, **kwargs: Any) -> Future[R]:
        """As Executor.submit. FrameError where a task has killed its workers."""
        remote = self._client.submit(fn, *args, **kwargs, pure=False)
        local: Future[R] = Future()

        def hand_on(_: Any) -> None:
            try:
                result = remote.result()
            except Exception as error:
                with suppress(InvalidStateError):  # cancelled in the meantime
                    local.set_exception(_WorkerDied(_DIED) if isinstance(error, self._killed) else error)
            else:
                with suppress(InvalidStateError):
                    local.set_result(result)

        remote.add_done_callback(hand_on)
        local.add_done_callback(lambda future: remote.cancel() if future.cancelled() else None)
        return local


@contextmanager
def cluster(address: str) -> Iterator[Executor]:
    """An executor on the dask scheduler at `address`; its workers must see the shoot and OUT under the same paths.

    Raises InputError when the package is absent or the scheduler does not answer in time.
    """
    try:
        distributed = importlib.import_module("distributed")
    except ImportError as error:
        raise InputError(f"a cluster needs one more package: {install('cluster')}") from error
    try:
        client = distributed.Client(address, timeout=_CLUSTER_TIMEOUT)
    except (OSError, ValueError) as error:
        raise InputError(f"{address}: no dask scheduler answers there ({error}); check the address") from error
    with client:
        yield _Cluster(client, distributed.KilledWorker)
