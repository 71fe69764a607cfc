"""Where the commands print: results to standard output, notes and progress to standard error."""

from __future__ import annotations

import shlex
import time
from collections.abc import Callable, Container, Iterable, Iterator
from contextlib import contextmanager
from itertools import chain, repeat

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn

from pipeline.textfile.messages import and_more, duration

Report = Callable[[str, int, int], None]  # phase, done, total

out_console = Console(highlight=False, soft_wrap=True)
err_console = Console(stderr=True, highlight=False, soft_wrap=True)

_SETTLED = 0.5  # seconds before a rate is shown: one of the first frames alone jumps about
# Seconds between lines where there is no terminal: enough to see that it goes on, no more than some dozens in a night.
_PAUSES = (30.0, 60.0, 120.0, 300.0, 600.0)


def say(text: str) -> None:
    """Print a result. The text is printed as it is: square brackets in it are no markup."""
    out_console.print(text, markup=False)


def warn(text: str) -> None:
    """Print to standard error, so that it is seen where the output goes into a file."""
    err_console.print(text, markup=False)


def note(text: str) -> None:
    """Print something worth knowing that stops nothing."""
    warn(f"note: {text}")


def said_once(notices: Iterable[str], frames: Container[str]) -> list[str]:
    """The notices, of which those that say the same of several of `frames`, as "NAME: TEXT", are one line."""
    about: dict[str, dict[str, None]] = {}
    for text in notices:
        name, _, rest = text.partition(": ")
        if name in frames:
            about.setdefault(rest, {})[name] = None
        else:
            about.setdefault(text, {})
    return [f"{and_more(list(names))}: {text}" if names else text for text, names in about.items()]


def command(*words: object) -> str:
    """A command of evencourt as one types it: a path with a space in it is put in quotes."""
    return shlex.join(("evencourt", *map(str, words)))


@contextmanager
def progress(left: Callable[[], float | None] = lambda: None) -> Iterator[Report]:
    """A function to call with (phase, done, total): shows frames done, rate and time left.

    left  seconds until the command ends, where the caller knows them; else the time left is that of the phase

    Where standard error is no terminal, such as in a log file, a line is printed now and then.
    """
    columns = (
        TextColumn("{task.description:8}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
    )
    terminal = err_console.is_terminal
    with Progress(*columns, console=err_console, disable=not terminal, transient=True) as bar:
        tasks: dict[str, TaskID] = {}
        began: dict[str, tuple[float, int]] = {}  # when, and how much was done before
        pauses = chain(_PAUSES, repeat(_PAUSES[-1]))
        due = time.perf_counter() + next(pauses)

        def report(phase: str, done: int, total: int) -> None:
            nonlocal due
            now = time.perf_counter()
            if phase not in tasks:
                tasks[phase] = bar.add_task(phase, total=total, rate="")
                began[phase] = now, done
            since, before = began[phase]
            rate = ""
            if now - since > _SETTLED and done > before:
                speed = (done - before) / (now - since)
                whole = left()
                seconds, of = (whole, " in all") if whole is not None else ((total - done) / speed, "")
                rate = f"{speed:.1f} frames/s, about {duration(seconds)} left{of}"
            bar.update(tasks[phase], completed=done, total=total, rate=rate)
            if not terminal and now >= due:
                due = now + next(pauses)
                warn(f"{phase}: {done:,} of {total:,}{', ' if rate else ''}{rate}")

        yield report
