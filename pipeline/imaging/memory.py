"""What one frame may take of memory, so that no file takes a worker past 3 GB, and how what lies free is given back."""

from __future__ import annotations

import ctypes
import sys
from contextlib import suppress
from dataclasses import dataclass

from pipeline.errors import FrameError


@dataclass(frozen=True)
class MemoryLimits:
    """Bounds on what the decode of one frame holds at once. No source; `pytest tests/formats/test_declared.py`."""

    # Bytes, so that a worker with all of its libraries stays under 3 GB. 100 megapixels pass in every kind of file that
    # photographs come in, 16 bits a channel included.
    decode: int = 2_500_000_000
    linear: int = 16  # bytes a pixel of what is made of any picture: three channels of float32, and a luma to measure
    raw: int = 14  # bytes a pixel of a mosaic that is brought to a web size: 13 measured at 100 megapixels


MEMORY = MemoryLimits()


def refuse_too_large(width: int, height: int, held: float, file: int = 0) -> None:
    """Raise FrameError where a picture of so many pixels would take too much memory.

    held  bytes a pixel of what its decoder keeps at the most; file  bytes of the file that are in memory with it
    """
    pixels = width * height
    if held * pixels + file > MEMORY.decode:
        raise FrameError(
            f"{pixels / 1e6:,.0f} megapixels in this form: too large, since they would take more than 3 GB of memory. "
            "If it is a photograph, save it smaller or in parts; else its file is damaged"
        )


def give_back_memory() -> None:
    """Let the system have the pages that lie free between what is still needed. On glibc; elsewhere nothing happens.

    Solving a night leaves small arrays with as much free space between them (python -m tests.scale), and pictures of
    all pixels holes into which the next does not fit (python -m tests.benchmark --only pixels).
    """
    if sys.platform != "linux":
        return
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
