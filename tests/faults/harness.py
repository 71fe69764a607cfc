"""What the kinds of faults share: which there are, how a case is chosen and said, and the loop over them.

A kind is a module of this package, listed in KINDS, with

    NAME           as on the command line
    FULL, QUICK    how many cases a full and a quick run try; all kinds together take two minutes of a quick one
    run(amount, folder, seed) -> list[str]

`run` tries `amount` cases in `folder`, which is empty and its own, and returns what went wrong. Case i is chosen by the
number seed + i alone (`cases`), so that one case is repeated by `--seed seed+i --amount 1`; `wrong` says so.
"""

from __future__ import annotations

import importlib
import os
import random
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

KINDS = ("disk", "inputs", "kills", "processes", "records", "tables", "readonly")
MOST = 20  # failures of a kind that are printed
SAY_EVERY = 60.0  # s


def kind(name: str) -> ModuleType:
    """The module of a kind."""
    return importlib.import_module(f"tests.faults.{name}")


def cases(amount: int, seed: int) -> Iterator[tuple[int, random.Random]]:
    """The number of each case, and the source of all chance in it; every minute a line says how far they are."""
    told = time.monotonic()
    for number in range(seed, seed + amount):
        if time.monotonic() - told > SAY_EVERY:
            told = time.monotonic()
            print(f"... {number - seed} of {amount} cases tried, next {number}", file=sys.stderr, flush=True)
        yield number, random.Random(number)


def wrong(name: str, number: int, text: str) -> str:
    """What went wrong in a case, and how to see it again."""
    return f"{name} {number}: {text}\n    again: python -m tests.faults --only {name} --seed {number} --amount 1"


def try_kind(name: str, amount: int | None, quick: bool, seed: int, say: Callable[[str], None]) -> int:
    """Run a kind, say what came of it, and return the number of failures."""
    module = kind(name)
    count = amount if amount is not None else module.QUICK if quick else module.FULL
    start, before = time.perf_counter(), _processor_seconds()
    with tempfile.TemporaryDirectory(prefix=f"faults-{name}-") as folder:
        try:
            found = module.run(count, Path(folder), seed)
        except Exception:  # a harness that breaks is a failure too, and the other kinds still run
            found = [f"{name}: the harness itself failed\n{traceback.format_exc()}"]
    for text in found[:MOST]:
        say(text)
    if len(found) > MOST:
        say(f"{name}: and {len(found) - MOST} more")
    took = f"{time.perf_counter() - start:.0f} s, {_processor_seconds() - before:.0f} s of processor time"
    say(f"{name}: {count} cases, {len(found)} wrong, {took} (seed {seed})")
    return len(found)


def _processor_seconds() -> float:
    """Of this process and of those that it waited for: other work on the machine does not count."""
    return sum(os.times()[:4])
