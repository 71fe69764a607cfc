"""What workers are given in tests: tasks that go well, and every way of going wrong. Light to import."""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any


def nothing() -> None:
    """A setup that costs no import."""


def fail() -> None:
    """A setup that fails."""
    raise ImportError("no such library")


def vanish() -> None:
    """A setup that ends its process."""
    os._exit(3)


class Stubborn(Exception):
    """Cannot be read back from its pickle: it wants two arguments and keeps one."""

    def __init__(self, one: str, two: str) -> None:
        super().__init__(one)


def threads(_: int) -> set[int]:
    """How many each library of linear algebra takes that a run loads."""
    import cv2  # noqa: F401
    import scipy.linalg  # noqa: F401
    import threadpoolctl

    return {one["num_threads"] for one in threadpoolctl.threadpool_info() if one["user_api"] == "blas"}


class Unreadable:
    """Can be pickled, and not read back."""

    def __reduce__(self) -> Any:
        return os.stat, ("/there/is/no/such/file",)


def same(item: int) -> int:
    """The item."""
    return item


def process(item: object) -> int:
    """Number of the process that works on it."""
    return os.getpid()


def do(item: tuple[str, str]) -> Any:
    """item  (what to do, a path that some of it needs)"""
    what, path = item
    match what:
        case "raise":
            raise ValueError("no")
        case "leave":
            raise SystemExit(7)
        case "stubborn":
            raise Stubborn("a", "b")
        case "function":
            return lambda: 1
        case "large":
            return bytes(65 << 20)
        case "unreadable":
            return Unreadable()
        case "crash":
            os.kill(os.getpid(), signal.SIGSEGV)
        case "exit":
            os._exit(1)
        case "abort":
            os.abort()
        case "killed twice":
            if len(marks := list(Path(path).parent.glob(f"{Path(path).name}.*"))) < 2:
                Path(f"{path}.{len(marks)}").touch()
                os.kill(os.getpid(), signal.SIGKILL)
        case "crash once":
            if not Path(path).exists():
                Path(path).touch()
                os._exit(1)
        case "stop once":
            if not Path(path).exists():
                Path(path).touch()
                os.kill(os.getpid(), signal.SIGSTOP)
        case "hang":
            time.sleep(600)
        case "hang with a child":
            child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
            Path(path).write_text(str(child.pid))
            time.sleep(600)
        case "slow start":
            with Path(path).open("a") as file:
                file.write("x")
            time.sleep(2.0)
        case "memory":
            return len(bytearray(600 << 20))
        case "noise":
            os.write(1, b"a line of a library\n")
            os.write(2, b"a line of a library\n")
        case "wait":
            Path(path).touch()
            time.sleep(0.3)
    return what


def in_c_code(path: str) -> None:
    """Work for good in C code that holds Python's lock, so that no thread of this process runs any more."""
    Path(path).write_text(str(os.getpid()))
    ctypes.PyDLL(None).sleep(600)


def in_python(path: str) -> None:
    """Work for good."""
    Path(path).write_text(str(os.getpid()))
    while True:
        sum(range(100_000))
