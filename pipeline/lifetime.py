"""A process that ends with the one that started it, by whatever signal that dies: nobody is left to end it then."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import threading
import time

_PR_SET_PDEATHSIG = 1  # Linux, prctl(2)
_LOOK = 0.5  # s between looks at whether the parent lives, where the system tells nobody


def end_with(parent: int) -> None:
    """From now on, end this process when the process `parent`, which started it, ends.

    On Linux the system kills it, in C code too. Elsewhere a thread looks, which waits while C code holds Python's lock;
    Windows names a dead parent for ever, so there only the end of a pipe to the parent tells.
    """
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        if os.getppid() != parent:  # it died before
            os._exit(1)
    elif os.name != "nt":
        threading.Thread(target=_watch, args=(parent,), daemon=True).start()


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(_LOOK)
    os._exit(1)
