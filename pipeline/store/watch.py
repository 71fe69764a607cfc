"""Whether the folders that a command works on are still what they were when it began."""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.errors import RunStoppedError, in_short, trace
from pipeline.store.disk import Anchor
from pipeline.store.files import TEMPORARY, is_inside

FULL = frozenset((errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)))
# After these a disk takes nothing more; after others the next file may still go well.
LOST = frozenset((errno.EROFS, errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESTALE, errno.EHOSTDOWN))
AGAIN = "run the same command again to go on"


class Watch:
    """OUT and the shoot folder, held open while a command works on them.

    A disk that was pulled leaves an empty folder on another disk behind, where the night must not be written on.
    """

    def __init__(self, out: Path, shoot: Path | None, called: Path, full: str) -> None:
        """called: what a person knows `out` as; full: what to do when its disk is full. Raises OSError."""
        self._out, self._shoot, self._called, self._full = out, shoot, called, full
        self._held = Anchor(out)
        self._source = None
        if shoot is not None:
            with suppress(OSError):  # its frames fail by name
                self._source = Anchor(shoot)

    def lost(self, *, shoot: bool = True) -> str:
        """Why the command cannot go on, "" where OUT, and with `shoot` the folder of the frames, are there."""
        if not self._held.holds():
            return f"{self._called}: is not there any more; was its disk taken out? Connect it again and {AGAIN}"
        if shoot and self._source is not None and not self._source.holds():
            return f"{self._shoot}: is not there any more; was its disk taken out? Connect it again and {AGAIN}"
        return ""

    def refusal(self, error: OSError) -> str:
        """Why the command cannot go on after `error`, "" where it was about one file, or about none of OUT."""
        if why := self.lost():
            return why
        if not self.is_own(error):
            return ""
        if error.errno in FULL:
            return f"{self._called}: the disk is full; {self._full}"
        if error.errno in LOST or self._takes_nothing():
            return f"{self._called}: cannot be written any more ({error.strerror}); see to its disk, then {AGAIN}"
        return ""

    def is_own(self, error: OSError) -> bool:
        """Whether `error` is about a file below OUT."""
        return error.filename is not None and is_inside(
            Path(os.fsdecode(error.filename)).absolute(), self._out.absolute()
        )

    def close(self) -> None:
        """Let the folders go, so that their disks can be taken out."""
        self._held.close()
        if self._source is not None:
            self._source.close()

    def _takes_nothing(self) -> bool:
        probe = self._out / f"{TEMPORARY}{os.getpid()}-{secrets.token_hex(8)}"
        try:
            probe.write_bytes(b"0")
        except OSError:
            return True
        finally:
            with suppress(OSError):
                probe.unlink()
        return False


@contextmanager
def surviving(failed: Callable[[str], None] = lambda why: None) -> Iterator[None]:
    """Where the block fails, the run goes on without it: `failed` is told why, in short. Raises as `raise_if_full`."""
    try:
        yield
    except Exception as error:
        raise_if_full(error)
        trace(error)
        failed(in_short(error))


def raise_if_full(error: Exception) -> None:
    """Raises `error` where a disk is full or gone, or the run cannot go on: no frame or step is to blame for that."""
    if isinstance(error, RunStoppedError) or (isinstance(error, OSError) and error.errno in FULL | LOST):
        raise error
