"""Where the commands print: results to standard output, notes and progress to standard error."""

from __future__ import annotations

import shlex
import time
from collections.abc import Callable, Container, Iterable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

from pipeline.textfile.messages import and_more

Report = Callable[[str, int, int], None]  # phase, done, total

out_console = Console(highlight=False, soft_wrap=True)
err_console = Console(stderr=True, highlight=False, soft_wrap=True)

_SETTLED = 0.5  # seconds before a rate is shown: one of the first frames alone jumps about


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
def progress() -> Iterator[Report]:
    """A function to call with (phase, done, total): shows frames done, rate and time left.

    Nothing is shown where standard error is no terminal.
    """
    columns = (
        TextColumn("{task.description:8}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=err_console, disable=not err_console.is_terminal, transient=True) as bar:
        tasks: dict[str, TaskID] = {}
        started: dict[str, float] = {}

        def report(phase: str, done: int, total: int) -> None:
            if phase not in tasks:
                tasks[phase] = bar.add_task(phase, total=total, rate="")
                started[phase] = time.perf_counter()
            elapsed = time.perf_counter() - started[phase]
            rate = f"{done / elapsed:.1f} frames/s" if elapsed > _SETTLED else ""
            bar.update(tasks[phase], completed=done, total=total, rate=rate)

        yield report
