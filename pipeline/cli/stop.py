"""What a command does when it is stopped: Ctrl-C, SIGTERM, a terminal that is closed, or an error nobody foresaw.

While there is nothing to tidy up, a stop ends the
process on the spot; inside `stoppable` it unwinds as KeyboardInterrupt, and a thread ends the process where that takes
too long. Either loses nothing: what is written appears whole or not at all, and the next run goes on from it.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType

from pipeline.errors import debugging, in_short

_SAME = 0.3  # s in which a second signal is the same request: some programs signal both a process and its group
_LIMIT = 2.0  # s from the first signal to the end, at the latest; a person waits no longer (chosen by us, no source)
_AGAIN = "what is done is kept; run the same command again to go on"
_WORDS = {
    "SIGINT": "stopped by hand",
    "SIGTERM": "stopped from outside",
    "SIGHUP": "stopped, since the terminal closed",
}
_STATUS = {"SIGINT": 130, "SIGTERM": 143, "SIGHUP": 143}
_SHOW_CURSOR = "\x1b[?25h"


class _Stop:
    """name  of the first signal, "" before one; since  when it was handled, s; said  the words are on the terminal
    unwinding  how many blocks have something to tidy up; to  the descriptor of the terminal"""

    def __init__(self) -> None:
        self.name, self.since, self.unwinding, self.said = "", 0.0, 0, False
        self.to = 2

    def words(self) -> str:
        """What a person reads."""
        return f"{_WORDS[self.name or 'SIGINT']}; {_AGAIN}"

    def status(self) -> int:
        """Exit status: 128 and the number of the signal; SIGHUP counts as SIGTERM."""
        return _STATUS[self.name or "SIGINT"]

    def say(self) -> None:
        """Print the words, once, with the least that can go wrong."""
        if self.said:
            return
        self.said = True
        cursor = _SHOW_CURSOR if os.isatty(self.to) else ""  # a progress bar hides it
        with suppress(OSError):  # the terminal is gone
            os.write(self.to, f"{cursor}{self.words()}\n".encode())

    def leave(self) -> None:
        """End now. Workers end with this process."""
        self.say()
        os._exit(self.status())


_stop = _Stop()


def say_to(descriptor: int) -> None:
    """Where the words go, while standard error is not the terminal."""
    _stop.to = descriptor


def finish() -> None:
    """At the end of the program: leave with the status of a stop, and be killed by no late one."""
    if _stop.name:  # not as Python ends, which prints what it cannot flush and waits for threads
        with suppress(Exception):
            sys.stdout.flush()
        _stop.leave()
    for number in _handled():  # as Python ends it gives them back to the system, which would kill it
        signal.signal(number, signal.SIG_IGN)


@contextmanager
def stoppable() -> Iterator[None]:
    """For work that leaves something to tidy up, such as a folder for temporary files.

    Where it is stopped, say so once and raise SystemExit with the status of the signal; also where a library made
    another exception of that.
    """
    _stop.unwinding += 1
    try:
        yield
    except KeyboardInterrupt:
        _stop.say()
        raise SystemExit(_stop.status()) from None
    except BaseException as error:
        if not _stop.name:
            raise
        if hasattr(error, "exit_code"):
            _stop.said = True  # by the command itself
        _stop.say()
        raise SystemExit(_stop.status()) from None
    finally:
        _stop.unwinding -= 1


def install() -> None:
    """Handle the signals, from here on. One that was ignored when the program started, as under nohup, stays so."""
    if os.name != "nt":
        heard, written = os.pipe()
        os.set_blocking(written, False)
        signal.set_wakeup_fd(written, warn_on_full_buffer=False)
        threading.Thread(target=_watch, args=(heard,), daemon=True).start()
    for number in _handled():
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _stopped)
    sys.unraisablehook = _unraisable


def _handled() -> dict[int, str]:
    """The signals that stop a command, of those that this system has."""
    return {getattr(signal, name): name for name in _STATUS if hasattr(signal, name)}


def _stopped(number: int, frame: FrameType | None) -> None:
    first, _stop.since = _stop.since, _stop.since or time.monotonic()
    _stop.name = _stop.name or signal.Signals(number).name
    if not _stop.unwinding or (first and time.monotonic() - first > _SAME):
        _stop.leave()
    if first:
        return
    if os.name == "nt":
        threading.Timer(_LIMIT, _stop.leave).start()
    raise KeyboardInterrupt(_stop.words())


def _watch(heard: int) -> None:
    """End the process where the main thread does not get to it: at a second signal, or when the time is up."""
    names = _handled()
    while (number := os.read(heard, 1)) and number[0] not in names:
        pass
    _stop.name = _stop.name or names[number[0]]
    time.sleep(_SAME)
    while select.select([heard], [], [], 0)[0]:
        os.read(heard, 1)
    select.select([heard], [], [], _LIMIT - _SAME)
    _stop.leave()


def _unraisable(failed: sys.UnraisableHookArgs) -> None:
    """A stop that falls into code which may not raise is no error to print."""
    if not isinstance(failed.exc_value, KeyboardInterrupt):
        sys.__unraisablehook__(failed)


def unexpected(error: Exception) -> str:
    """One line on an error that nobody foresaw, with what to do."""
    if isinstance(error, MemoryError):
        return "there is not enough memory; close other programs, and run again with --workers 1"
    if isinstance(error, OSError):
        return f"{in_short(error)}; look at that file or folder and its disk, then run the same command again"
    asked = "report the lines above" if debugging() else "put --debug after evencourt, and report what that shows"
    return f"unexpected {in_short(error)}; what is done stays: run the same command again. If it says the same, {asked}"


def drop_output() -> None:
    """Leave nothing for the end of the process to write, where it would find no words for a failure."""
    try:
        sys.stdout.flush()
    except (OSError, ValueError):
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
