"""Runs that are killed or stopped at any moment: nobody is left behind, and the same command finishes with equal bytes.

A case ends the parent, a worker, or all processes, with any signal, as soon as so much of the run is on disk; or two
workers one after the other, which the run must survive by itself.
"""

from __future__ import annotations

import hashlib
import os
import random
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

from tests.faults.harness import cases, wrong
from tests.golden import RECIPES, write_shoot

NAME = "kills"
FULL, QUICK = 100, 3
RECIPE = RECIPES["evened"]
KINDS = ("stop", "kill", "worker", "two workers", "stopped worker", "group")
STATUS = {"SIGINT": 130, "SIGTERM": 143, "SIGHUP": 143}
LEFT = 5.0  # s in which workers end after their parent, as is promised
STOPPED = 3.0  # s in which a run that is stopped ends, as is promised
_FILES = 30  # a run of this shoot leaves about so many files, so many moments there are


def run(amount: int, folder: Path, seed: int) -> list[str]:
    """Each case in an OUT of its own."""
    if os.name == "nt":
        return []  # no such signals
    write_shoot(folder / "shoot")
    (folder / "night.yaml").write_text(RECIPE, encoding="utf-8")
    whole = Night(folder, "whole")
    if status := whole.wait(300):
        return [f"{NAME}: the undisturbed run ends with {status}: {whole.said}"]
    right = delivered(whole.out)
    found = []
    for number, chance in cases(amount, seed):
        night = Night(folder, f"out{number}")
        try:
            problems = disturbed(night, chance)
            again = Night(folder, f"out{number}") if problems is not None else night
            status = again.wait(300)
            if status == 1 and night.crashes > 1 and "died again when it was tried once more" in again.said:
                # Both crashes met one frame, which is then named as failed: the next run makes it.
                again = Night(folder, f"out{number}")
                status = again.wait(300)
            if status:
                found.append(wrong(NAME, number, f"the run after it ends with {status}: {again.said}"))
            elif delivered(again.out) != right:
                found.append(wrong(NAME, number, "other bytes"))
            elif junk := [path.name for path in again.out.rglob(".evencourt-part*")]:
                found.append(wrong(NAME, number, f"left behind: {junk}"))
            found += [wrong(NAME, number, text) for text in problems or ()]
        finally:
            night.process.kill()
    return found


class Night:
    """A run in a process of its own."""

    def __init__(self, folder: Path, name: str) -> None:
        self.out, self.said, self.crashes = folder / name, "", 0
        command = ["run", folder / "night.yaml", folder / "shoot", "--out", self.out, "--workers", "2", "--no-cache"]
        self.process = subprocess.Popen(
            [sys.executable, "-c", "from pipeline.cli.entry import main; main()", *map(str, command)],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip

    def wait(self, seconds: float) -> int:
        """Its exit status; what it printed is in `said`."""
        try:
            _, self.said = self.process.communicate(timeout=seconds)
        except subprocess.TimeoutExpired:
            self.process.kill()
            return 999
        return self.process.returncode

    def wait_until(self, files: int) -> bool:
        """Until so many files are in OUT; whether the run is still at it."""
        while self.process.poll() is None:
            if sum(1 for path in self.out.rglob("*") if path.is_file()) >= files:
                return True
            time.sleep(0.01)
        return False


def disturbed(night: Night, chance: random.Random) -> list[str] | None:
    """Disturb a run; what is wrong with how it took that, None where it is to finish by itself."""
    kind = chance.choice(KINDS)
    if chance.random() < 0.2:
        time.sleep(chance.uniform(0.05, 2.0))  # while it starts
    else:
        night.wait_until(chance.randrange(1, _FILES))
        time.sleep(chance.uniform(0, 0.2))
    if night.process.poll() is not None:
        return None
    everybody = below(night.process.pid)
    if kind in ("worker", "two workers", "stopped worker"):
        how = signal.SIGSTOP if kind == "stopped worker" else chance.choice((signal.SIGKILL, signal.SIGSEGV))
        for _ in range(2 if kind == "two workers" else 1):
            if workers := below(night.process.pid):
                tell(chance.choice(workers), how)
                night.crashes += how is signal.SIGSEGV
                time.sleep(chance.uniform(0, 0.5))
        if kind != "stopped worker":
            return None
        how = signal.SIGINT  # it is not waited for
    elif kind == "stop":
        how = chance.choice((signal.SIGINT, signal.SIGTERM, signal.SIGHUP))
    else:
        how = signal.SIGKILL
    start = time.monotonic()
    if kind == "group":
        with suppress(ProcessLookupError):
            os.killpg(night.process.pid, how)
    else:
        tell(night.process.pid, how)
    status = night.wait(30)
    took = time.monotonic() - start
    problems = []
    if how is not signal.SIGKILL:
        wanted = STATUS[how.name]
        if status not in (wanted, 0):  # 0: it was done already
            problems.append(f"{how.name}: exit status {status}, not {wanted}")
        if took > STOPPED:
            problems.append(f"{how.name}: took {took:.1f} s")
        if status == wanted and "run the same command again" not in night.said:
            problems.append(f"{how.name}: no words: {night.said!r}")
    if "Traceback" in night.said or "Error" in night.said:
        problems.append(f"{how.name}: {night.said}")
    while (left := [pid for pid in everybody if alive(pid)]) and time.monotonic() - start < took + LEFT:
        time.sleep(0.05)
    if left:
        problems.append(f"{how.name}: {len(left)} processes are left")
        for pid in left:
            tell(pid, signal.SIGKILL)
    return problems


def delivered(out: Path) -> dict[str, str]:
    """Path -> SHA-256 of the delivered files."""
    return {
        path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(out.rglob("*"))
        if path.is_file() and path.suffix in (".jpg", ".tif") and ".work" not in path.parts
    }


def below(parent: int) -> list[int]:
    """The processes that `parent` has started, and those that they have."""
    listed = subprocess.run(["ps", "-A", "-o", "pid=,ppid="], capture_output=True, text=True, check=True).stdout
    pairs = [tuple(map(int, line.split())) for line in listed.splitlines()]
    found, known = [], {parent}
    for _ in range(3):
        found = [pid for pid, above in pairs if above in known]
        known |= set(found)
    return sorted(pid for pid in found if alive(pid))


def alive(pid: int) -> bool:
    """Whether a process is there and no mere entry of one that has ended."""
    listed = subprocess.run(["ps", "-o", "stat=", "-p", str(pid)], capture_output=True, text=True, check=False).stdout
    return bool(listed.strip()) and not listed.startswith("Z")


def tell(pid: int, how: int) -> None:
    """Send a signal, if there still is such a process."""
    with suppress(ProcessLookupError):
        os.kill(pid, how)
