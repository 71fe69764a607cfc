"""What becomes of memory that a worker has used: it keeps it for the next frame. imaging.memory gives it back."""

from __future__ import annotations

import ctypes
import sys
from contextlib import suppress

# mallopt's parameters (glibc, malloc.h) and what they are set to: blocks of any picture come from the heap, and the
# heap is not given back. Chosen with `python -m tests.benchmark`.
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
_LARGEST_BLOCK, _NEVER = 1 << 30, 2**31 - 1


def keep_memory() -> None:
    """Keep what one frame has used for the next one. On glibc; elsewhere nothing happens.

    A frame takes some hundred megabytes again and again, and each time the system empties every page of them: up to a
    quarter of a worker's time. The memory goes when the worker ends.
    """
    if sys.platform != "linux":
        return
    with suppress(OSError, AttributeError):  # musl has no mallopt
        libc = ctypes.CDLL(None)
        libc.mallopt(_MMAP_THRESHOLD, _LARGEST_BLOCK)
        libc.mallopt(_TRIM_THRESHOLD, _NEVER)
