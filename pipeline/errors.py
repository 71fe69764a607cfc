"""What a user is told when something is wrong: where, what, and what to do."""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby


@dataclass(frozen=True, order=True)
class Problem:
    """One thing wrong in a file the user wrote. Lines and columns count from 1; 0 means "the whole file".

    missing  the table of the shoot, "roster" or "frames", that the facts name and that is not there; else ""
    frame    the only frame that it concerns, "" where it concerns more
    withheld whether all that it leaves open about a player is withheld, so that the rest can go on without them
    """

    file: str
    line: int
    column: int
    message: str
    missing: str = ""
    frame: str = ""
    withheld: bool = False

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        return f"{where}: {self.message}"


MOST_LINES = 50  # problems of one file that are printed; more are of no help


def lines_of(problems: Sequence[Problem]) -> list[str]:
    """Each problem on a line, in the order of files and lines; of a file's more than `MOST_LINES` the first, and how
    many more there are."""
    lines: list[str] = []
    for file, some in groupby(sorted(set(problems)), key=lambda problem: problem.file):
        found = list(some)
        lines += map(str, found[:MOST_LINES])
        if len(found) > MOST_LINES:
            more = len(found) - MOST_LINES
            lines.append(f"{file}: and {more:,} more problem{'' if more == 1 else 's'}")
    return lines


class EvencourtError(Exception):
    """Base of every error that is shown to the user as plain text, without a traceback."""

    @property
    def lines(self) -> tuple[str, ...]:
        """What to print, a line each: a path in one of them may have line breaks of its own."""
        return (str(self),)


class InputError(EvencourtError):
    """Usage, recipe or shoot facts cannot work. All problems at once; exit status 2."""

    def __init__(self, problems: Sequence[Problem] | str, *more: str) -> None:
        """more  further lines, after the problems or the text"""
        self.problems = () if isinstance(problems, str) else tuple(sorted(set(problems)))
        self._lines = (*([problems] if isinstance(problems, str) else lines_of(self.problems)), *more)
        super().__init__("\n".join(self._lines))

    @property
    def lines(self) -> tuple[str, ...]:
        """Each problem or text."""
        return self._lines


class RunStoppedError(EvencourtError):
    """The run cannot go on, through no fault of a recipe or frame; what is done stays. Exit status 1."""


DEBUG = "EVENCOURT_DEBUG"  # in the environment, so that worker processes have it too
_MOST_SHOWN = 300  # characters of an unexpected error that are shown


def debugging() -> bool:
    """Whether tracebacks are to be shown: `evencourt --debug`, or EVENCOURT_DEBUG=1."""
    return os.environ.get(DEBUG, "0") not in ("", "0")


def trace(error: BaseException) -> None:
    """Show the traceback of an error that the run survives or ends with, where the user asked for it."""
    if debugging():
        traceback.print_exception(error, file=sys.stderr)


def in_short(error: BaseException) -> str:
    """An unexpected error on one line: its kind and what it says, without control characters and of bounded length."""
    if isinstance(error, MemoryError):
        return "not enough memory"
    try:
        text = str(error)
        if isinstance(error, OSError) and error.strerror:
            where = str(error.filename or "")  # of a long one the end: the reason must be seen
            where = where if len(where) <= _MOST_SHOWN // 2 else f"...{where[-_MOST_SHOWN // 2 :]}"
            text = f"{where}: {error.strerror}" if where else error.strerror
    except Exception:  # an exception of a library can raise when it is printed
        text = ""
    one_line = " ".join("".join(c if c.isprintable() else " " for c in text[: 4 * _MOST_SHOWN]).split())
    short = one_line[:_MOST_SHOWN] + ("..." if len(one_line) > _MOST_SHOWN else "")
    if isinstance(error, EvencourtError | OSError):
        return short or type(error).__name__
    return f"{type(error).__name__}: {short}" if short else type(error).__name__


AGAIN = "run the same command again; if it says the same, put --debug after evencourt and report what that shows"
COPY_AGAIN = "copy it again from the card, if the card has a better one"  # gather may have verified this very one


class FrameError(EvencourtError):
    """One frame cannot be delivered. The message is the reason, ready to print after the frame's name."""


class UndecodableError(FrameError):
    """The file of a frame holds no picture that can be decoded; another file of the same exposure may."""
