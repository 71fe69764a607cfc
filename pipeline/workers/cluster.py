"""Workers of a dask cluster, which others have started, behind the interface of executors.py."""

from __future__ import annotations

import asyncio
import importlib
import logging
import os
import socket
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, InvalidStateError, wait
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any, Protocol, TypeVar

from pipeline.errors import FrameError, InputError, RunStoppedError, debugging, in_short
from pipeline.store.keys import environment, program
from pipeline.textfile.messages import install
from pipeline.workers.limits import TimeLimit

T = TypeVar("T")
R = TypeVar("R")

_TIMEOUT = 10  # s, within which a scheduler must answer
_GONE = 60.0  # s without a scheduler, after which the run ends (chosen by us, no source)
_TICK = 1.0  # s between looks at the clock
_MOST = 10  # workers that are named in one message
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


class ClusterLost(Exception):
    """A task came to nothing because the scheduler is gone; says nothing about the task."""


class Prepared:
    """`function` with its setup, for workers that this program does not start. The setup must be cheap."""

    def __init__(self, function: Callable[[Any], Any], setup: Callable[[], None]) -> None:
        self.function, self.setup, self.of = function, setup, versions()

    def __call__(self, item: Any) -> Any:
        """What the function gives. Raises FrameError where this worker has other versions, so other bytes."""
        if why := unlike(self.of, versions()):  # it may have come after the run began
            raise FrameError(
                f"worker on {socket.gethostname()}: {why}; stop that worker, and run the same command again"
            )
        self.setup()
        return self.function(item)


def versions() -> dict[str, str]:
    """All versions that bytes depend on, in this process."""
    return {**environment(), "program": program()}


def unlike(here: Mapping[str, str], there: Mapping[str, str]) -> str:
    """How the versions of a worker differ from those of the run; "" where they do not."""
    other = [name for name in {**here, **there} if here.get(name) != there.get(name)]
    if not other:
        return ""
    named = [name for name in other if name != "program"]
    shown = [f"{name} {there.get(name, 'absent')}, not {here.get(name, 'absent')}" for name in named]
    return "has " + ("; ".join(shown) or "another version of evencourt") + ", so its pictures would be other ones"


def _about(paths: Sequence[str]) -> tuple[dict[str, str], list[str]]:
    """Of the worker on which this runs: its versions, and which of the paths it cannot see."""
    return versions(), [path for path in paths if not os.path.exists(path)]  # noqa: PTH110


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

    def refuse_unlike(self, paths: Sequence[Path]) -> None:
        """Raises InputError for workers that would make other bytes, have several threads, or do not see `paths`."""

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
            most_in_flight = depth * max(1, self._count())
            while waiting and len(in_flight) < most_in_flight:
                future = self._executor.submit(function, items[waiting[0]])
                in_flight[future] = waiting.popleft(), time.monotonic()
            for future in wait(in_flight, timeout=_TICK, return_when=FIRST_COMPLETED).done:
                index, since = in_flight.pop(future)
                error = future.exception()
                if isinstance(error, ClusterLost):
                    raise self._lost() from error
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
                raise self._lost()

    def _count(self) -> int:
        try:
            return self._threads()
        except OSError as error:
            raise self._lost() from error

    def _lost(self) -> RunStoppedError:
        return RunStoppedError(
            f"{self._place}: the dask scheduler is gone; start it again and run the same command again"
        )


class _Client:
    """A dask client that takes tasks.

    Its own `get_executor` may hand on a wrong TypeError for a healthy task while another task kills workers.
    """

    def __init__(self, client: Any, killed: type[Exception], lost: tuple[type[BaseException], ...]) -> None:
        self._client, self._killed, self._lost = client, killed, lost

    def submit(self, fn: Callable[..., R], /, *args: Any, **kwargs: Any) -> Future[R]:
        """As Executor.submit. WorkerDied where a task has killed its workers, ClusterLost where there is no cluster."""
        remote = self._client.submit(fn, *args, **kwargs, pure=False)
        local: Future[R] = Future()

        def hand_on(_: Any) -> None:
            try:
                result = remote.result()
            except self._lost as error:
                with suppress(InvalidStateError):
                    local.set_exception(ClusterLost(str(error)))
            except Exception as error:
                with suppress(InvalidStateError):  # cancelled in the meantime
                    local.set_exception(WorkerDied(_DIED) if isinstance(error, self._killed) else error)
            else:
                with suppress(InvalidStateError):
                    local.set_result(result)

        remote.add_done_callback(hand_on)
        local.add_done_callback(lambda future: remote.cancel() if future.cancelled() else None)
        return local


def _quieten() -> None:
    """Keep what dask logs about connections from the terminal, where it is no help to a photographer."""
    for name in list(logging.root.manager.loggerDict):
        if name.partition(".")[0] in ("distributed", "tornado"):  # each has a level and an output of its own
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)


@contextmanager
def cluster(address: str, setup: Callable[[], None], frame_limit: float | None = None) -> Iterator[Submitted]:
    """An executor on the dask scheduler at `address`; its workers must see the shoot and OUT under the same paths.

    Raises InputError when the package is absent or the scheduler does not answer in time.
    """
    try:
        distributed = importlib.import_module("distributed")
    except ImportError as error:
        raise InputError(f"a cluster needs one more package: {install('cluster')}") from error
    if not debugging():
        _quieten()
    closed = importlib.import_module("distributed.comm").CommClosedError
    try:
        client = distributed.Client(address, timeout=_TIMEOUT)
    except (OSError, ValueError) as error:
        raise InputError(f"{address}: no dask scheduler answers there ({error}); check the address") from error
    with client:
        workers = Submitted(
            _Client(client, distributed.KilledWorker, (CancelledError, asyncio.CancelledError, closed)),
            lambda: sum(client.nthreads().values()),
            setup,
            frame_limit,
            lambda: client.status == "running",
            address,
        )
        workers.refuse_unlike = partial(_refuse_unlike, client, address)  # type: ignore[method-assign]
        workers.refuse_unlike(())
        yield workers


def _refuse_unlike(client: Any, address: str, paths: Sequence[Path]) -> None:
    """As Submitted.refuse_unlike. A worker that does not answer in time is asked again with each frame."""
    threads: dict[str, int] = client.nthreads()
    if not threads:
        raise InputError(f"{address}: no worker has joined; start some: dask worker {address} --nthreads 1")
    problems = [
        f"worker {name} has {many} threads; start it with --nthreads 1, and more workers in its place"
        for name, many in threads.items()
        if many != 1
    ]
    asked = {
        name: client.submit(_about, [str(path) for path in paths], workers=[name], pure=False, priority=1)
        for name in threads
    }
    until = time.monotonic() + _TIMEOUT
    for name, answer in asked.items():
        try:
            there, unseen = answer.result(timeout=max(0.1, until - time.monotonic()))
        except TimeoutError:
            continue
        except Exception as error:  # such as a worker without this program
            problems.append(f"worker {name} cannot work for evencourt ({in_short(error)}); install it there")
            continue
        if why := unlike(versions(), there):
            problems.append(f"worker {name} {why}; give it the same environment")
        problems += [f"worker {name} does not see {path}; mount it there under the same path" for path in unseen]
    if problems:
        raise InputError("\n".join(f"{address}: {text}" for text in problems[:_MOST]))
