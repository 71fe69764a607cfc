"""What a worker process does: take tasks from a pipe, one after the other, and answer on another.

It ends when its parent closes the pipe or dies: a thread sees the end of the pipe, and the system kills it where a
task is in C code (lifetime.py). It has a group of its own, so that it is ended together with what it has started.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import threading
import time
from queue import SimpleQueue

from pipeline.lifetime import end_with
from pipeline.workers.limits import MemoryShare
from pipeline.workers.wire import (
    ALONE,
    DONE,
    FAILED,
    READY,
    SHORT,
    UNUSABLE,
    Message,
    packed,
    packed_error,
    receive,
    send,
)

_NO_MEMORY = -4  # code of OpenCV's error where it gets none (Error::StsNoMem)


def main(parent: int, memory: MemoryShare, quiet: bool) -> None:
    """Serve the parent process on standard input and output. Does not return.

    quiet   keep what libraries print from the terminal, even as they crash
    """
    source, to = os.dup(0), os.dup(1)
    null = os.open(os.devnull, os.O_RDWR)
    for standard in (0, 1, 2) if quiet else (0, 1):  # a line that a library prints must not come between the answers
        os.dup2(null, standard)
    if sys.platform == "win32":
        import msvcrt

        for pipe in (source, to):
            msvcrt.setmode(pipe, os.O_BINARY)
    serve(source, to, parent, memory)


def serve(source: int, to: int, parent: int, memory: MemoryShare) -> None:
    """Take tasks from the descriptor `source`, the first of which is this worker's setup; answer on `to`.

    Does not return. parent, memory  as for main
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to handle
    end_with(parent)
    _limit_memory(memory.among_others)
    tasks: SimpleQueue[Message] = SimpleQueue()
    threading.Thread(target=_take, args=(source, tasks), daemon=True).start()
    try:
        try:
            pickle.loads(tasks.get().body)()
        except BaseException as error:
            send(to, Message(UNUSABLE, body=packed_error(error)))
            os._exit(1)
        send(to, Message(READY))
        while True:
            task = tasks.get()
            _limit_memory(memory.alone if task.kind == ALONE else memory.among_others)
            send(to, _answer(task))
    except BaseException:  # nobody reads the answer any more
        os._exit(1)


def _take(source: int, tasks: SimpleQueue[Message]) -> None:
    try:
        while (task := receive(source)) is not None:
            tasks.put(task)
    finally:
        os._exit(0)  # the parent wants no more, or is gone


def _answer(task: Message) -> Message:
    start = time.perf_counter()
    try:
        function, item = pickle.loads(task.body)
        kind, body = DONE, packed(function(item))
    except BaseException as error:  # a task that wants to leave the process has failed too
        kind, body = SHORT if _short_of_memory(error) else FAILED, packed_error(error)
    return Message(kind, task.number, time.perf_counter() - start, body)


def _short_of_memory(error: BaseException) -> bool:
    return isinstance(error, MemoryError) or (
        type(error).__module__ == "cv2" and getattr(error, "code", 0) == _NO_MEMORY
    )


def _limit_memory(most: int) -> None:
    """Let no more than `most` octets of memory be written to, on Linux: what asks for more gets a MemoryError. 0: any.

    Not the address space: libraries reserve much of that and never touch it.
    """
    if sys.platform == "linux":
        import resource

        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        soft = hard if not most else most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))
