"""Where the commands print: results to standard output, notes and progress to standard error."""

from __future__ import annotations

import io
import logging
import os
import shlex
import sys
import time
import unicodedata
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from itertools import chain, repeat
from typing import TYPE_CHECKING, Any, TextIO

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TaskID, TextColumn
from rich.progress import Progress as ProgressBars
from typer.core import TyperGroup

from pipeline.cli.stop import say_to
from pipeline.errors import RunStoppedError, debugging
from pipeline.textfile.messages import counted, duration

if TYPE_CHECKING:
    from pipeline.types import Progress

out_console = Console(highlight=False, soft_wrap=True)
err_console = Console(stderr=True, highlight=False, soft_wrap=True)

_SETTLED = 0.5  # seconds before a rate is shown: one of the first frames alone jumps about
_LEAST = 8  # frames of a phase before it is shown: the first wait for workers that load their libraries
_SLOW = 0.1  # frames a second, below which the seconds of a frame are shown
SOON = 10.0  # seconds left, below which no number is said: what ends a run goes by no rate
# Seconds between lines where there is no terminal: enough to see that it goes on, no more than some dozens in a night.
_PAUSES = (30.0, 60.0, 120.0, 300.0, 600.0)


MOST_LINES = 20  # of a kind that are printed; a record or a report has all
MOST_ALONE = 100  # of a kind that no other place has
_LONGEST = 2000  # characters of a line; the longest path of most systems is 4,096 bytes
# Categories of Unicode that a terminal acts upon instead of showing them: control characters, invisible ones (among
# them those that turn the direction of a line), halves of pairs, line and paragraph separators.
_ACTING = ("Cc", "Cf", "Cs", "Zl", "Zp")
_JOINERS = "\u200c\u200d\u00ad"  # spelling needs them: zero width joiner and non-joiner, soft hyphen
_NAMED = {"\t": "\\t", "\n": "\\n", "\r": "\\r"}
_BYTES = range(0xDC80, 0xDD00)  # what Python makes of a byte of a file name that is no text


def clean(text: str) -> str:
    """A text as one line that a terminal only shows: what it would act upon stands as its code, as in \\x1b.

    File names, metadata, records and the words of libraries may hold anything.
    """
    if not text.isprintable():
        text = "".join(c if c.isprintable() else _shown(c) for c in text[: 2 * _LONGEST]) + text[2 * _LONGEST :]
    if len(text) > _LONGEST:
        text = f"{text[:_LONGEST]}... ({len(text) - _LONGEST:,} more characters)"
    return text


def _shown(character: str) -> str:
    if character in _JOINERS or unicodedata.category(character) not in _ACTING:
        return character
    code = ord(character)
    if code in _BYTES:
        code -= 0xDC00
    plain = f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
    return _NAMED.get(character, plain)


def say(text: str) -> None:
    """Print a result on one line, cleaned. Square brackets in it are no markup.

    Raises BrokenPipeError where nobody reads on, RunStoppedError where it goes to a file that cannot be written.
    """
    try:
        out_console.print(clean(text), markup=False)
    except BrokenPipeError:
        raise
    except OSError as error:
        why = error.strerror or str(error)
        raise RunStoppedError(f"what this command prints cannot be written ({why}); its work is not touched") from error


def say_lines(text: str) -> None:
    """Print a result of several lines, such as a recipe."""
    for line in text.split("\n"):
        say(line)


def warn(text: str) -> None:
    """Print to standard error, cleaned, so that it is seen where the output goes into a file."""
    with suppress(OSError):  # a log on a full disk, or nobody who reads it: no reason to end a night
        err_console.print(clean(text), markup=False)


def note(text: str) -> None:
    """Print something worth knowing that stops nothing."""
    warn(f"note: {text}")


def some(show: Callable[[str], None], texts: Sequence[str], kind: str, where: str = "", most: int = 0) -> None:
    """`show` the first of the texts, and say how many more of a `kind` there are, and `where` they are, if anywhere.

    most  that are shown; 0: MOST_LINES, or MOST_ALONE where the rest is nowhere. One text more is shown too: it takes
          no more room than a line that says there is one
    """
    most = most or (MOST_LINES if where else MOST_ALONE)
    shown = texts if len(texts) <= most + 1 else texts[:most]
    for text in shown:
        show(text)
    if len(texts) > len(shown):
        show(f"and {counted(len(texts) - len(shown), f'more {kind}')}{where}")


