"""Lets the system refuse one call of a gather, each in turn: `sweep` says what went wrong."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import InputError
from tests.shoot.gather.cards import content, gather, holds_all, put, sums, unfinished

CALLS = (
    "open", "read", "write", "fsync", "link", "unlink", "mkdir", "utime", "rename", "replace", "scandir", "lstat",
    "stat", "fstat", "close", "posix_fadvise",
)  # fmt: skip


class Refusal:
    """The so-manyth call in `CALLS` fails, or with `onward` also every later one of its kind."""

    def __init__(self, at: int, number: int, onward: bool) -> None:
        self.at, self.number, self.onward = at, number, onward
        self.calls = 0
        self.what = ""

    @contextmanager
    def armed(self) -> Iterator[None]:
        real = {name: getattr(os, name) for name in CALLS}
        for name, call in real.items():
            setattr(os, name, self._wrapped(name, call))
        try:
            yield
        finally:
            for name, call in real.items():
                setattr(os, name, call)

    def _wrapped(self, name: str, call):
        def refusing(*arguments, **keywords):
            self.calls += 1
            if self.calls == self.at:
                self.what = name
            if self.calls == self.at or (self.onward and self.what == name):
                if name == "close":
                    call(*arguments)
                raise OSError(self.number, os.strerror(self.number), str(arguments[0]) if arguments else None)
            return call(*arguments, **keywords)

        return refusing


def sweep(top: Path, number: int, onward: bool, step: int = 1) -> tuple[list[str], int]:
    """Faults found, and how many calls were refused."""
    card = top / "CARD"
    for name, size in (("HALL0001.CR3", 9000), ("HALL0001.JPG", 3000), ("HALL0002.CR3", 9000)):
        put(card / "DCIM" / name, content(name, size))
    wanted = set(sums(card).values())
    faults, at = [], 1
    while True:
        (top / f"{at}").mkdir()
        folders = (top / f"{at}" / "shoot", top / f"{at}" / "second")
        refusal = Refusal(at, number, onward)
        verdict, safe = "refused", False
        with refusal.armed():
            try:
                (result,) = gather(card, *folders)
                verdict, safe = result.verdict(), result.whole
            except InputError as error:  # before anything was copied, and said
                verdict = str(error)
        if refusal.calls < at:
            return faults, at // step
        where = f"{errno.errorcode[number]} in {refusal.what}, call {at}"
        for folder in folders:
            there = sums(folder) if folder.exists() else {}
            faults += [f"{where}: {path} is not whole" for path, digest in there.items() if digest not in wanted]
        if safe and not holds_all(card, *folders):
            faults.append(f"{where}: it says {verdict}")
        (result,) = gather(card, *folders)
        expected = {f"CARD/{path}": digest for path, digest in sums(card).items()}
        if not result.whole or any(sums(folder) != expected or unfinished(folder) for folder in folders):
            faults.append(f"{where}, run again: {result.verdict()} {sums(folders[0])}")
        shutil.rmtree(top / f"{at}")
        at += step
