"""Workers of a dask cluster, which others have started, behind the interface of executors.py."""

from __future__ import annotations

import importlib
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, InvalidStateError, wait
from contextlib import contextmanager, suppress
from typing import Any, Protocol, TypeVar

from pipeline.errors import FrameError, InputError, RunStoppedError
from pipeline.textfile.messages import install
from pipeline.workers.limits import TimeLimit

T = TypeVar("T")
R = TypeVar("R")

_TIMEOUT = 10  # s, within which a scheduler must answer
_GONE = 60.0  # s without a scheduler, after which the run ends (chosen by us, no source)
_TICK = 1.0  # s between looks at the clock
_DEPTH = 2  # items for each thread of the workers: one in work and one waiting
_DIED = (
    "its worker process died, and died again when it was tried once more: the file is damaged or memory ran out; "
    "copy the frame again from the card, or close other programs and run again"
)


class Submitting(Protocol):
    """What takes tasks: an Executor of the standard library, or a client of a cluster."""

    def submit(self, fn: Callable[..., R], /, *args: Any, **kwargs: Any) -> Future[R]:
        """As concurrent.futures.Executor.submit."""


class WorkerDied(FrameError):
    """A task of a cluster whose workers died; which of the tasks on them killed them is not known."""


class Prepared:
    """`function` with its setup, for workers that this program does not start. The setup must be cheap."""

    def __init__(self, function: Callable[[Any], Any], setup: Callable[[], None]) -> None:
        self.function, self.setup = function, setup

    def __call__(self, item: Any) -> Any:
        """What the function gives."""
        self.setup()
        return self.function(item)


class Submitted:
    """Work handed to an executor that is not ours; an Executor in the sense of executors.py."""

    def __init__(
        self,
        executor: Submitting,
        threads: Callable[[], int],
        setup: Callable[[], None],
        frame_limit: float | None = None,
        alive: Callable[[], bool] = lambda: True,
        place: str = "",
    ) -> None:
        """threads  how many items can be in work; setup, frame_limit  as for Processes
        alive  whether it still answers; place  its address, for messages"""
        self._executor, self._threads, self._setup = executor, threads, setup
        self._frame_limit, self._alive, self._place = frame_limit, alive, place

    @property
    def count(self) -> int:
        """Threads of all its workers now."""
        return self._threads()

    def map(
        self, function: Callable[[T], R], items: Sequence[T], size: Callable[[T], float] | None = None
    ) -> Iterator[tuple[int, R | Exception]]:
        """As map_unordered. An item that takes too long is given up; whether its worker ends is up to the cluster.

        Raises RunStoppedError where the cluster is lost.
        """
        limit = TimeLimit(self._frame_limit if size is not None else None)
        prepared, died = Prepared(function, self._setup), []
        in_flight: dict[Future[R], tuple[int, float]] = {}
        try:
            waiting = deque(range(len(items)))
            for index, result in self._flow(prepared, items, size, waiting, in_flight, limit, _DEPTH):
                if isinstance(result, WorkerDied):
                    died.append(index)
                else:
                    yield index, result
            for index in died:  # alone, since a neighbour on the same worker may have killed it
                yield from self._flow(prepared, items, size, deque([index]), in_flight, limit, _DEPTH)
        finally:
            for future in in_flight:
                future.cancel()

    def _flow(
        self,
        function: Callable[[T], R],
        items: Sequence[T],
        size: Callable[[T], float] | None,
        waiting: deque[int],
        in_flight: dict[Future[R], tuple[int, float]],
        limit: TimeLimit,
        depth: int,
    ) -> Iterator[tuple[int, R | Exception]]:
        lost = 0.0
        while waiting or in_flight:
            while waiting and len(in_flight) < depth * max(1, self._threads()):
                future = self._executor.submit(function, items[waiting[0]])
                in_flight[future] = waiting.popleft(), time.monotonic()
            for future in wait(in_flight, timeout=_TICK, return_when=FIRST_COMPLETED).done:
                index, since = in_flight.pop(future)
                error = future.exception()
                if error is None:
                    limit.note(time.monotonic() - since, 1.0 if size is None else size(items[index]))
                    yield index, future.result()
                else:
                    yield index, error if isinstance(error, Exception) else RuntimeError(repr(error))
            now = time.monotonic()
            for future, (index, since) in list(in_flight.items()):
                # Each may wait for those before it on the same thread.
                most = (depth + 1) * limit.of(1.0 if size is None else size(items[index]))
                if now - since > most:
                    future.cancel()
                    del in_flight[future]
                    yield (
                        index,
                        FrameError(
                            f"took longer than {most:.0f} s on the cluster; run again without --cluster to see why"
                        ),
                    )
            lost = 0.0 if self._alive() else (lost or now)
            if lost and now - lost > _GONE:
                raise RunStoppedError(
                    f"{self._place}: the dask scheduler is gone; start it again and run the same command again"
                )


class _Client:
    """A dask client that takes tasks.

    Its own `get_executor` may hand on a wrong TypeError for a healthy task while another task kills workers.
    """

    def __init__(self, client: Any, killed: type[Exception]) -> None:
        self._client, self._killed = client, killed

    def submit(self, fn: Callable[..., R], /, *args: Any, **kwargs: Any) -> Future[R]:
        """As Executor.submit. WorkerDied where a task has killed its workers."""
        remote = self._client.submit(fn, *args, **kwargs, pure=False)
        local: Future[R] = Future()

        def hand_on(_: Any) -> None:
            try:
                result = remote.result()
            except Exception as error:
                with suppress(InvalidStateError):  # cancelled in the meantime
                    local.set_exception(WorkerDied(_DIED) if isinstance(error, self._killed) else error)
            else:
                with suppress(InvalidStateError):
                    local.set_result(result)

        remote.add_done_callback(hand_on)
        local.add_done_callback(lambda future: remote.cancel() if future.cancelled() else None)
        return local


@contextmanager
def cluster(address: str, setup: Callable[[], None], frame_limit: float | None = None) -> Iterator[Submitted]:
    """An executor on the dask scheduler at `address`; its workers must see the shoot and OUT under the same paths.

    Raises InputError when the package is absent or the scheduler does not answer in time.
    """
    try:
        distributed = importlib.import_module("distributed")
    except ImportError as error:
        raise InputError(f"a cluster needs one more package: {install('cluster')}") from error
    try:
        client = distributed.Client(address, timeout=_TIMEOUT)
    except (OSError, ValueError) as error:
        raise InputError(f"{address}: no dask scheduler answers there ({error}); check the address") from error
    with client:
        yield Submitted(
            _Client(client, distributed.KilledWorker),
            lambda: sum(client.nthreads().values()),
            setup,
            frame_limit,
            lambda: client.status == "running",
            address,
        )