@contextmanager
def quiet_libraries() -> Iterator[None]:
    """Keep what libraries print, in Python or below it, from the terminal, unless --debug asks for it.

    What is ours goes to a copy of standard output and error; their own numbers lead nowhere, for processes that are
    started meanwhile too.
    """
    for given in (sys.stdout, sys.stderr):
        if isinstance(given, io.TextIOWrapper):  # a terminal that cannot show a letter shows its code instead
            given.reconfigure(errors="backslashreplace")
    if debugging():
        yield
        return
    nowhere = logging.NullHandler()
    logging.getLogger().addHandler(nowhere)
    kept = {name: stream for name in ("stdout", "stderr") if (stream := _aside(getattr(sys, name))) is not None}
    before = {name: getattr(sys, name) for name in kept}
    for name, stream in kept.items():
        setattr(sys, name, stream)
    if "stderr" in kept:
        say_to(kept["stderr"].fileno())
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        logging.getLogger().removeHandler(nowhere)
        say_to(2)
        for name, stream in before.items():
            with suppress(OSError, ValueError):  # what could not be written was said, or nobody reads it
                kept[name].flush()
            os.dup2(kept[name].fileno(), stream.fileno())
            setattr(sys, name, stream)
            with suppress(OSError, ValueError):
                kept[name].close()


def _aside(stream: TextIO) -> TextIO | None:
    """A copy of a stream, whose own number then leads nowhere; None for one that is none of the operating system's."""
    if not isinstance(stream, io.TextIOWrapper):
        return None
    try:
        number = stream.fileno()
        stream.flush()
        copy = os.dup(number)
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, number)
        os.close(null)
    except (OSError, ValueError):
        return None
    buffering = 1 if stream.line_buffering else -1
    return open(copy, "w", buffering, encoding=stream.encoding, errors="backslashreplace")  # noqa: PTH123


class Commands(TyperGroup):
    """The commands, whose usage errors repeat nothing that a terminal would act upon."""

    def make_context(self, *given: Any, **more: Any) -> Any:
        """As typer does."""
        with _cleaned():
            return super().make_context(*given, **more)

    def invoke(self, ctx: Any) -> Any:
        """As typer does."""
        with _cleaned():
            return super().invoke(ctx)


@contextmanager
def _cleaned() -> Iterator[None]:
    try:
        yield
    except Exception as error:
        if hasattr(error, "format_message") and isinstance(getattr(error, "message", None), str):
            error.message = clean(error.message)  # type: ignore[attr-defined]
        raise


def command(*words: object) -> str:
    """A command of evencourt as one types it: a path with a space in it is put in quotes."""
    return shlex.join(("evencourt", *map(str, words)))


def _pauses() -> Iterator[float]:
    with suppress(ValueError):
        if given := os.environ.get("EVENCOURT_PROGRESS"):
            return repeat(float(given))
    return chain(_PAUSES, repeat(_PAUSES[-1]))


@contextmanager
def progress(left: Callable[[], float | None] = lambda: None, until: str = " in all") -> Iterator[Progress]:
    """A function to call with (phase, done, total): shows frames done, rate and time left.

    left   seconds until the command ends, where the caller knows them; else the time left is that of the phase
    until  what these last to, in words

    Where standard error is no terminal, such as in a log file, a line is printed now and then; with EVENCOURT_PROGRESS
    in the environment, every so many seconds.
    """
    columns = (
        TextColumn("{task.description:8}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
    )
    terminal = err_console.is_terminal
    with ProgressBars(*columns, console=err_console, disable=not terminal, transient=True) as bar:
        tasks: dict[str, TaskID] = {}
        # When, and how much was done then: twice, the second in the middle of the time that counts for the rate. What
        # was there from an earlier run comes at once, and is soon forgotten.
        since: dict[str, tuple[float, int]] = {}
        middle: dict[str, tuple[float, int]] = {}
        first: dict[str, int] = {}
        pauses = _pauses()
        due = 0.0

        def report(phase: str, done: int, total: int) -> None:
            nonlocal due, pauses
            now = time.perf_counter()
            if phase not in tasks:
                pauses = _pauses()  # each phase soon says that it goes on, however long the last one took
                due = now + next(pauses)
                tasks[phase] = bar.add_task(phase, total=total, rate="")
                since[phase] = middle[phase] = now, done
                first[phase] = done
            if now - middle[phase][0] > max(_SETTLED, middle[phase][0] - since[phase][0]):
                since[phase], middle[phase] = middle[phase], (now, done)
            start, before = since[phase]
            rate = ""
            if now - start > _SETTLED and done > before and done - first[phase] >= _LEAST:
                speed = (done - before) / (now - start)
                whole = left()
                seconds, of = (whole, until) if whole is not None else ((total - done) / speed, "")
                pace = f"{speed:.1f} frames/s" if speed >= _SLOW else f"{1 / speed:.0f} s a frame"
                about = f"about {duration(seconds)}" if seconds >= SOON else f"less than {duration(SOON)}"
                rate = f"{pace}, {about} left{of}"
            bar.update(tasks[phase], completed=done, total=total, rate=rate)
            if not terminal and now >= due:
                due = now + next(pauses)
                warn(f"{phase}: {done:,} of {total:,}{', ' if rate else ''}{rate}")

        yield report
