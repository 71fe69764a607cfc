"""Kills a gather at every call by which it changes a disk: `python -m tests.shoot.gather.killed FOLDER [no-links]`.

For each point a child process is killed (SIGKILL) just before the call, or half way through what it writes; what it
left is looked at, and the same gather is run again. Prints what was wrong, and the number of points.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import signal
import sys
from pathlib import Path

from tests.shoot.gather.cards import content, gather, put, snapshot, sums, unfinished

CALLS = ("open", "write", "fsync", "link", "unlink", "mkdir", "utime", "rename", "replace")


def arm(kill_at: int) -> None:
    """In this process, die at the so-manyth call that changes a disk."""
    done = 0

    def wrap(name: str, real):
        def call(*arguments, **keywords):
            nonlocal done
            if name == "open" and not arguments[1] & os.O_CREAT:
                return real(*arguments, **keywords)
            done += 1
            if done == kill_at:
                if name == "write":
                    real(arguments[0], bytes(arguments[1])[: len(arguments[1]) // 2])
                os.kill(os.getpid(), signal.SIGKILL)
            return real(*arguments, **keywords)

        return call

    for name in CALLS:
        setattr(os, name, wrap(name, getattr(os, name)))


def no_link(*arguments, **keywords):
    raise OSError(errno.EPERM, "this disk has no hard links")


def wrong_after_a_kill(card: Path, folders: tuple[Path, Path]) -> list[str]:
    wanted = set(sums(card).values())
    found = []
    for folder in folders:
        there = sums(folder) if folder.exists() else {}
        found += [f"{folder.name}/{path} is not whole" for path, digest in there.items() if digest not in wanted]
        if (folder / "gathered.sha256").exists():
            for line in (folder / "gathered.sha256").read_text().splitlines():
                if hashlib.sha256((folder / line[66:]).read_bytes()).hexdigest() != line[:64]:
                    found.append(f"the list is wrong: {line}")
    return found


def main(top: Path, links: bool) -> int:
    if not links:
        os.link = no_link
    card = top / "CARD"
    for name, size in (("HALL0001.CR3", 9000), ("HALL0001.JPG", 3000), ("HALL0002.CR3", 9000)):
        put(card / "DCIM" / name, content(name, size))
    before = snapshot(card)
    faults: list[str] = []
    kill_at = 0
    killed = True
    while killed:
        kill_at += 1
        (top / f"{kill_at}").mkdir()
        folders = (top / f"{kill_at}" / "shoot", top / f"{kill_at}" / "second")
        child = os.fork()
        if child == 0:
            arm(kill_at)
            gather(card, *folders)
            os._exit(0)
        killed = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
        faults += [f"killed at {kill_at}: {text}" for text in wrong_after_a_kill(card, folders)]
        (result,) = gather(card, *folders)
        expected = {f"CARD/{path}": digest for path, digest in sums(card).items()}
        for folder in folders:
            if not result.whole or sums(folder) != expected or unfinished(folder):
                faults.append(f"killed at {kill_at}, run again: {result.verdict()} {sorted(sums(folder))}")
            listed = {line[66:]: line[:64] for line in (folder / "gathered.sha256").read_text().splitlines()}
            if listed != expected:
                faults.append(f"killed at {kill_at}, run again: listed {listed}")
        for path, state in snapshot(card).items():
            if state[:5] != before[path][:5]:  # but for times of access, since `sums` reads
                faults.append(f"killed at {kill_at}: the card has changed: {path}")
        shutil.rmtree(top / f"{kill_at}")
    print("\n".join(faults))
    print("points:", kill_at - 1)
    return len(faults)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), "no-links" not in sys.argv) > 0)
