"""What a user is told when something is wrong: where, what, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby


@dataclass(frozen=True, order=True)
class Problem:
    """One thing wrong in a file the user wrote. Lines and columns count from 1; 0 means "the whole file".

    missing  the table of the shoot, "roster" or "frames", that the facts name and that is not there; else ""
    """

    file: str
    line: int
    column: int
    message: str
    missing: str = ""

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


class InputError(EvencourtError):
    """Usage, recipe or shoot facts cannot work. All problems at once; exit status 2."""

    def __init__(self, problems: Sequence[Problem] | str) -> None:
        self.problems = () if isinstance(problems, str) else tuple(sorted(set(problems)))
        super().__init__(problems if isinstance(problems, str) else "\n".join(lines_of(self.problems)))


class RunStoppedError(EvencourtError):
    """The run cannot go on, through no fault of a recipe or frame; what is done stays. Exit status 1."""


COPY_AGAIN = "copy it again from the card, if the card has a better one"  # gather may have verified this very one


class FrameError(EvencourtError):
    """One frame cannot be delivered. The message is the reason, ready to print after the frame's name."""


class UndecodableError(FrameError):
    """The file of a frame holds no picture that can be decoded; another file of the same exposure may."""
