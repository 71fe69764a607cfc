"""Signals as a terminal leaves them."""

from __future__ import annotations

import signal


def as_in_a_terminal() -> None:
    """Ignore no signal that stops a command, so that no process started from here does: what is started in the
    background of a script, or under nohup, is told to ignore some. For the main thread."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, signal.default_int_handler if name == "SIGINT" else signal.SIG_DFL)
