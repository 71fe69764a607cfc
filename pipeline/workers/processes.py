"""Worker processes of this program, each with a pipe of its own, so that a dead one names its frame and no other's."""

from __future__ import annotations

import json
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import Any, Self, TypeVar

from pipeline.errors import FrameError, RunStoppedError, debugging
from pipeline.threads import ONE_THREAD
from pipeline.workers.limits import TIME, MemoryShare, TimeLimit, memory_is_short, memory_share
from pipeline.workers.wire import ALONE, DONE, FAILED, READY, SHORT, TASK, UNUSABLE, Message, packed, receive, send

T = TypeVar("T")
R = TypeVar("R")
Setup = Callable[[], None]

# Items that a worker has: one in work and one waiting, so that it is not idle while the parent writes a record.
_DEPTH = 2
_TICK = 0.25  # s between looks at the clock
_LONGEST_TICK = 1.0  # s that count between two looks: where the machine or the parent slept, no worker is ended
_START = 300.0  # s within which a worker must have started
_STARTS = 3  # workers in a row that may end before they have started
_GRACE = 1.0  # s that idle workers have to end by themselves
# Times that an item is tried: its worker crashed or took too long; its worker was killed from outside, by a person or
# by a system short of memory, which says less about the item. Chosen by us, no source.
_TRIES, _TRIES_KILLED = 2, 4
_OUTSIDE = ("SIGKILL", "SIGTERM", "SIGHUP", "SIGINT", "SIGQUIT")
_CODE = """\
import json, sys
sys.path[:] = json.loads(sys.argv[1])
from pipeline.workers.limits import MemoryShare
from pipeline.workers.worker import main
main({}, MemoryShare({}, {}), {})
"""


