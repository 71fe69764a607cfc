""" "Render what changed": evencourt run, again, in a process of its own, with what the run in OUT was given."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pipeline.errors import in_short, trace

State = Literal["idle", "running", "stopping", "done", "failed", "stopped"]
EVERY = "EVENCOURT_PROGRESS"  # in the environment: seconds between lines of progress; see cli.console.progress
_LINE = re.compile(r"(?P<phase>[a-z ]+): (?P<done>[\d,]+) of (?P<of>[\d,]+)")
# All is rendered, and a run ends with status 1 only for rows of frames.csv that it did not use: the page shows those.
_ROWS_ALONE = re.compile(r"frames delivered, 0 failed,(?!.* not done).* not used: (?!.*must not stay)")
_FAULTS = ("failed:", "not sent:")  # what a run's lines about anything else begin with
_ENDED = 1.5  # s that a run has to end in, when the review ends
_KEPT = 200  # lines of what a run says that are kept
_CODE = (
    "import sys; from pipeline.lifetime import end_with; end_with(int(sys.argv.pop(1))); "
    "from pipeline.cli.entry import main; main()"
)
_PHASES = {"measure": "looking at the frames", "light": "comparing the light", "render": "rendering"}


@dataclass(frozen=True)
class Progress:
    """state; done of `of` frames in the phase; message  for a person; lines  what the run said, the last ones"""

    state: State = "idle"
    done: int = 0
    of: int = 0
    message: str = ""
    lines: tuple[str, ...] = ()


class RenderJob:
    """One run at a time. `ended` is called in a thread of its own with the exit status when one has ended."""

    def __init__(self, arguments: Sequence[str], ended: Callable[[int], None]) -> None:
        """arguments  of evencourt, after its name"""
        self._arguments, self._ended = list(arguments), ended
        self._process: subprocess.Popen[str] | None = None
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()
        self._lines: deque[str] = deque(maxlen=_KEPT)
        self.progress = Progress()

    @property
    def is_running(self) -> bool:
        """Whether a run of ours is on."""
        return self.progress.state in ("running", "stopping")

    def start(self) -> None:
        """Begin, if none is on."""
        with self._lock:
            if self.is_running:
                return
            self._lines.clear()
            self.progress = Progress("running", message="reading the frames and the facts")
            # The thread that starts the process must outlive it: on Linux the process ends with that thread.
            self._thread = threading.Thread(target=self._go, name="render", daemon=True)
            self._thread.start()

    def _go(self) -> None:
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-c", _CODE, str(os.getpid()), *self._arguments],
                stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                text=True, encoding="utf-8", errors="replace",
                env={**os.environ, EVERY: "0.5", "PYTHONUNBUFFERED": "1"},
                # So that Ctrl-C in the terminal reaches the run once, through `stop`.
                start_new_session=os.name != "nt",
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )  # fmt: skip
        except OSError as error:
            self.progress = Progress("failed", message=f"The render could not be started ({error.strerror or error})")
            return
        if self.progress.state == "stopping":  # asked for in the meantime
            self._signal()
        assert self._process.stdout is not None
        with self._process.stdout as said:
            for line in said:
                self._take(line.rstrip("\n"))
        status = self._process.wait()
        state, done, of, message = self._outcome(status)
        try:
            self._ended(status)
        except Exception as error:  # the page would wait for this thread for ever
            trace(error)
            state = "failed"
            message += f"; but not all of it could be taken in ({in_short(error)}): load the page again"
        self.progress = Progress(state, done, of, message, tuple(self._lines))

    def _take(self, line: str) -> None:
        found = _LINE.match(line)
        state = self.progress.state
        if found:
            done, of = (int(found[name].replace(",", "")) for name in ("done", "of"))
            phase = found["phase"]
            self.progress = Progress(state, done, of, _PHASES.get(phase, phase), tuple(self._lines))
        elif line:
            self._lines.append(line)
            shown = self.progress
            self.progress = Progress(state, shown.done, shown.of, shown.message, tuple(self._lines))

    def _outcome(self, status: int) -> tuple[State, int, int, str]:
        last = self._lines[-1] if self._lines else ""
        if status == 0:
            said = next((line for line in reversed(self._lines) if "frames delivered" in line), "done")
            return "done", 0, 0, said
        if status in (130, 143) or self.progress.state == "stopping":
            return "stopped", 0, 0, "stopped; what is done is kept, and rendering again goes on"
        if status == 1:
            said = next((line for line in reversed(self._lines) if "frames delivered" in line), last)
            if _ROWS_ALONE.search(said) and not any(line.startswith(_FAULTS) for line in self._lines):
                return "done", 0, 0, said
            return "failed", 0, 0, f"The render ended, but not all went well: {said}"
        return "failed", 0, 0, f"The render failed: {last or f'the run ended with status {status}'}"

    def stop(self) -> None:
        """Ask the run to end; what is done is kept."""
        with self._lock:
            if not self.is_running:
                return
            now = self.progress
            self.progress = Progress("stopping", now.done, now.of, "stopping", now.lines)
            self._signal()

    def _signal(self) -> None:
        process = self._process
        if process is not None and process.poll() is None:
            with suppress(OSError):
                process.send_signal(getattr(signal, "CTRL_BREAK_EVENT", signal.SIGINT))

    def close(self) -> None:
        """End the run, if one is on, as the review ends."""
        self.stop()
        if self._thread is not None:
            self._thread.join(_ENDED)


def arguments(
    recipe: Path, shoot: Path, out: Path, facts: Path | None, models: Path | None, only: str | None, workers: int
) -> list[str]:
    """The command line of a run, after the program's name. It fetches nothing: model files that come to be there would
    change every crop unasked."""
    given = ["run", str(recipe), str(shoot), "--out", str(out), "--offline"]
    given += ["--facts", str(facts)] if facts is not None else []
    given += ["--models", str(models)] if models is not None else []
    given += [f"--only={only}"] if only is not None else []
    given += ["--workers", str(workers)] if workers else []
    return given
