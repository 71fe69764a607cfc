"""Worker processes that crash, hang, stop, answer nonsense or are killed: every item gets its own answer, once."""

from __future__ import annotations

import os
import random
import signal
import threading
import time
from pathlib import Path
from typing import Any

from pipeline.errors import FrameError
from pipeline.workers.processes import Processes
from tests.faults.harness import cases, wrong
from tests.faults.kills import alive, below, tell
from tests.workers.tasks import do, nothing

NAME = "processes"
FULL, QUICK = 300, 8
LIMIT = 2.0  # s for an item; a second try doubles it
# What an item does -> what it must come to: a value, or a type and words of it.
WAYS: dict[str, Any] = {
    "raise": (ValueError, "no"),
    "leave": (RuntimeError, "SystemExit"),
    "stubborn": (RuntimeError, "Stubborn"),
    "function": (ValueError, "cannot be handed on"),
    "unreadable": (RuntimeError, "cannot be read back"),
    "crash": (FrameError, "died"),
    "exit": (FrameError, "died"),
    "killed twice": "killed twice",
    "crash once": "crash once",
    "stop once": "stop once",
    "hang": (FrameError, "took longer"),
    "noise": "noise",
    "wait": "wait",
}


def run(amount: int, folder: Path, seed: int) -> list[str]:
    """Each case: a few items that go wrong among many that do not, on one to four workers, some of them killed."""
    if os.name == "nt":
        return []  # no such signals
    found = []
    for number, chance in cases(amount, seed):
        place = folder / f"{number}"
        place.mkdir()
        items = [
            (chance.choice(list(WAYS)) if chance.random() < 0.25 else "fine", str(place / f"{n}")) for n in range(20)
        ]
        start = time.monotonic()
        answers, started = _night(items, chance)
        found += [wrong(NAME, number, text) for text in _compared(items, answers)]
        if left := [pid for pid in started if alive(pid)]:
            found.append(wrong(NAME, number, f"{len(left)} processes are left"))
        if time.monotonic() - start > 90:
            found.append(wrong(NAME, number, f"took {time.monotonic() - start:.0f} s"))
    return found


def _night(items: list[tuple[str, str]], chance: random.Random) -> tuple[list[tuple[int, Any]], set[int]]:
    """(the answers as they came, the processes that were seen); one or two workers are killed from outside."""
    answers: list[tuple[int, Any]] = []
    seen: set[int] = set()
    over = threading.Event()
    moments = [chance.uniform(0, 1.0) for _ in range(chance.randrange(3))]

    def kill() -> None:
        for moment in moments:
            if over.wait(moment):
                return
            workers = below(os.getpid())
            seen.update(workers)
            if workers:
                tell(chance.choice(workers), signal.SIGKILL)

    killer = threading.Thread(target=kill)
    with Processes(chance.randrange(1, 5), nothing, frame_limit=LIMIT, warming=0) as workers:
        killer.start()
        answers += workers.map(do, items, size=lambda item: 1.0)
        over.set()
        killer.join()
    return answers, seen


def _compared(items: list[tuple[str, str]], answers: list[tuple[int, Any]]) -> list[str]:
    found = []
    if sorted(index for index, _ in answers) != list(range(len(items))):
        found.append(f"answers for {sorted(index for index, _ in answers)}")
    for index, answer in answers:
        what, _ = items[index]
        wanted = WAYS.get(what, what)
        if isinstance(wanted, tuple):
            kind, words = wanted
            if not isinstance(answer, kind) or words not in str(answer):
                found.append(f"{what}: {answer!r}")
        elif answer != wanted:
            found.append(f"{what}: {answer!r}")
    return found