class _Worker:
    """One process, two threads that read and write its pipes, and the indices of the items it has, the oldest first.

    spent  s that it has been at the oldest; over  why it was ended by us, "" where it was not
    """

    def __init__(self, setup: bytes, events: SimpleQueue[tuple[_Worker, Message | None]], memory: MemoryShare) -> None:
        self.items: deque[int] = deque()
        self.limits: deque[float] = deque()
        self.ready, self.warm, self.spent, self.over = False, False, 0.0, ""
        self._outbox: SimpleQueue[Message | None] = SimpleQueue()
        quiet = not debugging()
        own = {"creationflags": 0x200} if os.name == "nt" else {"start_new_session": True}  # a group of its own
        code = _CODE.format(os.getpid(), memory.among_others, memory.alone, quiet)
        self._process = subprocess.Popen(
            [sys.executable, "-c", code, json.dumps(sys.path)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0, env=os.environ | ONE_THREAD, **own,
        )  # fmt: skip
        self.send(Message(TASK, body=setup))
        for work in (self._write, self._read):
            threading.Thread(target=work, args=(events,), daemon=True).start()

    def give(self, index: int, task: bytes, limit: float, alone: bool) -> None:
        """Hand an item to the worker, which has `limit` seconds for it, and if it is `alone` all memory."""
        self.items.append(index)
        self.limits.append(limit)
        self.send(Message(ALONE if alone else TASK, index, body=task))

    def send(self, message: Message | None) -> None:
        """Write, some time; None closes the pipe, at which the worker ends. Never waits for the worker."""
        self._outbox.put(message)

    def answered(self) -> None:
        """The oldest item is done."""
        self.items.popleft()
        self.limits.popleft()
        self.warm = True
        self.spent, self.over = 0.0, ""  # it was ended a moment too early: that is not the fault of the next item

    def kill(self) -> None:
        """End the worker now, and the processes it has started."""
        self.send(None)
        with suppress(OSError):
            if os.name == "nt":
                self._process.kill()
            else:
                os.killpg(self._process.pid, signal.SIGKILL)

    def ended(self, seconds: float) -> str:
        """How it ended, the name of a signal or a number; waits for that, "" where it takes longer."""
        try:
            code = self._process.wait(seconds)
        except subprocess.TimeoutExpired:  # even a killed process waits for a disk that hangs
            return ""
        try:
            return signal.Signals(-code).name if code < 0 else str(code)
        except ValueError:
            return str(code)

    def _write(self, _: object) -> None:
        pipe = self._process.stdin
        with suppress(OSError), pipe:  # type: ignore[union-attr]
            while (message := self._outbox.get()) is not None:
                send(pipe.fileno(), message)  # type: ignore[union-attr]

    def _read(self, events: SimpleQueue[tuple[_Worker, Message | None]]) -> None:
        with self._process.stdout as pipe:  # type: ignore[union-attr]
            while (message := receive(pipe.fileno())) is not None:
                events.put((self, message))
        events.put((self, None))


class Processes:
    """A set of workers that lasts over the phases of a run; a context manager, at whose end none is left.

    Workers start when they are first needed. One task at a time is mapped over items.
    """

    def __init__(
        self,
        count: int,
        setup: Setup,
        frame_limit: float | None = None,
        memory: MemoryShare | None = None,
        warming: float = TIME.warming,
    ) -> None:
        """count  of workers; setup  called in each at its start; frame_limit  seconds for a frame, None to go by the
        rate; memory  that each may have, None for its part of what is free; warming  s more for a worker's first"""
        self.count = max(1, count)
        self._setup, self._frame_limit, self._warming = packed(setup), frame_limit, warming
        self._memory = memory_share(self.count) if memory is None else memory
        self._workers: list[_Worker] = []
        self._events: SimpleQueue[tuple[_Worker, Message | None]] = SimpleQueue()
        self._unstarted = 0
        self._why = ""
        self._looked = time.monotonic()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End all workers; those at work at once."""
        for worker in self._workers:
            if worker.items or not worker.ready:
                worker.kill()
            else:
                worker.send(None)
        deadline = time.monotonic() + _GRACE
        for worker in self._workers:
            if not worker.ended(max(0.0, deadline - time.monotonic())):
                worker.kill()
                worker.ended(_GRACE)
        self._workers.clear()

    def map(
        self, function: Callable[[T], R], items: Sequence[T], size: Callable[[T], float] | None = None
    ) -> Iterator[tuple[int, R | Exception]]:
        """Yield (index, result or the exception it raised) as they come. Few items are taken at a time.

        size  of an item that is one frame, in any unit, None where items are none: then frame_limit does not count

        An item whose worker dies, is ended because it takes too long, or has too little memory is tried again after all
        others, alone, and in the end gets a FrameError or its MemoryError. When the iterator is closed before its end,
        what is in work is ended.

        Raises RunStoppedError where no worker can be started.
        """
        self._drop_busy()  # of one that was left in the middle and is not closed yet
        limit = TimeLimit(self._frame_limit if size is not None else None)
        waiting, again, tries = deque(range(len(items))), deque[int](), Counter[tuple[int, bool]]()
        tried: set[int] = set()
        try:
            while waiting or again or any(w.items for w in self._workers):
                self._start(len(waiting) + len(again) + sum(len(w.items) for w in self._workers))
                for worker, index in self._free(waiting, again):
                    try:
                        task = packed((function, items[index]))
                    except ValueError as error:
                        yield index, error
                    else:
                        seconds = limit.of(_size(size, items[index])) + (0.0 if worker.warm else self._warming)
                        worker.give(index, task, seconds, index in tried)
                heard, message = self._event()
                if heard is None:
                    continue
                if message is None:
                    blamed, why, killed = self._buried(heard, waiting)
                    if blamed is not None:
                        tries[blamed, killed] += 1
                        if tries[blamed, killed] < (_TRIES_KILLED if killed else _TRIES):
                            again.append(blamed)
                            tried.add(blamed)
                        else:
                            yield blamed, FrameError(why)
                elif not heard.items or heard.items[0] != message.number or message.kind not in (DONE, FAILED, SHORT):
                    heard.kill()  # it answers what it was not asked: its memory is damaged
                else:
                    heard.answered()
                    if message.kind == SHORT and message.number not in tried:
                        again.append(message.number)
                        tried.add(message.number)
                        continue
                    if message.kind == DONE:
                        limit.note(message.seconds, _size(size, items[message.number]))
                    yield message.number, _opened(message)
        finally:
            self._drop_busy()

    def _start(self, left: int) -> None:
        """Start workers for `left` items, up to their number. Raises RunStoppedError where none can be."""
        while len(self._workers) < min(self.count, left):
            try:
                self._workers.append(_Worker(self._setup, self._events, self._memory))
            except OSError as error:
                if not self._workers:
                    raise RunStoppedError(
                        f"no worker process can be started ({error.strerror or error}); close other programs and run "
                        "the same command again"
                    ) from error
                self.count = len(self._workers)

    def _free(self, waiting: deque[int], again: deque[int]) -> Iterator[tuple[_Worker, int]]:
        """(a worker, an item for it): up to _DEPTH for each while there are many, one near the end, one in all where
        memory is short or items are tried again."""
        in_work = sum(len(w.items) for w in self._workers)
        if not waiting:
            if again and not in_work and self._workers:
                yield self._workers[0], again.popleft()
            return
        if memory_is_short():
            if not in_work and self._workers:
                yield self._workers[0], waiting.popleft()
            return
        for depth in range(_DEPTH):
            for worker in self._workers:
                if len(worker.items) == depth and not worker.over and len(waiting) > depth * len(self._workers):
                    yield worker, waiting.popleft()

    def _event(self) -> tuple[_Worker | None, Message | None]:
        """(a worker, what it says; None for that it is gone), or (None, None) where there is nothing to do yet."""
        try:
            worker, message = self._events.get(timeout=_TICK)
        except Empty:
            worker, message = None, None
        self._look_at_the_clock(worker)
        if worker is None or worker not in self._workers:  # the last words of one that was ended
            return None, None
        if message is not None and message.kind == READY:
            worker.ready, worker.spent, self._unstarted = True, 0.0, 0
            return None, None
        if message is not None and message.kind == UNUSABLE:
            self._why = str(_opened(message))
            return None, None
        return worker, message

    def _look_at_the_clock(self, heard: _Worker | None) -> None:
        """Count the time since the last look, and end workers that have had too much of it, but the one just heard."""
        now = time.monotonic()
        passed, self._looked = min(now - self._looked, _LONGEST_TICK), now
        for worker in self._workers:
            if worker is heard or worker.over or not (worker.items or not worker.ready):
                continue
            worker.spent += passed
            limit = worker.limits[0] if worker.ready else _START
            if worker.spent > limit:
                worker.over = f"{limit:.0f}"
                worker.kill()

    def _buried(self, worker: _Worker, waiting: deque[int]) -> tuple[int | None, str, bool]:
        """Take a worker that is gone out of the set; what it had not begun waits again.

        (the item it was at, None for none; why that has failed, if it is not tried again; whether it was killed from
        outside). Raises RunStoppedError where workers end before they start.
        """
        self._workers.remove(worker)
        worker.kill()  # and what it may have started
        how = worker.ended(_GRACE)
        blamed = worker.items.popleft() if worker.ready and worker.items else None
        waiting.extendleft(reversed(worker.items))
        worker.items.clear()
        if not worker.ready:
            self._unstarted += 1
            if self._unstarted >= _STARTS:
                why = f": {self._why}" if self._why else f" ({how})" if how else ""
                raise RunStoppedError(
                    f"worker processes end before they have started{why}; close other programs and run the same "
                    "command again, with EVENCOURT_DEBUG=1 if that does not help"
                )
        if worker.over:
            return blamed, _slow(worker.over), False
        return blamed, _died(how), how in _OUTSIDE

    def _drop_busy(self) -> None:
        busy = [w for w in self._workers if w.items]
        for worker in busy:
            worker.kill()
        for worker in busy:
            worker.ended(_GRACE)
            self._workers.remove(worker)


def _slow(limit: str) -> str:
    return (
        f"took longer than {limit} s, and again when it was tried once more: the file is damaged, or this machine is "
        "too slow for it; copy the frame again from the card, or give more time with --frame-limit"
    )


def _died(how: str) -> str:
    said = f" ({how})" if how.startswith("SIG") else ""
    return (
        f"its worker process died{said}, and died again when it was tried once more: the file is damaged or memory ran "
        "out; copy the frame again from the card, or close other programs and run again"
    )


def _size(size: Callable[[T], float] | None, item: T) -> float:
    return 1.0 if size is None else size(item)


def _opened(message: Message) -> Any:
    """What a worker packed, or an exception in place of what cannot be read back."""
    try:
        return pickle.loads(message.body)
    except Exception as error:  # whatever its parts come up with
        return RuntimeError(f"what a worker gave cannot be read back ({error})")
