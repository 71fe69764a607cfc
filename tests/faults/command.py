"""A command of evencourt in a forked process, and what a night's folders hold."""

from __future__ import annotations

import faulthandler
import hashlib
import os
import signal
import sys
import traceback
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

from pipeline.store.files import TEMPORARY

PATIENCE = 30  # s that a command may take here


@dataclass(frozen=True)
class Ended:
    """status  of the command, negative where a signal ended it; text  all that it printed"""

    status: int
    text: str


def command(arguments: list[object], log: Path, before: Callable[[], None] | None = None,
            after: Callable[[], None] | None = None) -> Ended:  # fmt: skip
    """Run `evencourt ARGUMENTS` as its own process would, after `before` was called in it; `after` when it ends."""
    sys.stdout.flush()
    child = os.fork()
    if child == 0:
        status = 70
        try:
            faulthandler.dump_traceback_later(PATIENCE - 5)
            signal.alarm(PATIENCE)
            into = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            os.dup2(into, 1)
            os.dup2(into, 2)
            if before is not None:
                before()
            status = _main(arguments)
            if after is not None:
                after()
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(status)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return Ended(status, log.read_text(encoding="utf-8", errors="replace"))


def _main(arguments: list[object]) -> int:
    from pipeline.cli.app import main
    from pipeline.workers import executors

    executors.WorkChoice.open = lambda self: nullcontext(1)  # in this process, where calls are replaced
    sys.argv = ["evencourt", *map(str, arguments)]
    try:
        main()
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:
        traceback.print_exc()
        return 70
    return 0


def sums(folder: Path) -> dict[str, str]:
    """Relative path -> SHA-256 of each file."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def delivered(out: Path) -> dict[str, str]:
    """The files of the deliveries in OUT."""
    found = sums(out) if out.is_dir() else {}
    return {
        name: digest
        for name, digest in found.items()
        if "/" in name and not name.startswith(".work/") and TEMPORARY not in name
    }


def unfinished(folder: Path) -> list[str]:
    """Files under temporary names."""
    return [path.name for path in folder.rglob(f"{TEMPORARY}*")] if folder.is_dir() else []
